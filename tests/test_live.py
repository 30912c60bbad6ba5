"""The sheet served from one's own machine: what it gives, what it takes, what it refuses."""

from __future__ import annotations

import http.client
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from browser import LAPTOP, PHONE, chromium, opened
from sheet_trial import Drawn, draw_trial
from test_corrections import a_document

from counting.plan.trial import Trial
from counting.review.live import LARGEST_SAVE, Place, address, app, serve, token

JSON = {"content-type": "application/json"}


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    return draw_trial(tmp_path / "trial", Drawn(plants=2, size=(400, 300)))


@contextmanager
def served(trial: Trial, secret: str = "") -> Iterator[str]:
    """Serve on a free port of this machine; yield the address."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        place = Place("127.0.0.1", listener.getsockname()[1], secret)
        config = uvicorn.Config(app(trial, place), log_level="error", access_log=False)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        try:
            yield address(place)
        finally:
            server.should_exit = True
            thread.join(10)


@pytest.fixture
def client(trial: Trial) -> Iterator[httpx.Client]:
    with served(trial) as where, httpx.Client(base_url=where) as made:
        yield made


def answers(trial: Trial) -> list[Any]:
    with trial.ledger() as ledger:
        return list(ledger.standing("confirmation"))


def test_the_page_and_its_photos_are_served_with_a_policy_that_forbids_the_rest(
    trial: Trial, client: httpx.Client
) -> None:
    page = client.get("/")
    assert page.status_code == 200
    assert "default-src &#39;none&#39;" in page.text or "default-src 'none'" in page.text
    assert page.headers["x-frame-options"] == "DENY"
    photo = a_document(trial)["photos"][0]["photo"]
    for kind, most in (("photo", 120_000), ("grid", 20_000)):
        picture = client.get(f"/{kind}/{photo}.jpg")
        assert picture.headers["content-type"] == "image/jpeg"
        assert picture.content.startswith(b"\xff\xd8")
        assert len(picture.content) <= most


def test_an_answer_is_in_the_ledger_at_once_and_comes_back(
    trial: Trial, client: httpx.Client
) -> None:
    document = a_document(trial)
    document["photos"] = document["photos"][:1]
    assert client.post("/save", json=document).json() == {"new": 1}
    assert client.post("/save", json=document).json() == {"new": 0}
    (entry,) = answers(trial)
    assert entry.by == "Ana"
    mine = client.get("/mine", params={"reviewer": "Ana"}).json()["photos"]
    assert mine == document["photos"]
    assert client.get("/mine", params={"reviewer": "Bo"}).json() == {"photos": []}


def test_several_reviewers_saving_at_once_lose_nothing(trial: Trial, client: httpx.Client) -> None:
    document = a_document(trial)
    names = [f"reviewer {number}" for number in range(6)]
    saves = [
        {**document, "reviewer": name, "photos": [photo]}
        for photo in document["photos"]
        for name in names
    ]
    with ThreadPoolExecutor(8) as pool:
        replies = list(pool.map(lambda save: client.post("/save", json=save).status_code, saves))
    assert replies == [200] * len(saves)
    assert len(answers(trial)) == len(saves)


@pytest.mark.parametrize(
    "path",
    [
        "/../trial.toml",
        "/photo/../../ledger.sqlite",
        "/photo/..%2f..%2fledger.sqlite",
        "/photo/%2e%2e/%2e%2e/trial.toml",
        "/photo/....//....//trial.toml.jpg",
        "/photo/" + "0" * 64 + ".jpg",
        "/photo/photos/2026-07-01/0000.jpg",
        "/other/x.jpg",
        "/ledger.sqlite",
        "//etc/passwd",
        "/photo/%00.jpg",
    ],
)
def test_no_path_leads_out_of_the_sheet(client: httpx.Client, path: str) -> None:
    # not by httpx, which tidies paths up
    raw = http.client.HTTPConnection("127.0.0.1", client.base_url.port, timeout=10)
    raw.putrequest("GET", path, skip_host=False)
    raw.endheaders()
    assert raw.getresponse().status in {400, 404}
    raw.close()


def test_foreign_origins_and_host_names_are_refused(trial: Trial, client: httpx.Client) -> None:
    document = a_document(trial)
    for headers in (
        {"origin": "https://elsewhere.example"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
    ):
        assert client.post("/save", json=document, headers=headers).status_code == 403
        assert client.get("/mine", headers=headers).status_code == 403
    assert client.get("/", headers={"host": "elsewhere.example"}).status_code == 400
    own = {"origin": str(client.base_url).rstrip("/")}
    assert client.post("/save", json=document, headers=own).status_code == 200
    assert len(answers(trial)) == len(document["photos"])


def test_a_form_of_another_page_cannot_post_text_as_json(client: httpx.Client) -> None:
    reply = client.post("/save", content="{}", headers={"content-type": "text/plain"})
    assert reply.status_code == 415


def test_an_oversized_upload_is_refused_declared_or_not(trial: Trial, client: httpx.Client) -> None:
    big = b" " * (LARGEST_SAVE + 1)
    assert client.post("/save", content=big, headers=JSON).status_code == 413

    def pieces() -> Iterator[bytes]:
        for _ in range(LARGEST_SAVE // 100_000 + 2):
            yield b" " * 100_000

    assert client.post("/save", content=pieces(), headers=JSON).status_code == 413
    assert answers(trial) == []


def test_a_wrong_answer_is_refused_in_words_and_nothing_is_written(
    trial: Trial, client: httpx.Client
) -> None:
    document = a_document(trial)
    document["photos"][1]["count"] = 99
    reply = client.post("/save", json=document)
    assert reply.status_code == 409
    assert "99" in reply.text
    assert client.post("/save", content=b"{", headers=JSON).status_code == 409
    document = {**a_document(trial), "sheet": "another"}
    assert client.post("/save", json=document).status_code == 409
    assert answers(trial) == []


def test_on_the_network_nothing_shows_without_the_token(trial: Trial) -> None:
    secret = token()
    assert len(secret) >= 22
    assert token() != secret
    with served(trial, secret) as where, httpx.Client() as client:
        root = where.removesuffix(f"/{secret}/")
        for path in ("/", "/mine", "/save", "/" + "a" * 22 + "/", f"/{secret[:-1]}/"):
            assert client.get(root + path).status_code == 404
        assert client.get(where).status_code == 200
        assert client.post(f"{where}save", json=a_document(trial)).status_code == 200
        assert client.post(f"{root}/save", json=a_document(trial)).status_code == 404


def wait_for(done: Any, seconds: float = 10) -> None:
    limit = time.monotonic() + seconds
    while not done() and time.monotonic() < limit:
        time.sleep(0.05)
    assert done()


def reached(place: Place) -> bool:
    """Whether a server answers there."""
    try:
        return httpx.get(address(place)).status_code == 200
    except httpx.TransportError:
        return False


def test_two_browsers_answer_at_once_and_both_are_in_the_ledger(trial: Trial) -> None:
    with served(trial) as where, chromium() as browser:
        contexts = [browser.new_context(**kind) for kind in (PHONE, LAPTOP)]
        pages = [context.new_page() for context in contexts]
        for page, name in zip(pages, ("Ana", "Bo"), strict=True):
            opened(page, where, name)
        for _ in range(4):
            for page in pages:
                page.click("#next")
        wait_for(lambda: len(answers(trial)) == 8)
        by = {entry.by for entry in answers(trial)}
        assert by == {"Ana", "Bo"}
        for context in contexts:
            context.close()


def test_a_reviewer_goes_on_at_another_device_where_they_stopped(trial: Trial) -> None:
    with served(trial) as where, chromium() as browser:
        for device, done in ((PHONE, "1"), (LAPTOP, "2")):
            context = browser.new_context(**device)
            page = context.new_page()
            opened(page, where, "Ana")
            page.click("#back")
            before = page.inner_text("#progress")
            assert before.startswith(f"{int(done) - 1} of 4")
            page.click("#begin")
            page.click("#next")
            wait_for(lambda wanted=int(done): len(answers(trial)) == wanted)
            context.close()


def test_answers_given_while_the_server_is_away_arrive_when_it_is_back(trial: Trial) -> None:
    with served(trial) as where, chromium() as browser:
        context = browser.new_context(**PHONE)
        page = context.new_page()
        opened(page, where, "Ana")
        context.set_offline(True)
        page.click("#next")
        page.wait_for_selector("#trouble:not([hidden])")
        assert "cannot be reached" in page.inner_text("#trouble")
        assert answers(trial) == []
        context.set_offline(False)
        wait_for(lambda: len(answers(trial)) == 1, 15)
        page.wait_for_selector("#trouble", state="hidden")
        context.close()


def test_answers_given_too_fast_are_told_when_the_server_is_stopped(trial: Trial) -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        place = Place("127.0.0.1", probe.getsockname()[1])
    command = [sys.executable, "-m", "counting", "review", str(trial.directory), "--port"]
    with subprocess.Popen(
        [*command, str(place.port)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as server:
        wait_for(lambda: reached(place), 30)
        document = a_document(trial)
        document["photos"][0]["seconds"] = 0.1
        assert httpx.post(f"{address(place)}save", json=document).status_code == 200
        server.send_signal(signal.SIGINT)
        told = server.communicate(timeout=30)[1]
    assert "confirmed faster than a person can look" in told
    assert f"Ana 1 of {len(document['photos'])}" in told
    assert server.returncode == 0


def test_a_port_that_is_taken_is_named(trial: Trial) -> None:
    from counting.errors import CountingError

    with socket.create_server(("127.0.0.1", 0)) as listener:
        place = Place("127.0.0.1", listener.getsockname()[1])
        with pytest.raises(CountingError, match="--port"):
            serve(trial, place)
