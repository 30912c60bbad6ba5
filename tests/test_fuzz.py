"""Spoilt files of each kind: one message, never a traceback, nothing half written."""

import copy
import io
import json
import resource
import sqlite3
import struct
import warnings
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from trials import SURVEY, Beds, add_photo, draw_photo, drawn, make_trial, marks
from tries import tries

from counting import spreadsheet
from counting.accuracy.labels import read_labels
from counting.errors import CountingError, PhotoError
from counting.files import sha256_file
from counting.ledger import verify
from counting.photos.binding import Codes, Given, bind
from counting.photos.examine import Wanted, examine
from counting.photos.exif import Taken
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.photos.manifest import read_manifest
from counting.plan.trial import load_trial
from counting.records.diary import read_events
from counting.records.tallies import take_tallies
from counting.review.corrections import take_document
from counting.review.document import parse
from counting.workbook import told

pytestmark = pytest.mark.slow

CASES = tries(1_000, 10_000)
"""Of each kind."""
MEMORY_KB = 700_000
"""Growth of the process at most: one photo of the largest size allowed, unpacked."""
many = settings(
    max_examples=CASES,
    deadline=timedelta(seconds=30),
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)

NASTY = [
    *("", " ", "-1", "0", "1e999", "nan", "=1+1", "@SUM(A1)", "../../etc/passwd", "a\0b", "1,5"),
    *("1;5", "'", '"', '"""', "\n", "\r", "\t", "true", "null", "[]", "{}", "2026-02-30", "9" * 20),
    *("<script>alert(1)</script>", "\ufeff", "\u202e", "é", "\U0001f345", "x" * 5000, "|", "A1-1|"),
    *(
        "#",
        "%s",
        "٣",
        "\\",
        "/",
        ".",
        "..",
        "CON",
        "-",
        "NA",
        "1970-01-01",
        "9999-12-31",
        "0001-01-01",
    ),
]


@pytest.fixture(scope="module", autouse=True)
def memory_stays_bounded():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    yield
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < MEMORY_KB


@st.composite
def spoilt(draw, good: str, delimiter: str = ",") -> bytes:
    """Return a table or text with a few cells, letters or bytes of it spoilt."""
    lines = [line.split(delimiter) for line in good.split("\n")]
    for _ in range(draw(st.integers(0, 3))):
        line = lines[draw(st.integers(0, len(lines) - 1))]
        cell = draw(st.integers(0, len(line) - 1))
        line[cell] = draw(st.sampled_from(NASTY) | st.text(max_size=8))
    text = "\n".join(delimiter.join(line) for line in lines)
    data = bytearray(text.encode("utf-8", "replace"))
    for _ in range(draw(st.integers(0, 2))):
        at = draw(st.integers(0, len(data)))
        piece = draw(st.binary(max_size=4))
        data[at : at + draw(st.integers(0, 6))] = piece
    return bytes(data[: draw(st.integers(0, len(data)))] if draw(st.booleans()) else data)


def entries(folder: Path) -> int:
    """Return how many entries the ledger has, without leaving a trace."""
    path = folder / "ledger.sqlite"
    if not path.exists():
        return 0
    database = sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)
    (number,) = database.execute("SELECT max(seq) FROM entries").fetchone()
    database.close()
    return number or 0


def tried(action, folder: Path) -> bool:
    """Run an action; when it refuses, make sure that it says why and wrote nothing."""
    before = entries(folder)
    try:
        action()
    except CountingError as error:
        assert len(str(error)) > 10  # noqa: PT017
        assert entries(folder) == before
        return False
    return True


# ---- tallies and diary

TALLY = f"""survey,plant,truss,by,at,note,fruit,height
{SURVEY},A1-1,,ann,,,12,1200
{SURVEY},A1-2,2,ann,,broken,,
"""
LONG = f"""survey,plant,truss,measure,value,unit,source,by,at,note
{SURVEY},A1-1,,fruit,12,count,tally,ann,,
"""
DIARY = """at,kind,scope,product,product_parts,water_parts,amount_litre
2026-07-01 07:30,application,A1,soap,1,100,2
"""


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    trial = make_trial(tmp_path_factory.mktemp("fuzz") / "trial")
    with trial.ledger():
        return trial


@many
@given(data=spoilt(TALLY) | spoilt(LONG) | spoilt(TALLY.replace(",", ";"), ";"))
def test_spoilt_tallies(trial, data):
    path = trial.directory / "tally.csv"
    path.write_bytes(data)
    tried(lambda: take_tallies(trial, [path]), trial.directory)


def test_the_ledger_is_whole_after_them(trial):
    assert verify(trial.directory).faults == ()


@settings(many, max_examples=tries(200, 1_000))
@given(data=spoilt(DIARY))
def test_spoilt_diaries(trial, data):
    path = trial.directory / "diary.csv"
    path.write_bytes(data)
    tried(lambda: read_events(trial, path), trial.directory)


@settings(many, max_examples=tries(300, 10_000))
@given(data=st.data(), ending=st.sampled_from(["xlsx", "ods"]))
def test_spoilt_workbooks(trial, workbooks, data, ending):
    content = bytearray(workbooks[ending])
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=40))
    path = trial.directory / f"tally.{ending}"
    path.write_bytes(content)
    with pytest.MonkeyPatch.context() as here:  # ten thousand processes would take an hour
        here.setattr(spreadsheet, "_in_process", _read_here)
        tried(lambda: take_tallies(trial, [path]), trial.directory)


def _read_here(path, kind):
    with path.open("rb") as stream:
        return told(stream, kind)


@pytest.fixture(scope="module")
def workbooks():
    import pandas as pd

    table = pd.DataFrame({"survey": [SURVEY], "plant": ["A1-1"], "fruit": [12]})
    files = {}
    for ending, engine in (("xlsx", "openpyxl"), ("ods", "odf")):
        stream = io.BytesIO()
        table.to_excel(stream, index=False, engine=engine)
        files[ending] = stream.getvalue()
    return files


# ---- photos

MANIFEST = f"file,survey,plant,truss,side\na.jpg,{SURVEY},A1-1,,path\nsub/b.jpg,{SURVEY},A1-2,3,\n"


@many
@given(
    data=spoilt(MANIFEST), folders=st.lists(st.sampled_from([*NASTY, SURVEY, "A1-1"]), max_size=4)
)
def test_spoilt_lists_of_photos(trial, data, folders):
    path = trial.directory / "lists" / "photos.csv"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    codes = Codes.of(trial.plants)
    try:
        listed = read_manifest(path)
    except PhotoError:
        return
    root = path.parent.resolve()
    for photo, row in listed.rows.items():
        assert photo.is_relative_to(root)
        parts = [part.replace("/", "_") or "_" for part in folders]
        try:
            bound = bind(Given(root.joinpath(*parts, "x.jpg"), "", "", row), [], Taken(), codes)
        except ValueError as error:
            assert str(error)  # noqa: PT017
        else:
            assert bound.plant in set(trial.plants["code"])


def photos() -> list[bytes]:
    """Return small photos of every format."""
    from PIL import Image

    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[36867] = "2026:07:01 09:30:00"
    found = []
    for form in ("JPEG", "PNG", "WEBP", "TIFF", "HEIF"):
        stream = io.BytesIO()
        drawn(2, size=(32, 24)).save(stream, form, exif=exif)
        found.append(stream.getvalue())
    return found


PHOTOS = photos()


@many
@given(data=st.data())
def test_spoilt_photos(tmp_path_factory, data):
    content = bytearray(PHOTOS[data.draw(st.integers(0, len(PHOTOS) - 1))])
    for _ in range(data.draw(st.integers(1, 3))):
        # the first bytes hold sizes and camera data
        at = data.draw(
            st.integers(0, min(len(content) - 1, 600)) | st.integers(0, len(content) - 1)
        )
        piece = data.draw(st.binary(max_size=6) | st.just(struct.pack(">I", 0xFFFFFFF0)))
        content[at : at + len(piece)] = piece
    content = (
        content[: data.draw(st.integers(0, len(content)))] if data.draw(st.booleans()) else content
    )
    path = tmp_path_factory.getbasetemp() / "spoilt.jpg"
    path.write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            found = examine(path, Wanted(10.0, frozenset({1, 2, 3})))
        except PhotoError as error:
            assert "\n" not in str(error)  # noqa: PT017
        else:
            assert found.photo == sha256_file(path)
            assert found.width > 0


@settings(many, max_examples=tries(8, 30))
@given(spoilt_ones=st.lists(st.integers(0, 7), unique=True), seed=st.integers(0, 5))
def test_spoilt_photos_among_good_ones(tmp_path_factory, spoilt_ones, seed):
    folder = tmp_path_factory.mktemp("batch")
    trial = make_trial(folder / "trial", Beds())
    for number, code in enumerate(trial.plants["code"]):
        path = draw_photo(folder / "camera" / code / "path.jpg", seed=seed * 10 + number)
        if number in spoilt_ones:
            path.write_bytes(path.read_bytes()[: 20 + 60 * number])
    result = take_in(trial, [folder / "camera"], batch=Batch(survey=SURVEY))
    assert len(result.taken) == 8 - len(spoilt_ones)
    assert len(result.refused) == len(spoilt_ones)
    for row in result.taken.to_dict("records"):
        assert sha256_file(trial.directory / row["file"]) == row["photo"]


# ---- plan


@many
@given(data=st.data())
def test_spoilt_plans(trial, tmp_path_factory, data):
    folder = tmp_path_factory.getbasetemp() / "plan"
    folder.mkdir(exist_ok=True)
    for name in ("trial.toml", "plants.csv"):
        good = (trial.directory / name).read_text(encoding="utf-8")
        delimiter = "," if name == "plants.csv" else "="
        spoil = data.draw(st.booleans())
        content = data.draw(spoilt(good, delimiter)) if spoil else good.encode()
        (folder / name).write_bytes(content)
    try:
        read = load_trial(folder)
    except CountingError as error:
        assert str(error)  # noqa: PT017
    else:
        assert read.plants["code"].is_unique


# ---- JSON: labels and corrections

VALUES = [None, True, -1, 0, 1e308, 2**70, "", "x" * 2000, [], {}, [[]], "NaN", "../x", "\0", 0.5]


@st.composite
def json_spoilt(draw, good) -> bytes:
    """Return a JSON document with a few of its values changed, dropped or doubled."""
    value = copy.deepcopy(good)
    for _ in range(draw(st.integers(0, 3))):
        node = value
        for _ in range(draw(st.integers(0, 6))):
            inner = list(node.values()) if isinstance(node, dict) else node
            below = [each for each in inner if isinstance(each, dict | list) and each]
            if not below:
                break
            node = below[draw(st.integers(0, len(below) - 1))]
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        if not keys:
            continue
        key = keys[draw(st.integers(0, len(keys) - 1))]
        how = draw(st.integers(0, 3))
        if how == 0:
            del node[key]
        elif how == 1 and isinstance(node, list):
            node.append(copy.deepcopy(node[key]))
        elif how == 2 and isinstance(node, dict):
            # a copy: a list put in twice would be spoilt in the source of the values as well
            node[draw(st.text(max_size=6))] = copy.deepcopy(draw(st.sampled_from(VALUES)))
        else:
            node[key] = copy.deepcopy(draw(st.sampled_from(VALUES) | st.text(max_size=6)))
    data = bytearray(json.dumps(value).encode())
    for _ in range(draw(st.integers(0, 1))):
        at = draw(st.integers(0, len(data)))
        data[at : at + draw(st.integers(0, 6))] = draw(st.binary(max_size=4))
    return bytes(data)


COCO = {
    "images": [{"id": 1, "file_name": "a.jpg", "width": 320, "height": 240}],
    "annotations": [
        {"id": 1, "image_id": 1, "category_id": 1, "bbox": [10, 10, 20, 20], "iscrowd": 0},
        {"id": 2, "image_id": 1, "category_id": 1, "bbox": [50, 50, 20, 20]},
    ],
    "categories": [{"id": 1, "name": "green"}],
    "info": {"description": "invented"},
    "licenses": [{"id": 1, "name": "none"}],
}


@many
@given(data=json_spoilt(COCO))
def test_spoilt_labels(trial, data):
    folder = trial.directory / "labelled"
    if not folder.exists():
        draw_photo(folder / "a.jpg")
    (folder / "labels.json").write_bytes(data)
    tried(lambda: read_labels(folder, folder / "labels.json"), trial.directory)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    """A trial with two photos on a sheet, and a good corrections file for them."""
    trial = make_trial(tmp_path_factory.mktemp("reviewed") / "trial")
    photos = [add_photo(trial, "A1-1", side=side) for side in ("path", "wall")]
    row = {"x": 20.0, "y": 20.0, "width": 8.0, "height": 8.0, "confidence": 0.9}
    with trial.ledger() as ledger:
        for photo in photos:
            body = {"photo": photo, "candidates": [{"candidate": n, **row} for n in range(3)]}
            ledger.append("proposal", photo, body, by="test")
        hashes = {entry.key: entry.hash for entry in ledger.standing("proposal")}
        shown = [{"photo": photo, "proposal": hashes[photo]} for photo in photos]
        ledger.append("sheet", "s1", {"sheet": "s1", "photos": shown}, by="test")
    return trial, {
        "format": "counting corrections",
        "version": 1,
        "trial": trial.plan.id,
        "sheet": "s1",
        "reviewer": "ann",
        "saved_at": "2026-07-01T18:00:00+00:00",
        "photos": [
            {
                "photo": photo,
                "proposal": hashes[photo],
                "at": "2026-07-01T17:00:00+00:00",
                "answer": "counted",
                "count": 2,
                "seconds": 3.0,
                "clicks": 1,
                "marks": marks(2, removed=1),
            }
            for photo in photos
        ],
    }


def test_the_good_corrections_are_taken_in(reviewed):
    trial, good = reviewed
    assert take_document(trial, parse(json.dumps(good).encode(), "x"), "x", check_files=False) == 2


@many
@given(data=st.data())
def test_spoilt_corrections(reviewed, data):
    trial, good = reviewed
    content = data.draw(json_spoilt(good))

    def take():
        take_document(trial, parse(content, "spoilt.json"), "spoilt.json", check_files=False)

    tried(take, trial.directory)


def test_that_ledger_is_whole_too(reviewed):
    assert verify(reviewed[0].directory).faults == ()
