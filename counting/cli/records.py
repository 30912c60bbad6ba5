"""Commands of the records room."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from counting.cli.base import JsonFile, Replace, TrialDir, app, say, write_json


@app.command("tally")
def tally_command(
    directory: TrialDir,
    sheets: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="CSV, XLSX or ODS, wide or long.")
    ],
    survey: Annotated[
        str, typer.Option("--survey", metavar="DATE", help="Date of rows that name none.")
    ] = "",
    by: Annotated[str, typer.Option("--by", help="Who counted, for rows that name nobody.")] = "",
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Take hand counts and other measures in; one bad row and nothing is written.

    Wide: survey, plant, truss, by, at, note and a column for each measure (fruit, height ...).
    Long: survey, plant, truss, measure, value, unit, source, by, at, note.

    Example: counting tally trial field-sheet.ods --survey 2026-07-01 --by "first counter"
    """
    from counting.plan.trial import load_trial
    from counting.records.tallies import take_tallies

    result = take_tallies(load_trial(directory), sheets, survey=survey, by=by)
    plants = result.rows["plant"].nunique()
    say(f"Took in {result.added} values of {plants} plants.")
    missing = int(result.rows["value"].isna().sum())
    if missing:
        say(f"{missing} are missing, with the reason; they stay missing and are no zeros.")
    if result.corrected:
        say(f"{result.corrected} correct an earlier value; the ledger keeps both.")
    if result.again:
        say(f"{result.again} were in the ledger already.")
    write_json(
        json_file,
        {
            "added": result.added,
            "corrected": result.corrected,
            "again": result.again,
            "rows": json.loads(result.rows.to_json(orient="records")),
        },
        replace=replace,
    )
