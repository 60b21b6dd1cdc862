"""Planning on request: one at a time a site, a second press asks nothing new, and a worker that ends is told of."""

from __future__ import annotations

import os
import signal
import threading
from pathlib import Path

import pytest

from scheduler.nights.parse_request import RequestOptions
from scheduler.plans.saved_plan import read_saved_plan
from scheduler.record.store import opened_record
from scheduler.textio.errors import Fault
from scheduler.web import planner as planner_module
from scheduler.web import worker
from scheduler.web.evening_form import TypedEvening
from scheduler.web.planner import ENDED, TOO_LONG, Planner, WorkerProcesses
from scheduler.web.question import Answer, Question, answer_text, parse_answer, parse_question, question_text
from scheduler.web.worker import answer_of
from tests.builders.plans import DEMO_EVENING, demo_copy, demo_plan
from tests.builders.web import NOW, Waiting

OPTIONS = RequestOptions(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",), outside_degc=-3.5)
HERE = Question(Path("site"), OPTIONS)
TYPED = TypedEvening("71")


def nothing(question: Question) -> Answer:
    """Plan nothing."""
    return Answer(failure="nothing")


def test_questions_and_answers_survive_their_texts() -> None:
    for question in (HERE, Question(Path("/a b"), OPTIONS, Path("offers/flat.toml"), replan=True)):
        assert parse_question(question_text(question)) == question
    for answer in (Answer(NOW, note="n"), Answer(faults=(Fault("site.toml", 3, "car", "é"),)), Answer(failure="f")):
        assert parse_answer(answer_text(answer)) == answer


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"start": 3, "faults": [], "failure": "", "note": ""}'])
def test_what_is_no_answer_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no answer"):
        parse_answer(text)


def test_a_second_press_is_the_same_question() -> None:
    """While it is planned and afterwards; another form, or the same with another value, is another."""
    waiting = Waiting(nothing)
    planner = Planner(waiting)
    first = planner.ask("a", "form", TYPED, HERE)
    waiting.begun.wait()
    assert planner.ask("a", "form", TYPED, HERE) is first
    assert planner.ask("a", "other", TypedEvening("72"), HERE) is first  # one at a time
    other_site = planner.ask("b", "form", TYPED, HERE)
    assert other_site is not first
    waiting.go_on.set()
    for job in (first, other_site):
        job.done.wait()
    assert planner.ask("a", "form", TYPED, HERE) is first
    again = planner.ask("a", "form", TypedEvening("72"), HERE)
    other = planner.ask("b", "later", TYPED, HERE)
    assert again is not first
    for job in (again, other):
        job.done.wait()
    assert len(waiting.asked) == 4
    assert planner.newest("a") is again
    assert planner.newest("c") is None


def test_a_planner_that_fails_is_told_of(capsys: pytest.CaptureFixture[str]) -> None:
    """An error of the program becomes an answer, and one line for whoever runs the page."""

    def fails(question: Question) -> Answer:
        raise RuntimeError("a secret path /srv/x")

    job = Planner(fails).ask("a", "form", TYPED, HERE)
    job.done.wait()
    assert job.answer == Answer(failure=ENDED)
    assert capsys.readouterr().err == "page: planning failed: RuntimeError\n"


def test_a_plan_is_written_as_the_command_writes_it(tmp_path: Path) -> None:
    """The demo evening by a worker's function: the same blocks, in its folder and in the record."""
    site = demo_copy(tmp_path / "site")
    answer = answer_of(Question(site, DEMO_EVENING))
    assert answer == Answer(start=NOW)
    folder = site / "plans" / "2026-03-02T1820"
    assert sorted(each.name for each in folder.iterdir()) == ["plan.json", "report.html", "schedule.csv"]
    assert [block.kw for block in read_saved_plan(folder).blocks] == [block.kw for block in demo_plan().blocks]
    with opened_record(site) as record:
        (plan,) = record.plans()
        assert plan.document["blocks"]
        assert plan.schedule == (folder / "schedule.csv").read_text(encoding="utf-8")


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> None:
    """The worker takes the demo evening's plan as solved."""
    monkeypatch.setattr(worker, "plan_tonight", lambda *given, **named: demo_plan())


@pytest.mark.usefixtures("solved")
def test_what_cannot_be_written_is_an_answer(tmp_path: Path) -> None:
    """A file in the way, as a full disk: nothing half, and what was there stays."""
    site = demo_copy(tmp_path / "site")
    (site / "plans").write_text("in the way", encoding="utf-8")
    assert "nothing was changed" in answer_of(Question(site, DEMO_EVENING)).failure
    assert (site / "plans").read_text(encoding="utf-8") == "in the way"


def test_faults_are_answers(tmp_path: Path) -> None:
    """What the request or the files are at fault with."""
    site = demo_copy(tmp_path / "site")
    answer = answer_of(Question(site, RequestOptions(101, now="2026-03-02T18:20")))
    assert [fault.file for fault in answer.faults] == ["--soc"]
    assert answer_of(Question(tmp_path / "none", DEMO_EVENING)).faults[0].message == "there is no such folder"


@pytest.mark.usefixtures("solved")
def test_a_damaged_record_does_not_lose_the_plan(tmp_path: Path) -> None:
    """The plan stands in its folder, and the answer says that the record has it not."""
    site = demo_copy(tmp_path / "site")
    (site / "record.sqlite").write_bytes(b"no database, and long enough to be read as one" * 10)
    answer = answer_of(Question(site, DEMO_EVENING))
    assert answer.start == NOW
    assert "record" in answer.note
    assert (site / "plans" / "2026-03-02T1820" / "plan.json").is_file()


def test_a_real_worker_answers_and_its_end_is_told() -> None:
    """A process of its own: what is at fault comes back; one that is killed, or ended by the page, gives no plan."""
    workers = WorkerProcesses()
    assert workers.answer_of(Question(Path("/nowhere/at all"), OPTIONS)).faults[0].message == "there is no such folder"
    killed: list[Answer] = []
    thread = threading.Thread(target=lambda: killed.append(workers.answer_of(HERE)))
    thread.start()
    while not workers.running:
        assert thread.is_alive()
    os.kill(next(iter(workers.running)), signal.SIGKILL)
    thread.join()
    assert killed == [Answer(failure=ENDED)]
    workers.close()
    assert workers.answer_of(HERE) == Answer(failure=ENDED)


def test_a_worker_that_takes_too_long_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that never answers, with no time allowed at all: it is killed, and no process is left."""
    monkeypatch.setattr(planner_module, "WORKER", ("-c", "import signal; signal.pause()"))
    workers = WorkerProcesses(most_seconds=0.0)
    assert workers.answer_of(HERE) == Answer(failure=TOO_LONG)
    assert not workers.running
