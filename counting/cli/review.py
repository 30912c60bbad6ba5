"""Commands of the review room."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from counting.cli.base import JsonFile, Replace, TrialDir, app, refused, say, write_json
from counting.plan.trial import load_trial


@app.command("sheet")
def sheet(
    directory: TrialDir,
    flagged: Annotated[bool, typer.Option("--flagged", help="Only photos to look at.")] = False,
    survey: Annotated[str, typer.Option(metavar="DATE", help="Only this survey.")] = "",
    per_file: Annotated[int, typer.Option(min=0, help="Photos per file at most; 0: all.")] = 0,
    open_: Annotated[bool, typer.Option("--open", help="Show plant and group.")] = False,
    seed: Annotated[int | None, typer.Option(help="Decides the order.")] = None,
    reviewer: Annotated[str, typer.Option(help="For whom the sheet is.")] = "",
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Make a contact sheet: one HTML file to confirm or correct the fruit proposed.

    Example: counting sheet mytrial --flagged
    """
    from counting.review.sheet import SheetOptions, make_sheets

    options = SheetOptions(
        flagged=flagged,
        survey=survey,
        per_file=per_file,
        blind=not open_,
        seed=seed,
        reviewer=reviewer,
        replace=replace,
    )
    made = make_sheets(load_trial(directory), options)
    for each in made:
        say(f"{each.photos} photos, {each.flagged} of them flagged:")
        if str(json_file) != "-":
            typer.echo(each.path)
    result = [
        {
            "file": str(each.path),
            "sheet": each.sheet,
            "photos": each.photos,
            "flagged": each.flagged,
        }
        for each in made
    ]
    write_json(json_file, result, replace=replace)


@app.command("confirm")
def confirm(
    directory: TrialDir,
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Saved corrections.")],
    json_file: JsonFile = None,
) -> None:
    """Take corrections saved from contact sheets in; the same file twice changes nothing.

    Example: counting confirm mytrial corrections_3f9a51c0de_Ana.json
    """
    from counting.review.corrections import take_corrections

    taken = take_corrections(load_trial(directory), files)
    names = ", ".join(taken.reviewers)
    if taken.files:
        say(f"{taken.new} answers taken in from {names}; {taken.again} stood already.")
    result = {
        "files": taken.files,
        "new": taken.new,
        "again": taken.again,
        "reviewers": list(taken.reviewers),
        "refused": [{"file": each.item, "reason": each.reason} for each in taken.refused],
    }
    write_json(json_file, result)
    refused(taken.refused, done=taken.files)
