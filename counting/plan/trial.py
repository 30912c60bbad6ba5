"""A trial as it lies on disk: the plan in ``trial.toml``, the plants in ``plants.csv``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

import pandas as pd
import tomli_w
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from counting.errors import LedgerError, PlanError
from counting.faults import faults_in_words
from counting.files import read_text
from counting.ledger import LEDGER_NAME, Ledger
from counting.ledger.facts import facts_by_plant, left_out, photos, tallies
from counting.plan.plants_file import read_plants
from counting.text import plain_name
from counting.typed import share

__all__ = [
    "PLAN_NAME",
    "PLANTS_NAME",
    "Group",
    "Layout",
    "Plan",
    "Rule",
    "Trial",
    "load_trial",
    "make_plan",
    "plan_text",
    "read_plan",
    "share_entry",
]

PLAN_NAME = "trial.toml"
PLANTS_NAME = "plants.csv"


def _plain_name(value: object) -> object:
    return plain_name(value) if isinstance(value, str) else value


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


Name = Annotated[str, BeforeValidator(_plain_name)]
"""A name as it is compared: composed, invisible letters out."""


class Group(_Strict):
    """One of the groups compared."""

    name: Name = Field(min_length=1, max_length=80)
    treatment: Name = Field(default="", max_length=500)
    dose: float | None = Field(default=None, ge=0)


class Rule(_Strict):
    """Which fruit count."""

    smallest_fruit_mm: float = Field(default=10.0, gt=0, le=200)
    count_damaged: bool = True
    count_fallen: bool = False
    add_picked: bool = True


class Layout(_Strict):
    """How the beds are divided; ``spacing_mm`` is from stem to stem in the row, where known."""

    blocks: int = Field(default=1, ge=1, le=1000)
    plots_per_group: int = Field(default=1, ge=1, le=1000)
    plants_per_plot: int = Field(default=1, ge=1, le=1000)
    guards_per_plot: int = Field(default=0, ge=0, le=100)
    spacing_mm: float | None = Field(default=None, ge=50, le=5000)


class Plan(_Strict):
    """The content of ``trial.toml``.

    ``allotted_to`` is the smallest thing to which the treatment was independently given;
    ``smallest_difference`` is the difference worth having, as a share of the control's mean (text
    such as "150%" is understood, a bare 25 is asked about);
    ``year`` is the season, as on the tags; ``first_treatment`` and ``surveys`` are dates, the
    surveys in the order they are to come; ``before`` is the survey before the treatment whose
    counts (or whose ``before_measure``) the comparison allows for; before the ``deciding_survey``
    no verdict is given.
    """

    version: Literal[1] = 1
    id: str = Field(min_length=8, max_length=64, pattern=r"^[0-9a-z-]+$")
    title: str = Field(min_length=1, max_length=200)
    crop: str = "tomato"
    control: str
    allotted_to: Literal["plant", "plot", "block"] = "plot"
    main_measure: str = Field(default="fruit", min_length=1, max_length=80)
    smallest_difference: float = Field(default=0.2, gt=0, le=100)
    seed: int = Field(default=0, ge=0, lt=2**63)
    year: int | None = Field(default=None, ge=2000, le=2200)
    first_treatment: date | None = None
    before: date | None = None
    before_measure: str | None = Field(default=None, min_length=1, max_length=80)
    deciding_survey: date | None = None
    surveys: tuple[date, ...] = ()
    groups: tuple[Group, ...] = Field(min_length=2)
    rule: Rule = Rule()
    layout: Layout = Layout()

    @field_validator("smallest_difference", mode="before")
    @classmethod
    def _a_share(cls, value: object) -> object:
        if isinstance(value, str):
            return round(share(value), 6)
        if not isinstance(value, bool) and isinstance(value, (int, float)) and 1 < value < 1e6:
            return share(f"{value:g}")
        return value

    @property
    def year_of_tags(self) -> int | None:
        """The year that stands on the trial's tags; None where nothing tells it."""
        days = [day for day in (self.first_treatment, *self.surveys[:1]) if day]
        return self.year or (min(days).year if days else None)

    @model_validator(mode="after")
    def _groups_agree(self) -> Plan:
        names = [group.name for group in self.groups]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            message = f"two groups are called {', '.join(map(repr, twice))}; give each its own name"
            raise ValueError(message)
        if self.control not in names:
            message = f"control {self.control!r} is none of the groups {', '.join(sorted(names))}"
            raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _dates_in_order(self) -> Plan:
        for before, after in zip(self.surveys, self.surveys[1:], strict=False):
            if after <= before:
                message = f"survey {after} stands after {before}; list the dates in their order"
                raise ValueError(message)
        return self


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial's folder, its plan and its plants.

    Attributes
    ----------
    directory : Path
        The folder.
    plan : Plan
        The content of ``trial.toml``.
    plants : DataFrame
        One row per plant, columns `counting.tables.PLANTS`.
    """

    directory: Path
    plan: Plan
    plants: pd.DataFrame

    @property
    def counted(self) -> pd.DataFrame:
        """The plants that are counted: all but the guards."""
        return self.plants[~self.plants["guard"].fillna(value=False).astype(bool)]

    def ledger(self) -> Ledger:
        """Open the trial's ledger; where there is none yet, the first entry makes it."""
        return Ledger(self.directory, create=True)


def load_trial(directory: Path, *, check: bool = True) -> Trial:
    """Read a trial's plan and plants and hold them against each other.

    Parameters
    ----------
    directory : Path
    check : bool
        Refuse a plan that lacks a plant of which the ledger holds photos or tallies: they would
        be lost without a word.

    Raises
    ------
    PlanError
        If a file is missing, unreadable or contradicts itself.
    """
    if not (directory / PLAN_NAME).is_file():
        mend = f"make a trial first: counting start {directory}"
        raise PlanError(directory, f"no {PLAN_NAME} here", "a trial's folder", mend)
    plan = read_plan(directory / PLAN_NAME)
    groups = tuple(group.name for group in plan.groups)
    plants = read_plants(directory / PLANTS_NAME, groups, plan.allotted_to)
    trial = Trial(directory, plan, plants)
    if check:
        _refuse_lost_plants(trial)
    return trial


def _refuse_lost_plants(trial: Trial) -> None:
    """Refuse a plan without plants that facts stand for."""
    if not (trial.directory / LEDGER_NAME).is_file():
        return
    try:
        with Ledger(trial.directory) as ledger:
            told = facts_by_plant(list(photos(ledger).values()), tallies(ledger), left_out(ledger))
    except LedgerError:
        return  # whoever reads the ledger says what is wrong with it
    codes = set(trial.plants["code"])
    lost = sorted(plant for plant in told if plant and plant not in codes)
    if not lost:
        return
    first = lost[0]
    what = " and ".join(f"{number} {word}" for word, number in told[first].items())
    more = f", nor {', '.join(lost[1:6])}" if len(lost) > 1 else ""
    raise PlanError(
        trial.directory / PLANTS_NAME,
        f"no plant {first}, of which there are {what}{more}",
        mend=f"if it has another code now: counting rename {trial.directory} {first} NEW; if it is"
        " gone: put the line back and counting leave-out",
    )


def read_plan(path: Path) -> Plan:
    """Read a ``trial.toml``.

    Raises
    ------
    PlanError
        If it is missing, is not TOML, or an entry cannot be.
    """
    try:
        entries = tomllib.loads(read_text(path))
    except tomllib.TOMLDecodeError as error:
        raise PlanError(path, f"not TOML ({error})", mend="mend the line named") from error
    return make_plan(entries, where=path)


def make_plan(entries: dict[str, Any], *, where: str | Path) -> Plan:
    """Make a plan of its entries, naming all the faults together.

    Raises
    ------
    PlanError
        If an entry is missing, unknown or cannot be; `where` is named in the message.
    """
    try:
        return Plan.model_validate(entries)
    except ValidationError as error:
        faults = faults_in_words(error, whole="plan")
        raise PlanError(where, faults, mend="mend the entries named") from error


def plan_text(plan: Plan) -> str:
    """Return a plan as the text of a ``trial.toml`` that `read_plan` reads back the same."""
    head = plan.model_dump(exclude={"groups", "rule", "layout"}, exclude_none=True)
    head["smallest_difference"] = share_entry(plan.smallest_difference)
    parts = [
        "# The plan of a trial. Decide it before the first count and leave it as it is:\n"
        "# whoever reads the result later must be able to see what was meant from the start.\n",
        tomli_w.dumps(head),
    ]
    parts += [
        "[[groups]]\n" + tomli_w.dumps(group.model_dump(exclude_none=True)) for group in plan.groups
    ]
    for title, part in (
        ("[rule]  # which fruit count; sizes in mm", plan.rule),
        ("[layout]  # how the beds are divided; plants.csv says what stands where", plan.layout),
    ):
        parts.append(f"{title}\n{tomli_w.dumps(part.model_dump(exclude_none=True))}")
    return "\n".join(parts)


def share_entry(value: float) -> float | str:
    """Return a share as an entry of the plan that is read back the same; "150%" for 1.5."""
    return value if value <= 1 else f"{value * 100:.10g}%"
