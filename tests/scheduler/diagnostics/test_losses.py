"""From a table to the lines for site.toml, and what the fit is told about; figures are invented."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from scheduler.diagnostics.losses import LossFit, fit_table, site_lines
from scheduler.inputs.site_file import read_site
from tests.builders.loss_tables import written
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"


def fitted(folder: Path, *rows: str) -> LossFit:
    return fit_table(written(folder, *rows))


def test_the_lines_can_be_pasted(tmp_path: Path) -> None:
    """A site with its three keys replaced by the lines is read, and has the fitted charger to the digits shown."""
    made = fit_table(DEMO / "losses.csv")
    values = tomllib.loads(site_lines(made))
    kept = [
        line
        for line in (DEMO / "site.toml").read_text(encoding="utf-8").splitlines()
        if line.split(" ")[0] not in values
    ]
    assert len(kept) == len((DEMO / "site.toml").read_text(encoding="utf-8").splitlines()) - 3
    kept.insert(kept.index("[charger]") + 1, site_lines(made))
    site = Path(shutil.copytree(DEMO, tmp_path / "site"))
    (site / "site.toml").write_text("\n".join(kept), encoding="utf-8")
    charger = read_site(site).charger
    assert charger.charge_efficiency_percent == pytest.approx(made.fitted.charge_efficiency_percent, abs=0.006)
    assert charger.discharge_efficiency_percent == pytest.approx(made.fitted.discharge_efficiency_percent, abs=0.006)
    assert charger.fixed_loss_kw == pytest.approx(made.fitted.fixed_loss_kw, abs=0.00006)


def test_the_demo_needs_no_warning() -> None:
    """Twelve plausible points give a plausible charger, told apart from none by its standard errors."""
    made = fit_table(DEMO / "losses.csv")
    assert made.warnings == ()
    for key in made.keys:
        assert key.error is not None
        assert 0 < key.error < 0.1 * key.value


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (("charge,2,95", "charge,7,93", "discharge,2,94", "discharge,7,92"), "The fixed loss came out at 0"),
        (("charge,1,70", "charge,8,99", "discharge,8,90"), "The charge efficiency came out at 100 %"),
        (("discharge,1,70", "discharge,8,99", "charge,8,90"), "The discharge efficiency came out at 100 %"),
        (("round-trip,2,80", "round-trip,4,84", "round-trip,7,86"), "Only round trips were measured"),
        (("charge,2,90", "charge,8,94", "discharge,8,93"), "only as many points as unknowns"),
        (("charge,6,91", "charge,8,93", "discharge,6,93", "discharge,8,92"), "can hardly be distinguished from 0"),
        (
            ("charge,2,90", "charge,5,93", "charge,8,59", "discharge,2,89", "discharge,8,93"),
            "Line 4, charge at 8 kW, is",
        ),
    ],
)
def test_what_is_implausible_is_said(tmp_path: Path, rows: tuple[str, ...], says: str) -> None:
    """A value at its bound, a bare fit, an uncertain fixed loss and a point far off are each told in a warning."""
    assert any(says in warning for warning in fitted(tmp_path, *rows).warnings)


def test_a_bare_fit_says_what_an_error_would_move(tmp_path: Path) -> None:
    """Charging at 2 and 8 kW: one point moves the fixed loss by √2 × 0.01 / (1/2 − 1/8) = 0.038 kW, and the charge
    efficiency by √(8² + 2²) / 6 = 1.4 points, as a line through two points does at infinite power."""
    made = fitted(tmp_path, "charge,2,90", "charge,8,94", "discharge,8,93")
    assert any(
        "the fixed loss by 0.038 kW and the charge efficiency by 1.4 points" in warning for warning in made.warnings
    )
    assert [key.uncertainty_text for key in made.keys] == ["not known"] * 3


def test_an_efficiency_just_below_100_is_not_written_as_100(tmp_path: Path) -> None:
    """Unless it is at its bound, no efficiency rounds up to 100; at its bound it is written so."""
    nearly = fitted(tmp_path, "charge,2,94.998", "charge,5,97.998", "discharge,5,93")
    assert nearly.fitted.charge_efficiency_percent == pytest.approx(99.998)  # 97.998 + 0.1 kW / 5 kW
    assert tomllib.loads(site_lines(nearly))["charge_efficiency_percent"] == 99.99
    bound = fitted(tmp_path, "charge,1,70", "charge,8,99", "discharge,8,90")
    assert tomllib.loads(site_lines(bound))["charge_efficiency_percent"] == 100
