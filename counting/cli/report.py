"""Commands that tell and keep: report, export, audit, checkpoint, back-up, restore."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from counting.cli.base import (
    Exit,
    JsonFile,
    Replace,
    TrialDir,
    app,
    messages,
    refused,
    say,
    tell,
    write_json,
)

__all__ = ["audit", "back_up_command", "checkpoint", "export", "report", "restore_command"]


@app.command("report")
def report(
    directory: TrialDir,
    survey: Annotated[
        str | None, typer.Option(metavar="DATE", help="The survey compared; the last one if none.")
    ] = None,
    source: Annotated[
        str | None, typer.Option(metavar="photo|tally", help="Which counts of the main measure.")
    ] = None,
    above: Annotated[
        float | None, typer.Option(metavar="N", help="Show the share of plants above N.")
    ] = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the page here.")] = None,
    replace: Replace = False,
) -> None:
    """Write the report: one page that opens anywhere. It prints on A4.

    Example: counting report my_trial --above 15
    """
    from counting.plan.trial import load_trial
    from counting.report.figures import Choices
    from counting.report.report import make_report

    choices = Choices(survey=survey, source=source, above=above)
    tell(make_report(load_trial(directory), choices, path=out, replace=replace))


@app.command("export")
def export(
    directory: TrialDir,
    out: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write here instead of DIR/export.")
    ] = None,
    anonymous: Annotated[
        bool, typer.Option("--anonymous", help="Write numbers for people's names.")
    ] = False,
    replace: Replace = False,
) -> None:
    """Write every table as CSV and XLSX. A Data Package describes them.

    Example: counting export my_trial --anonymous
    """
    from counting.plan.trial import load_trial
    from counting.report.export import export as write_tables

    written = write_tables(load_trial(directory), out, anonymous=anonymous, replace=replace)
    for name, rows in written.rows.items():
        say(f"{name}: {rows} rows")
    tell(written.folder)


@app.command("audit")
def audit(
    directory: TrialDir,
    plant: Annotated[
        str, typer.Option(metavar="CODE", help="Tell who did what when for this plant.")
    ] = "",
    proposals: Annotated[
        bool, typer.Option("--proposals", help="Find all candidates again, not only a few.")
    ] = False,
    expect: Annotated[
        list[str] | None,
        typer.Option(metavar="HASH", help="A hash printed earlier, which the chain must hold."),
    ] = None,
    against: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", help="A report, sheet, export, back-up or checkpoint kept elsewhere."
        ),
    ] = None,
    public_key: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Whose signature the files of --against must bear."),
    ] = None,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Verify ledger, photos, counts and report. Exit code 1 if anything is wrong.

    Example: counting audit my_trial --plant A1-1 --expect 3f0c9a51e2b7
    """
    from rich.progress import Progress

    from counting.report.history import history
    from counting.report.keeping.audit import audit as follow_back
    from counting.report.keeping.checkpoints import Outside

    with Progress(console=messages, transient=True, disable=not messages.is_terminal) as bar:
        task = bar.add_task("Finding candidates again", total=None)
        found = follow_back(
            directory,
            proposals="all" if proposals else "sample",
            progress=lambda done, total: bar.update(task, completed=done, total=total),
            outside=Outside(tuple(expect or ()), tuple(against or ()), public_key),
        )
    result = found.to_json()
    lines = [line for check in found.checks for line in check.lines()]
    if plant and not found.faults:
        from counting.plan.trial import load_trial

        steps, values = history(load_trial(directory), plant)
        result |= {"plant": plant, "steps": [asdict(step) for step in steps], "values": values}
        lines += ["", f"Plant {plant}:", *(step.line() for step in steps)]
        lines += ["What follows from it:", *(f"  {value}" for value in values)]
    if str(json_file) != "-":
        tell("\n".join(lines))
    write_json(json_file, result, replace=replace)
    if found.faults:
        say(f"{len(found.faults)} things are not as they should be.")
        raise typer.Exit(Exit.SOME_REFUSED)


@app.command("checkpoint")
def checkpoint(
    directory: Annotated[
        Path | None, typer.Argument(metavar="DIR", help="The trial's folder.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it here, outside the trial.")
    ] = None,
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Sign it with this private key.")
    ] = None,
    new_key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Make a pair of keys: FILE and FILE.pub.")
    ] = None,
    replace: Replace = False,
) -> None:
    """Tell how far the ledger has come, to be kept where nobody who counts can change it.

    Later, counting audit my_trial --against FILE shows that all up to there is as it was.

    Example: counting checkpoint my_trial --out my_trial.checkpoint.json
    """
    from counting.errors import CountingError

    if new_key:
        from counting.ledger.signing import make_key

        public = make_key(new_key)
        say(f"Keep {new_key} to yourself and outside the trial; hand out {public}.")
        return
    if directory is None:
        argument = "DIR"
        raise CountingError(argument, "not given", "the trial's folder, or --new-key FILE")
    from counting.ledger.checkpoint import Checkpoint
    from counting.plan.trial import load_trial

    trial = load_trial(directory)
    with trial.ledger() as ledger:
        point = Checkpoint.of(ledger, trial.plan.id)
    if key:
        from counting.ledger.signing import signed

        told = signed(point, key)
    else:
        told = point.to_json()
    write_json(out or Path("-"), told, replace=replace)


@app.command("back-up")
def back_up_command(
    directory: TrialDir,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The back-up, such as july.zip.")],
    replace: Replace = False,
) -> None:
    """Keep a whole trial in one file, read back and checked. Write it to another disk.

    Example: counting back-up my_trial /media/stick/my_trial.zip
    """
    from rich.progress import Progress

    from counting.report.keeping.back_up import back_up

    with Progress(console=messages, transient=True, disable=not messages.is_terminal) as bar:
        task = bar.add_task("Keeping files", total=None)
        kept = back_up(
            directory,
            file,
            replace=replace,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    say(
        f"Kept {kept.files} files ({kept.size / 1e6:.1f} MB) and {kept.entries} entries of the "
        "ledger; all were read back and are whole."
    )
    tell(kept.file)
    refused([*kept.left_out, *kept.lost], done=kept.files)


@app.command("restore")
def restore_command(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The back-up.")],
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder for the trial.")],
) -> None:
    """Bring a trial back from a back-up into a new folder, and say what is lost.

    Example: counting restore /media/stick/my_trial.zip my_trial
    """
    from rich.progress import Progress

    from counting.report.keeping.restore import restore

    with Progress(console=messages, transient=True, disable=not messages.is_terminal) as bar:
        task = bar.add_task("Restoring files", total=None)
        back = restore(
            file,
            directory,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    say(f"Restored {back.files} files and {back.entries} entries, kept at {back.made_at}.")
    tell(back.directory)
    refused(back.lost, done=back.files)
