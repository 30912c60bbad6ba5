"""A ledger written to until the disk refuses, in a process of its own: little is loaded for it."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

from counting.errors import LedgerError
from counting.ledger import Ledger


def fill(trial: Path) -> None:
    """Write until the disk refuses; say how many batches were accepted."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    accepted = 0
    try:
        for number in range(1000):
            with Ledger(trial, create=True) as ledger:
                ledger.append_many(
                    [("event", f"{number}-{part}", {"text": "x" * 2000}) for part in range(5)],
                    by="test",
                )
            accepted += 1
    except LedgerError as error:
        sys.stdout.write(f"{accepted}\n{error}\n")
