"""Sixty days of houses whose inverter holds sun back, with trials and without: `python -m tests.bench.hidden_sun`.

The real controller on a virtual clock, closed loop with the simulated house (simulator/house.py): it hears the meter,
the plug's own meter where there is one, and the battery where there is one, and tells the relay; the inverter lets out
no more than its limit, with a lag of its own. All houses are invented. What is measured, is measured at the simulated
contacts, and not taken from the daemon:

- sun: what the roof gave for the car.
- bought: what was imported for the car, or came from the battery: in trials, which have bounds, and in all.
- held back: what the roof would have given besides.

What came of it, with a meter every 20 s, in kWh a day: "nought" 3.59 of 6.15 (whole) and 7.02 (any), "limited" 3.08 of
5.42 and 9.00, in 60 days each; "stored" 4.79 of 8.77 and 8.95 in 30 days. For it 0.87, 0.91 and 0.56 were bought or
came from the battery, of that 0.43, 0.34 and 0.32 in trials; never more than 12 trials or 0.69 kWh in a day, of 12 and
0.8. The sky of these houses is a wild one, with some ten clouds a day: each ends a charge, and then the next is a trial
again.

Without trials nothing starts at all, but where the battery shows what it is charged with. ``--sun`` compares
control/sun.py with pvlib.

Beside it stands what could have been. "any" is what of the sun that the household leaves a lead could have taken whose
power follows it, in the car's room of each day: no controller can reach more. "whole" is what a lead that is only on or
off could have taken, one that knows all and whose switchings cost nothing and take no time: in the moments in which all
of its draw is there. Both are summed exactly over the pieces of each day's course.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import partial
from random import Random
from typing import NamedTuple

from surpluscharge.config import Config
from surpluscharge.control import news, sun
from surpluscharge.control.controller import Controller
from surpluscharge.control.draw import DrawWatch, Estimate
from surpluscharge.history.recorder import Recorder
from surpluscharge.simulator.house import DAY_S, GridMeter, House, Scenario, Storage, Throttle, make_day
from tests.bench.closed_loop import HOUR_S, SUNS, ClosedLoop

FIRST_SHARE = 0.8  # up to this level the sun is a battery's first, by default
LONGITUDE_DEG = 9.0
BEGINS = datetime(2031, 1, 1, tzinfo=UTC).timestamp()

HOUSES = {
    # Nothing may be exported.
    "nought": Scenario(suns=SUNS, throttle=Throttle(0.0), headroom_wh=8_000.0, daily_use_wh=7_000.0),
    # Some may: less than the lead draws.
    "limited": Scenario(
        suns=SUNS[3:] + SUNS[:3],
        day_of_year=80,
        array_w=5_200.0,
        base_w=230.0,
        lead_a=8.0,
        cumulus_gap_s=420.0,
        throttle=Throttle(900.0, lag_s=10.0),
        headroom_wh=9_000.0,
        daily_use_wh=9_000.0,
    ),
    # Nothing may, and a battery is filled first.
    "stored": Scenario(
        suns=SUNS[6:] + SUNS[:6],
        array_w=6_800.0,
        base_w=280.0,
        evening_w=450.0,
        lead_a=8.0,
        throttle=Throttle(0.0, lag_s=3.0),
        storage=Storage(5_000.0, charge_w=2_500.0, give_w=2_500.0),
        headroom_wh=9_000.0,
        daily_use_wh=9_000.0,
    ),
}


class Wiring(NamedTuple):
    """How the house's things speak."""

    meter_every_s: float = 10.0
    resolution_w: float = 1.0
    plug_measures: bool = True
    sign: float = 1.0  # of the meter: -1 is the wrong one


class Lived(NamedTuple):
    """What came of it. Energies in watt-seconds."""

    house: House
    trials: dict[int, int]  # by day
    bought_wh: dict[int, float]  # in trials, by day, measured at the contact
    carried: Counter[bool | None]
    faults: Counter[str]
    booked_wh: tuple[float, float, float]  # by the controller: drawn, of it from the grid, and from the battery
    learned: Estimate | None  # of the draw
    starts: int
    controller: Controller
    took_s: float


def config_of(scenario: Scenario, wiring: Wiring, tries: bool = True, **limit: object) -> Config:
    """Return what the owner of such a house would write."""
    relay: dict[str, object] = {"topic": "plug/set"}
    tables: dict[str, object] = {}
    if wiring.plug_measures:
        relay["power"] = {"topic": "power"}
    if scenario.storage:
        tables["battery"] = {"power": {"topic": "cells"}, "level": {"topic": "level"}}
    if tries and scenario.throttle:
        place = {"latitude_deg": scenario.latitude_deg, "longitude_deg": LONGITUDE_DEG}
        tables["export_limit"] = {"limit_w": scenario.throttle.limit_w, **place, **limit}
    return Config.model_validate(
        {
            "charger": {"current_a": scenario.lead_a},
            "meter": [{"topic": "grid"}],
            "relay": relay,
            "session": {"time_cap_s": 43_200.0},
            **tables,
        }
    )


def utc_s(scenario: Scenario, now_s: float) -> float:
    """Return the time by which the sun stands where the house has it."""
    solar_noon_s = 12.0 * HOUR_S - LONGITUDE_DEG * 240.0
    return BEGINS + (scenario.day_of_year - 1) * DAY_S + now_s - scenario.noon_s + solar_noon_s


def live(scenario: Scenario, config: Config, wiring: Wiring, days: float, seed: int = 1) -> Lived:
    """Let the controller live in a house for so many days."""
    began_s = time.perf_counter()
    house = House(scenario, seed)
    loop = ClosedLoop(
        house,
        GridMeter(seed, 0.0, wiring.meter_every_s, resolution_w=wiring.resolution_w),
        config,
        level_each_time=False,
        power_every_s=30.0,
        plug_measures=wiring.plug_measures,
        sign=wiring.sign,
        utc_s=partial(utc_s, scenario),
    )
    recorder = Recorder(DrawWatch(config.limits.draw_w), 60_000)
    controller, trying, before_ws, end_s = loop.controller, False, 0.0, days * DAY_S
    trials: Counter[int] = Counter()
    bought_wh: Counter[int] = Counter()
    carried: Counter[bool | None] = Counter()
    faults: Counter[str] = Counter()
    while loop.now_s < end_s:
        loop.advance(end_s)
        today, now_ws = int(loop.now_s // DAY_S), house.tally.grid_ws + house.tally.fed_ws
        if trying:
            bought_wh[today] += (now_ws - before_ws) / HOUR_S
        before_ws = now_ws
        events = loop.hear()
        for event in events:
            if event.name == "fault_raised":
                faults[str(event.fields["code"])] += 1
            elif event.name == "trial_begun":
                trials[today] += 1
                trying = True
            elif event.name == "trial_over":
                carried[event.fields["carried"]] += 1
                trying = False
        recorder.observe(controller, events, round(utc_s(scenario, loop.now_s) * 1000))
        recorder.take()
        if recorder.draw.learned and controller.lessons.learned_w != recorder.draw.learned.draw_w:
            controller.tell(news.Learn(recorder.draw.learned.draw_w), loop.at())
    return Lived(
        house,
        dict(trials),
        dict(bought_wh),
        carried,
        faults,
        loop.booked_wh,
        recorder.draw.learned,
        house.tally.starts,
        controller,
        time.perf_counter() - began_s,
    )


class Bound(NamedTuple):
    """Watt-seconds."""

    any_ws: float
    whole_ws: float


def bound_of(scenario: Scenario, days: int, seed: int = 1) -> Bound:
    """Return what could have gone into the car from the sun; with no more room than it has each day, or comes to have.

    A battery that comes first takes its part before, up to its level.
    """
    any_ws = whole_ws = 0.0
    storage = scenario.storage
    held_ws = storage.begins_share * storage.capacity_wh * HOUR_S if storage else 0.0
    room_any = room_whole = scenario.headroom_wh * HOUR_S
    for day in range(days):
        course = make_day(scenario, seed, day)
        ends_s = [*course.times_s[1:], (day + 1) * DAY_S]
        day_any = day_whole = 0.0
        for begin_s, end_s, sun_w, household_w in zip(
            course.times_s, ends_s, course.sun_w, course.household_w, strict=True
        ):
            over_w = max(0.0, sun_w - household_w)
            if storage:
                capacity_ws = storage.capacity_wh * HOUR_S
                charged_w = min(over_w, storage.charge_w) if held_ws < FIRST_SHARE * capacity_ws else 0.0
                lacks_ws = min(storage.give_w, max(0.0, household_w - sun_w)) * (end_s - begin_s)
                held_ws += storage.kept_share * charged_w * (end_s - begin_s) - lacks_ws
                held_ws = max(held_ws, storage.reserve_share * capacity_ws)
                over_w -= charged_w
            day_any += min(over_w, scenario.lead_w) * (end_s - begin_s)
            day_whole += scenario.lead_w * (end_s - begin_s) if over_w >= scenario.lead_w else 0.0
        taken_any, taken_whole = min(day_any, room_any), min(day_whole, room_whole)
        any_ws, whole_ws = any_ws + taken_any, whole_ws + taken_whole
        use_ws, most_ws = scenario.daily_use_wh * HOUR_S, scenario.battery_wh * HOUR_S
        room_any, room_whole = (
            min(most_ws, room_any - taken_any + use_ws),
            min(most_ws, room_whole - taken_whole + use_ws),
        )
    return Bound(any_ws, whole_ws)


HEAD = (
    f"{'':20}{'into the car, kWh a day':>42}{'trials a day':>28}{'bought in trials, Wh a day':>28}\n"
    f"{'house':10}{'wiring':10}{'sun':>7}{'any':>7}{'whole':>7}{'bought':>8}{'battery':>9}{'held back':>11}"
    f"{'mean':>8}{'most':>6}{'carried':>9}{'mean':>9}{'most':>7}{'starts a day':>14}"
)


def row(name: str, wiring: Wiring, tries: bool, days: int, said: str, seed: int = 1) -> str:
    scenario = HOUSES[name]
    lived, bound = (
        live(scenario, config_of(scenario, wiring, tries), wiring, days, seed),
        bound_of(scenario, days, seed),
    )
    tally, kwh = lived.house.tally, 3.6e6 * days
    over = sum(lived.carried.values()) or 1
    faults = ", ".join(f"{code} {times}" for code, times in sorted(lived.faults.items()))
    learned = f"draw learned {lived.learned.draw_w:.0f}" if lived.learned else "draw not learned"
    return (
        f"{name:10}{said:10}{tally.solar_ws / kwh:7.2f}{bound.any_ws / kwh:7.2f}{bound.whole_ws / kwh:7.2f}"
        f"{tally.grid_ws / kwh:8.3f}{tally.fed_ws / kwh:9.3f}{tally.hidden_ws / kwh:11.2f}"
        f"{sum(lived.trials.values()) / days:8.2f}{max(lived.trials.values(), default=0):6}"
        f"{lived.carried[True] / over:9.0%}{sum(lived.bought_wh.values()) / days:9.0f}"
        f"{max(lived.bought_wh.values(), default=0.0):7.0f}{lived.starts / days:14.1f}"
        f"   {learned}; {lived.took_s:.0f} s; {faults}"
    )


def against_pvlib(times: int = 16_000) -> float:
    """Return how far off the sun's elevation is at most, in degrees, by pvlib's (NREL's algorithm, no refraction).

    Needs the ``bench`` extra. At places up to 66 degrees of latitude, between 2010 and 2050.
    """
    import pandas as pd  # noqa: PLC0415
    from pvlib.solarposition import get_solarposition  # noqa: PLC0415

    random, worst_deg = Random(3), 0.0
    for _ in range(40):
        place = random.uniform(-66.0, 66.0), random.uniform(-180.0, 180.0)
        at_s = sorted(random.uniform(1.26e9, 2.52e9) for _ in range(times // 40))
        found = get_solarposition(pd.to_datetime(at_s, unit="s", utc=True), *place).elevation
        ours = (math.degrees(math.asin(sun.height(one_s, *place))) for one_s in at_s)
        worst_deg = max(worst_deg, *(abs(one - other) for one, other in zip(ours, found, strict=True)))
    return worst_deg


def main(arguments: Iterable[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--untried", type=int, help="so many days of the house without trials; default: as many")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--houses", nargs="*", default=list(HOUSES))
    parser.add_argument("--wirings", nargs="*", default=["plain"])
    parser.add_argument("--sun", action="store_true", help="compare the sun's elevation with pvlib's instead")
    given = parser.parse_args(None if arguments is None else list(arguments))
    if given.sun:
        print(f"{against_pvlib():.4f} degrees at the most")
        return
    wirings = {
        "plain": Wiring(),
        "no meter": Wiring(plug_measures=False),
        "slow": Wiring(meter_every_s=20.0),
        "coarse": Wiring(resolution_w=100.0),
        "turned": Wiring(sign=-1.0),
    }
    print(HEAD)
    for name in given.houses:
        untried_days = given.days if given.untried is None else given.untried
        if untried_days:
            print(row(name, wirings[given.wirings[0]], False, untried_days, "untried", given.seed), flush=True)
        for said in given.wirings:
            print(row(name, wirings[said], True, given.days, said, given.seed), flush=True)


if __name__ == "__main__":
    main()
