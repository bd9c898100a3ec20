"""What commands say to a person at a terminal."""
