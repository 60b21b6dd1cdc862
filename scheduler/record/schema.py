"""The tables of a record, as the steps by which a database comes to each version.

Instants are whole seconds since 1970 UTC, in columns that end in `_s`; other columns carry their unit as well. A step
that has been released is never changed: a later version is one step more.
"""

from __future__ import annotations

PLANS_AND_TOLD = """
CREATE TABLE plans (
    start_s INTEGER PRIMARY KEY,
    evening_s INTEGER NOT NULL CHECK (evening_s <= start_s),
    end_s INTEGER NOT NULL CHECK (end_s > start_s),
    revision INTEGER NOT NULL CHECK (revision >= 0),
    made_s INTEGER NOT NULL,
    document TEXT NOT NULL,
    schedule TEXT NOT NULL,
    set_s INTEGER,
    handed_over_s INTEGER
) STRICT;
CREATE INDEX plans_of_evening ON plans (evening_s);
CREATE TABLE states (
    at_s INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('morning', 'return', 'evening')),
    soc_percent REAL NOT NULL CHECK (soc_percent BETWEEN 0 AND 100)
) STRICT;
CREATE TABLE trips (
    depart_s INTEGER PRIMARY KEY,
    return_s INTEGER NOT NULL CHECK (return_s > depart_s),
    distance_km REAL NOT NULL CHECK (distance_km >= 0),
    pace TEXT NOT NULL,
    outside_degc REAL,
    soc_used_percent REAL
) STRICT;
"""

SETTLED_NIGHTS = """
CREATE TABLE nights (
    begin_s INTEGER PRIMARY KEY,
    end_s INTEGER NOT NULL CHECK (end_s > begin_s),
    was_set INTEGER NOT NULL CHECK (was_set IN (0, 1)),
    cost REAL NOT NULL,
    cost_on_return REAL NOT NULL,
    cost_charge_only REAL NOT NULL,
    grid_cost REAL NOT NULL,
    wear REAL NOT NULL,
    wear_low REAL NOT NULL,
    wear_high REAL NOT NULL,
    imported_kwh REAL NOT NULL,
    exported_kwh REAL NOT NULL,
    charged_kwh REAL NOT NULL,
    discharged_kwh REAL NOT NULL,
    load_kwh REAL NOT NULL,
    solar_kwh REAL NOT NULL,
    load_forecast_kwh REAL NOT NULL,
    solar_forecast_kwh REAL NOT NULL,
    departures INTEGER NOT NULL CHECK (departures >= 0),
    short INTEGER NOT NULL CHECK (short BETWEEN 0 AND departures),
    chance_short REAL CHECK (chance_short BETWEEN 0 AND 1),
    soc_begin_percent REAL NOT NULL,
    soc_end_percent REAL NOT NULL,
    soc_told_percent REAL,
    why TEXT NOT NULL,
    on_the_way_cost REAL NOT NULL,
    stored_energy REAL NOT NULL,
    earned_low REAL NOT NULL,
    earned_high REAL NOT NULL,
    earned_only_low REAL NOT NULL,
    earned_only_high REAL NOT NULL,
    offer TEXT NOT NULL,
    currency TEXT NOT NULL,
    settled_from TEXT NOT NULL
) STRICT;
CREATE TABLE flows (
    night_s INTEGER NOT NULL REFERENCES nights (begin_s) ON DELETE CASCADE,
    way TEXT NOT NULL CHECK (way IN ('plan', 'charge-on-return', 'charge-only')),
    start_s INTEGER NOT NULL CHECK (start_s >= night_s),
    minutes INTEGER NOT NULL CHECK (minutes > 0),
    import_kwh REAL NOT NULL CHECK (import_kwh >= 0),
    export_kwh REAL NOT NULL CHECK (export_kwh >= 0),
    charge_kwh REAL NOT NULL CHECK (charge_kwh >= 0),
    discharge_kwh REAL NOT NULL CHECK (discharge_kwh >= 0),
    load_kwh REAL NOT NULL,
    solar_kwh REAL NOT NULL,
    curtailed_kwh REAL NOT NULL,
    stored_kwh REAL NOT NULL,
    import_cost REAL NOT NULL,
    export_credit REAL NOT NULL,
    demand_cost REAL NOT NULL,
    wear_cost REAL NOT NULL,
    on_the_way_cost REAL NOT NULL,
    PRIMARY KEY (night_s, way, start_s)
) STRICT, WITHOUT ROWID;
"""

MIGRATIONS = (PLANS_AND_TOLD, SETTLED_NIGHTS)
"""The script that leads to version 1, to version 2, and so on."""
VERSION = len(MIGRATIONS)
APPLICATION_ID = 0x4F564E54
"""Marks a database as a record ("OVNT"), so that another program's database is not taken for one."""
