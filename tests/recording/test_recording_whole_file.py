"""A file is seen whole or not at all, whatever happens while it is written."""

import pytest

from washboard.errors import StorageError
from washboard.recording import whole_file, write_whole


def test_a_file_is_written_with_its_folder_and_its_line_ends(tmp_path):
    file = tmp_path / "new" / "words.toml"
    write_whole(file, "größe = 1\r\nb = 2\n")
    assert file.read_bytes() == "größe = 1\r\nb = 2\n".encode()
    write_whole(file, b"\x00\xff")
    assert file.read_bytes() == b"\x00\xff"
    assert list(file.parent.iterdir()) == [file]


def half(file, error):
    with whole_file(file) as part:
        part.write_text("half")
        raise error


def test_what_fails_half_way_leaves_the_old_content_and_nothing_beside_it(tmp_path):
    file = tmp_path / "words.txt"
    write_whole(file, "old")
    with pytest.raises(OverflowError):
        half(file, OverflowError())
    with pytest.raises(UnicodeEncodeError):
        write_whole(file, "no letter: \ud800")
    with pytest.raises(StorageError, match=r"words\.txt: cannot be written: the disk is full"):
        half(file, OSError(28, "the disk is full"))
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]


def test_a_place_that_takes_no_file_is_told_in_words(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="cannot be written"):
        write_whole(tmp_path / "file" / "below.txt", "words")
