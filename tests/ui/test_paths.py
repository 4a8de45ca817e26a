"""Paths as they are typed, pasted and dragged into a terminal."""

from pathlib import Path

import pytest

from commission.model import InputError
from commission.ui.paths import existing_file, new_file, new_job, typed_path


def test_tilde_quotes_and_backslashes_are_resolved(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    photo = tmp_path / "back wall.jpg"
    photo.write_bytes(b"x")
    for text in ("~/back wall.jpg", f"  {photo} ", f"'{photo}'", f'"{photo}"', str(photo).replace(" ", "\\ ")):
        assert existing_file(text) == photo, text


def test_a_name_with_a_real_backslash_is_kept(tmp_path):
    odd = tmp_path / "a\\ b.jpg"
    odd.write_bytes(b"x")
    assert existing_file(str(odd)) == odd


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("", "nothing"),
        ("/nowhere/at/all", "not a file"),
        ("~nobody-of-this-name/x", "an unknown home"),
        ("\x1b[31m", "not a file"),
    ],
)
def test_a_path_that_is_not_a_file_is_refused_in_clean_text(text, printed):
    with pytest.raises(InputError, match=printed) as refused:
        existing_file(text)
    assert "\x1b" not in str(refused.value)


def test_a_folder_is_refused_as_a_file(tmp_path):
    with pytest.raises(InputError, match="which is a folder"):
        existing_file(str(tmp_path))


def test_a_new_file_needs_its_extension_and_an_existing_folder(tmp_path):
    assert new_file(str(tmp_path / "a.de.PDF"), (".pdf",)) == tmp_path / "a.de.PDF"
    (tmp_path / "f.pdf").mkdir()
    for name, printed in (
        ("a.txt", "ending “.txt”"),
        ("a", "ending “none”"),
        ("none/a.pdf", "folder"),
        ("f.pdf", "is a folder"),
        (" ", "nothing"),
    ):
        with pytest.raises(InputError, match=printed):
            new_file(str(tmp_path / name) if name.strip() else name, (".pdf", ".html"))


def test_a_new_job_never_replaces_an_old_one(tmp_path):
    assert new_job(str(tmp_path / "loft-2027")) == tmp_path / "loft-2027.commission"
    (tmp_path / "loft.commission").write_bytes(b"")
    for name in ("loft", "loft.commission"):
        with pytest.raises(InputError, match="exists already"):
            new_job(str(tmp_path / name))


def test_dots_are_part_of_the_name():
    assert new_job("loft.v2") == Path("loft.v2.commission")
    assert typed_path("'") == Path("'")
