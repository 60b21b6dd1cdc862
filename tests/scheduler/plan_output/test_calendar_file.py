"""The calendar: its instants over both clock changes, its alarms, its text, and its UIDs over a night of replans.

Sources: RFC 5545; read back through `icalendar` and, independently, `vobject`.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import icalendar
import pytest
import vobject

from scheduler.plan_output.calendar_file import calendar_text
from scheduler.plans.saved_plan import SavedBlock, SavedPlan, read_saved_plan
from tests.builders.plans import saved_demo_plan

MADE_AT = datetime(2026, 3, 2, 16, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> SavedPlan:
    """The demo evening's plan, without word of when the rest is planned again."""
    saved = read_saved_plan(saved_demo_plan(tmp_path_factory.mktemp("plans")))
    return saved.model_copy(update={"tonight_until": None})


def events(plan: SavedPlan) -> list[icalendar.Event]:
    """Events as icalendar reads them."""
    return list(icalendar.Calendar.from_ical(calendar_text(plan, MADE_AT)).walk("VEVENT"))


def other_events(plan: SavedPlan) -> list[Any]:
    """Events as vobject reads them."""
    return list(vobject.readOne(calendar_text(plan, MADE_AT).decode()).vevent_list)


def uids(plan: SavedPlan) -> list[str]:
    """UIDs in the calendar's order: blocks, blocks no longer planned, trips, trips no longer planned."""
    return [str(event["uid"]) for event in events(plan)]


def changed(plan: SavedPlan, **fields: object) -> SavedPlan:
    """The plan with other fields."""
    return plan.model_copy(update=fields)


def block(start: str, end: str, reason: str = "Replaces what would be bought.") -> SavedBlock:
    """A block at 2 kW between two instants."""
    return SavedBlock(
        start=datetime.fromisoformat(start),
        end=datetime.fromisoformat(end),
        action="discharge",
        kw=2.0,
        amps=2.9,
        reason=reason,
    )


def test_the_calendar_says_what_it_is(plan: SavedPlan) -> None:
    """VERSION, METHOD, a PRODID of its own, and the instant of making on every event (RFC 5545, 3.6 and 3.8.7)."""
    calendar = icalendar.Calendar.from_ical(calendar_text(plan, MADE_AT))
    assert (str(calendar["version"]), str(calendar["method"])) == ("2.0", "PUBLISH")
    assert "overnight-scheduler" in calendar["prodid"]
    assert {event["dtstamp"].dt for event in calendar.walk("VEVENT")} == {MADE_AT}


def test_what_begins_after_the_next_usual_evening_has_no_event(plan: SavedPlan) -> None:
    """Three of four blocks begin before Tuesday 17:30; after a replan the fourth's event goes, if there was one."""
    until = datetime.fromisoformat("2026-03-03T17:30+02:00")
    tonight = changed(plan, tonight_until=until, trips=[])
    assert [event["dtstart"].dt < until for event in events(tonight)] == [True, True, True]
    again = events(changed(tonight, revision=1))
    assert [str(event.get("status")) for event in again] == ["None", "None", "None", "CANCELLED"]


def test_the_calendar_begins_with_what_matters_first(plan: SavedPlan) -> None:
    """Its description holds the sentences that begin screen and page."""
    calendar = icalendar.Calendar.from_ical(calendar_text(plan, MADE_AT))
    assert str(calendar["x-wr-caldesc"]) == " ".join(plan.first_sentences)
    assert plan.first_sentences[0].startswith("Now: discharge at ")


def test_an_event_says_what_to_set_why_and_the_first_caution(plan: SavedPlan) -> None:
    """Power and current in the summary; reason and caution in the description; needed and planned for a trip."""
    first = events(plan)[0]
    set_to = f"{plan.blocks[0].kw:.1f} kW ({plan.blocks[0].amps:.1f} A)"
    assert str(first["summary"]) == f"Discharge at {set_to} until {plan.blocks[0].stop_percent:.3g} % is left"
    assert str(first["description"]) == f"{plan.blocks[0].reason}\n\n{plan.cautions[0]}"
    trip = events(plan)[-1]
    assert "96 km" in trip["summary"]
    assert f"{plan.trips[0].planned_percent:.0f} %" in trip["summary"]
    assert "Needs 52.8 %" in trip["description"]


def test_an_alarm_says_when_to_look_at_the_car(plan: SavedPlan) -> None:
    """70 minutes before the end of the block, where charger and car do not stop by themselves."""
    stop = block("2026-03-02T18:20+02:00", "2026-03-02T20:20+02:00").model_copy(
        update={"stop_percent": 46.0, "look_at": datetime.fromisoformat("2026-03-02T19:10+02:00")}
    )
    alarms = events(changed(plan, past_blocks=[], blocks=[stop]))[0].walk("VALARM")
    (look,) = (alarm for alarm in alarms if "Look" in alarm["description"])
    assert look["trigger"].dt == -timedelta(minutes=70)
    assert "46 %" in look["description"]


def test_the_current_comes_first_where_it_is_what_is_set(plan: SavedPlan) -> None:
    """A charger set in whole amps."""
    by_current = changed(
        plan,
        set_by="current",
        blocks=[plan.blocks[0].model_copy(update={"amps": 6.0, "kw": 4.14, "stop_percent": None})],
    )
    assert str(events(by_current)[0]["summary"]) == "Discharge at 6 A (4.1 kW)"


@pytest.mark.parametrize(
    ("start", "end", "wanted"),
    [
        (
            "2026-03-29T02:30:00+02:00",
            "2026-03-29T04:30:00+03:00",
            (b"DTSTART:20260329T003000Z", b"DTEND:20260329T013000Z"),
        ),
        (
            "2026-10-25T02:30:00+03:00",
            "2026-10-25T04:30:00+02:00",
            (b"DTSTART:20261024T233000Z", b"DTEND:20261025T023000Z"),
        ),
    ],
    ids=["spring", "autumn"],
)
def test_a_block_over_a_clock_change_lasts_as_long_as_it_does(
    plan: SavedPlan, start: str, end: str, wanted: tuple[bytes, bytes]
) -> None:
    """Half past two to half past four in Helsinki is one hour in spring and three in autumn (tz database)."""
    night = changed(plan, blocks=[block(start, end)], trips=[])
    lines = calendar_text(night, MADE_AT).split(b"\r\n")
    assert set(wanted) <= set(lines)
    (other,) = other_events(night)
    assert other.dtstart.value == datetime.fromisoformat(start)
    assert other.dtend.value == datetime.fromisoformat(end)


def test_awkward_text_comes_back_whole_from_both_parsers(plan: SavedPlan) -> None:
    """Commas, semicolons, backslashes, colons, line ends and letters of several octets, over many folds."""
    reason = 'Käännä; "2,0 kW": C:\\site\nthen 5 € – ' + "äö" * 90
    night = changed(plan, blocks=[block("2026-03-02T19:00:00+02:00", "2026-03-02T20:00:00+02:00", reason)], trips=[])
    text = calendar_text(night, MADE_AT)
    assert max(len(line) for line in text.split(b"\r\n")) <= 75
    assert str(events(night)[0]["description"]).startswith(reason)
    assert other_events(night)[0].description.value.startswith(reason)


def test_both_parsers_read_the_same_events(plan: SavedPlan) -> None:
    """UID, sequence, summary and alarms of every event, cancelled ones included."""
    night = changed(plan, revision=3, cancelled_blocks=2, cancelled_trips=1)
    for event, other in zip(events(night), other_events(night), strict=True):
        assert str(event["uid"]) == other.uid.value
        assert event["sequence"] == int(other.sequence.value) == 3
        assert str(event["summary"]) == other.summary.value
        alarms = [(str(alarm["action"]), alarm["trigger"].dt) for alarm in event.walk("VALARM")]
        assert alarms == [(each.action.value, each.trigger.value) for each in getattr(other, "valarm_list", [])]
        assert all(action == "DISPLAY" and before < timedelta(0) for action, before in alarms)


def test_no_alarm_for_what_is_over(plan: SavedPlan) -> None:
    """A past block and a past trip are events without an alarm; those to come have theirs."""
    past = block("2026-03-02T17:00:00+02:00", "2026-03-02T18:00:00+02:00")
    gone = plan.trips[0].model_copy(
        update={"depart": plan.start - timedelta(hours=3), "return_at": plan.start - timedelta(hours=1)}
    )
    night = changed(plan, past_blocks=[past], past_trips=[gone])
    with_alarm = [bool(event.walk("VALARM")) for event in events(night)]
    assert with_alarm == [False, *[True] * len(plan.blocks), False, *[True] * len(plan.trips)]


def test_blocks_keep_their_numbers_over_a_night_of_replans(plan: SavedPlan) -> None:
    """A past block keeps its UID, a surplus block is cancelled under its UID, and comes back under the same."""
    one, two, three, four = uids(changed(plan, trips=[]))
    past, rest = plan.blocks[:1], plan.blocks[1:]
    fewer = changed(plan, revision=1, past_blocks=past, blocks=rest[:1], cancelled_blocks=2, trips=[])
    assert uids(fewer) == [one, two, three, four]
    assert [event.get("status") for event in events(fewer)] == [None, None, "CANCELLED", "CANCELLED"]
    more = changed(plan, revision=2, past_blocks=past, blocks=rest[:2], cancelled_blocks=1, trips=[])
    assert uids(more) == [one, two, three, four]
    assert [event.get("status") for event in events(more)] == [None, None, None, "CANCELLED"]
    assert not events(more)[-1].walk("VALARM")


def test_trips_keep_their_numbers_too(plan: SavedPlan) -> None:
    """A trip that is no longer planned is cancelled under the UID that it had."""
    wanted = uids(plan)
    dropped = changed(plan, revision=1, trips=[], cancelled_trips=1)
    assert uids(dropped) == wanted
    assert events(dropped)[-1]["status"] == "CANCELLED"


def test_another_site_or_evening_has_other_events(plan: SavedPlan) -> None:
    """UIDs of two sites or two evenings never meet; the instant of making changes none."""
    assert not set(uids(plan)) & set(uids(changed(plan, site="Another")))
    assert not set(uids(plan)) & set(uids(changed(plan, evening=plan.evening + timedelta(days=1))))
    later = icalendar.Calendar.from_ical(calendar_text(plan, MADE_AT + timedelta(hours=2)))
    assert [str(event["uid"]) for event in later.walk("VEVENT")] == uids(plan)


def test_a_uid_does_not_depend_on_how_the_evening_is_written(plan: SavedPlan) -> None:
    """The same instant in UTC gives the same UIDs."""
    assert uids(changed(plan, evening=plan.evening.astimezone(UTC))) == uids(plan)
