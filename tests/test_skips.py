"""A test that is skipped says why and how to run it, and only one place skips."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.builders.browser import why_no_browser
from tests.builders.extras import extra_of, how_to_run
from tests.builders.places import ROOT

SKIPPING = {"skip", "skipif", "importorskip", "xfail", "skipTest", "skipUnless"}
MAY_SKIP = {"conftest.py", "test_skips.py"}
RUN_WITHOUT = """
import sys
import pytest
sys.modules.update(dict.fromkeys(sys.argv[1].split(",")))
sys.exit(pytest.main(["-p", "no:xdist", "-p", "no:cacheprovider", *sys.argv[2:]]))
"""


def skips(test: Path) -> Iterator[str]:
    """Each place of a file that skips."""
    for node in ast.walk(ast.parse(test.read_text(encoding="utf-8"))):
        name = node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""
        if name in SKIPPING and isinstance(node, ast.Attribute | ast.Name):
            yield f"{test.relative_to(ROOT)}, line {node.lineno}: {name}"


def test_only_the_conftest_skips() -> None:
    """Wherever a test skips by itself its words could say less: what is missing is found and told in one place."""
    tests = [test for test in (ROOT / "tests").rglob("*.py") if test.name not in MAY_SKIP]
    assert len(tests) > 100
    assert [place for test in tests for place in skips(test)] == []


def test_the_browser_s_absence_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Each thing that is missing by its name, and the two commands that bring them."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setitem(sys.modules, "playwright", None)
    reason = why_no_browser()
    assert reason is not None
    assert "the package playwright" in reason
    assert "chromium on the path" in reason
    assert "pip install '.[browser]'" in reason
    assert "apt install chromium" in reason


@pytest.mark.parametrize(
    ("module", "extra"),
    [
        ("ocpp", "ocpp"),
        ("matplotlib", "study"),
        ("distributed", "cluster"),
        ("xlsxwriter", "xlsx"),
        ("axe_playwright_python", "browser"),
        ("numpy_financial", "test"),
        ("nbformat", "dev"),
        ("numpy", None),
        ("scheduler", None),
    ],
)
def test_a_package_belongs_to_an_extra(module: str, extra: str | None) -> None:
    """By the name it is imported by; what the plain install brings, or the project has, belongs to none."""
    assert extra_of(module) == extra


@pytest.mark.parametrize(
    ("without", "file", "told"),
    [
        ("matplotlib", "sweep/test_page.py", how_to_run("study", "the package matplotlib")),
        ("distributed", "rolling/test_dask_pool.py", how_to_run("cluster", "the package distributed")),
    ],
)
def test_a_file_that_needs_an_extra_is_skipped_with_its_reason(without: str, file: str, told: str) -> None:
    """The packages taken away, pytest skips the file, says why and how to run it, and nothing fails."""
    command = [sys.executable, "-c", RUN_WITHOUT, without, f"tests/scheduler/{file}"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode in (0, 5), done.stdout
    assert told in " ".join(done.stdout.split())
    assert "1 skipped" in done.stdout


def test_a_file_that_lacks_a_package_of_no_extra_fails() -> None:
    """A name that nothing brings is a fault of the test, and no reason to skip it."""
    test = ROOT / "tests" / "scheduler" / "plans" / "test_replay.py"
    command = [sys.executable, "-c", RUN_WITHOUT, "scheduler.plans.replay", str(test)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode not in (0, 5)
    assert "skipped" not in done.stdout
