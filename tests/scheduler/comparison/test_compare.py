"""Offers compared over days: files that anyone can compute again, the same for any number of processes, resumable."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import signal
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.comparison.compare import compare
from scheduler.comparison.results import Comparison, Money
from scheduler.comparison.tables import COMPARISON_COLUMNS, comparison_json
from scheduler.rolling.flows import RolledFlows
from scheduler.rolling.period import CompareOptions, parse_period
from scheduler.rolling.process_pool import work_of
from scheduler.rolling.run import roll
from scheduler.rolling.simulate import CarryOver, one_night, planning_times
from tests.builders.places import SCENARIOS
from tests.builders.plans import DEMO, demo_copy
from tests.builders.processes import started

OFFERS = (Path("offers/day-and-night.toml"), Path("offers/evening-feed-in.toml"))
WORDS = CompareOptions(DEMO, OFFERS, "2026-03-28", "2026-04-01", hardware=DEMO / "hardware.toml")
RUNNER = CliRunner()


HELD_AT_THE_LAST_RUN = """
import sys
import scheduler.rolling.process_pool as pool
from scheduler.cli.app import main

def held(run, key, file, counters, caller):
    from scheduler.rolling.process_pool import _do_one
    if file.stem == "evening-feed-in.charge-on-return":
        print("the last run has begun", flush=True)
        __import__("threading").Event().wait()
    _do_one(run, key, file, counters, caller)

pool._do_one = held
sys.argv[0] = "overnight"
main()
"""
"""`overnight` whose last run, in a process of the pool, begins and never ends."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("compared") / "out"


@pytest.fixture(scope="module")
def compared(folder: Path) -> Comparison:
    """Two offers over five days, the spring clock change and the end of a month among them, in two processes."""
    return compare(WORDS, folder, jobs=2)


def rows(file: Path) -> Iterator[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream)


def test_one_row_an_offer_cheapest_first(compared: Comparison, folder: Path) -> None:
    """The columns of the table, offers ranked by what they cost in all, differences as they are defined."""
    table = list(rows(folder / "comparison.csv"))
    assert tuple(table[0]) == COMPARISON_COLUMNS
    costs = [each.money["plan"].total for each in compared.offers]
    assert costs == sorted(costs)
    assert [row["offer"] for row in table] == [each.inputs.offer.name for each in compared.offers]
    for row, each in zip(table, compared.offers, strict=True):
        plan, only = each.money["plan"], each.money["charge-only"]
        expected = only.bill + only.wear - only.stored_energy - plan.bill - plan.wear + plan.stored_energy
        assert float(row["discharge_value"]) == pytest.approx(expected, abs=1e-8)


def test_bills_again_from_the_metered_tables(compared: Comparison, folder: Path) -> None:
    """Every bill from its table by a few plain lines.

    day-and-night: 0.22 from 07:00 to 22:00, 0.15 by night, 0.06 for what is sent, 0.21 a day. evening-feed-in: 0.345
    from 17:00 to 21:00 on weekdays, 0.115 from 23:00 to 06:00, else 0.215; for what is sent on weekdays from 18:00 to
    21:00 0.165, in April 0.13, else 0.045; 0.34 a day. No public holiday is among the days.
    """

    def day_and_night(at: datetime) -> tuple[float, float]:
        return (0.22 if 7 <= at.hour < 22 else 0.15), 0.06

    def evening(at: datetime) -> tuple[float, float]:
        weekday = at.weekday() < 5
        bought = 0.345 if weekday and 17 <= at.hour < 21 else 0.115 if at.hour >= 23 or at.hour < 6 else 0.215
        sent = 0.13 if at.month == 4 else 0.165
        return bought, (sent if weekday and 18 <= at.hour < 21 else 0.045)

    found = {each.name: each.money["plan"].bill for each in compared.offers}
    for name, prices, fee in (("day-and-night", day_and_night, 0.21), ("evening-feed-in", evening, 0.34)):
        total = 5 * fee
        for row in rows(folder / f"metered-{name}.csv"):
            bought, sent = prices(datetime.fromisoformat(row["start"]))
            total += bought * float(row["import_kwh"]) - sent * float(row["export_kwh"])
        assert found[name] == pytest.approx(total, abs=1e-6)


def test_the_energy_balance_of_the_days_closes(compared: Comparison, folder: Path) -> None:
    """From the metered table: import - export = load + charge - discharge - solar + curtailed, to 1e-6 kWh in all."""
    for each in compared.offers:
        names = ("import_kwh", "export_kwh", "charge_kwh", "discharge_kwh", "load_kwh", "solar_kwh", "curtailed_kwh")
        sums = dict.fromkeys(names, 0.0)
        for row in rows(folder / f"metered-{each.name}.csv"):
            for name in names:
                sums[name] += float(row[name])
        net = sums["load_kwh"] + sums["charge_kwh"] - sums["discharge_kwh"] - sums["solar_kwh"] + sums["curtailed_kwh"]
        assert sums["import_kwh"] - sums["export_kwh"] == pytest.approx(net, abs=1e-6)


def test_months_and_weeks_sum_to_the_whole(compared: Comparison, folder: Path) -> None:
    """Months of months.csv, and the weeks that ranges are drawn from, add up to what the days cost."""
    for each in compared.offers:
        for kind, money in each.money.items():
            mine = [
                row
                for row in rows(folder / "months.csv")
                if row["offer"] == each.inputs.offer.name and row["run"] == kind
            ]
            assert [row["month"] for row in mine] == ["2026-03", "2026-04"]
            assert sum(float(row["in_all"]) for row in mine) == pytest.approx(money.total, abs=1e-6)
            assert each.weekly[kind].sum() == pytest.approx(money.total, abs=1e-9)


def test_nights_sum_to_the_days(compared: Comparison, folder: Path) -> None:
    """The nights of nights.csv give as much as the metered table says, and number as many as discharged."""
    for each in compared.offers:
        mine = [
            row
            for row in rows(folder / "nights.csv")
            if row["offer"] == each.inputs.offer.name and row["run"] == "plan"
        ]
        given = sum(float(row["discharge_kwh"]) for row in rows(folder / f"metered-{each.name}.csv"))
        assert sum(float(row["discharge_kwh"]) for row in mine) == pytest.approx(given, abs=1e-6)
        assert sum(float(row["discharge_kwh"]) > 0 for row in mine) == each.flows["plan"].nights_discharged


def test_one_process_gives_the_same_files(compared: Comparison, folder: Path, tmp_path: Path) -> None:
    """The same comparison in one process and in two: the same bytes in every file."""
    again = compare(WORDS, tmp_path / "one", jobs=1)
    assert comparison_json(again) == comparison_json(compared)
    for file in folder.iterdir():
        if file.is_file():
            assert file.read_bytes() == (tmp_path / "one" / file.name).read_bytes(), file.name


def test_the_hardware_s_case(compared: Comparison, folder: Path) -> None:
    """The saving is the best with discharging against the best without, scaled to a year; the outlay is the file's."""
    found = json.loads((folder / "comparison.json").read_text(encoding="utf-8"))["hardware"]
    with_discharging = min(each.money["plan"].total for each in compared.offers)
    without = min(each.money["charge-only"].total for each in compared.offers)
    assert found["yearly_saving"] == pytest.approx((without - with_discharging) * 365.25 / 5)
    assert found["scaled_to_a_year"] is True
    assert found["extra_outlay"] == pytest.approx(4900 + 1150 - 1300 - 750)


def test_what_is_done_is_not_done_again(compared: Comparison, folder: Path, tmp_path: Path) -> None:
    """With one result gone, or damaged, that one is left to do; a changed price makes all of its offer's anew."""
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    runs = parse_period(WORDS).runs()
    assert work_of(runs, copy / "runs").done == set(runs)
    (copy / "runs" / "day-and-night.plan.npz").unlink()
    damaged = copy / "runs" / "day-and-night.charge-only.npz"
    damaged.write_bytes(damaged.read_bytes()[:1000])
    left = set(runs) - work_of(runs, copy / "runs").done
    assert left == {"day-and-night.plan", "day-and-night.charge-only"}
    site = demo_copy(tmp_path / "site")
    offer = site / "offers" / "day-and-night.toml"
    offer.write_text(offer.read_text().replace("price_per_kwh = 0.06", "price_per_kwh = 0.07"))
    changed = parse_period(CompareOptions(site, OFFERS, WORDS.first_day, WORDS.last_day)).runs()
    left = set(changed) - work_of(changed, folder / "runs").done
    assert left == {name for name in runs if name.startswith("day-and-night")}


def test_a_result_comes_back_as_it_was(tmp_path: Path) -> None:
    """Kept and read again: every array the same; nothing under another key."""
    words = CompareOptions(DEMO, OFFERS[:1], "2026-02-02", "2026-02-03")
    run = parse_period(words).runs()["day-and-night.charge-on-return"]
    flows, file = roll(run), tmp_path / "run.npz"
    run.save(flows, run.key(), file)
    again = run.load(run.key(), file)
    assert again is not None
    np.testing.assert_array_equal(again.stored_kwh, flows.stored_kwh)
    np.testing.assert_array_equal(again.energy["import_kwh"], flows.energy["import_kwh"])
    assert (again.start == flows.start).all()
    assert again.stored_energy_price == flows.stored_energy_price
    assert run.load("another", file) is None


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_interrupted_and_taken_up_again(tmp_path: Path, how: signal.Signals) -> None:
    """Stopped in the middle, politely or not: finished runs are there whole, and the rest is done the next time."""
    out = tmp_path / "out"
    words = [str(DEMO), *(str(DEMO / offer) for offer in OFFERS)]
    command = ["compare", *words, "--from", "2026-02-02", "--to", "2026-02-03", "--jobs", "2", "--out", str(out)]
    with started(HELD_AT_THE_LAST_RUN, *command) as begun:
        begun.wait_for("the last run has begun")
        code = begun.signal_all(how)
    assert code == (130 if how == signal.SIGINT else -signal.SIGKILL)
    assert not (out / "comparison.csv").exists()
    request = parse_period(CompareOptions(DEMO, OFFERS, "2026-02-02", "2026-02-03"))
    done = work_of(request.runs(), out / "runs").done
    assert (
        len(request.runs()) - 2 <= len(done) < len(request.runs())
    )  # the other process may have been in the last but one
    assert {file.stem for file in out.glob("runs/[!.]*.npz")} == done
    before = {name: (out / "runs" / f"{name}.npz").stat().st_mtime_ns for name in done}
    result = RUNNER.invoke(app, command)
    assert result.exit_code == 0, result.output
    assert {name: (out / "runs" / f"{name}.npz").stat().st_mtime_ns for name in done} == before
    assert (out / "comparison.html").is_file()


def test_json_on_standard_output(compared: Comparison, folder: Path) -> None:
    """--json prints the comparison's JSON and all else on standard error."""
    offers = [str(offer) for offer in OFFERS]
    dates = ["--from", "2026-03-28", "--to", "2026-04-01", "--hardware", "hardware.toml"]
    result = RUNNER.invoke(app, ["compare", str(DEMO), *offers, *dates, "--out", str(folder), "--json"])
    assert result.exit_code == 0, result.output
    assert result.stdout == comparison_json(compared)
    assert "Written to" in result.stderr


def test_a_day_of_25_hours() -> None:
    """The autumn clock change lies between two evenings: the plan reaches the next one, and nothing is left out."""
    words = CompareOptions(DEMO, OFFERS[:1], "2025-10-25", "2025-10-26")
    flows = roll(parse_period(words).runs()["day-and-night.plan"])
    assert flows.minutes.sum() == (24 + 25) * 60


def test_wear_by_law(compared: Comparison) -> None:
    """By the site's own law the wear of all cycles is that of the nights, one after another; other laws differ."""
    for each in compared.offers:
        by_law = each.cycle_wear_by_law
        assert set(by_law) == {"flat", "depth", "stress", "nmc"}
        assert by_law["depth"] == pytest.approx(each.money["plan"].wear, rel=1e-6)
        assert min(by_law.values()) < 0.9 * max(by_law.values())


def test_the_hash_is_of_what_was_read(tmp_path: Path) -> None:
    """A file that is edited while the nights are planned is told with the hash of what was used."""
    site = demo_copy(tmp_path / "site")
    offer = site / OFFERS[0]
    before = hashlib.sha256(offer.read_bytes()).hexdigest()

    def edit(work: object) -> None:
        offer.write_text(offer.read_text() + "# edited meanwhile\n")

    words = CompareOptions(site, OFFERS[:1], "2026-02-02", "2026-02-02")
    compared = compare(words, tmp_path / "out", jobs=1, begin=edit)
    assert json.loads(comparison_json(compared))["inputs"]["offers/day-and-night.toml"] == before


def test_a_kept_result_with_a_flipped_byte_is_done_again(folder: Path, compared: Comparison, tmp_path: Path) -> None:
    """Whatever byte is hit, the result is either whole or none; never a traceback."""
    run = parse_period(WORDS).runs()["day-and-night.plan"]
    content = (folder / "runs" / "day-and-night.plan.npz").read_bytes()
    damaged = tmp_path / "damaged.npz"
    for at in range(0, len(content), max(1, len(content) // 300)):
        damaged.write_bytes(content[:at] + bytes([content[at] ^ 255]) + content[at + 1 :])
        again = run.load(run.key(), damaged)
        if again is not None:
            np.testing.assert_array_equal(again.stored_kwh, compared_flows(compared).stored_kwh)


def compared_flows(compared: Comparison) -> RolledFlows:
    """The plan under day-and-night."""
    return next(each for each in compared.offers if each.name == "day-and-night").flows["plan"]


@pytest.mark.parametrize(
    ("trips", "said"),
    [
        ("2026-03-24T05:15+02:00,2026-03-24T08:45+02:00,46", None),
        ("2026-03-20T15:00+02:00,2026-03-29T17:33+03:00,46", None),
        ("2026-02-20T15:00+02:00,2026-02-21T17:33+02:00,46", "the car never leaves"),
        ("2026-06-25T15:00+03:00,2026-07-15T17:00+03:00,46", "comes home after the series end"),
    ],
)
def test_what_is_said_of_trips(tmp_path: Path, trips: str, said: str | None) -> None:
    """A trip on the local day, or one that is under way all the time, is a trip; days that a trip takes are told."""
    site = demo_copy(tmp_path / "site")
    (site / "trips.csv").write_text(f"depart,return,distance_km\n{trips}\n")
    last = None if said is not None and "series" in said else "2026-03-25"
    request = parse_period(CompareOptions(site, OFFERS[:1], "2026-03-24", last))
    notes = " ".join(request.notes)
    assert "never leaves" not in notes if said is None else said in notes
    assert (request.last.isoformat() == "2026-06-24") == (last is None)


def test_long_and_foreign_names_give_file_names(tmp_path: Path) -> None:
    """A name of 330 letters is cut, and one without a letter of ours goes by its file."""
    site = demo_copy(tmp_path / "site")
    offers = []
    for file, name in (("long", "x" * 330), ("night-price", "\u591c\u9593")):
        offers.append(site / "offers" / f"{file}.toml")
        text = (DEMO / OFFERS[0]).read_text()
        offers[-1].write_text(text.replace('name = "Day and night"', f'name = "{name}"'))
    request = parse_period(CompareOptions(site, tuple(offers), "2026-03-24", "2026-03-25"))
    assert list(request.offers) == ["x" * 60, "night-price"]


def test_money_parts() -> None:
    """The total is the bill, the way and wear, less what the battery gained."""
    assert Money(10.0, 2.0, 3.0, 4.0).total == 11.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"offers": (OFFERS[0], OFFERS[0])}, "each offer once"),
        ({"offers": ()}, "one offer's file or more"),
        ({"offers": (Path("offers/nowhere.toml"),)}, "nowhere.toml"),
        ({"first_day": "2026-04-03"}, "is after --to 2026-04-01"),
        ({"first_day": "2025-06-30"}, "expected a day from 2025-07-01 to 2026-06-30"),
        ({"last_day": "2026-07-01"}, "expected a day from 2025-07-01 to 2026-06-30"),
        ({"first_day": "yesterday"}, "--from"),
        ({"hardware": Path("nothing.toml")}, "nothing.toml"),
    ],
)
def test_what_cannot_be_compared(change: dict[str, object], said: str, tmp_path: Path) -> None:
    """Said before any work begins, with what is allowed; no folder is made."""
    options = {"offers": OFFERS, "first_day": WORDS.first_day, "last_day": WORDS.last_day, "hardware": None} | change
    command = ["compare", str(DEMO), *(str(offer) for offer in options["offers"])]  # type: ignore[attr-defined]
    for option, key in (("--from", "first_day"), ("--to", "last_day"), ("--hardware", "hardware")):
        command += [] if options[key] is None else [option, str(options[key])]
    result = RUNNER.invoke(app, [*command, "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    if options["offers"]:
        assert said in result.stderr
    assert not (tmp_path / "out").exists()


def test_two_currencies(tmp_path: Path) -> None:
    """One offer in another currency: file and key are named."""
    other = tmp_path / "other.toml"
    text = (DEMO / OFFERS[0]).read_text().replace('"EUR"', '"SEK"').replace('name = "', 'name = "Other ', 1)
    other.write_text(text)
    command = ["compare", str(DEMO), str(OFFERS[1]), str(other), "--out", str(tmp_path / "out")]
    result = RUNNER.invoke(app, command)
    assert result.exit_code == 2
    assert "other.toml, currency: found SEK, but evening-feed-in.toml is in EUR" in result.stderr


def test_a_folder_of_something_else(tmp_path: Path) -> None:
    """A folder with other files is left alone."""
    (tmp_path / "letter.txt").write_text("dear")
    command = ["compare", str(DEMO), str(OFFERS[0]), "--from", "2026-02-02", "--to", "2026-02-02"]
    result = RUNNER.invoke(app, [*command, "--out", str(tmp_path)])
    assert result.exit_code == 2
    assert "is not a comparison" in result.stderr
    assert [file.name for file in tmp_path.iterdir()] == ["letter.txt"]


def test_jobs_out_of_range(tmp_path: Path) -> None:
    """No processes at all."""
    result = RUNNER.invoke(app, ["compare", str(DEMO), str(OFFERS[0]), "--jobs", "0", "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert "--jobs: 0 is under 1; expected 1 to 1024 processes" in result.stderr


def test_hindsight_is_not_dearer_night_by_night(compared: Comparison) -> None:
    """In which sense hindsight holds: from the same state, a night planned on what really came costs no more.

    Over many nights it may, for each is planned for itself and leaves another state behind. Compared is the total
    that the program minimises, over the 24 hours that both see, beyond the gap, a tie and a start. The
    charger has no least power and no fixed loss: else one that stops inside an interval does what no plan may.
    """
    inputs = compared.best.inputs
    easy = replace(inputs.site.charger, charge_min_kw=0.0, discharge_min_kw=0.0, fixed_loss_kw=0.0)
    inputs = replace(inputs, site=replace(inputs.site, charger=easy))
    nothing_known = np.zeros(len(inputs.site.wear.segment_edges_percent))  # of segments: the law values energy alone
    tried = 0
    times = planning_times(inputs, date(2026, 3, 23), date(2026, 3, 30))[1:-1]
    for now, following in pairwise(times):
        if (following - now).total_seconds() != 24 * 3600:
            continue
        carried = CarryOver(0.7 * inputs.site.car.battery_kwh)
        real = one_night(inputs, now, following, carried)
        best = one_night(inputs, now, following, carried, forecast="recorded")
        if real.replayed.missing_kwh.any():
            continue
        tried += 1
        # gap and tie, and a start: a charger without a least power may stand by in between, which carried out is idle
        slack = (0.003 + 0.010 + easy.start_worth_kwh) * best.real.highest_price + 1e-6
        ends = (
            night.replayed.costs.total
            + night.replayed.costs.stored_energy
            - best.planned.worth_gained(float(night.replayed.stored_kwh[-1]), nothing_known)
            for night in (best, real)
        )
        assert next(ends) <= next(ends) + slack
    assert tried >= 4


def test_emissions_again_from_the_metered_table_and_the_series(tmp_path: Path) -> None:
    """kWh bought x g per kWh of that hour, less kWh sold x the same, by a few plain lines over whole hours."""
    site = SCENARIOS / "veterinary"
    offer = site / "offers" / "one-price.toml"
    made = compare(CompareOptions(site, (offer,), "2026-01-14", "2026-01-15"), tmp_path / "out", jobs=1)
    grams = {
        datetime.fromisoformat(row["start"]).astimezone(UTC): float(row["g_per_kwh"])
        for row in rows(site / "emissions.csv")
    }
    expected = 0.0
    for row in rows(tmp_path / "out" / "metered-one-price.csv"):
        hour = datetime.fromisoformat(row["start"]).astimezone(UTC).replace(minute=0)
        expected += (float(row["import_kwh"]) - float(row["export_kwh"])) * grams[hour] / 1000
    (row,) = rows(tmp_path / "out" / "comparison.csv")
    assert float(row["emissions_kg"]) == pytest.approx(expected, abs=1e-6)
    assert float(row["emissions_kg_charge_only"]) == pytest.approx(made.best.emissions["charge-only"].net_kg)
    assert "Emissions of the grid, kg" in (tmp_path / "out" / "comparison.html").read_text(encoding="utf-8")
