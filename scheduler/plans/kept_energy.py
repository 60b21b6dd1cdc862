"""Say what energy left in the battery at the end of a plan is worth, and what that comes from."""

from __future__ import annotations

from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.night import SAME_KWH, Night
from scheduler.textio.format import clock_text, price_text

_USED = {
    "covers": "it replaces what the building buys at {price} from {when}, less losses and wear",
    "sells": "it is sold at {price} from {when}, less losses and wear",
    "charges-less": "it need not be bought and charged again at {price} from {when}, with losses",
}

_USED_FOR = {
    "covers": "for the building at {price} from {when}",
    "sells": "sold at {price} from {when}",
    "charges-less": "not charged again at {price} from {when}",
}


def kept_energy_text(inputs: Inputs, night: Night, stored_at_end_kwh: float) -> str:
    """Return one sentence on the worth of the last kWh that is left, in the offer's currency.

    Parameters
    ----------
    stored_at_end_kwh : stored energy at the end of the plan [kWh].
    """
    value = night.stored_energy
    end = clock_text(night.boundaries[-1].to_pydatetime(), night.timezone)
    price = price_text(night.price_left_at(stored_at_end_kwh))
    worth = f"A kWh left at the end of this plan, {end}, counts for {price} {inputs.offer.currency}"
    if inputs.site.plan.stored_energy_price_per_kwh is not None:
        return f"{worth}, as the site's stored_energy_price_per_kwh says."
    if not value.uses:
        return f"{worth}: a little more than it costs to put back at the lowest price of this plan."
    use = value.use_at(max(stored_at_end_kwh, night.car.floor_kwh + SAME_KWH))
    if use is None:
        return f"{worth}: little use for it is expected in the days after."
    used = _USED[use.kind].format(
        when=clock_text(use.at, night.timezone), price=price_text(use.price_per_kwh, inputs.offer.currency)
    )
    return f"{worth}: {used}."


def kept_energy_price_text(inputs: Inputs, night: Night, stored_at_end_kwh: float) -> str:
    """Return the worth of the last kWh that is left, and in a few words what it comes from."""
    price = f"{price_text(night.price_left_at(stored_at_end_kwh))} {inputs.offer.currency} per kWh"
    if inputs.site.plan.stored_energy_price_per_kwh is not None:
        return f"{price}, by the site's own price"
    use = night.stored_energy.use_at(max(stored_at_end_kwh, night.car.floor_kwh + SAME_KWH))
    if use is None:
        return price
    when, what = clock_text(use.at, night.timezone), price_text(use.price_per_kwh, inputs.offer.currency)
    return f"{price}, {_USED_FOR[use.kind].format(when=when, price=what)}"
