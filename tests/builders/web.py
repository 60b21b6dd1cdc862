"""The page for tests: the demo site's copy, a clock that stands still, plans that are not solved, and a client."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import uvicorn
from starlette.testclient import TestClient

from scheduler.plan_output.plan_json import plan_text
from scheduler.plan_output.schedule_csv import schedule_text
from scheduler.plan_output.write_plan import write_plan
from scheduler.record.store import opened_record
from scheduler.web.app import page_app
from scheduler.web.guard import Access
from scheduler.web.question import Answer, Question
from scheduler.web.serve import config
from scheduler.web.sites import web_sites
from tests.builders.plans import demo_plan

NOW = datetime(2026, 3, 2, 16, 20, tzinfo=UTC)
"""The demo evening, 18:20 in Helsinki."""
ADDRESS = "http://127.0.0.1:8100"
EVENING = {"soc": "71", "leaves-0": "07:30", "back-0": "18:00", "distance-0": "96", "pace-0": "usual", "form": "a"}
"""What is typed for the demo evening."""


def demo_answer(question: Question) -> Answer:
    """Answer with the demo evening's plan, written as a worker writes it, whatever was asked."""
    made = demo_plan()
    write_plan(made, question.folder / "plans")
    with opened_record(question.folder) as record:
        record.add_plan(plan_text(made), schedule_text(made))
    return Answer(start=NOW)


class Waiting:
    """Answers only once it is let go, so that a test can look at a page meanwhile; counts what it was asked."""

    def __init__(self, answer_of: Callable[[Question], Answer] = demo_answer) -> None:
        self.asked: list[Question] = []
        self.begun, self.go_on = threading.Event(), threading.Event()
        self._answer_of = answer_of

    def __call__(self, question: Question) -> Answer:
        """Wait, then answer."""
        self.asked.append(question)
        self.begun.set()
        self.go_on.wait()
        return self._answer_of(question)


def client_of(
    *folders: Path,
    answer_of: Callable[[Question], Answer] = demo_answer,
    access: Access | None = None,
    now: Callable[[], datetime] = lambda: NOW,
    address: str = ADDRESS,
) -> TestClient:
    """Return a client of the page of some sites, which follows no redirection by itself."""
    app = page_app(web_sites(folders), answer_of, access, now)
    return TestClient(app, base_url=address, raise_server_exceptions=False, follow_redirects=False)


@contextmanager
def served(app: Any) -> Iterator[str]:
    """Serve an application on a free port of this machine, in a thread; gives its address."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        server = uvicorn.Server(config(app))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        server.should_exit = True
        thread.join()


def token_of(client: TestClient, path: str) -> str:
    """Return the token in the forms of a page."""
    found = re.search(r'name="token" value="([0-9a-f]+)"', client.get(path).text)
    assert found is not None, path
    return found[1]


def sent(client: TestClient, path: str, fields: dict[str, str], form_at: str = "", **headers: str) -> Any:
    """Send a form as a browser does, with the token of the page that it stands on."""
    origin = str(client.base_url).rstrip("/")
    fields = {"token": token_of(client, form_at or path), **fields}
    return client.post(path, data=fields, headers={"origin": origin, **headers})


def followed(client: TestClient, response: Any) -> Any:
    """Follow redirections until there is a page; a wait is over by then, as nothing waits on a clock."""
    while response.status_code == 303:
        response = client.get(response.headers["location"])
    return response


def planned(client: TestClient, site: str, fields: dict[str, str]) -> Any:
    """Send tonight's form and return the page of the plan, after the thread that plans has ended."""
    response = sent(client, f"/s/{site}/tonight", fields)
    planning_ended()
    return followed(client, response)


def planning_ended() -> None:
    """Wait until every thread that plans has ended; what keeps one waiting is let go before."""
    for thread in threading.enumerate():
        if thread.name.startswith("planning"):
            thread.join()
