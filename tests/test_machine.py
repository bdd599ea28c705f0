"""The machine by example: the rules of the trade, and each row of the transition table on its own."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from surpluscharge.control import machine
from surpluscharge.control.machine import (
    ARMING,
    CHARGING,
    DISARMING,
    HOLD,
    IDLE,
    LOCKED_OUT,
    MODE_NAMES,
    TABLE,
    TRIP,
    Inputs,
    Params,
    State,
    initial,
    next_deadline,
    step,
)
from tests.conftest import config_from

PARAMS = Params(
    start_export_w=1400.0,
    stop_import_w=300.0,
    start_delay_s=40.0,
    stop_delay_s=90.0,
    min_on_s=420.0,
    min_off_s=240.0,
    starts_per_hour=3,
    starts_per_day=5,
    time_cap_s=7200.0,
    energy_cap_wh=math.inf,
    rearm_daily=True,
)
INPUTS = Inputs(
    grid_w=0.0,
    fresh_until_s=math.inf,
    charger_w=1380.0,
    enabled=True,
    stopping=False,
    guard=machine.CLEAR,
    off_confirmed=True,
    day=0,
)
LONG_AGO = -1e6


class Run:
    """A machine on a virtual clock, called at its deadlines and at each change of its inputs; it notes transitions."""

    def __init__(self, params: Params = PARAMS, **changes: object) -> None:
        self.params = params
        self.now_s = 0.0
        self.inputs = INPUTS._replace(**changes)
        self.state = initial(params, 0.0, 0)._replace(was_enabled=self.inputs.enabled, off_since_s=LONG_AGO)
        self.log: list[tuple[float, str, str]] = []

    def _settle(self) -> None:
        while True:
            old, self.state = self.state, step(self.params, self.state, self.now_s, self.inputs)
            if self.state.mode == old.mode:
                return
            self.log.append((self.now_s, MODE_NAMES[self.state.mode], machine.CAUSES[self.state.cause]))

    def set(self, **changes: object) -> Run:
        self._settle()
        self.inputs = self.inputs._replace(**changes)
        self._settle()
        return self

    def until(self, end_s: float) -> Run:
        self._settle()
        while (due_s := next_deadline(self.params, self.state, self.inputs)) <= end_s:
            self.now_s = due_s
            self._settle()
        self.now_s = end_s
        self._settle()
        return self

    @property
    def mode(self) -> str:
        return MODE_NAMES[self.state.mode]

    def switching(self) -> list[tuple[float, bool]]:
        """Return when the relay was switched on and off."""
        names = [(0.0, "idle")] + [(at_s, name) for at_s, name, _ in self.log]
        on = [(at_s, name in ("charging", "disarming")) for at_s, name in names]
        return [now for before, now in pairwise(on) if before[1] is not now[1]]


# --- rules of the trade (common practice, no source) -----------------------------------------------------------------


def test_a_start_rule_and_a_stop_rule_held_over_five_second_readings() -> None:
    """Common practice, no source: start at 1.8 kW of export held 30 s, stop at 150 W of import held 60 s.

    The series is hand-written, one reading every 5 s, grid power with the charger's 1850 W in it while it is on.
    """
    params = PARAMS._replace(
        start_export_w=1800.0, stop_import_w=150.0, start_delay_s=30.0, stop_delay_s=60.0, min_on_s=0.0, min_off_s=0.0
    )
    run = Run(params, fresh_until_s=0.0)
    series = (
        [-1700] * 4  # 0-15 s: not enough
        + [-1800] * 5  # 20-40 s: just enough, for 25 s only
        + [-1790]  # 45 s: not enough for one reading
        + [-1900] * 7  # 50-80 s: enough for 30 s -> on at 80 s
        + [-50] * 3  # 85-95 s: charging, exporting a little
        + [150] * 14  # 100-165 s: importing exactly the limit for 70 s, which does not exceed it
        + [151] * 11  # 170-220 s: over the limit for 55 s only
        + [100]  # 225 s: within it again
        + [900] * 13  # 230-290 s: over the limit for 60 s -> off at 290 s
        + [-950] * 3
    )
    for index, grid_w in enumerate(series):
        run.until(index * 5.0).set(grid_w=float(grid_w), fresh_until_s=index * 5.0 + 12.0)
    assert run.switching() == [(80.0, True), (290.0, False)]
    assert [(at_s, mode) for at_s, mode, _ in run.log] == [
        (20.0, "arming"),
        (45.0, "idle"),
        (50.0, "arming"),
        (80.0, "charging"),
        (170.0, "disarming"),
        (225.0, "charging"),
        (230.0, "disarming"),
        (290.0, "idle"),
    ]


def test_delays_of_five_seconds_follow_a_load_step_within_five_seconds() -> None:
    """Common practice, no source: with 5 s delays and no minimum times, off 5 s after a load step, on 5 s after it."""
    params = PARAMS._replace(start_delay_s=5.0, stop_delay_s=5.0, min_on_s=0.0, min_off_s=0.0)
    run = Run(params, grid_w=-2000.0).until(100.0)
    assert run.switching() == [(5.0, True)]
    run.set(grid_w=1400.0)  # a kettle, at 100 s
    run.until(105.0).set(grid_w=20.0)  # the relay went off: the charger's share is gone from the grid
    run.until(180.0).set(grid_w=-2000.0)  # the kettle has boiled
    run.until(300.0)
    assert run.switching() == [(5.0, True), (105.0, False), (185.0, True)]


@pytest.mark.parametrize(("current_a", "low_w", "high_w"), [(8.0, 1800, 1900), (13.0, 2950, 3050)])
def test_power_of_common_settings(current_a: float, low_w: float, high_w: float) -> None:
    """Common practice, no source: 8 A is 1.8 to 1.9 kW at 230 V; a 13 A socket gives about 3 kW at most."""
    config = config_from(charger={"current_a": current_a}, socket={"continuous_a": 13.0})
    assert low_w <= config.draw_w <= high_w
    if current_a == 8.0:
        assert abs(config.draw_w - 1850) < 20  # one lead was measured at about 1,850 W


# --- starting --------------------------------------------------------------------------------------------------------


def test_a_start_waits_for_the_delay_and_any_break_begins_it_anew() -> None:
    run = Run(grid_w=-1400.0).until(39.0).set(grid_w=-1399.0).set(grid_w=-1400.0).until(200.0)
    assert run.switching() == [(79.0, True)]


def test_enabling_in_full_sun_skips_the_start_delay_only() -> None:
    """The minimum-off time, the budget and a hold still count."""
    run = Run(grid_w=-1500.0, enabled=False).until(10.0).set(enabled=True)
    assert run.switching() == [(10.0, True)]
    run = Run(grid_w=-1500.0, enabled=False)
    run.state = run.state._replace(off_since_s=0.0)
    run.until(10.0).set(enabled=True).until(1000.0)
    assert run.switching() == [(240.0, True)]
    run = Run(grid_w=-1500.0, enabled=False, guard=HOLD).until(10.0).set(enabled=True).until(50.0)
    assert run.mode == "arming"
    run.set(guard=machine.CLEAR)
    assert run.switching() == [(50.0, True)]


def test_enabling_without_surplus_does_not_skip_the_delay_later() -> None:
    run = Run(grid_w=0.0, enabled=False).until(10.0).set(enabled=True).until(20.0).set(grid_w=-1500.0).until(100.0)
    assert run.switching() == [(60.0, True)]


def test_a_stale_reading_neither_arms_nor_starts() -> None:
    run = Run(grid_w=-1500.0, fresh_until_s=30.0).until(300.0)
    assert [mode for _, mode, _ in run.log] == ["arming", "idle"]
    assert run.log[-1] == (30.0, "idle", "meter-silent")


def test_minimum_off_counts_from_when_the_relay_is_known_off() -> None:
    """Invariant 3: told is not done."""
    run = Run(grid_w=-1500.0, off_confirmed=False).until(500.0)
    assert run.mode == "arming"
    run.set(off_confirmed=True).until(2000.0)
    assert run.switching() == [(740.0, True)]


def test_budgets_hold_over_any_window() -> None:
    """Invariant 4: three starts an hour, five in 24 hours, over any window; the sixth waits for the first to age."""
    params = PARAMS._replace(start_delay_s=0.0, stop_delay_s=0.0, min_on_s=0.0, min_off_s=0.0)
    run = Run(params)
    for minute in range(26 * 60):
        run.until(minute * 60.0).set(grid_w=-1500.0 if minute % 2 else 400.0)
    starts = [at_s for at_s, on in run.switching() if on]
    assert starts[:6] == [60.0, 180.0, 300.0, 3660.0, 3780.0, 86460.0]


# --- stopping --------------------------------------------------------------------------------------------------------


def test_minimum_on_outlasts_the_stop_delay() -> None:
    """Invariant 2."""
    run = Run(grid_w=-1500.0).until(60.0).set(grid_w=1000.0).until(1000.0)
    assert run.switching() == [(40.0, True), (460.0, False)]


def test_import_that_falls_back_ends_the_disarming() -> None:
    run = Run(grid_w=-1500.0).until(500.0).set(grid_w=301.0).until(589.0).set(grid_w=300.0).until(2000.0)
    assert run.switching() == [(40.0, True)]
    assert run.mode == "charging"


@pytest.mark.parametrize(
    ("change", "mode", "cause"),
    [
        ({"enabled": False}, "idle", "disabled"),
        ({"stopping": True}, "idle", "stopping"),
        ({"guard": TRIP}, "locked-out", "tripped"),
        ({"fresh_until_s": 60.0}, "locked-out", "meter-silent"),
    ],
)
def test_what_ends_a_charge_at_once_whatever_the_minimum_on(change: dict[str, object], mode: str, cause: str) -> None:
    run = Run(grid_w=-1500.0).until(60.0).set(**change)
    assert run.log[-1] == (60.0, mode, cause)
    assert run.switching()[-1] == (60.0, False)


def test_a_reading_that_goes_stale_ends_a_charge_at_that_moment() -> None:
    """Invariant 6, by the machine's own deadline: nothing else calls it."""
    run = Run(grid_w=-1500.0, fresh_until_s=75.0).until(5000.0)
    assert run.switching() == [(40.0, True), (75.0, False)]
    run.set(fresh_until_s=6000.0)
    assert run.log[-2][1:] == ("idle", "cleared")


# --- caps and sessions -----------------------------------------------------------------------------------------------


def test_the_time_cap_ends_a_session_and_the_next_day_begins_one() -> None:
    """Invariant 5, and the daily rule."""
    run = Run(grid_w=-1500.0).until(80000.0)
    assert run.switching() == [(40.0, True), (7240.0, False)]
    assert run.log[-1] == (7240.0, "locked-out", "time-cap")
    run.set(enabled=False).set(enabled=True)
    assert run.mode == "locked-out"  # not by this rule
    run.set(day=1)
    assert run.mode == "arming"
    assert run.state.session_s == 0


def test_the_energy_cap_ends_a_session_and_the_manual_rule_begins_one() -> None:
    """1380 W for 2,000 s is 766.7 Wh: the cap is reached at 40 s + 2,000 s."""
    params = PARAMS._replace(energy_cap_wh=1380.0 * 2000 / 3600, rearm_daily=False)
    run = Run(params, grid_w=-1500.0).until(9000.0)
    (on_s, _), (off_s, _) = run.switching()
    assert on_s == 40.0
    assert off_s == pytest.approx(2040.0, abs=0.01)
    assert run.log[-1][1:] == ("locked-out", "energy-cap")
    run.set(day=1)
    assert run.mode == "locked-out"
    run.set(enabled=False)
    assert run.mode == "idle"
    run.set(enabled=True)
    assert run.mode == "charging"  # full sun: no start delay


def test_a_new_day_does_not_begin_a_session_under_a_running_charge() -> None:
    run = Run(grid_w=-1500.0).until(4000.0).set(day=1).until(20000.0)
    assert run.switching() == [(40.0, True), (7240.0, False), (7480.0, True), (14680.0, False)]
    assert run.mode == "locked-out"


def test_a_clock_put_back_grants_nothing_and_the_next_day_does() -> None:
    run = Run(grid_w=-1500.0, day=10).until(9000.0)
    assert run.mode == "locked-out"
    run.set(day=3)
    assert run.mode == "locked-out"
    run.set(day=4)
    assert run.mode == "arming"


# --- the table -------------------------------------------------------------------------------------------------------


def state_in(mode: int) -> State:
    return initial(PARAMS, 0.0, 0)._replace(mode=mode, was_enabled=True, off_since_s=LONG_AGO, on_since_s=-1000.0)


@pytest.mark.parametrize("mode", range(5))
def test_no_facts_leave_the_relay_on_where_it_must_be_off(mode: int) -> None:
    """Invariant 1 over every combination of facts in every state: all 81,920 of them."""
    for facts in range(2**14):
        index = machine.deciding_row(mode, facts)
        after = mode if index < 0 else TABLE[index].target
        if machine.wants_on(after):
            assert facts & machine.ENABLED
            assert facts & machine.FRESH
            assert not facts & (machine.STOPPING | machine.TRIPPED | machine.TIME_SPENT | machine.ENERGY_SPENT)
            if not machine.wants_on(mode):
                assert mode == ARMING
                assert facts & machine.MIN_OFF_OVER
                assert facts & machine.BUDGET_LEFT
                assert not facts & machine.HELD


def test_every_state_can_be_reached_and_left() -> None:
    arrows = {
        (mode, row.target) for row in TABLE for mode in range(5) if (row.sources >> mode) & 1 and mode != row.target
    }
    assert {target for _, target in arrows} == {IDLE, ARMING, CHARGING, DISARMING, LOCKED_OUT}
    assert {source for source, _ in arrows} == {IDLE, ARMING, CHARGING, DISARMING, LOCKED_OUT}
    assert (IDLE, CHARGING) not in arrows
    assert {source for source, target in arrows if target == CHARGING} == {ARMING, DISARMING}


def test_deadlines_are_never_in_the_past() -> None:
    for mode in range(5):
        state = state_in(mode)._replace(at_s=1e6, session_s=9e9)
        assert next_deadline(PARAMS, state, INPUTS._replace(fresh_until_s=5.0)) > 1e6
