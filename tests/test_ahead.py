"""Thresholds that look ahead: what must hold of them for any readings, and that they earn more than fixed ones."""

from __future__ import annotations

import math
import random
from decimal import Decimal
from itertools import pairwise
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control import ahead, machine
from surpluscharge.control.ahead import Memory, expected, nothing, remember, thresholds, why
from surpluscharge.control.economics import Prices, break_even
from surpluscharge.control.economics import thresholds as fixed_thresholds
from surpluscharge.control.rule import SCARCE_S, Band, Rule, Way

DRAW_W = 2000.0

shares = st.floats(-4.0, 6.0)
gaps_s = st.floats(0.5, 120.0)
minimums_s = st.floats(0.0, 7200.0)
break_evens_w = st.one_of(st.floats(0.0, DRAW_W), st.just(math.inf))


def remembered(readings: list[tuple[float, float]]) -> Memory:
    memory, now_s = nothing(), 0.0
    for gap_s, share in readings:
        now_s += gap_s
        memory = remember(memory, now_s, share)
    return memory


memories = st.lists(st.tuples(gaps_s, shares), min_size=1, max_size=40).map(remembered)


@given(memories, minimums_s)
def test_what_is_expected_is_nearly_a_share(memory: Memory, over_s: float) -> None:
    edge = ahead.BEYOND_WEIGHT * ahead.BEYOND_SHARE
    assert -edge - 1e-9 <= expected(memory, over_s) <= 1.0 + edge + 1e-9
    assert 0.0 <= memory.short <= 1.0 and 0.0 <= memory.long <= 1.0 and memory.moves >= 0.0


@given(memories, break_evens_w, minimums_s, minimums_s)
def test_thresholds_are_bounded_and_never_start_without_surplus(
    memory: Memory, break_even_w: float, min_on_s: float, min_off_s: float
) -> None:
    start_w, stop_w = thresholds(memory, DRAW_W, break_even_w, min_on_s, min_off_s)
    if break_even_w == math.inf:
        assert (start_w, stop_w) == (math.inf, -math.inf)
        return
    most_w = (1.0 + ahead.BEYOND_SHARE) * DRAW_W
    assert start_w >= ahead.LEAST_SHARE * DRAW_W and (start_w <= most_w + 1e-6 or start_w == math.inf)
    assert DRAW_W - stop_w <= start_w + 1e-6  # what would start does not stop
    assert not math.isnan(start_w) and not math.isnan(stop_w)


@given(memories, st.floats(1.0, DRAW_W), st.floats(0.0, DRAW_W), minimums_s, minimums_s)
def test_a_dearer_start_asks_for_more(
    memory: Memory, break_even_w: float, other_w: float, min_on_s: float, min_off_s: float
) -> None:
    low_w, high_w = sorted((break_even_w, other_w))
    cheap, dear = (thresholds(memory, DRAW_W, at_w, min_on_s, min_off_s) for at_w in (low_w, high_w))
    assert cheap[0] <= dear[0] + 1e-6
    assert cheap[1] >= dear[1] - 1e-6  # and stops sooner, at less import


@given(memories, st.floats(0.0, 1.0), minimums_s)
def test_more_surplus_lets_more_be_expected(memory: Memory, more: float, over_s: float) -> None:
    now = expected(memory, over_s)
    assert expected(memory._replace(surplus=memory.surplus + more), over_s) >= now - 1e-12
    assert expected(memory._replace(short=min(1.0, memory.short + more)), over_s) >= now - 1e-12
    assert expected(memory._replace(long=min(1.0, memory.long + more)), over_s) >= now - 1e-12


@given(memories, st.floats(0.0, DRAW_W), minimums_s, minimums_s)
def test_the_thresholds_are_the_rule_solved_for_the_surplus_of_now(
    memory: Memory, break_even_w: float, min_on_s: float, min_off_s: float
) -> None:
    start_w, stop_w = thresholds(memory, DRAW_W, break_even_w, min_on_s, min_off_s)
    pays = max(break_even_w / DRAW_W, ahead.LEAST_SHARE)
    if ahead.LEAST_SHARE * DRAW_W < start_w < math.inf:
        at_start = memory._replace(surplus=start_w / DRAW_W)
        assert expected(at_start, min_on_s) == pytest.approx(pays + ahead.caution(memory), abs=1e-9)
    stop = 1.0 - stop_w / DRAW_W
    if -math.inf < stop < start_w / DRAW_W - 1e-6 and memory.short >= ahead.GONE_SHARE:
        assert expected(memory._replace(surplus=stop), min_off_s) == pytest.approx(
            pays - ahead.caution(memory), abs=1e-9
        )


def test_by_hand() -> None:
    # Always half the draw: that is what will be.
    memory = remembered([(10.0, 0.5)] * 1000)
    assert expected(memory, 600.0) == pytest.approx(0.5)
    # A kettle of 0.4 draws, just on: of the drop, over 7.5 minutes, the mean of exp(-t / 7.5 min) is left, 1 - 1/e.
    kettle = remember(memory, memory.at_s + 10.0, 0.1)
    assert expected(kettle, 450.0) == pytest.approx(0.5 - 0.4 * (1.0 - math.exp(-1.0)))
    # 0.4 down within ten minutes, 36 of their 600 seconds' worth of it: caution of 0.024. Break-even at 0.7, so a start
    # asks for a mean of 0.724 over 7.5 minutes, which the surplus of now would have to raise from 0.5.
    assert ahead.caution(kettle) == pytest.approx(0.024)
    start_w, stop_w = thresholds(kettle, DRAW_W, 0.7 * DRAW_W, 450.0, 450.0)
    assert start_w / DRAW_W == pytest.approx(0.5 + 0.224 / (1.0 - math.exp(-1.0)))
    assert 1.0 - stop_w / DRAW_W == pytest.approx(0.5 + 0.176 / (1.0 - math.exp(-1.0)))


def test_the_interval_of_the_meter_matters_little() -> None:
    rng = random.Random(3)
    course = [0.5]
    for _ in range(3600):
        course.append(min(max(course[-1] + rng.gauss(0.0, 0.01), 0.0), 1.2))
    often = remembered([(1.0, share) for share in course])
    seldom = remembered([(10.0, share) for share in course[::10]])
    assert often.short == pytest.approx(seldom.short, abs=0.01)
    assert often.long == pytest.approx(seldom.long, abs=0.01)
    assert often.moves == pytest.approx(seldom.moves, rel=0.1)


def test_a_long_gap_is_forgotten_and_time_going_back_harms_nothing() -> None:
    memory = remembered([(10.0, 0.9)] * 200)
    assert remember(memory, memory.at_s + 3600.0, 0.2) == remember(nothing(), memory.at_s + 3600.0, 0.2)
    back = remember(memory, memory.at_s - 50.0, 0.2)
    assert (back.short, back.long) == pytest.approx((memory.short, memory.long))


def test_it_ends_in_the_evening_whatever_the_break_even() -> None:
    memory = remembered([(10.0, 1.0)] * 400)
    for _ in range(200):
        memory = remember(memory, memory.at_s + 10.0, -0.1)
    for break_even_w in (0.0, 20.0, 100.0, 1000.0):
        for minimum_s in (60.0, 300.0, 1800.0, 7200.0):
            _, stop_w = thresholds(memory, DRAW_W, break_even_w, minimum_s, minimum_s)
            assert DRAW_W - memory.surplus * DRAW_W > stop_w  # the import of a charge that runs on


def test_the_reasons() -> None:
    def reason(memory: Memory, on: bool, break_even_w: float = 1200.0) -> str:
        return why(memory, DRAW_W, break_even_w, 600.0, 300.0, on)

    steady = remembered([(10.0, 1.0)] * 400)
    assert reason(steady, False).startswith("Worth a start: 2000 W")
    assert reason(steady, False, math.inf) == "At these prices charging from surplus does not pay."
    dip = remember(steady, steady.at_s + 10.0, 0.4)
    assert reason(dip, True).startswith("Charging on: there is less surplus than pays, but it is expected to come back")
    new = remember(remembered([(10.0, 0.1)] * 400), 4010.0, 0.9)
    assert reason(new, False).startswith("Waiting: the surplus is too new to count on")
    wild = remembered([(10.0, share) for _ in range(80) for share in (1.0, 1.0, 0.45)])
    assert reason(remember(wild, wild.at_s + 10.0, 0.7), False).startswith(
        "Waiting: the last ten minutes were too changeable to start"
    )
    dark = remembered([(10.0, 0.1)] * 400)
    assert reason(dark, False).startswith("Waiting for more surplus")
    assert reason(dark, True).startswith("The surplus is not expected to come back soon")


# --- compiled, and played ---------------------------------------------------------------------------------------------


def test_compiled_is_the_same() -> None:
    pytest.importorskip("numba")
    from surpluscharge.planning.compiling import compiled  # noqa: PLC0415

    fast_remember, fast_thresholds = compiled(remember), compiled(thresholds)
    rng = random.Random(11)
    slow = fast = nothing()
    now_s = 0.0
    for _ in range(3000):
        now_s += rng.choice((1.0, 10.0, 60.0, 2000.0))
        share = rng.choice((rng.uniform(-2.0, 3.0), math.inf, 0.0))
        slow, fast = remember(slow, now_s, share), Memory(*fast_remember(fast, now_s, share))
        assert fast == pytest.approx(slow, rel=1e-12, abs=1e-12)
        asked = (DRAW_W, rng.choice((0.0, rng.uniform(0.0, DRAW_W), math.inf)), 600.0, 300.0)
        assert fast_thresholds(fast, *asked) == pytest.approx(thresholds(slow, *asked), rel=1e-9)


class Played(NamedTuple):
    value: float  # in draw-hours of the difference between import and export
    starts: int


def played(course: list[float], prices: Prices, minimums_s: tuple[float, float], looking: bool) -> Played:
    """Let the machine itself run over surplus readings, ten seconds apart, in shares of the draw."""
    point = break_even(DRAW_W, prices)
    start_w, stop_w = fixed_thresholds(DRAW_W, prices, *minimums_s)
    params = machine.Params(start_w, stop_w, 0.0, 0.0, *minimums_s, 60, 96, math.inf, math.inf, True)
    state = machine.initial(params, -7200.0, 0)._replace(was_enabled=True)
    memory, value, starts = nothing(), 0.0, 0
    for index, share in enumerate(course):
        now_s = 10.0 * index
        if looking:
            memory = remember(memory, now_s, share)
            start_w, stop_w = thresholds(memory, DRAW_W, point.surplus_w, *minimums_s)
            params = params._replace(start_export_w=start_w, stop_import_w=stop_w)
        for _ in range(5):
            was_on = machine.wants_on(state.mode)
            charger_w = DRAW_W if was_on else 0.0
            inputs = machine.Inputs(
                charger_w - share * DRAW_W, now_s + 60.0, charger_w, True, False, machine.CLEAR, not was_on, 0
            )
            old, state = state, machine.step(params, state, now_s, inputs)
            starts += machine.wants_on(state.mode) and not was_on
            if state.mode == old.mode:
                break
        if machine.wants_on(state.mode):
            value += (ahead.usable(share) - point.surplus_w / DRAW_W) / 360.0
    return Played(value, starts)


def day(seed: int) -> list[float]:
    """Return eight hours of few, some or many clouds over a house with a kettle, as shares of the draw; invented."""
    rng = random.Random(seed)
    odds = (0.1, 1.0, 9.0)[seed % 3]  # of being under a cloud
    sun, demand, edge, left = True, 0.0, 1.0, 0.0
    course: list[float] = []
    for index in range(2880):
        left -= 10.0
        if left <= 0.0:
            sun = not sun
            left = 240.0 * rng.lognormvariate(-0.5, 1.0) * (odds**-0.5 if sun else odds**0.5)
        if demand > 0.0 and rng.random() < 1.0 / 18.0:
            demand = 0.0
        elif demand == 0.0 and rng.random() < 1.0 / 300.0:
            demand = 0.9
        edge += 0.3 * ((1.0 if sun else 0.3) - edge)
        course.append(1.6 * edge * math.sin(math.pi * (index + 300) / 3480) - 0.15 - demand)
    return course


@pytest.mark.parametrize("export_price, alternative_price", [("0.15", "0.20"), ("0.05", "0.09")])
def test_looking_ahead_earns_more_over_days_of_all_kinds(export_price: str, alternative_price: str) -> None:
    prices = Prices(Decimal("0.27"), Decimal(export_price), Decimal(alternative_price))
    courses = [day(seed) for seed in range(12)]
    fixed, ahead = ([played(course, prices, (600.0, 300.0), looks) for course in courses] for looks in (False, True))
    fixed_value, ahead_value = (sum(one.value for one in days) for days in (fixed, ahead))
    assert ahead_value > max(0.0, 1.02 * fixed_value)
    assert sum(one.starts for one in ahead) < sum(one.starts for one in fixed)


def test_a_steady_day_is_left_alone() -> None:
    course = [max(-0.1, 1.8 * math.sin(math.pi * index / 2880) - 0.2) for index in range(2880)]
    assert all(abs(after - before) < 0.01 for before, after in pairwise(course))
    prices = Prices(Decimal("0.27"), Decimal("0.08"), Decimal("0.20"))
    fixed, ahead = (played(course, prices, (600.0, 300.0), looks) for looks in (False, True))
    assert fixed.starts == ahead.starts == 1
    assert ahead.value == pytest.approx(fixed.value, rel=0.03)


# --- few hours -------------------------------------------------------------------------------------------------------


def test_where_a_session_holds_few_hours_the_stricter_of_both_counts() -> None:
    """After an hour of sun a small gap: looking ahead would wait it out, and with few hours the charge ends."""
    prices = Prices(*map(Decimal, ("0.29", "0.06", "0.21")))
    memory = nothing()
    for second in range(0, 3600, 10):
        memory = remember(memory, float(second), 0.9)
    memory = remember(memory, 3600.0, 0.15)
    free = Rule(Way.AHEAD, Band(1000.0, 250.0), 480.0, 300.0, prices)
    few = free._replace(cap_s=SCARCE_S - 1.0)
    auto = Band(*fixed_thresholds(1000.0, prices, 480.0, 300.0))
    assert free._replace(cap_s=SCARCE_S).band(1000.0, memory) == free.band(1000.0, memory)
    assert few.band(1000.0, memory) == free.band(1000.0, memory).within(auto)
    assert (
        few.band(1000.0, memory).stop_import_w == auto.stop_import_w < 850.0 < free.band(1000.0, memory).stop_import_w
    )
    said = few.outlook(1000.0, memory, 3600.0, on=True) or ""
    assert said.startswith("The surplus is not expected to come back soon")
    steady = nothing()
    for second in range(0, 3600, 10):
        steady = remember(steady, float(second), 0.9)
    given = steady, 1000.0, break_even(1000.0, prices).surplus_w, 480.0, 300.0, False, False
    assert why(*given).startswith("Worth a start")
    assert why(*given, (950.0, 100.0)).startswith("Waiting for more surplus, since a session's hours are few")
