"""Execute every notebook from top to bottom, and refuse one that is committed with output."""

import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient


def main() -> int:
    notebooks = sorted(Path(sys.argv[1]).glob("*.ipynb"))
    for path in notebooks:
        notebook = nbformat.read(path, as_version=4)
        if any(cell.get("outputs") for cell in notebook.cells):
            print(f"{path} is committed with output; clear it")
            return 1
        NotebookClient(notebook, timeout=None, resources={"metadata": {"path": str(path.parent)}}).execute()
        print(f"{path}: ran through")
    return 0 if notebooks else 1


if __name__ == "__main__":
    sys.exit(main())
