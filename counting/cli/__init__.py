"""The command line: one thin function per command, no logic."""

from __future__ import annotations

import importlib

from counting.cli.base import app, run

__all__ = ["app", "main"]

_ROOMS = (
    "plan",
    "photos",
    "finding",
    "review",
    "records",
    "analysis",
    "report",
    "accuracy",
    "demo",
    "desk",
)
"""The modules of this folder, in the order in which their commands are listed."""

for _room in _ROOMS:
    importlib.import_module(f"counting.cli.{_room}")


def main() -> None:
    """Run the command line and leave with its exit code."""
    run()
