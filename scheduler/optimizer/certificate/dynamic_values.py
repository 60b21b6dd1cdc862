"""Piecewise linear functions of stored energy, neither convex nor continuous, and what a dynamic program does to them.

A function is a row of cells: each has two ends and is straight between them. Where two cells meet, the value is the
lower of the two sides; where there is no cell, nothing is allowed. Many functions, of several modes and several
problems, lie side by side on one line, each in a lane of its own, so that one array operation serves them all.

Every operation gives the exact function, or one below it by no more than a tolerance: within a cell a minimum of
straight lines is concave, so that the chord between its ends never lies above it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray

FAR = 1e9
"""Value of what is not allowed."""
SAME_KWH = 1e-9
"""Ends of cells closer than this are one [kWh]."""
ROUNDING = 4e-15
"""Nor is one that is this share of the values: their rounding alone makes such bends, more with every interval."""
STRAIGHT = 1e-11
"""An edge this close to the chord over both its cells is no bend."""


_TRUE = np.ones(1, dtype=np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Functions side by side: cells in rising order, which touch or leave gaps.

    Attributes
    ----------
    begin, end : ends of the cells, on the common line, shape (cells,).
    left, right : values there, shape (cells,).
    """

    begin: FloatArray
    end: FloatArray
    left: FloatArray
    right: FloatArray

    def only(self, keep: BoolArray) -> Cells:
        """Return the cells to keep."""
        return self if keep.all() else Cells(self.begin[keep], self.end[keep], self.left[keep], self.right[keep])

    def within(self, least: FloatArray, most: FloatArray) -> Cells:
        """Return the cells between two ends, given for each cell or for all."""
        if (self.begin >= least).all() and (self.end <= most).all():
            return self
        keep = (self.end > least + SAME_KWH) & (self.begin < most - SAME_KWH)
        if not keep.all():
            shape = self.begin.shape
            return self.only(keep).within(np.broadcast_to(least, shape)[keep], np.broadcast_to(most, shape)[keep])
        begin, end = np.maximum(self.begin, least), np.minimum(self.end, most)
        slope = (self.right - self.left) / (self.end - self.begin)
        left, right = self.left + slope * (begin - self.begin), self.right - slope * (self.end - end)
        return Cells(begin, end, left, right).only(end - begin > SAME_KWH)

    def cut_at(self, points: FloatArray) -> Cells:
        """Return the same functions with an end of a cell at each point that lies within one."""
        cell = np.searchsorted(self.begin, points) - 1
        inside = (cell >= 0) & (points > self.begin[cell] + SAME_KWH) & (points < self.end[cell] - SAME_KWH)
        if not inside.any():
            return self
        points, first = np.unique(points[inside], return_index=True)
        apart = np.concatenate([points[1:] - points[:-1] > SAME_KWH, [True]])
        points, cell = points[apart], cell[inside][first][apart]
        order = np.argsort(np.concatenate([self.begin, points]), kind="stable")
        cell = np.concatenate([np.arange(len(self.begin)), cell])[order]
        begin = np.concatenate([self.begin, points])[order]
        end = np.minimum(np.append(begin[1:], np.inf), self.end[cell])
        slope = ((self.right - self.left) / (self.end - self.begin))[cell]
        base = self.left[cell] - slope * self.begin[cell]
        return Cells(begin, end, base + slope * begin, base + slope * end)

    def thinned(self, tolerance: float) -> Cells:
        """Return the functions with some neighbours made one cell: nowhere above, below by at most twice the tolerance.

        Parameters
        ----------
        tolerance : two cells become one where both sides of their common end are this close to the chord over both.
        """
        begin, end, left, right = self.begin, self.end, self.left, self.right
        if len(begin) < 2:
            return self
        start, stop = begin[:-1], end[1:]
        bend = right[:-1]
        low, high = np.minimum(bend, left[1:]), np.maximum(bend, left[1:])
        chord = left[:-1] + (right[1:] - left[:-1]) * ((end[:-1] - start) / (stop - start))
        under = chord - low
        most = np.maximum(under, high - chord)
        most[end[:-1] != begin[1:]] = np.inf
        straight = max(STRAIGHT, ROUNDING * float(np.abs(left).max()))
        joined = most <= straight
        pair = _every_other(most, joined, tolerance if tolerance > straight else 0.0)
        if len(pair):
            joined[pair] = True
        elif not joined.any():
            return self
        stays = ~joined
        first, last = np.concatenate([_TRUE, stays]), np.concatenate([stays, _TRUE])
        low_left, low_right = left[first], right[last]
        if len(pair):
            drop = np.maximum(0.0, under[pair])
            at = first.cumsum()[pair] - 1
            low_left[at] -= drop
            low_right[at] -= drop
        return Cells(begin[first], end[last], low_left, low_right)


def _every_other(most: FloatArray, straight: BoolArray, tolerance: float) -> IntArray:
    """Return the ends between cells to be joined though they bend, of each run every other, none beside a straight one.

    Parameters
    ----------
    most : how far the bend at each end between two cells is from their chord, shape (cells - 1,).
    straight : where that is nothing.
    """
    if tolerance <= STRAIGHT:
        return np.zeros(0, dtype=np.int64)
    pair = np.flatnonzero((most <= tolerance) & ~straight)
    if not len(pair):
        return pair
    run = np.arange(len(pair))
    begins = np.concatenate([_TRUE, pair[1:] - pair[:-1] > 1])
    pair = pair[(run - np.maximum.accumulate(np.where(begins, run, 0))) % 2 == 0]
    beside = straight[np.maximum(pair - 1, 0)] | straight[np.minimum(pair + 1, len(straight) - 1)]
    return np.asarray(pair[~beside])


class Layer:
    """Functions made ready to be looked up: every place on the line belongs to a cell, gaps among them.

    Attributes
    ----------
    edges : ends of the cells, rising, shape (k,).
    intercept, slope : of the cell before the first edge, of each, and after the last, shape (k + 1,).
    nodes : value at each edge, the lower of both sides, and one that is FAR, shape (k + 1,).
    """

    __slots__ = ("edges", "intercept", "nodes", "slope")

    def __init__(self, cells: Cells) -> None:
        begin, end, left, right = cells.begin, cells.end, cells.left, cells.right
        opens = np.flatnonzero(np.concatenate([begin[1:] - end[:-1] > SAME_KWH / 2, _TRUE]))
        count, slope = len(begin) + len(opens), (right - left) / (end - begin)
        at = np.arange(1, len(begin) + 1)
        at[1:] += np.cumsum(np.bincount(opens, minlength=len(begin)))[:-1]
        gaps = at[opens] + 1  # the first edge has the number 0, the cell after it the number 1
        self.edges = np.empty(count)
        self.edges[at - 1], self.edges[gaps - 1] = begin, end[opens]
        self.slope, self.intercept = np.zeros(count + 1), np.full(count + 1, FAR)
        self.slope[at], self.intercept[at] = slope, left - slope * begin
        self.nodes, before = np.full(count + 1, FAR), np.full(count + 1, FAR)
        self.nodes[at - 1], before[at] = left, right
        np.minimum(self.nodes, before, out=self.nodes)
        self.nodes[-1] = FAR

    def at(self, places: FloatArray) -> FloatArray:
        """Return values at places on the line, of their shape; at an edge the lower side."""
        low = self.edges.searchsorted(places - SAME_KWH)
        high = self.edges.searchsorted(places + SAME_KWH)
        return np.minimum(
            self.intercept[low] + self.slope[low] * places, self.intercept[high] + self.slope[high] * places
        )


@dataclass(frozen=True, slots=True, eq=False)
class Ways:
    """Ways from one boundary to the next: steps on the line at a price, and pieces of anything between.

    Attributes
    ----------
    lane : the mode each way is of, shape (ways,).
    shift_kwh, money : what each way changes and costs, shape (ways,).
    given_kwh : energy that leaves the charger, AC side [kWh], shape (ways,).
    begin, until : ways between which anything is allowed too, at a straight price, shape (pieces,).
    price, given_price : money and energy given away by each piece [per kWh], shape (pieces,).
    order : ways and pieces, idling first, then those of charging, then those of discharging.
    charges, discharges : which of those in that order are of charging, and of discharging.
    """

    lane: IntArray
    shift_kwh: FloatArray
    money: FloatArray
    given_kwh: FloatArray
    begin: IntArray
    until: IntArray
    price: FloatArray
    given_price: FloatArray
    order: IntArray
    charges: slice
    discharges: slice

    @classmethod
    def of(
        cls, lane: list[int], shift_kwh: list[float], money: list[float], given_kwh: list[float], begin: list[int]
    ) -> Ways:
        """Return the ways, of which the first idles, and those at `begin` and right after them have pieces between."""
        width = [shift_kwh[way + 1] - shift_kwh[way] for way in begin]
        price = [(money[way + 1] - money[way]) / wide for way, wide in zip(begin, width, strict=True)]
        given_price = [(given_kwh[way + 1] - given_kwh[way]) / wide for way, wide in zip(begin, width, strict=True)]
        kind = [*lane, *(lane[way] for way in begin)]
        order = [0, *(k for k, each in enumerate(kind) if each == 0), *(k for k, each in enumerate(kind) if each == 1)]
        border = 1 + kind.count(0)
        here = np.array(begin, dtype=np.int64)
        return cls(
            np.array(lane),
            np.array(shift_kwh),
            np.array(money),
            np.array(given_kwh),
            here,
            here + 1,
            np.array(price),
            np.array(given_price),
            np.array(order),
            slice(1, border),
            slice(border, len(order)),
        )

    def start_of(self, start: float, modes: int) -> FloatArray:
        """Return what a start costs on each line in `order`, by the mode before, shape (lines, modes)."""
        extra = np.full((len(self.order), modes), start)
        extra[0] = 0.0
        if modes > 1:
            extra[self.charges, 0] = extra[self.discharges, 1] = 0.0
        return extra


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Straight lines in cells, idling first, then those of charging, then those of discharging.

    Attributes
    ----------
    begin, end : ends of the cells, rising, shape (cells,).
    left, right : values of the lines there, shape (lines, cells).
    """

    begin: FloatArray
    end: FloatArray
    left: FloatArray
    right: FloatArray


def lines_before(
    after: Layer, steps: FloatArray, ways: Ways, begin: FloatArray, end: FloatArray, dear: Dear | None = None
) -> Lines:
    """Return straight lines whose minimum is the least money over all ways, in cells that no bend lies within.

    Parameters
    ----------
    steps : of each way on the line, change of lane included, shape (ways,).
    begin, end : ends of the cells, shape (cells,).
    dear : prices of energy given away, where any is not 0.
    """
    count = len(steps)
    money = ways.money[:, None] if dear is None else ways.money[:, None] + ways.given_kwh[:, None] * dear.cells
    cell = after.edges.searchsorted((begin + end) / 2 + steps[:, None])
    base, slope = np.empty((count + len(ways.begin), len(begin))), np.empty((count + len(ways.begin), len(begin)))
    slope[:count] = after.slope[cell]
    base[:count] = slope[:count] * steps[:, None]
    base[:count] += after.intercept[cell]
    base[:count] += money
    if len(ways.begin):
        first, last = cell[ways.begin], cell[ways.until]
        value = after.nodes[:-1] + ways.price[:, None] * after.edges
        price = ways.price[:, None]
        if dear is not None:
            value += ways.given_price[:, None] * dear.edges * after.edges
            price = price + ways.given_price[:, None] * dear.cells
        inside = least_between(value, first, last)
        inside += (money if dear is not None else ways.money[:, None])[ways.begin]
        inside -= price * steps[ways.begin][:, None]
        base[count:], slope[count:] = inside, -price
    base, slope = base[ways.order], slope[ways.order]
    left = slope * begin
    left += base
    slope *= end
    slope += base
    return Lines(begin, end, left, slope)


@dataclass(frozen=True, slots=True, eq=False)
class Dear:
    """Price of energy given away at each cell and at each edge of the values after it [per kWh]."""

    cells: FloatArray
    edges: FloatArray


def least_between(value: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return the least of a row of values from first until before last, FAR where there is none.

    Parameters
    ----------
    value : shape (rows, edges). first, last : shape (rows, n), at most the number of edges.
    """
    rows, edges = value.shape
    padded = np.empty((rows, edges + 1))
    padded[:, :-1], padded[:, -1] = value, FAR
    ends = np.empty((*first.shape, 2), dtype=np.int64)
    offset = (np.arange(rows) * (edges + 1))[:, None]
    ends[..., 0], ends[..., 1] = first + offset, last + offset
    least = np.minimum.reduceat(padded.ravel(), ends.ravel())[::2].reshape(first.shape)
    least[first >= last] = FAR
    return np.asarray(least)


def lowest(
    lines: Lines, stand: tuple[FloatArray, FloatArray], ways: Ways, start: float, by_mode: FloatArray, tolerance: float
) -> Cells:
    """Return the minimum of lines in each cell by the mode before, or chords below it where it hardly bends.

    Where the minimum bends by more than the tolerance, the cell is cut where the lowest line at its left crosses that
    at its right.

    Parameters
    ----------
    stand : what is added at the left and right end of each cell, straight in between, shape (cells,) each.
    start : what another mode than idling costs where the mode before was not the same.
    by_mode : where the lanes of the modes before begin, shape (3,) for charging, discharging and idling, or (1,).
    """
    left, right = _by_mode(lines.left, ways, start, len(by_mode)), _by_mode(lines.right, ways, start, len(by_mode))
    twice = _by_mode(lines.left + lines.right, ways, 2 * start, len(by_mode))
    # a concave function is at most twice as far above its chord as it is in the middle
    twice -= left
    twice -= right
    bends = np.flatnonzero((twice > max(tolerance, STRAIGHT)) & (left < FAR / 2))
    left += stand[0]
    right += stand[1]
    begin, end = (lines.begin + by_mode[:, None]).ravel(), (lines.end + by_mode[:, None]).ravel()
    low_left, low_right = left.ravel(), right.ravel()
    if len(bends):
        mode, cell = np.divmod(bends, len(lines.begin))
        extra = ways.start_of(start, len(by_mode))[:, mode]
        from_left, from_right = lines.left[:, cell] + extra, lines.right[:, cell] + extra
        from_left += stand[0][cell]
        from_right += stand[1][cell]
        which, share, value = _crossings(from_left, from_right, tolerance)
        width = (end[bends] - begin[bends])[which]
        far = share * width
        keep = (far > SAME_KWH) & (width - far > SAME_KWH)
        keep[1:] &= (which[1:] > which[:-1]) | (far[1:] - far[:-1] > SAME_KWH)
        if keep.any():
            bends = bends[which[keep]]
            return _cut(Cells(begin, end, low_left, low_right), bends, begin[bends] + far[keep], value[keep])
    return Cells(begin, end, low_left, low_right)


def _by_mode(value: FloatArray, ways: Ways, start: float, modes: int) -> FloatArray:
    """Return the least of lines by the mode before, shape (modes, cells)."""
    charge, discharge = ways.charges, ways.discharges
    least = np.empty((modes, value.shape[1]))
    idle = least[-1]
    np.minimum.reduce(value[1:], axis=0, out=idle)
    idle += start
    np.minimum(idle, value[0], out=idle)
    if modes > 1:
        for mode, own in enumerate((charge, discharge)):
            least[mode] = idle
            if own.start < own.stop:
                np.minimum(np.minimum.reduce(value[own], axis=0), idle, out=least[mode])
    return least


def _crossings(left: FloatArray, right: FloatArray, tolerance: float) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return where the minimum of lines bends by more than the tolerance: where its lowest lines cross.

    Parameters
    ----------
    left, right : values of the lines at both ends, shape (lines, cells).

    Returns
    -------
    Number of the cell, share of the way through it [0 to 1], and value there, in rising order, shape (crossings,) each.
    """
    run = np.arange(left.shape[1])
    here, there = left.argmin(axis=0), right.argmin(axis=0)
    low_left, low_right = left[here, run], right[there, run]
    rises = left[there, run] - low_left
    total = rises + right[here, run] - low_right
    share = rises / np.where(total > 0, total, 1.0)
    value = (left * (1 - share) + right * share).min(axis=0)
    bulge = value - (low_left * (1 - share) + low_right * share)
    third = np.flatnonzero(low_left * (1 - share) + right[here, run] * share - value > max(tolerance, STRAIGHT))
    own = np.flatnonzero(bulge > tolerance)
    if not len(third):
        return own, share[own], value[own]
    found = [(int(cell), float(share[cell]), float(value[cell])) for cell in own]
    for cell in third.tolist():
        middle = left[:, cell] * (1 - share[cell]) + right[:, cell] * share[cell]
        low, high = float(share[cell]), 1 - float(share[cell])
        first = _crossings(left[:, [cell]], middle[:, None], tolerance)
        second = _crossings(middle[:, None], right[:, [cell]], tolerance)
        found += [(cell, low * at, worth) for at, worth in zip(first[1].tolist(), first[2].tolist(), strict=True)]
        found += [
            (cell, low + high * at, worth) for at, worth in zip(second[1].tolist(), second[2].tolist(), strict=True)
        ]
        if bulge[cell] <= tolerance:
            found.append((cell, low, float(value[cell])))
    cells, shares, values = zip(*sorted(found), strict=True)
    return np.array(cells, np.int64), np.array(shares), np.array(values)


def _cut(cells: Cells, which: IntArray, middle: FloatArray, value: FloatArray) -> Cells:
    """Return the cells with some of them cut where the value between their ends is given.

    Parameters
    ----------
    which : numbers of the cells, rising, one for each cut. middle : where it is, rising in each cell.
    """
    count = len(cells.begin)
    at = np.arange(count)
    at[1:] += np.cumsum(np.bincount(which, minlength=count))[:-1]
    run = np.arange(len(which))
    first = np.concatenate([_TRUE, which[1:] > which[:-1]])
    new = at[which] + 1 + run - np.maximum.accumulate(np.where(first, run, 0))
    found = [np.empty(count + len(which)) for _ in range(4)]
    for array, old in zip(found, (cells.begin, cells.end, cells.left, cells.right), strict=True):
        array[at] = old
    begin, end, left, right = found
    end[new], right[new] = cells.end[which], cells.right[which]
    begin[new] = end[new - 1] = middle
    left[new] = right[new - 1] = value
    return Cells(begin, end, left, right)
