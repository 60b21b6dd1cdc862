"""Run the commands of the Markdown pages' ```bash blocks, verbatim, as a newcomer does.

python .ci/readme_commands.py CHECKOUT README.md [PAGE...]

A block that makes a virtual environment begins in a fresh clone of the checkout, so that nothing that lies about here
helps it. The other blocks build on the first one's clone, in the order of the pages; so README.md comes first.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

OWN_ENVIRONMENT = "-m venv "
LEFT_OUT = ("VIRTUAL_ENV", "PYTHONPATH", "PYTHONHOME")
"""What a newcomer's shell does not have."""


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


def run(command: str, folder: Path) -> int:
    """Run a command in a folder as a script of its own; gives its exit code."""
    environment = {name: value for name, value in os.environ.items() if name not in LEFT_OUT}
    if active := os.environ.get("VIRTUAL_ENV"):
        kept = [place for place in environment["PATH"].split(os.pathsep) if not place.startswith(active)]
        environment["PATH"] = os.pathsep.join(kept)
    return subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command], check=False, cwd=folder, env=environment
    ).returncode


def main(checkout: Path, pages: Sequence[str]) -> int:
    """Run all commands of the pages; gives 1 at the first that fails."""
    named = [(page, command) for page in pages for command in blocks((checkout / page).read_text(encoding="utf-8"))]
    with tempfile.TemporaryDirectory(prefix="newcomer-", ignore_cleanup_errors=True) as name:
        for (page, command), number in zip(named, clones([command for _, command in named]), strict=True):
            folder = Path(name) / f"clone-{number}"
            if not folder.exists():
                clone(checkout, folder)
            print(f"-- {page}, clone {number}\n$ {command.rstrip()}", flush=True)
            began = time.monotonic()
            if code := run(command, folder):
                print(f"-- exit {code}: a command of {page} fails")
                return 1
            print(f"-- {time.monotonic() - began:.0f} s", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]).resolve(), sys.argv[2:]))
