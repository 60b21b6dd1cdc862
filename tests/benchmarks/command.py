"""`overnight plan` from the shell, against importing Pyomo, highspy and pandas in an empty script.

python -m tests.benchmarks.command
"""

from __future__ import annotations

import subprocess
import sys
import tempfile

from tests.benchmarks.ratios import compare
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
PLAN = ["plan", str(DEMO), "--soc", "71", "--trip", "07:30-18:00 96km", "--now", "2026-03-02T18:20"]


def run(*words: str) -> None:
    """Run Python with these words, its output thrown away."""
    subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def main() -> None:
    """Print the ratio."""
    with tempfile.TemporaryDirectory() as folder:
        compare(
            "overnight plan",
            lambda: run("-c", "from scheduler.cli.app import main; main()", *PLAN, "--out", folder),
            lambda: run("-c", "import pyomo.environ, highspy, pandas"),
            7,
            2.5,
        )


if __name__ == "__main__":
    main()
