"""The case for the hardware as text: rows for a screen or a page, two sentences, and a table of other rates."""

from __future__ import annotations

from models.tariff.investment import HardwareWorth, hardware_worth, worth_by_rate_and_drift
from scheduler.inputs.hardware_file import Hardware
from scheduler.render.table import Table, text_table
from scheduler.textio.format import money_digits, money_text, number_text, rows_that_add_up

MOST_MONEY = 1e12
MOST_PERCENT = 1000.0
"""Beyond these an amount or a rate is no longer written out."""
_BEYOND = ", beyond what the money would earn elsewhere, in today's money"


def hardware_table(hardware: Hardware, first_year_saving: float) -> Table:
    """Return the case, a name and a value in each row; grant, upkeep and price change only where there are any.

    Parameters
    ----------
    first_year_saving : what the hardware saves in its first year, before upkeep [money]; below 0 where it costs more.

    Returns
    -------
    A table without headings, every value as text.
    """
    case, currency = hardware.case, hardware.currency
    worth = hardware_worth(case, first_year_saving)
    rows = [*_outlay_rows(hardware), ("Saving in the first year", _money(first_year_saving, currency))]
    if case.yearly_upkeep:
        rows.append(("Upkeep a year, taken off the saving", _money(case.yearly_upkeep, currency)))
    if case.price_drift_percent:
        change = _signed_rate(case.price_drift_percent)
        rows.append(("Yearly change of energy prices, and so of the saving", change))
    rows += [
        ("Life", _whole_years(case.life_years)),
        ("Pays for itself after", payback_text(worth.simple_payback_years)),
        ("What money earns elsewhere", f"{_rate(case.discount_rate_percent)} a year"),
        ("What the extra outlay earns in the hardware", _return_text(hardware, worth)),
    ]
    if case.discount_rate_percent:
        rows.append(
            (
                "Pays for itself after, counting what the outlay would earn elsewhere",
                payback_text(worth.discounted_payback_years),
            )
        )
    left_over = "Left over at the end of its life" + (_BEYOND if case.discount_rate_percent else "")
    price = worth.break_even_price
    highest = _money(price, currency) if _cents(price, currency) >= 0 else "none: it would not pay even as a gift"
    rows += [
        (left_over, _money(worth.net_present_value, currency)),
        ("Highest price at which the hardware still pays", highest),
    ]
    return text_table(("", ""), rows)


def hardware_sentences(hardware: Hardware, first_year_saving: float) -> tuple[str, str]:
    """Return two sentences: when the hardware pays for itself, and how it compares with money that earns elsewhere.

    Parameters
    ----------
    first_year_saving : as in hardware_table [money].
    """
    worth = hardware_worth(hardware.case, first_year_saving)
    return _payback_sentence(hardware, worth), _worth_sentence(hardware, worth)


def worth_table(hardware: Hardware, first_year_saving: float) -> Table:
    """Return the net present value at each of the file's discount rates and yearly price changes.

    Parameters
    ----------
    first_year_saving : as in hardware_table [money].

    Returns
    -------
    A row per discount rate and a column per price change, every value as text.
    """
    rates, drifts = hardware.discount_rates_percent, hardware.price_drifts_percent
    amounts = worth_by_rate_and_drift(hardware.case, first_year_saving, rates, drifts)
    return text_table(
        ("", *(_signed_rate(drift) for drift in drifts)),
        [
            (_rate(rate), *(_amount(amount, hardware.currency) for amount in row))
            for rate, row in zip(rates, amounts.tolist(), strict=True)
        ],
        f"Left over at the end of its life{_BEYOND} [{hardware.currency}]: down, what money earns elsewhere in a year; "
        "across, the yearly change of energy prices",
    )


def _outlay_rows(hardware: Hardware) -> list[tuple[str, str]]:
    """Return the price and what goes with it; as shown they add up to the extra outlay."""
    case, currency = hardware.case, hardware.currency
    names = ("The hardware", "Installation", "Less a plain charger, needed anyway", "Less the grant")
    amounts = (case.price, case.installation, -case.plain_charger_price, -case.grant)
    rounded = rows_that_add_up(amounts, money_digits(currency))
    parts = [(name, _money(amount, currency)) for name, amount in zip(names, rounded, strict=True)]
    return [*parts[: 4 if case.grant else 3], ("Extra outlay", _money(sum(rounded), currency))]


def _payback_sentence(hardware: Hardware, worth: HardwareWorth) -> str:
    case, years = hardware.case, worth.simple_payback_years
    whole_life = _whole_years(case.life_years)
    if not _has_outlay(hardware) and not years:
        begins = f"{'After the grant the' if case.grant else 'The'} hardware costs no more than a plain charger"
        if years is None:
            return f"{begins}, but within its life of {whole_life} it loses more than that leaves."
        return f"{begins}: there is nothing to pay back."
    if years is None:
        return f"The hardware never pays for itself within its life of {whole_life}."
    of_life = "its one year" if case.life_years == 1 else f"its {case.life_years}"
    return f"The hardware pays for itself after {_years(years)} of {of_life}."


def _worth_sentence(hardware: Hardware, worth: HardwareWorth) -> str:
    rate, amount = hardware.case.discount_rate_percent, worth.net_present_value
    shown = _money(abs(amount), hardware.currency)
    side = _cents(amount, hardware.currency)
    if rate == 0:
        than = f"{shown} {'more' if side > 0 else 'less'} than" if side else "just what"
        return f"Over its life it brings in {than} it costs."
    begins = f"Compared with money that {'earns' if rate > 0 else 'loses'} {_rate(abs(rate))} a year elsewhere, it"
    if side == 0:
        return f"{begins} comes out even over its life."
    if side < 0:
        return f"{begins} does not pay: over its life it loses {shown}, in today's money."
    years = worth.discounted_payback_years
    after = f" pays for itself after {_years(years)} and" if years else ""
    return f"{begins}{after} leaves {shown} more over its life, in today's money."


def _return_text(hardware: Hardware, worth: HardwareWorth) -> str:
    if not _has_outlay(hardware):
        return "no rate: there is no extra outlay"
    if worth.return_percent is None:
        return "no rate: the extra outlay never comes back"
    text = f"{_return(worth.return_percent)} a year"
    count = len(worth.rates_of_return_percent)
    if count == 1:
        return text
    every = ", ".join(_return(rate) for rate in worth.rates_of_return_percent)
    return f"{text}, the nearest to 0 of {count} rates that fit ({every})"


def payback_text(years: float | None) -> str:
    """Return after how many years an outlay is paid back."""
    if years is None:
        return "never within its life"
    return _years(years) if years else "nothing to pay back"


def _years(years: float) -> str:
    """Return years with one decimal."""
    return f"{number_text(years, 1)} years" if years >= 0.05 else "less than 0.1 years"


def _whole_years(years: int) -> str:
    return "1 year" if years == 1 else f"{years} years"


def _has_outlay(hardware: Hardware) -> bool:
    return _cents(hardware.case.extra_outlay, hardware.currency) > 0


def _cents(amount: float, currency: str) -> float:
    """Return the amount as it is shown, 0 where it rounds to nothing [money]."""
    return round(amount, money_digits(currency))


def _amount(amount: float, currency: str) -> str:
    if abs(amount) <= MOST_MONEY:
        return money_text(amount, currency)
    return f"{'over ' if amount > 0 else 'under −'}{number_text(MOST_MONEY, 0)}"


def _money(amount: float, currency: str) -> str:
    return f"{_amount(amount, currency)} {currency}"


def _rate(percent: float) -> str:
    """Return a yearly rate with as many decimals as it has, at most two."""
    return f"{number_text(percent, 2).rstrip('0').rstrip('.')} %"


def _signed_rate(percent: float) -> str:
    return f"{'+' if round(percent, 2) > 0 else ''}{_rate(percent)}"


def _return(percent: float) -> str:
    """Return a yearly return with one decimal."""
    return f"{number_text(percent, 1)} %" if percent <= MOST_PERCENT else f"over {MOST_PERCENT:.0f} %"
