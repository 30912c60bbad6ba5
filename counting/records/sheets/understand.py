"""A spreadsheet as its owner wrote it, turned into the sheet that a tally is read from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from counting.crops import crop_of
from counting.errors import TallyError
from counting.plan.codes import CodeBook
from counting.plan.trial import Trial
from counting.records.sheets.cells import dates_in_order, decimal_commas
from counting.records.sheets.doubt import Doubt
from counting.records.sheets.rows import Rows
from counting.records.sheets.table import Passed, Table, looks_like_tally, table_in
from counting.records.sheets.told import NOTHING_TOLD, Told
from counting.records.sheets.vocabulary import IGNORED, Vocabulary, plain
from counting.spreadsheet import Page, Sheet, read_pages, sheet_of
from counting.typed import day_readings

__all__ = ["Column", "Reading", "understand"]

_EXAMPLES = 3
_ONE_SLIP = 3
"""From so many cells of one column on, and half of them, the slip is the column's."""


@dataclass(frozen=True, slots=True)
class Column:
    """What a column was taken for.

    Attributes
    ----------
    heading : str
        As it stands in the file.
    meaning : str
        A column of a tally (see `Vocabulary`); empty where it is not known.
    how : str
        its heading, its cells, or as told.
    examples : tuple of str
        The first cells.
    """

    heading: str
    meaning: str
    how: str
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """How a file was read.

    Attributes
    ----------
    path : Path
    page : str
        The page of the workbook; empty for other files.
    others : tuple of str
        Further pages that look like tallies and were not read.
    heading_line : int
    columns : tuple of Column
    passed : tuple of Passed
        Lines that hold no plant.
    sheet : Sheet
        With the tally's own headings, codes and dates.
    doubts : tuple of Doubt
        What is unclear.
    dates : str
        day first, month first, or empty where it does not matter; ``?`` where it is to be asked.
    notes : tuple of str
        What a person should know of the reading.
    """

    path: Path
    page: str
    others: tuple[str, ...]
    heading_line: int
    columns: tuple[Column, ...]
    passed: tuple[Passed, ...]
    sheet: Sheet
    doubts: tuple[Doubt, ...]
    dates: str
    notes: tuple[str, ...] = ()

    @property
    def unknown(self) -> tuple[Column, ...]:
        """The columns of which nobody knows what they are."""
        return tuple(column for column in self.columns if not column.meaning)


def understand(trial: Trial, path: Path, told: Told = NOTHING_TOLD) -> Reading:
    """Read a spreadsheet of hand counts, whoever laid it out.

    Parameters
    ----------
    trial : Trial
        Whose plants and measures are meant.
    path : Path
        CSV, XLSX or ODS.
    told : Told
        What a person said about such files.

    Returns
    -------
    Reading
        Doubtful cells are listed in it, not raised.

    Raises
    ------
    TallyError
        If the file cannot be read or holds no table.
    """
    words, codes = Vocabulary(trial), CodeBook(trial.plants["code"])
    pages = read_pages(path, TallyError)
    chosen, others = _chosen(path, pages, words, codes, told.page)
    table = table_in(chosen.lines, words, codes)
    if table is None:
        raise TallyError(path, "empty", "a line of headings, then the rows", "check the file")
    columns, table = _columns(table, words, codes, told)
    return _reading(trial, path, chosen, others, columns, table, told)


def _chosen(
    path: Path, pages: Sequence[Page], words: Vocabulary, codes: CodeBook, wanted: str
) -> tuple[Page, tuple[str, ...]]:
    """Return the page that is read, and the names of further ones that look like tallies."""
    if wanted:
        named = [page for page in pages if page.name.casefold() == wanted.casefold()]
        if not named:
            known = ", ".join(page.name for page in pages if page.name) or "none with a name"
            raise TallyError(path, f"no page {wanted!r}", f"one of {known}")
        return named[0], ()
    fits = [
        page for page in pages if looks_like_tally(table_in(page.lines, words, codes), words, codes)
    ]
    filled = [page for page in pages if any(any(cells) for _, cells in page.lines)]
    first = (fits or filled or list(pages))[0]
    return first, tuple(page.name for page in fits if page is not first)


def _columns(
    table: Table, words: Vocabulary, codes: CodeBook, told: Told
) -> tuple[list[Column], Table]:
    """Say what each column is, and leave out those without heading and cells."""
    heading = table.heading[1]
    width = max([len(heading), *(len(cells) for _, cells in table.rows)])
    kept = [
        at
        for at in range(width)
        if (at < len(heading) and heading[at])
        or any(at < len(cells) and cells[at] for _, cells in table.rows)
    ]
    columns: list[Column] = []
    for at in kept:
        name = heading[at] if at < len(heading) else ""
        cells = [row[at] for _, row in table.rows if at < len(row) and row[at]]
        meaning, how = told.columns.get(plain(name), ""), "as told"
        if not words.means(meaning):
            meaning, how = words.means(name), "its heading"
        columns.append(Column(name, meaning, how if meaning else "", tuple(cells[:_EXAMPLES])))
    if not any(column.meaning == "plant" for column in columns):
        _plants_by_cells(columns, kept, table, codes)
    line, _ = table.heading
    rows = [
        (number, [cells[at] if at < len(cells) else "" for at in kept])
        for number, cells in table.rows
    ]
    return columns, replace(
        table, heading=(line, [column.heading for column in columns]), rows=tuple(rows)
    )


def _plants_by_cells(
    columns: list[Column], kept: Sequence[int], table: Table, codes: CodeBook
) -> None:
    """Take the one column that is full of plant codes for the plants."""
    full = []
    for place, at in enumerate(kept):
        cells = [row[at] for _, row in table.rows if at < len(row) and row[at]]
        hits = sum(bool(codes.find(cell)) for cell in cells)
        if not columns[place].meaning and cells and hits > len(cells) / 2:
            full.append(place)
    if len(full) == 1:
        columns[full[0]] = replace(columns[full[0]], meaning="plant", how="its cells")


def _reading(
    trial: Trial,
    path: Path,
    page: Page,
    others: tuple[str, ...],
    columns: list[Column],
    table: Table,
    told: Told,
) -> Reading:
    """Put the sheet together that a tally is read from."""
    used = [at for at, column in enumerate(columns) if column.meaning != IGNORED]
    names = [columns[at].meaning or columns[at].heading for at in used]
    lines = [
        (table.heading[0], names),
        *((line, [cells[at] for at in used]) for line, cells in table.rows),
    ]
    words = Vocabulary(trial)
    measured = [at for at in used if words.is_measure(columns[at].meaning)]
    measured += [at for at in used if columns[at].meaning == "value"]
    comma = page.decimal_comma or decimal_commas(
        cells[at] for _, cells in table.rows for at in measured
    )
    sheet = sheet_of(path, lines, comma, TallyError)
    day_first, dates = _order(sheet, told)
    cleaner = Rows(trial, words, crop_of(trial.plan.crop), day_first, told.as_written)
    sheet, doubts = cleaner.clean(sheet)
    doubts = _by_column(doubts, sheet, table.heading[0])
    notes = [_from_title(passed) for passed in table.passed if "survey" not in sheet.columns]
    if cleaner.filled:
        notes.append(f"{cleaner.filled} empty cells took the date or plant of the line above.")
    return Reading(
        path=path,
        page=page.name,
        others=others,
        heading_line=table.heading[0],
        columns=tuple(columns),
        passed=table.passed,
        sheet=sheet,
        doubts=tuple(doubts),
        dates=dates,
        notes=tuple(note for note in notes if note),
    )


def _order(sheet: Sheet, told: Told) -> tuple[bool | None, str]:
    """Return whether its dates stand day first, and that in words."""
    texts = [row.get("survey") for row in sheet.rows]
    twofold = [text for text in texts if len(day_readings(text)) == 2]
    if not twofold:
        return None, ""
    known = dates_in_order(texts)
    first = told.day_first if known is None else known
    if first is None:
        return None, "?"
    return first, "day first" if first else "month first"


def _by_column(doubts: list[Doubt], sheet: Sheet, heading_line: int) -> list[Doubt]:
    """Return doubts with one for a whole column where the same slip runs through it."""
    kept = []
    for column in dict.fromkeys(doubt.column for doubt in doubts):
        of_it = [doubt for doubt in doubts if doubt.column == column]
        there = sum(bool(row.get(column)) for row in sheet.rows)
        if len(of_it) < _ONE_SLIP or len(of_it) < there / 2:
            kept += of_it
            continue
        name = column.partition(" ")[0]
        what = (
            f"{len(of_it)} of {there} are hard to believe, such as {of_it[0].cell}; in another"
            f' unit? Say which, --column "{column}={name} cm"; if they are right, --as-written'
        )
        kept.append(Doubt(of_it[0].file, heading_line, what, "", column, of_it[0].cell))
    return kept


def _from_title(passed: Passed) -> str:
    """Return what a title says of the day of the survey, for a person to take up."""
    parts = passed.text.replace(",", " ").split()
    for size in (3, 1):
        for start in range(len(parts) - size + 1):
            days = day_readings(" ".join(parts[start : start + size]))
            if len(days) == 1:
                say = f"if that is the survey, pass --survey {days[0]}"
                return f"Line {passed.line} says {days[0]}; {say}."
    return ""
