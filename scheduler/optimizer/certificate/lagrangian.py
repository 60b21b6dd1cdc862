"""Wear at prices of stored energy: what ties the segments of the battery to the dynamic program.

Wear is convex in stored energy over time. At any prices of stored energy, wear is at least that price times stored
energy plus a constant, and so the dynamic program at those prices plus the constant is a lower bound of the night.
"""

from __future__ import annotations

import highspy
import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_problem import Limits, Path, Prices
from scheduler.optimizer.certificate.mode_program import linear_highs
from scheduler.optimizer.lexicographic import QuietHighs

INFINITE = highspy.kHighsInf
MOST_GIVEN_PRICE = 10.0
"""Most that energy given away may be priced at, in kWh at the highest price [per kWh]."""
KEEPS_KWH = 1e-6
"""A path this far beyond limits is still within them [kWh]."""


class Wear:
    """Wear of a night in kWh at its highest price."""

    def __init__(self, night: Night, unit: float) -> None:
        self.size = night.wear.size_kwh
        self.fill = night.initial_fill_kwh
        self.price = night.wear_weight * night.wear.price_per_kwh / unit
        self.count = night.intervals

    def constant(self, stored_price: FloatArray) -> float:
        """Return the least of wear less the priced energy in the segments, over every way to fill and empty them.

        Each segment is on its own, and among its best ways is one where it is full, empty or as it began.
        """
        levels = np.stack([np.zeros_like(self.size), self.fill, self.size])  # (3, segments)
        fall = np.maximum(0.0, levels[:, None, :] - levels[None, :, :]) * self.price  # from, to, segment
        later = np.zeros_like(levels)
        standing = -stored_price[:, None, None] * levels
        for boundary in range(self.count, 0, -1):
            later = (fall + (later + standing[boundary])[None]).min(axis=1)
        return float(later[1].sum())


class Master:
    """The cheapest mixture of paths, wear of the mixture included: its duals are the next prices.

    Columns: the share of each path, and the energy in and out of each segment. Rows: energy that leaves a segment,
    the segments add up to the mixture's stored energy, the discharge limit, and the shares to 1.
    """

    def __init__(self, wear: Wear, limit_kwh: float | None) -> None:
        self.wear, self.limit_kwh = wear, limit_kwh
        self.paths: list[Path] = []
        self.open: BoolArray = np.zeros(0, dtype=np.bool_)
        self.highs: QuietHighs | None = None
        n, count = wear.count, len(wear.size)
        self.first = 2 * n * count + 1
        self.link, self.given, self.share = n * count + np.arange(n), n * count + n, n * count + n + 1

    def _begin(self) -> QuietHighs:
        """Return the program without any path."""
        wear, limit_kwh, n, count = self.wear, self.limit_kwh, self.wear.count, len(self.wear.size)
        highs = linear_highs()
        held = np.arange(n * count).reshape(n, count)
        out = held + n * count
        rows: list[tuple[IntArray, IntArray, FloatArray]] = []
        lp = highspy.HighsLp()
        lp.num_col_ = 2 * n * count
        lp.num_row_ = n * count + n + 2
        lp.col_cost_ = np.concatenate([np.zeros(n * count), np.tile(wear.price, n)])
        lp.col_lower_ = np.zeros(2 * n * count)
        lp.col_upper_ = np.concatenate([np.tile(wear.size, n), np.full(n * count, INFINITE)])
        number = np.arange(n * count).reshape(n, count)
        rows += [(number, out, np.ones((n, count))), (number, held, np.ones((n, count)))]
        rows += [(number[1:], held[:-1], -np.ones((n - 1, count)))]
        rows += [(np.repeat(self.link[:, None], count, axis=1), held, np.ones((n, count)))]
        row, column, value = (np.concatenate([part[k].ravel() for part in rows]) for k in range(3))
        order = np.argsort(row, kind="stable")
        lower, upper = np.zeros(lp.num_row_), np.full(lp.num_row_, INFINITE)
        lower[:count] = wear.fill
        upper[self.link] = 0.0
        lower[self.given], upper[self.given] = -INFINITE, INFINITE if limit_kwh is None else limit_kwh
        lower[self.share] = upper[self.share] = 1.0
        lp.row_lower_, lp.row_upper_ = lower, upper
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(np.bincount(row, minlength=lp.num_row_))])
        lp.a_matrix_.index_, lp.a_matrix_.value_ = column[order], value[order]
        highs.passModel(lp)
        one = np.array([self.given], dtype=np.int32)
        highs.addCol(MOST_GIVEN_PRICE, 0.0, INFINITE, 1, one, -np.ones(1))
        return highs

    def add(self, path: Path) -> None:
        """Add one more path."""
        self.paths.append(path)

    def _add_columns(self, highs: QuietHighs) -> None:
        """Add columns of the paths that are new."""
        where = np.concatenate([self.link, [self.given, self.share]]).astype(np.int32)
        for path in self.paths[len(self.open) :]:
            values = np.concatenate([-path.stored_kwh[1:], [path.given_kwh, 1.0]])
            highs.addCol(path.cost, 0.0, INFINITE, len(where), where, values)
        self.open = np.append(self.open, np.ones(len(self.paths) - len(self.open), dtype=np.bool_))

    def solve(self, limits: Limits) -> tuple[float, Prices]:
        """Return the cost of the best mixture of the paths within limits [kWh at the highest price], and its prices."""
        if self.highs is None:
            self.highs = self._begin()
        self._add_columns(self.highs)
        stored = np.stack([path.stored_kwh for path in self.paths])
        keeps = (stored >= limits.least_kwh - KEEPS_KWH) & (stored <= limits.most_kwh + KEEPS_KWH)
        inside = np.asarray(keeps.all(axis=1), dtype=np.bool_)
        changed = np.flatnonzero(inside != self.open)
        if len(changed):
            upper = np.where(inside[changed], INFINITE, 0.0)
            self.highs.changeColsBounds(
                len(changed), (self.first + changed).astype(np.int32), np.zeros(len(changed)), upper
            )
            self.open = inside
        self.highs.run()
        dual = np.array(self.highs.getSolution().row_dual)
        prices = Prices(np.concatenate([[0.0], dual[self.link]]), max(0.0, -float(dual[self.given])))
        return float(self.highs.getInfo().objective_function_value), prices

    def mean_kwh(self) -> FloatArray:
        """Return the stored energy of the best mixture, shape (n + 1,)."""
        shares = self.shares()
        return np.asarray(shares @ np.stack([path.stored_kwh for path in self.paths]) / shares.sum())

    def shares(self) -> FloatArray:
        """Return the share of each path in the best mixture [0 to 1], shape (paths,)."""
        assert self.highs is not None
        return np.array(self.highs.getSolution().col_value)[self.first :]
