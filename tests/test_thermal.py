"""The thermal image against IEC 60255-149, numerical integration, and what a plug fuse must do."""

from __future__ import annotations

import itertools
import math

import pytest
import scipy  # its parts come when they are asked for
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control.thermal import TRIP_LEVEL, ThermalParams, advance, settled_level, time_to_s
from tests.conftest import config_from

PARAMS = config_from().limits.thermal
GRID = [
    (preload_a, current_a)
    for preload_a, current_a in itertools.product([0.0, 3.0, 6.0, 8.0, 10.0], [11.5, 12.0, 13.0, 16.0, 20.8, 24.7])
]


def closed_formula_s(params: ThermalParams, preload_a: float, current_a: float) -> float:
    """IEC 60255-149 (formerly 60255-8): t = tau * ln((I^2 - Ip^2) / (I^2 - (k*Ib)^2)); cold curve: Ip = 0."""
    limit_a2 = (params.k * params.basic_a) ** 2
    return params.heating_s * math.log((current_a**2 - preload_a**2) / (current_a**2 - limit_a2))


def stepped_trip_s(params: ThermalParams, preload_a: float, current_a: float, step_s: float) -> float:
    """Return when the image trips if it is called every ``step_s``, as the daemon calls it."""
    level, now_s = settled_level(params, preload_a), 0.0
    while level < TRIP_LEVEL:
        level = advance(params, level, current_a, step_s)
        now_s += step_s
    return now_s


@pytest.mark.parametrize(("preload_a", "current_a"), GRID)
def test_trip_times_are_those_of_the_closed_formula(preload_a: float, current_a: float) -> None:
    """Source: IEC 60255-149. Within 1 % (the steps of the image add at most one step)."""
    due_s = closed_formula_s(PARAMS, preload_a, current_a)
    assert time_to_s(PARAMS, settled_level(PARAMS, preload_a), current_a, TRIP_LEVEL) == pytest.approx(due_s, rel=1e-9)
    step_s = due_s / 250
    assert stepped_trip_s(PARAMS, preload_a, current_a, step_s) == pytest.approx(due_s, rel=0.01)


@pytest.mark.parametrize(("preload_a", "current_a"), GRID)
def test_trip_times_are_those_of_numerical_integration(preload_a: float, current_a: float) -> None:
    """Source: the first-order equation tau * d(level)/dt = (I / (k*Ib))^2 - level, integrated by scipy."""
    target = (current_a / (PARAMS.k * PARAMS.basic_a)) ** 2

    def trips(_: float, level: list[float]) -> float:
        return level[0] - 1.0

    trips.terminal = True  # type: ignore[attr-defined]
    solution = scipy.integrate.solve_ivp(
        lambda _, level: [(target - level[0]) / PARAMS.heating_s],
        (0.0, 1e5),
        [(preload_a / (PARAMS.k * PARAMS.basic_a)) ** 2],
        events=trips,
        rtol=1e-9,
        atol=1e-12,
    )
    due_s = solution.t_events[0][0]
    assert time_to_s(PARAMS, settled_level(PARAMS, preload_a), current_a, TRIP_LEVEL) == pytest.approx(due_s, rel=1e-3)


# BS 1362, 13 A link (values as commonly tabulated): the latest time at which it must have opened.
MUST_OPEN_S = {24.7: 1800.0, 30.0: 400.0, 50.0: 20.0, 100.0: 0.2}


@pytest.mark.parametrize("current_a", [24.7, 26.0, 30.0, 37.0, 50.0, 75.0, 100.0, 160.0])
def test_it_trips_before_a_plug_fuse_must_open(current_a: float) -> None:
    """Source: BS 1362 zones. Between two points the later bound of the lower current holds; the supervisor is stricter.

    Above ``instant_a`` one measurement trips at once; the image alone would take the time checked here.
    """
    limits = config_from().limits
    must_open_s = MUST_OPEN_S[max(point for point in MUST_OPEN_S if point <= current_a)]
    assert current_a > limits.instant_a
    image_s = closed_formula_s(limits.thermal, 0.0, current_a)
    assert min(0.0 if current_a > limits.instant_a else math.inf, image_s) < must_open_s
    if current_a <= 30.0:
        assert image_s < must_open_s  # even without the instantaneous stage


def test_the_link_s_own_carrying_current_trips_nothing_in_order() -> None:
    """At 10 A, what common guidance allows for hours, the image never trips, and does not even alarm."""
    assert settled_level(PARAMS, 10.0) < PARAMS.alarm_level
    assert time_to_s(PARAMS, 0.0, 10.0, TRIP_LEVEL) == math.inf


@given(level=st.floats(0, 2), current_a=st.floats(0, 100), first_s=st.floats(0, 10000), second_s=st.floats(0, 10000))
def test_it_does_not_matter_how_often_it_is_called(
    level: float, current_a: float, first_s: float, second_s: float
) -> None:
    whole = advance(PARAMS, level, current_a, first_s + second_s)
    parts = advance(PARAMS, advance(PARAMS, level, current_a, first_s), current_a, second_s)
    assert parts == pytest.approx(whole, rel=1e-9, abs=1e-9)


@given(level=st.floats(0, 2), current_a=st.floats(0, 30), goal=st.floats(0, 2))
def test_the_time_to_a_level_is_the_time_it_takes(level: float, current_a: float, goal: float) -> None:
    due_s = time_to_s(PARAMS, level, current_a, goal)
    if math.isfinite(due_s):
        assert advance(PARAMS, level, current_a, due_s) == pytest.approx(goal, rel=1e-6, abs=1e-6)
    else:
        after = advance(PARAMS, level, current_a, 1e6)
        assert (level - goal) * (after - goal) >= -1e-9  # it stays on its side


def test_cooling_is_slower_than_heating() -> None:
    """From the trip level to the re-arm level: tau_c * ln(1 / 0.5)."""
    assert time_to_s(PARAMS, 1.0, 0.0, PARAMS.rearm_level) == pytest.approx(1800.0 * math.log(2), rel=1e-9)
    assert PARAMS.cooling_s > PARAMS.heating_s
