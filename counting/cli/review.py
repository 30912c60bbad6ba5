"""Commands of the review room."""
