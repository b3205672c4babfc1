"""A file appears whole or not at all, also on a disk that really is full."""

from __future__ import annotations

import resource
from pathlib import Path

import pytest
from rungwise.tables.whole_files import NotWritten, write_files


def test_text_is_written_as_utf8_with_plain_newlines_on_every_system(tmp_path):
    [path] = write_files({tmp_path / "a.txt": "− 3\nä"})
    assert path.read_bytes() == b"\xe2\x88\x92 3\n\xc3\xa4"


def test_missing_parent_folders_are_made(tmp_path):
    write_files({tmp_path / "2026" / "q3" / "page.html": b"x"})
    assert (tmp_path / "2026" / "q3" / "page.html").read_bytes() == b"x"


def test_an_existing_file_is_not_replaced_unasked(tmp_path):
    path = tmp_path / "page.html"
    path.write_text("old")
    with pytest.raises(NotWritten, match=r"page\.html exists already; .*--overwrite"):
        write_files({path: "new", tmp_path / "page.pdf": b"%PDF"})
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["page.html"]


def test_an_existing_file_is_replaced_when_told(tmp_path):
    path = tmp_path / "page.html"
    path.write_text("old")
    assert write_files({path: "new"}, overwrite=True) == [path]
    assert path.read_text() == "new"
    assert [entry.name for entry in tmp_path.iterdir()] == ["page.html"]


@pytest.fixture
def little_room():
    """No file may grow beyond 1,000 bytes: what the system says is what it says on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_no_file_of_a_set_appears_when_one_finds_no_room(tmp_path, little_room):
    place = tmp_path / "new" / "folder"
    with pytest.raises(NotWritten, match=r"^There is no room left on the disk for .*b\.txt; nothing was"):
        write_files({place / "a.txt": "1", place / "b.txt": "2" * 5000})
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_file_is_whole_when_the_new_one_finds_no_room(tmp_path, little_room):
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(NotWritten, match="no room left on the disk"):
        write_files({tmp_path / "a.txt": "2" * 5000}, overwrite=True)
    assert [(entry.name, entry.read_text()) for entry in tmp_path.iterdir()] == [("a.txt", "old")]


def test_a_parent_that_is_a_file_gives_one_sentence(tmp_path):
    (tmp_path / "notes").write_text("x")
    with pytest.raises(NotWritten, match="notes is not a folder"):
        write_files({tmp_path / "notes" / "a.txt": "1"})


def test_a_folder_is_no_place_for_a_file(tmp_path):
    with pytest.raises(NotWritten, match="is a folder; give the name of a file"):
        write_files({Path(tmp_path): "1"}, overwrite=True)
