"""Commands of the photos room."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from counting.cli.base import JsonFile, TrialDir, Workers, app, few, refused, say, typed, write_json

if TYPE_CHECKING:
    from counting.photos.places.days import Days


@app.command("move")
def move_command(
    directory: TrialDir,
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="PHOTO...", help="Path inside the trial, or name of the file."),
    ] = None,
    to: Annotated[str, typer.Option("--to", metavar="PLANT", help="The plant it shows.")] = "",
    side: Annotated[str, typer.Option("--side", help="The side it shows, such as path.")] = "",
    survey: Annotated[
        str, typer.Option("--survey", metavar="DATE", help="The survey it belongs to.")
    ] = "",
    also: Annotated[
        str,
        typer.Option("--also", metavar="PLANT", help="A further plant that counts on it too."),
    ] = "",
    truss: Annotated[int | None, typer.Option("--truss", min=1, help="The truss it shows.")] = None,
    swap: Annotated[
        list[str] | None,
        typer.Option(metavar="PLANT", help="Exchange the photos of two plants: give it twice."),
    ] = None,
    listed: Annotated[
        Path | None,
        typer.Option("--list", metavar="FILE", help="A list: file, plant, survey, truss, side."),
    ] = None,
    reason: Annotated[str, typer.Option("--reason", help="Why; the ledger keeps it.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who says so.")] = "",
) -> None:
    """Put photos where they belong: another plant, side or survey. Their counts go along.

    Nothing is lost: the ledger keeps where they were, and the files stay where they are. With
    --also they stay where they are and count for a further plant, whose tag is in them.

    Example: counting move my_trial photos/2026-07-01/A1-1/IMG_4.jpg --to A1-2
    --reason "tags swapped"
    """
    from counting.errors import PhotoError
    from counting.photos.places.moving import Place, further, move, move_listed
    from counting.photos.places.moving import swap as exchange
    from counting.plan.trial import load_trial

    trial, who = load_trial(directory), by or "move"
    if swap:
        if len(swap) != 2:
            option, expected = "--swap", "two plants: --swap A1-1 --swap A1-2"
            raise PhotoError(option, f"{len(swap)} plants", expected)
        done = exchange(trial, swap[0], swap[1], survey=survey, reason=reason, by=who)
    elif listed:
        done = move_listed(trial, listed, reason=reason, by=who)
    else:
        if not names:
            option = "counting move"
            raise PhotoError(option, "no photo named", mend="name it, or pass --list or --swap")
        if also:
            for view in further(trial, names, also, reason=reason, by=who):
                say(f"{view.file}: counts for {view.plant} too, as far as it is its own.")
            return
        place = Place(to, side, survey, truss)
        done = move(trial, names, place, reason=reason, by=who)
    for each in done:
        say(each.sentence)
    if not done:
        say("Nothing to move: the photos are there already.")


@app.command("take-in")
def take_in_command(
    directory: TrialDir,
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO...", help="Photos, folders to walk, or a list photos.csv."),
    ],
    survey: Annotated[
        str,
        typer.Option(
            "--survey",
            metavar="DATE",
            help="The survey's date, as in 2026-07-01; from-camera: the day of each photo.",
        ),
    ] = "",
    side: Annotated[
        str, typer.Option("--side", help="The side all of them were taken from, such as path.")
    ] = "",
    manifest: Annotated[
        Path | None,
        typer.Option(
            "--manifest", metavar="FILE", help="A list: file, survey, plant, truss, side."
        ),
    ] = None,
    workers: Workers = None,
    json_file: JsonFile = None,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Put a photo in the place of the one already there; write over the JSON file.",
        ),
    ] = False,
) -> None:
    """Take photos into the trial and bind each to its plant.

    The tag in the photo names the plant; else photos.csv beside it; else its folders,
    survey/plant or survey/plant/truss. Originals are never changed. Where the camera's days and
    the survey disagree you are asked first (at a keyboard; else it is said).

    Example: counting take-in my_trial ~/camera --survey 2026-07-01 --side path
    """
    from counting.cli.progress import photo_progress
    from counting.photos.gather import Batch
    from counting.photos.intake import take_in
    from counting.plan.trial import load_trial
    from counting.text import many

    trial = load_trial(directory)
    with photo_progress("Looking at photos") as progress:
        at_keyboard = sys.stdin.isatty()

        def ask(days: Days) -> str:
            progress.away()
            return _asked(days, directory)

        batch = Batch(survey, side, manifest, workers, ask if at_keyboard else None)
        result = take_in(trial, photos, batch=batch, replace=replace, progress=progress)
    plants = many(int(result.taken["plant"].nunique()), "plant")
    say(f"Took in {many(len(result.taken), 'photo')} of {plants}.")
    if result.guards:
        number = int(result.taken["plant"].isin(result.guards).sum())
        say(f"{number} show guard plants, which are never counted: {few(result.guards)}.")
    if result.again:
        say(f"In the trial already, and not counted twice: {many(result.again, 'photo')}.")
    if result.local_time:
        say(
            f"{result.local_time} carry a time without its offset from UTC; "
            "it is kept as the camera's local time."
        )
    flagged = result.taken.loc[result.taken["flags"] != "", "flags"]
    for word, number in flagged.str.split("; ").explode().value_counts().items():
        say(f"{number} flagged: {word}.")
    for remark in result.remarks:
        say(remark.replace("DIR", str(directory)))
    for day, without in result.without_photo.items():
        if without:
            say(f"{len(without)} plants have no photo of {day} yet: {few(without)}.")
    damaged = flagged.index[flagged.str.split("; ").map(lambda words: "damaged" in words)]
    if len(damaged):
        named = few(result.taken.loc[damaged, "file"].to_list())
        say(
            f"Damaged, part of the picture is lost: {named}. Copy them from the camera again; they"
            " count only once a person has looked and said so."
        )
    write_json(
        json_file,
        {
            "taken": json.loads(result.taken.to_json(orient="records")),
            "again": result.again,
            "refused": [{"item": each.item, "reason": each.reason} for each in result.refused],
            "remarks": list(result.remarks),
            "without_photo": {day: list(each) for day, each in result.without_photo.items()},
        },
        replace=replace,
    )
    refused(result.refused, done=len(result.taken) + result.again)


def _asked(days: Days, directory: Path) -> str:
    """Put doubtful days to the person at the keyboard; return the survey to say for all."""
    from counting.errors import PhotoError

    say(days.sentence)
    for number, (_, words) in enumerate(days.choices, start=1):
        say(f"  {number}  {words}")
    nothing = len(days.choices) + 1
    say(f"  {nothing}  take nothing in")
    surveys = {str(number): survey for number, (survey, _) in enumerate(days.choices, start=1)}
    while (chosen := typed("Which", "")) not in surveys:
        if chosen == str(nothing):
            mend = "say --survey, or sort the photos"
            raise PhotoError(directory, "nothing was taken in", mend=mend)
        say(f"Type a number from 1 to {nothing}.")
    return surveys[chosen]
