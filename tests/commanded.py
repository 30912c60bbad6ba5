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


def counting(*words: object, typed: str = "") -> Done:
    """Run ``counting WORDS``; `typed` is what waits on the standard input, which is no keyboard."""
    out, err = io.StringIO(), io.StringIO()
    code = 0
    with (
        mock.patch.object(sys, "argv", ["counting", *map(str, words)]),
        mock.patch.object(sys, "stdin", io.StringIO(typed)),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as left:
            code = int(left.code or 0)
    return Done(code, out.getvalue(), err.getvalue())
