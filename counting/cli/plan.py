"""Commands of the plan room."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from counting.cli.base import Replace, TrialDir, app, say
from counting.files import write_bytes

__all__ = ["field_sheet", "start", "tags"]

AllottedTo = Literal["plant", "plot", "block"]
Paper = Literal["a4", "letter"]


@app.command("start")
def start(
    directory: TrialDir,
    title: Annotated[
        str | None, typer.Option(help="What the trial is called; the folder's name if not given.")
    ] = None,
    group: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME[=TREATMENT]", help="A group to compare; give it once for each."),
    ] = None,
    control: Annotated[
        str | None, typer.Option(metavar="NAME", help="The group the others are held against.")
    ] = None,
    allotted_to: Annotated[
        AllottedTo | None,
        typer.Option(help="The smallest thing that gets its treatment by lot: plot if not given."),
    ] = None,
    blocks: Annotated[
        int | None, typer.Option(help="Blocks; each holds every group. 4 if not given.")
    ] = None,
    plots_per_group: Annotated[
        int | None, typer.Option(help="Plots of each group in a block. 1 if not given.")
    ] = None,
    plants_per_plot: Annotated[
        int | None, typer.Option(help="Plants counted in a plot. 3 if not given.")
    ] = None,
    guards_per_plot: Annotated[
        int | None,
        typer.Option(help="Guard plants of a plot, at its ends, not counted. 2 if not given."),
    ] = None,
    crop: Annotated[str, typer.Option(help="What grows.")] = "tomato",
    main_measure: Annotated[
        str | None, typer.Option(help="The measure that decides; fruit if not given.")
    ] = None,
    smallest_difference: Annotated[
        float | None,
        typer.Option(help="The smallest difference worth having, as a share: 0.2 is 20 %."),
    ] = None,
    smallest_mm: Annotated[
        float | None, typer.Option(help="The smallest fruit that counts, in mm. 10 if not given.")
    ] = None,
    damaged: Annotated[
        bool | None, typer.Option("--damaged/--no-damaged", help="Count damaged fruit.")
    ] = None,
    fallen: Annotated[
        bool | None, typer.Option("--fallen/--no-fallen", help="Count fallen fruit.")
    ] = None,
    picked: Annotated[
        bool | None, typer.Option("--picked/--no-picked", help="Add picked fruit to hanging fruit.")
    ] = None,
    first_treatment: Annotated[
        str | None, typer.Option(metavar="DATE", help="Day of the first treatment.")
    ] = None,
    survey: Annotated[
        list[str] | None,
        typer.Option(metavar="DATE", help="A day planned for counting; once for each, in order."),
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="Seed of the lots; drawn and recorded if not given.")
    ] = None,
    replace: Replace = False,
) -> None:
    """Plan a trial: draw lots, write the plan, the plants and the map of the beds.

    What is not given as an option is asked for at the keyboard, or takes its usual value when
    nobody is there to ask.

    Example: counting start tunnel --group own-rooted --group "grafted=on a vigorous rootstock"
    --control own-rooted --blocks 6
    """
    from counting.plan.layout import layout_notes, new_id, new_seed
    from counting.plan.questions import Answers, ask, plan_entries
    from counting.plan.start import BLIND_MAP_NAME, MAP_NAME, refuse_to_spoil, start_trial
    from counting.plan.trial import PLAN_NAME, PLANTS_NAME, make_plan

    given: dict[str, Any] = {
        "title": title,
        "groups": group or None,
        "control": control,
        "allotted_to": allotted_to,
        "blocks": blocks,
        "plots_per_group": plots_per_group,
        "plants_per_plot": plants_per_plot,
        "guards_per_plot": guards_per_plot,
        "main_measure": main_measure,
        "smallest_difference": smallest_difference,
        "smallest_fruit_mm": smallest_mm,
        "count_damaged": damaged,
        "count_fallen": fallen,
        "add_picked": picked,
    }
    refuse_to_spoil(directory, replace=replace)
    answers = Answers(given, name=directory.resolve().name)
    if sys.stdin.isatty():
        ask(answers, _asked)
    entries = plan_entries(answers) | {
        "id": new_id(),
        "crop": crop,
        "seed": new_seed() if seed is None else seed,
        "first_treatment": first_treatment,
        "surveys": survey or [],
    }
    plan = make_plan(entries, where="the plan")
    trial = start_trial(directory, plan, replace=replace)
    counted = int((~trial.plants["guard"]).sum())
    say(f"Lots drawn with seed {plan.seed}: {counted} plants to count in {directory}.")
    say(f"Written: {PLAN_NAME}, {PLANTS_NAME}, {MAP_NAME} (with groups), {BLIND_MAP_NAME}.")
    for note in layout_notes(plan):
        say(f"Note: {note}")
    say(f"Next: counting tags {directory}")


def _asked(question: str, usual: str) -> str:
    """Put one question at the keyboard; return what was typed, or the usual answer."""
    answer: str = typer.prompt(question, default=usual, err=True)
    return answer.strip()


@app.command("tags")
def tags(
    directory: TrialDir,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The PDF; DIR/tags.pdf if not given.")
    ] = None,
    png: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write one picture per tag too, 508 dpi.")
    ] = None,
    paper: Annotated[Paper, typer.Option(help="The sheet to print on.")] = "a4",
    replace: Replace = False,
) -> None:
    """Print tags: one card per plant, in exact millimetres, with a page that says how.

    Example: counting tags tunnel --out tags.pdf --paper letter
    """
    from counting.plan.tags import tagged, tags_pdf, write_tag_pictures
    from counting.plan.trial import load_trial

    trial = load_trial(directory)
    target = out or directory / "tags.pdf"
    write_bytes(target, tags_pdf(trial, paper=paper), replace=replace)
    say(f"{len(tagged(trial))} tags in {target}. Print at 100 % and hold a ruler to page 1.")
    if png:
        done = write_tag_pictures(trial, png, replace=replace)
        say(f"{done} pictures in {png}.")


@app.command("field-sheet")
def field_sheet(
    directory: TrialDir,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The PDF; DIR/field-sheet.pdf if not given.")
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the same columns as a CSV, XLSX or ODS table."),
    ] = None,
    survey: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Day of the count, if known.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who counts, if known.")] = "",
    trusses: Annotated[int, typer.Option(help="Boxes for the fruit of single trusses.")] = 6,
    there_and_back: Annotated[
        bool, typer.Option("--there-and-back", help="Walk every other row backwards.")
    ] = False,
    paper: Annotated[Paper, typer.Option(help="The sheet to print on.")] = "a4",
    replace: Replace = False,
) -> None:
    """Print a sheet to write hand counts on, in walking order; counting tally reads its table.

    Example: counting field-sheet tunnel --survey 2026-07-06 --table tally.xlsx
    """
    from counting.plan.field_sheet import FieldSheet, field_sheet_pdf, write_field_table
    from counting.plan.trial import load_trial

    trial = load_trial(directory)
    day = survey.date() if survey else None
    sheet = FieldSheet(day, by, trusses, there_and_back, paper)
    target = out or directory / "field-sheet.pdf"
    data = field_sheet_pdf(trial, sheet)
    if table:
        write_field_table(trial, sheet, table, replace=replace)
        say(f"Table to fill in: {table}; take it in with counting tally {directory} {table}")
    write_bytes(target, data, replace=replace)
    say(f"Field sheet to print: {target}")
