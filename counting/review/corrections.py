"""Take corrections into the ledger: hold a file against the trial, then write all of it or none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from counting.errors import CorrectionsError, Refusal
from counting.files import inside, sha256_file
from counting.ledger import Entry, Ledger
from counting.ledger.facts import Answer
from counting.plan.trial import Trial
from counting.review.document import LARGEST_BYTES, Answered, Document, moment, parse
from counting.review.pace import caution

__all__ = [
    "Added",
    "Taken",
    "confirmation_key",
    "take_answers",
    "take_corrections",
    "take_document",
]


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


def confirmation_key(photo: str, reviewer: str) -> str:
    """Return the ledger's key of a reviewer's answer for a photo."""
    return f"{photo}|{reviewer}"


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
    answers = []
    for file in files:
        try:
            document = parse(_bytes(file), str(file))
            added = take_answers(trial, document, str(file))
        except CorrectionsError as error:
            if len(files) == 1:
                raise
            refused.append(Refusal(error.where, str(error).removeprefix(f"{error.where}: ")))
            continue
        taken += 1
        new += added.new
        again += added.again
        older += added.older
        reviewers.setdefault(document.reviewer)
        answers += [_answer(document, answered).to_body() for answered in document.photos]
    told = caution(answers)
    return Taken(taken, new, again, tuple(reviewers), tuple(refused), told, older)


def take_document(trial: Trial, document: Document, where: str, *, check_files: bool = True) -> int:
    """Write one reviewer's answers into the ledger; return how many were new or changed.

    See `take_answers`, which also tells how many gave way to newer ones.
    """
    return take_answers(trial, document, where, check_files=check_files).new


def take_answers(
    trial: Trial,
    document: Document,
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
    document : Document
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
    if document.trial != trial.plan.id:
        raise CorrectionsError(
            where,
            f"for trial {document.trial!r}",
            f"trial {trial.plan.id!r}",
            "take it in where its sheet was made",
        )
    with trial.ledger() as ledger:
        shown = _shown(ledger, document.sheet, where)
        for answered in document.photos:
            _check(ledger, document, answered, shown, where)
            if check_files:
                _check_file(trial, ledger, answered.photo, where)
        told = [_answer(document, answered, sender) for answered in document.photos]
        newer = [answer for answer in told if not _outdated(ledger, answer)]
        added = ledger.add(newer, by=document.reviewer)
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


def _shown(ledger: Ledger, sheet: str, where: str) -> dict[str, str]:
    """Return photo to proposal of the sheet named."""
    entry = ledger.get("sheet", sheet)
    if entry is None:
        known = len(list(ledger.standing("sheet")))
        found = f"sheet {sheet!r} was never made here"
        raise CorrectionsError(where, found, f"one of the trial's {known} sheets", "check the file")
    return {row["photo"]: row["proposal"] for row in entry.body["photos"]}


def _check(
    ledger: Ledger, document: Document, answered: Answered, shown: dict[str, str], where: str
) -> None:
    """Hold one answer against what the trial knows."""
    short = answered.photo[:12]
    entry = ledger.get("photo", answered.photo)
    if answered.photo not in shown or entry is None:
        expected = f"a photo of sheet {document.sheet}"
        raise CorrectionsError(where, f"photo {short} is not on the sheet", expected)
    if answered.proposal != shown[answered.photo]:
        found = f"photo {short} begins from candidates that the sheet did not show"
        raise CorrectionsError(where, found, mend="save it again from the sheet")
    width, height = entry.body["width"], entry.body["height"]
    for mark in answered.marks:
        if mark.x > width or mark.y > height or mark.width > width or mark.height > height:
            found = f"photo {short}, mark {mark.mark}: outside the photo"
            raise CorrectionsError(where, found, f"a place within {width} x {height} px")
    _check_candidates(ledger, answered, where)
    _check_twins(ledger, document, answered, entry, where)


def _check_candidates(ledger: Ledger, answered: Answered, where: str) -> None:
    """Make sure that marks name candidates that were proposed."""
    named = {mark.candidate for mark in answered.marks} - {None}
    if not named:
        return
    known = _candidates(ledger, answered)
    if unknown := sorted(number for number in named if number is not None and number not in known):
        found = f"photo {answered.photo[:12]}: no candidate {unknown[0]} was proposed"
        raise CorrectionsError(where, found, mend="save it again from the sheet")


def _candidates(ledger: Ledger, answered: Answered) -> set[int]:
    """Return the numbers of the candidates an answer began from."""
    entry = ledger.get("proposal", answered.photo)
    if entry is None or entry.hash != answered.proposal:
        older = (e for e in ledger.entries("proposal") if e.hash == answered.proposal)
        entry = next(older, None)
    return {row["candidate"] for row in entry.body["candidates"]} if entry else set()


def _check_twins(
    ledger: Ledger, document: Document, answered: Answered, entry: Entry, where: str
) -> None:
    """Make sure that "the same fruit" lies in another photo of the same plant and survey."""
    marks = {other.photo: {mark.mark for mark in other.marks} for other in document.photos}
    for mark in answered.marks:
        if not mark.twin:
            continue
        photo, _, number = mark.twin.partition(":")
        other = ledger.get("photo", photo)
        same = other is not None and all(
            other.body.get(name) == entry.body.get(name) for name in ("survey", "plant")
        )
        found = ""
        if photo == answered.photo or not same:
            found = "is no photo of the same plant and survey"
        elif photo in marks and int(number) not in marks[photo]:
            found = f"has no mark {number}"
        if found:
            where_mark = f"photo {answered.photo[:12]}, mark {mark.mark}: the same fruit as one in"
            raise CorrectionsError(where, f"{where_mark} photo {photo[:12]}, which {found}")


def _outdated(ledger: Ledger, answer: Answer) -> bool:
    """Tell whether a newer answer of this reviewer stands for the photo.

    A device numbers its answers. Between two devices only their clocks can tell; nothing is given
    after it was written down, so a clock that runs ahead counts from then at most.
    """
    entry = ledger.get("confirmation", answer.key)
    if entry is None:
        return False
    standing = Answer.of_body(entry.body, entry.seq)
    if answer.number is not None and standing.device == answer.device:
        return answer.number < (standing.number or 0)
    given = min(moment(answer.at), datetime.now(UTC))
    return given < min(moment(standing.at), moment(entry.at))


def _check_file(trial: Trial, ledger: Ledger, photo: str, where: str) -> None:
    """Refuse answers for a photo whose file has changed since it was taken in."""
    entry = ledger.get("photo", photo)
    if entry is None:
        return
    name = entry.body["file"]
    path = inside(trial.directory, name)
    if path.is_file() and sha256_file(path) != photo:
        mend = "put the original back, or take the new photo in and review it"
        raise CorrectionsError(where, f"photo {name} changed since it was taken in", mend=mend)


def _answer(
    document: Document, answered: Answered, sender: tuple[str, int] | None = None
) -> Answer:
    """Return the ledger's fact about one answer."""
    told = answered.model_dump() | {"sheet": document.sheet, "reviewer": document.reviewer}
    device, number = sender or ("", None)
    return Answer.of_body(told | {"device": device, "number": number})
