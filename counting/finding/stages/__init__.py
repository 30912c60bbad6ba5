"""The stages that propose candidates: colour, blobs, learned scorer; their numbers and weights."""
