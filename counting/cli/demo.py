"""Commands of the demo room."""
