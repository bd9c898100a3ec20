"""Sentences that people read, in one place."""
