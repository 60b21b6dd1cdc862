"""Write a new site to start from: commented files that can be planned at once, with placeholder meter data."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.inputs.placeholders import READ_ME_FILE, placeholder_load_kw, placeholder_solar_kw, placeholder_text
from scheduler.inputs.site_inputs import read_inputs
from scheduler.textio.errors import InputFaults, shortened, single_fault
from scheduler.textio.write import folder_made_beside

NOTE_COLUMN = 41

DISCHARGE_TO_NOTES = {
    "building": "it covers only what the building draws, nothing for the grid",
    "building-and-grid": 'or "building": it covers only what the building draws, nothing for the grid',
}

READ_ME = """\
The meter files in this folder are placeholders: the same invented day over and over. A plan made from them looks
right and is not about your building. Replace them with your own meter's data before you act on a plan:

    overnight read-meter YOUR-METER-FILE --into THIS-FOLDER

reads NEM12, Green Button XML, and CSV with one row per interval or per day, and says what it filled. Or write them
yourself:

Each is a CSV file with the header "start,kw": the start of each interval in local time with its offset, such as
2026-03-02T18:00+00:00, and the mean power over the interval in kW. Intervals of 5 to 60 minutes, none missing, none
twice.
load.csv is the building without the car charger; solar.csv, if there is one, what the panels made.

Then run "overnight check" on this folder.
"""

READ_ME_BEFORE = READ_ME.replace("--into THIS-FOLDER", "--to THIS-FOLDER --replace")
"""What it was in version 1.1.0."""

SITE = """\
# Your site. Lines that start with "#" are notes; to switch on a setting that is shown as a note, remove its "#".

format = 1                                # the version of this file's layout; leave it as it is

[site]
name = {name}
timezone = {timezone}                     # the clock on your wall
{calendar}

[connection]                              # what the network operator approved; never enter more than that
import_limit_kw = {import_limit_kw}
export_limit_kw = {export_limit_kw}       # 0 means nothing may be sent to the grid

[car]
battery_kwh = {battery_kwh}               # usable capacity
floor_percent = 20                        # in ordinary use the charge stays above this ...
ceiling_percent = 80                      # ... and below this; a long trip may go over it
consumption_kwh_per_100km = {consumption} # what driving takes from the battery; a winter average is the safe choice
trip_margin_percent = 10                  # extra energy for headwind, snow and detours
return_reserve_percent = 20               # wanted in the battery on coming home, for emergencies
ready_minutes_before = 30                 # be charged this long before leaving
# heats_cabin = false                     # if the cabin is neither heated nor cooled; counts with --outside-degc
on_the_way_price_per_kwh = {on_the_way}   # what charging away from home costs
# discharge_limit_kwh = 25                # at most this much energy out of the car in a night, if the warranty says so

[charger]
charge_min_kw = {charge_min_kw}           # the lowest power at which the charger can charge ...
charge_max_kw = {charge_max_kw}
discharge_min_kw = {discharge_min_kw}     # ... and discharge
discharge_max_kw = {discharge_max_kw}
charge_efficiency_percent = 95            # of the power beyond the fixed loss; see the maker's data sheet
discharge_efficiency_percent = 95
fixed_loss_kw = 0.08                      # lost whenever it charges or discharges
discharge_to = {discharge_to}             # {discharge_to_note}
volts = {volts}                           # turns kW into amps
phases = {phases}
{allow_high}{off}set_by = {set_by}                       # if you set the charger by hand: few blocks of one power ...
{off}max_blocks = 4                          # ... at most this many in a night ...
{off}min_block_minutes = 60                  # ... and none shorter than this
{worth_off}setting_worth = {setting_worth}                    # what being spared one setting is worth to you, in money
{between_off}settings_between = {settings_between}    # between these times you can set the charger
{timer_off}timer = true                            # if the charger can start and stop by its own clock
# can_follow_surplus = true               # if the charger can follow the sun: charge with what the building leaves over
# can_stop_at_percent = true              # if charger or car can be told at which percent to stop discharging;
                                          # otherwise a plan says when to look

{solar_table}[wear]                       # what using the battery costs
battery_price = {battery_price}           # a replacement battery, fitted
depth_coefficient = 5.24e-4               # share of its life lost by one full discharge and recharge
depth_exponent = 2.03                     # how much worse deep use is than shallow
weight = 1.0                              # 0 ignores wear, 2 counts it double
# law = "depth"                           # optional: the wear law for cycles; "flat" needs life_full_cycles, the
                                          # cycles in a life (1600, say), "stress" and "nmc" the temperature below
# calendar_law = "stress"                 # optional, or "nmc": adds calendar ageing, which costs more the fuller it is
# battery_age_years = 3                   # for the law "nmc"
# battery_temp_degc = 12                  # the battery's own, of the year or of twelve months: [-1, -1, 2, 7, ...]

[plan]
step_minutes = 60                         # length of the plan's intervals: 5, 10, 15, 30 or 60
horizon_hours = 24                        # how far a plan looks ahead

[data]                                    # where the other files are, seen from this folder
offer = "offers/offer.toml"
load = "load.csv"                         # PLACEHOLDER, see READ-ME-FIRST.txt
{solar_data}
{usual_trips}"""

NO_USUAL_TRIP = """\
# A weekly trip, used when you give none for tonight; remove the "#" to use it.
# [[usual_trip]]
# days = ["mon", "tue", "wed", "thu", "fri"]
# depart = "08:00"
# return = "17:30"
# distance_km = 30
"""


@dataclass(frozen=True, slots=True)
class NewSite:
    """Answers for a new site; units as in the site and offer files, clock times "HH:MM".

    A night price holds in its hours, and so does an evening feed-in price; None: the offer has none. `set_by` is
    "myself", "timer" or "itself"; `setting_worth` None is the usual one; `usual_trips` are rows of `[[usual_trip]]`.
    """

    name: str
    timezone: str
    currency: str
    battery_kwh: float
    consumption_kwh_per_100km: float
    charge_min_kw: float
    charge_max_kw: float
    discharge_min_kw: float
    discharge_max_kw: float
    volts: float
    phases: int
    discharge_to: str
    import_limit_kw: float
    export_limit_kw: float
    battery_price: float
    day_price: float
    export_price: float
    daily_fee: float = 0.0
    night_price: float | None = None
    night_from: str = "23:00"
    night_to: str = "07:00"
    feed_in_price: float | None = None
    feed_in_from: str = "18:00"
    feed_in_to: str = "21:00"
    offer_name: str = "My offer"
    holiday_calendar: str | None = None
    solar: bool = False
    set_by: str = "itself"
    power_in: str = "kw"
    setting_worth: float | None = None
    settings_between: tuple[str, str] = ("06:30", "23:00")
    usual_trips: tuple[Mapping[str, object], ...] | None = None
    allow_unusual: bool = False


def write_new_site(folder: Path, answers: NewSite, now: datetime) -> None:
    """Write a new site, whole or not at all.

    Parameters
    ----------
    now : end of the placeholder data.

    Raises
    ------
    InputFaults : the folder is in use, or an answer is at fault.
    NotWrittenError : nothing was written.
    """
    check_folder(folder)
    with folder_made_beside(folder) as made:
        (made / "offers").mkdir()
        for name, text in _texts(answers, now).items():
            (made / name).write_text(text, encoding="utf-8", newline="")
        _read_back(made, folder)


def check_folder(folder: Path) -> None:
    """Refuse a folder that is in use.

    Raises
    ------
    InputFaults : it is neither new nor empty, or cannot be read.
    """
    try:
        in_use = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
    except OSError as error:
        raise single_fault(shortened(str(folder)), f"{error.strerror}; expected a folder that is new") from None
    if in_use:
        raise single_fault(folder, "it exists and is not empty; expected a folder that is new or empty")


def _read_back(made: Path, folder: Path) -> None:
    """Refuse answers that make a faulty site, with messages that name the folder to be written."""
    try:
        read_inputs(made)
    except InputFaults as faults:
        raise InputFaults(
            replace(fault, file=fault.file.replace(str(made), str(folder))) for fault in faults.faults
        ) from None


def _texts(answers: NewSite, now: datetime) -> dict[str, str]:
    """Return the text of every file of the site, by its name in the folder."""
    calendar = answers.holiday_calendar
    zone = _zone(answers.timezone)
    site = SITE.format(
        name=_quoted(answers.name),
        timezone=_quoted(answers.timezone),
        calendar=(
            f"holiday_calendar = {_quoted(calendar)}"
            if calendar
            else '# holiday_calendar = "IE"                 # whose public holidays the offer goes by'
        ),
        import_limit_kw=_number(answers.import_limit_kw),
        export_limit_kw=_number(answers.export_limit_kw),
        battery_kwh=_number(answers.battery_kwh),
        consumption=_number(answers.consumption_kwh_per_100km),
        on_the_way=_number(max(2 * answers.day_price, 0.0)),
        charge_min_kw=_number(answers.charge_min_kw),
        charge_max_kw=_number(answers.charge_max_kw),
        discharge_min_kw=_number(answers.discharge_min_kw),
        discharge_max_kw=_number(answers.discharge_max_kw),
        discharge_to=_quoted(answers.discharge_to),
        discharge_to_note=DISCHARGE_TO_NOTES.get(answers.discharge_to, ""),
        volts=_number(answers.volts),
        phases=answers.phases,
        battery_price=_number(answers.battery_price),
        off="# " if answers.set_by == "itself" else "",
        set_by=_quoted("current" if answers.power_in == "amps" else "blocks"),
        worth_off="# " if answers.set_by == "itself" or answers.setting_worth is None else "",
        setting_worth=_number(0.1 if answers.setting_worth is None else answers.setting_worth),
        between_off="" if answers.set_by == "myself" else "# ",
        settings_between="[" + ", ".join(_quoted(each) for each in answers.settings_between) + "]",
        timer_off="" if answers.set_by == "timer" else "# ",
        allow_high="allow_high_minimum = true\n" if answers.allow_unusual else "",
        usual_trips=_usual_trips(answers),
        solar_table="[solar]\ncan_be_limited = false                    # true only if the inverter can be told to "
        "produce less\n\n"
        if answers.solar
        else "",
        solar_data='solar = "solar.csv"                       # PLACEHOLDER, see READ-ME-FIRST.txt\n'
        if answers.solar
        else "",
    )
    texts = {
        "site.toml": "".join(f"{_aligned(line)}\n" for line in site.splitlines()),
        "offers/offer.toml": _offer(answers),
        "load.csv": placeholder_text(now, zone, placeholder_load_kw),
        READ_ME_FILE: READ_ME,
    }
    if answers.solar:
        texts["solar.csv"] = placeholder_text(now, zone, placeholder_solar_kw)
    return texts


def _aligned(line: str) -> str:
    """Align a setting's note with all other notes; the line of the name, which may hold anything, is left alone."""
    setting, mark, note = line.partition(" # ")
    if not mark or line.startswith(("#", "name =")):
        return line
    return f"{setting.rstrip():<{NOTE_COLUMN}} # {note}"


def _zone(name: str) -> ZoneInfo:
    """Return the zone for the placeholders; UTC for an unknown name, which the reader of the site reports."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return ZoneInfo("UTC")


def _usual_trips(answers: NewSite) -> str:
    """Return the tables of the usual trips, or a note that shows one."""
    if not answers.usual_trips:
        return NO_USUAL_TRIP
    tables = ["# Weekly trips, used when you give none for tonight."]
    for trip in answers.usual_trips:
        tables += ["[[usual_trip]]", *(f"{key} = {json.dumps(value)}" for key, value in trip.items()), ""]
    return "\n".join(tables)


def _offer(answers: NewSite) -> str:
    """Return the text of the offer's file."""
    bands: list[tuple[str, float, tuple[str, str] | None, str]] = [
        ("import", answers.day_price, None, "always" if answers.night_price is None else "whenever nothing below holds")
    ]
    if answers.night_price is not None:
        bands.append(("import", answers.night_price, (answers.night_from, answers.night_to), "at night"))
    bands.append(
        (
            "export",
            answers.export_price,
            None,
            "sent to the grid at any other time" if answers.feed_in_price is not None else "sent to the grid",
        )
    )
    if answers.feed_in_price is not None:
        bands.append(("export", answers.feed_in_price, (answers.feed_in_from, answers.feed_in_to), "in the evening"))
    lines = [
        "# Your electricity offer. Where several bands hold at once, the last one counts.",
        "",
        "format = 1",
        f"name = {_quoted(answers.offer_name)}",
        f"currency = {_quoted(answers.currency)}",
        *(["allow_high_prices = true"] if answers.allow_unusual else []),
        _aligned(f"daily_fee = {_number(answers.daily_fee)} # standing charge per day"),
    ]
    for kind, price, hours, note in bands:
        lines += ["", _aligned(f"[[{kind}]] # {note}"), f"price_per_kwh = {_number(price)}"]
        if hours is not None:
            lines += [f"from = {_quoted(hours[0])}", f"to = {_quoted(hours[1])}"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a TOML string; JSON's escapes are those of TOML, except for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _number(value: float) -> str:
    return repr(float(value))
