"""The ledger: append-only, chained, sealed, migrated with a copy."""

import random
import shutil
import sqlite3
from pathlib import Path

import pytest
from conftest import SYNCHRONOUS
from hypothesis import given, settings
from hypothesis import strategies as st
from trials import add_photo, confirm, make_trial
from tries import tries

from counting.errors import LedgerError
from counting.files import canonical_json
from counting.ledger import FIRST, SCHEMA_VERSION, Ledger, entry_hash, migrate, store, verify
from counting.plan.trial import load_trial

FLIPS = tries(150, 500)


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


@pytest.fixture(scope="module")
def full_folder(tmp_path_factory):
    """A trial whose plants have two confirmed photos each: 32 entries."""
    trial = make_trial(tmp_path_factory.mktemp("full") / "trial")
    for number, plant in enumerate(trial.plants["code"]):
        for side in ("path", "wall"):
            confirm(trial, add_photo(trial, plant, side=side), number)
    return trial.directory


@pytest.fixture
def full(full_folder, tmp_path):
    return load_trial(Path(shutil.copytree(full_folder, tmp_path / "full")))


def test_an_entry_names_the_hash_of_the_one_before(trial):
    with trial.ledger() as ledger:
        ledger.append("event", "one", {"n": 1}, by="test")
        ledger.append("event", "two", {"n": 2}, by="test")
        one, two = ledger.entries()
    assert (one.previous, two.previous) == (FIRST, one.hash)
    for entry in (one, two):
        facts = {"at": entry.at, "by": entry.by, "kind": entry.kind, "key": entry.key}
        assert entry.hash == entry_hash(entry.previous, **facts, body=canonical_json(entry.body))


def test_the_newest_entry_of_a_kind_and_key_stands_and_the_older_ones_stay(trial):
    with trial.ledger() as ledger:
        for number in (1, 2, 3):
            ledger.append("event", "one", {"n": number}, by="test")
        assert [entry.body["n"] for entry in ledger.standing("event")] == [3]
        assert [entry.body["n"] for entry in ledger.entries("event")] == [1, 2, 3]
        assert ledger.get("event", "one").body == {"n": 3}
        assert ledger.get("event", "two") is None


def test_what_stands_already_is_not_written_again(trial):
    with trial.ledger() as ledger:
        assert ledger.append("event", "one", {"n": 1}, by="test")
        assert not ledger.append("event", "one", {"n": 1}, by="another")
        facts = [("event", "one", {"n": 1}), ("event", "two", {"n": 1}), ("event", "two", {"n": 1})]
        assert ledger.append_many(facts, by="test") == 1


def test_a_batch_is_written_wholly_or_not_at_all(trial):
    with trial.ledger() as ledger:
        with pytest.raises(ValueError, match="JSON"):
            ledger.append_many([("event", "a", {}), ("event", "b", {"n": float("nan")})], by="test")
        assert list(ledger.entries()) == []


@pytest.mark.parametrize("statement", ["UPDATE entries SET body = '{}'", "DELETE FROM entries"])
def test_the_file_itself_refuses_to_change_or_drop_an_entry(full, statement):
    database = sqlite3.connect(full.directory / "ledger.sqlite")
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        database.execute(statement)
    database.close()


def test_more_entries_than_are_read_at_a_time_come_in_order(trial):
    with trial.ledger() as ledger:
        ledger.append_many((("event", f"{n:04}", {"n": n}) for n in range(1234)), by="test")
        assert [entry.body["n"] for entry in ledger.entries()] == list(range(1234))
        assert [entry.body["n"] for entry in ledger.standing("event")] == list(range(1234))


def test_a_reader_that_stops_half_way_does_not_hinder_the_closing(trial):
    with trial.ledger() as ledger:
        ledger.append_many((("event", str(n), {}) for n in range(500)), by="test")
        next(ledger.entries())
        next(ledger.standing("event"))
    left = sorted(path.name for path in trial.directory.iterdir())
    assert left == ["ledger.seal", "ledger.sqlite", "plants.csv", "trial.toml"]


leaves = (
    st.none()
    | st.booleans()
    | st.integers(-(10**9), 10**9)
    | st.text(max_size=20)
    | st.floats(allow_nan=False, allow_infinity=False)
)
json_values = st.recursive(
    leaves,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(max_examples=25, deadline=None)
@given(
    bodies=st.lists(
        st.dictionaries(st.text(max_size=6), json_values, max_size=4), min_size=1, max_size=5
    )
)
def test_what_goes_in_comes_out_and_the_chain_holds(tmp_path_factory, bodies):
    folder = tmp_path_factory.mktemp("ledger")
    text = [canonical_json(body) for body in bodies]
    with Ledger(folder, create=True) as ledger:
        for number, body in enumerate(bodies):
            ledger.append("event", str(number), body, by="test")
        assert [canonical_json(entry.body) for entry in ledger.entries()] == text
    assert verify(folder).faults == ()


# ---- the seal and the chain


def test_an_untouched_ledger_is_found_whole(full):
    found = verify(full.directory)
    assert (found.entries, found.faults, found.remarks) == (32, (), ())


def test_any_single_changed_byte_is_found(full):
    path = full.directory / "ledger.sqlite"
    good = path.read_bytes()
    seal = (full.directory / "ledger.seal").read_bytes()
    rng = random.Random(20260601)
    missed = []
    for _ in range(FLIPS):
        place = rng.randrange(len(good))
        data = bytearray(good)
        data[place] ^= rng.randrange(1, 256)
        for end in ("-wal", "-shm"):
            path.with_name(path.name + end).unlink(missing_ok=True)
        path.write_bytes(data)
        (full.directory / "ledger.seal").write_bytes(seal)
        if not verify(full.directory).faults:
            missed.append(place)
    assert missed == []


def test_without_the_seal_every_changed_byte_of_a_fact_is_found(full):
    (full.directory / "ledger.seal").unlink()
    path = full.directory / "ledger.sqlite"
    good = path.read_bytes()
    start = good.index(b'{"answer":"counted"')
    for place in range(start, start + 60):
        data = bytearray(good)
        data[place] ^= 1
        path.write_bytes(data)
        assert verify(full.directory).faults, place


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE entries SET at = '2026-07-02' WHERE seq = 3", "as it was written"),
        ("DELETE FROM entries WHERE seq = 5", "entry 5 is missing"),
        ("DELETE FROM entries WHERE seq = 32", "31 entries, but 32 were sealed"),
        ("UPDATE entries SET by = 'somebody else' WHERE seq = 7", "as it was written"),
    ],
)
def test_a_fact_changed_with_a_database_program_is_found(full, statement, said):
    database = sqlite3.connect(full.directory / "ledger.sqlite")
    database.executescript(
        "DROP TRIGGER entries_are_never_changed; DROP TRIGGER entries_are_never_removed;"
        + statement
    )
    database.close()
    assert said in " ".join(verify(full.directory).faults)


def test_entries_written_after_the_seal_are_told_and_are_no_fault(full):
    seal = (full.directory / "ledger.seal").read_bytes()
    with full.ledger() as ledger:
        ledger.append("event", "late", {}, by="test")
    (full.directory / "ledger.seal").write_bytes(seal)
    found = verify(full.directory)
    assert found.faults == ()
    assert "1 entries were written after the seal" in found.remarks[0]


def test_a_ledger_without_a_seal_is_told_of(full):
    (full.directory / "ledger.seal").unlink()
    found = verify(full.directory)
    assert found.faults == ()
    assert "there is no ledger.seal" in found.remarks[0]


def test_a_damaged_seal_is_a_fault(full):
    (full.directory / "ledger.seal").write_text("{}", encoding="utf-8")
    assert verify(full.directory).faults == ("ledger.seal cannot be read",)


# ---- files that are no ledger


def test_a_missing_ledger_says_how_to_make_the_trial(tmp_path):
    with pytest.raises(LedgerError, match=r"not found.*counting start"):
        Ledger(tmp_path)


@pytest.mark.parametrize(
    "content", [b"hello, this is no ledger", b"\0" * 5000, b"SQLite format 3\0"]
)
def test_a_file_that_is_no_ledger_is_refused_and_left_alone(tmp_path, content):
    (tmp_path / "ledger.sqlite").write_bytes(content)
    with pytest.raises(LedgerError, match=r"cannot be used|no ledger"):
        Ledger(tmp_path)
    assert (tmp_path / "ledger.sqlite").read_bytes() == content


def test_another_database_is_refused(tmp_path):
    database = sqlite3.connect(tmp_path / "ledger.sqlite")
    database.execute("CREATE TABLE other (a)")
    database.close()
    with pytest.raises(LedgerError, match="a database, but no ledger"):
        Ledger(tmp_path)


def test_a_ledger_of_a_newer_version_is_refused(full):
    database = sqlite3.connect(full.directory / "ledger.sqlite")
    database.execute("PRAGMA user_version = 99")
    database.close()
    with pytest.raises(LedgerError, match=r"a ledger of version 99; expected version 1.*newer one"):
        full.ledger()


def test_a_damaged_ledger_gives_one_line_and_no_traceback(full):
    path = full.directory / "ledger.sqlite"
    data = bytearray(path.read_bytes())
    place = data.index(b'{"answer"')
    data[place : place + 4] = b"\xff\xfe\xff\xfe"
    path.write_bytes(data)
    with full.ledger() as ledger, pytest.raises(LedgerError, match="counting audit"):
        list(ledger.entries())


# ---- migration


def test_an_older_ledger_is_brought_up_and_a_copy_kept(full, monkeypatch):
    before = (full.directory / "ledger.sqlite").read_bytes()
    added = "CREATE TABLE places (plant TEXT PRIMARY KEY, x REAL) STRICT;\n"
    monkeypatch.setattr(migrate, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setattr(migrate, "MIGRATIONS", {SCHEMA_VERSION: added})
    with full.ledger() as ledger:
        assert len(list(ledger.entries())) == 32
        assert ledger.pragma("user_version") == [(SCHEMA_VERSION + 1,)]
        assert any("places" in text for text in ledger.layout())
    copy = full.directory / "ledger-version-1-copy-1.sqlite"
    kept = sqlite3.connect(copy)
    assert kept.execute("SELECT count(*) FROM entries").fetchone() == (32,)
    assert kept.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    kept.close()
    assert len(copy.read_bytes()) == len(before)


def test_a_migration_that_fails_leaves_the_ledger_as_it_was(full, monkeypatch):
    monkeypatch.setattr(migrate, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    script = "CREATE TABLE places (a TEXT);\nCREATE TABLE entries (a TEXT);\n"
    monkeypatch.setattr(migrate, "MIGRATIONS", {SCHEMA_VERSION: script})
    with pytest.raises(LedgerError, match="already exists"):
        full.ledger()
    monkeypatch.undo()
    with full.ledger() as ledger:
        assert len(list(ledger.entries())) == 32
        assert not any("places" in text for text in ledger.layout())


def test_a_version_without_a_way_up_is_refused(full, monkeypatch):
    monkeypatch.setattr(migrate, "SCHEMA_VERSION", SCHEMA_VERSION + 2)
    with pytest.raises(LedgerError, match="a ledger of version 1"):
        full.ledger()


def killed_before_sealing(trial, monkeypatch) -> None:
    with trial.ledger() as ledger:
        ledger.append("event", "first", {}, by="test")
    with monkeypatch.context() as killed:
        killed.setattr("counting.ledger.store.write_seal", lambda path: False)
        with trial.ledger() as ledger:
            ledger.append("event", "second", {}, by="test")


def test_what_a_killed_program_left_unsealed_is_sealed_by_the_next_that_writes(
    tmp_path, monkeypatch
):
    trial = make_trial(tmp_path)
    killed_before_sealing(trial, monkeypatch)
    assert "written after the seal" in verify(tmp_path).remarks[0]
    with trial.ledger() as ledger:
        assert not ledger.append("event", "second", {}, by="test")  # given again, nothing is new
    assert verify(tmp_path).remarks == ()


def test_who_only_reads_never_seals(tmp_path, monkeypatch):
    trial = make_trial(tmp_path)
    killed_before_sealing(trial, monkeypatch)
    seal = (tmp_path / "ledger.seal").read_bytes()
    for _ in range(3):
        with trial.ledger() as ledger:
            assert len(list(ledger.entries())) == 2
    assert (tmp_path / "ledger.seal").read_bytes() == seal


def cut(folder, last: int) -> None:
    """Take the entries from `last` on out of a ledger, as a database program can."""
    database = sqlite3.connect(folder / "ledger.sqlite")
    trigger = "entries_are_never_removed"
    (text,) = database.execute(
        "SELECT sql FROM sqlite_schema WHERE name = ?", (trigger,)
    ).fetchone()
    database.execute(f"DROP TRIGGER {trigger}")
    database.execute("DELETE FROM entries WHERE seq >= ?", (last,))
    database.execute(text)
    database.commit()
    database.close()


def test_entries_taken_off_the_end_stay_found_however_often_the_ledger_is_opened(full):
    cut(full.directory, 30)
    for _ in range(2):
        with full.ledger() as ledger:
            assert len(list(ledger.entries())) == 29
        assert "29 entries, but 32 were sealed" in " ".join(verify(full.directory).faults)


def test_nothing_is_written_on_top_of_a_ledger_that_lost_its_end(full):
    cut(full.directory, 30)
    with (
        full.ledger() as ledger,
        pytest.raises(LedgerError, match="the 32 entries that ledger.seal"),
    ):
        ledger.append("event", "new", {}, by="test")
    assert "29 entries, but 32 were sealed" in " ".join(verify(full.directory).faults)


def test_an_entry_is_on_the_disk_before_it_is_said_to_be_written(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "SYNCHRONOUS", SYNCHRONOUS)
    with Ledger(tmp_path, create=True) as ledger:
        assert ledger.pragma("synchronous") == [(2,)]  # FULL, in SQLite's numbers


def test_reading_makes_no_ledger_and_the_first_entry_does(tmp_path):
    with Ledger(tmp_path, create=True) as reading:
        assert reading.head() == (0, FIRST)
        assert list(reading.entries()) == []
        assert reading.append_many([], by="test") == 0
        assert list(tmp_path.iterdir()) == []
        with Ledger(tmp_path, create=True) as writing:
            assert writing.append("event", "first", {}, by="test")
        assert [entry.key for entry in reading.entries()] == ["first"]
        assert reading.append("event", "second", {}, by="test")
    found = verify(tmp_path)
    assert (found.entries, found.faults, found.remarks) == (2, (), ())
