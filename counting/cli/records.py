"""Commands of the records room."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from counting.cli.base import JsonFile, Replace, TrialDir, app, say, tell, typed, write_json

if TYPE_CHECKING:
    from counting.plan.trial import Trial
    from counting.records.sheets.told import Told


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
    preview: Annotated[
        bool, typer.Option("--preview", help="Show how the files are read; write nothing.")
    ] = False,
    column: Annotated[
        list[str] | None,
        typer.Option(
            "--column",
            metavar="HEADING=WHAT",
            help='What a column is, such as "My count=fruit"; or ignore. Remembered.',
        ),
    ] = None,
    dates: Annotated[
        Literal["day-first", "month-first"] | None,
        typer.Option("--dates", help="How dates such as 01/07/2026 are meant. Remembered."),
    ] = None,
    page: Annotated[
        str, typer.Option("--page", metavar="NAME", help="Which page of a workbook to read.")
    ] = "",
    as_written: Annotated[
        bool, typer.Option("--as-written", help="Take heights that are hard to believe as well.")
    ] = False,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Take hand counts and other measures in. One unclear row and nothing is written.

    Wide: survey, plant, truss, by, at, weather, note and a column for each measure, as on the
    field sheet:
    fruit, fruit truss 1, trusses, flowers, picked fruit, leaves removed, height mm, disease %.
    Long: survey, plant, truss, measure, value, unit, source, by, at, note.
    Other headings are understood where they can be; --preview shows how.

    Example: counting tally my_trial field-sheet.ods --survey 2026-07-01 --by "first counter"
    """
    from counting.plan.trial import load_trial
    from counting.records.sheets import shown, told
    from counting.records.sheets.understand import understand
    from counting.records.sheets.vocabulary import Vocabulary
    from counting.records.tallies import take_tallies
    from counting.tables import as_text
    from counting.text import many

    trial = load_trial(directory)
    first = None if dates is None else dates == "day-first"
    known = told.Told(
        told.told_columns(column or [], Vocabulary(trial)), first, page, as_written
    ).over(told.recall(directory))
    if preview:
        _preview(trial, sheets, known, survey=survey, by=by, json_file=json_file, replace=replace)
        return
    if sys.stdin.isatty():
        for path in sheets:
            known = shown.ask_about(trial, understand(trial, path, known), known, typed)
    result = take_tallies(trial, sheets, survey=survey, by=by, told=known)
    for reading in result.readings:
        known = shown.told_of(reading, known)
        for line in shown.what_was_read(reading):
            say(line)
    if told.remember(directory, known):
        say(f"How these files are to be read is remembered in {told.TOLD_NAME}.")
    plants = many(result.rows["plant"].nunique(), "plant")
    if result.added:
        say(f"Took in {many(result.added, 'value')} of {plants}.")
    missing = int(result.rows["value"].isna().sum())
    if missing:
        say(f"{missing} missing, with the reason: such values are no zeros.")
    for line in result.corrections:
        say(line)
    if result.again and not result.added:
        say(f"Nothing new: the ledger held {many(result.again, 'value')} already.")
    elif result.again:
        say(f"{result.again} more in the ledger already.")
    write_json(
        json_file,
        {
            "added": result.added,
            "corrected": result.corrected,
            "again": result.again,
            "rows": json.loads(as_text(result.rows).to_json(orient="records")),
        },
        replace=replace,
    )


def _preview(
    trial: Trial,
    sheets: list[Path],
    known: Told,
    *,
    survey: str,
    by: str,
    json_file: Path | None,
    replace: bool,
) -> None:
    """Show how files are read and what is unclear in them; write nothing."""
    from counting.errors import TallyError
    from counting.records.sheets import shown
    from counting.records.sheets.doubt import doubts_as_lines
    from counting.records.sheets.understand import understand
    from counting.records.tallies import read_values

    found = []
    for path in sheets:
        reading = understand(trial, path, known)
        told = shown.preview_json(reading)
        lines = [*shown.preview_lines(reading), *shown.what_was_read(reading)]
        try:
            values, doubts = read_values(trial, reading, survey, by)
        except TallyError as error:
            lines.append(f"Unclear: {error}")
            told |= {"values": 0, "unclear": [str(error)]}
        else:
            lines.append(f"{len(values)} values; {len(doubts)} rows unclear.")
            lines += [f"  {line}" for line in doubts_as_lines(doubts)] if doubts else []
            told |= {"values": len(values), "unclear": [str(doubt) for doubt in doubts]}
        found.append(told)
        if str(json_file) != "-":
            tell("\n".join([*lines, ""]))
    write_json(json_file, found, replace=replace)
    say("Nothing was written: this was a preview.")


@app.command("diary")
def diary_command(
    directory: TrialDir,
    kind: Annotated[
        str,
        typer.Option(
            "--kind",
            help="planting, mulching, watering, feeding, application, pruning, leaf removal,"
            " picking, storm damage, frost, heat, change of counter, or any other word.",
        ),
    ] = "",
    at: Annotated[
        str, typer.Option("--at", metavar="TIME", help='When: 2026-07-01 or "2026-07-01 07:30".')
    ] = "",
    scope: Annotated[
        str, typer.Option("--scope", help="The group, block, plot or plant; empty: all of it.")
    ] = "",
    product: Annotated[str, typer.Option("--product", help="Product or recipe.")] = "",
    dilution: Annotated[
        str, typer.Option("--dilution", help='"1 : 100" (1 and 100) or "1 in 100" (1 of 100).')
    ] = "",
    product_parts: Annotated[str, typer.Option("--product-parts", help="Parts of product.")] = "",
    water_parts: Annotated[str, typer.Option("--water-parts", help="Parts of water.")] = "",
    ml_per_litre: Annotated[
        str, typer.Option("--ml-per-litre", help="Product in a litre of the ready mix, ml.")
    ] = "",
    amount_litre: Annotated[
        str, typer.Option("--amount-litre", help="Mix used in all, litres.")
    ] = "",
    weather: Annotated[str, typer.Option("--weather", help="Sky, wind, temperature.")] = "",
    low: Annotated[
        str, typer.Option("--low", metavar="C", help="Lowest temperature of the day.")
    ] = "",
    high: Annotated[
        str, typer.Option("--high", metavar="C", help="Highest temperature of the day.")
    ] = "",
    by: Annotated[str, typer.Option("--by", help="Who did it.")] = "",
    note: Annotated[str, typer.Option("--note", help="Anything else.")] = "",
    sheet: Annotated[
        Path | None, typer.Option("--from", metavar="FILE", help="Events of a CSV, XLSX or ODS.")
    ] = None,
    struck: Annotated[
        str, typer.Option("--strike", metavar="ID", help="Strike an event; say why with --note.")
    ] = "",
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Write into the diary, or list it. With no option, all events are listed.

    Example: counting diary my_trial --kind application --at "2026-07-01 07:30" --scope A1
    --product "soap solution" --dilution "1 : 100" --amount-litre 2 --weather "overcast, still"
    """
    from counting.plan.trial import load_trial
    from counting.records import diary

    trial = load_trial(directory)
    row = {
        "kind": kind,
        "at": at,
        "scope": scope,
        "product": product,
        "dilution": dilution,
        "product_parts": product_parts,
        "water_parts": water_parts,
        "ml_per_litre": ml_per_litre,
        "amount_litre": amount_litre,
        "weather": weather,
        "low_c": low,
        "high_c": high,
        "by": by,
        "note": note,
    }
    if struck:
        diary.strike(trial, struck, note, by=by or "diary")
        say(f"Struck event {struck}; the ledger keeps it with the reason.")
    elif sheet or any(row.values()):
        written = diary.read_events(trial, sheet) if sheet else diary.write_events(trial, [row])
        again = len(written.events) - written.added
        events = "1 event" if written.added == 1 else f"{written.added} events"
        say(f"Wrote {events}." + (f" {again} stood already." if again else ""))
        for remark in written.remarks:
            say(remark)
        if written.cautions:
            say("Before and after an application:")
        for caution in written.cautions:
            say(f"  - {caution}")
    with trial.ledger() as ledger:
        table = diary.events(ledger)
    if json_file:
        write_json(json_file, json.loads(table.to_json(orient="records")), replace=replace)
    elif not any(row.values()) and not sheet and not struck:
        for line in diary.as_lines(table):
            tell(line)


@app.command("amend")
def amend_command(
    directory: TrialDir,
    reason: Annotated[str, typer.Option("--reason", help="Why; the ledger keeps it.")],
    title: Annotated[str | None, typer.Option(help="What the trial is called.")] = None,
    first_treatment: Annotated[
        str | None, typer.Option(metavar="DATE", help="Day of the first treatment.")
    ] = None,
    before: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Survey before the treatment that is allowed for."),
    ] = None,
    deciding_survey: Annotated[
        str | None, typer.Option(metavar="DATE", help="The survey that decides.")
    ] = None,
    smallest_difference: Annotated[
        str | None, typer.Option(metavar="SHARE", help="The smallest difference worth having.")
    ] = None,
    by: Annotated[str, typer.Option("--by", help="Who decided it.")] = "",
) -> None:
    """Change what may still change of a plan under which counts stand, with the reason.

    Groups, lots and what counts stay as they are. An empty text takes a day out again.

    Example: counting amend my_trial --deciding-survey 2026-08-10 --reason "agreed before the count"
    """
    from counting.plan.trial import load_trial
    from counting.records.amend import amend

    given = {
        "title": title,
        "first_treatment": first_treatment,
        "before": before,
        "deciding_survey": deciding_survey,
        "smallest_difference": smallest_difference,
    }
    texts = {name: text for name, text in given.items() if text is not None}
    amend(load_trial(directory), texts, reason=reason, by=by)
    say("Changed; the ledger keeps the plan as it was, and why.")


@app.command("rename")
def rename_command(
    directory: TrialDir,
    old: Annotated[str, typer.Argument(metavar="OLD", help="The code that the facts have.")],
    new: Annotated[str, typer.Argument(metavar="NEW", help="The code from now on.")],
    by: Annotated[str, typer.Option("--by", help="Who says so.")] = "",
) -> None:
    """Give a plant another code, in plants.csv and for all its photos and tallies.

    Example: counting rename my_trial A1-2 A1-7
    """
    from counting.plan.trial import load_trial
    from counting.records.rename import rename
    from counting.text import many

    done = rename(load_trial(directory, check=False), old, new, by=by)
    say(
        f"{old} is {new} now, with {many(done.photos, 'photo')},"
        f" {done.tallies} {'tally' if done.tallies == 1 else 'tallies'}"
        f" and {many(done.events, 'event')}."
    )
    if done.in_plan:
        say(f"plants.csv was changed. Its tag shows the old code: counting tags {directory}")


@app.command("leave-out")
def leave_out_command(
    directory: TrialDir,
    plant: Annotated[str, typer.Argument(metavar="PLANT", help="The plant's code.")] = "",
    reason: Annotated[str, typer.Option("--reason", help="Why; the report lists it.")] = "",
    survey: Annotated[
        str, typer.Option("--survey", metavar="DATE", help="Only of this survey; else of all.")
    ] = "",
    by: Annotated[str, typer.Option("--by", help="Who decided it.")] = "",
    back: Annotated[bool, typer.Option("--back", help="Count the plant again.")] = False,
) -> None:
    """Leave a plant out of the comparison, with the reason. With no plant, list those.

    Nothing is deleted: the counts stay in the ledger and the report lists what was left out.

    Example: counting leave-out my_trial A1-2 --reason "broken by wind" --survey 2026-07-15
    """
    from counting.ledger.facts import left_out, photos
    from counting.plan.trial import load_trial
    from counting.records.exclusions import leave_out, take_back

    trial = load_trial(directory)
    who = by or "leave-out"
    if plant and back:
        done = take_back(trial, plant, by=who, survey=survey)
        say(f"{plant} counts again." if done else f"{plant} was not left out so.")
    elif plant:
        done = leave_out(trial, plant, reason, by=who, survey=survey)
        say(f"{plant} is left out." if done else f"{plant} is left out already.")
    with trial.ledger() as ledger:
        out, taken = left_out(ledger).exclusions, photos(ledger)
        if not plant and not out:
            say("Nothing is left out.")
        for each in out:
            what, when = each.named(taken)
            tell(f"{what}, {when or 'all surveys'}, {each.reason}")
