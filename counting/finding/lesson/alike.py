"""Expected counts made alike: photos proposed on before a lesson beside those proposed on after it.

Confirmed photos keep the candidates that they were confirmed from. Where their counts are held
against those of the others, as a sample of reviews does, the finder must have spoken of both in the
same way: else what a lesson changed would look like an error that the reviews found.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

import numpy as np

from counting.finding.expected import expected_count
from counting.finding.lesson.odds import as_shipped, chance, log_odds
from counting.finding.merge import spread_of
from counting.ledger.facts import Proposal
from counting.settings import FLOOR, Settings, reaches

__all__ = ["common_settings", "expected_as"]

Glances = Mapping[tuple[str, float, str], Proposal]

_LEAST = float(log_odds(np.array([FLOOR]))[0]) - 1e-3
"""Log-odds as shipped of the least candidate; confidences are recorded with four decimals."""


def common_settings(made: Iterable[Proposal]) -> Settings | None:
    """Return the settings that most proposals were made with; None where there are none.

    Parameters
    ----------
    made : iterable of Proposal
        Of the photos that nobody reviewed: the newest settings are theirs.
    """
    told = Counter(each.made_with for each in made)
    return max(told, key=lambda each: (told[each], each.hash)) if told else None


def expected_as(proposal: Proposal, settings: Settings, seen: Glances | None = None) -> float:
    """Return the count to expect in a photo as other settings of the same stages would tell it.

    Only what is a candidate as shipped is counted, whatever the settings: so far the candidates of
    a proposal reach with any lesson.

    Parameters
    ----------
    proposal : Proposal
        As recorded.
    settings : Settings
        With the numbers to use.
    seen : mapping, optional
        From `counting.ledger.facts.glances`: what reviewed photos show at other sizes of the look
        and by other weights, taken where the settings are not the proposal's in these.
    """
    told = proposal.made_with
    if (told.look, told.weights) != (settings.look, settings.weights):
        wanted = (proposal.photo, settings.look, settings.weights)
        proposal = (seen or {}).get(wanted, proposal)
    large = [each for each in proposal.candidates if not each.small]
    confidence = np.array([each.confidence for each in large], dtype=np.float64)
    share = np.array([1.0 if each.own_share is None else each.own_share for each in large])
    own = np.array([each.own for each in large], dtype=bool)
    odds = as_shipped(confidence, proposal.made_with)
    chances = chance(odds, settings)
    if not (reaches(chances, settings.threshold) & own).any():
        return 0.0
    kept = odds >= _LEAST
    return expected_count(chances[kept] * share[kept], spread_of(settings))[0]
