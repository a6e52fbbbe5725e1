"""Reading and writing whole files: one clear line for everything that can be wrong with a file."""

import os

import pytest

from whichcore.errors import InputError
from whichcore.files import load_material, load_specimen, load_sweep, read_touchstone, text
from whichcore.files.text import create_text, did_you_mean, read_text, write_text

LOADERS = [load_sweep, load_specimen, load_material, read_touchstone]


@pytest.mark.parametrize("load", LOADERS)
@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\x80abc", "not UTF-8"),
        ("f".encode("utf-16"), "UTF-16"),
        (b"a\0b", "binary"),
        (bytes(range(256)), "UTF-8"),
    ],
)
def test_bytes_that_are_no_text_are_one_clear_line(tmp_path, load, content, told):
    path = tmp_path / "x"
    path.write_bytes(content)
    with pytest.raises(InputError, match=told) as caught:
        load(path)
    assert str(path) in caught.value.where
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("load", "told"),
    [
        (load_sweep, "the file is empty"),
        (load_specimen, "the table is missing"),
        (load_material, "the key is missing"),
        (read_touchstone, "not one row"),
    ],
)
def test_an_empty_file_is_one_clear_line(tmp_path, load, told):
    path = tmp_path / "x"
    path.write_bytes(b"")
    with pytest.raises(InputError, match=told):
        load(path)


@pytest.mark.parametrize("load", LOADERS)
def test_a_missing_file_a_folder_and_a_huge_file_are_told_apart(tmp_path, load):
    with pytest.raises(InputError, match="no such file"):
        load(tmp_path / "missing.toml")
    with pytest.raises(InputError, match="folder"):
        load(tmp_path)
    huge = tmp_path / "huge"
    with huge.open("wb") as file:
        file.truncate(50_000_001)
    with pytest.raises(InputError, match="too large"):
        load(huge)


def test_a_file_without_permission_is_one_clear_line(tmp_path, monkeypatch):
    path = tmp_path / "closed"
    path.write_text("x")

    def refuse(self):  # the tests may run as a user whom no permission stops
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(path), "read_bytes", refuse)
    with pytest.raises(InputError, match="no permission"):
        read_text(path)


def test_a_null_character_in_a_name_is_one_clear_line():
    with pytest.raises(InputError):
        load_sweep("a\0b")


def test_line_ends_and_byte_order_mark_are_taken_away(tmp_path):
    path = tmp_path / "x"
    path.write_bytes(b"\xef\xbb\xbfa\r\nb\rc\n")
    assert read_text(path) == "a\nb\nc\n"


def test_a_write_that_fails_leaves_the_old_file_and_no_litter(tmp_path, monkeypatch):
    path = tmp_path / "x"
    path.write_text("old")

    def fail(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(InputError, match="No space left"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert [item.name for item in tmp_path.iterdir()] == ["x"]


def test_a_new_file_never_takes_the_place_of_another(tmp_path, monkeypatch):
    path = tmp_path / "x"
    create_text(path, "first")
    with pytest.raises(InputError, match="not overwritten"):
        create_text(path, "second")
    # the name is taken between the look and the write
    monkeypatch.setattr(type(path), "exists", lambda _self: False)
    with pytest.raises(InputError, match="not overwritten"):
        create_text(path, "third")
    assert path.read_text() == "first"
    assert [item.name for item in tmp_path.iterdir()] == ["x"]


def test_a_new_file_is_made_on_a_file_system_without_links(tmp_path, monkeypatch):
    def refuse(source, target):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    create_text(tmp_path / "x", "first")
    monkeypatch.setattr(type(tmp_path), "exists", lambda _self: False)
    with pytest.raises(InputError, match="not overwritten"):
        create_text(tmp_path / "x", "second")
    assert (tmp_path / "x").read_text() == "first"
    assert [item.name for item in tmp_path.iterdir()] == ["x"]


def test_a_folder_that_is_missing_cannot_be_written_to(tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        write_text(tmp_path / "no" / "x", "a")


def test_a_written_file_has_the_permissions_of_any_other(tmp_path):
    (tmp_path / "plain").write_text("a")
    write_text(tmp_path / "x", "a")
    assert (tmp_path / "x").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_the_nearest_word_is_named():
    assert did_you_mean("heigth", ["height", "width"]) == "did you mean height?"
    assert did_you_mean("zzz", ["height"], "other") == "other"


def test_the_limit_of_size_is_that_of_the_reference():
    assert text.MAX_BYTES == 50_000_000  # practice: a sweep of a million points stays below it
