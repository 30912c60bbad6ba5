"""What every command shares: the app, its exit codes, where text and JSON go."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console

from counting import __version__
from counting.errors import CountingError, Refusal
from counting.files import write_text
from counting.text import few, one_line, shown
from counting.typed import day, length_mm
from counting.typed import share as read_share

if TYPE_CHECKING:
    from counting.finding.lesson.thorough import Tune

__all__ = [
    "Exit",
    "JsonFile",
    "Quick",
    "Replace",
    "TrialDir",
    "Workers",
    "app",
    "date_option",
    "few",
    "length_option",
    "refused",
    "run",
    "say",
    "tell",
    "share",
    "tuner",
    "typed",
    "write_json",
]

app = typer.Typer(
    name="counting",
    help="Count fruit and trusses from photos, confirm the counts, compare the groups.",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
)

messages = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)
"""Messages and progress go to stderr, so that results on stdout can be piped."""

TrialDir = Annotated[Path, typer.Argument(metavar="DIR", help="The trial's folder.")]
JsonFile = Annotated[
    Path | None,
    typer.Option("--json", metavar="FILE", help="Write the result as JSON (- for stdout)."),
]
Workers = Annotated[
    int | None, typer.Option(min=1, help="Processes at work; one per core where not given.")
]
Quick = Annotated[
    bool, typer.Option("--quick", help="Look at each photo once, never closer: faster, less exact.")
]
Replace = Annotated[bool, typer.Option("--replace", help="Write over a file that exists.")]


class Exit(IntEnum):
    """What the exit code says."""

    DONE = 0
    SOME_REFUSED = 1
    NOTHING_DONE = 2


def say(text: str) -> None:
    """Tell the person something, on stderr."""
    messages.print(shown(text))


def tell(text: object = "") -> None:
    """Write a line of the result to stdout; letters that a terminal obeys are written out."""
    typer.echo(shown(str(text)))


def refused(refusals: Sequence[Refusal], *, done: int) -> None:
    """List what was left out and leave with the exit code that says so; return if nothing was.

    Parameters
    ----------
    refusals : sequence of Refusal
        What was left out.
    done : int
        How many items were done all the same.
    """
    if not refusals:
        return
    say(f"Left out {len(refusals)}:")
    for refusal in refusals:
        say(f"  {one_line(refusal.item)}: {one_line(refusal.reason)}")
    raise typer.Exit(Exit.SOME_REFUSED if done else Exit.NOTHING_DONE)


def share(text: object) -> float:
    """Read an option that is a share: "25%", "25 %" and 0.25 alike; a bare 25 is asked about."""
    try:
        return read_share(str(text))
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error


def typed(question: str, usual: str) -> str:
    """Put one question at the keyboard; return what was typed, or the usual answer."""
    answer: str = typer.prompt(question, default=usual, show_default=bool(usual), err=True)
    return answer.strip()


def length_option(text: object) -> float:
    """Read an option that is a length in mm: 10, "10 mm" and "1 cm" alike."""
    try:
        return length_mm(str(text))
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error


def date_option(text: object) -> str:
    """Read an option that is a date, in any way of writing that has one reading only."""
    if text == "":  # not given: the default is read like a given one
        return ""
    try:
        return day(str(text)).isoformat()
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error


def tuner() -> Tune:
    """Return what moves the network's layers.

    Raises
    ------
    CountingError
        If the libraries that it takes are not installed.
    """
    try:
        from counting.training.own import tune
    except ImportError as error:
        where, found = "--thorough", f"the library {error.name} is not installed"
        mend = "install counting with the extra train (README says how), or learn without it"
        raise CountingError(where, found, mend=mend) from error
    return tune


def write_json(target: Path | None, value: Any, *, replace: bool = False) -> None:
    """Write a result as JSON to a file, or to stdout for ``-``; do nothing for None."""
    if target is None:
        return
    text = json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    text = shown(text)  # the same JSON, without what a terminal obeys
    if str(target) == "-":
        sys.stdout.write(text)
    else:
        write_text(target, text, replace=replace)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(__version__)
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _common(
    context: typer.Context,
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Count fruit and trusses from photos, confirm the counts, compare the groups."""
    if context.invoked_subcommand is None:
        _nothing_asked(context)


def _nothing_asked(context: typer.Context) -> None:
    """Open the desk where a person sits at a screen; a script is shown the commands."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        typer.echo(context.get_help())
        raise typer.Exit(Exit.NOTHING_DONE)
    from counting.cli.desk import open_command

    open_command()


def run() -> None:
    """Run the app; an error a person can mend is one line on stderr and exit code 2."""
    try:
        app()
    except CountingError as error:
        say(f"counting: {error}")
        sys.exit(Exit.NOTHING_DONE)
