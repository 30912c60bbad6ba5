"""A new trial's folder: the plan, the plants, two maps and a ledger with its first entry."""

from __future__ import annotations

from pathlib import Path

from counting import __version__
from counting.errors import PlanError
from counting.files import sha256_bytes, write_bytes
from counting.ledger import LEDGER_NAME, Ledger
from counting.ledger.facts import PlanRecord
from counting.plan.layout import draw
from counting.plan.map import map_picture
from counting.plan.plants_file import plants_text
from counting.plan.trial import PLAN_NAME, PLANTS_NAME, Plan, Trial, load_trial, plan_text

__all__ = ["BLIND_MAP_NAME", "MAP_NAME", "record_plan", "refuse_to_spoil", "start_trial"]

MAP_NAME = "map.svg"
BLIND_MAP_NAME = "map-blind.svg"


def start_trial(directory: Path, plan: Plan, *, replace: bool = False) -> Trial:
    """Draw lots for a plan and lay the trial's folder out.

    Parameters
    ----------
    directory : Path
        The folder to make; it may exist, but hold no trial unless `replace` is true.
    plan : Plan
        The plan, with the seed for the lots.
    replace : bool
        Write over a plan that stands there. A trial in which anything was recorded is never
        drawn again: its counts would lose their meaning.

    Returns
    -------
    Trial
        As read back from the folder.

    Raises
    ------
    PlanError
        If the plan cannot be laid out or the folder holds a trial that must stand; nothing is
        written then.
    """
    plants = draw(plan)
    refuse_to_spoil(directory, replace=replace)
    trial = Trial(directory, plan, plants)
    files = {
        PLAN_NAME: plan_text(plan).encode("utf-8"),
        PLANTS_NAME: plants_text(plants).encode("utf-8"),
        MAP_NAME: map_picture(trial, form="svg"),
        BLIND_MAP_NAME: map_picture(trial, form="svg", blind=True),
    }
    # the plan last: a folder without it is no trial, so a broken start can be run again
    for name in (PLANTS_NAME, MAP_NAME, BLIND_MAP_NAME, PLAN_NAME):
        write_bytes(directory / name, files[name], replace=replace or name != PLAN_NAME)
    return record_plan(directory)


def record_plan(directory: Path, *, why: str = "", by: str = "") -> Trial:
    """Write the plan and the plants, as they lie in a trial's folder, into its ledger.

    Parameters
    ----------
    directory : Path
    why : str
        What was changed since the beginning, and why.
    by : str
        Who says so.

    Raises
    ------
    PlanError
        If they contradict themselves; nothing is recorded then.
    """
    trial = load_trial(directory)
    texts = {name: (directory / name).read_bytes() for name in (PLAN_NAME, PLANTS_NAME)}
    record = PlanRecord(
        plan=texts[PLAN_NAME].decode("utf-8"),
        plants=texts[PLANTS_NAME].decode("utf-8"),
        hashes={name: sha256_bytes(text) for name, text in texts.items()},
        why=why,
    )
    with Ledger(directory, create=True) as ledger:
        ledger.add([record], by=by or f"counting {__version__}")
    return trial


def refuse_to_spoil(directory: Path, *, replace: bool) -> None:
    """Refuse to write over a plan without leave, or over one by which anything was recorded.

    Raises
    ------
    PlanError
        If so.
    """
    for name in (PLAN_NAME, PLANTS_NAME):
        if (directory / name).exists() and not replace:
            mend = "take another folder, or pass --replace to draw the lots again"
            raise PlanError(directory / name, "exists already", mend=mend)
    if not (directory / LEDGER_NAME).exists():
        return
    with Ledger(directory) as ledger:
        recorded = sum(entry.kind != "trial" for entry in ledger.entries())
    if recorded:
        raise PlanError(
            directory / LEDGER_NAME,
            f"holds {recorded} entries recorded under the plan that stands",
            mend="start the new trial in another folder",
        )
