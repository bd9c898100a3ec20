"""Trials that are made together: whole plots and blocks."""
