"""What a model is made of, before any data."""
