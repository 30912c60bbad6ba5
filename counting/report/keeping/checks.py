"""What one check of a trial found: every kind of check tells it alike."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Check", "Fault"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it should be.

    Attributes
    ----------
    item : str
        The file or entry.
    sentence : str
        What is wrong with it.
    """

    item: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Check:
    """One kind of thing examined.

    Attributes
    ----------
    name : str
        ledger, checkpoints, plan, photos, confirmations, lessons, proposals or report.
    sentence : str
        What was examined, in words.
    faults : tuple of Fault
        What is wrong; empty when all is well.
    remarks : tuple of str
        What could not be examined, and why.
    """

    name: str
    sentence: str
    faults: tuple[Fault, ...] = ()
    remarks: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Return the check as lines to read."""
        outcome = "well" if not self.faults else f"{len(self.faults)} found"
        head = f"{self.name}: {outcome} ({self.sentence})"
        told = [f"  {fault.item}: {fault.sentence}" for fault in self.faults]
        return [head, *told, *(f"  not examined: {remark}" for remark in self.remarks)]
