"""The desk: what its pages show, take and refuse, and the whole job by clicking."""

from __future__ import annotations

import asyncio
import html
import json
import re
import shlex
import threading
import time
from collections.abc import AsyncIterator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
import uvicorn
from browser import LAPTOP, PHONE, axe_source, barriers, chromium
from grower import Grower, check_all
from PIL import Image
from sheet_trial import Drawn, draw_trial
from trials import add_photo, make_trial
from typer.testing import CliRunner

from counting.cli import app as command_line
from counting.crops import unmeasured
from counting.demo import demo_images
from counting.desk import serve
from counting.desk.addresses import GET, POST
from counting.desk.app import desk_app
from counting.desk.arrivals import by_day, receive, waiting
from counting.desk.asked import Asked
from counting.desk.beds import beds
from counting.desk.desk import Desk
from counting.desk.serve import Door, desk_at, door, phone_door
from counting.desk.shelf import Shelf, folder_name
from counting.desk.spoken import spoken
from counting.desk.views.walk import propose_behind, walk
from counting.desk.work import Piece, Work
from counting.errors import CountingError, PhotoError
from counting.finding.propose import Proposed
from counting.flags import Flag
from counting.ledger.facts import events, photos, standing_answers
from counting.plan.trial import Trial, load_trial
from counting.records.exclusions import leave_out
from counting.records.observations import observations
from counting.records.tallies import take_tallies
from counting.report.keeping.audit import audit
from counting.report.season import season
from counting.settings import Settings

FORM = {"content-type": "application/x-www-form-urlencoded"}
SIZES = pytest.mark.parametrize("kind", [PHONE, LAPTOP], ids=["phone", "laptop"])


@contextmanager
def served(shelf: Path, where: Door | None = None) -> Iterator[str]:
    """Serve a desk on a free port, or at a door; yield its link."""
    where = where or door("127.0.0.1", 0)
    app = desk_app(desk_at(shelf, where))
    config = uvicorn.Config(app, log_level="error", access_log=False)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [where.listener]}, daemon=True)
    thread.start()
    try:
        yield where.address
    finally:
        server.should_exit = True
        thread.join(10)
        where.listener.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    return draw_trial(tmp_path / "shelf" / "vines", Drawn(plants=4, sides=("a",), size=(400, 300)))


@pytest.fixture
def client(trial: Trial) -> Iterator[httpx.Client]:
    with served(trial.directory.parent) as link, httpx.Client(base_url=link, timeout=60) as made:
        yield made


def pages_of(name: str) -> list[str]:
    """Return the address of every page of a trial that needs no further name."""
    return [
        path.removeprefix("/").replace("{trial}", name)
        for path, *_ in GET
        if "{" not in path.replace("{trial}", "")
        and "." not in path
        and not path.endswith(("-file", "/change"))
    ]


def test_every_page_of_a_trial_opens_and_says_what_the_command_line_would_do(
    client: httpx.Client,
) -> None:
    for path in pages_of("vines"):
        reply = client.get(path, headers={"accept": "text/html"})
        assert reply.status_code == 200, (path, reply.text)
        assert "default-src 'none'" in reply.headers["content-security-policy"]
        assert "On the command line: <code>counting " in reply.text, path
    assert "counting take-in vines" in client.get("t/vines/walk").text


def test_a_page_of_a_trial_that_is_not_there_says_so(client: httpx.Client) -> None:
    reply = client.get("t/roses", headers={"accept": "text/html"})
    assert reply.status_code == 422
    assert "no such trial here" in reply.text


@pytest.mark.parametrize("path", ["t/../secret", "t/%2e%2e/plan", "files/../app.py", "files/x.js"])
def test_no_address_leads_out_of_the_shelf(client: httpx.Client, path: str) -> None:
    assert client.get(path).status_code in {404, 422}


def test_without_the_key_of_the_link_nothing_shows(client: httpx.Client) -> None:
    root = httpx.URL(str(client.base_url)).copy_with(path="/")
    assert httpx.get(root).status_code == 404
    assert httpx.get(root.join("t/vines")).status_code == 404


def test_a_phone_pairs_once_and_finds_the_desk_again_after_a_restart(
    trial: Trial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    shelf, own = trial.directory.parent, tmp_path / "own"
    first = phone_door(own)
    address = first.address
    with served(shelf, first) as link, httpx.Client(base_url=link) as phone:
        assert phone.post("demo", headers=FORM).status_code == 401
        walk = "t/vines/go?on=1&survey=2026-07-02"
        assert phone.get(walk).status_code == 303
        assert phone.get(walk).status_code == 200
        assert phone.cookies["counting_device"] not in (own / "devices.json").read_text("utf-8")
        assert phone.get("t/vines/sheet/", follow_redirects=True).status_code == 200
    again = phone_door(own)
    assert again.address == address
    with served(shelf, again) as link:
        reply = httpx.get(link, cookies=phone.cookies)
        assert reply.status_code == 200
        assert httpx.get(link + "t/vines", cookies={"counting_device": "guess"}).status_code == 303


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (
            "They became 2 surveys. One survey? Take them in again with --survey 2026-07-06"
            " --replace.",
            "They became 2 surveys.",
        ),
        (
            "2 days: 2 surveys? Take them in again with --survey from-camera --replace. If the"
            " camera's clock is wrong, nothing is to do.",
            "If the camera's clock is wrong, nothing is to do.",
        ),
        (
            "nothing recorded of this measure; first take counts in: counting confirm, or counting"
            " tally",
            "nothing recorded of this measure; check photos, or type tallies in",
        ),
        ("the photo shows plant A1-2 and A1-3", "the photo shows plant A1-2 and A1-3"),
    ],
)
def test_a_mend_meant_for_a_terminal_is_said_as_a_page_says_it(told: str, said: str) -> None:
    assert spoken(told) == said


def test_the_check_page_says_on_how_many_photos_a_tag_may_show(
    client: httpx.Client, trial: Trial
) -> None:
    assert "no tag was read" not in client.get("t/vines/check").text  # a trial without tags
    with trial.ledger() as ledger:
        taken = list(photos(ledger).values())
    card = [[0, 0], [9, 0], [9, 9], [0, 9]]
    for each in taken[1:]:
        tag = {"code": each.plant, "id": 0, "mm_per_px": 0.5, "card": card}
        add_photo(trial, each.plant, survey=each.survey, photo=each.photo, file=each.file, tag=tag)
    assert "On 1 of 4 photos no tag was read, so none is covered" in (
        client.get("t/vines/check").text
    )


def test_phones_are_let_in_by_a_button_and_two_of_them_never_walk_under_one_name(
    client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    assert "Let phones in" in client.get("t/vines/go?survey=2026-07-02").text
    assert client.post("phones", data={"trial": "vines", "page": "walk"}).status_code == 303
    way = client.get("t/vines/go?survey=2026-07-02").text
    [link] = re.findall(r'<a href="(http://127.0.0.1:\d+/[^/"]+/)t/vines/go\?on=1', way)
    assert not link.startswith(str(client.base_url))
    assert f"{link}t/vines/sheet/" in client.get("t/vines/check").text
    with httpx.Client(base_url=link, follow_redirects=True, timeout=60) as phone:
        phone.get("t/vines/go?on=1")
        for device, refused in (("phone-0001", 0), ("phone-0002", 1), ("phone-0001", 0)):
            told = {"survey": "2026-07-02", "plant": "P1", "measure": "trusses", "value": "3"}
            answers = [{"number": 1, "document": told | {"by": "Ana"}}]
            batch = {"format": "counting walk", "device": device, "answers": answers}
            reply = phone.post("t/vines/go/answers", json=batch).json()
            assert len(reply["refused"]) == refused, reply


def test_foreign_hosts_and_origins_are_refused(client: httpx.Client) -> None:
    assert client.get("", headers={"host": "example.org"}).status_code == 400
    foreign = {"origin": "http://example.org"} | FORM
    assert client.post("demo", headers=foreign).status_code == 403
    assert client.post("demo", headers={"sec-fetch-site": "cross-site"} | FORM).status_code == 403
    assert client.post("demo", headers={"content-type": "text/plain"}).status_code == 415


def test_a_form_with_faults_comes_back_with_what_was_typed_and_the_faults_beside_the_fields(
    client: httpx.Client, trial: Trial
) -> None:
    typed = {"title": "Two roots", "group_1": "own", "blocks": "four", "smallest_fruit_mm": "12"}
    reply = client.post("new", data=typed)
    assert reply.status_code == 422
    assert 'value="Two roots"' in reply.text
    assert 'aria-describedby="wrong-blocks"' in reply.text
    assert "&#39;four&#39; is not a whole number" in reply.text
    assert "name two groups or more" in reply.text
    assert [path.name for path in trial.directory.parent.iterdir()] == ["vines"]


def test_a_plan_by_the_form_is_the_plan_of_the_command_line(
    client: httpx.Client, trial: Trial
) -> None:
    typed = {
        "title": "Two roots",
        "group_1": "own-rooted",
        "group_2": "grafted",
        "treatment_2": "on a vigorous rootstock",
        "blocks": "5",
        "guards_per_plot": "0",
        "smallest_difference": "25 %",
    }
    assert client.post("new", data=typed).status_code == 303
    made = load_trial(trial.directory.parent / "two-roots")
    assert made.plan.control == "own-rooted"
    assert made.plan.layout.blocks == 5
    assert made.plan.smallest_difference == 0.25
    assert made.plan.groups[1].treatment == "on a vigorous rootstock"
    other = trial.directory.parent.parent / "by-command"
    words = ["start", str(other), "--title", "Two roots", "--group", "own-rooted"]
    words += ["--group", "grafted=on a vigorous rootstock", "--control", "own-rooted"]
    words += ["--blocks", "5", "--guards-per-plot", "0", "--smallest-difference", "0.25"]
    words += ["--seed", str(made.plan.seed)]
    assert CliRunner().invoke(command_line, words).exit_code == 0
    assert load_trial(other).plants.equals(made.plants)


def test_the_command_that_a_plans_page_names_makes_the_same_plan(
    client: httpx.Client, trial: Trial
) -> None:
    typed = {
        "title": 'Été "50/50" $HOME',
        "group_1": "own/rooted",
        "group_2": "greffé",
        "treatment_2": "on a vigorous rootstock",
        "allotted_to": "plant",
        "plots_per_group": "5",
        "spacing_mm": "45 cm",
        "smallest_fruit_mm": "8",
        "count_fallen": "yes",
        "add_picked": "no",
        "before": "2026-07-01",
    }
    reply = client.post("new", data=typed)
    name = reply.headers["location"].split("/")[-2]
    made = load_trial(trial.directory.parent / name)
    page = html.unescape(client.get(f"t/{name}/plan").text)
    shown = page.split("<code>counting ")[1].split("; counting amend")[0]
    words = shlex.split(shown)
    words[1] = str(trial.directory.parent.parent / "by-command")
    assert CliRunner().invoke(command_line, words).exit_code == 0
    again = load_trial(Path(words[1]))
    assert again.plants.equals(made.plants)
    apart = {"id", "surveys", "year"}
    assert again.plan.model_dump(exclude=apart) == made.plan.model_dump(exclude=apart)


def test_a_double_click_makes_one_trial_and_one_event(
    browser: Any, client: httpx.Client, trial: Trial
) -> None:
    page = browser.new_context(**LAPTOP).new_page()
    page.goto(f"{client.base_url}new")
    for name, text in (("title", "Twice"), ("group_1", "own"), ("group_2", "grafted")):
        page.fill(f"[name={name}]", text)
    page.wait_for_selector("#map:not([hidden])")
    page.dblclick("text=Draw lots and make the trial")
    page.wait_for_url("**/plan")
    shelf = trial.directory.parent
    assert sorted(path.parent.name for path in shelf.glob("*/trial.toml")) == ["twice", "vines"]
    page.goto(f"{client.base_url}t/vines/diary")
    page.fill("[name=kind]", "pruning")
    with page.expect_navigation():
        page.dblclick("text=Write it down")
    page.context.close()
    with trial.ledger() as ledger:
        assert len(events(ledger)) == 1


def test_a_plan_can_be_changed_until_something_is_recorded_under_it(
    client: httpx.Client, trial: Trial
) -> None:
    typed = {"title": "Two roots", "group_1": "own", "group_2": "grafted", "blocks": "3"}
    client.post("new", data=typed)
    form = client.get("t/two-roots/plan/change").text
    assert 'value="grafted"' in form
    assert client.post("t/two-roots/plan/again", data=typed | {"blocks": "5"}).status_code == 303
    assert load_trial(trial.directory.parent / "two-roots").plan.layout.blocks == 5
    accepts = {"accept": "text/html"}
    assert "recorded under the plan" in client.get("t/vines/plan/change", headers=accepts).text
    assert "what counts stay as they are" in client.get("t/vines/plan").text


def test_the_map_is_drawn_while_the_form_is_filled_in(client: httpx.Client) -> None:
    reply = client.get("new/map.svg", params={"blocks": "3"})
    assert reply.headers.get("content-type", "").startswith("image/svg")
    assert client.get("new/map.svg", params={"blocks": "many"}).status_code == 204


def test_photos_under_a_wrong_day_move_to_the_right_one_and_what_was_confirmed_goes_along(
    client: httpx.Client, trial: Trial
) -> None:
    with trial.ledger() as ledger:
        [survey] = {each.survey for each in photos(ledger).values()}
        before = len(standing_answers(ledger))
    words = {"survey": survey, "day": "2026-07-09", "reason": "typed wrongly", "by": "Ana"}
    page = client.post("t/vines/walk/day", data=words)
    assert f"4 photos of {survey} moved to 2026-07-09." in page.text
    with trial.ledger() as ledger:
        assert {each.survey for each in photos(ledger).values()} == {"2026-07-09"}
        assert len(standing_answers(ledger)) == before
    again = client.post("t/vines/walk/day", data=words)
    assert again.status_code == 422
    assert f"survey {survey} has no photo to move" in again.text


def test_photos_without_a_time_are_no_day_of_their_own(client: httpx.Client, trial: Trial) -> None:
    arrived = trial.directory / ".arriving"
    arrived.mkdir()
    Image.new("RGB", (64, 48)).save(arrived / "plain.jpg")
    exif = Image.Exif()
    exif[306] = "2026:07:05 08:00:00"
    Image.new("RGB", (64, 48), "red").save(arrived / "dated.jpg", exif=exif)
    page = client.get("t/vines/walk").text
    assert "The camera says 2026-07-05 of 1." in page
    assert "1 of them carries no time: without a date it waits." in page
    assert 'name="survey" required' not in page
    (arrived / "dated.jpg").unlink()
    page = client.get("t/vines/walk").text
    assert "1 of them carries no time: give the date of the survey." in page
    assert 'name="survey" required' in page


def test_a_plant_left_out_on_its_page_is_named_and_can_come_back(client: httpx.Client) -> None:
    page = client.post("t/vines/plant/P1/leave", data={"reason": "broken by wind", "by": "Ana"})
    assert "broken by wind" in page.text
    assert "broken by wind" in client.get("t/vines/plants").text
    assert client.post("t/vines/plant/P2/leave", data={"reason": ""}).status_code == 422
    assert "counts again" in client.post("t/vines/plant/P1/leave", data={"back": "1"}).text


def test_typed_tallies_enter_as_the_command_takes_them(client: httpx.Client, trial: Trial) -> None:
    value = {
        "survey": "2026-07-01",
        "by": "Ana",
        "rows": [{"plant": "P1", "fruit": "7"}, {"plant": "P2", "fruit": "9"}],
    }
    assert client.post("t/vines/tallies/typed", json=value).json()["said"] == [
        "Took in 2 values of 2 plants."
    ]
    assert 'value="9"' in client.get("t/vines/tallies?survey=2026-07-01").text
    value["rows"] = [{"plant": "P9", "fruit": "7"}]
    assert "P9" in client.post("t/vines/tallies/typed", json=value).json()["refused"]
    kept = sorted(path.name for path in (trial.directory / "tallies").iterdir())
    assert kept == ["2026-07-01-typed.csv"]


def test_a_cell_that_was_emptied_is_taken_back_and_what_is_typed_last_stands(
    client: httpx.Client, trial: Trial
) -> None:
    """Whoever types it: a correction without a name stands over Zoe's value, and goes again."""

    def typed(by: str, **cells: str) -> Any:
        rows = [{"plant": plant, "fruit": text} for plant, text in cells.items()]
        words = {"survey": "2026-07-01", "by": by, "rows": rows}
        return client.post("t/vines/tallies/typed", json=words).json()

    def value() -> float | None:
        with trial.ledger() as ledger:
            table = observations(trial, ledger)
        now = table[(table["source"] == "tally") & (table["plant"] == "P1")]
        return None if now["value"].isna().all() else float(now["value"].iloc[0])

    typed("Zoe", P1="7", P2="9")
    assert "1 corrects an earlier value" in typed("", P1="8")["said"][1]
    assert value() == 8
    back = typed("Ana", P1="", P2="9")
    assert back["said"][-1] == "Taken back: fruit of P1. The ledger keeps what was told."
    assert value() is None
    typed("Zoe", P1="7")
    assert value() == 7
    assert typed("Zoe", P3="-")["said"] == ["Nothing is typed that was not so before."]
    wrong = typed("Zoe", P1="x", P2="-3")["refused"].splitlines()
    assert wrong[0] == "nothing was written"
    assert [line[:4] for line in wrong[1:]] == ["P1: ", "P2: "]


def read(client: httpx.Client, **told: Any) -> Any:
    return client.post("t/vines/tallies/read", json=told).json()


def dropped(client: httpx.Client, name: str, text: str) -> Any:
    headers = {"content-type": "application/octet-stream"}
    return client.post(f"t/vines/tallies/sheet?name={name}", content=text, headers=headers).json()


def test_a_dropped_spreadsheet_is_shown_before_it_is_taken_in(client: httpx.Client) -> None:
    shown = dropped(client, "a.csv", "survey,plant,fruit\n2026-07-01,P3,4\n")
    assert [column["read_as"] for column in shown["columns"]] == ["survey", "plant", "fruit"]
    assert shown["clear"]
    assert read(client, file=shown["file"])["said"][0] == "Took in 1 value of 1 plant."
    assert "expected a CSV, XLSX or ODS" in dropped(client, "a.exe", "x")["refused"]


def test_a_messy_spreadsheet_is_asked_about_mended_in_the_page_and_remembered(
    client: httpx.Client, trial: Trial
) -> None:
    text = "Our tunnel,,\n,,\nDate,Plant no.,Red toms\n06/07/2026,p1,7\n06/07/2026,P2,seven\n"
    text += "Total,,14\n"
    shown = dropped(client, "messy.csv", text)
    assert not shown["clear"]
    chosen = {"Red toms": "fruit"}
    shown = read(client, file=shown["file"], columns=chosen)
    assert len(shown["ask_dates"]) == 2
    shown = read(client, file=shown["file"], columns=chosen, day_first=True)
    [doubt] = shown["doubts"]
    assert (doubt["plant"], doubt["cell"]) == ("P2", "seven")
    mend = {"line": doubt["line"], "place": doubt["place"], "text": "7"}
    told = read(client, file=shown["file"], columns=chosen, day_first=True, mends=[mend])
    assert told["said"][0] == "Took in 2 values of 2 plants."
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    now = table[(table["source"] == "tally") & (table["survey"] == "2026-07-06")]
    assert sorted(zip(now["plant"], now["value"], strict=True)) == [("P1", 7), ("P2", 7)]
    again = dropped(client, "next.csv", "Date,Plant no.,Red toms\n13/07/2026,P3,5\n")
    assert again["clear"]


def test_an_event_of_the_diary_is_written_with_its_cautions(client: httpx.Client) -> None:
    form = {
        "kind": "application",
        "at": "2026-07-01 07:30",
        "product": "soap",
        "dilution": "1 : 100",
    }
    page = client.post("t/vines/diary", data=form | {"amount_litre": "2"})
    assert "Before and after an application" in page.text
    assert "soap" in client.get("t/vines/diary").text
    wrong = client.post("t/vines/diary", data={"kind": "pruning", "at": "some day"})
    assert wrong.status_code == 422
    assert 'value="pruning"' in wrong.text


def test_an_event_is_struck_on_the_page_with_the_reason(client: httpx.Client, trial: Trial) -> None:
    for kind in ("frost", "storm"):
        client.post("t/vines/diary", data={"kind": kind, "at": "2026-07-01"})
    page = client.get("t/vines/diary").text
    [event] = re.findall(r'name="event" value="(\w+)"', page.partition("frost, whole trial")[2])[:1]
    refused = client.post("t/vines/diary/strike", data={"event": event, "reason": " "})
    assert refused.status_code == 422
    assert "no reason given; say why<" in refused.text.replace("\n", "")
    told = {"event": event, "reason": "it was the other tunnel", "by": "Ana"}
    page = client.post("t/vines/diary/strike", data=told).text
    assert "frost, whole trial" not in page
    assert "storm, whole trial" in page
    assert "struck: it was the other tunnel" in client.get("t/vines/plant/P1").text


def test_a_table_of_events_is_dropped_on_the_diary(client: httpx.Client) -> None:
    headers = {"content-type": "application/octet-stream"}

    def bring(name: str, text: str) -> Any:
        return client.post(f"t/vines/diary/sheet?name={name}", content=text, headers=headers).json()

    assert bring("d.csv", "at,kind,note\n2026-07-01,pruning,all\n2026-07-02,storm,\n") == {
        "said": ["2 of 2 events are new."]
    }
    assert "storm, whole trial" in client.get("t/vines/diary").text
    assert "some day" in bring("d.csv", "at,kind\nsome day,frost\n")["refused"]
    assert "expected a CSV" in bring("d.exe", "at,kind\n")["refused"]


def test_the_form_of_the_plan_asks_for_the_days_that_decide(
    client: httpx.Client, trial: Trial
) -> None:
    days = {"first_treatment": "2026-06-10", "before": "2026-06-09"}
    typed = {"title": "Days", "group_1": "own", "group_2": "grafted"} | days
    wrong = client.post("new", data=typed | {"deciding_survey": "2026-06-08", "before": "June"})
    assert wrong.status_code == 422
    assert "that is not after the first treatment, 2026-06-10" in wrong.text
    assert "&#39;June&#39; is not a date" in wrong.text
    made = client.post("new", data=typed | {"deciding_survey": "2026-08-03"})
    assert made.status_code == 303
    plan = load_trial(trial.directory.parent / "days").plan
    named = (plan.first_treatment, plan.before, plan.deciding_survey)
    assert [str(each) for each in named] == ["2026-06-10", "2026-06-09", "2026-08-03"]
    shown = client.get("t/days/plan").text
    assert "The survey of 2026-08-03 decides" in shown
    assert "--before 2026-06-09 --deciding-survey 2026-08-03" in shown


def test_a_plan_under_which_counts_stand_changes_only_where_no_count_rests_on_it(
    client: httpx.Client, trial: Trial
) -> None:
    rows = [{"plant": f"P{plant}", "fruit": str(plant)} for plant in (1, 2, 3, 4)]
    client.post("t/vines/tallies/typed", json={"survey": "2026-07-01", "by": "Ana", "rows": rows})

    def change(**texts: str) -> httpx.Response:
        return client.post("t/vines/plan/amend", data={"reason": "agreed", "by": "Ana"} | texts)

    assert "no reason given" in change(title="Vines 2", reason="").text
    assert "nothing is changed" in change().text
    assert "2026-07-01 is counted already" in change(deciding_survey="2026-07-01").text
    assert "before cannot change" in change(before="2026-06-20").text
    late = change(smallest_difference="35 %")
    assert "smallest difference cannot change" in late.text
    assert 'value="35 %"' in late.text
    shown = change(deciding_survey="2026-08-03", before="2026-07-01").text
    assert "deciding survey 2026-08-03 (was not named): agreed" in shown
    plan = load_trial(trial.directory).plan
    assert (str(plan.deciding_survey), str(plan.before)) == ("2026-08-03", "2026-07-01")
    [check] = [each for each in audit(trial.directory).checks if each.name == "plan"]
    assert not check.faults
    assert "by Ana: before 2026-07-01 (was not named)" in check.sentence


def test_the_season_says_how_far_a_trial_is_and_what_is_missing(trial: Trial) -> None:
    with trial.ledger() as ledger:
        found = season(trial, ledger)
    assert found.survey == "2026-07-01"
    assert found.next == "check"
    assert found.step("walk").state == "4 of 4 plants photographed on 2026-07-01"
    assert found.step("check").state == "0 of 4 photos checked"
    assert found.step("answer").state == "0 of 4 plants counted"
    assert found.step("check").missing == ("Not checked yet: P1, P2, P3, P4.",)


def test_a_trial_counted_by_hand_has_its_season_too(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "t")  # 8 plants
    codes = list(trial.plants["code"])
    rows = [f"2026-07-06,{code},{number}" for number, code in enumerate(codes)]
    for many, state in ((2, "no counts yet"), (6, "6 of 8 plants counted")):
        path = tmp_path / f"{many}.csv"
        path.write_text("\n".join(["survey,plant,fruit", *rows[:many]]), encoding="utf-8")
        take_tallies(trial, [path])
        with trial.ledger() as ledger:
            found = season(trial, ledger)
        assert found.step("answer").state == state
    assert found.step("walk").missing == (f"Without a count: {', '.join(codes[6:])}.",)


def test_photos_beside_a_full_tally_leave_the_plants_counted(trial: Trial, tmp_path: Path) -> None:
    table = tmp_path / "hand.csv"
    rows = [f"2026-07-01,P{plant},{plant}" for plant in (1, 2, 3)]
    table.write_text("\n".join(["survey,plant,fruit", *rows]), encoding="utf-8")
    take_tallies(trial, [table])
    with trial.ledger() as ledger:
        found = season(trial, ledger)
    assert found.step("answer").state == "3 of 4 plants counted"
    assert found.next == "walk"
    leave_out(trial, "P4", "dead", by="Ana", survey="2026-07-01")
    with trial.ledger() as ledger:
        found = season(trial, ledger)
    assert found.step("answer").state == "3 of 3 plants counted"
    assert found.step("check").state == "0 of 3 photos checked; counted by hand"
    assert found.next == "answer"


def test_a_shelf_holds_the_folders_with_a_plan_and_names_new_ones(trial: Trial) -> None:
    shelf = Shelf.of(trial.directory.parent)
    (shelf.folder / "notes").mkdir()
    assert shelf.names() == ["vines"]
    assert Shelf.of(trial.directory).only == "vines"
    assert shelf.free("Vines!").name == "vines-2"
    assert Shelf(shelf.folder / "nowhere").names() == []
    assert folder_name("Größe & Früchte / 2") == "groe-fruchte-2"
    assert folder_name("???") == "trial"
    with pytest.raises(CountingError, match="no such trial"):
        shelf.trial("..")


async def pieces(*parts: bytes) -> AsyncIterator[bytes]:
    for part in parts:
        yield part


def received(trial: Path, name: str, parts: AsyncIterator[bytes]) -> None:
    """Receive a photo in a thread of its own: a browser that is open has a loop in this one."""
    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(receive(trial, name, parts))).result()


def test_photos_arrive_whole_under_their_own_name_and_none_covers_another(tmp_path: Path) -> None:
    for content in (b"one", b"two"):
        received(tmp_path, "2026-07-06/A1-1/p.jpg", pieces(content))
    received(tmp_path, "../../etc/p.jpg", pieces(b"three"))
    names = [path.relative_to(tmp_path / ".arriving").as_posix() for path in waiting(tmp_path)]
    assert names == ["2026-07-06/A1-1/p-2.jpg", "2026-07-06/A1-1/p.jpg", "etc/p.jpg"]
    assert [len(photos) for photos in by_day(waiting(tmp_path)).values()] == [3]
    with pytest.raises(PhotoError, match="no photo by its name"):
        received(tmp_path, "p.exe", pieces(b"x"))


def test_nothing_is_kept_of_a_photo_that_broke_off(tmp_path: Path) -> None:
    async def broken() -> AsyncIterator[bytes]:
        yield b"half"
        raise ConnectionError

    with pytest.raises(ConnectionError):
        received(tmp_path, "p.jpg", broken())
    assert [path for path in (tmp_path / ".arriving").rglob("*") if path.is_file()] == []


def ended(work: Work, trial: str) -> Piece:
    """Wait until the work of a trial has ended."""
    for _ in range(1000):
        piece = work.of(trial)
        if piece and piece.state not in {"waiting", "running"}:
            return piece
        time.sleep(0.01)
    raise AssertionError(piece)


def test_work_can_be_stopped_and_says_what_went_wrong() -> None:
    work, begun = Work(), threading.Event()

    def endless(piece: Piece) -> None:
        while True:
            begun.set()
            piece.moved(1, 2)
            time.sleep(0.01)

    piece = work.start("vines", "Looking", endless)
    begun.wait(5)
    assert work.busy("vines")
    piece.stop()
    assert ended(work, "vines").state == "stopped"

    def faulty(_: Piece) -> None:
        where = "a photo"
        raise CountingError(where, "unreadable")

    work.start("vines", "Looking", faulty)
    assert ended(work, "vines").said == ["a photo: unreadable"]


def test_a_page_begun_while_work_was_under_way_looks_again_where_it_has_ended_since(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, ends = Desk(Shelf.of(trial.directory.parent), "127.0.0.1", 0, "key"), threading.Event()
    desk.work.start("vines", "Looking", lambda _: ends.wait(5))

    def slow_beds(drawn: Trial) -> Any:
        ends.set()
        ended(desk.work, "vines")
        return beds(drawn)

    monkeypatch.setattr("counting.desk.views.walk.beds", slow_beds)
    made = bytes(walk(desk, Asked("vines")).body).decode()
    assert "More photos can be dropped here once this is done." in made
    assert "<progress" in made
    # looked at again it is as after any work
    again = bytes(walk(desk, Asked("vines")).body).decode()
    assert "<progress max" not in again
    assert "Drop photos or a folder of photos here." in again


def test_the_desk_says_of_proposed_fruit_what_the_command_line_says(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Proposed(4, 0, 0, 9, 4, 1, 3, (Flag.NEIGHBOURS,), (), Settings())
    monkeypatch.setattr("counting.desk.views.walk.propose", lambda *_, **__: made)
    cucumbers = replace(trial, plan=trial.plan.model_copy(update={"crop": "cucumber"}))
    work = Work()
    propose_behind(SimpleNamespace(work=work), cucumbers)  # type: ignore[arg-type]
    assert ended(work, "vines").said == [
        unmeasured("cucumber"),
        "Proposed 9 fruit on 4 photos.",
        f"Of all 4 photos to review: {Flag.NEIGHBOURS.sentence}",
        "The count is uncertain on 3 of the 4 photos to review; the flagged ones are only the worst"
        " of them.",
        "1 of the 4 photos to review is flagged: a count that is likely to be off by most, or a"
        " fault of the photo.",
    ]


def shown_pages(client: httpx.Client) -> list[str]:
    """Return every address of the table that answers with a page, its open places filled.

    The report, with its pictures, is looked at in its own tests.
    """
    paths = [
        re.sub(
            r"\{\w+(:path)?\}", "0000", path.replace("{trial}", "vines").replace("{plant}", "P1")
        )
        for path, *_ in GET
    ]
    paths.append("/t/vines/go?on=1&survey=2026-07-02&measures=trusses,height")
    found = []
    for path in (each.removeprefix("/") for each in paths):
        reply = client.get(path, headers={"accept": "text/html"})
        a_page = reply.headers.get("content-type", "").startswith("text/html")
        attached = "content-disposition" in reply.headers
        if reply.status_code == 200 and a_page and not attached and "report" not in path:
            found.append(path)
    return [*found, "t/none"]


@SIZES
def test_no_page_throws_overflows_or_bars_anyone(
    browser: Any, trial: Trial, client: httpx.Client, kind: dict[str, Any]
) -> None:
    axe = axe_source()
    arrived = trial.directory / ".arriving" / "2026-07-02"
    arrived.mkdir(parents=True)
    (arrived / "new.jpg").write_bytes(next(trial.directory.glob("photos/**/*.jpg")).read_bytes())
    client.post("t/vines/plant/P1/leave", data={"reason": "broken by wind", "by": "Ana"})
    picks = [{"plant": f"P{number}", "picked_fruit": str(number)} for number in (1, 2, 3, 4)]
    for survey in ("2026-07-01", "2026-07-02"):
        client.post("t/vines/tallies/typed", json={"survey": survey, "by": "Ana", "rows": picks})
    context = browser.new_context(**kind, bypass_csp=True)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    paths = shown_pages(client)
    assert len(paths) >= 16, paths
    for path in paths:
        page.goto(f"{client.base_url}{path}")
        faults += [f"{path}: {fault}" for fault in barriers(page, axe)]
        wide = page.evaluate("document.documentElement.scrollWidth > innerWidth")
        faults += [f"{path}: scrolls sideways"] if wide else []
    context.close()
    assert faults == []


def test_a_folder_of_many_photos_dragged_onto_the_page_arrives_whole(
    browser: Any, trial: Trial, tmp_path: Path
) -> None:
    """By the browser's own drag events; a folder hands its files over by the hundred."""
    folder = tmp_path / "camera"
    (folder / "more").mkdir(parents=True)
    for number in range(130):
        place = folder / "more" if number < 120 else folder
        (place / f"{number}.jpg").write_bytes(b"\xff\xd8 photo %d" % number)
    (folder / "notes.txt").write_text("no photo", encoding="utf-8")
    with served(trial.directory.parent) as link:
        context = browser.new_context(**LAPTOP)
        page = context.new_page()
        page.goto(f"{link}t/vines/walk")
        box = page.locator("#drop").bounding_box()
        hand = context.new_cdp_session(page)
        data = {"items": [], "files": [str(folder)], "dragOperationsMask": 1}
        place = {"x": box["x"] + 40, "y": box["y"] + 40, "data": data}
        for kind in ("dragEnter", "dragOver"):
            hand.send("Input.dispatchDragEvent", {"type": kind, **place})
        assert page.locator("#drop.over").count() == 1
        hand.send("Input.dispatchDragEvent", {"type": "drop", **place})
        page.wait_for_selector("text=130 photos have arrived")
        context.close()
    content = {path.read_bytes() for path in waiting(trial.directory)}
    assert content == {b"\xff\xd8 photo %d" % number for number in range(130)}


def test_the_answer_tells_the_picks_and_names_the_command_that_does(
    client: httpx.Client,
) -> None:
    assert "The harvest" not in client.get("t/vines/answer").text
    for survey, more in (("2026-07-01", 0), ("2026-07-08", 3)):
        rows = [{"plant": f"P{plant}", "picked_fruit": str(plant + more)} for plant in (1, 2, 3, 4)]
        client.post("t/vines/tallies/typed", json={"survey": survey, "by": "Ana", "rows": rows})
    for again in range(2):  # without a count of fruit, and with one
        shown = client.get("t/vines/answer").text
        assert "Picked so far, on 2 days (2026-07-01 to 2026-07-08)" in shown
        assert "counting harvest vines" in shown
        assert ('class="sentence"' in shown) == bool(again)
        rows = [{"plant": f"P{plant}", "fruit": str(plant)} for plant in (1, 2, 3, 4)]
        client.post("t/vines/tallies/typed", json={"survey": "2026-07-08", "by": "A", "rows": rows})


def test_the_days_temperatures_are_written_on_the_diarys_form(client: httpx.Client) -> None:
    day = {"kind": "temperature", "at": "2026-07-01T07:30", "low_c": "14", "high_c": "29,5"}
    assert "14 to 29.5" in client.post("t/vines/diary", data=day).text
    wrong = client.post("t/vines/diary", data=day | {"high_c": ""})
    assert wrong.status_code == 422
    assert "give both, the day&#39;s lowest and highest temperature" in wrong.text
    assert 'value="14"' in wrong.text
    turned = client.post("t/vines/diary", data=day | {"high_c": "9"}).text
    assert "coldest 14 is above warmest 9" in turned


@pytest.mark.slow
def test_the_whole_job_by_clicking_and_dropping_ends_as_the_command_line_does(
    browser: Any, tmp_path: Path
) -> None:
    """From an empty folder to the answer, with the demo's photos of two blocks."""
    photos = sorted((demo_images() / "photos" / "2026-07-20").glob("[AB]*/path.jpg"))
    with served(tmp_path) as link:
        context = browser.new_context(**LAPTOP)
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.goto(link)
        grower = Grower(page)
        grower.click("text=Plan a trial")
        grower.type("[name=title]", "By clicking")
        grower.type("[name=group_1]", "own-rooted")
        grower.type("[name=group_2]", "grafted")
        grower.type("[name=blocks]", "2")
        grower.type("[name=guards_per_plot]", "0")
        grower.click("text=Draw lots and make the trial")
        grower.click("text=Next: tags and sheets")
        grower.click("text=Next: the photos")
        content = [(f"{path.parent.name}.jpg", path.read_bytes()) for path in photos]
        grower.bring(
            [{"name": name, "mimeType": "image/jpeg", "buffer": data} for name, data in content]
        )
        page.wait_for_selector("text=12 photos have arrived")
        grower.click("text=Find their plants and the fruit")
        page.wait_for_selector("text=Next: check the photos", timeout=400_000)
        grower.click("text=Next: check the photos")
        grower.click("text=Check them now")
        check_all(grower, len(photos))
        grower.click("text=To the desk")
        trial = load_trial(tmp_path / "by-clicking")
        # what arrived lies in the trial's own folder of photos now, whole
        assert len(list((trial.directory / "photos").rglob("*.jpg"))) == len(photos)
        grower.click("text=Next: the answer")
        shown = page.inner_text(".sentence").replace("\N{NO-BREAK SPACE}", " ")
        grower.click(".behind a >> nth=0")
        assert "fruit, by Ana" in grower.says()
        context.close()
    target = tmp_path / "compare.json"
    words = ["compare", str(trial.directory), "--json", str(target)]
    assert CliRunner().invoke(command_line, words).exit_code == 0
    assert json.loads(target.read_text(encoding="utf-8"))["sentence"] == shown
    assert (grower.clicks, grower.typed) == (11, 5)  # the review aside; at most 40 and 5 aimed at


def test_every_view_stands_in_the_table_of_addresses_once() -> None:
    paths = [path for path, *_ in (*GET, *POST)]
    assert len({path for path, *_ in GET}) == len(GET)
    assert len({path for path, *_ in POST}) == len(POST)
    assert all(path.startswith("/") for path in paths)


def test_a_bare_command_shows_the_commands_where_no_person_sits_at_a_screen() -> None:
    shown = CliRunner().invoke(command_line, [])
    assert shown.exit_code == 2
    assert "open" in shown.stdout


def test_a_copy_made_on_the_desk_comes_back_as_a_trial_of_its_own(
    client: httpx.Client, trial: Trial
) -> None:
    client.post("t/vines/keep/backup", headers=FORM)
    for _ in range(600):
        state = client.get("t/vines/work.json").json()
        if state["state"] == "done":
            break
        time.sleep(0.1)
    [name] = re.findall(r"copies/([\w.-]+\.zip)", client.get("t/vines/keep").text)
    content = client.get(f"t/vines/copies/{name}").content
    headers = {"content-type": "application/octet-stream"}
    told = client.post(f"bring-back?name={name}", content=content, headers=headers).json()
    assert "are back" in told["said"][0]
    with load_trial(trial.directory.parent / "vines-2").ledger() as ledger:
        assert len(standing_answers(ledger)) == 4
    told = client.post("bring-back?name=x.zip", content=b"no zip", headers=headers).json()
    assert "not a back-up" in told["refused"]


def test_another_folder_of_trials_is_opened_by_its_path(client: httpx.Client, trial: Trial) -> None:
    other = draw_trial(trial.directory.parent.parent / "others" / "roses", Drawn(plants=2))
    assert client.post("shelf", data={"folder": "nowhere"}).text.count("no such folder") == 1
    above = trial.directory.parent.parent
    found = client.post("shelf", data={"folder": str(above), "looking": "1"}, follow_redirects=True)
    ways = re.findall(r'name="folder" value="([^"]+)">([^<]+)<', found.text)
    assert (str(other.directory.parent), "others") in ways
    assert (str(above.parent), above.parent.name) in ways
    client.post("shelf", data={"folder": str(other.directory.parent)})
    assert "t/roses" in client.get("").text


def test_the_finder_learns_before_the_sheet_opens_where_enough_was_checked(
    client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []
    view = "counting.desk.views.check"
    monkeypatch.setattr(f"{view}.worth_learning", lambda ledger, stages: not begun)
    monkeypatch.setattr(f"{view}.propose_behind", lambda desk, trial: begun.append("learning"))
    page = client.post("t/vines/check/start", content="", headers=FORM)
    assert page.status_code == 200
    assert "The finder learns from what you checked" in page.text
    assert begun == ["learning"]
    assert client.post("t/vines/check/start", content="", headers=FORM).status_code == 303
