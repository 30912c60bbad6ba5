"""A ledger changed by someone who knows SQLite and hashes: what was kept elsewhere tells."""

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from trials import SURVEY, make_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CountingError
from counting.files import canonical_json
from counting.ledger import FIRST, Checkpoint, Ledger, entry_hash, verify
from counting.ledger.seal import write_seal
from counting.ledger.signing import make_key, signature_fault, signed
from counting.plan.trial import load_trial
from counting.records.tallies import take_tallies
from counting.report.export import export
from counting.report.keeping.audit import audit
from counting.report.keeping.checkpoints import Outside, checkpoint_file
from counting.report.report import make_report


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A trial with a tally of every plant and a report."""
    trial = make_trial(tmp_path_factory.mktemp("tampering") / "trial")
    sheet = trial.directory.parent / "tally.csv"
    rows = [f"{SURVEY},{code},ann,{n + 4}" for n, code in enumerate(trial.plants["code"])]
    sheet.write_text("survey,plant,by,fruit\n" + "\n".join(rows) + "\n", encoding="utf-8")
    take_tallies(trial, [sheet])
    make_report(trial)
    return trial.directory


@pytest.fixture
def folder(made, tmp_path):
    return Path(shutil.copytree(made, tmp_path / "trial"))


def forged(folder: Path, **changed) -> None:
    """Make the chain anew with some of its columns changed, hashes and seal fitting again."""
    database = sqlite3.connect(folder / "ledger.sqlite")
    rows = database.execute("SELECT * FROM entries ORDER BY seq").fetchall()
    triggers = database.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
    triggers = triggers.fetchall()
    for name, _ in triggers:
        database.execute(f"DROP TRIGGER {name}")
    previous = FIRST
    for seq, at, by, kind, key, body, _, _ in rows:
        facts = {"at": at, "by": by, "kind": kind, "key": key, "body": body}
        for column, change in changed.items():
            facts[column] = change(facts[column])
        digest = entry_hash(previous, **facts)
        database.execute(
            "UPDATE entries SET at = ?, by = ?, body = ?, previous = ?, hash = ? WHERE seq = ?",
            (facts["at"], facts["by"], facts["body"], previous, digest, seq),
        )
        previous = digest
    for _, text in triggers:
        database.execute(text)
    database.commit()
    database.close()
    assert write_seal(folder / "ledger.sqlite")


def faults(folder, **outside):
    found = audit(folder, proposals="none", outside=Outside(**outside))
    return [f"{fault.item}: {fault.sentence}" for fault in found.faults]


def earlier(text: str) -> str:
    return text.replace("2026", "2025", 1)


def test_a_chain_made_anew_with_other_times_does_not_hold_the_hash_that_the_report_prints(folder):
    forged(folder, at=earlier)
    assert verify(folder).faults == ()  # chain and seal alone cannot know
    told = faults(folder)
    assert any(t.startswith("report.html: names entry 8 as") and "made anew" in t for t in told)


def test_an_older_ledger_put_back_beside_a_newer_report_is_found(folder, tmp_path):
    old = tmp_path / "old"
    shutil.copytree(folder, old)
    sheet = tmp_path / "more.csv"
    sheet.write_text("survey,plant,by,height\n2026-07-08,A1-1,ben,900\n", encoding="utf-8")
    take_tallies(load_trial(folder), [sheet])
    make_report(load_trial(folder), replace=True)
    for name in ("ledger.sqlite", "ledger.seal"):
        shutil.copy(old / name, folder / name)
    assert any("made of 9 entries, but the ledger has 8" in told for told in faults(folder))


def test_a_hash_noted_on_paper_is_looked_up_in_the_chain(folder):
    with Ledger(folder) as ledger:
        third = [entry.hash for entry in ledger.entries()][2]
    assert faults(folder, hashes=(third,)) == []
    assert faults(folder, hashes=(f" {third[:8].upper()} {third[8:20]}",)) == []
    check = audit(folder, proposals="none", outside=Outside((third,))).checks[1]
    assert "is entry 3 of 8, written at" in check.sentence
    assert "is the hash of none of the 8 entries" in faults(folder, hashes=("f" * 64,))[0]
    assert "is no hash" in faults(folder, hashes=("entry three",))[0]


def test_report_export_and_checkpoint_kept_elsewhere_find_a_forged_chain(folder, tmp_path):
    trial = load_trial(folder)
    export(trial)
    kept = [folder / "report.html", folder / "export" / "datapackage.json"]
    result = CliRunner().invoke(app, ["checkpoint", str(folder), "--out", str(tmp_path / "c.json")])
    assert result.exit_code == 0
    files = [tmp_path / "c.json"]
    for path in kept:
        files.append(Path(shutil.move(path, tmp_path / path.name)))
    shutil.rmtree(folder / "export")
    assert faults(folder, files=tuple(files)) == []
    forged(folder, body=lambda text: canonical_json({**json.loads(text), "value": 5.0}))
    assert len([t for t in faults(folder, files=tuple(files)) if "made anew" in t]) == 3


def test_a_checkpoint_of_another_trial_and_a_file_that_is_none_are_told(folder, tmp_path):
    other = tmp_path / "other.json"
    other.write_text(json.dumps(Checkpoint("another", 3, "a" * 64).to_json()), encoding="utf-8")
    none = tmp_path / "none.json"
    none.write_text("[1]", encoding="utf-8")
    told = faults(folder, files=(other, none, tmp_path / "missing.json"))
    assert "is of trial 'another'" in told[0]
    assert "carries no checkpoint" in told[1]
    assert "not found" in told[2]


def test_a_signed_checkpoint_tells_who_made_it(folder, tmp_path):
    public = make_key(tmp_path / "mine.pem")
    assert (tmp_path / "mine.pem").stat().st_mode & 0o077 == 0
    with Ledger(folder) as ledger:
        point = Checkpoint.of(ledger, load_trial(folder).plan.id)
    path = tmp_path / "signed.json"
    path.write_text(json.dumps(signed(point, tmp_path / "mine.pem")), encoding="utf-8")
    assert faults(folder, files=(path,), public_key=public) == []
    told = checkpoint_file(path)
    assert "was not signed by" in signature_fault({**told, "entries": 7}, public)
    stranger = make_key(tmp_path / "stranger.pem")
    assert "was not signed by" in faults(folder, files=(path,), public_key=stranger)[0]
    path.write_text(json.dumps(point.to_json()), encoding="utf-8")
    assert "carries no signature" in faults(folder, files=(path,), public_key=public)[0]


def test_a_key_is_never_written_over_and_a_file_that_is_none_is_refused(folder, tmp_path):
    make_key(tmp_path / "mine.pem")
    with pytest.raises(CountingError, match="exists already"):
        make_key(tmp_path / "mine.pem")
    with pytest.raises(CountingError, match="not such a key"):
        signed(Checkpoint("t", 0, FIRST), folder / "trial.toml")
    with pytest.raises(CountingError, match="could not be read"):
        signed(Checkpoint("t", 0, FIRST), tmp_path / "nowhere.pem")


def test_the_command_holds_the_ledger_against_what_is_given(folder, tmp_path):
    key = tmp_path / "mine.pem"
    run = CliRunner().invoke
    assert run(app, ["checkpoint", "--new-key", str(key)]).exit_code == 0
    out = tmp_path / "point.json"
    assert (
        run(app, ["checkpoint", str(folder), "--key", str(key), "--out", str(out)]).exit_code == 0
    )
    last = json.loads(out.read_text(encoding="utf-8"))["last"]
    held = ["audit", str(folder), "--against", str(out), "--public-key", f"{key}.pub"]
    assert run(app, [*held, "--expect", last]).exit_code == 0
    assert run(app, [*held, "--expect", "0123456789abcdef"]).exit_code == 1
