"""Commands of the review room."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from counting.cli.base import (
    JsonFile,
    Replace,
    TrialDir,
    app,
    refused,
    say,
    share,
    tell,
    write_json,
)
from counting.plan.trial import Trial, load_trial
from counting.text import few, many


def _propose_first(trial: Trial) -> None:
    """Propose fruit on photos on which nothing was proposed yet, and say so."""
    from counting.cli.progress import photo_progress
    from counting.review.first import propose_first

    with photo_progress("Proposing") as progress:
        number = propose_first(trial, progress)
    if number:
        say(f"Fruit were proposed on {many(number, 'photo')} first.")


@app.command("sheet")
def sheet(
    directory: TrialDir,
    flagged: Annotated[bool, typer.Option("--flagged", help="Only photos to look at.")] = False,
    first: Annotated[
        int,
        typer.Option(
            min=0,
            metavar="N",
            help="Only N photos, by lot, the groups in turn: they teach the finder this trial.",
        ),
    ] = 0,
    survey: Annotated[str, typer.Option(metavar="DATE", help="Only this survey.")] = "",
    per_file: Annotated[
        int | None,
        typer.Option(min=0, help="Photos per file at most; 0: all in one. About 50 if not given."),
    ] = None,
    open_: Annotated[bool, typer.Option("--open", help="Show plant and group.")] = False,
    all_: Annotated[bool, typer.Option("--all", help="Also photos confirmed already.")] = False,
    seed: Annotated[int | None, typer.Option(help="Decides the order.")] = None,
    reviewer: Annotated[str, typer.Option(help="For whom the sheet is.")] = "",
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Make a contact sheet: one HTML file. In it a person confirms or corrects the fruit.

    It holds the photos that nobody has answered yet. Fruit are proposed on them first.

    Example: counting sheet my_trial --flagged
    """
    from counting.review.sheet import SheetOptions, make_sheets

    options = SheetOptions(
        flagged=flagged,
        first=first,
        survey=survey,
        per_file=per_file,
        open_only=not all_,
        blind=not open_,
        seed=seed,
        reviewer=reviewer,
        replace=replace,
    )
    trial = load_trial(directory)
    _propose_first(trial)
    made = make_sheets(trial, options)
    for each in made:
        say(f"{many(each.photos, 'photo')}, {each.flagged} of them flagged:")
        if str(json_file) != "-":
            tell(each.path)
    _tell_uncovered(
        [file for each in made for file in each.uncovered], sum(each.photos for each in made)
    )
    say(f"Open it in a browser and save at the end. Next: counting confirm {directory} FILE")
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


def _tell_uncovered(files: list[str], photos: int) -> None:
    """Say where a tag may show on a blind sheet, and name the photos."""
    from counting.review.frames import uncovered

    sentence = uncovered(len(files), photos)
    if sentence:
        say(f"{sentence}: {few(files)}.")


@app.command("confirm")
def confirm(
    directory: TrialDir,
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="FILE...",
            help="Saved corrections; without any, those in DIR and Downloads are offered.",
        ),
    ] = None,
    json_file: JsonFile = None,
) -> None:
    """Take corrections saved from contact sheets in. The same file twice changes nothing.

    Example: counting confirm my_trial corrections_3f9a51c0de_Ana.json
    """
    from counting.finding.lesson.learn import worth_learning
    from counting.review.corrections import take_corrections
    from counting.review.found import still_to_do

    trial = load_trial(directory)
    taken = take_corrections(trial, files or _offered(trial))
    names = ", ".join(taken.reviewers)
    if taken.files and not taken.new:
        say(f"Nothing new: all {taken.again} answers of {names} stood already.")
    elif taken.files:
        again = f"; {taken.again} stood already" if taken.again else ""
        say(f"{taken.new} answers taken in from {names}{again}.")
    if taken.older:
        say(f"{taken.older} gave way to newer answers of the same reviewer.")
    if taken.caution:
        say(taken.caution)
    for line in still_to_do(trial):
        say(line)
    with trial.ledger() as ledger:
        if worth_learning(ledger):
            say(
                "Enough was reviewed to teach the finder this trial's fruit, for the photos that"
                f" wait: counting propose {directory}"
            )
    say(f"Next: counting report {directory}")
    result = {
        "files": taken.files,
        "new": taken.new,
        "again": taken.again,
        "older": taken.older,
        "reviewers": list(taken.reviewers),
        "refused": [{"file": each.item, "reason": each.reason} for each in taken.refused],
        "caution": taken.caution,
    }
    write_json(json_file, result)
    refused(taken.refused, done=taken.files)


def _offered(trial: Trial) -> list[Path]:
    """Ask about the corrections of this trial that lie at hand."""
    from counting.errors import CorrectionsError
    from counting.review.found import corrections_at_hand

    folders = [trial.directory, trial.directory / "sheets", Path.home() / "Downloads"]
    found = corrections_at_hand(trial, folders)
    if not found:
        where = ", ".join(map(str, folders))
        mend = "name the file that was saved from the sheet"
        missing = f"no corrections of this trial in {where}"
        raise CorrectionsError(trial.directory, missing, mend=mend)
    say("Corrections of this trial:")
    for path in found:
        say(f"  {path}")
    if sys.stdin.isatty() and typer.confirm("Take them in?", default=True, err=True):
        return found
    names = " ".join(map(str, found))
    mend = f"to take them in: counting confirm {trial.directory} {names}"
    raise CorrectionsError(trial.directory, "nothing was taken in", mend=mend)


@app.command("assign")
def assign_(
    directory: TrialDir,
    reviewers: Annotated[str, typer.Option(help="How many volunteers, or names with commas.")],
    overlap: Annotated[
        float,
        typer.Option(
            parser=share,
            metavar="SHARE",
            show_default="10%",
            help="Share of the photos that everyone gets, as 10% or 0.1.",
        ),
    ] = 0.1,
    sample: Annotated[
        float | None,
        typer.Option(
            parser=share,
            metavar="SHARE",
            help="Draw this share of the plants by lot, 20% or 0.2; the finder counts the rest.",
        ),
    ] = None,
    flagged: Annotated[bool, typer.Option("--flagged", help="Only photos to look at.")] = False,
    survey: Annotated[str, typer.Option(metavar="DATE", help="Only this survey.")] = "",
    open_: Annotated[bool, typer.Option("--open", help="Show plant and group.")] = False,
    all_: Annotated[bool, typer.Option("--all", help="Also photos confirmed already.")] = False,
    seed: Annotated[int | None, typer.Option(help="Draws the lots and the order.")] = None,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Make one contact sheet for each volunteer. Some photos are on all of them.

    Example: counting assign my_trial --reviewers 3 --overlap 10%
    """
    from counting.review.assign import assign
    from counting.review.sheet import SheetOptions

    options = SheetOptions(
        flagged=flagged,
        survey=survey,
        open_only=not all_,
        blind=not open_,
        seed=seed,
        replace=replace,
    )
    who = int(reviewers) if reviewers.strip().isdecimal() else reviewers.split(",")
    trial = load_trial(directory)
    _propose_first(trial)
    done = assign(trial, who, overlap=overlap, sample=sample, options=options)
    say(f"{len(done.common)} photos stand on every sheet.")
    for number, made in enumerate(done.sheets):
        name = done.reviewers[number] if done.reviewers else f"volunteer {number + 1}"
        say(f"{name}: {many(made.photos, 'photo')}")
        if str(json_file) != "-":
            tell(made.path)
    result = {
        "common": list(done.common),
        "sheets": [
            {"file": str(made.path), "sheet": made.sheet, "photos": made.photos}
            for made in done.sheets
        ],
    }
    write_json(json_file, result, replace=replace)


@app.command("review")
def review(
    directory: TrialDir,
    lan: Annotated[bool, typer.Option("--lan", help="Let phones on this network in.")] = False,
    tls: Annotated[
        bool, typer.Option("--tls", help="With --lan: encrypted, by a certificate of its own.")
    ] = False,
    port: Annotated[int, typer.Option(min=1, max=65535, help="The port.")] = 8765,
    flagged: Annotated[bool, typer.Option("--flagged", help="Only photos to look at.")] = False,
    survey: Annotated[str, typer.Option(metavar="DATE", help="Only this survey.")] = "",
    open_: Annotated[bool, typer.Option("--open", help="Show plant and group.")] = False,
    all_: Annotated[bool, typer.Option("--all", help="Also photos confirmed already.")] = False,
    seed: Annotated[int | None, typer.Option(help="Decides the order.")] = None,
) -> None:
    """Serve the contact sheet live from this machine. Each answer is in the ledger at once.

    Example: counting review my_trial --lan --tls
    """
    from counting.errors import CountingError
    from counting.review.live import Place, address, local_address, serve
    from counting.review.live.certificate import certificate
    from counting.review.live.serve import OWN_FOLDER, devices_of
    from counting.review.sheet import SheetOptions

    trial = load_trial(directory)
    options = SheetOptions(
        flagged=flagged, survey=survey, open_only=not all_, blind=not open_, seed=seed
    )
    if tls and not lan:
        where, found = "--tls", "without --lan nothing leaves this machine"
        raise CountingError(where, found, mend="add --lan, or leave --tls out")
    _propose_first(trial)
    place, devices, secured = Place("127.0.0.1", port), None, None
    if lan:
        devices = devices_of(trial)
        place = Place(local_address(), port, devices.token, tls)
        secured = certificate(trial.directory / OWN_FOLDER, place.host) if tls else None
        say("Whoever knows this address and is on this network can answer. Scan it with a phone:")
        show_code(address(place))
        if secured is None:
            say(
                "Whoever is on this network can read along: photos, names, answers. On a network "
                "that others use too, add --tls."
            )
        else:
            say(
                "The phone will warn that the connection is not private, since no authority "
                "vouches for this machine. Look at the certificate there: its SHA-256 fingerprint "
                f"must be\n{secured.fingerprint}\nThen go on (often under Advanced)."
            )
    tell(address(place))
    say("Ctrl C ends it; nothing is lost.")
    told = serve(trial, place, options, devices=devices, secured=secured)
    if told:
        say(told)


@app.command("agree")
def agree_(
    directory: TrialDir,
    reviewer: Annotated[
        list[str] | None, typer.Option(help="Compare these; give it once for each. All if none.")
    ] = None,
    by: Annotated[
        int, typer.Option(min=1, help="Fruit from which a photo counts as differing.")
    ] = 1,
    sheet_: Annotated[
        bool, typer.Option("--sheet/--no-sheet", help="Make a sheet of the photos that differ.")
    ] = True,
    json_file: JsonFile = None,
    replace: Replace = False,
) -> None:
    """Compare reviewers with each other and with the proposals. Where two differ, a third look.

    Example: counting agree my_trial
    """
    from counting.review.agree import agree, third_look

    trial = load_trial(directory)
    agreement = agree(trial, reviewer or (), by=by)
    to_stdout = str(json_file) == "-"
    for pair in agreement.pairs:
        if not to_stdout:
            tell(pair.sentence)
    made = third_look(trial, agreement, replace=replace) if sheet_ else None
    if made is not None:
        say(f"{made.photos} photos differ; a sheet for a third look:")
        if not to_stdout:
            tell(made.path)
    if not agreement.pairs:
        say("Nothing to compare yet: no photo is confirmed. Take some in: counting confirm.")
    result = agreement.to_json()
    result["sheet"] = None if made is None else str(made.path)
    write_json(json_file, result, replace=replace)


def show_code(text: str) -> None:
    """Draw a QR code in the terminal."""
    import sys

    import qrcode

    code = qrcode.QRCode(border=2)
    code.add_data(text)
    code.print_ascii(out=sys.stderr, invert=True)
