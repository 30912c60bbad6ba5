"""Commands of the plan room."""

from __future__ import annotations

import sys
from typing import Annotated, Any, Literal

import typer

from counting.cli.base import Replace, TrialDir, app, say

__all__ = ["start"]

AllottedTo = Literal["plant", "plot", "block"]


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
