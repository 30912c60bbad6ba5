"""The house: which room may import which."""

import ast
import tomllib
from pathlib import Path

import pytest

import counting

PACKAGE = Path(counting.__file__).parent
GROUND = (
    "errors",
    "text",
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
    # the extra that trains is asked for by commands alone, and only when it is wanted
    return {*GROUND, *FLOW, "accuracy", *ON_TOP} | ({"training"} if room == "cli" else set())


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


def modules_imported(path: Path) -> set[str]:
    """Return the full names of the modules that a module imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{each.name}" for each in node.names)}
        elif isinstance(node, ast.Import):
            found |= {each.name for each in node.names}
    return found


def inside(room: str) -> list[Path]:
    """Return the modules of a room's inner room, as ``analysis/data``."""
    return sorted((PACKAGE / room).rglob("*.py"))


WALLS = {
    "analysis/methods": ("pandas", "counting.analysis.data", "counting.analysis.words",
                         "counting.ledger", "counting.plan", "counting.records"),
    "analysis/data": ("counting.analysis.methods", "counting.analysis.words", "scipy",
                      "statsmodels"),
    "analysis/words": ("counting.analysis.methods", "scipy", "statsmodels", "numpy"),
}  # fmt: skip
"""What the inner rooms of the analysis must not import: methods take arrays or typed results, data
computes no estimate, words compute no statistic."""


@pytest.mark.parametrize("room", WALLS)
def test_an_inner_room_of_the_analysis_keeps_to_its_own(room):
    for path in inside(room):
        wrong = {
            name
            for name in modules_imported(path)
            for wall in WALLS[room]
            if name == wall or name.startswith(f"{wall}.")
        }
        assert not wrong, path.name


def test_no_folder_of_the_analysis_holds_more_than_15_modules():
    for folder in ("analysis", "analysis/data", "analysis/methods", "analysis/words"):
        modules = [path for path in (PACKAGE / folder).glob("*.py") if path.stem != "__init__"]
        assert 0 < len(modules) <= 15, folder


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


def trees():
    """Yield every module of the package with its syntax tree."""
    for path in MODULES:
        yield path.relative_to(PACKAGE), ast.parse(path.read_text(encoding="utf-8"))


def test_only_the_ledger_reads_or_writes_a_body():
    found = [
        f"{path}:{node.lineno}"
        for path, tree in trees()
        if path.parts[0] != "ledger"
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and node.attr in {"body", "of_body", "append_many"}
        and not (isinstance(node.value, ast.Name) and node.value.id == "request")
    ]
    assert found == []


def _name(node):
    return getattr(node, "attr", getattr(node, "id", ""))


def test_a_confidence_is_held_against_a_threshold_in_one_place():
    found = [
        str(path)
        for path, tree in trees()
        if path.parts[0] != "analysis"  # a coin of the lots has a threshold, too
        for node in ast.walk(tree)
        if isinstance(node, ast.Compare)
        and any(_name(each) == "threshold" for each in (node.left, *node.comparators))
    ]
    assert found == ["settings.py"]
    scripts = PACKAGE.joinpath("review", "page").rglob("*.js")
    assert [path.name for path in scripts if "threshold" in path.read_text(encoding="utf-8")] == []


def test_a_moment_in_time_is_read_in_one_place():
    found = [
        path.as_posix()
        for path, tree in trees()
        if path.name != "workbook.py"  # a cell's date, which becomes text again
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and node.attr == "fromisoformat"
        and _name(node.value) == "datetime"
    ]
    assert found == ["ledger/facts/times.py"]


def test_nothing_imports_what_makes_the_weights_but_the_commands_that_move_them():
    found = [p for p in MODULES if "training" in imports(p) and "training" not in p.parts]
    assert [p.relative_to(PACKAGE).as_posix() for p in found] == ["cli/base.py"]


def test_a_folder_holds_at_most_15_modules_before_it_gets_an_inner_room():
    sizes = {
        folder.relative_to(PACKAGE).as_posix(): len(
            set(folder.glob("*.py")) - {folder / "__init__.py"}
        )
        for folder in {path.parent for path in MODULES} - {PACKAGE}
    }
    assert {folder: number for folder, number in sizes.items() if number > 15} == {}
