"""The thermal image of the socket, by IEC 60255-149 (formerly 60255-8).

One number, the level, stands for how hot the contacts are: 0 is cold, 1 is as hot as they may get. A steady current I
drives it towards (I / (k * Ib))**2, where Ib is the current that may flow for hours and k the margin above it, with the
time constant of heating; without current it falls with that of cooling. From the steady level of a preload Ip, the
level 1 is reached after::

    t = tau * ln((I**2 - Ip**2) / (I**2 - (k * Ib)**2))

The solution is exact for a current held constant between two calls, so it does not matter how often it is called.
"""

from __future__ import annotations

import math
from typing import NamedTuple

TRIP_LEVEL = 1.0


class ThermalParams(NamedTuple):
    """Amperes, seconds, and levels as fractions of the trip level."""

    basic_a: float  # Ib
    k: float
    heating_s: float  # time constant while current flows
    cooling_s: float  # and while none does
    alarm_level: float
    rearm_level: float  # after a trip, no start above it


def settled_level(params: ThermalParams, current_a: float) -> float:
    """Return the level that a steady current leads to."""
    return (current_a / (params.k * params.basic_a)) ** 2


def advance(params: ThermalParams, level: float, current_a: float, seconds: float) -> float:
    """Return the level after ``seconds`` of a constant current."""
    if seconds <= 0.0:
        return level
    target = settled_level(params, current_a)
    tau_s = params.heating_s if target > level else params.cooling_s
    return target + (level - target) * math.exp(-seconds / tau_s)


def time_to_s(params: ThermalParams, level: float, current_a: float, goal: float) -> float:
    """Return after how many seconds of a constant current the level reaches ``goal``; infinity: never."""
    target = settled_level(params, current_a)
    if level == goal:
        return 0.0
    if (goal - level) * (target - goal) <= 0.0:  # the target lies on this side of the goal, or on it
        return math.inf
    tau_s = params.heating_s if target > level else params.cooling_s
    return tau_s * math.log((target - level) / (target - goal))


class Socket:
    """What the socket has carried, and how warm it is: by its image, and by a sensor, if there is one."""

    def __init__(self, level: float) -> None:
        self.level = level  # of the image
        self.level_if_high = level  # the same, if even a single step far above the draw was the lead's
        self.run_s = self.run_as = 0.0  # time on since the last long rest, and ampere-seconds in it
        self.over_readings = 0  # of too much current, in a row
        self._cool_c: float | None = None  # when it was last rested, and the highest since
        self._warm_c = 0.0

    @property
    def run_a(self) -> float:
        """The mean current of the present run, or of the last one."""
        return self.run_as / self.run_s if self.run_s else 0.0

    @property
    def warmed_c(self) -> float | None:
        """By how much it has warmed, at the most, since the first charge after a rest began; None: not known."""
        return None if self._cool_c is None else self._warm_c - self._cool_c

    def advance(self, params: ThermalParams, current_a: float, if_high_a: float, seconds: float) -> None:
        """Bring the image up to now, with the current held until then; ``if_high_a``: if a single high step was it."""
        self.level = advance(params, self.level, current_a, seconds)
        self.level_if_high = max(self.level, advance(params, self.level_if_high, if_high_a, seconds))

    def runs(self, current_a: float, seconds: float) -> None:
        """Count it to the present run."""
        self.run_s += seconds
        self.run_as += current_a * seconds

    def begins(self, rested: bool, temperature_c: float | None) -> None:
        """A charge begins; ``temperature_c``: by the sensor, None: it does not say."""
        if rested:
            self.run_s = self.run_as = 0.0
        if not self.run_s:  # else it may be warm already
            self._cool_c = temperature_c
            self._warm_c = temperature_c or 0.0

    def feels(self, temperature_c: float) -> None:
        """The sensor says so in a charge."""
        self._warm_c = max(self._warm_c, temperature_c)

    def waits_s(self, params: ThermalParams, current_a: float, if_high_a: float) -> tuple[float, ...]:
        """Return after how many seconds of a constant current the image comes to a level that matters; infinity: never.

        ``if_high_a`` as in :meth:`advance`.
        """
        goals = params.alarm_level, TRIP_LEVEL, params.rearm_level
        waits_s = (time_to_s(params, self.level, current_a, goal) for goal in goals)
        return *waits_s, time_to_s(params, self.level_if_high, if_high_a, TRIP_LEVEL)
