"""Estimators and laws on plain arrays; they know no study."""
