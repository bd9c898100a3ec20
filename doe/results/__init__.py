"""What was made and measured, joined to the plan and checked."""
