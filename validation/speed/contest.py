"""Measure contestants in turns and compare them round by round."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

Work = Callable[[], object]


class Ratio(NamedTuple):
    """A ratio of two contestants' times over the rounds of a contest."""

    median: float
    least: float
    most: float

    def __str__(self) -> str:
        """Median and range, to three figures."""
        return f"{_figures(self.median)} ({_figures(self.least)} to {_figures(self.most)})"


def _figures(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100.0 else f"{value:.3g}"


class Times:
    """Processor and wall times of contestants, one entry a round."""

    def __init__(self, processor: Mapping[str, list[float]], wall: Mapping[str, list[float]]):
        self.processor = processor
        self.wall = wall

    def ratio(self, slow: str, fast: str, factor: float = 1.0) -> Ratio:
        """How many times as long one takes as the other, by processor time."""
        return _spread(self.processor[slow], self.processor[fast], factor)

    def wall_ratio(self, slow: str, fast: str, factor: float = 1.0) -> Ratio:
        """The same by wall time; the median is that of the best times of both.

        Other work on the machine can only lengthen a wall time, so the best is what the machine
        can do; the range is over the rounds as they came.
        """
        rounds = _spread(self.wall[slow], self.wall[fast], factor)
        return rounds._replace(median=factor * min(self.wall[slow]) / min(self.wall[fast]))


def _spread(slow: list[float], fast: list[float], factor: float) -> Ratio:
    values = factor * np.asarray(slow) / np.asarray(fast)
    return Ratio(float(np.median(values)), float(np.min(values)), float(np.max(values)))


def take_turns(contestants: Mapping[str, Work], rounds: int) -> Times:
    """Let every contestant work once a round, after one round that does not count."""
    processor: dict[str, list[float]] = {name: [] for name in contestants}
    wall: dict[str, list[float]] = {name: [] for name in contestants}
    for counted in range(-1, rounds):
        for name, work in contestants.items():
            began, began_processor = time.perf_counter(), time.process_time()
            work()
            if counted >= 0:
                processor[name].append(time.process_time() - began_processor)
                wall[name].append(time.perf_counter() - began)
    return Times(processor, wall)
