"""Piecewise linear functions of stored energy, neither convex nor continuous, and what a dynamic program does to them.

A function is a row of cells that touch: each has a left and a right end and is straight between them. Where two
cells meet, the value is the lower of the two sides. What cannot be reached has the value `FAR`.

Every operation gives the exact function, or one below it by no more than a tolerance: within a cell a minimum of
straight lines is concave, so that the chord between its ends never lies above it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray, IntArray

FAR = 1e9
"""Value of what cannot be reached."""
STRAIGHT = 1e-12
"""An edge this close to the chord over both its cells is no bend."""
SAME_KWH = 1e-9
"""Ends of cells closer than this are one [kWh]."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A function of stored energy.

    Attributes
    ----------
    edges : ends of the cells, rising [kWh], shape (cells + 1,).
    left, right : value at the two ends of each cell [money], shape (cells,).
    """

    edges: FloatArray
    left: FloatArray
    right: FloatArray

    @property
    def slope(self) -> FloatArray:
        """Money per kWh in each cell, shape (cells,)."""
        return (self.right - self.left) / np.diff(self.edges)

    def nodes(self) -> FloatArray:
        """Value at each edge: the lower of both sides [money], shape (cells + 1,)."""
        return np.minimum(np.append(self.left, FAR), np.insert(self.right, 0, FAR))

    def at(self, stored_kwh: FloatArray) -> FloatArray:
        """Values at stored energies [kWh] within the edges, its shape; at an edge the lower side."""
        low = np.searchsorted(self.edges, stored_kwh - SAME_KWH) - 1
        high = np.searchsorted(self.edges, stored_kwh + SAME_KWH) - 1
        last = len(self.left) - 1
        return np.minimum(self._on(np.clip(low, 0, last), stored_kwh), self._on(np.clip(high, 0, last), stored_kwh))

    def _on(self, cell: IntArray, stored_kwh: FloatArray) -> FloatArray:
        first, last = self.edges[cell], self.edges[cell + 1]
        share = np.clip((stored_kwh - first) / (last - first), 0.0, 1.0)
        return self.left[cell] + share * (self.right[cell] - self.left[cell])


def distinct(edges: FloatArray) -> FloatArray:
    """Sorted edges without those that are closer than SAME_KWH to the one before."""
    keep = np.empty(len(edges), dtype=np.bool_)
    keep[0] = True
    np.greater(edges[1:] - edges[:-1], SAME_KWH, out=keep[1:])
    return edges[keep]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Ways from here to the next boundary by one function there: shifts of stored energy, each at a price.

    Attributes
    ----------
    shift_kwh, money : what each way changes and costs, shape (ways,).
    begin, until : ways between which anything is allowed too, at the straight price in between, shape (pieces,).
    slope : that price [money per kWh], shape (pieces,).
    """

    shift_kwh: FloatArray
    money: FloatArray
    begin: IntArray
    until: IntArray
    slope: FloatArray


def edges_before(after: Cells, rows: Rows) -> FloatArray:
    """Where the value of the ways may bend: the edges, shifted back; unsorted [kWh]."""
    return (after.edges[None, :] - rows.shift_kwh[:, None]).ravel()


def lines_before(after: Cells, rows: Rows, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Straight lines whose minimum is the least money over all ways, in cells that no bend lies within.

    Parameters
    ----------
    edges : ends of the cells [kWh], shape (cells + 1,), with every one of `edges_before` among them.

    Returns
    -------
    left, right : values of the lines at the two ends of each cell [money], shape (ways + pieces, cells).
    """
    middle = (edges[:-1] + edges[1:]) / 2
    cell = np.searchsorted(after.edges, middle + rows.shift_kwh[:, None])
    starts = np.concatenate([after.edges[:1], after.edges])
    values = np.concatenate([[FAR], after.left, [FAR]])[cell]
    slopes = np.concatenate([[0.0], after.slope, [0.0]])[cell]
    offset = values + rows.money[:, None] + slopes * (rows.shift_kwh[:, None] - starts[cell])
    left, right = offset + slopes * edges[:-1], offset + slopes * edges[1:]
    if not len(rows.begin):
        return left, right
    price = rows.slope[:, None]
    by_piece = np.full((len(rows.begin), len(after.edges) + 2), FAR)
    by_piece[:, :-2] = after.nodes() + price * after.edges
    width = by_piece.shape[1]
    row_start = (np.arange(len(rows.begin)) * width)[:, None]
    first, last = cell[rows.begin], cell[rows.until]
    ends = np.stack([first + row_start, last + row_start], axis=-1)
    inside = np.minimum.reduceat(by_piece.ravel(), ends.ravel())[::2].reshape(first.shape)
    constant = np.where(first < last, inside + rows.money[rows.begin][:, None], FAR)
    constant -= price * rows.shift_kwh[rows.begin][:, None]
    return (
        np.concatenate([left, constant - price * edges[:-1]]),
        np.concatenate([right, constant - price * edges[1:]]),
    )


def lowest(edges: FloatArray, left: FloatArray, right: FloatArray, tolerance: float) -> Cells:
    """The minimum of lines in each cell, below it by no more than is told by the tolerance and one bend a cell.

    Parameters
    ----------
    left, right : values at the ends of the cells, shape (lines, cells).
    tolerance : a bend that lies above its chord by less than this is left out [money].
    """
    at = np.arange(left.shape[1])
    here, there = left.argmin(axis=0), right.argmin(axis=0)
    low_left, low_right = left[here, at], right[there, at]
    cross = np.flatnonzero(here != there)
    if len(cross):
        a, b = here[cross], there[cross]
        begins = left[b, cross] - low_left[cross]
        ends = right[a, cross] - low_right[cross]
        both = begins + ends
        share = np.where(both > 0, begins / np.where(both > 0, both, 1.0), 0.0)
        value = (left[:, cross] * (1 - share) + right[:, cross] * share).min(axis=0)
        bulge = value - (low_left[cross] * (1 - share) + low_right[cross] * share)
        width = edges[cross + 1] - edges[cross]
        keep = (bulge > tolerance) & (share * width > SAME_KWH) & ((1 - share) * width > SAME_KWH)
        if keep.any():
            cross, share, value, width = cross[keep], share[keep], value[keep], width[keep]
            edges = np.insert(edges, cross + 1, edges[cross] + share * width)
            low_left = np.insert(low_left, cross + 1, value)
            low_right = np.insert(low_right, cross, value)
    return Cells(edges, low_left, low_right)


def thinned(cells: Cells, tolerance: float) -> Cells:
    """The function with some neighbouring cells made one, nowhere above it and below it by no more than twice a bit.

    Parameters
    ----------
    tolerance : two cells become one where their common edge lies this close to the chord over both.
    """
    edges, left, right = cells.edges, cells.left, cells.right
    if len(left) < 2:
        return cells
    chord = left[:-1] + (right[1:] - left[:-1]) * (edges[1:-1] - edges[:-2]) / (edges[2:] - edges[:-2])
    under = chord - np.minimum(right[:-1], left[1:])
    over = np.maximum(right[:-1], left[1:]) - chord
    away = np.maximum(under, over)
    straight = away <= STRAIGHT
    close = away <= tolerance
    pair = close & ~straight
    if pair.any():
        run = np.arange(len(pair))
        begins = run - np.maximum.accumulate(np.where(close & ~straight, -1, run))
        pair &= begins % 2 == 1
        pair[1:] &= ~straight[:-1]
        pair[:-1] &= ~straight[1:]
    goes = straight | pair
    if not goes.any():
        return cells
    first = np.concatenate([[True], ~goes])
    last = np.concatenate([~goes, [True]])
    lowered_left, lowered_right = left[first], right[last]
    if pair.any():
        drop = np.maximum(0.0, under[pair])
        at = np.cumsum(first)[np.flatnonzero(pair)] - 1
        lowered_left[at] -= drop
        lowered_right[at] -= drop
    return Cells(np.concatenate([edges[:-1][first], edges[-1:]]), lowered_left, lowered_right)


def within(cells: Cells, least_kwh: float, most_kwh: float) -> Cells | None:
    """The function between two stored energies, None if it has nothing there."""
    edges = cells.edges
    if least_kwh <= edges[0] and most_kwh >= edges[-1]:
        return cells
    first = max(0, int(np.searchsorted(edges, least_kwh + SAME_KWH)) - 1)
    last = min(len(cells.left), int(np.searchsorted(edges, most_kwh - SAME_KWH)))
    if last <= first:
        return None
    cut, left, right = edges[first : last + 1].copy(), cells.left[first:last].copy(), cells.right[first:last].copy()
    slope = cells.slope[first:last]
    if cut[0] < least_kwh:
        left[0] += slope[0] * (least_kwh - cut[0])
        cut[0] = least_kwh
    if cut[-1] > most_kwh:
        right[-1] -= slope[-1] * (cut[-1] - most_kwh)
        cut[-1] = most_kwh
    return Cells(cut, left, right)


def cut_at(cells: Cells, points: FloatArray) -> Cells:
    """The same function with an edge at each of the sorted points within it."""
    inside = points[(points > cells.edges[0] + SAME_KWH) & (points < cells.edges[-1] - SAME_KWH)]
    edges = distinct(np.sort(np.concatenate([cells.edges, inside])))
    if len(edges) == len(cells.edges):
        return cells
    cell = np.searchsorted(cells.edges, (edges[:-1] + edges[1:]) / 2) - 1
    slope = cells.slope[cell]
    base = cells.left[cell] - slope * cells.edges[cell]
    return Cells(edges, base + slope * edges[:-1], base + slope * edges[1:])
