"""Plans and plants as they lie on disk: what is read, what is refused and how it is named."""

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trials import Beds, make_trial

from counting.errors import PlanError
from counting.plan.trial import load_trial, make_plan, plan_text, read_plan
from counting.text import plain_name

ENTRIES = {
    "id": "k3v9x2m7q4",
    "title": "An invented trial",
    "control": "own-rooted",
    "groups": [{"name": "own-rooted"}, {"name": "grafted"}],
}
HEAD = "code,group,block,plot,row,position,guard,tag"


def plants_refused(directory: Path, text: str) -> str:
    """Return what is said of a plants.csv."""
    make_trial(directory)
    (directory / "plants.csv").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError) as refusal:
        load_trial(directory)
    return str(refusal.value)


def good_lines(directory: Path) -> list[str]:
    make_trial(directory)
    return (directory / "plants.csv").read_text(encoding="utf-8").splitlines()


def test_a_made_trial_reads_back_with_its_types(tmp_path):
    trial = make_trial(tmp_path, Beds(blocks=2, plants_per_plot=2, guards_per_plot=1))
    assert len(trial.plants) == 12
    assert trial.plants["guard"].sum() == 4
    assert trial.plants["tag"].tolist() == list(range(12))
    assert trial.plan.rule.smallest_fruit_mm == 10


def test_a_folder_without_a_plan_says_how_to_make_one(tmp_path):
    with pytest.raises(PlanError, match="counting start"):
        load_trial(tmp_path)


SEEN = st.characters(exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"])


@settings(deadline=None)
@given(
    title=st.text(min_size=1, max_size=60).filter(lambda text: text.strip() == text and text),
    treatment=st.text(SEEN, max_size=60).map(plain_name),
    seed=st.integers(0, 2**63 - 1),
    difference=st.floats(1e-6, 1) | st.integers(101, 9999).map(lambda share: f"{share} %"),
    surveys=st.lists(st.dates(), unique=True, max_size=5).map(sorted),
)
def test_a_plan_written_and_read_is_the_same_plan(title, treatment, seed, difference, surveys):
    groups = [{"name": "a", "treatment": treatment}, {"name": "b"}]
    plan = make_plan(
        {
            **ENTRIES,
            "title": title,
            "groups": groups,
            "control": "a",
            "seed": seed,
            "smallest_difference": difference,
            "surveys": surveys,
            "first_treatment": surveys[0] if surveys else None,
        },
        where="plan",
    )
    import tomllib

    assert make_plan(tomllib.loads(plan_text(plan)), where="plan") == plan


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"control": "none"}, "control 'none' is none of the groups grafted, own-rooted"),
        ({"groups": [{"name": "a"}, {"name": "a"}], "control": "a"}, "two groups are called 'a'"),
        ({"groups": [{"name": "a"}], "control": "a"}, "groups"),
        ({"surveys": ["2026-07-01", "2026-06-01"]}, "survey 2026-06-01 stands after 2026-07-01"),
        ({"surveys": ["2026-07-01", "2026-07-01"]}, "in their order"),
        ({"surveys": ["1 July"]}, "surveys 1 must be a date, year-month-day"),
        ({"rule": {"smallest_fruit_mm": 0}}, "rule, smallest_fruit_mm must be above 0"),
        ({"layout": {"blocks": 0}}, "layout, blocks must be 1 or more, found 0"),
        ({"allotted_to": "row"}, "allotted_to must be 'plant', 'plot' or 'block', found 'row'"),
        ({"colour": "red"}, "colour is not an entry that is known"),
        ({"smallest_difference": -0.1}, "smallest_difference must be above 0"),
        ({"smallest_difference": 25}, "do you mean 25%? Then write 25% or 0.25"),
        ({"title": ""}, "title is empty"),
        ({"layout": {"blocks": "many"}}, "layout, blocks must be a whole number, found 'many'"),
        ({"id": "../up"}, "id"),
    ],
)
def test_an_entry_that_cannot_be_is_named(change, said):
    with pytest.raises(PlanError) as refusal:
        make_plan({**ENTRIES, **change}, where="trial.toml")
    assert said in str(refusal.value)
    assert str(refusal.value).startswith("trial.toml: ")


def test_a_plan_that_is_no_toml_names_the_line(tmp_path):
    path = tmp_path / "trial.toml"
    path.write_text("version = 1\ntitle = oh\n", encoding="utf-8")
    with pytest.raises(PlanError, match="line 2"):
        read_plan(path)


def test_dates_are_read_as_dates(tmp_path):
    plan = make_plan({**ENTRIES, "surveys": ["2026-06-01", date(2026, 7, 1)]}, where="plan")
    assert plan.surveys == (date(2026, 6, 1), date(2026, 7, 1))


def test_a_group_without_plants_is_named(tmp_path):
    lines = [line.replace("grafted", "own-rooted") for line in good_lines(tmp_path)]
    said = plants_refused(tmp_path, "\n".join(lines))
    assert "group 'grafted' has no plant" in said
    assert "plants.csv" in said


def test_a_group_of_guard_plants_alone_has_no_plant_to_count(tmp_path):
    lines = good_lines(tmp_path)
    text = "\n".join(line.replace("false", "true") if "grafted" in line else line for line in lines)
    assert "group 'grafted' has no plant" in plants_refused(tmp_path, text)


@pytest.mark.parametrize("again", ["A1-1", "a1-1"])
def test_a_code_that_stands_twice_is_named_with_both_lines(tmp_path, again):
    lines = good_lines(tmp_path)
    lines[4] = lines[4].replace(lines[4].partition(",")[0], again)
    said = plants_refused(tmp_path, "\n".join(lines))
    assert f"line 5: plant {again} stands on line 2 already" in said


def test_a_tag_that_stands_twice_is_named(tmp_path):
    lines = good_lines(tmp_path)
    lines[3] = lines[3].rpartition(",")[0] + ",1"
    assert "line 4: tag 1 stands on line 3 already" in plants_refused(tmp_path, "\n".join(lines))


def test_a_block_without_one_of_the_groups_is_named(tmp_path):
    lines = [line for line in good_lines(tmp_path) if not line.startswith("B2")]
    said = plants_refused(tmp_path, "\n".join(lines))
    assert "block 'B' has no plant of group 'own-rooted'" in said


def test_a_plot_with_two_groups_is_refused_unless_plants_were_allotted(tmp_path):
    lines = good_lines(tmp_path)
    lines[2] = lines[2].replace("own-rooted", "grafted")
    assert "plot 'A1' holds 'grafted'" in plants_refused(tmp_path, "\n".join(lines))
    make_trial(tmp_path, allotted_to="plant")
    (tmp_path / "plants.csv").write_text("\n".join(lines), encoding="utf-8")
    assert len(load_trial(tmp_path).plants) == len(lines) - 1


def test_a_plot_in_two_blocks_is_refused(tmp_path):
    lines = good_lines(tmp_path)
    lines[2] = lines[2].replace(",A,A1,", ",B,A1,")
    assert "plot 'A1' in block 'B'" in plants_refused(tmp_path, "\n".join(lines))


def test_whole_blocks_hold_one_group_each(tmp_path):
    lines = good_lines(tmp_path)
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    text = text.replace('allotted_to = "plot"', 'allotted_to = "block"')
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match="block 'A' holds grafted, own-rooted"):
        load_trial(tmp_path)
    one_each = [
        line.replace("own-rooted", "grafted")
        if ",A," in line
        else line.replace("grafted", "own-rooted")
        for line in lines
    ]
    (tmp_path / "plants.csv").write_text("\n".join(one_each), encoding="utf-8")
    assert set(load_trial(tmp_path).plants["group"]) == {"own-rooted", "grafted"}


@pytest.mark.parametrize("separator", [";", "\t", ","])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_any_spreadsheets_separator_and_byte_order_mark_read_the_same(tmp_path, separator, mark):
    lines = good_lines(tmp_path)
    expected = load_trial(tmp_path).plants
    text = mark + "\r\n".join(lines).replace(",", separator) + "\r\n\r\n"
    (tmp_path / "plants.csv").write_bytes(text.encode("utf-8"))
    assert load_trial(tmp_path).plants.equals(expected)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (",0", ",0.5", "line 2: tag '0.5' is not a whole number"),
        (",0", ',"0,5"', "line 2: tag '0,5' is not a whole number"),
        (",0", ",0,5", "line 2: 9 cells under 8 columns"),
        (",0", ",-1", "line 2: tag '-1' is not a whole number"),
        (",0", ",1000", "line 2: tag 1000; tags go from 0 to 999"),
        (",0", ",٣", "line 2: tag '٣' is not a whole number"),
        ("false", "perhaps", "line 2: guard 'perhaps'; write true or false"),
        ("A1-1", "", "line 2: no plant code"),
        ("A1-1", "../A1", "line 2: code '../A1'"),
        ("A1-1", "A|1", "line 2: code 'A|1'"),
        ("own-rooted", "wild", "line 2: group 'wild' is none of grafted, own-rooted"),
        (",A,", ",,", "line 2: no block"),
    ],
)
def test_a_wrong_cell_is_named_by_its_line(tmp_path, old, new, said):
    lines = good_lines(tmp_path)
    head, found, tail = lines[1].rpartition(old) if old == ",0" else lines[1].partition(old)
    assert found
    lines[1] = head + new + tail
    assert said in plants_refused(tmp_path, "\n".join(lines))


def test_all_faults_are_named_together_and_the_rest_counted(tmp_path):
    lines = [HEAD] + [f"P{n},nobody,A,A1,1,1,false," for n in range(40)]
    said = plants_refused(tmp_path, "\n".join(lines))
    assert said.count("is none of") == 20
    assert "and 22 more" in said  # 20 plants and two groups without any


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column code, group, block, plot"),
        ("code;group\nA;b", "no column block, plot"),
        (f"{HEAD},Code\n", "two columns code"),
    ],
)
def test_a_table_without_its_columns_is_refused(tmp_path, text, said):
    assert said in plants_refused(tmp_path, text)


def test_a_plan_kept_by_hand_may_leave_out_what_has_a_usual_value(tmp_path):
    make_trial(tmp_path)
    rows = ["Group,Code,Block,Plot,Remark", "own-rooted,a,A,A1,x", "grafted,b,A,A2,y"]
    (tmp_path / "plants.csv").write_text("\n".join(rows), encoding="utf-8")
    plants = load_trial(tmp_path).plants
    assert plants["guard"].tolist() == [False, False]
    assert plants["tag"].isna().all()


@given(st.binary(max_size=300))
def test_no_bytes_whatever_bring_forth_anything_but_a_plan_error(tmp_path_factory, data):
    directory = tmp_path_factory.mktemp("bytes")
    make_trial(directory)
    (directory / "plants.csv").write_bytes(data)
    from counting.errors import CountingError

    with pytest.raises(CountingError):
        load_trial(directory)


@pytest.mark.parametrize("column", ["row", "position", "tag"])
def test_a_number_too_large_for_any_bed_is_named_by_its_line(tmp_path, column):
    trial = make_trial(tmp_path / "trial")
    path = trial.directory / "plants.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = dict(zip(lines[0].split(","), lines[1].split(","), strict=True))
    cells[column] = "9" * 20
    path.write_text("\n".join([lines[0], ",".join(cells.values()), *lines[2:]]), encoding="utf-8")
    with pytest.raises(PlanError, match=f"line 2: {column}"):
        load_trial(trial.directory)
