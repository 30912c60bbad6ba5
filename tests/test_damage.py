"""Damaged JPEGs: told, and not counted until a person says."""

import io
import json

import pytest
from commanded import counting
from hypothesis import given, settings
from hypothesis import strategies as st
from trials import draw_photo, drawn, make_trial

from counting.photos.fitness.damage import damage


def jpeg(**save) -> bytes:
    stream = io.BytesIO()
    drawn(8, size=(640, 480)).save(stream, "JPEG", **save)
    return stream.getvalue()


def zeroed(data: bytes) -> bytes:
    third = len(data) // 3
    return data[:third] + bytes(third) + data[2 * third :]


def cut(data: bytes) -> bytes:
    return data[: 2 * len(data) // 3] + b"\xff\xd9"


@pytest.mark.parametrize("save", [{}, {"progressive": True}, {"quality": 60, "subsampling": 0}])
@pytest.mark.parametrize("spoil", [zeroed, cut])
def test_a_jpeg_with_a_piece_missing_is_damaged_and_a_whole_one_is_not(save, spoil):
    data = jpeg(**save)
    assert damage(data) == ""
    assert damage(spoil(data))


def test_what_phones_write_after_the_picture_is_no_damage():
    data = jpeg()
    assert damage(data + b"what follows" * 50) == ""
    assert damage(data[:-2] + b"\x00\xff\xd9") == ""


def test_other_formats_are_left_to_their_own_checks():
    stream = io.BytesIO()
    drawn(2).save(stream, "PNG")
    assert damage(stream.getvalue()) == ""


@settings(deadline=None, max_examples=30)
@given(st.binary(max_size=300))
def test_no_bytes_whatever_raise(data):
    damage(b"\xff\xd8\xff" + data)


@pytest.mark.parametrize("spoil", [zeroed, cut])
def test_taken_in_with_a_flag_and_named(tmp_path, spoil):
    trial = make_trial(tmp_path / "trial")
    good = draw_photo(tmp_path / "in" / "2026-07-01" / "A1-1" / "path.jpg", quality=90)
    bad = draw_photo(tmp_path / "in" / "2026-07-01" / "A1-2" / "path.jpg", seed=2, quality=90)
    bad.write_bytes(spoil(bad.read_bytes()))
    done = counting("take-in", trial.directory, good, bad, "--workers", 1, "--json", "-")
    assert done.code == 0, done.err
    assert "1 flagged: damaged." in done.err
    assert "Damaged, part of the picture is lost: photos/2026-07-01/A1-2/path.jpg. " in done.err
    assert "count only once a person has looked" in done.err
    flags = {row["plant"]: row["flags"] for row in json.loads(done.out)["taken"]}
    assert "damaged" in flags["A1-2"]
    assert "damaged" not in flags["A1-1"]


def test_a_loose_damaged_photo_is_told(tmp_path):
    photo = draw_photo(tmp_path / "a.jpg", 8)
    photo.write_bytes(zeroed(photo.read_bytes()))
    done = counting("look", photo, "--stages", "colour,blobs", "--json", "-")
    assert "damaged" in json.loads(done.out)[0]["flags"]
