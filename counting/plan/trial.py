"""A trial as it lies on disk: the plan in ``trial.toml``, the plants in ``plants.csv``."""

from __future__ import annotations

import io
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from counting.errors import PlanError
from counting.files import read_text
from counting.ledger import Ledger
from counting.tables import PLANTS, frame

__all__ = ["PLAN_NAME", "PLANTS_NAME", "Group", "Layout", "Plan", "Rule", "Trial", "load_trial"]

PLAN_NAME = "trial.toml"
PLANTS_NAME = "plants.csv"


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Group(_Strict):
    """One of the groups compared."""

    name: str = Field(min_length=1, max_length=80)
    treatment: str = ""


class Rule(_Strict):
    """Which fruit count."""

    smallest_fruit_mm: float = Field(default=10.0, gt=0, le=200)
    count_damaged: bool = True
    count_fallen: bool = False
    add_picked: bool = True


class Layout(_Strict):
    """How the beds are divided."""

    blocks: int = Field(default=1, ge=1)
    plots_per_group: int = Field(default=1, ge=1)
    plants_per_plot: int = Field(default=1, ge=1)
    guards_per_plot: int = Field(default=0, ge=0)


class Plan(_Strict):
    """The content of ``trial.toml``.

    ``allotted_to`` is the smallest thing to which the treatment was independently given;
    ``smallest_difference`` is the difference worth having, as a share of the control's mean.
    """

    version: Literal[1] = 1
    id: str = Field(min_length=8, max_length=64, pattern=r"^[0-9a-z-]+$")
    title: str = Field(min_length=1, max_length=200)
    crop: str = "tomato"
    control: str
    allotted_to: Literal["plant", "plot", "block"] = "plot"
    main_measure: str = "fruit"
    smallest_difference: float = Field(default=0.2, gt=0)
    seed: int = 0
    groups: tuple[Group, ...] = Field(min_length=2)
    rule: Rule = Rule()
    layout: Layout = Layout()

    @model_validator(mode="after")
    def _groups_agree(self) -> Plan:
        names = [group.name for group in self.groups]
        if len(set(names)) != len(names):
            message = "two groups have the same name"
            raise ValueError(message)
        if self.control not in names:
            message = f"control {self.control!r} is none of the groups {', '.join(sorted(names))}"
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

    def ledger(self) -> Ledger:
        """Open the trial's ledger, making it where there is none yet."""
        return Ledger(self.directory, create=True)


def load_trial(directory: Path) -> Trial:
    """Read a trial's plan and plants and hold them against each other.

    Raises
    ------
    PlanError
        If a file is missing, unreadable or contradicts itself.
    """
    if not (directory / PLAN_NAME).is_file():
        mend = f"make a trial first: counting start {directory}"
        raise PlanError(directory, f"no {PLAN_NAME} here", "a trial's folder", mend)
    plan = _read_plan(directory / PLAN_NAME)
    plants = _read_plants(directory / PLANTS_NAME, plan)
    return Trial(directory, plan, plants)


def _read_plan(path: Path) -> Plan:
    try:
        return Plan.model_validate(tomllib.loads(read_text(path)))
    except tomllib.TOMLDecodeError as error:
        raise PlanError(path, f"not TOML ({error})", mend="mend the line named") from error
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(map(str, fault['loc'])) or 'plan'}: {fault['msg']}"
            for fault in error.errors()
        )
        raise PlanError(path, faults, mend="mend the entries named") from error


def _read_plants(path: Path, plan: Plan) -> pd.DataFrame:
    """Read ``plants.csv``, reporting all of its faults together."""
    try:
        raw = pd.read_csv(io.StringIO(read_text(path)), dtype=str, keep_default_na=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise PlanError(path, f"not a table ({error})", "comma-separated columns") from error
    missing = [name for name in PLANTS if name not in raw.columns]
    if missing:
        found = f"no column {', '.join(missing)}"
        raise PlanError(path, found, f"the columns {','.join(PLANTS)}")
    faults = _faults(raw, plan)
    if faults:
        raise PlanError(path, "; ".join(faults), mend="mend the lines named")
    rows = [{str(name): value for name, value in row.items()} for row in raw.to_dict("records")]
    for row in rows:
        row["guard"] = str(row["guard"]).strip().lower() in {"true", "1", "yes"}
        for name in ("row", "position", "tag"):
            row[name] = int(row[name]) if str(row[name]).strip() else None
    return frame(rows, PLANTS)


def _faults(raw: pd.DataFrame, plan: Plan) -> list[str]:
    """Return one sentence for each fault of the plants' table."""
    faults = []
    names = {group.name for group in plan.groups}
    seen: dict[str, int] = {}
    for line, row in enumerate(raw.to_dict("records"), start=2):
        code = row["code"]
        if not code.strip():
            faults.append(f"line {line}: no plant code")
        elif code in seen:
            faults.append(f"line {line}: plant {code} stands on line {seen[code]} already")
        seen.setdefault(code, line)
        if row["group"] not in names:
            known = ", ".join(sorted(names))
            faults.append(f"line {line}: group {row['group']!r} is none of {known}")
        faults += [
            f"line {line}: {name} {row[name]!r} is not a whole number"
            for name in ("row", "position", "tag")
            if row[name].strip() and not row[name].strip().isdecimal()
        ]
    without = sorted(names - set(raw["group"]))
    faults += [f"group {name!r} has no plant" for name in without]
    return faults
