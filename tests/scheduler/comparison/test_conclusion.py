"""One conclusion, and what it depends on: the wear law, the battery's price, the weeks; worked out by hand."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy_financial
import pytest
from typer.testing import CliRunner

from models.tariff.investment import HardwareCase, cash_flow_by_year
from scheduler.cli.app import app
from scheduler.comparison.compare import compare
from scheduler.comparison.conclusion import PRICE_FACTORS, break_even_saving, conclusion_of
from scheduler.comparison.conclusion_text import assumptions_table, dependence_text, headlines
from scheduler.comparison.ranking_text import ranking_table, tie_text, today_text
from scheduler.comparison.results import Comparison
from scheduler.comparison.tables import RANKING_COLUMNS, VERDICT_COLUMNS, comparison_json
from scheduler.inputs.hardware_file import Hardware
from scheduler.rolling.period import CompareOptions
from tests.builders.plans import DEMO

OFFERS = (Path("offers/day-and-night.toml"), Path("offers/evening-feed-in.toml"))
RUNNER = CliRunner()
LAWS = ("flat", "depth", "stress", "nmc")


@dataclass
class Told:
    """An offer of which only the weeks are known: without wear, and the wear of each week by law [EUR]."""

    name: str
    weeks: dict[str, list[float]]
    wear: dict[str, dict[str, float]] = field(default_factory=dict)
    battery_price: float = 6000.0

    @property
    def inputs(self) -> Any:
        wear = SimpleNamespace(law="depth", battery_price=self.battery_price)
        return SimpleNamespace(offer=SimpleNamespace(name=self.name, currency="EUR"), site=SimpleNamespace(wear=wear))

    def recounted_weekly(self, kind: str, law: str, price_factor: float = 1.0) -> np.ndarray:
        return np.array(self.weeks[kind]) + price_factor * self.wear.get(kind, {}).get(law, 0.0)

    def recounted_total(self, kind: str, law: str, price_factor: float = 1.0) -> float:
        return float(self.recounted_weekly(kind, law, price_factor).sum())


class Compared(SimpleNamespace):
    """What a conclusion reads of a comparison."""

    __hash__ = object.__hash__


def told(*offers: Told, case: HardwareCase | None = None, days: int = 365) -> Any:
    """A comparison of such offers, over a year unless the days are given."""
    hardware = None if case is None else Hardware(case, "EUR", (0.0,), (0.0,))
    request = SimpleNamespace(days=days, hardware=hardware)
    return Compared(
        offers=offers, best=offers[0], request=request, currency="EUR", scaled=not 365 <= days <= 366, today=None
    )


def by_law(**wear: float) -> dict[str, dict[str, float]]:
    """Wear of discharging a week by law; only charging wears nothing."""
    return {"plan": dict(zip(LAWS, (wear.get(law, 1.0) for law in LAWS), strict=True))}


def weeks(plain: float, plan: float, many: int = 8) -> dict[str, list[float]]:
    return {"charge-only": [plain] * many, "plan": [plan] * many}


def test_the_first_place_that_flips_with_the_law_is_said_to() -> None:
    """Eight weeks: A 9 + 1 and B 8 + 3 a week by "depth", A 9 + 4 and B 8 + 3 by "flat": A is best by the one, B by the
    other, and clear of the weeks by both."""
    a = Told("A", weeks(12, 9), by_law(depth=1, flat=4))
    b = Told("B", weeks(11, 8), by_law(depth=3, flat=3, stress=3, nmc=3))
    found = conclusion_of(told(a, b))
    assert found.own.bidirectional.totals == (80.0, 88.0)
    assert [each.assumption.law for each in found.other_best("bidirectional", found.by_law)["B"]] == ["flat"]
    plain, bidirectional = headlines(found)
    assert plain.startswith("As things stand, with a plain charger timed well, B costs least: 88.00 EUR in total, 8.00")
    assert "depends" not in plain
    assert (
        "A costs least: 80.00 EUR in total, 8.00 EUR less than B. Which is best depends on the wear law"
        in bidirectional
    )
    told_of = " ".join(dependence_text(found))
    assert 'depends on the wear law: by "flat" it is B.' in told_of
    assert "chance" not in told_of


def test_the_first_place_that_flips_with_the_price() -> None:
    """A 9 + 1 x and B 9.5 + 0.25 x a week, where x is the price over the site's own: equal at 2/3, so B is best from
    1 on and A at a half."""
    a = Told("A", weeks(12, 9), by_law(**dict.fromkeys(LAWS, 1.0)))
    b = Told("B", weeks(12.5, 9.5), by_law(**dict.fromkeys(LAWS, 0.25)))
    found = conclusion_of(told(b, a))
    others = found.other_best("bidirectional", found.by_price)
    assert {name: [each.assumption.price_factor for each in findings] for name, findings in others.items()} == {
        "A": [0.5]
    }
    assert "with a battery of 3000 EUR it is A" in " ".join(dependence_text(found))
    assert "depends on the battery's price" in headlines(found)[1]


def test_a_tie_depends_on_the_weeks() -> None:
    """B is 3, -2, 2, -2.5 dearer in four weeks: 0.5 in all, with ranges on both sides of 0; C is clear."""
    swing = np.array([3, -2, 2, -2.5])
    a = Told("A", {"charge-only": [10.0] * 4, "plan": [9.0] * 4})
    b = Told("B", {"charge-only": (10 + swing).tolist(), "plan": (9 + swing).tolist()})
    c = Told("C", {"charge-only": [12.0] * 4, "plan": [11.0] * 4})
    found = conclusion_of(told(a, b, c))
    assert found.own.plain.ties == (True, False)
    assert (
        "costs least: 40.00 EUR in total. It is a tie with B, 0.50 EUR more: which is best depends on the weeks."
        in headlines(found)[0]
    )
    assert "A and B are a tie: which costs least depends on the weeks." in " ".join(dependence_text(found))
    assert "0.50 (" in ranking_rows(found)[1]
    assert ranking_rows(found)[1].endswith(", a tie")
    assert "reaches 0" in tie_text(found)[0]


def ranking_rows(found: Any) -> list[str]:
    """The distances of the plain charger's rows, from a table that needs what an offer's money is."""
    from scheduler.comparison.ranking_text import _distance

    return [_distance(found.compared, found.own.plain, row) for row in range(len(found.own.plain.offers))]


def test_three_weeks_say_nothing_of_ties() -> None:
    found = conclusion_of(told(Told("A", weeks(10, 9, 3)), Told("B", weeks(11, 10, 3))))
    assert found.own.plain.ties == (None,)
    assert found.own.saving_range is None
    assert tie_text(found) == ("Fewer than four weeks are too few to say whether a difference depends on the weeks.",)


CASE = HardwareCase(
    price=1000.0,
    installation=0.0,
    plain_charger_price=0.0,
    grant=0.0,
    life_years=10,
    discount_rate_percent=0.0,
)


def test_whether_the_charger_pays_depends_on_the_law() -> None:
    """104 + 26 a year without wear pays 1000 back in ten years, 130 - 52 by "flat" does not."""
    year = {"charge-only": [12.5] * 52, "plan": [9.0] * 52}
    wear = {"plan": {"depth": 1.0, "flat": 2.0, "stress": 1.0, "nmc": 1.0}}
    found = conclusion_of(told(Told("A", year, wear), case=CASE))
    assert found.own.yearly_saving == pytest.approx(130)
    assert found.own.pays is True
    assert [each.assumption.law for each in found.other_verdict(found.by_law)] == ["flat"]
    assert headlines(found)[1].endswith(
        "The charger saves 130 EUR a year compared with the plain one, and pays for itself after 7.7 years. Whether it "
        "pays depends on the wear law and the battery's price."
    )
    assert 'by "flat" it does not pay' in " ".join(dependence_text(found))
    rows = {row[0]: row[-1] for row in assumptions_table(found).texts}
    assert rows['As planned: law "depth", battery 6000 EUR'] == "7.7 years"
    assert rows['Law "flat"'] == "never"
    assert rows["Battery 12000 EUR"] == "never"


def test_whether_the_charger_pays_depends_on_the_weeks() -> None:
    """Weeks that save 8 or nothing, 208 a year on average: resampled from 150 to 270 or so, about a need of 200."""
    saved = [8.0, 0.0] * 26
    offer = Told("A", {"charge-only": [10.0] * 52, "plan": [10.0 - each for each in saved]})
    found = conclusion_of(told(offer, case=HardwareCase(2000.0, 0.0, 0.0, 0.0, 10, 0.0)))
    assert break_even_saving(found.compared) == pytest.approx(200)
    assert found.own.weeks_decide
    assert "depends on the weeks: resampled, it saves" in " ".join(dependence_text(found))


def test_whether_it_saves_at_all_depends_on_the_law() -> None:
    """Without costs of the hardware: 2 a week saved by "depth", and 3 a week lost by "flat"."""
    offer = Told("A", weeks(10, 7, 52), {"plan": {"depth": 1.0, "flat": 6.0, "stress": 1.0, "nmc": 1.0}})
    found = conclusion_of(told(offer))
    assert headlines(found)[1].endswith("Whether it saves anything depends on the wear law.")
    assert 'by "flat" it saves nothing' in " ".join(dependence_text(found))
    clear = conclusion_of(told(Told("A", weeks(10, 7))))
    assert dependence_text(clear)[0].endswith("the bidirectional charger saves.")
    assert "depends" not in headlines(clear)[1]


def test_a_clear_conclusion_says_so() -> None:
    found = conclusion_of(told(Told("A", weeks(10, 8)), Told("B", weeks(12, 11)), case=CASE, days=56))
    assert "depends" not in " ".join(headlines(found))
    assert dependence_text(found)[0] == (
        "By every law and battery price here, and however the weeks are drawn, the same offer is best with either "
        "charger and the bidirectional charger pays."
    )
    assert "(scaled from 56 days)" in headlines(found)[1]


@pytest.mark.parametrize("drift", [0.0, 2.5])
@pytest.mark.parametrize("rate", [0.0, 3.5])
def test_the_saving_from_which_the_hardware_pays(rate: float, drift: float) -> None:
    """With it the net present value is 0, by numpy-financial too."""
    case = HardwareCase(4900.0, 1150.0, 1300.0, 750.0, 12, rate, 30.0, drift)
    least = break_even_saving(told(Told("A", weeks(10, 8)), case=case))
    assert least is not None
    assert numpy_financial.npv(rate / 100, cash_flow_by_year(case, least)) == pytest.approx(0, abs=1e-8)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("concluded") / "out"


@pytest.fixture(scope="module")
def compared(folder: Path) -> Comparison:
    """Two offers over two days, the site being on day-and-night."""
    options = CompareOptions(
        DEMO, OFFERS, "2026-03-03", "2026-03-04", hardware=DEMO / "hardware.toml", today="Day and Night"
    )
    return compare(options, folder, jobs=1)


def test_recounted_by_the_own_law_nothing_changes(compared: Comparison) -> None:
    """And twice the battery's price adds the wear once more."""
    for each in compared.offers:
        for kind in ("plan", "charge-only"):
            money = each.money[kind]
            assert each.recounted_total(kind, "depth") == pytest.approx(money.total, abs=1e-9)
            assert each.recounted_total(kind, "depth", 2.0) == pytest.approx(money.total + money.wear, abs=1e-9)
            by_flat = money.total - money.wear + each.cycle_wear[kind]["flat"].sum()
            assert each.recounted_total(kind, "flat") == pytest.approx(by_flat, abs=1e-9)


def test_rankings_and_verdicts_as_tables(compared: Comparison, folder: Path) -> None:
    """A row by charger, law, price and offer; a row by law and price; the same in the JSON."""
    with (folder / "ranking.csv").open(encoding="utf-8", newline="") as stream:
        rankings = list(csv.DictReader(stream))
    with (folder / "verdict.csv").open(encoding="utf-8", newline="") as stream:
        verdicts = list(csv.DictReader(stream))
    assert tuple(rankings[0]) == RANKING_COLUMNS
    assert tuple(verdicts[0]) == VERDICT_COLUMNS
    assert len(rankings) == 2 * len(LAWS) * len(PRICE_FACTORS) * len(OFFERS)
    assert len(verdicts) == len(LAWS) * len(PRICE_FACTORS)
    own = next(row for row in verdicts if row["as_planned"] == "yes")
    assert (own["wear_law"], float(own["battery_price"])) == ("depth", 6900.0)
    assert float(own["saving_a_year"]) == pytest.approx(compared.yearly_saving, abs=1e-6)
    document = json.loads(comparison_json(compared))
    assert len(document["conclusion"]["rankings"]) == len(rankings)
    assert document["conclusion"]["headlines"] == list(headlines(conclusion_of(compared)))


def test_the_parts_of_each_bill_as_a_table(compared: Comparison, folder: Path) -> None:
    """They sum to the bill of comparison.csv; two days of 0.21 and of 0.34 are the fees."""
    rows = list(csv.DictReader((folder / "bills.csv").read_text("utf-8").splitlines()))
    bills = {row["offer"]: float(row["bill"]) for row in rows if row["run"] == "plan"}
    for row in csv.DictReader((folder / "comparison.csv").read_text("utf-8").splitlines()):
        assert bills[row["offer"]] == pytest.approx(float(row["bill"]), abs=1e-8)
    for row in rows:
        parts = [float(row[kind]) for kind in ("daily_fee", "import", "demand_charge", "export", "tax")]
        assert sum(parts) == pytest.approx(float(row["bill"]), abs=1e-8)
        assert parts[0] == pytest.approx(2 * (0.21 if row["offer"] == "Day and night" else 0.34))
    assert len(rows) == 4 * len(compared.offers)


def test_todays_offer_comes_first_with_what_the_bill_was(compared: Comparison) -> None:
    """The building's bill by a few plain lines: 0.22 from 07:00 to 22:00, 0.15 by night, 0.06 for what is sent, 0.21 a
    day; load and solar are series of the same intervals."""
    total = 2 * 0.21
    series = [csv.DictReader((DEMO / name).read_text("utf-8").splitlines()) for name in ("load.csv", "solar.csv")]
    with_solar = {row["start"]: float(row["kw"]) for row in series[1]}
    starts = []
    for row in series[0]:
        at = datetime.fromisoformat(row["start"])
        if at.date().isoformat() in ("2026-03-03", "2026-03-04"):
            starts.append(at)
            kw = float(row["kw"]) - with_solar[row["start"]]
            total += kw * (0.22 if 7 <= at.hour < 22 else 0.15) if kw > 0 else kw * 0.06
    assert len(starts) == 48  # hours
    assert compared.building_bill == pytest.approx(total, abs=1e-9)
    found = conclusion_of(compared)
    table = ranking_table(found)
    assert table.texts[0][0] == "Today, charged on return"
    assert table.texts[1][0] == "Day and night"
    assert table.rows[1][1] == pytest.approx(compared.today.bills["charge-on-return"].total, abs=0.01)
    assert f"{total:.2f} EUR" in today_text(found)[0]
    assert json.loads(comparison_json(compared))["today"]["building_bill"] == pytest.approx(total)


@pytest.mark.parametrize("given", ["offers/day-and-night.toml", "day-and-night.toml", str(DEMO / OFFERS[0])])
def test_todays_offer_by_its_file(given: str) -> None:
    from scheduler.rolling.period import parse_period

    options = CompareOptions(DEMO, OFFERS, "2026-03-03", "2026-03-04", today=given)
    assert parse_period(options).today == "day-and-night"


@pytest.mark.parametrize("given", ["Day and nigth", "low-draw.toml", "", "\0"])
def test_another_offer_is_refused(given: str, tmp_path: Path) -> None:
    """One that is not compared: exit 2, one line, nothing begun."""
    offers = [str(offer) for offer in OFFERS]
    result = RUNNER.invoke(app, ["compare", str(DEMO), *offers, "--today", given, "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert "expected one of the offers that are compared" in result.stderr
    assert ("did you mean Day and night?" in result.stderr) == (given == "Day and nigth")
    assert not (tmp_path / "out").exists()
