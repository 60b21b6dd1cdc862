"""Properties of bills, and the same bill reckoned minute by minute in plain loops; all figures are invented."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.time_window import ALWAYS, TimeWindow
from models.tariff.bill import Bill, GridFlows, bill
from models.tariff.offer import Band, DemandCharge, Offer, overlapping_tiers
from tests.builders.flows import flows

ZONES = ("Europe/Dublin", "Australia/Lord_Howe", "Asia/Kolkata")
BEGINS = ("2026-03-28", "2026-10-24", "2026-04-03", "2026-01-30")
DAYS = 4
WEEKDAYS = frozenset(range(5))

edge = st.integers(0, 47).map(lambda half_hours: 30 * half_hours)
windows = st.builds(
    lambda first, last, days: TimeWindow(first, last if last != first else (first + 60) % 1440, days),
    edge,
    edge,
    st.sampled_from([None, WEEKDAYS, frozenset({6})]),
)
price = st.integers(-20, 60).map(lambda cents: cents / 100)


@st.composite
def offers(draw: st.DrawFn) -> Offer:
    """An offer with bands, nested tiers on each side, a demand charge and a tax."""
    imports, exports = [Band(draw(price))], []
    for bands, most in ((imports, 30), (exports, 20)):
        at = draw(st.one_of(st.just(ALWAYS), windows))
        uppers = sorted(draw(st.sets(st.integers(1, most), max_size=2)), reverse=True)
        bands += [
            Band(draw(price), at.from_minute, at.to_minute, at.days, at.months, up_to_kwh=float(upper))
            for upper in uppers
        ]
        for other in draw(st.lists(windows, max_size=2)):
            bands.insert(
                draw(st.integers(0, len(bands))),
                Band(draw(price), other.from_minute, other.to_minute, other.days),
            )
    imports.insert(0, Band(draw(price)))
    charge = DemandCharge(draw(st.integers(0, 9)) / 1.0, 30, draw(st.one_of(st.just(ALWAYS), windows)))
    made = Offer(
        "invented",
        "EUR",
        draw(st.integers(0, 9)) / 10,
        tuple(imports),
        tuple(exports),
        tax_percent=float(draw(st.sampled_from([0, 10, 25]))),
        tax_covers=frozenset(draw(st.sets(st.sampled_from(["import", "export", "daily_fee", "demand_charge"])))),
        demand_charge=charge,
    )
    assert overlapping_tiers(made.import_bands, None) is None
    return made


def reckoned(offer: Offer, metered: GridFlows, zone: str, begin: date, end: date) -> dict[str, float]:
    """The bill minute by minute: energy of the hour over its minutes, bands looked up one by one."""
    sums: dict[str, float] = defaultdict(float)
    counts: dict[tuple[str, int, date], float] = defaultdict(float)
    means: dict[tuple[int, object], float] = defaultdict(float)
    for day in range((end - begin).days):
        sums["daily_fee"] += offer.daily_fee
        del day
    for row, start in enumerate(metered.start):
        for minute in range(0, metered.step_minutes, 30):
            wall = (start + timedelta(minutes=minute)).astimezone(ZoneInfo(zone))
            if not begin <= wall.date() < end:
                continue
            share = 30 / metered.step_minutes
            for side, bands, kwh, sign in (
                ("import", offer.import_bands, metered.import_kwh[row] * share, 1),
                ("export", offer.export_bands, metered.export_kwh[row] * share, -1),
            ):
                sums[side] += sign * money_of(side, bands, kwh, wall, counts)
            if offer.demand_charge is not None and covers(offer.demand_charge.window, wall):
                window = offer.demand_charge.window
                began_before = window.from_minute > window.to_minute > wall.hour * 60 + wall.minute
                day = wall.date() - timedelta(days=began_before)
                if (day.year, day.month) >= (begin.year, begin.month):
                    means[day.year * 12 + day.month, (start, minute)] += metered.import_kwh[row] * share
    charge = offer.demand_charge
    assert charge is not None
    for month in {key[0] for key in means}:
        first = date((month - 1) // 12, (month - 1) % 12 + 1, 1)
        after = (first + timedelta(days=32)).replace(day=1)
        share = (min(end, after) - max(begin, first)).days / (after - first).days
        peak = max(kwh for key, kwh in means.items() if key[0] == month) / 0.5
        sums["demand_charge"] += peak * charge.price_per_kw_month * share
    sums["tax"] = offer.tax_percent / 100 * sum(sums[line] for line in offer.tax_covers)
    return sums


def covers(window: TimeWindow, wall: object) -> bool:
    minute = wall.hour * 60 + wall.minute  # type: ignore[attr-defined]
    today, before = wall.weekday(), (wall.weekday() - 1) % 7  # type: ignore[attr-defined]

    def on(day: int) -> bool:
        return window.days is None or day in window.days

    if window.from_minute < window.to_minute:
        return on(today) and window.from_minute <= minute < window.to_minute
    return (on(today) and minute >= window.from_minute) or (on(before) and minute < window.to_minute)


def money_of(
    side: str, bands: tuple[Band, ...], kwh: float, wall: object, counts: dict[tuple[str, int, date], float]
) -> float:
    """Walk from the last band that matches up to the first that is not a tier; each takes what is left in it."""
    tiers = []
    price_beyond = 0.0
    for number in reversed(range(len(bands))):
        if not covers(bands[number].when, wall):
            continue
        if bands[number].up_to_kwh is None:
            price_beyond = bands[number].price_per_kwh
            break
        tiers.append(number)
    money, left = 0.0, kwh
    for number in tiers:
        upper = bands[number].up_to_kwh
        assert upper is not None
        key = (side, number, wall.date())  # type: ignore[attr-defined]
        taken = min(left, max(0.0, upper - counts[key] - (kwh - left)))
        money += taken * bands[number].price_per_kwh
        left -= taken
    for number in tiers:
        counts[(side, number, wall.date())] += kwh  # type: ignore[attr-defined]
    return money + left * price_beyond


@settings(max_examples=150, deadline=None)
@given(offers(), st.sampled_from(ZONES), st.sampled_from(BEGINS), st.sampled_from([30, 60]), st.integers(0, 2**32 - 1))
def test_the_bill_equals_plain_loops(offer: Offer, zone: str, begin: str, step: int, seed: int) -> None:
    """Line sums equal a reckoning half hour by half hour, clock changes and month ends included."""
    step = 30 if offer.demand_charge else step
    random = np.random.default_rng(seed)
    metered = flows(begin, DAYS, random.uniform(0, 3, 300).tolist(), random.uniform(0, 2, 300).tolist(), zone, step)
    first = date.fromisoformat(begin)
    made = bill(offer, metered, zone, first, first + timedelta(days=DAYS))
    expected = reckoned(offer, metered, zone, first, first + timedelta(days=DAYS))
    for kind in ("import", "export", "daily_fee", "demand_charge", "tax"):
        assert made.sum_of(kind) == pytest.approx(expected[kind], abs=1e-9), kind
    energy = sum(line.quantity for line in made.lines if line.kind == "import")
    assert energy == pytest.approx(metered.import_kwh.sum())


def plain(offer: Offer) -> Offer:
    """The same without what is not additive over days: the demand charge."""
    return replace(offer, demand_charge=None)


def one_bill(offer: Offer, metered: GridFlows, zone: str, begin: str, days: int) -> Bill:
    first = date.fromisoformat(begin)
    return bill(offer, metered, zone, first, first + timedelta(days=days))


@settings(max_examples=60, deadline=None)
@given(offers(), st.sampled_from(ZONES), st.sampled_from(BEGINS))
def test_a_bill_is_additive_over_days(offer: Offer, zone: str, begin: str) -> None:
    """Without a demand charge the bill of four days is the sum of four bills of a day, daily tiers included."""
    metered = flows(begin, DAYS, [0.3, 2.0, 1.1], [1.0, 0.0], zone, 30)
    whole = one_bill(plain(offer), metered, zone, begin, DAYS)
    first = date.fromisoformat(begin)
    days = [
        one_bill(plain(offer), metered, zone, (first + timedelta(days=day)).isoformat(), 1).total for day in range(DAYS)
    ]
    assert whole.total == pytest.approx(sum(days), abs=1e-9)


@given(price, price, st.integers(0, 20), st.sampled_from(ZONES))
def test_a_flat_offer_is_energy_times_price(imports: float, exports: float, fee: int, zone: str) -> None:
    """One price for import and one for export: kWh times price, and the fee of each day."""
    metered = flows("2026-03-28", DAYS, [0.3, 2.0], [1.0, 0.0, 0.7], zone)
    offer = Offer("flat", "EUR", fee / 10, (Band(imports),), (Band(exports),))
    expected = metered.import_kwh.sum() * imports - metered.export_kwh.sum() * exports + DAYS * fee / 10
    assert one_bill(offer, metered, zone, "2026-03-28", DAYS).total == pytest.approx(expected)


@settings(max_examples=60, deadline=None)
@given(offers(), edge, st.sampled_from(ZONES), st.sampled_from(BEGINS), st.data())
def test_splitting_a_band_changes_nothing(offer: Offer, cut: int, zone: str, begin: str, data: st.DataObject) -> None:
    """A band that is not a tier, cut in two at a clock time gives the same bill."""
    metered = flows(begin, DAYS, [0.3, 2.0, 1.1], [1.0, 0.0], zone, 30)
    number = data.draw(st.sampled_from([n for n, band in enumerate(offer.import_bands) if band.up_to_kwh is None]))
    band = offer.import_bands[number]
    if band.from_minute < band.to_minute:
        inside = band.from_minute < cut < band.to_minute
        halves = [replace(band, to_minute=cut), replace(band, from_minute=cut)]
    else:
        inside = cut > band.from_minute
        halves = [replace(band, to_minute=cut), replace(band, from_minute=cut)]
    if not inside:
        return
    bands = (*offer.import_bands[:number], *halves, *offer.import_bands[number + 1 :])
    before = one_bill(offer, metered, zone, begin, DAYS)
    assert one_bill(replace(offer, import_bands=bands), metered, zone, begin, DAYS).total == pytest.approx(
        before.total, abs=1e-9
    )
