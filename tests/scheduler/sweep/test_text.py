"""A sweep in words: what is said of weight 1, of its absence, of knees, stops and laws."""

from __future__ import annotations

import pandas as pd
import pytest

from scheduler.render.terminal import table_text
from scheduler.sweep.frontier import frontiers_of
from scheduler.sweep.text import (
    frontier_gist,
    group_names,
    group_table,
    headline,
    laws_text,
    lost_text,
    scaled_text,
    sentences,
    stop_text,
    weight_gist,
)
from tests.builders.sweep_runs import made_up_runs


def test_the_headline_says_what_weight_1_saves_and_costs() -> None:
    """Worked by hand: wear 1 / 1.3 ** 2, money 100 · (0.5 + 2 / 1.3), capacity 0.1 + 0.05 · wear."""
    found = frontiers_of(made_up_runs())
    assert headline(found, "EUR") == (
        "At wear weight 1 the car saves 203.85 EUR of cash a year; life used × 20 % is 0.13 %, by cycles "
        "(scaled from 14 days)."
    )
    assert " saves 204 JPY of cash a year; " in headline(found, "JPY")


def test_a_car_that_saves_nothing_costs_more() -> None:
    """A loss is not called a saving."""
    runs = made_up_runs()
    runs["cash_saved_a_year"] -= 500
    assert "the car costs 296.15 EUR more cash a year; life used × 20 % is" in headline(frontiers_of(runs), "EUR")


def test_without_weight_1_the_headline_says_so() -> None:
    """And tells of the lowest weight, not of the nearest."""
    found = frontiers_of(made_up_runs(weights=(0.5, 0.99, 2.0)))
    assert headline(found, "EUR").startswith("Weight 1 is not in this sweep; at weight 0.5 the car saves ")
    assert "a year at weight 0.5, is by law" in laws_text(found[0])
    assert group_table(found, "EUR").texts[0][1:4] == ("–", "–", "–")


def test_sentences_tell_of_reference_knee_stop_and_range() -> None:
    """Discharging adds what lies between only charged and weight 1: 200 / 1.3 = 153.85."""
    told = " ".join(sentences(frontiers_of(made_up_runs(("Dusk tariff", "Noon tariff"))), "EUR"))
    assert "adds 153.85 EUR saved and 0.030 % of life used × 20 % a year" in told
    assert "The frontier bends most at weight 0.5, its knee: 300.00 EUR of cash saved" in told
    assert "Discharging stops between weight 5 and 10." in told
    assert "Over all 2 groups, weight 1 saves 156.80 to 203.85 EUR a year" in told


@pytest.mark.parametrize(
    ("runs", "said", "cell"),
    [
        (made_up_runs(gives=False), "The car discharges at no weight of this sweep.", "never discharges"),
        (
            made_up_runs(weights=(0.0, 1.0, 2.5)),
            "At the highest weight, 2.5, the car still discharges.",
            "still discharges at 2.5",
        ),
    ],
)
def test_where_discharging_does_not_stop_in_between(runs: object, said: str, cell: str) -> None:
    """Never, or still at the highest weight."""
    found = frontiers_of(runs)  # type: ignore[arg-type]
    assert said in sentences(found, "EUR")
    assert stop_text(found[0]) == cell


def test_points_that_are_beaten_are_counted() -> None:
    """Where no weight saves more than another, all but the ones that lose least are."""
    told = sentences(frontiers_of(made_up_runs(currency_scale=0.0)), "EUR")
    assert told[-1] == "5 runs of 6 are not efficient: another weight saves as much for less life used."


def test_names_tell_groups_apart_and_no_more() -> None:
    """Only what varies is in them."""
    found = frontiers_of(made_up_runs(("Dusk tariff",), settings=(0, 2)))
    assert group_names(found) == ("discharge_min_kw\N{NO-BREAK SPACE}0", "discharge_min_kw\N{NO-BREAK SPACE}2")
    assert group_names(frontiers_of(made_up_runs(("A", "B")))) == ("A", "B")
    assert group_names(found[:1]) == ("Dusk tariff",)


def test_laws_are_told_by_how_much_they_differ() -> None:
    """The made-up laws differ by factors of 0.8 to 2.5."""
    told = laws_text(frontiers_of(made_up_runs())[0])
    assert "nmc finds 3.1 times what flat does. stress and nmc count calendar ageing as well" in told
    assert told.startswith("Life used × 20 %, a year at weight 1, is by law flat 0.10 %, depth 0.13 %, stress 0.17 %")


def test_a_year_is_not_called_scaled() -> None:
    """365 days are a year; 14 are not."""
    runs = made_up_runs()
    words = scaled_text(frontiers_of(runs))
    assert words is not None
    assert words.startswith("14 days scaled to a year of 365.25: another season, other trips")
    assert scaled_text(frontiers_of(runs.assign(days=365))) is None


def test_gists_say_what_the_pictures_show() -> None:
    """Both ends of each frontier, and where discharging stops."""
    found = frontiers_of(made_up_runs(("Dusk tariff", "Noon tariff")))
    assert "Dusk tariff: from 50.00 for 0.10 % to 716.67 for 0.66 %, knee at weight 0.5." in frontier_gist(found, "EUR")
    assert "Noon tariff: 444 kWh discharged at weight 0; discharging stops between weight 5 and 10." in weight_gist(
        found, "EUR"
    )


@pytest.mark.parametrize(("percent", "words"), [(0.351, "0.35 %"), (0.0345, "0.035 %"), (0.0, "0.000 %")])
def test_small_losses_keep_a_third_decimal(percent: float, words: str) -> None:
    """Below 0.1 %."""
    assert lost_text(percent) == words


def test_eight_groups_are_whole_on_80_columns() -> None:
    """Four laws at two values of a key: no column, digit or line of the eight names is cut off."""
    runs = [made_up_runs(settings=(0, 2)).assign(law=law) for law in ("flat", "depth", "stress", "nmc")]
    found = frontiers_of(pd.concat(runs, ignore_index=True))
    table = group_table(found, "EUR")
    assert len(table.rows) == 8
    assert table.split(80) == [table]
    lines = table_text(table, 80).splitlines()
    assert max(len(line) for line in lines) <= 80
    shown = " ".join(lines).split()
    assert sorted(word for word in shown if not word.startswith("─")) == sorted(
        word for row in (table.headings, *table.texts) for text in row for word in text.split()
    )
    assert sum("discharge_min_kw 2" in line for line in lines) == 4
