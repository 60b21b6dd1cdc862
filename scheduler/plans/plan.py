"""The plan: what replay found of a night, with blocks, reasons, departures and warnings for the reader."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import ceil

from scheduler.inputs.control_mode import CHARGING
from scheduler.inputs.placeholders import placeholder_files, placeholders_say
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.night import Night
from scheduler.nights.request import Request
from scheduler.nights.todays_cycle import todays_cycle_text
from scheduler.optimizer.block import Block, setting_text
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.manual_blocks import MadeSetting, at_night, settings_made
from scheduler.optimizer.setpoints import Answer
from scheduler.plans.departures import TripOutcome, outcome_warnings, trip_outcomes, window_warnings
from scheduler.plans.outlook import Outlook
from scheduler.plans.reasons import block_reason
from scheduler.plans.recourse import look_at, look_text, with_recourse
from scheduler.plans.replay import Costs, Replayed
from scheduler.plans.sampled_choice import ONLY_CHARGING, Choice
from scheduler.plans.saved_plan import SavedBlock, SavedTrip
from scheduler.plans.wear_law_sensitivity import TOLD_WORTH_KWH, OtherLaw, other_laws_text
from scheduler.plans.why_no_discharge import why_no_discharge
from scheduler.textio.format import clock_text, money_digits, money_text, span_text
from scheduler.textio.toml_values import clock_of_minutes

MORNING, AFTERNOON = 4, 14
"""A plan made between these local hours says "today" instead of "tonight"."""

CAUTIONS = (
    "A plan is advice, not control: you set the charger, and you decide.",
    "The network operator's approval and export limit, the car and charger makers' terms and warranty, and local "
    "wiring rules come first.",
    "Only a licensed electrician installs or alters the equipment (standards: AS/NZS 4777.2, IEEE 1547, SAE J3072, "
    "ISO 15118-20, IEC 61851).",
    "A charger without islanding gives no power in an outage.",
    "Keep the return reserve for emergencies.",
)


@dataclass(frozen=True, slots=True, eq=False)
class Replanned:
    """What a replan keeps of the evening's earlier plan, and what it changes.

    Attributes
    ----------
    of : folder name of the earlier plan.
    evening : start of the evening's first plan.
    revision : 1 for the first replan of an evening.
    past_blocks, past_trips : those of earlier plans that are over, or cut short now.
    cancelled_blocks, cancelled_trips : how many more an earlier revision had.
    changes : what changed and why, one sentence each.
    carrying_on : a sentence on what carrying on with the earlier plan would cost.
    carrying_on_total : its total [money]; None if it is not possible.
    """

    of: str
    evening: datetime
    revision: int
    past_blocks: tuple[SavedBlock, ...]
    past_trips: tuple[SavedTrip, ...]
    cancelled_blocks: int
    cancelled_trips: int
    changes: tuple[str, ...]
    carrying_on: str
    carrying_on_total: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """The plan of one night, verified by replay.

    Attributes
    ----------
    inputs, evening, night : the site's inputs, tonight's request, and the night built from them.
    answer : the solver's answer.
    replayed : what its setpoints come to.
    alternatives : costs of the same night under "charge-on-return" and "charge-only".
    trips, blocks, reasons : for the reader; one reason per block.
    headline : what to do tonight, in one sentence.
    warnings : what the owner should know, one or two sentences each.
    made_at : when the plan was made, UTC.
    wear_by_law : unweighted cycle wear by each law [money], of "plan", "charge-on-return" and "charge-only".
    other_laws : the wear laws that would change the plan.
    free_total : total of the best schedule without the constraints of setting by hand [money]; None for a schedule.
    replanned : what a replan keeps and changes; None for an evening's first plan.
    choice : the forecast that was chosen on past days; None where nothing was tried.
    outlook : what the plan comes to on past days; None where there are too few.
    """

    inputs: Inputs
    evening: Request
    night: Night
    answer: Answer
    replayed: Replayed
    alternatives: Mapping[str, Costs]
    trips: tuple[TripOutcome, ...]
    blocks: tuple[Block, ...]
    reasons: tuple[str, ...]
    headline: str
    warnings: tuple[str, ...]
    made_at: datetime
    wear_by_law: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    other_laws: tuple[OtherLaw, ...] = ()
    free_total: float | None = None
    replanned: Replanned | None = None
    choice: Choice | None = None
    outlook: Outlook | None = None

    @property
    def setting_cost(self) -> float | None:
        """Return how much more the plan costs because it is set by hand [money]; None for a schedule.

        What its settings count for is no part of it.
        """
        costs = self.replayed.costs
        return None if self.free_total is None else costs.total - costs.settings - self.free_total

    @property
    def settings(self) -> tuple[MadeSetting, ...]:
        """Return what a person does at the charger, in time order; nothing for a schedule."""
        return settings_made(self.night, self.answer.blocks or (), self.replayed.stored_kwh)

    @property
    def look_at(self) -> tuple[datetime | None, ...]:
        """Return for each block when the car is first to be looked at, because it does not stop by itself."""
        return look_at(self.night, self.replayed, self.blocks)

    @property
    def target_missed(self) -> bool:
        """Return whether any departure target is missed."""
        return any(trip.missed for trip in self.trips)

    @property
    def saving(self) -> float:
        """Return the total of charging on return minus the plan's [money]."""
        return self.alternatives["charge-on-return"].total - self.replayed.costs.total

    @property
    def discharge_value(self) -> float:
        """Return what discharging is worth: the total of only charging minus the plan's [money]."""
        return self.alternatives["charge-only"].total - self.replayed.costs.total


def assemble_plan(
    inputs: Inputs,
    evening: Request,
    night: Night,
    answer: Answer,
    replayed: Replayed,
    alternatives: Mapping[str, Costs],
    warnings: tuple[str, ...],
    wear_by_law: Mapping[str, Mapping[str, float]],
    other_laws: tuple[OtherLaw, ...] = (),
    free_total: float | None = None,
    choice: Choice | None = None,
    changed_blocks: tuple[Block, ...] | None = None,
) -> Plan:
    """Return the plan with its blocks, reasons, departures and warnings.

    Parameters
    ----------
    The fields of `Plan`; `warnings` are those of building the night. What is assumed of today goes before them, and the
    plan's own follow. `changed_blocks` are the blocks, where they do not follow from the setpoints.
    """
    found = find_blocks(night, answer.setpoints) if answer.blocks is None else answer.blocks
    may_discharge = choice is None or choice.name != ONLY_CHARGING
    blocks = changed_blocks
    if blocks is None:
        blocks = with_recourse(night, answer.setpoints, replayed, found, may_discharge)
    outcomes = trip_outcomes(night, replayed)
    cycle = todays_cycle_text(evening, night.timezone)
    said = [
        *filter(None, [placeholders_say(placeholder_files(inputs))]),
        *([] if cycle is None else [cycle]),
        *warnings,
        *window_warnings(night, replayed),
        *outcome_warnings(night, outcomes, inputs.offer.currency),
        *night_settings_text(night, answer, replayed),
        *other_laws_text(other_laws, TOLD_WORTH_KWH * night.highest_price, inputs.offer.currency),
    ]
    if answer.status != "optimal":
        said.append(_stopped_early(answer, inputs.offer.currency))
    return Plan(
        inputs=inputs,
        evening=evening,
        night=night,
        answer=answer,
        replayed=replayed,
        alternatives=alternatives,
        trips=outcomes,
        blocks=blocks,
        reasons=tuple(
            block_reason(night, answer.setpoints, replayed, block, inputs.offer.currency) + look_text(night, block, at)
            for block, at in zip(blocks, look_at(night, replayed, blocks), strict=True)
        ),
        headline=_on_placeholders(inputs, _headline(night, replayed, blocks, choice, inputs.offer.currency)),
        choice=choice,
        warnings=tuple(said),
        made_at=datetime.now(UTC).replace(microsecond=0),
        wear_by_law=wear_by_law,
        other_laws=other_laws,
        free_total=free_total,
    )


def night_settings_text(night: Night, answer: Answer, replayed: Replayed) -> list[str]:
    """Say which settings lie outside the hours that the site gives, and for which departures; nothing if none does."""
    blocks, between = answer.blocks or (), night.setting.between
    late = at_night(night, settings_made(night, blocks, replayed.stored_kwh))
    if not late or between is None:
        return []
    now = night.boundaries[0].to_pydatetime()
    parts = []
    for each in late:
        do = setting_text(blocks[each.block], night.setting.set_by).partition(" (")[0]
        when = clock_text(night.boundaries[each.boundary].to_pydatetime(), night.timezone, now)
        parts.append(f"{when} ({do if each.begins else f'end: {do}'})")
    trips = [night.trips[number].trip for number in answer.served_at_night]
    wanted = ", ".join(
        f"{clock_text(trip.depart_at, night.timezone, now)}, {trip.distance_km:.0f} km" for trip in trips
    )
    hours = " to ".join(clock_of_minutes(minute) for minute in between)
    return [
        f"Set at an hour when you may be asleep (settings_between is {hours}): {', '.join(parts)}. Without that the "
        f"trip {wanted} would leave with less."
    ]


def _stopped_early(answer: Answer, currency: str) -> str:
    """Say by how much a plan could be cheaper, rounded up to the currency's minor unit."""
    unit = 10.0 ** -money_digits(currency)
    most = ceil(answer.gap / unit - 1e-9) * unit
    return f"The solver stopped early; another plan could be cheaper by up to {money_text(most, currency)} {currency}."


def why_not_discharged(night: Night, replayed: Replayed, choice: Choice | None, currency: str) -> str:
    """Return why a plan never discharges, as a clause without a capital or a full stop.

    Parameters
    ----------
    night, replayed, choice : of the plan. currency : of its prices.
    """
    if choice is not None and (choice.name == ONLY_CHARGING or choice.discharge_left_out):
        return "on past evenings like this one a discharge cost more than it earned"
    return why_no_discharge(night, replayed, currency)


def _headline(night: Night, replayed: Replayed, blocks: tuple[Block, ...], choice: Choice | None, currency: str) -> str:
    """Return what to do tonight, in one sentence."""
    when = "Today" if MORNING <= night.boundaries[0].tz_convert(night.timezone).hour < AFTERNOON else "Tonight"
    if not blocks:
        return f"{when} the car is best left alone: {why_not_discharged(night, replayed, choice, currency)}."
    sentence = ", then ".join(_block_text(night, block) for block in blocks)
    if not any(block.action not in CHARGING for block in blocks):
        why = why_not_discharged(night, replayed, choice, currency)
        return f"{when} the car only charges: {sentence}; it does not discharge, since {why}."
    return f"{when}: {sentence}."


def _on_placeholders(inputs: Inputs, headline: str) -> str:
    """Return the headline, which says first of all if the meter data is invented."""
    if not placeholder_files(inputs):
        return headline
    return f"On placeholder meter data, {headline[:1].lower()}{headline[1:]}"


def _block_text(night: Night, block: Block) -> str:
    """Return what to set for a block, and from when to when."""
    now, begin, end = (night.boundaries[at].to_pydatetime() for at in (0, block.first, block.last))
    do = setting_text(block, night.setting.set_by).partition(" (")[0]
    return f"{do} {span_text(begin, end, night.timezone, now)}"
