"""The bill by hand."""

from __future__ import annotations

import numpy as np
import pytest

from models.bill import export_credit, import_cost


def test_by_hand() -> None:
    """1 h of 2 kW at 0.30, 0.5 h of 4 kW at 0.10 and 0.25 h of 4 kW at -0.05 cost 0.60, 0.20 and -0.05."""
    hours, power = np.array([1.0, 0.5, 0.25]), np.array([2.0, 4.0, 4.0])
    assert import_cost(hours, power, np.array([0.30, 0.10, -0.05])) == pytest.approx([0.60, 0.20, -0.05])


def test_credit_by_hand() -> None:
    """Exported energy earns its price, and costs where that is below zero."""
    hours, power = np.array([1.0, 0.5]), np.array([3.0, 3.0])
    assert export_credit(hours, power, np.array([0.25, -0.02])) == pytest.approx([0.75, -0.03])
