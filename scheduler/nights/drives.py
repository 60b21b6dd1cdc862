"""What tonight's drives are assumed to take: by the site, by what was driven, and by the weather and the pace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from models.drive.consumption import Learned, drive_factor, extra_text, learned_from
from models.drive.factor import EXACT, Factor
from models.drive.weather import MILD_FROM_DEGC, MILD_TO_DEGC, Weather
from models.site.car import Car
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.request import Request
from scheduler.textio.format import clock_text, number_text, sentence_case

PLAUSIBLE = 2.0
"""Drives that took more than so many times the site's figure, or less than one in so many, are taken for a slip."""


@dataclass(frozen=True, slots=True)
class Drives:
    """What drives are assumed to take.

    Attributes
    ----------
    car : with the consumption that drives before tonight took, where enough of them are known.
    weather : None where it is not known.
    learned : what those drives took; None where too few are known.
    notes : what the owner should know about them.
    """

    car: Car
    weather: Weather | None
    learned: Learned | None
    notes: tuple[str, ...] = ()

    def factor(self, trip: Trip) -> Factor:
        """Return the factor of a trip's consumption against the car's usual one, with its spread."""
        return EXACT if trip.distance_km == 0 else drive_factor(self.weather, trip.pace, self.learned)


def drives_tonight(inputs: Inputs, request: Request) -> Drives:
    """Return what drives are assumed to take, as it was known when the forecast was made.

    Recorded trips that say what they took, at least eight of them, give their median in place of the site's figure.
    """
    car = inputs.site.car
    known_at = request.known_at or request.now
    recorded = [
        trip
        for trip in inputs.recorded_trips or ()
        if trip.soc_used_percent is not None and trip.return_at <= known_at and trip.pace == "usual"
    ]
    learned = learned_from(
        [trip.distance_km for trip in recorded], [car.kwh(trip.soc_used_percent or 0.0) for trip in recorded]
    )
    weather = None if request.outside_degc is None else Weather(request.outside_degc, car.heats_cabin)
    if learned is None:
        return Drives(car, weather, None)
    site_figure = car.consumption_kwh_per_100km
    by_drives = f"{number_text(learned.kwh_per_100km, 1)} kWh per 100 km"
    if not site_figure / PLAUSIBLE <= learned.kwh_per_100km <= site_figure * PLAUSIBLE:
        note = (
            f"The {learned.drives} recorded drives that say what they used come to {by_drives}, far from the site's "
            f"{site_figure:g}; the site's figure is used. Are their soc_used_percent percent of the battery?"
        )
        return Drives(car, weather, None, (note,))
    most = number_text(learned.kwh_per_100km * learned.spread.high, 1)
    note = (
        f"A drive is taken to need {by_drives}, the median of {learned.drives} recorded drives, in place of the site's "
        f"{site_figure:g}; one in 20 needs more than {most}."
    )
    return Drives(replace(car, consumption_kwh_per_100km=learned.kwh_per_100km), weather, learned, (note,))


def drive_notes(drives: Drives, trips: Sequence[Trip], timezone: str) -> list[str]:
    """Return a sentence on what was assumed of drives whose weather or pace is not the usual, one for each factor."""
    found: dict[str, list[Trip]] = {}
    for trip in trips:
        factor = drive_factor(drives.weather, trip.pace)
        if trip.distance_km > 0 and factor != EXACT:
            found.setdefault(extra_text(factor), []).append(trip)
    return [_note(drives, of_these, len(found) == 1, extra, timezone) for extra, of_these in found.items()]


def _note(drives: Drives, trips: Sequence[Trip], all_alike: bool, extra: str, timezone: str) -> str:
    """Return what was assumed of trips with one factor."""
    paces = {trip.pace for trip in trips} - {"usual"}
    pace = f"{min(paces)} " if paces else ""
    if all_alike and not paces:
        which = "a drive"
    else:
        which = f"the {pace}trip at {' and '.join(clock_text(trip.depart_at, timezone) for trip in trips)}"
    weather = drives.weather
    mild = weather is None or MILD_FROM_DEGC <= weather.outside_degc <= MILD_TO_DEGC
    begins = sentence_case(which) if weather is None or mild else f"{_weather_text(weather)}, {which}"
    margin = drives.car.trip_margin_percent
    on_top = f"; the trip margin of {margin:g} % is added" if margin > 0 else ""
    return f"{begins} is taken to need {extra}, by published tests{on_top}."


def _weather_text(weather: Weather) -> str:
    """Return the weather as a sentence begins with it: `At −5 °C, cabin heated`."""
    degrees = number_text(weather.outside_degc, 0 if weather.outside_degc == int(weather.outside_degc) else 1)
    hot = weather.outside_degc > MILD_TO_DEGC
    if weather.heats_cabin:
        return f"At {degrees} °C, cabin {'cooled' if hot else 'heated'}"
    return f"At {degrees} °C, cabin not {'cooled' if hot else 'heated'}"
