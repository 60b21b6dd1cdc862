"""The arithmetic of one interval: every line holds on a pocket calculator, and a kW more or less costs what it says."""

from __future__ import annotations

import re

import pytest

from scheduler.optimizer.lexicographic import GAP_WORTH_KWH
from scheduler.optimizer.solve import solve, total_at_power
from scheduler.plans.explain_interval import explain_interval, interval_at
from scheduler.plans.plan import Plan
from scheduler.plans.replay import verify
from scheduler.textio.errors import InputFaults
from tests.builders.nights import flat_night
from tests.builders.plans import demo_plan


@pytest.fixture(scope="module")
def plan() -> Plan:
    """The demo night."""
    return demo_plan()


def calculated(line: str) -> tuple[float, float]:
    """Both sides of a line of arithmetic."""
    sum_, _, result = line.partition(": ")[2].rpartition(" = ")
    sum_ = re.sub(r"\(depth [^)]*\)|[A-Za-z-]+", "", sum_.replace(" kWh", "").replace(" h ", " "))
    sum_ = sum_.replace("×", "*").replace("−", "-")
    number = re.match(r"-?[\d.]+", result.replace("−", "-"))
    assert number is not None
    return float(eval(sum_, {"__builtins__": {}})), float(number[0])


@pytest.mark.parametrize("when", ["18:20", "19:00", "22:00", "04:00", "08:00", "2026-03-03T17:30", "2026-03-03T18:10"])
def test_every_line_holds_on_a_pocket_calculator(plan: Plan, when: str) -> None:
    """What stands before each equals sign gives what stands behind it, to the digits that are shown."""
    lines = [line for line in explain_interval(plan, when).splitlines() if " = " in line]
    assert len(lines) >= 2
    for line in lines:
        shown, result = calculated(line)
        assert shown == pytest.approx(result, abs=2e-3), line


def test_the_lines_are_those_of_the_plan(plan: Plan) -> None:
    """Price, loss, wear, stored-energy price and the limits of an evening interval are all there."""
    text = explain_interval(plan, "19:00")
    for words in ("Why, Mon 19:00 to 20:00", "Meter:", "Sold:", "Out of the battery:", "Wear:", "stored-energy price"):
        assert words in text
    assert "the building's draw" in explain_interval(plan, "22:00")


def test_a_kw_more_costs_what_solving_again_says() -> None:
    """By hand on a plain night: the car fills its 20 kWh at 0.20 in the three later hours, so a kWh charged at 0.28 in
    the first hour saves one at 0.20 later, and the run goes on without another start: 0.28 - 0.20 = 0.08."""
    night = flat_night(4, load_kw=0.0, soc_percent=40, import_price=[0.28, 0.2, 0.2, 0.2], stored_energy_price=0.27)
    answer = solve(night)
    verify(night, answer)
    idle, charging = (total_at_power(night, answer, 0, setpoint) for setpoint in (0.0, 1.0))
    assert idle is not None
    assert charging is not None
    assert idle == pytest.approx(answer.money, abs=0.011 * 0.28)
    assert charging - idle == pytest.approx(0.08, abs=2 * GAP_WORTH_KWH * 0.28)


def test_what_is_not_possible_is_said() -> None:
    """A power that would leave a trip short has no total."""
    night = flat_night(4, soc_percent=40)
    assert total_at_power(night, solve(night), 0, -30.0) is None


@pytest.mark.parametrize("when", ["25:00", "2026-03-02T12:00", "2026-03-05T12:00", "noon"])
def test_a_time_outside_the_plan_is_at_fault(plan: Plan, when: str) -> None:
    """A moment that cannot be read, is past, or lies after the plan is one clear fault of --why."""
    with pytest.raises(InputFaults, match="--why"):
        interval_at(plan, when)
