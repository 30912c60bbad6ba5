"""How the counts came about: photos, reviewers, corrections, exclusions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from counting.analysis.words.phrases import and_list
from counting.flags import Flag
from counting.ledger import Ledger, facts
from counting.ledger.facts import CANNOT_TELL, RETAKE, Answer
from counting.review.pace import caution
from counting.review.together import Looked, looked_at
from counting.settings import STAGES

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
        Median time per photo that was opened by itself, where the sheet measured it.
    together : int
        Photos whose answer that stands was given several at a time.
    looked : Looked
        What looking at likely photos one by one had shown.
    hurried : str
        Whose counts that stand were given faster than a person can look; empty if none.
    unblinded : int
        Photos counted on a sheet that showed plant and group, or on one that is not known.
    uncovered : int
        Photos counted on a blind sheet in which no tag was read, so that one that shows was not
        covered; 0 in a trial whose photos mostly bear none.
    stages : tuple of str
        The ways of finding fruit that made the proposals, words of `counting.settings.STAGES`.
    quick : int
        Photos with proposals for which the scorer never looked closer, as asked.
    scaled : int
        Photos with an answer that counts in which a tag gave the scale.
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
    together: int
    looked: Looked
    hurried: str
    unblinded: int
    uncovered: int
    stages: tuple[str, ...]
    quick: int
    scaled: int
    flagged: dict[Flag, int]
    tallies: int

    @property
    def corrections_per_100(self) -> float | None:
        """Marks a person added or removed, per 100 fruit confirmed; None before any."""
        fruit = self.kept + self.added
        return 100 * (self.added + self.removed) / fruit if fruit else None

    def sentences(self) -> list[str]:
        """Return what stands behind the counts, one sentence each."""
        lines = []
        if self.photos:
            taken = f"{_photos(self.photos)} taken in"
            lines.append(f"{taken}; fruit was proposed on {self.proposed} of them.")
        if self.quick:
            lines.append(f"{_photos(self.quick)} looked at quickly (--quick), which is less exact.")
        if self.confirmed:
            who = and_list(list(self.reviewers))
            lines.append(f"{_photos(self.confirmed)} confirmed by {who}: {_marks(self)}.")
        if self.seconds is not None:
            seconds = max(self.seconds, 1)
            those = "photos opened one by one" if self.together else "photos"
            lines.append(f"Half of the {those} took a reviewer {seconds:.0f} s or less.")
        if self.together:
            lines.append(
                f"{_photos(self.together)} confirmed several at a time on one screen, as likely "
                f"right: of {self.looked.photos} such photos looked at one by one "
                f"{self.looked.right} needed no change."
            )
        if self.unblinded:
            lines.append(
                f"{_photos(self.unblinded)} counted on a sheet that showed plant and group, so the "
                "reviewer could know which group was being counted."
            )
        if self.hurried:
            lines.append(self.hurried)
        if self.retake:
            lines.append(f"{_photos(self.retake)} sent back to be taken again.")
        if self.cannot_tell:
            lines.append(
                f"On {self.cannot_tell} a reviewer could not tell how many fruit there are."
            )
        lines += [
            f"{number} {'photo carries' if number == 1 else 'photos carry'} this warning: "
            f"{flag.sentence}"
            for flag, number in self.flagged.items()
        ]
        if self.tallies:
            lines.append(
                f"{self.tallies} {'value was' if self.tallies == 1 else 'values were'} "
                "recorded by hand, not from photos."
            )
        return lines


def making(ledger: Ledger) -> Making:
    """Count what stands in a ledger behind its photo counts."""
    out = facts.left_out(ledger)
    photos = [
        photo
        for photo in facts.photos(ledger).values()
        if not photo.view_of or not out.photo(photo.photo)
    ]
    files = {photo.photo: photo.sha256 for photo in photos}
    untagged = {photo.photo for photo in photos if photo.tag is None or not photo.tag.card}
    answers = facts.answers(ledger)
    counted = [answer for answer in answers if answer.counted]
    states = [mark.state for answer in counted for mark in answer.marks]
    answered = {answer.photo for answer in counted}
    seconds = [answer.seconds for answer in counted if answer.seconds and answer.alone]
    proposals = facts.proposals(ledger).values()
    stages = {stage for proposal in proposals for stage in proposal.stages}
    blind = {sheet.sheet for sheet in facts.sheets(ledger).values() if sheet.blind}
    on_blind = {answer.photo for answer in counted if answer.sheet in blind}
    open_to_see = len(on_blind & untagged)
    stands = {each.answer for each in facts.standing_answers(ledger) if each.answer}
    flags = [word for photo in photos for word in photo.flags]
    return Making(
        photos=len(set(files.values())),
        proposed=len({files.get(each.photo, each.photo) for each in proposals}),
        confirmed=len({files.get(answer.photo, answer.photo) for answer in counted}),
        retake=_photos_answered(answers, RETAKE),
        cannot_tell=_photos_answered(answers, CANNOT_TELL),
        reviewers=tuple(sorted({answer.reviewer for answer in counted})),
        kept=states.count("confirmed"),
        added=states.count("added"),
        removed=states.count("removed"),
        unsure=states.count("unsure"),
        seconds=median(seconds) if seconds else None,
        together=sum(not answer.alone for answer in stands),
        looked=Looked.of(looked_at(ledger).values()),
        hurried=caution(answer for answer in answers if answer in stands),
        unblinded=len({answer.photo for answer in counted if answer.sheet not in blind}),
        uncovered=open_to_see if 2 * open_to_see < len(on_blind) else 0,
        stages=tuple(stage for stage in STAGES if stage in stages),
        quick=sum(proposal.made_with.quick for proposal in proposals),
        scaled=sum(photo.mm_per_px is not None and photo.photo in answered for photo in photos),
        flagged={flag: flags.count(flag) for flag in Flag if flag in flags},
        tallies=len(facts.tallies(ledger)),
    )


def _photos_answered(answers: Sequence[Answer], word: str) -> int:
    return len({answer.photo for answer in answers if answer.answer == word})


def _photos(number: int) -> str:
    return "1 photo was" if number == 1 else f"{number} photos were"


def _marks(made: Making) -> str:
    """Return what became of the proposals."""
    corrections = made.corrections_per_100
    if corrections is None:
        return "no fruit was on them"
    unsure = f", {made.unsure} left as unsure" if made.unsure else ""
    return (
        f"{made.kept} proposed fruit kept, {made.added} added, {made.removed} struck out{unsure} "
        f"({corrections:.0f} corrections per 100 fruit)"
    )
