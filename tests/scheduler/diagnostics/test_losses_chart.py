"""The chart of fitted losses: its scales, marks and words."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from scheduler.diagnostics.losses import fit_table
from scheduler.diagnostics.losses_chart import losses_chart
from scheduler.render.scale import LEFT, RIGHT, WIDTH
from tests.builders.loss_tables import GOOD, written
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery" / "losses.csv"


def test_marks_are_where_the_points_are() -> None:
    """Each point is a mark of its direction's shape, at its power and efficiency on the scales as they are labelled."""
    made = fit_table(DEMO)
    drawn = ElementTree.fromstring(losses_chart(made))
    x_of = {each.text: float(each.get("x", "")) for each in drawn.iter("text") if each.get("text-anchor") == "middle"}
    y_of = {each.text: float(each.get("y", "")) - 4 for each in drawn.iter("text") if each.get("text-anchor") == "end"}
    a_kw, a_percent = x_of["7"] - x_of["6"], y_of["90"] - y_of["95"]
    circles = list(drawn.iter("circle"))[:-1]  # the last is the key's
    charged = [point for point in made.table.points if point.direction == "charge"]
    assert len(circles) == len(charged)
    for each, point in zip(circles, charged, strict=True):
        assert float(each.get("cx", "")) == pytest.approx(x_of["0"] + point.power_kw * a_kw, abs=0.8)
        assert float(each.get("cy", "")) == pytest.approx(
            y_of["95"] - (point.efficiency_percent - 95) * a_percent / 5, abs=0.2
        )
    assert len(list(drawn.iter("rect"))) == 5 + 1
    assert len(list(drawn.iter("polygon"))) == 2 + 1


@pytest.mark.parametrize(
    "rows",
    [
        GOOD,
        ("charge,0.01,2", "charge,0.02,3", "discharge,0.01,90"),
        ("charge,900,99.99", "charge,1000,100", "discharge,900,99.995"),
        ("charge,0.1,30", "charge,350,97", "discharge,22,40"),
        ("round-trip,11,87", "round-trip,2,79"),
    ],
)
def test_everything_is_inside(tmp_path: Path, rows: tuple[str, ...]) -> None:
    """Whatever the table, curves and marks lie between the scales, and no line is drawn for a round trip that no point
    is of."""
    drawn = losses_chart(fit_table(written(tmp_path, *rows)))
    curves = re.findall(r'<polyline class="curve ([a-z-]+)" points="([^"]*)"', drawn)
    assert ("round-trip" in dict(curves)) == any(row.startswith("round") for row in rows)
    assert len(curves) >= 2
    marks = re.findall(r'<circle[^>]*cx="([\d.-]+)" cy="([\d.-]+)"', drawn)[:-1]
    places = [pair.split(",") for _, points in curves for pair in points.split()]
    for x, y in [*places, *marks]:
        assert LEFT <= float(x) <= WIDTH - RIGHT
        assert 30 <= float(y) <= 236


def test_the_gist_says_what_the_curves_do() -> None:
    """The description names each direction's efficiency at the ends."""
    made = fit_table(DEMO)
    description = ElementTree.fromstring(losses_chart(made)).find("desc")
    assert description is not None
    fixed, charge = made.fitted.fixed_loss_kw, made.fitted.charge_efficiency_percent
    assert (
        f"charge from {charge - 100 * fixed / 1.2:.1f} % at 1.2 kW to {charge - 100 * fixed / 7.4:.1f} % at 7.4 kW"
        in (description.text or "")
    )
