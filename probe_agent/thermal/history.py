"""The curve so far, compressed to a bounded number of equal cells that grow as the run does."""

from __future__ import annotations

from copy import deepcopy

import numpy as np

from probe_agent.thermal.network import Array

LIMIT = 96


class History:
    """Readings averaged in cells of equal length from start_s on; when LIMIT cells are full, each two
    become one. A reading keeps its own instant: a cell remembers the mean time of its readings."""

    def __init__(self, start_s: float, cell_s: float, places: int) -> None:
        self.start_s = start_s
        self.cell_s = cell_s
        self.end_s = start_s
        self.count = 1
        self._weight = np.zeros((LIMIT, places))
        self._value = np.zeros((LIMIT, places))
        self._time = np.zeros((LIMIT, places))
        self._number = np.zeros((LIMIT, places))
        self._span = np.zeros(LIMIT)
        self._heat = np.zeros(LIMIT)
        self._air = np.zeros(LIMIT)

    def copy(self) -> History:
        """The curve so far, untouched by what comes."""
        return deepcopy(self)

    def advance(self, t_s: float, heater: float, ambient: float) -> int:
        """Let time pass to t_s with these inputs; returns how many cells were completed."""
        before = self.count
        merges = 0
        while t_s >= self.start_s + LIMIT * self.cell_s:
            self._spread(self.start_s + LIMIT * self.cell_s, heater, ambient)
            self._merge()
            merges += 1
        self._spread(t_s, heater, ambient)
        return merges if merges else self.count - before

    def add(self, t_s: float, column: int, value: float, sd: float) -> None:
        """One reading at t_s, not before the last `advance`."""
        row = self.count - 1
        weight = 1 / (sd * sd)
        self._weight[row, column] += weight
        self._value[row, column] += weight * value
        self._time[row, column] += weight * (t_s - self.start_s)
        self._number[row, column] += 1

    def rewrite_heater(self, from_s: float, share: float) -> None:
        """The heater's share from from_s to now was another than assumed."""
        for row in range(self.count):
            begin = self.start_s + row * self.cell_s
            end = min(begin + self.cell_s, self.end_s)
            if (late := end - max(begin, from_s)) > 0 and self._span[row] > 0:
                early = self._span[row] - late
                self._heat[row] = self._heat[row] / self._span[row] * early + share * late

    def heater(self) -> Array:
        """Mean share of each cell: (count,)."""
        return self._mean(self._heat)

    def ambient(self) -> Array:
        """Mean ambient of each cell [°C less the run's reference]: (count,)."""
        return self._mean(self._air)

    def readings(self) -> tuple[Array, Array, Array]:
        """Mean value, its variance and its place within the cell 0…1, all (count, places); the
        variance is inf where there is none. Readings of one cell share quantisation and placement:
        more than four count as four."""
        k = self.count
        weight, number = self._weight[:k], self._number[:k]
        seen = weight > 0
        safe = np.where(seen, weight, 1.0)
        value = np.where(seen, self._value[:k] / safe, 0.0)
        borders = self.cell_s * np.arange(k)[:, None]
        fraction = np.where(seen, (self._time[:k] / safe - borders) / self.cell_s, 0.0)
        variance = np.where(seen, np.maximum(number, 1) / safe / np.clip(number, 1, 4), np.inf)
        return value, variance, np.clip(fraction, 0.0, 1.0)

    def _mean(self, table: Array) -> Array:
        span = self._span[: self.count]
        return np.where(span > 0, table[: self.count] / np.where(span > 0, span, 1.0), table[: self.count])

    def _spread(self, t_s: float, heater: float, ambient: float) -> None:
        while True:
            row = self.count - 1
            border = self.start_s + self.count * self.cell_s
            upto = min(t_s, border)
            if (dt := upto - self.end_s) > 0:
                self._span[row] += dt
                self._heat[row] += heater * dt
                self._air[row] += ambient * dt
                self.end_s = upto
            if t_s < border or self.count == LIMIT:
                return
            self.count += 1

    def _merge(self) -> None:
        half = LIMIT // 2
        for table in (self._weight, self._value, self._time, self._number, self._span, self._heat, self._air):
            table[:half] = table[0::2] + table[1::2]
            table[half:] = 0.0
        self.cell_s *= 2
        self.count = half + 1
