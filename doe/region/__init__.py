"""What may be tried: limits as an exact polytope, and what to say where it is empty or tight."""
