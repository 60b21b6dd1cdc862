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
from models.tariff.offer import Band, ConnectionFee, DemandCharge, Discount, Offer, Tax, overlapping_tiers
from tests.builders.flows import flows

ZONES = ("Europe/Dublin", "Australia/Lord_Howe", "Asia/Kolkata")
BEGINS = ("2026-03-28", "2026-10-24", "2026-04-03", "2026-01-30")
DAYS = 4
WEEKDAYS = frozenset(range(5))
LINES = ("import", "export", "daily_fee", "monthly_fee", "connection_fee", "demand_charge")

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
    """An offer with every rule: bands, nested tiers, parts, demand charges, fees, a discount and taxes."""
    imports: list[Band] = [Band(draw(price))]
    exports: list[Band] = []
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
    for bands in (imports, exports):
        for other in draw(st.lists(windows, max_size=2)):  # a second part, which may hold at some times alone
            network = Band(draw(price), other.from_minute, other.to_minute, other.days, part="network")
            bands.insert(draw(st.integers(1, len(bands))) if bands else 0, network)
    charges = tuple(
        DemandCharge(
            draw(st.integers(0, 9)) / 1.0,
            30,
            draw(st.one_of(st.just(ALWAYS), windows)),
            least_kw=draw(st.sampled_from([0.0, 2.0, 9.0])),
            look_back_months=draw(st.sampled_from([1, 2, 12])),
        )
        for _ in range(draw(st.integers(0, 3)))
    )
    lines = st.frozensets(st.sampled_from(LINES))
    taxes = [Tax(float(draw(st.sampled_from([0, 10, 25]))), draw(lines)) for _ in range(draw(st.integers(0, 2)))]
    if draw(st.booleans()):
        taxes.append(Tax(7.0, frozenset({"import", "export"}), "network"))
    made = Offer(
        "invented",
        "EUR",
        draw(st.integers(0, 9)) / 10,
        tuple(imports),
        tuple(exports),
        taxes=tuple(taxes),
        demand_charges=charges,
        monthly_fee=float(draw(st.sampled_from([0, 12]))),
        connection_fee=draw(st.sampled_from([None, ConnectionFee(1.5, 14.0)])),
        discount=draw(st.one_of(st.none(), st.builds(Discount, st.sampled_from([5.0, 20.0]), lines))),
    )
    assert overlapping_tiers(made.import_bands, None) is None
    return made


def reckoned(offer: Offer, metered: GridFlows, zone: str, begin: date, end: date) -> dict[str, float]:
    """The bill by half-hours: energy of the hour over its halves, bands looked up one by one, part by part.

    Sums by kind of line, and of import and export by part as well.
    """
    sums: dict[str, float] = defaultdict(float)
    counts: dict[tuple[str, int, date], float] = defaultdict(float)
    means: dict[tuple[int, int, object], float] = defaultdict(float)
    earlier: dict[tuple[int, int, object], float] = defaultdict(float)
    shares: dict[int, float] = defaultdict(float)
    for number in range((end - begin).days):
        day = begin + timedelta(days=number)
        sums["daily_fee"] += offer.daily_fee
        shares[day.year * 12 + day.month] += (
            1 / ((day.replace(day=1) + timedelta(32)).replace(day=1) - day.replace(day=1)).days
        )
    for share in shares.values():
        sums["monthly_fee"] += offer.monthly_fee * share
        if offer.connection_fee is not None:
            sums["connection_fee"] += offer.connection_fee.price_per_kw_month * offer.connection_fee.kw * share
    for row, start in enumerate(metered.start):
        for minute in range(0, metered.step_minutes, 30):
            wall = (start + timedelta(minutes=minute)).astimezone(ZoneInfo(zone))
            share = 30 / metered.step_minutes
            for number, charge in enumerate(offer.demand_charges):
                if covers(charge.window, wall):
                    began_before = charge.window.from_minute > charge.window.to_minute > wall.hour * 60 + wall.minute
                    day = wall.date() - timedelta(days=began_before)
                    found = means if begin <= wall.date() < end else earlier if wall.date() < begin else {}
                    key = (number, day.year * 12 + day.month, (start, minute))
                    found[key] = found.get(key, 0.0) + metered.import_kwh[row] * share
            if not begin <= wall.date() < end:
                continue
            for side, bands, kwh, sign in (
                ("import", offer.import_bands, metered.import_kwh[row] * share, 1),
                ("export", offer.export_bands, metered.export_kwh[row] * share, -1),
            ):
                for part in {band.part for band in bands}:
                    mine = tuple(band for band in bands if band.part == part)
                    amount = sign * money_of(f"{side} {part}", mine, kwh, wall, counts)
                    sums[side] += amount
                    sums[f"{side} {part}"] += amount
    for number, charge in enumerate(offer.demand_charges):
        for month in shares:
            own = [kwh for key, kwh in means.items() if key[:2] == (number, month)]
            if not own:
                continue
            before = [
                kwh
                for found in (means, earlier)
                for key, kwh in found.items()
                if key[0] == number and month - charge.look_back_months < key[1] < month
            ]
            peak = max(max([*own, *before]) / 0.5, charge.least_kw)
            sums["demand_charge"] += peak * charge.price_per_kw_month * shares[month]
    left = dict.fromkeys(LINES, 1.0)
    if offer.discount is not None:
        left |= dict.fromkeys(offer.discount.covers, 1 - offer.discount.percent / 100)
        sums["discount"] = -offer.discount.percent / 100 * sum(sums[line] for line in offer.discount.covers)
    for tax in offer.taxes:
        taxed = [line if tax.part is None else f"{line} {tax.part}" for line in tax.covers]
        sums["tax"] += tax.percent / 100 * sum(sums[line] * left[line.split()[0]] for line in taxed)
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


@settings(max_examples=100, deadline=None)
@given(offers(), st.sampled_from(ZONES), st.sampled_from(BEGINS), st.sampled_from([30, 60]), st.integers(0, 2**32 - 1))
def test_the_bill_equals_plain_loops(offer: Offer, zone: str, begin: str, step: int, seed: int) -> None:
    """Line sums equal a reckoning half hour by half hour, clock changes and month ends included."""
    step = 30 if offer.demand_charges else step
    random = np.random.default_rng(seed)
    metered = flows(begin, DAYS, random.uniform(0, 3, 300).tolist(), random.uniform(0, 2, 300).tolist(), zone, step)
    first = date.fromisoformat(begin)
    made = bill(offer, metered, zone, first, first + timedelta(days=DAYS))
    expected = reckoned(offer, metered, zone, first, first + timedelta(days=DAYS))
    for kind in (*LINES, "discount", "tax"):
        assert made.sum_of(kind) == pytest.approx(expected[kind], abs=1e-9), kind
    energy = sum(
        line.quantity
        for line in made.lines
        if line.kind == "import" and line.band is not None and offer.import_bands[line.band].part is None
    )
    assert energy == pytest.approx(metered.import_kwh.sum())


def plain(offer: Offer) -> Offer:
    """The same without what is not additive over days: the demand charges."""
    return replace(offer, demand_charges=())


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
