"""Why each block: one sentence that names the prices it goes by and the limit that binds it."""

from __future__ import annotations

import pytest

from models.site.connection import Connection
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.solve import solve
from scheduler.plans.reasons import block_reason
from scheduler.plans.replay import verify_constraints
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger, powers
from tests.builders.random_nights import small_night


def reasons(night: Night, *setpoint_kw: float) -> list[str]:
    """The reasons of a plan that breaks no constraint, each one sentence."""
    setpoints = powers(night, *setpoint_kw)
    replayed = verify_constraints(night, setpoints)
    found = [block_reason(night, setpoints, replayed, block) for block in find_blocks(night, setpoints)]
    for sentence in found:
        assert_one_sentence(sentence)
    return found


def reason(night: Night, *setpoint_kw: float) -> str:
    (sentence,) = reasons(night, *setpoint_kw)
    return sentence


def assert_one_sentence(text: str) -> None:
    """One line with one full stop, at its end, that begins with a capital and leaves no gap."""
    assert text.endswith(".")
    assert ". " not in text
    assert not text.endswith("..")
    assert "\n" not in text
    assert text[0].isupper(), text
    assert "  " not in text


def test_a_discharge_names_what_it_replaces_and_what_a_kwh_costs() -> None:
    """2 hours of 1 kW at home prices, and the price of stored energy: lossless 0.15, and 0.02 in wear."""
    night = flat_night(import_price=[0.40, 0.40] + [0.30] * 6)
    assert reason(night, -1, -1) == (
        "Replaces 2.0 kWh bought at 0.40; stored energy is worth 0.15 per kWh, so each kWh discharged costs 0.15 with "
        "losses, and 0.02 in wear."
    )


def test_prices_carry_their_currency_and_at_most_four_figures() -> None:
    """A discharge and a charge, each price with the offer's currency; 0.123456 is told as 0.1235."""
    night = flat_night(import_price=[0.40, 0.123456] + [0.30] * 6)
    setpoints = powers(night, -1, 2)
    replayed = verify_constraints(night, setpoints)
    found = [block_reason(night, setpoints, replayed, block, "EUR") for block in find_blocks(night, setpoints)]
    assert found[0] == (
        "Replaces 1.0 kWh bought at 0.40 EUR; stored energy is worth 0.15 EUR per kWh, so each kWh discharged costs "
        "0.15 EUR with losses, and 0.02 EUR in wear."
    )
    assert "at 0.1235 EUR, the lowest price" in found[1]
    assert "worth 0.15 EUR per kWh" in found[1]


def test_a_charge_that_the_forecast_has_no_use_for_says_so() -> None:
    """A block may be there for past days alone: by the forecast the charger then does
    next to nothing."""
    night = flat_night()
    setpoints = powers(night)
    replayed = verify_constraints(night, setpoints)
    held = 100 * night.stored_now_kwh / night.car.battery_kwh
    sentence = block_reason(night, setpoints, replayed, Block(2, 4, "charge", 2.0, 8.7))
    assert_one_sentence(sentence)
    assert sentence.startswith("Charges little or nothing by the forecast")
    assert f"{held:g} %" in sentence


def test_a_discharge_that_the_forecast_has_no_use_for_says_so() -> None:
    """Covering waits for a draw over the forecast, which would be bought at 0.30; selling, for what is stored."""
    night = flat_night(import_price=0.30)
    setpoints = powers(night)
    replayed = verify_constraints(night, setpoints)
    covers, sells = (
        block_reason(night, setpoints, replayed, Block(2, 4, action, 2.0, 8.7), "EUR")
        for action in ("cover", "discharge")
    )
    assert_one_sentence(covers)
    assert covers.startswith("Gives nothing by the forecast; if the building draws more")
    assert "0.30 EUR" in covers
    assert_one_sentence(sells)
    assert sells.startswith("Gives nothing by the forecast, since the car is down to")


def test_losses_raise_what_a_kwh_discharged_costs() -> None:
    """At 80 % with 0.3 kW of fixed loss 2 kW take 2.8 kW: 0.15 × 1.4 = 0.21, and wear 0.02 × 1.4 = 0.028."""
    night = flat_night(load_kw=2.0, charger=plain_charger(discharge_efficiency_percent=80, fixed_loss_kw=0.3))
    assert "each kWh discharged costs 0.21 with losses, and 0.028 in wear" in reason(night, -2, -2)


def test_wear_counts_by_its_weight() -> None:
    """At a weight of 3 a kWh costs 0.06 in wear, at 0 nothing."""
    assert "0.06 in wear" in reason(flat_night(wear_weight=3.0), -1)
    assert "0.00 in wear" in reason(flat_night(wear_weight=0.0), -1)


def test_a_discharge_to_the_grid_names_the_price_it_sells_at() -> None:
    """4 kW of which the building takes 1: an hour replaces 1 kWh at 0.30 and sells 3 kWh at 0.45."""
    text = reason(flat_night(export_price=0.45), -4)
    assert text.startswith("Replaces 1.0 kWh bought at 0.30 and sells 3.0 kWh at 0.45; ")


def test_a_block_over_several_prices_names_the_lowest_and_the_highest() -> None:
    """Three hours at 0.40, 0.25 and 0.33; the prices of other hours are not named."""
    night = flat_night(import_price=[0.40, 0.25, 0.33, 0.90, 0.10, 0.10, 0.10, 0.10])
    assert reason(night, -1, -1, -1).startswith("Replaces 3.0 kWh bought at 0.25 to 0.40; ")


def test_hours_that_replace_nothing_have_no_say_in_the_prices() -> None:
    """Of two hours at 3 kW the first, at 0.90, is all sold, and the second, without a feed-in price, is all used."""
    night = flat_night(2, load_kw=[0.0, 3.0], import_price=[0.90, 0.30], export_price=[0.45, 0.0])
    assert reason(night, -3, -3).startswith("Replaces 3.0 kWh bought at 0.30 and sells 3.0 kWh at 0.45; ")


def test_solar_that_covers_the_building_leaves_only_selling() -> None:
    """With more solar than load nothing is replaced: all of 2 kWh is sold."""
    assert reason(flat_night(solar_kw=1.5, export_price=0.45), -2).startswith("Sells 2.0 kWh at 0.45; ")


def test_the_floor_ends_a_discharge() -> None:
    """From 30 % (15 kWh) 5 kWh take the car to its floor of 20 %."""
    assert reason(flat_night(soc_percent=30), -5).endswith("; it stops at the floor of 20 %.")


def test_the_discharge_limit_of_the_night_ends_a_discharge() -> None:
    """6 kWh in a night that allows 6."""
    night = flat_night(car=plain_car(discharge_limit_kwh=6.0))
    assert reason(night, -3, -3).endswith("; the night's discharge limit of 6 kWh allows no more.")


def test_a_trip_ends_a_discharge() -> None:
    """From 25 kWh 5 kWh may be given before a trip that wants 20 kWh at 23:00."""
    night = flat_night(trips=[Drive(5, 8)])
    assert reason(night, -5).endswith("; more would leave too little for the trip at Mon 23:00.")


def test_the_minimum_power_makes_a_discharge_spill() -> None:
    """A building that draws 0.4 kW gets 1 kW, the charger's minimum; the rest is sold for little, and that is said."""
    text = reason(flat_night(load_kw=0.4), -1)
    assert text.startswith("Replaces 0.40 kWh bought at 0.30 and sells 0.60 kWh at 0.05; ")
    assert text.endswith("; the charger cannot discharge at less than 1.0 kW.")


def test_the_export_limit_holds_a_discharge_back() -> None:
    """6 kW are the building's 1 kW and the 5 kW that may be exported."""
    assert reason(flat_night(export_price=0.45), -6).endswith("; the export limit of 5 kW allows no more.")


def test_the_charger_holds_a_discharge_back() -> None:
    """7 kW with room for more at the meter are the charger's maximum."""
    night = flat_night(export_price=0.45, connection=Connection(14.0, 10.0))
    assert reason(night, -7, -7).endswith("; the charger is at its maximum power.")


def test_a_charge_names_its_price_and_what_it_is_for() -> None:
    """3 kWh bought at 0.12, for energy worth 0.15 per kWh; 0.12 is the lowest price of the night."""
    night = flat_night(import_price=[0.30] * 4 + [0.12] * 4)
    assert reason(night, 0, 0, 0, 0, 3) == (
        "Buys 3.0 kWh at 0.12, the lowest price while the car is at home, to put back energy worth 0.15 per kWh."
    )


def test_a_lower_price_while_the_car_is_away_does_not_count() -> None:
    """0.12 is the lowest price at home, whatever it costs while the car is on the road."""
    night = flat_night(import_price=[0.30] * 4 + [0.12] * 2 + [0.05] * 2, trips=[Drive(6, 8, 0)])
    assert "at 0.12, the lowest price while the car is at home" in reason(night, 0, 0, 0, 0, 3)


def test_a_charge_at_a_higher_price_does_not_claim_the_lowest() -> None:
    """Charging at 0.30 with 0.12 to come says the price alone."""
    night = flat_night(import_price=[0.30] * 4 + [0.12] * 4)
    text = reason(night, 3)
    assert text.startswith("Buys 3.0 kWh at 0.30, ")
    assert "lowest" not in text


def test_a_charge_for_a_trip_names_it_and_what_it_needs() -> None:
    """From 25 to 30 kWh for a trip of 100 km at midnight, which needs 60 %."""
    night = flat_night(trips=[Drive(6, 8, 100)])
    assert "for the trip at Tue 00:00, which needs 60 %" in reason(night, 5)


def test_a_charge_beyond_the_trip_says_so() -> None:
    """From 25 to 34 kWh: 30 are for the trip, the rest is put back for its worth."""
    night = flat_night(trips=[Drive(6, 8, 100)])
    text = reason(night, 4.5, 4.5)
    assert "for the trip at Tue 00:00, which needs 60 %, and to put back energy worth 0.15 per kWh" in text


def test_a_charge_that_the_trip_does_not_need_is_not_for_it() -> None:
    """At 70 % before a trip that needs 60 %, a charge is for the worth of stored energy."""
    text = reason(flat_night(trips=[Drive(6, 8, 100)], soc_percent=70), 3)
    assert "trip" not in text
    assert "to put back energy worth 0.15 per kWh" in text


def test_a_charge_from_under_the_floor_brings_the_car_back() -> None:
    """From 10 % to 20 %, the floor."""
    assert "to bring the car back to its floor of 20 %" in reason(flat_night(soc_percent=10), 5)


def test_solar_that_is_stored_is_named_with_what_it_would_earn() -> None:
    """3 kW of charging with 2.5 kW of solar beyond the load: 0.5 kWh bought, 2.5 kWh that would earn 0.05."""
    text = reason(flat_night(solar_kw=3.5), 3)
    assert text.startswith("Buys 0.50 kWh at 0.30 and ")
    assert "and stores 2.5 kWh of solar that would otherwise earn 0.05, " in text


def test_solar_alone_buys_nothing() -> None:
    """Where the surplus is enough nothing is said of buying."""
    assert reason(flat_night(solar_kw=6.0), 3).startswith("Stores 3.0 kWh of solar that would otherwise earn 0.05, ")


@pytest.mark.parametrize(
    ("charge_kw", "limit_kw", "text"),
    [
        (7.0, 14.0, "; the charger is at its maximum power."),
        (5.0, 6.0, "; the import limit of 6 kW allows no more."),
        (1.0, 14.0, "; the charger cannot charge at less than 1.0 kW."),
        (3.0, 14.0, "to put back energy worth 0.15 per kWh."),
    ],
)
def test_a_charge_names_the_limit_that_holds_it(charge_kw: float, limit_kw: float, text: str) -> None:
    """The charger's maximum, the meter's limit, the charger's minimum, or none of them."""
    assert reason(flat_night(connection=Connection(limit_kw, 5.0)), charge_kw, charge_kw).endswith(text)


def test_every_block_has_a_reason_of_its_own() -> None:
    """Discharge in the evening, charge at night: two sentences, each with its own prices."""
    night = flat_night(import_price=[0.40] * 3 + [0.12] * 5)
    evening, late = reasons(night, -1, -1, -1, 0, 0, 3)
    assert "0.40" in evening
    assert "0.12" not in evening
    assert "0.12" in late
    assert "0.40" not in late


def test_reasons_of_solved_nights_are_sentences() -> None:
    """Over short random nights, planned in full: each block has its sentence."""
    seen = 0
    for seed in range(20):
        night = small_night(seed)
        answer = solve(night)
        replayed = verify_constraints(night, answer.setpoints)
        for block in find_blocks(night, answer.setpoints):
            assert_one_sentence(block_reason(night, answer.setpoints, replayed, block))
            seen += 1
    assert seen > 12


@pytest.mark.parametrize(
    ("solar_kw", "text"),
    [
        (0.0, "Buys 0.02 kWh at 0.30, "),
        (2.0, "Stores 0.02 kWh of solar that "),
        (1.5, "Buys 0.01 kWh at 0.30 and stores 0.01 kWh of solar that "),
    ],
)
def test_a_block_of_a_minute_has_a_whole_sentence(solar_kw: float, text: str) -> None:
    """However little is charged, the sentence begins with what is done: 1 kW for a minute is 1/60 kWh.

    The building takes 1 kW of the solar: nothing is left of 0 kW, all that is charged of 2, half of it of 1.5.
    """
    assert reason(flat_night(3, hours=[1 / 60, 1, 1], solar_kw=solar_kw), 1.0).startswith(text)


@pytest.mark.parametrize(
    ("export_limit_kw", "text"),
    [
        (0.0, "Stores 3.0 kWh of solar that would otherwise be lost, "),
        (2.0, "Stores 3.0 kWh of solar that would otherwise be lost, "),
        (4.0, "Stores 3.0 kWh of solar, of which 1.0 kWh would otherwise be lost and the rest would earn 0.05, "),
    ],
)
def test_solar_that_could_not_be_sold_would_be_lost(export_limit_kw: float, text: str) -> None:
    """5 kW of surplus, 3 stored: of what would go out without the car only the export limit could be sold."""
    night = flat_night(solar_kw=6.0, connection=Connection(14.0, export_limit_kw))
    assert reason(night, 3).startswith(text)


def test_a_trip_is_no_limit_where_the_energy_is_put_back() -> None:
    """The charger is at its maximum in the evening and charges again before the trip: the charger is the limit."""
    night = flat_night(12, load_kw=[8.0] * 3 + [1.0] * 9, soc_percent=60, trips=[Drive(10, 12, 100)])
    assert reasons(night, -7, 0, 0, 7)[0].endswith("; the charger is at its maximum power.")
    assert "trip" not in reasons(night, -6, 0, 0, 6)[0]


@pytest.mark.parametrize(
    ("soc_percent", "discharge_kw", "text"),
    [
        (74, 7, "; the charger is at its maximum power."),
        (72, 6, "; more would leave too little for the trip at Tue 04:00."),
    ],
)
def test_a_trip_is_no_limit_where_the_power_is(soc_percent: float, discharge_kw: float, text: str) -> None:
    """Both leave the 30 kWh that the trip wants, 37 − 7 and 36 − 6; the charger's 7 kW bind before the trip does."""
    night = flat_night(12, load_kw=8.0, soc_percent=soc_percent, trips=[Drive(10, 12, 100)])
    assert reason(night, -discharge_kw).endswith(text)


def test_a_trip_is_named_on_the_last_block_before_it_only() -> None:
    """Two blocks of 3 kWh take 36 kWh down to the 30 of the trip; after the first there was more to give."""
    night = flat_night(12, load_kw=8.0, soc_percent=72, trips=[Drive(10, 12, 100)])
    first, second = reasons(night, -3, 0, -3)
    assert "trip" not in first
    assert second.endswith("; more would leave too little for the trip at Tue 04:00.")


def test_the_discharge_limit_is_named_on_the_last_block_only() -> None:
    """Two blocks use up 6 kWh; only after the second is there no more to give."""
    night = flat_night(load_kw=8.0, car=plain_car(discharge_limit_kwh=6.0))
    first, second = reasons(night, -3, 0, -3)
    assert "discharge limit" not in first
    assert "the night's discharge limit of 6 kWh allows no more" in second
