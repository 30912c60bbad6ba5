"""The house: which room may import which."""

import ast
import tomllib
from pathlib import Path

import pytest

import counting

PACKAGE = Path(counting.__file__).parent
GROUND = (
    "errors",
    "typed",
    "faults",
    "files",
    "workbook",
    "spreadsheet",
    "flags",
    "measures",
    "crops",
    "tables",
    "settings",
    "ledger",
)
FLOW = ("plan", "photos", "finding", "review", "records", "analysis", "report")
BESIDE = {
    "accuracy": {*GROUND, "photos", "finding"},
    "training": {*GROUND, "photos", "finding", "accuracy"},
}
ON_TOP = ("demo", "bench", "desk", "cli", "__main__", "__init__")


def allowed(room: str) -> set[str]:
    """Return the rooms that `room` may import, itself among them."""
    if room in GROUND:
        return set(GROUND[: GROUND.index(room) + 1])
    if room in FLOW:
        return {*GROUND, *FLOW[: FLOW.index(room) + 1]}
    if room in BESIDE:
        return BESIDE[room] | {room}
    return {*GROUND, *FLOW, "accuracy", *ON_TOP}


def imports(path: Path) -> set[str]:
    """Return the rooms of the package that a module imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names = (
                [node.module]
                if node.module != "counting"
                else [f"counting.{a.name}" for a in node.names]
            )
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith("counting.")}
    return found - {"__version__"}


MODULES = sorted(PACKAGE.rglob("*.py"))


def test_every_module_belongs_to_a_known_room():
    rooms = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in MODULES}
    assert rooms <= {*GROUND, *FLOW, *BESIDE, *ON_TOP}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_a_room_imports_only_the_ground_and_rooms_before_it(path):
    room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    assert imports(path) <= allowed(room)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_a_module_stays_within_400_lines(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


def test_every_file_that_the_package_holds_travels_in_the_wheel():
    told = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = told["tool"]["setuptools"]["package-data"]
    travels = {
        path
        for room, names in patterns.items()
        if room != "counting.demo_images"
        for name in names
        for path in PACKAGE.joinpath(*room.split(".")[1:]).glob(name)
    }
    held = {
        path for path in PACKAGE.rglob("*") if path.is_file() and "__pycache__" not in path.parts
    }
    assert {path for path in held if path.suffix != ".py"} == travels
    folders = {".".join(path.relative_to(PACKAGE.parent).parts[:-1]) for path in MODULES}
    assert folders <= set(told["tool"]["setuptools"]["packages"])
