"""The command line as a person calls it, run within the test: quicker than a process each."""

from __future__ import annotations

import contextlib
import io
import sys
from dataclasses import dataclass
from unittest import mock

from counting.cli import main


@dataclass(frozen=True, slots=True)
class Done:
    """What a command left: its exit code and what it wrote."""

    code: int
    out: str
    err: str


class _Keyboard(io.StringIO):
    """What a person types at a terminal."""

    def isatty(self) -> bool:
        return True


def counting(*words: object, typed: str = "", keyboard: bool = False) -> Done:
    """Run ``counting WORDS``; `typed` is what waits on the standard input.

    Only with `keyboard` does a person sit there who can be asked.
    """
    out, err = io.StringIO(), io.StringIO()
    code = 0
    with (
        mock.patch.object(sys, "argv", ["counting", *map(str, words)]),
        mock.patch.object(sys, "stdin", (_Keyboard if keyboard else io.StringIO)(typed)),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as left:
            code = int(left.code or 0)
    return Done(code, out.getvalue(), err.getvalue())
