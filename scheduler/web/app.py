"""The page's application: all addresses, behind the guard.

Every form but the passphrase's is answered with a redirection, so that reloading a page sends nothing twice. What can
block (files, the record, hashing a passphrase) runs in threads; plans are made in processes of their own.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp

from scheduler.web import earned_screens, evening_screens, plan_screens, site_screens
from scheduler.web.context import Context, shown
from scheduler.web.guard import WENT_WRONG, Access, Guard
from scheduler.web.planner import Planner
from scheduler.web.question import Answer, Question
from scheduler.web.sites import WebSite

SENTENCES = {404: "There is no such page.", 405: "This address is not read or sent to like that."}


def page_app(
    sites: Sequence[WebSite],
    answer_of: Callable[[Question], Answer],
    access: Access | None = None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    close: Callable[[], None] = lambda: None,
) -> ASGIApp:
    """Return the application.

    Parameters
    ----------
    sites : that it shows. answer_of : plans, and may block. access : who may enter; None for whoever can reach it.
    now : the clock, UTC. close : called as the application ends.
    """
    access = access or Access()
    context = Context({site.slug: site for site in sites}, Planner(answer_of), access, now)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        close()

    def refusal(status: int, sentence: str) -> Response:
        return shown(context, None, "refused", status, title="Overnight", sentence=sentence)

    def refused(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        answer = refusal(status, SENTENCES.get(status, WENT_WRONG))
        if isinstance(error, HTTPException) and error.headers:
            answer.headers.update(error.headers)
        return answer

    routes = [
        *site_screens.routes(context),
        *evening_screens.routes(context),
        *plan_screens.routes(context),
        *earned_screens.routes(context),
    ]
    application = Starlette(
        routes=routes, exception_handlers={HTTPException: refused, Exception: refused}, lifespan=lifespan
    )
    application.router.redirect_slashes = False
    return Guard(application, access, refusal)
