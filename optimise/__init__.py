"""What the trials say and what to make."""
