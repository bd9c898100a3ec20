"""What to make: the goal, where a search may go, its high points, what lies around the best."""
