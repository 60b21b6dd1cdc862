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

MIGRATIONS = (PLANS_AND_TOLD,)
"""The script that leads to version 1, to version 2, and so on."""
VERSION = len(MIGRATIONS)
APPLICATION_ID = 0x4F564E54
"""Marks a database as a record ("OVNT"), so that another program's database is not taken for one."""
