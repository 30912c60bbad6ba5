"""The rows of a tally put into its own words: codes, dates, reasons, units, doubts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from counting.crops import Crop
from counting.plan.codes import CodeBook
from counting.plan.trial import Trial
from counting.records.sheets.cells import day_of, hard_to_believe, read_cell
from counting.records.sheets.doubt import Doubt
from counting.records.sheets.vocabulary import Vocabulary
from counting.spreadsheet import Row, Sheet, number
from counting.typed import MM

__all__ = ["Rows"]


class Rows:
    """Cleans the rows of one sheet.

    Parameters
    ----------
    trial : Trial
    words : Vocabulary
    crop : Crop
        Says which heights are hard to believe.
    day_first : bool or None
        How dates of two readings are meant; None where nobody knows.
    as_written : bool
        Take what is hard to believe as it stands.
    """

    def __init__(
        self, trial: Trial, words: Vocabulary, crop: Crop, day_first: bool | None, as_written: bool
    ) -> None:
        self._codes = CodeBook(trial.plants["code"])
        self._places = {name: CodeBook(trial.plants[name]) for name in ("group", "block", "plot")}
        self._words = words
        self._crop = crop
        self._day_first = day_first
        self._as_written = as_written
        self._comma = False
        self._doubts: list[Doubt] = []
        self._file = ""
        self.filled = 0

    def clean(self, sheet: Sheet) -> tuple[Sheet, list[Doubt]]:
        """Return the sheet in the tally's words, and what is unclear in it."""
        self._comma, self._doubts, self._file = sheet.decimal_comma, [], sheet.path.name
        rows = tuple(self._row(row, sheet.columns) for row in self._filled_down(sheet))
        columns = sheet.columns if "note" in sheet.columns else (*sheet.columns, "note")
        return replace(sheet, rows=rows, columns=columns), self._doubts

    def _row(self, row: Row, columns: tuple[str, ...]) -> Row:
        cells = dict(row.cells)
        cells["plant"] = self._codes.find(row.get("plant")) or row.get("plant")
        if "survey" in cells:
            cells["survey"] = day_of(cells["survey"], day_first=self._day_first)
        for name, known in self._places.items():
            if cells.get(name):
                cells[name] = known.find(cells[name]) or cells[name]
        if "measure" in cells:
            meaning = self._words.means(cells["measure"])
            name, _, unit = meaning.partition(" ")
            cells["measure"] = name or cells["measure"]
            cells["unit"] = cells.get("unit", "") or unit
            self._measured(row, cells, "value", f"{name} {cells['unit']}".strip())
        else:
            for heading in columns:
                if self._words.is_measure(heading):
                    self._measured(row, cells, heading, heading)
        return Row(row.line, cells)

    def _filled_down(self, sheet: Sheet) -> Iterator[Row]:
        """Yield the rows with what people write once for several lines: the date, the plant."""
        columns = ["survey"] + (["plant"] if "truss" in sheet.columns else [])
        above: dict[str, str] = {}
        for row in sheet.rows:
            cells = dict(row.cells)
            for name in columns:
                if name in cells and not cells[name] and above.get(name):
                    cells[name] = above[name]
                    self.filled += 1
                above[name] = cells.get(name, "")
            yield Row(row.line, cells)

    def _measured(self, row: Row, cells: dict[str, str], column: str, meaning: str) -> None:
        """Put one cell of a measure right, or list it."""
        text = cells.get(column, "")
        length = self._words.is_length(meaning)
        cell = read_cell(text, length=length, decimal_comma=self._comma)
        cells[column] = cell.text
        if cell.reason:
            note = cells.get("note", "")
            if cell.reason not in note.lower():
                cells["note"] = f"{note}; {cell.reason}" if note else cell.reason
        if not length or not cell.text:
            return
        unit = meaning.partition(" ")[2].partition(" ")[0]
        unit = unit if unit in MM else "mm"
        try:
            mm = number(cell.text, decimal_comma=self._comma and not cell.unit) * (
                1.0 if cell.unit else MM[unit]
            )
        except ValueError:
            return  # the tally itself says what is wrong with it
        if cell.unit:
            cells[column] = f"{mm / MM[unit]:.10g}"
        elif not self._as_written:
            self._believe(row, column, text, mm, unit)

    def _believe(self, row: Row, column: str, text: str, mm: float, unit: str) -> None:
        odd = hard_to_believe(mm, self._crop)
        if not odd:
            return
        low, high = self._crop.height_mm
        name = column.partition(" ")[0]
        told = f"{name} {mm:g} mm ({mm / 10:g} cm) is hard to believe of {self._crop.name}"
        asked = (
            f"; is it {odd}? Then write {text} {odd}, or call the column {name} {odd}"
            if odd in MM
            else f" ({low / 10:g} to {high / 10:g} cm)"
        )
        what = f"{told}{asked}; if it is right, write {text} {unit}"
        self._doubts.append(self._doubt(row, column, text, what))

    def _doubt(self, row: Row, column: str, cell: str, what: str) -> Doubt:
        return Doubt(self._file, row.line, what, row.get("plant"), column, cell)
