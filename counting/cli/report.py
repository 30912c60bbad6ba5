"""Commands of the report room."""
