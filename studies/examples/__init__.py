"""Shipped example studies. Their scenario and data are our own invention."""
