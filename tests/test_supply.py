"""What the tool is made of: versions that were tested, hashes, licenses."""

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
RUN = [Requirement(text) for text in PROJECT["dependencies"]]
EXTRAS = PROJECT["optional-dependencies"]
TEST = [
    Requirement(text)
    for text in [*EXTRAS["test"], *EXTRAS["cluster"]]
    if not text.startswith("counting[")
]


def locked(name: str) -> dict[str, list[str]]:
    """Return the versions of a lock by library, and check that each has its hashes."""
    found: dict[str, list[str]] = {}
    text = (ROOT / ".lock" / f"{name}.txt").read_text(encoding="utf-8")
    for entry in re.split(r"\n(?=[a-z0-9])", text.strip(), flags=re.IGNORECASE):
        library, _, rest = entry.partition("==")
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", rest), library
        found.setdefault(library, []).append(re.split(r"[\s;\\]", rest.strip())[0])
    return found


@pytest.mark.parametrize(("name", "wanted"), [("run", RUN), ("test", [*RUN, *TEST])])
def test_the_lock_holds_a_fitting_version_of_every_library_asked_for(name, wanted):
    versions = locked(name)
    for each in wanted:
        library = re.sub(r"[-_.]+", "-", each.name).lower()
        assert library in versions, f"make lock: {library}"
        assert all(each.specifier.contains(version) for version in versions[library]), library


def test_both_locks_hold_the_same_versions():
    run, test = locked("run"), locked("test")
    assert run.items() <= test.items()


def test_no_library_comes_twice_under_two_names():
    # opencv-python and opencv-python-headless are the same module; both at once break each other
    names = [each.name for each in RUN if each.name.startswith("opencv")]
    assert names == ["opencv-python-headless"]


def test_the_licenses_travel_with_the_tool():
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert text.startswith("MIT License")
    assert "EfficientNet-Lite0" in text
    for named in re.findall(r"counting/finding/stages/[A-Z][\w.-]+", text):
        assert (ROOT / named.rstrip(".")).is_file(), named
    apache = resources.files("counting.finding.stages").joinpath("APACHE-2.0.txt")
    assert "Version 2.0, January 2004" in apache.read_text(encoding="utf-8")
