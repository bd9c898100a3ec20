"""The front desk."""
