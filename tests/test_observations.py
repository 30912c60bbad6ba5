"""Photo counts and hand tallies become one table; each fruit counts once."""

import random
from datetime import date, timedelta

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trials import SURVEY, Beds, add_photo, confirm, make_trial, marks
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import TallyError
from counting.ledger import Ledger
from counting.ledger.facts import Answer, Judged, Mark, Photo, left_out
from counting.plan.trial import load_trial
from counting.records.confirmed import tell_apart
from counting.records.exclusions import leave_out, take_back
from counting.records.observations import observations
from counting.records.rename import rename
from counting.records.tallies import take_tallies
from counting.records.totals import GROWTH, growth
from counting.tables import OBSERVATIONS


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


def table(trial) -> pd.DataFrame:
    with trial.ledger() as ledger:
        return observations(trial, ledger)


def value(trial, plant="A1-1", *, measure="fruit", truss=None, source="photo", survey=SURVEY):
    """Return the one value of a plant; fail if there is none or more than one."""
    rows = table(trial)
    rows = rows[
        (rows["plant"] == plant)
        & (rows["measure"] == measure)
        & (rows["source"] == source)
        & (rows["survey"] == survey)
        & (rows["truss"].isna() if truss is None else rows["truss"].eq(truss).fillna(False))
    ]
    (found,) = rows["value"]
    return None if pd.isna(found) else found


def tally(trial, tmp_path, text):
    path = tmp_path / "tally.csv"
    path.write_text(text, encoding="utf-8")
    take_tallies(trial, [path])


def test_an_empty_ledger_gives_an_empty_table_with_all_columns(trial):
    found = table(trial)
    assert found.empty
    assert {name: str(dtype) for name, dtype in found.dtypes.items()} == dict(OBSERVATIONS)


def test_a_plants_count_is_the_sum_over_its_sides(trial):
    confirm(trial, add_photo(trial, "A1-1", side="path"), 5)
    confirm(trial, add_photo(trial, "A1-1", side="wall"), 3)
    assert value(trial) == 8
    row = table(trial).iloc[0]
    assert (row["group"], row["block"], row["plot"], row["unit"]) == (
        "own-rooted",
        "A",
        "A1",
        "count",
    )
    assert (row["by"], row["at"]) == (("first reviewer",), "2026-07-01T18:00:00+00:00")


def test_removed_unsure_and_small_marks_do_not_count(trial):
    photo = add_photo(trial, "A1-1")
    unsure = {**marks(1)[0], "mark": 90, "state": "unsure"}
    confirm(trial, photo, 4, marks=[*marks(4, removed=3, small=2), unsure])
    assert value(trial) == 4


def test_a_fruit_marked_in_two_photos_counts_once(trial):
    first, second = add_photo(trial, "A1-1", side="path"), add_photo(trial, "A1-1", side="wall")
    confirm(trial, first, 3)
    seen = marks(4)
    seen[0]["twin"] = f"{first}:1"
    seen[1]["twin"] = f"{first}:2"
    confirm(trial, second, 4, marks=seen)
    assert value(trial) == 5


def test_twins_in_a_ring_of_three_photos_count_once(trial):
    photos = [add_photo(trial, "A1-1", side=side) for side in ("left", "middle", "right")]
    for number, photo in enumerate(photos):
        seen = marks(1)
        seen[0]["twin"] = f"{photos[number - 1]}:0"
        confirm(trial, photo, 1, marks=seen)
    assert value(trial) == 1


@pytest.mark.parametrize("twin", ["no", "abc:0", "{first}:99", "{first}:x", ":", "{second}:0"])
def test_a_twin_that_leads_nowhere_changes_nothing(trial, twin):
    first, second = add_photo(trial, "A1-1", side="path"), add_photo(trial, "A1-1", side="wall")
    confirm(trial, first, 2)
    seen = marks(2)
    seen[0]["twin"] = twin.format(first=first, second=second)
    confirm(trial, second, 2, marks=seen)
    assert value(trial) == 4


def test_a_twin_that_was_removed_leaves_the_other_counted(trial):
    first, second = add_photo(trial, "A1-1", side="path"), add_photo(trial, "A1-1", side="wall")
    confirm(trial, first, 0, marks=marks(0, removed=1))
    seen = marks(1)
    seen[0]["twin"] = f"{first}:0"
    confirm(trial, second, 1, marks=seen)
    assert value(trial) == 1


# ---- incomplete plants


def test_a_plant_with_an_unconfirmed_photo_is_missing_with_the_reason(trial):
    confirm(trial, add_photo(trial, "A1-1", side="path"), 5)
    add_photo(trial, "A1-1", side="wall")
    assert value(trial) is None
    assert table(trial)["note"].tolist() == ["wall.jpg is not confirmed yet"]


def test_a_plant_nobody_looked_at_has_no_row(trial):
    add_photo(trial, "A1-1")
    assert table(trial).empty


@pytest.mark.parametrize(
    ("answer", "note"),
    [("cannot tell", "path.jpg cannot be counted"), ("retake", "path.jpg is to be taken again")],
)
def test_a_photo_that_cannot_be_counted_is_missing_and_no_zero(trial, answer, note):
    confirm(trial, add_photo(trial, "A1-1"), 0, answer=answer, marks=[])
    assert value(trial) is None
    assert table(trial)["note"].tolist() == [note]


def test_a_confirmed_photo_without_fruit_is_zero(trial):
    confirm(trial, add_photo(trial, "A1-1"), 0)
    assert value(trial) == 0


def test_a_count_without_marks_counts(trial):
    confirm(trial, add_photo(trial, "A1-1"), 30, marks=[])
    assert value(trial) == 30


# ---- several reviewers


def test_of_two_reviewers_the_answer_taken_in_last_stands_whatever_their_clocks_say(trial):
    photo = add_photo(trial, "A1-1")
    confirm(trial, photo, 7, reviewer="first", at="2026-07-02T10:00:00+02:00")
    confirm(trial, photo, 5, reviewer="second", at="2026-07-02T07:59:00Z")
    assert value(trial) == 5
    assert table(trial)["by"].tolist() == [("second",)]


def test_a_name_with_a_comma_stays_one_person(trial):
    confirm(trial, add_photo(trial, "A1-1", side="path"), 5, reviewer="Kim, J.")
    confirm(trial, add_photo(trial, "A1-1", side="wall"), 3, reviewer="Ana")
    assert table(trial)["by"].tolist() == [("Ana", "Kim, J.")]


def test_who_cannot_tell_gives_way_to_who_could(trial):
    photo = add_photo(trial, "A1-1")
    confirm(trial, photo, 7, reviewer="one", at="2026-07-02T10:00:00Z")
    later = {"answer": "cannot tell", "marks": []}
    confirm(trial, photo, 0, reviewer="two", at="2026-07-03T10:00:00Z", **later)
    assert value(trial) == 7
    later["answer"] = "retake"
    confirm(trial, photo, 0, reviewer="three", at="2026-07-04T10:00:00Z", **later)
    assert value(trial) is None


# ---- trusses


def test_photos_of_single_trusses_give_a_row_for_each_and_one_for_the_plant(trial):
    for truss, count in ((1, 6), (2, 4), (3, 0)):
        confirm(trial, add_photo(trial, "A1-1", truss=truss), count)
    assert [value(trial, truss=truss) for truss in (1, 2, 3)] == [6, 4, 0]
    assert value(trial) == 10
    assert value(trial, measure="trusses") == 2


def test_marks_can_name_trusses_on_a_photo_of_the_whole_plant(trial):
    second = [{**mark, "mark": 10 + mark["mark"]} for mark in marks(3, truss=2)]
    seen = [*marks(2, truss=1), *second]
    confirm(trial, add_photo(trial, "A1-1"), 5, marks=seen)
    assert [value(trial, truss=truss) for truss in (1, 2)] == [2, 3]
    assert value(trial, measure="trusses") == 2


def test_the_trusses_of_a_plant_add_up_to_it(trial):
    seen = [*marks(2, truss=1), {**marks(1)[0], "mark": 50}]
    confirm(trial, add_photo(trial, "A1-1", side="path"), 3, marks=seen)
    rows = table(trial)
    assert rows["truss"].tolist() == [pd.NA, 1]
    # a fruit without a truss is in the plant's count only, and the number of trusses is not known
    assert rows["value"].tolist() == [3, 2]
    assert "trusses" not in set(rows["measure"])


# ---- tallies


def test_trusses_tallied_one_by_one_are_summed(trial, tmp_path):
    tally(trial, tmp_path, f"survey,plant,truss,fruit\n{SURVEY},A1-1,1,5\n{SURVEY},A1-1,2,3\n")
    assert value(trial, source="tally") == 8
    assert "sum of 2 trusses" in table(trial)["note"].tolist()


def test_a_missing_truss_makes_the_sum_missing(trial, tmp_path):
    tally(
        trial,
        tmp_path,
        f"survey,plant,truss,measure,value,note\n{SURVEY},A1-1,1,fruit,5,\n"
        f"{SURVEY},A1-1,2,fruit,,broken off\n",
    )
    assert value(trial, source="tally") is None


def test_a_whole_plants_tally_is_taken_before_the_sum(trial, tmp_path):
    tally(trial, tmp_path, f"survey,plant,fruit,fruit truss 1\n{SURVEY},A1-1,9,5\n")
    assert value(trial, source="tally") == 9


def test_of_two_counters_the_newest_tally_stands(trial, tmp_path):
    tally(
        trial,
        tmp_path,
        f"survey,plant,by,at,fruit\n{SURVEY},A1-1,ann,2026-07-01T10:00,9\n"
        f"{SURVEY},A1-1,ben,2026-07-01T09:00,7\n",
    )
    assert value(trial, source="tally") == 9


def test_a_correction_stands_whoever_makes_it_and_under_a_new_code_too(trial, tmp_path):
    """Of what carries no time the ledger's order tells, not the counters' names."""
    for by, number in (("zoe", 9), ("ann", 7), ("", 8)):
        tally(trial, tmp_path, f"survey,plant,by,fruit\n{SURVEY},A1-1,{by},{number}\n")
        assert value(trial, source="tally") == number
    rename(trial, "A1-1", "A1-9", by="ann")
    renamed = load_trial(trial.directory)
    assert value(renamed, "A1-9", source="tally") == 8


def test_a_value_that_another_person_told_later_is_named(trial, tmp_path):
    path = tmp_path / "zoe.csv"
    path.write_text(f"survey,plant,by,fruit\n{SURVEY},A1-1,zoe,9\n", encoding="utf-8")
    take_tallies(trial, [path])
    tally(trial, tmp_path, f"survey,plant,by,fruit\n{SURVEY},A1-1,ann,7\n")
    [said] = take_tallies(trial, [path]).corrections
    assert said.startswith("fruit of A1-1: 7 (ann) stands; 9 (zoe) was told earlier.")
    assert value(trial, source="tally") == 7


def test_a_survey_that_is_yet_to_come_is_told(trial, tmp_path):
    path = tmp_path / "next.csv"
    day = date.today() + timedelta(days=20)
    path.write_text(f"survey,plant,fruit\n{day},A1-1,9\n", encoding="utf-8")
    [said] = take_tallies(trial, [path]).corrections
    assert said.startswith(f"Survey {day} is yet to come by this machine's clock.")


def test_the_same_numbers_from_photos_and_tallies_differ_in_their_source_only(trial, tmp_path):
    for number, plant in enumerate(trial.plants["code"]):
        confirm(trial, add_photo(trial, plant), number)
    lines = [f"{SURVEY},{plant},{number}" for number, plant in enumerate(trial.plants["code"])]
    tally(trial, tmp_path, "survey,plant,fruit\n" + "\n".join(lines) + "\n")
    rows = table(trial)
    columns = ["survey", "plant", "truss", "measure", "value", "unit", "group", "block", "plot"]
    photo, hand = (rows[rows["source"] == source][columns] for source in ("photo", "tally"))
    pd.testing.assert_frame_equal(photo.reset_index(drop=True), hand.reset_index(drop=True))


# ---- left out


def test_guard_plants_are_left_out(tmp_path):
    trial = make_trial(tmp_path / "trial", Beds(guards_per_plot=1))
    guard = trial.plants.loc[trial.plants["guard"], "code"].iloc[0]
    confirm(trial, add_photo(trial, guard), 5)
    assert table(trial).empty


def test_a_plant_left_out_with_a_reason_comes_back_when_taken_back(trial):
    confirm(trial, add_photo(trial, "A1-1"), 5)
    confirm(trial, add_photo(trial, "A1-1", survey="2026-07-08"), 6)
    assert leave_out(trial, "A1-1", "wilted", by="ann", survey=SURVEY)
    assert table(trial)["survey"].tolist() == ["2026-07-08"]
    assert leave_out(trial, "A1-1", "died", by="ann")
    assert table(trial).empty
    with trial.ledger() as ledger:
        listed = [(each.plant, each.survey, each.reason) for each in left_out(ledger).exclusions]
    assert listed == [("A1-1", SURVEY, "wilted"), ("A1-1", "", "died")]
    assert take_back(trial, "A1-1", by="ann")
    assert take_back(trial, "A1-1", by="ann", survey=SURVEY)
    assert not take_back(trial, "A1-1", by="ann")
    assert len(table(trial)) == 2


def test_leaving_out_takes_a_known_plant_and_a_reason(trial):
    with pytest.raises(TallyError, match="plant 'Z9' is not in the plan"):
        leave_out(trial, "Z9", "wilted", by="ann")
    with pytest.raises(TallyError, match="no reason"):
        leave_out(trial, "A1-1", "  ", by="ann")
    with pytest.raises(TallyError, match="not a date"):
        leave_out(trial, "A1-1", "wilted", by="ann", survey="July")


def test_the_command_leaves_a_plant_out_lists_it_and_takes_it_back(trial):
    def run(*arguments):
        return CliRunner().invoke(app, ["leave-out", str(trial.directory), *arguments])

    assert run().stdout == ""
    assert isinstance(run("A1-1").exception, TallyError)
    assert run("A1-1", "--reason", "wilted", "--by", "ann").stdout == "A1-1, all surveys, wilted\n"
    assert run("A1-1", "--back").stdout == ""


def test_a_photo_left_out_does_not_count(trial):
    first = add_photo(trial, "A1-1", side="path")
    confirm(trial, first, 5)
    confirm(trial, add_photo(trial, "A1-1", side="wall"), 3)
    with trial.ledger() as ledger:
        ledger.append("exclusion", first, {"reason": "neighbour in view"}, by="ann")
    assert value(trial) == 3


# ---- over the season


def test_picked_fruit_is_added_to_hanging_fruit(trial, tmp_path):
    tally(
        trial,
        tmp_path,
        "survey,plant,fruit,picked_fruit\n2026-07-01,A1-1,10,\n2026-07-08,A1-1,8,4\n"
        "2026-07-15,A1-1,5,6\n2026-07-08,A1-2,9,0\n2026-07-15,A1-2,9,1\n",
    )
    totals = [
        value(trial, measure="fruit_total", source="tally", survey=survey)
        for survey in ("2026-07-01", "2026-07-08", "2026-07-15")
    ]
    assert totals == [10, 12, 15]
    assert value(trial, "A1-2", measure="fruit_total", source="tally", survey="2026-07-15") == 10


def test_picking_that_was_not_recorded_makes_the_total_missing(trial, tmp_path):
    tally(
        trial,
        tmp_path,
        "survey,plant,fruit,picked_fruit\n2026-07-08,A1-1,8,4\n2026-07-08,A1-2,9,\n",
    )
    assert value(trial, "A1-2", measure="fruit_total", source="tally", survey="2026-07-08") is None
    notes = table(trial).set_index(["plant", "measure"])["note"]
    assert notes["A1-2", "fruit_total"] == "picked fruit not recorded on 2026-07-08"


def test_picked_fruit_is_added_to_photo_counts_too(trial, tmp_path):
    confirm(trial, add_photo(trial, "A1-1"), 7)
    tally(trial, tmp_path, f"survey,plant,picked_fruit\n{SURVEY},A1-1,5\n")
    assert value(trial, measure="fruit_total") == 12


def test_without_picking_or_when_the_rule_says_no_there_is_no_total(tmp_path):
    trial = make_trial(tmp_path / "one")
    tally(trial, tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,5\n")
    assert "fruit_total" not in set(table(trial)["measure"])
    trial = make_trial(tmp_path / "two", rule="add_picked = false")
    tally(trial, tmp_path, f"survey,plant,fruit,picked_fruit\n{SURVEY},A1-1,5,2\n")
    assert "fruit_total" not in set(table(trial)["measure"])


def test_fallen_fruit_is_added_where_the_rule_says_so(tmp_path):
    trial = make_trial(tmp_path / "trial", rule="count_fallen = true")
    text = f"survey,plant,fruit,picked_fruit,fallen_fruit\n{SURVEY},A1-1,5,2,1\n"
    tally(trial, tmp_path, text)
    assert value(trial, measure="fruit_total", source="tally") == 8


def test_growth_between_surveys(trial, tmp_path):
    tally(
        trial,
        tmp_path,
        "survey,plant,height\n2026-07-01,A1-1,1000\n2026-07-15,A1-1,1210\n2026-07-01,A1-2,900\n",
    )
    found = growth(table(trial), "height")
    assert list(found.columns) == list(GROWTH)
    (row,) = found.to_dict("records")
    assert (row["plant"], row["since"], row["survey"], row["days"]) == (
        "A1-1", "2026-07-01", "2026-07-15", 14
    )  # fmt: skip
    assert (row["change"], row["per_week"]) == (210, 105)
    assert list(growth(table(trial), "vigour").columns) == list(GROWTH)


# ---- properties

answers = st.lists(
    st.tuples(
        st.sampled_from(["A1-1", "A1-2", "B2-1"]),
        st.sampled_from(["path", "wall"]),
        st.sampled_from(["ann", "ben"]),
        st.integers(0, 6),
        st.integers(0, 3),
        st.integers(0, 59),
    ),
    max_size=8,
    unique_by=lambda answer: answer[:2],  # between reviewers the order decides
)


def said(ledger: Ledger, photos: dict, answer) -> None:
    plant, side, reviewer, counted, removed, minute = answer
    photo = photos[plant, side]
    body = {
        "photo": photo,
        "reviewer": reviewer,
        "at": f"2026-07-01T18:{minute:02}:00+00:00",
        "answer": "counted",
        "count": counted,
        "marks": marks(counted, removed=removed),
    }
    ledger.append("confirmation", f"{photo}|{reviewer}", body, by=reviewer)


@settings(max_examples=8, deadline=None)
@given(answers=answers, seed=st.integers(0, 99))
def test_the_table_does_not_depend_on_order_or_repetition(tmp_path_factory, answers, seed):
    tables = []
    for round_ in range(2):
        trial = make_trial(tmp_path_factory.mktemp("order") / "trial")
        photos = {
            (plant, side): add_photo(trial, plant, side=side)
            for plant in ("A1-1", "A1-2", "B2-1")
            for side in ("path", "wall")
        }
        listed = list(answers)
        if round_:
            random.Random(seed).shuffle(listed)
            listed += listed[: seed % 3]
        with trial.ledger() as ledger:
            for answer in listed:
                said(ledger, photos, answer)
        tables.append(table(trial))
    pd.testing.assert_frame_equal(*tables)


@settings(max_examples=40, deadline=None)
@given(counts=st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5)), min_size=1, max_size=4),
       seed=st.integers(0, 10**6))  # fmt: skip
def test_marks_less_twins_are_the_count(counts, seed):
    """However marks are linked, the count is the number of groups of linked marks that count."""
    rng = random.Random(seed)
    photos = []
    for number, (counted, removed) in enumerate(counts):
        seen = marks(counted, removed=removed)
        for mark in seen:
            if number and rng.random() < 0.5:
                other = rng.randrange(number)
                if sum(counts[other]):
                    mark["twin"] = f"p{other}:{rng.randrange(sum(counts[other]))}"
        photos.append(seen)
    given_ = [
        Judged(
            Photo(f"p{n}", "", 1, 1, SURVEY, "A1-1"),
            Answer(f"p{n}", "ann", "", "", "counted", counts[n][0], tuple(map(Mark.of_body, seen))),
        )
        for n, seen in enumerate(photos)
    ]
    fruit = tell_apart(given_)
    assert len(fruit) == reference(photos)
    rng.shuffle(given_)
    assert len(tell_apart(given_)) == len(fruit)


def reference(photos) -> int:
    """Count the groups of linked marks by flooding them one after the other."""
    live = {
        (n, mark["mark"])
        for n, seen in enumerate(photos)
        for mark in seen
        if mark["state"] == "confirmed"
    }
    near: dict[tuple[int, int], set[tuple[int, int]]] = {key: set() for key in live}
    for n, seen in enumerate(photos):
        for mark in seen:
            if mark["twin"] and (n, mark["mark"]) in live:
                photo, number = mark["twin"][1:].split(":")
                other = (int(photo), int(number))
                if other in live:
                    near[n, mark["mark"]].add(other)
                    near[other].add((n, mark["mark"]))
    groups = 0
    while near:
        groups += 1
        wave = {next(iter(near))}
        while wave:
            wave = {other for key in wave for other in near.pop(key, set())} & set(near)
    return groups


def test_thousands_of_plants_are_all_there(tmp_path):
    trial = make_trial(tmp_path / "trial", Beds(blocks=50, plots_per_group=10, plants_per_plot=4))
    assert len(trial.plants) == 4_000
    with trial.ledger() as ledger:
        facts = []
        for number, plant in enumerate(trial.plants["code"]):
            photo = f"{number:064x}"
            body = {"photo": photo, "file": f"{plant}.jpg", "survey": SURVEY, "plant": plant,
                    "truss": None, "side": "", "width": 320, "height": 240}  # fmt: skip
            facts.append(("photo", photo, body))
            answer = {"photo": photo, "reviewer": "ann", "at": "2026-07-01T10:00:00Z",
                      "answer": "counted", "count": 12, "marks": marks(12)}  # fmt: skip
            facts.append(("confirmation", f"{photo}|ann", answer))
        ledger.append_many(facts, by="test")
        found = observations(trial, ledger)
    assert len(found) == 4_000
    assert found["value"].sum() == 48_000
