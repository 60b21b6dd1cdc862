"""The README's words for Python and for citing: they run, and they are those of the program."""

from __future__ import annotations

import contextlib
import inspect
import io
import re
import shutil
from importlib.metadata import version
from pathlib import Path

import pytest
import yaml

import scheduler.api as api
from tests.builders.places import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.MULTILINE | re.DOTALL)


@pytest.mark.needs("study")
def test_the_three_lines_of_python_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As printed, from a folder that holds the demo: three weights and two references."""
    shutil.copytree(ROOT / "scenarios" / "bookbindery", tmp_path / "scenarios" / "bookbindery")
    monkeypatch.chdir(tmp_path)
    (lines,) = blocks("python")
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(lines, "README", "exec"), {})
    table = printed.getvalue().splitlines()
    assert len(list(filter(None, lines.splitlines()))) == 3
    assert table[0].split() == ["weight", "cash_saved_a_year", "capacity_lost_percent_a_year"]
    assert len(table) == 1 + 5


def test_the_reference_lists_every_public_function_and_parameter() -> None:
    """Each row of the table has the names of its function's parameters and the errors that its docstring names."""
    rows = dict(re.findall(r"^\| `(\w+)\((.*?)\)` \|.*\|$", README, re.MULTILINE))
    functions = {name: getattr(api, name) for name in api.__all__ if inspect.isfunction(getattr(api, name))}
    assert set(rows) == set(functions)
    for name, function in functions.items():
        parameters = inspect.signature(function).parameters.values()
        named = [each.name for each in parameters if each.kind is not inspect.Parameter.VAR_KEYWORD]
        listed = re.findall(r"(\w+)(?:=[^,]*)?(?:, |$)", rows[name])
        assert [each for each in listed if each in named] == named, name
    for name in api.NightOptions.__annotations__:
        assert f"`{name}`" in README, name


def test_the_citation_is_of_this_version() -> None:
    """Keys that the Citation File Format 1.2.0 requires (from memory): authors, cff-version, message, title."""
    (text,) = blocks("yaml")
    citation = yaml.safe_load(text)
    assert {"authors", "cff-version", "message", "title"} <= set(citation)
    assert citation["cff-version"] == "1.2.0"
    assert citation["version"] == version("overnight-scheduler")
    assert citation["license"] == "MIT"
    assert all("name" in author for author in citation["authors"])
