"""Commands of the finding room."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from counting.cli.base import (
    JsonFile,
    Quick,
    Replace,
    TrialDir,
    Workers,
    app,
    length_option,
    refused,
    say,
    tuner,
    write_json,
)

if TYPE_CHECKING:
    from counting.finding.lesson.learn import Learnt
    from counting.finding.look import Look
    from counting.finding.propose import Proposed
    from counting.ledger import Ledger
    from counting.plan.trial import Trial
    from counting.settings import Settings


_FIRST = 10
"""Photos to review first; what they teach stands in STAGES.md."""
_MANY = 30
"""Corrections per 100 fruit from which moving the network is worth its minutes: in every place
measured where it gained most there were more (STAGES.md)."""


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
    quick: Quick = False,
    smallest_mm: Annotated[
        float | None, typer.Option(help="Leave out fruit under this diameter (needs a tag).")
    ] = None,
    spacing: Annotated[
        float | None,
        typer.Option(
            parser=length_option,
            metavar="LENGTH",
            help='How far apart the plants stand in the row: 450, "45 cm"; with a tag in the photo'
            " it leaves out the next plant's fruit.",
        ),
    ] = None,
    crop: Annotated[
        str, typer.Option(metavar="NAME", help="What grows; decides which colours are ripe.")
    ] = "tomato",
    replace: Replace = False,
) -> None:
    """Count the fruit in loose photos, without a trial.

    Example: counting look plant.jpg --picture seen
    """
    from counting.crops import crop_called, unmeasured
    from counting.finding.look import look, pictures, to_json
    from counting.settings import Settings

    settings = Settings.with_stages(stages, quick=quick)
    looked, left_out = look(
        photos, settings, smallest_mm=smallest_mm, spacing_mm=spacing, crop=crop_called(crop)
    )
    if looked:
        write_json(json_file, to_json(looked), replace=replace)
        if picture is not None:
            pictures(looked, picture, settings.threshold, replace=replace)
        if str(json_file) != "-":
            _show(looked)
        if doubt := unmeasured(crop):
            say(doubt)
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
    table.add_column("look at it because", overflow="fold")
    names = [one.path.name for one in looked]
    short = len(set(names)) == len(names)
    for one in looked:
        found = one.found
        interval = f"{found.count_low} to {found.count_high}"
        reasons = ", ".join(found.flags)
        count, rings = f"{found.count:.0f}", str(found.proposed)
        name = one.path.name if short else str(one.path)
        table.add_row(name, count, interval, rings, reasons)
    Console(highlight=False, markup=False).print(table)
    say("fruit: the count to expect, unclear ones weighed in; rings: the candidates likely fruit.")


@app.command("propose")
def propose_fruit(
    directory: TrialDir,
    stages: Annotated[
        str, typer.Option(metavar="NAMES", help="Stages that propose, with commas between.")
    ] = "colour,blobs,scorer",
    quick: Quick = False,
    workers: Workers = None,
    cluster: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Work on a dask cluster: tcp://HOST:PORT.")
    ] = "",
    tune: Annotated[
        bool, typer.Option("--tune", help="Learn from the reviewed photos first (5 or more).")
    ] = False,
    as_shipped: Annotated[
        bool,
        typer.Option(
            "--as-shipped", "--untuned", help="Leave aside what the trial's reviews have taught."
        ),
    ] = False,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Propose the fruit on every photo taken in. Run again, it goes on where it was stopped.

    Where 5, 10, 20, 40 ... photos of a survey were reviewed it learns from them first.

    Example: counting propose my_trial
    """
    from counting.cli.progress import photo_progress
    from counting.crops import unmeasured
    from counting.finding.lesson.learn import learn_trial, outgrown
    from counting.finding.lesson.record import record
    from counting.finding.propose import propose
    from counting.plan.trial import load_trial
    from counting.settings import Settings

    trial, settings = load_trial(directory), Settings.with_stages(stages, quick=quick)
    with trial.ledger() as ledger:
        if tune and not as_shipped:
            _say_learnt(learn_trial(trial, ledger, settings))
        told = record(ledger).sentence()
        more = {} if as_shipped else outgrown(ledger, settings.stages)
    if told:
        say(told)
    for survey, number in more.items():
        say(
            f"{number} photos of survey {survey or 'not named'} are reviewed by now: its thorough"
            f" lesson had fewer. To learn from all: counting learn {directory} --thorough"
        )
    with photo_progress("Proposing") as progress:
        done = propose(
            trial,
            settings,
            workers=workers,
            cluster=cluster or None,
            progress=progress,
            as_shipped=as_shipped,
        )
    if doubt := unmeasured(trial.plan.crop):
        say(doubt)
    _say_learnt(done.learnt)
    _say_proposed(done, directory)
    write_json(json_file, _proposed_json(done), replace=replace)
    refused(done.refused, done=done.new + done.standing + done.confirmed)


@app.command("learn")
def learn_from_reviews(
    directory: TrialDir,
    stages: Annotated[
        str, typer.Option(metavar="NAMES", help="Stages whose candidates were reviewed.")
    ] = "colour,blobs,scorer",
    thorough: Annotated[
        bool,
        typer.Option(
            "--thorough",
            help="Move the network's own layers too: minutes on all cores; needs the extra train.",
        ),
    ] = False,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Learn this trial's fruit from its reviewed photos, survey by survey (5 photos or more).

    `counting propose` does so by itself after 5, 10, 20, 40 ... reviewed photos, and uses a lesson
    only where it helped on photos left out of it. --thorough can be stopped at any moment with
    Ctrl-C: then nothing changes.

    Example: counting learn my_trial
    """
    from counting.finding.lesson.learn import learn_trial
    from counting.plan.trial import load_trial
    from counting.settings import Settings

    trial, settings = load_trial(directory), Settings.with_stages(stages)
    with trial.ledger() as ledger:
        if thorough:
            learnt = _learn_thoroughly(trial, ledger, settings)
        else:
            learnt = learn_trial(trial, ledger, settings)
    _say_learnt(learnt)
    left = [each.lesson.gain["corrections_per_100"][each.lesson.used] for each in learnt]
    if not thorough and max(left) > _MANY:
        say(
            f"So {max(left):.0f} corrections per 100 fruit are left. Where the finder knows the "
            f"fruit poorly, moving the network too helps: counting learn {directory} --thorough"
        )
    say(f"Next: counting propose {directory}")
    write_json(json_file, [each.to_json() for each in learnt], replace=replace)


def _learn_thoroughly(trial: Trial, ledger: Ledger, settings: Settings) -> list[Learnt]:
    """Move the network's layers, with a bar; stopped by Ctrl-C, nothing changes."""
    from counting.cli.progress import step_progress
    from counting.finding.lesson.thorough import learn_thoroughly

    tune = tuner()
    try:
        with step_progress("Learning") as progress:
            return learn_thoroughly(trial, ledger, settings, tune, progress=progress)
    except KeyboardInterrupt:
        say("Stopped. Nothing was learnt, and the lesson that stood still stands.")
        raise typer.Exit(2) from None


def _say_learnt(learnt: Sequence[Learnt]) -> None:
    """Say what the reviews taught, and by how much it helps on photos left out of the learning."""
    for each in learnt:
        lesson = each.lesson
        said = f"{len(lesson.photos)} reviewed photos by {len(lesson.reviewers)} reviewer(s)"
        say(f"Learnt from {said}, survey {lesson.survey or 'not named'}.")
        if lesson.used:
            say("Changed, and kept in the ledger:")
            for name, word in (
                ("threshold", "threshold"),
                ("slope", "slope of the log-odds"),
                ("offset", "offset of the log-odds"),
                ("fruit_spread", "spread of counts"),
                ("look", "size of the look"),
            ):
                old, new = getattr(each.before, name), getattr(each.after, name)
                if name == "look" and old == new:
                    continue
                say(f"  {word}: {old:.3g} -> {new:.3g}")
            if lesson.weights:
                say("  and the network's later layers: lessons in the trial's folder holds them")
        else:
            say("It does not help on photos left out of the learning: the finder stays as shipped.")
        if lesson.thorough and not lesson.weights:
            old, new = lesson.thorough["corrections_per_100"]
            say(
                "Moving the network's layers helps no further on photos left out: "
                f"{new:.3g} corrections per 100 fruit, {old:.3g} with this lesson. It is not used."
            )
        say("On photos left out of the learning, as shipped -> with the lesson:")
        for name, word in (
            ("corrections_per_100", "corrections per 100 fruit"),
            ("count_mae", "count off by, per photo"),
            ("log_loss", "log loss of the confidence"),
            ("interval_coverage", "counts inside the 90 % interval"),
        ):
            old, new = lesson.gain[name]
            say(f"  {word}: {old:.3g} -> {new:.3g}")
        if each.uneven:
            say(each.uneven)


def _say_proposed(done: Proposed, directory: Path) -> None:
    """Say what was done and what comes next."""
    from counting.finding.lesson.fit import LEAST_PHOTOS
    from counting.text import many

    for lesson in done.lessons:
        say(
            f"Used the lesson {lesson.digest}: threshold {lesson.threshold:.2f} and calibration "
            f"learnt from {len(lesson.photos)} reviewed photos at {lesson.at[:16]}"
            f"{', and weights of its own' if lesson.weights else ''}."
        )
    if done.settings.borrowed:
        say(
            "The newest survey has no lesson of its own: an earlier one's is used, and intervals"
            f" stay at least as wide as shipped. Review {LEAST_PHOTOS} of its photos to end that."
        )
    if done.new:
        say(f"Proposed {done.fruit} fruit on {many(done.new, 'photo')}.")
    if done.standing:
        say(f"{done.standing} photos had their candidates already.")
    if done.confirmed:
        say(f"{done.confirmed} photos are confirmed and keep theirs.")
    for remark in done.remarks:
        say(remark)
    if done.to_look_at:
        say(f"Only the flagged ones: counting sheet {directory} --flagged")
    if done.new or done.standing:
        if done.new + done.standing > _FIRST and not done.lessons:
            say(
                f"Review {_FIRST} photos drawn by lot first, they teach the finder this trial's "
                f"fruit: counting sheet {directory} --first {_FIRST}"
            )
        say(f"Next: counting sheet {directory}")
    elif not done.confirmed and not done.refused:
        say(f"No photos in this trial yet: counting take-in {directory} PHOTO...")


def _proposed_json(done: Proposed) -> dict[str, object]:
    return {
        "new": done.new,
        "standing": done.standing,
        "confirmed": done.confirmed,
        "fruit": done.fruit,
        "to_review": done.to_review,
        "to_look_at": done.to_look_at,
        "uncertain": done.uncertain,
        "shared": [str(flag) for flag in done.shared],
        "refused": [{"item": refusal.item, "reason": refusal.reason} for refusal in done.refused],
        "threshold": done.settings.threshold,
        "stages": list(done.settings.stages),
        "quick": done.settings.quick,
        "settings": done.settings.hash,
        "lessons": [lesson.told() for lesson in done.lessons],
    }
