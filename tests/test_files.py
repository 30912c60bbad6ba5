"""Files written whole or not at all, whatever happens on the way."""

import multiprocessing
import os
import signal

import pytest

from counting.errors import CountingError
from counting.files import whole_file, write_bytes, write_text


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_file_takes_its_name_only_when_all_of_it_is_written(tmp_path):
    path = tmp_path / "made" / "one.txt"
    with whole_file(path) as stream:
        stream.write(b"half")
        assert not path.exists()
        stream.write(b" and half")
    assert path.read_bytes() == b"half and half"
    assert names(path.parent) == ["one.txt"]


def test_an_error_on_the_way_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "one.txt"
    path.write_bytes(b"old")
    with pytest.raises(TypeError), whole_file(path) as stream:
        stream.write("no bytes")
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["one.txt"]


def test_a_file_is_written_over_only_with_leave(tmp_path):
    path = tmp_path / "one.txt"
    write_text(path, "old")
    with pytest.raises(CountingError, match="exists already"):
        write_text(path, "new")
    write_text(path, "new", replace=True)
    assert path.read_text() == "new"


def half_written(path, begun):
    with whole_file(path) as stream:
        stream.write(b"x" * 5_000_000)
        begun.set()
        signal.pause()


def begin(path):
    context = multiprocessing.get_context("spawn")
    begun = context.Event()
    process = context.Process(target=half_written, args=(path, begun))
    process.start()
    assert begun.wait(60)
    return process


@pytest.mark.skipif(os.name == "nt", reason="sends a signal")
def test_what_a_killed_program_left_is_gone_after_the_next_writing(tmp_path):
    path = tmp_path / "one.bin"
    process = begin(path)
    process.kill()
    process.join()
    assert len(names(tmp_path)) == 1
    assert not path.exists()
    write_bytes(path, b"whole")
    assert names(tmp_path) == ["one.bin"]
    assert path.read_bytes() == b"whole"


@pytest.mark.skipif(os.name == "nt", reason="sends a signal")
def test_what_a_living_program_is_writing_is_left_to_it(tmp_path):
    path = tmp_path / "one.bin"
    process = begin(path)
    (unfinished,) = names(tmp_path)
    write_bytes(path, b"whole")
    assert names(tmp_path) == sorted([unfinished, "one.bin"])
    process.kill()
    process.join()


def test_a_link_laid_where_the_file_is_written_is_not_followed(tmp_path):
    outside = tmp_path / "outside.txt"
    outside.write_text("untouched")
    folder = tmp_path / "trial"
    folder.mkdir()
    (folder / ".one.txt.0.unfinished").symlink_to(outside)
    write_text(folder / "one.txt", "new")
    assert outside.read_text() == "untouched"
    assert (folder / "one.txt").read_text() == "new"
    assert not (folder / "one.txt").is_symlink()
