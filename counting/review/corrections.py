"""Take corrections into the ledger: hold a file against the trial, then write all of it or none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from counting.errors import CorrectionsError, Refusal
from counting.files import inside, sha256_file
from counting.ledger import Ledger
from counting.ledger.facts import (
    Answer,
    Photo,
    all_proposals,
    fact_of,
    moment,
    photo_of,
    proposal_of,
    sheet_of,
    sheets,
)
from counting.plan.trial import Trial
from counting.review.document import LARGEST_BYTES, Corrections, parse
from counting.review.pace import caution

__all__ = ["Added", "Taken", "take_answers", "take_corrections", "take_document"]


@dataclass(frozen=True, slots=True)
class Taken:
    """What taking corrections in did.

    Attributes
    ----------
    files : int
        Files taken in.
    new : int
        Photos whose answer was new or changed.
    again : int
        Photos whose answer stood just so already.
    reviewers : tuple of str
        Whose files they were.
    refused : tuple of Refusal
        Files left out whole, with the reason.
    caution : str
        Whose photos were confirmed faster than a person can look; empty if none.
    older : int
        Photos passed over, since a newer answer of the same reviewer stands.
    """

    files: int
    new: int
    again: int
    reviewers: tuple[str, ...]
    refused: tuple[Refusal, ...]
    caution: str = ""
    older: int = 0


@dataclass(frozen=True, slots=True)
class Added:
    """How many answers were new or changed, stood just so already, or gave way to newer ones."""

    new: int
    again: int
    older: int


def take_corrections(trial: Trial, files: Sequence[Path]) -> Taken:
    """Take in saved corrections; each file wholly or not at all.

    Taking in the same file again adds nothing; the files of two reviewers are both kept.

    Parameters
    ----------
    trial : Trial
        The trial whose photos were reviewed.
    files : sequence of Path
        Files saved from contact sheets.

    Raises
    ------
    CorrectionsError
        If there is one file only and it is refused.
    """
    new = again = older = taken = 0
    reviewers: dict[str, None] = {}
    refused = []
    answers: list[Answer] = []
    for file in files:
        try:
            given = parse(_bytes(file), str(file))
            added = take_answers(trial, given, str(file))
        except CorrectionsError as error:
            if len(files) == 1:
                raise
            refused.append(Refusal(error.where, str(error).removeprefix(f"{error.where}: ")))
            continue
        taken += 1
        new += added.new
        again += added.again
        older += added.older
        reviewers.setdefault(given.reviewer)
        answers += given.answers
    told = caution(answers)
    return Taken(taken, new, again, tuple(reviewers), tuple(refused), told, older)


def take_document(trial: Trial, given: Corrections, where: str, *, check_files: bool = True) -> int:
    """Write one reviewer's answers into the ledger; return how many were new or changed.

    See `take_answers`, which also tells how many gave way to newer ones.
    """
    return take_answers(trial, given, where, check_files=check_files).new


def take_answers(
    trial: Trial,
    given: Corrections,
    where: str,
    *,
    check_files: bool = True,
    sender: tuple[str, int] | None = None,
) -> Added:
    """Write one reviewer's answers into the ledger.

    For each photo the newer answer stands: one that was given before the answer that stands is
    passed over, the others of the document are taken all the same.

    Parameters
    ----------
    trial : Trial
        The trial.
    given : Corrections
        The answers.
    where : str
        Where they came from, for messages.
    check_files : bool
        Whether to make sure that the photos on disk are still those that were reviewed.
    sender : tuple of str and int, optional
        The device that sends, and its number of the document's only answer.

    Raises
    ------
    CorrectionsError
        If anything in it does not fit the trial; nothing is written then.
    """
    if given.trial != trial.plan.id:
        raise CorrectionsError(
            where,
            f"for trial {given.trial!r}",
            f"trial {trial.plan.id!r}",
            "take it in where its sheet was made",
        )
    with trial.ledger() as ledger:
        shown = _shown(ledger, given.sheet, where)
        for answer in given.answers:
            photo = _check(ledger, given, answer, shown, where)
            if check_files:
                _check_file(trial, photo, where)
        told = [_sent(answer, sender) for answer in given.answers]
        newer = [answer for answer in told if not _outdated(ledger, answer)]
        added = ledger.add(newer, by=given.reviewer)
        return Added(added, len(newer) - added, len(told) - len(newer))


def _bytes(file: Path) -> bytes:
    """Read a file, refusing one that is missing or huge before reading it."""
    try:
        size = file.stat().st_size
        if size > LARGEST_BYTES:
            found = f"{size / 1e6:.0f} MB is too large"
            raise CorrectionsError(file, found, f"at most {LARGEST_BYTES / 1e6:.0f} MB")
        return file.read_bytes()
    except OSError as error:
        found = f"could not be read ({error.strerror})"
        raise CorrectionsError(file, found, mend="check the path") from error


def _shown(ledger: Ledger, sheet: str, where: str) -> Mapping[str, str]:
    """Return photo to proposal of the sheet named."""
    found_sheet = sheet_of(ledger, sheet)
    if found_sheet is None:
        known = len(sheets(ledger))
        found = f"sheet {sheet!r} was never made here"
        raise CorrectionsError(where, found, f"one of the trial's {known} sheets", "check the file")
    return found_sheet.photos


def _check(
    ledger: Ledger, given: Corrections, answer: Answer, shown: Mapping[str, str], where: str
) -> Photo:
    """Hold one answer against what the trial knows; return its photo."""
    short = answer.photo[:12]
    photo = photo_of(ledger, answer.photo)
    if answer.photo not in shown or photo is None:
        expected = f"a photo of sheet {given.sheet}"
        raise CorrectionsError(where, f"photo {short} is not on the sheet", expected)
    if answer.proposal != shown[answer.photo]:
        found = f"photo {short} begins from candidates that the sheet did not show"
        raise CorrectionsError(where, found, mend="save it again from the sheet")
    width, height = photo.width, photo.height
    for mark in answer.marks:
        if mark.x > width or mark.y > height or mark.width > width or mark.height > height:
            found = f"photo {short}, mark {mark.mark}: outside the photo"
            raise CorrectionsError(where, found, f"a place within {width} x {height} px")
    _check_candidates(ledger, answer, where)
    _check_twins(ledger, given, answer, photo, where)
    return photo


def _check_candidates(ledger: Ledger, answer: Answer, where: str) -> None:
    """Make sure that marks name candidates that were proposed."""
    named = {mark.candidate for mark in answer.marks if mark.candidate is not None}
    if not named:
        return
    if unknown := sorted(named - _candidates(ledger, answer)):
        found = f"photo {answer.photo[:12]}: no candidate {unknown[0]} was proposed"
        raise CorrectionsError(where, found, mend="save it again from the sheet")


def _candidates(ledger: Ledger, answer: Answer) -> set[int]:
    """Return the numbers of the candidates an answer began from."""
    proposal = proposal_of(ledger, answer.photo)
    if proposal is None or proposal.entry != answer.proposal:
        older = (each for each in all_proposals(ledger) if each.entry == answer.proposal)
        proposal = next(older, None)
    return {each.candidate for each in proposal.candidates} if proposal else set()


def _check_twins(
    ledger: Ledger, given: Corrections, answer: Answer, photo: Photo, where: str
) -> None:
    """Make sure that "the same fruit" lies in another photo of the same plant and survey."""
    marks = {other.photo: {mark.mark for mark in other.marks} for other in given.answers}
    for mark in answer.marks:
        if not mark.twin:
            continue
        named, _, number = mark.twin.partition(":")
        other = photo_of(ledger, named)
        same = other and (other.survey, other.plant) == (photo.survey, photo.plant)
        found = ""
        if named == answer.photo or not same:
            found = "is no photo of the same plant and survey"
        elif named in marks and int(number) not in marks[named]:
            found = f"has no mark {number}"
        if found:
            where_mark = f"photo {answer.photo[:12]}, mark {mark.mark}: the same fruit as one in"
            raise CorrectionsError(where, f"{where_mark} photo {named[:12]}, which {found}")


def _sent(answer: Answer, sender: tuple[str, int] | None) -> Answer:
    """Return an answer with the device that sent it, where one is told."""
    if sender is None:
        return answer
    device, number = sender
    return replace(answer, device=device, number=number)


def _outdated(ledger: Ledger, answer: Answer) -> bool:
    """Tell whether a newer answer of this reviewer stands for the photo.

    A device numbers its answers. Between two devices only their clocks can tell; nothing is given
    after it was written down, so a clock that runs ahead counts from then at most.
    """
    entry = ledger.get(Answer.kind, answer.key)
    standing = fact_of(entry) if entry else None
    if entry is None or not isinstance(standing, Answer):
        return False
    if answer.number is not None and standing.device == answer.device:
        return answer.number < (standing.number or 0)
    given = min(moment(answer.at), datetime.now(UTC))
    return given < min(moment(standing.at), moment(entry.at))


def _check_file(trial: Trial, photo: Photo, where: str) -> None:
    """Refuse answers for a photo whose file has changed since it was taken in."""
    path = inside(trial.directory, photo.file)
    if path.is_file() and sha256_file(path) != photo.sha256:
        mend = "put the original back, or take the new photo in and review it"
        found = f"photo {photo.file} changed since it was taken in"
        raise CorrectionsError(where, found, mend=mend)
