"""Tables of measured efficiencies for tests; all figures are invented."""

from __future__ import annotations

from pathlib import Path

HEADER = "direction,power_kw,efficiency_percent"
GOOD = ("charge,1.4,88", "charge,7.4,93", "discharge,7.4,92")


def written(folder: Path, *rows: str, header: str = HEADER) -> Path:
    """A table of these rows in the folder."""
    path = folder / "losses.csv"
    path.write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    return path
