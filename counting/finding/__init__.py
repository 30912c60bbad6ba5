"""Fruit proposed on photos: colour, blobs and a learned scorer, merged into one table."""
