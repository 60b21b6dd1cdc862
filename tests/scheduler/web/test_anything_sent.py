"""Whatever is sent: never an error of the program, never a traceback, a path or a mark that the page did not write.

Hypothesis over every field of every form, every header that is read, and addresses.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from scheduler.web.guard import POLICY, Access
from scheduler.web.question import Answer, Question
from tests.builders.places import ROOT
from tests.builders.plans import demo_copy
from tests.builders.web import ADDRESS, NOW, client_of, demo_answer, token_of

KEY = "20260302T1620Z"
EVENING = ("soc", "carried", "confirmed", "away", "outside", "highest", "leaves-0", "back-0", "distance-0", "pace-0")
FORMS: dict[str, tuple[str, ...]] = {
    "/s/site/tonight": (*EVENING, "leaves-1", "back-1", "distance-1", "form", "do"),
    "/s/site/change": (*EVENING, "form", "do"),
    f"/s/site/plan/{KEY}/set": ("x",),
    "/s/site/earned/state": ("soc", "kind", "when"),
    "/s/site/earned/trip": ("leaves", "back", "distance", "outside"),
    "/s/site/site/offer": ("offer",),
    "/sign-in": ("passphrase",),
    "/sign-out": ("x",),
}
"""Every form by its address, with the names of its fields."""
HEADERS = (
    *("host", "origin", "cookie", "content-type", "content-length", "sec-fetch-site", "x-forwarded-proto"),
    *(
        "x-forwarded-host",
        "forwarded",
        "referer",
        "accept",
        "accept-encoding",
        "range",
        "if-none-match",
        "transfer-encoding",
    ),
)
QUERIES = ("draft", "from", "month", "told")
MARK = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
SLIPS = (
    *(
        "",
        " ",
        "0",
        "71",
        "-1",
        "1e9",
        "1e999",
        "nan",
        "∞",
        "７１",
        "1,500",
        "71 %",
        "0.71",
        "yes",
        "morning",
        "plan",
        "add",
    ),
    *(
        "remove-0",
        "remove-99999999999",
        "remove-²",
        "07:30",
        "24:00",
        "25:61",
        "9pm",
        "2026-03-03 07:30",
        "9999-12-31 23:59",
    ),
    *("2026-03-29 03:30", "1970-01-01 00:00", "0001-01-01 00:00", "21:00..23:00", "..", "96 km", "60mi", "96000", "mi"),
    *(
        "../../../../etc/passwd",
        "day-and-night",
        "\0",
        "\r\nSet-Cookie: a=b",
        "\u202e",
        "é" * 300,
        "{{ 7 * 7 }}",
        MARK,
        "x" * 9000,
    ),
)
text = st.one_of(st.sampled_from(SLIPS), st.text(st.characters(exclude_categories=["Cs"]), max_size=40))
header_text = st.one_of(
    st.sampled_from(
        [*(each for each in SLIPS if each.isascii()), ADDRESS, "127.0.0.1:8100", "null", "same-origin", "http"]
    ),
    st.text(st.characters(max_codepoint=255), max_size=40),
)
fields = st.sampled_from(sorted(FORMS)).flatmap(
    lambda path: st.tuples(st.just(path), st.dictionaries(st.sampled_from(FORMS[path]), text))
)


class AnyPhrase:
    """A passphrase that is matched quickly, by one text."""

    def is_matched_by(self, given: str) -> bool:
        """Compare."""
        return given == "71"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo site with a plan."""
    folder = demo_copy(tmp_path_factory.mktemp("anything") / "site")
    demo_answer(Question(folder, None))  # type: ignore[arg-type]
    return folder


@pytest.fixture(scope="module")
def client(site: Path) -> Iterator[TestClient]:
    """A client of the page without a passphrase; no plan comes of what is asked."""
    with client_of(
        site, answer_of=lambda question: Answer(failure="nothing is planned here"), now=lambda: NOW
    ) as client:
        yield client


@pytest.fixture(scope="module")
def locked(site: Path) -> Iterator[TestClient]:
    """The same with a passphrase."""
    with client_of(site, access=Access(passphrase=AnyPhrase())) as client:  # type: ignore[arg-type]
        yield client


def checked(answer: object, site: Path, statuses: set[int]) -> None:
    """Hold an answer to what all of them must be."""
    body = answer.text  # type: ignore[attr-defined]
    assert answer.status_code in statuses  # type: ignore[attr-defined]
    headers = answer.headers  # type: ignore[attr-defined]
    assert headers["content-security-policy"] == POLICY or "sandbox" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    everything = body + "".join(headers.values())
    for path in (str(site), str(site.parent), str(ROOT), sys.prefix):
        assert path not in everything
    assert "Traceback" not in body
    assert "<script" not in body
    assert "<img" not in body
    assert "a=b" not in headers.get("set-cookie", "")


@settings(max_examples=100)
@given(sent=fields)
def test_whatever_a_form_holds(client: TestClient, site: Path, sent: tuple[str, dict[str, str]]) -> None:
    """ASVS 5.1.3, 5.3.3: it is read, refused or told of; and so is the page that it leads to."""
    path, values = sent
    form = {"token": token_of(client, "/s/site/tonight"), **values}
    answer = client.post(path, data=form, headers={"origin": ADDRESS})
    checked(answer, site, {303, 404, 422})
    if answer.status_code == 303:
        page = client.get(answer.headers["location"])
        checked(page, site, {200, 303})


@settings(max_examples=60)
@given(phrase=text, cookie=header_text)
def test_whatever_is_typed_to_sign_in(locked: TestClient, site: Path, phrase: str, cookie: str) -> None:
    """A session comes of the passphrase alone."""
    locked.cookies.clear()
    form = {"token": token_of(locked, "/sign-in"), "passphrase": phrase}
    answer = locked.post("/sign-in", data=form, headers={"origin": ADDRESS, "cookie": cookie.encode("latin-1")})
    checked(answer, site, {303, 403, 429})
    assert ("set-cookie" in answer.headers) == (answer.status_code == 303)
    assert answer.status_code != 303 or phrase == "71"


@settings(max_examples=100)
@given(
    path=st.sampled_from(["/", "/s/site/tonight", "/s/site/plan", "/s/site/earned", "/style.css", "/sign-in"]),
    method=st.sampled_from(["GET", "POST", "HEAD"]),
    headers=st.lists(st.tuples(st.sampled_from(HEADERS), header_text), max_size=6),
    body=st.one_of(st.binary(max_size=80), text.map(lambda value: urlencode({"soc": value}).encode())),
)
def test_whatever_the_headers_are(
    client: TestClient, site: Path, path: str, method: str, headers: list[tuple[str, str]], body: bytes
) -> None:
    """ASVS 14.5.3 and 13.1: no header lets a form in, or leads to an error."""
    raw = [(name.encode(), value.encode("latin-1")) for name, value in headers]
    answer = client.request(method, path, headers=raw, content=body if method == "POST" else None)
    checked(answer, site, {200, 303, 400, 403, 405, 413, 415, 421})
    assert method != "POST" or answer.status_code >= 400


@settings(max_examples=60)
@given(parts=st.lists(text, max_size=4), name=st.sampled_from(QUERIES), value=text)
def test_whatever_the_address_is(client: TestClient, site: Path, parts: list[str], name: str, value: str) -> None:
    """ASVS 5.1.5, 12.3.1."""
    path = "/".join(["", "s", "site", *(quote(part[:60], safe="") for part in parts)])
    answer = client.get(f"{path}?{urlencode({name: value[:200]})}")
    checked(answer, site, {200, 303, 404, 414})
    for screen in ("tonight", "earned", "change", "plan"):
        checked(client.get(f"/s/site/{screen}", params={name: value[:150]}), site, {200, 303, 414})
