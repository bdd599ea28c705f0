"""An invented house's history: the simulator's weather and appliances, decided upon by the real machine.

Every number is made up; none was measured anywhere. `python -m tests.histories FILE FIRST DAYS` writes one.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import NamedTuple
from zoneinfo import ZoneInfo

from surpluscharge.control import machine
from surpluscharge.control.economics import EVERY_DAY, Tariff, Tariffs, Window
from surpluscharge.control.machine import CAUSES, CLEAR, MODE_NAMES, NEVER_S, TRIP, Inputs, Params
from surpluscharge.history.energy import NOTHING, Interval, Sample, day_span, hold, ms_of, total
from surpluscharge.history.ledger import Batch, Charge, FaultChange, Ledger, StateChange
from surpluscharge.simulator.house import GridMeter, House, Plug, Scenario

ZONE = ZoneInfo("Europe/Lisbon")
DRAW_W = Scenario().lead_w
FRESH_MS = 45_000
PARAMS = Params(
    start_export_w=1100.0,
    stop_import_w=345.0,
    start_delay_s=45.0,
    stop_delay_s=120.0,
    min_on_s=480.0,
    min_off_s=300.0,
    starts_per_hour=4,
    starts_per_day=16,
    time_cap_s=25200.0,
    energy_cap_wh=float("inf"),
    rearm_daily=True,
)
TARIFFS = Tariffs(
    "EUR",
    (
        Tariff(
            None,
            Decimal("0.29"),
            Decimal("0.06"),
            Decimal("0.21"),
            (Window(EVERY_DAY, 84_600, 19_800, Decimal("0.17")),),
        ),
    ),
)


def weather(seed: int, day: date) -> Scenario:
    """Return a day's weather: some bright, some broken, some dull."""
    random = Random(f"weather {seed} {day}")
    kind = random.random()
    bright = 1.0 if kind > 0.55 else random.uniform(0.75, 1.0) if kind > 0.2 else random.uniform(0.1, 0.4)
    return Scenario(
        day_of_year=day.timetuple().tm_yday,
        array_w=3920.0 * bright,
        cumulus_gap_s=random.uniform(400.0, 3000.0),
        bank_for_s=random.choice((0.0, 34.0 * 60, 150.0 * 60)),
        washing_at_s=random.uniform(9.0, 18.0) * 3600,
        headroom_wh=random.uniform(4000.0, 11000.0),
    )


class Habit(NamedTuple):
    """How the days are recorded, and what befalls them."""

    seed: int = 1
    every_s: float = 10.0
    learned: bool = False  # the draw is not measured, and may be 45 W off
    zone: ZoneInfo = ZONE
    absent: Mapping[date, tuple[float, float]] = {}  # hours of the day between which the daemon does not run
    tripped: Mapping[date, tuple[float, float]] = {}  # and between which a fault holds


def live(ledger: Ledger, first: date, number: int, habit: Habit | None = None) -> None:
    """Write so many days of the house into a ledger."""
    for offset in range(number):
        ledger.write(_day(first + timedelta(days=offset), habit or Habit()))


def _day(day: date, habit: Habit) -> Batch:
    seed, every_s, learned, zone = habit[:4]
    absent, tripped = habit.absent.get(day), habit.tripped.get(day)
    begin_ms, end_ms = (ms_of(when) for when in day_span(day, zone))
    house = House(weather(seed, day), day.toordinal() + seed, plug=Plug(latency_s=0.0))
    meter = GridMeter(day.toordinal(), every_s=every_s)
    state = machine.initial(PARAMS, 0.0, 0)._replace(off_since_s=NEVER_S)
    samples: list[Sample] = []
    states = [StateChange(begin_ms, "absent", "idle", "started", None)] if absent is None else []
    faults: list[FaultChange] = []
    runs: list[tuple[int, int | None, str]] = []
    at_s, mode = 0.0, -1
    while at_s * 1000 < end_ms - begin_ms:
        hour, at_ms = at_s / 3600, begin_ms + round(at_s * 1000)
        house.advance(at_s)
        grid_w = meter.read(at_s, house.grid_w)
        away = absent is not None and absent[0] <= hour < absent[1]
        trip = tripped is not None and tripped[0] <= hour < tripped[1]
        if trip != (bool(faults) and faults[-1].what == "raised"):
            faults.append(FaultChange(at_ms, "draw-high", "raised" if trip else "cleared"))
        inputs = Inputs(grid_w, at_s + 45.0, house.charger_w, not away, away, TRIP if trip else CLEAR, True, 0)
        before = -1
        while state.mode != before:
            before, state = state.mode, machine.step(PARAMS, state, at_s, inputs)
        new = -1 if away else state.mode
        if new != mode:
            names = ("absent" if mode < 0 else MODE_NAMES[mode], "absent" if new < 0 else MODE_NAMES[new])
            states.append(StateChange(at_ms, *names, CAUSES[state.cause], grid_w))
            was, is_ = machine.wants_on(mode), machine.wants_on(new)
            if is_ and not was:
                runs.append((at_ms, None, ""))
                house.plug.command(at_s, True)
            if was and not is_:
                runs[-1] = (runs[-1][0], at_ms, CAUSES[state.cause])
                house.plug.command(at_s, False)
            mode = new
        on = machine.wants_on(mode)
        if not away:
            charger_w = (DRAW_W if on else 0.0) if learned else round(house.charger_w)
            samples.append(Sample(at_ms, grid_w, charger_w if on else 0.0, on, 45.0 if learned and on else 0.0))
        at_s += every_s
    samples.append(Sample(end_ms, 0.0, 0.0, False))
    intervals = list(hold(samples, FRESH_MS))
    charges = list(_charges(runs, intervals, end_ms))
    return Batch(intervals, charges, states, faults)


def _charges(runs: list[tuple[int, int | None, str]], intervals: list[Interval], end_ms: int) -> Iterator[Charge]:
    for begin_ms, until_ms, cause in runs:
        ends_ms = until_ms if until_ms is not None else end_ms
        energy = total(each.energy for each in intervals if begin_ms <= each.begin_ms < ends_ms) or NOTHING
        yield Charge(begin_ms, runs[0][0], ends_ms, cause or "stopping", energy)


def main(path: str, first: str, number: str) -> None:
    """Write an invented history, with a gap and a fault in it."""
    begin = date.fromisoformat(first)
    with Ledger(Path(path)) as ledger:
        absent = {begin + timedelta(days=6): (11.0, 13.3), begin + timedelta(days=14): (7.5, 8.4)}
        live(ledger, begin, int(number), Habit(absent=absent, tripped={begin + timedelta(days=14): (13.2, 13.7)}))


if __name__ == "__main__":
    main(*sys.argv[1:])
