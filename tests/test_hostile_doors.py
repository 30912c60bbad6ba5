"""Whatever is typed, sent or dropped at a door of the tool gets a plain answer."""

from __future__ import annotations

import asyncio
import inspect
import io
import json
import re
import shutil
import socket
import time
import zipfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
import uvicorn
from hostile import NAMES
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sheet_trial import Drawn, draw_trial
from starlette.types import ASGIApp
from test_corrections import a_document
from test_desk import served as served_desk
from test_fuzz import NASTY, VALUES, json_spoilt
from test_live import batch, served
from trials import Beds, draw_photo, make_trial
from tries import tries

from counting.desk.addresses import GET, POST
from counting.desk.app import desk_app
from counting.desk.desk import Desk
from counting.desk.serve import door, open_desk
from counting.desk.shelf import Shelf
from counting.errors import CountingError
from counting.ledger import FIRST, Checkpoint, Ledger, verify
from counting.ledger.checkpoint import find
from counting.ledger.facts import events
from counting.ledger.signing import make_key, signature_fault, signed
from counting.plan.trial import Trial
from counting.records.diary import write_events
from counting.records.sheets.told import TOLD_NAME, recall
from counting.report.keeping.back_up import back_up
from counting.report.keeping.checkpoints import checkpoint_file
from counting.report.keeping.restore import restore
from counting.review.live import Place, app
from counting.review.live.batch import Desk as Taking
from counting.review.live.batch import read_batch
from counting.review.live.bounds import Bounded
from counting.review.live.devices import Devices
from counting.text import shown

CASES = tries(25, 10_000)
"""Of each door."""
some = settings(
    max_examples=CASES,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)
KEY = "key"
HOST = "127.0.0.1:8123"
BASE = f"http://{HOST}"


class Asking:
    """Asks an application without a network; what it raises comes through.

    Parameters
    ----------
    served : ASGI application
    base : str
        Under which address it is reached.
    """

    def __init__(self, served: ASGIApp, base: str) -> None:
        transport = httpx.ASGITransport(served)
        self._client = httpx.AsyncClient(transport=transport, base_url=base, timeout=60)
        self._runner = asyncio.Runner()

    def get(self, path: str, **asked: Any) -> httpx.Response:
        return self._runner.run(self._client.get(path, **asked))

    def post(self, path: str, **asked: Any) -> httpx.Response:
        return self._runner.run(self._client.post(path, **asked))

    def close(self) -> None:
        self._runner.run(self._client.aclose())
        self._runner.close()


@pytest.fixture(scope="module")
def trial(tmp_path_factory: Any) -> Trial:
    drawn = Drawn(plants=4, sides=("a",), size=(160, 120), fruit=2)
    return draw_trial(tmp_path_factory.mktemp("doors") / "shelf" / "vines", drawn)


@pytest.fixture(scope="module")
def desk(trial: Trial) -> Iterator[Asking]:
    made = Desk(Shelf.of(trial.directory.parent), "127.0.0.1", 8123, KEY)
    client = Asking(desk_app(made), f"{BASE}/{KEY}/")
    yield client
    client.close()


def written(trial: Trial) -> str:
    """Return all that stands in the ledger and the trial's own texts, as one text."""
    with trial.ledger() as ledger:
        facts = [(each.by, each.kind, each.key, each.body) for each in ledger.entries()]
    texts = [(trial.directory / name).read_text("utf-8") for name in ("trial.toml", "plants.csv")]
    return json.dumps([facts, texts], ensure_ascii=False).replace("\\n", "")


# ---- names typed on a page


def hostile_names(text: str, event: str) -> list[tuple[str, dict[str, str]]]:
    """Return what a person could type into the desk's forms, with a name in every field."""
    leave = {"reason": text, "by": text, "survey": ""}
    plan = {"title": text, "group_1": text, "group_2": "b", "treatment_1": text, "blocks": "2"}
    return [
        ("new", plan),
        ("t/vines/diary", {"kind": text, "at": "2026-07-01", "note": text, "by": text}),
        ("t/vines/plan/amend", {"title": text, "reason": text, "by": text}),
        ("t/vines/diary/strike", {"event": event, "reason": text, "by": text}),
        ("t/vines/plant/P1/leave", leave),
        ("t/vines/plant/P1/leave", {"back": "1", "by": text}),
        ("t/vines/plant/P1/move", {"photo": "0000.jpg", "to": "P2", "side": text, "by": text}),
        ("t/vines/plant/P2/move", {"photo": "0000.jpg", "to": "P1", "side": "a", "reason": text}),
        ("t/vines/plant/P3/rename", {"code": text, "by": text}),
        ("t/vines/check/make", {"reviewer": text}),
    ]


@pytest.mark.parametrize("name", list(NAMES))
def test_a_hostile_name_typed_on_the_desk_is_refused_or_plain(
    trial: Trial, desk: Asking, name: str
) -> None:
    text = NAMES[name]
    write_events(trial, [{"kind": "frost", "at": f"2026-06-{1 + list(NAMES).index(name):02d}"}])
    with trial.ledger() as ledger:
        event = events(ledger)[-1].event
    for path, form in hostile_names(text, event):
        reply = desk.post(path, data=form, follow_redirects=False)
        assert reply.status_code in {200, 303, 422}, (path, reply.text)
    row = {"plant": "P1", "fruit": "3"}
    told = {"survey": "2026-07-01", "by": text, "rows": [row]}
    assert desk.post("t/vines/tallies/typed", json=told).status_code == 200
    assert shown(written(trial)) == written(trial)
    for each in trial.directory.parent.rglob("*"):
        assert shown(each.name) == each.name


@pytest.mark.parametrize("folder", ["~0", "~nobody-here/x", "/" + "a" * 300, "/\0", "trials"])
def test_a_folder_that_cannot_be_is_no_folder(desk: Asking, folder: str) -> None:
    reply = desk.post("shelf", data={"folder": folder})
    assert "no such folder" in reply.text


def test_a_date_typed_on_the_desk_is_no_way_out_of_the_trial(
    trial: Trial, desk: Asking, tmp_path: Path
) -> None:
    for survey in (f"{tmp_path}/out", "../../out", "..\\out"):
        told = {"survey": survey, "by": "Ana", "rows": [{"plant": "P1", "fruit": "3"}]}
        assert "refused" in desk.post("t/vines/tallies/typed", json=told).json()
    outside = [*tmp_path.iterdir(), *trial.directory.parent.parent.iterdir()]
    assert outside == [trial.directory.parent]


@pytest.mark.parametrize("name", list(NAMES))
def test_a_hostile_name_at_the_live_sheet_is_refused_or_is_the_plain_one(
    tmp_path: Path, name: str
) -> None:
    trial = draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("a",), size=(160, 120), fruit=2))
    devices = Devices(tmp_path / "devices.json")
    place = Place("127.0.0.1", 8123, devices.token)
    sheet = app(trial, place, devices=devices)
    plain = "ann"
    with (
        closing(Asking(sheet, f"{BASE}{place.base}")) as first,
        closing(Asking(sheet, f"{BASE}{place.base}")) as other,
    ):
        for client in (first, other):
            assert client.get("", follow_redirects=True).status_code == 200  # paired
        sent = batch(a_document(trial, plain), first=1)
        assert first.post("save", json=sent).json()["refused"] == []
        for client in (first, other):
            reply = client.get("mine", params={"reviewer": NAMES[name]})
            assert reply.status_code in {200, 409}
            if client is other and reply.status_code == 200:
                assert reply.json() == {"photos": []}  # never another's answers
            sent = batch(a_document(trial, NAMES[name]), "another-device", first=5)
            assert client.post("save", json=sent).status_code == 200
    with trial.ledger() as ledger:
        people = {entry.by for entry in ledger.entries("confirmation")}
    assert {shown(one) for one in people} == people
    kept = devices.path.read_text(encoding="utf-8")
    assert shown(kept) == kept


# ---- anything sent to a page

FIELDS = {
    path: sorted({*re.findall(r'"([a-z_]{2,20})"', inspect.getsource(inspect.getmodule(view)))})
    for path, view, _ in (*GET, *POST)
}
"""What the module of a page asks for, as it names it, and other words that stand there."""
GOOD = ("vines", "P1", "P2", "2026-07-01", "a", "fruit", "0000.jpg", "counting walk", "12", "20 %")
LONG_WORK = {
    "/demo",
    "/phones",
    "/t/{trial}/keep/audit",
    "/t/{trial}/keep/backup",
    "/t/{trial}/walk/begin",
}
ASKED = [path for path, *_ in POST if path not in LONG_WORK]
SHOWN = [path for path, *_ in GET if not path.endswith((".pdf", ".xlsx", "/walk-file", ".zip"))]
texts = st.sampled_from([*NASTY, *GOOD]) | st.text(max_size=8)


def values(names: list[str]) -> Any:
    """Return any JSON with these names in it."""
    return st.recursive(
        texts | st.sampled_from(VALUES),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(names), inner),
        max_leaves=12,
    )


def filled(path: str, draw: Any) -> str:
    """Return an address with something in its open places."""
    kind = st.sampled_from(["vines", "P1", *(text for text in NASTY if "\0" not in text)])
    path = path.replace("{trial}", "vines")
    while "{" in path:
        head, _, rest = path.partition("{")
        path = head + quote(draw(kind), safe="") + rest.partition("}")[2]
    return path.removeprefix("/")


@some
@given(data=st.data())
def test_whatever_is_sent_to_the_desk_is_answered(trial: Trial, desk: Asking, data: Any) -> None:
    before = (trial.directory / "ledger.sqlite").stat().st_ino
    door = data.draw(st.sampled_from(ASKED))
    path, names = filled(door, data.draw), FIELDS[door]
    if data.draw(st.booleans()):
        sent: Any = {"json": data.draw(st.dictionaries(st.sampled_from(names), values(names)))}
    else:
        sent = {"data": data.draw(st.dictionaries(st.sampled_from(names), texts, max_size=9))}
    try:
        reply = desk.post(path, **sent, follow_redirects=False)
    except UnicodeEncodeError:  # the client itself cannot write such letters
        return
    assert reply.status_code < 500, path
    assert (trial.directory / "ledger.sqlite").stat().st_ino == before


@pytest.mark.filterwarnings("ignore:Glyph")  # letters that the pictures' font lacks
@some
@given(data=st.data())
def test_whatever_a_page_of_the_desk_is_asked_it_answers(desk: Asking, data: Any) -> None:
    door = data.draw(st.sampled_from(SHOWN))
    path = filled(door, data.draw)
    query = data.draw(st.dictionaries(st.sampled_from(FIELDS[door]), texts, max_size=4))
    try:
        reply = desk.get(path, params=query, follow_redirects=False)
    except UnicodeEncodeError:
        return
    assert reply.status_code < 500, path


def test_the_trial_is_whole_after_them(trial: Trial) -> None:
    assert verify(trial.directory).faults == ()


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: Any) -> tuple[Taking, dict[str, Any]]:
    drawn = Drawn(plants=2, sides=("a",), size=(160, 120), fruit=2)
    trial = draw_trial(tmp_path_factory.mktemp("batch") / "trial", drawn)
    app(trial, Place("127.0.0.1", 8123))  # which notes a sheet
    return Taking(trial), batch(a_document(trial))


@some
@given(data=st.data())
def test_a_spoilt_batch_of_answers_is_refused_whole_or_answer_by_answer(
    reviewed: tuple[Taking, dict[str, Any]], data: Any
) -> None:
    taking, good = reviewed
    try:
        device, sent = read_batch(data.draw(json_spoilt(good)))
    except CountingError as error:
        assert len(str(error)) > 10  # noqa: PT017
        return
    reply = taking.take(device, sent)
    refused = [each["number"] for each in reply["refused"]]
    assert sorted([*reply["taken"], *refused]) == [each.number for each in sent]


# ---- too much at once

ATTACKS = 40
"""Bodies sent at once; of 400, and of 1,500 connections held for 30 s, by-hand.md tells."""


def sending(port: int, path: str, done: list[bytes]) -> None:
    """Send a body of 3.9 MB whose length was not told, as far as it is read."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as told:
        told.sendall(
            f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\n"
            "Transfer-Encoding: chunked\r\n\r\n".encode()
        )
        with suppress(OSError):
            for _ in range(60):
                told.sendall(b"10000\r\n" + b" " * 65536 + b"\r\n")
        with suppress(OSError):
            done.append(told.recv(12)[9:])


def memory_kb() -> int:
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * 4


@pytest.mark.parametrize("kind", ["live sheet", "desk"])
def test_many_large_bodies_at_once_are_cut_short_and_cost_little(trial: Trial, kind: str) -> None:
    with served(trial) if kind == "live sheet" else served_desk(trial.directory.parent) as link:
        port = int(link.split(":")[2].split("/")[0])
        path = link.split(str(port))[1] + ("save" if kind == "live sheet" else "new")
        before, most, done = memory_kb(), 0, []
        with ThreadPoolExecutor(ATTACKS) as pool:
            sent = [pool.submit(sending, port, path, done) for _ in range(ATTACKS)]
            while not all(each.done() for each in sent):
                most = max(most, memory_kb())
                time.sleep(0.02)
        assert set(done) <= {b"413", b""}
        assert b"413" in done
        assert most - before < 100_000  # 160 MB were sent
        assert httpx.get(link).status_code == 200


def test_the_desk_is_served_with_the_bounds_on_connections(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[uvicorn.Config] = []
    monkeypatch.setattr(uvicorn.Server, "run", lambda self, **_: kept.append(self.config))
    where = door("127.0.0.1", 0)
    open_desk(trial.directory.parent, where, browser=False, ready=lambda _: None)
    assert {config.http for config in kept} == {Bounded}


# ---- files that keep


@pytest.fixture(scope="module")
def kept(tmp_path_factory: Any) -> Path:
    """A back-up of a small trial."""
    folder = tmp_path_factory.mktemp("kept")
    trial = make_trial(folder / "trial", Beds(blocks=1, plants_per_plot=1))
    draw_photo(trial.directory / "photos" / "a.jpg", 1)
    with trial.ledger() as ledger:
        ledger.append("event", "one", {"note": "x"}, by="test")
    return back_up(trial.directory, folder / "kept.zip").file


def rezipped(source: Path, name: str, content: bytes) -> bytes:
    """Return a ZIP file with one of its parts changed."""
    stream = io.BytesIO()
    with zipfile.ZipFile(source) as packed, zipfile.ZipFile(stream, "w") as made:
        for each in packed.namelist():
            made.writestr(each, content if each == name else packed.read(each))
    return stream.getvalue()


@some
@given(data=st.data())
def test_a_spoilt_back_up_is_refused_or_says_what_is_lost(
    kept: Path, tmp_path_factory: Any, data: Any
) -> None:
    folder = tmp_path_factory.getbasetemp() / "restoring"
    folder.mkdir(exist_ok=True)
    with zipfile.ZipFile(kept) as packed:
        names = packed.namelist()
        listed = json.loads(packed.read("back-up.json"))
    if data.draw(st.booleans()):
        content = rezipped(kept, "back-up.json", data.draw(json_spoilt(listed)))
    elif data.draw(st.booleans()):
        content = rezipped(kept, data.draw(st.sampled_from(names)), data.draw(st.binary()))
    else:
        spoilt = bytearray(kept.read_bytes())
        for _ in range(data.draw(st.integers(1, 3))):
            at = data.draw(st.integers(0, len(spoilt) - 1))
            spoilt[at : at + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=40))
        content = bytes(spoilt)
    source, target = folder / "spoilt.zip", folder / "back"
    source.write_bytes(content)
    shutil.rmtree(target, ignore_errors=True)
    try:
        found = restore(source, target)
    except CountingError as error:
        assert len(str(error)) > 10  # noqa: PT017
        assert not target.exists()
    else:
        whole = {row["name"]: row["sha256"] for row in listed["files"]}
        lost = {each.item for each in found.lost}
        back = {path.relative_to(target).as_posix() for path in target.rglob("*") if path.is_file()}
        assert whole.keys() - back <= lost or found.lost
        shutil.rmtree(target)
    assert {path.name for path in folder.parent.iterdir()} >= {"restoring"}
    assert {path.name for path in folder.iterdir()} <= {"spoilt.zip", ".back.unfinished"}
    assert not (folder.parent / "x").exists()


@pytest.fixture(scope="module")
def point(tmp_path_factory: Any) -> tuple[Ledger, Path, Path]:
    """A ledger, a signed checkpoint of it, and the public key."""
    folder = tmp_path_factory.mktemp("point")
    trial = make_trial(folder / "trial", Beds(blocks=1, plants_per_plot=1))
    key = folder / "mine.pem"
    public = make_key(key)
    ledger = trial.ledger()
    ledger.append("event", "one", {"note": "x"}, by="test")
    path = folder / "july.checkpoint.json"
    made = Checkpoint.of(ledger, trial.plan.id)
    path.write_text(json.dumps(signed(made, key)), encoding="utf-8")
    return ledger, path, public


@some
@given(data=st.data())
def test_a_spoilt_checkpoint_is_refused_or_held_against(
    point: tuple[Ledger, Path, Path], data: Any
) -> None:
    ledger, path, public = point
    good = json.loads(path.read_text(encoding="utf-8"))
    content = data.draw(json_spoilt(good))
    spoilt = path.with_name("spoilt.checkpoint.json")
    spoilt.write_bytes(content)
    try:
        checkpoint_file(spoilt)
    except CountingError as error:
        assert len(str(error)) > 10  # noqa: PT017
    try:
        value = json.loads(content)
    except ValueError:
        return
    if value != good:
        assert signature_fault(value, public)


@some
@given(told=st.text(alphabet="0123456789abcdefABCDEF \u202e", max_size=70) | st.text())
def test_any_text_looked_up_as_a_hash_is_answered_in_one_sentence(
    point: tuple[Ledger, Path, Path], told: str
) -> None:
    sentence, fault = find(point[0], told)
    assert bool(sentence) != bool(fault)
    assert told != FIRST or fault


@some
@given(data=st.data())
def test_a_spoilt_memory_of_a_spreadsheets_reading_is_none(trial: Trial, data: Any) -> None:
    good = {"columns": {"toms": "fruit"}, "day_first": True}
    (trial.directory / TOLD_NAME).write_bytes(data.draw(json_spoilt(good)))
    assert recall(trial.directory) is not None
    (trial.directory / TOLD_NAME).unlink()


@some
@given(data=st.data())
def test_a_spoilt_file_of_devices_is_used_or_named(tmp_path_factory: Any, data: Any) -> None:
    path = tmp_path_factory.getbasetemp() / "devices.json"
    good = {"token": "t" * 22, "devices": {"a" * 64: "o"}, "names": {"ann": "o"}}
    path.write_bytes(data.draw(json_spoilt(good)))
    try:
        Devices(path)
    except CountingError as error:
        assert "take it away; then every phone pairs again" in str(error)  # noqa: PT017
