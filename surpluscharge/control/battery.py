"""A house battery: what the grid would show if it stood aside, whose turn the sun is, and whose the charger's energy.

In a house with a battery the grid stands at nought: the battery takes what is left over, and gives what lacks. So the
meter alone says nothing of the surplus. What decides is the power that would flow at the grid if the battery did
nothing; where the sun is the battery's first, what it is charged with does not count as left over; and what it gives
always counts as taken, so that no charge lives on it unnoticed.

Pure: no clock, no I/O. Watts, positive for import, and for a battery that is being charged; levels in percent.
"""

from __future__ import annotations

from typing import NamedTuple

from surpluscharge.control.signals import Source

REST_W = 50.0  # at rest it may take so much, or give it
LEVEL_BACK = 5.0  # percent: so far below the level it is the battery's turn again
SIGN_PERCENT, SIGN_WH = 2.0, 50.0  # so much of either, at the least, to judge the sign of its power by
STUCK_WH = 3000.0  # of a battery of 150 kWh, so much moves the level by as many percent: it is no longer believed
HOUR_S = 3600.0


class Rights(NamedTuple):
    """Whose the sun is: the battery's up to a level, then the car's; at level 0 it is the car's at once.

    ``into_car``: what is in the battery may go into the car.
    """

    level: float
    into_car: bool = False


class House(NamedTuple):
    """What the controller needs to know of it. Without a report of its level it comes first at all times."""

    power: Source
    charge: Source | None
    rights: Rights


def yields(before: bool, rights: Rights, level: float | None, by_time: bool = False) -> bool:
    """Say whether the sun is the car's, as it was ``before``; ``level`` None: not known, then it is the battery's.

    ``by_time``: at this time of day it is the car's at any level.
    """
    if rights.level <= 0.0 or by_time:
        return True
    return level is not None and (level >= rights.level or (before and level > rights.level - LEVEL_BACK))


def decisive_w(grid_w: float, battery_w: float, yielding: bool) -> float:
    """Return the grid power that decides: as it would be without the battery, or what that leaves."""
    return grid_w - (battery_w if yielding else min(battery_w, 0.0))


def shares_w(charger_w: float, grid_w: float, battery_w: float) -> tuple[float, float]:
    """Return of the charger's power what is imported for it, and what the battery gives for it; the rest is solar.

    Solar is what would have been exported or stored if the charger were off. Of what lacks, the battery is taken to
    serve the house first, as it would without the charger. With no battery: min(charger, max(grid, 0)), and nothing.
    """
    aside_w = grid_w - battery_w
    lacks_w = min(charger_w, max(aside_w, 0.0))
    house_w = max(aside_w - charger_w, 0.0)  # what the house alone would lack
    given_w = min(lacks_w, max(-battery_w - house_w, 0.0))
    return lacks_w - given_w, given_w


class LevelWatch:
    """Whether its level goes the way its power says: what charges rises. A sign turned round would charge at night.

    And whether it goes at all: a level that stands still at noon would give the car the sun of a battery that is empty.
    """

    def __init__(self) -> None:
        self.contrary = 0  # times in a row that it went the other way
        self._level: float | None = None
        self._wh = 0.0  # since that level
        self._power_w, self._at_s = 0.0, 0.0

    @property
    def stuck(self) -> bool:
        """Whether so much went in or out since the level moved that it cannot be right."""
        return self._level is not None and abs(self._wh) >= STUCK_WH

    def flows(self, battery_w: float, now_s: float, fresh_s: float) -> None:
        """A reading of its power came."""
        self._wh += self._power_w * min(now_s - self._at_s, fresh_s) / HOUR_S
        # At rest it takes a little for itself, while its level sinks.
        self._power_w, self._at_s = battery_w if abs(battery_w) >= REST_W else 0.0, now_s

    def stands(self, level: float) -> None:
        """A reading of its level came."""
        if self._level is not None and abs(level - self._level) < SIGN_PERCENT:
            return
        if self._level is not None and abs(self._wh) >= SIGN_WH:
            self.contrary = self.contrary + 1 if (level - self._level) * self._wh < 0.0 else 0
        self._level, self._wh = level, 0.0
