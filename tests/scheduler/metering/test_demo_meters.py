"""The demo sites' meter files hold what their load and solar come to."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.builders.places import SCENARIOS


def series(site: str, file: str) -> pd.DataFrame:
    """A CSV of a site, by its UTC start."""
    frame = pd.read_csv(SCENARIOS / site / file)
    return frame.set_index(pd.DatetimeIndex(pd.to_datetime(frame.pop("start"), utc=True)).as_unit("s"))


def test_plain_meter_file() -> None:
    """The bookbindery's meter file covers its quarter, and its channels add up to the load: import + made − export."""
    meter, load = series("bookbindery", "meter.csv"), series("bookbindery", "load.csv")
    assert meter.index[0] == pd.Timestamp("2025-10-01T00:00+03:00")
    assert meter.index[-1] == pd.Timestamp("2025-12-31T23:00+02:00")
    assert (meter.index[1:] - meter.index[:-1]).unique().tolist() == [pd.Timedelta(hours=1)]
    used = meter["import_kwh"] + meter["generation_kwh"] - meter["export_kwh"]
    assert used.to_numpy() == pytest.approx(load["kw"][meter.index].to_numpy(), abs=2e-3)
    assert (meter["import_kwh"] * meter["export_kwh"] == 0).all()
    assert meter["export_kwh"].max() > 0


def test_nem12_meter_file() -> None:
    """The boatyard's NEM12 file, unpacked by hand: days in market time, import and export of load and solar."""
    lines = (SCENARIOS / "boatyard" / "meter-nem12.csv").read_text("utf-8").splitlines()
    assert lines[0].startswith("100,NEM12,")
    assert lines[-1] == "900"
    load, solar = series("boatyard", "load.csv")["kw"], series("boatyard", "solar.csv")["kw"]
    found: dict[str, dict[pd.Timestamp, float]] = {"E1": {}, "B1": {}}
    estimated = 0
    for number, line in enumerate(lines):
        cells = line.split(",")
        if cells[0] == "200":
            channel = cells[4]
        if cells[0] != "300":
            continue
        quality = [cells[50]] * 48
        for event in lines[number + 1 : number + 5] if cells[50] == "V" else []:
            if event.startswith("400,"):
                first, last, kind = event.split(",")[1:4]
                quality[int(first) - 1 : int(last)] = [kind] * (int(last) - int(first) + 1)
            else:
                break
        assert "V" not in quality
        midnight = pd.Timestamp(cells[1] + "T00:00+10:00").tz_convert("UTC")
        estimated += sum(kind == "E52" for kind in quality)
        for at, kind in enumerate(quality):
            if kind == "A":
                found[channel][midnight + pd.Timedelta(minutes=30 * at)] = float(cells[2 + at])
    assert estimated > 100
    surplus = (solar - load).clip(upper=1.5)  # what would go over the site's export limit is not made
    for channel, kw in (("E1", -surplus), ("B1", surplus)):
        kwh = pd.Series(found[channel])
        assert kwh.index[0] == load.index[0]
        assert kwh.index[-1] == pd.Timestamp("2026-03-31T23:30+10:00")
        assert kwh.to_numpy() == pytest.approx(0.5 * kw[kwh.index].clip(lower=0).to_numpy(), abs=6e-4)
