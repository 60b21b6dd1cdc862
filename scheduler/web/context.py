"""What every screen works with: the sites, who asks, the record, and the answer made of a template."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from scheduler.inputs.site_inputs import Inputs
from scheduler.record.database import RECORD_FILE
from scheduler.record.store import Record, opened_record
from scheduler.record.take_in import take_in_plans
from scheduler.render.page_template import page_template
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.web.drafts import Drafts
from scheduler.web.guard import STYLE, Access, Asked
from scheduler.web.planner import Planner
from scheduler.web.public_text import in_page_words, public_text
from scheduler.web.sites import WebSite

SCREENS = (("tonight", "Tonight"), ("plan", "The plan"), ("earned", "What came of it"), ("site", "Site"))
"""The screens of a site: their addresses and names, in the order of the evening."""


@dataclass(slots=True)
class Context:
    """What the process holds.

    Attributes
    ----------
    sites : by their names in addresses. now : the clock, UTC.
    """

    sites: dict[str, WebSite]
    planner: Planner
    access: Access
    now: Callable[[], datetime]
    drafts: Drafts = field(default_factory=Drafts)

    def minute(self) -> datetime:
        """Return this minute, UTC."""
        return self.now().astimezone(UTC).replace(second=0, microsecond=0)


@dataclass(slots=True)
class Visit:
    """A request to a screen of a site.

    Attributes
    ----------
    notices : what is said at the head of the answer.
    """

    context: Context
    site: WebSite
    asked: Asked
    request: Request
    notices: list[str] = field(default_factory=list)
    _read: Inputs | InputFaults | None = None

    def inputs(self) -> Inputs:
        """Return what is in the site's files; of one request always the same.

        Raises
        ------
        InputFaults : every fault of every file.
        """
        if self._read is None:
            try:
                self._read = self.site.inputs()
            except InputFaults as error:
                self._read = error
        if isinstance(self._read, InputFaults):
            raise self._read
        return self._read

    def site_name(self) -> str:
        """Return the site's name; of one whose files are at fault that of its folder."""
        try:
            return self.inputs().site.name
        except InputFaults:
            return self.site.folder.resolve().name

    @property
    def form(self) -> dict[str, str]:
        """Return the fields that were sent, of those of one name the last."""
        return dict(self.asked.form)

    def words(self, text: object) -> str:
        """Return a message in the page's words, without paths."""
        return in_page_words(public_text(str(text), self.site.folder))

    @contextmanager
    def record(self) -> Iterator[Record | None]:
        """Yield the site's record; None, with a notice, where it cannot be opened."""
        try:
            is_new = not (self.site.folder / RECORD_FILE).exists()
            manager = opened_record(self.site.folder)
            record = manager.__enter__()
        except (InputFaults, NotWrittenError) as error:
            self.notices.append(f"The record cannot be used: {self.words(error)}")
            yield None
            return
        try:
            if is_new:
                self._take_in(record)
            yield record
        finally:
            manager.__exit__(None, None, None)

    def _take_in(self, record: Record) -> None:
        """Take the plans of before into a record that is new."""
        try:
            site = self.inputs().site
            take_in_plans(record, self.site.folder, site.name, site.timezone)
        except (InputFaults, NotWrittenError) as error:
            self.notices.append(f"Earlier plans are not in the record: {self.words(error)}")

    def address(self, *parts: str) -> str:
        """Return the address of a screen of this site."""
        return "/".join(("/s", self.site.slug, *parts))

    def see(self, *parts: str, query: str = "") -> Response:
        """Return the redirection to a screen after a form was sent."""
        return RedirectResponse(self.address(*parts) + query, 303)

    def shown(self, template: str, screen: str, status: int = 200, **values: Any) -> Response:
        """Return a screen of this site.

        Parameters
        ----------
        template : without ".html". screen : which of SCREENS it belongs to.
        """
        frame = {
            "site_name": self.site_name(),
            "site_address": self.address(),
            "screens": SCREENS,
            "screen": screen,
            "notices": self.notices,
            "has_others": len(self.context.sites) > 1,
        }
        return shown(self.context, self.asked, template, status, **frame, **values)


Handler = Callable[[Visit], Response]


def site_route(context: Context, path: str, get: Handler | None = None, post: Handler | None = None) -> Route:
    """Return the route of an address of each site.

    Parameters
    ----------
    path : below the site's own, such as "/plan/{key}". get, post : what answers; None where it is not asked so.
    """

    def endpoint(request: Request) -> Response:
        site = context.sites.get(request.path_params["site"])
        if site is None:
            raise HTTPException(404)
        visit = Visit(context, site, request.state.asked, request)
        handler = post if request.method == "POST" else get
        assert handler is not None
        return handler(visit)

    methods = [*(["GET"] if get else []), *(["POST"] if post else [])]
    return Route(f"/s/{{site}}{path}", endpoint, methods=methods)


def shown(context: Context, asked: Asked | None, template: str, status: int = 200, **values: Any) -> Response:
    """Return a page made of a template, for whoever asks."""
    text = page_template("scheduler.web", f"{template}.html", "scheduler.plan_output").render(
        token="" if asked is None else asked.token,
        can_leave=asked is not None and asked.session != "",
        style=f"{STYLE}?{style_hash()}",
        **{"screens": (), "notices": (), "has_others": False, "site_name": "", **values},
    )
    return HTMLResponse(text, status)


@cache
def style_text() -> str:
    """Return the style sheet: the reports' own, and what only this page has."""
    own = (files("scheduler.web") / "templates" / "page.css").read_text(encoding="utf-8")
    return (files("scheduler.render") / "templates" / "style.css").read_text(encoding="utf-8") + own


@cache
def style_hash() -> str:
    """Return what changes when the style sheet does."""
    return hashlib.sha256(style_text().encode()).hexdigest()[:12]
