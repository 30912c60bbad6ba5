"""Facts: their bodies there and back, and each rule about them."""

import itertools
import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from counting.errors import LedgerError
from counting.files import canonical_json
from counting.flags import Flag
from counting.ledger import Ledger
from counting.ledger.facts import (
    CANNOT_TELL,
    COUNTED,
    NEVER,
    RETAKE,
    Answer,
    Candidate,
    Event,
    Exclusion,
    Glance,
    Judged,
    LeftOut,
    Lesson,
    Mark,
    Photo,
    PlanRecord,
    Proposal,
    Sheet,
    Tag,
    Tally,
    answers,
    moment,
    newest_answers,
    newest_tallies,
    photos,
    proposals,
    standing_answers,
)
from counting.settings import Settings, reaches

number = st.floats(-1e6, 1e6, allow_nan=False)
share = st.floats(0, 1, allow_nan=False)
words = st.lists(st.sampled_from([flag.value for flag in Flag]), max_size=4).map(tuple)
text = st.text(max_size=12)
name = st.text(st.characters(exclude_characters="|", exclude_categories=["Cs"]), max_size=12)
sha = st.text("0123456789abcdef", min_size=64, max_size=64)
truss = st.none() | st.integers(1, 99)
point = st.tuples(number, number)
maybe = st.none() | number
tag = st.builds(
    Tag,
    text,
    st.none() | st.integers(0, 999),
    number,
    maybe,
    maybe,
    st.lists(point, max_size=4).map(tuple),
    st.lists(point, max_size=4).map(tuple),
    maybe,
    st.none() | st.tuples(number, number, number),
)
photo = st.builds(
    Photo,
    sha,
    text,
    st.integers(1, 9000),
    st.integers(1, 9000),
    text,
    text,
    truss,
    text,
    text,
    text,
    text,
    words,
    st.dictionaries(text, number | text, max_size=3),
    st.none() | tag,
)
candidate = st.builds(
    Candidate,
    st.integers(0, 999),
    number,
    number,
    number,
    number,
    share,
    maybe,
    maybe,
    text,
    maybe,
    text,
    truss,
    words,
)
settings = st.builds(
    Settings,
    st.lists(st.sampled_from(["colour", "blobs", "scorer"]), unique=True).map(tuple),
    share,
    number,
    number,
    number,
    st.booleans(),
)
proposal = st.builds(
    Proposal,
    sha,
    st.lists(candidate, max_size=5).map(tuple),
    settings,
    text,
    text,
    st.lists(text, max_size=3).map(tuple),
    maybe,
    maybe,
    text,
    st.none() | st.integers(1, 9000),
    st.none() | st.integers(1, 9000),
    st.integers(0, 99),
    number,
    number,
    number,
    words,
    maybe,
)
mark = st.builds(
    Mark,
    st.integers(0, 999),
    st.none() | st.integers(0, 999),
    number,
    number,
    number,
    number,
    st.sampled_from(["confirmed", "added", "removed", "unsure"]),
    truss,
    text,
    st.booleans(),
)
time = st.datetimes(
    datetime(2026, 1, 1), datetime(2026, 12, 31), timezones=st.none() | st.just(UTC)
).map(datetime.isoformat)
glance = st.builds(Glance, proposal)
answer = st.builds(
    Answer,
    st.sampled_from(["a" * 64, "b" * 64]),
    st.sampled_from(["Ana", "Ben", "Eva"]),
    sha,
    time | st.just("no time"),
    st.sampled_from([COUNTED, CANNOT_TELL, RETAKE]),
    st.integers(0, 99),
    st.lists(mark, max_size=4).map(tuple),
    text,
    number,
    st.integers(0, 99),
)
sheet = st.builds(
    Sheet,
    text,
    text,
    text,
    st.integers(0, 9),
    st.booleans(),
    text,
    st.dictionaries(sha, sha, max_size=3),
)
tally = st.builds(
    Tally,
    st.sampled_from(["2026-07-01", "2026-07-08"]),
    st.sampled_from(["P1", "P2"]),
    st.sampled_from(["fruit", "height"]),
    maybe,
    text,
    st.none() | st.integers(1, 2),
    name,
    time | st.just(""),
    text,
)
event = st.builds(
    Event,
    time,
    text,
    text,
    text,
    maybe,
    maybe,
    maybe,
    maybe,
    text,
    text,
    text,
    text,
    text,
)
struck = st.builds(Event, time, text, event=text, struck=st.just(True), why=text)
learnt = st.builds(
    Lesson,
    share,
    number,
    number,
    number,
    st.lists(text, max_size=3).map(tuple),
    st.lists(sha, max_size=3).map(tuple),
    st.lists(text, max_size=3).map(tuple),
    text,
    st.dictionaries(text, st.lists(number, min_size=2, max_size=2), max_size=3),
    text,
    st.booleans(),
    st.lists(st.integers(1, 10**6), max_size=3).map(tuple),
    st.dictionaries(text, st.integers(0, 99), max_size=3),
    st.none() | share,
    st.just(1.0) | number,
    st.lists(number, max_size=2).map(tuple),
)
plan = st.builds(PlanRecord, text, text, st.dictionaries(text, sha, max_size=2))


@pytest.mark.parametrize(
    "facts",
    [photo, proposal, glance, answer, sheet, tally, event, struck, learnt, plan],
    ids=[
        "photo",
        "proposal",
        "glance",
        "answer",
        "sheet",
        "tally",
        "event",
        "struck",
        "lesson",
        "plan",
    ],
)
@given(data=st.data())
def test_a_fact_comes_back_from_its_body_byte_for_byte(facts, data):
    fact = data.draw(facts)
    body = json.loads(json.dumps(fact.to_body()))
    again = type(fact).of_body(body)
    assert again == fact
    assert canonical_json(again.to_body()) == canonical_json(body)


@given(plant=name, survey=st.sampled_from(["", "2026-07-01"]), reason=text, lifted=st.booleans())
def test_an_exclusion_comes_back_from_its_key_and_body(plant, survey, reason, lifted):
    fact = Exclusion(plant=plant, survey=survey, reason=reason, lifted=lifted)
    assert Exclusion.of_body(fact.to_body(), fact.key) == fact


@given(photo=sha, by_photo=st.just("") | sha)
def test_an_exclusion_of_a_photo_is_told_from_one_of_a_plant(photo, by_photo):
    fact = Exclusion(photo=photo, reason="replaced", by_photo=by_photo)
    assert Exclusion.of_body(fact.to_body(), fact.key) == fact


def test_what_an_older_version_did_not_write_is_read_as_not_known():
    assert Photo.of_body({"photo": "p", "file": "f", "width": 4, "height": 3}).truss is None
    bare = {"candidate": 0, "x": 1, "y": 1, "width": 1, "height": 1, "confidence": 0.5}
    made = Proposal.of_body({"photo": "p", "candidates": [bare]})
    assert (made.candidates[0].flags, made.threshold) == ((), Settings().threshold)
    assert Proposal.of_body({"photo": "p", "settings_text": {"threshold": 0.7}}).threshold == 0.7


def test_a_key_that_only_a_later_version_knows_does_no_harm():
    body = Photo("p", "f", 4, 3).to_body() | {"film": "later"}
    assert Photo.of_body(body) == Photo("p", "f", 4, 3)
    assert Proposal.of_body({"photo": "p", "settings_text": {"later": 1}}).made_with == Settings()


def test_a_body_that_is_none_of_its_kind_is_told_with_its_entry(tmp_path):
    with Ledger(tmp_path, create=True) as ledger:
        ledger.append("photo", "p", {"photo": "p"}, by="test")
        with pytest.raises(LedgerError, match=r"entry 1.*photo.*counting audit"):
            photos(ledger)


@given(confidence=share, threshold=share)
def test_the_threshold_itself_is_a_fruit_and_nothing_is_rounded(confidence, threshold):
    assert reaches(threshold, threshold)
    assert reaches(confidence, threshold) is (confidence >= threshold)


def test_a_confidence_just_under_the_threshold_is_no_fruit_anywhere():
    rows = [_candidate(0, 0.44), _candidate(1, 0.4396), _candidate(2, 0.9, "too small")]
    made = Proposal("p", tuple(rows), Settings(threshold=0.44))
    assert [each.candidate for each in made.shown] == [0, 2]
    assert [each.candidate for each in made.counted] == [0]


def _candidate(place, confidence, *flags):
    return Candidate(place, 1, 1, 1, 1, confidence, flags=flags)


@pytest.mark.parametrize(
    ("state", "small", "counts"),
    [
        ("confirmed", False, True),
        ("added", False, True),
        ("removed", False, False),
        ("unsure", False, False),
        ("confirmed", True, False),
        ("added", True, False),
    ],
)
def test_a_mark_counts_when_a_person_takes_it_for_fruit_of_a_size_that_counts(state, small, counts):
    assert Mark(0, None, 1, 1, 1, 1, state, small=small).counts is counts


@given(st.lists(answer, min_size=1, max_size=5, unique_by=lambda each: each.key))
def test_which_answer_stands_does_not_hang_on_the_order(given):
    wanted = newest_answers(given)
    for order in itertools.islice(itertools.permutations(given), 24):
        assert newest_answers(order) == wanted
    for stands in wanted.values():
        others = [each for each in given if each.photo == stands.photo]
        if stands.answer == CANNOT_TELL:
            assert all(each.answer == CANNOT_TELL for each in others)
        else:
            told = [each for each in others if each.answer != CANNOT_TELL]
            assert all(moment(each.at) <= moment(stands.at) for each in told)


def test_cannot_tell_gives_way_to_an_older_count():
    older = _answer("Ana", "2026-07-01T08:00:00+00:00", COUNTED)
    newer = _answer("Ben", "2026-07-02T08:00:00+00:00", CANNOT_TELL)
    assert newest_answers([older, newer]) == {"p": older}


def test_the_answer_taken_in_last_stands_whatever_the_devices_clocks_say(tmp_path):
    ahead, right = "2026-07-02T07:00:00+00:00", "2026-07-01T09:00:00+00:00"
    with Ledger(tmp_path, create=True) as ledger:
        ledger.add([Photo("p", "photos/p.jpg", 4, 3)], by="test")
        ledger.add([_answer("Ana", ahead, COUNTED)], by="Ana")
        ledger.add([_answer("third look", right, COUNTED)], by="third look")
        (judged,) = standing_answers(ledger)
    assert judged.answer.reviewer == "third look"


def _answer(reviewer, at, word):
    return Answer("p", reviewer, "", at, word, 3)


def test_a_photo_left_out_has_no_standing_answer_and_one_unseen_has_none_yet(tmp_path):
    with Ledger(tmp_path, create=True) as ledger:
        taken = [Photo(each, f"photos/{each}.jpg", 4, 3) for each in "pqr"]
        ledger.add(taken, by="test")
        ledger.add([_answer("Ana", "2026-07-01T08:00:00+00:00", COUNTED)], by="Ana")
        ledger.add([Exclusion(photo="q", reason="blurred")], by="Ana")
        judged = standing_answers(ledger)
        assert [(each.photo.photo, each.word) for each in judged] == [("p", COUNTED), ("r", "")]
        assert judged[1].missing == "r.jpg is not confirmed yet"
        ledger.add([Exclusion(photo="q", reason="blurred", lifted=True)], by="Ana")
        assert len(standing_answers(ledger)) == 3
        assert len(answers(ledger)) == 1


@pytest.mark.parametrize(
    ("word", "said"),
    [(COUNTED, ""), (CANNOT_TELL, "cannot be counted"), (RETAKE, "to be taken again")],
)
def test_a_photo_says_why_it_gives_no_count(word, said):
    judged = Judged(Photo("p", "photos/one.jpg", 4, 3), _answer("Ana", "", word))
    assert judged.missing.endswith(said)
    assert judged.counted is (not judged.missing)


def test_a_plant_left_out_of_all_surveys_is_out_of_each_and_its_photos_are_not():
    out = LeftOut.of(
        [
            Exclusion(plant="P1", reason="ill"),
            Exclusion(plant="P2", survey="2026-07-01", reason="broken"),
            Exclusion(plant="P3", reason="a slip", lifted=True),
            Exclusion(photo="p", reason="replaced"),
        ]
    )
    days = ("2026-07-01", "2026-07-08")
    told = [[out.plant(plant, day) for day in days] for plant in ("P1", "P2", "P3")]
    assert told == [[True, True], [True, False], [False, False]]
    assert out.photo("p")
    assert not out.photo("P1")
    assert [each.key for each in out.exclusions] == ["P1|", "P2|2026-07-01", "p"]


@given(st.lists(tally, min_size=1, max_size=5, unique_by=lambda each: each.key))
def test_of_two_tallies_of_the_same_thing_the_newest_stands(given):
    wanted = set(newest_tallies(given))
    assert {each.of_what for each in wanted} == {each.of_what for each in given}
    assert set(newest_tallies(reversed(given))) == wanted
    for each in given:
        assert any(w.of_what == each.of_what and moment(w.at) >= moment(each.at) for w in wanted)


def test_an_event_has_an_id_that_follows_from_what_it_says():
    said = Event("2026-07-01", "heat", note="36 C")
    assert said.named().event == said.named().event != Event("2026-07-02", "heat").named().event
    assert said.named("mine").event == "mine"


def test_a_time_without_offset_is_in_utc_and_what_is_none_lies_before_all():
    assert moment("2026-07-01T10:00:00") == moment("2026-07-01T12:00:00+02:00")
    assert moment("yesterday") == NEVER < moment("2026-07-01")


def test_a_proposal_knows_the_entry_that_holds_it(tmp_path):
    with Ledger(tmp_path, create=True) as ledger:
        ledger.add([Proposal("p")], by="test")
        entry = ledger.get("proposal", "p")
        assert proposals(ledger)["p"].entry == entry.hash
