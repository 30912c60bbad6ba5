"""The scripted person (`person`) on a sheet of labelled photos, kept photo by photo.

    python tests/sheet_taps.py SET FOLDER [--photos 24] [--jitter 2] [--empty] [--several]
        [--seed 3]

SET names labelled photos in ../shared/labelled-photos; FOLDER keeps the trial and one line for
each photo done, so that a run that was cut off goes on. With ``--empty`` nothing is proposed. With
``--several`` the person confirms likely photos on one screen wherever the sheet offers it. A seed
gives the photos another order.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path
from typing import Any

from browser import PHONE, chromium, page_on
from person import Box, Person, Work
from test_scripted_reviewer import sheet_of
from test_sheet import data_of

from counting.plan.trial import load_trial
from counting.review.sheet import SheetOptions, make_sheet

LONG_MS = 60_000
"""A busy machine is slow; the person's own clock does not run meanwhile."""


def made(folder: Path, name: str, photos: int, *, empty: bool) -> tuple[Path, dict[str, list[Box]]]:
    """Make the sheet, or take the one made before."""
    kept = folder / "sheet.json"
    if not kept.exists():
        folder.mkdir(parents=True, exist_ok=True)
        sheet, truth = sheet_of(folder, name, photos, empty=empty)
        kept.write_text(json.dumps([str(sheet), truth]), encoding="utf-8")
    sheet, truth = json.loads(kept.read_text(encoding="utf-8"))
    return Path(sheet), {photo: [tuple(box) for box in boxes] for photo, boxes in truth.items()}


def one_by_one(person: Person, sheet: Path, truth: dict[str, list[Box]], out: Path) -> None:
    """Correct every photo that is not yet in `out`."""
    page = person.page
    done = {each["photo"] for each in read(out)}
    for number, photo in enumerate(data_of(sheet)["photos"]):
        if photo["photo"] in done:
            continue
        if int(page.inner_text("#number")) != number + 1:
            page.click("#back")
            page.click(f".frame[data-index='{number}']")
        write(out, photo["photo"], person.correct(photo, truth[photo["photo"]]))


def with_several(person: Person, sheet: Path, truth: dict[str, list[Box]], out: Path) -> None:
    """Work from Next to Next, and on the screen of several where it is offered."""
    page = person.page
    photos = data_of(sheet)["photos"]
    while not page.locator("#menu[open]").count():
        if page.is_visible("#photo"):
            if page.is_visible("#several"):
                write(out, "", pressed(person, "#several"))
                continue
            photo = photos[int(page.inner_text("#number")) - 1]
            write(out, photo["photo"], person.correct(photo, truth[photo["photo"]]))
        elif page.is_visible("#together"):
            for photo, work in person.together(photos, truth):
                write(out, photo, work)
        elif page.is_visible("#begin"):
            write(out, "", pressed(person, "#begin"))
        else:
            break
        person.settle()


def pressed(person: Person, button: str) -> Work:
    """Press a button on the way, and return what that took."""
    person.work = Work(looks=0)
    person.tap_button(button)
    return person.work


def write(out: Path, photo: str, work: Work) -> None:
    line = {"photo": photo, **dataclasses.asdict(work), "seconds": work.seconds}
    with out.open("a", encoding="utf-8") as stream:
        stream.write(json.dumps(line) + "\n")


def read(out: Path) -> list[dict[str, Any]]:
    return (
        [json.loads(line) for line in out.read_text("utf-8").splitlines()] if out.exists() else []
    )


def main() -> None:
    """Let the person work, and print what a photo took on average."""
    ask = argparse.ArgumentParser()
    ask.add_argument("set")
    ask.add_argument("folder", type=Path)
    ask.add_argument("--photos", type=int, default=24)
    ask.add_argument("--jitter", type=float, default=0.0)
    ask.add_argument("--empty", action="store_true")
    ask.add_argument("--several", action="store_true")
    ask.add_argument("--seed", type=int)
    asked = ask.parse_args()
    sheet, truth = made(asked.folder, asked.set, asked.photos, empty=asked.empty)
    kind = f"jitter {asked.jitter:g}{' several' if asked.several else ''}"
    if asked.seed is not None:
        trial = load_trial(asked.folder / "trial")
        sheet = make_sheet(trial, SheetOptions(seed=asked.seed, replace=True))
        kind += f" seed {asked.seed}"
    out = asked.folder / f"{kind}.jsonl"
    with chromium() as browser, page_on(browser, sheet, PHONE) as page:
        page.set_default_timeout(LONG_MS)
        person = Person(page, asked.jitter)
        if asked.several:
            out.unlink(missing_ok=True)
            with_several(person, sheet, truth, out)
        else:
            one_by_one(person, sheet, truth, out)
    rows = read(out)
    photos = len({row["photo"] for row in rows} - {""})
    fruit = sum(row["labelled"] for row in rows)
    wrong = sum(abs(row["counted"] - row["labelled"]) for row in rows)
    means = {
        name: round(sum(row[name] for row in rows) / photos, 2)
        for name in ("taps", "zooms", "misses", "seconds")
    }
    share = f"{100 * wrong / fruit:.1f} of 100 wrong"
    print(f"{asked.set} {out.stem}: {photos} photos, {fruit} fruit, {share}, {means}")  # noqa: T201


if __name__ == "__main__":
    main()
