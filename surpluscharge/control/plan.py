"""What to buy for a need, when, and how much of it to leave to the sun.

*Needs* say how much must be in the car by when. The time ahead is cut into *pieces* in which prices stay as they are;
what nobody knows of them, the sun and perhaps prices, is a set of *futures*, each with a weight: days that were like
these (:mod:`surpluscharge.history.expectation`). To charge through a piece costs, for each kWh that the lead draws,

    price = buy - share * (buy - sell)

where ``share`` of the draw comes from the surplus and is then not sold. So the sun is nothing of its own here: it makes
pieces cheap, some more, some less, and in some futures only.

Two stages. Until the *next news*, which is when the sun is up again, nothing is learned, and what is bought by then is
decided once for all futures. After it, in each future, the cheapest pieces are taken that meet the needs in time, for
by then one will see what the sun does. A kWh that is bought before the news spares in each future the dearest kWh of
it; so it is bought where its price lies below the mean of those, and bought until it no longer does. Where the sun may
fail before a need, that mean holds what the remedy would cost then; where there is none, a price beyond all others, so
that no need is left to hope. What is spared later has to stay in the car until then, so a full car spares less.
(Exact for this model and prices not below nought: tests/test_plan.py holds it against HiGHS.)

The same mean, for a kWh of now, is what charging is worth at this moment: the alternative price of
:mod:`surpluscharge.control.economics`, and what "cheapest" means where prices move. While the sun is up each reading is
news, and that value alone decides: the solar rule charges at any surplus at which it pays.

Pure: no clock, no I/O. Seconds of any one clock, watts, watt-hours, prices per kWh.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from decimal import Decimal
from heapq import heapify, heappop, heappush
from itertools import accumulate
from typing import NamedTuple

from surpluscharge.control.economics import Tariffs
from surpluscharge.control.machine import Params, State
from surpluscharge.control.slots import DAY_S, Book, Moving, between
from surpluscharge.control.wishes import Need

HOUR_S = 3600.0
SLIGHT_WH = 1e-6  # less is rounding
SUN_SHARE = 0.02  # of the draw: less sun than that is none, and no news
STEADY_SHARE = 0.02  # what has begun goes on unless it costs so much more than the plan that would do without
LEAST_SPARE_S = 600.0  # of the time to spare, so much is left in any case
SUN_SPARE = 0.5  # of the time to spare, so much is left where the sun may shine in it: it was the best of the day
LATE_S = 300.0  # so much later than it is due the next thought may come
LINGER_S = 60.0  # a reading comes, and with it the next thought, within it
LINGER_WH = 50.0  # less is nothing to wait for
MISSING = 1e6  # the price of a kWh that is not there when it is needed: beyond all prices


class Car(NamedTuple):
    """What came in since the last need was due, with what was left over then; and how much beyond a need stays in."""

    got_wh: float = 0.0
    keeps_wh: float = math.inf  # for the next need


class Piece(NamedTuple):
    """A stretch of the time ahead in which prices and expectations stay as they are."""

    begin_s: float
    end_s: float
    sell: float  # what a kWh of surplus earns
    usable: bool = True  # the car is there, and nothing forbids it


class Future(NamedTuple):
    """One way in which it may turn out, piece by piece: the surplus as a share of the draw (0 to 1), and the price."""

    weight: float
    share: Sequence[float]
    buy: Sequence[float]


class Lead(NamedTuple):
    """What the plan is held to. The machine and the supervisor hold the charge to it in any case."""

    draw_w: float
    min_on_s: float = 0.0
    min_off_s: float = 0.0
    starts: int = 96  # so many are left of the budget
    free_from_s: float = -math.inf  # no start before: a rest, a cooldown, a pause
    allowance_s: float = math.inf  # planned charging that is still allowed until the first need
    rest_after_s: float = math.inf  # charging for so long is followed by a rest,
    rest_s: float = 0.0  # of this length,
    ran_s: float = 0.0  # and so long it has charged since the last one
    spare_s: float = 1800.0  # "as late as is safe": done so long before the need, or half of it by sun


def lead_of(params: Params, state: State, draw_w: float, spare_s: float, due_day: int) -> Lead:
    """Return what a plan is held to by the machine: minimum times, starts, and what is left of its allowance.

    ``due_day``: the number of the day, as allowances have them, in which the need is due.
    """
    left_s, left_wh = params.planned_time_cap_s, params.planned_energy_cap_wh
    if due_day <= state.planned_day:  # else there is another allowance by then
        left_s, left_wh = left_s - state.planned_s, left_wh - state.planned_wh
    return Lead(
        draw_w,
        params.min_on_s,
        params.min_off_s,
        params.starts_per_day,
        allowance_s=max(0.0, min(left_s, left_wh / draw_w * HOUR_S)),
        spare_s=spare_s,
    )


class Run(NamedTuple):
    """To be charged from then until then. ``sure``: not as the sun will be, but decided."""

    begin_s: float
    end_s: float
    wh: float
    price: float  # mean, of a kWh
    sure: bool


class Plan(NamedTuple):
    """What to do, and what it rests on."""

    runs: tuple[Run, ...]  # in order; what is not sure is what would be bought if the sun did as it does on average
    value: float  # of a kWh that comes in now: the alternative price; MISSING: charge, whatever it costs
    again_s: float  # when to think again, if nothing else happens
    need: Need | None  # the first one that is not met yet
    lacks_wh: float  # of that one, what is to come in still
    reach_wh: float  # what the lead can bring by then at most
    sun_wh: float  # what the sun is likely to bring by then, of what the lead will draw
    low_sun_wh: float  # and what it brings in nine futures of ten at least

    @property
    def short_wh(self) -> float:
        """What of the first need cannot be reached."""
        return max(0.0, self.lacks_wh - self.reach_wh)

    def buys_at(self, at_s: float) -> bool:
        """Say whether by this plan the lead is on at a moment, whatever the sun does."""
        return any(begin_s <= at_s < end_s for begin_s, end_s in self.windows)

    @property
    def windows(self) -> tuple[tuple[float, float], ...]:
        """From when until when to charge, whatever the sun does.

        While the sun is up no more is settled than the piece that it is. Where that leaves something to come, a run
        lingers: what goes on after the next thought is then one charge, and no pause lies between.
        """
        sure = [run for run in self.runs if run.sure]
        lingers_s = LINGER_S if self.lacks_wh - sum(run.wh for run in sure) > LINGER_WH else 0.0
        return tuple((run.begin_s, run.end_s + lingers_s) for run in sure)


def competing(done: Plan | None, tariffs: Tariffs, book: Book, now_s: float) -> Moving:
    """Return the prices of this moment, where "cheapest" is what this lead can have until the next need.

    By the plan, which knows how much of it there is and what the sun may bring; where nothing is planned for, as far as
    prices are known for a day ahead.
    """
    cheapest = None
    if done is not None and done.need is not None and done.value < MISSING:
        cheapest = Decimal(str(round(done.value, 4)))
    elif ahead_of := [slot.value for slot in between(book, now_s, now_s + DAY_S)]:
        cheapest = Decimal(str(min(ahead_of)))
    return Moving(tariffs, book, cheapest)


def competes(done: Plan | None, tariffs: Tariffs, when: datetime) -> bool:
    """Whether what a kWh is worth at a moment (aware, in the site's zone) is what another hour costs by the plan."""
    tariff = tariffs.valid_at(when)
    planned = done is not None and done.need is not None and done.value < MISSING
    return planned and tariff is not None and tariff.alternative_price is None


class _Task(NamedTuple):
    """The needs still to be met, and the time until the last of them, cut at each."""

    ends_s: list[float]  # of each need: when it is to be in the car, the spare time taken off
    due_wh: list[float]  # of each need: what must have come in from now on until then
    room_wh: list[float]  # of each need: what can have come in until then
    begin_s: list[float]  # of each piece, as what follows
    stop_s: list[float]
    of: list[int]  # the piece as it was given
    stage: list[int]  # the first need that it can serve
    cap_wh: list[float]

    def stage_of(self, unit: _Unit) -> int:
        """Return in which stage something comes in, or is missing."""
        return self.stage[unit.piece] if unit.piece >= 0 else -1 - unit.piece

    def slack_wh(self, taken_wh: Sequence[float], stage: int, until: int) -> float:
        """Return what the car still has room for in a stage, if needs up to ``until`` are on one's mind.

        ``taken_wh``: what comes in, stage by stage.
        """
        sums = list(accumulate(taken_wh))
        return min((self.room_wh[k] - sums[k] for k in range(stage, until)), default=math.inf)


class _Unit(NamedTuple):
    """Some energy, from one piece, at one price."""

    price: float
    wh: float
    piece: int  # below nought: from none, it is missing: -1 to the first need, -2 to the second


def plan(
    now_s: float,
    needs: Sequence[Need],
    car: Car,
    lead: Lead,
    pieces: Sequence[Piece],
    futures: Sequence[Future],
    charging: bool = False,
) -> Plan:
    """Return what to do from now on.

    ``needs`` in order of time, ``pieces`` in order and without holes, from now or before until the last need or beyond;
    ``futures`` at least one, their weights add up to 1. ``charging``: planned charging is under way.
    """
    coming = [need for need in needs if need.by_s > now_s]
    nothing = Plan((), 0.0, math.inf, None, 0.0, 0.0, 0.0, 0.0)
    if not coming or not pieces:
        return nothing
    weights = [future.weight for future in futures]
    sun = _mean(weights, [future.share for future in futures])
    task = _task(now_s, coming, car, lead, pieces, sun)
    if not task.begin_s:
        return nothing
    costs = [_costs(task, future, pieces) for future in futures]
    price = _mean(weights, costs)
    share = [sun[at] for at in task.of]
    # The sun is up in the first piece of which it is expected. It is up now: with the next reading one knows more.
    news = max(1, next((index for index, sun in enumerate(share) if sun > SUN_SHARE), len(share)))
    count = len(task.ends_s)
    before = [need for need in range(count) if task.ends_s[need] <= task.stop_s[news - 1]]
    if charging:  # only what is clearly better ends what has begun
        price[0] -= STEADY_SHARE * abs(price[0])

    # First what must be bought before any news, then what each future would have to buy after it.
    sure = _cover(task, range(news), price, [task.due_wh[need] for need in before], [0.0] * count)
    sure = _within(sure, lead.allowance_s * lead.draw_w / HOUR_S)
    taken_wh = _stages(task, sure)
    due_wh = [0.0] * len(before) + task.due_wh[len(before) :]  # the needs before that are past mending
    after = range(news, len(task.of))
    later = [_cover(task, after, cost, due_wh, taken_wh) for cost in costs]
    curve = _Curve(zip(weights, (_spared(task, units, taken_wh, len(before)) for units in later), strict=True))
    left_wh = lead.allowance_s * lead.draw_w / HOUR_S - sum(unit.wh for unit in sure)
    sure, bought_wh = _buy(task, news, price, sure, curve, taken_wh, left_wh)

    value = _value(task, news, price, sure, curve, bought_wh, len(before))
    likely = _cover(task, after, price, due_wh, _stages(task, sure))
    if news == 1 and share[0] > SUN_SHARE and _mean(weights, [future.buy for future in futures])[task.of[0]] >= value:
        sure = []  # with its sun it may be worth it: that is for the solar rule to say, which sees how much there is
    runs = _runs(now_s, task, lead, sure, price, charging, sure=True)
    dark = [unit for unit in likely if unit.piece >= 0 and share[unit.piece] < 0.5]
    # A run made as long as the shortest charge may reach into what follows it: that is said once.
    over_s = max((run.end_s for run in runs), default=now_s)
    runs += _runs(over_s, task, lead, dark, price, False, sure=False)
    edges_s = [task.stop_s[0], task.begin_s[news] if news < len(task.begin_s) else math.inf, task.ends_s[0]]
    edges_s += [edge_s for run in runs if run.sure for edge_s in run[:2]]
    first = next((need for need in range(count) if task.due_wh[need] > SLIGHT_WH), None)
    if first is not None:  # from then on there is no time to lose
        edges_s.append(task.ends_s[first] - task.due_wh[first] / lead.draw_w * HOUR_S)
    due = None if first is None else coming[first]
    lacks_wh = 0.0 if first is None else sum(need.wh for need in coming[: first + 1]) - car.got_wh
    suns = _suns(task, first, sure, zip(futures, later, strict=True))
    return Plan(
        tuple(sorted(runs)),
        value,
        min((edge_s for edge_s in edges_s if edge_s > now_s), default=math.inf),
        due,
        lacks_wh,
        min(_rested_wh(now_s, lead, pieces, due.by_s), lead.allowance_s * lead.draw_w / HOUR_S) if due else 0.0,
        sum(weight * wh for weight, wh in suns),
        _low(suns, 0.1),
    )


# --- the task --------------------------------------------------------------------------------------------------------


def _task(
    now_s: float, needs: list[Need], car: Car, lead: Lead, pieces: Sequence[Piece], sun: Sequence[float]
) -> _Task:
    """Return the needs and the pieces, cut where a need is due. ``sun``: what is expected in each piece."""
    used_wh = list(accumulate(need.wh for need in needs))
    room_wh = [max(0.0, used - car.got_wh + car.keeps_wh) for used in used_wh]
    due_wh = [max(0.0, used - car.got_wh) for used in used_wh]
    ends_s = []
    for index, need in enumerate(needs):
        long_s = due_wh[index] / lead.draw_w * HOUR_S
        rests, rests_if_on = (since_s // lead.rest_after_s for since_s in (long_s, lead.ran_s + long_s))
        # A pause on the way may do away with the rest that only what has run so far brings: that one is not spared
        # besides, but takes of the time to spare what it needs, and leaves a little.
        usual_s = _spare_s(lead, pieces, sun, need.by_s)
        spare_s = max(usual_s + rests * lead.rest_s, rests_if_on * lead.rest_s + min(usual_s, LEAST_SPARE_S))
        ends_s.append(_safe_s(now_s, lead, pieces, need.by_s - spare_s, need.by_s, due_wh[index]))
        if _rested_wh(now_s, lead, pieces, need.by_s) <= due_wh[index]:  # there is no time to choose: take all of it
            due_wh[index] = min(room_wh[index], max(due_wh[index], _whole_wh(now_s, lead, pieces, need.by_s)))
    task = _Task(ends_s, due_wh, room_wh, [], [], [], [], [])
    for index, piece in enumerate(pieces):
        edges_s = sorted({edge_s for edge_s in (now_s, *ends_s) if piece.begin_s < edge_s < piece.end_s})
        for begin_s, stop_s in zip([piece.begin_s, *edges_s], [*edges_s, piece.end_s], strict=True):
            stage = next((need for need, end_s in enumerate(ends_s) if begin_s < end_s), None)
            if stop_s > now_s and stage is not None:
                task.begin_s.append(begin_s)
                task.stop_s.append(stop_s)
                task.of.append(index)
                task.stage.append(stage)
                task.cap_wh.append(_cap_wh(begin_s, stop_s, lead, piece))
    return task


def _spare_s(lead: Lead, pieces: Sequence[Piece], sun: Sequence[float], by_s: float) -> float:
    """Return how long before a need the plan is done, but for rests.

    By night that costs nothing. By day it gives away sun, and half of it will do: more than a pause that has just begun
    takes, and the time until the next thought.
    """
    spared = zip(pieces, sun, strict=True)
    if all(share <= SUN_SHARE for one, share in spared if one.begin_s < by_s and one.end_s > by_s - lead.spare_s):
        return lead.spare_s
    return min(lead.spare_s, max(SUN_SPARE * lead.spare_s, lead.min_off_s + LATE_S))


def _cap_wh(begin_s: float, stop_s: float, lead: Lead, piece: Piece) -> float:
    return lead.draw_w * max(0.0, stop_s - max(begin_s, lead.free_from_s)) / HOUR_S if piece.usable else 0.0


def _whole_wh(now_s: float, lead: Lead, pieces: Sequence[Piece], by_s: float) -> float:
    """Return what the lead would bring from now on until then if it were always on."""
    return sum(
        _cap_wh(max(now_s, piece.begin_s), min(piece.end_s, by_s), lead, piece)
        for piece in pieces
        if piece.end_s > now_s and piece.begin_s < by_s
    )


def _rested_wh(now_s: float, lead: Lead, pieces: Sequence[Piece], by_s: float) -> float:
    """Return the same with the rests that it takes."""
    long_s = _whole_wh(now_s, lead, pieces, by_s) / lead.draw_w * HOUR_S
    rests = max(0.0, math.ceil((lead.ran_s + long_s) / (lead.rest_after_s + lead.rest_s) - 1e-9) - 1.0)
    return max(0.0, long_s - rests * lead.rest_s) * lead.draw_w / HOUR_S


def _safe_s(now_s: float, lead: Lead, pieces: Sequence[Piece], safe_s: float, by_s: float, due_wh: float) -> float:
    """Return by when it is to be done but for its rests: ``safe_s``, or if there is no time for that, at once."""
    if _whole_wh(now_s, lead, pieces, safe_s) >= due_wh:
        return safe_s
    if _rested_wh(now_s, lead, pieces, by_s) < due_wh:
        return by_s
    low_s, high_s = max(now_s, safe_s), by_s
    while high_s - low_s > 1.0:
        middle_s = (low_s + high_s) / 2
        low_s, high_s = (low_s, middle_s) if _whole_wh(now_s, lead, pieces, middle_s) >= due_wh else (middle_s, high_s)
    return low_s  # rather a second too soon: with time to spare, it would begin a moment later each time it is asked


def _costs(task: _Task, future: Future, pieces: Sequence[Piece]) -> list[float]:
    """Return what a kWh costs in each piece of the task that the lead draws in it."""
    of_each = [
        buy - share * (buy - piece.sell) for buy, share, piece in zip(future.buy, future.share, pieces, strict=True)
    ]
    return [of_each[at] for at in task.of]


def _mean(weights: Sequence[float], rows: Sequence[Sequence[float]]) -> list[float]:
    """Return the weighted mean of rows, column by column."""
    sums = [0.0] * len(rows[0])
    for weight, row in zip(weights, rows, strict=True):
        sums = [so_far + weight * value for so_far, value in zip(sums, row, strict=True)]
    return sums


# --- what to take ----------------------------------------------------------------------------------------------------


def _cover(
    task: _Task, indices: Iterable[int], price: Sequence[float], due_wh: Sequence[float], taken_wh: Sequence[float]
) -> list[_Unit]:
    """Take the cheapest pieces that meet the needs, one after the other; of equal ones the latest.

    ``due_wh`` of each need in turn, ``taken_wh`` what comes in already, stage by stage. Later needs choose among what
    earlier ones left, within what the car has room for: the least sum, since whatever serves one need serves the next.
    """
    if len(task.ends_s) == 1:  # as nearly always, and then it is simple
        return _cheapest(task, indices, price, due_wh[0] - taken_wh[0]) if due_wh else []
    taken_wh, units, open_ = list(taken_wh), [], list[tuple[float, int, float]]()
    serving: list[list[int]] = [[] for _ in due_wh]  # of each need: the pieces of its stage
    for index in indices:
        if task.stage[index] < len(serving):
            serving[task.stage[index]].append(index)
    for need, due in enumerate(due_wh):
        open_ += [
            (price[index], -index, task.cap_wh[index]) for index in serving[need] if task.cap_wh[index] > SLIGHT_WH
        ]
        heapify(open_)
        lack_wh = due - sum(taken_wh)  # of stages after this need nothing is taken yet, or all before the news
        while lack_wh > SLIGHT_WH and open_:
            cost, minus, cap_wh = heappop(open_)
            stage = task.stage[-minus]
            wh = min(cap_wh, lack_wh, task.slack_wh(taken_wh, stage, need) if stage < need else math.inf)
            if wh <= SLIGHT_WH:
                continue  # the car is full before it can be used up, now and for all that is later
            units.append(_Unit(cost, wh, -minus))
            taken_wh[stage] += wh
            lack_wh -= wh
            if cap_wh - wh > SLIGHT_WH:
                heappush(open_, (cost, minus, cap_wh - wh))
        if lack_wh > SLIGHT_WH:
            units.append(_Unit(MISSING, lack_wh, -1 - need))
            taken_wh[need] += lack_wh
    return units


def _cheapest(task: _Task, indices: Iterable[int], price: Sequence[float], lack_wh: float) -> list[_Unit]:
    """Take the cheapest pieces until nothing is lacking, where there is but one need."""
    units = []
    for index in sorted(sorted(indices, reverse=True), key=price.__getitem__):
        if lack_wh <= SLIGHT_WH:
            break
        if (wh := min(task.cap_wh[index], lack_wh)) > SLIGHT_WH:
            units.append(_Unit(price[index], wh, index))
            lack_wh -= wh
    if lack_wh > SLIGHT_WH:
        units.append(_Unit(MISSING, lack_wh, -1))
    return units


def _within(units: list[_Unit], most_wh: float) -> list[_Unit]:
    """Return what there is of these, up to a limit; what is missing is left out."""
    found = []
    for unit in units:
        wh = min(unit.wh, most_wh)
        if unit.piece >= 0 and wh > SLIGHT_WH:
            found.append(unit._replace(wh=wh))
            most_wh -= wh
    return found


def _stages(task: _Task, units: Iterable[_Unit]) -> list[float]:
    """Return what comes in, stage by stage."""
    taken_wh = [0.0] * len(task.ends_s)
    for unit in units:
        taken_wh[task.stage[unit.piece]] += unit.wh
    return taken_wh


def _spared(task: _Task, units: list[_Unit], taken_wh: Sequence[float], stage: int) -> list[_Unit]:
    """Return what energy that comes in at a stage spares of these, the dearest first.

    To spare what would come in later, it has to stay in the car until then, as far as there is room. An hour that pays
    for taking energy is used in any case, so sparing it gains nothing.
    """
    if len(task.ends_s) == 1 and not stage:
        return [unit._replace(price=0.0) if unit.price < 0.0 else unit for unit in sorted(units, reverse=True)]
    taken_wh = list(taken_wh)
    for unit in units:
        taken_wh[task.stage_of(unit)] += unit.wh
    slack_wh = [room - wh for room, wh in zip(task.room_wh, accumulate(taken_wh), strict=True)]
    spared = []
    for unit in sorted(units, reverse=True):
        stays = range(stage, task.stage_of(unit))
        wh = min([unit.wh, *(slack_wh[need] for need in stays)])
        if wh > SLIGHT_WH:
            spared.append(unit._replace(price=max(0.0, unit.price), wh=wh))
            for need in stays:
                slack_wh[need] -= wh
    return spared


class _Curve:
    """What a kWh is worth that comes in before the news: the mean of the dearest ones that it spares."""

    def __init__(self, futures: Iterable[tuple[float, list[_Unit]]]) -> None:
        falls: list[tuple[float, float]] = []
        self._first = 0.0
        for weight, spared in futures:  # each the dearest first
            at_wh = 0.0
            prices = [unit.price for unit in spared]
            for unit, after in zip(spared, [*prices[1:], 0.0], strict=False):
                at_wh += unit.wh
                falls.append((at_wh, weight * (unit.price - after)))
            self._first += weight * prices[0] if prices else 0.0
        falls.sort()
        self._at_wh = [at_wh for at_wh, _ in falls]
        self._sums = list(accumulate((fall for _, fall in falls), initial=0.0))

    def value(self, bought_wh: float) -> float:
        """Return what the next kWh is worth where so much is bought."""
        return self._first - self._sums[bisect_right(self._at_wh, bought_wh + SLIGHT_WH)]

    def until_wh(self, bought_wh: float) -> float:
        """Return up to how much that stays so."""
        index = bisect_right(self._at_wh, bought_wh + SLIGHT_WH)
        return self._at_wh[index] if index < len(self._at_wh) else math.inf


def _buy(
    task: _Task,
    news: int,
    price: Sequence[float],
    sure: list[_Unit],
    curve: _Curve,
    taken_wh: list[float],
    left_wh: float,
) -> tuple[list[_Unit], float]:
    """Buy before the news what is cheaper than what it spares after it. Return all that is sure, and how much of it."""
    sure, bought_wh, used = list(sure), 0.0, dict[int, float]()
    for unit in sure:
        used[unit.piece] = used.get(unit.piece, 0.0) + unit.wh
    for index in sorted(range(news), key=lambda one: (price[one], -one)):
        room_wh = min(
            task.cap_wh[index] - used.get(index, 0.0),
            task.slack_wh(taken_wh, task.stage[index], len(task.ends_s)),
            left_wh,
        )
        wh = 0.0
        while room_wh - wh > SLIGHT_WH and price[index] < curve.value(bought_wh) - 1e-12:
            step_wh = min(room_wh - wh, curve.until_wh(bought_wh) - bought_wh)
            wh += step_wh
            bought_wh += step_wh
        if wh > SLIGHT_WH:
            sure.append(_Unit(price[index], wh, index))
            taken_wh[task.stage[index]] += wh
            left_wh -= wh
    return sure, bought_wh


def _value(
    task: _Task, news: int, price: Sequence[float], sure: list[_Unit], curve: _Curve, bought_wh: float, met: int
) -> float:
    """Return what a kWh of this moment is worth: the dearest that it spares, of what is planned and what may come."""
    here_wh = sum(unit.wh for unit in sure if unit.piece == 0)
    others = [unit.price for unit in sure if unit.piece != 0]
    value = max([curve.value(max(0.0, bought_wh - here_wh)), *others])
    if met and here_wh > bought_wh + SLIGHT_WH:  # this moment is needed for what is due before any news
        used = {unit.piece for unit in sure}
        free = [price[one] for one in range(1, news) if one not in used and task.stage[one] < met]
        value = max(value, min((cost for cost in free if cost > price[0]), default=MISSING))
    return value


# --- for people ------------------------------------------------------------------------------------------------------


def _runs(
    now_s: float, task: _Task, lead: Lead, units: Iterable[_Unit], price: Sequence[float], charging: bool, sure: bool
) -> list[Run]:
    """Return when to charge, in runs that the lead's minimum times and its budget of starts allow."""
    wh = [0.0] * len(task.of)
    for unit in units:
        wh[unit.piece] += unit.wh
    spans: list[list[float]] = []
    for index, used_wh in enumerate(wh):
        if used_wh <= SLIGHT_WH:
            continue
        begin_s = max(task.begin_s[index], now_s, lead.free_from_s)
        stop_s, long_s = task.stop_s[index], used_wh / lead.draw_w * HOUR_S
        if begin_s >= stop_s:
            continue
        before = bool(spans) and spans[-1][1] >= begin_s - 1.0
        after = index + 1 < len(wh) and wh[index + 1] > SLIGHT_WH
        # A part of a piece joins its neighbour; alone, it is as late as is safe, or at once if it is under way.
        if (before and not after) or (charging and not spans and begin_s <= now_s):
            stop_s = min(stop_s, begin_s + long_s)
        else:
            begin_s = max(begin_s, stop_s - long_s)
        if spans and begin_s - spans[-1][1] < max(lead.min_off_s, 1.0):
            spans[-1][1] = stop_s
        else:
            spans.append([begin_s, stop_s])
    while len(spans) > max(1, lead.starts):
        gap = min(range(len(spans) - 1), key=lambda one: spans[one + 1][0] - spans[one][1])
        spans[gap : gap + 2] = [[spans[gap][0], spans[gap + 1][1]]]
    longer: list[list[float]] = []
    for span in spans:
        if (short_s := lead.min_on_s - (span[1] - span[0])) > 0.0:
            earlier_s = min(short_s, max(0.0, span[0] - max(now_s, lead.free_from_s)))
            span[0] -= earlier_s
            span[1] += short_s - earlier_s
        if longer and span[0] - longer[-1][1] < max(lead.min_off_s, 1.0):
            longer[-1][1] = max(span[1], longer[-1][1])
        else:
            longer.append(span)
    return [_run(begin_s, stop_s, task, lead, price, sure) for begin_s, stop_s in longer]


def _run(begin_s: float, end_s: float, task: _Task, lead: Lead, price: Sequence[float], sure: bool) -> Run:
    cost = 0.0
    for index, (begin, stop) in enumerate(zip(task.begin_s, task.stop_s, strict=True)):
        cost += max(0.0, min(stop, end_s) - max(begin, begin_s)) * price[index]
    wh = (end_s - begin_s) * lead.draw_w / HOUR_S
    return Run(begin_s, end_s, wh, cost / (end_s - begin_s), sure)


def _suns(
    task: _Task, first: int | None, sure: list[_Unit], later: Iterable[tuple[Future, list[_Unit]]]
) -> list[tuple[float, float]]:
    """Return, with its weight, what the sun gives in each future of what is charged for the first need."""
    if first is None:
        return [(1.0, 0.0)]
    return [
        (
            future.weight,
            sum(
                unit.wh * future.share[task.of[unit.piece]]
                for unit in (*sure, *units)
                if unit.piece >= 0 and task.stage[unit.piece] <= first
            ),
        )
        for future, units in later
    ]


def _low(weighted: list[tuple[float, float]], share: float) -> float:
    """Return the value below which this share of the weight lies."""
    below = 0.0
    for weight, value in sorted(weighted, key=lambda one: one[1]):
        below += weight
        if below >= share:
            return value
    return weighted[-1][1]


def _clock(at_s: float, zone: tzinfo | None) -> str:
    return f"{(datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_s)).astimezone(zone):%H:%M}"


def _day(at_s: float, zone: tzinfo | None) -> str:
    return f"{(datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_s)).astimezone(zone):%A}"


def _kwh(wh: float) -> str:
    return f"{wh / 1000:.1f}"


def in_words(done: Plan, sun_wh: float, bought_wh: float, zone: tzinfo | None) -> str:
    """Return the plan in a sentence, with its times (seconds since 1970) as the site's clocks show them.

    ``sun_wh`` and ``bought_wh``: what came in for this need so far.
    """
    if done.need is None:
        return "nothing is needed that is not in the car already"
    whole_wh = done.lacks_wh + sun_wh + bought_wh
    came = f"so far {_kwh(sun_wh)} came from the sun, and {_kwh(bought_wh)} from the grid"
    by = f"by {_clock(done.need.by_s, zone)} on {_day(done.need.by_s, zone)}"
    if done.short_wh > 50.0:
        return (
            f"{_kwh(done.lacks_wh)} kWh are missing {by}, and {_kwh(done.reach_wh)} kWh is the most that this lead can "
            f"bring until then: it charges at any price; {came}"
        )
    runs = [run for run in done.runs if run.begin_s < done.need.by_s]
    if not runs:
        return f"{_kwh(done.lacks_wh)} kWh {by} are left to the sun, which is likely to bring them; {came}"
    spans: list[list[float]] = []
    for run in runs:
        if spans and run.begin_s - spans[-1][1] < LINGER_S:  # what is sure, and goes on for as long as is likely
            spans[-1][1] = run.end_s
        else:
            spans.append([run.begin_s, run.end_s])
    said = " and ".join(f"{_clock(begin_s, zone)} to {_clock(end_s, zone)}" for begin_s, end_s in spans)
    sure = "" if all(run.sure for run in runs) else ", unless the sun does better"
    return f"{said}, {_kwh(sum(run.wh for run in runs))} kWh{sure}, so that {_kwh(whole_wh)} kWh are in {by}; {came}"


def left_in_words(done: Plan, buy: float | None) -> str:
    """Return in a sentence why not all of a need is bought now. ``buy``: what a kWh costs now; None: not known."""
    worth = "any price" if done.value >= MISSING / 1e3 else f"{done.value:.3f}"
    said = (
        f"the sun is likely to bring {_kwh(done.sun_wh)} kWh of the next {_kwh(done.lacks_wh)}, and "
        f"{_kwh(done.low_sun_wh)} in nine cases of ten at least"
    )
    return said if buy is None else f"{said}: a kWh is worth {worth} now, and costs {buy:.3f} bought"
