"""The plan of a round: what is asked for, textbook families, quality, and how it reads."""
