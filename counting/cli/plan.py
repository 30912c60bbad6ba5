"""Commands of the plan room."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from counting.cli.base import (
    JsonFile,
    Replace,
    TrialDir,
    app,
    date_option,
    length_option,
    say,
    share,
    tell,
    typed,
    write_json,
)
from counting.errors import PlanError
from counting.files import write_bytes

__all__ = ["field_sheet", "plants_needed", "start", "tags"]

AllottedTo = Literal["plant", "plot", "block"]
Paper = Literal["a4", "letter"]


def _day(words: str) -> Any:
    """Return an option that is a date."""
    return typer.Option(parser=date_option, metavar="DATE", help=words)


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
        int | None, typer.Option(min=1, help="Blocks; each holds every group. 4 if not given.")
    ] = None,
    plots_per_group: Annotated[
        int | None, typer.Option(min=1, help="Plots of each group in a block. 1 if not given.")
    ] = None,
    plants_per_plot: Annotated[
        int | None, typer.Option(min=1, help="Plants counted in a plot. 3 if not given.")
    ] = None,
    guards_per_plot: Annotated[
        int | None,
        typer.Option(
            min=0,
            help="Guard plants of a plot, at its ends, not counted. 2 if not given,"
            " 0 where single plants get the treatment.",
        ),
    ] = None,
    spacing: Annotated[
        float | None,
        typer.Option(
            parser=length_option,
            metavar="LENGTH",
            help='How far apart the plants stand in the row: 450, "45 cm". It tells which fruit'
            " on a photo are the next plant's.",
        ),
    ] = None,
    crop: Annotated[str, typer.Option(help="What grows.")] = "tomato",
    main_measure: Annotated[
        str | None, typer.Option(help="The measure that decides; fruit if not given.")
    ] = None,
    smallest_difference: Annotated[
        float | None,
        typer.Option(
            parser=share, metavar="SHARE", help="The smallest difference worth having: 20% or 0.2."
        ),
    ] = None,
    smallest_mm: Annotated[
        float | None,
        typer.Option(
            parser=length_option,
            metavar="LENGTH",
            help='The smallest fruit that counts: 8, "8 mm" or "1 cm". 10 mm if not given.',
        ),
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
    first_treatment: Annotated[str | None, _day("Day of the first treatment.")] = None,
    before: Annotated[
        str | None, _day("Survey before the treatment whose counts the comparison allows for.")
    ] = None,
    deciding_survey: Annotated[
        str | None, _day("The survey that decides; earlier ones get no verdict.")
    ] = None,
    survey: Annotated[
        list[str] | None, _day("A day planned for counting; once for each, in order.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="Seed of the lots; drawn and recorded if not given.")
    ] = None,
    replace: Replace = False,
) -> None:
    """Plan a trial: draw lots, write plan, plants and map.

    What is not given as an option is asked for at the keyboard, or takes its usual value when
    nobody is there to ask.

    Example: counting start my_trial --group own-rooted --group "grafted=on a vigorous rootstock"
    --control own-rooted --blocks 6
    """
    from counting.plan.form import check_days
    from counting.plan.layout import layout_notes, new_id, new_seed
    from counting.plan.questions import Answers, ask, check_options, plan_entries
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
        "spacing_mm": spacing,
        "main_measure": main_measure,
        "smallest_difference": smallest_difference,
        "smallest_fruit_mm": smallest_mm,
        "count_damaged": damaged,
        "count_fallen": fallen,
        "add_picked": picked,
    }
    refuse_to_spoil(directory, replace=replace)
    answers = Answers(given, name=directory.resolve().name)
    check_options(answers)
    days = {"first_treatment": first_treatment, "before": before}
    of_plan = check_days(days | {"deciding_survey": deciding_survey})
    if sys.stdin.isatty():
        ask(answers, typed)
    entries = plan_entries(answers) | {
        "id": new_id(),
        "crop": crop,
        "seed": new_seed() if seed is None else seed,
        "surveys": survey or [],
        **of_plan,
    }
    named = [first_treatment, *(survey or [])]
    entries["year"] = min((int(day[:4]) for day in named if day), default=entries["year"])
    plan = make_plan(entries, where="the plan")
    trial = start_trial(directory, plan, replace=replace)
    counted = len(trial.counted)
    say(f"Lots drawn with seed {plan.seed}: {counted} plants to count in {directory}.")
    say(f"Written: {PLAN_NAME}, {PLANTS_NAME}, {MAP_NAME} (with groups), {BLIND_MAP_NAME}.")
    for note in layout_notes(plan):
        say(f"Note: {note}")
    say(f"Enough plants? See counting plants-needed. Next: counting tags {directory}")


@app.command("plants-needed")
def plants_needed(
    trial: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Take the spread from a survey of a trial.")
    ] = None,
    survey: Annotated[
        str | None, typer.Option(metavar="DATE", help="Which survey; the last if not given.")
    ] = None,
    measure: Annotated[
        str, typer.Option(help="What is compared: fruit, trusses, height ...")
    ] = "fruit",
    mean: Annotated[float | None, typer.Option(help="Mean of the control, per plant.")] = None,
    sd: Annotated[float | None, typer.Option(help="Standard deviation between plants.")] = None,
    k: Annotated[
        float | None,
        typer.Option("--k", help="Size of the negative binomial, instead of --sd for a count."),
    ] = None,
    likeness: Annotated[
        float | None,
        typer.Option(
            parser=share,
            metavar="SHARE",
            help="Share of the variance that plants of a plot have in common, 0 to 1.",
        ),
    ] = None,
    plants_per_plot: Annotated[int, typer.Option(help="Plants counted in a plot.")] = 1,
    difference: Annotated[
        float | None,
        typer.Option(
            parser=share, metavar="SHARE", help="To be seen, as a share of the mean: 20% or 0.2."
        ),
    ] = None,
    power: Annotated[
        float, typer.Option(parser=share, metavar="SHARE", help="Chance to find it.")
    ] = 0.8,
    level: Annotated[
        float,
        typer.Option(parser=share, metavar="SHARE", help="Chance to find one where there is none."),
    ] = 0.05,
    comparisons: Annotated[int, typer.Option(help="Groups held against the control.")] = 1,
    blocked: Annotated[
        bool, typer.Option("--blocked", help="One plot of each group in each block.")
    ] = False,
    have_blocks: Annotated[
        int | None,
        typer.Option(metavar="N", min=2, help="Say what this number of blocks can show."),
    ] = None,
    alike: Annotated[
        bool,
        typer.Option("--alike", help="Also how many show that no such difference is there."),
    ] = False,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the curve: .svg, .png or .pdf.")
    ] = None,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Say how many plots and plants a comparison needs.

    Example: counting plants-needed --mean 24 --sd 9 --likeness 20% --plants-per-plot 3
    """
    from counting.measures import measure as known_measure
    from counting.plan.needed.equivalence import alike as show_alike
    from counting.plan.needed.have_blocks import blocks_show
    from counting.plan.needed.picture import needed_picture
    from counting.plan.needed.plants import Aim, need
    from counting.plan.needed.text import needed_text, typed_spread

    cautions: list[str] = []
    kind: Literal["count", "measure"] = (
        "count" if known_measure(measure).kind == "count" else "measure"
    )
    if trial is None:
        spread = typed_spread(kind, mean=mean, sd=sd, k=k, likeness=likeness)
    else:
        blocked = blocked or have_blocks is not None
        spread, usual, cautions = _pilot(trial, survey, measure, kind, blocked=blocked)
        difference = difference or usual
    blocked = blocked or have_blocks is not None
    aim = Aim(difference or 0.2, power, level, comparisons, blocked=blocked)
    shows = blocks_show(spread, aim, have_blocks, plants_per_plot) if have_blocks else None
    found = need(spread, aim, plants_per_plot, cautions=cautions)
    if picture:
        form = picture.suffix.lower().removeprefix(".")
        if form not in ("svg", "png", "pdf"):
            raise PlanError(picture, f"ending {picture.suffix!r} not known", ".svg, .png or .pdf")
        write_bytes(picture, needed_picture(found, form=form), replace=replace)
    told = {"measure": measure, **found.to_json()}
    none = show_alike(spread, aim, plants_per_plot) if alike else None
    if none:
        told["alike"] = none.to_json()
    if shows:
        told["have_blocks"] = shows.to_json()
    write_json(json_file, told, replace=replace)
    if str(json_file) != "-":
        if shows:
            tell(shows.sentence)
        if none:
            tell(none.sentence)
        tell(needed_text(found, measure))


def _pilot(
    directory: Path,
    survey: str | None,
    measure: str,
    kind: Literal["count", "measure"],
    *,
    blocked: bool,
) -> tuple[Any, float, list[str]]:
    """Return the spread in a survey of a trial, the difference its plan wants, and cautions."""
    from counting.ledger import Ledger
    from counting.plan.needed.pilot import spread_from_pilot
    from counting.plan.trial import load_trial
    from counting.records.observations import observations

    trial = load_trial(directory)
    with Ledger(directory) as ledger:
        table = observations(trial, ledger)
    table = table[(table["measure"] == measure) & table["truss"].isna() & table["value"].notna()]
    surveys = sorted(set(table["survey"]))
    wanted = survey or (surveys[-1] if surveys else "")
    table = table[table["survey"] == wanted]
    if table.empty:
        known = ", ".join(surveys) or "none"
        raise PlanError(
            directory, f"no {measure} in survey {wanted or '(none)'}", f"one of {known}"
        )
    sources = table["source"].value_counts()
    table = table[table["source"] == sources.index[0]]
    spread, cautions = spread_from_pilot(
        table["value"].to_list(),
        table["group"].to_list(),
        table["plot"].to_list(),
        control=trial.plan.control,
        kind=kind,
        blocks=table["block"].to_list() if blocked else None,
    )
    cautions.insert(0, f"Survey {wanted}, source {sources.index[0]}.")
    if not blocked and table["block"].nunique() > 1:
        cautions.append(
            "What the blocks differ by counts as noise here; --blocked compares within blocks, as"
            " the comparison will, and mostly needs fewer plots."
        )
    return spread, trial.plan.smallest_difference, cautions


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
    """Print tags: one card per plant, in exact millimetres. A page says how.

    Example: counting tags my_trial --out tags.pdf --paper letter
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
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="Day of the count, if known."),
    ] = None,
    by: Annotated[str, typer.Option(help="Who counts, if known.")] = "",
    trusses: Annotated[int, typer.Option(help="Boxes for the fruit of single trusses.")] = 6,
    harvest: Annotated[
        bool, typer.Option("--harvest", help="For a pick: what is picked, and what is left.")
    ] = False,
    there_and_back: Annotated[
        bool, typer.Option("--there-and-back", help="Walk every other row backwards.")
    ] = False,
    paper: Annotated[Paper, typer.Option(help="The sheet to print on.")] = "a4",
    replace: Replace = False,
) -> None:
    """Print a sheet to write hand counts on, in walking order. counting tally reads its table.

    Example: counting field-sheet my_trial --survey 2026-07-06 --table tally.xlsx
    """
    from counting.plan.field_sheet import FieldSheet, field_sheet_pdf, write_field_table
    from counting.plan.trial import load_trial

    trial = load_trial(directory)
    day = survey.date() if survey else None
    sheet = FieldSheet(day, by, trusses, there_and_back, paper, harvest)
    target = out or directory / "field-sheet.pdf"
    data = field_sheet_pdf(trial, sheet)
    if table:
        write_field_table(trial, sheet, table, replace=replace)
        dated = "" if day else " --survey DATE"
        say(f"Table to fill in: {table}; take it in: counting tally {directory} {table}{dated}")
    write_bytes(target, data, replace=replace)
    say(f"Field sheet to print: {target}")
