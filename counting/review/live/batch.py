"""Answers as a device sends them: each with its number, each taken or refused by itself."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from counting.errors import CorrectionsError, LedgerError
from counting.ledger.facts import all_answers
from counting.plan.trial import Trial
from counting.review.corrections import take_answers
from counting.review.document import Corrections, parse

__all__ = ["LARGEST_SAVE", "MOST_ANSWERS", "Desk", "NotWritten", "Sent", "read_batch"]

LARGEST_SAVE = 1_500_000
"""Bytes of one batch. A page sends about 200 kB at a time; one photo with the 5,000 marks that
an answer may hold is 0.9 MB."""
MOST_ANSWERS = 200
_DEVICE = re.compile(r"[A-Za-z0-9_-]{8,64}")
_LARGEST_NUMBER = 2**53 - 1
"""The largest whole number that a browser counts to exactly."""


@dataclass(frozen=True, slots=True)
class Sent:
    """One answer of a batch: the device's number for it, and the document as text."""

    number: int
    document: bytes


class NotWritten(Exception):  # noqa: N818 - it is a state of the disk, not a mistake
    """The ledger could not be written; what it took before that stands.

    Parameters
    ----------
    reply : dict
        As `Desk.take` returns it, with the ``reason``.
    full : bool
        Whether the disk is full.
    """

    def __init__(self, reply: dict[str, Any], *, full: bool) -> None:
        super().__init__(reply["reason"])
        self.reply, self.full = reply, full


def read_batch(body: bytes) -> tuple[str, list[Sent]]:
    """Return the device's own number and its answers, in the order of their numbers.

    Raises
    ------
    CorrectionsError
        If the body is no batch of answers.
    """
    where = "the answers"
    try:
        value = json.loads(body)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise CorrectionsError(where, "not JSON", "a batch of answers") from error
    if not isinstance(value, dict) or value.get("format") != "counting answers":
        raise CorrectionsError(where, "no batch of answers", mend="load the page again")
    device, listed = value.get("device"), value.get("answers")
    if not isinstance(device, str) or not _DEVICE.fullmatch(device):
        raise CorrectionsError(where, "no device is named", mend="load the page again")
    if not isinstance(listed, list) or len(listed) > MOST_ANSWERS:
        raise CorrectionsError(where, "no list of answers", f"at most {MOST_ANSWERS} at a time")
    sent: dict[int, Sent] = {}
    for each in listed:
        number = each.get("number") if isinstance(each, dict) else None
        if type(number) is not int or not 1 <= number <= _LARGEST_NUMBER or number in sent:
            raise CorrectionsError(where, "an answer has no number of its own")
        text = json.dumps(each.get("document"), ensure_ascii=False)
        sent[number] = Sent(number, text.encode("utf-8", "surrogatepass"))
    return device, [sent[number] for number in sorted(sent)]


@dataclass(slots=True)
class Desk:
    """Takes answers into a trial's ledger, each at most once.

    Attributes
    ----------
    trial : Trial
    taken : set of (str, int)
        Device and number of each answer that the ledger holds or held.
    """

    trial: Trial
    taken: set[tuple[str, int]] = field(default_factory=set)
    writing: Lock = field(default_factory=Lock)

    def __post_init__(self) -> None:
        """Read from the ledger what came in before."""
        with self.trial.ledger() as ledger:
            self.taken |= {
                (each.device, each.number)
                for each in all_answers(ledger)
                if each.number is not None
            }

    def take(
        self, device: str, sent: list[Sent], may: Callable[[str], str] = lambda _: ""
    ) -> dict[str, Any]:
        """Take a batch in, one answer after the other.

        Parameters
        ----------
        device : str
            The number that the device drew for itself.
        sent : list of Sent
        may : callable
            Returns why a reviewer's name may not be used here, empty if it may.

        Returns
        -------
        dict
            ``taken``: numbers that need not be sent again; ``refused``: numbers with a reason.

        Raises
        ------
        NotWritten
            If the ledger cannot be written.
        """
        taken: list[int] = []
        refused: list[dict[str, Any]] = []
        reply = {"taken": taken, "refused": refused}
        with self.writing:  # "newer" is judged on what stands
            for each in sent:
                try:
                    self._one(device, each, may)
                except CorrectionsError as error:
                    refused.append({"number": each.number, "reason": error.found})
                except LedgerError as error:
                    full = "full" in error.found
                    reason = "its disk is full" if full else error.found
                    raise NotWritten(reply | {"reason": reason}, full=full) from error
                else:
                    taken.append(each.number)
        return reply

    def _one(self, device: str, each: Sent, may: Callable[[str], str]) -> None:
        """Write one answer, unless it is in the ledger already."""
        if (device, each.number) in self.taken:
            return
        given = parse(each.document, "the answer")
        if len(given.answers) != 1:
            _refuse("an answer is about one photo")
        reason = may(given.reviewer)
        if reason:
            _refuse(reason)
        self._write(given, (device, each.number))

    def _write(self, given: Corrections, sender: tuple[str, int]) -> None:
        # the originals were hashed at intake; hashing them at each tap would make a phone wait
        take_answers(self.trial, given, "the answer", check_files=False, sender=sender)
        self.taken.add(sender)


def _refuse(found: str) -> None:
    where = "the answer"
    raise CorrectionsError(where, found)
