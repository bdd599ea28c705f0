"""Sixty days of houses with a battery, both orders of rights, what could have been: `python -m tests.bench.batteries`.

The real controller on a virtual clock, closed loop with the simulated house (simulator/house.py): it hears the meter
and the battery at their intervals and tells the relay; the battery holds the grid at nought with its own lag. All
houses are invented. What is measured, is measured at the simulated cells and contacts, and not taken from the daemon:

- fed: what the cells gave for the car: what they gave beyond what the house alone would have had of them at that very
  moment, at most what the lead drew beyond the sun. Where nothing of it is asked for, it is what came before a charge
  could end: a cloud's edge until the readings show it, and the rest of the minimum-on time.
- missed: of a day, what was exported while the lead was off and a car that was not full could have drawn as much; at
  most what the car still lacked in the end.
- swings: charges that begin within a quarter of an hour of the last one's end.

Their skies are small clouds with sharp edges, all day long: the hardest there are for a lead that is only on or off.
``--skies`` takes the three houses of tests/bench/houses.py instead (the ``bench`` extra; made and measured skies, a
model's households). ``--numbers`` decides by two thresholds, as an owner may write them. ``--still`` lets a sun without
clouds stand for an hour at each height, with all lags and intervals, and shows what goes on moving: the switchings, and
of the battery's power in the last half hour the largest line of its spectrum.

The bound knows the day: a linear programme in HiGHS over slots of ten minutes, from the same battery and car at
midnight. It chooses freely in each slot how much of what is left over goes into the car, into the battery, to the grid,
and how much of what lacks the battery gives to the house; nothing of the battery or of the grid goes into the car.
"any" may use up to the lead's draw of whatever is left over, as though the lead's power could follow it: no controller
can reach more from the sun. "whole" may use only the moments in which all of the draw was left over, as a lead that is
only on or off may, with switchings that cost nothing and take no time. Where the battery comes first, the bound must
leave in it at the day's last surplus what it would have had without a car, or its level less what it may sink below
that before it is its turn again, if that is less.

Two more say how much of what was fed could have been spared. "held": what came within the shortest charge, which
nobody can spare who starts at those moments and may not stop sooner. "least": what cells and grid have to give for the
car at the least by whoever knows the day, has the same shortest charge and pause, and catches as much sun. A dynamic
programme over steps of ten seconds weighs what the sun gives against what it does not, at one price of the latter after
another; each price gives a straight line that nobody can be below, and the highest of them counts. Its starts have no
budget, and the battery never a turn of its own, so it errs on the low side.

``--control min_on_s=240 starts_per_day=24`` gives the table [control] other keys.

What came of it in sixty days under those clouds, with the first wiring (kWh a day; least and most of the two orders):

    house     sun           whole    fed            of it held     starts
    small     3.6 to 4.0      6.2    0.33           0.25           11
    middle    7.4 to 7.9     10.9    0.39 to 0.40   0.25 to 0.26   12
    large     7.0 to 7.7     11.6    0.57 to 0.59   0.41 to 0.42   12

So what the cells gave was 5 to 8 % of what came from the sun, and not nought. Two thirds of it are the shortest charge;
the rest is 20 to 23 seconds of the draw for each charge, in all three, which is how long meter (each ten seconds),
battery (each thirty), delay and relay take to follow a cloud's edge. Less of that has only who knows the clouds
beforehand ("least": nothing at all), or hears of them sooner: of the small house, car first, 20 days, 0.30 instead of
0.33 with both each five seconds; and with a shortest charge of 2 minutes instead of 8 (16 starts a day instead of 11)
0.21, of which 0.05 held.
"""

from __future__ import annotations

import argparse
import itertools
import json
import time
from collections import Counter
from collections.abc import Callable, Iterable
from functools import partial
from statistics import median
from typing import NamedTuple

import numpy as np
import scipy  # its parts come when they are asked for
from numpy.typing import NDArray

from surpluscharge.config import Config
from surpluscharge.control.battery import LEVEL_BACK
from surpluscharge.simulator.house import DAY_S, DayCourse, GridMeter, House, Scenario, Storage, make_day
from tests.bench.closed_loop import HOUR_S, SUNS, ClosedLoop

SLOT_S = 600.0
SLOTS = int(DAY_S / SLOT_S)
SOON_S = 900.0
SEED = 1
HOUSES = {
    "small": Scenario(suns=SUNS, storage=Storage(5_000.0, charge_w=2_500.0, give_w=2_500.0), headroom_wh=9_000.0),
    "middle": Scenario(
        suns=SUNS[3:] + SUNS[:3],
        array_w=6_800.0,
        base_w=230.0,
        evening_w=450.0,
        lead_a=8.0,
        headroom_wh=9_000.0,
        daily_use_wh=9_000.0,
        storage=Storage(8_000.0, charge_w=3_300.0, give_w=3_300.0),
    ),
    "large": Scenario(
        suns=SUNS[6:] + SUNS[:6],
        day_of_year=80,
        array_w=10_500.0,
        base_w=340.0,
        evening_w=700.0,
        cumulus_gap_s=420.0,
        lead_a=10.0,
        headroom_wh=12_000.0,
        daily_use_wh=14_000.0,
        storage=Storage(12_000.0, charge_w=5_000.0, give_w=5_000.0),
    ),
}


class Wiring(NamedTuple):
    """How the house's things speak: how often, and how late."""

    meter_every_s: float = 5.0
    battery_every_s: float = 10.0
    battery_late_s: float = 0.0
    lag_s: float = 4.0
    silent_h: tuple[float, float] = (0.0, 0.0)  # hours of each day at which nothing comes of the battery


Courses = Callable[[int], DayCourse]  # of a day by its number


class Watched(House):
    """A house under any skies, that also sums up what is exported while the lead is off and the car could take it."""

    def __init__(self, scenario: Scenario, courses: Courses) -> None:
        self.missed_ws, self.courses = 0.0, courses
        super().__init__(scenario)

    def _open_day(self, day: int) -> None:
        self._number, self._day = day, self.courses(day)

    def _sum_up(self, for_s: float) -> None:
        if not self._closed and not self.car.full and self.car.home:
            self.missed_ws += min(max(-self.grid_w, 0.0), self.scenario.lead_w) * for_s
        super()._sum_up(for_s)


class Night(NamedTuple):
    """What there was at midnight, of the day that begins."""

    held_ws: float  # in the cells
    headroom_ws: float  # of the car
    missed_ws: float
    solar_ws: float


class Lived(NamedTuple):
    """What came of it. Energies in watt-seconds."""

    house: Watched
    nights: tuple[Night, ...]
    charges: tuple[tuple[float, float], ...]  # from when until when the contact was closed
    faults: Counter[str]
    held_ws: float  # of what the cells gave for the car, what came within the shortest charge
    booked_wh: tuple[float, float, float]  # by the controller: drawn, of it from the grid, and from the battery
    battery_w: tuple[float, ...]  # its power in each second of the last half hour
    tells: int
    took_s: float

    @property
    def missed_ws(self) -> float:
        """What was exported though the car could have taken it, day by day."""
        return sum(
            min(after.missed_ws - before.missed_ws, after.headroom_ws)
            for before, after in zip(self.nights, self.nights[1:], strict=False)
        )

    @property
    def swings(self) -> int:
        return sum(
            begin_s - end_s < SOON_S for (_, end_s), (begin_s, _) in zip(self.charges, self.charges[1:], strict=False)
        )


def config_of(scenario: Scenario, first: str, control: dict[str, object] | None = None, **battery: object) -> Config:
    """Return what the owner of such a house would write."""
    return Config.model_validate(
        {
            "charger": {"current_a": scenario.lead_a},
            "meter": [{"topic": "grid"}],
            "relay": {"topic": "plug/set", "power": {"topic": "power"}},
            "battery": {"power": {"topic": "cells"}, "level": {"topic": "level"}, "first": first, **battery},
            "control": control or {},
            "session": {"time_cap_s": 43_200.0},
        }
    )


def live(scenario: Scenario, config: Config, wiring: Wiring, days: float, courses: Courses | None = None) -> Lived:
    """Let the controller live in a house for so many days, under its own skies or others."""
    assert scenario.storage is not None
    began_s = time.perf_counter()
    scenario = scenario._replace(storage=scenario.storage._replace(lag_s=wiring.lag_s))
    house = Watched(scenario, courses or partial(make_day, scenario, SEED))
    assert house.cells is not None
    loop = ClosedLoop(
        house,
        GridMeter(SEED, every_s=wiring.meter_every_s),
        config,
        battery_every_s=wiring.battery_every_s,
        battery_late_s=wiring.battery_late_s,
        silent_h=wiring.silent_h,
    )
    midnight_s, end_s = 0.0, days * DAY_S
    closed_s: float | None = None
    held_until_s, held_ws, fed_ws = float("inf"), 0.0, 0.0
    charges: list[tuple[float, float]] = []
    nights: list[Night] = []
    faults: Counter[str] = Counter()
    seconds_w: list[float] = []
    while loop.now_s < end_s:
        loop.advance(midnight_s, max(loop.now_s + 1.0, end_s - HOUR_S / 2), held_until_s, end_s)
        now_s = loop.now_s
        if now_s >= held_until_s or (closed_s is not None and not house.plug.closed):
            held_ws += house.tally.fed_ws - fed_ws if held_until_s < float("inf") else 0.0
            held_until_s = float("inf")
        if now_s >= end_s - HOUR_S / 2 + len(seconds_w):
            seconds_w.append(house.battery_w)
        if midnight_s <= now_s < end_s:
            nights.append(Night(house.cells.held_ws, house.car.headroom_ws, house.missed_ws, house.tally.solar_ws))
            midnight_s += DAY_S
        if house.plug.closed is not (closed_s is not None):
            if closed_s is not None:
                charges.append((closed_s, now_s))
            closed_s = now_s if house.plug.closed else None
            if house.plug.closed:
                held_until_s, fed_ws = now_s + config.control.min_on_s, house.tally.fed_ws
        faults.update(str(event.fields["code"]) for event in loop.hear() if event.name == "fault_raised")
    nights.append(Night(house.cells.held_ws, house.car.headroom_ws, house.missed_ws, house.tally.solar_ws))
    took_s = time.perf_counter() - began_s
    return Lived(
        house,
        tuple(nights),
        tuple(charges),
        faults,
        held_ws,
        loop.booked_wh,
        tuple(seconds_w),
        loop.tells,
        took_s,
    )


# --- what could have been --------------------------------------------------------------------------------------------


class Slots(NamedTuple):
    """A day in slots, watt-seconds each, shape (SLOTS,): what is left over without car and battery, what lacks,

    and of what is left over what a lead can take whose power follows it, and one that is only on or off.
    """

    over: NDArray[np.float64]
    lacks: NDArray[np.float64]
    any: NDArray[np.float64]
    whole: NDArray[np.float64]


def slots_of(course: DayCourse, day: int, lead_w: float) -> Slots:
    """Return a day's sun and household in slots, summed exactly over their pieces."""
    at = np.array([*course.times_s, (day + 1) * DAY_S]) - day * DAY_S
    over_w = np.array(course.sun_w) - np.array(course.household_w)
    edges = np.union1d(at, np.arange(SLOTS + 1) * SLOT_S)
    edges = edges[(edges >= 0.0) & (edges <= DAY_S)]
    middle = (edges[1:] + edges[:-1]) / 2
    held_w, long_s = over_w[np.searchsorted(at, middle, side="right") - 1], np.diff(edges)
    slot = (middle // SLOT_S).astype(np.int64)
    return Slots(
        *(
            np.bincount(slot, power_w * long_s, SLOTS).astype(np.float64)
            for power_w in (
                np.maximum(held_w, 0.0),
                np.maximum(-held_w, 0.0),
                np.clip(held_w, 0.0, lead_w),
                np.where(held_w >= lead_w, lead_w, 0.0),
            )
        )
    )


class Best(NamedTuple):
    charged_ws: float
    missed_ws: float  # as it is measured: exported while there was room in the car


def best(
    scenario: Scenario, slots: Slots, usable: NDArray[np.float64], night: Night, level_share: float | None
) -> Best:
    """Return the most that could have gone into the car from the sun in a day; ``level_share``: the battery's first."""
    storage = scenario.storage
    assert storage is not None
    kept, capacity_ws = storage.kept_share, storage.capacity_wh * HOUR_S
    reserve_ws = min(storage.reserve_share * capacity_ws, night.held_ws)
    number = np.arange(SLOTS)
    # Columns: into the car, into the battery, to the grid; from the battery, from the grid; then what is held.
    car, stored, exported, given, bought, held = (number + SLOTS * which for which in range(6))
    one, last = np.ones(SLOTS), np.flatnonzero(slots.over > 0.0)
    rows = np.concatenate([number] * 3 + [number + SLOTS] * 2 + [number + 2 * SLOTS] * 3 + [number[1:] + 2 * SLOTS])
    columns = np.concatenate([car, stored, exported, given, bought, held, stored, given, held[:-1]])
    values = np.concatenate([one, one, one, one, one, one, -kept * one, one, -one[1:]])
    first = np.zeros(SLOTS)
    first[0] = night.held_ws
    least_ws = np.full(SLOTS, reserve_ws)
    if level_share is not None and len(last):
        alone_ws = _alone_ws(storage, slots, night.held_ws)[last[-1]]
        least_ws[last[-1]] = max(reserve_ws, min((level_share - LEVEL_BACK / 100.0) * capacity_ws, 0.99 * alone_ws))
    bounds = np.concatenate(
        [
            np.stack([np.zeros(SLOTS), usable], axis=1),
            np.stack([np.zeros(SLOTS), np.minimum(slots.over, storage.charge_w * SLOT_S)], axis=1),
            np.stack([np.zeros(SLOTS), slots.over], axis=1),
            np.stack([np.zeros(SLOTS), np.minimum(slots.lacks, storage.give_w * SLOT_S)], axis=1),
            np.stack([np.zeros(SLOTS), slots.lacks], axis=1),
            np.stack([least_ws, np.full(SLOTS, capacity_ws)], axis=1),
        ]
    )
    cost = np.zeros(6 * SLOTS)
    cost[car], cost[exported], cost[bought] = -1.0, 1e-3, 1e-3
    done = scipy.optimize.linprog(
        cost,
        A_ub=scipy.sparse.coo_array((one, (np.zeros(SLOTS, np.int64), car)), shape=(1, 6 * SLOTS)),
        b_ub=[night.headroom_ws],
        A_eq=scipy.sparse.coo_array((values, (rows, columns)), shape=(3 * SLOTS, 6 * SLOTS)),
        b_eq=np.concatenate([slots.over, slots.lacks, first]),
        bounds=bounds,
        method="highs",
    )
    assert done.success, done.message
    charged, out = done.x[car], done.x[exported]
    free_ws = np.minimum(out, scenario.lead_w * SLOT_S - charged)
    return Best(charged.sum(), min(free_ws.sum(), night.headroom_ws - charged.sum()))


def _alone_ws(storage: Storage, slots: Slots, held_ws: float) -> NDArray[np.float64]:
    """Return what the battery would hold at the end of each slot without a car."""
    capacity_ws, reserve_ws, course = storage.capacity_wh * HOUR_S, 0.0, np.empty(SLOTS)
    reserve_ws = storage.reserve_share * capacity_ws
    for index, (over_ws, lacks_ws) in enumerate(zip(slots.over, slots.lacks, strict=True)):
        held_ws = min(capacity_ws, held_ws + storage.kept_share * min(over_ws, storage.charge_w * SLOT_S))
        held_ws = max(min(held_ws, reserve_ws), held_ws - min(lacks_ws, storage.give_w * SLOT_S))
        course[index] = held_ws
    return course


def bounds_of(lived: Lived, first: str, until_percent: float) -> tuple[Best, Best]:
    """Return the bounds "any" and "whole", summed over the days."""
    scenario, level = lived.house.scenario, until_percent / 100.0 if first == "battery" else None
    sums = np.zeros((2, 2))
    for day, night in enumerate(lived.nights[:-1]):
        slots = slots_of(lived.house.courses(day), day, scenario.lead_w)
        for which, usable in enumerate((slots.any, slots.whole)):
            sums[which] += best(scenario, slots, usable, night, level)
    (any_ws, any_missed_ws), (whole_ws, whole_missed_ws) = sums.tolist()
    return Best(any_ws, any_missed_ws), Best(whole_ws, whole_missed_ws)


STEP_S = 10.0
PRICES = (0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)  # of what is not the sun's, in sun
ROOM_PRICES = (0.0, 0.2, 0.5, 0.8, 1.0)  # of what goes into the car


def steps_of(course: DayCourse, day: int, lead_w: float, margin: int) -> tuple[NDArray[np.float64], ...]:
    """Return for each step of a day what the sun would give for the lead, if it is on, and what not; watt-seconds.

    The night is left out, but for so many steps of it at either end.
    """
    at = np.array([*course.times_s, (day + 1) * DAY_S]) - day * DAY_S
    sun_w = np.clip(np.array(course.sun_w) - np.array(course.household_w), 0.0, lead_w)
    sums_ws = np.concatenate([[0.0], np.cumsum(sun_w * np.diff(at))])
    sun_ws = np.diff(np.interp(np.arange(round(DAY_S / STEP_S) + 1) * STEP_S, at, sums_ws))
    light = np.flatnonzero(sun_ws)
    sun_ws = sun_ws[max(0, light[0] - margin) : light[-1] + margin + 1] if len(light) else sun_ws[:0]
    return sun_ws, lead_w * STEP_S - sun_ws


def most_ws(gains_ws: list[float], on: int, off: int) -> float:
    """Return the most that a lead can gain by steps in which it is on: at least ``on`` at a stretch, and ``off`` not.

    What has begun by the last step may be cut short by the end.
    """
    count, sums = len(gains_ws), [0.0, *itertools.accumulate(gains_ws)]
    free, ends = [0.0] * (count + 1), [0.0] * (count + 1)  # from here on, if it may start, or is on and may stop
    for now in range(count - 1, -1, -1):
        until = min(now + on, count)
        ends[now] = max(gains_ws[now] + ends[now + 1], free[min(now + off, count)])
        free[now] = max(free[now + 1], sums[until] - sums[now] + ends[until])
    return free[0]


def least_ws(lived: Lived, min_on_s: float, min_off_s: float) -> float:
    """Return what cells and grid have to give for the car at the least, if as much sun is to be caught; in all days.

    For nobody is sun - price * rest above its most; so the rest is no less than (sun - most) / price. Of a day, the
    most in the car's room is no more than it is at any price of room, and what that room costs (weak duality).
    """
    scenario, caught_ws = lived.house.scenario, lived.house.tally.solar_ws
    on, off = max(1, round(min_on_s / STEP_S)), max(1, round(min_off_s / STEP_S))
    sums_ws = np.zeros(len(PRICES))
    for day, night in enumerate(lived.nights[:-1]):
        sun_ws, rest_ws = steps_of(lived.house.courses(day), day, scenario.lead_w, on)
        for which, price in enumerate(PRICES):
            sums_ws[which] += min(
                most_ws(((1.0 - room) * sun_ws - (price + room) * rest_ws).tolist(), on, off) + room * night.headroom_ws
                for room in ROOM_PRICES
            )
    return max(0.0, *((caught_ws - sums_ws) / np.array(PRICES)).tolist())


# --- the table -------------------------------------------------------------------------------------------------------

WIRINGS = (
    Wiring(10.0, 30.0, 0.0, 4.0),
    Wiring(1.0, 1.0, 0.0, 1.0),
    Wiring(5.0, 30.0, 0.0, 10.0),
    Wiring(10.0, 30.0, 20.0, 30.0),
    Wiring(10.0, 30.0, 0.0, 4.0, (11.0, 13.0)),
)
HEAD = (
    f"{'':36}{'into the car, kWh a day':^60}{'missed':>17}\n"
    f"{'house   first  lag meter batt.  late':40}{'sun':>7}{'any':>7}{'whole':>7}{'fed':>9}{'held':>7}{'least':>7}"
    f"{'booked':>8}{'bought':>8}"
    f"{'it':>9}{'bound':>8}{'a day':>8}{'on, min':>9}{'swings':>8}{'import':>8}"
)


def row(
    name: str,
    scenario: Scenario,
    first: str,
    wiring: Wiring,
    days: int,
    control: dict[str, object],
    courses: Courses | None,
) -> str:
    """Live, reckon what could have been, and return a line of the table."""
    config = config_of(scenario, first, control)
    lived = live(scenario, config, wiring, days, courses)
    assert config.battery is not None
    best_any, best_whole = bounds_of(lived, first, config.battery.until_percent)
    least = least_ws(lived, config.control.min_on_s, config.control.min_off_s)
    tally, kwh = lived.house.tally, 3.6e6 * days
    assert tally.solar_ws <= best_any.charged_ws + 3.6e3 * days, "more than can be"
    lasted_s = [end_s - begin_s for begin_s, end_s in lived.charges] or [0.0]
    faults = ", ".join(f"{code} {times}" for code, times in sorted(lived.faults.items()))
    late_s = DAY_S if wiring.silent_h[1] else wiring.battery_late_s
    return (
        f"{name:8}{first:8}{wiring.lag_s:3.0f}{wiring.meter_every_s:6.0f}{wiring.battery_every_s:6.0f}"
        f"{'silent' if late_s == DAY_S else f'{late_s:.0f}':>7}    {tally.solar_ws / kwh:7.2f}"
        f"{best_any.charged_ws / kwh:7.2f}{best_whole.charged_ws / kwh:7.2f}{tally.fed_ws / kwh:9.3f}"
        f"{lived.held_ws / kwh:7.3f}{least / kwh:7.3f}"
        f"{lived.booked_wh[2] / days / 1000:8.3f}{tally.grid_ws / kwh:8.3f}  {lived.missed_ws / kwh:7.2f}"
        f"{best_whole.missed_ws / kwh:8.2f}{len(lived.charges) / days:8.1f}{min(lasted_s) / 60:5.0f}"
        f"{median(lasted_s) / 60:4.0f}{lived.swings / days:8.2f}{tally.imported_ws / kwh:8.2f}  {lived.took_s:.0f} s; "
        f"{faults}"
    )


def measured(name: str) -> tuple[Scenario, Courses, int]:
    """Return one of the houses of tests/bench/houses.py with a battery, its days, and how many there are.

    Of the nights, which are left out there, a household of 250 W is assumed.
    """
    from tests.bench import houses  # noqa: PLC0415  (of another extra)

    house = next(one for one in houses.HOUSES if one.name == name)
    days = [one.surplus_w for one in houses.days() if one.house == house]
    times_s = np.concatenate([[0.0], houses.BEGINS_H * HOUR_S + np.arange(houses.READINGS) * houses.STEP_S])

    def course(day: int) -> DayCourse:
        over_w = np.concatenate([[-250.0], days[day % len(days)], [-250.0]]).tolist()
        at_s = (day * DAY_S + np.append(times_s, houses.ENDS_H * HOUR_S)).tolist()
        sun_w, home_w = [max(one, 0.0) for one in over_w], [max(-one, 0.0) for one in over_w]
        return DayCourse(at_s, sun_w, home_w, [1.0] * len(at_s), [(one, 0.0, 0.0) for one in home_w])

    most_w = 0.4 * house.peak_w
    storage = Storage(1.2 * house.peak_w, charge_w=most_w, give_w=most_w)
    lead_a = house.draw_w / 230.0
    scenario = Scenario(lead_a=lead_a, storage=storage, headroom_wh=12_000.0, daily_use_wh=6.0 * house.draw_w)
    return scenario, course, len(days)


# --- what goes on moving ---------------------------------------------------------------------------------------------

STILL_W, STILL_WIRINGS = (
    (800.0, 1450.0, 1650.0, 1680.0, 1700.0, 1760.0, 1850.0, 2300.0, 4500.0),
    tuple(
        Wiring(meter_every_s, battery_every_s, late_s, lag_s)
        for meter_every_s in (1.0, 5.0, 10.0)
        for battery_every_s, late_s in ((1.0, 0.0), (10.0, 0.0), (30.0, 0.0), (30.0, 20.0))
        for lag_s in (1.0, 4.0, 12.0, 30.0)
    ),
)


class Still(NamedTuple):
    """What an hour under a sun that stands still came to."""

    starts: int
    ends: int
    line_w: float  # the largest of the spectrum of the battery's power in the last half hour: its amplitude


def still(wiring: Wiring, first: str, sun_w: float) -> Still:
    """Let an hour pass under so much sun, in a house that takes 300 W."""
    scenario = HOUSES["small"]._replace(
        storage=Storage(50_000.0, 0.85, charge_w=2_500.0, give_w=2_500.0), headroom_wh=20_000.0
    )
    lived = live(
        scenario,
        config_of(scenario, first),
        wiring,
        1.0 / 24.0,
        lambda day: DayCourse([0.0], [sun_w], [300.0], [1.0], [(300.0, 0.0, 0.0)]),
    )
    lines_w = np.abs(np.fft.rfft(np.array(lived.battery_w) - np.mean(lived.battery_w))) * 2.0 / len(lived.battery_w)
    return Still(lived.house.tally.starts, len(lived.charges), float(lines_w.max()))


def main(arguments: Iterable[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--houses", nargs="*")
    parser.add_argument("--first", nargs="*", default=["battery", "car"])
    parser.add_argument("--quick", action="store_true", help="one wiring only")
    parser.add_argument("--skies", action="store_true")
    parser.add_argument("--numbers", action="store_true")
    parser.add_argument("--still", action="store_true")
    parser.add_argument("--control", nargs="*", default=[], metavar="KEY=NUMBER", help="keys of the table [control]")
    given = parser.parse_args(None if arguments is None else list(arguments))
    if given.still:
        for first in given.first:
            seen = [still(wiring, first, sun_w) for wiring in STILL_WIRINGS for sun_w in STILL_W]
            print(
                f"{first} first: {len(seen)} hours, starts at most {max(one.starts for one in seen)}, ends at most "
                f"{max(one.ends for one in seen)}, largest line of the spectrum {max(one.line_w for one in seen):.1f} W"
            )
        return
    keys = [one.partition("=") for one in given.control]
    print(HEAD)
    for wiring in WIRINGS[:1] if given.quick else WIRINGS:
        for name in given.houses or (["one", "two", "four"] if given.skies else HOUSES):
            scenario, courses, most = measured(name) if given.skies else (HOUSES[name], None, given.days)
            for first in given.first:
                control: dict[str, object] = {key: json.loads(number) for key, _, number in keys}
                if given.numbers:
                    control |= {"start_export_w": 1.1 * scenario.lead_w, "stop_import_w": 0.0}
                print(row(name, scenario, first, wiring, min(given.days, most), control, courses), flush=True)


if __name__ == "__main__":
    main()
