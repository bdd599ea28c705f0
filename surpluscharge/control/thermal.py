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
