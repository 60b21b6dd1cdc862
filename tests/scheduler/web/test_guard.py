"""What stands before every page: names, origins, tokens, sizes, methods, sessions, and the headers of every answer.

ASVS numbers are those of OWASP's Application Security Verification Standard 4.0.3, level 1, from memory; the list of
those that apply, each with its test, stands in DEVELOPERS.md.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from starlette.testclient import TestClient

from scheduler.web.guard import MOST_BODY_BYTES, MOST_FIELDS, MOST_URL_BYTES, POLICY, Access
from scheduler.web.passphrase import MOST_WRONG, WITHIN_SECONDS, Attempts, Passphrase, passphrase_of
from scheduler.web.sessions import MOST_SESSIONS, SESSION_SECONDS, Sessions
from tests.builders.places import ROOT
from tests.builders.plans import demo_copy
from tests.builders.web import ADDRESS, EVENING, client_of, sent, token_of

PHRASE = "four lanterns by the quay"
KNOWN: Passphrase = passphrase_of(PHRASE)
TONIGHT = "/s/site/tonight"
PAGES = (
    "/",
    TONIGHT,
    "/s/site/plan",
    "/s/site/earned",
    "/s/site/site",
    "/style.css",
    "/sign-in",
    "/nowhere",
    "/s/no/plan",
)


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.seconds = 1000.0

    def __call__(self) -> float:
        """Give the time [s]."""
        return self.seconds


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo site, which these tests only read."""
    return demo_copy(tmp_path_factory.mktemp("guard") / "site")


@pytest.fixture
def client(site: Path) -> Iterator[TestClient]:
    """A client of the page without a passphrase."""
    with client_of(site) as client:
        yield client


def locked(site: Path, clock: Clock | None = None, address: str = "https://car.example.org") -> TestClient:
    """A client of the page with a passphrase, known by a name, by https as behind a proxy."""
    clock = clock or Clock()
    access = Access(("127.0.0.1", "car.example.org"), KNOWN, Sessions(clock), Attempts(clock))
    client = client_of(site, access=access, address=address)
    if address.startswith("https"):
        client.headers["x-forwarded-proto"] = "https"
    return client


def signed_in(client: TestClient) -> TestClient:
    """The same client with a session."""
    assert sent(client, "/sign-in", {"passphrase": PHRASE}).status_code == 303
    return client


@pytest.mark.parametrize("path", PAGES)
def test_every_answer_allows_nothing_but_its_own_style_and_forms(client: TestClient, path: str) -> None:
    """ASVS 14.4.1 to 14.4.7, 8.2.1: also an answer that refuses."""
    headers = client.get(path).headers
    assert headers["content-security-policy"] == POLICY
    assert POLICY.startswith("default-src 'none'")
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["x-frame-options"] == "DENY"
    assert headers["cache-control"] == ("max-age=604800" if path == "/style.css" else "no-store")
    assert "server" not in headers
    if "content-type" in headers:
        assert "charset=utf-8" in headers["content-type"]


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "localhost.", "127.0.0.1:8100, evil", "", "[::1", "x" * 300]
)
def test_only_a_name_that_is_known_is_answered(client: TestClient, host: str) -> None:
    """DNS rebinding leads a browser here under another name (a trailing dot is the same name)."""
    answer = client.get(TONIGHT, headers={"host": host})
    assert answer.status_code == (200 if host == "localhost." else 421)
    assert ("bookbindery" in answer.text) == (host == "localhost.")


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8100", "LOCALHOST:9", "[::1]:8100"])
def test_this_machine_s_own_names_are_known(client: TestClient, host: str) -> None:
    assert client.get(TONIGHT, headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "null",
        "http://127.0.0.1:9999",
        "https://127.0.0.1:8100x",
        "ftp://127.0.0.1:8100",
        "",
        "http://[",
        None,
    ],
)
def test_a_form_of_another_page_is_refused(client: TestClient, origin: str | None) -> None:
    """ASVS 4.2.2, 13.2.3: even with the right token."""
    data = {**EVENING, "token": token_of(client, TONIGHT)}
    answer = client.post(TONIGHT, data=data, headers={} if origin is None else {"origin": origin})
    assert answer.status_code == 403


def test_a_form_sent_from_another_site_is_refused_by_what_the_browser_says(client: TestClient) -> None:
    answer = sent(client, TONIGHT, EVENING, **{"sec-fetch-site": "cross-site"})
    assert answer.status_code == 403


@pytest.mark.parametrize("token", [None, "", "0" * 64, "é", "x" * 5000])
def test_a_form_without_its_token_is_refused(client: TestClient, token: str | None) -> None:
    """ASVS 4.2.2."""
    data = {**EVENING, **({} if token is None else {"token": token})}
    assert client.post(TONIGHT, data=data, headers={"origin": ADDRESS}).status_code == 403


def test_a_form_with_two_tokens_is_refused(client: TestClient) -> None:
    token = token_of(client, TONIGHT)
    body = f"token={token}&token={token}"
    headers = {"origin": ADDRESS, "content-type": "application/x-www-form-urlencoded"}
    assert client.post(TONIGHT, content=body, headers=headers).status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "X"])
def test_other_methods_are_refused(client: TestClient, method: str) -> None:
    """ASVS 14.5.1."""
    answer = client.request(method, TONIGHT)
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD, POST"


@pytest.mark.parametrize("path", ["/", "/style.css", "/s/site/plan", "/s/site/site"])
def test_an_address_that_takes_no_form_says_so(client: TestClient, path: str) -> None:
    assert sent(client, path, {}, TONIGHT).status_code == 405


def test_too_much_is_refused_before_it_is_read(client: TestClient) -> None:
    """ASVS 12.1.1: told long, or sent in pieces that are not told of."""
    headers = {"origin": ADDRESS, "content-type": "application/x-www-form-urlencoded"}
    assert client.post(TONIGHT, content=b"a" * (MOST_BODY_BYTES + 1), headers=headers).status_code == 413
    pieces: Iterator[bytes] = (b"a" * 1024 for _ in range(MOST_BODY_BYTES // 1024 + 1))
    assert client.post(TONIGHT, content=pieces, headers=headers).status_code == 413
    assert client.get(f"{TONIGHT}?{'a' * MOST_URL_BYTES}").status_code == 414


@pytest.mark.parametrize("kind", ["application/json", "multipart/form-data; boundary=x", "text/plain", ""])
def test_only_a_form_as_browsers_send_it_is_read(client: TestClient, kind: str) -> None:
    """ASVS 13.1.5."""
    assert client.post(TONIGHT, content="{}", headers={"origin": ADDRESS, "content-type": kind}).status_code == 415


@pytest.mark.parametrize("body", [b"\xff=1", b"soc=%ff", b"&".join(b"a=1" for _ in range(MOST_FIELDS + 1))])
def test_a_form_that_cannot_be_read_is_refused(client: TestClient, body: bytes) -> None:
    headers = {"origin": ADDRESS, "content-type": "application/x-www-form-urlencoded"}
    assert client.post(TONIGHT, content=body, headers=headers).status_code == 400


def test_a_header_that_decides_comes_once(client: TestClient) -> None:
    raw = [("host", "127.0.0.1:8100"), ("host", "127.0.0.1:8100")]
    assert client.get(TONIGHT, headers=raw).status_code == 400


@pytest.mark.parametrize("path", [*PAGES, "/s/site/plan/20260302T1620Z", "/s/site/earned/20260302T1620Z"])
def test_without_a_session_there_is_only_the_page_to_sign_in(site: Path, path: str) -> None:
    """ASVS 4.1.1, 4.1.5: whether an address exists is not told either."""
    client = locked(site)
    answer = client.get(path)
    if path not in ("/sign-in", "/style.css"):
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    else:
        assert answer.status_code == 200
    assert "bookbindery" not in answer.text
    assert "set-cookie" not in answer.headers


def test_a_session_begins_with_the_passphrase_alone(site: Path) -> None:
    """ASVS 3.2.1 to 3.2.3, 3.4.1 to 3.4.4: a new secret in a cookie that scripts, other sites and http do not get."""
    client = locked(site)
    client.cookies.set("__Host-overnight", "chosen-by-another")
    assert sent(client, "/sign-in", {"passphrase": "four lanterns by the quai"}).status_code == 403
    answer = sent(client, "/sign-in", {"passphrase": PHRASE})
    assert answer.status_code == 303
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-overnight=")
    assert "chosen-by-another" not in cookie
    value = cookie.partition("=")[2].partition(";")[0]
    assert len(value) >= 43  # 256 bits in base64
    assert {"HttpOnly", "Secure", "SameSite=strict", "Path=/"} <= {part.strip() for part in cookie.split(";")}
    assert f"Max-Age={SESSION_SECONDS}" in cookie
    assert "Domain" not in cookie
    client.cookies.clear()
    assert client.get(TONIGHT, headers={"cookie": f"__Host-overnight={value}"}).status_code == 200


def test_a_session_by_plain_http_has_no_prefix(site: Path) -> None:
    """A browser would not keep a cookie that says Secure; https is known by the proxy's X-Forwarded-Proto."""
    answer = sent(locked(site, address="http://127.0.0.1:8100"), "/sign-in", {"passphrase": PHRASE})
    assert answer.headers["set-cookie"].startswith("overnight=")
    assert "Secure" not in answer.headers["set-cookie"]


def test_signing_out_ends_the_session_here_too(site: Path) -> None:
    """ASVS 3.3.1: the cookie is of no use afterwards."""
    client = signed_in(locked(site))
    kept = dict(client.cookies)
    assert sent(client, "/sign-out", {}, TONIGHT).headers["location"] == "/sign-in"
    client.cookies.clear()
    for name, value in kept.items():
        client.cookies.set(name, value)
    assert client.get(TONIGHT).status_code == 303


def test_a_session_ends_by_itself(site: Path) -> None:
    """ASVS 3.3.2."""
    clock = Clock()
    client = signed_in(locked(site, clock))
    cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
    client.cookies.clear()
    clock.seconds += SESSION_SECONDS - 1
    assert client.get(TONIGHT, headers={"cookie": cookie}).status_code == 200
    clock.seconds += 1
    assert client.get(TONIGHT, headers={"cookie": cookie}).status_code == 303


def test_a_token_is_of_one_session(site: Path) -> None:
    """What a form of one session carries opens nothing in another, nor before signing in."""
    client = locked(site)
    before = token_of(client, "/sign-in")
    first = token_of(signed_in(client), TONIGHT)
    client.cookies.clear()
    second = token_of(signed_in(client), TONIGHT)
    assert len({before, first, second}) == 3
    for token in (before, first):
        answer = client.post(TONIGHT, data={**EVENING, "token": token}, headers={"origin": "https://car.example.org"})
        assert answer.status_code == 403


def test_five_wrong_passphrases_a_minute_are_looked_at(site: Path) -> None:
    """ASVS 2.2.1: the sixth is not, even if it is right; sessions that are open go on."""
    clock = Clock()
    client = signed_in(locked(site, clock))
    open_session = client.cookies
    client.cookies = type(open_session)()
    for _ in range(MOST_WRONG):
        assert sent(client, "/sign-in", {"passphrase": "wrong"}).status_code == 403
    answer = sent(client, "/sign-in", {"passphrase": PHRASE})
    assert (answer.status_code, answer.headers["retry-after"]) == (429, f"{WITHIN_SECONDS:.0f}")
    assert "set-cookie" not in answer.headers
    cookie = "; ".join(f"{name}={value}" for name, value in open_session.items())
    assert client.get(TONIGHT, headers={"cookie": cookie}).status_code == 200
    clock.seconds += WITHIN_SECONDS
    assert sent(client, "/sign-in", {"passphrase": PHRASE}).status_code == 303


def test_what_is_remembered_is_bounded() -> None:
    """Sessions and wrong phrases, however many there are."""
    clock = Clock()
    sessions, attempts = Sessions(clock), Attempts(clock)
    opened = [sessions.open() for _ in range(MOST_SESSIONS + 1)]
    assert [sessions.is_open(each) for each in opened] == [False, *[True] * MOST_SESSIONS]
    assert sum(attempts.begin() for _ in range(1000)) == MOST_WRONG


def test_a_right_passphrase_does_not_count_as_wrong() -> None:
    attempts = Attempts(Clock())
    for _ in range(3 * MOST_WRONG):
        assert attempts.begin()
        attempts.was_right()


def test_the_proxy_s_own_name_is_the_origin(site: Path) -> None:
    """Behind a proxy the browser names the host without a port, and the scheme's own is meant."""
    client = signed_in(locked(site))
    token = token_of(client, TONIGHT)
    for origin, status in (
        ("https://car.example.org", 303),
        ("https://car.example.org:443", 303),
        ("http://car.example.org:443", 403),
    ):
        answer = client.post(TONIGHT, data={**EVENING, "do": "add", "token": token}, headers={"origin": origin})
        assert answer.status_code == status, origin


def test_redirections_stay_here(site: Path) -> None:
    """ASVS 5.1.5: whatever is asked for, an answer leads to an address of this page."""
    client = signed_in(locked(site))
    for path in ("/", "//evil.example/", "/s/site", "/sign-in?next=https://evil.example", "/s/site/planning"):
        location = client.get(path).headers.get("location", "/")
        assert urlsplit(location).netloc in ("", "car.example.org")


def test_every_point_of_the_standard_names_tests_that_exist() -> None:
    """The table in DEVELOPERS.md, against the functions of these tests."""
    table = re.findall(r"^\| [\d., to]+ \|.*$", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(table) > 20
    here = "\n".join(file.read_text(encoding="utf-8") for file in Path(__file__).parent.glob("test_*.py"))
    known = set(re.findall(r"^def (test_\w+)\(", here, re.MULTILINE))
    for row in table:
        named = set(re.findall(r"`(test_\w+)`", row))
        assert named, row
        assert named <= known, row
