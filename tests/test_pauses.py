"""What the controller's books carry across pauses, crashes, silences and jumps of the clock.

Each of these is a small matter that shows only when something else has gone wrong before it.
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from surpluscharge.control import news, thermal
from surpluscharge.control.controller import Controller, Kept, Moment, Tally
from surpluscharge.control.economics import Prices
from surpluscharge.control.rule import Way
from surpluscharge.control.signals import Source
from surpluscharge.control.steps import Steps
from tests.test_controller import (
    CLOUD_W,
    DRAW_A,
    DRAW_W,
    LIMITS,
    LONG_S,
    MOVES_S,
    SUN_W,
    Rig,
    charging,
    connected,
    make_settings,
)
from tests.test_faults import Rig as House

REST_S, REST_AFTER_S = LIMITS.rest_s, LIMITS.rest_after_s


def kept(now_s: float = 1000.0, **changes: object) -> Kept:
    """Return what a daemon wrote at ``now_s``: enabled, off, on the rig's day, nothing else."""
    nothing = Kept(now_s, True, False, DRAW_W, (), 0.0, 0.0, 10, Tally(20), 0.0, 0.0, 0.0, ())
    return nothing._replace(**changes)


def pause(rig: Rig, seconds: float) -> None:
    """Disable for so long, and let it charge on."""
    rig.tell(news.Enable(False))
    rig.wait(seconds)
    rig.send("m", SUN_W)
    rig.tell(news.Enable(True))
    assert rig.mode == "charging"


# --- the run that earns the socket its rest --------------------------------------------------------------------------


@pytest.mark.parametrize(("pause_s", "rests"), [(600.0, False), (REST_S - 1.0, False), (REST_S, True)])
def test_only_a_whole_rest_ends_a_run(pause_s: float, rests: bool) -> None:
    rig = charging(make_settings(min_off_s=60.0, time_cap_s=1e6))
    rig.wait(2 * 3600.0)
    pause(rig, pause_s)
    rig.wait(3600.0)
    run_s = 3600.0 if rests else 3 * 3600.0
    assert rig.controller.kept().run_s == pytest.approx(run_s, abs=1.0)
    assert rig.controller.kept().run_as == pytest.approx(run_s * DRAW_A, abs=10.0)


def test_two_long_runs_ten_minutes_apart_earn_one_rest() -> None:
    """At 9 A, above what needs none: two hours, ten minutes, and the rest comes after another hour, not two."""
    house = House(car_w=9.0 * 230, volts=230.0)
    limits = house.controller.settings.limits._replace(draw_w=9.0 * 230)
    house.controller.settings = house.controller.settings._replace(limits=limits, draw_a=9.0)
    house.charging().run(2 * 3600.0 - 30.0)
    house.controller.tell(news.Enable(False), house.at())
    house.run(600.0)
    house.controller.tell(news.Enable(True), house.at())
    begin_s = house.now_s
    house.run(3 * 3600.0, lambda: house.mode == "locked-out")
    assert house.codes == ["rest-due"]
    assert house.now_s - begin_s == pytest.approx(REST_AFTER_S - 2 * 3600.0, abs=90.0)


@pytest.mark.parametrize(
    ("on", "away_s", "run_s"),
    [
        (False, REST_S - 1.0, 5000.0),  # off, and not for long enough
        (False, REST_S, 0.0),
        (True, REST_S + 100.0, 5000.0 + REST_S + 100.0),  # maybe on all the while
    ],
)
def test_a_crash_is_a_pause_only_if_it_was_off(on: bool, away_s: float, run_s: float) -> None:
    rig = Rig(make_settings(), kept(on=on, run_s=5000.0, run_as=5000.0 * DRAW_A), now_s=1000.0 + away_s)
    again = rig.controller.kept()
    assert again.run_s == pytest.approx(run_s)
    assert again.run_as == pytest.approx(run_s * DRAW_A)


# --- the thermal image -----------------------------------------------------------------------------------------------


def test_a_crash_while_hot_does_not_cool() -> None:
    """Nobody knows how long it was on: at least as hot as before, and at least as hot as the lead makes it."""
    for level, away_s in ((1.2, 3600.0), (0.01, 3600.0)):
        now = Controller(make_settings(), Moment(1000.0 + away_s, 10, 20), kept(on=True, level=level)).socket.level
        assert now == max(level, thermal.advance(LIMITS.thermal, level, DRAW_A, away_s))


def test_a_crash_while_off_cools_as_long_as_it_was_away() -> None:
    """IEC 60255-149: an image without current falls by its cooling time constant."""
    now = Controller(make_settings(), Moment(1600.0, 10, 20), kept(level=0.8)).socket.level
    assert now == pytest.approx(0.8 * math.exp(-600.0 / LIMITS.thermal.cooling_s))


def test_the_image_cools_only_once_the_relay_is_known_to_be_off() -> None:
    """The broker has gone: the lead may draw for as long as that lasts."""
    rig = charging(make_settings())
    rig.wait(60.0)
    rig.tell(news.RelayLink(False))
    level = rig.controller.socket.level = 0.05
    rig.wait(900.0)
    assert not rig.controller.wants_on
    assert rig.controller.socket.level == pytest.approx(thermal.advance(LIMITS.thermal, level, DRAW_A, 900.0))
    rig.tell(news.Enable(False))
    rig.tell(news.RelayLink(True))
    level = rig.controller.socket.level
    rig.wait(900.0)
    assert rig.controller.socket.level == pytest.approx(level * math.exp(-900.0 / LIMITS.thermal.cooling_s))


def test_a_plug_that_was_on_unseen_has_heated_and_run() -> None:
    """It was told on and off out of reach, passed for off by what it had said before, and comes back on."""
    rig = connected(make_settings(contact=True), kept(enabled=False))
    rig.wait(300.0)
    rig.obeys = False
    rig.send("m", SUN_W)
    rig.tell(news.Enable(True))
    rig.wait_until("charging")
    rig.acknowledge(True)  # by the broker; the plug hears nothing
    rig.wait(5.0)
    rig.tell(news.Enable(False))
    rig.acknowledge(False)
    assert rig.controller.plug.confirmed(False)
    rig.wait(3000.0)
    before = rig.controller.kept()
    rig.send("c", "on")
    after = rig.controller.kept()
    unseen_s = after.session_s - before.session_s
    assert unseen_s == pytest.approx(3000.0 - 600.0, abs=MOVES_S)  # the first ten minutes counted at once
    assert after.session_wh - before.session_wh == pytest.approx(DRAW_W * unseen_s / 3600)
    assert after.level == pytest.approx(thermal.advance(LIMITS.thermal, before.level, DRAW_A, unseen_s))
    assert after.level > before.level + 0.1
    assert after.run_s - before.run_s == pytest.approx(unseen_s)
    assert after.run_as - before.run_as == pytest.approx(DRAW_A * unseen_s)


# --- what was measured -----------------------------------------------------------------------------------------------


def test_power_from_before_a_switching_is_not_measured_after_it() -> None:
    rig = connected(make_settings(power_fresh_s=LONG_S))
    rig.wait(300.0)
    rig.send("p", 0)
    rig.send("m", SUN_W)
    rig.tell(news.Enable(True))
    assert rig.controller.wants_on and not rig.controller.plug.measured
    assert rig.controller.current_a is None
    assert rig.controller.charger_w == DRAW_W  # assumed
    rig.send("p", 900)
    assert rig.controller.plug.measured and rig.controller.charger_w == 900.0


def test_power_from_long_ago_is_not_measured() -> None:
    rig = charging(make_settings(power_fresh_s=90.0))
    rig.send("p", 900)
    rig.wait(89.0)
    assert rig.controller.current_a == pytest.approx(900.0 / (DRAW_W / DRAW_A))
    rig.wait(1.0)
    assert not rig.controller.plug.measured
    assert rig.controller.current_a is None
    assert rig.controller.charger_w == DRAW_W


def test_the_voltage_of_long_ago_does_not_make_the_current() -> None:
    """1200 W at 200 V are 6 A; once the 200 V are old, they are the 5 A of the nominal 240 V."""
    volts = Source("v", None, 1.0, "import-only", 60.0, 500.0)
    rig = charging(make_settings(power_fresh_s=LONG_S)._replace(voltage=volts))
    rig.send("v", 200)
    rig.send("p", 1200)
    assert rig.controller.current_a == pytest.approx(6.0)
    rig.now_s += 59.0
    rig.send("p", 1200)
    assert rig.controller.current_a == pytest.approx(6.0)
    rig.now_s += 1.0
    rig.send("p", 1200)
    assert rig.controller.current_a == pytest.approx(5.0)


# --- the session -----------------------------------------------------------------------------------------------------


def test_on_by_hand_and_then_a_crash_counts_as_on() -> None:
    """Nobody wished it, but it charges: what is kept says so, and the time away counts."""
    rig = connected(make_settings(contact=True))
    rig.obeys = False
    rig.send("c", "on")
    assert rig.controller.plug.may_be_on and not rig.controller.wants_on
    rig.wait(100.0)
    written = rig.controller.kept()
    assert written.on
    again = Rig(make_settings(contact=True), written, now_s=rig.now_s + 600.0).controller.kept()
    assert again.session_s == pytest.approx(700.0, abs=1.0)
    assert again.session_wh == pytest.approx(DRAW_W * 700.0 / 3600, abs=1.0)


@pytest.mark.parametrize("on", [False, True])
def test_a_clock_that_jumps_forward_grants_no_session(on: bool) -> None:
    """Off or on: the wall clock was set, no night has passed. The day after, there is a new one."""
    rig = charging(make_settings())
    rig.wait(3600.0)
    if not on:
        rig.tell(news.Enable(False))
    rig.session_day += 1
    rig.tell(news.ClockJumped())
    rig.wait(60.0)
    assert rig.controller.kept().session_s == pytest.approx(3660.0 if on else 3600.0, abs=1.0)
    rig.tell(news.Enable(False))
    rig.session_day += 1
    rig.wait(1.0)
    assert rig.controller.kept().session_s == 0.0


# --- what is heard ---------------------------------------------------------------------------------------------------


def test_the_connection_for_readings_alone_is_lost() -> None:
    """What the plug said before the gap confirms nothing after it, and the meter was not frozen meanwhile."""
    rig = connected(make_settings(contact=True))
    rig.wait(300.0)
    assert rig.controller.plug.confirmed(False)
    rig.tell(news.CommandsLink(False))
    rig.obeys = False
    rig.wait(5000.0)
    rig.tell(news.CommandsLink(True))
    assert not rig.controller.plug.confirmed(False)
    rig.send("m", SUN_W)
    rig.tell(news.Enable(True))
    rig.wait(1.0)
    assert not rig.controller.wants_on
    rig.send("c", "off")
    assert rig.controller.plug.confirmed(False)
    rig.wait(299.0)
    assert not rig.controller.wants_on  # the pause counts from when it was known to be off
    rig.wait(1.0)
    assert rig.controller.wants_on


def test_a_meter_that_repeats_itself_is_judged_anew_after_a_gap() -> None:
    house = House().charging().run(1000.0)
    house.frozen_w = -1620.3
    house.run(800.0)
    house.controller.tell(news.CommandsLink(False), house.at())
    house.controller.tell(news.CommandsLink(True), house.at())
    house.report()
    house.run(800.0)
    assert house.mode == "charging" and house.codes == []
    house.run(200.0, lambda: house.mode != "charging")
    assert house.codes == ["meter-frozen"]


def test_topics_that_may_be_read_again_are_no_fault() -> None:
    rig = charging(make_settings())
    rig.tell(news.TopicsRefused(True))
    assert rig.faults == ["topics-refused"]
    rig.tell(news.TopicsRefused(False))
    rig.wait(1.0)
    assert rig.faults == []


# --- the meter's sign ------------------------------------------------------------------------------------------------


def steps_after(fresh: bool) -> Steps:
    """A charge ends, and at that moment import rises by the draw: the sign seems wrong, if the reading was good."""
    steps = Steps()
    for at_s in range(0, 100, 5):
        steps.reading(float(at_s), 100.0 + at_s % 3, None, DRAW_W)
    steps.switched(False, 100.0, fresh, None)
    for at_s in range(105, 300, 5):
        steps.reading(float(at_s), 100.0 + DRAW_W + at_s % 3, None, DRAW_W)
    return steps


def test_the_sign_is_not_judged_by_a_meter_that_had_fallen_silent() -> None:
    assert steps_after(fresh=True).contrary == 1
    assert steps_after(fresh=False).contrary == 0


def test_the_controller_says_whether_the_meter_was_fresh_at_a_switching() -> None:
    """The silence itself ends the charge; when the meter is back, everything may have changed."""
    rig = charging(make_settings(fresh_s=30.0, min_on_s=0.0))
    for _ in range(60):
        rig.wait(5.0)
        rig.send("m", SUN_W + rig.now_s % 3)
    contrary = rig.controller.lessons.steps.contrary
    rig.wait_until("locked-out")
    for _ in range(60):
        rig.send("m", SUN_W + DRAW_W + rig.now_s % 3)
        rig.wait(5.0)
    assert rig.controller.lessons.steps.contrary == contrary


def test_who_acknowledges_the_sign_has_proven_nothing() -> None:
    """And who acknowledges something else has not touched it."""
    house = House(meter_sign=-1.0, sun_w=-1500.0)
    house.run(40000.0, lambda: "meter-sign" in house.codes)
    house.controller.lessons.steps.proven = True
    house.controller.tell(news.Acknowledge("over-current"), house.at())
    assert house.controller.lessons.steps.proven and house.controller.lessons.steps.contrary >= 3
    house.controller.tell(news.Acknowledge("meter-sign"), house.at())
    assert not house.controller.lessons.steps.proven and house.controller.lessons.steps.contrary == 0


# --- looking ahead ---------------------------------------------------------------------------------------------------


def test_no_picture_of_the_sky_while_a_switching_has_not_settled() -> None:
    """Meter and plug disagree about it: what the surplus is taken to be does not move."""
    settings = make_settings()
    prices = Prices(*map(Decimal, ("0.3", "0.05", "0.2")))
    rig = charging(settings._replace(rule=settings.rule._replace(way=Way.AHEAD, prices=prices)))
    memory = rig.controller.memory
    rig.wait(5.0)
    rig.send("m", CLOUD_W)
    assert rig.controller.memory == memory
    rig.wait(95.0)
    rig.send("m", CLOUD_W)
    assert rig.controller.memory != memory
