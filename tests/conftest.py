"""What every test runs with: no clock as judge, and a skip that says why and how to run it where a part is missing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from typer.main import get_command

from tests.builders.browser import running_browser, why_no_browser
from tests.builders.extras import extra_of, how_to_run, missing_of
from tests.builders.undrawn_sweeps import undrawn_sweeps

NO_CLOCK = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow], "print_blob": True}
settings.register_profile("same", derandomize=True, **NO_CLOCK)
settings.register_profile("search", **NO_CLOCK)  # --hypothesis-profile=search: other examples each time
settings.load_profile("same")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Families of random nights can be tried in full."""
    parser.addoption("--every-seed", action="store_true", help="try every seed of the random nights, not some of them")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test marked `seeds` runs on some seeds of its family, or on all of them."""
    mark = metafunc.definition.get_closest_marker("seeds")
    if mark is not None:
        some, every = mark.args
        metafunc.parametrize("seed", every if metafunc.config.getoption("every_seed") else some)


class ModuleOfTests(pytest.Module):
    """A file of tests, skipped as a whole where it imports a package of an extra that is not installed."""

    def collect(self) -> Iterable[pytest.Item | pytest.Collector]:
        """Gives the tests of the file."""
        try:
            return super().collect()
        except self.CollectError as error:
            cause = error.__cause__
            package = (cause.name or "").split(".")[0] if isinstance(cause, ModuleNotFoundError) else ""
            extra = extra_of(package)
            if extra is None:
                raise
            reason = how_to_run(extra, f"the package {package}")
            pytest.skip(f"all of {self.path.name} {reason}", allow_module_level=True)


def pytest_pycollect_makemodule(module_path: Path, parent: pytest.Collector) -> pytest.Module:
    """Every file of tests is read by the rule above."""
    return ModuleOfTests.from_parent(parent, path=module_path)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that look at a page in a browser have the mark `browser`."""
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker("browser")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """A test marked `needs` is skipped where a package of the extra is missing."""
    for mark in item.iter_markers("needs"):
        if missing := missing_of(mark.args[0]):
            pytest.skip(how_to_run(mark.args[0], f"the package {missing[0]}"))


@pytest.fixture(scope="session", autouse=True)
def commands_read_once() -> Iterator[None]:
    """Typer's runner reads the signatures of all commands anew for each call, which takes longer than most commands."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("typer.testing._get_command", cache(get_command), raising=False)
        yield


@pytest.fixture
def undrawn() -> Iterator[None]:
    """No sweep of the test draws its figures and its page."""
    with undrawn_sweeps():
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's chromium, closed after each module: while it is open no test may run an event loop of its own."""
    if reason := why_no_browser():
        pytest.skip(reason)
    with running_browser() as chromium:
        yield chromium
