"""The screens, by what an owner does on an evening: each form leads on, keeps what was typed, tells what is wrong."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
import vobject
from starlette.testclient import TestClient

from models.site.trips import Trip
from scheduler.nights.parse_request import RequestOptions
from scheduler.plan_output.calendar_file import calendar_text
from scheduler.plan_output.plan_json import plan_document
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.saved_plan import read_saved_plan
from scheduler.plans.tonight import first_sentences, step_when
from scheduler.plans.tonight import steps as steps_of_terminal
from scheduler.record.store import DrivenTrip, opened_record
from scheduler.textio.errors import Fault
from scheduler.web.plan_view import now_and_next, parse_plan_key, saved_sentence, steps
from scheduler.web.question import Answer, Question
from tests.builders.places import SCENARIOS
from tests.builders.plans import DEMO_EVENING, demo_copy, demo_plan, saved_demo_plan
from tests.builders.web import EVENING, NOW, Waiting, client_of, demo_answer, followed, planned, planning_ended, sent

TONIGHT, PLAN, EARNED, SITE = (f"/s/site/{name}" for name in ("tonight", "plan", "earned", "site"))
KEY = "20260302T1620Z"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A copy of the demo site."""
    return demo_copy(tmp_path / "site")


@pytest.fixture
def client(site: Path) -> Iterator[TestClient]:
    """A client of its page, where every plan is that of the demo evening."""
    with client_of(site) as client:
        yield client


def value_of(text: str, field: str) -> str:
    """What stands in a field of a page."""
    found = re.search(rf'name="{field}" value="([^"]*)"', text)
    assert found is not None, field
    return found[1]


def test_one_site_alone_begins_with_its_evening(client: TestClient) -> None:
    assert client.get("/").headers["location"] == TONIGHT
    assert client.get("/s/site").headers["location"] == TONIGHT


def test_several_sites_are_listed(tmp_path: Path, site: Path) -> None:
    """With what was last planned; each has its own pages, and names that repeat differ in their addresses."""
    other = demo_copy(tmp_path / "other" / "site")
    with client_of(site, other) as client:
        planned(client, "site", EVENING)
        text = client.get("/").text
        assert text.count("Kuutarpi bookbindery") == 2
        assert "Last plan Mon 18:20." in text
        assert "No plan yet." in text
        assert client.get("/s/site-2/tonight").status_code == 200
        assert "All sites" in client.get(TONIGHT).text


def test_tonight_is_filled_with_what_is_usual(client: TestClient) -> None:
    """The demo's trip of a Tuesday, and no state of charge, as nothing is known of it."""
    text = client.get(TONIGHT).text
    assert [value_of(text, field) for field in ("leaves-0", "back-0", "distance-0")] == ["08:10", "16:40", "74"]
    assert value_of(text, "soc") == ""
    assert "Yes, the car shows" not in text


def test_rows_are_added_and_taken_away_without_losing_what_was_typed(client: TestClient) -> None:
    """Each button posts and leads to the form, where a reload changes nothing."""
    typed = {**EVENING, "soc": "seventy?", "away": "<b>9</b>"}
    answer = sent(client, TONIGHT, {**typed, "do": "add"})
    assert answer.status_code == 303
    for _ in range(2):
        text = followed(client, answer).text
        assert value_of(text, "soc") == "seventy?"
        assert value_of(text, "away") == "&lt;b&gt;9&lt;/b&gt;"
        assert value_of(text, "leaves-0") == "07:30"
        assert value_of(text, "leaves-1") == ""
    text = followed(client, sent(client, TONIGHT, {**typed, "do": "remove-0"})).text
    assert "No trip: the car stays at home." in text
    assert value_of(text, "soc") == "seventy?"


def test_faults_are_told_and_nothing_is_planned(site: Path) -> None:
    """At their fields, which are marked for readers who cannot see; in place of the plan."""
    asked: list[Question] = []
    with client_of(site, answer_of=lambda question: asked.append(question) or Answer()) as client:  # type: ignore[func-returns-value]
        text = followed(client, sent(client, TONIGHT, {**EVENING, "soc": "0.71", "leaves-0": "half eight"})).text
    assert "2 lines to look at again" in text
    assert re.search(r'id="soc"[^>]*aria-invalid="true"[^>]*aria-describedby="[^"]*soc-fault"', text)
    assert "did you mean 71" in text
    assert "half eight" in text
    assert value_of(text, "leaves-0") == "half eight"
    assert asked == []


def test_an_evening_from_the_form_to_the_calendar(client: TestClient, site: Path) -> None:
    """Plan, read, set it, take the calendar and the report; all as the commands have them."""
    page = planned(client, "site", EVENING)
    assert page.status_code == 200
    text = page.text.replace("\N{NO-BREAK SPACE}", " ")
    for sentence in (
        "Now: discharge at 2.9 kW until 56.5 % is left.",
        "Next: 21:00, cover the building up to 7.4 kW until 38 % is left.",
        "The car is ready 23:10 for the drive Tue 07:30, and leaves with 80 %.",
        "Saves 3.21 EUR compared with charging on return.",
    ):
        assert sentence in text
    assert "I have set it" in text

    answer = sent(client, f"{PLAN}/{KEY}/set", {}, PLAN)
    assert answer.headers["location"] == f"{PLAN}/{KEY}"
    assert "Set 18:20." in followed(client, answer).text
    with opened_record(site) as record:
        plan = record.plan(NOW)
        assert plan is not None
        assert plan.set_at == NOW

    folder = site / "plans" / "2026-03-02T1820"
    calendar = client.get(f"{PLAN}/{KEY}/calendar.ics")
    assert calendar.headers["content-type"].startswith("text/calendar")
    assert calendar.headers["content-disposition"] == f'attachment; filename="overnight-{KEY}.ics"'
    wanted = vobject.readOne(calendar_text(read_saved_plan(folder), NOW).decode())
    given = vobject.readOne(calendar.text)
    assert [(each.uid.value, each.summary.value, each.dtstart.value) for each in given.vevent_list] == [
        (each.uid.value, each.summary.value, each.dtstart.value) for each in wanted.vevent_list
    ]

    report = client.get(f"{PLAN}/{KEY}/report")
    assert report.text == (folder / "report.html").read_text(encoding="utf-8")
    policy = report.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "sandbox" in policy


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("bookbindery", DEMO_EVENING),
        ("bookbindery", RequestOptions(30, now="2026-03-02T18:20", trips=("07:30-18:00 396km",))),
        ("boatyard", RequestOptions(85, now="2026-04-13T21:00", home_at="23:00")),
    ],
)
def test_what_to_do_is_what_the_terminal_says(tmp_path: Path, name: str, options: RequestOptions) -> None:
    """Read back from the files, to the letter: of a night at home, before a long drive, and with a late return."""
    made = demo_plan() if options is DEMO_EVENING else plan_tonight(SCENARIOS / name, options)
    saved = read_saved_plan(write_plan(made, tmp_path))
    begin = made.night.boundaries[0].to_pydatetime()
    shown = steps(saved, begin, made.inputs)
    assert [(step.when, step.text) for step in shown] == [
        (step_when(made, step), step.text) for step in steps_of_terminal(made)
    ]
    assert " ".join(now_and_next(saved, begin, shown)) == first_sentences(made)[0]
    assert first_sentences(made)[1].endswith(saved_sentence(plan_document(made)))


@pytest.mark.parametrize(
    ("later", "told"),
    [
        (timedelta(hours=2), "Now: discharge at 2.9"),
        (timedelta(hours=3), "Now: cover the building up to 7.4"),
        (timedelta(hours=5), "Now: charge at 7.4"),
        (timedelta(hours=11), "Now: leave the charger idle."),
        (timedelta(hours=14), "The car is on its way, back 18:00."),
        (timedelta(days=1), "The plan of Monday 2 March 2026, 18:20"),
    ],
)
def test_a_plan_says_what_is_now(site: Path, later: timedelta, told: str) -> None:
    """Not what was when it was made."""
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    with client_of(site, now=lambda: NOW + later) as client:
        assert told in client.get(PLAN).text


def test_a_second_press_is_the_same_plan(site: Path) -> None:
    """While it is made: the page waits, says so, looks again, and asks nothing twice."""
    waiting = Waiting()
    with client_of(site, answer_of=waiting) as client:
        for _ in range(3):
            answer = sent(client, TONIGHT, EVENING)
            assert answer.headers["location"] == "/s/site/planning"
            waiting.begun.wait()
            page = client.get("/s/site/planning")
            assert (page.status_code, page.headers["refresh"]) == (200, "1")
            assert "A plan is being made" in client.get(TONIGHT).text
        waiting.go_on.set()
        planning_ended()
        assert followed(client, client.get("/s/site/planning")).status_code == 200
        assert len(waiting.asked) == 1


def test_a_hundred_readers_are_answered_while_a_plan_is_made(site: Path) -> None:
    """Each of a hundred threads reads a page between the beginning of a plan and its end."""
    waiting = Waiting()
    with client_of(site, answer_of=waiting) as client:
        demo_answer(Question(site, None))  # type: ignore[arg-type]
        sent(client, TONIGHT, EVENING)
        waiting.begun.wait()
        pages = (TONIGHT, PLAN, EARNED, SITE, "/s/site/planning")
        found: list[int] = []
        readers = [
            threading.Thread(target=lambda at=at: found.append(client.get(pages[at % len(pages)]).status_code))  # type: ignore[misc]
            for at in range(100)
        ]
        for reader in readers:
            reader.start()
        for reader in readers:
            reader.join()
        assert found == [200] * 100
        assert not waiting.go_on.is_set()
        waiting.go_on.set()
        planning_ended()


def test_what_a_worker_finds_stands_in_the_form(site: Path) -> None:
    """Faults at their fields, failures above; with what was typed, and without a path."""
    faults = (Fault("--soc", None, None, "is odd"), Fault(str(site / "load.csv"), 3, "kw", f"see {site}/x/y.csv"))
    for answer in (
        Answer(faults=faults),
        Answer(failure=f"{site}/plans cannot be written: disk full; nothing was changed"),
    ):
        with client_of(site, answer_of=lambda question, answer=answer: answer) as client:  # type: ignore[misc]
            text = planned(client, "site", EVENING).text
            assert value_of(text, "leaves-0") == "07:30"
            assert str(site) not in text
            assert str(site.parent) not in text
            if answer.failure:
                assert "plans cannot be written: disk full; nothing was changed" in text
            else:
                assert 'id="soc-fault">is odd' in text
                assert "load.csv line 3, kw: see x/y.csv" in text


def test_the_state_of_charge_is_carried_forward_and_confirmed(site: Path) -> None:
    """From the plan: what it expects by now; it must be ticked or corrected. What was told later counts more."""
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    asked: list[Question] = []

    def answer_of(question: Question) -> Answer:
        asked.append(question)
        return Answer(failure="enough")

    evening = NOW + timedelta(hours=23, minutes=40)
    with client_of(site, now=lambda: evening, answer_of=answer_of) as client:
        text = client.get(TONIGHT).text
        carried = value_of(text, "soc")
        assert carried == value_of(text, "carried")
        night, stored_kwh = demo_plan().night, demo_plan().replayed.stored_kwh
        expected = night.car.percent(float(stored_kwh[night.boundaries.get_loc(pd.Timestamp(evening))]))
        assert float(carried) == pytest.approx(expected, abs=0.06)
        assert "what the plan of Mon 18:20 expects by now" in text
        form = {"soc": carried, "carried": carried, "form": "b"}
        assert "not confirmed" in followed(client, sent(client, TONIGHT, form)).text
        assert asked == []
        planned(client, "site", {**form, "confirmed": "yes"})
        assert [question.options.soc_percent for question in asked] == [float(carried)]
        with opened_record(site) as record:
            record.tell_state(evening - timedelta(minutes=10), "return", 41.0)
        text = client.get(TONIGHT).text
        assert value_of(text, "soc") == "41"
        assert "as you told it Tue 17:50" in text


def test_yesterday_s_answer_is_filled_in_again(site: Path) -> None:
    """The trips of the last evening's first plan, at the same times."""
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    with client_of(site, now=lambda: NOW + timedelta(days=1)) as client:
        assert f"{TONIGHT}?from=last" in client.get(SITE).text
        text = client.get(f"{TONIGHT}?from=last").text
    assert [value_of(text, field) for field in ("leaves-0", "back-0", "distance-0")] == ["07:30", "18:00", "96"]
    assert "Filled in as you answered on Monday 2 March 2026, 18:20." in text


def test_things_that_changed_are_planned_again(site: Path) -> None:
    """From the plan's trips that are ahead and its end; later than that evening there is nothing to change."""
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    asked: list[Question] = []

    def answer_of(question: Question) -> Answer:
        asked.append(question)
        return Answer(failure="enough")

    with client_of(site, now=lambda: NOW + timedelta(hours=2), answer_of=answer_of) as client:
        assert "Things changed" in client.get(PLAN).text
        text = client.get("/s/site/change").text
        assert value_of(text, "leaves-0") == "07:30"
        fields = {**EVENING, "soc": "50", "leaves-0": "09:00"}
        answer = sent(client, "/s/site/change", fields)
        planning_ended()
        assert "enough" in followed(client, answer).text
    assert [(question.replan, question.options.trips) for question in asked] == [(True, ("09:00-18:00 96 km",))]
    with client_of(site, now=lambda: NOW + timedelta(hours=19)) as client:
        assert "There is no plan of this evening to change." in client.get("/s/site/change").text
        assert followed(client, sent(client, "/s/site/change", EVENING, TONIGHT)).status_code == 200


def test_another_offer_is_chosen_for_the_plans_made_here(site: Path) -> None:
    """Its file goes to the worker; the site's own comes back, and nothing else can be chosen."""
    asked: list[Question] = []
    with client_of(site, answer_of=lambda question: asked.append(question) or Answer(failure="x")) as client:  # type: ignore[func-returns-value]
        for number, (key, name) in enumerate(
            (("day-and-night", "Day and night"), ("../site", "Day and night"), ("", None))
        ):
            assert sent(client, f"{SITE}/offer", {"offer": key}, SITE).headers["location"] == SITE
            shown = client.get(TONIGHT).text
            assert ("chosen on this page" in shown) == (name is not None)
            assert f"Prices: {name or 'Evening feed-in'}" in shown
            planned(client, "site", {**EVENING, "form": str(number)})
    offer = site / "offers" / "day-and-night.toml"
    assert [question.offer for question in asked] == [offer, offer, None]


def test_a_faulty_site_says_what_is_wrong(site: Path) -> None:
    """As `overnight check` does, without the folder's path; no other screen fails."""
    text = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(text.replace("floor_percent = 20", "floor_percent = 120"), encoding="utf-8")
    with client_of(site) as client:
        for path in (TONIGHT, SITE):
            page = client.get(path).text
            assert "site.toml line" in page
            assert "120 is over 100" in page
            assert str(site) not in page
        for path in (PLAN, EARNED, "/s/site/change"):
            assert client.get(path).status_code == 200


def test_what_happened_is_told(client: TestClient, site: Path) -> None:
    """A state of charge and a trip, read as the command line reads them; then they stand with their night."""
    planned(client, "site", EVENING)
    sent(client, f"{EARNED}/state", {"soc": "64 %", "kind": "morning", "when": "7.10"}, EARNED)
    sent(client, f"{EARNED}/state", {"soc": "41,5", "kind": "return", "when": ""}, EARNED)
    fields = {"leaves": "07:30", "back": "6pm", "distance": "60 mi", "outside": "-3"}
    assert sent(client, f"{EARNED}/trip", fields, EARNED).headers["location"].startswith(EARNED)
    with opened_record(site) as record:
        morning, home = record.states()
        assert (morning.at, morning.kind, morning.soc_percent) == (
            datetime(2026, 3, 2, 5, 10, tzinfo=UTC),
            "morning",
            64,
        )
        assert (home.at, home.kind, home.soc_percent) == (NOW, "return", 41.5)
        (driven,) = record.trips()
        begin, end = (datetime(2026, 3, 2, hour, minute, tzinfo=UTC) for hour, minute in ((5, 30), (16, 0)))
        assert driven == DrivenTrip(Trip(begin, end, pytest.approx(96.56, abs=0.01)), -3.0)
    assert "41.5\N{NO-BREAK SPACE}%, on coming home" in client.get(f"{EARNED}/{KEY}").text


@pytest.mark.parametrize(
    ("path", "fields", "told"),
    [
        ("state", {"soc": "0.5", "kind": "morning", "when": ""}, "did you mean 50"),
        ("state", {"soc": "", "kind": "morning", "when": ""}, "none given"),
        ("state", {"soc": "50", "kind": "noon", "when": ""}, "expected one of the two"),
        ("state", {"soc": "50", "kind": "morning", "when": "2026-03-04 07:00"}, "still to come"),
        ("state", {"soc": "50", "kind": "morning", "when": "soon"}, "expected"),
        ("trip", {"leaves": "x", "back": "18:00", "distance": "9"}, "expected"),
        ("trip", {"leaves": "17:00", "back": "19:00", "distance": "9"}, "still to come"),
        ("trip", {"leaves": "07:00", "back": "09:00", "distance": "far"}, "expected a distance"),
        ("trip", {"leaves": "", "back": "", "distance": "9", "outside": "warm"}, "expected a number of °C"),
    ],
)
def test_what_cannot_have_happened_is_refused(
    client: TestClient, site: Path, path: str, fields: dict[str, str], told: str
) -> None:
    """At its field, with what was typed; nothing is noted."""
    answer = sent(client, f"{EARNED}/{path}", fields, EARNED)
    assert answer.status_code == 422
    assert told in answer.text
    assert all(f'value="{value}"' in answer.text for name, value in fields.items() if name not in ("kind",))
    with opened_record(site) as record:
        assert (record.states(), record.trips()) == ([], [])


@pytest.mark.parametrize(
    "path",
    [
        *(
            "/s/none/tonight",
            "/s/../site",
            "/s/site/plan/20260302T1621Z",
            "/s/site/plan/now",
            "/s/site/plan/..%2f..%2fetc",
        ),
        *(
            "/s/site/earned/20260302T1620Z",
            "/s/site/plan/99999999T9999Z/report",
            "/s/site/report.html",
            "/s/site/site.toml",
        ),
        *("/s/site/plan/20260302T1620Z/../../site.toml", "/%00", "/s/site/plan/2026030２T1620Z", "/favicon.ico"),
    ],
)
def test_what_is_not_there_is_a_plain_page(client: TestClient, path: str) -> None:
    """ASVS 12.3.1: sites and plans are named by a list and an instant, and no address is a path."""
    answer = client.get(path)
    assert answer.status_code == 404
    assert "There is no such page." in answer.text


def test_a_damaged_record_is_told_and_the_evening_goes_on(site: Path) -> None:
    """Every screen is there; what is planned is shown from its folder."""
    (site / "record.sqlite").write_bytes(b"no database, and long enough to be read as one" * 10)
    saved_demo_plan(site / "plans")
    with client_of(site) as client:
        for path in (TONIGHT, PLAN, EARNED):
            answer = client.get(path)
            assert answer.status_code == 200
            assert "The record cannot be used: record.sqlite" in answer.text
        assert "Now: discharge at" in client.get(PLAN).text
        assert sent(client, f"{PLAN}/{KEY}/set", {}, PLAN).status_code == 503
        assert sent(client, f"{EARNED}/state", {"soc": "5", "kind": "morning"}, EARNED).status_code == 503


def test_an_error_of_the_program_is_a_plain_page(
    client: TestClient, site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """ASVS 7.4.1: no traceback, no path; one line for whoever runs it."""

    def fails(self: object) -> str:
        raise RuntimeError(f"at {site}")

    monkeypatch.setattr("scheduler.web.sites.WebSite.offers", fails)
    answer = client.get(SITE)
    assert answer.status_code == 500
    assert "Something went wrong in this program." in answer.text
    assert str(site) not in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    told = capsys.readouterr().err
    assert told.startswith("page: RuntimeError in ")
    assert len(told.splitlines()) == 1


def test_a_plan_s_name_is_an_instant() -> None:
    assert parse_plan_key(KEY) == NOW
    for key in ("", "20260302T1620", "20261302T1620Z", "20260302T1620Z ", "２0260302T1620Z"):
        assert parse_plan_key(key) is None
