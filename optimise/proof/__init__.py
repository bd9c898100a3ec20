"""How good a formula is known to be: branch and bound with rigorous bounds."""
