"""The report: one page that holds the answer, what it rests on and what it does not say."""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, Template
from markupsafe import Markup, escape

from counting.analysis.question import ALL_SURVEYS
from counting.analysis.recapture import ASSUMED
from counting.analysis.result import Comparison
from counting.analysis.true_counts import TrueComparison
from counting.analysis.words.short import each_in_short
from counting.files import now, write_text
from counting.ledger.facts import left_out, photos
from counting.measures import measure
from counting.plan.map import placed
from counting.plan.trial import Trial
from counting.records.diary import CAUTIONS, events
from counting.report import tables, words
from counting.report.counts import making
from counting.report.figures import Choices, Figures, figures
from counting.report.pictures import plots
from counting.report.pictures.beds import bed_map, short_names
from counting.report.pictures.photos import Panel, photo_panels
from counting.report.provenance import provenance
from counting.review.agree import agree
from counting.review.found import still_to_do
from counting.text import shown

__all__ = ["REPORT_NAME", "make_report", "page_text", "unbroken"]

REPORT_NAME = "report.html"
_AT_ONCE = 3
"""Cautions shown at once; the rest stand one press away."""
_DATE = re.compile(r"\b\d{4}-\d{2}-\d{2}(?: \d{2}:\d{2})?\b")


def make_report(
    trial: Trial,
    choices: Choices | None = None,
    *,
    numbers: Figures | None = None,
    path: Path | None = None,
    replace: bool = False,
) -> Path:
    """Write the report of a trial as one self-contained page.

    Parameters
    ----------
    trial : Trial
    choices : Choices, optional
        Survey, source and threshold asked for.
    numbers : Figures, optional
        The trial's figures where they are computed already, with the choices made for them;
        `choices` is not looked at then.
    path : Path, optional
        Where to write; by default ``report.html`` in the trial's folder.
    replace : bool
        Write over an earlier report.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    AnalysisError
        If there is nothing to compare yet.
    CountingError
        If the page exists and `replace` is false.
    """
    target = path or trial.directory / REPORT_NAME
    write_text(target, page_text(trial, choices, numbers=numbers), replace=replace)
    return target


def page_text(
    trial: Trial, choices: Choices | None = None, *, numbers: Figures | None = None
) -> str:
    """Return the report's page; see `make_report`."""
    template, style = page_parts("report.html")
    return template.render(style=style, **_content(trial, choices, numbers))


@functools.cache
def page_parts(name: str) -> tuple[Template, str]:
    """Return a page's template, which takes a while to read, and the style of all pages."""
    page = files("counting.report").joinpath("page")
    pages = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    pages.filters["whole"] = unbroken
    template = pages.from_string(page.joinpath(name).read_text(encoding="utf-8"))
    return template, page.joinpath("report.css").read_text(encoding="utf-8")


def unbroken(text: str) -> Markup:
    """Keep a number with its percent sign, and a date with its time, on one line."""
    kept = str(escape(shown(text))).replace(" %", "\N{NO-BREAK SPACE}%")
    return Markup(_DATE.sub(r'<span class="date">\g<0></span>', kept))


def _content(trial: Trial, choices: Choices | None, numbers: Figures | None) -> dict[str, Any]:
    """Gather what the page shows."""
    with trial.ledger() as ledger:
        numbers = numbers or figures(trial, ledger, choices)
        made = making(ledger)
        not_counted, taken = left_out(ledger).exclusions, photos(ledger)
        diary = events(ledger)
        panels = photo_panels(trial, ledger, numbers.main.survey)
        sources = provenance(trial, ledger, numbers)
    # a season of daily temperatures would bury the rest
    told = diary[diary["kind"] != "temperature"].reset_index(drop=True)
    return {
        "title": trial.plan.title,
        "facts": words.facts(trial, numbers),
        "warning": numbers.calibration.warning if numbers.calibration else "",
        "main": numbers.main,
        "answer": words.answer_parts(numbers.main),
        "each_group": each_in_short(numbers.main),
        "cautions": _cautions(numbers),
        "at_once": _AT_ONCE,
        "calibrated": _apart(numbers),
        "to_do": still_to_do(trial, _day(numbers)),
        "level": f"{100 * numbers.main.level:g}",
        "main_survey_text": _when(numbers.main),
        "letters": short_names([group.group for group in numbers.main.groups]),
        "panels": panels,
        "plots": _plots(trial, numbers, told, panels),
        "tables": tables.all_tables(numbers, not_counted, taken),
        "events": tables.events(told),
        "warm_days": len(diary) - len(told),
        "harvest": tables.harvest(numbers),
        "half": numbers.harvest.half.sentence if numbers.harvest and numbers.harvest.half else "",
        "coming": numbers.coming,
        "coming_told": tables.coming(numbers),
        "application_cautions": CAUTIONS if (diary["kind"] == "application").any() else (),
        "assumed": ASSUMED,
        "made": [*made.sentences(), *_agreement(trial, made.reviewers)],
        "methods": words.methods(trial, numbers, made),
        "limits": words.limits(trial, numbers),
        "provenance": [*sources.items(), ("written", now())],
        # "<" would end the script element early if a name held "</script>"
        "figures": json.dumps(numbers.to_json(), ensure_ascii=False).replace("<", "\\u003c"),
    }


def _cautions(numbers: Figures) -> list[str]:
    """Return every caution once; the warning stands above the answer."""
    found = numbers.calibration
    said = [*(found.cautions if found else ()), *numbers.main.cautions]
    return [text for text in dict.fromkeys(said) if not found or text != found.warning]


def _when(main: Comparison) -> str:
    """Return at which survey the values shown were taken, as the captions say it."""
    if main.survey == ALL_SURVEYS:
        return ", all picks together" if main.course == "total" else " over all surveys"
    return f" at the survey of {main.survey}" if main.survey else ""


def _of_answer(whole: pd.DataFrame, main: Comparison, trial: Trial) -> pd.DataFrame:
    """Return one value of each plant as the answer takes it: of its survey, or of all together."""
    if main.survey != ALL_SURVEYS:
        return whole[whole["survey"] == main.survey] if main.survey else whole
    began = trial.plan.first_treatment
    after = whole[whole["survey"] > began.isoformat()] if began else whole
    seen = (after if len(after) else whole).dropna(subset=["value"])
    each = seen.groupby(["plant", "group", "plot"], as_index=False)[["value"]]
    if main.course != "total":
        return each.mean()
    number = seen.groupby("plant")["survey"].transform("nunique")
    picks = seen.groupby("plot")["survey"].transform("nunique")
    sums = each.sum()
    return sums[sums["plant"].isin(seen.loc[number == picks, "plant"])]


def _day(numbers: Figures) -> str:
    """Return the survey that the answer is of, empty where it is of several."""
    survey = numbers.main.survey or ""
    return "" if survey == ALL_SURVEYS else survey


def _apart(numbers: Figures) -> TrueComparison | None:
    """Return the true counts of fruit where they are not the answer itself."""
    answered = any(each.basis == "true counts" for each in numbers.main.comparisons)
    return numbers.calibration.comparison if numbers.calibration and not answered else None


def _agreement(trial: Trial, reviewers: tuple[str, ...]) -> list[str]:
    """Return how far people agreed who counted the same photos, a sentence for each pair."""
    if len(reviewers) < 2:
        return []
    return [
        pair.sentence
        for pair in agree(trial, reviewers).pairs
        if pair.second in reviewers and len(pair.photos)
    ]


def _laid_out(plants: pd.DataFrame) -> pd.DataFrame:
    """Return the plants so that no square of the map lies on another.

    Positions that a plan counts anew in each plot are counted along the row, as on its own map.
    """
    twice = plants.dropna(subset=["row", "position"]).duplicated(["row", "position"]).any()
    return placed(plants) if twice else plants


def _plots(
    trial: Trial, numbers: Figures, diary: pd.DataFrame, panels: Sequence[Panel]
) -> dict[str, Any]:
    """Draw the pictures, and say what their captions need to know of them."""
    main = numbers.main
    order = [group.group for group in main.groups]
    named = measure(main.measure)
    label = f"{named.name.replace('_', ' ')} per plant" + (
        f" ({named.unit})" if named.kind != "count" and named.unit else ""
    )
    table = numbers.table
    asked = (table["measure"] == main.measure) & (table["source"] == (main.source or ""))
    whole = table[asked & table["truss"].isna()]
    now_whole = _of_answer(whole, main, trial)
    by_truss = table[asked & table["truss"].notna() & (table["survey"] == (main.survey or ""))]
    beds = _laid_out(trial.plants).merge(
        now_whole[["plant", "value"]], left_on="code", right_on="plant", how="left"
    )
    links = {
        each.plant: (f"#{each.anchor}", f"Photos of {each.plant}, {each.group}: {each.words}")
        for each in panels
    }
    surveys = sorted(set(whole["survey"]))
    course = _by_unit(whole, main.unit_of_analysis)
    mapped = bed_map(beds, order, named.name.replace("_", " "), links)
    means = tables.plant_means(numbers)
    return {
        # the map has the same links, and nobody wants to hear them twice
        "every_plant": plots.every_plant(now_whole, means, label, links, by_key=not mapped),
        "per_truss": plots.per_truss(by_truss, order) if len(by_truss) else "",
        "lone_truss": bool((by_truss.groupby(["group", "truss"])["value"].count() == 1).any()),
        "course": plots.course(course, order, label, diary) if len(surveys) > 1 else "",
        "events_shown": len(plots.shown_events(diary, surveys)),
        "bed_map": mapped,
        "picked": _picked(numbers, order, diary),
    }


def _picked(numbers: Figures, order: list[str], diary: pd.DataFrame) -> str:
    """Draw what was picked so far, pick by pick."""
    found = numbers.harvest
    if found is None or len(found.picks) < 2:
        return ""
    named = measure(found.leading)
    unit = "" if named.kind == "count" else f" ({named.unit})"
    label = f"{named.name.replace('_', ' ')} per plant so far{unit}"
    return plots.course(found.curve, order, label, diary)


def _by_unit(whole: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Bring plants to the unit of analysis at each survey, as the comparison does."""
    if unit == "plant":
        return whole
    place = ["survey", "group", "block", *(["plot"] if unit == "plot" else [])]
    return whole.groupby(place, as_index=False, dropna=False).agg(value=("value", "mean"))
