"""Commands of the analysis room."""
