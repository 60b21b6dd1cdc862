"""A new user's first evening: new, check, read-meter with a portal's own columns, and a plan on one's own meter."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.app import app
from scheduler.inputs.new_site_questions import QUESTIONS
from scheduler.inputs.placeholders import placeholder_files
from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_inputs import read_inputs

ANSWERS = {
    "name": "My house",
    "timezone": "Germany",
    "holiday_calendar": "germany",
    "import_limit_kw": "14 kW",
    "export_limit_kw": "5",
    "battery_kwh": "58 kWh",
    "consumption_kwh_per_100km": "18,5",
    "battery_price": "7 000 €",
    "charge_max_kw": "7,4 kW",
    "charge_min_kw": "1.4",
    "discharge_max_kw": "7.4",
    "discharge_min_kw": "1400 W",
    "discharge_to": "Building and grid",
    "set_by": "timer",
    "power_in": "",
    "setting_worth": "",
    "volts": "",
    "phases": "",
    "solar": "no",
    "currency": "eur",
    "offer_name": "",
    "daily_fee": "0,40",
    "day_price": "0,34 EUR",
    "night_price": "0.12",
    "night_hours": "11pm–7am",
    "export_price": "",
    "feed_in_price": "",
    "usual_trips": "mon-fri 7:30–18:00, 40 km; Sat 10:00-12:00 5 miles",
    "soc": "none",
}


def run(*words: object, typed: str = "") -> Result:
    return CliRunner().invoke(app, [*map(str, words)], input=typed)


def lines(answers: dict[str, str], **changes: str) -> str:
    """What is typed, a line per answer; a change may be several lines."""
    assert changes.keys() <= answers.keys()
    return "".join(f"{text}\n" for text in (answers | changes).values())


def portal_csv(days: int = 30, header: str = "Zeitpunkt;Bezug kWh;Status", kwh: str = "0,{0:03}") -> str:
    """A portal's file on the local clock, with a decimal comma, days first, up to a midnight in winter."""
    starts = (datetime(2026, 3, 2) - timedelta(hours=hours) for hours in range(days * 24, 0, -1))
    rows = [f"{start:%d.%m.%Y %H:%M};{kwh.format(200 + 7 * number % 500)};W" for number, start in enumerate(starts)]
    return "\n".join([header, *rows, ""])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A site made by answering every question, and what the screen showed."""
    folder = tmp_path_factory.mktemp("evening") / "home"
    result = run("new", folder, "--ask", typed=lines(ANSWERS, soc="62 %"))
    assert result.exit_code == 0, result.output
    return folder, result.output


def test_every_question_has_an_answer_here() -> None:
    hours = {"feed_in_hours", "settings_between"}
    assert list(ANSWERS) == [question.key for question in QUESTIONS if question.key not in hours]


def test_ordinary_answers_arrive_in_the_site(made: tuple[Path, str]) -> None:
    """Units, commas, a country for a zone, who sets the charger, and the usual trips, each as it was meant."""
    site, offer = read_site(made[0]), read_inputs(made[0]).offer
    assert (site.timezone, site.holiday_calendar) == ("Europe/Berlin", "DE")
    assert (site.car.battery_kwh, site.car.consumption_kwh_per_100km) == (58, 18.5)
    assert (site.charger.charge_max_kw, site.charger.discharge_min_kw, site.wear.battery_price) == (7.4, 1.4, 7000)
    assert (site.charger.discharge_to, offer.currency) == ("building-and-grid", "EUR")
    assert (site.setting.set_by, site.setting.max_blocks, site.setting.timer) == ("blocks", 4, True)
    assert [band.price_per_kwh for band in offer.import_bands] == [0.34, 0.12]
    assert (offer.import_bands[1].from_minute, offer.import_bands[1].to_minute) == (23 * 60, 7 * 60)
    trips = [(sorted(trip.days), trip.depart_minute, trip.return_minute) for trip in site.usual_trips]
    assert trips == [([0, 1, 2, 3, 4], 450, 1080), ([5], 600, 720)]
    assert [trip.distance_km for trip in site.usual_trips] == pytest.approx([40, 8.047])


def test_it_ends_with_a_check_and_a_first_plan(made: tuple[Path, str]) -> None:
    """The commands are shown as they would be typed; the plan is written, and says what it rests on."""
    folder, screen = made
    assert screen.index("overnight check") < screen.index("My house: no faults in") < screen.index("overnight plan")
    assert "load.csv is a placeholder, invented and not about your building" in screen
    (plan,) = (folder / "plans").iterdir()
    headline = json.loads((plan / "plan.json").read_text(encoding="utf-8"))["headline"]
    assert headline.startswith("On placeholder meter data, t")
    assert [path.name for path in folder.parent.iterdir()] == ["home"]  # the answers are no longer kept


@pytest.mark.parametrize(
    ("set_by", "power_in", "expected"),
    [
        ("myself", "kw", ("blocks", 4, 60, False)),
        ("Myself", "amps", ("current", 4, 60, False)),
        ("timer", "amps", ("current", 4, 60, True)),
        ("itself", None, ("schedule", 0, 0, False)),
    ],
)
def test_who_sets_the_charger(tmp_path: Path, set_by: str, power_in: str | None, expected: tuple[object, ...]) -> None:
    """By hand, by a timer or by something else; only where a person sets it, its unit is asked for."""
    answers = {**ANSWERS, "set_by": set_by, "power_in": power_in or ""}
    if power_in is None:
        del answers["power_in"], answers["setting_worth"]
    if set_by.lower() == "myself":
        answers["setting_worth"] += "\n"  # and when it can be set
    result = run("new", tmp_path / "home", "--ask", typed=lines(answers))
    assert result.exit_code == 0, result.output
    setting = read_site(tmp_path / "home").setting
    assert (setting.set_by, setting.max_blocks, setting.min_block_minutes, setting.timer) == expected


@pytest.mark.parametrize(
    ("worth", "between", "expected"),
    [
        ("", "", (None, (390, 1380))),
        ("0,10 EUR", "7am to 22:30", (0.1, (420, 1350))),
        ("0", "07:00-00:30", (0.0, (420, 30))),
        ("usual", "06:30-23:00", (None, (390, 1380))),
    ],
)
def test_what_a_setting_is_worth_and_when_it_can_be_made(
    tmp_path: Path, worth: str, between: str, expected: tuple[float | None, tuple[int, int]]
) -> None:
    """Enter takes the usual worth and waking hours, which the question shows; others are taken as they are typed."""
    result = run(
        "new", tmp_path / "home", "--ask", typed=lines(ANSWERS, set_by="myself", setting_worth=f"{worth}\n{between}")
    )
    assert result.exit_code == 0, result.output
    assert "such as 0.10" in result.output
    assert "[usual]" in result.output
    assert "[06:30-23:00]" in result.output
    setting = read_site(tmp_path / "home").setting
    assert (setting.worth, setting.between) == expected


WRONG_THEN_RIGHT = [
    ("setting_worth", "a lot", 'Found "a lot"; expected'),
    ("timezone", "Spain", "has more than one clock"),
    ("battery_kwh", "58000", "did you mean 58 (kWh, not Wh)?\n"),
    ("battery_kwh", "1,500", "did you mean 1.5 or 1500? Write one of these."),
    ("battery_kwh", "58 kW", 'Found "58 kW"; expected 1 to 2000 kWh.'),
    ("battery_price", "6.800", "did you mean 6800 or 6.8? Write one of these."),
    ("charge_min_kw", "4", "expected 0 to 3.7, or also --allow-unusual; did you mean 0.4?\n"),
    ("set_by", "perhaps", "expected myself, timer or itself"),
    ("day_price", "34", "34 is over 3 EUR per kWh; expected less, or also --allow-unusual; did you mean 0.34?\n"),
    ("day_price", "34 ct", "did you mean 0.34 (whole units of the currency, not hundredths)?\n"),
    ("night_hours", "11-7", 'Found "11-7"; expected two clock times that differ'),
    ("usual_trips", "mon-fri", "expected days, clock times and a distance"),
    ("usual_trips", "mon 8:00-18:00 5km; mon 9:00-10:00 3km", "is back at 18:00"),
    ("soc", "0,6", "did you mean 60 (percent, not a share)?\n"),
]


def as_options(answers: dict[str, str]) -> list[str]:
    """The same answers as options."""
    named = {f"--{key.replace('_', '-')}": text for key, text in answers.items() if text and key != "solar"}
    return [word for option in named.items() for word in option]


def test_options_take_the_same_spellings(tmp_path: Path) -> None:
    """Where nobody is asked, the same texts give the same site, without a plan."""
    result = run("new", tmp_path / "home", "--no-solar", *as_options(ANSWERS))
    assert result.exit_code == 0, result.output
    asked = new_home(tmp_path / "asked")
    for file in ("site.toml", "offers/offer.toml"):
        assert (tmp_path / "home" / file).read_text(encoding="utf-8") == (asked / file).read_text(encoding="utf-8")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["asked", "home"]


@pytest.mark.parametrize(("key", "wrong", "said"), WRONG_THEN_RIGHT)
def test_options_refuse_the_same_slips(tmp_path: Path, key: str, wrong: str, said: str) -> None:
    """Exit 2, the option is named, and nothing is written."""
    result = run("new", tmp_path / "home", "--no-solar", *as_options({**ANSWERS, key: wrong}))
    assert result.exit_code == 2
    assert f"--{key.replace('_', '-')}: " in result.stderr
    assert said.strip().rstrip(".").lower() in result.stderr.lower()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("key", "wrong", "said"), WRONG_THEN_RIGHT)
def test_a_slip_is_caught_at_its_question(tmp_path: Path, key: str, wrong: str, said: str) -> None:
    """It is said at once what is wrong, and the same question comes again."""
    result = run("new", tmp_path / "home", "--ask", typed=lines(ANSWERS, **{key: f"{wrong}\n{ANSWERS[key]}"}))
    assert result.exit_code == 0, result.output
    assert said in result.output
    (text,) = (question.text for question in QUESTIONS if question.key == key)
    assert result.output.count(text) == 2


def test_unusual_numbers_are_taken_if_they_are_meant(tmp_path: Path) -> None:
    """With --allow-unusual the files say so too, and are read without a fault."""
    typed = lines(ANSWERS, day_price="34", charge_min_kw="4")
    result = run("new", tmp_path / "home", "--ask", "--allow-unusual", typed=typed)
    assert result.exit_code == 0, result.output
    inputs = read_inputs(tmp_path / "home")
    assert (inputs.offer.import_bands[0].price_per_kwh, inputs.site.charger.charge_min_kw) == (34, 4)


def test_one_can_go_back(tmp_path: Path) -> None:
    """Two questions back, a new answer; what was answered in between is not asked again."""
    result = run("new", tmp_path / "home", "--ask", typed=lines(ANSWERS, battery_price="<\n<\n77 kWh\n7000"))
    assert result.exit_code == 0, result.output
    assert read_site(tmp_path / "home").car.battery_kwh == 77
    assert result.output.count("Car: consumption") == 2
    assert "[58 kWh]" in result.output


def test_at_the_first_question_there_is_nothing_to_go_back_to(tmp_path: Path) -> None:
    result = run("new", tmp_path / "home", "--ask", typed=lines(ANSWERS, name="<\nElsewhere"))
    assert result.exit_code == 0, result.output
    assert read_site(tmp_path / "home").name == "Elsewhere"


def test_stopped_questions_go_on_where_they_stopped(tmp_path: Path) -> None:
    """The answers lie beside the folder until the last; none is asked for twice, and going back reaches them."""
    first = dict(list(ANSWERS.items())[:9])
    stopped = run("new", tmp_path / "home", "--ask", typed=lines(first))
    assert stopped.exit_code == 2
    assert "Your answers are kept in" in stopped.stderr
    assert [path.name for path in tmp_path.iterdir()] == [".overnight-new-home.toml"]
    rest = dict(list(ANSWERS.items())[9:])
    result = run("new", tmp_path / "home", "--ask", typed=lines(rest, charge_min_kw="<\n7.0\n1.4"))
    assert result.exit_code == 0, result.output
    assert "Going on after the 9 answers of last time" in result.output
    assert "What is the place called" not in result.output
    charger = read_site(tmp_path / "home").charger
    assert (charger.charge_max_kw, charger.charge_min_kw) == (7.0, 1.4)
    assert [path.name for path in tmp_path.iterdir()] == ["home"]


def test_a_damaged_file_of_answers_is_no_obstacle(tmp_path: Path) -> None:
    (tmp_path / ".overnight-new-home.toml").write_text("name = ", encoding="utf-8")
    result = run("new", tmp_path / "home", "--ask", typed=lines(ANSWERS))
    assert result.exit_code == 0, result.output
    assert [path.name for path in tmp_path.iterdir()] == ["home"]


def new_home(folder: Path, **changes: str) -> Path:
    result = run("new", folder, "--ask", typed=lines(ANSWERS, **changes))
    assert result.exit_code == 0, result.output
    return folder


def test_a_meter_takes_the_place_of_the_placeholders(tmp_path: Path) -> None:
    """Columns are asked for and kept; no --replace is needed, and every note on placeholders goes."""
    folder, file = new_home(tmp_path / "home"), tmp_path / "portal.csv"
    assert placeholder_files(read_inputs(folder)) == ("load.csv",)
    file.write_text(portal_csv(), encoding="utf-8")
    result = run("read-meter", file, "--into", folder, "--ask", typed="9\n1\nbezug kwh\n\n\n")
    assert result.exit_code == 0, result.output
    assert "Expected a number from 1 to 3, or a column's name." in result.output
    assert "The placeholders are replaced, and READ-ME-FIRST.txt is removed." in result.output
    assert placeholder_files(read_inputs(folder)) == ()
    assert "PLACEHOLDER" not in (folder / "site.toml").read_text(encoding="utf-8")
    assert not (folder / "READ-ME-FIRST.txt").exists()
    checked = run("check", folder)
    assert (checked.exit_code, "placeholder" in checked.output) == (0, False)
    again = run("read-meter", file, "--into", folder, "--replace")
    assert again.exit_code == 0, again.output
    assert 'import_kwh = "Bezug kWh"' in (folder / "meter-columns.toml").read_text(encoding="utf-8")
    planned = run("plan", folder, "--soc", "62%", "--now", "2026-03-02 18:20", "--json")
    assert planned.exit_code == 0, planned.output
    assert "laceholder" not in planned.stdout


def test_one_own_meter_is_never_overwritten_unasked(tmp_path: Path) -> None:
    """Only placeholders go without --replace."""
    folder, file = new_home(tmp_path / "home"), tmp_path / "portal.csv"
    file.write_text(portal_csv(), encoding="utf-8")
    named = ("--column", "start=Zeitpunkt", "--column", 'import_kwh="Bezug kWh"')
    assert run("read-meter", file, "--into", folder, *named).exit_code == 0
    refused = run("read-meter", file, "--into", folder)
    assert refused.exit_code == 2
    assert "expected a new file, or --replace to overwrite this one" in refused.stderr


def test_solar_that_no_meter_counts_stays_a_placeholder(tmp_path: Path) -> None:
    """The note on load goes, that on solar stays, and so does the file that explains them."""
    folder, file = new_home(tmp_path / "home", solar="yes"), tmp_path / "portal.csv"
    file.write_text(portal_csv(), encoding="utf-8")
    named = ("--column", "start=Zeitpunkt", "--column", "import_kwh=Bezug kWh")
    result = run("read-meter", file, "--into", folder, *named)
    assert result.exit_code == 0, result.output
    assert "solar.csv is still a placeholder; remove data.solar" in " ".join(result.output.split())
    marked = [line for line in (folder / "site.toml").read_text(encoding="utf-8").split("\n") if "PLACEHOLDER" in line]
    assert [line.split()[0] for line in marked] == ["solar"]
    assert (folder / "READ-ME-FIRST.txt").exists()
    assert placeholder_files(read_inputs(folder)) == ("solar.csv",)
    shown = json.loads(run("check", folder, "--json").stdout)
    assert shown == {"faults": [], "placeholders": ["solar.csv"]}


def test_a_note_that_was_changed_is_left(tmp_path: Path) -> None:
    folder, file = new_home(tmp_path / "home"), tmp_path / "portal.csv"
    (folder / "READ-ME-FIRST.txt").write_text("my own words", encoding="utf-8")
    file.write_text(portal_csv(), encoding="utf-8")
    named = ("--column", "start=Zeitpunkt", "--column", "import_kwh=Bezug kWh")
    assert "was changed and is left as it is" in run("read-meter", file, "--into", folder, *named).output
    assert (folder / "READ-ME-FIRST.txt").read_text(encoding="utf-8") == "my own words"


def day_rows(names: list[str], extra: str = "") -> str:
    """A file with one row a day, 48 values each."""
    first = datetime(2026, 3, 2)
    rows = [
        ",".join([f"{first + timedelta(days=day):%Y-%m-%d}", *([extra] if extra else []), *["0.25"] * len(names)])
        for day in range(3)
    ]
    return "\n".join([",".join(["Tag", *(["Zähler"] if extra else []), *names]), *rows, ""])


HALF_HOURS = [f"{number // 2:02}:{number % 2 * 30:02}" for number in range(48)]
SEPARATE = "Datum,Uhrzeit,Netzbezug (kW)\n" + "".join(
    f"0{day}.03.2026,{hour:02}:00,0.5\n" for day in (2, 3, 4) for hour in range(24)
)
OWN_COLUMNS = [
    (day_rows(HALF_HOURS), ["date=Tag"], 3 * 48 * 0.25),
    (day_rows([f"{name}-x" for name in HALF_HOURS], "4711"), ["date=Tag"], 3 * 48 * 0.25),
    (SEPARATE, ["date=Datum", "time=Uhrzeit", "import_kw=Netzbezug (kW)"], 3 * 24 * 0.5),
]


@pytest.mark.parametrize(("text", "columns", "kwh"), OWN_COLUMNS, ids=["a row a day", "with a meter's number", "time"])
def test_a_portals_own_columns_are_read(tmp_path: Path, text: str, columns: list[str], kwh: float) -> None:
    """A row a day with its own first column and others besides, and a date apart from the time."""
    folder, file = new_home(tmp_path / "home"), tmp_path / "portal.csv"
    file.write_text(text, encoding="utf-8")
    result = run("read-meter", file, "--into", folder, "--json", *(f"--column={column}" for column in columns))
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["load_kwh"] == pytest.approx(kwh)


WRONG_COLUMNS = [
    (["import_kwh"], '--column: found "import_kwh"; expected NAME=COLUMN such as import_kwh="Bezug kWh"'),
    (["imports=Bezug kWh"], 'found "imports"; did you mean import_kw'),
    (["start=Zeitpunkt", "start=Status"], "start is given twice"),
    (["start=Zeitpunkt", "import_kwh=Zeitpunkt"], '"Zeitpunkt" is named twice'),
    (["start=Zeitpunkt", "import_kwh=Bezug"], 'the first line is "Zeitpunkt;Bezug kWh;Status"'),
    ([], 'or name its columns with --column start="…" --column import_kwh="…"'),
]


@pytest.mark.parametrize(("columns", "said"), WRONG_COLUMNS)
def test_a_column_that_is_not_there_is_a_fault(tmp_path: Path, columns: list[str], said: str) -> None:
    """One line, and nothing is written or kept."""
    folder, file = new_home(tmp_path / "home"), tmp_path / "portal.csv"
    file.write_text(portal_csv(days=2), encoding="utf-8")
    result = run("read-meter", file, "--into", folder, *(f"--column={column}" for column in columns))
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert said in result.stderr
    assert not (folder / "meter-columns.toml").exists()


SPANS = [
    (["--into", "SITE", "--from", "2026-03-03", "--to", "2026-03-03"], None),
    (["--to", "SITE", "--from", "2026-03-03", "--until", "2026-03-03"], None),
    (["--into", "SITE", "--from", "2026-03-03", "--until", "2026-03-03"], None),
    (["--to", "2026-03-03"], "--into: none given; expected the site's folder"),
    (["--into", "SITE", "--to", "elsewhere"], '--to: found "elsewhere"; expected a date'),
    (
        ["--into", "SITE", "--to", "2026-03-03", "--until", "2026-03-03"],
        "--until: this is the earlier spelling of --to",
    ),
]


@pytest.mark.parametrize(("words", "said"), SPANS)
def test_into_and_to_as_in_other_commands(tmp_path: Path, words: list[str], said: str | None) -> None:
    """`--into SITE --to DATE`, and the earlier `--to SITE --until DATE`."""
    folder, file = new_home(tmp_path / "home"), tmp_path / "meter.csv"
    file.write_text(SEPARATE, encoding="utf-8")
    named = [f"--column={each}" for each in OWN_COLUMNS[2][1]]
    result = run("read-meter", file, *named, "--json", *(str(folder) if word == "SITE" else word for word in words))
    if said is None:
        assert result.exit_code == 0, result.output
        assert json.loads(result.stdout)["load_kwh"] == pytest.approx(24 * 0.5)
    else:
        assert result.exit_code == 2
        assert said in result.stderr
