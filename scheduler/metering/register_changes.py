"""Join the registers of a meter that succeed one another, as when a meter is replaced or a roof is fitted.

A register that is not there yet, or not any more, counts nothing: it is not a register whose values are missing. Two of
one kind and one connection point succeed one another where the one ends within a day of the other's beginning. An
export register that begins after the import is one that was not there before. Whatever is taken as 0 is said. All this
holds for registers of a named meter; in a table without meters, a column with blank cells is one whose values are
missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from models.base.arrays import IntArray
from scheduler.metering.align_channels import channel_text
from scheduler.metering.channels import Channel, ChannelKind, MeterReading
from scheduler.metering.local_clock import instants
from scheduler.textio.parse_time import local_text

CHANGE_MINUTES = 24 * 60
"""A register that begins so soon before or after another's end is its successor [min]."""


@dataclass(frozen=True, slots=True)
class _Register:
    """A register over all files: one of its pieces, and its first and last minute since 1970, the latter excluded."""

    piece: Channel
    begin: int
    end: int

    @property
    def name(self) -> str:
        return channel_text(self.piece)


def joined_registers(readings: Sequence[MeterReading], timezone: str) -> tuple[tuple[MeterReading, ...], list[str]]:
    """Return readings in which registers that succeed one another count 0 where they are not there, and notes on it.

    Parameters
    ----------
    readings : with the kinds that count.
    timezone : IANA name of the site's zone, for the notes.

    Returns
    -------
    The readings, the last with a piece of zeros for each register that needs one; and a sentence on each change.
    """
    zeros: list[Channel] = []
    notes: list[str] = []
    registers = _registers(readings)
    for meter in dict.fromkeys(register.piece.meter for register in registers if register.piece.meter):
        of_kind: dict[ChannelKind, list[_Register]] = {}
        for register in registers:
            if register.piece.meter == meter:
                of_kind.setdefault(register.piece.kind, []).append(register)
        for alike in of_kind.values():
            for chain in _chains(alike):
                zeros += [zero for register in chain for zero in _zeros_of(register, chain)]
                notes += [_change_text(old, new, timezone) for old, new in pairwise(chain)]
        if "import" in of_kind and "export" in of_kind:
            since, first = (min(each.begin for each in of_kind[kind]) for kind in ("import", "export"))
            if first - since >= CHANGE_MINUTES:
                zeros += [zero_piece(register.piece, since, first) for register in of_kind["export"]]
                notes.append(_fitted_text(of_kind["export"], first, timezone))
    zeros = [piece for piece in zeros if len(piece.kwh)]
    if not zeros:
        return tuple(readings), notes
    *before, last = readings
    return (*before, replace(last, channels=(*last.channels, *zeros))), notes


def from_local_midnight(
    readings: Sequence[MeterReading], midnight: pd.Timestamp, begin: pd.Timestamp
) -> tuple[MeterReading, ...]:
    """Return readings whose registers count 0 from a local midnight until the first day of market time begins.

    Parameters
    ----------
    readings : of one beginning. midnight, begin : instants; the later one is where the values begin.
    """
    minutes = [int(instant.timestamp()) // 60 for instant in (midnight, begin)]
    pieces = [zero_piece(register.piece, *minutes) for register in _registers(readings)]
    *before, last = readings
    return (*before, replace(last, channels=(*last.channels, *(piece for piece in pieces if len(piece.kwh)))))


def _chains(registers: list[_Register]) -> list[list[_Register]]:
    """Return the registers of one kind that succeed one another, in time order, chain by chain."""
    chains: list[list[_Register]] = []
    for register in sorted(registers, key=lambda each: (each.begin, each.end)):
        for chain in chains:
            last = chain[-1]
            is_later = last.begin < register.begin and last.end < register.end
            if is_later and abs(register.begin - last.end) <= CHANGE_MINUTES:
                chain.append(register)
                break
        else:
            chains.append([register])
    return [chain for chain in chains if len(chain) > 1]


def _zeros_of(register: _Register, chain: list[_Register]) -> list[Channel]:
    """Return zeros for a register wherever another of its chain is there and it is not."""
    found = []
    done = chain[0].begin
    for other in chain:  # in time order, so that each begins before the part that is done ends, or at a gap
        begin, end = max(done, other.begin), other.end
        for first, last in ((begin, min(end, register.begin)), (max(begin, register.end), end)):
            if first < last:
                found.append(zero_piece(register.piece, first, last))
        done = max(done, end)
    return found


def _change_text(old: _Register, new: _Register, timezone: str) -> str:
    return (
        f"{new.name} begins {_local(new.begin, timezone)}, about where {old.name} ends: the one is read as the "
        "successor of the other, as when a meter is replaced."
    )


def _fitted_text(registers: list[_Register], first: int, timezone: str) -> str:
    names = " and ".join(register.name for register in registers)
    return (
        f"{names} {'begins' if len(registers) == 1 else 'begin'} {_local(first, timezone)}, and export is taken as 0 "
        "before, as when solar is fitted; if there was export before, add the file that has it."
    )


def _registers(readings: Sequence[MeterReading]) -> list[_Register]:
    """Return each register over all files, in file order; one without values is none."""
    found: dict[tuple[str, str, ChannelKind], _Register] = {}
    for channel in (one for reading in readings for one in reading.channels if len(one.kwh)):
        key = (channel.meter, channel.name, channel.kind)
        minutes = channel.start.as_unit("s").asi8 // 60
        begin, end = int(minutes[0]), int(minutes[-1]) + channel.step_minutes
        known = found.get(key, _Register(channel, begin, end))
        found[key] = _Register(known.piece, min(begin, known.begin), max(end, known.end))
    return list(found.values())


def zero_piece(like: Channel, begin: int, end: int) -> Channel:
    """Return a piece of a channel that counts 0 from one minute to another, in its own intervals."""
    step = like.step_minutes
    phase = int(like.start[0].timestamp()) // 60 % step
    first = begin + (phase - begin) % step
    minutes: IntArray = np.arange(first, end - step + 1, step, dtype=np.int64)
    return replace(
        like,
        start=instants(minutes) if len(minutes) else pd.DatetimeIndex([], dtype="datetime64[s, UTC]"),
        kwh=np.zeros(len(minutes)),
        estimated=np.zeros(len(minutes), dtype=np.bool_),
    )


def _local(minute: int, timezone: str) -> str:
    return local_text(instants(np.array([minute]))[0].to_pydatetime(), timezone)
