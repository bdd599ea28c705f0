"""Plays a day with a start and a stop threshold for every reading, and finds the best that could have been done.

Compiled with numba. Surplus and thresholds are in shares of the draw. What a day is worth does not need the whole
tariff: an hour of charging is worth draw x (import - export) x (used surplus - break-even), both as shares of the draw,
so sums of the used surplus and of the time serve every tariff, and the share of the best possible depends on the
tariff only by its break-even.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Times(NamedTuple):
    """In readings."""

    min_on: int
    min_off: int
    start_delay: int = 0
    stop_delay: int = 0


@njit(cache=True)
def play(surplus: Floats, start: Floats, stop: Floats, times: Times) -> tuple[float, float, float]:
    """Return the readings with the charger on, the sum of the surplus it used, and the starts.

    As in the machine: start when the surplus is at least ``start``, stop when it is below ``stop``, each after its
    delay and its minimum time; the day begins with the charger long off.
    """
    on = False
    since, seen = -times.min_off, -1
    time, used, starts = 0.0, 0.0, 0.0
    for now in range(len(surplus)):
        wanted = surplus[now] < stop[now] if on else surplus[now] >= start[now]
        if not wanted:
            seen = -1
        else:
            if seen < 0:
                seen = now
            if on:
                if now - seen >= times.stop_delay and now - since >= times.min_on:
                    on, since, seen = False, now, -1
            elif now - seen >= times.start_delay and now - since >= times.min_off:
                on, since, seen = True, now, -1
                starts += 1.0
        if on:
            time += 1.0
            used += min(max(surplus[now], 0.0), 1.0)
    return time, used, starts


@njit(cache=True)
def play_fixed(surplus: Floats, start: float, stop: float, times: Times) -> Floats:
    """Return time on, used surplus and starts of each day, shape (days, 3), with the same two thresholds always."""
    sums = np.empty((len(surplus), 3))
    starts, stops = np.full(surplus.shape[1], start), np.full(surplus.shape[1], stop)
    for day in range(len(surplus)):
        sums[day, 0], sums[day, 1], sums[day, 2] = play(surplus[day], starts, stops, times)
    return sums


@njit(cache=True)
def play_varied(surplus: Floats, start: Floats, stop: Floats, times: Times) -> Floats:
    """Return the same with thresholds for every reading; all arrays of shape (days, readings)."""
    sums = np.empty((len(surplus), 3))
    for day in range(len(surplus)):
        sums[day, 0], sums[day, 1], sums[day, 2] = play(surplus[day], start[day], stop[day], times)
    return sums


@njit(cache=True)
def best_possible(surplus: Floats, break_even: float, times: Times) -> Floats:
    """Return the most each day could have been worth, shape (days,), knowing all of it beforehand."""
    days, length = surplus.shape
    best = np.empty(days)
    sums = np.empty(length + 1)
    free = np.empty(length + 1)  # the best from here on, off, and allowed to start
    running = np.empty(length + 1)  # on, and allowed to stop
    for day in range(days):
        sums[0] = 0.0
        for now in range(length):
            sums[now + 1] = sums[now] + min(max(surplus[day, now], 0.0), 1.0) - break_even
        free[length] = running[length] = 0.0
        for now in range(length - 1, -1, -1):
            gain = sums[now + 1] - sums[now]
            running[now] = max(gain + running[now + 1], free[min(now + times.min_off, length)])
            end = min(now + times.min_on, length)
            free[now] = max(free[now + 1], sums[end] - sums[now] + running[end])
        best[day] = free[0]
    return best
