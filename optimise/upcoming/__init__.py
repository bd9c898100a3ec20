"""What to make next: batches that confirm, trials that teach, or nothing."""
