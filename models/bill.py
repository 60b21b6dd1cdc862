"""What the meter's energy costs."""

from __future__ import annotations

from models.arrays import FloatArray


def import_cost(hours: FloatArray, import_kw: FloatArray, import_price: FloatArray) -> FloatArray:
    """Money for imported energy in each interval, shape (n,): hours [h] × power [kW] × price [money per kWh]."""
    return hours * import_kw * import_price


def export_credit(hours: FloatArray, export_kw: FloatArray, export_price: FloatArray) -> FloatArray:
    """Money earned by exported energy in each interval, shape (n,); negative where exporting costs."""
    return hours * export_kw * export_price
