"""Samples of the unit cube, a few rows at a time.

Answers: what are the rows `start` to `stop` of a Latin hypercube, of a scrambled Sobol sequence, of
the sample that Sobol' indices need? No sample is ever in memory as a whole, and a row does not
depend on which others are drawn with it.
"""

from __future__ import annotations

import warnings
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Words = NDArray[np.uint64]
Places = NDArray[np.int64]

_ROUNDS: Final = 6
"""Rounds of the shuffle; four are proven to be enough for truly random round functions."""

_AHEAD: Final = 2**14
"""Numbers of a hypercube drawn at a time: a few of them cost nearly as much."""


class Sample(Protocol):
    """A sample of the unit cube with `samples` rows."""

    samples: int

    def rows(self, start: int, stop: int) -> Array:
        """Rows of the sample, shape (stop - start, width)."""
        ...


class Sobol:
    """Scrambled Sobol sequence in `width` dimensions; `samples` is a power of two."""

    def __init__(self, width: int, samples: int, seed: int) -> None:
        from scipy.stats import qmc  # slow to import, and few plans are sampled

        self.samples = samples
        self._sequence = qmc.Sobol(width, scramble=True, rng=seed)

    def rows(self, start: int, stop: int) -> Array:
        """Rows of the sequence, shape (stop - start, width)."""
        # The sequence only runs forward: for rows behind, start again.
        if self._sequence.num_generated > start:
            self._sequence.reset()
        if start > self._sequence.num_generated:
            self._sequence.fast_forward(start - self._sequence.num_generated)
        with warnings.catch_warnings():
            # A part of the sequence is not balanced; the whole sample, a power of two, is.
            warnings.filterwarnings("ignore", "The balance properties of Sobol", UserWarning)
            drawn: Array = self._sequence.random(stop - start)
        return drawn


class CrossedSobol:
    """Two Sobol samples A and B and their crosses, for first and total Sobol' indices.

    Of `samples` base samples, a power of two, each gives width + 2 rows: A, then A with one column
    of B in turn, then B (Saltelli, Annoni, Azzini, Campolongo, Ratto & Tarantola 2010), in the
    order that SALib expects.
    """

    def __init__(self, width: int, samples: int, seed: int) -> None:
        self.samples = samples * (width + 2)
        self._width = width
        self._base = Sobol(2 * width, samples, seed)

    def rows(self, start: int, stop: int) -> Array:
        """Rows of the sample, shape (stop - start, width)."""
        each = self._width + 2
        base, place = np.divmod(np.arange(start, stop), each)
        drawn = self._base.rows(start // each, -(-stop // each))[base - start // each]
        first, second = drawn[:, : self._width], drawn[:, self._width :]
        column = np.arange(self._width)
        crossed = (place[:, None] == column + 1) | (place[:, None] == each - 1)
        out: Array = np.where(crossed, second, first)
        return out


class LatinHypercube:
    """Latin hypercube: in every dimension one row in each of as many slices as there are rows.

    McKay, Beckman & Conover (1979). The rows are shuffled by a keyed permutation that is computed
    row by row, so that no list of all slices is needed: a Feistel network (Luby & Rackoff 1988)
    walked until it stays within the number of rows (Black & Rogaway 2002), with the mixing function
    of Steele, Lea & Flood (2014), which also gives the places within the slices. Its round
    functions take no more values than the root of the number of rows, so they are tabulated.
    """

    def __init__(self, width: int, samples: int, seed: int) -> None:
        self.samples = samples
        self._width = width
        words = np.random.SeedSequence(seed).generate_state((_ROUNDS + 1) * width, np.uint64)
        keys: Words = words.astype(np.uint64).reshape(_ROUNDS + 1, width)
        self._within = keys[-1]
        self._half = max(1, -(-(samples - 1).bit_length() // 2))
        self._tables = [self._table(of_columns) for of_columns in keys[:-1]]
        self._drawn_from, self._drawn = 0, np.empty((0, width))

    def rows(self, start: int, stop: int) -> Array:
        """Rows of the hypercube, shape (stop - start, width), read-only."""
        if start < self._drawn_from or stop > self._drawn_from + len(self._drawn):
            ahead = min(start + _AHEAD // self._width, self.samples)
            self._drawn_from, self._drawn = start, self._draw(start, max(stop, ahead))
            self._drawn.flags.writeable = False
        return self._drawn[start - self._drawn_from : stop - self._drawn_from]

    def _draw(self, start: int, stop: int) -> Array:
        row = np.repeat(np.arange(start, stop), self._width)
        column = np.tile(np.arange(self._width), stop - start)
        slices = self._shuffled(row, column)
        within = _mixed(row.astype(np.uint64) + self._within[column]) >> np.uint64(11)
        place = (slices + within * 2.0**-53) / self.samples
        return np.minimum(place, np.nextafter(1.0, 0.0)).reshape(-1, self._width)

    def _shuffled(self, row: Places, column: Places) -> Places:
        """Slice of each row: a permutation of its own in each dimension."""
        first = column << self._half  # of a dimension's part of the tables
        out = self._exchanged(row, first)
        outside = np.flatnonzero(out >= self.samples)
        walking, first = out[outside], first[outside]
        while outside.size:
            walking = self._exchanged(walking, first)
            out[outside] = walking
            still = walking >= self.samples
            outside, walking, first = outside[still], walking[still], first[still]
        return out

    def _exchanged(self, number: Places, first: Places) -> Places:
        """Permute the numbers of twice `_half` bits."""
        left, right = number >> self._half, number & ((1 << self._half) - 1)
        for table in self._tables:
            left, right = right, left ^ table[first + right]
        return (left << self._half) | right

    def _table(self, keys: Words) -> NDArray[np.uint32]:
        """Round function: of every right half, in one dimension after the other."""
        right = np.arange(1 << self._half, dtype=np.uint64)
        mixed = _mixed(right + keys[:, None]) & np.uint64((1 << self._half) - 1)
        return mixed.astype(np.uint32).ravel()


def _mixed(word: Words) -> Words:
    """Mix the bits of 64-bit words."""
    word = (word ^ (word >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    word = (word ^ (word >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return word ^ (word >> np.uint64(31))
