"""What only phones need: pairing, the way in as a code, photos that come in pieces."""
