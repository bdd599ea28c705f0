"""What is needed by when, in a replay: what the plan would have bought, and the least that it could have cost.

:func:`follow` lives through the readings as the daemon does: at every reading and deadline the machine's own ``step``,
and a plan by the daemon's own :func:`surpluscharge.history.expectation.plan_for`, made of what was known by then: the
days before in these readings, today's up to the half hour before, and the prices that were published (those of the next
day from :data:`PUBLISHED_AT` on, which is common practice). It thinks again each half hour while the sun is up, and
when the plan says so; the daemon each five minutes. Beside it, by the same machine, what people do otherwise:

- "from 23:00": each night at eleven it is switched on until what the next need takes is in;
- "sun only": the rule of the thresholds alone, and hope.

:func:`best` is the most that could have been earned by whoever delivers each need, as far as it can be delivered: a
dynamic programme over on and off, minimum times, and how much is lacking still, worked backwards. It is exact on its
grid: of moments one step apart, a minute or as much more as memory allows, and of needs in whole steps of charging,
rounded down. It knows no caps, no budget of starts and no half hour to spare, so it is a bound that no rule need reach;
a rule that switches between two of its moments can pass it by less than a step's worth for each switching.

What is earned is counted as everywhere else: against the alternative price, sold surplus as lost. So what comes in
beyond a need has its worth, too, and what one rule earns less than the best is what it cost more.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, MutableSequence, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any, NamedTuple

from surpluscharge.clock import day_number
from surpluscharge.config import Config
from surpluscharge.control import ahead, slots, wishes
from surpluscharge.control.machine import Params, State, initial, next_deadline, wants_on
from surpluscharge.control.plan import SUN_SHARE, Plan, competes, competing, lead_of
from surpluscharge.control.wishes import Need, Progress
from surpluscharge.history.energy import day_span
from surpluscharge.history.expectation import (
    HALF_HOUR_S,
    NOT_KNOWN,
    Day,
    Shares,
    by_half_hour,
    half_hour,
    plan_for,
    prices_of,
)
from surpluscharge.planning import compiling
from surpluscharge.planning.compiling import buffer, fast
from surpluscharge.planning.hindsight import START, STOP, Runs
from surpluscharge.planning.replay import Days, Move, Series, inputs_with, settle, total_at, with_thresholds

PUBLISHED_AT = time(13, 0)  # prices of the next day
ELEVEN = 23
MET_WH = 50.0  # lacks less and is met: a need is in kWh
STEP_S = 60.0  # of the best possible's grid, where there is room for it
CELLS, CELLS_INTERPRETED = 120_000_000, 6_000_000  # of its table, a byte each
MISSED = 1e6  # what a step that is missing costs, in the currency: beyond all prices
HOUR_S = 3600.0

Windows = tuple[tuple[float, float], ...]  # begin and end


class Intent(NamedTuple):
    """What is to be done until it is thought again."""

    windows: Windows  # from when until when to charge, whatever the sun does
    start_w: float
    stop_w: float
    again_s: float


class Asked(NamedTuple):
    """What whoever decides may look at."""

    now_s: float
    due: int  # the number of what is due next
    got_wh: float  # for it
    state: State
    share: float  # the surplus of now, as a share of the draw


Decide = Callable[[Asked], Intent]
Hear = Callable[[float, float, Intent], Intent]


class Followed(NamedTuple):
    """What came of it."""

    moves: list[Move]
    planned: Runs  # when it charged by plan
    came_wh: tuple[float, ...]  # by the time that each need was due, since the one before


def dues(config: Config, begin_s: float, end_s: float, zone: Any) -> tuple[Need, ...]:
    """Return what the configuration has due after a moment, and not after another."""
    found: list[Need] = []
    while True:
        coming = wishes.upcoming(config.standing, Progress(), found[-1].by_s if found else begin_s, zone)
        if not coming or coming[0].by_s > end_s:
            return tuple(found)
        found += [need for need in coming if need.by_s <= end_s]


def within(runs: Runs, begin_s: float, end_s: float) -> Runs:
    """Return what of the runs lies between two moments."""
    cut = [(max(begin, begin_s), min(end, end_s)) for begin, end in runs]
    return [(begin, end) for begin, end in cut if begin < end]


# --- by the machine --------------------------------------------------------------------------------------------------


def follow(
    params: Params, readings: Series, days: Days, allowances: Days, draw_w: float, needs: Sequence[Need],
    decide: Decide, hear: Hear | None = None,
) -> Followed:  # fmt: skip
    """Live through the readings, switched on with the first one. ``allowances``: the days that charging by plan has
    an allowance each of.

    ``hear`` is told of each reading, as a share of the draw, and may change what is intended.
    """
    params = params._replace(rearm_daily=True)
    state = initial(params, readings.at_s[0], days.first)._replace(was_enabled=True)
    moves = [Move(readings.at_s[0], state.mode, 0, state.cause)]
    planned: list[list[float]] = []
    came: list[float] = []
    day, allowance, due, got_wh = 0, 0, 0, 0.0
    intent = Intent((), math.inf, -math.inf, -math.inf)
    count, before, grid_w = len(readings.at_s), -1, 0.0
    for held in range(count):
        now_s = readings.at_s[held]
        until_s = readings.at_s[held + 1] if held + 1 < count else readings.end_s
        while True:
            while day < len(days.ends_s) and days.ends_s[day] <= now_s:
                day += 1
            while allowance < len(allowances.ends_s) and allowances.ends_s[allowance] <= now_s:
                allowance += 1
            while due < len(needs) and needs[due].by_s <= now_s:
                came.append(got_wh)
                due, got_wh, intent = due + 1, 0.0, intent._replace(again_s=now_s)
            share = min(max(readings.surplus_w[held] / draw_w, 0.0), 1.0)
            # First with what has held until now, then with the new.
            for reading in (before, held) if 0 <= before < held else (held,):
                fresh = before != reading
                if reading == held and now_s >= intent.again_s:
                    intent = decide(Asked(now_s, due, got_wh, state, share))
                if fresh and hear is not None:
                    intent = hear(now_s, readings.surplus_w[held] / draw_w, intent)
                asked = any(begin_s <= now_s < end_s for begin_s, end_s in intent.windows)
                here = with_thresholds(params, intent.start_w, intent.stop_w)
                fresh_s = readings.at_s[reading] + readings.fresh_s
                if fresh:  # the meter shows what is drawn at its moment
                    grid_w = (draw_w if wants_on(state.mode) else 0.0) - readings.surplus_w[reading]
                about = days.first + day, asked, allowances.first + allowance
                state = settle(here, state, now_s, grid_w, fresh_s, draw_w, *about, reading, moves)
                before = reading
            if now_s >= until_s:
                break
            load_w = draw_w if wants_on(state.mode) else 0.0
            inputs = inputs_with(grid_w, fresh_s, load_w, *about)
            edges_s = [edge_s for window in intent.windows for edge_s in window if edge_s > now_s]
            edges_s += [of.ends_s[n] for of, n in ((days, day), (allowances, allowance)) if n < len(of.ends_s)]
            edges_s += [needs[due].by_s] if due < len(needs) else []
            next_s = min(until_s, next_deadline(here, state, inputs), max(intent.again_s, now_s + 1.0), *edges_s)
            known_s = max(0.0, min(next_s, readings.at_s[held] + readings.hold_s[held]) - now_s) if load_w else 0.0
            got_wh += draw_w * known_s / HOUR_S
            if state.planned and known_s:
                if planned and planned[-1][1] >= now_s:
                    planned[-1][1] = now_s + known_s
                else:
                    planned.append([now_s, now_s + known_s])
            now_s = next_s
            if now_s >= until_s and held + 1 < count:
                break
    return Followed(moves, [(begin_s, end_s) for begin_s, end_s in planned], tuple(came))


class ByPlan:
    """Decides as the daemon does."""

    def __init__(
        self, config: Config, readings: Series, zone: Any, draw_w: float, params: Params, needs: Sequence[Need],
        book: slots.Book,
    ) -> None:  # fmt: skip
        self._config, self._zone, self._draw_w, self._params, self._needs = config, zone, draw_w, params, needs
        self._tariffs, self._book = config.tariffs(), book
        self._halves = _halves(readings, zone, draw_w)
        self._past: dict[date, Day] = {}
        self._until = min(self._halves)  # of the days before, all is in the past
        self._plan: Plan | None = None
        self._rule = config.rule(None)
        self._memory = ahead.nothing(self._rule.pace)

    def hear(self, now_s: float, share: float, intent: Intent) -> Intent:
        """Remember the surplus, for thresholds that look ahead."""
        if not self._rule.looks_ahead:
            return intent
        self._memory = ahead.remember(self._memory, now_s, share)
        return Intent(intent.windows, *self._rule.band(self._draw_w, self._memory), intent.again_s)

    def __call__(self, asked: Asked) -> Intent:
        now = datetime.fromtimestamp(asked.now_s, self._zone)
        today, again_s = now.date(), math.inf
        windows: Windows = ()
        while self._until < today:
            if day := self._halves.get(self._until):
                ends_s = (edge.timestamp() for edge in day_span(self._until, self._zone))
                moved = slots.between(self._book, *ends_s)
                self._past[self._until] = Day(day, prices_of(moved, self._until, self._zone))
            self._until += timedelta(days=1)
        made, known = None, self._published(now)
        if asked.due < len(self._needs):
            gone = half_hour(now)
            so_far = (*self._halves.get(today, NOT_KNOWN)[:gone], *NOT_KNOWN[gone:])
            begun = self._plan is not None and self._plan.buys_at(asked.now_s)
            due = datetime.fromtimestamp(self._needs[asked.due].by_s, self._zone)
            due_day = day_number(due, self._config.planned_from)
            made = plan_for(
                self._needs[asked.due],
                asked.got_wh,
                lead_of(self._params, asked.state, self._draw_w, self._config.planned.ready_before_s, due_day),
                asked.state.planned and wants_on(asked.state.mode) and begun,
                self._past,
                now,
                self._tariffs,
                known,
                so_far,
                share_now=asked.share,
            )
            again_s = made.again_s
            windows = made.windows
        self._plan = made
        if asked.share > SUN_SHARE or made is None or made.short_wh > 0.0:
            again_s = min(again_s, (asked.now_s // HALF_HOUR_S + 1) * HALF_HOUR_S)
        follows = self._tariffs is not None and self._config.way.follows_prices
        prices = (
            competing(made, self._tariffs, known, asked.now_s).prices_at(now) if self._tariffs and follows else None
        )
        planned = prices is not None and self._tariffs is not None and competes(made, self._tariffs, now)
        self._rule = self._config.rule(prices)._replace(planned=planned)
        return Intent(windows, *self._rule.band(self._draw_w, self._memory), again_s)

    def _published(self, now: datetime) -> slots.Book:
        """Return the prices that were known by then."""
        days = 2 if now.time() >= PUBLISHED_AT else 1
        end = datetime.combine(now.date() + timedelta(days=days), time(), self._zone)
        return tuple(slots.between(self._book, now.timestamp(), end.timestamp()))


def _halves(readings: Series, zone: Any, draw_w: float) -> dict[date, Shares]:
    """Return how much of the draw the surplus of each half hour would have covered, by days."""
    rows = zip(readings.at_s, readings.surplus_w, readings.hold_s, strict=True)
    return by_half_hour(
        (
            (round(1000 * at_s), round(1000 * (at_s + hold_s)), min(max(surplus_w / draw_w, 0.0), 1.0), 1.0)
            for at_s, surplus_w, hold_s in rows
        ),
        zone,
    )


def from_eleven(needs: Sequence[Need], zone: Any, draw_w: float) -> Decide:
    """Return who decides so: from eleven at night on, until what the next need takes is in."""

    def decide(asked: Asked) -> Intent:
        now = datetime.fromtimestamp(asked.now_s, zone)
        tonight = datetime.combine(now.date(), time(ELEVEN), zone)
        if asked.due >= len(needs):
            return Intent((), math.inf, -math.inf, math.inf)
        lacks_s = max(0.0, needs[asked.due].wh - asked.got_wh) / draw_w * HOUR_S
        begin_s = asked.now_s if asked.state.planned and wants_on(asked.state.mode) else tonight.timestamp()
        if begin_s > asked.now_s:
            return Intent((), math.inf, -math.inf, begin_s)
        again_s = max(asked.now_s + 60.0, (tonight + timedelta(days=1)).timestamp() if lacks_s <= 0.0 else 0.0)
        windows = ((asked.now_s, asked.now_s + lacks_s),) if lacks_s > 0.0 else ()
        return Intent(windows, math.inf, -math.inf, again_s if not windows else asked.now_s + lacks_s)

    return decide


def by_sun(start_w: float, stop_w: float) -> Decide:
    """Return who leaves it to two thresholds."""
    return lambda asked: Intent((), start_w, stop_w, math.inf)


# --- the best possible -----------------------------------------------------------------------------------------------


class Best(NamedTuple):
    """What ``runs`` earn; on the grid nothing earns more that lacks no more. ``lacks_wh``: of all needs, at least."""

    gain: float
    runs: Runs
    lacks_wh: float
    step_s: float


def best(
    readings: Series, gain: array[float], min_on_s: float, min_off_s: float, draw_w: float, needs: Sequence[Need]
) -> Best:
    """Return the optimum. ``gain`` is one of :class:`replay.Sums`."""
    begin_s, end_s = readings.at_s[0], readings.end_s
    needs = [need for need in needs if begin_s < need.by_s <= end_s]
    step_wh = draw_w * STEP_S / HOUR_S
    room = CELLS if compiling.available() else CELLS_INTERPRETED
    most = max((need.wh for need in needs), default=0.0) / step_wh + 1.0
    coarse = max(1, math.ceil(math.sqrt(most * (end_s - begin_s) / STEP_S / room)))
    step_s, step_wh = STEP_S * coarse, step_wh * coarse
    first_s = math.ceil(begin_s / step_s) * step_s
    count = max(1, int((end_s - first_s) // step_s))
    total, known = array("d", bytes(8 * (count + 1))), array("b", bytes(count + 1))
    facts = [buffer(values) for values in (readings.at_s, readings.hold_s, gain)]
    fast(_onto_grid)(*facts, readings.end_s, first_s, step_s, buffer(total), buffer(known))
    wanted = array("i", [-1]) * (count + 1)  # what the stage that begins at a moment takes, in steps; -1: none begins
    opening = int(needs[0].wh / step_wh + 1e-6) if needs else 0
    for need, after in zip(needs, [*needs[1:], None], strict=False):
        at = min(count, int((need.by_s - first_s) / step_s + 1e-6))
        wanted[at] = int(after.wh / step_wh + 1e-6) if after else 0
    levels = max(opening, *wanted, 0) + 1
    least = [max(1, int(least_s / step_s + 1e-6)) for least_s in (min_on_s, min_off_s)]
    ring = max(least) + 2
    choices = array("B", bytes((count + 1) * levels))
    off, on = (array("d", bytes(8 * ring * levels)) for _ in range(2))
    facts = [buffer(values) for values in (total, known, wanted)]
    fast(_worked_back)(*facts, *least, levels, buffer(choices), buffer(off), buffer(on))
    runs, lacks = _taken(total, known, wanted, least, levels, opening, choices, first_s, step_s)
    found = sum(total[end] - total[begin] for begin, end in runs)
    return Best(found, [(first_s + b * step_s, first_s + e * step_s) for b, e in runs], lacks * step_wh, step_s)


def _onto_grid(
    at_s: Sequence[float],
    hold_s: Sequence[float],
    gain: Sequence[float],
    end_s: float,
    first_s: float,
    step_s: float,
    total: MutableSequence[float],
    known: MutableSequence[int],
) -> None:
    """Fill in what has been earned by each moment, and whether all of the step after it is known."""
    held = 0
    for i in range(len(total)):
        now_s = first_s + i * step_s
        whole = 1
        until_s = min(now_s + step_s, end_s)
        while held + 1 < len(at_s) and at_s[held + 1] <= now_s:
            held += 1
        total[i] = total_at(now_s, held, at_s, hold_s, gain)
        j = held
        while at_s[j] < until_s - 1e-6:
            over_s = at_s[j] + hold_s[j]
            follows_s = at_s[j + 1] if j + 1 < len(at_s) else end_s
            if over_s < min(follows_s, until_s) - 1e-6:
                whole = 0
            j += 1
            if j == len(at_s):
                break
        known[i] = whole if i + 1 < len(total) else 0


def _worked_back(
    total: Sequence[float],
    known: Sequence[int],
    wanted: Sequence[int],
    min_on: int,
    min_off: int,
    levels: int,
    choices: MutableSequence[int],
    off: MutableSequence[float],
    on: MutableSequence[float],
) -> None:
    """Fill in the choices at each moment, with so many steps lacking still for what is due next.

    ``off`` is the best from a moment on when off and free to start, ``on`` when on and free to stop, in rings. A start
    is a leap over the minimum-on time, or to where a reading goes stale; a stop one over the minimum-off time.
    """
    count, ring = len(total) - 1, len(off) // levels
    stale = count  # the next moment at which nothing is known
    dues = [0]
    dues.pop()  # all of those after this moment, the next one last
    for i in range(count, -1, -1):
        if i == count or known[i] == 0:
            stale = i
        land, rest = min(i + min_on, stale), min(i + min_off, count)
        here = i % ring * levels
        for u in range(levels):
            stop = _over(off, rest % ring * levels, dues, wanted, i, rest, 0, u)
            go_on, wait, start = -math.inf, 0.0, -math.inf
            if i < count:
                ahead_ = (i + 1) % ring * levels
                wait = off[ahead_ + u]
                if stale > i:
                    go_on = total[i + 1] - total[i] + on[ahead_ + max(u - 1, 0)]
                    start = total[land] - total[i] + _over(on, land % ring * levels, dues, wanted, i, land, 1, u)
            else:
                stop = 0.0
            choice = 0
            if start > wait + 1e-12:
                choice |= START
            if stop >= go_on:
                choice |= STOP
            choices[i * levels + u] = choice
            off[here + u] = max(wait, start)
            on[here + u] = max(stop, go_on)
        if wanted[i] >= 0:  # what follows begins with its own lack, and what lacks now is missed
            after_off, after_on = off[here + wanted[i]], on[here + wanted[i]]
            for u in range(levels):
                off[here + u] = after_off - MISSED * u
                on[here + u] = after_on - MISSED * u
            dues.append(i)


def _over(
    values: Sequence[float],
    there: int,
    dues: Sequence[int],
    wanted: Sequence[int],
    i: int,
    j: int,
    charges: int,
    u: int,
) -> float:
    """Return what it is worth to get from moment i to j, charging or not, with u steps lacking after i.

    What is due between is looked at on the way.
    """
    at, missed = i, 0.0
    for n in range(len(dues) - 1, -1, -1):
        if dues[n] >= j:
            break
        missed += MISSED * max(u - (dues[n] - at) * charges, 0)
        at, u = dues[n], wanted[dues[n]]
    return values[there + max(u - (j - at) * charges, 0)] - missed


def _taken(
    total: Sequence[float],
    known: Sequence[int],
    wanted: Sequence[int],
    least: Sequence[int],
    levels: int,
    lacking: int,
    choices: Sequence[int],
    first_s: float,
    step_s: float,
) -> tuple[list[tuple[int, int]], int]:
    """Follow the choices from the beginning; return the runs, in moments, and how many steps are missed."""
    count, i, u, missed = len(total) - 1, 0, lacking, 0
    runs: list[tuple[int, int]] = []
    on_since, free_at = -1, 0
    while i <= count:
        if wanted[i] >= 0:
            missed, u = missed + u, wanted[i]
        if on_since >= 0:
            bound = i < on_since + least[0] and known[i]
            if i == count or not known[i] or (not bound and choices[i * levels + u] & STOP):
                runs.append((on_since, i))
                on_since, free_at = -1, i + least[1]
        if on_since < 0 and i >= free_at and i < count and choices[i * levels + u] & START:
            on_since = i
        if on_since >= 0:
            u = max(0, u - 1)
        i += 1
    return runs, missed
