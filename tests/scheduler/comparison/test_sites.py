"""Several sites in one go: each is the comparison of that site alone, and one page and table sum them up."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.comparison.compare import compare
from scheduler.comparison.sites import SITES_COLUMNS, SiteCompared, compare_sites, sites_headline, sites_json
from scheduler.rolling.period import CompareOptions
from scheduler.rolling.workers import workers_here
from scheduler.textio.errors import InputFaults
from tests.builders.plans import DEMO, demo_copy

OFFERS = (DEMO / "offers" / "day-and-night.toml", DEMO / "offers" / "evening-feed-in.toml")
DAY = "2026-03-03"
RUNNER = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sites of one folder name, the second without a roof, and a folder of offers."""
    folder = tmp_path_factory.mktemp("sites")
    for name in ("north", "south"):
        (folder / name).mkdir()
        demo_copy(folder / name / "shop")
    file = folder / "south" / "shop" / "site.toml"
    text = file.read_text(encoding="utf-8").replace('"Kuutarpi bookbindery"', '"=South & <b>"')
    file.write_text(text.replace('solar = "solar.csv"', 'solar = "solar.csv"\nsolar_scale = 0'), encoding="utf-8")
    (folder / "offers").mkdir()
    for offer in OFFERS:
        (folder / "offers" / offer.name).write_bytes(offer.read_bytes())
    return folder


@pytest.fixture(scope="module")
def made(folder: Path) -> tuple[SiteCompared, ...]:
    options = CompareOptions(Path(), OFFERS, DAY, DAY, hardware=DEMO / "hardware.toml")
    sites = (folder / "north" / "shop", folder / "south" / "shop")
    return compare_sites(sites, options, folder / "out", workers_here(2))


def test_each_site_is_its_own_comparison(made: tuple[SiteCompared, ...], folder: Path) -> None:
    """The same bytes as of the site alone, in a folder of its own."""
    assert [each.folder for each in made] == ["shop", "shop-2"]
    options = CompareOptions(folder / "south" / "shop", OFFERS, DAY, DAY, hardware=DEMO / "hardware.toml")
    compare(options, folder / "alone", jobs=1)
    for file in (folder / "alone").iterdir():
        if file.is_file():
            assert file.read_bytes() == (folder / "out" / "shop-2" / file.name).read_bytes(), file.name


def test_the_summary(made: tuple[SiteCompared, ...], folder: Path) -> None:
    """A row a site with what its own comparison says; a page that links to theirs, every name in it escaped."""
    rows = list(csv.DictReader((folder / "out" / "sites.csv").read_text("utf-8").splitlines()))
    assert tuple(rows[0]) == SITES_COLUMNS
    assert [row["site"] for row in rows] == ["Kuutarpi bookbindery", "'=South & <b>"]
    for row, each in zip(rows, made, strict=True):
        verdict = next(csv.DictReader((folder / "out" / each.folder / "verdict.csv").read_text("utf-8").splitlines()))
        assert row["saving_a_year"] == verdict["saving_a_year"]
        assert row["offer_plain"] == verdict["offer_plain"]
    page = (folder / "out" / "sites.html").read_text("utf-8")
    links = re.findall(r'href="([^"]+)"', page)
    assert links == ["shop/comparison.html", "shop-2/comparison.html"]
    assert all((folder / "out" / link).is_file() for link in links)
    assert "<b>" not in page
    assert sites_headline(made).startswith("With a plain charger timed well, ")
    assert " of 2 sites" in sites_headline(made)
    assert json.loads(sites_json(made))["sites"][0]["site"] == "Kuutarpi bookbindery"


def test_by_the_command(made: tuple[SiteCompared, ...], folder: Path) -> None:
    """Sites first, then where their offers are; what is done is not done again."""
    sites = [str(folder / name / "shop") for name in ("north", "south")]
    command = ["compare", *sites, "--offers-from", str(folder / "offers"), "--from", DAY, "--to", DAY]
    command += ["--hardware", str(DEMO / "hardware.toml"), "--out", str(folder / "out"), "--json"]
    result = RUNNER.invoke(app, command)
    assert result.exit_code == 0, result.output
    assert [each["saving_a_year"] for each in json.loads(result.stdout)["sites"]] == [
        each.found.own.yearly_saving for each in made
    ]
    assert "nights to plan" not in result.stderr  # the offers lie elsewhere and are the same
    assert "sites.html" in result.stderr


def test_all_faults_of_all_sites_first(folder: Path, tmp_path: Path) -> None:
    """Two sites that are none: both are told, and nothing is begun."""
    options = CompareOptions(Path(), OFFERS, DAY, DAY)
    with pytest.raises(InputFaults) as refused:
        compare_sites((tmp_path / "a", tmp_path / "b"), options, tmp_path / "out", workers_here(1))
    assert str(tmp_path / "a") in str(refused.value)
    assert str(tmp_path / "b") in str(refused.value)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--offers-from", "nowhere"], "has no file that ends in .toml"),
        ([], "expected at least one offer's file"),
        (
            ["offers/day-and-night.toml", "--cluster", "tcp://nowhere:1", "--jobs", "2"],
            "cannot be given with --cluster",
        ),
    ],
)
def test_what_cannot_be(words: list[str], said: str, tmp_path: Path) -> None:
    result = RUNNER.invoke(app, ["compare", str(DEMO), *words, "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert said in result.stderr
    assert not (tmp_path / "out").exists()
