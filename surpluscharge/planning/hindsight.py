"""The best possible in hindsight: when a charger should have run, had everything been known beforehand.

:func:`best` is an exact dynamic programme over on and off, under the same minimum times as the machine's and, if
wanted, a budget of starts for each day; its work grows linearly with the number of readings, however they are spaced.
It switches at readings only (the machine may also switch between two, which matters where readings are minutes apart).
Where a reading goes stale a run ends, as the machine's does, whatever its minimum-on time.

A cap on each day's charging (:func:`best_within`) couples all of a day's decisions. It is dealt with by a price on
charging time, one for each day, raised until the cap is kept (Lagrangian relaxation): the value is then known from both
sides, what can be had and what cannot be exceeded, and the two lie close together. Where no cap binds it is exact.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import MutableSequence, Sequence
from typing import NamedTuple

from surpluscharge.planning.replay import Days, Series, _buffer, _run, total_at

ROUNDS = 16  # halvings of the price interval
SLACK_S = 1e-3
START, STOP = 1, 2


class Hindsight(NamedTuple):
    """``gain`` is what ``runs`` (begin and end, seconds since 1970) earn; nothing can earn more than ``at_most``."""

    gain: float
    at_most: float
    runs: list[tuple[float, float]]


def best(
    readings: Series,
    gain: array[float],
    min_on_s: float,
    min_off_s: float,
    days: Days,
    starts_per_day: int | None = None,
) -> Hindsight:
    """Return the optimum. ``gain`` is one of :class:`replay.Sums`; a start counts in the day in which it is made."""
    found, runs = _solve(readings, gain, min_on_s, min_off_s, days, starts_per_day)
    return Hindsight(found, found, runs)


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
    found, runs = _solve(readings, gain, min_on_s, min_off_s, days, starts_per_day)
    count = len(days.ends_s) + 1
    over = _beyond(runs, days, cap_s)
    if not any(over):
        return Hindsight(found, found, runs)
    steepest = _run(_steepest)(_buffer(readings.hold_s), _buffer(gain))
    low, high = array("d", bytes(8 * count)), array("d", [0.0 if not much else steepest for much in over])
    at_most, priced = found, array("d", bytes(8 * len(gain)))
    for _ in range(ROUNDS):
        price = array("d", ((one + other) / 2 for one, other in zip(low, high, strict=True)))
        _charge_for(readings, gain, days, price, priced)
        found, runs = _solve(readings, priced, min_on_s, min_off_s, days, starts_per_day)
        at_most = min(at_most, found + cap_s * sum(price))
        over = _beyond(runs, days, cap_s)
        for day, much in enumerate(over):
            if much:
                low[day] = price[day]
                high[day] = high[day] or steepest  # its cap began to bind only when a neighbour's did
            else:
                high[day] = price[day]
    # Just below the price at which a day keeps its cap, it takes a little too much: what is least worth is cut off.
    _charge_for(readings, gain, days, low, priced)
    _, runs = _solve(readings, priced, min_on_s, min_off_s, days, starts_per_day)
    runs = _trimmed(readings, gain, runs, days, cap_s, min_on_s)
    return Hindsight(sum(between(readings, gain, begin_s, end_s) for begin_s, end_s in runs), at_most, runs)


def between(readings: Series, total: array[float], begin_s: float, end_s: float) -> float:
    """Return what one of :class:`replay.Sums` adds up to between two moments."""
    begin, end = (
        total_at(moment_s, bisect_right(readings.at_s, moment_s) - 1, readings.at_s, readings.hold_s, total)
        for moment_s in (begin_s, end_s)
    )
    return end - begin


# --- the dynamic programme -------------------------------------------------------------------------------------------


def _solve(
    readings: Series, gain: array[float], min_on_s: float, min_off_s: float, days: Days, starts_per_day: int | None
) -> tuple[float, list[tuple[float, float]]]:
    at_s, hold_s, ends_s = _buffer(readings.at_s), _buffer(readings.hold_s), _buffer(days.ends_s)
    count, layers = len(readings.at_s), 1 if starts_per_day is None else starts_per_day + 1
    span = _run(_longest)(at_s, readings.end_s, max(min_on_s, min_off_s)) + 3
    choices = array("B", bytes(count * layers))
    value = _run(_programme)(
        at_s,
        hold_s,
        _buffer(gain),
        readings.end_s,
        min_on_s,
        min_off_s,
        ends_s,
        layers,
        _buffer(choices),
        _buffer(array("d", bytes(8 * span * layers))),
        _buffer(array("d", bytes(8 * span * layers))),
        _buffer(array("q", bytes(8 * span))),
    )
    runs = _run(_backtrack)(at_s, hold_s, readings.end_s, min_on_s, min_off_s, ends_s, layers, _buffer(choices))
    return float(value), list(runs)


def _longest(at_s: Sequence[float], end_s: float, least_s: float) -> int:
    """Return the most intervals that it takes to last so long."""
    count, ahead, most = len(at_s), 0, 0
    for i in range(count):
        while ahead < count and at_s[ahead] < at_s[i] + least_s:
            ahead += 1
        most = max(most, ahead - i)
    return most


def _programme(
    at_s: Sequence[float],
    hold_s: Sequence[float],
    gain: Sequence[float],
    end_s: float,
    min_on_s: float,
    min_off_s: float,
    ends_s: Sequence[float],
    layers: int,
    choices: MutableSequence[int],
    off: MutableSequence[float],
    on: MutableSequence[float],
    day_of: MutableSequence[int],
) -> float:
    """Work backwards from the end; return the best value from the first reading on, being off and free to start.

    ``off[i]`` is the best from reading i on when off and free to start, ``on[i]`` when on and free to stop, each with k
    starts left in the day (``layers`` of them; one: no budget). Both are kept in rings, long enough to look ahead by a
    minimum time. A start is one leap over the minimum-on time, a stop one over the minimum-off time.
    """
    count, ring = len(at_s), len(day_of)
    day = len(ends_s)
    while day > 0 and ends_s[day - 1] > end_s:
        day -= 1
    day_of[count % ring] = day
    for k in range(layers):
        off[count % ring * layers + k] = 0.0
        on[count % ring * layers + k] = 0.0
    after_on = after_off = gap = count
    for i in range(count - 1, -1, -1):
        while day > 0 and ends_s[day - 1] > at_s[i]:
            day -= 1
        here = i % ring
        day_of[here] = day
        while after_on > i + 1 and at_s[after_on - 1] >= at_s[i] + min_on_s:
            after_on -= 1
        while after_off > i and at_s[after_off - 1] >= at_s[i] + min_off_s:
            after_off -= 1
        ahead_s = at_s[i + 1] if i + 1 < count else end_s
        if at_s[i] + hold_s[i] < ahead_s:
            gap = i
        # Where a run that starts here first may end, or is ended by a gap, and what it has earned by then.
        cut = gap < after_on
        landing = _after_gap(at_s, hold_s, gap, min_off_s) if cut else after_on
        earned = gain[gap + 1 if cut else after_on] - gain[i]
        onward = _after_gap(at_s, hold_s, i, min_off_s) if gap == i else i + 1
        step_gain = gain[i + 1] - gain[i]
        for k in range(layers):
            choice = 0
            # Off: wait, or start.
            left = layers - 1 if day_of[(i + 1) % ring] != day else k
            value = off[(i + 1) % ring * layers + left]
            if layers == 1 or k > 0:
                left = layers - 1 if day_of[landing % ring] != day else max(k - 1, 0)
                start = earned + (off if cut else on)[landing % ring * layers + left]
                if start > value:
                    value, choice = start, START
            off[here * layers + k] = value
            # On: stop, or go on.
            left = layers - 1 if day_of[after_off % ring] != day else k
            value = off[after_off % ring * layers + left]
            left = layers - 1 if day_of[onward % ring] != day else k
            go_on = step_gain + (off if gap == i else on)[onward % ring * layers + left]
            if go_on > value:
                value = go_on
            else:
                choice |= STOP
            on[here * layers + k] = value
            choices[i * layers + k] = choice
    return off[layers - 1]


def _after_gap(at_s: Sequence[float], hold_s: Sequence[float], gap: int, min_off_s: float) -> int:
    """Return the first reading at which a start is free after the reading ``gap`` has gone stale."""
    i = gap + 1
    while i < len(at_s) and at_s[i] < at_s[gap] + hold_s[gap] + min_off_s:
        i += 1
    return i


def _backtrack(
    at_s: Sequence[float],
    hold_s: Sequence[float],
    end_s: float,
    min_on_s: float,
    min_off_s: float,
    ends_s: Sequence[float],
    layers: int,
    choices: Sequence[int],
) -> list[tuple[float, float]]:
    """Follow the choices from the first reading on; return the runs."""
    count = len(at_s)
    runs = [(0.0, 0.0)]
    runs.pop()
    i = day = here = 0
    k = layers - 1
    on, begin_s, free_s = False, 0.0, 0.0
    while i < count:
        while day < len(ends_s) and ends_s[day] <= at_s[i]:
            day += 1
        if day != here:
            here, k = day, layers - 1
        ahead_s = at_s[i + 1] if i + 1 < count else end_s
        choice = choices[i * layers + k]
        if on and at_s[i] >= begin_s + min_on_s and choice & STOP:
            runs.append((begin_s, at_s[i]))
            on, free_s = False, at_s[i] + min_off_s
        if not on and at_s[i] >= free_s and choice & START:
            on, begin_s = True, at_s[i]
            k = max(k - 1, 0)
        if on and at_s[i] + hold_s[i] < ahead_s:
            runs.append((begin_s, at_s[i] + hold_s[i]))
            on, free_s = False, at_s[i] + hold_s[i] + min_off_s
        i += 1
    if on:
        runs.append((begin_s, end_s))
    return runs


# --- a cap on each day -----------------------------------------------------------------------------------------------


def _steepest(hold_s: Sequence[float], gain: Sequence[float]) -> float:
    """Return the most that a second of charging ever earns; a price above it stops all charging."""
    most = 0.0
    for i in range(len(hold_s)):
        if hold_s[i] > 0.0:
            most = max(most, (gain[i + 1] - gain[i]) / hold_s[i])
    return most * 1.001


def _charge_for(readings: Series, gain: array[float], days: Days, price: array[float], priced: array[float]) -> None:
    _run(_charge)(*map(_buffer, (readings.at_s, readings.hold_s, gain, days.ends_s, price, priced)))


def _charge(
    at_s: Sequence[float],
    hold_s: Sequence[float],
    gain: Sequence[float],
    ends_s: Sequence[float],
    price: Sequence[float],
    priced: MutableSequence[float],
) -> None:
    """Take each day's price per second of charging off the gain."""
    day = 0
    for i in range(len(at_s)):
        while day < len(ends_s) and ends_s[day] <= at_s[i]:
            day += 1
        priced[i + 1] = priced[i] + (gain[i + 1] - gain[i]) - price[day] * hold_s[i]


def _by_day(runs: list[tuple[float, float]], days: Days) -> list[list[tuple[float, float]]]:
    """Return each day's runs, cut where days end."""
    result: list[list[tuple[float, float]]] = [[] for _ in range(len(days.ends_s) + 1)]
    for begin_s, end_s in runs:
        day, since_s = bisect_right(days.ends_s, begin_s), begin_s
        while day < len(days.ends_s) and days.ends_s[day] < end_s:
            result[day].append((since_s, days.ends_s[day]))
            since_s, day = days.ends_s[day], day + 1
        result[day].append((since_s, end_s))
    return result


def _beyond(runs: list[tuple[float, float]], days: Days, cap_s: float) -> list[bool]:
    """Say of each day whether the runs exceed the cap."""
    return [sum(end_s - begin_s for begin_s, end_s in of_day) > cap_s + SLACK_S for of_day in _by_day(runs, days)]


def _trimmed(
    readings: Series,
    gain: array[float],
    runs: list[tuple[float, float]],
    days: Days,
    cap_s: float,
    min_on_s: float,
) -> list[tuple[float, float]]:
    """Cut runs until every day keeps its cap: each time the end or the whole run that is least worth."""
    kept = list(runs)
    for day, parts in enumerate(_by_day(runs, days)):
        excess_s = sum(end_s - begin_s for begin_s, end_s in parts) - cap_s
        day_end_s = days.ends_s[day] if day < len(days.ends_s) else readings.end_s
        while excess_s > SLACK_S:
            cuts = []  # (what is lost, the run, what remains of it)
            for run in kept:
                begin_s, end_s = run
                if bisect_right(days.ends_s, begin_s) != day or end_s > day_end_s:
                    continue
                cuts.append((between(readings, gain, *run), run, (begin_s, begin_s)))
                earlier_s = readings.at_s[max(0, bisect_right(readings.at_s, end_s - excess_s) - 1)]
                later = bisect_left(readings.at_s, begin_s + excess_s)
                if earlier_s >= begin_s + min_on_s:
                    cuts.append((between(readings, gain, earlier_s, end_s), run, (begin_s, earlier_s)))
                if later < len(readings.at_s) and end_s >= readings.at_s[later] + min_on_s:
                    later_s = readings.at_s[later]
                    cuts.append((between(readings, gain, begin_s, later_s), run, (later_s, end_s)))
            if not cuts:
                break
            _, run, rest = min(cuts)
            excess_s -= (run[1] - run[0]) - (rest[1] - rest[0])
            kept[kept.index(run)] = rest
            kept = [(begin_s, end_s) for begin_s, end_s in kept if end_s > begin_s]
    return kept
