"""The walk page: what the phone is told, keeps and hands in, with the network gone and back."""

from __future__ import annotations

import csv
import json
import os
import re
import signal
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pandas as pd
import pytest
from browser import PHONE, axe_source, barriers, chromium, executable
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import sync_playwright
from test_desk import served

from counting.demo import demo_images, start_demo
from counting.desk import serve
from counting.desk.arrivals import waiting
from counting.desk.serve import phone_door
from counting.desk.walk_page import walk_data, walk_document, words
from counting.ledger.facts import events, tallies
from counting.photos.examine import Wanted, examine
from counting.photos.judge import judge
from counting.plan.hand_counts import hand_counted
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.records.tallies import take_tallies

WALK = "2026-07-20"
PHOTO = demo_images() / "photos" / WALK / "A1-1" / "path.jpg"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    return start_demo(tmp_path / "shelf" / "demo")


@pytest.fixture
def client(trial: Trial) -> Iterator[httpx.Client]:
    with (
        served(trial.directory.parent) as link,
        httpx.Client(base_url=f"{link}t/demo/go/", timeout=60) as made,
    ):
        yield made


def tallied(trial: Trial) -> dict[tuple[str, str], float]:
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    rows = table[(table["source"] == "tally") & (table["survey"] == WALK)]
    return dict(zip(zip(rows["plant"], rows["measure"], strict=True), rows["value"], strict=True))


def sent(number: int, **told: Any) -> dict[str, Any]:
    document = {"survey": WALK, "plant": "A1-1", "measure": "trusses", "by": "Ana", "note": ""}
    return {"number": number, "document": document | told}


def batch(*answers: dict[str, Any]) -> dict[str, Any]:
    return {"format": "counting walk", "device": "phone-1234", "answers": list(answers)}


def test_whoever_walks_is_shown_plants_in_walking_order_and_no_group(trial: Trial) -> None:
    data = walk_data(trial, WALK, measures=("trusses",))
    codes = [plant["code"] for plant in data["plants"]]
    assert codes[:7] == ["A1-1", "A1-2", "A1-3", "A2-1", "A2-2", "A2-3", "B2-3"]
    text, _ = walk_document(trial, WALK)
    for group in trial.plan.groups:
        assert group.name not in text.replace(trial.plan.title, "")


@given(st.integers(0, 2**31), st.integers(2, 30))
def test_one_plant_in_five_of_each_group_is_drawn_to_be_counted_by_hand(
    seed: int, number: int
) -> None:
    plants = pd.DataFrame(
        {
            "code": [f"P{place}" for place in range(2 * number)],
            "group": ["a", "b"] * number,
            "guard": [False] * (2 * number),
        }
    )
    drawn = hand_counted(plants, seed=seed, survey=WALK)
    of_group = plants[plants["code"].isin(drawn)].groupby("group")["code"].count()
    assert set(of_group) == {min(number, max(2, int(np.ceil(0.2 * number))))}
    assert drawn == hand_counted(plants.iloc[::-1], seed=seed, survey=WALK)


def test_the_words_of_every_language_have_the_same_keys_and_places_to_fill() -> None:
    english, *others = words().values()

    def places(text: Any) -> set[str]:
        return set(re.findall(r"\{(\w+)\}", json.dumps(text)))

    for other in others:
        assert other.keys() == english.keys()
        assert {key: places(other[key]) for key in english} == {
            key: places(english[key]) for key in english
        }


def test_a_photo_is_judged_by_its_tag_its_sharpness_and_its_size(trial: Trial) -> None:
    tags = frozenset(int(tag) for tag in trial.plants["tag"])
    found = examine(PHOTO, Wanted(5.0, tags))
    assert judge(found, trial.plants, "A1-2").kind == "other plant"
    assert judge(found, trial.plants, "A1-2").plants == ("A1-1",)
    assert judge(examine(PHOTO, Wanted(5.0, tags)), trial.plants, "A1-1").kind == "far"
    assert judge(examine(PHOTO, Wanted(20.0, tags)), trial.plants, "A1-1").kind == "good"
    assert judge(examine(PHOTO, Wanted(20.0, frozenset())), trial.plants, "A1-1").kind == "no tag"


def test_a_photo_sent_again_after_a_lost_reply_lies_there_once(
    trial: Trial, client: httpx.Client
) -> None:
    query = {"device": "phone-1234", "number": "1", "plant": "A1-1", "survey": WALK}
    headers = {"content-type": "application/octet-stream"}
    content = PHOTO.read_bytes()
    for _ in range(2):
        told = client.post("photo", params=query, content=content, headers=headers).json()
        assert told["plants"] == ["A1-1"]
    names = [path.relative_to(trial.directory).as_posix() for path in waiting(trial.directory)]
    assert names == [f".arriving/{WALK}/A1-1/phone-1234-1.jpg"]
    broken = client.post(
        "photo", params=query | {"number": "2"}, content=b"no photo", headers=headers
    )
    assert broken.status_code == 422
    assert len(waiting(trial.directory)) == 1


def test_each_value_is_taken_or_refused_by_its_number(trial: Trial, client: httpx.Client) -> None:
    answers = [sent(1, value="7"), sent(2, value="many"), sent(3, plant="A1-2", value="4")]
    told = client.post("answers", json=batch(*answers)).json()
    assert told["taken"] == [1, 3]
    [refused] = told["refused"]
    assert (refused["number"], "many" in refused["reason"]) == (2, True)
    [refused] = posted(client, 2, value="many", language="es")["refused"]
    assert refused["reason"] == "A1-1, racimos many: no se aceptó. ¿Es correcto? Cuente otra vez."
    again = client.post("answers", json=batch(sent(4, value="8"))).json()
    assert again["taken"] == [4]
    assert tallied(trial) == {("A1-1", "trusses"): 8, ("A1-2", "trusses"): 4}
    assert client.post("answers", json={"format": "other"}).status_code == 400


def posted(client: httpx.Client, number: int, **told: Any) -> Any:
    return client.post("answers", json=batch(sent(number, **told))).json()


def test_what_two_walkers_record_on_one_plant_is_asked_about_and_never_summed(
    trial: Trial, client: httpx.Client
) -> None:
    assert posted(client, 1, value="7")["taken"] == [1]
    [asked] = posted(client, 2, value="5", by="Ben")["refused"]
    assert asked["other"] == {"by": "Ana", "value": "7"}
    assert tallied(trial) == {("A1-1", "trusses"): 7}
    assert posted(client, 3, value="7", by="Ben")["taken"] == [3]
    later = {"by": "Cy", "over": True, "at": datetime.now(UTC).isoformat()}
    assert posted(client, 4, value="5", **later)["taken"] == [4]
    assert tallied(trial) == {("A1-1", "trusses"): 5}


def test_trusses_add_up_and_lengths_keep_their_unit(trial: Trial, client: httpx.Client) -> None:
    for truss, value in (("1", "4"), ("3", "5")):
        posted(client, int(truss), measure="fruit", truss=truss, value=value)
    posted(client, 4, measure="height", value="124.5", unit="cm")
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    mine = table[(table["plant"] == "A1-1") & (table["survey"] == WALK)]
    fruit = mine[mine["measure"] == "fruit"].set_index("truss")["value"]
    assert [fruit.get(1), fruit.get(3)] == [4, 5]
    assert fruit[fruit.index.isna()].tolist() == [9]
    assert mine[mine["measure"] == "height"]["value"].tolist() == [1245]


def test_a_value_taken_back_after_it_was_sent_no_longer_counts(
    trial: Trial, client: httpx.Client
) -> None:
    assert posted(client, 1, value="")["taken"] == [1]
    assert tallied(trial) == {}
    posted(client, 2, value="7")
    posted(client, 3, value="")
    assert np.isnan(tallied(trial)["A1-1", "trusses"])
    posted(client, 4, value="6", by="Ben")  # what was taken back asks nobody
    posted(client, 5, value="8")
    assert trial_entries(trial, "note") == []


def trial_entries(trial: Trial, kind: str) -> list[str]:
    with trial.ledger() as ledger:
        return [each.note for each in events(ledger) if each.kind_of == kind and not each.struck]


def test_a_note_on_a_plant_stands_in_the_diary_once(trial: Trial, client: httpx.Client) -> None:
    for number, note in enumerate(("picked", "picked; leaf curl", "picked; leaf curl"), 1):
        assert posted(client, number, measure="", note=note)["taken"] == [number]
    assert trial_entries(trial, "note") == ["picked; leaf curl"]
    posted(client, 4, measure="", note="")
    assert trial_entries(trial, "note") == []


def test_a_phone_whose_clock_is_a_day_wrong_is_set_right_and_what_it_said_is_kept(
    trial: Trial, client: httpx.Client
) -> None:
    now = datetime.now(UTC)
    slow = (now - timedelta(days=1)).isoformat()
    told = batch(sent(1, value="7", at=slow)) | {"now": slow}
    for _ in range(2):  # sent again after a lost reply
        assert client.post("answers", json=told).json()["taken"] == [1]
    with trial.ledger() as ledger:
        [tally] = [each for each in tallies(ledger) if each.survey == WALK]
        entries = [each for each in ledger.entries() if each.kind == "observation"]
    assert abs(datetime.fromisoformat(tally.at) - now) < timedelta(minutes=1)
    assert "the phone's clock said" in tally.note
    assert len([each for each in entries if WALK in each.key]) == 1


class Phone:
    """A browser with a memory of its own that can be killed as an empty battery does it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.driver: Any = sync_playwright().start()
        self.open()

    def open(self) -> None:
        self.context = self.driver.chromium.launch_persistent_context(
            str(self.folder),
            executable_path=executable(),
            args=["--no-sandbox", "--disable-gpu"],
            **PHONE,
        )
        self.page = self.context.pages[0]
        self.page.set_default_timeout(60_000)

    def kill(self) -> None:
        mine = str(self.folder).encode()
        for process in Path("/proc").glob("[0-9]*"):
            try:
                if mine in (process / "cmdline").read_bytes():
                    os.kill(int(process.name), signal.SIGKILL)
            except OSError:  # it ended by itself, or is not ours to read
                continue
        with suppress(Exception):
            self.context.close()
        self.open()

    def walk(self, address: str) -> None:
        self.page.goto(address)
        self.page.wait_for_selector("html[data-ready=yes]")
        if self.page.is_visible("#who"):
            self.page.fill("#name", "Ana")
            self.page.click("#who .strong")

    def end(self) -> None:
        self.context.close()
        self.driver.stop()


@pytest.mark.slow
def test_a_walk_with_the_network_cut_the_browser_killed_and_the_desk_restarted_loses_nothing(
    trial: Trial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """24 plants, each with a photo and tallies; eight of them without network."""
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    phone, desk = Phone(tmp_path / "phone"), ExitStack()
    way = f"t/demo/go?on=1&survey={WALK}&measures=fruit,trusses&by_truss=1"

    def open_desk() -> str:
        return desk.enter_context(served(trial.directory.parent, phone_door(tmp_path / "own")))

    order = [plant["code"] for plant in walk_data(trial, WALK)["plants"]]
    address = open_desk() + way
    phone.walk(address)
    for place in range(24):
        if place in {4, 12}:  # a page needs the desk to be loaded; what was tapped does not
            phone.context.set_offline(False)
            phone.kill()
            phone.walk(address)
        phone.context.set_offline(8 <= place < 16)
        if place == 18:
            desk.close()
        if place == 20:
            assert open_desk() + way == address
        page, code = phone.page, order[place]
        if place in {4, 12} and page.inner_text("#code") != code:
            page.click("#next")  # killed before it was noted that the person had gone on
        assert page.inner_text("#code") == code
        page.set_input_files("#take", str(PHOTO.parents[1] / code / "path.jpg"))
        for _ in range(place % 3 + 1):
            page.click('[aria-label="truss 1: one more"]')
        page.click("text=Next truss")
        page.click('[aria-label="truss 2: one more"]')
        page.click('[aria-label="trusses: one more"]')
        page.click("#next")
    phone.page.wait_for_selector("#end:not([hidden])")
    phone.page.wait_for_selector("#queue:has-text('All is at the desk')")
    phone.end()
    desk.close()
    with trial.ledger() as ledger:
        told = {
            (tally.plant, tally.measure, tally.truss): tally.value
            for tally in tallies(ledger)
            if tally.survey == WALK
        }
    expected = {(code, "fruit", 1): place % 3 + 1 for place, code in enumerate(order)}
    expected |= {(code, "fruit", 2): 1 for code in order}
    expected |= {(code, "trusses", None): 1 for code in order}
    assert told == expected
    assert sorted(path.parent.name for path in waiting(trial.directory)) == sorted(order)


def test_the_page_as_a_file_hands_out_a_table_that_tally_takes(
    browser: Any, trial: Trial, tmp_path: Path
) -> None:
    text, _ = walk_document(trial, WALK, measures=("trusses", "height"))
    path = tmp_path / "walk.html"
    path.write_text(text, encoding="utf-8")
    context = browser.new_context(**PHONE, accept_downloads=True, locale="es-MX")
    page = context.new_page()
    page.set_default_timeout(30_000)
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=yes]")
    page.fill("#name", "Ana")
    page.click("text=Empezar el recorrido")
    page.click('[aria-label="racimos: uno más"]')
    page.fill('[aria-label="altura"]', "124,5")
    page.click("#next")
    page.click("text=muerta")
    page.wait_for_selector("#queue:has-text('Guardado en este')")
    page.close()  # opened again it goes on at the same plant, still without any network
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("#code:has-text('A1-2')")
    page.wait_for_selector("[aria-pressed=true]:has-text('muerta')")
    with page.expect_download() as handed:
        page.click("main#plant .to-file")
    table = tmp_path / "walk.csv"
    handed.value.save_as(table)
    context.close()
    rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))
    assert {row["plant"] for row in rows} == {"A1-1", "A1-2"}
    take_tallies(trial, [table])
    found = tallied(trial)
    assert found["A1-1", "trusses"] == 1
    assert found["A1-1", "height"] == 1245
    assert np.isnan(found["A1-2", "fruit"])


def test_the_walk_page_bars_nobody_and_does_not_scroll_sideways(browser: Any, trial: Trial) -> None:
    axe = axe_source()
    with served(trial.directory.parent) as link:
        context = browser.new_context(**PHONE, bypass_csp=True)
        page = context.new_page()
        page.goto(f"{link}t/demo/go?on=1&survey={WALK}&measures=trusses,height")
        page.wait_for_selector("html[data-ready=yes]")
        faults = []
        for step in ("", "text=Begin the walk"):
            if step:
                page.fill("#name", "Ana")
                page.click(step)
            faults += barriers(page, axe)
            assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
        context.close()
        assert faults == []


def test_long_words_and_writing_from_the_right_fit_the_phone(
    browser: Any, trial: Trial, tmp_path: Path
) -> None:
    text, _ = walk_document(trial, WALK, measures=("trusses", "height", "disease"), by_truss=True)
    held = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert held
    data = json.loads(held[1])
    data["texts"]["ar"] = {
        key: words if isinstance(words, dict) else f"{words} Traubenfruchtansatzzaehlung"
        for key, words in data["texts"]["en"].items()
    }
    path = tmp_path / "walk.html"
    path.write_text(text.replace(held[1], json.dumps(data).replace("<", "\\u003c")), "utf-8")
    context = browser.new_context(**PHONE, locale="ar")
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=yes][dir=rtl]")
    page.fill("#name", "Ana")
    page.click("#who .strong")
    while page.is_hidden("#end"):
        assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
        page.click("#next")
    assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
    context.close()


def test_a_walk_of_tags_only_keeps_no_photo(trial: Trial, client: httpx.Client) -> None:
    query = {"device": "phone-1234", "number": "1", "plant": "A1-2", "survey": WALK, "tags": "1"}
    headers = {"content-type": "application/octet-stream"}
    told = client.post("photo", params=query, content=PHOTO.read_bytes(), headers=headers).json()
    assert told["kind"] == "other plant"
    assert waiting(trial.directory) == []
    data = walk_data(trial, WALK, tags_only=True)
    assert not any(plant["hand"] for plant in data["plants"])
