"""Run the commands of the Markdown pages' ```bash blocks, verbatim, as a newcomer does.

python .ci/readme_commands.py CHECKOUT README.md [PAGE...]

A block that makes a virtual environment begins in a fresh clone of the checkout, so that nothing that lies about here
helps it. The other blocks build on the first one's clone, in the order of the pages; so README.md comes first. Clones
know nothing of each other, and are worked through side by side; what each says is printed together.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import IO

OWN_ENVIRONMENT = "-m venv "
LEFT_OUT = ("VIRTUAL_ENV", "PYTHONPATH", "PYTHONHOME", "PYTHONDONTWRITEBYTECODE")
"""What a newcomer's shell does not have; the last would have every process compile anew all that it imports."""


def blocks(page: str) -> list[str]:
    """Give the commands of a page, a text for each ```bash block."""
    return re.findall(r"^```bash\n(.*?)^```", page, re.MULTILINE | re.DOTALL)


def begins_anew(block: str) -> bool:
    """Whether a block makes an environment of its own, and so is run in a clone of its own."""
    return OWN_ENVIRONMENT in block


def clones(commands: Sequence[str]) -> list[int]:
    """Number the clone in which each command is run: the first one's, unless it begins anew.

    Raises
    ------
    ValueError : there are no commands, or the first one makes no environment for those that build on it.
    """
    if not commands or not begins_anew(commands[0]):
        raise ValueError("the first command must make the environment of those that follow")
    begun = 0
    places = []
    for command in commands:
        begun += begins_anew(command)
        places.append(begun if begins_anew(command) else 1)
    return places


def clone(checkout: Path, folder: Path) -> None:
    """Clone what is committed of a checkout, whoever owns it."""
    trusting = folder.with_suffix(".gitconfig")
    trusting.write_text("[safe]\n\tdirectory = *\n", encoding="utf-8")
    told = {**os.environ, "GIT_CONFIG_GLOBAL": str(trusting)}
    subprocess.run(["git", "clone", "--quiet", "--no-hardlinks", str(checkout), str(folder)], check=True, env=told)


def run(command: str, folder: Path, says: IO[str]) -> int:
    """Run a command in a folder as a script of its own, what it says into a file; gives its exit code."""
    environment = {name: value for name, value in os.environ.items() if name not in LEFT_OUT}
    if active := os.environ.get("VIRTUAL_ENV"):
        kept = [place for place in environment["PATH"].split(os.pathsep) if not place.startswith(active)]
        environment["PATH"] = os.pathsep.join(kept)
    return subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command],
        check=False,
        cwd=folder,
        env=environment,
        stdout=says,
        stderr=subprocess.STDOUT,
    ).returncode


def in_one_clone(checkout: Path, folder: Path, named: Sequence[tuple[str, str]]) -> bool:
    """Run commands in a clone one after another, and print what was said; gives whether all of them succeeded."""
    with folder.with_suffix(".said").open("w+", encoding="utf-8") as says:
        succeeded = True
        clone(checkout, folder)
        for page, command in named:
            print(f"-- {page}, {folder.name}\n$ {command.rstrip()}", file=says, flush=True)
            began = time.monotonic()
            if code := run(command, folder, says):
                print(f"-- exit {code}: a command of {page} fails", file=says)
                succeeded = False
                break
            print(f"-- {time.monotonic() - began:.0f} s", file=says, flush=True)
        says.seek(0)
        print(says.read(), end="", flush=True)
        return succeeded


def main(checkout: Path, pages: Sequence[str]) -> int:
    """Run all commands of the pages; gives 1 if any fails."""
    named = [(page, command) for page in pages for command in blocks((checkout / page).read_text(encoding="utf-8"))]
    by_clone: dict[int, list[tuple[str, str]]] = {}
    for each, number in zip(named, clones([command for _, command in named]), strict=True):
        by_clone.setdefault(number, []).append(each)
    with (
        tempfile.TemporaryDirectory(prefix="newcomer-", ignore_cleanup_errors=True) as name,
        ThreadPoolExecutor(len(by_clone)) as threads,
    ):
        done = [
            threads.submit(in_one_clone, checkout, Path(name) / f"clone-{number}", those)
            for number, those in by_clone.items()
        ]
        return 0 if all(each.result() for each in done) else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]).resolve(), sys.argv[2:]))
