"""The two charts: each mark where hand arithmetic puts it, and told in words for who does not see it."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest

from scheduler.plan_output.charts import power_chart, state_chart
from scheduler.plans.plan import Plan
from scheduler.render.scale import LEFT, RIGHT, WIDTH
from tests.builders.nights import Drive, flat_night
from tests.builders.plans import hand_made_plan

HOUR = (WIDTH - LEFT - RIGHT) / 8
"""Width of an hour of the flat night [px]: 302 / 8 = 37.75."""


def both(plan: Plan) -> tuple[ElementTree.Element, ElementTree.Element]:
    """The charts, read as XML."""
    return ElementTree.fromstring(power_chart(plan)), ElementTree.fromstring(state_chart(plan))


def words(chart: ElementTree.Element) -> list[str]:
    """Everything written in a chart."""
    return [text.text or "" for text in chart.iter("text")]


def marks(chart: ElementTree.Element, kind: str) -> list[dict[str, str]]:
    """Attributes of the marks of one kind."""
    return [dict(each.attrib) for each in chart.iter() if each.get("class") == kind]


def points(chart: ElementTree.Element, kind: str) -> list[list[tuple[float, float]]]:
    """Corners of each line of one kind [px], the one in the key left out."""
    return [
        [(float(x), float(y)) for x, y in (corner.split(",") for corner in each["points"].split())]
        for each in marks(chart, kind)
        if "points" in each
    ]


def test_power_is_drawn_to_scale_at_its_hours() -> None:
    """Charging at 3 kW over a building of 1 kW in the third hour: from 1 to 4 kW, between 2 and 3 hours.

    The panel reaches from 86 px (4 kW) to 214 px (−1 kW), 25.6 px a kW: 1 kW lies at 214 − 2 · 25.6 = 162.8.
    Across, 46 + 2 · 37.75 = 121.5 and 46 + 3 · 37.75 = 159.2 (rounded to even).
    """
    charge = np.zeros(8)
    charge[2] = 3.0
    power, _ = both(hand_made_plan(flat_night(), charge_kw=charge))
    area = next(each for each in marks(power, "charge") if "d" in each)
    assert area["d"] == "M121.5 162.8V86.0H159.2V162.8H121.5Z"


def test_what_is_given_is_drawn_below_the_solar_it_adds_to() -> None:
    """Solar of 1 kW all night, discharging at 1 kW in the first hour: the discharge spans −1 to −2 kW.

    The panel reaches from 86 px (1 kW) to 214 px (−2 kW): −1 kW lies at 171.3.
    """
    discharge = np.zeros(8)
    discharge[0] = 1.0
    power, _ = both(hand_made_plan(flat_night(solar_kw=1.0), discharge_kw=discharge))
    area = next(each for each in marks(power, "discharge") if "d" in each)
    assert area["d"] == "M46.0 171.3V214.0H83.8V171.3H46.0Z"


def test_the_state_of_charge_is_drawn_to_scale() -> None:
    """50 % all night: 182 − 0.5 · 146 = 109 px, from the left edge to the right one."""
    _, state = both(hand_made_plan(flat_night()))
    (line,) = points(state, "soc")
    assert line[0] == (46.0, 109.0)
    assert line[-1] == (348.0, 109.0)


def test_a_trip_is_drawn_straight_from_departure_to_return() -> None:
    """50 km take 10 of 50 kWh, 20 %: from 50 % when it leaves to 30 % when it is back, 182 − 0.3 · 146 = 138.2."""
    _, state = both(hand_made_plan(flat_night(trips=[Drive(2, 6, 50)])))
    ((leaves, back),) = points(state, "trip")
    assert leaves == (121.5, 109.0)
    assert back == (272.5, 138.2)
    assert [len(line) for line in points(state, "soc")] == [3, 3]


def test_time_away_is_shaded_from_departure_to_return_in_both() -> None:
    """Away from hour 2 to hour 6: four hours of 37.75 px, named and in the key."""
    for chart in both(hand_made_plan(flat_night(trips=[Drive(2, 6, 50)]))):
        shaded = marks(chart, "away")[0]
        assert (shaded["x"], shaded["width"]) == ("121.5", "151.0")
        assert "away" in words(chart)
    power, state = both(hand_made_plan(flat_night(home_from=2)))
    assert marks(state, "away")[0]["x"] == "46.0"
    assert "car away" in words(power)
    assert "on a trip" not in words(state)


def test_a_departure_that_is_met_says_what_it_needs_and_a_missed_one_what_it_has() -> None:
    """50 km need 40 % of the flat night's car (20 + 20), which has 50 %; 150 km need 80 %."""
    _, met = both(hand_made_plan(flat_night(trips=[Drive(2, 6, 50)])))
    assert "needs 40 %" in words(met)
    assert marks(met, "short") == []
    _, missed = both(hand_made_plan(flat_night(trips=[Drive(2, 6, 150)])))
    assert "needs 80 %, has 50 %" in words(missed)
    assert len(marks(missed, "short")) == 1
    gist = missed.findtext("desc") or ""
    assert "needs 80 % and leaves with 50 %, too little" in gist


def test_floor_and_ceiling_are_named_and_scaled() -> None:
    """20 % and 80 % lie at 182 − 0.2 · 146 = 152.8 and 182 − 0.8 · 146 = 65.2."""
    _, state = both(hand_made_plan(flat_night()))
    assert [mark["d"].split()[1].split("L")[0] for mark in marks(state, "bound")] == ["152.8", "65.2"]
    assert {"floor", "ceiling", "20", "80"} <= set(words(state))


def test_each_block_carries_its_number_and_its_pattern() -> None:
    """A discharge and then a charge: 1 filled, 2 hatched, in the strip of what to set."""
    charge, discharge = np.zeros(8), np.zeros(8)
    discharge[1:3], charge[5:7] = 4.0, 5.0
    power, _ = both(hand_made_plan(flat_night(), charge_kw=charge, discharge_kw=discharge))
    strip = [each for kind in ("discharge", "charge") for each in marks(power, kind) if each.get("y") == "32.0"]
    assert len(strip) == 2
    assert {"1", "2", "charging", "discharging"} <= set(words(power))
    gist = power.findtext("desc") or ""
    assert gist.startswith("1: discharge at 4.0 kW (17.4 A) 19:00 to 21:00 until 34 % is left; 2: charge")
    assert "takes 10.0 kWh and gives 8.0 kWh" in gist


def test_a_night_with_nothing_to_set_says_so() -> None:
    """No block: neither a number nor a pattern of the charger is in the picture or its key."""
    power, _ = both(hand_made_plan(flat_night()))
    assert "To set: nothing" in words(power)
    assert "charging" not in words(power)
    assert (power.findtext("desc") or "").startswith("Nothing to set.")


def test_prices_below_zero_lie_under_the_zero_line() -> None:
    """Import 0.30, export −0.10 in hour 3: on 64 px from −0.10 to 0.30, zero is 16 px above the bottom of 320."""
    export = [0.05] * 3 + [-0.10] + [0.05] * 4
    power, _ = both(hand_made_plan(flat_night(export_price=export)))
    (line,) = (each["d"] for each in marks(power, "export") if each["d"].count("V") > 1)
    assert "V320.0" in line
    assert any(each["d"].startswith("M46.0 304.0L348.0 304.0") for each in marks(power, "grid"))
    assert "−0.10" in words(power)


@pytest.mark.parametrize("price", [0.0, -0.05])
def test_prices_that_are_all_the_same_have_a_scale(price: float) -> None:
    """A free night and a night of one price below zero are drawn without dividing by nothing."""
    power, _ = both(hand_made_plan(flat_night(import_price=price, export_price=price)))
    assert "nan" not in ElementTree.tostring(power, encoding="unicode")


def test_long_prices_stay_in_the_drawing() -> None:
    """2500 a kWh, in a currency of small units, is written whole."""
    power, _ = both(hand_made_plan(flat_night(import_price=2500.0, export_price=900.0), currency="VND"))
    assert "2500" in words(power)
    assert all(len(each) <= 6 for each in words(power) if re.fullmatch(r"[−\d.]+", each))


def test_a_week_is_drawn_in_the_same_width() -> None:
    """168 hours with five trips: days as labels, no mark beyond the edges, no two departures' words on each other."""
    trips = [Drive(24 * day + 14, 24 * day + 23, 30) for day in range(5)]
    charge = np.zeros(168)
    for day in range(5):
        charge[24 * day + 8 : 24 * day + 10] = 5.0
    power, state = both(hand_made_plan(flat_night(168, trips=trips), charge_kw=charge))
    for chart in (power, state):
        assert [each for each in words(chart) if each in {"Tue", "Wed", "Thu", "Fri", "Sat", "Sun", "Mon"}] == [
            "Tue", "Wed", "Thu", "Fri", "Sat", "Sun", "Mon"
        ]  # fmt: skip
        xs = [float(text.get("x", "")) for text in chart.iter("text")]
        assert min(xs) >= 0
        assert max(xs) <= WIDTH
    needs = [text for text in state.iter("text") if (text.text or "").startswith("needs 32")]
    places = sorted((float(each.get("y", "")), float(each.get("x", ""))) for each in needs)
    assert all(low[0] != high[0] or high[1] - low[1] > 60 for low, high in pairwise(places))
    assert len(marks(state, "target")) == 5 + 1


def test_each_chart_is_an_image_with_a_title_and_a_gist() -> None:
    """Role img, named and described by ids that exist, and no id twice on a page."""
    charts = both(hand_made_plan(flat_night()))
    ids = [each.get("id") for chart in charts for each in chart.iter() if each.get("id")]
    assert len(ids) == len(set(ids))
    for chart in charts:
        assert chart.get("role") == "img"
        assert set((chart.get("aria-labelledby") or "").split()) <= set(ids)
        assert chart.findtext("title")
        assert chart.findtext("desc")


def test_no_colour_is_written_into_a_chart() -> None:
    """Colours come from the page's style sheet, so that they follow light, dark and print."""
    text = power_chart(hand_made_plan(flat_night())) + state_chart(hand_made_plan(flat_night()))
    assert not re.search(r'#[0-9a-fA-F]{3,6}\b|(fill|stroke|style)="', text)


def test_a_price_is_written_once_where_it_stays_within_a_millionth() -> None:
    """0.3 all night but for the last digits that tied prices are told apart by; a change of a thousandth is written."""
    night = flat_night(8, import_price=0.3, export_price=0.05)
    noisy = replace(night, import_price=night.import_price * (1 + np.linspace(0, 4e-7, 8)))
    stepped = replace(night, import_price=night.import_price * np.repeat([1.0, 1.001], 4))
    written = [words(both(hand_made_plan(each))[0]) for each in (night, noisy, stepped)]
    assert [sum(word.startswith("0.30") for word in each) for each in written] == [2, 2, 3]
