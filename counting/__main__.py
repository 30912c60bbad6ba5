"""Run the command line with ``python -m counting``."""

from counting.cli import main

main()
