"""Commands of the finding room."""
