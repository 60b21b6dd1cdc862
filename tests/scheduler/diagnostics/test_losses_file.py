"""The table of measured efficiencies: what is read, and what each fault is told as."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.site.charger_losses import MeasuredPoint
from scheduler.diagnostics.losses_file import read_losses
from scheduler.textio.errors import InputFaults
from tests.builders.loss_tables import GOOD, HEADER, written


def test_points_and_lines(tmp_path: Path) -> None:
    """Points come in the order of the file with their lines; a doubled one stays, blanks around cells do not."""
    table = read_losses(written(tmp_path, *GOOD, " round-trip , 2.0 ,79.5", "charge,7.4,93"))
    assert table.lines == (2, 3, 4, 5, 6)
    assert table.points[3:] == (MeasuredPoint("round-trip", 2.0, 79.5), MeasuredPoint("charge", 7.4, 93.0))


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (
            "charge,3,100.1",
            'line 5, efficiency_percent: "100.1" is over 100; expected over 1, up to 100 %',
        ),
        ("charge,3,0", 'line 5, efficiency_percent: "0" is under 1; expected'),
        ("charge,3,-4", 'line 5, efficiency_percent: "-4" is under 1; expected'),
        ("charge,3,0.91", "expected over 1, up to 100 %; did you mean 91 (percent, not a share)?"),
        ("charge,3,91 %", 'line 5, efficiency_percent: "91 %" is not a number; expected'),
        ("charge,3,nan", 'line 5, efficiency_percent: "nan" is not a number; expected'),
        ("charge,3,", "line 5, efficiency_percent: the cell is empty; expected"),
        ("charge,0,91", 'line 5, power_kw: "0" is not over 0; expected over 0, up to 1000 kW'),
        (
            "discharge,-3,91",
            'line 5, power_kw: "-3" is under 0; expected over 0, up to 1000 kW',
        ),
        (
            "charge,7400,91",
            'line 5, power_kw: "7400" is over 1000; expected over 0, up to 1000 kW; did you mean 7.4 (kW, not W)?',
        ),
        ("charge,1e400,91", 'line 5, power_kw: "1e400" is not finite'),
        ("charge,fast,91", 'line 5, power_kw: "fast" is not a number'),
        ("charging,3,91", '"charging" is not known; expected charge, discharge or round-trip; did you mean charge?'),
        ("roundtrip,3,91", "did you mean round-trip?"),
        ("Discharge,3,91", "did you mean discharge?"),
        (",3,91", "line 5, direction: the cell is empty; expected charge, discharge or round-trip"),
        ("charge,3", "line 5: found cells: 2; expected direction,power_kw,efficiency_percent"),
        ("charge,3,91,5", "line 5: found cells: 4"),
    ],
)
def test_a_bad_row_is_named(tmp_path: Path, row: str, says: str) -> None:
    """One row at fault gives one fault, with its line, its column and what is allowed."""
    with pytest.raises(InputFaults) as caught:
        read_losses(written(tmp_path, *GOOD, row))
    assert len(caught.value.faults) == 1
    assert says in str(caught.value)


def test_all_faults_at_once(tmp_path: Path) -> None:
    """Every bad cell is told, in line order."""
    with pytest.raises(InputFaults) as caught:
        read_losses(written(tmp_path, "chrge,0,200", *GOOD, "charge,3"))
    assert [fault.line for fault in caught.value.faults] == [2, 2, 2, 6]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ((), "found no points; expected 3 or more"),
        (GOOD[:2], "all points are for charge, which says nothing about the other direction"),
        (
            GOOD[1:],
            "all points are at about 7.4 kW, and one power cannot separate the fixed loss from the efficiencies",
        ),
        ((GOOD[0], GOOD[2], GOOD[2]), "found 2 different points (1 for charge, 1 for discharge) for 3 unknowns"),
    ],
)
def test_too_few_points(tmp_path: Path, rows: tuple[str, ...], says: str) -> None:
    """What is missing is said, and of which direction."""
    with pytest.raises(InputFaults) as caught:
        read_losses(written(tmp_path, *rows))
    assert len(caught.value.faults) == 1
    assert says in str(caught.value)


def test_another_header_is_told(tmp_path: Path) -> None:
    """A table of other columns is refused with the header that is allowed."""
    with pytest.raises(InputFaults, match=f"expected {HEADER}"):
        read_losses(written(tmp_path, *GOOD, header="direction,kw,efficiency"))
