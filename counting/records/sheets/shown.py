"""How a spreadsheet was read, in words and as a table to look at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from counting.plan.trial import Trial
from counting.records.sheets.told import Told
from counting.records.sheets.understand import Reading, understand
from counting.records.sheets.vocabulary import Vocabulary, plain
from counting.typed import day_readings

__all__ = ["ask_about", "preview_json", "preview_lines", "told_of", "what_was_read"]

_WIDEST = 24

Ask = Callable[[str, str], str]
"""Takes a question and its usual answer, returns what was typed."""


def what_was_read(reading: Reading) -> list[str]:
    """Return what a person should know of how a file was read, one sentence a line."""
    name = reading.path.name
    lines = []
    if reading.page and reading.others:
        others = " and ".join(repr(other) for other in reading.others)
        one = len(reading.others) == 1
        lines.append(
            f"{name}: page {reading.page!r} was read. {others} {'looks' if one else 'look'} like a"
            f" tally too and {'was' if one else 'were'} not read; take it in with --page."
        )
    renamed = [
        f"{column.heading!r} as {column.meaning}"
        for column in reading.columns
        if column.meaning and plain(column.heading) != plain(column.meaning)
    ]
    if renamed:
        lines.append(f"{name}: read {', '.join(renamed)}.")
    if reading.dates in {"day first", "month first"}:
        lines.append(f"{name}: dates were read {reading.dates}.")
    for passed in reading.passed:
        lines.append(f"{name}, line {passed.line} passed over, a {passed.why}: {_cut(passed.text)}")
    return lines + [f"{name}: {note}" for note in reading.notes]


def preview_lines(reading: Reading) -> list[str]:
    """Return the reading as a table: each column, what it is taken for, its first cells."""
    rows = [("column", "read as", "because of", "first cells")]
    for column in reading.columns:
        meaning = column.meaning or "? say so: --column"
        rows.append((_cut(column.heading), meaning, column.how, _cut(", ".join(column.examples))))
    widths = [max(len(row[at]) for row in rows) for at in range(3)]
    head = f"{reading.path.name}" + (f", page {reading.page!r}" if reading.page else "")
    lines = [f"{head}: headings in line {reading.heading_line}, {len(reading.sheet.rows)} rows"]
    return lines + [
        "  " + "  ".join([*(row[at].ljust(widths[at]) for at in range(3)), row[3]]).rstrip()
        for row in rows
    ]


def preview_json(reading: Reading) -> dict[str, Any]:
    """Return the reading as JSON values."""
    return {
        "file": str(reading.path),
        "page": reading.page,
        "other_pages": list(reading.others),
        "heading_line": reading.heading_line,
        "rows": len(reading.sheet.rows),
        "dates": reading.dates,
        "columns": [
            {
                "heading": column.heading,
                "read_as": column.meaning,
                "because_of": column.how,
                "examples": list(column.examples),
            }
            for column in reading.columns
        ],
        "passed_over": [
            {"line": each.line, "text": each.text, "why": each.why} for each in reading.passed
        ],
    }


def ask_about(trial: Trial, reading: Reading, told: Told, ask: Ask) -> Told:
    """Ask what a file leaves open: unknown columns, the order of dates. Return what is told now."""
    words = Vocabulary(trial)
    columns = dict(told.columns)
    for column in reading.unknown:
        near = words.near(column.heading) or "ignore"
        question = f"{reading.path.name}: what is the column {column.heading!r}"
        cells = f" ({_cut(', '.join(column.examples))})" if column.examples else ""
        while True:
            meaning = words.means(ask(f"{question}{cells}?", near))
            if meaning:
                break
            question = f"(one of {', '.join(words.choices)}) {column.heading!r}"
        columns[plain(column.heading)] = meaning
    told = replace(told, columns=columns)
    reading = understand(trial, reading.path, told)
    if reading.dates == "?":
        texts = (row.get("survey") for row in reading.sheet.rows)
        text = next(text for text in texts if len(day_readings(text)) == 2)
        one, other = day_readings(text)
        typed = ""
        while typed not in {"1", "2"}:
            typed = ask(
                f"{reading.path.name}: is {text} (1) {one.day} {one:%B} or (2) {other.day}"
                f" {other:%B}?",
                "",
            )
        told = replace(told, day_first=typed == "1")
    return told


def told_of(reading: Reading, told: Told) -> Told:
    """Return what is to be remembered of a file that was taken in: its dates' order too."""
    first = {"day first": True, "month first": False}.get(reading.dates)
    return told if first is None else replace(told, day_first=first)


def _cut(text: str) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= _WIDEST else f"{flat[: _WIDEST - 1]}…"
