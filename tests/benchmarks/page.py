"""The page's first answer while a plan is made: a real server, a real plan in its worker, one reader after another.

python -m tests.benchmarks.page          or with a number of readings: 200

The aim is 0.2 s from asking to the first byte of an answer. Both cores may be busy with the plan.
"""

from __future__ import annotations

import http.client
import re
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

from scheduler.web.app import page_app
from scheduler.web.planner import WorkerProcesses
from scheduler.web.question import Answer, Question
from scheduler.web.sites import web_sites
from tests.builders.plans import demo_copy
from tests.builders.web import EVENING, NOW, demo_answer, served

SCREENS = ("tonight", "planning", "plan", "earned", "site")


class Counted:
    """Workers that say when a plan is under way."""

    def __init__(self) -> None:
        self.workers, self.ended = WorkerProcesses(), threading.Event()

    def __call__(self, question: Question) -> Answer:
        """Plan."""
        self.ended.clear()
        answer = self.workers.answer_of(question)
        self.ended.set()
        return answer


def first_byte_s(port: int, path: str, body: str | None = None) -> tuple[float, str]:
    """Return the time to an answer's first byte on a new connection [s], and its text."""
    connection = http.client.HTTPConnection("127.0.0.1", port)
    headers = (
        {}
        if body is None
        else {"Content-Type": "application/x-www-form-urlencoded", "Origin": f"http://127.0.0.1:{port}"}
    )
    began = time.perf_counter()
    connection.request("GET" if body is None else "POST", path, body, headers)
    answer = connection.getresponse()
    took = time.perf_counter() - began
    text = answer.read().decode()
    connection.close()
    return took, text


def main(readings: int) -> None:
    """Print the median and the longest time of each screen, with a plan under way and without."""
    with tempfile.TemporaryDirectory() as folder:
        site = demo_copy(Path(folder) / "site")
        demo_answer(Question(site, None))  # type: ignore[arg-type]
        planner = Counted()
        with served(page_app(web_sites([site]), planner, now=lambda: NOW)) as address:
            port = int(address.rpartition(":")[2])
            pages = {name: f"/s/site/{name}" for name in SCREENS}
            for name in pages:  # what is read once
                first_byte_s(port, pages[name])
            found: dict[tuple[str, bool], list[float]] = {}
            number = 0
            while min((len(found.get((name, True), [])) for name in pages), default=0) < readings:
                number += 1
                token = re.search(r'name="token" value="(\w+)"', first_byte_s(port, pages["tonight"])[1])
                assert token is not None
                planner.ended.clear()
                form = {**EVENING, "form": f"{number}", "token": token[1]}
                found.setdefault(("press", True), []).append(first_byte_s(port, pages["tonight"], urlencode(form))[0])
                while not planner.ended.is_set():
                    for name, path in pages.items():
                        took = first_byte_s(port, path)[0]
                        if not planner.ended.is_set():
                            found.setdefault((name, True), []).append(took)
            for name, path in pages.items():
                found[name, False] = [first_byte_s(port, path)[0] for _ in range(readings)]
        planner.workers.close()
    for (name, planning), times in sorted(found.items()):
        state = "while a plan is made" if planning else "otherwise"
        longest, median = 1000 * max(times), 1000 * statistics.median(times)
        print(f"{name:9} {state:21} {len(times):5} answers, median {median:4.0f} ms, longest {longest:4.0f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
