"""What a person types is read the one way it can be meant."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from counting.typed import day, day_readings, length_mm, share


@pytest.mark.parametrize(
    ("text", "value"),
    [("25 %", 0.25), ("25%", 0.25), ("0.25", 0.25), ("0,25", 0.25), ("12,5 per cent", 0.125),
     ("-20%", -0.2), ("150%", 1.5), ("1.0", 1.0), (".5", 0.5)],
)  # fmt: skip
def test_shares_are_read_with_sign_point_or_comma(text, value):
    assert share(text) == pytest.approx(value)


@pytest.mark.parametrize("text", ["25", "1", "1.5", "-3"])
def test_a_share_over_one_without_a_sign_is_asked_about(text):
    with pytest.raises(ValueError, match="do you mean"):
        share(text)


@pytest.mark.parametrize("text", ["", "%", "a quarter", "25 %%", "nan", "inf", "1e5", "٢٥ %"])
def test_what_is_no_share_is_refused(text):
    with pytest.raises(ValueError, match="is not a number"):
        share(text)


@given(st.integers(1, 9999))
def test_a_percent_and_its_share_are_one(number):
    assert share(f"{number / 100:g}%") == pytest.approx(number / 10_000)


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("2026-07-01", [(2026, 7, 1)]),
        ("2026/7/1", [(2026, 7, 1)]),
        ("1.7.2026", [(2026, 7, 1)]),
        ("1.7.26", [(2026, 7, 1)]),
        ("13/07/2026", [(2026, 7, 13)]),
        ("07/13/2026", [(2026, 7, 13)]),
        ("01/07/2026", [(2026, 7, 1), (2026, 1, 7)]),
        ("05-05-2026", [(2026, 5, 5)]),
        ("1 July 2026", [(2026, 7, 1)]),
        ("1. Jul 26", [(2026, 7, 1)]),
        ("July 1, 2026", [(2026, 7, 1)]),
        ("1 Ju 2026", []),
        ("31.6.2026", []),
        ("32/13/2026", []),
        ("1.7/2026", []),
        ("soon", []),
        ("", []),
        ("12026", []),
    ],
)
def test_a_date_has_the_readings_that_it_can_have(text, readings):
    assert day_readings(text) == [date(*reading) for reading in readings]


def test_a_date_of_two_readings_is_asked_about():
    with pytest.raises(ValueError, match="may be 2026-07-01 or 2026-01-07"):
        day("01/07/2026")


@given(st.dates(date(1999, 1, 1), date(2099, 12, 31)))
def test_an_iso_date_has_one_reading(when):
    assert day(when.isoformat()) == when


@pytest.mark.parametrize(
    ("text", "mm"), [("10", 10), ("10 mm", 10), ("1 cm", 10), ("0,5 m", 500), ("1.05M", 1050)]
)
def test_lengths_are_read_in_their_unit(text, mm):
    assert length_mm(text) == mm
