"""From observations to one line per plant: measure, source, survey, missing values, exposure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd

from counting.analysis.data.confounded import confounded, lost_unevenly
from counting.analysis.data.surveys import course_of, over_surveys, some_are
from counting.analysis.question import ALL_SURVEYS, Question
from counting.errors import AnalysisError
from counting.measures import Kind, measure
from counting.tables import people_of

__all__ = ["Selection", "select"]

_TEXT = ("group", "block", "across", "plot", "plant", "survey", "source", "at", "truss", "unit")
_CONTROL_WORDS = ("control", "untreated", "untreated control", "check", "none", "water")


@dataclass(frozen=True, slots=True)
class Selection:
    """What is compared, one line per plant.

    Attributes
    ----------
    plants : DataFrame
        ``group, block, plot, plant`` (text; empty where not known), ``total`` and ``exposure``
        (float64): the value is their quotient; ``before, dose`` (float64), missing where not
        known; ``across`` (text), the second strata of a square, as its columns.
    kind : str
        Kind of the measure.
    survey, source : str or None
        What was taken; None where the table does not say.
    notes : tuple of str
        What was left out or chosen, in plain words.
    """

    plants: pd.DataFrame
    kind: Kind
    unit: str
    control: str
    groups: tuple[str, ...]
    survey: str | None
    source: str | None
    notes: tuple[str, ...]


def select(table: pd.DataFrame, question: Question) -> Selection:
    """Take from a table of observations what the question asks for.

    Parameters
    ----------
    table : DataFrame
        Columns ``value`` and ``group``, and where known ``measure, plant, truss, survey, source,
        by, block, plot, unit, exposure`` as in `counting.tables.OBSERVATIONS`.
    question : Question

    Raises
    ------
    AnalysisError
        If a column, the measure or the survey is missing, or values are not numbers.
    """
    notes: list[str] = []
    rows = _normal(table, question)
    rows, source = _one_source(rows, question, notes)
    empty = rows[rows["value"].isna()]
    rows = _without_missing(rows, question, notes)
    kind = question.kind or _kind(rows, question)
    if kind == "count" and (rows["value"] < 0).any():
        raise AnalysisError(question.measure, "a negative count", "0 or more", "mend the table")
    rows = _whole_plants(rows, kind)
    rows, survey = _surveys(rows, question, notes)
    notes += _missing(empty, rows, survey)
    notes += confounded(rows)
    plants, unit = _one_line_per_plant(rows, kind, survey, question, notes)
    if question.course is not None:
        if survey != ALL_SURVEYS and question.course != "total":
            found = "the course over surveys of a single one"
            raise AnalysisError(question.measure, found, mend="ask for all: --survey all")
        if question.course != "total":
            kind = "length"
    groups = _groups(plants, question)
    control = _control(groups, question, notes)
    ordered = (control, *(name for name in groups if name != control))
    named = question.unit or unit or measure(question.measure).unit
    named = named or ("count" if kind == "count" else "")
    return Selection(plants, kind, named, control, ordered, survey, source, tuple(notes))


def _normal(table: pd.DataFrame, question: Question) -> pd.DataFrame:
    """Return the measure's rows with every column there and text as text."""
    for name in ("value", "group"):
        if name not in table.columns:
            found = ", ".join(map(str, table.columns)) or "none"
            raise AnalysisError(question.measure, f"no column {name!r}", "it among: " + found)
    rows = table
    if "measure" in rows.columns:
        rows = rows[rows["measure"] == question.measure]
        if rows.empty:
            known = ", ".join(sorted(set(table["measure"].dropna())))
            mend = f"choose one of those there: {known}"
            if not known:
                mend = "first take counts in: counting confirm, or counting tally"
            raise AnalysisError(question.measure, "nothing recorded of this measure", mend=mend)
    rows = rows.reset_index(drop=True)
    out = pd.DataFrame({"value": _numbers(rows["value"], question.measure)})
    for name in _TEXT:
        out[name] = _text(rows[name]) if name in rows.columns else ""
    out["by"] = rows["by"].map(_people) if "by" in rows.columns else [()] * len(rows)
    if "plant" not in rows.columns:
        out["plant"] = [f"row {number}" for number in range(1, len(out) + 1)]
    has = "exposure" in rows.columns
    for name in ("before", "dose"):
        out[name] = _numbers(rows[name], name) if name in rows.columns else np.nan
    out["exposure"] = _numbers(rows["exposure"], question.per or "exposure") if has else 1.0
    return out


def _numbers(column: pd.Series, name: str) -> pd.Series:
    """Return a column as float64; text that is no number is named."""
    numbers = pd.to_numeric(column, errors="coerce").astype("float64")
    text = column.astype("str").str.strip()
    wrong = numbers.isna() & column.notna() & ~text.str.lower().isin({"", "na", "nan", "<na>"})
    if wrong.any():
        examples = ", ".join(repr(item) for item in text[wrong].unique()[:3])
        mend = "write numbers with a decimal point and leave missing ones empty"
        raise AnalysisError(name, f"not a number: {examples}", "numbers", mend)
    return numbers.where(np.isfinite(numbers))


def _text(column: pd.Series) -> pd.Series:
    return column.astype("object").where(column.notna(), "").map(_word).astype("str")


def _word(value: object) -> str:
    """Return a name as text; 1.0 read from a file with gaps is the name 1."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _people(value: object) -> tuple[str, ...]:
    """Return who counted: names out of a trial as they are, those of a file read from its text."""
    if isinstance(value, tuple):
        return value
    return () if pd.isna(value) else people_of(_word(value))  # type: ignore[call-overload]


def _one_source(
    rows: pd.DataFrame, question: Question, notes: list[str]
) -> tuple[pd.DataFrame, str | None]:
    """Keep the source asked for, else the one with most plants."""
    plants = rows[rows["value"].notna()].groupby("source")["plant"].nunique()
    sources = [str(name) for name in plants.sort_values(ascending=False, kind="stable").index]
    if not any(sources):
        return rows, None
    chosen = question.source or sources[0]
    if chosen not in sources:
        known = ", ".join(sorted(sources))
        raise AnalysisError(question.measure, f"no values from {chosen!r}", f"one of {known}")
    others = [f"{name} of {plants[name]}" for name in sources if name != chosen]
    if others:
        notes.append(
            f"Values by {chosen} are compared, of {plants[chosen]} plants; those by "
            f"{', '.join(others)} are not mixed in."
        )
    return rows[rows["source"] == chosen], chosen


def _without_missing(rows: pd.DataFrame, question: Question, notes: list[str]) -> pd.DataFrame:
    missing = rows["value"].isna()
    nameless = rows["group"].isin({"", "nan"}) & ~missing
    if nameless.any():
        notes.append(f"{some_are(nameless.sum(), 'value')} without a group and left out.")
    rows = rows[~missing & ~nameless]
    bare = ~(rows["exposure"] > 0)
    if bare.any():
        notes.append(
            f"{some_are(bare.sum(), 'value')} left out: "
            f"no {question.per or 'exposure'} to divide by."
        )
        rows = rows[~bare]
    return rows


def _missing(empty: pd.DataFrame, rows: pd.DataFrame, survey: str | None) -> list[str]:
    """Say how many values are missing at the survey compared, one for each plant."""
    if survey not in {None, ALL_SURVEYS}:
        empty = empty[empty["survey"] == survey]
    key = ["survey", "plant"]
    known = set(map(tuple, rows[key].to_numpy()))
    lacking = {
        (*names, group)
        for *names, group in empty[[*key, "group"]].to_numpy().tolist()
        if tuple(names) not in known
    }
    if not lacking:
        return []
    lost = Counter(group for *_, group in lacking)
    of = Counter(rows.drop_duplicates([*key, "group"])["group"]) + lost
    told = lost_unevenly(lost, of)
    return [f"{some_are(len(lacking), 'value')} missing and left out.", *filter(None, [told])]


def _kind(rows: pd.DataFrame, question: Question) -> Kind:
    known = measure(question.measure)
    if known.unit:
        return known.kind
    values = rows["value"].to_numpy()
    whole = bool(np.all((values >= 0) & (values == np.floor(values))))
    return "count" if whole and len(values) else "length"


def _whole_plants(rows: pd.DataFrame, kind: Kind) -> pd.DataFrame:
    """Where a plant has truss by truss values only, add them up (counts) or average them."""
    key = ["group", "block", "plot", "plant", "survey"]
    whole = rows["truss"].isin({"", "nan", "<NA>"})
    if whole.all():
        return rows
    trusses = (
        rows[~whole]
        .groupby(key, sort=False, as_index=False)
        .agg(
            value=("value", "sum" if kind == "count" else "mean"),
            exposure=(
                "exposure",
                "sum" if kind == "count" and (rows["exposure"] != 1).any() else "max",
            ),
            across=("across", "first"),
            before=("before", "mean"),
            dose=("dose", "mean"),
            unit=("unit", "first"),
            by=("by", "first"),
            at=("at", "first"),
            source=("source", "first"),
        )
    )
    known = pd.MultiIndex.from_frame(rows.loc[whole, key])
    fresh = ~pd.MultiIndex.from_frame(trusses[key]).isin(known)
    return pd.concat([rows[whole], trusses[fresh]], ignore_index=True)


def _surveys(
    rows: pd.DataFrame, question: Question, notes: list[str]
) -> tuple[pd.DataFrame, str | None]:
    """Keep the survey asked for, else the last one."""
    surveys = sorted({name for name in rows["survey"] if name})
    if not surveys:
        return rows, None
    if question.survey == ALL_SURVEYS:
        early = [name for name in surveys if name <= (question.baseline or "")]
        if early and len(early) < len(surveys):
            notes.append(
                f"The {len(early)} surveys up to {early[-1]}, before the first treatment, are not "
                "mixed in."
                if len(early) > 1
                else f"The survey of {early[0]}, before the first treatment, is not mixed in."
            )
            rows = rows[rows["survey"] > early[-1]]
            surveys = surveys[len(early) :]
        return rows, ALL_SURVEYS if len(surveys) > 1 else surveys[0]
    chosen = question.survey or surveys[-1]
    if chosen not in surveys:
        known = ", ".join(surveys)
        raise AnalysisError(chosen, f"no {question.measure} at this survey", f"one of {known}")
    if len(surveys) > 1 and question.survey is None:
        notes.append(
            f"The last survey, {chosen}, of {len(surveys)} is compared; the same plants seen "
            "earlier are not further plants."
        )
    return rows[rows["survey"] == chosen], chosen


def _one_line_per_plant(
    rows: pd.DataFrame, kind: Kind, survey: str | None, question: Question, notes: list[str]
) -> tuple[pd.DataFrame, str]:
    unit = next((name for name in rows["unit"] if name), "")
    key = ["group", "block", "plot", "plant"]
    visits = rows.groupby([*key, "survey"], sort=False, as_index=False).agg(
        value=("value", "mean"), exposure=("exposure", "mean"), n=("value", "size")
    )
    known = rows.groupby(key, sort=False, as_index=False).agg(
        before=("before", "mean"), dose=("dose", "mean"), across=("across", "first")
    )
    again = int((visits["n"] > 1).sum())
    if again:
        notes.append(
            f"{some_are(again, 'plant')} there more than once; their values are averaged, since "
            "several values of one plant are not several plants."
        )
    if question.course == "total" or (survey == ALL_SURVEYS and question.course is not None):
        visits, unit = course_of(visits, question.course, question.measure, notes)
    elif survey == ALL_SURVEYS:
        visits, unit = over_surveys(visits, kind, unit, notes)
    plants = visits.rename(columns={"value": "total"})[[*key, "total", "exposure"]]
    plants = plants.merge(known, on=key, how="left")
    return plants.reset_index(drop=True), unit


def _groups(plants: pd.DataFrame, question: Question) -> list[str]:
    present = sorted(set(plants["group"]))
    planned = list(question.groups)
    _no_variants([*planned, *present], question)
    return planned + [name for name in present if name not in planned]


def _no_variants(names: list[str], question: Question) -> None:
    """Ask about group names that differ only in case or spaces."""
    known: dict[str, str] = {}
    for name in names:
        plain = "".join(name.casefold().split())
        other = known.setdefault(plain, name)
        if other != name:
            raise AnalysisError(
                question.measure,
                f"groups {other!r} and {name!r}, which differ in case or spaces only",
                "one name for one group",
                "write them alike if they are one group, else give each its own name",
            )


def _control(groups: list[str], question: Question, notes: list[str]) -> str:
    if question.control is not None:
        wanted = _word(question.control)
        if wanted in groups or not groups:
            return wanted
        found, known = f"no group {wanted!r} to be the control", ", ".join(groups)
        raise AnalysisError(question.measure, found, f"one of {known}")
    if not groups:
        return ""
    named = [name for name in groups if name.lower() in _CONTROL_WORDS]
    chosen = named[0] if named else groups[0]
    if len(groups) > 1:
        notes.append(f"The control was not named; {chosen!r} was taken for it.")
    return chosen
