"""How the counts came about: photos, reviewers, corrections, exclusions."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from counting.flags import Flag
from counting.ledger import Ledger

__all__ = ["Making", "making"]


@dataclass(frozen=True, slots=True)
class Making:
    """What stands behind the photo counts of a trial.

    Attributes
    ----------
    photos, proposed, confirmed : int
        Photos taken in, with proposals, and with an answer that counts.
    retake, cannot_tell : int
        Photos a reviewer sent back or could not read.
    reviewers : tuple of str
        Who confirmed.
    kept, added, removed, unsure : int
        Marks by state, over the standing confirmations.
    seconds : float or None
        Median time per photo, where the sheet measured it.
    flagged : dict
        Flag to the number of photos that carry it.
    tallies : int
        Values recorded by hand.
    """

    photos: int
    proposed: int
    confirmed: int
    retake: int
    cannot_tell: int
    reviewers: tuple[str, ...]
    kept: int
    added: int
    removed: int
    unsure: int
    seconds: float | None
    flagged: dict[Flag, int]
    tallies: int

    @property
    def corrections_per_100(self) -> float | None:
        """Marks a person added or removed, per 100 fruit confirmed; None before any."""
        fruit = self.kept + self.added
        return 100 * (self.added + self.removed) / fruit if fruit else None

    def sentences(self) -> list[str]:
        """Return what stands behind the counts, one sentence each."""
        lines = [
            f"{self.photos} photos were taken in; fruit was proposed on {self.proposed} of them.",
        ]
        if self.confirmed:
            who = _listed(self.reviewers)
            lines.append(
                f"{self.confirmed} photos were confirmed by {who}: {self.kept} proposed fruit kept,"
                f" {self.added} added, {self.removed} struck out"
                + (f", {self.unsure} left as unsure" if self.unsure else "")
                + f" ({self.corrections_per_100:.0f} corrections per 100 fruit)."
                if self.corrections_per_100 is not None
                else f"{self.confirmed} photos were confirmed by {who}; no fruit was on them."
            )
        if self.seconds is not None:
            seconds = max(self.seconds, 1)
            lines.append(f"Half of the photos took a reviewer {seconds:.0f} s or less.")
        if self.retake or self.cannot_tell:
            lines.append(
                f"{self.retake} photos were to be retaken, {self.cannot_tell} could not be told."
            )
        lines += [f"{number} photos: {flag.sentence}" for flag, number in self.flagged.items()]
        lines.append(f"{self.tallies} values were recorded by hand.")
        return lines


def making(ledger: Ledger) -> Making:
    """Count what stands in a ledger behind its photo counts."""
    photos = list(ledger.standing("photo"))
    answers = [entry.body for entry in ledger.standing("confirmation")]
    counted = [body for body in answers if body["answer"] == "counted"]
    states = [mark["state"] for body in counted for mark in body["marks"]]
    seconds = [body["seconds"] for body in counted if body.get("seconds")]
    flags = [word for entry in photos for word in entry.body["flags"]]
    return Making(
        photos=len(photos),
        proposed=sum(1 for _ in ledger.standing("proposal")),
        confirmed=len({body["photo"] for body in counted}),
        retake=_answers(answers, "retake"),
        cannot_tell=_answers(answers, "cannot tell"),
        reviewers=tuple(sorted({body["reviewer"] for body in counted})),
        kept=states.count("confirmed"),
        added=states.count("added"),
        removed=states.count("removed"),
        unsure=states.count("unsure"),
        seconds=median(seconds) if seconds else None,
        flagged={flag: flags.count(flag) for flag in Flag if flag in flags},
        tallies=sum(1 for _ in ledger.standing("observation")),
    )


def _answers(answers: list[dict[str, object]], word: str) -> int:
    return len({body["photo"] for body in answers if body["answer"] == word})


def _listed(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
