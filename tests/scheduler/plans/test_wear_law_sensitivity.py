"""Which other wear laws would change a plan: the short way, by a bound, tells the same as planning by every law."""

from __future__ import annotations

import pytest

from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer.solve import solve
from scheduler.plans import wear_law_sensitivity
from scheduler.plans.wear_law_sensitivity import other_laws
from tests.builders.places import SCENARIOS


@pytest.mark.parametrize("place", ["bookbindery", "boatyard"])
@pytest.mark.parametrize("soc_percent", [45, 75])
def test_laws_left_out_by_the_bound_are_those_that_change_nothing(
    place: str, soc_percent: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With and without the bound of the relaxed program the same laws are found, at the same cost."""
    inputs = read_inputs(SCENARIOS / place)
    evening = parse_request(RequestOptions(soc_percent, now="2026-03-02T18:20", trips=("07:30-18:00 60km",)), inputs)
    night = build_night(inputs, evening)[0]
    setpoints = solve(night).setpoints
    found = other_laws(inputs, night, setpoints)
    monkeypatch.setattr(wear_law_sensitivity, "relaxed_money", lambda _: None)
    assert other_laws(inputs, night, setpoints) == found
