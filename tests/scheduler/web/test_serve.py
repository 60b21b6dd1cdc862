"""The command: what it refuses before it listens, and a process that serves until it is told to end."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.textio.errors import InputFaults
from scheduler.web.guard import LOOPBACK_NAMES, MOST_HEADER_BYTES
from scheduler.web.serve import PageOptions, parse_page
from scheduler.web.sites import slug_of, web_sites
from tests.builders.places import SCENARIOS
from tests.builders.plans import demo_copy

DEMO = SCENARIOS / "bookbindery"


@pytest.fixture
def phrase(tmp_path: Path) -> Path:
    """A passphrase's file."""
    file = tmp_path / "phrase"
    file.write_text("four lanterns by the quay\n", encoding="utf-8")
    file.chmod(0o600)
    return file


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "SITE...: none given; expected a value"),
        (["nowhere"], "nowhere: there is no such folder"),
        (["."], ".: there is no site.toml here; expected a site's folder"),
        ([str(DEMO), str(DEMO)], "this site is given twice"),
        ([str(DEMO), "--port", "70000"], "--port: 70000 is no port; expected 0 to 65535"),
        (
            [str(DEMO), "--host", "192.0.2.7"],
            "--passphrase-file: none given; expected one, since others can reach the page",
        ),
        ([str(DEMO), "--host", "0.0.0.0"], "--name: none given; expected the name by which browsers ask"),
        ([str(DEMO), "--name", "car.example.org"], "--passphrase-file: none given; expected one"),
        ([str(DEMO), "--name", "https://car.example.org/"], "expected a host's name without scheme, port or path"),
        ([str(DEMO), "--passphrase-file", "nowhere"], "nowhere: there is no such file; expected a file whose one line"),
        ([str(DEMO), "--now", "soon"], '--now: found "soon"'),
    ],
)
def test_what_cannot_be_served_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], told: str
) -> None:
    """With exit code 2 and one line for each fault, before anything listens."""
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["page", *words])
    assert result.exit_code == 2
    assert told in result.stderr
    assert "Traceback" not in result.stderr


def test_every_fault_is_told_at_once() -> None:
    with pytest.raises(InputFaults) as caught:
        parse_page(PageOptions((Path("nowhere"),), -1, "0.0.0.0", ("?",), None, "soon"))
    assert [fault.file for fault in caught.value.faults] == [
        "nowhere",
        "--port",
        "--name",
        "--passphrase-file",
        "--now",
    ]


@pytest.mark.parametrize(
    ("host", "names", "known"),
    [
        ("127.0.0.1", (), ()),
        ("localhost", (), ()),
        ("::1", (), ()),
        ("127.0.0.1", ("Car.Example.org.",), ("car.example.org",)),
        ("192.0.2.7", (), ("192.0.2.7",)),
        ("0.0.0.0", ("192.0.2.7", "2001:db8::1"), ("192.0.2.7", "[2001:db8::1]")),
    ],
)
def test_a_page_is_known_by_its_own_names(
    phrase: Path, host: str, names: tuple[str, ...], known: tuple[str, ...]
) -> None:
    """This machine's, the address it listens on, and those that are given."""
    page = parse_page(PageOptions((DEMO,), 0, host, names, phrase))
    assert set(page.access.names) - set(LOOPBACK_NAMES) == set(known)
    assert page.access.passphrase is not None


def test_a_port_that_is_taken_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        result = CliRunner().invoke(app, ["page", str(DEMO), "--port", str(port)])
    assert (result.exit_code, "cannot be listened on" in result.stderr) == (2, True)


def test_a_process_serves_and_ends() -> None:
    """By its first line it answers; headers beyond the limit are refused; told to end, it ends with 0 and says so."""
    command = [sys.executable, "-c", "from scheduler.cli.app import main; main()", "page", str(DEMO), "--port", "0"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)
    try:
        assert process.stdout is not None
        assert process.stderr is not None
        port = int(process.stdout.readline().split(":")[3].split("/")[0])
        for headers, status in (({}, 303), ({"x": "y" * MOST_HEADER_BYTES}, 431)):
            connection = http.client.HTTPConnection("127.0.0.1", port)
            connection.request("GET", "/", headers=headers)
            answer = connection.getresponse()
            assert answer.status == status
            assert answer.getheader("server") is None
            connection.close()
        process.send_signal(signal.SIGINT)
        rest, errors = process.communicate()
    finally:
        process.kill()
        process.communicate()
    assert (process.returncode, rest, errors) == (0, "The page has ended.\n", "")


def test_sites_of_one_name_have_addresses_of_their_own(tmp_path: Path) -> None:
    """And none has anything in its address that leads elsewhere."""
    folders = [tmp_path / each / "Brook & Söns" for each in ("a", "b", "c")]
    for folder in folders:
        folder.mkdir(parents=True)
        (folder / "site.toml").touch()
    assert [site.slug for site in web_sites(folders)] == ["brook-sons", "brook-sons-2", "brook-sons-2-2"]
    assert [slug_of(each) for each in ("../..", "", "x" * 99, "A%2fB")] == ["site", "site", "x" * 40, "a-2fb"]


def test_files_are_read_again_once_they_change(tmp_path: Path) -> None:
    """A site's and an offer's: what is kept is what stands in them."""
    (site,) = web_sites([demo_copy(tmp_path / "site")])
    assert site.inputs() is site.inputs()
    offer = next(each for each in site.offers() if each.key == "day-and-night")
    assert offer.name == "Day and night"
    for file, old, new in (
        ("site.toml", "Kuutarpi", "Another"),
        ("offers/day-and-night.toml", "Day and night", "Two prices"),
    ):
        text = (tmp_path / "site" / file).read_text(encoding="utf-8")
        (tmp_path / "site" / file).write_text(text.replace(f'"{old}', f'"{new}'), encoding="utf-8")
    assert site.inputs().site.name == "Another bookbindery"
    assert [each.name for each in site.offers() if each.key == "day-and-night"] == ["Two prices"]
    (tmp_path / "site" / "offers" / "day-and-night.toml").write_text("format = 2\n", encoding="utf-8")
    faulty = next(each for each in site.offers() if each.key == "day-and-night")
    assert (faulty.name, len(faulty.faults) > 0) == ("day-and-night.toml", True)
