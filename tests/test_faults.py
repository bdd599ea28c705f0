"""The fault table, row by row: what qualifies each fault, what it does, and how it clears.

A rig plays house, plug and sensors around the real controller, all in order unless a test says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from surpluscharge.config import Config
from surpluscharge.config.models import MainFuse, PlannedTable, Surroundings
from surpluscharge.control import machine, news, supervisor, thermal
from surpluscharge.control.controller import Controller, Moment
from surpluscharge.control.joint import Warming
from surpluscharge.control.machine import MODE_NAMES
from surpluscharge.control.supervisor import FAULT_BY_CODE, FAULTS, NOTE
from surpluscharge.control.wishes import Request
from tests.conftest import config_from

CONFIG = config_from(
    charger={"current_a": 6.0},
    meter={"topic": "grid", "fresh_s": 20.0},
    relay={
        "feedback": {"topic": "report"},
        "power": {"topic": "power", "fresh_s": 30.0},
        "temperature": {"topic": "heat", "fresh_s": 60.0},
        "voltage": {"topic": "volts", "fresh_s": 60.0},
    },
    control={"start_delay_s": 10.0, "stop_delay_s": 10.0, "min_on_s": 300.0, "min_off_s": 60.0, "starts_per_hour": 4},
    session={"time_cap_s": 80000.0},
)
TEN_AMPS = CONFIG.model_copy(update={"charger": CONFIG.charger.model_copy(update={"current_a": 10.0})})


@dataclass
class Rig:
    """Everything a fault needs to be provoked. ``sun_w`` is surplus with the charger off."""

    sun_w: float = 3000.0
    car_w: float = 1380.0
    heat_c: float | None = 30.0
    warms_c: float = 3.0  # by so much while it carries current
    volts: float | None = 231.0  # without a load
    ohm: float = 0.0  # of the circuit up to the plug
    obeys: bool = True
    metered: bool = True
    meter_sign: float = 1.0
    frozen_w: float | None = None
    meter_least_w: float = -math.inf  # an inverter lets out no more
    coarse_w: float = 0.1  # what the meter resolves
    garbled: bool = False
    silent: bool = False
    lag_s: float = 0.0  # of the meter
    plug_heard: bool = True
    plug_every_s: float = 10.0
    bought_wh: float = 0.0
    drawn_wh: float = 0.0
    kettle_w: float = 0.0
    config: Config = CONFIG
    now_s: float = 1e6
    contact: bool = False
    jitter_w: float = 0.0
    seen: list[str] = field(default_factory=list)
    late: list[tuple[float, float]] = field(default_factory=list)  # what the meter has yet to show: (time, grid power)
    plug_said_s: float = -math.inf

    def __post_init__(self) -> None:
        self.controller = Controller(self.config.settings(), self.at())
        self.controller.tell(news.CommandsLink(True), self.at())
        self.controller.tell(news.RelayLink(True), self.at())
        self.controller.tell(news.Enable(True), self.at())

    def at(self) -> Moment:
        return Moment(self.now_s, 0, 0)

    def run(self, seconds: float, until: Callable[[], bool] = lambda: False) -> Rig:
        """Let time pass in steps of 5 s, with the deadlines between them; stop early when ``until`` says so."""
        end_s = self.now_s + seconds
        while self.now_s < end_s and not until():
            self.send_readings()
            next_s = min(self.now_s + 5.0, end_s)
            while (due_s := self.controller.deadline_s()) < next_s and not until():
                self.now_s = max(due_s, self.now_s + 1e-3)
                self.controller.tell(news.Tick(), self.at())
                self.follow()
            if until():
                break
            self.bought_wh += max(0.0, self.drawn_w - max(0.0, self.sun_w)) * (next_s - self.now_s) / 3600
            self.drawn_wh += self.drawn_w * (next_s - self.now_s) / 3600
            self.now_s = next_s
        self.controller.tell(news.Tick(), self.at())
        self.follow()
        return self

    @property
    def drawn_w(self) -> float:
        return self.car_w if self.contact else 0.0

    def learn(self, most_w: float = 4000.0) -> Rig:
        """Let the meter show some charges, at up to so much sun."""
        for _ in range(4):
            self.sun_w = most_w
            self.run(1200.0)
            self.sun_w = -300.0
            self.run(900.0)
        return self

    def follow(self) -> None:
        """Do the relay task's and the plug's part."""
        wanted = self.controller.wants_on
        if self.controller.plug.link_up and self.controller.plug.acknowledged is not wanted:
            self.controller.tell(news.Sending(wanted), self.at())
            if self.obeys and self.plug_heard:
                self.contact = wanted
            self.controller.tell(news.Taken(wanted), self.at())
            if self.plug_heard:
                self.report()
        self.seen += [
            str(event.fields["code"]) for event in self.controller.take_events() if event.name == "fault_raised"
        ]

    def report(self) -> None:
        self.controller.tell(news.Message("report", b"on" if self.contact else b"off", False), self.at())

    def send_readings(self) -> None:
        self.jitter_w = (self.jitter_w + 3.7) % 11.0
        charger_w = self.drawn_w
        self.late.append((self.now_s, self.meter_sign * (charger_w + self.kettle_w - self.sun_w + self.jitter_w)))
        self.late = self.late[sum(at_s <= self.now_s - self.lag_s for at_s, _ in self.late[1:]) :]
        grid_w = self.late[0][1] if self.frozen_w is None else self.frozen_w
        grid_w = max(grid_w, self.meter_least_w + self.jitter_w)
        if not self.silent:
            self.send("grid", "unavailable" if self.garbled else f"{round(grid_w / self.coarse_w) * self.coarse_w:.1f}")
        if self.plug_heard and self.now_s >= self.plug_said_s + self.plug_every_s:
            self.plug_said_s = self.now_s
            if self.metered:
                self.send("power", f"{charger_w:.1f}")
            if self.heat_c is not None:
                self.send("heat", f"{self.heat_c + (self.warms_c if charger_w > 100.0 else 0.0)}")
            if self.volts is not None:
                self.send("volts", f"{self.volts - self.ohm * charger_w / 231.0:.1f}")
        self.follow()

    def send(self, topic: str, text: str) -> None:
        self.controller.tell(news.Message(topic, text.encode(), False), self.at())

    @property
    def mode(self) -> str:
        return MODE_NAMES[self.controller.state.mode]

    @property
    def codes(self) -> list[str]:
        return [record.code for record in self.controller.faults]

    def charging(self) -> Rig:
        self.run(300.0, lambda: self.mode == "charging" and self.contact)
        assert self.mode == "charging"
        return self.run(30.0)

    def cut_off(self, contact: bool) -> Rig:
        """The plug is out of reach from now on, with its contact as it is then."""
        self.plug_heard, self.contact = False, contact
        return self

    def acknowledge(self) -> Rig:
        self.controller.tell(news.Acknowledge(None), self.at())
        return self


def test_nothing_is_wrong_for_half_a_day_in_order() -> None:
    """No false fault over hours of clouds; rests after long runs are no fault of anybody's."""
    rig = Rig(plug_every_s=20.0)
    for hour in range(12):
        rig.sun_w = 3000.0 if hour % 3 else -200.0
        rig.run(3600.0)
    assert set(rig.seen) <= {"rest-due"}
    assert rig.controller.today.starts >= 4


def test_over_current_trips_at_the_second_reading_and_latches() -> None:
    rig = Rig().charging()
    rig.car_w = 16.3 * 231
    rig.send("power", f"{rig.car_w}")
    assert rig.codes == []  # one odd sample: a plug's slip, or what a car takes in as it begins
    rig.send("power", f"{rig.car_w}")
    assert rig.codes[0] == "over-current"
    assert rig.mode == "locked-out"
    rig.car_w = 1380.0
    rig.run(4000.0)
    assert "over-current" in rig.codes  # gone and cooled, but nobody has looked
    rig.acknowledge().run(10.0)
    assert "over-current" not in rig.codes


def test_one_odd_sample_of_current_latches_nothing() -> None:
    rig = Rig().charging()
    for _ in range(5):
        rig.send("power", f"{20 * 231}")
        rig.run(60.0)
    assert rig.codes == []
    assert rig.mode == "charging"


def test_over_current_seen_once_in_each_charge_latches_all_the_same() -> None:
    """A plug that speaks seldom: something else has switched off before it speaks again. No current is no answer."""
    rig = Rig(metered=False).charging()
    rig.send("power", f"{17 * 231}")
    rig.run(25.0)
    assert rig.codes == ["draw-high"]
    rig.send("power", "0")
    rig.run(1200.0, lambda: rig.mode == "charging" and rig.contact)
    rig.send("power", f"{17 * 231}")
    assert "over-current" in rig.codes


@pytest.mark.parametrize("current_a", [24.7, 30.0, 50.0, 100.0])
def test_over_current_beyond_the_fuse_s_zones_trips_at_once(current_a: float) -> None:
    """Source: BS 1362 (24.7 A within 30 min ... 100 A within 0.2 s): the first measurement trips, with no delay."""
    rig = Rig(car_w=1380.0).charging()
    tripped_s = rig.now_s
    rig.send("power", f"{current_a * 231}")
    assert rig.mode == "locked-out"
    assert rig.now_s == tripped_s


def test_the_thermal_image_trips_alarms_first_and_cools_before_it_lets_go() -> None:
    """Source: IEC 60255-149. 12.5 A on a 10 A socket: the trip time is that of the closed formula."""
    rig = Rig(car_w=12.5 * 230, volts=None)
    rig.controller.settings = rig.controller.settings._replace(
        limits=rig.controller.settings.limits._replace(draw_w=12.5 * 230, rest_after_s=1e9), draw_a=12.5
    )
    rig.sun_w = 5000.0
    rig.charging()
    params, level, start_s = rig.controller.settings.limits.thermal, rig.controller.socket.level, rig.now_s
    rig.run(7200.0, lambda: "socket-overload" in rig.codes)
    target = (12.5 / 11.0) ** 2
    due_s = params.heating_s * math.log((target - level) / (target - 1.0))
    assert rig.now_s - start_s == pytest.approx(due_s, rel=0.01)
    assert rig.seen.index("socket-load-high") < rig.seen.index("socket-overload")
    assert rig.mode == "locked-out"
    rig.sun_w, tripped_s = 5000.0, rig.now_s
    rig.run(7200.0, lambda: "socket-overload" not in rig.codes)
    assert rig.controller.socket.level <= params.rearm_level + 1e-3
    assert rig.now_s - tripped_s == pytest.approx(params.cooling_s * math.log(2), rel=0.02)


def test_the_third_overload_within_a_day_of_the_last_waits_for_a_person() -> None:
    rig = Rig().charging()
    for times in (1, 2, 3):
        rig.controller.socket.level = 1.0
        rig.run(10.0)
        (record,) = [record for record in rig.controller.faults if record.code == "socket-overload"]
        assert record.times == times
        assert record.latches is (times == 3)
        rig.run(4000.0, lambda: "socket-overload" not in rig.codes)
        assert ("socket-overload" in rig.codes) is (times == 3)
    kept = rig.controller.kept()  # it outlives a restart
    again = Controller(CONFIG.settings(), rig.at(), kept)
    again.tell(news.Tick(), rig.at())
    assert "socket-overload" in [record.code for record in again.faults]
    rig.acknowledge().run(10.0)
    assert "socket-overload" not in rig.codes


def test_overloads_days_apart_go_on_by_themselves() -> None:
    rig = Rig().charging()
    for _ in range(4):
        rig.controller.socket.level = 1.0
        rig.run(10.0)
        assert "socket-overload" in rig.codes
        rig.controller.tell(news.Enable(False), rig.at())
        rig.now_s += 90000.0
        rig.run(10.0)
        assert "socket-overload" not in rig.codes
        rig.controller.tell(news.Enable(True), rig.at())


def test_without_metering_the_image_runs_on_the_configured_current() -> None:
    rig = Rig(metered=False).charging()
    rig.run(9000.0)
    assert rig.controller.socket.level == pytest.approx((6.0 / 11.0) ** 2, rel=0.01)


def test_a_look_does_not_cover_what_comes_back_after_it() -> None:
    rig = Rig().charging()
    rig.send("power", f"{25 * 231}")
    rig.acknowledge().run(300.0)
    rig.send("power", f"{25 * 231}")
    rig.run(4000.0)
    assert rig.codes == ["over-current"]


@pytest.mark.parametrize("every_s", [45.0, 85.0])
def test_a_plug_that_measures_seldom_is_not_taken_for_stuck(every_s: float) -> None:
    """The last measurement from before an off says nothing of what flows after it."""
    rig = Rig(metered=False).charging()
    for _ in range(4):
        rig.send("power", "1380" if rig.contact else "0")
        rig.run(every_s)
    rig.send("power", "1380")
    rig.controller.tell(news.Enable(False), rig.at())
    for _ in range(4):
        rig.run(every_s)
        rig.send("power", "0")
    assert rig.seen == []


def test_a_hot_socket_trips_and_latches() -> None:
    rig = Rig().charging()
    rig.heat_c = 55.0
    rig.run(10.0)
    assert rig.codes == ["socket-hot"]
    assert rig.mode == "locked-out"
    rig.heat_c = 41.0
    rig.acknowledge().run(4000.0)
    assert rig.codes == ["socket-hot"]  # acknowledged, but not cooled down
    rig.heat_c = 39.0
    rig.run(10.0)
    assert rig.codes == []


def test_a_sensor_that_has_never_warmed_in_a_long_charge_is_doubted() -> None:
    """It may have come off, or report the air: until it has warmed in a charge it protects nobody."""
    rig = Rig(warms_c=0.0).charging()
    rig.run(3500.0)
    assert rig.codes == []
    rig.run(100.0)
    assert rig.codes == ["temperature-doubted"]
    assert rig.mode == "charging"  # a note
    rig.sun_w = -500.0
    rig.run(1200.0)
    assert not rig.controller.wants_on
    assert rig.codes == ["temperature-doubted"]  # and it is still there to be read in the evening
    rig.sun_w = 3000.0
    rig.charging()
    rig.heat_c = 31.5
    rig.run(10.0)
    assert rig.codes == []


def test_a_sensor_that_is_warm_already_is_not_doubted() -> None:
    """A second charge soon after the first, and a restart in between, find the socket warm."""
    rig = Rig().charging()
    rig.run(3500.0)
    rig.sun_w = -500.0
    rig.run(700.0)
    assert not rig.controller.wants_on
    rig.warms_c, rig.heat_c = 0.0, 33.0
    rig.sun_w = 3000.0
    rig.charging().run(4000.0)
    assert rig.seen == []
    kept = rig.controller.kept()
    rig.controller = Controller(CONFIG.settings(), rig.at(), kept)
    rig.controller.tell(news.CommandsLink(True), rig.at())
    rig.controller.tell(news.RelayLink(True), rig.at())
    rig.charging().run(4000.0)
    assert "temperature-doubted" not in rig.seen


def test_a_sensor_that_warms_is_not_doubted_nor_one_of_a_car_that_takes_nothing() -> None:
    rig = Rig(warms_c=0.0).charging()
    rig.heat_c = 31.1
    rig.run(1000.0)
    rig.heat_c = 29.0  # the evening cools it
    rig.run(9000.0)
    assert rig.seen == []
    rig = Rig(metered=False, car_w=1380.0).charging()
    for _ in range(80):
        rig.send("power", "3")
        rig.run(60.0)
    assert "temperature-doubted" not in rig.seen


def test_a_lost_temperature_sensor_ends_the_charge_after_the_minimum_on() -> None:
    rig = Rig().charging()
    rig.heat_c = None
    rig.run(85.0)
    assert rig.codes == ["temperature-lost"]
    assert rig.mode == "charging"
    rig.run(300.0)
    assert rig.mode == "locked-out"
    rig.heat_c = 30.0
    rig.run(200.0)
    assert rig.codes == []
    assert rig.mode == "charging"


def test_a_relay_that_does_not_follow_on_trips_and_is_left_longer_each_time() -> None:
    rig = Rig(obeys=False)
    waits = []
    for _ in range(3):
        rig.run(20000.0, lambda: "relay-not-on" in rig.codes)
        raised_s = rig.now_s
        rig.run(20000.0, lambda: "relay-not-on" not in rig.codes)
        waits.append(round(rig.now_s - raised_s, -1))
    assert waits == [600.0, 1200.0, 2400.0]


# --- a plug that falls silent ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("contact", [True, False])
@pytest.mark.parametrize("every_s", [5.0, 10.0, 30.0, 60.0])
def test_a_plug_that_falls_silent_while_it_is_on_trips(every_s: float, contact: bool) -> None:
    """Invariant 11: whether it is still on nobody knows; an old report is no confirmation, and it draws nothing known.

    The image and the caps go on as though it drew.
    """
    rig = Rig(plug_every_s=every_s)
    rig.controller.settings = rig.controller.settings._replace(
        params=rig.controller.settings.params._replace(min_on_s=900.0), power=None
    )
    rig.controller.plug.power.sources = rig.controller.temperature.sources = ()
    rig.charging().run(1300.0)
    assert rig.controller.plug.confirmed(True) and rig.controller.known
    rig.cut_off(contact)
    level, cut_s = rig.controller.socket.level, rig.now_s
    rig.run(600.0, lambda: not rig.controller.wants_on)
    assert rig.codes[0] == "plug-silent" and rig.mode == "locked-out"
    assert every_s * 3 < rig.now_s - cut_s <= max(45.0, every_s * 4) + every_s
    booked_wh, session_s = rig.controller.today.charger_wh, rig.controller.state.session_s
    rig.run(900.0)
    controller = rig.controller
    assert not controller.plug.confirmed(False) and not controller.known and controller.charger_w == 0.0
    assert controller.today.charger_wh == pytest.approx(booked_wh)
    assert controller.today.unknown_s > 850.0
    assert controller.state.session_s == pytest.approx(session_s + 900.0, abs=1.0)
    assert controller.socket.level >= level - 1e-3
    assert "relay-not-off" in rig.codes
    rig.plug_heard, rig.contact = True, False
    rig.report()
    rig.run(5400.0)
    assert rig.mode == "charging" and controller.known and rig.codes == []


def test_what_a_silent_plug_does_not_draw_is_not_booked() -> None:
    """Ten minutes and a half out of reach, and off by itself: 336 Wh were booked as solar, where 50 had flowed."""
    rig = Rig(plug_every_s=10.0).charging().run(1000.0)
    before_wh = rig.controller.today.charger_wh - rig.drawn_wh
    rig.cut_off(False).run(630.0)
    assert "plug-silent" in rig.seen
    assert rig.controller.today.charger_wh - rig.drawn_wh - before_wh < 1380 * 30 / 3600
    today = rig.controller.today
    assert today.charger_wh - today.grid_wh <= rig.drawn_wh + 1380 * 30 / 3600  # solar


def test_a_plug_that_reports_changes_only_may_be_silent_for_hours() -> None:
    rig = Rig(plug_every_s=1e9, volts=None)
    rig.controller.temperature.sources = ()
    rig.charging().run(7200.0)
    assert rig.mode == "charging" and rig.seen == []
    assert rig.controller.plug.confirmed(True) and rig.controller.known


@pytest.mark.parametrize("feedback", [True, False])
def test_a_plug_that_reports_changes_only_is_judged_by_the_grid(feedback: bool) -> None:
    """Grid power falls by the whole draw and does not come back: nothing is booked any more, and the charge ends."""
    rig = Rig(plug_every_s=1e9, volts=None)
    rig.controller.temperature.sources = ()
    if not feedback:
        rig.controller.tell(news.Reload(rig.controller.settings._replace(contact=None)), rig.at())
    rig.charging().run(600.0)
    before_wh, cut_s = rig.controller.today.charger_wh - rig.drawn_wh, rig.now_s
    rig.cut_off(False).run(60.0)
    assert not rig.controller.known and rig.mode == "charging"
    assert rig.controller.plug.confirmed(True) is not feedback  # without a report, the broker's word is all there is
    rig.run(900.0, lambda: not rig.controller.wants_on)
    assert rig.seen == ["no-flow"] and rig.now_s - cut_s == pytest.approx(620.0, abs=15.0)
    assert rig.controller.today.charger_wh - rig.drawn_wh - before_wh < 1380 * 40 / 3600


@pytest.mark.parametrize("feedback", [True, False])
def test_what_a_car_that_is_away_does_not_draw_is_not_booked(feedback: bool) -> None:
    """Four hours of sun with nothing plugged in: 5.5 kWh were booked, and needs were taken for met.

    Nobody measures the lead here; but the meter has shown each of its beginnings.
    """
    rig = Rig(metered=False, volts=None)
    if not feedback:
        rig.controller.tell(news.Reload(rig.controller.settings._replace(contact=None)), rig.at())
    rig.learn()
    assert rig.controller.today.charger_wh == pytest.approx(rig.drawn_wh, rel=0.02) and rig.seen == []
    before_wh = rig.controller.today.charger_wh
    rig.car_w, rig.sun_w = 0.0, 3000.0
    rig.run(600.0, lambda: not rig.controller.known)
    assert rig.mode == "charging" and rig.controller.plug.confirmed(True)
    rig.run(4 * 3600.0)
    assert rig.mode == "charging" and rig.seen == []  # it is there for a car that comes
    assert rig.controller.today.charger_wh - before_wh < 1380 * 120 / 3600
    before_wh, drawn_wh = rig.controller.today.charger_wh, rig.drawn_wh
    rig.car_w = 1380.0  # it comes home
    rig.run(3600.0)
    assert rig.mode == "charging" and rig.controller.known and rig.drawn_wh - drawn_wh > 1300.0
    assert rig.controller.today.charger_wh - before_wh == pytest.approx(rig.drawn_wh - drawn_wh, abs=30.0)
    rig.car_w = 0.0  # and is full
    rig.run(900.0, lambda: not rig.controller.wants_on)
    assert rig.seen == ["no-flow"]


@pytest.mark.parametrize("word", ["enable", "ask"])
@pytest.mark.parametrize("metered", [True, False])
def test_who_comes_home_need_not_wait_until_it_is_tried_again(metered: bool, word: str) -> None:
    """Nothing was plugged in, and the next try is half an hour or two away: to say so again is enough."""
    rig = Rig(metered=metered, volts=None).learn()
    rig.sun_w = 3000.0
    rig.run(900.0)
    rig.car_w = 0.0
    rig.run(1500.0, lambda: rig.codes == ["no-load" if metered else "no-flow"] and not rig.controller.wants_on)
    assert rig.codes
    rig.run(400.0)
    assert rig.codes and not rig.controller.wants_on  # it would wait
    rig.car_w = 1380.0
    if word == "ask":
        rig.controller.tell(news.Ask(Request(0.0, 1000.0)), rig.at())
    else:
        rig.controller.tell(news.Enable(True), rig.at())  # it is enabled: that is no word of anybody who came
        assert rig.codes
        rig.controller.tell(news.Enable(False), rig.at())
        rig.controller.tell(news.Enable(True), rig.at())
    assert rig.codes == []
    rig.run(400.0, lambda: rig.controller.wants_on)
    rig.run(700.0)
    assert rig.mode == "charging" and rig.codes == [] and rig.drawn_w == 1380.0


@pytest.mark.parametrize("asks", [1, 3])
def test_asking_while_the_relay_is_still_on_makes_no_wait_longer(asks: int) -> None:
    """The shortest charge outlasts the ten minutes, and somebody is impatient."""
    rig = Rig(volts=None).charging()
    rig.controller.tell(
        news.Reload(rig.controller.settings._replace(params=rig.controller.settings.params._replace(min_on_s=1800.0))),
        rig.at(),
    )
    rig.car_w = 0.0
    rig.run(1000.0, lambda: "no-load" in rig.codes)
    assert rig.controller.wants_on
    for _ in range(asks):
        rig.controller.tell(news.Ask(Request(0.0, 1000.0)), rig.at())
        assert rig.codes == []
    assert rig.controller.supervisor.records["no-load"].times == 1


def test_a_car_that_wakes_late_is_booked_from_then_on() -> None:
    rig = Rig(metered=False, volts=None).learn()
    rig.car_w, rig.sun_w = 0.0, 3000.0
    rig.run(400.0, lambda: rig.controller.wants_on)
    rig.run(300.0)
    assert not rig.controller.known and rig.mode == "charging"
    rig.car_w = 1380.0
    rig.run(1800.0)
    assert rig.controller.known and rig.mode == "charging" and rig.seen == []


@pytest.mark.parametrize("limit_w", [2000.0, 1600.0])
def test_an_inverter_that_holds_back_and_nobody_told_of_costs_nothing(limit_w: float) -> None:
    """On the sunniest hours nothing shows of the lead; it draws all the same, and is booked."""
    rig = Rig(metered=False, volts=None).learn(limit_w)
    rig.meter_least_w = -limit_w
    rig.sun_w = 6000.0
    before_wh, drawn_wh = rig.controller.today.charger_wh, rig.drawn_wh
    rig.run(4 * 3600.0)
    assert rig.drawn_wh - drawn_wh > 5000.0 and rig.seen == []
    assert rig.controller.today.charger_wh - before_wh == pytest.approx(rig.drawn_wh - drawn_wh, rel=0.01)


def test_a_fall_that_comes_back_or_is_a_kettle_s_ends_nothing() -> None:
    rig = Rig(plug_every_s=1e9, volts=None)
    rig.controller.temperature.sources = ()
    rig.charging().run(300.0)
    rig.kettle_w = 1380.0
    rig.run(200.0)
    rig.kettle_w = 0.0
    rig.run(900.0)
    assert rig.controller.known and rig.seen == []
    rig.sun_w += 1380.0  # a cloud has gone, and comes again
    rig.run(400.0)
    assert not rig.controller.known
    rig.sun_w -= 1380.0
    rig.run(900.0)
    assert rig.controller.known and rig.seen == [] and rig.mode == "charging"


@pytest.mark.parametrize("before_s", [60.0, 1800.0])
def test_an_oven_that_went_on_before_the_charge_and_off_in_it_ends_nothing(before_s: float) -> None:
    """An oven, a heat pump, that takes what the lead does: its end looked like the lead's."""
    rig = Rig(plug_every_s=1e9, volts=None, sun_w=4000.0)
    rig.controller.temperature.sources = ()
    rig.controller.tell(news.Enable(False), rig.at())
    rig.run(300.0)
    rig.kettle_w = 1380.0
    rig.run(before_s)
    rig.controller.tell(news.Enable(True), rig.at())
    rig.charging().run(900.0)
    rig.kettle_w = 0.0
    rig.run(1200.0)
    assert rig.controller.known and rig.seen == [] and rig.mode == "charging"
    rig.cut_off(False).run(1200.0, lambda: not rig.controller.wants_on)  # but the lead's own end is still seen
    assert rig.seen == ["no-flow"]


def test_what_goes_on_long_after_the_start_is_not_taken_for_the_lead() -> None:
    """A car that sleeps, and ten minutes later something that takes what the car would, for a while."""
    rig = Rig(plug_every_s=1e9, volts=None, metered=False, car_w=0.0)
    rig.controller.temperature.sources = ()
    rig.charging().run(600.0)
    rig.kettle_w = 1380.0
    rig.run(300.0)
    rig.kettle_w = 0.0
    rig.run(1200.0)
    assert rig.controller.known and rig.seen == [] and rig.mode == "charging"


@pytest.mark.parametrize(("left_w", "known"), [(0.0, True), (200.0, True), (500.0, False)])
def test_what_a_battery_holds_at_nought_says_nothing(left_w: float, known: bool) -> None:
    """A fall by the whole draw that ends where a battery holds the meter is the battery taking over."""
    rig = Rig(plug_every_s=1e9, volts=None)
    rig.controller.temperature.sources = ()
    rig.charging().run(60.0)
    rig.sun_w = left_w
    rig.run(60.0)
    rig.sun_w += 1380.0
    rig.run(60.0)
    assert rig.controller.known is known


def test_what_the_plug_measures_overrules_the_grid() -> None:
    rig = Rig(plug_every_s=10.0).charging().run(300.0)
    rig.sun_w += 1380.0
    rig.run(1200.0)
    assert rig.controller.known and rig.seen == [] and rig.mode == "charging"


@dataclass
class Taciturn(Rig):
    """Its plug measures every 5 s, and says so when it has changed by two watts."""

    said_w: float = -math.inf

    def __post_init__(self) -> None:
        super().__post_init__()
        self.volts, self.heat_c = None, None
        self.controller.temperature.sources = ()

    def send_readings(self) -> None:
        self.metered = abs(self.drawn_w - self.said_w) >= 2.0
        if self.metered and self.plug_heard:
            self.said_w = self.drawn_w
        super().send_readings()

    def taper(self) -> Taciturn:
        """For half an hour, down to nothing."""
        for _ in range(360):
            self.car_w -= 1380.0 / 360.0
            self.run(5.0)
        self.car_w = 0.0
        return self


def test_a_car_that_tapers_does_not_make_a_taciturn_plug_silent() -> None:
    """It speaks every five seconds while the car tapers, and rests from when it has ended."""
    rig = Taciturn().charging().run(1800.0)
    rig.taper()
    charger_wh = rig.controller.today.charger_wh
    rig.run(1200.0)
    assert rig.seen == ["draw-low", "no-load"] and not rig.controller.wants_on
    assert rig.controller.today.charger_wh == pytest.approx(charger_wh, abs=12.0)
    assert rig.controller.today.charger_wh == pytest.approx(rig.drawn_wh, rel=0.1)
    assert 400.0 < rig.controller.today.unknown_s < 620.0
    rig.seen.clear()
    rig.car_w = 1380.0
    rig.run(3 * 3600.0)
    assert rig.mode == "charging" and rig.seen == [] and rig.controller.known


def test_a_plug_s_last_word_is_not_overruled_by_what_is_assumed() -> None:
    """A car that holds 400 W for hours, of which the plug speaks once: 1380 W were booked."""
    rig = Taciturn().charging().run(600.0)
    rig.car_w = 400.0
    rig.run(3600.0)
    assert not rig.controller.known and rig.controller.wants_on
    assert rig.controller.today.charger_wh < rig.drawn_wh
    rig.car_w = 1380.0
    rig.run(600.0)
    assert rig.controller.known


def test_how_long_a_plug_may_be_silent_can_be_configured() -> None:
    rig = Rig(plug_every_s=60.0)
    rig.controller.tell(news.Reload(rig.controller.settings._replace(silent_s=75.0)), rig.at())
    rig.charging().run(30.0)
    rig.cut_off(True)
    rig.run(90.0, lambda: not rig.controller.wants_on)
    assert "plug-silent" in rig.codes and rig.now_s - rig.plug_said_s == pytest.approx(75.0, abs=5.1)


# --- a lead that is set too high, and nobody measures ----------------------------------------------------------------


def test_a_lead_set_far_too_high_is_found_by_its_steps() -> None:
    """13 A where 6 A are configured: it carried that for hours, with the image at 0.30; it should trip at 25 min.

    One step ends the charge, after a while in which it may be explained; three latch. From the second on, the image
    takes the larger current, and for the time since the first, too.
    """
    rig = Rig(metered=False, volts=None, car_w=13 * 230.0, sun_w=6000.0)
    rig.charging().run(240.0)
    assert rig.codes == [] and rig.controller._thermal_a() == pytest.approx(6.0)
    rig.run(900.0, lambda: not rig.controller.wants_on)
    assert rig.codes == ["lead-high-tested"]
    level, image = rig.controller.socket.level, rig.controller.settings.limits.thermal
    after_level = thermal.advance(image, thermal.settled_level(image, 6.0), 13.0, 800.0)
    assert level < 0.5 < after_level
    rig.run(180.0, lambda: len(rig.controller.lessons.steps.high_w) == 2)
    assert rig.controller.socket.level == pytest.approx(after_level, abs=0.1)
    rig.run(3600.0, lambda: "lead-high" in rig.codes)
    assert rig.mode == "locked-out"
    assert rig.drawn_wh / (13 * 230.0) * 60 < 25.0
    rig.run(7200.0)
    assert rig.codes == ["lead-high"]
    rig.car_w = 1380.0
    rig.acknowledge().run(900.0)
    assert rig.mode == "charging" and rig.codes == []
    assert rig.controller._thermal_a() == pytest.approx(6.0)


@pytest.mark.parametrize("share", [1.0, 1.1, 1.2])
def test_a_little_more_than_configured_trips_nothing(share: float) -> None:
    """EN 50160 lets the voltage be a tenth higher, and the meter is off by a little."""
    rig = Rig(metered=False, volts=None, car_w=1380.0 * share, sun_w=4000.0)
    for _ in range(4):
        rig.sun_w = 4000.0
        rig.run(600.0)
        rig.sun_w = 0.0
        rig.run(600.0)
    assert rig.seen == [] and rig.controller.today.starts == 4


def test_one_kettle_at_the_moment_of_a_start_trips_nothing() -> None:
    rig = Rig(metered=False, volts=None, sun_w=6000.0)
    rig.run(300.0, lambda: rig.controller.wants_on)
    rig.kettle_w = 2000.0
    rig.run(200.0)
    rig.kettle_w = 0.0
    rig.run(3600.0)
    assert rig.seen == [] and rig.mode == "charging" and rig.controller.today.starts == 1
    rig.controller.tell(news.Enable(False), rig.at())
    rig.run(200.0)
    assert rig.controller.lessons.steps.high_w == ()  # the lead's own step down has refuted it


def test_what_hides_a_single_high_step_s_excess_is_tested_before_the_socket_can_be_too_hot() -> None:
    """16 A where 10 A are configured, after hours of those: if true, it is too hot in minutes."""
    rig = Rig(metered=False, volts=None, car_w=2300.0, sun_w=6000.0, config=TEN_AMPS)
    rig.charging().run(7000.0)
    rig.controller.tell(news.Enable(False), rig.at())
    rig.run(200.0)
    rig.controller.tell(news.Enable(True), rig.at())
    rig.car_w = 16 * 230.0
    rig.run(200.0, lambda: rig.contact)
    began_s = rig.now_s
    rig.run(1200.0, lambda: bool(rig.codes))
    assert rig.codes == ["lead-high-tested"] and rig.now_s - began_s < 600.0
    assert rig.controller.socket.level < thermal.TRIP_LEVEL <= rig.controller.socket.level_if_high
    rig.run(3600.0 * 2, lambda: "lead-high" in rig.codes)
    assert "lead-high" in rig.codes


@pytest.mark.parametrize("amps", [6.0, 10.0])
def test_an_appliance_that_goes_on_with_the_lead_and_runs_on_is_no_fault(amps: float) -> None:
    """Kettle, washing machine, cloud: it ended the charge after two minutes, and at 10 A it tripped the image."""
    config = CONFIG if amps == 6.0 else TEN_AMPS
    rig = Rig(metered=False, volts=None, car_w=230.0 * amps, sun_w=6000.0, config=config)
    rig.run(300.0, lambda: rig.controller.wants_on)
    rig.kettle_w = 2000.0
    rig.run(85.0 if amps > 6.0 else 600.0)
    rig.kettle_w = 0.0
    rig.run(1800.0)
    assert rig.seen == [] and rig.mode == "charging" and rig.controller.today.starts == 1


def test_a_plug_switched_off_by_hand_is_left_off_for_a_while() -> None:
    rig = Rig().charging()
    rig.contact = False
    rig.report()
    rig.run(5.0)
    assert rig.codes == ["switched-elsewhere"]
    assert rig.mode == "locked-out"
    rig.run(880.0)
    assert not rig.contact
    rig.run(300.0)
    assert rig.mode == "charging"


def test_a_relay_that_stays_on_is_shouted_about_and_latches() -> None:
    rig = Rig().charging()
    rig.obeys = False
    rig.controller.tell(news.Enable(False), rig.at())
    rig.run(60.0)
    assert "relay-stuck-on" in rig.codes
    rig.contact, rig.obeys = False, True
    rig.controller.tell(news.Enable(True), rig.at())
    rig.report()
    rig.run(3600.0)
    assert rig.codes == ["relay-stuck-on"]
    assert rig.mode == "locked-out"
    rig.acknowledge().run(200.0)
    assert rig.mode == "charging"


def test_a_relay_that_says_nothing_of_off_holds_starts() -> None:
    rig = Rig()
    rig.controller.tell(news.RelayLink(False), rig.at())
    rig.controller.tell(news.RelayLink(True), rig.at())
    rig.follow = lambda: None  # type: ignore[method-assign]
    rig.run(60.0)
    assert rig.codes == ["relay-not-off"]
    assert rig.mode == "arming"


def test_a_charger_that_draws_more_than_configured_trips() -> None:
    rig = Rig(car_w=1380 * 1.19).charging().run(60.0)
    assert rig.codes == []  # what EN 50160 explains, and some more
    rig.car_w = 1380 * 1.25
    rig.run(30.0)
    assert rig.codes == ["draw-high"]
    assert rig.mode == "locked-out"


def test_a_charger_that_draws_less_is_noted() -> None:
    rig = Rig(car_w=900.0).charging().run(700.0)
    assert rig.codes == ["draw-low"]
    assert rig.mode == "charging"


def test_a_car_that_takes_nothing_is_tried_again_later() -> None:
    rig = Rig(car_w=3.0).charging().run(620.0)
    assert rig.codes == ["no-load"]
    assert rig.mode == "locked-out"
    rig.car_w = 1380.0
    rig.run(1700.0)
    assert rig.mode == "locked-out"
    rig.run(300.0)
    assert rig.mode == "charging"


def test_a_long_run_at_high_current_is_followed_by_a_rest() -> None:
    rig = Rig(car_w=9.0 * 230, volts=230.0)
    limits = rig.controller.settings.limits._replace(draw_w=9.0 * 230)
    rig.controller.settings = rig.controller.settings._replace(limits=limits, draw_a=9.0)
    rig.charging()
    start_s = rig.now_s - 30.0
    rig.run(20000.0, lambda: rig.mode == "locked-out")
    assert rig.now_s - start_s == pytest.approx(10800.0, abs=10.0)
    assert rig.codes == ["rest-due"]
    rig.run(1790.0)
    assert rig.mode == "locked-out"
    rig.run(100.0)
    assert rig.mode == "charging"


def test_a_silent_meter_is_told_and_ends_the_charge_at_once() -> None:
    rig = Rig().charging()
    rig.silent = True
    rig.run(25.0)
    assert rig.mode == "locked-out"
    assert rig.codes == []  # a gap of some seconds is not worth a word
    rig.run(15.0)
    assert rig.codes == ["meter-silent"]


def test_a_frozen_meter_trips_though_its_readings_are_fresh() -> None:
    rig = Rig()
    rig.frozen_w = -2000.0
    rig.run(400.0, lambda: rig.mode == "locked-out")
    assert rig.codes == ["meter-frozen"]
    rig.frozen_w = None
    rig.run(2500.0)
    assert rig.codes == []


def test_a_meter_with_the_wrong_sign_is_found_by_the_relay_s_own_steps() -> None:
    """Set wrong at installation: no step was ever right, so the first charge already ends as soon as it may."""
    rig = Rig(meter_sign=-1.0, sun_w=-1500.0)  # at night: the house imports, and the meter says it exports
    rig.charging().run(100.0)
    assert rig.seen == ["meter-sign-doubted", "meter-sign-tested"]
    rig.run(2000.0, lambda: not rig.controller.wants_on)
    assert rig.now_s - rig.controller.state.on_since_s == pytest.approx(300.0, abs=5.0)  # the minimum-on time
    rig.run(40000.0, lambda: "meter-sign" in rig.codes)
    assert list(dict.fromkeys(rig.seen)) == ["meter-sign-doubted", "meter-sign-tested", "meter-sign"]
    assert rig.mode == "locked-out"
    rig.meter_sign = 1.0
    rig.run(4000.0)
    assert "meter-sign" in rig.codes


@pytest.mark.parametrize("metered", [True, False])
@pytest.mark.parametrize("lag_s", [0.0, 15.0, 20.0, 30.0, 60.0])
def test_a_wrong_sign_is_found_in_the_first_night_by_a_late_meter_too(lag_s: float, metered: bool) -> None:
    """What it may cost are some charges of the minimum-on time; of 10 h, it was 13.7 kWh where it was not found."""
    rig = Rig(meter_sign=-1.0, sun_w=-1500.0, lag_s=lag_s, metered=metered, volts=None)
    rig.run(2 * 3600.0, lambda: "meter-sign" in rig.codes)
    assert "meter-sign" in rig.codes, f"bought {rig.bought_wh:.0f} Wh"
    assert rig.bought_wh < 600


def test_a_meter_that_is_too_late_to_judge_by_is_noted() -> None:
    rig = Rig(lag_s=75.0)
    for _ in range(8):
        rig.sun_w = 3000.0
        rig.run(900.0)
        rig.sun_w = -2000.0
        rig.run(900.0)
    assert set(rig.seen) == {"meter-late"} and rig.codes == ["meter-late"]


def test_a_sign_that_was_right_once_is_not_doubted_for_one_kettle() -> None:
    rig = Rig().charging().run(100.0)
    assert rig.controller.lessons.steps.proven
    rig.controller.lessons.steps.contrary = 1
    rig.run(2000.0)
    assert rig.mode == "charging" and rig.codes == ["meter-sign-doubted"]


def test_a_charge_after_two_contrary_steps_ends_as_soon_as_it_may() -> None:
    """The step back is the third, or sets it right."""
    rig = Rig()
    rig.controller.lessons.steps.contrary = 2
    rig.charging().run(100.0)
    assert rig.controller.lessons.steps.contrary == 0  # the start itself was right
    rig.run(60.0)
    assert rig.codes == []
    rig.controller.lessons.steps.contrary = 2
    rig.run(400.0, lambda: not rig.controller.wants_on)
    assert rig.now_s - rig.controller.state.on_since_s == pytest.approx(300.0, abs=5.0)  # the minimum-on time


def test_a_meter_that_freezes_in_the_middle_of_a_charge_is_found() -> None:
    rig = Rig().charging()
    rig.run(1000.0)
    rig.frozen_w, frozen_s = -1620.3, rig.now_s
    rig.run(2000.0, lambda: rig.mode == "locked-out")
    assert rig.codes == ["meter-frozen"]
    assert rig.now_s - frozen_s == pytest.approx(900.0, abs=10.0)


def test_a_coarse_meter_may_repeat_itself() -> None:
    """One that counts in tenths of a kilowatt, on a bright day."""
    rig = Rig()
    rig.coarse_w = 100.0
    rig.run(2.5)  # so that no reading comes in the very moment of the relay's step
    rig.run(7200.0)
    assert rig.seen == []
    assert rig.mode == "charging"


def test_topics_that_the_broker_refuses_end_a_charge_and_hold_starts() -> None:
    """Whoever cannot be told to stop, or cannot hear the meter or the plug, does not charge."""
    rig = Rig().charging()
    rig.controller.tell(news.TopicsRefused(True), rig.at())
    rig.run(400.0)
    assert rig.codes == ["topics-refused"]
    assert rig.mode == "locked-out"
    assert rig.controller.state.cause == machine.C_ENDED
    rig.controller.tell(news.TopicsRefused(False), rig.at())
    rig.run(200.0)
    assert rig.mode == "charging"


def test_time_on_counts_until_the_relay_is_known_to_be_off() -> None:
    """Invariant 5: the broker is away and nobody can be told; the cap holds on what may be on."""
    rig = Rig().charging()
    before = rig.controller.state
    rig.controller.tell(news.RelayLink(False), rig.at())
    rig.run(600.0)
    assert rig.mode == "locked-out"
    assert rig.controller.state.session_s - before.session_s == pytest.approx(600.0, abs=1.0)
    assert rig.controller.state.session_wh - before.session_wh == pytest.approx(1380.0 / 6, rel=0.01)
    kept = rig.controller.kept()
    assert kept.on  # so that a restart goes on counting
    rig.controller.tell(news.RelayLink(True), rig.at())
    rig.follow()
    assert not rig.controller.plug.may_be_on
    session_s = rig.controller.state.session_s
    rig.sun_w = 0.0
    rig.run(600.0)
    assert rig.controller.state.session_s == session_s
    assert not rig.controller.kept().on


def test_useless_readings_are_noted() -> None:
    rig = Rig(garbled=True).run(30.0)
    assert "readings-refused" in rig.codes
    rig.garbled = False
    rig.run(610.0)
    assert "readings-refused" not in rig.codes


def test_spent_starts_are_noted() -> None:
    rig = Rig()
    for _ in range(4):
        rig.sun_w = 3000.0
        rig.charging()
        rig.sun_w = -500.0
        rig.run(400.0)
    rig.sun_w = 3000.0
    rig.run(30.0)
    assert rig.codes == ["starts-spent"]
    assert rig.mode == "arming"


def hours_on(rig: Rig, hours: float) -> float:
    """Let time pass, and return for how many hours of it the lead was on."""
    on_s = 0.0
    for _ in range(int(hours * 60)):
        on_s += 60.0 if rig.contact else 0.0
        rig.run(60.0)
    return on_s / 3600.0


def test_a_voltage_that_the_sun_lifts_and_the_lead_pulls_down_is_charged_at() -> None:
    """254.5 V and 0.5 ohm: 251.5 V under the load of 6 A, within EN 50160's 230 V + 10 % = 253 V."""
    rig = Rig(volts=254.5, ohm=0.5)
    assert hours_on(rig, 2.0) > 1.9
    assert rig.seen == []


def test_a_weak_circuit_is_charged_at() -> None:
    """212 V and 1 ohm: 206 V at the socket. EN 50160 speaks of the supply, and lets no mean be lower than 195.5 V."""
    rig = Rig(volts=212.0, ohm=1.0)
    assert hours_on(rig, 2.0) > 1.9
    assert rig.seen == []


@pytest.mark.parametrize("residual_v", [0.0, 3.0, 60.0])
def test_a_plug_that_measures_voltage_behind_its_relay_is_believed_only_while_it_is_on(residual_v: float) -> None:
    """With what it had said before it went on, 1380 W were hundreds of amperes: over-current, which latches."""

    class Behind(Rig):
        def send_readings(self) -> None:
            self.volts = 231.0 if self.contact else residual_v
            if self.contact and not self.metered:  # the power comes at once, the voltage with the next round
                self.metered = True
                self.send("power", f"{self.drawn_w:.1f}")
            super().send_readings()
            self.metered = self.contact

    rig = Behind()
    for _ in range(3):
        rig.sun_w = 3000.0
        rig.run(900.0)
        assert rig.mode == "charging" and rig.controller.current_a == pytest.approx(5.97, abs=0.05)
        rig.sun_w = 0.0
        rig.run(600.0)
        assert not rig.controller.wants_on
    assert rig.seen == []
    assert all(abs(ohm) < 1.0 for ohm in rig.controller.lessons.mains.ohms)


def test_voltages_are_judged_by_the_nominal_one_of_the_place() -> None:
    config = Config.model_validate(CONFIG.model_dump() | {"charger": {"current_a": 6.0, "voltage_v": 120.0}})
    rig = Rig(config=config, volts=121.0, car_w=720.0, plug_every_s=5.0)
    rig.charging().run(1800.0)
    assert rig.mode == "charging" and rig.seen == []
    rig.volts = 139.0  # 15.8 % above
    rig.run(10.0)
    assert rig.codes == ["voltage-out"]


def test_a_high_mean_under_load_ends_the_charge_and_holds_the_next_one() -> None:
    """Source: EN 50160, ten-minute means at most 10 % above nominal: 253 V."""
    rig = Rig(volts=240.0, ohm=0.5, plug_every_s=5.0)
    for _ in range(2):  # so that the circuit is known
        rig.sun_w = 3000.0
        rig.charging().run(400.0)
        rig.sun_w = -500.0
        rig.run(700.0)
    assert rig.controller.lessons.mains.learned is not None
    rig.sun_w = 3000.0
    rig.charging().run(900.0)
    rig.volts, since_s = 257.0, rig.now_s  # 254 V under load
    rig.run(1200.0, lambda: rig.mode == "locked-out")
    assert rig.codes == ["voltage-high"]
    # From 237 to 254 V: the mean is above 253 V after 16 / 17 of ten minutes.
    assert rig.now_s - since_s == pytest.approx(600.0 * 16 / 17, abs=15.0)
    assert hours_on(rig, 1.0) == 0.0
    assert rig.codes == ["voltage-high"]
    assert rig.seen.count("voltage-high") == 1
    rig.volts = 254.0  # 251 V it would be
    rig.run(1200.0, lambda: rig.mode == "charging")
    assert rig.mode == "charging" and rig.codes == []


def test_while_the_circuit_is_not_known_the_charge_itself_shows_the_voltage_under_load() -> None:
    rig = Rig(volts=257.0, ohm=0.5)
    rig.charging()
    rig.run(2000.0, lambda: rig.mode == "locked-out")
    assert rig.codes == ["voltage-high"]
    assert rig.now_s - rig.controller.state.on_since_s == pytest.approx(600.0, abs=15.0)
    assert hours_on(rig, 2.0) < 0.5
    assert rig.controller.today.starts <= 3


def test_far_above_for_a_short_time_is_no_matter_and_twice_in_a_row_trips() -> None:
    """15 % above nominal, 264.5 V, is our own figure."""
    rig = Rig().charging()
    for volts in (265.0, 231.0, 270.0, 264.0):
        rig.send("volts", f"{volts}")
    assert rig.codes == [] and rig.mode == "charging"
    rig.send("volts", "265")
    rig.send("volts", "265")
    assert rig.codes == ["voltage-out"] and rig.mode == "locked-out"
    rig.run(100.0)
    assert rig.codes == ["voltage-out"]  # five minutes at least
    rig.run(600.0, lambda: rig.mode == "charging")
    assert rig.mode == "charging"


def test_a_broken_neutral_latches_and_one_odd_sample_does_not() -> None:
    """20 % above nominal, 276 V, is our own figure: the network does not do that, a broken neutral does."""
    rig = Rig(plug_every_s=5.0).charging()
    rig.send("volts", "301")
    assert rig.codes == ["voltage-out"] and rig.mode == "locked-out"  # off at once, all the same
    rig.run(700.0, lambda: rig.mode == "charging")
    assert rig.mode == "charging"
    rig.volts = 301.0
    rig.run(15.0)
    assert rig.codes == ["voltage-dangerous", "voltage-out"]
    rig.volts = 231.0
    rig.run(2500.0)
    assert rig.codes == ["voltage-dangerous"] and rig.mode == "locked-out"
    rig.acknowledge().run(100.0)
    assert "voltage-dangerous" not in rig.codes


def test_a_voltage_low_without_a_load_holds_starts() -> None:
    """Source: EN 50160, ten-minute means at most 10 % below nominal: 207 V."""
    rig = Rig(volts=206.0, sun_w=-500.0).run(120.0)
    rig.sun_w = 3000.0
    assert hours_on(rig, 1.0) == 0.0
    assert rig.codes == ["voltage-low"] and rig.mode == "arming"
    rig.volts = 210.0
    rig.run(900.0, lambda: rig.mode == "charging")
    assert rig.mode == "charging" and rig.seen == ["voltage-low"]


def test_a_low_mean_under_load_ends_the_charge_and_is_foretold_afterwards() -> None:
    """Source: EN 50160, no ten-minute mean is more than 15 % below nominal: 195.5 V."""
    rig = Rig(volts=208.0, ohm=1.0)
    rig.charging().run(1000.0)
    rig.sun_w = -500.0
    rig.run(700.0)
    rig.sun_w = 3000.0
    rig.charging().run(1000.0)  # 202 V
    assert rig.seen == [] and rig.controller.lessons.mains.learned is not None
    rig.volts = 200.0
    rig.run(900.0, lambda: rig.mode == "locked-out")
    assert rig.codes == ["voltage-low", "voltage-sags"]
    assert hours_on(rig, 1.0) == 0.0  # nor is it tried again
    assert rig.codes == ["voltage-low"]


def test_a_bad_joint_ends_the_charge_and_is_a_matter_for_a_person_at_the_third_drop() -> None:
    """Source: IEC 60364-5-52 advises 5 % at the most from the supply to the load (from memory): 11.5 V of 230 V."""
    rig = Rig(volts=231.0, ohm=2.2)  # 13.1 V at 6 A, and nearly 80 W somewhere on the way
    assert hours_on(rig, 1.0) < 0.3
    assert rig.controller.today.starts == 2
    assert "circuit-resistance" in rig.codes
    assert rig.seen == ["voltage-sags", "voltage-sags", "circuit-resistance"]
    rig.ohm = 0.4  # an electrician has been there
    rig.acknowledge().run(7200.0, lambda: rig.mode == "charging")
    assert rig.mode == "charging" and rig.codes == []


def test_a_bad_joint_is_known_across_a_restart() -> None:
    rig = Rig(volts=231.0, ohm=2.2)
    rig.charging().run(1000.0)
    kept = rig.controller.kept()
    assert len(kept.ohms) == 2
    again = Controller(CONFIG.settings(), rig.at(), kept)
    assert again.lessons.mains.large_drops(1.9) == 2


def test_a_plug_that_measures_no_voltage_is_not_judged_by_it() -> None:
    rig = Rig(volts=None)
    assert hours_on(rig, 2.0) > 1.9
    assert rig.seen == []


def test_a_clock_jump_is_noted_for_an_hour() -> None:
    rig = Rig().charging()
    rig.controller.tell(news.ClockJumped(), rig.at())
    assert rig.codes == ["clock-jump"]
    assert rig.mode == "charging"
    rig.run(3700.0)
    assert rig.codes == []


def test_a_store_that_fails_ends_all_charging() -> None:
    rig = Rig().charging()
    rig.controller.tell(news.StoreFailing(True), rig.at())
    rig.run(600.0)
    assert rig.codes == ["store-failing"]
    assert rig.mode == "locked-out"
    rig.controller.tell(news.StoreFailing(False), rig.at())
    rig.run(100.0)
    assert rig.mode == "charging"


def test_a_ledger_that_fails_is_noted_and_ends_nothing() -> None:
    rig = Rig().charging()
    rig.controller.tell(news.HistoryFailing(True), rig.at())
    rig.run(600.0)
    assert rig.codes == ["history-failing"]
    assert rig.mode == "charging"
    rig.controller.tell(news.HistoryFailing(False), rig.at())
    assert rig.codes == []


def test_commands_in_floods_switch_off_until_somebody_has_looked() -> None:
    """An "off" may have been lost among them."""
    rig = Rig().charging()
    rig.controller.tell(news.Strained(True, False, False), rig.at())
    assert rig.codes == ["commands-flooded"]
    assert rig.mode == "locked-out"
    rig.controller.tell(news.Strained(False, False, False), rig.at())
    rig.run(3600.0)
    assert rig.codes == ["commands-flooded"]
    rig.controller.tell(news.Acknowledge("commands-flooded"), rig.at())
    rig.run(600.0)
    assert rig.codes == []
    assert rig.mode == "charging"


def test_a_name_that_another_load_claims_by_is_a_note() -> None:
    """Each would take the other's claims for its own; here they are told apart, and heard of as any two."""
    tables = CONFIG.model_dump(exclude_unset=True) | {"neighbours": {"rank": 1}}
    rig = Rig(config=Config.model_validate(tables))
    said = b'{"rank": 1, "stage": "idle", "lasts_s": 60, "mark": "another-1"}'
    rig.controller.tell(news.ClaimsLink("own"), rig.at())
    rig.controller.tell(news.Claimed(rig.config.charger.name, said, True), rig.at())
    assert rig.codes == []  # an earlier life's, kept by the broker
    rig.controller.tell(news.Claimed(rig.config.charger.name, said, False), rig.at())
    assert rig.codes == ["name-shared"]
    rig.run(1200.0)
    assert rig.codes == []


def test_readings_in_floods_are_a_note() -> None:
    """Of each topic the newest counts, so charging may go on."""
    rig = Rig().charging()
    rig.controller.tell(news.Strained(False, True, False), rig.at())
    rig.run(60.0)
    assert rig.codes == ["readings-flooded"]
    assert rig.mode == "charging"
    rig.controller.tell(news.Strained(False, False, False), rig.at())
    rig.run(600.0)
    assert rig.codes == []


def test_a_daemon_that_does_not_keep_up_switches_off() -> None:
    rig = Rig().charging()
    rig.controller.tell(news.Strained(False, False, True), rig.at())
    assert rig.codes == ["daemon-late"]
    assert rig.mode == "locked-out"
    rig.controller.tell(news.Strained(False, False, False), rig.at())
    rig.run(299.0)
    assert rig.mode == "locked-out"
    rig.run(600.0)
    assert rig.mode == "charging"


def test_a_lost_connection_for_readings_holds_starts() -> None:
    rig = Rig()
    rig.controller.tell(news.CommandsLink(False), rig.at())
    rig.run(300.0)
    assert rig.codes == ["broker-unheard"]
    assert rig.mode == "arming"
    rig.controller.tell(news.CommandsLink(True), rig.at())
    rig.report()
    rig.run(100.0)  # the pause counts from when the relay is known off again
    assert rig.mode == "charging"


def test_a_lost_broker_trips_and_clears_by_itself() -> None:
    rig = Rig().charging()
    rig.controller.tell(news.RelayLink(False), rig.at())
    assert rig.codes == ["broker-lost"]
    assert rig.mode == "locked-out"
    rig.controller.tell(news.RelayLink(True), rig.at())
    rig.contact = False
    rig.run(5.0)
    assert rig.codes == []


def test_latched_faults_image_and_repetitions_outlive_the_process() -> None:
    """Invariant 9."""
    rig = Rig().charging()
    rig.heat_c = 70.0
    rig.run(10.0)
    kept = rig.controller.kept()
    assert kept.level > 0.2
    again = Controller(CONFIG.settings(), rig.at(), kept)
    again.tell(news.CommandsLink(True), rig.at())
    again.tell(news.RelayLink(True), rig.at())
    again.tell(news.Message("heat", b"70", False), rig.at())
    again.tell(news.Tick(), rig.at())
    assert [record.code for record in again.faults] == ["socket-hot"]
    assert again.socket.level == pytest.approx(kept.level)
    assert not again.wants_on
    later = Moment(rig.now_s + 1800.0, 0, 0)
    cooled = Controller(CONFIG.settings(), later, kept._replace(on=False))
    assert cooled.socket.level == pytest.approx(kept.level / math.e, rel=1e-6)


class Reversed(Rig):
    """A plug that goes on when it gets the configured off, and off when it gets the on."""

    told: tuple[bool, bool] | None = None

    def follow(self) -> None:
        controller, wanted = self.controller, self.controller.wants_on
        if self.told != (wanted, controller.plug.exchanged):
            self.told = wanted, controller.plug.exchanged
            self.contact = wanted is controller.plug.exchanged
            controller.tell(news.Sending(wanted), self.at())
            controller.tell(news.Taken(wanted), self.at())
            self.report()
        self.seen += [str(event.fields["code"]) for event in controller.take_events() if event.name == "fault_raised"]


def test_exchanged_payloads_are_found_and_the_plug_is_kept_off() -> None:
    """Slow, welded, deaf and misread plugs, which must not be taken for it, are in test_reversal.py."""
    rig = Reversed().run(600.0)
    assert rig.codes[0] == "payloads-exchanged"
    assert rig.mode == "locked-out"
    assert not rig.contact
    assert rig.drawn_wh < 1380 * 120 / 3600
    rig.acknowledge().run(3600.0)
    assert rig.codes[0] == "payloads-exchanged"  # it waits for another configuration
    assert not rig.contact


# --- the main fuse ---------------------------------------------------------------------------------------------------

# Of 25 A at 230 V (IEC 60269-1, gG: it carries 1.25 times that for an hour; from memory), with room for what is not
# active power.
FUSED = CONFIG.model_copy(
    update={"main_fuse": MainFuse(import_limit_w=5000.0), "planned": PlannedTable(allow=True, time_cap_s=7200.0)}
)


def test_a_house_that_takes_more_than_its_main_fuse_is_to_carry_ends_the_charge_and_holds_the_next() -> None:
    rig = Rig(config=FUSED).run(120.0)
    assert rig.mode == "charging"
    rig.kettle_w = 6900.0  # the oven, the hob and the washing: 3000 W of them from the sun
    rig.run(9.0)
    assert rig.codes == []  # a motor may be starting
    rig.run(10.0)
    assert rig.codes == ["fuse-overloaded", "fuse-full"]
    assert rig.mode == "locked-out"
    assert not rig.contact
    rig.controller.tell(news.Planned(((rig.now_s, rig.now_s + 7200.0),)), rig.at())
    rig.run(600.0)
    assert rig.codes == ["fuse-full"]  # not even what is due begins where 3900 and 1380 W would be too much
    assert not rig.contact
    rig.kettle_w = 6500.0
    rig.run(60.0)
    assert rig.codes == []
    assert rig.mode == "charging"


def test_a_charge_goes_on_while_the_house_stays_within_its_main_fuse() -> None:
    rig = Rig(config=FUSED).run(120.0)
    rig.kettle_w = 6000.0
    rig.run(60.0)
    assert (rig.codes, rig.mode) == ([], "disarming")
    rig.kettle_w = 0.0
    assert rig.run(60.0).mode == "charging"


def three_phases(**charger: object) -> Rig:
    """A rig with a meter for each phase; its house, sun and lead are on the second."""
    config = CONFIG.model_dump(exclude_unset=True) | {
        "charger": {"current_a": 6.0, **charger},
        "meter": [
            {"topic": topic, "fresh_s": 600.0, "phase": phase}
            for phase, topic in enumerate(("one", "grid", "three"), start=1)
        ],
        "main_fuse": {"import_limit_w": 5000.0},
        "site": {"phases": "apart" if charger else "summed"},
    }
    return Rig(config=Config.model_validate(config))


def test_the_fullest_phase_decides_and_a_start_asks_the_lead_s_own() -> None:
    rig = three_phases()  # nobody said where the lead is
    for others_w, codes in ((3000.0, []), (3700.0, ["fuse-full"]), (3500.0, [])):
        rig.send("one", f"{others_w}")
        rig.send("three", f"{-others_w}")
        assert rig.run(10.0).codes == codes
    rig = three_phases(phase=2)
    rig.send("one", "3700")
    rig.send("three", "-3700")
    assert rig.run(80.0).mode == "charging"  # its own has room
    rig.send("one", "9000")
    assert rig.run(30.0).codes == []  # off, it would make no room there
    rig.sun_w = -4000.0
    assert "fuse-overloaded" in rig.run(30.0).codes


def test_where_phases_are_billed_apart_the_lead_s_own_decides() -> None:
    """Exported on another phase is not there for the lead; with phases summed up it is."""
    for charger, mode in (({}, "charging"), ({"phase": 2}, "idle")):
        rig = three_phases(**charger)
        rig.sun_w = 0.0
        rig.send("one", "0")
        rig.send("three", "-3000")
        assert rig.run(80.0).mode == mode


def test_without_a_fresh_reading_nobody_knows_what_the_main_fuse_carries() -> None:
    rig = Rig(config=FUSED, sun_w=-6000.0).run(60.0)
    assert rig.codes == ["fuse-full"]
    rig.silent = True
    assert rig.run(60.0).codes == ["meter-silent"]  # which starts nothing, either


def test_every_row_is_raised_by_a_test_here() -> None:
    """The table and these files are of one size."""
    files = (Path(__file__), *(Path(__file__).with_name(f"test_{name}.py") for name in ("battery", "hidden")))
    text = "".join(file.read_text(encoding="utf-8") for file in files)
    assert [fault.code for fault in FAULTS if f'"{fault.code}"' not in text] == []


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.code)
def test_rows_are_whole(fault: supervisor.Fault) -> None:
    assert fault.severity in supervisor.SEVERITY_NAMES
    assert fault.sentence.endswith(".")
    assert fault.remedy.endswith(".")
    assert fault.after_s >= 0
    assert fault.cooldown_most_s >= fault.cooldown_s
    assert FAULT_BY_CODE[fault.code] is fault
    if fault.severity == NOTE:
        assert not fault.latches
    if fault.latches:
        holds = fault.code in ("joint-lossy", "joint-grown")
        assert fault.severity == (machine.HOLD if holds else machine.TRIP)


# --- joints -----------------------------------------------------------------------------------------------------------

MANY_STARTS = CONFIG.model_copy(
    update={"control": CONFIG.control.model_copy(update={"starts_per_hour": 60, "starts_per_day": 96})}
)


def switched(rig: Rig, times: int) -> Rig:
    """Charge so many times, for some minutes each, as far as it may."""
    for _ in range(times):
        rig.sun_w = 3000.0
        rig.run(960.0, lambda: rig.mode == "charging")
        rig.run(320.0)
        rig.sun_w = -500.0
        rig.run(600.0, lambda: rig.mode in ("idle", "locked-out"))
        rig.run(120.0)
    return rig


@pytest.mark.parametrize(
    ("ohm", "code", "lost_w"),
    [(1.05, None, 0.0), (1.25, "joint-high", 3.0), (1.66, "joint-lossy", 15.3), (1.98, "joint-bad", 25.7)],
)
def test_a_circuit_that_loses_too_much_is_judged_by_watts(ohm: float, code: str | None, lost_w: float) -> None:
    """Source: 5 % of 230 V at 16 A (IEC 60364-5-52), and IEC 60725's 0.4 ohm (both from memory): 1.12 ohm are in order.

    What is beyond that heats something: by Ohm's law (ohm - 1.12) * 36 A2, less the least error of 0.05 ohm. None of
    these lets the voltage sink by 5 % at 6 A. The rig's current is that of 231 V: the ohms seem a twentieth less.
    """
    rig = switched(Rig(ohm=ohm, config=MANY_STARTS), 3)
    assert rig.seen == ([code] if code else [])
    if code is None:
        return
    assert rig.controller.joint_lost_w == pytest.approx(lost_w, abs=1.5)
    before = rig.controller.today.starts
    switched(rig, 1)
    goes_on = code == "joint-high"
    assert rig.controller.today.starts == before + goes_on
    if not goes_on:
        assert rig.acknowledge().codes == [] and rig.controller.lessons.mains.learned is None
        assert switched(rig, 1).controller.today.starts == before + 1  # and shows again, if it was not mended
        assert switched(rig, 1).seen == [code, code]


@pytest.mark.parametrize(
    ("more_ohm", "code", "lost_w"), [(0.18, "joint-grows", 6.5), (0.4, "joint-grown", 14.4), (0.86, "joint-bad", 28.0)]
)
def test_a_joint_that_gets_worse_is_found_and_a_look_begins_anew(more_ohm: float, code: str, lost_w: float) -> None:
    """By Ohm's law so much more is lost at 6 A; the first pieces are kept from moving the mean as far (28 for 31 W)."""
    rig = switched(Rig(ohm=0.25, config=MANY_STARTS), 9)
    joint = rig.controller.lessons.joint
    assert rig.seen == [] and joint is not None and joint.track("ohms").base == pytest.approx(0.25, abs=0.03)
    rig.ohm += more_ohm
    switched(rig, 7)
    assert rig.seen[-1] == code and rig.seen.count(code) == 1
    assert rig.controller.joint_lost_w == pytest.approx(lost_w, rel=0.15)
    kept = rig.controller.kept()
    assert kept.joint == joint.kept  # and a restart finds it at once
    again = Controller(rig.config.settings(), rig.at(), kept)
    assert again.lessons.grown(6.0) == rig.controller.lessons.grown(6.0)
    if code != "joint-grows":  # an acknowledgement by itself does not make of a bad joint the new beginning
        assert rig.mode in ("idle", "locked-out", "arming")
        before = rig.controller.today.starts
        assert switched(rig.acknowledge(), 1).codes == [code]
        assert rig.controller.today.starts == before and joint.track("ohms").pieces
    rig.controller.tell(news.Looked("pins bright"), rig.at())
    assert rig.codes == [] and joint.track("ohms").pieces == 0
    assert switched(rig, 1).mode != "locked-out" and joint.track("ohms").pieces > 0


def test_how_warm_the_air_is_goes_with_how_warm_the_socket_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until it is too old; and a charge that knew of none does not wait for any."""
    felt: list[float | None] = []
    monkeypatch.setattr(Warming, "feels", lambda _, _at_s, _heat_c, air_c: felt.append(air_c))
    relay = CONFIG.relay.model_copy(update={"surroundings": Surroundings(topic="air", fresh_s=600.0)})
    rig = Rig(config=CONFIG.model_copy(update={"relay": relay})).charging()
    assert felt and set(felt) == {None}
    felt.clear()
    rig.send("air", "18.5")
    rig.run(590.0)
    assert felt and set(felt) == {18.5}
    rig.run(60.0)
    assert felt[-1] is None and rig.codes == []


def test_who_measures_nothing_has_nothing_of_it() -> None:
    relay = CONFIG.relay.model_copy(update={"power": None, "temperature": None, "voltage": None})
    rig = switched(Rig(ohm=3.0, config=MANY_STARTS.model_copy(update={"relay": relay})), 3)
    assert rig.controller.today.starts == 3 and rig.seen == []
    assert rig.controller.lessons.joint is None and rig.controller.kept().joint is None


def test_a_reminder_stops_nothing_and_a_look_ends_it() -> None:
    rig = Rig().charging()
    rig.controller.tell(news.Worn(look_due=True, relay_worn=True), rig.at())
    rig.run(10.0)
    assert rig.codes == ["look-due", "relay-worn"] and rig.mode == "charging"
    rig.controller.tell(news.Looked(""), rig.at())
    assert rig.codes == ["relay-worn"]
    rig.controller.tell(news.Worn(), rig.at())
    assert rig.codes == []
