"""The frames of a contact sheet: each photo with what was proposed on it, in the order to show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from counting.flags import Flag
from counting.plan.left_out import left_out
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = ["Frame", "frames", "ordered"]


@dataclass(frozen=True, slots=True)
class Frame:
    """One photo of a sheet.

    Attributes
    ----------
    photo : str
        SHA-256 of the file.
    file : str
        Path inside the trial.
    width, height : int
        Size of the upright photo, px.
    survey, plant, group, side : str
        Where the photo belongs; none of it is shown on a blind sheet.
    truss : int or None
        Number of the truss photographed; None for a whole plant.
    proposal : str
        Hash of the ledger entry with the candidates, empty where none were proposed yet.
    threshold : float
        Confidence from which a candidate is shown as a fruit.
    candidates : tuple of dict
        Rows of `counting.tables.CANDIDATES`, without the photo.
    flags : tuple of str
        Reasons to look, words of `counting.flags.Flag`.
    card : tuple of (float, float)
        Corners of the tag's card, px; empty without a tag.
    """

    photo: str
    file: str
    width: int
    height: int
    survey: str
    plant: str
    group: str
    side: str
    truss: int | None
    proposal: str
    threshold: float
    candidates: tuple[dict[str, Any], ...]
    flags: tuple[str, ...]
    card: tuple[tuple[float, float], ...]

    @property
    def belongs_to(self) -> tuple[str, str]:
        """Survey and plant: photos that agree in both may show the same fruit twice."""
        return self.survey, self.plant


def frames(trial: Trial) -> list[Frame]:
    """Return the trial's photos that are to be reviewed, in the order taken in.

    Photos of guard plants are left out, and photos and plants that are left out at present.
    """
    plants = trial.plants.set_index("code")
    with trial.ledger() as ledger:
        out = left_out(ledger).keys()
        proposals = {entry.key: entry for entry in ledger.standing("proposal")}
        photos = list(ledger.standing("photo"))
    result = []
    for entry in photos:
        body = entry.body
        code = body.get("plant", "")
        known = code in plants.index
        if known and bool(plants.at[code, "guard"]):
            continue
        if out & {entry.key, f"{code}|", f"{code}|{body.get('survey', '')}"}:
            continue
        proposal = proposals.get(entry.key)
        group = str(plants.at[code, "group"]) if known else ""
        result.append(_frame(entry.key, body, group, proposal))
    return result


def ordered(listed: Sequence[Frame], seed: int) -> list[Frame]:
    """Return frames in a shuffled order, plants with a flagged photo first.

    The photos of one plant at one survey stay together, flagged ones first, so that its sides can
    be held against each other.

    Parameters
    ----------
    listed : sequence of Frame
        In any order; the result does not depend on it.
    seed : int
        Decides the order.
    """
    sets: dict[tuple[str, str], list[Frame]] = {}
    for frame in sorted(listed, key=lambda frame: frame.photo):
        sets.setdefault(frame.belongs_to, []).append(frame)
    keys = sorted(sets)
    shuffled = [keys[place] for place in np.random.default_rng(seed).permutation(len(keys))]
    shuffled.sort(key=lambda key: not any(frame.flags for frame in sets[key]))
    return [
        frame
        for key in shuffled
        for frame in sorted(
            sets[key], key=lambda frame: (not frame.flags, frame.side, frame.truss or 0)
        )
    ]


def _frame(photo: str, body: dict[str, Any], group: str, proposal: Any) -> Frame:
    """Join a photo's entry with its proposal's."""
    proposed = proposal.body if proposal else {}
    tag = body.get("tag") or {}
    truss = body.get("truss")
    return Frame(
        photo=photo,
        file=str(body["file"]),
        width=int(body["width"]),
        height=int(body["height"]),
        survey=str(body.get("survey", "")),
        plant=str(body.get("plant", "")),
        group=group,
        side=str(body.get("side") or ""),
        truss=None if truss is None else int(truss),
        proposal=proposal.hash if proposal else "",
        threshold=_threshold(proposed),
        candidates=tuple(proposed.get("candidates", ())),
        flags=_flags([*body.get("flags", ()), *proposed.get("flags", ())]),
        card=tuple((float(x), float(y)) for x, y in tag.get("card", ())),
    )


def _threshold(proposed: dict[str, Any]) -> float:
    """Return the threshold a proposal was made with."""
    text = proposed.get("settings_text")
    found = text.get("threshold") if isinstance(text, dict) else None
    return float(found) if isinstance(found, int | float) else Settings().threshold


def _flags(words: Sequence[str]) -> tuple[str, ...]:
    """Return known words once each, in the order of `Flag`."""
    given = set(words)
    return tuple(flag.value for flag in Flag if flag.value in given)
