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
STRAIGHT = 1e-11
"""An edge this close to the chord over both its cells is no bend."""


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
        points, cell = points[inside], cell[inside]
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
        share = (end[:-1] - begin[:-1]) / (end[1:] - begin[:-1])
        chord = left[:-1] + (right[1:] - left[:-1]) * share
        under = chord - np.minimum(right[:-1], left[1:])
        over = np.maximum(right[:-1], left[1:]) - chord
        close = (np.maximum(under, over) <= max(tolerance, STRAIGHT)) & (end[:-1] == begin[1:])
        if not close.any():
            return self
        straight = close & (np.maximum(under, over) <= STRAIGHT)
        pair = close & ~straight
        if pair.any():
            run = np.arange(len(pair))
            pair &= (run - np.maximum.accumulate(np.where(pair, -1, run))) % 2 == 1
            pair[1:] &= ~straight[:-1]
            pair[:-1] &= ~straight[1:]
        stays = ~(straight | pair)
        first, last = np.concatenate([_TRUE, stays]), np.concatenate([stays, _TRUE])
        low_left, low_right = left[first], right[last]
        if pair.any():
            drop = np.maximum(0.0, under[pair])
            at = np.cumsum(first)[np.flatnonzero(pair)] - 1
            low_left[at] -= drop
            low_right[at] -= drop
        return Cells(begin[first], end[last], low_left, low_right)


_TRUE = np.ones(1, dtype=np.bool_)


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
        opens = np.append(cells.begin[1:] - cells.end[:-1] > SAME_KWH / 2, True)
        ends = cells.end[opens]
        order = np.argsort(np.concatenate([cells.begin, ends]), kind="stable")
        gaps = np.full(len(ends), FAR)
        slope = (cells.right - cells.left) / (cells.end - cells.begin)
        self.edges = np.concatenate([cells.begin, ends])[order]
        self.slope = np.concatenate([_ZERO, np.concatenate([slope, np.zeros(len(ends))])[order]])
        intercept = np.concatenate([cells.left - slope * cells.begin, gaps])[order]
        self.intercept = np.concatenate([_FAR, intercept])
        left = np.concatenate([cells.left, gaps])[order]
        right = np.concatenate([_FAR, np.concatenate([cells.right, gaps])[order]])
        self.nodes = np.minimum(np.concatenate([left, _FAR]), right)
        self.nodes[-1] = FAR

    def at(self, places: FloatArray) -> FloatArray:
        """Return values at places on the line, of their shape; at an edge the lower side."""
        low = np.searchsorted(self.edges, places - SAME_KWH)
        high = np.searchsorted(self.edges, places + SAME_KWH)
        return np.minimum(
            self.intercept[low] + self.slope[low] * places, self.intercept[high] + self.slope[high] * places
        )


_ZERO, _FAR = np.zeros(1), np.full(1, FAR)


@dataclass(frozen=True, slots=True, eq=False)
class Ways:
    """Ways from one boundary to the next: steps on the line at a price, and pieces of anything between.

    Attributes
    ----------
    lane : the mode each way is of, shape (ways,).
    shift_kwh, money : what each way changes and costs, shape (ways,).
    given_kwh : energy that leaves the charger, AC side [kWh], shape (ways,).
    begin, until : ways between which anything is allowed too, at a straight price, shape (pieces,).
    """

    lane: IntArray
    shift_kwh: FloatArray
    money: FloatArray
    given_kwh: FloatArray
    begin: IntArray
    until: IntArray

    def slopes(self, money: FloatArray) -> FloatArray:
        """Return the price of each piece [per kWh], shape (pieces,), at money of the ways."""
        width = self.shift_kwh[self.until] - self.shift_kwh[self.begin]
        return np.asarray((money[self.until] - money[self.begin]) / width)


def lines_before(
    after: Layer, steps: FloatArray, money: FloatArray, ways: Ways, begin: FloatArray, end: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return straight lines whose minimum is the least money over all ways, in cells that no bend lies within.

    Parameters
    ----------
    steps : of each way on the line, change of lane included, shape (ways,).
    money : of each way, shape (ways,).
    begin, end : ends of the cells, shape (cells,).

    Returns
    -------
    left, right : values of the lines at the two ends of each cell, shape (ways + pieces, cells).
    """
    cell = np.searchsorted(after.edges, (begin + end) / 2 + steps[:, None])
    slope = after.slope[cell]
    base = after.intercept[cell] + slope * steps[:, None] + money[:, None]
    if not len(ways.begin):
        return base + slope * begin, base + slope * end
    price = ways.slopes(money)[:, None]
    by_piece = after.nodes + price * np.append(after.edges, 0.0)
    offset = (np.arange(len(price)) * by_piece.shape[1])[:, None]
    first, last = cell[ways.begin], cell[ways.until]
    ends = np.stack([first + offset, last + offset], axis=-1)
    inside = np.minimum.reduceat(by_piece.ravel(), ends.ravel())[::2].reshape(first.shape)
    inside = np.where(first < last, inside + money[ways.begin][:, None], FAR)
    base = np.concatenate([base, inside - price * steps[ways.begin][:, None]])
    slope = np.concatenate([slope, np.broadcast_to(-price, first.shape)])
    return base + slope * begin, base + slope * end


def lowest(begin: FloatArray, end: FloatArray, left: FloatArray, right: FloatArray, tolerance: float) -> Cells:
    """Return the minimum of lines in each cell, or chords below it where it bends by less than twice the tolerance.

    Parameters
    ----------
    begin, end : ends of the cells, rising, shape (cells,).
    left, right : values of the lines there, shape (lines, cells).
    """
    here, there = left.argmin(axis=0), right.argmin(axis=0)
    low_left, low_right = left.min(axis=0), right.min(axis=0)
    cross = np.flatnonzero(here != there)
    if len(cross):
        a, b = here[cross], there[cross]
        rises = left[b, cross] - low_left[cross]
        falls = right[a, cross] - low_right[cross]
        total = rises + falls
        share = rises / np.where(total > 0, total, 1.0)
        value = (left[:, cross] * (1 - share) + right[:, cross] * share).min(axis=0)
        bulge = value - (low_left[cross] * (1 - share) + low_right[cross] * share)
        width = end[cross] - begin[cross]
        keep = (bulge > tolerance) & (share * width > SAME_KWH) & ((1 - share) * width > SAME_KWH)
        if keep.any():
            cross, value = cross[keep], value[keep]
            middle = begin[cross] + (share * width)[keep]
            order = np.argsort(np.concatenate([begin, middle]), kind="stable")
            end = end.copy()
            new_end, new_right = end[cross], low_right[cross]
            end[cross], low_right[cross] = middle, value
            begin = np.concatenate([begin, middle])[order]
            end = np.concatenate([end, new_end])[order]
            low_left = np.concatenate([low_left, value])[order]
            low_right = np.concatenate([low_right, new_right])[order]
    return Cells(begin, end, low_left, low_right)
