"""`compare --bound`: shares of the most that discharging can be worth, and wear counted after the fact."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
import rainflow
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.comparison.compare import compare
from scheduler.comparison.results import Comparison
from scheduler.comparison.tables import comparison_json
from scheduler.comparison.text import bound_text, counted_text, use_table
from scheduler.rolling.counted_wear import soc_trace
from scheduler.rolling.period import CompareOptions
from tests.builders.plans import DEMO

OFFERS = (Path("offers/day-and-night.toml"), Path("offers/evening-feed-in.toml"))
WORDS = CompareOptions(DEMO, OFFERS, "2026-01-12", "2026-01-14", bound=True)
RUNNER = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bounded") / "out"


@pytest.fixture(scope="module")
def compared(folder: Path) -> Comparison:
    return compare(WORDS, folder, jobs=1)


def test_shares_are_against_only_charging(compared: Comparison, folder: Path) -> None:
    """Only charging keeps none of it, no way keeps more than all, and the columns hold what is defined."""
    table = list(csv.DictReader((folder / "comparison.csv").read_text(encoding="utf-8").splitlines()))
    for row, each in zip(table, compared.offers, strict=True):
        totals, bound = each.program_totals, float(row["full_horizon_bound"])
        assert each.full_horizon_share("charge-only") == 0.0
        value = totals["charge-only"] - bound
        assert float(row["full_horizon_share"]) == pytest.approx((totals["charge-only"] - totals["plan"]) / value)
        assert float(row["hindsight_full_horizon_share"]) <= 1 + 1e-6
        assert float(row["full_horizon_gap"]) == pytest.approx(min(totals.values()) - bound, abs=1e-8)
        assert float(row["full_horizon_part_bound"]) <= bound
        only, best = each.money["charge-only"].total, each.money["hindsight"].total
        expected = (only - each.money["plan"].total) / (only - best)
        assert float(row["hindsight_share_of_charge_only"]) == pytest.approx(expected, abs=1e-8)


def test_a_bound_is_made_once(compared: Comparison, folder: Path) -> None:
    """The same command again does no run; the results are the same to the last digit."""
    left: list[int] = []
    again = compare(WORDS, folder, jobs=1, begin=lambda work: left.append(work.nights))
    assert left == [0, 0]
    assert comparison_json(again) == comparison_json(compared)


def test_counted_wear_is_rainflow_of_the_trace(compared: Comparison) -> None:
    """The rainflow package's cycles times 5.24e-4 · depth ** 2.03, Xu, Zhao et al. 2018, and the battery's price."""
    for each in compared.offers:
        trace = soc_trace(each.inputs, each.flows["plan"])
        cycles = rainflow.extract_cycles(trace.soc.tolist())
        life = sum(count * 5.24e-4 * depth**2.03 for depth, _, count, _, _ in cycles)
        assert each.counted_wear["plan"] == pytest.approx(6900 * life, rel=1e-9)
        money = each.money["plan"]
        assert each.counted_total("plan") == pytest.approx(
            money.bill + money.on_the_way + each.counted_wear["plan"] - money.stored_energy
        )


def test_the_page_says_against_what(compared: Comparison, folder: Path) -> None:
    """The share of the bound comes first, and the sentence says what the bound is."""
    rows = use_table(compared).rows
    assert rows[0][0] == "Share of the most that discharging can be worth, against only charging"
    names = [row[0] for row in rows]
    assert "Share of what perfect foresight saves, against charging on return" in names
    said = " ".join(bound_text(compared))
    assert "with all days seen at once" in said
    assert "linear relaxation" not in said
    page = (folder / "comparison.html").read_text(encoding="utf-8")
    assert "The best plan known is above the bound by" in page


def test_another_ranking_by_counted_wear_is_said(compared: Comparison, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing where both rank alike; else the other order."""
    charged = [each.name for each in compared.offers]
    counted = [each.name for each in compared.by_counted_wear]
    assert (counted_text(compared) == ()) == (charged == counted)
    monkeypatch.setitem(compared.offers[0].counted_wear, "plan", 1000.0)
    other = Comparison(compared.request, compared.offers)
    last, first = (each.inputs.offer.name for each in compared.offers)
    assert counted_text(other) == (f"With wear counted after the fact the offers rank otherwise: {first}, {last}.",)


def test_json_of_the_command(tmp_path: Path) -> None:
    """`--bound --json` gives the bound, its gap and every way's share; without it there is none."""
    command = ["compare", str(DEMO), str(OFFERS[1]), "--from", "2026-01-12", "--to", "2026-01-12", "--json"]
    command += ["--jobs", "1", "--out", str(tmp_path / "out")]
    plain = json.loads(RUNNER.invoke(app, command).stdout)["offers"][0]
    assert plain["full_horizon"] is None
    assert plain["full_horizon_bound"] is None
    found = json.loads(RUNNER.invoke(app, [*command, "--bound"]).stdout)["offers"][0]["full_horizon"]
    assert found["gap"] >= 0
    assert found["shares"]["charge-only"] == 0.0
    assert found["totals"]["plan"] >= found["part_bound"]
