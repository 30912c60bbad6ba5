"""The command that opens the other door: the pages of the whole job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from counting.cli.base import Replace, TrialDir, app, date_option, say, tell
from counting.files import write_text

if TYPE_CHECKING:
    from counting.desk.desk import Desk


@app.command("open")
def open_command(
    directory: Annotated[
        Path | None,
        typer.Argument(metavar="[DIR]", help="A trial, or a folder of trials; ~/Trials if none."),
    ] = None,
    lan: Annotated[bool, typer.Option("--lan", help="Let phones on this network in.")] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="The port; 0: any.")] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the link and wait.")
    ] = False,
) -> None:
    """Open the desk: the whole job in the browser, from the plan to the answer.

    Example: counting open my_trial
    """
    from counting.desk.serve import door, open_desk

    where = door("127.0.0.1", 0 if lan else port)

    def ready(desk: Desk) -> None:
        if desk.phones:
            from counting.cli.review import show_code

            link = desk.phones.link("")
            say("Who knows this link and is on this network can walk and check photos. Scan it:")
            show_code(link)
            say(f"On this machine: {where.address}")
            tell(link)
        else:
            tell(where.address)
        say("The desk is open. Ctrl C ends it; nothing is lost.")

    lan_port = port if lan else None
    open_desk(directory, where, browser=not no_browser, ready=ready, lan=lan_port)


@app.command("walk")
def walk_command(
    directory: TrialDir,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The page; DIR/walk.html if not given.")
    ] = None,
    survey: Annotated[
        str, typer.Option(metavar="DATE", parser=date_option, help="Day of the walk.")
    ] = "",
    measures: Annotated[
        str, typer.Option(metavar="NAMES", help="What is recorded, with commas between.")
    ] = "trusses,height,flowers",
    by_truss: Annotated[
        bool, typer.Option("--by-truss", help="Tally the fruit truss by truss.")
    ] = False,
    replace: Replace = False,
) -> None:
    """Write the walk page as one file: plant by plant, tallies by thumb, for a phone offline.

    What was tapped leaves the phone as a table; take it in with counting tally.

    Example: counting walk my_trial --survey 2026-07-06 --out walk.html
    """
    from datetime import date

    from counting.desk.walk_page import OFFERED, walk_document
    from counting.plan.trial import load_trial

    names = tuple(name.strip().replace(" ", "_") for name in measures.split(",") if name.strip())
    unknown = sorted(set(names) - set(OFFERED))
    if unknown:
        message = f"{', '.join(unknown)} not known; any of {', '.join(OFFERED)}"
        raise typer.BadParameter(message, param_hint="--measures")
    text, _ = walk_document(
        load_trial(directory),
        survey or date.today().isoformat(),
        measures=names,
        by_truss=by_truss,
    )
    target = out or directory / "walk.html"
    write_text(target, text, replace=replace)
    say(f"Send this file to the phone and open it in its browser: {target}")
    say(f"It hands out a table: counting tally {directory} walk-DATE.csv")
