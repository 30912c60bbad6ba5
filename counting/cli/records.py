"""Commands of the records room."""
