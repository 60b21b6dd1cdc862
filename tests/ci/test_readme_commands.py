"""The README's commands are found, and each is run in the clone that it builds on."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path
from types import ModuleType

import pytest

from tests.builders.places import ROOT

PAGE = """\
# A page

```bash
python3 -m venv --without-pip .venv && echo first > made
```

```console
rm -r everything            not a command to run
```

```bash
test "$(cat made)" = first
echo second >> made
```

```bash
python3 -m venv --without-pip .venv && test ! -e made
```

```bash
test "$(tail -n 1 made)" = second
```
"""


@pytest.fixture(scope="module")
def commands() -> ModuleType:
    """The script, which lies in no package."""
    spec = importlib.util.spec_from_file_location("readme_commands", ROOT / ".ci" / "readme_commands.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def checkout(commands: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the page; a clone of it is a copy."""
    monkeypatch.setattr(commands, "clone", lambda checkout, folder: shutil.copytree(checkout, folder))
    folder = tmp_path / "checkout"
    folder.mkdir()
    (folder / "README.md").write_text(PAGE, encoding="utf-8")
    return folder


def test_only_bash_blocks_are_commands(commands: ModuleType) -> None:
    """Four of the page's five blocks, each whole."""
    found = commands.blocks(PAGE)
    assert len(found) == 4
    assert found[1] == 'test "$(cat made)" = first\necho second >> made\n'


def test_a_command_is_run_in_the_clone_that_it_builds_on(commands: ModuleType) -> None:
    """One that makes an environment begins anew; the others build on the first."""
    assert commands.clones(commands.blocks(PAGE)) == [1, 1, 2, 1]


@pytest.mark.parametrize("found", [[], ["overnight plan scenarios/bookbindery"]])
def test_pages_without_a_first_environment_are_refused(commands: ModuleType, found: list[str]) -> None:
    """No command at all would pass unseen; one without an environment would run whatever lies on the path."""
    with pytest.raises(ValueError, match="the first command must make the environment"):
        commands.clones(found)


def test_the_commands_run_as_printed(commands: ModuleType, checkout: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Each sees what those before it in its clone left, nothing of another clone, and the checkout stays as it was."""
    assert commands.main(checkout, ["README.md"]) == 0
    assert [path.name for path in checkout.iterdir()] == ["README.md"]
    assert capfd.readouterr().out.count("$ ") == 4


@pytest.mark.parametrize(
    "line",
    [
        "false",
        "false | cat",
        'echo "$NOT_SET_ANYWHERE"',
        'test -n "${VIRTUAL_ENV-}"',
        'test -n "${PYTHONDONTWRITEBYTECODE-}"',
    ],
)
def test_a_command_that_fails_fails_all(
    commands: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch, line: str
) -> None:
    """A failing command, one in a pipe, a name that is not set, and the environment of the one who runs this."""
    monkeypatch.setenv("VIRTUAL_ENV", str(checkout))
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    page = f"```bash\npython3 -m venv --without-pip .venv && true\n```\n\n```bash\n{line}\n```\n"
    (checkout / "README.md").write_text(page, encoding="utf-8")
    assert commands.main(checkout, ["README.md"]) == 1


def test_the_readme_s_two_commands_each_have_a_clone(commands: ModuleType) -> None:
    """The first plans a night, the second runs the tests; what follows builds on the first."""
    found = commands.blocks((ROOT / "README.md").read_text(encoding="utf-8"))
    assert "overnight plan" in found[0]
    assert "-m pytest" in found[1]
    assert commands.clones(found)[:2] == [1, 2]
