"""The recorder beside a controller, and the historian that takes it to the disk: what happened is what is on record."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sqlite3
import threading
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import structlog

from surpluscharge.clock import ScaledClock
from surpluscharge.config import Config
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Moment
from surpluscharge.control.draw import LEAST_STEPS, DrawWatch, Step
from surpluscharge.control.slots import Slot, restored
from surpluscharge.daemon import historian as historian_module
from surpluscharge.daemon import status
from surpluscharge.daemon.historian import Historian
from surpluscharge.history import energy as energy_module
from surpluscharge.history import recorder as recorder_module
from surpluscharge.history.energy import NOTHING, Energy, Interval, Sample, day_span, ms_of, total
from surpluscharge.history.ledger import ABSENT, LOST, Batch, Charge, FaultChange, Ledger
from surpluscharge.history.recorder import ASSUMED_ERROR_SHARE, Recalled, Recorder
from tests.conftest import config_from
from tests.wire import ENABLE_SET, SHADE_W, SUN_W, Feed, Stage, until

WALL = datetime(2031, 5, 14, 10, tzinfo=ZoneInfo("Europe/Lisbon"))
WALL_S = WALL.timestamp()
DRAW_W = 1380.0
BOOT_S = 5000.0  # the monotonic clock at the start


def house(power: bool = True, **control: float) -> Config:
    return config_from(
        charger={"current_a": 6.0},
        meter={"topic": "grid", "fresh_s": 30.0},
        relay={"power": {"topic": "power", "fresh_s": 60.0}} if power else {},
        control={"start_delay_s": 10.0, "stop_delay_s": 10.0, "min_on_s": 120.0, "min_off_s": 60.0, **control},
    )


class Rig:
    """A controller in a house, a recorder, and what is taken to a ledger by hand."""

    def __init__(self, config: Config | None = None, car_w: float = DRAW_W, resolution_ms: int = 10_000) -> None:
        self.config = config or house()
        self.car_w, self.sun_w, self.silent = car_w, 2500.0, False
        self.now_s, self.wall_s = BOOT_S, WALL_S
        self.controller = Controller(self.config.settings(), self.at())
        self.recorder = Recorder(DrawWatch(self.config.limits.draw_w), resolution_ms)
        self.by_hand_ws = [0.0, 0.0]  # charger, grid share: summed up here second by second
        for happened in (news.CommandsLink(True), news.RelayLink(True), news.Enable(True)):
            self.controller.tell(happened, self.at())
            self.observe()

    def at(self) -> Moment:
        return Moment(self.now_s, 0, 0)

    def observe(self) -> None:
        self.recorder.observe(self.controller, self.controller.take_events(), round(self.wall_s * 1000))
        learned = self.recorder.draw.learned
        self.controller.tell(news.Learn(learned.draw_w if learned else None), self.at())

    def run(self, seconds: int, every_s: int = 5) -> Rig:
        for _ in range(seconds):
            controller = self.controller
            if int(self.now_s) % every_s == 0 and not self.silent:
                charger_w = self.car_w if controller.wants_on else 0.0
                if self.config.relay.power:
                    controller.tell(news.Message("power", f"{charger_w}".encode(), False), self.at())
                    self.observe()
                jitter_w = self.now_s // every_s % 3  # a value that never moves would be taken for a frozen meter
                controller.tell(news.Message("grid", f"{charger_w - self.sun_w + jitter_w}".encode(), False), self.at())
                self.observe()
            if controller.plug.acknowledged is not controller.wants_on:
                controller.tell(news.Sending(controller.wants_on), self.at())
                controller.tell(news.Taken(controller.wants_on), self.at())
                self.observe()
            inputs = controller.inputs
            if self.now_s < inputs.fresh_until_s:
                lasts_s = min(1.0, inputs.fresh_until_s - self.now_s)
                self.by_hand_ws[0] += inputs.charger_w * lasts_s
                self.by_hand_ws[1] += min(inputs.charger_w, max(0.0, inputs.grid_w)) * lasts_s
            self.now_s += 1.0
            self.wall_s += 1.0
            controller.tell(news.Tick(), self.at())
            self.observe()
        return self


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "history.sqlite") as opened:
        yield opened


def everything(ledger: Ledger) -> Energy:
    return ledger.energy(0, 1 << 60)


# --- what is recorded ------------------------------------------------------------------------------------------------


def test_a_charge_is_recorded_as_it_happened(ledger: Ledger) -> None:
    rig = Rig().run(600)
    rig.sun_w = 900.0
    rig.run(600)
    batch = rig.recorder.take()
    assert rig.recorder.take() == Batch([], [], [], [], [], shown=[], looks=[])
    assert ledger.write(batch) == 0
    (charge,) = ledger.charges(0, 1 << 60)
    assert charge.cause == "import-held"
    assert charge.end_ms is not None
    assert ledger.energy(charge.begin_ms, charge.end_ms) == charge.energy  # intervals are cut where it switches
    energy = everything(ledger)
    assert energy.charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)
    assert energy.bought_mws == pytest.approx(rig.by_hand_ws[1] * 1000, rel=1e-9)
    assert energy.solar_mws == pytest.approx(rig.controller.today.charger_wh * 3.6e6 - energy.bought_mws, rel=1e-6)
    path = [span.state for span in ledger.states(0, 1 << 60)]
    assert path == ["arming", "charging", "disarming", "idle"]  # idle at the start for no time at all
    lengths = [one.end_ms - one.begin_ms for one in ledger.intervals(0, 1 << 60)]
    assert max(lengths) == 10_000


def test_what_a_plan_had_it_buy_is_a_share_of_its_own(ledger: Ledger) -> None:
    """First the sun alone, then by plan, partly from the sun: what is bought then is planned, and none of it lost."""
    config = config_from(
        charger={"current_a": 6.0},
        meter={"topic": "grid", "fresh_s": 30.0},
        relay={"power": {"topic": "power", "fresh_s": 60.0}},
        control={"start_delay_s": 10.0, "stop_delay_s": 10.0, "min_on_s": 120.0, "min_off_s": 60.0},
        planned={"allow": True},
    )
    rig = Rig(config)
    rig.sun_w = 1200.0  # 180 W less than the draw, which is no reason to stop
    rig.run(100)
    rig.sun_w = 2500.0
    rig.run(500)
    rig.sun_w = 1200.0
    rig.run(300)
    by_hand = rig.by_hand_ws[1]
    rig.controller.tell(news.Planned(((rig.now_s, rig.now_s + 900.0),)), rig.at())
    rig.sun_w = 400.0
    rig.run(700)
    rig.run(600)
    batch = rig.recorder.take()
    ledger.write(batch)
    energy = everything(ledger)
    assert energy.bought_mws == pytest.approx(by_hand * 1000, rel=0.02) and by_hand > 0
    assert energy.planned_mws == pytest.approx((rig.by_hand_ws[1] - by_hand) * 1000, rel=0.02)
    assert energy.planned_mws == pytest.approx(900.0 * 980.0 * 1000, rel=0.02)
    assert energy.charger_mws == energy.solar_mws + energy.bought_mws + energy.planned_mws
    assert energy.grid_mws == pytest.approx(rig.by_hand_ws[1] * 1000, rel=1e-9)
    (charge,) = ledger.charges(0, 1 << 60)
    assert charge.energy.planned_mws == energy.planned_mws


def test_what_is_published_ahead_waits_for_the_disk_like_all_else(ledger: Ledger) -> None:
    rig, book = Rig(), (Slot(1_936_000_800, 1_936_004_400, 41.5), Slot(1_936_004_400, 1_936_008_000, -2.0))
    rig.recorder.published("prices", book[:1])
    rig.recorder.foretold("2031-05-15", 300.0)
    batch = rig.recorder.take()
    rig.recorder.published("prices", book)  # while that could not be written
    rig.recorder.put_back(batch)
    for _ in range(2):
        ledger.write(rig.recorder.take())
        assert restored(ledger.ahead()["prices"], 100.0) == book
        assert ledger.foretold() == {date(2031, 5, 15): 300.0}
    rig.recorder.in_force(book, round(WALL_S * 1000))
    batch = rig.recorder.take()
    rig.recorder.in_force(book[:1], round(WALL_S * 1000) + 5)
    rig.recorder.put_back(batch)
    again = rig.recorder.take().prices
    assert again == ((round(WALL_S), book), (round(WALL_S) + 1, book[:1]))  # in order, from whole seconds on
    unset = Recorder(DrawWatch(DRAW_W), 10_000)
    unset.in_force(book, 5)  # a clock that is not set yet says nothing
    assert unset.take().prices == ()
    rig.recorder.published("prices", book[1:])
    ledger.write(rig.recorder.take())
    assert restored(ledger.ahead()["prices"], 100.0) == book[1:]


def test_charges_between_clouds_are_one_session(ledger: Ledger) -> None:
    rig = Rig()
    for sun_w in (2500.0, 300.0, 2500.0, 300.0):
        rig.sun_w = sun_w
        rig.run(500)
    ledger.write(rig.recorder.take())
    (session,) = ledger.sessions(0, 1 << 60)
    assert len(session.charges) == 2
    assert session.energy.charger_wh == pytest.approx(rig.controller.state.session_wh, rel=1e-9)


def test_charges_are_one_session_also_where_the_ledger_did_not_see_its_begin(ledger: Ledger) -> None:
    """A session began before the ledger did, which was lost: what is left of it is one session all the same."""
    rig = Rig().run(200)
    rig.sun_w = 300.0
    rig.run(300)
    assert rig.controller.state.session_s > 0
    rig.recorder = Recorder(DrawWatch(DRAW_W), 10_000)
    for sun_w in (2500.0, 300.0, 2500.0, 300.0):
        rig.sun_w = sun_w
        rig.run(500)
    ledger.write(rig.recorder.take())
    (session,) = ledger.sessions(0, 1 << 60)
    assert len(session.charges) == 2


def test_another_ledger_is_told_of_the_whole_charge_that_goes_on(ledger: Ledger) -> None:
    """The first ledger is set aside in the middle of a charge: the charge began when it began."""
    rig = Rig().run(300)
    (charge,) = rig.recorder.take().charges
    rig.recorder.recall(Recalled(0, None, (), ()), afresh=True)
    rig.run(100)
    rig.sun_w = 300.0
    rig.run(300)
    ledger.write(rig.recorder.take())
    (told,) = ledger.charges(0, 1 << 60)
    assert (told.begin_ms, told.session_ms, told.cause) == (charge.begin_ms, charge.session_ms, "import-held")
    assert told.energy.charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)


def test_a_charge_is_written_without_waiting() -> None:
    """As it is commanded, whether or not that is confirmed: a crash soon after does not unsay it."""
    rig = Rig().run(2)
    rig.recorder.take()
    while not rig.recorder.urgent:
        rig.run(1)
    assert rig.controller.wants_on and not rig.controller.plug.confirmed(True)
    assert [one.end_ms for one in rig.recorder.take().charges] == [None]
    assert not rig.recorder.urgent
    rig.sun_w = 900.0
    while not rig.recorder.urgent:
        rig.run(1)
    assert not rig.controller.wants_on
    assert [one.cause for one in rig.recorder.take().charges] == ["import-held"]


def test_a_silent_meter_leaves_a_gap(ledger: Ledger) -> None:
    rig = Rig().run(300)
    rig.silent = True
    rig.run(600)
    rig.silent = False
    rig.run(300)
    ledger.write(rig.recorder.take())
    ((begin_ms, end_ms),) = ledger.gaps(1000)
    assert end_ms - begin_ms == pytest.approx(570_000, abs=5000)  # the last reading counts for its 30 s
    assert "meter-silent" in [span.code for span in ledger.faults(0, 1 << 60)]
    assert everything(ledger).charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)


def test_what_could_not_be_written_is_written_later(ledger: Ledger) -> None:
    rig, other = Rig(), Rig()
    for sun_w in (2500.0, 900.0, 2500.0, 900.0):
        for one in (rig, other):
            one.sun_w = sun_w
            one.run(400)
        rig.recorder.put_back(rig.recorder.take())
    batch, at_once = rig.recorder.take(), other.recorder.take()
    assert total(one.energy for one in batch.intervals) == total(one.energy for one in at_once.intervals)
    assert batch._replace(intervals=[]) == at_once._replace(intervals=[])
    ledger.write(batch)
    for charge in ledger.charges(0, 1 << 60):
        assert charge.end_ms is None or ledger.energy(charge.begin_ms, charge.end_ms) == charge.energy


def test_days_without_a_disk_fit_into_memory(monkeypatch: pytest.MonkeyPatch, ledger: Ledger) -> None:
    monkeypatch.setattr(recorder_module, "MOST_PENDING", 100)
    rig = Rig()
    for sun_w in (2500.0, 900.0) * 6:
        rig.sun_w = sun_w
        rig.run(400)
    batch = rig.recorder.take()
    assert len(batch.intervals) <= 150
    ledger.write(batch)
    assert everything(ledger).charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)
    for charge in ledger.charges(0, 1 << 60):
        if charge.end_ms is not None:
            assert ledger.energy(charge.begin_ms, charge.end_ms) == charge.energy


def test_where_no_ledger_can_be_opened_memory_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody ever takes anything: states, faults and the rest are kept up to a limit, and what goes is counted."""
    monkeypatch.setattr(recorder_module, "MOST_PENDING", 12)
    monkeypatch.setattr(recorder_module, "MOST_TURNS", 4)
    rig = Rig(house(starts_per_hour=60, starts_per_day=96))
    for number in range(20):
        rig.controller.tell(news.Enable(number % 2 == 1), rig.at())
        rig.observe()
        rig.run(250)
    recorder = rig.recorder
    assert len(recorder._turns_ms) <= 8
    assert recorder.forgotten > 20
    batch = recorder.take()
    assert max(len(listed) for listed in batch if listed is not None) <= 12
    recorder.put_back(batch)
    assert recorder.take() == batch


# --- the draw --------------------------------------------------------------------------------------------------------


def test_without_a_meter_the_draw_is_assumed_then_learned(ledger: Ledger) -> None:
    """The lead draws 8 % more than configured: the energy is wrong by that, with its error bar, until it is learned."""
    rig = Rig(house(power=False, starts_per_hour=60, starts_per_day=96), car_w=1.08 * DRAW_W)
    rig.run(200)
    ledger.write(rig.recorder.take())
    energy = everything(ledger)
    assert energy.error_mws == pytest.approx(ASSUMED_ERROR_SHARE * energy.charger_mws, rel=1e-6)
    assert rig.controller.lessons.learned_w is None
    level = rig.controller._thermal_a()
    for on in (False, True) * LEAST_STEPS:
        rig.controller.tell(news.Enable(on), rig.at())
        rig.observe()
        rig.run(300)
    assert rig.controller.lessons.learned_w == pytest.approx(1.08 * DRAW_W, rel=1e-3)
    ledger.write(rig.recorder.take())
    before = everything(ledger)
    rig.run(100)
    ledger.write(rig.recorder.take())
    later = [after - sooner for after, sooner in zip(everything(ledger), before, strict=True)]
    learned = Energy(*later)
    assert learned.charger_wh == pytest.approx(1.08 * DRAW_W * 100 / 3600, rel=1e-3)
    assert learned.error_mws == pytest.approx(0.01 * learned.charger_mws, rel=1e-3)
    assert rig.controller._thermal_a() == pytest.approx(1.08 * level)  # the socket is warmed by the larger of the two
    # What is off is off without any error.
    rig.controller.tell(news.Enable(False), rig.at())
    rig.observe()
    ledger.write(rig.recorder.take())
    before = everything(ledger)
    rig.run(100)
    ledger.write(rig.recorder.take())
    off = everything(ledger)
    assert (off.known_ms - before.known_ms, off.error_mws - before.error_mws) == (100_000, 0)
    # And it is known after a restart.
    assert DrawWatch(DRAW_W, ledger.steps(99)).learned == rig.recorder.draw.learned


def test_a_small_learned_draw_does_not_cool_the_image() -> None:
    rig = Rig(house(power=False)).run(200)
    rig.controller.tell(news.Learn(0.8 * DRAW_W), rig.at())
    assert rig.controller._thermal_a() == rig.controller.settings.draw_a


# --- clocks ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("jump_s", [-7200.0, -5.0, 5.0, 7200.0, -30 * 86400.0, 30 * 86400.0])
def test_a_clock_that_jumps_while_charging_loses_and_doubles_nothing(ledger: Ledger, jump_s: float) -> None:
    rig = Rig().run(300)
    rig.wall_s += jump_s
    rig.run(300)
    rig.wall_s -= jump_s
    rig.sun_w = 300.0
    rig.run(300)
    assert ledger.write(rig.recorder.take()) == 0
    assert everything(ledger).charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)
    assert ledger.check(round((rig.wall_s + 40 * 86400) * 1000), None) == []


def test_a_clock_that_is_not_set_yet_says_nothing(ledger: Ledger) -> None:
    """After a power cut a small computer may wake in 1970: the record goes on where it ended until time is known."""
    rig = Rig()
    true_s, rig.wall_s = rig.wall_s + 7200.0, 100.0
    rig.recorder = Recorder(DrawWatch(DRAW_W), 10_000)
    rig.recorder.recall(Recalled(round(WALL_S * 1000), None, (), ()))
    rig.by_hand_ws = [0.0, 0.0]
    rig.run(300)
    rig.wall_s += true_s
    rig.run(300)
    assert ledger.write(rig.recorder.take()) == 0
    bounds = ledger.bounds()
    assert bounds is not None
    assert bounds[0] >= WALL_S * 1000
    assert everything(ledger).charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)


def test_without_a_record_nothing_is_recorded_until_the_clock_is_set(ledger: Ledger) -> None:
    """A first start in 1970, while the sun shines: the charge is on record from when its time is known."""
    rig = Rig()
    rig.wall_s = 100.0
    rig.recorder = Recorder(DrawWatch(DRAW_W), 10_000)
    rig.run(300)
    assert rig.recorder.take() == Batch([], [], [], [], [], shown=[], looks=[])
    rig.controller.tell(news.CommandsLink(False), rig.at())
    rig.controller.tell(news.CommandsLink(True), rig.at())
    assert rig.controller.wants_on
    rig.wall_s = WALL_S
    rig.by_hand_ws = [0.0, 0.0]
    rig.observe()
    rig.run(300)
    rig.sun_w = 300.0
    rig.run(300)
    ledger.write(rig.recorder.take())
    assert (ledger.bounds() or (0, 0))[0] >= WALL_S * 1000
    (charge,) = ledger.charges(-(1 << 60), 1 << 60)
    assert (charge.begin_ms, charge.session_ms, charge.cause) == (WALL_S * 1000, WALL_S * 1000, "import-held")
    assert charge.energy.charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)
    assert ledger.states(0, 1 << 60)[0].cause == "started"


def test_the_first_moment_that_a_clock_may_show_is_on_record() -> None:
    rig = Rig()
    for early_ms, states in ((1, []), (0, ["started"])):
        recorder = Recorder(DrawWatch(DRAW_W), 10_000)
        recorder.observe(rig.controller, [], recorder_module.EARLIEST_MS - early_ms)
        assert [state.cause for state in recorder.take().states] == states


def test_a_charge_in_which_a_clock_far_ahead_is_put_right_does_not_end_before_it_begins(ledger: Ledger) -> None:
    rig = Rig()
    rig.wall_s += 3 * 86400.0
    rig.run(300)
    rig.wall_s -= 3 * 86400.0
    rig.run(300)
    rig.sun_w = 300.0
    rig.run(300)
    ledger.write(rig.recorder.take())
    (charge,) = ledger.charges(-(1 << 60), 1 << 60)
    assert charge.end_ms is not None
    assert 200_000 < charge.end_ms - charge.begin_ms <= 301_000
    assert charge.energy.charger_mws == pytest.approx(rig.by_hand_ws[0] * 1000, rel=1e-9)
    assert ledger.check(round((rig.wall_s + 40 * 86400) * 1000), None) == []


def test_while_nothing_is_drawn_the_ledger_waits_for_a_clock_that_was_put_back(ledger: Ledger) -> None:
    rig = Rig()
    rig.sun_w = 0.0
    rig.run(600)
    rig.wall_s -= 300.0
    rig.run(600)
    ledger.write(rig.recorder.take())
    first_ms, last_ms = ledger.bounds() or (0, 0)
    assert last_ms == pytest.approx(rig.wall_s * 1000, abs=6000)
    assert everything(ledger).known_ms == pytest.approx(last_ms - first_ms, abs=6000)


def test_a_restart_goes_on_where_the_record_ends(ledger: Ledger) -> None:
    rig = Rig().run(600)
    ledger.write(rig.recorder.take())
    rig.recorder.stop(rig.controller, round(rig.wall_s * 1000))
    ledger.write(rig.recorder.take())
    last = ledger.last_charge()
    assert last is not None
    assert last.cause == "stopping"
    assert ledger.states(last.end_ms or 0, 1 << 60)[-1].state == ABSENT
    bounds = ledger.bounds()
    assert bounds is not None
    again = Rig()
    again.wall_s = rig.wall_s - 120.0  # and the clock was put back by two minutes meanwhile
    again.recorder = Recorder(DrawWatch(DRAW_W), 10_000)
    again.recorder.recall(Recalled(bounds[1], last.session_ms, ["draw-low", "clock-jump"], ()))
    again.by_hand_ws = [0.0, 0.0]
    again.run(400)
    before = everything(ledger)
    assert ledger.write(again.recorder.take()) == 0
    assert everything(ledger).charger_mws - before.charger_mws == pytest.approx(again.by_hand_ws[0] * 1000, rel=1e-9)
    assert {change.code for change in again.recorder._faults} == set()
    assert ledger.open_faults() == []  # what the old record held open, and is over, is closed


# --- the historian ---------------------------------------------------------------------------------------------------


class World:
    """A historian with a disk that can fail, and a controller of its own; ``held`` is what the recorder has held."""

    def __init__(self, folder: Path, speed: float = 600.0, left_min: int = 10, **history: Any) -> None:
        self.held: list[Interval] = []
        self.config = config_from(
            store={"directory": str(folder)},
            history={"batch_s": 60.0, **history},
            money={"currency": "EUR", "tariff": [{"import_price": 0.27, "export_price": 0.08}]},
        )
        start = datetime(2031, 5, 15, tzinfo=ZoneInfo("Europe/Lisbon")) - timedelta(minutes=left_min)
        self.clock = ScaledClock(start, speed)
        self.events: list[dict[str, Any]] = []
        self.failing: list[bool] = []
        self.shown = 0
        log = structlog.wrap_logger(None, processors=[self._keep], wrapper_class=structlog.BoundLogger)
        self.historian = Historian(lambda: self.config, lambda: self.clock, log, self.failing.append, self._show)
        self.controller = Controller(self.config.settings(), self.at())

    def _keep(self, _logger: Any, level: str, event: Any) -> Any:
        self.events.append(dict(event, level=level))
        raise structlog.DropEvent

    def _show(self) -> None:
        self.shown += 1

    def at(self) -> Moment:
        return Moment(self.clock.now(), 0, self.clock.wall().date().toordinal())

    def named(self, name: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["event"] == name]

    @contextlib.asynccontextmanager
    async def living(self) -> Any:
        async def live() -> None:
            while True:
                self.controller.tell(news.Message("house/grid", b"-500", False), self.at())
                self.historian.observe(self.controller, self.controller.take_events())
                self.controller.tell(news.Learn(self.historian.learned_w), self.at())
                await asyncio.sleep(0.005)

        def held(sample: Sample, until_ms: int) -> Interval:
            self.held.append(energy_module.held(sample, until_ms))
            return self.held[-1]

        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(recorder_module, "held", held)
            tasks = [asyncio.create_task(live()), asyncio.create_task(self.historian.run())]
            try:
                yield
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.wait(tasks)
                self.historian.close(self.controller)


async def test_readings_reach_the_disk_in_batches_and_the_day_is_summed_up(tmp_path: Path) -> None:
    world = World(tmp_path, left_min=40)  # a few seconds: a busy machine that stands still for one misses no day
    world.historian.open()
    async with world.living():
        await until(lambda: world.named("day_summary"), "the summary of the day")
    (summary,) = world.named("day_summary")
    assert summary["day"] == "2031-05-14"
    assert 0 < summary["surplus_wh"] <= 500 * 40 / 60 + 1  # forty minutes were left of it
    assert (summary["paid"], summary["currency"]) == ("0.00", "EUR")
    assert world.failing == []
    assert world.shown > 1
    with Ledger(world.config.history_file, read_only=True) as ledger:
        begin, end = day_span(date(2031, 5, 14), world.clock.wall().tzinfo)
        assert ledger.energy(ms_of(begin), ms_of(end)).export_wh == pytest.approx(summary["surplus_wh"], abs=1)
        assert ledger.states(0, 1 << 60)[-1].state == ABSENT  # it ended in good order
    figures = world.historian.figures
    assert figures is not None
    document = status.build(world.controller, world.config, world.at(), world.clock, figures)
    assert document.ledger is not None
    assert document.ledger.month.surplus_wh >= document.ledger.yesterday.surplus_wh > 0
    assert json.loads(document.model_dump_json())["ledger"]["currency"] == "EUR"


def test_figures_are_of_today_yesterday_and_the_month_so_far(ledger: Ledger) -> None:
    """A watt-hour on the last of April, 2 on the 1st of May, 4, 8, 16 and 32 on the days before and after today."""
    zone = WALL.tzinfo
    for number, (month, day) in enumerate(((4, 30), (5, 1), (5, 12), (5, 13), (5, 14), (5, 15))):
        at_ms = ms_of(datetime(2031, month, day, 12, tzinfo=zone))
        charge = Charge(at_ms, at_ms, at_ms + 1000, "import-held", NOTHING)
        ledger.write(Batch([Interval(at_ms, at_ms + 1000, Energy(1000, solar_mws=3_600_000 << number))], [charge]))
    found = historian_module.figures(ledger, date(2031, 5, 14), zone, 5, None, ledger.wear(230.0))
    assert [one.energy.charger_wh for one in (found.today, found.yesterday, found.month)] == [16.0, 8.0, 30.0]
    assert (found.starts, found.as_of_ms) == ((1, 1, 4), 5)


async def test_a_failing_disk_is_said_once_and_nothing_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(tmp_path)
    world.historian.open()
    real, refused = Ledger.write, threading.Event()

    def write(self: Ledger, batch: Batch) -> int:
        if refused.is_set():
            raise sqlite3.OperationalError("database or disk is full")
        return real(self, batch)

    monkeypatch.setattr(Ledger, "write", write)
    async with world.living():
        await until(lambda: world.shown > 1, "a batch")
        refused.set()
        await until(lambda: world.failing == [True], "the failure")
        seen = world.shown
        await until(lambda: world.shown > seen + 1, "more tries")
        refused.clear()
        await until(lambda: world.failing == [True, False], "the end of it")
    assert [event["reason"] for event in world.named("history_failed")] == ["database or disk is full"]
    assert len(world.named("history_mended")) == 1
    with Ledger(world.config.history_file, read_only=True) as ledger:
        assert everything(ledger) == total(one.energy for one in world.held)


async def test_a_batch_under_way_at_the_end_is_not_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon ends while a write hangs, and that write then fails: the batch is written once more."""
    world = World(tmp_path)
    world.historian.open()
    real, hang, inside = Ledger.write, threading.Event(), threading.Event()

    def write(self: Ledger, batch: Batch) -> int:
        if inside.is_set():
            return real(self, batch)
        inside.set()
        hang.wait(10)
        raise sqlite3.OperationalError("disk I/O error")

    async with world.living():
        await until(lambda: world.controller.grid.at_s is not None, "a reading")
        monkeypatch.setattr(Ledger, "write", write)
        await until(inside.is_set, "a write that hangs")
        threading.Timer(0.2, hang.set).start()
    with Ledger(world.config.history_file, read_only=True) as ledger:
        assert everything(ledger) == total(one.energy for one in world.held)
        assert world.held[0].energy.export_mws > 0


async def test_a_slow_disk_holds_nothing_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a write hangs, the loop turns on: that is all that switching off needs."""
    world = World(tmp_path)
    world.historian.open()
    hang, inside = threading.Event(), threading.Event()

    def write(_self: Ledger, _batch: Batch) -> int:
        inside.set()
        hang.wait(10)
        return 0

    async with world.living():
        with monkeypatch.context() as patched:
            patched.setattr(Ledger, "write", write)
            await until(inside.is_set, "a write that hangs")
            turns = world.controller.grid.at_s
            await until(lambda: (world.controller.grid.at_s or 0) > (turns or 0) + 100, "the loop to turn on")
            assert not hang.is_set()
            hang.set()


async def test_a_damaged_ledger_is_set_aside_and_a_later_one_is_left_alone(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.config.history_file.write_text("ruined " * 1000, encoding="utf-8")
    world.historian.open()
    (told,) = world.named("history_unusable")
    with open(told["kept_as"], encoding="utf-8") as aside:  # noqa: ASYNC230, PTH123
        assert aside.read().startswith("ruined")
    async with world.living():
        await until(lambda: world.shown > 1, "a batch in the new one")

    with sqlite3.connect(world.config.history_file) as db:
        db.execute("PRAGMA user_version = 99")
    later = World(tmp_path)
    later.historian.open()
    assert later.failing == [True]
    assert "later version" in later.named("history_failed")[0]["reason"]
    assert later.named("history_unusable") == []


async def test_a_ledger_that_cannot_be_opened_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(tmp_path)
    with monkeypatch.context() as patched:
        patched.setattr(Ledger, "_set_up", lambda *_: (_ for _ in ()).throw(sqlite3.OperationalError("disk I/O error")))
        world.historian.open()
        assert world.failing == [True]
    async with world.living():
        await until(lambda: world.failing == [True, False], "the ledger")
        await until(lambda: world.shown > 1, "a batch")
    with Ledger(world.config.history_file, read_only=True) as ledger:
        assert everything(ledger).export_mws > 0


def ruin(path: Path, table: str) -> None:
    """Overwrite the page on which a table begins, as a worn flash card may."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xff" * 4096)


@pytest.mark.parametrize(
    "how",
    [
        "step",
        "fault",
        "charge",
        "interval",
        "state",
        "UPDATE step SET step_w = 'much'",
        "UPDATE interval SET end_ms = 'zz'",
        "INSERT INTO charge (begin_ms, session_ms) VALUES (5, 'zz')",
    ],
)
async def test_a_ruined_page_or_value_does_not_keep_the_daemon_from_starting(tmp_path: Path, how: str) -> None:
    world = World(tmp_path)
    path, now_ms = world.config.history_file, ms_of(world.clock.wall())
    with Ledger(path) as ledger:
        ledger.write(
            Batch(
                [Interval(now_ms - 9000, now_ms - 8000, Energy(1000))],
                steps=[(now_ms, Step(1380.0, 12.0))],
                faults=[FaultChange(now_ms, "meter-silent", "raised")],
            )
        )
    if " " in how:
        with contextlib.closing(sqlite3.connect(path)) as db, db:
            db.execute(how)
    else:
        ruin(path, how)
    world.historian.open()
    (told,) = world.named("history_unusable")
    async with world.living():
        await until(lambda: world.shown > 1, "a batch in the new one")
    assert world.failing == []
    assert Path(told["kept_as"]).stat().st_size > 4096  # noqa: ASYNC240
    with Ledger(path, read_only=True) as ledger:
        assert everything(ledger) == total(one.energy for one in world.held)


async def test_a_ledger_that_is_ruined_while_in_use_is_set_aside(tmp_path: Path) -> None:
    """Text where a time belongs, ten seconds ago: what cannot be added to it goes into a new one, and nothing ends."""
    world = World(tmp_path)
    path = world.config.history_file
    world.historian.open()
    async with world.living():
        await until(lambda: world.shown > 1, "a batch")
        with contextlib.closing(sqlite3.connect(path)) as db, db:
            db.execute("UPDATE interval SET end_ms = 'zz'")
        await until(lambda: world.named("history_unusable"), "that it is set aside")
        seen = world.shown
        await until(lambda: world.shown > seen + 1, "a batch in the new one")
    # It was closed before it was moved: later, that would take the new one's log away.
    assert world.named("history_moved") == []
    assert [name for name in os.listdir(tmp_path) if ".unusable-" in name and name.endswith("-wal")] == []  # noqa: PTH208
    with Ledger(path, read_only=True) as ledger:
        assert everything(ledger).export_mws > 0
        assert [span.cause for span in ledger.states(0, 1 << 60)] == ["started", "stopping"]  # the new one knows


async def test_ledgers_that_are_ruined_again_at_once_do_not_fill_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = World(tmp_path)

    def write(_self: Ledger, _batch: Batch) -> int:
        raise sqlite3.DatabaseError("database disk image is malformed")

    monkeypatch.setattr(Ledger, "write", write)
    world.historian.open()
    async with world.living():
        await until(lambda: world.failing == [True], "that it fails")
        seen = world.shown
        await until(lambda: world.shown > seen, "another try")
    aside = [name for name in os.listdir(tmp_path) if ".unusable-" in name]  # noqa: PTH208
    assert len({name.removesuffix("-wal").removesuffix("-shm") for name in aside}) == 1
    assert len(world.named("history_unusable")) == 1


class Still:
    """A clock that stands where it is put."""

    origin = "still"

    def __init__(self, start: datetime) -> None:
        self.start, self.now_s = start, 1000.0

    def now(self) -> float:
        return self.now_s

    def wall(self) -> datetime:
        return self.start + timedelta(seconds=self.now_s - 1000.0)


def test_a_day_later_a_ruined_ledger_is_set_aside_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = []

    def ruined(*_: object) -> None:
        opened.append(world.clock.now())
        raise sqlite3.DatabaseError("database disk image is malformed")

    world = World(tmp_path)
    clock = Still(WALL)
    world.clock = clock  # type: ignore[assignment]
    monkeypatch.setattr(Ledger, "_set_up", ruined)
    for later_s, times in ((0.0, 1), (10.0, 1), (86399.0, 1), (86400.0, 2), (86400.0 + 86399.0, 2)):
        clock.now_s = 1000.0 + later_s
        world.historian.open()
        assert len(world.named("history_unusable")) == times
    assert opened == [1000.0, 1000.0, 1010.0, 87399.0, 87400.0, 87400.0, 173799.0]  # twice where it was set aside
    assert world.failing == [True]


def test_the_batch_after_midnight_is_written_at_once(tmp_path: Path) -> None:
    """So that the day is summed up then. On 26 October 2031 Lisbon's clocks go back: its midnight is no nearer."""
    world = World(tmp_path)
    clock = Still(datetime(2031, 10, 26, 0, 30, tzinfo=WALL.tzinfo))
    world.clock = clock  # type: ignore[assignment]
    assert world.historian._until_next_s() == 60.0
    clock.start = datetime(2031, 10, 26, 23, 59, 30, tzinfo=WALL.tzinfo)
    assert world.historian._until_next_s() == 31.0


async def test_an_error_that_nobody_foresaw_does_not_end_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = World(tmp_path)
    world.historian.open()

    def fail(*_: object) -> None:
        raise ZeroDivisionError("nobody foresaw this")

    async with world.living():
        await until(lambda: world.shown > 1, "a batch")
        with monkeypatch.context() as patched:
            patched.setattr(Recorder, "take", fail)
            await until(lambda: world.failing == [True], "that it fails")
        await until(lambda: world.failing == [True, False], "that it goes on")
        with monkeypatch.context() as patched:
            patched.setattr(Recorder, "observe", fail)
            world.historian.observe(world.controller, [])
    (told, *_) = world.named("history_failed")
    assert told["reason"].startswith("ZeroDivisionError: nobody foresaw this (test_recorder.py, line ")


def locked() -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("database is locked")
    error.sqlite_errorcode = sqlite3.SQLITE_BUSY
    return error


async def test_the_last_batches_wait_for_whoever_holds_the_ledger(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The daemon ends while a batch is under way and an import holds the ledger: both batches are written after it."""
    world = World(tmp_path)
    world.historian.open()
    real, hang, inside, refusals = Ledger.write, threading.Event(), threading.Event(), [1]

    def write(self: Ledger, batch: Batch) -> int:
        if not inside.is_set():
            inside.set()
            hang.wait(10)
            raise locked()
        if refusals and refusals.pop():
            raise locked()
        return real(self, batch)

    async with world.living():
        await until(lambda: world.controller.grid.at_s is not None, "a reading")
        monkeypatch.setattr(Ledger, "write", write)
        await until(inside.is_set, "a write that waits")
        threading.Timer(0.2, hang.set).start()
    with Ledger(world.config.history_file, read_only=True) as ledger:
        assert everything(ledger) == total(one.energy for one in world.held)
        assert world.held[0].energy.export_mws > 0


@pytest.mark.parametrize(
    ("errors", "tries", "said"),
    [
        ("L", 2, None),
        ("LL", 2, "database is locked"),
        ("D", 1, "disk I/O error"),
        ("LD", 2, "disk I/O error"),
    ],
)
def test_the_last_batch_is_for_a_ledger_that_could_not_be_opened_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, errors: str, tries: int, said: str | None
) -> None:
    """It is opened at the end; waited for is only one that somebody else holds."""
    world, real = World(tmp_path), Ledger._set_up
    left, tried = ["D", *errors], []

    def set_up(*arguments: Any) -> Any:
        tried.append(len(left))
        if left:
            raise locked() if left.pop(0) == "L" else sqlite3.OperationalError("disk I/O error")
        return real(*arguments)

    monkeypatch.setattr(Ledger, "_set_up", set_up)
    world.historian.open()
    world.historian.observe(world.controller, [])
    told = len(world.named("history_failed"))
    world.historian.close(world.controller)
    assert len(tried) == 1 + tries
    assert [event["reason"] for event in world.named("history_failed")[told:]] == ([said] if said else [])
    if said is None:
        with Ledger(world.config.history_file, read_only=True) as ledger:
            assert ledger.states(0, 1 << 60)[-1].cause == "stopping"


async def test_an_import_that_takes_a_while_is_no_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(tmp_path)
    world.historian.open()
    real, held_back = Ledger.write, threading.Event()

    def write(self: Ledger, batch: Batch) -> int:
        if held_back.is_set():
            raise locked()
        return real(self, batch)

    monkeypatch.setattr(Ledger, "write", write)
    monkeypatch.setattr(historian_module, "LOCKED_S", 1e9)
    async with world.living():
        held_back.set()
        seen = world.shown
        await until(lambda: world.shown > seen + 1, "two tries")
        assert world.failing == []
        monkeypatch.setattr(historian_module, "LOCKED_S", 1.0)
        await until(lambda: world.failing == [True], "that it lasts too long")
        held_back.clear()
        await until(lambda: world.failing == [True, False], "the end of it")
    with Ledger(world.config.history_file, read_only=True) as ledger:
        assert everything(ledger) == total(one.energy for one in world.held)


async def test_a_ledger_that_opens_late_is_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The learned draw, and faults that are over meanwhile: as if it had been there at the start."""
    world = World(tmp_path)
    draw_w = world.config.limits.draw_w
    with Ledger(world.config.history_file) as ledger:
        ledger.write(
            Batch(
                steps=[(at_ms, Step(1.02 * draw_w, 5.0)) for at_ms in range(1, 20)],
                faults=[FaultChange(5, "meter-sign", "raised")],
            )
        )
    with monkeypatch.context() as patched:
        patched.setattr(Ledger, "_set_up", lambda *_: (_ for _ in ()).throw(sqlite3.OperationalError("disk I/O error")))
        world.historian.open()
    assert world.historian._recorder.draw.learned is None
    async with world.living():
        await until(lambda: world.shown > 1, "a batch")
    assert world.controller.lessons.learned_w == pytest.approx(1.02 * draw_w)
    with Ledger(world.config.history_file, read_only=True) as ledger:
        assert "meter-sign" not in ledger.open_faults()


async def test_a_ledger_that_is_moved_away_is_noticed(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.historian.open()
    path = world.config.history_file
    async with world.living():
        await until(lambda: world.shown > 1, "a batch")
        path.rename(tmp_path / "moved.sqlite")
        seen = world.shown
        await until(lambda: world.shown > seen + 1, "a batch in a new one")
    assert [event["path"] for event in world.named("history_moved")] == [str(path)]
    assert world.failing == []
    with Ledger(tmp_path / "moved.sqlite", read_only=True) as old, Ledger(path, read_only=True) as new:
        assert everything(old).export_mws > 0
        assert everything(old).plus(everything(new)) == total(one.energy for one in world.held)
        assert new.states(0, 1 << 60)[0].cause == "started"


async def test_nothing_is_kept_where_the_owner_wants_nothing_kept(tmp_path: Path) -> None:
    world = World(tmp_path, record=False)
    world.historian.open()
    async with world.living():
        await asyncio.sleep(0.3)
    assert os.listdir(tmp_path) == []  # noqa: PTH208
    assert world.historian.figures is None
    assert len(world.historian._recorder.take().intervals) <= 1


# --- the daemon ------------------------------------------------------------------------------------------------------


@pytest.mark.broker
async def test_the_daemon_keeps_a_ledger_through_kill_9(stage: Stage) -> None:
    """Charge, end, charge again, kill: the first charge is on record, the second is closed at the restart."""
    wire = stage.wire
    daemon = stage.start(control={"start_delay_s": 0.2, "stop_delay_s": 0.2, "min_on_s": 1.0, "min_off_s": 1.0})
    await stage.ready()
    wire.publish(ENABLE_SET, "on")
    path = stage.config().history_file

    def charges() -> list[Any]:
        with Ledger(path, read_only=True) as ledger:
            return ledger.charges(0, 1 << 60)

    async with Feed(wire, SUN_W):
        await until(lambda: wire.state == "charging", "a charge")
    async with Feed(wire, SHADE_W):
        await until(lambda: [one.cause for one in charges()] == ["import-held"], "the end of the charge, on record")
    async with Feed(wire, SUN_W):
        await until(lambda: len(charges()) == 2, "the begin of the second, on record")
        daemon.signal(signal.SIGKILL)
        await daemon.ended()
    stage.start()
    await until(lambda: [one.cause for one in charges()] == ["import-held", LOST], "its end, at the restart")
    with Ledger(path, read_only=True) as ledger:
        assert ledger.check(1 << 60, None) == []
        first, second = ledger.charges(0, 1 << 60)
        assert first.energy.charger_mws > 0
        assert second.session_ms == first.begin_ms
