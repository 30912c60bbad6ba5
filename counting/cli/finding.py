"""Commands of the finding room."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from counting.cli.base import JsonFile, Replace, app, refused, write_json

if TYPE_CHECKING:
    from counting.finding.look import Look


@app.command("look")
def look_at_photos(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos to look at.")],
    json_file: JsonFile = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write each photo with its rings here.")
    ] = None,
    stages: Annotated[
        str, typer.Option(metavar="NAMES", help="Stages that propose, with commas between.")
    ] = "colour,blobs,scorer",
    smallest_mm: Annotated[
        float | None, typer.Option(help="Leave out fruit under this diameter (needs a tag).")
    ] = None,
    replace: Replace = False,
) -> None:
    """Count the fruit in loose photos, without a trial.

    Example: counting look plant.jpg --picture seen
    """
    from counting.finding.look import look, pictures, to_json
    from counting.settings import Settings

    settings = Settings.with_stages(stages)
    looked, left_out = look(photos, settings, smallest_mm=smallest_mm)
    if looked:
        write_json(json_file, to_json(looked), replace=replace)
        if picture is not None:
            pictures(looked, picture, settings.threshold, replace=replace)
        if str(json_file) != "-":
            _show(looked)
    refused(left_out, done=len(looked))


def _show(looked: list[Look]) -> None:
    """Print one line per photo: fruit, the interval, and why to look."""
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    table.add_column("photo", overflow="fold")
    table.add_column("fruit", justify="right")
    table.add_column("90 % interval", justify="right")
    table.add_column("rings", justify="right")
    table.add_column("look closer because", overflow="fold")
    for one in looked:
        found = one.found
        interval = f"{found.count_low} to {found.count_high}"
        reasons = ", ".join(found.flags)
        count, rings = f"{found.count:.0f}", str(found.proposed)
        table.add_row(str(one.path), count, interval, rings, reasons)
    Console(highlight=False, markup=False).print(table)
