"""Commands of the analysis room."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from counting.cli.base import JsonFile, Replace, TrialDir, app, share, tell, write_json

__all__ = ["calibrate_counts", "compare_groups", "harvest_command", "pool_several"]


@app.command("compare")
def compare_groups(
    directory: Annotated[
        Path | None, typer.Argument(metavar="[DIR]", help="The trial's folder.")
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Compare the values of any table instead."),
    ] = None,
    value: Annotated[
        str | None, typer.Option(metavar="COL", help="The table's column of values.")
    ] = None,
    group: Annotated[
        str | None, typer.Option(metavar="COL", help="The table's column of groups.")
    ] = None,
    block: Annotated[
        list[str] | None,
        typer.Option(
            metavar="COL",
            help="The table's column of blocks; twice for the rows and columns of a square.",
        ),
    ] = None,
    plot: Annotated[
        str | None,
        typer.Option(metavar="COL", help="The table's column of plots: what was allotted by lot."),
    ] = None,
    plant: Annotated[
        str | None,
        typer.Option(metavar="COL", help="The table's column of plants, if they have many lines."),
    ] = None,
    per: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="Divide by this: trusses for fruit per truss, or a column."
        ),
    ] = None,
    control: Annotated[
        str | None, typer.Option(metavar="NAME", help="The group the others are held against.")
    ] = None,
    above: Annotated[
        float | None, typer.Option(metavar="N", help="Also the share of plants above this number.")
    ] = None,
    measure: Annotated[
        str | None,
        typer.Option(help="What to compare: the plan's main measure if not given, or all."),
    ] = None,
    kind: Annotated[
        Literal["count", "length", "weight", "percent", "grade"] | None,
        typer.Option(help="What sort of values; whole numbers from 0 are taken for counts."),
    ] = None,
    survey: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Which survey: the last if not given, or all."),
    ] = None,
    course: Annotated[
        Literal["area", "slope", "peak", "first", "change", "total", "half"] | None,
        typer.Option(help="With --survey all: the surveys, or picks, of each plant as one value."),
    ] = None,
    source: Annotated[
        str | None, typer.Option(help="photo or tally: where the values come from.")
    ] = None,
    before: Annotated[
        str | None,
        typer.Option(
            metavar="DATE",
            help="Allow for the counts of a survey before the treatment, or for a table's column.",
        ),
    ] = None,
    dose: Annotated[
        str | None,
        typer.Option(
            metavar="COL", help="The table's column of amounts: also the trend over them."
        ),
    ] = None,
    smallest_difference: Annotated[
        float | None,
        typer.Option(
            parser=share,
            metavar="SHARE",
            help="The smallest difference worth having: 20% or 0.2 of the control.",
        ),
    ] = None,
    include_unreviewed: Annotated[
        bool,
        typer.Option(
            "--include-unreviewed", help="Let expected counts stand for photos nobody reviewed."
        ),
    ] = False,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Compare the groups, and say the answer in words. Every estimate has its interval.

    Example: counting compare my_trial --above 20

    Example: counting compare --csv counts.csv --value fruit --group treatment --control water
    """
    from counting.analysis.screen import all_as_text

    if smallest_difference is not None and smallest_difference <= 0:
        message = "it must be above 0"
        raise typer.BadParameter(message, param_hint="--smallest-difference")
    strata = dict(zip(("block", "across"), block or (), strict=False))
    columns = {"value": value, "group": group, **strata, "plot": plot, "plant": plant}
    options: dict[str, Any] = {
        "control": control,
        "above": above,
        "kind": kind,
        "survey": survey,
        "course": course,
        "source": source,
        "smallest_difference": smallest_difference,
    }
    options = {name: given for name, given in options.items() if given is not None}
    if csv is not None:
        _belongs_to_trials(directory, measure, unreviewed=include_unreviewed)
        columns |= {"per": per, "before": before, "dose": dose}
        results = [_of_table(csv, columns, measure, options)]
    else:
        _belongs_to_tables({**columns, "dose": dose})
        trial_only = {"per": per, "before": before}
        options |= {name: given for name, given in trial_only.items() if given is not None}
        results = _of_trial(directory, measure, options, unreviewed=include_unreviewed)
    found = [result.to_json() for result in results]
    write_json(json_file, found if measure == "all" else found[0], replace=replace)
    if str(json_file) != "-":
        tell(all_as_text(results))


def _belongs_to_trials(directory: Path | None, measure: str | None, *, unreviewed: bool) -> None:
    """Refuse with a table what only a trial's folder has."""
    from counting.errors import AnalysisError

    given = {
        "a trial's folder": directory is not None,
        "--measure all": measure == "all",
        "--include-unreviewed": unreviewed,
    }
    for name, there in given.items():
        if there:
            where, mend = "--csv", f"leave {name} out"
            raise AnalysisError(where, f"{name} beside it", "a table alone", mend)


def _belongs_to_tables(columns: dict[str, str | None]) -> None:
    """Refuse with a trial what only a table needs."""
    from counting.errors import AnalysisError

    for name, column in columns.items():
        if column is not None:
            where, found = "counting compare", f"--{name} {column} without --csv"
            mend = f"leave --{name} out: a trial's plan says it; or name a table with --csv FILE"
            raise AnalysisError(where, found, mend=mend)


def _of_table(
    csv: Path, columns: dict[str, str | None], measure: str | None, options: dict[str, Any]
) -> Any:
    from counting.analysis.any_table import compare_table
    from counting.analysis.data.table_file import Columns
    from counting.errors import AnalysisError

    named = {name: column for name, column in columns.items() if column is not None}
    if "value" not in named or "group" not in named:
        mend = "say which columns hold the values and the groups: --value COL --group COL"
        raise AnalysisError(csv, "columns not named", mend=mend)
    return compare_table(csv, Columns(**named), measure, **options)


def _of_trial(
    directory: Path | None, measure: str | None, options: dict[str, Any], *, unreviewed: bool
) -> list[Any]:
    from counting.analysis.trial import answers
    from counting.errors import AnalysisError
    from counting.plan.trial import load_trial

    if directory is None:
        where, found = "counting compare", "nothing to compare"
        raise AnalysisError(where, found, mend="name a trial's folder, or a table with --csv FILE")
    return list(answers(load_trial(directory), measure, include_unreviewed=unreviewed, **options))


@app.command("calibrate")
def calibrate_counts(
    directory: TrialDir,
    measure: Annotated[str, typer.Option(help="Which count.")] = "fruit",
    survey: Annotated[
        str | None, typer.Option(metavar="DATE", help="Which survey to compare: the last if none.")
    ] = None,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Say which share of the fruit photos show. Hand counts of the same plants tell it.

    Two photos of one side (path, path 2) tell besides how many fruit neither of them shows.

    Example: counting calibrate my_trial
    """
    from counting.analysis.calibrate import calibrate
    from counting.analysis.recapture import recapture_json, recapture_text
    from counting.analysis.screen import calibration_text
    from counting.errors import AnalysisError
    from counting.plan.trial import load_trial
    from counting.records.two_views import two_views

    trial = load_trial(directory)
    with trial.ledger() as ledger:
        found = calibrate(trial, ledger, measure=measure, survey=survey)
        views = two_views(trial, ledger) if measure == "fruit" else []
    if found is None and not views:
        mend = "count some plants of each group by hand on the day of the photos: counting tally"
        raise AnalysisError(
            directory, f"no {measure} counted both on photos and by hand", mend=mend
        )
    shares = found.to_json() if found else {}
    write_json(json_file, shares | {"two_views": recapture_json(views)}, replace=replace)
    if str(json_file) != "-":
        parts = [calibration_text(found) if found else "", recapture_text(views)]
        tell("\n\n".join(part for part in parts if part))


@app.command("pool")
def pool_several(
    places: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[TRIAL]...",
            help="Trials' folders, their exports, or files that compare --json wrote.",
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="A table instead: trial, log_ratio, variance."),
    ] = None,
    measure: Annotated[
        str | None, typer.Option(help="What to pool: the trials' main measure if not given.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the trials with their mean, as SVG.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report of all together, as HTML.")
    ] = None,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Put several trials together, and say what to expect in a next place.

    Example: counting pool trial_2025 trial_2026

    Example: counting pool --csv log_ratios.csv
    """
    from counting.analysis.screen import pooled_text
    from counting.analysis.season.pool import pool_table, pool_trials
    from counting.files import write_text
    from counting.report.pictures.forest import forest
    from counting.report.pooled import pooled_page

    found = (pool_table(csv),) if csv is not None else pool_trials(places or [], measure)
    results = [each.to_json() for each in found]
    write_json(json_file, results[0] if len(results) == 1 else results, replace=replace)
    if picture is not None:
        write_text(picture, forest(found), replace=replace)
    if page is not None:
        write_text(page, pooled_page(found), replace=replace)
    if str(json_file) != "-":
        tell("\n\n\n".join(pooled_text(each) for each in found))


@app.command("harvest")
def harvest_command(
    directory: TrialDir,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Say what was picked, and what to expect at the coming picks.

    Tally what is picked (picked fruit, picked weight, marketable weight, damaged weight), and
    after each pick the fruit left hanging (green, turning, ripe fruit). The diary's temperatures
    make the coming picks surer.

    Example: counting harvest my_trial
    """
    from counting.analysis.screen import as_text, coming_text, ratio_lines
    from counting.analysis.season.coming import picked_and_coming
    from counting.errors import AnalysisError
    from counting.plan.trial import load_trial
    from counting.records.observations import observations

    trial = load_trial(directory)
    with trial.ledger() as ledger:
        found, coming = picked_and_coming(trial, ledger, observations(trial, ledger))
    if found is None:
        mend = "tally what is picked: counting tally, with a column picked fruit or picked weight"
        raise AnalysisError(directory, "no pick recorded", mend=mend)
    told = {**found.to_json(), "coming": [each.to_json() for each in coming]}
    write_json(json_file, told, replace=replace)
    if str(json_file) != "-":
        parts = [as_text(each) for each in (*found.totals, found.half) if each is not None]
        parts += ["\n".join(lines) for lines in (ratio_lines(found),) if lines]
        parts += [coming_text(coming)] if coming else []
        tell("\n\n\n".join(parts))
