"""What a phone that was let in may reach, and its photos that come in pieces."""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections.abc import Iterator
from contextlib import ExitStack
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
from browser import PHONE, chromium
from hypothesis import given, settings
from hypothesis import strategies as st
from sheet_trial import Drawn, draw_trial
from test_desk import FORM, served

from counting.desk import serve
from counting.desk.addresses import GET, POST, STREAMED, Address
from counting.desk.arrivals import ARRIVING, waiting
from counting.desk.phones import pieces
from counting.desk.phones.pieces import PIECE, Parts
from counting.desk.serve import phone_door
from counting.errors import PhotoError
from counting.plan.trial import Trial

WALK = "2026-07-02"
OPEN = {
    "/",
    "/t/{trial}/go",
    "/t/{trial}/go/held.json",
    "/t/{trial}/walk-file",
    "/t/{trial}/go/answers",
    "/t/{trial}/go/piece",
    "/t/{trial}/go/photo",
}
"""All that a helper in the row needs; the contact sheet lies beside, at addresses of its own."""
FILE = {"content-type": "application/octet-stream"}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    return draw_trial(tmp_path / "shelf" / "vines", Drawn(plants=4, sides=("a",), size=(400, 300)))


@pytest.fixture
def phone(trial: Trial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[httpx.Client]:
    """A phone that came by the code and has paired."""
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    with (
        served(trial.directory.parent, phone_door(tmp_path / "own")) as link,
        httpx.Client(base_url=link, timeout=60) as made,
    ):
        made.get("", follow_redirects=True)
        yield made


@pytest.fixture(scope="module")
def refused(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[httpx.Client, Path]]:
    """A phone that has paired, for what leaves nothing behind; and the folder of all its files."""
    folder = tmp_path_factory.mktemp("phones")
    drawn = Drawn(plants=4, sides=("a",), size=(400, 300))
    made = draw_trial(folder / "shelf" / "vines", drawn)
    with pytest.MonkeyPatch.context() as told:
        told.setattr(serve, "local_address", lambda: "127.0.0.1")
        with (
            served(made.directory.parent, phone_door(folder / "own")) as link,
            httpx.Client(base_url=link, timeout=60) as phone,
        ):
            phone.get("", follow_redirects=True)
            yield phone, folder


def filled(address: Address) -> str:
    """Return an address of the table with a real trial, plant and file in its open places."""
    path = address.path.replace("{trial}", "vines").replace("{plant}", "P1")
    return re.sub(r"\{\w+(:path)?\}", "0000", path).removeprefix("/")


def test_a_phone_reaches_what_a_helper_needs_and_no_other_address_of_the_table(
    phone: httpx.Client,
) -> None:
    assert {each.path for each in (*GET, *POST, *STREAMED) if each.phones} == OPEN
    assert not Address("/new-page", lambda: None).phones
    for method, table, headers in (
        ("GET", GET, {}),
        ("POST", POST, FORM),
        ("POST", STREAMED, FILE),
    ):
        for each in table:
            reply = phone.request(method, filled(each), headers=headers)
            closed = reply.status_code == 403
            assert closed != each.phones, each
            assert not closed or "This page is for the machine with the desk." in reply.text, each


def test_what_the_desk_shows_a_phone_speaks_its_language_and_has_a_switch(
    browser: Any, trial: Trial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    with served(trial.directory.parent, phone_door(tmp_path / "own")) as link:
        context = browser.new_context(**PHONE, locale="es-MX")
        page = context.new_page()
        page.goto(link)
        page.wait_for_selector("h1:text-is('Lo que puede hacer este teléfono')")
        assert page.get_attribute("html", "lang") == "es"
        assert "Recorrer las hileras hoy" in page.inner_text("main")
        page.goto(f"{link}t/vines/answer")
        page.wait_for_selector("h1:text-is('Esta página es para la computadora de la mesa.')")
        page.click("#language")
        page.wait_for_selector("h1:text-is('This page is for the machine with the desk.')")
        assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
        context.close()


def test_what_a_phone_is_shown_names_no_group(phone: httpx.Client, trial: Trial) -> None:
    walk = f"t/vines/go?on=1&survey={WALK}"
    for path in ("", walk, "t/vines/go", f"t/vines/walk-file?survey={WALK}", "t/vines/sheet/"):
        reply = phone.get(path, headers={"accept": "text/html"})
        assert reply.status_code == 200
        for group in trial.plan.groups:
            assert group.name not in reply.text.replace(trial.plan.title, ""), path
    shown = phone.get("").text
    for path in re.findall(r'href="/[^/]+/(t/[^"]*)"', shown):
        assert phone.get(path.replace("&amp;", "&")).status_code == 200
    page = phone.get("t/vines/plan", headers={"accept": "text/html"})
    assert "This page is for the machine with the desk." in page.text
    assert "default-src 'none'" in page.headers["content-security-policy"]


def test_the_machine_with_the_desk_reaches_every_page_while_phones_are_in(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    with served(trial.directory.parent) as link, httpx.Client(base_url=link, timeout=60) as own:
        own.post("phones", data={"trial": "vines", "page": "walk"})
        assert own.get("t/vines/plan").status_code == 200
        assert own.post("shelf", data={"folder": "nowhere"}).text.count("no such folder") == 1


# ---- photos in pieces


@cache
def large_photo(number: int = 1) -> bytes:
    """Return a JPEG of some 900 kB that shows nothing."""
    noise = np.random.default_rng(number).integers(0, 256, (700, 900, 3), np.uint8)
    return bytes(cv2.imencode(".jpg", noise, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes())


def named(content: bytes, **more: str) -> dict[str, str]:
    told = {"device": "phone-1234", "number": "1", "plant": "P1", "survey": WALK, "name": "a.jpg"}
    told |= {"sha256": hashlib.sha256(content).hexdigest(), "size": str(len(content))}
    return told | more


def send(phone: httpx.Client, content: bytes, numbers: range | list[int], **more: str) -> None:
    for number in numbers:
        part = content[number * PIECE : (number + 1) * PIECE]
        query = named(content, piece=str(number), **more)
        assert phone.post("t/vines/go/piece", params=query, content=part, headers=FILE).is_success


def finish(phone: httpx.Client, content: bytes, **more: str) -> httpx.Response:
    return phone.post("t/vines/go/photo", params=named(content, **more), content=b"", headers=FILE)


def held(phone: httpx.Client, content: bytes) -> Any:
    return phone.get("t/vines/go/held.json", params=named(content)).json()


def test_a_photo_in_pieces_goes_on_where_it_was_cut_and_is_the_same_to_the_last_byte(
    phone: httpx.Client, trial: Trial
) -> None:
    content = large_photo()
    number = -(-len(content) // PIECE)
    assert number > 2
    send(phone, content, [2, 0, 0])
    assert held(phone, content) == {"whole": False, "held": [0, 2]}
    early = finish(phone, content)
    assert (early.status_code, early.json()) == (409, {"held": [0, 2]})
    assert waiting(trial.directory) == []
    send(phone, content, [each for each in range(number) if each not in {0, 2}])
    assert finish(phone, content).json()["kind"] == "no tag"
    [path] = waiting(trial.directory)
    assert path.read_bytes() == content
    # the reply was lost: nothing is sent again, nothing lies there twice
    assert held(phone, content) == {"whole": True, "held": []}
    assert finish(phone, content).json()["kind"] == "no tag"
    assert waiting(trial.directory) == [path]


def test_a_photo_that_the_trial_has_already_is_not_asked_for(
    phone: httpx.Client, trial: Trial
) -> None:
    content = next(trial.directory.glob("photos/**/*.jpg")).read_bytes()
    assert held(phone, content)["whole"]
    assert finish(phone, content).is_success
    assert finish(phone, content, tags="1").is_success
    assert next(trial.directory.glob("photos/**/*.jpg")).read_bytes() == content
    assert waiting(trial.directory) == []


def test_pieces_that_are_not_the_photo_that_was_promised_are_thrown_away(
    phone: httpx.Client, trial: Trial
) -> None:
    content = large_photo()
    number = -(-len(content) // PIECE)
    other = named(content, sha256="0" * 64)
    for piece in range(number):
        part = content[piece * PIECE : (piece + 1) * PIECE]
        query = other | {"piece": str(piece)}
        phone.post("t/vines/go/piece", params=query, content=part, headers=FILE)
    reply = phone.post("t/vines/go/photo", params=other, content=b"", headers=FILE)
    assert (reply.status_code, reply.json()) == (409, {"held": []})
    assert waiting(trial.directory) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"sha256": "../../../../etc"},
        {"sha256": "A" * 64},
        {"sha256": ""},
        {"size": "-1"},
        {"size": "0"},
        {"size": "9" * 40},
        {"piece": "-1"},
        {"piece": "4000"},
        {"piece": "x"},
    ],
)
def test_what_names_no_piece_of_a_photo_is_refused_and_leaves_nothing(
    refused: tuple[httpx.Client, Path], wrong: dict[str, str]
) -> None:
    phone, folder = refused
    query = named(large_photo(), piece="0") | wrong
    before = {path for path in folder.rglob("*") if path.is_file()}
    reply = phone.post("t/vines/go/piece", params=query, content=bytes(PIECE), headers=FILE)
    assert reply.status_code == 422
    assert {path for path in folder.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize("size", [0, PIECE - 1, PIECE + 1])
def test_a_piece_that_is_too_short_or_too_long_is_not_kept(
    refused: tuple[httpx.Client, Path], size: int
) -> None:
    phone, _ = refused
    content = large_photo()
    query = named(content, piece="0")
    reply = phone.post("t/vines/go/piece", params=query, content=bytes(size), headers=FILE)
    assert reply.status_code == 422
    assert held(phone, content)["held"] == []


def test_unfinished_photos_are_bounded_in_number_bytes_and_age(
    phone: httpx.Client, trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, other = large_photo(1), large_photo(2)
    send(phone, first, [0])
    query = named(other, piece="0")
    for bound, value in (("MOST_UNFINISHED", 1), ("MOST_BYTES", 300_000)):
        with monkeypatch.context() as told:
            told.setattr(pieces, bound, value)
            part = other[:PIECE]
            reply = phone.post("t/vines/go/piece", params=query, content=part, headers=FILE)
            assert reply.status_code == 422
            assert "lie unfinished" in reply.json()["refused"]
    folder = Parts(trial.directory, hashlib.sha256(first).hexdigest(), len(first)).folder
    week = time.time() - pieces.LONGEST_S - 60
    os.utime(folder, (week, week))
    send(phone, other, [0])  # a new one clears away what is too old
    assert not folder.exists()
    assert held(phone, other)["held"] == [0]


@settings(max_examples=30, deadline=None)
@given(st.text(max_size=70), st.integers(-10, 10**12))
def test_no_name_of_pieces_leads_out_of_their_folder(digest: str, size: int) -> None:
    try:
        folder = Parts(Path("trial"), digest, size).folder
    except PhotoError:
        return
    assert folder.parent == Path("trial") / ARRIVING / ".pieces"


def test_a_phone_cut_off_within_a_photo_sends_only_the_rest_to_the_desk_started_again(
    browser: Any, trial: Trial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    content, sent, cut, rest, desk = large_photo(), [], [], [], ExitStack()
    number = -(-len(content) // PIECE)

    def open_desk() -> str:
        return desk.enter_context(served(trial.directory.parent, phone_door(tmp_path / "own")))

    def upload(route: Any) -> None:
        piece = re.findall(r"go/piece\?.*piece=(\d+)", route.request.url)
        sent.extend(int(each) for each in piece)
        if cut or len(sent) == 3:  # cut while the third one is on its way
            cut.append(route.request.url)
            route.abort()
        else:
            route.continue_()

    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.set_default_timeout(60_000)
    for part in ("piece", "held.json", "photo"):
        page.route(f"**/go/{part}?*", upload)
    address = open_desk()
    page.goto(f"{address}t/vines/go?on=1&survey={WALK}")
    page.wait_for_selector("html[data-ready=yes]")
    page.fill("#name", "Ana")
    page.click("#who .strong")
    photo = {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": content}
    page.set_input_files("#take", photo)
    page.wait_for_selector("#queue:has-text('1 waits')")
    while not cut:
        page.wait_for_timeout(50)
    desk.close()
    assert open_desk() == address
    page.unroute_all()
    page.route("**/go/piece?*", lambda route: (rest.append(route.request.url), route.continue_()))
    page.wait_for_selector("#judged:has-text('No tag in the photo')")
    context.close()
    desk.close()
    assert sent == [0, 1, 2]
    assert len(rest) == number - 2
    [path] = waiting(trial.directory)
    assert path.read_bytes() == content


def test_the_digest_worked_out_on_the_phone_is_sha_256(browser: Any) -> None:
    """Against the examples of FIPS 180-4 ("abc", "", two blocks; NIST) and hashlib."""
    script = Path(serve.__file__).parent / "pages" / "walk-digest.js"
    text = script.read_text(encoding="utf-8").replace("export ", "")
    texts = [b"", b"abc", b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"]
    texts += [bytes(range(256)) * 3 + bytes(number) for number in (0, 55, 56, 63, 64, 119)]
    page = browser.new_page()
    digests = "texts.map((bytes) => [...digestOf(Uint8Array.from(bytes))])"
    found = page.evaluate(f"(texts) => {{ {text}; return {digests}; }}", list(map(list, texts)))
    page.close()
    assert [bytes(each) for each in found] == [hashlib.sha256(each).digest() for each in texts]
    assert bytes(found[1]).hex().startswith("ba7816bf8f01cfea414140de5dae2223")
