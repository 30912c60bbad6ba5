"""What all tests share: they make nothing twice, and wait for nothing that they do not test."""

import functools
import os

import pillow_heif
import typer.main

from counting.ledger import store
from counting.photos import workers

# waiting for the disk guards from a power cut, which no test here can make: what is killed is a
# program, and what it wrote the system has. Seven of eight seconds of a ledger's work go there.
SYNCHRONOUS = store.SYNCHRONOUS
"""As it ships."""
store.SYNCHRONOUS = "OFF"
os.fsync = lambda _: None

# the tree of all commands takes a sixth of a second to make and comes out the same every time
typer.main.get_command = functools.cache(typer.main.get_command)

# a process takes two seconds to start; where two are the point, the test asks for two
workers.cores = lambda: 1

# tests write HEIC photos as well; the program itself loads what reads them with the first
pillow_heif.register_heif_opener()
