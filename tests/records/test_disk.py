"""One reader and one writer of files people name: one error each, never one inside another; whole or not at all."""

import os
from types import SimpleNamespace

import pytest

from curecalc.calibration.coupons import read_coupons
from curecalc.errors import FileError
from curecalc.figures.style import new_figure, save
from curecalc.files.disk import move_new, read_bytes, write_bytes
from curecalc.jobs.machine import read_machine
from curecalc.spot.files import read_measurement

READERS = {
    "document": (read_machine, "machine"),
    "coupons": (read_coupons, "table"),
    "measurement": (read_measurement, "measurement"),
    "bytes": (lambda path: read_bytes(path, what="recipe"), "recipe"),
}


@pytest.mark.parametrize("reader", READERS)
def test_a_folder_or_a_missing_file_is_said_in_one_sentence(tmp_path, reader):
    read, what = READERS[reader]
    with pytest.raises(FileError) as caught:
        read(tmp_path)
    assert str(caught.value) == f"{tmp_path}: is a folder. Name the {what} file within it."
    with pytest.raises(FileError) as caught:
        read(tmp_path / "none.csv")
    assert str(caught.value) == f"{tmp_path / 'none.csv'}: there is no such file. Check the name and the folder of the {what} file."


WRITERS = {"bytes": lambda path: write_bytes(path, b"new", overwrite=True), "figure": lambda path: save(new_figure(), path)}


@pytest.mark.parametrize("writer", WRITERS)
def test_a_disk_that_refuses_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, writer):
    path = tmp_path / "a.svg"
    path.write_text("old")
    path.chmod(0o640)
    WRITERS[writer](path)
    assert path.read_bytes() != b"old"
    assert path.stat().st_mode & 0o777 == 0o640  # who may read it is kept
    path.write_text("old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match=r"a\.svg: cannot be written \(No space left on device\)"):
        WRITERS[writer](path)
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.svg"]


def test_of_two_writers_of_a_new_file_the_second_is_told(tmp_path, monkeypatch):
    path = tmp_path / "a.toml"
    seen = SimpleNamespace(done=False)
    link = os.link

    def other_first(old, new):
        if not seen.done:
            seen.done = True
            path.write_text("theirs")
        return link(old, new)

    monkeypatch.setattr(os, "link", other_first)
    with pytest.raises(FileError, match="stands already"):
        write_bytes(path, "mine")
    assert path.read_text() == "theirs"
    assert os.listdir(tmp_path) == ["a.toml"]


def test_without_hard_links_a_new_file_still_takes_no_ones_place(tmp_path, monkeypatch):
    def none(_old, _new):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", none)
    assert write_bytes(tmp_path / "a.toml", "one").read_text() == "one"
    (tmp_path / "b").write_text("two")
    with pytest.raises(FileExistsError):
        move_new(str(tmp_path / "b"), tmp_path / "a.toml")
    assert (tmp_path / "a.toml").read_text() == "one"
