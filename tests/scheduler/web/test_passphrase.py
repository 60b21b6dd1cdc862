"""The passphrase's file: what it must be, and what it comes to."""

from __future__ import annotations

from pathlib import Path

import pytest

from scheduler.textio.errors import InputFaults
from scheduler.web.passphrase import passphrase_of, read_passphrase


def written(folder: Path, text: str, mode: int = 0o600) -> Path:
    """A file with these permissions."""
    file = folder / "passphrase"
    file.write_text(text, encoding="utf-8")
    file.chmod(mode)
    return file


def test_a_passphrase_is_known_again_and_not_kept(tmp_path: Path) -> None:
    """ASVS 2.1.2 to 2.1.4, 2.4.1: long ones, any letters and blanks; what is kept is a salted hash."""
    phrase = "neljä lyhtyä laiturilla " + "x" * 100
    kept = read_passphrase(written(tmp_path, f"{phrase}\n"))
    assert kept.is_matched_by(phrase)
    assert kept.is_matched_by(phrase.replace("ä", "a\u0308"))  # the same letters, typed otherwise
    assert kept.is_matched_by(f"  {phrase.replace(' ', '   ')} ")
    assert not kept.is_matched_by(phrase[:-1])
    assert not kept.is_matched_by("")
    assert phrase.encode() not in kept.hashed + kept.salt
    assert passphrase_of(phrase).hashed != kept.hashed


@pytest.mark.parametrize(
    "text", ["", "\n\n", "short", "elevenchars", "x" * 129, "two lines of words\nof which one is too many"]
)
def test_a_phrase_that_is_none_is_refused(tmp_path: Path, text: str) -> None:
    """ASVS 2.1.1: twelve characters at least."""
    with pytest.raises(InputFaults):
        read_passphrase(written(tmp_path, text))


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o620, 0o601])
def test_a_file_that_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    with pytest.raises(InputFaults, match="chmod 600"):
        read_passphrase(written(tmp_path, "four lanterns by the quay", mode))


def test_a_file_that_is_not_there_or_a_folder_is_refused(tmp_path: Path) -> None:
    for file in (tmp_path / "none", tmp_path):
        with pytest.raises(InputFaults, match="expected a file whose one line is the passphrase"):
            read_passphrase(file)
