"""The live sheet and the desk are killed while somebody answers: "Saved" was saved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from browser import PHONE, chromium
from killing_desk import Kind, killed
from sheet_trial import Drawn, draw_trial
from tries import tries

KILLS = tries(2, 100)
"""Of each; of the live sheet 140 passed."""


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["live sheet", "desk"])
def test_killed_while_a_browser_answers_nothing_acknowledged_or_shown_as_saved_is_missing(
    tmp_path: Path, kind: Kind, record_property: Any
) -> None:
    drawn = Drawn(plants=8 * KILLS, size=(160, 120), fruit=2)
    trial = draw_trial(tmp_path / "shelf" / "trial", drawn)
    with chromium() as browser:
        record = killed(browser, kind, trial.directory, KILLS, PHONE)
    assert record.kills == KILLS
    assert record.given
    for name in ("kills", "saved", "waiting"):
        record_property(f"{kind} {name}", getattr(record, name))
    record_property(f"{kind} answers", len(record.given))
    record_property(f"{kind} acknowledged", len(record.acknowledged))
