"""Commands of the accuracy room."""
