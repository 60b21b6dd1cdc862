"""The drawings of a comparison: the picture of all nights holds every kWh, over a clock change too."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from scheduler.comparison.charts import months_chart, night_picture, nights_chart, ranking_chart
from scheduler.comparison.results import ComparedOffer, Comparison, comparison_of, months
from scheduler.rolling.period import CompareOptions, parse_period
from scheduler.rolling.run import roll
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"


@pytest.fixture(scope="module", params=[("2025-10-25", "2025-10-27"), ("2026-03-28", "2026-04-01")])
def compared(request: pytest.FixtureRequest) -> Comparison:
    """A few days over the autumn, and over the spring clock change."""
    period = parse_period(CompareOptions(DEMO, (Path("offers/evening-feed-in.toml"),), *request.param))
    return comparison_of(period, {name: roll(run) for name, run in period.runs().items()})


def test_the_picture_holds_every_kwh(compared: Comparison) -> None:
    """The energy of the days, the doubled hour's both times included, and no power over the charger's."""
    picture, flows = night_picture(compared.best), compared.best.flows["plan"]
    hours = 24 * len(picture.days)
    assert picture.charge_kw.size == hours
    assert picture.charge_kw.max() <= compared.best.inputs.site.charger.charge_max_kw + 1e-9
    assert picture.discharge_kwh.sum() == pytest.approx(flows.energy["discharge_kwh"].sum(), abs=1e-9)
    assert picture.charge_kwh.sum() == pytest.approx(flows.energy["charge_kwh"].sum(), abs=1e-9)
    assert picture.days[0] == date.fromordinal(compared.best.first.toordinal() - 1)


def test_the_drawings_are_images_with_a_title_and_a_gist(compared: Comparison) -> None:
    """Each has its words for one who does not see it, with the numbers."""
    best: ComparedOffer = compared.best
    ways = {
        kind: [(month.month, month.money.total) for month in months(best, kind)]
        for kind in ("charge-on-return", "charge-only", "plan")
    }
    picture = night_picture(best)
    for drawing, words in (
        (ranking_chart(compared), f"{best.inputs.offer.name} {best.money['plan'].total:.2f}"),
        (months_chart(compared, ways), f"{best.first:%B %Y}"),
        (nights_chart(picture, give=True), "rows from noon to noon. The car gives"),
        (nights_chart(picture, give=False), "The car takes"),
    ):
        assert 'role="img"' in drawing
        assert words in drawing
        assert "NaN" not in drawing
        assert "nan" not in drawing
