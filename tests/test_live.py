"""The sheet served from one's own machine: what it gives, what it takes, what it refuses."""

from __future__ import annotations

import http.client
import json
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from browser import LAPTOP, PHONE, chromium, opened
from sheet_trial import Drawn, draw_trial
from test_corrections import a_document

from counting.errors import CountingError, LedgerError
from counting.ledger import Ledger
from counting.plan.trial import Trial
from counting.review.live import LARGEST_SAVE, Place, address, app, serve, token
from counting.review.live.bounds import MOST_OF_ONE
from counting.review.live.certificate import certificate
from counting.review.live.devices import Devices
from counting.review.live.serve import devices_of, settings

JSON = {"content-type": "application/json"}


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    return draw_trial(tmp_path / "trial", Drawn(plants=2, size=(400, 300)))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@contextmanager
def served(
    trial: Trial, secret: str = "", *, port: int = 0, devices: Devices | None = None
) -> Iterator[str]:
    """Serve on a port of this machine, a free one if none is given; yield the address."""
    with socket.create_server(("127.0.0.1", port)) as listener:
        place = Place("127.0.0.1", listener.getsockname()[1], secret)
        server = uvicorn.Server(settings(app(trial, place, devices=devices)))
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


def batch(
    document: dict[str, Any], device: str = "0123456789abcdef", first: int = 1
) -> dict[str, Any]:
    """Return the batch in which a device sends the answers of a document."""
    sent = [
        {"number": first + place, "document": {**document, "photos": [photo]}}
        for place, photo in enumerate(document["photos"])
    ]
    return {"format": "counting answers", "version": 1, "device": device, "answers": sent}


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
    policy = page.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert policy.endswith("frame-ancestors 'none'")
    assert client.get("/mine").headers["content-security-policy"].startswith("default-src 'none'")
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
    for _ in range(2):  # sent again, it is acknowledged again and written once
        reply = client.post("/save", json=batch(document))
        assert reply.json() == {"taken": [1], "refused": []}
    (entry,) = answers(trial)
    assert entry.by == "Ana"
    assert (entry.body["device"], entry.body["number"]) == ("0123456789abcdef", 1)
    mine = client.get("/mine", params={"reviewer": "Ana"}).json()["photos"]
    assert mine == document["photos"]
    assert client.get("/mine", params={"reviewer": "Bo"}).json() == {"photos": []}


def test_several_reviewers_saving_at_once_lose_nothing(trial: Trial, client: httpx.Client) -> None:
    document = a_document(trial)
    names = [f"reviewer {number}" for number in range(6)]
    saves = [
        batch({**document, "reviewer": name, "photos": [photo]}, f"device-{name[-1]}", number + 1)
        for number, photo in enumerate(document["photos"])
        for name in names
    ]
    with ThreadPoolExecutor(8) as pool:
        replies = list(pool.map(lambda save: client.post("/save", json=save).json(), saves))
    assert [len(reply["taken"]) for reply in replies] == [1] * len(saves)
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
        assert client.post("/save", json=batch(document), headers=headers).status_code == 403
        assert client.get("/mine", headers=headers).status_code == 403
    assert client.get("/", headers={"host": "elsewhere.example"}).status_code == 400
    own = {"origin": str(client.base_url).rstrip("/")}
    assert client.post("/save", json=batch(document), headers=own).status_code == 200
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


def test_one_wrong_answer_among_five_is_refused_in_words_and_the_others_are_taken(
    trial: Trial, client: httpx.Client
) -> None:
    document = a_document(trial)
    document["photos"][1]["count"] = 99
    sent = batch(document)
    sent["answers"].append({"number": 5, "document": {**a_document(trial), "sheet": "another"}})
    reply = client.post("/save", json=sent).json()
    assert reply["taken"] == [1, 3, 4]
    assert [each["number"] for each in reply["refused"]] == [2, 5]
    assert "99" in reply["refused"][0]["reason"]
    assert len(answers(trial)) == 3


@pytest.mark.parametrize(
    "spoil",
    [
        lambda sent: sent.update(format="something"),
        lambda sent: sent.update(device="short"),
        lambda sent: sent.update(device=["0123456789"]),
        lambda sent: sent.update(answers={}),
        lambda sent: sent["answers"][0].update(number="1"),
        lambda sent: sent["answers"][0].update(number=2),
        lambda sent: sent["answers"][0].update(number=0),
        lambda sent: sent.update(answers=sent["answers"] * 60),
    ],
)
def test_what_is_no_batch_is_refused_whole(trial: Trial, client: httpx.Client, spoil: Any) -> None:
    sent = batch(a_document(trial))
    spoil(sent)
    assert client.post("/save", json=sent).status_code == 400
    assert client.post("/save", content=b"{", headers=JSON).status_code == 400
    assert answers(trial) == []


def test_an_answer_sent_late_never_displaces_a_later_one_of_the_same_device(
    trial: Trial, client: httpx.Client
) -> None:
    first, second = a_document(trial), a_document(trial)
    first["photos"], second["photos"] = first["photos"][:1], second["photos"][:1]
    first["photos"][0]["at"] = "2026-07-04T10:00:00Z"  # the clock was set back between them
    second["photos"][0]["seconds"] = 9.0
    assert client.post("/save", json=batch(second, first=2)).json()["taken"] == [2]
    assert client.post("/save", json=batch(first, first=1)).json()["taken"] == [1]
    (entry,) = answers(trial)
    assert entry.body["number"] == 2


def test_a_full_disk_is_told_as_such_and_what_was_written_before_is_acknowledged(
    trial: Trial, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, written = Ledger.append_many, []

    def filling(self: Ledger, facts: Any, *, by: str) -> int:
        if len(written) == 2:
            raise LedgerError(self.path, "nothing was written (database or disk is full)")
        written.append(by)
        return whole(self, facts, by=by)

    monkeypatch.setattr(Ledger, "append_many", filling)
    reply = client.post("/save", json=batch(a_document(trial)))
    assert reply.status_code == 507
    assert reply.json()["taken"] == [1, 2]
    assert reply.json()["reason"] == "its disk is full"
    monkeypatch.setattr(Ledger, "append_many", whole)
    reply = client.post("/save", json=batch(a_document(trial)))
    assert reply.json() == {"taken": [1, 2, 3, 4], "refused": []}
    assert len(answers(trial)) == 4


def test_on_the_network_nothing_shows_without_the_token(trial: Trial) -> None:
    secret = token()
    assert len(secret) >= 22
    assert token() != secret
    with served(trial, secret) as where, httpx.Client() as client:
        root = where.removesuffix(f"/{secret}/")
        for path in ("/", "/mine", "/save", "/" + "a" * 22 + "/", f"/{secret[:-1]}/"):
            assert client.get(root + path).status_code == 404
        assert client.get(where).status_code == 200
        assert client.post(f"{where}save", json=batch(a_document(trial))).status_code == 200
        assert client.post(f"{root}/save", json=batch(a_document(trial))).status_code == 404


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


def test_two_browsers_answer_at_once_and_both_are_in_the_ledger(browser: Any, trial: Trial) -> None:
    with served(trial) as where:
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


def test_a_reviewer_goes_on_at_another_device_where_they_stopped(
    browser: Any, trial: Trial
) -> None:
    with served(trial) as where:
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


def test_answers_given_while_the_server_is_away_arrive_when_it_is_back(
    browser: Any, trial: Trial
) -> None:
    with served(trial) as where:
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
        page.wait_for_selector("#pace[data-saved='Saved']")
        context.close()


def test_saved_is_said_only_when_nothing_waits_and_a_restart_loses_nothing(
    browser: Any, trial: Trial
) -> None:
    context = browser.new_context(**PHONE)
    page = context.new_page()
    devices = devices_of(trial)
    with served(trial, devices.token, devices=devices) as where:
        port = int(where.split(":")[2].split("/")[0])
        opened(page, where, "Ana")
        page.click("#next")
        page.wait_for_selector("#pace[data-saved='Saved']")
    for _ in range(2):  # the desk is gone, the phone goes on
        page.click("#next")
    page.wait_for_selector("#pace[data-saved^='2 answers waiting']")
    again = devices_of(trial)
    assert again.token == devices.token
    with served(trial, again.token, port=port, devices=again):
        page.wait_for_selector("#pace[data-saved='Saved']", timeout=40_000)
        assert len(answers(trial)) == 3
    context.close()


def test_a_refused_answer_stays_in_sight_with_a_way_out_by_file(browser: Any, trial: Trial) -> None:
    with served(trial) as where:
        context = browser.new_context(**LAPTOP, accept_downloads=True)
        page = context.new_page()
        spoilt: list[int] = []

        def spoil(route: Any) -> None:
            sent = json.loads(route.request.post_data)
            for each in sent["answers"]:
                if each["number"] == 2:
                    spoilt.append(2)
                    each["document"]["photos"][0]["count"] += 90
            route.continue_(post_data=json.dumps(sent))

        page.route("**/save", spoil)
        opened(page, where, "Ana")
        for _ in range(3):
            page.click("#next")
        page.wait_for_selector("#trouble:has-text('1 answer was refused')")
        assert "the count is 96" in page.inner_text("#trouble")
        wait_for(lambda: len(answers(trial)) == 2)
        page.wait_for_selector("#pace[data-saved='1 answer was refused']")
        page.reload()  # it outlives the page
        page.wait_for_selector("html[data-ready=yes]")
        page.click("#trouble >> text=Look")
        with page.expect_download() as download:
            page.click("#menu button:has-text('Save them')")
        document = json.loads(Path(download.value.path()).read_text(encoding="utf-8"))
        assert [photo["answer"] for photo in document["photos"]] == ["counted"]
        page.unroute("**/save")
        page.click("text=Send again")
        page.wait_for_selector("#trouble", state="hidden")
        wait_for(lambda: len(answers(trial)) == 3)
        assert spoilt
        context.close()


def test_a_full_disk_is_said_on_the_page_and_the_answer_arrives_when_there_is_room(
    browser: Any, trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Ledger.append_many

    def full(self: Ledger, facts: Any, *, by: str) -> int:
        raise LedgerError(self.path, "nothing was written (database or disk is full)")

    with served(trial) as where:
        context = browser.new_context(**PHONE)
        page = context.new_page()
        opened(page, where, "Ana")
        monkeypatch.setattr(Ledger, "append_many", full)
        page.click("#next")
        page.wait_for_selector("#trouble:has-text('disk is full')")
        assert page.get_attribute("#pace", "data-saved") == "1 answer waiting for the desk"
        monkeypatch.setattr(Ledger, "append_many", whole)
        page.wait_for_selector("#pace[data-saved='Saved']", timeout=20_000)
        assert page.is_hidden("#trouble")
        assert len(answers(trial)) == 1
        context.close()


def test_a_name_belongs_to_the_device_that_used_it_first(trial: Trial) -> None:
    devices = devices_of(trial)
    with (
        served(trial, devices.token, devices=devices) as where,
        httpx.Client(base_url=where, follow_redirects=True) as one,
        httpx.Client(base_url=where, follow_redirects=True) as two,
    ):
        assert one.get("mine?reviewer=Ana").status_code == 401
        for each in (one, two):
            assert each.get("").status_code == 200
        assert one.post("save", json=batch(a_document(trial))).json()["taken"] == [1, 2, 3, 4]
        for name in ("Ana", "ana ", "\uff21na"):
            assert two.get("mine", params={"reviewer": name}).status_code == 409
        reply = two.post("save", json=batch(a_document(trial), "fedcba9876543210")).json()
        assert len(reply["refused"]) == 4
        assert "name of someone else" in reply["refused"][0]["reason"]
        code = one.post("hand-over", json={}).json()["address"].rpartition("=")[2]
        with httpx.Client(base_url=where, follow_redirects=True) as second:
            second.get("", params={"with": code})
            mine = second.get("mine", params={"reviewer": "Ana"}).json()
            assert len(mine["photos"]) == 4
        with httpx.Client(base_url=where, follow_redirects=True) as late:
            late.get("", params={"with": code})  # a code is good once
            assert late.get("mine", params={"reviewer": "Ana"}).status_code == 409


def test_a_device_keeps_its_key_over_a_restart_and_only_its_hash_is_written(trial: Trial) -> None:
    devices = devices_of(trial)
    key = devices.pair()
    again = devices_of(trial)
    assert again.owner(key) == devices.owner(key) != ""
    assert again.owner("another") == ""
    assert key not in again.path.read_text(encoding="utf-8")
    again.path.write_text("{", encoding="utf-8")
    with pytest.raises(CountingError, match="pairs again"):
        devices_of(trial)


def test_a_certificate_names_the_machine_and_is_made_again_for_another(tmp_path: Path) -> None:
    made = certificate(tmp_path / "own", "192.0.2.7")
    assert made.fingerprint.count(":") == 31
    assert certificate(tmp_path / "own", "192.0.2.7") == made
    other = certificate(tmp_path / "own", "192.0.2.8")
    assert other.fingerprint != made.fingerprint
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(other.chain, other.key)


def test_over_tls_the_sheet_is_served_encrypted(trial: Trial) -> None:
    secured = certificate(trial.directory / ".review", "127.0.0.1")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        place = Place("127.0.0.1", listener.getsockname()[1], "", secure=True)
        server = uvicorn.Server(settings(app(trial, place), secured))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        trust = ssl.create_default_context(cafile=str(secured.chain))
        assert address(place).startswith("https:")
        assert httpx.get(address(place), verify=trust).status_code == 200
        server.should_exit = True
        thread.join(10)


def test_connections_are_bounded_and_one_that_dawdles_is_cut(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("counting.review.live.bounds.HEAD_S", 1.0)
    with served(trial) as where, ExitStack() as stack:
        port = int(where.split(":")[2].rstrip("/"))
        held = [
            stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=10))
            for _ in range(MOST_OF_ONE + 20)
        ]
        for each in held[:MOST_OF_ONE:8]:
            with suppress(OSError):
                each.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
        begun = time.monotonic()
        for each in held:
            with suppress(OSError):
                assert each.recv(1) == b""
        assert time.monotonic() - begun < 8
        assert httpx.get(where).status_code == 200


def test_a_body_that_never_ends_is_given_up_and_a_device_that_hangs_up_leaves_no_trace(
    trial: Trial, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    # the package hands on a function of the same name as its module
    monkeypatch.setattr(sys.modules["counting.review.live.app"], "BODY_S", 0.5)
    with served(trial) as where:
        port = int(where.split(":")[2].rstrip("/"))
        head = (
            f"POST /save HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
            "Content-Type: application/json\r\nContent-Length: 5000\r\n\r\n{"
        ).encode()
        with socket.create_connection(("127.0.0.1", port), timeout=10) as slow:
            slow.sendall(head)
            assert slow.recv(100).startswith(b"HTTP/1.1 408")
        with socket.create_connection(("127.0.0.1", port), timeout=10) as gone:
            gone.sendall(head)
        time.sleep(0.3)
        assert httpx.get(where).status_code == 200
    assert not [each for each in caplog.records if each.exc_info]


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
        assert httpx.post(f"{address(place)}save", json=batch(document)).status_code == 200
        server.send_signal(signal.SIGINT)
        told = server.communicate(timeout=30)[1]
    assert "confirmed faster than a person can look" in told
    assert f"Ana 1 of {len(document['photos'])}" in told
    assert server.returncode == 0


def test_a_port_that_is_taken_is_named(trial: Trial) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        place = Place("127.0.0.1", listener.getsockname()[1])
        with pytest.raises(CountingError, match="--port"):
            serve(trial, place)
