"""Execute every notebook, as many at once as there are cores, and refuse one that is committed with output."""

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError


def run(path: Path) -> str:
    """Execute a notebook; gives what went wrong, or nothing."""
    notebook = nbformat.read(path, as_version=4)
    if any(cell.get("outputs") for cell in notebook.cells):
        return "committed with output; clear it"
    try:
        NotebookClient(notebook, timeout=600, resources={"metadata": {"path": str(path.parent)}}).execute()
    except CellExecutionError as error:
        return str(error)
    return ""


def main() -> int:
    """Run the notebooks of a folder; gives 1 if one fails or there are none."""
    notebooks = sorted(Path(sys.argv[1]).glob("*.ipynb"))
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        failures = dict(zip(notebooks, pool.map(run, notebooks), strict=True))
    for path, failure in failures.items():
        print(f"{path}: {failure or 'ran through'}")
    return 0 if notebooks and not any(failures.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
