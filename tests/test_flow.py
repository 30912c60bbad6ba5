"""The whole line, from photos to report, on rendered trials of which the truth is known."""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
from collections import defaultdict

import pandas as pd
import pytest
from commanded import counting
from rendered import ROOT, SMALL_TRUTH, TRUTH, fruit, marker_truth, photos, plants
from typer.testing import CliRunner

from counting.analysis.compare import compare
from counting.analysis.question import question_of
from counting.analysis.trial import compare_trial
from counting.cli import app
from counting.demo import Demo, recorded_corrections
from counting.files import sha256_file
from counting.finding.propose import propose
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.plan.start import record_plan
from counting.plan.trial import PLAN_NAME, PLANTS_NAME, load_trial
from counting.records.observations import observations
from counting.records.tallies import take_tallies
from counting.report.figures import figures
from counting.report.keeping.audit import audit
from counting.review.corrections import take_corrections
from counting.review.sheet import make_sheet
from counting.settings import Settings

DEMO = ROOT / "demo_images"
SMALLEST_MM = 10.0
SURVEYS = ("2026-07-06", "2026-07-20")
SMALL_SURVEY = "2026-07-20"
CLOSE_UP = {"truss-green.jpg": 1, "truss-turning.jpg": 1, "truss-small.jpg": 3}
"""The truss that a photo of a single truss was aimed at, as `small_photos.py` asks for."""


def fresh(directory):
    """Return an empty trial with the plan of the demo."""
    directory.mkdir()
    for name in (PLAN_NAME, PLANTS_NAME):
        shutil.copyfile(DEMO / name, directory / name)
    return record_plan(directory)


def recorded():
    """Return the recorded reviewer's fruit: (survey, plant) -> side -> {fruit id: truss}."""
    place = {photo["file"]: photo for _, photo in photos()}
    marked = defaultdict(dict)
    for answer in json.loads((DEMO / "reviewer.json").read_text(encoding="utf-8"))["photos"]:
        photo = place[answer["file"]]
        fruit_of = {identity: truss for *_, truss, identity in answer["fruit"]}
        marked[photo["survey"], photo["plant"]][photo["side"]] = fruit_of
    return marked


def whole(table, source, measure="fruit"):
    """Return a measure's value of each whole plant: (survey, plant) -> value."""
    rows = table[table["truss"].isna() & (table["measure"] == measure)]
    rows = rows[rows["source"] == source]
    pairs = zip(rows["survey"], rows["plant"], strict=True)
    return dict(zip(pairs, rows["value"], strict=True))


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """The demo as a person runs it, in a folder of its own: what it prints, and the folder."""
    if not TRUTH.is_file():
        pytest.skip("needs the rendered photos with their truth.json")
    folder = tmp_path_factory.mktemp("flow") / "trial"
    return counting("demo", folder), folder


@pytest.fixture(scope="module")
def demo(shown):
    """The demo trial, from its photos to its report."""
    done, folder = shown
    assert done.code == 0, done.err
    sentence = done.out.strip().partition("\n")[0]
    (sheet,) = (folder / "sheets").glob("*.html")
    return Demo(folder, sheet, folder / "report.html", sentence)


@pytest.fixture(scope="module")
def trial(demo):
    return load_trial(demo.trial)


@pytest.fixture(scope="module")
def table(trial):
    with trial.ledger() as ledger:
        return observations(trial, ledger)


@pytest.mark.slow
def test_every_photo_of_the_demo_is_bound_to_its_plant_by_its_tag(trial):
    truth = {photo["file"]: photo for _, photo in photos()}
    number = dict(zip(trial.plants["code"], trial.plants["tag"], strict=True))
    with trial.ledger() as ledger:
        taken = {entry.body["file"]: entry.body for entry in ledger.standing("photo")}
    assert set(taken) == set(truth)
    for file, body in taken.items():
        place = ("survey", "plant", "side", "width", "height")
        assert [body[name] for name in place] == [truth[file][name] for name in place]
        assert (body["bound_by"], body["tag"]["id"]) == ("tag", number[body["plant"]])


@pytest.mark.slow
def test_photo_counts_are_the_reviewer_s_marks_each_fruit_once(table):
    counted = whole(table, "photo")
    marked = recorded()
    assert len(counted) == len(marked) == 48
    for key, sides in marked.items():
        assert counted[key] == len(set().union(*sides.values())), key


@pytest.mark.slow
def test_fruit_seen_from_both_sides_are_counted_once(trial, table):
    counted = whole(table, "photo")
    both = {key: sides for key, sides in recorded().items() if len(sides) == 2}
    block = dict(zip(trial.plants["code"], trial.plants["block"], strict=True))
    assert {block[plant] for _, plant in both} == {"A"}
    assert len(both) == 12
    twice = 0
    for key, sides in both.items():
        again = len(set(sides["path"]) & set(sides["wall"]))
        assert counted[key] == len(sides["path"]) + len(sides["wall"]) - again
        twice += again
    assert twice > 50  # the visible fruit of six plants at two surveys: most show on both sides


@pytest.mark.slow
def test_photo_counts_never_exceed_the_truth_and_fall_short_only_by_what_leaves_hide(table):
    shows = defaultdict(set)
    for _, photo in photos():
        seen = fruit(photo)
        shows[photo["survey"], photo["plant"]] |= set(seen["id"]) if len(seen) else set()
    counted = whole(table, "photo")
    for (survey, plant), value in counted.items():
        assert value <= plants()[plant]["surveys"][survey]["fruit_from_10_mm"]
        assert value <= len(shows[survey, plant])
    # the recorded reviewer overlooks 2 % of what can be seen
    assert sum(counted.values()) >= 0.95 * sum(map(len, shows.values()))


@pytest.mark.slow
def test_each_truss_has_the_fruit_that_were_marked_on_it(table):
    rows = table[(table["source"] == "photo") & table["truss"].notna()]
    found = {
        (row.survey, row.plant, int(row.truss)): row.value
        for row in rows[rows["measure"] == "fruit"].itertuples()
    }
    expected = defaultdict(set)
    bearing = defaultdict(set)
    for (survey, plant), sides in recorded().items():
        for marks in sides.values():
            for identity, truss in marks.items():
                expected[survey, plant, truss].add(identity)
                bearing[survey, plant].add(truss)
    assert found == {key: len(each) for key, each in expected.items()}
    assert whole(table, "photo", "trusses") == {key: len(each) for key, each in bearing.items()}


@pytest.mark.slow
def test_the_demo_s_hand_tallies_are_in_and_count_the_true_fruit(table):
    listed = pd.read_csv(DEMO / "tallies.csv", keep_default_na=False)
    for measure in sorted(set(listed["measure"])):
        rows = listed[listed["measure"] == measure]
        given = zip(rows["survey"], rows["plant"], rows["value"], strict=True)
        assert whole(table, "tally", measure) == {
            (survey, plant): float(value) for survey, plant, value in given
        }
    for (survey, plant), value in whole(table, "tally").items():
        assert value == plants()[plant]["surveys"][survey]["fruit_from_10_mm"]


@pytest.mark.slow
def test_the_same_numbers_from_photos_and_from_hand_give_the_same_comparison(
    demo, trial, table, tmp_path
):
    rows = table[
        (table["source"] == "photo") & (table["measure"] == "fruit") & table["truss"].isna()
    ]
    sheet = rows[["survey", "plant", "measure", "value"]].assign(
        by="a counter", at=rows["survey"] + "T12:00:00+02:00"
    )
    sheet.to_csv(tmp_path / "tallies.csv", index=False)
    by_hand = fresh(tmp_path / "by hand")
    take_tallies(by_hand, [tmp_path / "tallies.csv"])
    with by_hand.ledger() as ledger:
        tallied = observations(by_hand, ledger)
    from_hand = compare_trial(tallied, question_of(by_hand, tallied))
    embedded = re.search(
        r'<script type="application/json" id="figures">(.*?)</script>',
        demo.report.read_text(encoding="utf-8"),
        re.DOTALL,
    )
    told = json.loads(embedded[1])["main"]
    assert told["sentence"] == demo.sentence
    # the report's answer goes on to the fruit that photos hide; here the counts themselves
    from_photos = compare_trial(table, question_of(trial, table))
    told = json.loads(json.dumps(from_photos.to_json()))
    assert (told["source"], from_hand.source) == ("photo", "tally")
    again = json.loads(json.dumps(from_hand.to_json()))
    differ = {"source", "cautions"}  # cautions name the source and the plants counted both ways
    assert {k: v for k, v in told.items() if k not in differ} == {
        k: v for k, v in again.items() if k not in differ
    }
    # and a bare table of numbers, without any trial, says the same of them
    plain = rows[rows["survey"] == SURVEYS[-1]][["plant", "group", "block", "plot", "value"]]
    bare = compare(plain, question_of(trial, table))
    assert [contrast.ratio.value for contrast in bare.comparisons] == pytest.approx(
        [c["ratio"] for c in told["comparisons"]]
    )


@pytest.mark.slow
def test_the_demo_s_comparison_holds_the_true_ratio_and_its_hand_counts_bring_it_nearer(trial):
    fruit_of = defaultdict(int)
    for plant in plants().values():
        fruit_of[plant["group"]] += plant["surveys"][SURVEYS[-1]]["fruit_from_10_mm"]
    with trial.ledger() as ledger:
        found = figures(trial, ledger)
    photo, calibrated = found.main.comparisons[0], found.calibration.comparison.comparisons[0]
    true = fruit_of[photo.group] / fruit_of[photo.control]
    assert photo.ratio.low < true < photo.ratio.high
    assert calibrated.ratio.low < true < calibrated.ratio.high
    # measured 2.6 % off from photos alone, 0.4 % with four plants of each group counted by hand
    assert photo.ratio.value == pytest.approx(true, rel=0.05)
    assert calibrated.ratio.value == pytest.approx(true, rel=0.02)


@pytest.mark.slow
def test_the_demo_ends_with_three_things_to_do_and_the_line_that_opens_its_desk(shown, demo):
    lines = [line for line in shown[0].out.splitlines() if line]
    assert lines[1:] == [
        f"Contact sheet: {demo.sheet}",
        f"Report:        {demo.report}",
        "Next, to see how it works:",
        "  1. Open the contact sheet in a browser and correct a photo; at the end press Save.",
        f"  2. Take it in: counting confirm {demo.trial}",
        f"  3. See what changed: counting report {demo.trial} --replace; counting audit"
        f" {demo.trial}",
        f"The same in the browser: counting open {demo.trial}",
    ]
    assert demo.sheet.is_file()
    assert demo.report.is_file()


@pytest.mark.slow
def test_an_audit_of_the_demo_finds_nothing_wrong(demo):
    checks = {check.name: check for check in audit(demo.trial).checks}
    assert set(checks) == {
        *("ledger", "checkpoints", "plan", "photos", "confirmations", "lessons", "proposals"),
        "report",
    }
    for check in checks.values():
        assert (check.faults, check.remarks) == ((), ()), check.lines()


@pytest.mark.slow
def test_confirming_the_same_file_again_changes_nothing(demo, trial):
    def state():
        with trial.ledger() as ledger:
            return len(list(ledger.entries())), figures(trial, ledger).to_json()

    before = state()
    file = demo.trial / "sheets" / "recorded-corrections.json"
    done = CliRunner().invoke(app, ["confirm", str(demo.trial), str(file)])
    assert done.exit_code == 0, done.output
    assert "Nothing new: all 60 answers" in done.output
    assert state() == before


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """The small rendered photos taken into a trial: the trial, {file: ledger body}, {file: truth}.

    Their list names survey, side and, for a close-up, the truss; the plant is left to the tag.
    """
    truth = {photo["file"]: photo for _, photo in photos(SMALL_TRUTH)}
    folder = tmp_path_factory.mktemp("small")
    trial = fresh(folder / "trial")
    lines = ["file,survey,plant,truss,side"]
    for file, photo in truth.items():
        shutil.copyfile(SMALL_TRUTH.parent / file, folder / file)
        lines.append(f"{file},{SMALL_SURVEY},,{CLOSE_UP.get(file, '')},{photo['side']}")
    (folder / "photos.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    taken = take_in(
        trial, [folder / file for file in truth], batch=Batch(manifest=folder / "photos.csv")
    )
    assert not taken.refused
    with trial.ledger() as ledger:
        bodies = {entry.key: entry.body for entry in ledger.standing("photo")}
    return trial, {file: bodies[sha256_file(folder / file)] for file in truth}, truth


def test_the_small_photos_are_bound_by_their_tags_both_sides_to_one_plant(small):
    _, bodies, truth = small
    for file, body in bodies.items():
        assert (body["bound_by"], body["plant"]) == ("tag", truth[file]["plant"])
    sides = [bodies[f"both-sides-{side}.jpg"] for side in ("path", "wall")]
    assert [body["side"] for body in sides] == ["path", "wall"]
    assert len({(body["plant"], body["survey"]) for body in sides}) == 1


def test_a_tilted_tag_is_read_with_its_tilt_and_scale(small):
    _, bodies, truth = small
    read = bodies["tag-tilted.jpg"]["tag"]
    scale, tilt = marker_truth(truth["tag-tilted.jpg"])
    assert tilt > 30
    # measured 0.4 degrees and 0.02 % off, on a marker 27 px wide
    assert read["tilt_deg"] == pytest.approx(tilt, abs=2)
    assert read["mm_per_px"] == pytest.approx(scale, rel=0.005)
    assert read["mm_per_px_low"] <= scale <= read["mm_per_px_high"]


@pytest.fixture(scope="module")
def small_counted(small):
    """The small photos proposed and confirmed by a reviewer who sees the truth."""
    trial, bodies, truth = small
    spec = importlib.util.spec_from_file_location(
        "reviewer", ROOT / "fixtures" / "render" / "reviewer.py"
    )
    reviewer = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(reviewer)
    propose(trial, Settings())
    make_sheet(trial)
    told = [
        {**truth[file], "survey": SMALL_SURVEY, "file": body["file"]}
        for file, body in bodies.items()
    ]
    path = trial.directory / "recorded.json"
    path.write_text(json.dumps(reviewer.record(told)), encoding="utf-8")
    corrections = recorded_corrections(trial, path)
    saved = trial.directory / "corrections.json"
    saved.write_text(json.dumps(corrections), encoding="utf-8")
    take_corrections(trial, [saved])
    with trial.ledger() as ledger:
        return corrections, observations(trial, ledger)


@pytest.mark.slow
def test_leaves_alone_count_no_fruit(small, small_counted):
    _, bodies, truth = small
    corrections, table = small_counted
    body = bodies["leaves-only.jpg"]
    assert whole(table, "photo")[SMALL_SURVEY, body["plant"]] == 0
    [answer] = [each for each in corrections["photos"] if each["photo"] == body["photo"]]
    assert answer["marks"] == []


@pytest.mark.slow
def test_both_sides_of_a_small_plant_count_each_fruit_once(small, small_counted):
    _, _, truth = small
    _, table = small_counted
    sides = [set(fruit(truth[f"both-sides-{side}.jpg"])["id"]) for side in ("path", "wall")]
    plant = truth["both-sides-path.jpg"]["plant"]
    counted = whole(table, "photo")[SMALL_SURVEY, plant]
    # a reviewer overlooks 2 %, so at most one or two of these
    assert len(sides[0] | sides[1]) - 2 <= counted <= len(sides[0] | sides[1])
    assert len(sides[0] & sides[1]) >= 5


@pytest.mark.slow
def test_on_every_small_photo_most_fruit_that_show_are_proposed(small, small_counted):
    _, bodies, truth = small
    corrections, _ = small_counted
    states = {
        answer["photo"]: [mark["state"] for mark in answer["marks"]]
        for answer in corrections["photos"]
    }
    for file, body in bodies.items():
        seen = fruit(truth[file])
        if len(seen):
            # measured 0.5 to 0.9; the rest is to be added by hand
            assert states[body["photo"]].count("confirmed") >= 0.4 * len(seen), file
