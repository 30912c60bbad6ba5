"""The numbers of a report, computed from the ledger alone so that they can be computed again."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from typing import Any

import pandas as pd

from counting.analysis.calibrate import Calibration, answered, calibrate_table
from counting.analysis.question import ALL_SURVEYS, question_of
from counting.analysis.recapture import recapture_json
from counting.analysis.result import Comparison
from counting.analysis.season.coming import Coming, picked_and_coming
from counting.analysis.season.harvest import Harvest
from counting.analysis.season.unfinished import with_missing
from counting.analysis.trial import compare_trial, further_measures
from counting.files import canonical_json, sha256_bytes
from counting.ledger import Ledger
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.records.two_views import TwoViews, two_views

__all__ = ["Choices", "Figures", "figures", "observations_hash"]


@dataclass(frozen=True, slots=True)
class Choices:
    """What the person asked of the report; written into it, so that it can be made again.

    Attributes
    ----------
    survey : str or None
        The survey compared; None: the last one with values.
    source : str or None
        ``"photo"`` or ``"tally"``; None: the one with most plants.
    above : float or None
        Share of plants above this number.
    """

    survey: str | None = None
    source: str | None = None
    above: float | None = None


@dataclass(frozen=True, slots=True)
class Figures:
    """Every number a report shows.

    Attributes
    ----------
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    main : Comparison
        Of the plan's main measure.
    others : tuple of Comparison
        Of the other recorded measures, their p values to be read together.
    calibration : Calibration or None
        None where no plant was counted both ways.
    harvest : Harvest or None
        None where no pick was recorded.
    coming : tuple of Coming
        The next picks, or why they are not told; empty where nothing of it is recorded.
    views : tuple of TwoViews
        What two views of one side showed, by survey and group; no other figure rests on it.
    """

    choices: Choices
    table: pd.DataFrame
    main: Comparison
    others: tuple[Comparison, ...]
    calibration: Calibration | None
    harvest: Harvest | None = None
    coming: tuple[Coming, ...] = ()
    views: tuple[TwoViews, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the numbers as JSON values, as embedded in the report's page."""
        body: dict[str, Any] = {
            "choices": asdict(self.choices),
            "observations": observations_hash(self.table),
            "main": self.main.to_json(),
            "others": [other.to_json() for other in self.others],
            "calibration": self.calibration.to_json() if self.calibration else None,
            "harvest": self.harvest.to_json() if self.harvest else None,
            "coming": [each.to_json() for each in self.coming],
        }
        return body | ({"two_views": recapture_json(self.views)} if self.views else {})


def figures(trial: Trial, ledger: Ledger, choices: Choices | None = None) -> Figures:
    """Compute a report's numbers from the ledger.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        The trial's, open.
    choices : Choices, optional

    Raises
    ------
    AnalysisError
        If there is no observation of the main measure.
    """
    chosen = choices or Choices()
    table = observations(trial, ledger)
    main = compare_trial(table, replace(question_of(trial, table), **asdict(chosen)))
    others, notes = further_measures(trial, table, **asdict(chosen))
    main = replace(main, cautions=(*main.cautions, *notes))
    seen = replace(question_of(trial, table, "fruit"), survey=chosen.survey)
    if main.measure == seen.measure and main.source == "photo" and main.survey != ALL_SURVEYS:
        calibration = calibrate_table(table, replace(seen, survey=main.survey), main)
        main = answered(main, calibration) if calibration else main
    else:
        known = (table["measure"] == seen.measure).any()
        calibration = calibrate_table(table, seen) if known else None
    main = with_missing(trial, ledger, table, main)
    picked, coming = picked_and_coming(trial, ledger, table, (main, *others))
    views = tuple(two_views(trial, ledger)) if main.source == "photo" else ()
    return Figures(chosen, table, main, others, calibration, picked, coming, views)


def observations_hash(table: pd.DataFrame) -> str:
    """Return the SHA-256 of a table of observations, whatever the order of its rows."""
    # names joined as ever, so that a report of an older version is still found to hold
    told = table.assign(by=[", ".join(people) for people in table["by"]])
    rows = json.loads(told.to_json(orient="records", double_precision=12))
    spelled = sorted(canonical_json(row) for row in rows)
    return sha256_bytes("\n".join(spelled).encode("utf-8"))
