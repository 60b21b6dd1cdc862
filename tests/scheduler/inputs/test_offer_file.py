"""An offer is read strictly, and none leaves an hour without an import price."""

from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.tariff.offer import Band, Offer
from scheduler.inputs.offer_file import read_offer
from tests.builders.sites import OFFER, changed, faults_of


@pytest.fixture(scope="module")
def offer_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("offers") / "offer.toml"


def faults(path: Path, changes: Mapping[str, str], has_calendar: bool = True) -> list[str]:
    path.write_text(changed(OFFER, changes), encoding="utf-8")
    return [line.removeprefix(f"{path.parent}/") for line in faults_of(lambda: read_offer(path, has_calendar))]


def test_a_valid_offer_is_read_with_its_bands_in_order(offer_path: Path) -> None:
    offer_path.write_text(changed(OFFER, {'to = "21:00"': 'to = "24:00"\ndays = ["sat", "sun"]\nmonths = [11, 12, 1]'}))
    assert read_offer(offer_path, has_calendar=True) == Offer(
        name="Evening feed-in",
        currency="EUR",
        daily_fee=0.74,
        import_bands=(Band(0.34), Band(0.12, 1380, 420)),
        export_bands=(Band(0.05), Band(0.45, 1080, 1440, frozenset({5, 6}), frozenset({1, 11, 12}))),
        holidays_count_as=6,
    )


def test_export_bands_and_holidays_are_optional_and_prices_may_be_negative(offer_path: Path) -> None:
    offer_path.write_text(
        'format = 1\nname = "x"\ncurrency = "EUR"\ndaily_fee = 0\n[[import]]\nprice_per_kwh = -0.02\n'
    )
    offer = read_offer(offer_path, has_calendar=False)
    assert offer.import_bands == (Band(-0.02),)
    assert offer.export_bands == ()
    assert offer.holidays_count_as is None


@pytest.mark.parametrize(
    ("band", "minutes"),
    [
        ("", (0, 1440)),
        ('from = "22:00"', (1320, 1440)),
        ('to = "06:00"', (0, 360)),
        ('from = "00:00"\nto = "24:00"', (0, 1440)),
        ('from = "22:00"\nto = "00:00"', (1320, 0)),
        ('from = "24:00"\nto = "06:00"', (1440, 360)),
    ],
)
def test_a_missing_end_of_a_band_is_the_start_or_end_of_the_day(
    offer_path: Path, band: str, minutes: tuple[int, int]
) -> None:
    offer_path.write_text(changed(OFFER, {'from = "18:00"\nto = "21:00"': band}))
    last = read_offer(offer_path, has_calendar=True).export_bands[-1]
    assert (last.from_minute, last.to_minute) == minutes


@pytest.mark.parametrize(
    "band",
    [
        'from = "18:00"\nto = "18:00"',
        'from = "00:00"\nto = "00:00"',
        'from = "24:00"\nto = "00:00"',
        'from = "24:00"\nto = "24:00"',
        'from = "24:00"',
        'to = "00:00"',
    ],
)
def test_a_band_that_ends_where_it_begins_is_a_fault(offer_path: Path, band: str) -> None:
    found = faults(offer_path, {'from = "18:00"\nto = "21:00"': band})
    assert len(found) == 1
    assert "offer.toml line 2" in found[0]
    assert "export[2]." in found[0]
    assert "expected times that differ" in found[0]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("format = 1", "format = 3", "1, the format that this version reads"),
        ('"EUR"', '"eur"', 'currency: found "eur"; expected three capital letters'),
        ('"EUR"', '"EURO"', 'currency: found "EURO"'),
        ("daily_fee = 0.74", "", "daily_fee: missing, and required: 0 to"),
        ("daily_fee = 0.74", "daily_fee = -1", "daily_fee: -1 is under 0"),
        ("daily_fee = 0.74", "daily_fe = 0.74", "daily_fe: unknown key; did you mean daily_fee?"),
        (
            'as = "sun"',
            'as = "Sunday"',
            'public_holidays_count_as: found "Sunday"; expected a day: "mon" to "sun"',
        ),
        ("0.34", '"0.34"', 'line 8, import[1].price_per_kwh: found "0.34"; expected -1000000 to'),
        ("0.34", "nan", "import[1].price_per_kwh: nan is not finite"),
        ("0.34", "inf", "import[1].price_per_kwh: inf is not finite"),
        ("0.12", "true", "import[2].price_per_kwh: found true"),
        ("price_per_kwh = 0.05", "price = 0.05", "export[1].price: unknown key; did you mean price_per_kwh?"),
        ('"07:00"', '"7"', 'import[2].to: found "7"; expected a clock time "00:00" to "24:00"'),
        ('"07:00"', '"24:01"', 'import[2].to: found "24:01"'),
        (
            '"21:00"',
            '"21:00"\nmonths = [0]',
            "export[2].months: found 0; expected a list of months 1 to 12",
        ),
        ('"21:00"', '"21:00"\nmonths = [13]', "export[2].months: found 13"),
        ('"21:00"', '"21:00"\nmonths = [1, 1]', "export[2].months: found 1 twice"),
        ('"21:00"', '"21:00"\nmonths = [true]', "export[2].months: found true"),
        ('"21:00"', '"21:00"\nmonths = []', "export[2].months: found []"),
        ('"21:00"', '"21:00"\ndays = ["sunday"]', 'export[2].days: found "sunday"'),
        ("[[export]]", "[[exports]]", "line 15, exports: unknown key; did you mean export?"),
    ],
)
def test_an_impossible_value_names_key_found_and_allowed(offer_path: Path, old: str, new: str, message: str) -> None:
    assert any(message in fault for fault in faults(offer_path, {old: new}))


def test_an_offer_without_import_bands_is_a_fault(offer_path: Path) -> None:
    for ending in ("", "import = []\n"):
        offer_path.write_text('format = 1\nname = "x"\ncurrency = "EUR"\ndaily_fee = 0\n' + ending)
        found = faults_of(lambda: read_offer(offer_path, has_calendar=False))
        assert len(found) == 1
        assert "1 to 200 [[import]] tables" in found[0]


@pytest.mark.parametrize(
    ("first_band", "when"),
    [
        ('from = "08:00"', "on a Monday in January at 07:00"),
        ('from = "06:00"\nto = "22:30"', "on a Monday in January at 22:30"),
        ('days = ["mon", "tue", "wed", "thu", "fri", "sat"]', "on a Sunday in January at 07:00"),
        ("months = [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12]", "on a Monday in October at 07:00"),
    ],
)
def test_bands_that_leave_an_hour_without_an_import_price_are_a_fault(
    offer_path: Path, first_band: str, when: str
) -> None:
    found = faults(offer_path, {"price_per_kwh = 0.34": f"price_per_kwh = 0.34\n{first_band}"})
    assert found == [f"offer.toml line 7, import: no import price {when}; expected bands that cover all times"]


def test_public_holidays_need_the_sites_calendar(offer_path: Path) -> None:
    found = faults(offer_path, {}, has_calendar=False)
    assert len(found) == 1
    assert "offer.toml line 5, public_holidays_count_as: it needs a holiday calendar" in found[0]


def test_all_faults_are_reported_at_once(offer_path: Path) -> None:
    changes = {'"EUR"': '"euro"', "0.12": '"x"', '"21:00"': '"18:00"', "0.05": "nan"}
    found = faults(offer_path, changes, has_calendar=False)
    assert [fault.split(":")[0].split(", ")[1] for fault in found] == [
        "currency",
        "public_holidays_count_as",
        "import[2].price_per_kwh",
        "export[1].price_per_kwh",
        "export[2].from",
    ]


def test_a_missing_an_empty_and_an_oversized_file_and_a_folder_are_one_fault_each(tmp_path: Path) -> None:
    (tmp_path / "empty.toml").write_bytes(b"")
    (tmp_path / "big.toml").write_bytes(b"nonsense " * 1_200_000)
    for name, message in {
        "no.toml": "there is no such file",
        "empty.toml": "the file is empty",
        "big.toml": "10.8 MB is too large",
        ".": "this is a folder",
    }.items():
        found = faults_of(lambda name=name: read_offer(tmp_path / name, has_calendar=True))
        assert len(found) == 1
        assert message in found[0]


@given(content=st.one_of(st.binary(), st.text().map(lambda text: text.encode("utf-8", "surrogatepass"))))
@settings(deadline=None)
def test_random_content_raises_nothing_but_input_faults(offer_path: Path, content: bytes) -> None:
    offer_path.write_bytes(content)
    assert faults_of(lambda: read_offer(offer_path, has_calendar=True))


@given(position=st.integers(0, len(OFFER)), length=st.integers(0, 30), middle=st.text(max_size=5))
@settings(deadline=None)
def test_a_damaged_offer_is_read_or_raises_input_faults(
    offer_path: Path, position: int, length: int, middle: str
) -> None:
    text = OFFER[:position] + middle + OFFER[position + length :]
    offer_path.write_bytes(text.encode("utf-8", "surrogatepass"))
    faults_of(lambda: read_offer(offer_path, has_calendar=True))
