"""Versions and hashes by which a number can be traced and computed again."""

from __future__ import annotations

import platform
from importlib.metadata import version

from counting import __version__
from counting.crops import unmeasured
from counting.files import sha256_file
from counting.ledger import Ledger
from counting.ledger.facts import proposals
from counting.plan.trial import PLAN_NAME, PLANTS_NAME, Trial
from counting.report.figures import Figures, observations_hash

__all__ = ["provenance"]

_LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "scikit-image", "matplotlib")


def provenance(trial: Trial, ledger: Ledger, numbers: Figures) -> dict[str, str]:
    """Return what a researcher needs to compute the report again, name to value."""
    newest = None
    total = 0
    for entry in ledger.entries():
        newest, total = entry, total + 1
    made = proposals(ledger).values()
    finders = sorted({proposal.version for proposal in made})
    settings = sorted({proposal.settings[:16] for proposal in made})
    facts = {
        "counting": __version__,
        "Python": platform.python_version(),
        "libraries": ", ".join(f"{name} {version(name)}" for name in _LIBRARIES),
        "trial": trial.plan.id,
        PLAN_NAME: sha256_file(trial.directory / PLAN_NAME),
        PLANTS_NAME: sha256_file(trial.directory / PLANTS_NAME),
        "ledger entries": str(total),
        "last entry": newest.hash if newest else "none",
        "observations": observations_hash(numbers.table),
    }
    if finders:
        facts["fruit proposed by"] = f"counting {', '.join(finders)}"
        facts["finder's settings"] = ", ".join(settings)
        if doubt := unmeasured(trial.plan.crop):
            facts["finder on this crop"] = doubt
    return facts
