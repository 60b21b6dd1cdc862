"""Channels of several meter files put together: import, export and generation over one span, gaps left open."""

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
"""Most energy of one step that can be meant: a thousand megawatts for an hour."""
EQUAL_WITHIN_KWH = 1e-6
"""Two files agree on a value if it differs by no more."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of time without values.

    Attributes
    ----------
    channel : in words, or what is missing. begin, end : instants.
    """

    channel: str
    begin: pd.Timestamp
    end: pd.Timestamp


@dataclass(frozen=True, slots=True)
class ChannelSum:
    """What one channel counts over the span: energy [kWh], and how many values are there and how many estimated."""

    meter: str
    name: str
    kind: ChannelKind
    kwh: float
    values: int
    estimated: int


@dataclass(frozen=True, slots=True, eq=False)
class MeteredFlows:
    """Metered energy of each step over one span.

    Attributes
    ----------
    start : of each step, UTC, regular, shape (n,).
    step_minutes : [min].
    import_kwh : [kWh], shape (n,), NaN in a gap of any import channel.
    export_kwh : likewise; 0 where no channel counts export.
    generation_kwh : likewise; None where no channel counts generation.
    has_export : whether a channel counts export.
    channels : what each counts over the span.
    estimated : steps with an estimated value of any channel.
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
        """End of the last step."""
        return self.start[-1] + pd.Timedelta(minutes=self.step_minutes)


def channel_text(channel: Channel | ChannelSum) -> str:
    """A channel by its name, and its meter where there is one."""
    return f"{channel.name} of {channel.meter}" if channel.meter else channel.name


def relabelled(readings: Iterable[MeterReading], kinds: Mapping[str, str]) -> tuple[MeterReading, ...]:
    """Readings whose channels of these names are of another kind, or left out.

    Parameters
    ----------
    kinds : by name of a channel, or "METER:NAME" for one meter's alone; import, export, generation or ignore.

    Raises
    ------
    InputFaults : a name that no channel has, or no channel is left.
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
        raise single_fault(AS_OPTION, "no channel with values is left; expected to keep one or more")
    return tuple(found)


def metered_flows(
    readings: Sequence[MeterReading],
    begin: pd.Timestamp | None = None,
    end: pd.Timestamp | None = None,
    file: str = "the meter files",
) -> MeteredFlows:
    """Import, export and generation from begin to end; channels of one kind are summed.

    Parameters
    ----------
    begin, end : instants; the first step begins at or after begin and the last ends at or before end. What no file
        holds is a gap. None: from when all channels are there until one ends.
    file : what a fault is about.

    Raises
    ------
    InputFaults : channels of different steps, files that contradict each other, a span without a step.
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
        raise single_fault(file, f"from {_utc(first)} there is no whole step; expected a longer span")
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
    """From when every channel of every meter is there until the first of them ends.

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
            "expected channels that share a stretch of time"
        )
        raise single_fault(file, message)
    return begin, end


def gaps_of(missing: BoolArray, start: pd.DatetimeIndex, step_minutes: int, channel: str) -> list[Gap]:
    """Each run of missing steps, shape (n,), as a gap."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], missing, [False]))))
    step = pd.Timedelta(minutes=step_minutes)
    return [
        Gap(channel, start[int(first)], start[int(last) - 1] + step)
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]


def _keys(channel: Channel) -> tuple[str, str]:
    """How a channel may be named, the narrower first."""
    return f"{channel.meter}:{channel.name}", channel.name


def _merged(channels: Sequence[Channel], file: str) -> tuple[list[Channel], list[str]]:
    """One channel for each meter and name, those without any value left out, and notes on what was there twice."""
    channels = [channel for channel in channels if len(channel.kwh)]
    if not channels:
        raise single_fault(file, "no channel has a value; expected files with values")
    notes: list[str] = []
    channels = _at_one_step(channels, notes)
    steps = {channel.step_minutes: channel for channel in channels}
    phases = {_minute(channel.start[0]) % channel.step_minutes: channel for channel in channels}
    for groups, what in ((steps, "steps of {} minutes"), (phases, "steps that begin {} minutes past a whole one")):
        if len(groups) > 1:
            (one, first), (other, second), *_ = groups.items()
            message = (
                f"{channel_text(first)} has {what.format(one)}, {channel_text(second)} {what.format(other)}; "
                "expected the same steps"
            )
            raise single_fault(file, message)
    for channel in channels:
        worst = int(np.argmax(channel.kwh))
        if channel.kwh[worst] > MOST_KWH:
            message = f"{channel_text(channel)} has {channel.kwh[worst]:g} kWh for the step that begins "
            raise single_fault(file, f"{message}{_utc(channel.start[worst])}; expected up to {MOST_KWH:g}")
    groups_by_key: dict[tuple[str, str, ChannelKind], list[Channel]] = {}
    for channel in channels:
        groups_by_key.setdefault((channel.meter, channel.name, channel.kind), []).append(channel)
    return [_joined(group, notes, file) for group in groups_by_key.values()], notes


def _at_one_step(channels: list[Channel], notes: list[str]) -> list[Channel]:
    """Channels at the longest of their steps, where all divide it; a step with a part missing is left out."""
    longest = max(channel.step_minutes for channel in channels)
    finer = [channel for channel in channels if channel.step_minutes < longest]
    if not finer or any(longest % channel.step_minutes for channel in finer):
        return channels
    names = ", ".join(dict.fromkeys(channel_text(channel) for channel in finer))
    notes.append(f"Read in steps of {longest} minutes, the longest of the channels: {names}.")
    return [channel if channel.step_minutes == longest else _coarser(channel, longest) for channel in channels]


def _coarser(channel: Channel, minutes: int) -> Channel:
    """The channel in longer steps, estimated where any part is."""
    number = channel.start.as_unit("s").asi8 // 60 // minutes
    firsts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    whole = np.diff(np.append(firsts, len(number))) == minutes // channel.step_minutes
    kwh = np.add.reduceat(channel.kwh, firsts)[whole]
    estimated = np.logical_or.reduceat(channel.estimated, firsts)[whole]
    start = instants(number[firsts][whole] * minutes)
    return replace(channel, start=start, kwh=kwh, estimated=estimated, step_minutes=minutes)


def _joined(group: list[Channel], notes: list[str], file: str) -> Channel:
    """Pieces of one channel as one; the same value twice is one value."""
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
            f"{name} has {kwh[at - 1]:g} kWh in one file and {kwh[at]:g} kWh in another for the step that begins "
            f"{_utc(instants(seconds[at : at + 1] // 60)[0])} (such steps: {len(unlike)}); expected one value for "
            "each step of a meter"
        )
        raise single_fault(file, message)
    if len(again):
        notes.append(f"{name} is in several files for the same time, with equal values; steps: {len(again)}.")
    kept = np.ones(len(seconds), dtype=np.bool_)
    kept[again] = False
    return replace(group[0], start=instants(seconds[kept] // 60), kwh=kwh[kept], estimated=marked[kept])


def _aligned(channel: Channel, start: pd.DatetimeIndex) -> tuple[FloatArray, BoolArray]:
    """Energy of each step [kWh], NaN where there is none, and whether it is estimated, shape (n,)."""
    kwh = np.full(len(start), np.nan)
    marked = np.zeros(len(start), dtype=np.bool_)
    steps = (channel.start.as_unit("s").asi8 // 60 - _minute(start[0])) // channel.step_minutes
    inside = (steps >= 0) & (steps < len(start))
    kwh[steps[inside]] = channel.kwh[inside]
    marked[steps[inside]] = channel.estimated[inside]
    return kwh, marked


def _minute(instant: pd.Timestamp) -> int:
    """Whole minutes since 1970."""
    return int(instant.timestamp()) // 60


def _utc(instant: pd.Timestamp) -> str:
    return f"{instant:%Y-%m-%dT%H:%MZ}"
