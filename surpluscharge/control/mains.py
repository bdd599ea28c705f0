"""The mains at the plug: the voltage's ten-minute mean, and the resistance of the circuit behind it.

EN 50160 judges a voltage by its means over ten minutes, and so is it done here: half a minute above is nothing. What
matters is the voltage under the lead's load, which pulls it down; unloaded it may be too high at noon only because
nothing pulls. The resistance of everything on the way (joints, line, network) tells the one from the other. It is
learned from what the voltage does when the lead is switched. No one drop is believed: somebody's oven or the sun may
move the voltage at the same moment. Their median is, once there are a few; a joint that goes bad shows itself by large
drops in a row.

Mean volts and mean amperes of the same ten minutes and one resistance give the mean at any current: nothing is kept
twice, and the mean goes on across a switching. While the resistance is not known, a charge is itself the measurement.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from itertools import takewhile
from statistics import median
from typing import NamedTuple

from surpluscharge.control.joint import Evidence, fall

MEAN_S = 600.0  # EN 50160
LEAST_KNOWN_S = 300.0  # of these ten minutes, before their mean counts as one
LEAST_S = 60.0  # what is known for less has no mean at all: a motor that starts moves the voltage for seconds
SIDE_S = 30.0  # of readings before a switching; where there is none, the last one counts, if it is
OLDEST_S = 300.0  # not older than this: plugs that are off speak seldom
SETTLES_S = 5.0  # until a car that begins draws all it will; one that is cut off draws nothing at once
AFTER_READINGS, AFTER_S = 3, 30.0  # so many readings after that, or what comes in so long; at least one
LATEST_S = 120.0  # which is not later than this
GIVEN_UP_S = 180.0  # after the switching: the car takes nothing, or the plug says nothing
LEAST_A = 3.0  # a smaller change of current tells nothing beside what the mains do by themselves
LEAST_DROPS, MOST_DROPS = 3, 9  # the newest count: a circuit changes
LEAST_ERROR_OHM = 0.05  # a plug resolves some tenths of a volt
COARSE_V, SAME_V = 1.0, 0.005  # a plug's resolution until it has shown a finer one; what is no change
MOST_OHM = 50.0  # what is beyond is no circuit


class Resistance(NamedTuple):
    """A circuit's resistance in ohms; it is believed to lie within ``error_ohm`` either way, at about nine in ten."""

    ohm: float
    error_ohm: float
    drops: int


def resistance(ohms: Iterable[float]) -> Resistance | None:
    """Return what single drops (volts lost by amperes gained, the newest last) agree on; None: there are too few.

    The error as in :func:`surpluscharge.control.draw.estimate`: from the median deviation, wider for few drops.
    """
    newest = list(ohms)[-MOST_DROPS:]
    count = len(newest)
    if count < LEAST_DROPS:
        return None
    ohm = median(newest)
    spread_ohm = 1.4826 * median(abs(one - ohm) for one in newest)
    error_ohm = 2 * math.sqrt(math.pi / 2) * spread_ohm / math.sqrt(count) * (1 + 4 / count)
    return Resistance(max(0.0, ohm), max(LEAST_ERROR_OHM, error_ohm), count)


class _Held(NamedTuple):
    until_s: float
    seconds: float
    volt_s: float
    amp_s: float


class Mains:
    """Follows voltage, current and relay. Times in monotonic seconds, volts, amperes."""

    def __init__(self, ohms: Iterable[float] = ()) -> None:
        """``ohms``: earlier drops, the newest last, as :attr:`ohms` had them."""
        sound = [ohm for ohm in ohms if abs(ohm) <= MOST_OHM]
        self.ohms: deque[float] = deque(sound, maxlen=MOST_DROPS)
        self.learned = resistance(self.ohms)
        self.drop_ohm: float | None = None  # what the last switching showed; None: nothing yet
        self._finest_v = COARSE_V  # the smallest change from a reading to the next
        self._last: tuple[float, float, float] | None = None  # time, volts, amperes: held until the next reading
        self._held: deque[_Held] = deque()
        self._known_s = self._volt_s = self._amp_s = 0.0  # the sums of all that is held
        self._since_s = math.inf  # when the first reading of the mean came
        self._seen: deque[tuple[float, float, float]] = deque(maxlen=100)  # of late, with a measured current
        # Volts and amperes before a switching that is not judged yet.
        self._before: tuple[list[float], float] | None = None
        self._switched_s = -math.inf
        self._settled_s = math.inf

    def forget(self) -> None:
        """Drop what was learned of the circuit: somebody has had a look at it."""
        self.ohms.clear()
        self._finest_v = COARSE_V
        self.learned = self.drop_ohm = None

    def switched(self, now_s: float) -> None:
        """The relay is switched now."""
        side = [(volts, amps) for at_s, volts, amps in self._seen if at_s >= now_s - SIDE_S]
        if not side and self._seen and self._seen[-1][0] >= now_s - OLDEST_S:
            side = [self._seen[-1][1:]]
        self._before = ([volts for volts, _ in side], median(amps for _, amps in side)) if side else None
        self._switched_s, self._settled_s, self.drop_ohm = now_s, math.inf, None
        self._seen.clear()
        if self.learned is None:  # then the mean under load and the one without have nothing to do with each other
            self._held.clear()
            self._known_s = self._volt_s = self._amp_s = 0.0
            self._last, self._since_s = None, math.inf

    def reading(self, now_s: float, volts: float, amps: float, measured: bool, fresh_s: float) -> Evidence | None:
        """Take a voltage in, with the current of the moment, ``measured`` or assumed; it holds ``fresh_s`` at most.

        Returns what the last switching has shown, once it has.
        """
        if self._last is None:
            self._since_s = now_s
        else:
            if (change_v := abs(volts - self._last[1])) > SAME_V:
                self._finest_v = min(self._finest_v, change_v)
            self._hold(now_s, fresh_s)
        self._last = (now_s, volts, amps)
        return self._learn(now_s, volts, amps) if measured else None

    def mean_v(self, amps: float) -> float | None:
        """Return the mean of the last ten minutes, as it is or would be at this current; None: not known.

        Without a learned resistance it is the one that was measured, whatever the current.
        """
        if self._known_s < LEAST_S:
            return None
        volts, mean_a = self._volt_s / self._known_s, self._amp_s / self._known_s
        return volts + (self.learned.ohm * (mean_a - amps) if self.learned else 0.0)

    def whole(self, now_s: float) -> bool:
        """Say whether the mean is one of ten minutes, most of which are known."""
        return now_s >= self._since_s + MEAN_S and self._known_s >= LEAST_KNOWN_S

    def large_drops(self, above_ohm: float) -> int:
        """Return at how many switchings in a row, up to the last one, the voltage fell by more than it may."""
        return sum(1 for _ in takewhile(lambda ohm: ohm > above_ohm, reversed(self.ohms))) if self.ohms else 0

    def _hold(self, now_s: float, fresh_s: float) -> None:
        """Let the last reading count until now, and drop what is older than ten minutes."""
        assert self._last is not None
        at_s, volts, amps = self._last
        seconds = min(max(now_s - at_s, 0.0), fresh_s)
        self._count(1.0, held := _Held(now_s, seconds, volts * seconds, amps * seconds))
        if self._held and self._held[-1].seconds < 1.0:  # a plug that speaks very often needs no more memory
            _, more_s, more_vs, more_as = self._held.pop()
            held = _Held(now_s, seconds + more_s, held.volt_s + more_vs, held.amp_s + more_as)
        self._held.append(held)
        while self._held[0].until_s <= now_s - MEAN_S:
            self._count(-1.0, self._held.popleft())

    def _count(self, sign: float, held: _Held) -> None:
        self._known_s += sign * held.seconds
        self._volt_s += sign * held.volt_s
        self._amp_s += sign * held.amp_s

    def _learn(self, now_s: float, volts: float, amps: float) -> Evidence | None:
        self._seen.append((now_s, volts, amps))
        if self._before is None:
            return None
        before_v, before_a = self._before
        if self._settled_s == math.inf:
            if now_s > self._switched_s + GIVEN_UP_S:
                self._before = None
            elif abs(amps - before_a) >= LEAST_A:
                self._settled_s = now_s + (SETTLES_S if amps > before_a else 0.0)
            return None
        side = [(volts, amps) for at_s, volts, amps in self._seen if 0.0 <= at_s - self._settled_s <= LATEST_S]
        if len(side) < AFTER_READINGS and now_s < self._settled_s + AFTER_S:
            return None
        self._before = None
        more_a = median(amps for _, amps in side) - before_a if side else 0.0
        if abs(more_a) < LEAST_A:
            return None
        after_v = [volts for volts, _ in side]
        ohm = (median(before_v) - median(after_v)) / more_a
        if abs(ohm) > MOST_OHM:
            return None
        self.ohms.append(ohm)
        self.drop_ohm, self.learned = ohm, resistance(self.ohms)
        return fall(now_s, ohm, more_a, before_v, after_v, self._finest_v)
