"""The demo: all of it on a copy of the demo trial."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from counting.cli.base import Replace, app, say, tell

__all__ = ["demo"]


@app.command("demo")
def demo(
    directory: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to make it.")] = Path(
        "demo_trial"
    ),
    replace: Replace = False,
) -> None:
    """Run the whole job, photos to report, on an invented trial.

    Example: counting demo demo_trial
    """
    from counting.demo import run_demo

    made = run_demo(directory, replace=replace, tell=say)
    tell(f"\n{made.sentence}\n")
    tell(f"Contact sheet: {made.sheet}")
    tell(f"Report:        {made.report}")
    tell("\nNext, to see how it works:")
    tell("  1. Open the contact sheet in a browser and correct a photo; at the end press Save.")
    tell(f"  2. Take it in: counting confirm {directory}")
    tell(
        f"  3. See what changed: counting report {directory} --replace; counting audit {directory}"
    )
    tell(f"\nThe same in the browser: counting open {directory}")
