"""The controller without a shell: messages and moments by hand, wishes and events back."""

from __future__ import annotations

import inspect
import json
import math
import re
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control import ahead, machine, news
from surpluscharge.control.controller import Controller, Event, Kept, Moment, Settings, Tally
from surpluscharge.control.economics import Prices
from surpluscharge.control.machine import MODE_NAMES, Params
from surpluscharge.control.news import News
from surpluscharge.control.rule import Band, Rule, Way
from surpluscharge.control.signals import REJECTIONS, Contact, Source
from surpluscharge.control.supervisor import FAULT_BY_CODE, Record, Situation
from surpluscharge.control.wishes import Progress
from tests.conftest import config_from

DRAW_W, DRAW_A = 1200.0, 5.0  # 20 Wh a minute: easy to count by hand
LONG_S = 1e7  # a meter that never goes stale, for tests about something else
MOVES_S = 100.0
SUN_W, SHADE_W, CLOUD_W = -1500.0, 200.0, 2000.0  # enough to start, not enough to stop, enough to stop

PARAMS = Params(
    start_export_w=DRAW_W,
    stop_import_w=300.0,
    start_delay_s=40.0,
    stop_delay_s=100.0,
    min_on_s=400.0,
    min_off_s=300.0,
    starts_per_hour=4,
    starts_per_day=16,
    time_cap_s=20000.0,
    energy_cap_wh=math.inf,
    rearm_daily=True,
)

HEAT = Source("t", None, 1.0, "net-import", LONG_S, 200.0)
LIMITS = config_from().limits._replace(draw_w=DRAW_W)


def make_settings(
    fresh_s: float = LONG_S, *, power_fresh_s: float | None = None, contact: bool = False, **changes: Any
) -> Settings:
    """Meter on topic "m"; on request the plug's meter on "p" and its report on "c"."""
    params = PARAMS._replace(**changes)
    band = Band(params.start_export_w, params.stop_import_w)
    return Settings(
        params=params,
        rule=Rule(Way.FIXED, band, params.min_on_s, params.min_off_s),
        limits=LIMITS,
        draw_a=DRAW_A,
        mains_v=DRAW_W / DRAW_A,
        grid=(Source("m", None, 1.0, "net-import", fresh_s, 20000.0),),
        power=None if power_fresh_s is None else Source("p", None, 1.0, "import-only", power_fresh_s, 9000.0),
        contact=Contact("c", None, "on", "off") if contact else None,
    )


class Rig:
    """A controller, its time, and a relay that obeys at once unless it is told not to.

    A meter that never goes stale moves by a milliwatt every MOVES_S, so that it is not taken to be frozen.
    """

    def __init__(
        self, settings: Settings, kept: Kept | None = None, now_s: float = 1000.0, *, trusted: bool = True
    ) -> None:
        self.now_s, self.session_day, self.today = now_s, 10, 20
        self.controller = Controller(settings, self.at, kept, trusted=trusted)
        self.events: list[Event] = []
        self.obeys = True
        self.meter_w: float | None = None
        self.moves_s = math.inf

    @property
    def at(self) -> Moment:
        return Moment(self.now_s, self.session_day, self.today)

    @property
    def mode(self) -> str:
        return MODE_NAMES[self.controller.state.mode]

    @property
    def faults(self) -> list[str]:
        return [record.code for record in self.controller.faults]

    def tell(self, happened: News) -> None:
        self.controller.tell(happened, self.at)
        self.events += self.controller.take_events()
        if self.obeys and self.controller.plug.link_up and not self.controller.plug.confirmed(self.controller.wants_on):
            self.obey()

    def obey(self) -> None:
        """Let the command go out, be taken, and be reported, all at once."""
        on = self.controller.wants_on
        self.acknowledge(on)
        if self.controller.settings.contact:
            self.controller.tell(news.Message("c", b"on" if on else b"off", False), self.at)
        self.events += self.controller.take_events()

    def acknowledge(self, on: bool) -> None:
        self.controller.tell(news.Sending(on), self.at)
        self.controller.tell(news.Taken(on), self.at)
        self.events += self.controller.take_events()

    def send(self, topic: str, payload: str | float, retained: bool = False) -> None:
        if topic == "m" and isinstance(payload, int | float) and self.controller.grid.sources[0].fresh_s == LONG_S:
            self.meter_w, self.moves_s = payload, self.now_s + MOVES_S
        self.tell(news.Message(topic, str(payload).encode(), retained))

    def go_on(self, most_s: float) -> None:
        """Let time pass until the next call that the shell would make, but no longer than to ``most_s``."""
        self.now_s = min(self.controller.deadline_s(), max(self.moves_s, self.now_s), most_s)
        if self.meter_w is not None and self.now_s >= self.moves_s:
            self.send("m", self.meter_w + 0.001 if self.meter_w == round(self.meter_w) else round(self.meter_w))
        else:
            self.tell(news.Tick())

    def wait(self, seconds: float) -> None:
        """Let time pass as the shell does: a call at each deadline, and one at the end."""
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            assert self.controller.deadline_s() > self.now_s
            self.go_on(end_s)
        self.tell(news.Tick())

    def wait_until(self, mode: str, most_s: float = 100000.0) -> float:
        """Let time pass until a mode is reached, and return how long that took."""
        start_s = self.now_s
        while self.mode != mode:
            assert self.now_s < start_s + most_s, f"{self.mode}, and no {mode} in sight"
            self.go_on(start_s + most_s)
        return self.now_s - start_s

    def said(self, name: str) -> list[dict[str, Any]]:
        return [dict(event.fields) for event in self.events if event.name == name]


def connected(settings: Settings, kept: Kept | None = None, now_s: float = 1000.0) -> Rig:
    rig = Rig(settings, kept, now_s)
    rig.tell(news.RelayLink(True))
    rig.tell(news.CommandsLink(True))
    return rig


def charging(settings: Settings) -> Rig:
    """Return a rig that has just begun to charge: enabled in full sun, after the minimum-off time."""
    rig = connected(settings)
    if settings.power:
        rig.send("p", 0)
    rig.wait(settings.params.min_off_s)
    rig.send("m", SUN_W)
    rig.tell(news.Enable(True))
    assert rig.mode == "charging"
    rig.events.clear()
    return rig


# --- what is known of the relay --------------------------------------------------------------------------------------


@pytest.mark.parametrize("on", [True, False])
@pytest.mark.parametrize("link_up", [None, True, False])
@pytest.mark.parametrize("acknowledged", [None, True, False])
@pytest.mark.parametrize("reported", [None, True, False])
@pytest.mark.parametrize("contact", [True, False])
def test_the_relay_is_known_only_when_all_who_can_tell_agree(
    *, on: bool, link_up: bool | None, acknowledged: bool | None, reported: bool | None, contact: bool
) -> None:
    controller = Rig(make_settings(contact=contact)).controller
    controller.plug.link_up, controller.plug.acknowledged, controller.plug.reported = link_up, acknowledged, reported
    told = link_up is True and acknowledged is not None and acknowledged == on
    agreed = not contact or (reported is not None and reported == on)
    assert controller.plug.confirmed(on) is (told and agreed)


def test_a_command_under_way_makes_the_relay_unknown_until_it_is_taken() -> None:
    rig = connected(make_settings())
    rig.obeys = False
    assert rig.controller.plug.confirmed(False)
    rig.tell(news.Sending(False))
    assert rig.controller.plug.confirmed(False)  # said again: that takes no knowledge away
    rig.tell(news.Sending(True))
    assert not rig.controller.plug.confirmed(False)
    assert not rig.controller.plug.confirmed(True)
    rig.tell(news.Taken(True))
    assert rig.controller.plug.confirmed(True)


@pytest.mark.parametrize("up", [True, False])
def test_a_change_of_the_relays_connection_takes_away_what_the_broker_said(up: bool) -> None:
    rig = connected(make_settings(contact=True))
    rig.obeys = False
    assert rig.controller.plug.confirmed(False)
    rig.tell(news.RelayLink(up))
    assert rig.controller.plug.acknowledged is None
    assert not rig.controller.plug.confirmed(False)


def test_a_gap_in_what_is_heard_takes_away_what_the_plug_said() -> None:
    rig = connected(make_settings(contact=True))
    rig.obeys = False
    assert rig.controller.plug.confirmed(False)
    rig.tell(news.CommandsLink(False))
    rig.tell(news.CommandsLink(True))
    assert rig.controller.plug.reported is None
    assert not rig.controller.plug.confirmed(False)


def test_nothing_starts_while_nothing_is_heard() -> None:
    rig = connected(make_settings())
    rig.wait(300)
    rig.tell(news.CommandsLink(False))
    rig.tell(news.Enable(True))
    rig.send("m", SUN_W)
    rig.wait(5000)
    assert (rig.mode, rig.faults) == ("arming", ["broker-unheard"])
    rig.tell(news.CommandsLink(True))
    assert rig.mode == "charging"  # the export has held for long enough, and is still fresh
    rig.tell(news.CommandsLink(False))  # and what runs goes on for as long as the last reading is good
    assert (rig.mode, rig.faults) == ("charging", ["broker-unheard"])


def test_reports_are_taken_retained_or_not_and_told_when_they_change() -> None:
    rig = connected(make_settings(contact=True))
    rig.obeys = False
    rig.events.clear()
    rig.send("c", "off")
    rig.send("c", "on", retained=True)
    rig.send("c", "ON")
    assert rig.controller.plug.reported is True
    assert rig.said("relay_reported") == [{"on": True, "wanted": False}]


def test_nothing_starts_while_the_relay_is_not_known_to_be_off() -> None:
    rig = Rig(make_settings())
    rig.obeys = False
    rig.tell(news.CommandsLink(True))
    rig.tell(news.RelayLink(True))
    rig.tell(news.Enable(True))
    rig.send("m", SUN_W)
    rig.wait(5000)
    assert rig.mode == "arming"
    rig.obeys = True
    rig.acknowledge(False)
    assert rig.wait_until("charging") == 300  # the minimum-off time runs only from here


def test_a_relay_that_somebody_switched_on_begins_the_minimum_off_time_anew() -> None:
    rig = charging(make_settings(contact=True))
    rig.wait(600)
    rig.tell(news.Enable(False))
    rig.tell(news.Enable(True))
    off_s = rig.now_s
    assert (rig.mode, rig.controller.plug.confirmed(False)) == ("arming", True)
    rig.obeys = False
    rig.wait(100)
    rig.send("c", "on")
    rig.wait(19.9)  # after 20 s the relay would count as stuck
    assert rig.faults == []
    rig.send("c", "off")
    rig.obeys = True
    rig.wait_until("charging")
    assert rig.now_s == off_s + 119.9 + 300
    assert rig.said("fault_raised") == []


def test_a_relay_that_stays_on_after_somebody_switched_it_on_locks_out_until_somebody_has_looked() -> None:
    rig = charging(make_settings(contact=True))
    rig.wait(600)
    rig.tell(news.Enable(False))
    rig.tell(news.Enable(True))
    off_s = rig.now_s
    rig.obeys = False
    rig.wait(100)
    rig.send("c", "on")
    rig.wait(20)
    assert (rig.mode, rig.faults) == ("locked-out", ["relay-stuck-on"])
    rig.wait(10)
    assert rig.faults == ["relay-not-off", "relay-stuck-on"]
    rig.wait(30)
    rig.send("c", "off")
    assert (rig.mode, rig.faults) == ("locked-out", ["relay-stuck-on"])
    rig.obeys = True
    rig.tell(news.Acknowledge(None))
    assert (rig.mode, rig.faults) == ("arming", [])
    rig.wait_until("charging")
    assert rig.now_s == off_s + 160 + 300  # the whole minimum-off time, from when it was known to be off again
    assert [event["code"] for event in rig.said("fault_raised")] == ["relay-stuck-on", "relay-not-off"]
    assert [event["code"] for event in rig.said("fault_cleared")] == ["relay-not-off", "relay-stuck-on"]
    assert [event["code"] for event in rig.said("fault_acknowledged")] == ["relay-stuck-on"]


# --- faults ----------------------------------------------------------------------------------------------------------


def test_no_connection_yet_is_no_lost_connection() -> None:
    rig = Rig(make_settings())
    rig.wait(1000)
    assert "broker-lost" not in rig.faults
    rig.tell(news.RelayLink(True))
    rig.tell(news.RelayLink(False))
    assert "broker-lost" in rig.faults


def test_a_lost_connection_trips_at_once_and_clears_when_it_is_back() -> None:
    rig = charging(make_settings())
    rig.wait(10)  # well within the minimum-on time
    rig.tell(news.RelayLink(False))
    assert (rig.mode, rig.controller.wants_on, rig.faults) == ("locked-out", False, ["broker-lost"])
    rig.wait(1000)
    assert rig.mode == "locked-out"
    rig.tell(news.RelayLink(True))
    assert (rig.mode, rig.faults) == ("arming", [])
    # Nobody knew the relay to be off while the connection was gone: all of the minimum-off time is still to come.
    assert rig.wait_until("charging") == 300
    assert [(event["code"]) for event in rig.said("fault_raised")] == ["broker-lost"]
    assert [(event["code"]) for event in rig.said("fault_cleared")] == ["broker-lost"]
    assert [(event["new"], event["cause"]) for event in rig.said("state_changed")][-4:] == [
        ("locked-out", "tripped"),
        ("idle", "cleared"),
        ("arming", "surplus-seen"),
        ("charging", "surplus-held"),
    ]


def test_a_broker_that_is_gone_is_no_relay_that_is_stuck() -> None:
    """What the plug last said came by the same broker, and says nothing of what it did since."""
    rig = charging(make_settings(contact=True))
    rig.wait(200)
    assert rig.controller.plug.reported is True
    rig.tell(news.RelayLink(False))
    rig.tell(news.CommandsLink(False))
    rig.wait(600)
    assert rig.faults == ["broker-unheard", "broker-lost"]


def test_a_relay_that_does_not_switch_on_trips_after_its_time() -> None:
    fault = FAULT_BY_CODE["relay-not-on"]
    rig = connected(make_settings(contact=True, start_delay_s=0.0))
    rig.wait(300)
    rig.obeys = False
    rig.tell(news.Enable(True))
    rig.send("m", SUN_W)
    on_s = rig.now_s
    assert rig.mode == "charging"
    rig.acknowledge(True)  # the broker took it; the plug says nothing
    rig.wait(fault.after_s - 0.5)
    assert (rig.mode, rig.faults) == ("charging", [])
    assert rig.controller.deadline_s() == on_s + fault.after_s
    rig.wait(0.5)
    assert (rig.mode, rig.controller.wants_on, rig.faults) == ("locked-out", False, ["relay-not-on"])
    rig.obeys = True
    rig.acknowledge(False)
    rig.send("c", "off")
    # The minimum-off time and the start delay have passed by then.
    assert rig.wait_until("charging") == fault.cooldown_s == 600
    assert rig.faults == []


def test_a_relay_that_switches_on_late_but_in_time_does_not_trip() -> None:
    rig = connected(make_settings(contact=True))
    rig.wait(300)
    rig.obeys = False
    rig.send("m", SUN_W)
    rig.tell(news.Enable(True))
    rig.acknowledge(True)
    rig.wait(29.9)
    rig.send("c", "on")
    rig.wait(1000)
    assert (rig.mode, rig.faults) == ("charging", [])


def test_a_relay_that_goes_off_by_itself_trips() -> None:
    """For example a plug whose hold time ran out, or which somebody pressed."""
    fault = FAULT_BY_CODE["switched-elsewhere"]
    rig = charging(make_settings(contact=True))
    rig.wait(200)
    rig.obeys = False
    rig.send("c", "off")
    rig.wait(fault.after_s - 0.1)
    assert rig.mode == "charging"
    rig.wait(0.1)
    assert (rig.mode, rig.faults) == ("locked-out", ["switched-elsewhere"])
    rig.obeys = True
    rig.acknowledge(False)
    assert rig.wait_until("charging") == fault.cooldown_s + rig.controller.settings.params.start_delay_s == 940


def test_a_relay_that_goes_off_and_on_in_passing_does_not_trip() -> None:
    rig = charging(make_settings(contact=True))
    rig.wait(200)
    rig.obeys = False
    for _ in range(3):
        rig.send("c", "off")
        rig.wait(FAULT_BY_CODE["switched-elsewhere"].after_s - 0.1)
        rig.send("c", "on")
        rig.wait(60)
    assert (rig.mode, rig.faults) == ("charging", [])


def test_a_relay_that_says_on_after_off_is_stuck_and_locks_out_until_somebody_has_looked() -> None:
    rig = charging(make_settings(contact=True))
    rig.wait(600)
    rig.obeys = False
    rig.tell(news.Enable(False))
    rig.acknowledge(False)
    rig.wait(100)
    assert rig.faults == ["relay-not-off"]  # it last said on before it was told off: that proves nothing yet
    rig.tell(news.Sending(True))  # once more, from the beginning
    rig.acknowledge(False)
    rig.send("c", "on")
    rig.wait(30)
    assert rig.faults == ["relay-not-off"]
    assert rig.controller.inputs.guard == machine.HOLD
    rig.wait(9.9)
    assert rig.faults == ["relay-not-off"]
    rig.wait(0.1)
    assert rig.faults == ["relay-not-off", "relay-stuck-on"]
    assert rig.controller.inputs.guard == machine.TRIP
    assert [event.level for event in rig.events if event.name == "fault_raised"] == ["warning", "warning"]
    rig.tell(news.Enable(True))
    rig.wait(5000)
    assert rig.mode == "locked-out"
    rig.send("c", "off")
    rig.wait(5000)
    assert (rig.mode, rig.faults) == ("locked-out", ["relay-stuck-on"])
    rig.obeys = True
    rig.tell(news.Acknowledge("over-current"))
    rig.wait(1)
    assert rig.faults == ["relay-stuck-on"]
    rig.tell(news.Acknowledge("relay-stuck-on"))
    assert rig.faults == []
    assert rig.wait_until("charging") == 40  # the minimum-off time has passed meanwhile, the start delay has not


def test_a_relay_that_is_not_known_to_go_off_is_a_hold() -> None:
    rig = charging(make_settings())
    rig.wait(600)
    rig.obeys = False
    rig.tell(news.Enable(False))
    rig.tell(news.Sending(False))  # and the broker does not say that it took it
    rig.wait(29.9)
    assert rig.faults == []
    rig.wait(0.1)
    assert rig.faults == ["relay-not-off"]
    assert rig.controller.inputs.guard == machine.HOLD
    assert rig.said("fault_raised")[-1]["code"] == "relay-not-off"
    assert [event.level for event in rig.events if event.name == "fault_raised"] == ["warning"]
    rig.tell(news.Enable(True))
    rig.wait(5000)
    assert rig.mode == "arming"
    rig.acknowledge(False)
    assert rig.faults == []
    assert rig.wait_until("charging") == 300


def test_a_meter_that_speaks_seldom_is_not_frozen() -> None:
    """Every four minutes, each time something else: what is fresh for so long may be silent for so long."""
    rig = charging(make_settings(fresh_s=600.0))
    for reading_w in (-1400, -1450, -1390):
        rig.wait(240)
        rig.send("m", reading_w)
    assert (rig.mode, rig.faults) == ("charging", [])


def test_a_silent_meter_is_noted_and_locks_out_only_what_is_on() -> None:
    rig = charging(make_settings(fresh_s=30.0))
    rig.wait(30)
    assert (rig.mode, rig.faults) == ("locked-out", [])
    rig.wait(15)
    assert (rig.mode, rig.faults) == ("locked-out", ["meter-silent"])
    assert rig.controller.inputs.guard == machine.CLEAR
    assert [event.level for event in rig.events if event.name == "fault_raised"] == ["info"]
    rig.send("m", SHADE_W)
    assert (rig.mode, rig.faults) == ("idle", [])


# --- readings --------------------------------------------------------------------------------------------------------


def test_what_cannot_be_used_is_counted_and_told_at_most_once_a_minute() -> None:
    rig = connected(make_settings())
    rig.events.clear()
    for _ in range(1000):
        rig.send("m", "nonsense")
        rig.wait(0.25)
    counts = rig.controller.refusals.counts
    assert counts == {("m", "not-a-number"): 1000}
    lines = rig.said("message_refused")
    assert [line["times"] for line in lines] == [1, 240, 240, 240, 240]  # at 0, 60, 120, 180 and 240 s
    assert {(line["topic"], line["reason"], line["payload"]) for line in lines} == {("m", "not-a-number", "nonsense")}
    rig.send("m", "NaN")  # another reason has a line of its own
    assert rig.said("message_refused")[-1]["reason"] == "not-finite"


def test_counters_are_bounded_whatever_comes() -> None:
    rig = connected(make_settings(power_fresh_s=90.0, contact=True))
    payloads = ["", "x", "NaN", "1e9", "-1", "-1e9", "on", "5", "{}", "\x00", "9" * 70000]
    for number in range(40):
        for topic in ("m", "p", "c", "elsewhere", f"elsewhere/{number}"):
            for payload in payloads:
                rig.send(topic, payload, retained=number % 2 == 0)
            rig.tell(news.Message(topic, b"\xff", False))
    assert {topic for topic, _ in rig.controller.refusals.counts} == {"m", "p", "c"}
    assert {reason for _, reason in rig.controller.refusals.counts} <= set(REJECTIONS)
    assert len(rig.controller.refusals.counts) <= 3 * len(REJECTIONS)
    assert len(rig.said("message_refused")) == len(rig.controller.refusals.counts)  # no time has passed: one line each
    assert all(len(line["payload"]) <= 4 * 40 + 3 for line in rig.said("message_refused"))


def test_a_retained_reading_is_refused_without_alarm() -> None:
    rig = connected(make_settings())
    rig.events.clear()
    rig.send("m", SUN_W, retained=True)
    assert [(event.name, event.level) for event in rig.events] == [("message_refused", "info")]
    assert rig.controller.grid.value is None
    rig.send("m", "x")
    assert [(event.name, event.level) for event in rig.events][1:] == [("message_refused", "warning")]


def test_one_topic_may_serve_every_purpose() -> None:
    settings = make_settings()._replace(
        grid=(Source("t", "/grid", 1.0, "net-import", LONG_S, 20000.0),),
        power=Source("t", "/plug/w", 1.0, "import-only", LONG_S, 9000.0),
        contact=Contact("t", "/plug/state", "on", "off"),
    )
    rig = connected(settings)
    rig.obeys = False
    rig.events.clear()
    rig.send("t", '{"grid": -700, "plug": {"w": 4.5, "state": "off"}}')
    assert rig.controller.refusals.counts == {}
    assert (rig.controller.grid.value, rig.controller.plug.power.value, rig.controller.plug.reported) == (
        -700,
        4.5,
        False,
    )
    rig.send("t", '{"grid": -800, "plug": {"state": "on"}}')  # what one cannot use, the others may
    assert rig.controller.refusals.counts == {("t", "pointer-misses"): 1}
    assert (rig.controller.grid.value, rig.controller.plug.power.value, rig.controller.plug.reported) == (
        -800,
        4.5,
        True,
    )


@pytest.mark.parametrize(
    ("plug", "left_out"),
    [
        ({"c": 21.5, "v": 229.0}, "w"),
        ({"w": 4.5, "v": 229.0}, "c"),
        ({"w": 4.5, "c": 21.5}, "v"),
    ],
)
def test_one_topic_may_serve_all_of_the_plugs_meters(plug: dict[str, float], left_out: str) -> None:
    """Each takes what it can use, whatever another one misses."""
    settings = make_settings()._replace(
        power=Source("t", "/w", 1.0, "import-only", LONG_S, 9000.0),
        temperature=Source("t", "/c", 1.0, "net-import", LONG_S, 200.0),
        voltage=Source("t", "/v", 1.0, "import-only", LONG_S, 500.0),
    )
    rig = connected(settings)
    rig.send("t", json.dumps(plug))
    controller = rig.controller
    taken = {"w": controller.plug.power.value, "c": controller.temperature.value, "v": controller.plug.voltage.value}
    assert taken == plug | {left_out: None}
    assert controller.refusals.counts == {("t", "pointer-misses"): 1}


def test_readings_are_told_at_the_debug_level_only() -> None:
    rig = connected(make_settings(power_fresh_s=90.0))
    rig.events.clear()
    rig.send("m", -200)
    rig.send("p", 3.5)
    assert rig.events == [
        Event("reading", "debug", {"of": "grid", "value": -200.0}),
        Event("reading", "debug", {"of": "charger", "value": 3.5}),
    ]


def test_readings_outlive_a_gap_by_their_freshness() -> None:
    rig = charging(make_settings(power_fresh_s=LONG_S, contact=True))
    value = rig.controller.grid.value
    rig.tell(news.CommandsLink(False))
    rig.tell(news.CommandsLink(True))
    assert rig.mode == "charging"  # a short gap ends no charge
    assert rig.controller.grid.value == value


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["m", "p", "c", "x"]),
            st.binary(max_size=30) | st.floats().map(lambda value: repr(value).encode()),
            st.booleans(),
            st.floats(0, 100),
        ),
        max_size=20,
    )
)
def test_no_message_raises(messages: list[tuple[str, bytes, bool, float]]) -> None:
    rig = connected(make_settings(fresh_s=30.0, power_fresh_s=60.0, contact=True))
    rig.obeys = False
    for topic, payload, retained, gap_s in messages:
        rig.wait(gap_s)
        rig.tell(news.Message(topic, payload, retained))
        assert rig.controller.deadline_s() > rig.now_s


# --- the charger's power ---------------------------------------------------------------------------------------------


def test_what_the_broker_has_kept_of_it_from_before_the_on_is_no_witness_to_the_off() -> None:
    """It is delivered again at each new connection (11); what differs from what was heard last is news."""
    rig = connected(make_settings(contact=True))
    rig.send("c", "off", retained=True)
    rig.wait(rig.controller.settings.params.min_off_s)
    rig.send("m", SUN_W)
    rig.obeys = False  # out of reach from now on
    rig.tell(news.Enable(True))
    rig.acknowledge(True)
    assert rig.mode == "charging"
    rig.wait(25.0)
    rig.tell(news.Enable(False))
    rig.acknowledge(False)
    plug = rig.controller.plug
    for _ in range(2):
        rig.tell(news.CommandsLink(False))
        rig.tell(news.CommandsLink(True))
        rig.wait(1.0)
        rig.send("c", "off", retained=True)
        assert plug.confirmed(False) and not plug.witnessed(False)
    rig.send("c", "on", retained=True)
    assert not plug.confirmed(False)
    rig.send("c", "off", retained=True)
    assert plug.witnessed(False)


@pytest.mark.parametrize("followed", [True, False])
def test_nor_is_it_to_the_off_of_the_next_daemon(*, followed: bool) -> None:
    """Killed as it had told the plug on; where that had said that it is on, an off that is kept came after that."""
    rig = connected(make_settings(contact=True))
    rig.send("c", "off", retained=True)
    rig.wait(rig.controller.settings.params.min_off_s)
    rig.send("m", SUN_W)
    rig.obeys = followed
    rig.tell(news.Enable(True))
    assert rig.controller.kept().on
    again = Rig(rig.controller.settings, rig.controller.kept(), rig.now_s + 5.0)
    again.obeys = False
    again.tell(news.RelayLink(True))
    again.tell(news.CommandsLink(True))
    again.acknowledge(False)
    again.send("c", "off", retained=True)
    assert again.controller.plug.confirmed(False)
    assert again.controller.plug.witnessed(False) is followed
    again.send("c", "off")
    assert again.controller.plug.witnessed(False)


@pytest.mark.parametrize("heard", [True, False])
def test_a_plug_that_comes_back_on_after_it_was_out_of_reach_has_been_on_all_the_while(*, heard: bool) -> None:
    """Its last report was from before it was told on, and passed for off (invariant 5). One heard since is believed."""
    rig = charging(make_settings(contact=True))
    rig.tell(news.Enable(False))
    rig.wait(rig.controller.settings.params.min_off_s)
    rig.obeys = False  # out of reach from now on
    rig.tell(news.Enable(True))
    rig.acknowledge(True)
    rig.wait(25.0)
    rig.tell(news.Enable(False))
    rig.acknowledge(False)
    assert rig.controller.plug.confirmed(False) and not rig.controller.plug.may_be_on
    assert not rig.controller.plug.witnessed(False) and not rig.controller.inputs.off_confirmed  # (11)
    if heard:
        rig.send("c", "off")
        assert rig.controller.plug.witnessed(False) and rig.controller.inputs.off_confirmed
    before, _level = rig.controller.state, rig.controller.socket.level
    rig.wait(200.0)
    rig.send("c", "on")
    unseen_s = rig.controller.state.session_s - before.session_s
    assert unseen_s == (0.0 if heard else pytest.approx(200.0, abs=0.1))
    assert rig.controller.state.session_wh - before.session_wh == pytest.approx(DRAW_W * unseen_s / 3600)
    rig.wait(10.0)  # from here on it is known to be on
    assert rig.controller.state.session_s - before.session_s == pytest.approx(unseen_s + 10.0)


def test_what_a_plug_that_says_it_is_off_does_not_draw_is_not_booked() -> None:
    """Told on, and not followed: until the fault it counted as charging, 11 Wh of sun a try."""
    rig = charging(make_settings(contact=True))
    rig.tell(news.Enable(False))
    rig.wait(rig.controller.settings.params.min_off_s)
    rig.obeys = False
    before = rig.controller.today
    rig.tell(news.Enable(True))
    rig.acknowledge(True)
    rig.wait(20.0)
    assert rig.controller.wants_on and not rig.controller.known
    assert rig.controller.today.charger_wh == before.charger_wh
    assert rig.controller.today.unknown_s - before.unknown_s == pytest.approx(20.0, abs=0.1)
    rig.send("c", "on")
    assert rig.controller.known
    rig.wait(10.0)
    assert rig.controller.today.charger_wh - before.charger_wh == pytest.approx(DRAW_W * 10 / 3600, rel=0.05)


def test_a_plug_that_is_never_heard_again_counts_as_on_for_a_while_only() -> None:
    """It may have gone on out of reach; or it never got the "on", and reports only changes (invariant 5)."""
    rig = charging(make_settings(contact=True))
    rig.tell(news.Enable(False))
    rig.wait(rig.controller.settings.params.min_off_s)
    rig.obeys = False
    rig.tell(news.Enable(True))
    rig.acknowledge(True)
    rig.wait(25.0)
    rig.tell(news.Enable(False))
    rig.acknowledge(False)
    before = rig.controller.state
    rig.wait(2000.0)
    assert 600.0 <= rig.controller.state.session_s - before.session_s <= 700.0  # to the next look after ten minutes
    assert rig.controller.charger_w == 0.0  # nothing of it is in the books: nobody saw it


def test_a_learned_draw_is_for_the_books_and_never_loosens_a_cap() -> None:
    rig = charging(make_settings())
    for share, for_the_cap in ((0.7, 1.0), (1.2, 1.2)):
        rig.tell(news.Learn(share * DRAW_W))
        rig.wait(1)
        assert rig.controller.charger_w == share * DRAW_W
        assert rig.controller.inputs.charger_w == for_the_cap * DRAW_W
    rig.tell(news.Enable(False))
    assert (rig.controller.charger_w, rig.controller.inputs.charger_w) == (0.0, 0.0)


def test_the_draw_is_measured_while_the_plug_tells_and_assumed_otherwise() -> None:
    rig = charging(make_settings(power_fresh_s=90.0))
    rig.send("p", 1150)
    assert (rig.controller.inputs.charger_w, rig.controller.plug.measured) == (1150.0, True)
    rig.wait(89)
    assert (rig.controller.inputs.charger_w, rig.controller.plug.measured) == (1150.0, True)
    rig.wait(1)
    assert (rig.controller.inputs.charger_w, rig.controller.plug.measured) == (DRAW_W, False)
    rig.tell(news.Enable(False))
    assert (rig.controller.inputs.charger_w, rig.controller.plug.measured) == (0.0, False)
    rig.send("p", 700)  # the relay should be off; what flows, flows all the same
    assert (rig.controller.inputs.charger_w, rig.controller.plug.measured) == (700.0, True)


def test_the_deadline_includes_the_moment_the_draw_is_no_longer_measured() -> None:
    """Until then 100 W are counted, from then on the whole draw: 90 s at 100 W and 810 s at 1200 W."""
    rig = charging(make_settings(power_fresh_s=90.0))
    rig.send("p", 100)
    rig.wait(900)
    assert rig.controller.state.session_wh == pytest.approx((90 * 100 + 810 * DRAW_W) / 3600)


# --- energy ----------------------------------------------------------------------------------------------------------


def test_energy_is_split_as_a_person_would() -> None:
    rig = charging(make_settings(min_on_s=3000.0))
    rig.send("m", 300)
    rig.wait(600)  # 200 Wh, of it 300 W for ten minutes from the grid: 50 Wh
    rig.send("m", CLOUD_W)
    rig.wait(300)  # 100 Wh, all of it from the grid
    rig.send("m", SUN_W)
    rig.wait(600)  # 200 Wh, none of it
    today = rig.controller.today
    assert today.on_s == pytest.approx(1500)
    assert today.charger_wh == pytest.approx(500)
    assert today.grid_wh == pytest.approx(150)
    assert rig.controller.state.session_wh == pytest.approx(500)


def test_energy_is_not_counted_across_a_gap() -> None:
    rig = connected(make_settings(fresh_s=60.0, power_fresh_s=LONG_S))
    rig.send("m", 500)
    rig.send("p", 1200)
    rig.wait(600)  # known for one minute only
    assert rig.controller.today.charger_wh == pytest.approx(20)
    assert rig.controller.today.grid_wh == pytest.approx(500 / 60)
    rig.send("m", 500)
    rig.wait(30)
    assert rig.controller.today.charger_wh == pytest.approx(30)


@given(
    st.lists(st.tuples(st.integers(0, 200), st.integers(-3000, 3000), st.integers(0, 3000), st.booleans()), max_size=20)
)
def test_energy_is_the_exact_sum_of_what_was_held(samples: list[tuple[int, int, int, bool]]) -> None:
    """Each reading holds until the next one, but not beyond its freshness; the sum is done in exact fractions."""
    fresh_s = 60
    rig = connected(make_settings(fresh_s=fresh_s, power_fresh_s=LONG_S))
    charger_ws = grid_ws = Fraction(0)
    grid_w = charger_w = 0
    for gap_s, next_grid_w, next_charger_w, in_pieces in samples:
        known_s = min(gap_s, fresh_s)
        charger_ws += charger_w * known_s
        grid_ws += min(charger_w, max(grid_w, 0)) * known_s
        for _ in range(7 if in_pieces else 1):  # how often it is called in between must not matter
            rig.wait(gap_s / (7 if in_pieces else 1))
        rig.send("m", next_grid_w)
        rig.send("p", next_charger_w)
        grid_w, charger_w = next_grid_w, next_charger_w
    today = rig.controller.today
    assert today.charger_wh == pytest.approx(float(charger_ws / 3600), rel=1e-9, abs=1e-9)
    assert today.grid_wh == pytest.approx(float(grid_ws / 3600), rel=1e-9, abs=1e-9)
    assert today.grid_wh <= today.charger_wh + 1e-9  # what is not from the grid is solar, and never negative


def test_a_new_day_counts_from_zero_while_the_session_goes_on() -> None:
    rig = charging(make_settings())
    rig.wait(600)
    assert rig.controller.today == Tally(20, 1, 600.0, pytest.approx(200), 0.0)
    rig.today += 1
    rig.wait(300)
    assert rig.controller.today == Tally(21, 0, 300.0, pytest.approx(100), 0.0)
    assert rig.controller.state.session_s == 900
    assert rig.controller.state.session_wh == pytest.approx(300)


def test_starts_are_counted_by_day() -> None:
    rig = charging(make_settings())
    rig.wait(400)
    rig.tell(news.Enable(False))
    rig.wait(300)
    rig.tell(news.Enable(True))
    assert (rig.mode, rig.controller.today.starts) == ("charging", 2)
    rig.send("m", CLOUD_W)
    rig.send("m", SUN_W)  # charging, disarming, charging: not a start
    assert (rig.mode, rig.controller.today.starts) == ("charging", 2)


# --- the session -----------------------------------------------------------------------------------------------------


def test_caps_lock_out_until_the_next_day() -> None:
    rig = charging(make_settings(time_cap_s=1000.0))
    assert rig.wait_until("locked-out") == pytest.approx(1000, abs=0.01)
    assert rig.said("state_changed")[-1]["cause"] == "time-cap"
    rig.wait(10000)
    assert rig.mode == "locked-out"
    rig.session_day += 1
    rig.wait(1)
    assert rig.mode == "arming"
    assert rig.controller.state.session_s == 0
    rig = charging(make_settings(energy_cap_wh=150.0))
    assert rig.wait_until("locked-out") == pytest.approx(450, abs=0.01)
    assert rig.said("state_changed")[-1]["cause"] == "energy-cap"


def test_a_clock_that_was_put_back_grants_nothing() -> None:
    """Nor when it then passes the re-arm time again: clocks go back an hour each autumn."""
    rig = charging(make_settings(time_cap_s=1000.0))
    rig.wait_until("locked-out")
    rig.session_day += 1
    rig.wait(1)  # a new session, and it is used up too
    rig.wait_until("charging")
    rig.wait_until("locked-out")
    rig.session_day -= 1
    rig.wait(1800)
    rig.session_day += 1
    rig.wait(1800)
    assert rig.mode == "locked-out"


# --- what outlives the process ---------------------------------------------------------------------------------------


COLD = Kept(
    saved_s=1000.0,
    enabled=True,
    on=False,
    charger_w=0.0,
    starts_s=(),
    session_s=0.0,
    session_wh=0.0,
    session_day=10,
    today=Tally(20),
    level=0.0,
    run_s=0.0,
    run_as=0.0,
    faults=(),
)
SETTLED = (DRAW_A / 11.0) ** 2  # of the thermal image: 10 A may flow for hours, with a margin of a tenth


def test_what_is_kept_comes_back() -> None:
    rig = charging(make_settings(starts_per_hour=2))
    rig.wait(500)
    rig.tell(news.Enable(False))
    kept = rig.controller.kept()
    assert kept == Kept(
        saved_s=1800.0,
        enabled=False,
        on=False,
        charger_w=0.0,
        starts_s=(1300.0,),
        session_s=500.0,
        session_wh=pytest.approx(DRAW_W * 500 / 3600),
        session_day=10,
        today=Tally(20, 1, 500.0, pytest.approx(DRAW_W * 500 / 3600), 0.0),
        # Taken to be warm at first, cooling for 300 s, then 500 s of current: 1800 and 1200 s are the time constants.
        level=pytest.approx(SETTLED * (1 - (1 - math.exp(-300 / 1800)) * math.exp(-500 / 1200))),
        run_s=500.0,
        run_as=500.0 * DRAW_A,
        faults=(Record("meter-silent", 1015.0, 1, active=False, acknowledged=False),),
        progress=Progress(got_wh=pytest.approx(DRAW_W * 500 / 3600), sun_wh=pytest.approx(DRAW_W * 500 / 3600)),
        planned_at_s=1000.0,  # for all it knows
    )
    again = Rig(make_settings(starts_per_hour=2), kept._replace(enabled=True), now_s=2000.0)
    level = pytest.approx(kept.level * math.exp(-200 / 1800))
    back = again.controller.kept()
    assert back == kept._replace(saved_s=2000.0, enabled=True, level=level)
    assert again.controller.state.starts_s == (-math.inf,) * 15 + (1300.0,)
    assert Rig(make_settings(), kept._replace(session_day=9), now_s=2000.0).controller.state.session_day == 9


def test_todays_counts_come_back_on_the_same_day_only() -> None:
    kept = COLD._replace(today=Tally(19, 3, 600.0, 200.0, 50.0))
    assert Rig(make_settings(), kept).controller.today == Tally(20)
    kept = kept._replace(today=kept.today._replace(day=20))
    assert Rig(make_settings(), kept).controller.today == kept.today


def test_restarts_do_not_refill_the_start_budget() -> None:
    settings = make_settings(starts_per_hour=2, min_off_s=0.0, min_on_s=0.0)
    kept, starts_s, now_s = None, [], 1000.0
    for _ in range(12):
        rig = connected(settings, kept, now_s)
        rig.send("m", SUN_W)
        rig.tell(news.Enable(True))
        rig.wait(600)
        starts_s = [event for event in rig.controller.state.starts_s if event > -math.inf]
        kept, now_s = rig.controller.kept()._replace(on=False), rig.now_s
    assert len(starts_s) >= 4  # two in each of the two hours
    assert all(later - earlier >= 3600 for earlier, later in zip(starts_s, starts_s[2:], strict=False))


@pytest.mark.parametrize(
    ("on", "saved_s", "session_s", "session_wh"),
    [
        (True, 700.0, 400.0, 170.0),  # 300 s at 1200 W on top of 100 s and 70 Wh
        (False, 700.0, 100.0, 70.0),
        (True, 1000.0, 100.0, 70.0),
        (True, 1001.0, 100.0, 70.0),  # a clock that ran backwards takes nothing away
    ],
)
def test_time_after_a_crash_while_on_counts_as_charged(
    on: bool, saved_s: float, session_s: float, session_wh: float
) -> None:
    kept = COLD._replace(saved_s=saved_s, on=on, charger_w=DRAW_W, session_s=100.0, session_wh=70.0)
    state = Rig(make_settings(), kept, now_s=1000.0).controller.state
    assert (state.session_s, state.session_wh) == (session_s, pytest.approx(session_wh))


def test_a_crash_while_on_may_use_up_the_session() -> None:
    kept = COLD._replace(saved_s=-19000.0, on=True, charger_w=DRAW_W)
    rig = connected(make_settings(), kept, now_s=1000.0)
    assert (rig.mode, rig.said("state_changed")[-1]["cause"]) == ("locked-out", "time-cap")


def test_the_image_heats_and_cools_while_the_daemon_is_away() -> None:
    """If it died while charging, nobody knows how long the relay stayed on: all of it counts as current."""
    away_s = 600.0
    kept = COLD._replace(saved_s=1000.0 - away_s, level=0.1)
    heated = SETTLED + (0.1 - SETTLED) * math.exp(-away_s / 1200)
    assert Rig(make_settings(), kept._replace(on=True)).controller.socket.level == pytest.approx(heated)
    assert Rig(make_settings(), kept).controller.socket.level == pytest.approx(0.1 * math.exp(-away_s / 1800))
    assert (
        Rig(make_settings(), kept._replace(saved_s=1500.0)).controller.socket.level == 0.1
    )  # a clock that ran backwards
    assert Rig(make_settings()).controller.socket.level == pytest.approx(
        SETTLED
    )  # without a memory: as hot as it may be


@pytest.mark.parametrize(
    ("on", "away_s", "run_s"), [(False, 1799.0, 5000.0), (False, 1800.0, 0.0), (True, 1800.0, 6800.0)]
)
def test_only_a_long_time_off_while_the_daemon_is_away_is_a_rest(on: bool, away_s: float, run_s: float) -> None:
    kept = COLD._replace(saved_s=1000.0 - away_s, on=on, run_s=5000.0, run_as=5000.0 * DRAW_A)
    controller = Rig(make_settings(), kept).controller
    assert (controller.socket.run_s, controller.socket.run_as) == (run_s, run_s * DRAW_A)


def test_a_memory_that_cannot_be_trusted_means_a_socket_taken_to_be_hot() -> None:
    rig = Rig(make_settings(), trusted=False)
    rig.tell(news.CommandsLink(True))
    rig.tell(news.RelayLink(True))
    rig.tell(news.Enable(True))
    rig.send("m", SUN_W)
    assert (rig.mode, rig.faults) == ("locked-out", ["socket-overload", "socket-load-high"])
    assert rig.wait_until("arming") == pytest.approx(1800 * math.log(2), abs=0.01)  # cooled to half
    assert rig.faults == []


def test_faults_come_back_with_their_repetitions() -> None:
    hot = Record("socket-hot", 400.0, 1, active=True, acknowledged=False)
    lazy = Record("relay-not-on", 700.0, 3, active=True, acknowledged=False)
    rig = connected(make_settings()._replace(temperature=HEAT), COLD._replace(faults=(hot, lazy)))
    rig.send("t", 20)
    rig.send("m", SUN_W)
    assert (rig.mode, rig.faults) == ("locked-out", ["socket-hot", "relay-not-on"])
    rig.tell(news.Acknowledge(None))
    assert rig.faults == ["socket-hot", "relay-not-on"]  # not cooled down
    rig.wait(400 + 1800 - rig.now_s - 0.1)
    assert rig.faults == ["socket-hot", "relay-not-on"]
    rig.wait(700 + 2400 - rig.now_s - 0.1)
    assert rig.faults == ["relay-not-on"]  # 600 s, doubled twice
    rig.wait(0.1)
    assert rig.faults == []
    assert rig.controller.kept().faults[:2] == (
        hot._replace(active=False, acknowledged=True),
        lazy._replace(active=False),
    )


def test_an_acknowledgement_is_told_once_and_of_latched_faults_only() -> None:
    hot = Record("socket-hot", 900.0, 1, active=True, acknowledged=False)
    rig = connected(make_settings()._replace(temperature=HEAT), COLD._replace(faults=(hot,)))
    assert "temperature-lost" not in rig.faults
    rig.wait(15)
    assert rig.faults == ["socket-hot", "temperature-lost", "meter-silent"]
    for code in ("temperature-lost", None, None, "socket-hot", "nonsense"):
        rig.tell(news.Acknowledge(code))
    assert rig.said("fault_acknowledged") == [{"code": "socket-hot"}]


def test_a_restart_is_no_flip_of_the_switch() -> None:
    """Enabled before and after: neither does the start delay fall away, nor does a manual session begin anew."""
    kept = COLD._replace(saved_s=900.0, session_s=20000.0)
    rig = connected(make_settings(rearm_daily=False), kept)
    rig.send("m", SUN_W)
    rig.wait(500)
    assert (rig.mode, rig.controller.state.session_s) == ("locked-out", 20000.0)
    rig.tell(news.Enable(False))
    rig.tell(news.Enable(True))
    assert (rig.mode, rig.controller.state.session_s) == ("charging", 0.0)
    rig = connected(make_settings(), kept._replace(session_s=0.0))
    rig.wait(300)
    rig.send("m", SUN_W)
    assert rig.mode == "arming"
    assert rig.wait_until("charging") == 40


# --- reloading -------------------------------------------------------------------------------------------------------


def test_reloading_keeps_what_was_and_uses_what_is_new() -> None:
    rig = charging(make_settings())
    rig.wait(450)
    rig.send("m", SHADE_W)
    before = rig.controller.state
    rig.tell(news.Reload(make_settings(starts_per_day=20)))
    after = rig.controller.state
    assert after._replace(starts_s=before.starts_s) == before._replace(at_s=rig.now_s)
    assert after.starts_s == (-math.inf,) * 4 + before.starts_s
    assert (rig.mode, rig.controller.enabled) == ("charging", True)
    rig.tell(news.Reload(make_settings(stop_import_w=100.0)))
    assert rig.mode == "disarming"
    rig.tell(news.Reload(make_settings(time_cap_s=449.0)))
    assert (rig.mode, rig.controller.wants_on) == ("locked-out", False)


def test_the_time_before_a_reload_is_counted_by_what_held_then() -> None:
    rig = charging(make_settings())
    rig.wait(MOVES_S)
    rig.now_s += 300 - MOVES_S
    rig.tell(news.Reload(make_settings()._replace(limits=LIMITS._replace(draw_w=2 * DRAW_W))))
    assert rig.controller.today.charger_wh == pytest.approx(100)
    rig.wait(300)
    assert rig.controller.today.charger_wh == pytest.approx(300)


def start_and_stop(rig: Rig, times: int) -> None:
    rig.send("m", SUN_W)
    for _ in range(times):
        rig.tell(news.Enable(True))
        assert rig.mode == "charging"
        rig.wait(10)
        rig.tell(news.Enable(False))
        rig.wait(10)


def test_a_smaller_budget_counts_the_starts_that_were() -> None:
    quick = {"min_on_s": 0.0, "min_off_s": 0.0}
    rig = connected(make_settings(starts_per_hour=6, starts_per_day=6, **quick))
    start_and_stop(rig, 3)
    first_s = rig.controller.state.starts_s[-3]
    rig.tell(news.Reload(make_settings(starts_per_hour=3, starts_per_day=3, **quick)))
    rig.tell(news.Enable(True))
    rig.wait_until("charging")
    assert rig.now_s == first_s + 86400


def test_a_budget_made_smaller_and_larger_again_forgets_no_start() -> None:
    quick = {"min_on_s": 0.0, "min_off_s": 0.0}
    rig = connected(make_settings(starts_per_hour=6, starts_per_day=6, **quick))
    start_and_stop(rig, 6)
    for budget in (2, 6):
        rig.tell(news.Reload(make_settings(starts_per_hour=budget, starts_per_day=budget, **quick)))
    rig.tell(news.Enable(True))
    rig.wait(100)
    assert rig.mode == "arming"


# --- the rest --------------------------------------------------------------------------------------------------------


def test_flipping_the_switch_is_told_when_it_changes_something() -> None:
    rig = connected(make_settings())
    rig.events.clear()
    for on in (False, True, True, False, False):
        rig.tell(news.Enable(on))
    assert [event.name for event in rig.events if event.name != "state_changed"] == ["enabled", "disabled"]


def test_a_transition_is_told_with_all_that_explains_it() -> None:
    rig = charging(make_settings())
    rig.wait(450)
    rig.send("m", CLOUD_W)
    assert rig.said("state_changed")[-1] == {
        "old": "charging",
        "new": "disarming",
        "cause": "import-seen",
        "grid_w": CLOUD_W,
        "after_s": 450.0,
    }
    assert rig.wait_until("idle") == 100
    assert rig.controller.take_events() == []  # each event is given once


def test_stopping_switches_off_at_once_and_for_good() -> None:
    rig = charging(make_settings())
    rig.wait(5)
    rig.tell(news.Stop())
    assert (rig.mode, rig.controller.wants_on) == ("idle", False)
    assert rig.said("state_changed")[-1]["cause"] == "stopping"
    rig.send("m", SUN_W)
    rig.wait(5000)
    assert rig.mode == "idle"


@pytest.mark.parametrize(
    "happening",
    [
        lambda controller, at: controller.tell(news.Message("x", b"", False), at),
        lambda controller, at: controller.tell(news.Message("m", b"0", False), at),
        lambda controller, at: controller.tell(news.Enable(False), at),
        lambda controller, at: controller.tell(news.CommandsLink(False), at),
        lambda controller, at: controller.tell(news.CommandsLink(True), at),
        lambda controller, at: controller.tell(news.RelayLink(False), at),
        lambda controller, at: controller.tell(news.Sending(False), at),
        lambda controller, at: controller.tell(news.Taken(False), at),
        lambda controller, at: controller.tell(news.Acknowledge(None), at),
        lambda controller, at: controller.tell(news.ClockJumped(), at),
        lambda controller, at: controller.tell(news.StoreFailing(True), at),
        lambda controller, at: controller.tell(news.HistoryFailing(True), at),
        lambda controller, at: controller.tell(news.Stop(), at),
        lambda controller, at: controller.tell(news.Reload(make_settings()), at),
        lambda controller, at: controller.tell(news.Tick(), at),
    ],
)
def test_whatever_happens_the_time_before_it_counts_as_it_was(happening: Any) -> None:
    rig = charging(make_settings())
    rig.send("m", 300)
    rig.now_s += 300
    happening(rig.controller, rig.at)
    assert rig.controller.today == Tally(20, 1, 300.0, pytest.approx(100), pytest.approx(25))
    assert rig.controller.state.session_s == 300
    assert rig.controller.state.session_wh == pytest.approx(100)


def test_a_message_that_comes_late_does_not_undo_what_was_due_before_it() -> None:
    rig = charging(make_settings(fresh_s=30.0))
    rig.now_s += 40  # nobody called at the deadline
    rig.send("m", SUN_W)
    assert [event["cause"] for event in rig.said("state_changed")] == ["meter-silent", "cleared", "surplus-seen"]


def test_an_acknowledgement_that_comes_late_says_nothing_about_the_time_before_it() -> None:
    rig = Rig(make_settings())
    rig.obeys = False
    rig.tell(news.CommandsLink(True))
    rig.tell(news.RelayLink(True))
    rig.tell(news.Enable(True))
    rig.send("m", SUN_W)
    rig.now_s += 500  # nobody called
    rig.tell(news.Taken(False))
    assert rig.mode == "arming"
    assert rig.wait_until("charging") == 300


# --- what is known of the draw, and what the supervisor is told ------------------------------------------------------


def test_a_measured_draw_is_known_however_small_it_is() -> None:
    """Only an old word, of far less than would be assumed, makes the draw unknown."""
    rig = charging(make_settings(power_fresh_s=90.0))
    rig.send("p", 600)  # half the draw
    rig.wait(60)
    assert rig.controller.known
    assert rig.controller.today.charger_wh == pytest.approx(10.0)
    rig.wait(90)
    assert not rig.controller.known
    assert rig.controller.today.charger_wh == pytest.approx(15.0)  # until it was old
    assert rig.controller.today.unknown_s == pytest.approx(60.0)
    for power_w, known in ((0.7 * DRAW_W, True), (0.7 * DRAW_W - 1.0, False)):
        rig.send("p", power_w)
        rig.wait(120)
        assert rig.controller.known is known


def test_a_relay_that_is_known_to_be_off_is_known_to_draw_nothing() -> None:
    rig = charging(make_settings())
    rig.tell(news.Enable(False))
    for seconds in (1.0, 100.0, 1000.0):
        rig.wait(seconds)
        assert (rig.controller.known, rig.controller.charger_w) == (True, 0.0)
    rig.send("m", -600)
    assert rig.controller.memory.at_s == rig.now_s  # so the surplus is what the meter shows


def test_what_the_plug_measures_at_the_very_moment_of_a_fall_counts_against_it() -> None:
    """Meter and plug may come in one message, and so at one time."""
    rig = charging(make_settings(power_fresh_s=90.0))
    rig.send("p", 1200)
    for fell_s, counts in ((rig.now_s - 1.0, False), (rig.now_s, False), (rig.now_s + 1.0, True)):
        rig.controller.lessons.steps.fell_s = fell_s
        rig.controller._rests_at = None  # it has not been told of this by its door
        assert rig.controller.plug.fell_s == (fell_s if counts else None)
        rig.tell(news.Tick())
        assert (rig.controller.known, rig.controller.charger_w) == ((False, 0.0) if counts else (True, 1200.0))
    rig.wait(90)
    rig.controller.lessons.steps.fell_s = rig.now_s - 90.0  # it was measured then, but that is long ago
    assert rig.controller.plug.fell_s == rig.now_s - 90.0


def test_how_long_and_how_often_a_meter_has_repeated_itself() -> None:
    rig = connected(make_settings(fresh_s=600.0))
    told = []
    for payload in (-500.0, -500.0, -500.0, -498.5, -498.5, -400.0):
        rig.now_s += 10.0
        rig.send("m", payload)
        now = rig.controller._situation(rig.at)
        told.append((now.meter_still_s, now.meter_repeats, now.meter_finest_w))
    still = (0.0, 0, math.inf), (10.0, 1, math.inf), (20.0, 2, math.inf)
    assert told == [*still, (0.0, 0, 1.5), (10.0, 1, 1.5), (0.0, 0, 1.5)]


def test_the_outlook_is_told_while_what_it_rests_on_is_not_too_old() -> None:
    rig = connected(make_settings(fresh_s=600.0))
    rig.send("m", -600.0)
    assert rig.controller.memory.at_s == rig.now_s and rig.controller.outlook() is None  # nothing looks ahead
    settings = make_settings(fresh_s=600.0)
    prices = Prices(*map(Decimal, ("0.3", "0.05", "0.2")))
    pays_from_w = 480.0  # (30 - 20) / (30 - 5) of 1200 W
    rig = connected(settings._replace(rule=settings.rule._replace(way=Way.AHEAD, prices=prices)))
    assert rig.controller.outlook() is None
    rig.send("m", -600.0)
    params = rig.controller.settings.params
    foreseen = ahead.thresholds(rig.controller.memory, DRAW_W, pays_from_w, params.min_on_s, params.min_off_s)
    assert (params.start_export_w, params.stop_import_w) == foreseen != (PARAMS.start_export_w, PARAMS.stop_import_w)
    rig.wait(ahead.FORGETS_S)
    assert rig.controller.outlook()
    rig.wait(0.1)
    assert rig.controller.outlook() is None


def test_a_plan_makes_a_stop_come_sooner_and_a_start_as_before() -> None:
    """Break-even at 480 W, as above: without a plan ten minutes off are worth 0.125 * sqrt(2) of the 1200 W."""
    prices = Prices(*map(Decimal, ("0.3", "0.05", "0.2")))
    settings = make_settings(min_on_s=600.0, min_off_s=600.0)
    rule = settings.rule._replace(way=Way.PRICES, min_on_s=600.0, min_off_s=600.0)
    rig = connected(settings._replace(rule=rule))
    stops_w, starts_w = [], []
    for planned in (False, True, False):
        rig.tell(news.Follow(prices, planned))
        starts_w.append(rig.controller.settings.params.start_export_w)
        stops_w.append(DRAW_W - rig.controller.settings.params.stop_import_w)
    usual_w = 480.0 - 0.125 * math.sqrt(2.0) * DRAW_W
    assert stops_w == [pytest.approx(one) for one in (usual_w, 480.0 * 6 / 7, usual_w)]
    assert len(set(starts_w)) == 1


def test_how_far_the_socket_has_warmed_since_it_was_rested() -> None:
    rig = connected(make_settings(min_on_s=60.0, min_off_s=60.0)._replace(temperature=HEAT))
    warmed: list[float | None] = []

    def charge(*heat_c: float) -> None:
        rig.send("m", SUN_W)
        rig.tell(news.Enable(True))
        assert rig.mode == "charging"
        warmed.append(rig.controller._situation(rig.at).warmed_c)
        for one_c in heat_c:
            rig.wait(60)
            rig.send("t", one_c)
            warmed.append(rig.controller._situation(rig.at).warmed_c)
        rig.tell(news.Enable(False))

    rig.wait(60)
    rig.send("t", 20)
    charge(18, 22, 25, 24)
    rig.wait(LIMITS.rest_s - 1)
    rig.send("t", 30)  # while it is off, by the sun
    charge(26)  # no rest, so it is warm still
    rig.wait(LIMITS.rest_s)
    charge(29)
    assert warmed == [0, 0, 2, 5, 5, 5, 6, 0, 3]


def test_currents_above_the_limit_are_counted_in_a_row() -> None:
    """A reading without any current between them says nothing; one within the limit does."""
    rig = charging(make_settings(power_fresh_s=90.0))
    limit_w = LIMITS.instant_a * DRAW_W / DRAW_A
    counted = []
    for power_w in (limit_w, limit_w + 1, 0.0, limit_w + 1, 0.05 * DRAW_W, limit_w + 1, limit_w, 1.0):
        rig.controller.tell(news.Message("p", str(power_w).encode(), False), rig.at)
        counted.append(rig.controller._situation(rig.at).over_readings)
    assert counted == [0, 1, 1, 2, 2, 3, 0, 0]


def test_since_when_an_off_has_been_taken() -> None:
    """It counts while the connection stands, and while off is wanted."""
    rig = Rig(make_settings(contact=True))
    rig.obeys = False

    def told() -> tuple[float, bool]:
        now = rig.controller._situation(rig.at)
        return now.told_off_s, now.reported_on_after_off

    rig.tell(news.CommandsLink(True))
    rig.tell(news.RelayLink(True))
    rig.send("c", "on")
    rig.wait(50)
    assert told() == (0.0, False)  # not told yet
    rig.acknowledge(False)
    rig.wait(50)
    assert told() == (50.0, False)  # it said so before
    rig.send("c", "on")
    assert told() == (50.0, True)
    rig.tell(news.CommandsLink(False))
    assert told() == (50.0, False)  # it is not heard
    rig.tell(news.CommandsLink(True))
    rig.send("c", "on")
    rig.tell(news.RelayLink(False))
    assert told() == (0.0, False)  # the broker may have lost it


def test_a_situation_is_told_in_its_order() -> None:
    """Each value beside the name of its field."""
    told = inspect.getsource(Controller._situation).partition("fields = (")[2]
    assert tuple(re.findall(r"^            \S.*,  # (\w+)$", told, re.MULTILINE)) == Situation._fields
