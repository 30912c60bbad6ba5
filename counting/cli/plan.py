"""Commands of the plan room."""
