"""Made-up runs of a sweep, as runs.csv has them, for tests of its frontiers, figures and page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

WEIGHTS = (0.0, 0.5, 1.0, 2.0, 5.0, 10.0)


def made_up_runs(
    offers: Sequence[str] = ("Dusk tariff",),
    weights: Sequence[float] = WEIGHTS,
    gives: bool = True,
    settings: Sequence[object] = (0,),
    currency_scale: float = 1.0,
) -> pd.DataFrame:
    """A group an offer and setting: the money is 2 · sqrt(wear), so at weight w the wear is 1 / (0.3 + w) ** 2."""
    rows: list[dict[str, object]] = []
    for number, offer in enumerate(offers):
        for place, setting in enumerate(settings):
            size = currency_scale * 100 / (1 + 0.3 * number + 0.1 * place)
            for weight in weights:
                wear = 1 / (0.3 + weight) ** 2 if gives and weight < 10 else 0.0
                rows.append(_row(len(rows), "plan", offer, weight, setting, size, wear))
    for number, offer in enumerate(offers):
        for setting in settings:
            for policy in ("charge-only", "charge-on-return"):
                size = 0.0 if policy == "charge-on-return" else currency_scale * 100 / (1 + 0.3 * number)
                rows.append(_row(len(rows), policy, offer, 1.0, setting, size, 0.0))
    return pd.DataFrame(rows)


def _row(
    run: int, policy: str, offer: str, weight: float, setting: object, size: float, wear: float
) -> dict[str, object]:
    lost = 0.1 + 0.05 * wear
    by_law = {"flat": 0.8, "depth": 1.0, "stress": 1.3, "nmc": 2.5}
    cash_saved = size * (0.5 + 2 * float(np.sqrt(wear)))
    return {
        "run": run,
        "policy": policy,
        "offer": offer,
        "law": "depth",
        "weight": weight,
        "days": 14,
        "bill": 400 - cash_saved * 14 / 365.25,
        "discharged_kwh": 40 * wear,
        "exported_kwh": 20 * wear,
        "nights_discharged": 14 if wear else 0,
        "missed_departures": 0,
        "equivalent_full_cycles": 1 + wear,
        "capacity_lost_percent_a_year": lost,
        **{f"capacity_lost_percent_a_year_{law}": lost * factor for law, factor in by_law.items()},
        "cash_saved_a_year": cash_saved,
        "saving_a_year": cash_saved - size * wear,
        "discharge_value_a_year": size * (2 * float(np.sqrt(wear)) - wear),
        "charger.discharge_min_kw": setting,
    }


def made_up_manifest(**changes: object) -> dict[str, Any]:
    """What the manifest of the made-up runs holds."""
    return {
        "format": 1,
        "program": {"name": "overnight-scheduler", "version": "9.8.7", "fingerprint": "0f" * 32},
        "made_at": "2026-03-01T08:00:00+00:00",
        "site": "Saddlery",
        "currency": "EUR",
        "timezone": "Europe/Dublin",
        "first_day": "2026-02-02",
        "last_day": "2026-02-15",
        "days": 14,
        "forecast": "typical",
        "weights": list(WEIGHTS),
        "laws": ["depth"],
        "offers": [{"name": "Dusk tariff", "file": "offers/dusk.toml"}],
        "settings": {"charger.discharge_min_kw": [0]},
        "runs": 6,
        "notes": ["Two hours of load were filled."],
        "command": "overnight sweep saddlery --weights 0,0.5,1,2,5,10",
        "inputs": [{"file": "site.toml", "sha256": "ab12cd34ef56" + "0" * 52, "text": "secret"}],
        "versions": {"highspy": "1.14.0"},
        "platform": {"system": "Linux"},
        **changes,
    }
