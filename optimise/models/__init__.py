"""What the trials say: each response fitted, diagnosed, and predicting."""
