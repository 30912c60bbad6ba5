"""The page of several trials together: what they say, each beside the others, a next place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from counting import __version__
from counting.analysis.estimates import Estimate
from counting.analysis.season.pool import Together
from counting.analysis.words.phrases import number, p_text
from counting.report.pictures.forest import forest
from counting.report.report import page_parts

__all__ = ["pooled_page"]


def pooled_page(found: Sequence[Together]) -> str:
    """Return several trials' answer as one self-contained page.

    Parameters
    ----------
    found : sequence of Together
        One for each group against the control.
    """
    template, style = page_parts("pooled.html")
    return template.render(
        style=style,
        found=[_shown(each) for each in found],
        version=__version__,
    )


def _shown(found: Together) -> dict[str, Any]:
    pooled = found.pooled
    between = Estimate(None, pooled.prediction_low, pooled.prediction_high)
    rows = [
        (part.trial, _figure(found, each.value), _span(found, each))
        for part, each in zip(found.parts, found.each(), strict=True)
    ]
    return {
        "heading": f"{found.group}, held against {found.control}" if found.group else "The groups",
        "sentence": found.sentence(),
        "picture": Markup(forest([found])),
        "what": "ratio to the control" if found.ratio else "difference to the control",
        "rows": [
            *rows,
            ("all together", _figure(found, pooled.mean.value), _span(found, pooled.mean)),
            ("a next place", "", _span(found, between)),
        ],
        "method": pooled.mean.method,
        "facts": [
            ("standard error of the mean", number(pooled.mean.se or 0.0)),
            ("degrees of freedom", number(pooled.mean.df or 0.0)),
            ("p", p_text(pooled.mean.p)),
            ("variance between the trials", number(pooled.tau2)),
            ("share of the variation between the trials", f"{pooled.i2:.0f} %"),
            ("Q", f"{number(pooled.q)} (p {p_text(pooled.q_p)})"),
        ],
    }


def _figure(found: Together, value: float | None) -> str:
    if value is None:
        return ""
    return number(math.exp(value) if found.ratio else value).replace("-", "\N{MINUS SIGN}")


def _span(found: Together, each: Estimate) -> str:
    if each.low is None or each.high is None:
        return ""
    return f"{_figure(found, each.low)} to {_figure(found, each.high)}"
