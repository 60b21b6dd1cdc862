"""A room imports itself, the rooms above it and `models`; `models` imports only itself."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.builders.places import ROOT

ROOMS = {
    "models": ("base", "drive", "site", "tariff", "wear"),
    "scheduler": (
        *(
            "textio",
            "render",
            "inputs",
            "metering",
            "billing",
            "nights",
            "optimizer",
            "plans",
            "rolling",
            "plan_output",
        ),
        *("record", "comparison", "diagnostics", "sweep", "web", "cli"),
    ),
}
AT_THE_TOP = {"scheduler.api", "scheduler.api_values"}
"""Public names over all rooms but the commands."""


def imported(module: Path) -> set[str]:
    """Dotted names of what a module imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{name.name}" for name in node.names}
    return found


@pytest.mark.parametrize(("package", "room"), [(package, room) for package, rooms in ROOMS.items() for room in rooms])
def test_a_room_imports_nothing_below_it(package: str, room: str) -> None:
    """Every import of every module of the room, those inside functions too."""
    rooms = ROOMS[package]
    below = {f"{package}.{name}" for name in rooms[rooms.index(room) + 1 :]} | (AT_THE_TOP if room != "cli" else set())
    wrong = {
        f"{module.relative_to(ROOT)} imports {name}"
        for module in (ROOT / package / room).rglob("*.py")
        for name in imported(module)
        if ".".join(name.split(".")[:2]) in below or (package == "models" and name.split(".")[0] == "scheduler")
    }
    assert not wrong


@pytest.mark.parametrize("package", list(ROOMS))
def test_every_folder_is_a_room(package: str) -> None:
    """A new folder gets its place in the order above."""
    folders = {path.name for path in (ROOT / package).iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert folders == set(ROOMS[package])


def test_no_test_imports_another() -> None:
    """What tests share stands in builders and oracles."""
    wrong = {
        f"{test.relative_to(ROOT)} imports {name}"
        for test in (ROOT / "tests").rglob("*.py")
        for name in imported(test)
        if name.startswith("tests.") and any(part.startswith("test_") for part in name.split("."))
    }
    assert not wrong
