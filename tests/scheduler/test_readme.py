"""The pages in Markdown: their Python runs, their links lead somewhere, and they name every key and option there is."""

from __future__ import annotations

import contextlib
import importlib
import inspect
import io
import json
import pkgutil
import re
import shlex
import shutil
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import pytest
import typer
import yaml
from typer.testing import CliRunner

import scheduler.api as api
import scheduler.inputs
from scheduler.cli.app import app
from scheduler.textio.toml_tables import Table
from tests.builders.places import ROOT

STUDIES = (ROOT / "notebooks" / "README.md").read_text(encoding="utf-8")
FORMATS = (ROOT / "scenarios" / "README.md").read_text(encoding="utf-8")
PAGES = [
    *ROOT.glob("*.md"),
    *(
        page
        for top in ("scenarios", "notebooks", "scheduler", "tests", "models")
        for page in (ROOT / top).rglob("*.md")
    ),
]
NOTEBOOKS = [*(ROOT / "notebooks").glob("*.ipynb")]


def blocks(language: str, page: str) -> list[str]:
    """The fenced blocks of a language in a page."""
    return re.findall(rf"^```{language}\n(.*?)^```", page, re.MULTILINE | re.DOTALL)


def headings(page: str) -> set[str]:
    """The anchors that GitHub gives to the headings of a page (from memory: lower case, no punctuation, hyphens)."""
    titles = re.findall(r"^#+ (.*)$", page, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def links(text: str) -> list[str]:
    """The targets of links that stay inside the checkout; code is no link."""
    prose = re.sub(r"^```.*?^```|`[^`\n]*`", "", text, flags=re.MULTILINE | re.DOTALL)
    return [target for target in re.findall(r"\]\(([^()\s]+)\)", prose) if not target.startswith("http")]


def prose_of(page: Path) -> str:
    """The text of a page, or of a notebook's cells of prose."""
    text = page.read_text(encoding="utf-8")
    if page.suffix != ".ipynb":
        return text
    return "\n".join("".join(cell["source"]) for cell in json.loads(text)["cells"] if cell["cell_type"] == "markdown")


@pytest.mark.parametrize("name", sorted(str(page.relative_to(ROOT)) for page in [*PAGES, *NOTEBOOKS]))
def test_every_link_leads_to_a_file_and_a_heading(name: str) -> None:
    """Relative links of pages and notebooks."""
    page = ROOT / name
    for target in links(prose_of(page)):
        path, _, anchor = target.partition("#")
        file = page.parent / path if path else page
        assert file.exists(), f"{target}: no such file"
        if anchor:
            assert anchor in headings(prose_of(file)), f"{target}: no such heading"


def test_the_page_on_studies_lists_every_notebook() -> None:
    """Each notebook is linked from notebooks/README.md."""
    assert {notebook.name for notebook in NOTEBOOKS} <= set(links(STUDIES))


def test_the_contributors_page_names_files_that_exist() -> None:
    """Each `….py` in DEVELOPERS.md is the end of the path of some module."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    modules = [
        f"/{module.relative_to(ROOT)}"
        for top in ("models", "scheduler", "tests")
        for module in ROOT.glob(f"{top}/**/*.py")
    ]
    named = set(re.findall(r"`([\w/]+\.py)`", text))
    assert named
    assert {name for name in named if not any(module.endswith(f"/{name}") for module in modules)} == set()


def input_keys() -> Iterator[tuple[str, str]]:
    """Every table of the input files and every key in it, as it is written in the file."""
    for module in pkgutil.iter_modules(scheduler.inputs.__path__):
        importlib.import_module(f"scheduler.inputs.{module.name}")
    tables = [Table]
    for table in tables:
        tables += table.__subclasses__()
    for table in tables:
        if table.__module__.startswith("scheduler.inputs"):
            yield from ((table.__name__, field.alias or name) for name, field in table.model_fields.items())


def test_the_formats_page_names_every_key() -> None:
    """Each key of site, offer and hardware files, and each table, stands in scenarios/README.md in code type."""
    keys = sorted(set(input_keys()))
    assert len(keys) > 90
    prose = re.sub(r"^```.*?^```", "", FORMATS, flags=re.MULTILINE | re.DOTALL)
    named = set(re.findall(r"\w+", " ".join(re.findall(r"`([^`\n]+)`", prose))))
    assert [key for key in keys if key[1] not in named] == []


def test_the_pages_name_every_command_and_option() -> None:
    """Each command, and each option of each command, stands in some page in code type or in a block."""
    code = "\n".join(re.findall(r"^```.*?^```|`[^`\n]+`", "\n".join(map(prose_of, PAGES)), re.MULTILINE | re.DOTALL))
    options = set(re.findall(r"--[\w-]+", code))
    commands = typer.main.get_command(app).commands
    assert len(commands) > 10
    for name, command in commands.items():
        assert f"overnight {name}" in code, name
        missing = {
            option for parameter in command.params for option in parameter.opts if option.startswith("--")
        } - options
        assert missing == set(), name


def test_the_sample_plan_is_what_the_first_command_prints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Line by line on 80 columns; blanks at the ends of lines do not count."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    words = shlex.split(blocks("bash", readme)[0].rpartition("overnight ")[2])
    shutil.copytree(ROOT / "scenarios" / "bookbindery", tmp_path / "scenarios" / "bookbindery")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0
    assert [line.rstrip() for line in result.stdout.splitlines()] == blocks("text", readme)[0].splitlines()
    assert len(result.stdout.splitlines()) <= 35


@pytest.mark.needs("study")
def test_the_three_lines_of_python_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As printed, from a folder that holds the demo: three weights and two references."""
    shutil.copytree(ROOT / "scenarios" / "bookbindery", tmp_path / "scenarios" / "bookbindery")
    monkeypatch.chdir(tmp_path)
    (lines,) = blocks("python", STUDIES)
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(lines, "README", "exec"), {})
    table = printed.getvalue().splitlines()
    assert len(list(filter(None, lines.splitlines()))) == 3
    assert table[0].split() == ["weight", "cash_saved_a_year", "capacity_lost_percent_a_year"]
    assert len(table) == 1 + 5


def test_the_reference_lists_every_public_function_and_parameter() -> None:
    """Each row of the table has the names of its function's parameters and the errors that its docstring names."""
    rows = dict(re.findall(r"^\| `(\w+)\((.*?)\)` \|.*\|$", STUDIES, re.MULTILINE))
    functions = {name: getattr(api, name) for name in api.__all__ if inspect.isfunction(getattr(api, name))}
    assert set(rows) == set(functions)
    for name, function in functions.items():
        parameters = inspect.signature(function).parameters.values()
        named = [each.name for each in parameters if each.kind is not inspect.Parameter.VAR_KEYWORD]
        listed = re.findall(r"(\w+)(?:=[^,]*)?(?:, |$)", rows[name])
        assert [each for each in listed if each in named] == named, name
    for name in api.NightOptions.__annotations__:
        assert f"`{name}`" in STUDIES, name


def test_the_citation_is_of_this_version() -> None:
    """Keys that the Citation File Format 1.2.0 requires (from memory): authors, cff-version, message, title."""
    (text,) = blocks("yaml", STUDIES)
    citation = yaml.safe_load(text)
    assert {"authors", "cff-version", "message", "title"} <= set(citation)
    assert citation["cff-version"] == "1.2.0"
    assert citation["version"] == version("overnight-scheduler")
    assert citation["license"] == "MIT"
    assert all("name" in author for author in citation["authors"])
