"""The walk page: what the phone is told, keeps and hands in, with the network gone and back."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pandas as pd
import pytest
from browser import PHONE, axe_source, chromium
from hypothesis import given
from hypothesis import strategies as st
from test_desk import served

from counting.demo import demo_images, start_demo
from counting.desk.arrivals import waiting
from counting.desk.walk_page import walk_data, walk_document, words
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


def sent(number: int, **told: str) -> dict[str, Any]:
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
    assert judge(examine(PHOTO, Wanted(10.0, tags)), trial.plants, "A1-1").kind == "far"
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
    assert [each["number"] for each in told["refused"]] == [2]
    again = client.post("answers", json=batch(sent(4, value="8"))).json()
    assert again["taken"] == [4]
    assert tallied(trial) == {("A1-1", "trusses"): 8, ("A1-2", "trusses"): 4}
    assert client.post("answers", json={"format": "other"}).status_code == 400


@pytest.mark.slow
def test_a_walk_with_the_network_cut_and_the_page_killed_loses_nothing_and_doubles_nothing(
    browser: Any, trial: Trial
) -> None:
    with served(trial.directory.parent) as link:
        context = browser.new_context(**PHONE)
        page = context.new_page()
        page.set_default_timeout(60_000)
        address = f"{link}t/demo/go?on=1&survey={WALK}&measures=trusses"
        page.goto(address)
        page.wait_for_selector("html[data-ready=yes]")
        page.fill("#name", "Ana")
        page.click("text=Begin the walk")
        for place in range(24):
            if place == 8:
                context.set_offline(True)
            if place == 12:  # the page is killed while the network is away
                context.set_offline(False)
                page.close()
                page = context.new_page()
                page.set_default_timeout(60_000)
                page.goto(address)
                page.wait_for_selector("#code")
                context.set_offline(True)
            if place == 16:
                context.set_offline(False)
            code = page.inner_text("#code")
            if place in {0, 9, 17}:
                page.set_input_files("#take", str(PHOTO.parents[1] / code / "path.jpg"))
            for _ in range(place % 4 + 1):
                page.click('[aria-label="trusses: one more"]')
            page.click("#next")
        page.wait_for_selector("#end:not([hidden])")
        page.wait_for_function("() => document.querySelector('#queue').textContent.includes('All')")
        context.close()
    order = [plant["code"] for plant in walk_data(trial, WALK)["plants"]]
    expected = {(code, "trusses"): place % 4 + 1 for place, code in enumerate(order)}
    assert tallied(trial) == expected
    names = sorted(path.parent.name for path in waiting(trial.directory))
    assert names == sorted([order[0], order[9], order[17]])


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
    page.fill('[aria-label="altura, mm"]', "1240")
    page.click("#next")
    page.click("text=muerta")
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
    assert found["A1-1", "height"] == 1240
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
            page.evaluate(axe)
            found = page.evaluate("axe.run(document)")["violations"]
            faults += [
                f"{fault['id']}: {fault['nodes'][0]['html'][:120]}"
                for fault in found
                if fault["impact"] in {"serious", "critical"}
            ]
            assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
        context.close()
        assert faults == []


def test_a_walk_of_tags_only_keeps_no_photo(trial: Trial, client: httpx.Client) -> None:
    query = {"device": "phone-1234", "number": "1", "plant": "A1-2", "survey": WALK, "tags": "1"}
    headers = {"content-type": "application/octet-stream"}
    told = client.post("photo", params=query, content=PHOTO.read_bytes(), headers=headers).json()
    assert told["kind"] == "other plant"
    assert waiting(trial.directory) == []
    data = walk_data(trial, WALK, tags_only=True)
    assert not any(plant["hand"] for plant in data["plants"])
