"""The drawings of a comparison: the picture of all nights holds every kWh, over a clock change too."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from scheduler.comparison.charts import (
    MONTH_MARKS,
    month_charts,
    night_picture,
    nights_chart,
    places_chart,
    ranking_chart,
    saving_chart,
)
from scheduler.comparison.compared_text import bills_table, site_facts
from scheduler.comparison.conclusion import conclusion_of
from scheduler.comparison.ranking_text import ranking_table
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
    ways = {kind: [(month.month, month.money.total) for month in months(best, kind)] for kind in MONTH_MARKS}
    found = conclusion_of(compared)
    picture = night_picture(best)
    for drawing, words in (
        (ranking_chart(found), f"{best.inputs.offer.name} {best.money['plan'].total:.2f}"),
        (
            saving_chart(found),
            f"battery 6900 EUR {found.own.yearly_saving:.0f} EUR".replace("-", "−"),
        ),
        (places_chart(found, "plain"), f"battery 6900 EUR: {best.inputs.offer.name}"),
        (month_charts(compared, {best.name: ways})[0][1], f"{best.first:%B %Y}"),
        (nights_chart(picture, give=True), "rows from noon to noon. The car gives"),
        (nights_chart(picture, give=False), "The car takes"),
    ):
        assert 'role="img"' in drawing
        assert words in drawing
        assert "NaN" not in drawing
        assert "nan" not in drawing


def test_what_was_compared_is_told(compared: Comparison) -> None:
    """The site's own figures from site.toml, and the kWh of the days from the flows."""
    facts = dict(site_facts(compared))
    assert facts["Car"].startswith("battery of 58 kWh, used between 20 % and 80 %")
    assert (
        "charges with 1.4 to 7.4 kW; where bidirectional, discharges 1.2 to 7.4 kW to the building and the grid"
        in (facts["Charger"])
    )
    assert facts["Approved connection"] == "import up to 14 kW, export up to 5 kW"
    assert facts["Battery wear"] == 'a battery of 6900 EUR, cycles by law "depth"'
    load = compared.best.flows["plan"].energy["load_kwh"].sum()
    assert facts["Building"].startswith(f"drew {load:.0f} kWh in these days without the car")


def test_the_bill_s_parts_add_up_to_the_bill_of_the_ranking(compared: Comparison) -> None:
    """To the cent, as a reader adds them."""
    found = conclusion_of(compared)
    bills, ranking = bills_table(found), ranking_table(found)
    for parts, row in zip(bills.rows, ranking.rows, strict=True):
        assert parts[0] == row[0]
        if parts[1] != "":
            assert sum(parts[1:-1]) == pytest.approx(parts[-1], abs=1e-9)
            assert parts[-1] == pytest.approx(row[1], abs=1e-9)
            total = ranking.headings.index("Total")
            assert sum(row[1:total]) == pytest.approx(row[total], abs=1e-9)
