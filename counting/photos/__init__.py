"""Photos taken in: read upright, bound to plants by tag, manifest or folder, measured for quality."""
