"""Read an offer's TOML file and the CSV file of its market prices strictly into an Offer."""

from __future__ import annotations

import calendar
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import cast

from models.base.clock import MINUTES_A_DAY
from models.tariff.market import MarketPrices
from models.tariff.offer import (
    Band,
    ConnectionFee,
    DemandCharge,
    Discount,
    LineKind,
    Offer,
    Tax,
    first_unpriced_time,
    overlapping_tiers,
    overridden_tier,
)
from scheduler.inputs.offer_schema import (
    FIRST_PER_DAY,
    MOST_BANDS,
    MOST_CHARGES,
    MOST_TAXES,
    PER_DAY,
    PER_MONTH,
    ConnectionFeeTable,
    DemandTable,
    DiscountTable,
    ExportTable,
    ImportTable,
    MarketTable,
    OfferTable,
    TaxTable,
    price_problem,
)
from scheduler.inputs.series_file import read_regular
from scheduler.textio.bounds import PER_MWH, PRICE_PER_KWH, PRICE_PER_MWH, Bound, plain
from scheduler.textio.csv_rows import MOST_MEGABYTES
from scheduler.textio.errors import Fault, InputFaults, did_you_mean, in_line_order, shown, single_fault
from scheduler.textio.read_text import file_problem, read_lines
from scheduler.textio.toml_tables import TomlDocument, check_table, check_tables, read_toml
from scheduler.textio.toml_values import clock_of_minutes

COLUMNS_PER_KWH, COLUMNS_PER_MWH = ("start", "price_per_kwh"), ("start", "price_per_mwh")
KWH_A_MWH = 1000.0
MOST_TIMES_HIGHEST = 100.0
"""A price of so many times the highest import price is in another unit, most likely per MWh."""


def read_offer(path: Path, has_calendar: bool) -> Offer:
    """Read the offer that a file describes.

    Parameters
    ----------
    has_calendar : whether the site names a holiday calendar, which `public_holidays_count_as` needs.

    Raises
    ------
    InputFaults : every fault of the file and of its market prices.
    """
    return read_offer_files(path, has_calendar)[0]


def read_offer_files(path: Path, has_calendar: bool) -> tuple[Offer, tuple[Path, ...]]:
    """Read an offer as read_offer does; return it and the files it was read from."""
    document = read_toml(path)
    faults: list[Fault] = []
    table = check_table(document, (), OfferTable, faults)
    imports = check_tables(document, "import", ImportTable, faults, MOST_BANDS)
    exports = check_tables(document, "export", ExportTable, faults, MOST_BANDS)
    demand = _demand_tables(document, faults)
    taxes = check_tables(document, "tax", TaxTable, faults, MOST_TAXES)
    discount = check_table(document, ("discount",), DiscountTable, faults)
    connection = check_table(document, ("connection_fee",), ConnectionFeeTable, faults)
    faults += _uncovered(document, table, taxes, discount)
    market = check_table(document, ("market",), MarketTable, faults)
    if "public_holidays_count_as" in document.values and not has_calendar:
        message = "it needs a holiday calendar, and the site names none; expected site.holiday_calendar"
        faults.append(document.fault(("public_holidays_count_as",), message))
    faults += _market_faults(document, (*imports, *exports))
    too_high = [] if table is None or table.allow_high_prices else _high_prices(document, table, imports, exports)
    told = {fault.key for fault in too_high}
    faults += [*too_high, *(each for each in _in_another_unit(document, imports, exports) if each.key not in told)]
    import_bands = tuple(_band(each, market) for each in imports if each)
    export_bands = tuple(_band(each, market) for each in exports if each)
    counted_as = table.public_holidays_count_as if table else None
    if imports and None not in imports:
        unpriced = first_unpriced_time(Offer("", "", 0.0, import_bands, holidays_count_as=counted_as))
        if unpriced is not None:
            faults.append(document.fault(("import",), _unpriced(import_bands, *unpriced)))
        faults += _overlapping_tiers(document, "import", import_bands, counted_as)
        faults += _never_holding(document, "import", import_bands, counted_as)
    if None not in exports:
        faults += _overlapping_tiers(document, "export", export_bands, counted_as)
        faults += _never_holding(document, "export", export_bands, counted_as)
    prices, files = _market_prices(document, market, faults)
    if faults or table is None:
        raise InputFaults(_in_file_order(faults, path))
    offer = Offer(
        name=table.name,
        currency=table.currency,
        daily_fee=table.daily_fee,
        import_bands=import_bands,
        export_bands=export_bands,
        holidays_count_as=table.public_holidays_count_as,
        taxes=_taxes(table, taxes),
        market=prices,
        demand_charges=tuple(_demand_charge(each) for each in demand if each is not None),
        monthly_fee=table.monthly_fee or 0.0,
        connection_fee=None if connection is None else ConnectionFee(connection.price_per_kw_month, connection.kw),
        discount=None if discount is None else Discount(discount.percent, _lines(discount.covers)),
    )
    return offer, (path, *files)


def _demand_tables(document: TomlDocument, faults: list[Fault]) -> list[DemandTable | None]:
    """Check the demand charge, or each of them."""
    if isinstance(document.values.get("demand_charge"), list):
        return check_tables(document, "demand_charge", DemandTable, faults, MOST_CHARGES)
    return [check_table(document, ("demand_charge",), DemandTable, faults)]


def _demand_charge(table: DemandTable) -> DemandCharge:
    return DemandCharge(
        table.price_per_kw_month,
        table.interval_minutes,
        table.when,
        table.least_billed_kw,
        table.highest_of_months,
        table.name,
    )


def _taxes(offer: OfferTable, taxes: Sequence[TaxTable | None]) -> tuple[Tax, ...]:
    """Return all taxes, that of `tax_percent` first."""
    plain = [Tax(offer.tax_percent, _lines(offer.tax_covers))] if offer.tax_percent and offer.tax_covers else []
    return (*plain, *(Tax(each.percent, _lines(each.covers), each.part) for each in taxes if each is not None))


def _lines(covers: frozenset[str]) -> frozenset[LineKind]:
    return cast("frozenset[LineKind]", covers)


def _uncovered(
    document: TomlDocument, offer: OfferTable | None, taxes: Sequence[TaxTable | None], discount: DiscountTable | None
) -> Iterator[Fault]:
    """Yield a fault for each tax or discount on a line that the offer does not have, or on a part of no band."""
    if offer is None:
        return
    bands = (*offer.import_bands, *offer.export_bands)
    parts = list(dict.fromkeys(band["part"] for band in bands if isinstance(band.get("part"), str)))
    covered: list[tuple[tuple[str | int, ...], frozenset[str]]] = []
    for number, tax in enumerate(taxes):
        if tax is None:
            continue
        covered.append((("tax", number), tax.covers))
        if tax.part is not None and tax.part not in parts:
            known = f"one of {', '.join(map(shown, parts))}" if parts else "bands with a part"
            message = f"no band belongs to the part {shown(tax.part)}{did_you_mean(tax.part, parts)}; expected {known}"
            yield document.fault(("tax", number, "part"), message)
        if tax.part is not None and not tax.covers <= {"import", "export"}:
            message = 'a tax on a part of the price covers "import" and "export" alone; expected one or both of them'
            yield document.fault(("tax", number, "covers"), message)
    covered += [(("discount",), discount.covers)] if discount is not None else []
    for keys, lines in covered:
        for line in ("monthly_fee", "connection_fee", "demand_charge"):
            if line in lines and getattr(offer, line) is None:
                message = f"it covers {shown(line)}, but the offer has none; expected {line}"
                yield document.fault((*keys, "covers"), message)


def read_market(path: Path, known_until_minute: int, published_minute: int) -> MarketPrices:
    """Read market prices from a file: `start` with its offset from UTC, regular intervals of 5 to 60 minutes.

    Parameters
    ----------
    known_until_minute, published_minute : local clock times up to and at which prices are published [minutes since
        midnight].

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    _, header = next(read_lines(path, MOST_MEGABYTES))
    names = [cell.strip() for cell in header.replace('"', "").split(",")]
    if names not in (list(COLUMNS_PER_KWH), list(COLUMNS_PER_MWH)):
        allowed = " or ".join(",".join(columns) for columns in (COLUMNS_PER_KWH, COLUMNS_PER_MWH))
        raise single_fault(path, f"the header is {shown(header)}; expected {allowed}", 1)
    per_mwh = names == list(COLUMNS_PER_MWH)
    bound = PRICE_PER_MWH if per_mwh else PRICE_PER_KWH
    series = read_regular(path, COLUMNS_PER_MWH if per_mwh else COLUMNS_PER_KWH, bound)
    price = series.kw / KWH_A_MWH if per_mwh else series.kw
    return MarketPrices(series.start, price, series.step_minutes, known_until_minute, published_minute)


def _in_file_order(faults: list[Fault], path: Path) -> list[Fault]:
    """Return faults of the offer's own file by line, then those of its market prices."""
    own = [fault for fault in faults if fault.file == str(path)]
    return [*in_line_order(own), *(fault for fault in faults if fault.file != str(path))]


def _band(table: ImportTable | ExportTable, market: MarketTable | None) -> Band:
    price, factor = _price(table, market)
    by_month = isinstance(table, ImportTable) and table.up_to_kwh_per_month is not None
    if isinstance(table, ImportTable):
        up_to = table.up_to_kwh_per_month if by_month else table.up_to_kwh_per_day
    else:
        up_to = table.first_kwh_per_day
    return Band(
        price,
        table.from_minute,
        table.to_minute,
        table.days,
        table.months,
        up_to_kwh=up_to,
        per="month" if by_month else "day",
        market_factor=factor,
        no_grid_charging=isinstance(table, ExportTable) and table.no_grid_charging,
        name=table.name,
        part=table.part,
    )


def _price(table: ImportTable | ExportTable, market: MarketTable | None) -> tuple[float, float | None]:
    """Return the price of a band and None; or what it adds to the market price, and the factor on that price."""
    if not table.follows_market:
        return table.price_per_kwh or 0.0, None
    multiply, add = (market.multiply, market.add_per_kwh) if market else (1.0, 0.0)
    return (
        add if table.add_per_kwh is None else table.add_per_kwh,
        multiply if table.multiply is None else table.multiply,
    )


def _market_faults(document: TomlDocument, bands: Sequence[ImportTable | ExportTable | None]) -> list[Fault]:
    """Return faults of bands that follow a missing market, or of a market that no band follows."""
    follow = [side for side in ("import", "export") if _any_follows(document, side)]
    if "market" in document.values:
        if None not in bands and not follow:
            message = "no band follows the market; expected follows_market = true on a band"
            return [document.fault(("market",), message)]
        return []
    return [
        document.fault(
            (side, number, "follows_market"), "there is no [market]; expected a [market] table that names a file"
        )
        for side in follow
        for number, band in enumerate(document.values[side])
        if isinstance(band, dict) and band.get("follows_market") is True
    ]


def _any_follows(document: TomlDocument, side: str) -> bool:
    bands = document.values.get(side)
    return isinstance(bands, list) and any(
        isinstance(band, dict) and band.get("follows_market") is True for band in bands
    )


def _in_another_unit(
    document: TomlDocument, imports: Sequence[ImportTable | None], exports: Sequence[ExportTable | None]
) -> list[Fault]:
    """A fault per fixed price so far from the highest import price that one of the two must be in another unit."""
    if any(band is None or band.follows_market for band in imports):
        return []
    highest = max((band.price_per_kwh or 0.0 for band in imports if band is not None), default=0.0)
    if highest <= 0:
        return []
    expected = Bound(-MOST_TIMES_HIGHEST * highest, MOST_TIMES_HIGHEST * highest, "per kWh", slip=PER_MWH)
    found = []
    for side, bands in (("import", imports), ("export", exports)):
        for number, band in enumerate(bands):
            price = None if band is None else band.price_per_kwh
            problem = None if price is None else expected.problem(price)
            if problem is not None:
                message = f"{problem}; the highest import price is {plain(highest)} per kWh"
                found.append(document.fault((side, number, "price_per_kwh"), message))
    return found


def _high_prices(
    document: TomlDocument,
    offer: OfferTable,
    imports: Sequence[ImportTable | None],
    exports: Sequence[ExportTable | None],
) -> list[Fault]:
    """Return a fault per fixed price that is too high for its currency, most likely given in hundredths."""
    return [
        document.fault((side, number, key), problem)
        for side, bands in (("import", imports), ("export", exports))
        for number, band in enumerate(bands)
        for key in ("price_per_kwh", "add_per_kwh")
        if band is not None
        and (price := getattr(band, key)) is not None
        and (problem := price_problem(price, offer.currency)) is not None
    ]


def _market_prices(
    document: TomlDocument, table: MarketTable | None, faults: list[Fault]
) -> tuple[MarketPrices | None, tuple[Path, ...]]:
    """Return the series that `[market]` names, and its file; add its faults."""
    if table is None:
        return None, ()
    file = document.path.parent / table.file
    problem = file_problem(file)
    if problem is not None:
        message = f"{shown(table.file)}: {problem}; expected a file, relative to the offer's folder"
        faults.append(document.fault(("market", "file"), message))
        return None, ()
    published = table.published_at
    if published is None:
        published = table.known_until % MINUTES_A_DAY
    try:
        return read_market(file, table.known_until, published), (file,)
    except InputFaults as error:
        faults += error.faults
        return None, ()


def _overlapping_tiers(
    document: TomlDocument, side: str, bands: tuple[Band, ...], holidays_count_as: int | None
) -> list[Fault]:
    """Return a fault if two tiers can hold at the same time without being nested."""
    overlapping = overlapping_tiers(bands, holidays_count_as) if bands else None
    if overlapping is None:
        return []
    earlier, later = overlapping
    keys = document.values[side][later]
    key = next(name for name in (PER_DAY, PER_MONTH, FIRST_PER_DAY) if name in keys)
    return [
        document.fault(
            (side, later, key),
            f"this tier and that of {side}[{earlier + 1}] can hold at the same time; expected tiers with the same "
            "from, to, days and months, counted over the same period, the later in the file with fewer kWh",
        )
    ]


def _never_holding(
    document: TomlDocument, side: str, bands: tuple[Band, ...], holidays_count_as: int | None
) -> list[Fault]:
    """Return a fault if bands later in the file override a tier at all times."""
    number = overridden_tier(bands, holidays_count_as) if bands else None
    if number is None:
        return []
    key = next(name for name in (PER_DAY, PER_MONTH, FIRST_PER_DAY) if name in document.values[side][number])
    message = (
        "bands later in the file override this one at all times, so no kWh ever counts towards it; expected it after "
        "the band whose price holds beyond it"
    )
    return [document.fault((side, number, key), message)]


def _unpriced(bands: tuple[Band, ...], month: int, day_of_week: int, minute: int) -> str:
    """Return the message on a time without an import price."""
    when = f"on a {calendar.day_name[day_of_week]} in {calendar.month_name[month]} at {clock_of_minutes(minute)}"
    if any(band.up_to_kwh is not None for band in bands):
        return (
            f"no import price {when} once every tier is used up; expected bands without a limit in kWh that cover "
            "all times"
        )
    return f"no import price {when}; expected bands that cover all times"
