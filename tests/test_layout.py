"""Lots, codes, what a layout can show, and the folder that `counting start` makes."""

import io
import os
import pty
import subprocess
import sys
from collections import Counter

import numpy as np
import pytest
from commanded import counting
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import stats

from counting.errors import PlanError
from counting.files import sha256_file
from counting.ledger import Ledger
from counting.plan.layout import arrangements, draw, layout_notes, lots
from counting.plan.map import map_picture, placed
from counting.plan.questions import Answers, ask, plan_entries
from counting.plan.start import start_trial
from counting.plan.trial import load_trial, make_plan


def plan_of(*names: str, allotted_to: str = "plot", seed: int = 1, **layout):
    names = names or ("a", "b")
    return make_plan(
        {
            "id": "k3v9x2m7q4",
            "title": "An invented trial",
            "control": names[0],
            "allotted_to": allotted_to,
            "seed": seed,
            "groups": [{"name": name} for name in names],
            "layout": layout,
        },
        where="plan",
    )


def arrangement(plan) -> tuple[str, ...]:
    return tuple(group for block in lots(plan) for group in block)


@pytest.mark.parametrize(
    ("plan", "ways"),
    [
        ({"blocks": 3}, 8),
        ({"blocks": 2, "plots_per_group": 2}, 36),
        ({"blocks": 4, "allotted_to": "block"}, 6),
        ({"blocks": 1, "plots_per_group": 3, "allotted_to": "plant"}, 20),
        ({"names": ("a", "b", "c"), "blocks": 2}, 36),
    ],
)
def test_every_arrangement_is_equally_likely_in_10_000_draws(plan, ways):
    entries = plan_of(*plan.pop("names", ()), **plan)
    drawn = Counter(
        arrangement(entries.model_copy(update={"seed": seed})) for seed in range(10_000)
    )
    assert arrangements(entries) == ways
    assert len(drawn) == ways
    # the seeds are fixed and so is the figure; 1 in 1,000 is the limit for it
    assert stats.chisquare(list(drawn.values())).pvalue > 0.001


@settings(deadline=None, max_examples=25)
@given(
    groups=st.integers(2, 4),
    blocks=st.integers(1, 30),
    plots=st.integers(1, 2),
    plants=st.integers(1, 3),
    guards=st.integers(0, 3),
    seed=st.integers(0, 2**63 - 1),
)
def test_every_block_holds_every_group_equally_often(groups, blocks, plots, plants, guards, seed):
    names = [f"group {number}" for number in range(groups)]
    plan = plan_of(
        *names,
        seed=seed,
        blocks=blocks,
        plots_per_group=plots,
        plants_per_plot=plants,
        guards_per_plot=guards,
    )
    table = draw(plan)
    counted = table[~table["guard"]]
    assert (counted.groupby(["block", "group"]).size() == plots * plants).all()
    assert len(counted.groupby(["block", "group"])) == groups * blocks
    assert table["code"].is_unique
    assert counted["tag"].tolist() == list(range(1, len(counted) + 1))
    assert table.loc[table["guard"], "tag"].isna().all()
    assert (table.groupby("plot")["guard"].sum() == guards).all()
    assert not table.groupby("row")["position"].apply(lambda each: each.duplicated().any()).any()


def test_the_same_seed_draws_the_same_lots():
    assert draw(plan_of(seed=7, blocks=8)).equals(draw(plan_of(seed=7, blocks=8)))
    frozen = ["b", "a", "b", "b"]  # read off once; a change would draw other lots than recorded
    first = draw(plan_of(seed=20260601, blocks=4)).drop_duplicates("block")["group"].tolist()
    assert first == frozen


def test_codes_and_tags_do_not_give_the_group_away():
    one, other = (draw(plan_of(*names, blocks=6)) for names in (("a", "b"), ("b", "a")))
    assert one["group"].tolist() != other["group"].tolist()
    assert one.drop(columns="group").equals(other.drop(columns="group"))


def test_block_names_have_no_letter_that_looks_like_a_digit():
    names = draw(plan_of(blocks=60))["block"].unique().tolist()
    assert len(names) == 60
    assert names[:3] == ["A", "B", "C"]
    assert names[24] == "AA"
    assert not set("".join(names)) & {"I", "O"}


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ({"allotted_to": "plant", "plants_per_plot": 3}, "take 1 plant per plot"),
        ({"allotted_to": "block", "blocks": 5}, "take a multiple of 2 blocks"),
        ({"blocks": 500}, "fewer than 1000"),
    ],
)
def test_a_layout_that_cannot_be_laid_out_says_what_can(plan, said):
    with pytest.raises(PlanError, match=said):
        draw(plan_of(**plan))


def test_one_plot_per_group_can_describe_not_test():
    notes = layout_notes(plan_of(blocks=1, plants_per_plot=12, guards_per_plot=2))
    assert "can describe, not test" in notes[0]


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ({"blocks": 2}, "few"),
        ({"blocks": 4}, "2 in 16"),
        ({"blocks": 4, "plants_per_plot": 3}, "its 3 plants are one result, not 3"),
        ({"blocks": 6}, "Without guard plants"),
        ({"blocks": 6, "allotted_to": "plant"}, "stand side by side"),
        ({"blocks": 1, "plots_per_group": 6}, "One block"),
        ({"blocks": 4, "allotted_to": "block"}, "Whole blocks are allotted"),
    ],
)
def test_what_a_layout_cannot_show_is_said(plan, said):
    assert any(said in note for note in layout_notes(plan_of(**plan)))


def test_a_sound_layout_gets_no_notes():
    assert layout_notes(plan_of(blocks=6, guards_per_plot=2)) == []


def test_a_first_survey_after_the_first_treatment_is_noted():
    plan = plan_of(blocks=6, guards_per_plot=2)
    late = plan.model_copy(
        update={"first_treatment": _day("2026-06-01"), "surveys": (_day("2026-06-08"),)}
    )
    assert "Count once before it" in layout_notes(late)[0]


def _day(text):
    from datetime import date

    return date.fromisoformat(text)


def test_start_lays_the_folder_out_and_the_ledger_remembers_it(tmp_path):
    trial = start_trial(tmp_path / "trial", plan_of(blocks=4, plants_per_plot=3))
    assert load_trial(trial.directory).plants.equals(draw(trial.plan))
    with Ledger(trial.directory) as ledger:
        body = ledger.get("trial", "trial").body
    for name in ("trial.toml", "plants.csv"):
        assert body["hashes"][name] == sha256_file(trial.directory / name)
    assert body["plants"] == (trial.directory / "plants.csv").read_text(encoding="utf-8")


def test_start_overwrites_only_when_told_and_never_what_was_counted_under(tmp_path):
    first = start_trial(tmp_path, plan_of(blocks=4))
    with pytest.raises(PlanError, match="--replace"):
        start_trial(tmp_path, plan_of(blocks=5))
    assert load_trial(tmp_path).plan == first.plan
    second = start_trial(tmp_path, plan_of(blocks=5), replace=True)
    assert load_trial(tmp_path).plan == second.plan
    with Ledger(tmp_path) as ledger:
        ledger.append("exclusion", "A1-1|2026-07-01", {"reason": "dead"}, by="test")
    with pytest.raises(PlanError, match="another folder"):
        start_trial(tmp_path, plan_of(blocks=6), replace=True)
    assert load_trial(tmp_path).plan == second.plan


def test_a_plan_that_cannot_be_laid_out_writes_nothing(tmp_path):
    with pytest.raises(PlanError):
        start_trial(tmp_path / "trial", plan_of(blocks=900))
    assert not (tmp_path / "trial").exists()


def test_the_blind_map_does_not_change_with_the_groups(tmp_path):
    maps = {}
    for number, names in enumerate((("a", "b"), ("b", "a"))):
        trial = start_trial(tmp_path / str(number), plan_of(*names, blocks=6))
        maps[number] = [map_picture(trial, blind=blind) for blind in (True, False)]
    assert maps[0][0] == maps[1][0]
    assert maps[0][1] != maps[1][1]
    assert (tmp_path / "0" / "map-blind.svg").read_bytes() == maps[0][0]


def test_the_map_of_a_plan_kept_by_hand_takes_the_order_of_its_lines(tmp_path):
    trial = start_trial(tmp_path, plan_of(blocks=2))
    rows = ["code,group,block,plot", "x,a,north,P1", "y,b,north,P2", "z,b,south,P4", "w,a,south,P3"]
    (tmp_path / "plants.csv").write_text("\n".join(rows), encoding="utf-8")
    trial = load_trial(tmp_path)
    assert placed(trial.plants)["code"].tolist() == ["x", "y", "z", "w"]
    assert placed(trial.plants)["row"].tolist() == [1, 1, 2, 2]
    assert map_picture(trial, form="png").startswith(b"\x89PNG")


@pytest.mark.parametrize(
    "title", ["Short", "A title that is far longer than the beds are wide, i" * 2]
)
def test_the_title_of_a_map_stands_whole_within_it(tmp_path, title):
    trial = start_trial(tmp_path, plan_of(blocks=2).model_copy(update={"title": title}))
    drawn = np.asarray(Image.open(io.BytesIO(map_picture(trial, form="png"))).convert("L"))
    top = drawn[: len(drawn) // 10]
    assert (top < 128).any()
    assert (top[:, :20] > 250).all()
    assert (top[:, -20:] > 250).all()


def answered(*typed: str):
    """Return what stands in the plan after questions answered so, and the questions put."""
    replies, put = iter(typed), []

    def reply(question: str, usual: str) -> str:
        put.append(question)
        return next(replies, usual) or usual

    answers = Answers({}, name="tunnel")
    ask(answers, reply)
    return plan_entries(answers), put


def test_questions_answered_with_the_usual_give_a_plan():
    entries, _ = answered("", "own-rooted, grafted")
    plan = make_plan({**entries, "id": "k3v9x2m7q4"}, where="plan")
    assert plan.title == "tunnel"
    assert plan.control == "own-rooted"
    assert (plan.layout.blocks, plan.layout.plants_per_plot) == (4, 3)


def test_a_wrong_answer_is_asked_again_with_the_reason():
    entries, put = answered("", "one", "own-rooted, grafted", "", "bed", "plot", "many", "6")
    assert entries["layout"]["blocks"] == 6
    assert any("two groups or more" in question for question in put)
    assert any("'bed' is none of plant, plot, block" in question for question in put)
    assert any("'many' is not a whole number" in question for question in put)


def test_plants_as_unit_are_asked_for_as_plants():
    entries, put = answered("", "a, b", "", "plant")
    assert entries["layout"]["plants_per_plot"] == 1
    assert any("How many plants of each group in a block?" in question for question in put)
    assert not any("in a plot?" in question for question in put)


@pytest.mark.parametrize(
    ("typed", "share"), [("25%", 0.25), ("15 %", 0.15), ("0.3", 0.3), ("150 %", 1.5)]
)
def test_a_difference_is_understood_as_percent_or_share(typed, share):
    entries, _ = answered("", "a, b", *[""] * 7, typed)
    plan = make_plan({**entries, "id": "k3v9x2m7q4"}, where="plan")
    assert plan.smallest_difference == pytest.approx(share)


@pytest.mark.parametrize(
    ("typed", "asked"),
    [
        (["", "a, a", "a, b"], "two groups are called 'a'"),
        (["", "a, A", "a, b"], "two groups are called 'A' and 'a'"),
        (["", "a, b", "c", "b"], "control 'c' is none of the groups a, b"),
        (["", "a, b", "", "block", "3", "4"], "3 whole blocks cannot be shared evenly among 2"),
        (["", "a, b", "", "", "0", "5"], "'0' is not between 1 and 1000"),
        (["", "a, b", "", "", "100", "", "30", "3"], "that makes 6000 plants; there are tags for"),
        (["", "a, b", *[""] * 6, "frui", "fruit"], "did you mean 'fruit'?"),
        (["", "a, b", *[""] * 7, "25", "25 %"], "'25': do you mean 25%?"),
        ([*["", "a, b"], *[""] * 8, "half an inch", "1 cm"], "'half an inch' is not a length"),
    ],
)
def test_a_wrong_answer_is_asked_again_before_the_next_question(typed, asked):
    entries, put = answered(*typed)
    assert any(asked in question for question in put)
    make_plan({**entries, "id": "k3v9x2m7q4"}, where="plan")  # nothing is left to be refused


def test_a_session_at_the_keyboard_takes_units_and_asks_about_a_bare_25(tmp_path):
    typed = ["", "own-rooted, grafted", "grafted ones", "own-rooted", "", "6", "", "", ""]
    typed += ["", "25", "25%", "1 cm", "", "", "", "45 cm"]
    mine, theirs = pty.openpty()
    os.write(mine, ("\n".join(typed) + "\n").encode())
    command = [sys.executable, "-m", "counting", "start", str(tmp_path / "tunnel"), "--seed", "5"]
    done = subprocess.run(command, stdin=theirs, capture_output=True, text=True, check=False)
    os.close(mine)
    os.close(theirs)
    assert done.returncode == 0, done.stderr
    assert "control 'grafted ones' is none of the groups grafted, own-rooted" in done.stderr
    assert "'25': do you mean 25%? Then write 25% or 0.25" in done.stderr
    plan = load_trial(tmp_path / "tunnel").plan
    assert (plan.smallest_difference, plan.rule.smallest_fruit_mm) == (0.25, 10.0)
    assert (plan.layout.blocks, plan.layout.spacing_mm) == (6, 450.0)


def test_the_start_command_says_what_it_did_and_what_the_layout_cannot_show(tmp_path):
    directory = str(tmp_path / "tunnel")
    words = ["--group", "own-rooted", "--group", "grafted=on a vigorous rootstock"]
    words += ["--control", "own-rooted", "--blocks", "1", "--seed", "5", "--smallest-mm", "8"]
    done = counting(
        "start", directory, *words, "--no-damaged", "--fallen", "--survey", "2026-06-01"
    )
    assert done.code == 0
    assert "seed 5" in done.err
    assert "can describe, not test" in done.err
    assert done.out == ""
    plan = load_trial(tmp_path / "tunnel").plan
    assert plan.groups[1].treatment == "on a vigorous rootstock"
    assert (plan.rule.smallest_fruit_mm, plan.rule.count_damaged) == (8, False)
    assert plan.rule.count_fallen


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "fewer than two groups"),
        (["--group", "a", "--group", "b"], "no control named"),
        (["--group", "a", "--group", "b", "--control", "c"], "is none of the groups"),
        (
            ["--group", "a", "--group", "b", "--control", "a", "--survey", "2026-06-31"],
            "'2026-06-31' is not a date; write year-month-day, as in 2026-07-01",
        ),
        (
            ["--group", "a", "--group", "b", "--control", "a", "--survey", "01/07/2026"],
            "'01/07/2026' may be 2026-07-01 or 2026-01-07; write it as one of these",
        ),
        (
            ["--group", "a", "--group", "b", "--control", "a", "--smallest-difference", "25"],
            "'25': do you mean 25%? Then write 25% or 0.25",
        ),
    ],
)
def test_the_start_command_refuses_in_one_line_and_writes_nothing(tmp_path, words, said):
    done = counting("start", str(tmp_path / "trial"), *words)
    assert done.code == 2
    assert said in done.err
    assert len([line for line in done.err.splitlines() if said in line]) == 1
    assert not (tmp_path / "trial").exists()


def test_a_crop_that_was_never_measured_is_told_and_others_are_not():
    plan = plan_of(blocks=6, guards_per_plot=2)
    (told,) = layout_notes(plan.model_copy(update={"crop": "cucumber"}))
    assert "never measured on cucumber" in told
    assert layout_notes(plan.model_copy(update={"crop": "Strawberries"})) == []
