"""What is left out of a trial at present: photos, plants at a survey, plants altogether."""

from __future__ import annotations

from counting.ledger import Entry, Ledger

__all__ = ["left_out"]


def left_out(ledger: Ledger) -> dict[str, Entry]:
    """Return the exclusions in force, those lifted again not among them, in the order written.

    Parameters
    ----------
    ledger : Ledger
        The trial's.

    Returns
    -------
    dict of str to Entry
        By what they leave out: a photo's SHA-256, ``PLANT|SURVEY``, or ``PLANT|`` for a plant at
        every survey.
    """
    standing = ledger.standing("exclusion")
    return {entry.key: entry for entry in standing if not entry.body.get("lifted", False)}
