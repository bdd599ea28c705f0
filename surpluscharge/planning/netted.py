"""Replays where the bill nets: steered as the daemon steers, and money as that bill counts it.

:func:`steered` calls the machine's own ``step`` and the daemon's own :func:`surpluscharge.control.steering.decided` at
each reading and deadline, as the controller does. :func:`booked` shares out what was charged by registers (see
:mod:`surpluscharge.control.netting`). The best possible is worked out for the energy of each register, at once and
exactly, without minimum times and budgets of starts: :func:`best` is a bound that no rule can pass. With quarters of an
hour and eight minutes, minimum times leave 97 % of it, with half hours 99 %, with hours all (tests/bench/netted.py).
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import MutableSequence, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any, NamedTuple

from surpluscharge.control.economics import Priced
from surpluscharge.control.machine import Params, State, initial, next_deadline, wants_on
from surpluscharge.control.netting import from_grid
from surpluscharge.control.steering import START, STOP, Lately, Running, decided, nothing, passed, remember
from surpluscharge.planning.compiling import buffer, fast
from surpluscharge.planning.hindsight import Hindsight, Runs
from surpluscharge.planning.replay import (
    Days,
    Move,
    Rates,
    Series,
    Sums,
    charging,
    inputs_with,
    last_at,
    settle,
    total_at,
    with_thresholds,
)


class Registers(NamedTuple):
    """Time cut wherever interval, prices or charging day change. Piece i begins at ``from_s[i]``, and ends with the
    next.
    """

    from_s: array[float]
    register: array[int]  # that it belongs to; -1: there the bill does not net
    span: array[int]  # of the prices
    day: array[int]
    begins_s: array[float]  # of the intervals, and in the end when the last one ends
    nets: array[int]  # for each of them: 1 where the bill nets in it
    net_wh: array[float]  # what would have been exported less imported, up to each reading and to the end

    @property
    def many(self) -> int:
        """How many registers there are."""
        return max(self.register) + 1


def registers(priced: Priced, prices: Rates, readings: Series, days: Days, zone: tzinfo | None) -> Registers:
    """Return the registers of a stretch of time."""
    at_s, end_s = readings.at_s[0], readings.end_s
    begins_s, nets, first_s = array("d"), array("i"), at_s
    while at_s < end_s:
        when = datetime.fromtimestamp(at_s, UTC).astimezone(zone)
        low_s, at_s = priced.interval_s(when)
        begins_s.append(low_s)
        nets.append(priced.netting_at(when).nets)
    begins_s.append(at_s)
    cuts = {first_s, *begins_s[1:-1], *prices.from_s, *days.ends_s}
    from_s = array("d", sorted(cut for cut in cuts if first_s <= cut < end_s))
    names: dict[tuple[int, float, float], int] = {}
    register, span, day = array("i"), array("i"), array("i")
    for cut in from_s:
        interval, at = bisect_right(begins_s, cut) - 1, bisect_right(prices.from_s, cut) - 1
        name = interval, prices.import_price[at], prices.export_price[at]
        register.append(names.setdefault(name, len(names)) if nets[interval] else -1)
        span.append(at)
        day.append(bisect_right(days.ends_s, cut))
    net_wh = array("d", bytes(8 * (len(readings.at_s) + 1)))
    fast(_sum_up)(buffer(readings.surplus_w), buffer(readings.hold_s), buffer(net_wh))
    return Registers(from_s, register, span, day, begins_s, nets, net_wh)


def _sum_up(surplus_w: Sequence[float], hold_s: Sequence[float], net_wh: MutableSequence[float]) -> None:
    for i in range(len(surplus_w)):
        net_wh[i + 1] = net_wh[i] + surplus_w[i] * hold_s[i] / 3600.0


# --- the decisions ---------------------------------------------------------------------------------------------------


def moves(
    params: Params,
    readings: Series,
    days: Days,
    draw_w: float,
    start_w: array[float],
    stop_w: array[float],
    prices: Rates,
    found: Registers,
) -> list[Move]:
    """Return what the machine does where charges are steered; the thresholds hold where the bill does not net."""
    state = initial(params, readings.at_s[0], days.first)._replace(was_enabled=True)
    times: list[array[Any]] = [readings.at_s, readings.surplus_w, start_w, stop_w, days.ends_s]
    times += [*prices[:4], found.begins_s, found.nets]
    return list(
        fast(steered)(
            params._replace(rearm_daily=True),
            state,
            draw_w,
            readings.fresh_s,
            readings.end_s,
            days.first,
            nothing(),
            *map(buffer, times),
        )
    )


def steered(
    params: Params,
    state: State,
    draw_w: float,
    fresh_s: float,
    end_s: float,
    day: int,
    lately: Lately,
    at_s: Sequence[float],
    surplus_w: Sequence[float],
    start_w: Sequence[float],
    stop_w: Sequence[float],
    days_s: Sequence[float],
    from_s: Sequence[float],
    import_price: Sequence[float],
    export_price: Sequence[float],
    alternative_price: Sequence[float],
    begins_s: Sequence[float],
    nets: Sequence[int],
) -> list[Move]:
    """Run the machine over readings as :func:`replay.decide` does, with thresholds from the energy of the interval."""
    infinite = float("inf")
    each_start = 0 if len(start_w) == 1 else 1
    each_stop = 0 if len(stop_w) == 1 else 1
    moves = [Move(at_s[0], state.mode, 0, state.cause)]
    held, grid_w, fresh_until_s = -1, 0.0, -infinite
    now_s, next_day, span, interval = at_s[0], 0, 0, 0
    running = Running(begins_s[0], begins_s[1], 0.0, 0.0)
    here = with_thresholds(params, infinite, infinite)
    while now_s < end_s:
        # To the next reading, the machine's own deadline, or the next day.
        load_w = draw_w if wants_on(state.mode) else 0.0
        due_s = next_deadline(here, state, inputs_with(grid_w, fresh_until_s, load_w, day, False, 0))
        if next_day < len(days_s):
            due_s = min(due_s, days_s[next_day])
        ahead_s = at_s[held + 1] if held + 1 < len(at_s) else end_s
        until_s = min(due_s, ahead_s)
        while interval + 2 < len(begins_s) and begins_s[interval + 1] <= until_s:
            interval += 1
            running = Running(begins_s[interval], begins_s[interval + 1], 0.0, 0.0)
        running = passed(running, now_s, max(now_s, min(until_s, fresh_until_s)), grid_w, load_w)
        now_s = until_s
        # First what has held until now, then the new.
        if next_day < len(days_s) and days_s[next_day] <= now_s:
            day, next_day = day + 1, next_day + 1
        state = settle(here, state, now_s, grid_w, fresh_until_s, draw_w, day, False, 0, held, moves)
        if now_s >= ahead_s and held + 1 < len(at_s):
            held += 1
            grid_w = (draw_w if wants_on(state.mode) else 0.0) - surplus_w[held]
            fresh_until_s = now_s + fresh_s
            lately = remember(lately, now_s, surplus_w[held] / draw_w)
            while span + 1 < len(from_s) and from_s[span + 1] <= now_s:
                span += 1
            if nets[interval]:
                worth = alternative_price[span] - export_price[span]
                cost = import_price[span] - alternative_price[span]
                on = wants_on(state.mode)
                choice = decided(running, lately, draw_w, worth, cost, params.min_on_s, on, now_s)
                start = -infinite if choice == START else infinite
                here = with_thresholds(params, start, -infinite if choice == STOP else infinite)
            else:
                here = with_thresholds(params, start_w[held * each_start], stop_w[held * each_stop])
            state = settle(here, state, now_s, grid_w, fresh_until_s, draw_w, day, False, 0, held, moves)
    return moves


# --- what came of them -----------------------------------------------------------------------------------------------


class Booked(NamedTuple):
    """By charging days: as the bill has it."""

    solar_wh: array[float]
    grid_wh: array[float]
    gain: array[float]
    starts: array[float]


def outcome(moves: list[Move], readings: Series, days: Days, sums: Sums, prices: Rates, found: Registers) -> Booked:
    """Return what the runs took, and what the bill makes of it."""
    pieces = [array("d", bytes(8 * len(found.from_s))) for _ in range(2)]
    whole = [array("d", bytes(8 * max(1, found.many))) for _ in range(2)]
    result = Booked(*(array("d", bytes(8 * (len(days.ends_s) + 1))) for _ in range(4)))
    runs = charging(moves, readings.end_s)
    begins_s, ends_s = (array("d", (run[k] for run in runs)) for k in range(2))
    facts: list[array[Any]] = [readings.at_s, readings.hold_s, sums.solar_wh, sums.grid_wh, found.net_wh]
    facts += [found.from_s, found.register, found.span, found.day, days.ends_s]
    facts += [prices.import_price, prices.export_price, prices.alternative_price, *pieces, *whole, *result]
    fast(booked)(buffer(begins_s), buffer(ends_s), readings.end_s, *map(buffer, facts))
    return result


def booked(
    begins_s: Sequence[float],
    ends_s: Sequence[float],
    end_s: float,
    at_s: Sequence[float],
    hold_s: Sequence[float],
    solar_wh: Sequence[float],
    grid_wh: Sequence[float],
    net_wh: Sequence[float],
    from_s: Sequence[float],
    register: Sequence[int],
    span: Sequence[int],
    day: Sequence[int],
    days_s: Sequence[float],
    import_price: Sequence[float],
    export_price: Sequence[float],
    alternative_price: Sequence[float],
    sun: MutableSequence[float],
    bought: MutableSequence[float],
    taken: MutableSequence[float],
    surplus: MutableSequence[float],
    by_day_solar_wh: MutableSequence[float],
    by_day_grid_wh: MutableSequence[float],
    by_day_gain: MutableSequence[float],
    starts: MutableSequence[float],
) -> None:
    """Fill in what the runs took on each day. A part of a register has the mix of the whole."""
    for i in range(len(from_s)):
        if register[i] >= 0:
            until_s = from_s[i + 1] if i + 1 < len(from_s) else end_s
            surplus[register[i]] += between(from_s[i], until_s, at_s, hold_s, net_wh)
    i = 0
    for run in range(len(begins_s)):
        starts[last_at(days_s, begins_s[run]) + 1] += 1.0
        while i + 1 < len(from_s) and from_s[i + 1] <= begins_s[run]:
            i += 1
        j = i
        while j < len(from_s) and from_s[j] < ends_s[run]:
            since_s = max(begins_s[run], from_s[j])
            until_s = min(ends_s[run], from_s[j + 1] if j + 1 < len(from_s) else end_s)
            from_sun = between(since_s, until_s, at_s, hold_s, solar_wh)
            from_net = between(since_s, until_s, at_s, hold_s, grid_wh)
            sun[j] += from_sun
            bought[j] += from_net
            if register[j] >= 0:
                taken[register[j]] += from_sun + from_net
            j += 1
    for i in range(len(from_s)):
        charger = sun[i] + bought[i]
        grid = bought[i]
        if register[i] >= 0 and charger > 0.0:
            whole = taken[register[i]]
            grid = from_grid(whole - surplus[register[i]], whole) * charger / whole
        by_day_solar_wh[day[i]] += charger - grid
        by_day_grid_wh[day[i]] += grid
        k = span[i]
        gain = charger * alternative_price[k] - (charger - grid) * export_price[k] - grid * import_price[k]
        by_day_gain[day[i]] += gain / 1000.0


def between(
    since_s: float, until_s: float, at_s: Sequence[float], hold_s: Sequence[float], total: Sequence[float]
) -> float:
    """Return what a running sum adds up to between two moments."""
    end = total_at(until_s, last_at(at_s, until_s), at_s, hold_s, total)
    return end - total_at(since_s, last_at(at_s, since_s), at_s, hold_s, total)


# --- the best possible -----------------------------------------------------------------------------------------------


class _Part(NamedTuple):
    """Energy of one register that can be charged at the same gain."""

    gain: float  # of a watt-hour
    wh: float
    register: int


def best(
    readings: Series, days: Days, sums: Sums, prices: Rates, found: Registers, draw_w: float, cap_s: float
) -> Hindsight:
    """Return the most that anyone could have earned who charges any part of any register, within each day's cap.

    What lies in two charging days (of a day or a month, mostly) may have both their caps. The runs are one way to have
    it: at the end of each piece. Where a tariff pays more for export than import costs, it is a bound only.
    """
    count = len(found.from_s)
    ends_s = [*found.from_s[1:], readings.end_s]
    known, surplus, solar = (
        [_between(readings, total, since, until) for since, until in zip(found.from_s, ends_s, strict=True)]
        for total in (array("d", map(sum, zip(sums.solar_wh, sums.grid_wh, strict=True))), found.net_wh, sums.solar_wh)
    )
    members: dict[int, list[int]] = {}
    for i in range(count):
        # Where the bill does not net, each piece is taken as a whole: its solar share is what would be saved.
        members.setdefault(found.register[i] if found.register[i] >= 0 else -1 - i, []).append(i)
    cap_wh, by_day = cap_s * draw_w / 3600.0, array("d", bytes(8 * (len(days.ends_s) + 1)))
    parts: dict[object, list[_Part]] = {}
    for register, pieces in members.items():
        k, on_days = found.span[pieces[0]], sorted({found.day[i] for i in pieces})
        holds = sum(min(cap_wh, sum(known[i] for i in pieces if found.day[i] == day)) for day in on_days)
        spare = sum((surplus if register >= 0 else solar)[i] for i in pieces)
        credit = min(max(spare, 0.0), holds)
        otherwise = prices.alternative_price[k]
        row = parts.setdefault(on_days[0] if len(on_days) == 1 else (register, on_days[0]), [])
        row.append(_Part((otherwise - prices.export_price[k]) / 1000.0, credit, register))
        row.append(_Part((otherwise - prices.import_price[k]) / 1000.0, holds - credit, register))
    runs: Runs = []
    for key, row in parts.items():
        left_wh = cap_wh if isinstance(key, int) else float("inf")
        for part in sorted(row, reverse=True):
            wh = min(part.wh, left_wh)
            if part.gain <= 0.0 or wh <= 0.0:
                continue
            left_wh -= wh
            pieces = members[part.register]
            whole = sum(solar[i] for i in pieces) or float(len(pieces))
            for i in pieces:  # of several days, in proportion to what each could have had
                by_day[found.day[i]] += part.gain * wh * (solar[i] or (1.0 if whole == len(pieces) else 0.0)) / whole
            for i in reversed(pieces):
                lasts_s = min(ends_s[i] - found.from_s[i], wh * 3600.0 / draw_w)
                if lasts_s > 1.0:
                    runs.append((ends_s[i] - lasts_s, ends_s[i]))
                    wh -= lasts_s * draw_w / 3600.0
    most = sum(by_day)
    return Hindsight(most, most, _joined(runs), by_day)


def _joined(runs: Runs) -> Runs:
    joined: Runs = []
    for begin_s, end_s in sorted(runs):
        if joined and begin_s <= joined[-1][1] + 1e-6:
            joined[-1] = joined[-1][0], max(joined[-1][1], end_s)
        else:
            joined.append((begin_s, end_s))
    return joined


def _between(readings: Series, total: array[float], since_s: float, until_s: float) -> float:
    return between(since_s, until_s, readings.at_s, readings.hold_s, total)
