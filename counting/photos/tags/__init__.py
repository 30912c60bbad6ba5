"""The tags on the plants: drawn, read in a photo, and measured to the tenth of a pixel."""
