"""The search for an optimal plan: candidates, exchange, moves, weighable steps."""
