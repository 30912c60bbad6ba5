"""The audit: every changed byte, count and number is found; who did what when is told."""

import json
import random
import re
import shutil
import sqlite3
from pathlib import Path

import pytest
from trials import SURVEY, Beds, draw_photo, make_trial, marks
from tries import tries
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import PlanError
from counting.files import sha256_bytes
from counting.finding.propose import propose
from counting.ledger import Ledger
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.plan.trial import load_trial
from counting.records.diary import write_events
from counting.records.exclusions import leave_out
from counting.records.tallies import take_tallies
from counting.report.history import history
from counting.report.keeping.audit import audit, check_photos
from counting.report.report import make_report
from counting.settings import Settings

FLIPS = tries(150, 500)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A trial gone through from photos to report."""
    folder = tmp_path_factory.mktemp("audit")
    trial = make_trial(folder / "trial", Beds(plants_per_plot=1))
    for number, plant in enumerate(trial.plants["code"]):
        draw_photo(folder / "camera" / plant / "path.jpg", fruit=4, seed=number)
    take_in(trial, [folder / "camera"], batch=Batch(survey=SURVEY))
    propose(trial, Settings(stages=("colour",)), workers=1)
    record_plan(trial)
    with trial.ledger() as ledger:
        for number, entry in enumerate(list(ledger.standing("proposal"))):
            body = {
                "photo": entry.key,
                "proposal": entry.hash,
                "sheet": "s1",
                "reviewer": "ann",
                "at": "2026-07-01T18:00:00+00:00",
                "answer": "counted",
                "count": 3 + number % 4,
                "seconds": 4.0,
                "clicks": 2,
                "marks": marks(3 + number % 4, removed=1),
            }
            ledger.append("confirmation", f"{entry.key}|ann", body, by="ann")
    sheet = folder / "tally.csv"
    rows = [f"{SURVEY},{code},ben,{n + 4}" for n, code in enumerate(trial.plants["code"])]
    sheet.write_text("survey,plant,by,fruit\n" + "\n".join(rows) + "\n", encoding="utf-8")
    take_tallies(trial, [sheet])
    spray = {"at": "2026-06-20 07:30", "kind": "application", "product": "soap", "scope": "A1"}
    write_events(trial, [spray])
    make_report(trial)
    return trial.directory


def record_plan(trial) -> None:
    """Record the plan in the ledger, as the start of a trial does."""
    texts = {
        part: (trial.directory / name).read_text(encoding="utf-8")
        for part, name in (("plan", "trial.toml"), ("plants", "plants.csv"))
    }
    hashes = {
        "trial.toml": sha256_bytes(texts["plan"].encode()),
        "plants.csv": sha256_bytes(texts["plants"].encode()),
    }
    with trial.ledger() as ledger:
        ledger.append("trial", "trial", {**texts, "hashes": hashes}, by="test")


@pytest.fixture
def folder(made, tmp_path):
    return Path(shutil.copytree(made, tmp_path / "trial"))


def faults(folder, **options):
    return [f"{fault.item}: {fault.sentence}" for fault in audit(folder, **options).faults]


def test_an_untouched_trial_is_found_well(folder):
    found = audit(folder, proposals="all")
    assert found.faults == ()
    assert [check.name for check in found.checks] == [
        "ledger", "checkpoints", "plan", "photos", "confirmations", "lessons", "proposals", "report"
    ]  # fmt: skip
    assert [check.remarks for check in found.checks] == [()] * 8
    assert "4 of 4 proposals" in found.checks[6].sentence


def test_an_audit_changes_nothing(folder):
    def state():
        return {
            path.relative_to(folder): path.read_bytes()
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }

    before = state()
    audit(folder)
    assert state() == before


def test_a_copied_folder_is_a_copied_trial(folder, tmp_path):
    assert faults(Path(shutil.copytree(folder, tmp_path / "elsewhere" / "copy"))) == []


def test_any_single_changed_byte_of_a_photo_is_found(folder):
    photos = sorted((folder / "photos").rglob("*.jpg"))
    rng = random.Random(20260601)
    missed = []
    for _ in range(FLIPS):
        path = rng.choice(photos)
        good = path.read_bytes()
        data = bytearray(good)
        place = rng.randrange(len(data))
        data[place] ^= rng.randrange(1, 256)
        path.write_bytes(data)
        trial = load_trial(folder)
        with trial.ledger() as ledger:
            if not check_photos(trial, ledger).faults:
                missed.append((path, place))
        path.write_bytes(good)
    assert missed == []


def test_a_changed_and_a_missing_photo_are_named(folder):
    first, second = sorted((folder / "photos").rglob("*.jpg"))[:2]
    first.unlink()
    second.write_bytes(second.read_bytes() + b"\0")
    found = faults(folder, proposals="none")
    assert f"{first.relative_to(folder).as_posix()}: not there; restore it from a copy" in found
    assert any("its bytes have changed" in fault for fault in found)


@pytest.mark.parametrize("name", ["trial.toml", "plants.csv"])
def test_a_changed_plan_is_named(folder, name):
    path = folder / name
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    found = faults(folder, proposals="none")
    assert any(fault.startswith(f"{name}: changed since") for fault in found)


def test_a_plant_moved_to_another_group_is_found(folder):
    path = folder / "plants.csv"
    text = path.read_text(encoding="utf-8")
    swap = {"own-rooted": "grafted", "grafted": "own-rooted"}
    swapped = ",".join(swap.get(cell, cell) for cell in text.split(","))
    path.write_text(swapped, encoding="utf-8")
    found = faults(folder, proposals="none")
    assert any(fault.startswith("plants.csv: changed") for fault in found)
    assert any(fault.startswith("report.html: ") for fault in found)


def test_a_number_changed_in_the_report_is_found(folder):
    path = folder / "report.html"
    start, mark, rest = path.read_text(encoding="utf-8").partition('id="figures">')
    told, end, tail = rest.partition("</script>")
    numbers = json.loads(told)
    numbers["main"]["groups"][0]["mean"] += 0.5
    path.write_text(start + mark + json.dumps(numbers) + end + tail, encoding="utf-8")
    found = faults(folder, proposals="none")
    assert any("main.groups[0].mean is" in fault for fault in found)
    assert any("1 numbers do not follow" in fault for fault in found)


def replaced(folder, old: str, new: str, *, nth: int = 0) -> None:
    """Write something else into the report, as an editor can."""
    path = folder / "report.html"
    text = path.read_text(encoding="utf-8")
    place = [found.start() for found in re.finditer(re.escape(old), text)][nth]
    text = text[:place] + new + text[place + len(old) :]
    path.write_text(text, encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("% more", "% fewer", "made again"),
        ('<td role="cell" data-of="mean">', '<td role="cell" data-of="mean">9', "shows '9"),
        ("<li>", "<li>All is certain. ", "All is certain"),
        ("No plant and no photo was left out.", "", "shows nothing"),
        ("</h2>", " 12 of 12</h2>", "12 of 12"),
        ("<dt>observations</dt><dd><code>", "<dt>observations</dt><dd><code>0", "made again"),
        ("every plant, with mean", "every plant, without mean", "without mean"),
    ],
)
def test_whatever_the_page_shows_otherwise_than_the_ledger_gives_is_found(folder, old, new, said):
    path = folder / "report.html"
    if old not in path.read_text(encoding="utf-8"):
        old = {"% more": "% fewer"}.get(old, old)
        new = "% more" if old == "% fewer" else new
    if old not in path.read_text(encoding="utf-8"):
        pytest.skip("this trial's report has no such words")
    replaced(folder, old, new)
    found = [fault for fault in faults(folder, proposals="none") if "report.html" in fault]
    assert any(said in fault for fault in found)


def test_a_mark_moved_in_a_picture_is_found(folder):
    text = (folder / "report.html").read_text(encoding="utf-8")
    (use,) = re.findall(r'<use [^>]*?x="([0-9.]+)"', text)[:1]
    replaced(folder, f'x="{use}"', f'x="{float(use) + 9}"')
    found = faults(folder, proposals="none")
    assert found == [
        "report.html: its pictures or its layout are not as they are drawn from the same numbers"
    ]


def test_a_report_drawn_by_other_versions_is_only_remarked_on(folder):
    replaced(folder, "matplotlib ", "matplotlib 1.")
    text = (folder / "report.html").read_text(encoding="utf-8")
    (use,) = re.findall(r'<use [^>]*?x="([0-9.]+)"', text)[:1]
    replaced(folder, f'x="{use}"', f'x="{float(use) + 0.1}"')
    check = audit(folder, proposals="none").checks[-1]
    assert check.faults == ()
    assert "they were drawn by other versions" in check.remarks[0]


def test_the_hash_that_the_report_prints_is_looked_up_in_the_chain(folder):
    replaced(folder, "<dt>last entry</dt><dd><code>", "<dt>last entry</dt><dd><code>0")
    text = (folder / "report.html").read_text(encoding="utf-8")
    whole = re.search(r"<dt>last entry</dt><dd><code>0([0-9a-f]{64})</code>", text)[1]
    replaced(folder, f"0{whole}", f"0{whole[1:]}" if whole[0] != "0" else f"1{whole[1:]}")
    assert any("report.html: names entry" in fault for fault in faults(folder, proposals="none"))


def test_a_report_older_than_the_ledger_says_how_to_make_it_again(folder, tmp_path):
    sheet = tmp_path / "more.csv"
    sheet.write_text(f"survey,plant,by,fruit\n{SURVEY},A1-1,ben,99\n", encoding="utf-8")
    take_tallies(load_trial(folder), [sheet])
    assert any("counting report" in fault for fault in faults(folder, proposals="none"))


def test_a_report_without_numbers_is_found(folder):
    (folder / "report.html").write_text("<html></html>", encoding="utf-8")
    assert any("carries no numbers" in fault for fault in faults(folder, proposals="none"))


def test_without_a_report_the_rest_is_examined(folder):
    (folder / "report.html").unlink()
    found = audit(folder)
    assert found.faults == ()
    assert found.checks[-1].remarks == ("no report has been made yet",)


def changed(folder, statement: str) -> None:
    """Change the ledger behind its back, with chain and seal made to fit again."""
    with Ledger(folder) as ledger:
        entries = list(ledger.entries())
    (folder / "ledger.sqlite").unlink()
    (folder / "ledger.seal").unlink()
    with Ledger(folder, create=True) as ledger:
        for entry in entries:
            body = entry.body
            if entry.kind == statement.split(":")[0]:
                key, value = statement.split(":")[1].split("=")
                body = {**body, key: json.loads(value)}
            ledger.append(entry.kind, entry.key, body, by=entry.by)


def test_candidates_that_the_finder_would_not_give_are_found(folder):
    changed(folder, "proposal:candidates=[]")
    found = faults(folder, proposals="all")
    assert any("other candidates than recorded: candidates is a list of 0" in f for f in found)


def test_a_count_that_its_marks_do_not_give_is_found(folder):
    changed(folder, "confirmation:count=77")
    assert any("says 77 fruit, but" in fault for fault in faults(folder, proposals="none"))


def test_a_proposal_of_another_version_is_not_found_again_and_told(folder):
    changed(folder, 'proposal:version="0.0.9"')
    check = next(c for c in audit(folder).checks if c.name == "proposals")
    assert check.faults == ()
    assert "4 proposals were made by version 0.0.9" in check.remarks[0]


def test_a_ruined_ledger_is_told_without_a_traceback(folder):
    (folder / "ledger.sqlite").write_bytes(b"ruined" * 1000)
    assert any("ledger.sqlite" in fault for fault in faults(folder, proposals="none"))


def test_a_fact_changed_with_a_database_program_is_found(folder):
    database = sqlite3.connect(folder / "ledger.sqlite")
    database.execute("DROP TRIGGER entries_are_never_changed")
    database.execute("UPDATE entries SET by = 'nobody' WHERE kind = 'confirmation'")
    database.commit()
    database.close()
    assert sum("not as it was written" in fault for fault in faults(folder, proposals="none")) == 4


# ---- who did what when


def test_the_history_of_a_plant_is_told_in_order(folder):
    trial = load_trial(folder)
    leave_out(trial, "A1-1", "wilted", by="ann", survey="2026-08-01")
    steps, values = history(trial, "A1-1")
    told = [step.what for step in steps]
    assert told[0].startswith(f"took in photos/{SURVEY}/A1-1/path.jpg: survey {SURVEY}, side path")
    assert told[1].startswith("proposed ")
    assert "counted 3 fruit" in told[2]
    assert "3 confirmed, 1 removed" in told[2]
    assert told[3] == f"tallied fruit at {SURVEY}: 4"
    assert told[4] == "diary: application at 2026-06-20T07:30, A1, soap"
    assert told[5] == "left out the plant at 2026-08-01: wilted"
    assert steps[2].by == "ann"
    assert steps[3].by == "ben"
    assert values == [
        f"{SURVEY}: fruit 3, by photo",
        f"{SURVEY}: fruit 4, by tally",
    ]


def test_a_fact_that_was_corrected_is_marked(folder, tmp_path):
    sheet = tmp_path / "more.csv"
    sheet.write_text(f"survey,plant,by,fruit\n{SURVEY},A1-1,ben,9\n", encoding="utf-8")
    take_tallies(load_trial(folder), [sheet])
    steps, _ = history(load_trial(folder), "A1-1")
    tallies = [(step.what, step.stands) for step in steps if "tallied" in step.what]
    assert tallies == [
        (f"tallied fruit at {SURVEY}: 4", False),
        (f"tallied fruit at {SURVEY}: 9", True),
    ]
    assert any(step.line().endswith("[corrected later]") for step in steps)


def test_a_plant_that_the_plan_lacks_is_refused(folder):
    with pytest.raises(PlanError, match="no plant 'Z9'"):
        history(load_trial(folder), "Z9")


# ---- the command


def run(*arguments):
    return CliRunner().invoke(app, ["audit", *map(str, arguments)])


def test_the_command_leaves_with_0_when_all_is_well_and_1_when_not(folder):
    result = run(folder, "--plant", "A1-1")
    assert result.exit_code == 0
    assert "ledger: well" in result.stdout
    assert "Plant A1-1:" in result.stdout
    (folder / "plants.csv").write_bytes((folder / "plants.csv").read_bytes() + b"\n")
    result = run(folder, "--json", "-")
    assert result.exit_code == 1
    told = json.loads(result.stdout)
    # the file itself, and the report, which carries its hash
    found = [fault["item"] for check in told["checks"] for fault in check["faults"]]
    assert found == ["plants.csv", "report.html", "report.html"]
    assert told["faults"] == len(found)
    assert told["checks"][2]["faults"][0]["item"] == "plants.csv"


def test_a_folder_without_a_trial_is_refused(tmp_path):
    assert isinstance(run(tmp_path).exception, PlanError)
