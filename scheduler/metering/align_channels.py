"""Combine the channels of several meter files: import, export and generation over one span, gaps left open."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from scheduler.metering.channels import Channel, ChannelKind, MeterReading
from scheduler.metering.local_clock import instants
from scheduler.textio.errors import shown, single_fault

KINDS: tuple[ChannelKind, ...] = get_args(ChannelKind)
IGNORE = "ignore"
AS_OPTION = "--as"
MOST_KWH = 1e6
"""Most energy of one interval that is accepted: a thousand megawatts for an hour."""
EQUAL_WITHIN_KWH = 1e-6
"""Two files agree on a value if they differ by no more than this."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A time span without values.

    Attributes
    ----------
    channel : name of the channel, or what is missing. begin, end : instants.
    """

    channel: str
    begin: pd.Timestamp
    end: pd.Timestamp


@dataclass(frozen=True, slots=True)
class ChannelSum:
    """What one channel counts over the span: energy [kWh], how many values it has and how many are estimated."""

    meter: str
    name: str
    kind: ChannelKind
    kwh: float
    values: int
    estimated: int


@dataclass(frozen=True, slots=True, eq=False)
class MeteredFlows:
    """Metered energy of each interval over one span.

    Attributes
    ----------
    start : of each interval, UTC, regular, shape (n,).
    step_minutes : length of the intervals [min].
    import_kwh : [kWh], shape (n,), NaN in a gap of any import channel.
    export_kwh : likewise; 0 where no channel counts export.
    generation_kwh : likewise; None where no channel counts generation.
    has_export : whether a channel counts export.
    channels : what each counts over the span.
    estimated : number of intervals with an estimated value of any channel.
    gaps : of each channel, in time order.
    notes : one sentence each.
    """

    start: pd.DatetimeIndex
    step_minutes: int
    import_kwh: FloatArray
    export_kwh: FloatArray
    generation_kwh: FloatArray | None
    has_export: bool
    channels: tuple[ChannelSum, ...]
    estimated: int
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]

    @property
    def end(self) -> pd.Timestamp:
        """Return the end of the last interval."""
        return self.start[-1] + pd.Timedelta(minutes=self.step_minutes)


def channel_text(channel: Channel | ChannelSum) -> str:
    """Return the name of a channel, with its meter where there is one."""
    return f"{channel.name} of {channel.meter}" if channel.meter else channel.name


def relabelled(readings: Iterable[MeterReading], kinds: Mapping[str, str]) -> tuple[MeterReading, ...]:
    """Return readings in which the named channels have another kind, or are left out.

    Parameters
    ----------
    kinds : import, export, generation or ignore, by name of a channel or by "METER:NAME" for that of one meter.

    Raises
    ------
    InputFaults : no channel has the name, or no channel is left.
    """
    readings = tuple(readings)
    names = {key for reading in readings for channel in reading.channels for key in _keys(channel)}
    for name in kinds:
        if name not in names:
            known = ", ".join(sorted({channel.name for reading in readings for channel in reading.channels}))
            raise single_fault(AS_OPTION, f"no channel is named {shown(name)}; expected one of {known}")
    found = []
    for reading in readings:
        channels = []
        for channel in (one for one in reading.channels if len(one.kwh)):
            kind = next((kinds[key] for key in _keys(channel) if key in kinds), channel.kind)
            channels += [replace(channel, kind=known) for known in KINDS if known == kind]
        found.append(replace(reading, channels=tuple(channels)))
    if kinds and not any(reading.channels for reading in found):
        raise single_fault(AS_OPTION, "no channel with values is left; expected at least one")
    return tuple(found)


def metered_flows(
    readings: Sequence[MeterReading],
    begin: pd.Timestamp | None = None,
    end: pd.Timestamp | None = None,
    file: str = "the meter files",
) -> MeteredFlows:
    """Return import, export and generation from begin to end; channels of one kind are summed.

    Parameters
    ----------
    begin, end : instants; the first interval begins at or after begin and the last ends at or before end. What no file
        covers is a gap. None: the span that all channels cover.
    file : file that faults name.

    Raises
    ------
    InputFaults : channels with different intervals, files that contradict each other, a span without an interval.
    """
    channels, notes = _merged([channel for reading in readings for channel in reading.channels], file)
    step_minutes = channels[0].step_minutes
    step = pd.Timedelta(minutes=step_minutes)
    if begin is None or end is None:
        shared_begin, shared_end = shared_span(readings, file)
        begin = shared_begin if begin is None else begin
        end = shared_end if end is None else end
    phase = channels[0].start[0]
    first = phase - ((phase - begin) // step) * step
    count = int((end - first) // step)
    if count < 1:
        raise single_fault(file, f"from {_utc(first)} there is no whole interval; expected a longer span")
    start = instants(_minute(first) + np.arange(count, dtype=np.int64) * step_minutes)

    sums: dict[ChannelKind, FloatArray] = {}
    totals, gaps = [], []
    estimated = np.zeros(count, dtype=np.bool_)
    for channel in channels:
        kwh, marked = _aligned(channel, start)
        sums[channel.kind] = sums.get(channel.kind, np.zeros(count)) + kwh
        estimated |= marked
        there = ~np.isnan(kwh)
        totals.append(
            ChannelSum(
                channel.meter, channel.name, channel.kind, float(kwh[there].sum()), int(there.sum()), int(marked.sum())
            )
        )
        gaps += gaps_of(~there, start, step_minutes, channel_text(channel))
    missing = np.zeros(count)
    return MeteredFlows(
        start=start,
        step_minutes=step_minutes,
        import_kwh=sums.get("import", missing),
        export_kwh=sums.get("export", missing),
        generation_kwh=sums.get("generation"),
        has_export="export" in sums,
        channels=tuple(totals),
        estimated=int(estimated.sum()),
        gaps=tuple(sorted(gaps, key=lambda gap: (gap.begin, gap.channel))),
        notes=tuple(notes),
    )


def shared_span(readings: Sequence[MeterReading], file: str = "the meter files") -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return begin and end of the span that every channel of every meter covers.

    Raises
    ------
    InputFaults : there is no such span, or files contradict each other.
    """
    channels, _ = _merged([channel for reading in readings for channel in reading.channels], file)
    late = max(channels, key=lambda channel: channel.start[0])
    early = min(channels, key=lambda channel: channel.start[-1])
    begin, end = late.start[0], early.start[-1] + pd.Timedelta(minutes=early.step_minutes)
    if begin >= end:
        message = (
            f"{channel_text(late)} begins {_utc(begin)}, and {channel_text(early)} has ended {_utc(end)}; "
            "expected channels that overlap in time"
        )
        raise single_fault(file, message)
    return begin, end


def gaps_of(missing: BoolArray, start: pd.DatetimeIndex, step_minutes: int, channel: str) -> list[Gap]:
    """Return each run of missing intervals as a gap.

    Parameters
    ----------
    missing : which intervals have no value, shape (n,).
    start : of each interval, shape (n,).
    channel : name of the channel.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], missing, [False]))))
    step = pd.Timedelta(minutes=step_minutes)
    return [
        Gap(channel, start[int(first)], start[int(last) - 1] + step)
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]


def _keys(channel: Channel) -> tuple[str, str]:
    """Return the names of a channel, the narrower first."""
    return f"{channel.meter}:{channel.name}", channel.name


def _merged(channels: Sequence[Channel], file: str) -> tuple[list[Channel], list[str]]:
    """Return one channel for each meter and name, without those that have no value, and notes on duplicates."""
    channels = [channel for channel in channels if len(channel.kwh)]
    if not channels:
        raise single_fault(file, "no channel has a value; expected files with values")
    notes: list[str] = []
    channels = _at_one_step(channels, notes)
    steps = {channel.step_minutes: channel for channel in channels}
    phases = {_minute(channel.start[0]) % channel.step_minutes: channel for channel in channels}
    for groups, what in (
        (steps, "intervals of {} minutes"),
        (phases, "intervals that begin {} minutes off multiples of their length"),
    ):
        if len(groups) > 1:
            (one, first), (other, second), *_ = groups.items()
            message = (
                f"{channel_text(first)} has {what.format(one)}, {channel_text(second)} {what.format(other)}; "
                "expected the same intervals"
            )
            raise single_fault(file, message)
    for channel in channels:
        worst = int(np.argmax(channel.kwh))
        if channel.kwh[worst] > MOST_KWH:
            message = f"{channel_text(channel)} has {channel.kwh[worst]:g} kWh for the interval that begins "
            raise single_fault(file, f"{message}{_utc(channel.start[worst])}; expected up to {MOST_KWH:g}")
    groups_by_key: dict[tuple[str, str, ChannelKind], list[Channel]] = {}
    for channel in channels:
        groups_by_key.setdefault((channel.meter, channel.name, channel.kind), []).append(channel)
    return [_joined(group, notes, file) for group in groups_by_key.values()], notes


def _at_one_step(channels: list[Channel], notes: list[str]) -> list[Channel]:
    """Return channels at the longest of their intervals, if all divide it; incomplete intervals are left out."""
    longest = max(channel.step_minutes for channel in channels)
    finer = [channel for channel in channels if channel.step_minutes < longest]
    if not finer or any(longest % channel.step_minutes for channel in finer):
        return channels
    names = ", ".join(dict.fromkeys(channel_text(channel) for channel in finer))
    notes.append(f"Read in intervals of {longest} minutes, the longest of the channels: {names}.")
    return [channel if channel.step_minutes == longest else _coarser(channel, longest) for channel in channels]


def _coarser(channel: Channel, minutes: int) -> Channel:
    """Return the channel in longer intervals, estimated where any part is."""
    number = channel.start.as_unit("s").asi8 // 60 // minutes
    firsts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    whole = np.diff(np.append(firsts, len(number))) == minutes // channel.step_minutes
    kwh = np.add.reduceat(channel.kwh, firsts)[whole]
    estimated = np.logical_or.reduceat(channel.estimated, firsts)[whole]
    start = instants(number[firsts][whole] * minutes)
    return replace(channel, start=start, kwh=kwh, estimated=estimated, step_minutes=minutes)


def _joined(group: list[Channel], notes: list[str], file: str) -> Channel:
    """Join the pieces of one channel; a value that is given twice counts once."""
    if len(group) == 1:
        return group[0]
    seconds = np.concatenate([channel.start.as_unit("s").asi8 for channel in group])
    kwh = np.concatenate([channel.kwh for channel in group])
    marked = np.concatenate([channel.estimated for channel in group])
    order = np.argsort(seconds, kind="stable")
    seconds, kwh, marked = seconds[order], kwh[order], marked[order]
    again = np.flatnonzero(np.diff(seconds) == 0) + 1
    name = channel_text(group[0])
    unlike = again[np.abs(kwh[again] - kwh[again - 1]) > EQUAL_WITHIN_KWH]
    if len(unlike):
        at = int(unlike[0])
        message = (
            f"{name} has {kwh[at - 1]:g} kWh in one file and {kwh[at]:g} kWh in another for the interval that begins "
            f"{_utc(instants(seconds[at : at + 1] // 60)[0])} (such intervals: {len(unlike)}); expected one value "
            "for each interval of a meter"
        )
        raise single_fault(file, message)
    if len(again):
        notes.append(f"{name} is in several files for the same time, with equal values; intervals: {len(again)}.")
    kept = np.ones(len(seconds), dtype=np.bool_)
    kept[again] = False
    return replace(group[0], start=instants(seconds[kept] // 60), kwh=kwh[kept], estimated=marked[kept])


def _aligned(channel: Channel, start: pd.DatetimeIndex) -> tuple[FloatArray, BoolArray]:
    """Return the energy of each interval [kWh], NaN where there is none, and whether it is estimated, shapes (n,)."""
    kwh = np.full(len(start), np.nan)
    marked = np.zeros(len(start), dtype=np.bool_)
    steps = (channel.start.as_unit("s").asi8 // 60 - _minute(start[0])) // channel.step_minutes
    inside = (steps >= 0) & (steps < len(start))
    kwh[steps[inside]] = channel.kwh[inside]
    marked[steps[inside]] = channel.estimated[inside]
    return kwh, marked


def _minute(instant: pd.Timestamp) -> int:
    """Return whole minutes since 1970."""
    return int(instant.timestamp()) // 60


def _utc(instant: pd.Timestamp) -> str:
    return f"{instant:%Y-%m-%dT%H:%MZ}"
