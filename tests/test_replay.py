"""Replay: the same decisions as a machine called at every reading, compiled or not, and what is booked of them."""

from __future__ import annotations

import math
import random
from array import array
from datetime import UTC, datetime
from datetime import time as time_of_day
from decimal import Decimal
from functools import cache
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from surpluscharge.clock import day_number
from surpluscharge.control import draw, machine
from surpluscharge.control.economics import Prices, Tariff, Tariffs, Window, benefit_per_h
from surpluscharge.control.machine import Inputs, Params, initial, next_deadline, step, wants_on
from surpluscharge.history.energy import Energy, Interval, Sample, held, hold
from surpluscharge.history.ledger import Batch, Ledger
from surpluscharge.history.readings import ReadingsError
from surpluscharge.planning import compiling, replay
from surpluscharge.planning.replay import Days, Move, Series, series

BEGIN_S = 1936526400.0  # 14 May 2031, noon UTC
DRAW_W = 1380.0


def random_params(chance: random.Random) -> Params:
    start_w = chance.uniform(0.0, 1.2 * DRAW_W)
    return Params(
        start_export_w=start_w,
        stop_import_w=DRAW_W - start_w + chance.uniform(10.0, 900.0),
        start_delay_s=chance.choice([0.0, 25.0, 95.0]),
        stop_delay_s=chance.choice([0.0, 40.0, 170.0]),
        min_on_s=chance.choice([0.0, 75.0, 420.0]),
        min_off_s=chance.choice([0.0, 55.0, 240.0]),
        starts_per_hour=chance.choice([3, 24]),
        starts_per_day=24,
        time_cap_s=chance.choice([900.0, 3600.0, 86400.0]),
        energy_cap_wh=chance.choice([math.inf, math.inf, 500.0]),
        rearm_daily=True,
    )


def random_series(chance: random.Random, count: int) -> Series:
    """Return readings that hover about the thresholds, at odd times, with gaps."""
    at_s, surplus_w, now_s, level_w = array("d"), array("d"), BEGIN_S, 1000.0
    for _ in range(count):
        now_s += chance.choice([5.0, 10.0, 10.0, 10.0, 12.25]) if chance.random() < 0.995 else 700.0
        if chance.random() < 0.03:
            level_w = chance.uniform(-800.0, 3500.0)
        at_s.append(now_s)
        surplus_w.append(level_w + chance.gauss(0.0, 120.0))
    return series(at_s, surplus_w, 30.0)


def every_call(params: Params, readings: Series, days: Days, start_w: array[float], stop_w: array[float]) -> list[Move]:
    """Do it the long way, as the controller does: at every deadline and every reading, nothing left out."""
    count = len(readings.at_s)
    state = initial(params, readings.at_s[0], days.first)._replace(was_enabled=True)
    inputs = Inputs(0.0, -math.inf, 0.0, True, False, machine.CLEAR, True, days.first)
    held, moves = -1, [Move(readings.at_s[0], state.mode, 0, state.cause)]

    def settle(now_s: float) -> None:
        nonlocal state, inputs
        while True:
            on = wants_on(state.mode)
            day = days.first + sum(end_s <= now_s for end_s in days.ends_s)
            inputs = inputs._replace(charger_w=DRAW_W if on else 0.0, off_confirmed=not on, day=day)
            before = state.mode
            state = step(params, state, now_s, inputs)
            if state.mode == before:
                return
            moves.append(Move(now_s, state.mode, held, state.cause))

    def until(end_s: float) -> None:
        while True:
            due_s = min([next_deadline(params, state, inputs), *(s for s in days.ends_s if s > state.at_s)])
            if due_s > end_s:
                return
            settle(due_s)

    for i in range(count):
        until(readings.at_s[i])
        settle(readings.at_s[i])
        params = params._replace(start_export_w=start_w[i % len(start_w)], stop_import_w=stop_w[i % len(stop_w)])
        load_w = DRAW_W if wants_on(state.mode) else 0.0
        inputs = inputs._replace(
            grid_w=load_w - readings.surplus_w[i], fresh_until_s=readings.at_s[i] + readings.fresh_s
        )
        held = i
        settle(readings.at_s[i])
    until(readings.end_s)
    return moves


def decided(params: Params, readings: Series, days: Days, start_w: array[float], stop_w: array[float]) -> list[Move]:
    return replay.moves(params, readings, days, DRAW_W, start_w, stop_w)


@pytest.mark.parametrize("seed", range(12))
def test_leaving_calls_out_changes_nothing(seed: int) -> None:
    chance = random.Random(seed)
    readings = random_series(chance, 3000)
    days = Days(7, array("d", [BEGIN_S + 9000.0, BEGIN_S + 21000.5]))
    params = random_params(chance)
    if seed % 3:
        start_w, stop_w = array("d", [params.start_export_w]), array("d", [params.stop_import_w])
    else:  # thresholds that vary with the reading, as those that look ahead do
        start_w = array("d", (chance.choice([400.0, 900.0]) for _ in readings.at_s))
        stop_w = array("d", (chance.choice([1100.0, 1500.0]) for _ in readings.at_s))
    long_way = every_call(params, readings, days, start_w, stop_w)
    short_way = decided(params, readings, days, start_w, stop_w)
    assert len(long_way) > 20
    assert [move[1:] for move in short_way] == [move[1:] for move in long_way]
    # Sums of many short intervals round otherwise than one long one: a cap may be met a hair earlier.
    assert [at_s for at_s, *_ in short_way] == pytest.approx([at_s for at_s, *_ in long_way], rel=0, abs=1e-5)


def test_compiled_and_interpreted_decide_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Exactly, to the last bit; over a million readings in tests/bench/planning.py."""
    chance = random.Random(5)
    readings = random_series(chance, 20_000)
    days = Days(0, array("d", [BEGIN_S + 50000.0 * i for i in range(1, 4)]))
    several = [random_params(chance) for _ in range(4)]

    def run() -> list[list[Move]]:
        return [
            decided(p, readings, days, array("d", [p.start_export_w]), array("d", [p.stop_import_w])) for p in several
        ]

    assert compiling.available()
    compiled = run()
    monkeypatch.setattr(compiling, "available", lambda: False)
    assert run() == compiled
    assert sum(map(len, compiled)) > 200


def test_what_is_booked_is_what_numpy_integrates() -> None:
    """Second by second, from the moves alone, with the benefit of economics.benefit_per_h."""
    chance = random.Random(3)
    readings = random_series(chance, 2000)
    readings = series(array("d", map(round, readings.at_s)), readings.surplus_w, 30.0)
    zone = ZoneInfo("Europe/Lisbon")
    night = Window(frozenset(range(7)), 14 * 3600, 5 * 3600, import_price=Decimal("0.11"))
    tariffs = Tariffs("EUR", (Tariff(None, Decimal("0.27"), Decimal("0.08"), Decimal("0.2"), (night,)),))
    prices = replay.rates(tariffs, readings.at_s[0], readings.end_s, zone)
    assert len(prices.from_s) > 1
    params = random_params(chance)._replace(
        min_on_s=75.0, start_delay_s=25.0, time_cap_s=86400.0, energy_cap_wh=math.inf
    )
    days = replay.charging_days(readings, zone, time_of_day(14, 0))
    assert len(days.ends_s) >= 1
    done = decided(params, readings, days, array("d", [500.0]), array("d", [1000.0]))
    sums = replay.sums(readings, DRAW_W, prices)

    @cache
    def worth(moment_s: float, surplus_w: float) -> np.ndarray:
        """Return solar watts, grid watts and money per hour, straight from the tariffs."""
        now = tariffs.prices_at(datetime.fromtimestamp(moment_s, UTC).astimezone(zone))
        assert now is not None
        solar_w = float(np.clip(surplus_w, 0.0, DRAW_W))
        return np.array([solar_w, DRAW_W - solar_w, benefit_per_h(DRAW_W, surplus_w, now)])

    edges = np.array([*days.ends_s, readings.end_s])
    wanted = np.zeros((3, len(edges)))
    at_s = np.array(readings.at_s)
    runs = []
    for move, end_s in zip(done, [*(move.at_s for move in done[1:]), readings.end_s], strict=True):
        if wants_on(move.mode):
            runs.append((move.at_s, end_s))
    quarters = np.concatenate([np.arange(round(4 * begin_s), round(4 * end_s)) / 4 for begin_s, end_s in runs])
    last = np.searchsorted(at_s, quarters, side="right") - 1
    assert (quarters < at_s[last] + readings.fresh_s).all()
    for latest, day in zip(last, np.searchsorted(edges, quarters, side="right"), strict=True):
        wanted[:, day] += worth(float(at_s[latest]), readings.surplus_w[latest]) / 4 / 3600
    for total, by_day in zip(sums, wanted, strict=True):
        booked, starts = array("d", bytes(8 * len(edges))), array("d", bytes(8 * len(edges)))
        replay.book(done, readings.at_s, readings.hold_s, total, readings.end_s, days.ends_s, booked, starts)
        assert list(booked) == pytest.approx(list(by_day), rel=2e-3, abs=1e-3)
        assert sum(starts) == sum(
            wants_on(after.mode) and not wants_on(before.mode) for before, after in pairwise(done)
        )
    assert wanted[0].min() > 50.0


@pytest.mark.parametrize("name", ["Europe/Lisbon", "Australia/Sydney", "UTC"])
def test_charging_days_are_the_daemons(name: str) -> None:
    """Over a year with days of 23 and 25 hours, by clock.day_number (zoneinfo)."""
    zone, rearm_at = ZoneInfo(name), time_of_day(4, 0)
    begin = datetime(2031, 1, 1, 12, 0, tzinfo=zone).timestamp()
    readings = series(array("d", [begin + 3600.0 * i for i in range(24 * 365)]), array("d", [0.0] * 8760), 30.0)
    days = replay.charging_days(readings, zone, rearm_at)
    assert len(days.ends_s) == 365
    for i, end_s in enumerate(days.ends_s):
        before, after = (datetime.fromtimestamp(end_s + moment, UTC).astimezone(zone) for moment in (-1.0, 0.0))
        assert (day_number(before, rearm_at), day_number(after, rearm_at)) == (days.first + i, days.first + i + 1)
    lengths = {round(after - before) for before, after in pairwise(days.ends_s)}
    assert lengths == ({86400} if name == "UTC" else {82800, 86400, 90000})


def test_rare_readings_are_held_longer() -> None:
    every_minute = series(array("d", [60.0 * i for i in range(100)]), array("d", [0.0] * 100), 30.0)
    assert (every_minute.fresh_s, every_minute.spacing_s) == (90.0, 60.0)
    with_gap = series(array("d", [0.0, 10.0, 20.0, 400.0, 410.0]), array("d", [0.0] * 5), 30.0)
    assert (with_gap.fresh_s, list(with_gap.hold_s)) == (30.0, [10.0, 10.0, 30.0, 10.0, 10.0])
    alone = series(array("d", [5.0]), array("d", [0.0]), 30.0)
    assert alone.end_s == 35.0


def test_prices_before_the_first_tariff_are_nought() -> None:
    later = Tariff(datetime(2031, 5, 15, tzinfo=UTC).date(), Decimal("0.27"), Decimal("0.08"), Decimal("0.2"))
    prices = replay.rates(Tariffs("EUR", (later,)), BEGIN_S, BEGIN_S + 86400.0, UTC)
    assert list(prices.from_s) == [BEGIN_S, BEGIN_S + 43200.0]
    assert list(prices.import_price) == [0.0, 0.27]
    assert prices.prices == (None, Prices(Decimal("0.27"), Decimal("0.08"), Decimal("0.2")))


def test_too_many_readings_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "long.csv"
    path.write_text("time,grid_w\n" + "".join(f"{BEGIN_S + 10 * i},-{i}\n" for i in range(50)))
    shares: list[float] = []
    readings = replay.load(path, 30.0, shares.append)
    assert list(readings.surplus_w) == [float(i) for i in range(50)]
    assert (readings.counts.readings, shares) == (50, [1.0])
    monkeypatch.setattr(replay, "MOST_READINGS", 49)
    with pytest.raises(ReadingsError, match="more than 49 readings"):
        replay.load(path, 30.0)


def test_a_gap_ends_a_charge_and_the_days_cap_holds() -> None:
    """By hand: sun from the first reading on; an hour's cap; re-armed an hour before the end; a gap of ten minutes."""
    at_s = [BEGIN_S + 10.0 * i for i in range(1080) if not 100 <= i < 160]
    readings = series(array("d", at_s), array("d", [2000.0] * len(at_s)), 30.0)
    params = Params(1380.0, 345.0, 45.0, 120.0, 480.0, 300.0, 4, 16, 3600.0, math.inf, True)
    done = replay.moves(params, readings, Days(3, array("d", [BEGIN_S + 7200.0])), DRAW_W)
    switched = [(at_s - BEGIN_S, machine.MODE_NAMES[mode], machine.CAUSES[cause]) for at_s, mode, _, cause in done]
    assert switched == [
        (0.0, "idle", "started"),
        (0.0, "arming", "surplus-seen"),
        (300.0, "charging", "surplus-held"),  # the relay's pause counts from the first reading on
        (1020.0, "locked-out", "meter-silent"),  # thirty seconds after the last reading before the gap
        (1600.0, "idle", "cleared"),
        (1600.0, "arming", "surplus-seen"),
        (1645.0, "charging", "surplus-held"),
        (4525.0, "locked-out", "time-cap"),  # 720 s and 2880 s make an hour
        (7200.0, "idle", "cleared"),
        (7200.0, "arming", "surplus-seen"),
        (7245.0, "charging", "surplus-held"),
    ]


def test_the_ledger_is_read_like_a_file(tmp_path: Path) -> None:
    """Readings as they came, then a gap, then quarters of an hour summed up; and the learned draw."""
    begin_ms, path = round(1000 * BEGIN_S), tmp_path / "history.sqlite"
    samples = [Sample(begin_ms + 10_000 * i, 100.0 * i - 500.0, 1350.0, True) for i in range(6)]
    quarter = held(Sample(begin_ms + 3_600_000, -700.0, 0.0, False), begin_ms + 4_500_000)
    steps = [(begin_ms + i, draw.Step(1344.0 + i, 20.0)) for i in range(6)]
    with Ledger(path) as ledger:
        assert replay_refuses(path) == f"{path}: there are no readings in it yet. Let the daemon run for some days"
        ledger.write(Batch(intervals=[*hold(samples, 10_000), quarter], steps=steps))
    readings, draw_w = replay.load_ledger(path, 30.0, DRAW_W)
    assert draw_w == pytest.approx(1346.5, abs=2.0)
    assert list(readings.at_s[:5]) == [BEGIN_S + 10.0 * i for i in range(5)]
    assert list(readings.surplus_w[:5]) == pytest.approx([1850.0 - 100.0 * i for i in range(5)])
    late = [(at_s, w) for at_s, w in zip(readings.at_s, readings.surplus_w, strict=True) if at_s > BEGIN_S + 60.0]
    assert late == [(BEGIN_S + 3600.0 + 20.0 * i, pytest.approx(700.0)) for i in range(45)]
    assert (list(readings.hold_s[:5]), sum(readings.hold_s[-45:])) == ([10.0] * 5, 900.0)
    # Half of its time and more is in the quarter: five rows of 10 s, and one of 15 min.
    assert (readings.counts.readings, readings.spacing_s, readings.means, readings.fresh_s) == (6, 900.0, True, 30.0)


def test_a_row_of_the_ledger_is_known_for_as_long_as_it_says(tmp_path: Path) -> None:
    """Of a quarter of an hour five minutes are known, with 60 Wh exported in them: 720 W, held for no longer."""
    begin_ms, path = round(1000 * BEGIN_S), tmp_path / "history.sqlite"
    partly = Interval(begin_ms, begin_ms + 900_000, Energy(known_ms=300_000, export_mws=60 * 3_600_000))
    after = held(Sample(begin_ms + 900_000, -50.0, 0.0, False), begin_ms + 1_800_000)
    nothing = Interval(begin_ms + 1_800_000, begin_ms + 2_700_000, Energy())
    with Ledger(path) as ledger:
        ledger.write(Batch(intervals=[partly, after, nothing]))
    readings, _ = replay.load_ledger(path, 30.0, DRAW_W)
    assert sum(readings.hold_s) == pytest.approx(300.0 + 900.0)
    assert list(readings.surplus_w) == pytest.approx([720.0] * 15 + [50.0] * 45)
    assert readings.counts.readings == 2


@pytest.mark.parametrize("length_s", [10, 30, 60, 900])
def test_the_machine_does_with_means_what_it_does_with_readings(tmp_path: Path, length_s: int) -> None:
    """Sun for an hour, then none: the charge starts at 300 s, and stops two minutes after the sun has gone."""
    path, begin_ms, count = tmp_path / "history.sqlite", round(1000 * BEGIN_S), 7200 // length_s
    samples = [
        Sample(begin_ms + 1000 * length_s * i, 300.0 if 2 * i >= count else -2000.0, 0.0, False) for i in range(count)
    ]
    with Ledger(path) as ledger:
        ledger.write(Batch(intervals=[held(sample, sample.at_ms + 1000 * length_s) for sample in samples]))
    readings, draw_w = replay.load_ledger(path, 30.0, DRAW_W)
    params = Params(1380.0, 345.0, 45.0, 120.0, 480.0, 300.0, 4, 16, 21600.0, math.inf, True)
    done = replay.moves(params, readings, Days(0, array("d")), draw_w)
    switched = [(at_s - BEGIN_S, machine.MODE_NAMES[mode]) for at_s, mode, *_ in done]
    assert switched == [(0, "idle"), (0, "arming"), (300, "charging"), (3600, "disarming"), (3720, "idle")]
    assert (sum(readings.hold_s), readings.spacing_s) == (7200.0, length_s)


def replay_refuses(path: Path) -> str:
    with pytest.raises(ReadingsError) as caught:
        replay.load_ledger(path, 30.0, DRAW_W)
    return str(caught.value)
