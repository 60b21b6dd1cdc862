"""Interpret codes of Green Button files: which readings are interval energy, and which values were measured.

The codes are the enumerations of the published ESPI schema (NAESB REQ.21, espi.xsd of version 4.0, December 2023).
"""

from __future__ import annotations

from collections.abc import Mapping

WATT_HOURS = 72
"""UnitSymbolKind of the readings that are wanted."""

UNITS = {
    0: "no unit",
    5: "A",
    23: "°C",
    27: "s",
    29: "V",
    31: "J",
    33: "Hz",
    38: "W",
    39: "Pa",
    42: "m³",
    61: "VA",
    63: "VAr",
    65: "power factor",
    67: "V²",
    69: "A²",
    71: "VAh",
    73: "VArh",
    80: "money",
    100: "Q",
    101: "Qh",
    104: "V²h",
    105: "A²h",
    106: "Ah",
    109: "a status",
    111: "a count",
    114: "a code",
    119: "ft³",
    120: "ft³",
    122: "ft³/h",
    123: "ft³/h",
    125: "m³/h",
    126: "m³/h",
    127: "m³/h",
    128: "US gallons",
    129: "US gallons/h",
    130: "imperial gallons",
    131: "imperial gallons/h",
    132: "BTU",
    133: "BTU/h",
    134: "litres",
    137: "litres/h",
    140: "Pa",
    141: "psi",
    142: "psi",
    155: "Pa",
    156: "litres",
    157: "litres",
    166: "m³",
    167: "m³",
    169: "therms",
}
"""UnitSymbolKind: the other units that a meter of a building may count in."""

FORWARD, NET, REVERSE = 1, 4, 19
"""FlowDirectionKind: to the customer; to less from the customer, below 0 while exporting; from the customer."""

NO_DIRECTION = 0
"""FlowDirectionKind: not applicable; a ReadingType may also leave it out."""

MOST_POWER_OF_TEN = 12
"""UnitMultiplierKind goes from -12 to 12."""

ESTIMATED_QUALITIES = frozenset({8, 9, 12, 13, 15})
"""QualityOfReading that count as estimated or substituted.

Estimated from a reference day (8) or by interpolation (9), projected (12), of mixed quality (13: part of it may be
estimated) and normalized for weather (15: no longer what flowed). Not those that the schema does not call estimated:
manually edited (7, which may only be approved), derived (11), raw (14), other (16), validated (17), verified (18).
"""

QUESTIONABLE = 10
"""QualityOfReading: failed a check. It was measured, so it does not count as estimated, but the reader is told."""

_ELECTRICITY = frozenset({0, 1, 2, 26})  # CommodityKind; 0 is not applicable
_ELECTRICITY_SERVICE = 0  # ServiceKind
_SERVICES = {1: "gas", 2: "water", 3: "time", 4: "heat", 5: "refuse", 6: "sewerage", 7: "rates"}
_COMMODITIES = {4: "air", 7: "natural gas", 8: "propane", 9: "water", 10: "steam", 11: "waste water", 14: "water"}
_DIFFERENCES = frozenset({0, 4})  # AccumulationKind: implied by the unit, and energy of the interval
_ACCUMULATIONS = {
    1: "register reads",
    2: "sums over billing periods",
    3: "sums over billing periods",
    6: "momentary values",
    9: "register reads",
    12: "momentary values",
    13: "register reads",
    14: "register reads",
}
_WHOLE_ENERGY = frozenset({0, 2, 12, 26})  # DataQualifierKind: none, average, normal, sum
_DIRECTIONS = frozenset({NO_DIRECTION, FORWARD, NET, REVERSE})
_DIRECTIONS_TEXT = {20: "import and export added up", 21: "import and export added up"}


def why_not_electricity(codes: Mapping[str, int], service: int | None) -> str | None:
    """Return why readings are not of electricity, worded to follow a name; None if they are.

    Parameters
    ----------
    codes : of the ReadingType, by element name, those that it has.
    service : kind of the ServiceCategory of the UsagePoint, None if there is none.
    """
    if service is not None and service != _ELECTRICITY_SERVICE:
        return f"is of another service: {_SERVICES.get(service, f'kind {service}')}"
    commodity = codes.get("commodity", 0)
    if commodity not in _ELECTRICITY:
        return f"counts something other than electricity: {_COMMODITIES.get(commodity, f'commodity {commodity}')}"
    return None


def why_not_interval_energy(codes: Mapping[str, int]) -> str | None:
    """Return why readings of electricity are not interval energy, worded to follow a name; None if they are.

    Parameters
    ----------
    codes : of the ReadingType, by element name; `uom` is there and is one of `UNITS` or `WATT_HOURS`.
    """
    unit = codes["uom"]
    if unit != WATT_HOURS:
        return f"is in {UNITS[unit]} (uom {unit}), not in Wh"
    accumulation = codes.get("accumulationBehaviour", 0)
    if accumulation not in _DIFFERENCES:
        kind = _ACCUMULATIONS.get(accumulation, "another kind of value")
        return f"holds {kind} (accumulationBehaviour {accumulation}), not interval energy"
    qualifier = codes.get("dataQualifier", 0)
    if qualifier not in _WHOLE_ENERGY:
        return f"holds extremes or thresholds (dataQualifier {qualifier}), not interval energy"
    direction = codes.get("flowDirection", NO_DIRECTION)
    if direction not in _DIRECTIONS:
        counted = _DIRECTIONS_TEXT.get(direction, "neither import nor export")
        return f"counts {counted} (flowDirection {direction})"
    return None
