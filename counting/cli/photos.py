"""Commands of the photos room."""
