"""Commands of the analysis room."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from counting.cli.base import JsonFile, Replace, TrialDir, app, write_json

__all__ = ["calibrate_counts", "compare_groups"]


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
        str | None, typer.Option(metavar="COL", help="The table's column of blocks.")
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
        Literal["count", "length", "percent", "grade"] | None,
        typer.Option(help="What sort of values; whole numbers from 0 are taken for counts."),
    ] = None,
    survey: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Which survey: the last if not given, or all."),
    ] = None,
    source: Annotated[
        str | None, typer.Option(help="photo or tally: where the values come from.")
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
    from counting.analysis.screen import as_text

    options: dict[str, Any] = {
        "control": control,
        "above": above,
        "kind": kind,
        "survey": survey,
        "source": source,
        "per": per,
    }
    options = {name: given for name, given in options.items() if given is not None}
    if csv is not None:
        results = [_of_table(csv, (value, group, block, plot, plant, per), measure, options)]
    else:
        results = _of_trial(directory, measure, options, unreviewed=include_unreviewed)
    found = [result.to_json() for result in results]
    write_json(json_file, found if measure == "all" else found[0], replace=replace)
    if str(json_file) != "-":
        typer.echo("\n\n\n".join(as_text(result) for result in results))


def _of_table(
    csv: Path, columns: tuple[str | None, ...], measure: str | None, options: dict[str, Any]
) -> Any:
    from counting.analysis.compare import compare
    from counting.analysis.data.table_file import Columns, read_table
    from counting.analysis.question import Question
    from counting.errors import AnalysisError

    value, group, block, plot, plant, per = columns
    if value is None or group is None:
        mend = "say which columns hold the values and the groups: --value COL --group COL"
        raise AnalysisError(csv, "columns not named", mend=mend)
    table = read_table(csv, Columns(value, group, block, plot, plant, per))
    return compare(table, Question(measure=measure or value, main=False, **options))


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

    Example: counting calibrate my_trial
    """
    from counting.analysis.calibrate import calibrate
    from counting.analysis.screen import calibration_text
    from counting.errors import AnalysisError
    from counting.plan.trial import load_trial

    trial = load_trial(directory)
    with trial.ledger() as ledger:
        found = calibrate(trial, ledger, measure=measure, survey=survey)
    if found is None:
        mend = "count some plants of each group by hand on the day of the photos: counting tally"
        raise AnalysisError(
            directory, f"no {measure} counted both on photos and by hand", mend=mend
        )
    write_json(json_file, found.to_json(), replace=replace)
    if str(json_file) != "-":
        typer.echo(calibration_text(found))
