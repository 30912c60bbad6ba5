"""Where photos belong: mended by a person, and what to know of a batch."""
