"""The grid of a sweep: ranges without rounding, every combination once, and faults before any work."""

from __future__ import annotations

from pathlib import Path

import pytest

from scheduler.inputs.site_inputs import read_inputs
from scheduler.sweep.grid import (
    GridPoint,
    grid,
    inputs_of_points,
    parse_key_values,
    parse_laws,
    parse_weights,
)
from scheduler.textio.errors import InputFaults
from tests.builders.sites import write_site


def test_a_range_has_both_its_ends_and_no_rounding() -> None:
    """0:3:0.1 is 31 weights, each the nearest number to its decimal."""
    weights = parse_weights("0:3:0.1")
    assert len(weights) == 31
    assert weights[3] == 0.3
    assert weights[-1] == 3.0
    assert parse_weights("1, 0,0.5") == (0.0, 0.5, 1.0)


@pytest.mark.parametrize("words", ["3:0:0.1", "0:3:0", "0:1:-0.1", "-1,2", "0:3", "a", "", "nan", "0,0", "0:1e9:1e-9"])
def test_weights_that_are_none(words: str) -> None:
    """Empty, falling, negative, doubled or no numbers."""
    with pytest.raises(InputFaults, match="--weights"):
        parse_weights(words)


def test_laws_and_keys_that_are_not_known() -> None:
    """Near misses are named; weight and law have options of their own."""
    with pytest.raises(InputFaults, match='"dept"; did you mean depth'):
        parse_laws("flat,dept")
    with pytest.raises(InputFaults, match="did you mean charger"):
        parse_key_values("charger.discharge_min_k=1")
    with pytest.raises(InputFaults, match="expected --weights"):
        parse_key_values("wear.weight=1,2")
    with pytest.raises(InputFaults, match="such as car"):
        parse_key_values("car.floor_percent")


def test_values_are_read_as_toml_reads_them() -> None:
    """Numbers, truth and words."""
    assert parse_key_values("charger.discharge_min_kw=0,1.2") == (("charger", "discharge_min_kw"), (0, 1.2))
    assert parse_key_values("solar.can_be_limited=true,false")[1] == (True, False)
    assert parse_key_values("charger.discharge_to=building,building-and-grid")[1] == (
        "building",
        "building-and-grid",
    )


def test_every_combination_once() -> None:
    """2 offers × 3 weights × 2 laws × 2 values: 24 points, no two alike, weights fastest."""
    settings = [(("car", "floor_percent"), (10, 20))]
    points = grid(("one", "two"), (0.0, 1.0, 2.0), ("flat", "depth"), settings)
    assert len(set(points)) == 24
    assert points[0] == GridPoint("one", 0.0, "flat", ((("car", "floor_percent"), 10),))
    assert [point.weight for point in points[:4]] == [0.0, 1.0, 2.0, 0.0]


def test_each_point_has_its_site(tmp_path: Path) -> None:
    """Weight, law and key are those of the point; the series and the offer are the site's."""
    folder = write_site(tmp_path)
    base = {"offer": read_inputs(folder)}
    points = grid(("offer",), (0.5,), ("depth",), [(("charger", "discharge_min_kw"), (0.0, 2.0))])
    found = inputs_of_points(base, points, folder)
    assert [each.site.charger.discharge_min_kw for each in found] == [0.0, 2.0]
    assert all(each.site.wear.weight == 0.5 for each in found)
    assert all(each.load is base["offer"].load for each in found)


def test_values_that_the_file_would_refuse(tmp_path: Path) -> None:
    """All at once, each said of the option: a floor over the ceiling; a law that lacks a temperature, of the file."""
    folder = write_site(tmp_path)
    base = {"offer": read_inputs(folder)}
    points = grid(("offer",), (1.0,), ("depth", "stress"), [(("car", "floor_percent"), (20, 90))])
    with pytest.raises(InputFaults) as error:
        inputs_of_points(base, points, folder)
    said = str(error.value)
    assert "--set, car.floor_percent: 90 is not under ceiling_percent; expected 0 to under 80" in said
    assert 'with the wear law stress, wear.battery_temp_degc: missing, and required by the wear law "stress"' in said


def test_the_roof_of_a_point_is_scaled(tmp_path: Path) -> None:
    """Points that set data.solar_scale have the series times it, whatever the site itself says."""
    site = write_site(tmp_path, {'solar = "solar.csv"': 'solar = "solar.csv"\nsolar_scale = 0'})
    base = read_inputs(site)
    key, values = parse_key_values("data.solar_scale=0,1,2.5")
    points = grid(("own",), (1.0,), ("depth",), [(key, values)])
    assert base.recorded_solar is not None
    metered = base.recorded_solar.kw.sum()
    found = [inputs.solar.kw.sum() for inputs in inputs_of_points({"own": base}, points, site) if inputs.solar]
    assert found == pytest.approx([0.0, metered, 2.5 * metered])
    with pytest.raises(InputFaults, match=r"or data\.solar_scale"):
        parse_key_values("data.load=a.csv")
