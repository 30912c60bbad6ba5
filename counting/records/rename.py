"""A plant that gets another code: the plan changes, and every fact about it goes along."""

from __future__ import annotations

from dataclasses import dataclass, replace

from counting import __version__
from counting.errors import PlanError
from counting.files import write_text
from counting.ledger import Told
from counting.ledger.facts import RENAMED, Exclusion, Tally, events, left_out, photos, tallies
from counting.plan.plants_file import plants_text
from counting.plan.start import record_plan
from counting.plan.trial import PLANTS_NAME, Trial, load_trial
from counting.text import plain_name

__all__ = ["Renamed", "rename"]


@dataclass(frozen=True, slots=True)
class Renamed:
    """What went along.

    Attributes
    ----------
    photos, tallies, events, left_out : int
    in_plan : bool
        Whether ``plants.csv`` was changed; False where it had the new code already.
    """

    photos: int
    tallies: int
    events: int
    left_out: int
    in_plan: bool


def rename(trial: Trial, old: str, new: str, *, by: str) -> Renamed:
    """Give a plant another code; the ledger keeps what stood under the old one.

    Parameters
    ----------
    trial : Trial
        Read without the check that the ledger's plants are in the plan.
    old, new : str
    by : str

    Raises
    ------
    PlanError
        If the new code stands for another plant already, or the old one for none, or if it holds
        a control character.
    """
    try:
        new, by = plain_name(new, "the new code"), plain_name(by, "--by")
    except ValueError as error:
        raise PlanError(PLANTS_NAME, str(error)) from error
    codes = set(trial.plants["code"])
    with trial.ledger() as ledger:
        of_old = [photo for photo in photos(ledger).values() if photo.plant == old]
        tallied = [tally for tally in tallies(ledger) if tally.plant == old]
        told_of_new = any(photo.plant == new for photo in photos(ledger).values()) or any(
            tally.plant == new and tally.value is not None for tally in tallies(ledger)
        )
        happened = [event for event in events(ledger) if event.scope == old]
        out = [each for each in left_out(ledger).exclusions if each.plant == old]
        known = bool(of_old or tallied or happened or out)
        if old in codes and new in codes:
            found = f"both {old} and {new} are there"
            raise PlanError(PLANTS_NAME, found, mend="take a code that no plant has")
        if (old not in codes and not known) or (old not in codes and new not in codes):
            raise PlanError(PLANTS_NAME, f"no plant {old!r}, and none {new!r}", "the old code")
        if told_of_new:
            found = f"{new} has photos or tallies of its own"
            raise PlanError(PLANTS_NAME, found, mend="take a code that no plant had before")
        if old in codes:
            _in_plan(trial, old, new)
        facts: list[Told] = [replace(photo, plant=new) for photo in of_old]
        # of two counters' values the newer one stands under the new code as well
        facts += [replace(tally, plant=new, at=tally.at or tally.told_at) for tally in tallied]
        facts += [_gone(tally, new) for tally in tallied]
        facts += [replace(event, scope=new) for event in happened]
        facts += [replace(each, lifted=True) for each in out]
        facts += [Exclusion(plant=new, survey=each.survey, reason=each.reason) for each in out]
        ledger.add(facts, by=by or f"counting {__version__}")
    record_plan(trial.directory, why=f"plant {old} is {new} now", by=by)
    return Renamed(len(of_old), len(tallied), len(happened), len(out), old in codes)


def _gone(tally: Tally, new: str) -> Tally:
    """Return what stands under the old code from now on."""
    return replace(tally, value=None, note=f"{RENAMED} {new}")


def _in_plan(trial: Trial, old: str, new: str) -> None:
    """Change the code in ``plants.csv``, and put it back where the new one cannot be."""
    path = trial.directory / PLANTS_NAME
    before = path.read_text(encoding="utf-8-sig")
    plants = trial.plants.assign(code=trial.plants["code"].replace({old: new}))
    write_text(path, plants_text(plants), replace=True)
    try:
        load_trial(trial.directory, check=False)
    except PlanError:
        write_text(path, before, replace=True)
        raise
