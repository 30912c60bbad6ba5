"""Photos taken in: upright, bound to plants by tag, list or folder, measured for quality."""
