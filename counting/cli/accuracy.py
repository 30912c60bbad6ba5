"""Commands of the accuracy room."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from counting.cli.base import Quick, Replace, app, refused, say

if TYPE_CHECKING:
    from counting.accuracy.learnt import Learnt
    from counting.accuracy.score import Accuracy


@app.command("accuracy")
def measure_accuracy(
    photos: Annotated[Path, typer.Option(metavar="DIR", help="Folder of the labelled photos.")],
    labels: Annotated[
        Path,
        typer.Option(
            metavar="FILE",
            help="COCO file, folder of Pascal VOC or YOLO files, or a folder of several sources,"
            " each with its labels.json or such files in a folder of its own.",
        ),
    ],
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Write accuracy.json and accuracy.html here.")
    ] = Path("accuracy"),
    stages: Annotated[
        str, typer.Option(metavar="NAMES", help="Stages that propose, with commas between.")
    ] = "colour,blobs,scorer",
    quick: Quick = False,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes at work; one per core where not given.")
    ] = None,
    learn_from: Annotated[
        int | None,
        typer.Option(
            min=1,
            metavar="K",
            help="Learn from K of the photos, as if reviewed, and measure on the others too.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Draws the K photos.")] = 0,
    thorough: Annotated[
        bool,
        typer.Option(
            "--thorough",
            help="With --learn-from: move the network's own layers too (needs the extra train).",
        ),
    ] = False,
    replace: Replace = False,
) -> None:
    """Hold the candidates against labelled photos. People marked the fruit in them.

    With --learn-from the figures of a lesson stand beside them, on the photos that did not teach.
    Where the photos come from several sources, a folder each, every source has figures of its own.

    Example: counting accuracy --photos photos --labels labels.json --out accuracy
    """
    from counting.accuracy.labels import read_labels
    from counting.accuracy.learnt import Drawn, learnt_from
    from counting.accuracy.measure import measure
    from counting.accuracy.page import accuracy_page
    from counting.accuracy.score import calibration, score
    from counting.accuracy.sources import by_source
    from counting.cli.base import tuner, write_json
    from counting.cli.progress import photo_progress
    from counting.errors import CountingError
    from counting.files import write_text
    from counting.settings import Settings

    if thorough and learn_from is None:
        where, mend = "--thorough", "name them: --learn-from 10"
        raise CountingError(where, "no photos to learn from", mend=mend)
    settings = Settings.with_stages(stages, quick=quick)
    targets = [out / "accuracy.json", out / "accuracy.html"]
    for target in targets:
        if target.exists() and not replace:
            raise CountingError(target, "exists already", mend="pass --replace to write over it")
    labelled = read_labels(photos, labels)
    with photo_progress("Finding") as progress:
        marked, left_out = measure(
            labelled, settings, workers=workers, progress=progress, keep=learn_from is not None
        )
    if marked:
        figures = score(marked, settings.threshold)
        sources = by_source(marked, settings.threshold, photos.resolve().name)
        told = figures.to_json() | {"by_source": sources}
        learnt = None
        if learn_from is not None:
            with photo_progress("Finding with the lesson") as progress:
                learnt = learnt_from(
                    labelled,
                    marked,
                    settings,
                    Drawn(learn_from, seed),
                    workers=workers,
                    progress=progress,
                    tune=tuner() if thorough else None,
                )
            told["learnt"] = learnt.to_json()
        write_json(targets[0], told, replace=replace)
        page = accuracy_page(figures, marked, labelled, settings, learnt, sources)
        write_text(targets[1], page, replace=replace)
        _show(figures, calibration(marked)[1])
        if len(sources) > 1:
            _show_sources(sources)
        if learnt is not None:
            _show_learnt(learnt)
        say(f"Written: {targets[0]} and {targets[1]}")
    refused(left_out, done=len(marked))


def _show_sources(sources: Mapping[str, Mapping[str, Any]]) -> None:
    """Print a line of figures for each source."""
    from rich.console import Console
    from rich.table import Table

    def text(value: float | None, form: str = ".2f") -> str:
        return "-" if value is None else f"{value:{form}}"

    table = Table(box=None, pad_edge=False, collapse_padding=True)
    table.add_column("source", overflow="fold")
    words = ("photos", "fruit", "AP50", "F1", "centre", "off", "R2", "total", "holds", "flagged")
    for word in words:
        table.add_column(word, justify="right")
    for name, told in sources.items():
        table.add_row(
            name,
            str(told["photos"]),
            str(told["labelled"]),
            *(text(told[figure]) for figure in ("ap50", "f1", "f1_centre")),
            *(text(told[figure]) for figure in ("count_mae", "count_r2")),
            text(told["total_bias"], "+.0%"),
            text(told["interval_coverage"], ".0%"),
            text(told["flagged"]["error_share"], ".0%"),
        )
    Console(highlight=False, markup=False).print(table)
    say(
        "centre: F1 by centre; off: mean absolute error of a photo's count; total: proposed over"
        " labelled, less 1; holds: counts inside the 90 % interval; flagged: count error that lies"
        " in the flagged photos."
    )


def _show_learnt(learnt: Learnt) -> None:
    """Print what a lesson brings, on the photos that it was not learnt from."""
    from rich.console import Console
    from rich.table import Table

    if learnt.caution:
        say(learnt.caution)
    if learnt.figures is None:
        return
    photos = learnt.figures.photos
    table = Table(box=None, pad_edge=False)
    table.add_column(f"on the other {photos} photos")
    table.add_column("as shipped", justify="right")
    table.add_column("with the lesson", justify="right")
    for word, *values in learnt.rows:
        table.add_row(word, *("not known" if v is None else f"{v:.3f}" for v in values))
    Console(highlight=False, markup=False).print(table)


def _show(figures: Accuracy, calibration_error: float | None) -> None:
    """Print the figures as a table."""
    from rich.console import Console
    from rich.table import Table

    def text(value: float | None, decimals: int = 2) -> str:
        return "not known" if value is None else f"{value:.{decimals}f}"

    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column("figure")
    table.add_column("value", justify="right")
    rows = {
        "photos": str(figures.photos),
        "fruit labelled": str(figures.labelled),
        f"fruit proposed (confidence {figures.threshold:.2f} and more)": str(figures.proposed),
        "precision, overlap 0.5": text(figures.precision),
        "recall, overlap 0.5": text(figures.recall),
        "F1, overlap 0.5": text(figures.f1),
        "precision, centre": text(figures.precision_centre),
        "recall, centre": text(figures.recall_centre),
        "F1, centre": text(figures.f1_centre),
        "average precision (AP50)": text(figures.ap50, 3),
        "count: mean absolute error a photo": text(figures.count_mae),
        "count: bias": text(figures.count_bias),
        "count: R2": text(figures.count_r2),
        "corrections per 100 fruit": text(figures.corrections_per_100, 1),
        "counts inside the 90 % interval": text(figures.interval_coverage),
        "total proposed over labelled, less 1": text(figures.total_bias),
        "photos flagged": text(figures.flagged["share"]),
        "count error in flagged photos": text(figures.flagged["error_share"]),
        "expected calibration error": text(calibration_error, 3),
        "seconds a photo": text(figures.seconds_per_photo),
    }
    for name, row in figures.by_class.items():
        rows[f"recall, {name} ({row['labelled']} labelled)"] = text(row["recall"])
    for name, row in figures.by_size.items():
        to = f"{row['from_px']:.0f} to {row['to_px']:.0f}" if row["to_px"] else "96 and more"
        rows[f"recall, {name} ({to} px, {row['labelled']} labelled)"] = text(row["recall"])
    for name, value in rows.items():
        table.add_row(name, value)
    Console(highlight=False, markup=False).print(table)
