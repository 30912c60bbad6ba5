"""The beds as the pages show them: rows, plots and plants, each with how far it is counted."""

from __future__ import annotations

from dataclasses import dataclass

from counting.ledger.facts import CANNOT_TELL, RETAKE, Judged, standing_answers
from counting.plan.map import placed
from counting.plan.trial import Trial

__all__ = ["Bed", "Plant", "Plot", "beds"]


@dataclass(frozen=True, slots=True)
class Plant:
    """One plant on the page.

    Attributes
    ----------
    code, label : str
        Its code, and the part of it that tells it apart within its plot.
    guard : bool
    state : str
        ``""`` no photo, ``"open"`` photos to check, ``"has"`` counted, ``"again"`` to photograph
        again; of the last survey.
    """

    code: str
    label: str
    guard: bool
    state: str


@dataclass(frozen=True, slots=True)
class Plot:
    """The plants of one plot, in walking order."""

    name: str
    plants: tuple[Plant, ...]


@dataclass(frozen=True, slots=True)
class Bed:
    """One row with its plots."""

    name: str
    plots: tuple[Plot, ...]


def beds(trial: Trial) -> list[Bed]:
    """Return the beds of a trial in walking order."""
    with trial.ledger() as ledger:
        judged = standing_answers(ledger)
    survey = max((each.photo.survey for each in judged), default="")
    by_plant: dict[str, list[Judged]] = {}
    for each in judged:
        if each.photo.survey == survey:
            by_plant.setdefault(each.photo.plant, []).append(each)
    table = placed(trial.plants)
    found = []
    for row, members in table.groupby("row", sort=False):
        plots = []
        for plot, plants in members.groupby("plot", sort=False):
            shown = tuple(
                Plant(
                    str(code),
                    str(code).removeprefix(f"{plot}-"),
                    bool(guard),
                    _state(by_plant.get(str(code), [])),
                )
                for code, guard in zip(plants["code"], plants["guard"], strict=True)
            )
            plots.append(Plot(str(plot), shown))
        names = [str(block) for block in dict.fromkeys(members["block"]) if block]
        found.append(Bed(" / ".join(names) or f"row {row}", tuple(plots)))
    return found


def _state(judged: list[Judged]) -> str:
    if not judged:
        return ""
    said = {each.word for each in judged}
    if said & {RETAKE, CANNOT_TELL}:
        return "again"
    return "open" if "" in said else "has"
