"""The lines of a file are those of its whole text, one by one, with the same faults."""

from pathlib import Path

import pytest

from scheduler.textio import read_text as text_files
from scheduler.textio.read_text import read_lines, read_text
from tests.builders.sites import faults_of


@pytest.mark.parametrize("text", ["a\nb\n", "a\r\nb", "\ufeffa\n\nb\n", "a\rb\r", "é\nü", "\ud7ff\ue000😀"])
def test_lines_are_those_of_the_whole_text(tmp_path: Path, text: str) -> None:
    """Against `read_text` and Python's own splitting, which ends lines at LF, CR LF and CR alike."""
    path = tmp_path / "text.csv"
    path.write_bytes(text.encode())
    assert list(read_lines(path, 1)) == list(enumerate(read_text(path, 1).splitlines(), start=1))


@pytest.mark.parametrize(
    "content", [b"", b"\n \n", b"a\nb\xff\nc", "a\nb".encode("utf-16"), b"\xed\xa0\x80", b"1" * 1_100_000]
)
def test_faults_are_those_of_the_whole_text(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "text.csv"
    path.write_bytes(content)
    found = faults_of(lambda: list(read_lines(path, 1)))
    assert len(found) == 1
    assert found == faults_of(lambda: read_text(path, 1))


def test_a_line_without_end_is_not_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A line of just the most characters is read; one more is a fault of that line."""
    monkeypatch.setattr(text_files, "MOST_LINE_CHARACTERS", 5)
    path = tmp_path / "text.csv"
    path.write_text("12345\n12345\n")
    assert list(read_lines(path, 1)) == [(1, "12345"), (2, "12345")]
    path.write_text("12345\n123456")
    assert faults_of(lambda: list(read_lines(path, 1))) == [
        f"{path} line 2: the line is too long; expected up to 5 characters"
    ]
