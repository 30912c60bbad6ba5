"""The command that opens the other door: the pages of the whole job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from counting.cli.base import app, say


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

    host = "127.0.0.1"
    if lan:
        from counting.review.live import local_address

        host = local_address()
    where = door(host, port)
    if lan:
        from counting.cli.review import show_code

        say("Whoever knows this link and is on this network can work on these trials. Scan it:")
        show_code(where.address)
    say("The desk is open. Ctrl C ends it; nothing is lost.")
    open_desk(directory, where, browser=not no_browser, ready=lambda link: typer.echo(link))
