"""The best possible in hindsight: when a charger should have run, had everything been known beforehand.

A dynamic programme over on and off, worked backwards day by day, under the same minimum times as the machine's and, if
wanted, a budget of starts for each day. It switches at readings only (the machine may also switch between two, which
matters where readings are minutes apart). Where a reading goes stale a run ends, as the machine's does, whatever its
minimum-on time.

A cap on each session's charging (:func:`best_within`) couples all of a day's decisions. On days on which it binds, the
time that is used up is carried along, in ticks: a table of as many values for each reading as there are ticks in the
cap. So it is exact, wherever readings and cap are whole ticks, also where every hour of a night is worth the same (a
price on the time alone finds no plan there, and gave days less than a rule earned on them); where they are not, the
plan is fitted to the second afterwards, and a price for each day's time (the slope of its table) bounds from above what
could be had. Other days need no such table: a day is given one when a plan without breaks its cap.

The sessions are the machine's: one begins with the day, but never under a running charge, so that a run belongs to the
day in which it was started, and all of it counts there; a run may end sooner than the minimum-on time where the cap
ends it. From one day to the next goes one number for each reading: what the rest is worth to a charger that is off. So
there is one day's table at a time.

Time *and* starts would make the table too large where readings are seconds apart; there starts have a fee
(:meth:`_Work._planned`). HiGHS, in tests/test_hindsight.py, says that what is called exact is; what all of it costs is
in tests/bench/planning.py.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import MutableSequence, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

from surpluscharge.planning import compiling
from surpluscharge.planning.compiling import buffer, fast
from surpluscharge.planning.replay import Days, Series, total_at

SLACK_S = 1e-3
START, STOP = 1, 2
SAME = 1e-9  # of all that could be earned, is less than a start is worth: of equals, the one with fewer starts
LOOK_PAST_S = 1800.0  # so far beyond the cap the table goes, to see what more time would be worth
# The most cells of a day's table, a byte each: where whole ticks allow it to be exact, and where they do not.
EXACT_CELLS, CELLS, CELLS_INTERPRETED = 60_000_000, 22_000_000, 3_000_000

Runs = list[tuple[float, float]]
Plan = list[tuple[float, float, int]]  # of a day: begin, end, and the reading at which it is free to start again
# at_s, hold_s, total gain, ticks, and where a stop and a start lead; when all ends, and the minimum-off time
_Facts = tuple[
    Sequence[float], Sequence[float], Sequence[float], Sequence[int], Sequence[int], Sequence[int], float, float
]


class Hindsight(NamedTuple):
    """``gain`` is what ``runs`` (begin and end, seconds since 1970) earn; nothing can earn more than ``at_most``.

    ``by_day`` has the most that anything could earn on each charging day, were it for that day alone. It may be a
    little more than one can have of every day: a charge that runs on from the day before was paid for there.
    """

    gain: float
    at_most: float
    runs: Runs
    by_day: array[float]


def best(
    readings: Series,
    gain: array[float],
    min_on_s: float,
    min_off_s: float,
    days: Days,
    starts_per_day: int | None = None,
) -> Hindsight:
    """Return the optimum. ``gain`` is one of :class:`replay.Sums`; a start counts in the day in which it is made."""
    return best_within(readings, gain, min_on_s, min_off_s, days, float("inf"), starts_per_day)


def best_within(
    readings: Series,
    gain: array[float],
    min_on_s: float,
    min_off_s: float,
    days: Days,
    cap_s: float,
    starts_per_day: int | None = None,
) -> Hindsight:
    """Return the optimum under a cap on each day's charging time: a session's, or what the car needs."""
    work = _Work(readings, gain, min_on_s, min_off_s, days, cap_s, starts_per_day)
    while True:
        runs = work.solve()
        used_s, starts = sessions(runs, days)
        full = {day for day, s in enumerate(used_s) if s > cap_s + SLACK_S} - work.capped
        crowded = {day for day, number in enumerate(starts) if number > work.budget} - work.crowded
        if not full | crowded:
            break
        # Days that are nearly full will be next, once charges are driven from their neighbours.
        full |= {day for day, s in enumerate(used_s) if full and s > 0.9 * cap_s} - work.capped
        work.hold(full, crowded)
    if work.capped and not work.exact:
        runs = _fitted(readings, gain, runs, days, cap_s, min_on_s, min_off_s)
    found = sum(between(readings, gain, begin_s, end_s) for begin_s, end_s in runs)
    surely = not work.capped or (work.exact and not any(map(work.by_fee, work.crowded)))
    return Hindsight(found, found if surely else max(found, work.bound()), runs, work.by_day())


def between(readings: Series, total: array[float], begin_s: float, end_s: float) -> float:
    """Return what one of :class:`replay.Sums` adds up to between two moments."""
    begin, end = (
        total_at(moment_s, bisect_right(readings.at_s, moment_s) - 1, readings.at_s, readings.hold_s, total)
        for moment_s in (begin_s, end_s)
    )
    return end - begin


def sessions(runs: Runs, days: Days) -> tuple[list[float], list[int]]:
    """Return how long each day's session has charged, and how often: a run counts where it was started."""
    used_s, starts = ([0.0] * (len(days.ends_s) + 1), [0] * (len(days.ends_s) + 1))
    for begin_s, end_s in runs:
        day = bisect_right(days.ends_s, begin_s)
        used_s[day] += end_s - begin_s
        starts[day] += 1
    return used_s, starts


# --- the days, one by one --------------------------------------------------------------------------------------------


class _Work:
    """The readings and what the programme needs beside them, in buffers that compiled code can use."""

    def __init__(
        self,
        readings: Series,
        gain: array[float],
        min_on_s: float,
        min_off_s: float,
        days: Days,
        cap_s: float,
        starts_per_day: int | None,
    ) -> None:
        at_s, self.count = readings.at_s, len(readings.at_s)
        self.readings, self.days, self.gain, self.cap_s = readings, days, gain, cap_s
        self.times = min_on_s, min_off_s
        self.budget = starts_per_day if starts_per_day is not None else len(at_s)
        self.edges = [0, *(bisect_left(at_s, end_s) for end_s in days.ends_s), self.count]
        self.at_s, self.hold_s = buffer(at_s), buffer(readings.hold_s)
        self.ahead: list[int] = [fast(_longest)(self.at_s, readings.end_s, least_s) + 2 for least_s in self.times]
        self.ring = sum(self.ahead) + 3
        rest, lands = (buffer(array("i", [0]) * (self.count + 1)) for _ in range(2))
        fast(_rests)(self.at_s, min_off_s, rest)
        fast(_landings)(self.at_s, self.hold_s, readings.end_s, min_on_s, lands)
        self.start_cost = SAME * (max(gain) - min(gain))
        # Days that keep their cap, days that keep their budget of starts; what a second and a start are worth there.
        self.capped: set[int] = set()
        self.crowded: set[int] = set()
        self.prices, self.fees = (array("d", bytes(8 * len(self.edges))) for _ in range(2))
        # What it is worth at each reading to be off, and to be on from an earlier session.
        self.later, self.held = (buffer(array("d", [0.0]) * (self.count + 1)) for _ in range(2))
        self.fresh = set(range(len(self.edges) - 1))  # days to be worked through, again
        self.entries = self.edges[:-1]
        self.plans: list[Plan] = [[] for _ in self.entries]
        self.tick_s, self.exact, self.cells, tick = 1.0, True, 0, buffer(array("i", [0]))
        if cap_s < float("inf"):
            self._choose_ticks()
            small = (readings.end_s - at_s[0]) / self.tick_s < 2**31
            tick = buffer(array("i" if small else "q", [0]) * (self.count + 1))
            fast(_ticks)(self.at_s, readings.end_s, self.tick_s, tick)
        self.facts: _Facts = self.at_s, self.hold_s, buffer(gain), tick, rest, lands, readings.end_s, min_off_s

    def _choose_ticks(self) -> None:
        """Find ticks of which all times are whole multiples, and the table is not too large; or else any that are."""
        readings, cap_s = self.readings, self.cap_s
        most = max(end - begin for begin, end in pairwise(self.edges))
        self.cells, cells = EXACT_CELLS, CELLS
        if not compiling.available():
            self.cells = cells = CELLS_INTERPRETED
        self.exact = False
        for tick_s in (fast(_shortest)(self.at_s, self.hold_s), 1.0):
            small = (cap_s + LOOK_PAST_S) / tick_s * most <= self.cells and _whole(cap_s / tick_s)
            if not self.exact and small and fast(_even)(self.at_s, self.hold_s, tick_s):
                self.tick_s, self.exact = tick_s, True
        if not self.exact:
            # As fine as there is room for; coarser, if that makes room for a table of starts as well.
            whole_s = (cap_s + LOOK_PAST_S) * most
            with_starts_s = whole_s * (self.budget + 1) / self.cells
            self.tick_s = max(1.0, whole_s / cells, min(with_starts_s, readings.spacing_s))

    def hold(self, full: set[int], crowded: set[int]) -> None:
        """Have these days keep their cap, or their budget of starts, from now on."""
        self.fresh = full | crowded
        self.capped |= full
        self.crowded |= crowded

    def solve(self) -> Runs:
        """Return the best runs.

        A day is worked through again only where what it can see of the days after it has changed by more than the
        same for each reading: its choices stay as they are.
        """
        alike, rise = self.count + 1, 0.0  # from the day's end up to this reading all is worth so much more
        for day in range(max(self.fresh), -1, -1):
            begin, end = self.edges[day], self.edges[day + 1]
            if day not in self.fresh and self._seen(day) < alike:
                fast(_lift)(self.later, self.held, begin, end, rise)
            elif begin < end:
                before = [buffer(array("d", values[begin:end].tobytes())) for values in (self.later, self.held)]
                self.plans[day] = self._planned(day, self.entries[day])
                same = fast(_alike)(*before, self.later, self.held, begin, end, self.start_cost / 1000.0)
                risen = self.later[begin] - before[0][0]
                if same < end or abs(risen - rise) > self.start_cost / 1000.0:
                    alike = same
                rise = risen
        runs: Runs = []
        entry = 0
        for day, end in enumerate(self.edges[1:]):
            plan = self.plans[day]
            if entry >= end:  # the day is over before the charge of the day before, and its pause
                continue
            if entry < self.entries[day] or (plan and plan[0][0] < self.readings.at_s[entry]):
                self.entries[day], plan = entry, self._planned(day, entry)
                self.plans[day] = plan
            runs += [(begin_s, end_s) for begin_s, end_s, _ in plan]
            entry = max(end, plan[-1][2] if plan else entry)
        return runs

    def _seen(self, day: int) -> int:
        """Return the last reading whose worth a day looks at, or looked at."""
        end = self.edges[day + 1]
        if day not in self.capped:
            return max(end + self.ring, self.plans[day][-1][2] + 1 if self.plans[day] else 0)
        farthest_s = self.readings.at_s[min(self.count - 1, end + self.ring)] + self._levels(True)[0] * self.tick_s
        return bisect_right(self.readings.at_s, farthest_s) + self.ring

    def _planned(self, day: int, entry: int) -> Plan:
        """Work through a day; return its runs, begun at reading ``entry``.

        Where starts have a fee: any two plans, one with few starts and one with too many, have one at which they are
        worth the same. The best plan at that fee lies between them; or else no fee tells more.
        """
        if not self.by_fee(day):
            return self._runs(day, entry, self.start_cost)
        few: tuple[int, float] = (0, self.later[self.edges[day + 1]])
        many: tuple[int, float] | None = None
        found: Plan = []
        fee = self.fees[day] or self.fees[day + 1] or self.start_cost
        while True:
            plan = self._runs(day, entry, fee)
            point = len(plan), self.later[entry] + fee * len(plan)
            last = many is not None and point[0] in (few[0], many[0])
            if point[0] <= self.budget:
                few, found = point, plan
            else:
                many = point
            if last or point[0] == self.budget or (many is None and fee <= self.start_cost):
                self.fees[day] = fee
                return found
            fee = max(self.start_cost, (many[1] - few[1]) / (many[0] - few[0]) if many else 0.0)

    def _runs(self, day: int, entry: int, fee: float) -> Plan:
        capped, layers = day in self.capped, self._layers(day)
        self.prices[day], choices = self._day(day, capped, layers, None, fee)
        where = entry, self.edges[day], self.edges[day + 1]
        shape = layers, *self._levels(capped)
        return list(
            fast(_backtrack)(self.facts, *where, self.times[0], self.tick_s, *shape, self.later, self.held, choices)
        )

    def _layers(self, day: int) -> int:
        return self.budget + 1 if day in self.crowded and not self.by_fee(day) else 1

    def by_fee(self, day: int) -> bool:
        """Say whether a day's starts are held to their budget by a fee, a table of time and starts being too large."""
        if day not in self.capped or day not in self.crowded:
            return False
        return (self.edges[day + 1] - self.edges[day]) * self._levels(True)[0] * (self.budget + 1) > self.cells

    def bound(self) -> float:
        """Return what nothing can exceed: time and starts have their price, and cap and budget are given away.

        It is worked out in the room of the plan's values; so is :meth:`by_day`.
        """
        given = 0.0
        for day in range(len(self.edges) - 2, -1, -1):
            fee = self.fees[day] if self.by_fee(day) else 0.0
            self._day(day, False, self._layers(day), self.prices[day], fee)
            given += fee * self.budget + (self.prices[day] * self.cap_s if self.prices[day] else 0.0)
        return float(self.later[0]) + given

    def by_day(self) -> array[float]:
        """Return the same for each day alone, begun in any way; starts are free here."""
        most = array("d", bytes(8 * (len(self.edges) - 1)))
        for day, (begin, end) in reversed(list(enumerate(pairwise(self.edges)))):
            last = min(self.count, end + self.ring)
            self.later[end : last + 1] = buffer(array("d", [0.0]) * (last + 1 - end))
            self._day(day, False, 1, self.prices[day], 0.0, alone=True)
            most[day] = fast(_entered)(self.facts, begin, end, self.cap_s if day else 0.0, self.later)
            most[day] += self.cap_s * self.prices[day] if self.prices[day] else 0.0
            # Where the day begins or ends between two readings.
            most[day] += sum(abs(between(self.readings, self.gain, *edge_s)) for edge_s in self._split(day))
        return most

    def _split(self, day: int) -> Runs:
        """Return the time from where a day begins or ends to the next reading, where that is another moment."""
        ends_s, at_s = self.days.ends_s, self.readings.at_s
        edges_s = ((ends_s[edge], self.edges[edge + 1]) for edge in (day - 1, day) if 0 <= edge < len(ends_s))
        return [(edge_s, at_s[i]) for edge_s, i in edges_s if i < self.count and at_s[i] > edge_s]

    def _levels(self, capped: bool) -> tuple[int, int]:
        """Return how many values a reading has, and with how many ticks used up a session begins."""
        if not capped:
            return 1, 0
        cap, past = (int(s / self.tick_s + 1e-6) for s in (self.cap_s, LOOK_PAST_S))
        return cap + past + 1, past

    def _day(
        self, day: int, capped: bool, layers: int, price: float | None, fee: float, alone: bool = False
    ) -> tuple[float, Any]:
        """Work through one day, with a fee for a start; return its slope, and the choices.

        A bound gives a ``price`` for each second, and lets no charge run on into the next day for longer than the cap.
        Of a day ``alone`` nothing counts that comes after it.
        """
        begin, end = self.edges[day], self.edges[day + 1]
        levels, used = self._levels(capped)
        size, rows = layers * levels, self.ahead[0] + 1
        off = _parts(array("d", [0.0]) * (self.ring * size))
        choices = _parts(array("B", [0]) * ((end - begin + rows) * size))
        slope = 0.0
        if capped:
            tick = self.facts[3]
            width = levels + int(tick[min(self.count, end + rows)] - tick[begin])
            on = _parts(array("d", [0.0]) * (layers * width))
            slope = fast(_programme)(
                self.facts, begin, end, self.tick_s, fee, layers, levels, used, self.later, choices, off, on
            )
        else:
            brief = price is not None and self.cap_s < float("inf")
            beyond = buffer(array("d", [0.0]) * rows)
            if brief and not alone:
                fast(_priced)(self.facts, end, self.cap_s, price, self.later, beyond)
            elif not alone:
                last = min(self.count, end + rows - 1)
                beyond[: last + 1 - end] = self.held[end : last + 1]
            on, closes = _parts(array("d", [0.0]) * (self.ring * size)), end if alone else self.count
            fast(_plain)(
                self.facts, begin, end, closes, price or 0.0, fee, brief, layers, self.later, beyond, choices, off, on
            )
        fast(_hold_on)(self.facts, begin, end, self.later, self.held)
        return float(slope), choices


def _parts(values: array[Any]) -> Any:
    """Return a buffer of which a part can be written to in place, compiled or not."""
    return buffer(values) if compiling.available() else memoryview(values)


def _whole(number: float) -> bool:
    return abs(number - round(number)) < 1e-3


# --- to the second ---------------------------------------------------------------------------------------------------


def _fitted(
    readings: Series, gain: array[float], runs: Runs, days: Days, cap_s: float, min_on_s: float, min_off_s: float
) -> Runs:
    """Return the runs with each session's time brought to its cap where ticks have missed it, by little is lost."""
    by_day: list[Runs] = [[] for _ in range(len(days.ends_s) + 1)]
    for run in runs:
        by_day[bisect_right(days.ends_s, run[0])].append(run)
    result: Runs = []
    for index, of_day in enumerate(by_day):
        ahead = next((later[0][0] for later in by_day[index + 1 :] if later), float("inf"))
        over_s = sum(end_s - begin_s for begin_s, end_s in of_day) - cap_s
        while over_s > SLACK_S:
            cuts = [
                (between(readings, gain, end_s - over_s, end_s), n)
                for n, (begin_s, end_s) in enumerate(of_day)
                # The last one may end by the cap before its time.
                if end_s - begin_s - over_s >= (min_on_s if n + 1 < len(of_day) else 0.0)
            ]
            if not cuts:
                over_s -= of_day[-1][1] - of_day[-1][0]
                of_day.pop()
                continue
            _, n = min(cuts)
            of_day[n] = of_day[n][0], of_day[n][1] - over_s
            over_s = 0.0
        if of_day and -over_s > SLACK_S:
            rooms = [
                max(0.0, follows - min_off_s - end_s)
                for (_, end_s), follows in zip(of_day, [*(begin_s for begin_s, _ in of_day[1:]), ahead], strict=True)
            ]
            longer = [
                (between(readings, gain, end_s, end_s + min(-over_s, room_s)), n, min(-over_s, room_s))
                for n, ((_, end_s), room_s) in enumerate(zip(of_day, rooms, strict=True))
                if not _stale(readings, end_s, end_s + min(-over_s, room_s))
            ]
            if longer and max(longer)[0] > 0.0:
                _, n, more_s = max(longer)
                of_day[n] = of_day[n][0], of_day[n][1] + more_s
        result += of_day
    return result


def _stale(readings: Series, begin_s: float, end_s: float) -> bool:
    """Say whether a reading goes stale in a stretch of time, or it lies beyond all of them."""
    first, last = (bisect_right(readings.at_s, moment_s) - 1 for moment_s in (begin_s - SLACK_S, end_s))
    at_s, hold_s = readings.at_s, readings.hold_s
    held = (at_s[i] + hold_s[i] >= at_s[i + 1] for i in range(first, last))
    return not all(held) or end_s > at_s[last] + hold_s[last]


# --- compiled where it can be ----------------------------------------------------------------------------------------


def _longest(at_s: Sequence[float], end_s: float, least_s: float) -> int:
    """Return the most intervals that it takes to last so long."""
    count, ahead, most = len(at_s), 0, 0
    for i in range(count):
        while ahead < count and at_s[ahead] < at_s[i] + least_s:
            ahead += 1
        most = max(most, ahead - i)
    return most


def _rests(at_s: Sequence[float], min_off_s: float, rest: MutableSequence[int]) -> None:
    """Fill in the reading at which a start is free again after a stop at each reading."""
    count = len(at_s)
    rest[count] = after = count
    for i in range(count - 1, -1, -1):
        while after > i and at_s[after - 1] >= at_s[i] + min_off_s:
            after -= 1
        rest[i] = after


def _landings(
    at_s: Sequence[float], hold_s: Sequence[float], end_s: float, min_on_s: float, lands: MutableSequence[int]
) -> None:
    """Fill in where a run from each reading first may end; where the gap after reading g ends it before, -1 - g."""
    landing = gap = count = len(at_s)
    for i in range(count - 1, -1, -1):
        while landing > i + 1 and at_s[landing - 1] >= at_s[i] + min_on_s:
            landing -= 1
        if _is_gap(at_s, hold_s, end_s, i):
            gap = i
        lands[i] = -1 - gap if gap < landing else landing


def _lift(later: MutableSequence[float], held: MutableSequence[float], begin: int, end: int, rise: float) -> None:
    for i in range(begin, end):
        later[i] += rise
        held[i] += rise


def _alike(
    later_before: Sequence[float],
    held_before: Sequence[float],
    later: Sequence[float],
    held: Sequence[float],
    begin: int,
    end: int,
    least: float,
) -> int:
    """Return the reading up to which all values have changed by the same, or by less than ``least`` beside it."""
    rise = later[begin] - later_before[0]
    for i in range(begin, end):
        for risen in (later[i] - later_before[i - begin], held[i] - held_before[i - begin]):
            if abs(risen - rise) > least:
                return i
    return end


def _shortest(at_s: Sequence[float], hold_s: Sequence[float]) -> float:
    """Return the shortest distance of two readings, in whole milliseconds."""
    least_s = hold_s[0]
    for i in range(len(at_s) - 1):
        least_s = min(least_s, at_s[i + 1] - at_s[i])
    return max(0.001, round(least_s * 1000.0) / 1000.0)


def _even(at_s: Sequence[float], hold_s: Sequence[float], tick_s: float) -> bool:
    """Say whether all readings, and what ends where they go stale, are whole ticks apart."""
    for i in range(len(at_s)):
        for number in ((at_s[i] - at_s[0]) / tick_s, hold_s[i] / tick_s):
            if abs(number - math.floor(number + 0.5)) > 1e-3:
                return False
    return True


def _ticks(at_s: Sequence[float], end_s: float, tick_s: float, tick: MutableSequence[int]) -> None:
    count = len(at_s)
    for i in range(count):
        tick[i] = int((at_s[i] - at_s[0]) / tick_s + 0.5)
    tick[count] = int((end_s - at_s[0]) / tick_s + 0.5)


def _is_gap(at_s: Sequence[float], hold_s: Sequence[float], end_s: float, i: int) -> bool:
    return at_s[i] + hold_s[i] < (at_s[i + 1] if i + 1 < len(at_s) else end_s)


def _after_gap(at_s: Sequence[float], hold_s: Sequence[float], gap: int, min_off_s: float) -> int:
    """Return the first reading at which a start is free after the reading ``gap`` has gone stale."""
    i = gap + 1
    while i < len(at_s) and at_s[i] < at_s[gap] + hold_s[gap] + min_off_s:
        i += 1
    return i


def _plain(
    facts: _Facts,
    begin: int,
    end: int,
    closes: int,
    price: float,
    fee: float,
    brief: bool,
    layers: int,
    later: MutableSequence[float],
    beyond: Sequence[float],
    choices: MutableSequence[int],
    off: MutableSequence[float],
    on: MutableSequence[float],
) -> None:
    """Work backwards through the day of the readings from ``begin`` to ``end``, without a cap.

    ``off`` is the best from a reading on when off and free to start, ``on`` when on and free to stop, each with k
    starts left in the day (``layers`` of them; one: no budget). Both are kept in rings, long enough to look ahead by
    the minimum times. A start is one leap over the minimum-on time, a stop one over the minimum-off time. After the
    day it is worth ``later`` to be off, and ``beyond`` to be still on; from reading ``closes`` on nothing is gained.

    A bound gives each second its ``price``, and allows a ``brief`` run, as the last one of a session: it is what a cap
    can make of one.
    """
    at_s, hold_s, gain, _, rest, lands, end_s, min_off_s = facts
    count, ring = len(at_s), len(off) // layers
    for j in range(end, min(count, end + ring - 2) + 1):
        for k in range(layers):
            off[j % ring * layers + k] = later[j]
    for j in range(end, min(count, end + len(beyond) - 1) + 1):
        for k in range(layers):
            on[j % ring * layers + k] = beyond[j - end]
    shorter = beyond[0]  # worth to be on in a brief run
    for i in range(end - 1, begin - 1, -1):
        # Where a run that starts here first may end, or is ended by a gap, and what it has earned by then.
        free, cut, stale = lands[i], lands[i] < 0, _is_gap(at_s, hold_s, end_s, i)
        last, until_s = free, end_s
        if cut:
            last, until_s = -free, at_s[-free - 1] + hold_s[-free - 1]
            free = _after_gap(at_s, hold_s, last - 1, min_off_s)
        elif free < count:
            until_s = at_s[free]
        earned = gain[min(last, closes)] - gain[i] - fee - price * (until_s - at_s[i])
        onward = _after_gap(at_s, hold_s, i, min_off_s) if stale else i + 1
        step_gain = gain[i + 1] - gain[i] - price * hold_s[i]
        shorter = step_gain + (later[max(onward, end)] if stale else shorter)
        here, ahead, free = i % ring * layers, (i + 1) % ring * layers, free % ring * layers
        idle, onward = rest[i] % ring * layers, onward % ring * layers
        for k in range(layers):
            choice = 0
            value = off[ahead + k]
            if layers == 1 or k > 0:
                there = free + max(k - 1, 0)
                start = earned + (off[there] if cut else on[there])
                if start > value:
                    value, choice = start, START
                if brief:
                    value = max(value, shorter - fee)
            off[here + k] = value
            value = off[idle + k]
            go_on = step_gain + (off[onward + k] if stale else on[onward + k])
            if go_on > value:
                value = go_on
            else:
                choice |= STOP
            on[here + k] = value
            choices[(i - begin) * layers + k] = choice
        shorter = max(shorter, later[max(rest[i], end)])
        later[i] = off[here + layers - 1]


def _programme(
    facts: _Facts,
    begin: int,
    end: int,
    tick_s: float,
    fee: float,
    layers: int,
    levels: int,
    used: int,
    later: MutableSequence[float],
    choices: MutableSequence[int],
    off: MutableSequence[float],
    on: MutableSequence[float],
) -> float:
    """Work through a day as :func:`_plain` does, with u ticks used up (``levels``) as well; return its time's price.

    A charge that goes on uses up a tick a tick. So ``on`` needs no ring: it has a place for each difference of the two,
    where what the charge has gained since the year began is counted in, and nothing is to do but to see whether it
    should stop. It is worked out where a start lands, and no earlier.
    """
    at_s, hold_s, gain, tick, rest, lands, end_s, min_off_s = facts
    count, size = len(at_s), layers * levels
    if begin == end:
        return 0.0
    ring, width = len(off) // size, len(on) // layers
    for j in range(end, min(count, end + ring - 2) + 1):
        for n in range(size):
            off[j % ring * size + n] = later[j]
    at = abs(lands[end - 1])  # the reading for which ``on`` is worked out
    _limited(facts, at, tick_s, levels, later, on)
    for k in range(layers - 1, -1, -1):
        for u in range(levels):
            on[k * width + u] = on[u] + gain[at]
    base = tick[at]
    for i in range(end - 1, begin - 1, -1):
        # Where a run that starts here first may end, or is ended by a gap.
        cut, free, last = lands[i] < 0, lands[i], lands[i]
        if cut:
            last = -1 - free
            free, at = _after_gap(at_s, hold_s, last, min_off_s), min(at, last + 1)
            takes = tick[last] - tick[i] + int(hold_s[last] / tick_s + 0.5)
            earned = gain[last + 1] - gain[i] - fee
        else:
            takes, earned = tick[last] - tick[i], -gain[i] - fee
        takes = max(1, takes)  # where the cap is reached, nothing starts
        # On: stop, or go on.
        while at > last and not cut:
            at -= 1
            stale = _is_gap(at_s, hold_s, end_s, at)
            onward = _after_gap(at_s, hold_s, at, min_off_s) if stale else at + 1
            step = int(hold_s[at] / tick_s + 0.5) if stale else tick[at + 1] - tick[at]
            for k in range(layers):
                here, chosen = k * width + base - tick[at], (at - begin) * size + k * levels
                for u in range(max(0, levels - step) if stale else 0):
                    on[here + u] = off[onward % ring * size + k * levels + step + u] + gain[at + 1]
                for u in range(max(0, levels - step), levels):
                    on[here + u] = -math.inf
                stop = rest[at] % ring * size + k * levels
                _gone_on(
                    on[here : here + levels], choices[chosen : chosen + levels], off[stop : stop + levels], gain[at]
                )
        # Off: wait, or start.
        for k in range(layers):
            here, ahead = i % ring * size + k * levels, (i + 1) % ring * size + k * levels
            chosen, left = (i - begin) * size + k * levels, max(k - 1, 0)
            wait = off[ahead : ahead + levels]
            if layers > 1 and k == 0:
                for u in range(levels):  # one by one: a slice assigned takes numba as long again to compile
                    off[here + u] = wait[u]
                continue
            fits = max(0, levels - takes)
            if cut:
                there = free % ring * size + left * levels + takes
                start = off[there : there + fits]
            else:
                there = left * width + base - tick[last] + takes
                start = on[there : there + fits]
            _begun(off[here : here + fits], choices[chosen : chosen + fits], wait, start, earned)
            m = last
            for u in range(fits, levels):  # the cap ends it sooner, and the session with it
                while m > i and tick[m] - tick[i] >= levels - u:
                    m -= 1
                value = -math.inf
                if m > i and u + 1 < levels:
                    value = gain[m] - gain[i] - fee + off[rest[m] % ring * size + left * levels + levels - 1]
                off[here + u] = max(wait[u], value)
                choices[chosen + u] = START if value > wait[u] else 0
        later[i] = off[i % ring * size + (layers - 1) * levels + used]
    return _slope(off, begin % ring * size + (layers - 1) * levels, levels, used) / tick_s


def _begun(
    value: MutableSequence[float],
    choices: MutableSequence[int],
    wait: Sequence[float],
    start: Sequence[float],
    earned: float,
) -> None:
    """Take the better one of waiting and starting. In a function of its own it is compiled to many at a time."""
    for u in range(len(value)):
        begun = earned + start[u]
        value[u] = begun if begun > wait[u] else wait[u]
        choices[u] = START if begun > wait[u] else 0


def _gone_on(on: MutableSequence[float], choices: MutableSequence[int], off: Sequence[float], gained: float) -> None:
    """Take the better one of going on and stopping."""
    for u in range(len(on)):
        stop = off[u] + gained
        choices[u] |= 0 if on[u] > stop else STOP
        on[u] = on[u] if on[u] > stop else stop


def _slope(values: Sequence[float], first: int, levels: int, used: int) -> float:
    """Return the price of a tick that bounds the value best: the slope of the table's concave hull at the cap."""
    low, high = 0.0, 0.0
    for u in range(levels - 1):
        high = max(high, values[first + u] - values[first + u + 1])
    for _ in range(50):
        price = (low + high) / 2
        most, most_u = values[first + used], used
        for u in range(levels):
            value = values[first + u] + price * (u - used)
            if value > most:
                most, most_u = value, u
        if most_u < used:  # more time would be worth more than its price
            low = price
        else:
            high = price
    return high


def _hold_on(facts: _Facts, begin: int, end: int, later: Sequence[float], held: MutableSequence[float]) -> None:
    """Fill in what it is worth to be on at a reading, from an earlier session without a cap."""
    at_s, hold_s, gain, _, rest, _, end_s, min_off_s = facts
    for i in range(end - 1, begin - 1, -1):
        onward = later[_after_gap(at_s, hold_s, i, min_off_s)] if _is_gap(at_s, hold_s, end_s, i) else held[i + 1]
        held[i] = max(later[rest[i]], gain[i + 1] - gain[i] + onward)


def _limited(
    facts: _Facts, since: int, tick_s: float, levels: int, later: Sequence[float], on: MutableSequence[float]
) -> None:
    """Fill in what it is worth to be on at reading ``since``, with so many ticks used up the day before."""
    at_s, hold_s, gain, tick, rest, _, end_s, min_off_s = facts
    known, most, i = 0, -math.inf, since
    while True:
        # To stop at reading i takes so many ticks; whoever has fewer has the best of what came before.
        takes = tick[i] - tick[since]
        while known < min(takes, levels):
            on[levels - 1 - known] = most
            known += 1
        if takes >= levels:
            return
        most = max(most, gain[i] - gain[since] + later[rest[i]])
        if i == len(at_s):
            break
        if _is_gap(at_s, hold_s, end_s, i):
            takes += int(hold_s[i] / tick_s + 0.5)
            while known < min(takes, levels):
                on[levels - 1 - known] = most
                known += 1
            most = max(most, gain[i + 1] - gain[since] + later[_after_gap(at_s, hold_s, i, min_off_s)])
            break
        i += 1
    while known < levels:
        on[levels - 1 - known] = most
        known += 1


def _priced(
    facts: _Facts, end: int, cap_s: float, price: float, later: Sequence[float], beyond: MutableSequence[float]
) -> None:
    """Fill in the same for readings from ``end`` on, where each second has its price; for no longer than the cap."""
    at_s, hold_s, gain, _, rest, _, end_s, min_off_s = facts
    count, i = len(at_s), end
    while i < count and at_s[i] < at_s[end] + cap_s:
        i += 1
    value = later[rest[i]]
    while True:
        if i - end < len(beyond):
            beyond[i - end] = value
        i -= 1
        if i < end:
            break
        onward = later[_after_gap(at_s, hold_s, i, min_off_s)] if _is_gap(at_s, hold_s, end_s, i) else value
        value = max(later[rest[i]], gain[i + 1] - gain[i] - price * hold_s[i] + onward)


def _last_stop(facts: _Facts, since: int, left: int, tick_s: float, later: Sequence[float]) -> int:
    """Return the reading up to which it is best to go on with so many ticks left; one past a gap: until it is stale."""
    at_s, hold_s, gain, tick, rest, _, end_s, min_off_s = facts
    most, best, i = -math.inf, since, since
    while tick[i] - tick[since] <= left:
        value = gain[i] - gain[since] + later[rest[i]]
        if value > most:
            most, best = value, i
        if i == len(at_s):
            break
        if _is_gap(at_s, hold_s, end_s, i):
            value = gain[i + 1] - gain[since] + later[_after_gap(at_s, hold_s, i, min_off_s)]
            if value > most and tick[i] - tick[since] + int(hold_s[i] / tick_s + 0.5) <= left:
                best = i + 1
            break
        i += 1
    return best


def _backtrack(
    facts: _Facts,
    entry: int,
    begin: int,
    end: int,
    min_on_s: float,
    tick_s: float,
    layers: int,
    levels: int,
    used: int,
    later: Sequence[float],
    held: Sequence[float],
    choices: Sequence[int],
) -> list[tuple[float, float, int]]:
    """Follow the choices of a day from a reading on; return the runs, and the reading at which each leaves it free."""
    at_s, hold_s, gain, tick, rest, _, end_s, min_off_s = facts
    count, size = len(at_s), layers * levels
    runs = [(0.0, 0.0, 0)]
    runs.pop()
    i, k, u = entry, layers - 1, used
    while i < end:
        if not choices[(i - begin) * size + k * levels + u] & START:
            i += 1
            continue
        begin_s, until, k, before = at_s[i], -1, max(k - 1, 0), u
        while True:
            if i == count:
                stop_s, free = end_s, count
                break
            stale = _is_gap(at_s, hold_s, end_s, i)
            step = 0
            if levels > 1:
                step = int(hold_s[i] / tick_s + 0.5) if stale else tick[i + 1] - tick[i]
            stop = u + step >= levels
            if not stop and at_s[i] >= begin_s + min_on_s:
                if i < end:
                    stop = choices[(i - begin) * size + k * levels + u] & STOP != 0
                elif levels == 1:
                    onward = later[_after_gap(at_s, hold_s, i, min_off_s)] if stale else held[i + 1]
                    stop = later[rest[i]] >= gain[i + 1] - gain[i] + onward
                else:
                    if until < 0:
                        until = _last_stop(facts, i, levels - 1 - u, tick_s, later)
                    stop = i == until
            if stop:
                stop_s, free = at_s[i], rest[i]
                if at_s[i] < begin_s + min_on_s:
                    u = levels - 1
                break
            u += step
            if stale:
                stop_s, free = at_s[i] + hold_s[i], _after_gap(at_s, hold_s, i, min_off_s)
                break
            i += 1
        if levels > 1 and u == before:
            u += 1  # none is for nothing
        runs.append((begin_s, stop_s, free))
        i = free
    return runs


def _entered(facts: _Facts, begin: int, end: int, cap_s: float, later: Sequence[float]) -> float:
    """Return the most that a day earns, begun off or on; a run from the day before lasts no longer than its cap."""
    at_s, hold_s, gain, _, rest, _, end_s, min_off_s = facts
    most = later[begin]
    for i in range(begin, end + 1):
        if i == end or at_s[i] > at_s[begin] + cap_s:
            rested = later[rest[i - 1]] if i < end else 0.0
            return max(most, gain[i] - gain[begin] + rested) if cap_s > 0.0 else most
        most = max(most, gain[i] - gain[begin] + later[rest[i]])
        if _is_gap(at_s, hold_s, end_s, i):
            return max(most, gain[i + 1] - gain[begin] + later[_after_gap(at_s, hold_s, i, min_off_s)])
    return most
