"""The status document: every state in words that hold, waits that come true, and a schema that means something."""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from surpluscharge.config import Config, parse
from surpluscharge.control import machine, news
from surpluscharge.control.controller import Controller, Moment
from surpluscharge.control.machine import MODE_NAMES
from surpluscharge.control.news import News
from surpluscharge.control.supervisor import FAULT_BY_CODE, Record
from surpluscharge.daemon.service import moment
from surpluscharge.daemon.status import (
    BEGINS_S,
    BY_SURPLUS,
    WHATEVER_THE_SUN_DOES,
    StatusDocument,
    build,
    duration,
    explain,
    schema,
    watts,
)

VALIDATOR = Draft202012Validator(schema())
LISBON = ZoneInfo("Europe/Lisbon")
NOON = datetime(2025, 6, 10, 12, 0, tzinfo=LISBON)

CONFIG = """
charger = { name = "carport", current_a = 6 }
relay.topic = "plug/command"
relay.feedback.topic = "c"
meter = [{ topic = "m", fresh_s = 600 }]
site.time_zone = "Europe/Lisbon"
"""


class VirtualClock:
    """A clock that stands still until it is moved; without a zone its wall time is the computer's own."""

    origin = "virtual"

    def __init__(self, start: datetime, zone: tzinfo | None = LISBON) -> None:
        self._start_s = start.timestamp()
        self._zone = zone
        self.now_s = 0.0

    def now(self) -> float:
        return self.now_s

    def wall(self) -> datetime:
        return datetime.fromtimestamp(self._start_s + self.now_s, UTC).astimezone(self._zone)

    def real_s(self, seconds: float) -> float:
        return seconds

    async def sleep(self, seconds: float) -> None:
        raise NotImplementedError


class House:
    """A controller with its configuration and a virtual clock; the relay obeys at once unless it is told not to.

    No meter stands quite still: it moves by a milliwatt to and fro.
    """

    def __init__(self, *lines: str, start: datetime = NOON) -> None:
        self.config: Config = parse(CONFIG + "\n".join(lines), "test.toml")
        self.clock = VirtualClock(start)
        self.controller = Controller(self.config.settings(), self.at)
        self.obeys = True
        self.stir_w = 0.0
        self.grid_w: float | None = None
        self.tell(news.CommandsLink(True))
        self.tell(news.RelayLink(True))

    @property
    def at(self) -> Moment:
        return moment(self.config, self.clock)

    @property
    def mode(self) -> str:
        return MODE_NAMES[self.controller.state.mode]

    def tell(self, happened: News) -> None:
        self.controller.tell(happened, self.at)
        on = self.controller.wants_on
        if self.obeys and self.controller.plug.link_up and not self.controller.plug.confirmed(on):
            self.controller.tell(news.Taken(on), self.at)
            self.controller.tell(news.Message("c", b"on" if on else b"off", False), self.at)

    def meter(self, grid_w: float) -> None:
        self.grid_w = grid_w
        self.stir_w = 0.001 - self.stir_w
        self.tell(news.Message("m", str(grid_w + self.stir_w).encode(), False))

    def enable(self, on: bool = True) -> None:
        self.tell(news.Enable(on))

    def wait(self, seconds: float) -> None:
        """Let time pass; the meter says the same again at least once a minute."""
        end_s = self.clock.now_s + seconds
        while self.clock.now_s < end_s:
            self.clock.now_s = min(end_s, self.clock.now_s + 60, self.controller.deadline_s())
            if self.grid_w is None:
                self.tell(news.Tick())
            else:
                self.meter(self.grid_w)

    def wait_for_a_change(self) -> float:
        """Let time pass until the state is another, and return how long that took."""
        before, start_s = self.mode, self.clock.now_s
        while self.mode == before:
            assert self.clock.now_s < start_s + 200000, f"{before} for ever"
            self.wait(max(0.001, min(60 - self.clock.now_s % 60, self.controller.deadline_s() - self.clock.now_s)))
        return self.clock.now_s - start_s

    def document(self) -> StatusDocument:
        document = build(self.controller, self.config, self.at, self.clock)
        VALIDATOR.validate(json.loads(document.model_dump_json()))
        return document

    def says(self, state: str, why: str, waiting_for: str | None, wait_s: float | None = None) -> None:
        document = self.document()
        told = (document.state, document.why, document.waiting_for, document.wait_s)
        assert told == (state, why, waiting_for, wait_s)


def test_a_broker_that_cannot_be_reached() -> None:
    """Neither "charging is switched off" nor a silent meter is what is wrong then; the service manager shows this."""
    house = House()
    fresh = Controller(house.config.settings(), house.at)
    waits = "a connection to the broker"
    told = explain(fresh, house.config, house.at, house.clock.wall())
    assert told == ("The broker cannot be reached, and charging is switched off.", waits, None)
    fresh.tell(news.Enable(True), house.at)
    assert explain(fresh, house.config, house.at, house.clock.wall()) == ("The broker cannot be reached.", waits, None)
    house.tell(news.CommandsLink(False))
    house.tell(news.RelayLink(False))
    assert house.document().why == "The broker cannot be reached, and charging is switched off."


def ready(*lines: str, start: datetime = NOON) -> House:
    """Return a house whose minimum-off time has passed, in shade, enabled."""
    house = House(*lines, start=start)
    house.meter(400)
    if house.config.relay.temperature:
        house.tell(news.Message("t", b"31.52", False))
    house.enable()
    house.wait(house.config.control.min_off_s)
    return house


def charging(*lines: str, start: datetime = NOON) -> House:
    """Return a house that begins to charge at this moment."""
    house = ready(*lines, start=start)
    house.meter(-1500)
    house.wait(house.config.start_delay_s)
    assert house.mode == "charging"
    return house


# --- in every state --------------------------------------------------------------------------------------------------


def test_disabled() -> None:
    house = ready()
    house.enable(False)
    house.says("idle", "Charging is switched off.", "somebody to enable it")
    house.meter(-1500)
    house.says("idle", "Charging is switched off.", "somebody to enable it")


def test_without_a_reading() -> None:
    house = House()
    house.enable()
    house.says("idle", "There is no fresh reading from the meter (m).", "a reading")


def test_idle() -> None:
    house = ready()
    house.says("idle", "The house imports 400 W.", "an export of 1.38 kW")
    house.meter(-500)
    house.says("idle", "The house exports 500 W.", "an export of 1.38 kW")


def test_nothing_flows() -> None:
    house = ready()
    house.meter(0)
    house.says("idle", "The house exports 0 W.", "an export of 1.38 kW")


def test_arming_for_the_start_delay() -> None:
    house = ready()
    house.meter(-1500)
    why = "The house exports 1.50 kW, enough for a charge."
    house.says("arming", why, "the export to last, 45 s more", 45.0)
    house.wait(7.5)
    house.says("arming", why, "the export to last, 38 s more", 37.5)
    assert house.wait_for_a_change() == 37.5
    assert house.mode == "charging"


def test_arming_for_the_minimum_off_time() -> None:
    house = charging()
    house.enable(False)
    house.enable()
    waits = "the relay to have been off long enough, 5 min more"
    house.says("arming", "The house exports 1.50 kW, enough for a charge.", waits, 300.0)
    house.wait(290)
    assert house.document().waiting_for == "the relay to have been off long enough, 10 s more"
    assert house.wait_for_a_change() == 10
    assert house.mode == "charging"


def test_arming_for_the_start_budget() -> None:
    house = charging("control.starts_per_hour = 1")
    started_s = house.clock.now_s
    house.wait(600)
    house.enable(False)
    house.wait(600)
    house.enable()
    waits = "a start to be free again in the budget, 40 min more"
    house.says("arming", "The house exports 1.50 kW, enough for a charge.", waits, 2400.0)
    assert house.document().budget.model_dump() == {"starts_left_hour": 0, "starts_left_day": 15}
    assert house.wait_for_a_change() == 2400
    assert (house.mode, house.clock.now_s) == ("charging", started_s + 3600)


def test_arming_while_the_relay_is_not_known_to_be_off() -> None:
    house = charging()
    house.obeys = False
    house.enable(False)
    house.enable()
    why = "The house exports 1.50 kW, enough for a charge."
    house.says("arming", why, "the plug to confirm that the relay is off")
    house.wait(30)
    sentence = FAULT_BY_CODE["relay-not-off"].sentence
    house.says("arming", why, f"this to be over: {sentence}")


def test_charging() -> None:
    house = charging()
    wait = "import above 345 W, or the session's cap, in 6 h"
    house.says("charging", "Charging. The house exports 1.50 kW.", wait)
    house.meter(20)
    house.wait(3600)
    wait = "import above 345 W, or the session's cap, in 5 h"
    house.says("charging", "Charging. The house imports 20 W.", wait)
    house = charging("control.stop_import_w = 0", "control.start_export_w = 1400")
    assert str(house.document().waiting_for).startswith("import above 0 W, or ")


@pytest.mark.parametrize("planned", [False, True])
def test_a_plug_that_has_not_reported_yet(planned: bool) -> None:
    """That it was told is not that it is on: nothing is said to charge until the plug has said so."""
    house = ready("planned.allow = true")
    house.obeys = False
    if planned:
        house.tell(news.Planned(((house.clock.now_s, house.clock.now_s + 3600.0),)))
    else:
        house.meter(-1500)
        house.wait(45)
    house.wait(10)
    assert not house.document().relay.confirmed
    flow = "The house imports 400 W" if planned else "The house exports 1.50 kW"
    why = f"The relay is told to be on; the plug has not reported yet that it is. {flow}."
    house.says("charging", why, "that report")
    if not planned:
        house.meter(600)
        house.says("disarming", why.replace("exports 1.50 kW", "imports 600 W"), "that report")
        house.meter(-1500)
    house.obeys = True
    house.tell(news.Tick())
    assert house.document().why.startswith("Charging by plan. " if planned else "Charging. ")


def test_next_to_nothing_flows_by_the_plug() -> None:
    """Ten minutes of it end the charge; until then it is not said to charge."""
    house = charging('relay.power.topic = "p"', "relay.power.fresh_s = 3600")
    house.tell(news.Message("p", b"2.4", False))
    assert house.document().why.startswith("Charging. ")  # the car takes its time
    house.wait(BEGINS_S)
    why = "The relay is on, but next to nothing flows, 2 W by the plug: the car is full, asleep or away."
    wait = "a draw, or else the charge ends after ten minutes without"
    house.says("charging", f"{why} The house exports 1.50 kW.", wait)
    house.tell(news.Message("p", b"1380", False))
    assert house.document().why.startswith("Charging. ")


def test_charging_while_an_export_has_to_remain() -> None:
    house = charging("control.start_export_w = 1490", "control.stop_import_w = -100", "session.time_cap_s = 900")
    wait = "too little export, or the session's cap, in 15 min"
    house.says("charging", "Charging. The house exports 1.50 kW.", wait)
    house.meter(-50)
    house.wait(450)
    why = "The house exports 50 W while it charges, no longer enough."
    house.says("disarming", why, "the shortest charging time to be over, 30 s more, then the charge ends", 30.0)


def test_disarming_for_the_stop_delay() -> None:
    house = charging()
    house.wait(1000)
    house.meter(600)
    why = "The house imports 600 W while it charges, more than 345 W."
    house.says("disarming", why, "this to last, 2 min more, then the charge ends", 120.0)
    house.wait(30.25)
    house.says("disarming", why, "this to last, 1 min 30 s more, then the charge ends", 89.8)
    assert house.wait_for_a_change() == 89.75
    assert house.mode == "idle"


def test_disarming_for_the_minimum_on_time() -> None:
    house = charging()
    house.wait(60)
    house.meter(600)
    wait = "the shortest charging time to be over, 7 min more, then the charge ends"
    house.says("disarming", "The house imports 600 W while it charges, more than 345 W.", wait, 420.0)
    assert house.wait_for_a_change() == 420
    assert house.mode == "idle"


def test_disarming_when_both_take_equally_long() -> None:
    house = charging("control.min_on_s = 300", "control.stop_import_w = 0", "control.start_export_w = 1400")
    house.wait(180)
    house.meter(600)
    why = "The house imports 600 W while it charges, more than 0 W."
    house.says("disarming", why, "this to last, 2 min more, then the charge ends", 120.0)


def test_disarming_when_the_wait_is_over_but_for_the_next_call() -> None:
    house = charging()
    house.wait(1000)
    house.meter(600)
    house.clock.now_s += 500
    assert house.document().wait_s == 0


def test_locked_out_by_a_lost_broker() -> None:
    house = charging()
    house.tell(news.RelayLink(False))
    house.tell(news.Message("c", b"off", False))  # the broker has sent the will
    house.says("locked-out", FAULT_BY_CODE["broker-lost"].sentence, "that to be over")
    house.wait(5000)
    house.says("locked-out", FAULT_BY_CODE["broker-lost"].sentence, "that to be over")


def test_locked_out_by_a_relay_that_did_not_switch_on() -> None:
    house = ready()
    house.obeys = False
    house.meter(-1500)
    house.wait(45 + 30)
    sentence = FAULT_BY_CODE["relay-not-on"].sentence
    house.says("locked-out", sentence, "the cooldown to be over, 10 min more", 600.0)
    house.obeys = True
    house.wait(200)
    house.says("locked-out", sentence, "the cooldown to be over, 6 min 40 s more", 400.0)
    assert house.document().faults[0].model_dump(mode="json") == {
        "code": "relay-not-on",
        "severity": "trip",
        "since": "2025-06-10T12:06:15+01:00",
        "latched": False,
        "cooldown_left_s": 400.0,
        "sentence": sentence,
        "remedy": FAULT_BY_CODE["relay-not-on"].remedy,
        "measured": {},
    }
    assert house.wait_for_a_change() == 400


def test_locked_out_by_faults_that_wait_for_somebody() -> None:
    house = charging("relay.temperature = { topic = 't', fresh_s = 3600 }", "relay.power = { topic = 'p' }")
    house.tell(news.Message("t", b"70", False))
    house.wait(3)
    hot, over = FAULT_BY_CODE["socket-hot"], FAULT_BY_CODE["over-current"]
    house.says("locked-out", hot.sentence, "somebody to look, and to acknowledge socket-hot")
    house.tell(news.Message("p", b"6000", False))
    house.says("locked-out", over.sentence, "somebody to look, and to acknowledge over-current and socket-hot")
    assert [(fault.code, fault.latched, fault.cooldown_left_s) for fault in house.document().faults[:2]] == [
        ("over-current", True, 900.0),
        ("socket-hot", True, 1800.0),
    ]
    house.tell(news.Message("p", b"0", False))
    house.wait(800)
    house.tell(news.Acknowledge("over-current"))
    house.says("locked-out", over.sentence, "somebody to look, and to acknowledge socket-hot")
    house.tell(news.Acknowledge("socket-hot"))
    house.says("locked-out", over.sentence, "the cooldown to be over, 16 min 40 s more", 1000.0)
    assert [fault.latched for fault in house.document().faults] == [False, False]
    house.wait(1000)
    house.says("locked-out", hot.sentence, "that to be over")  # still 70 degrees
    house.tell(news.Message("t", b"30", False))
    assert house.document().faults == []
    assert house.mode == "arming"


def test_locked_out_by_a_fault_that_ended_the_charge() -> None:
    house = charging("relay.temperature = { topic = 't', fresh_s = 400 }")  # of which 345 have passed
    house.wait(55 + 15 - 0.1)
    assert house.document().faults == []
    house.wait(0.1)
    document = house.document()
    assert (document.state, [fault.severity for fault in document.faults]) == ("charging", ["end"])
    house.wait(5)
    house.wait(480 - 75)
    house.says("locked-out", FAULT_BY_CODE["temperature-lost"].sentence, "that to be over")


def test_arming_while_a_fault_holds() -> None:
    house = ready()
    house.meter(-1500)
    house.tell(news.CommandsLink(False))
    house.wait(100)
    waits = f"this to be over: {FAULT_BY_CODE['broker-unheard'].sentence}"
    house.says("arming", "The house exports 1.50 kW, enough for a charge.", waits)


def test_locked_out_by_a_silent_meter() -> None:
    house = charging()
    house.wait(60)  # it has moved since the charge began
    house.grid_w = None
    house.wait(600)
    why = "There is no fresh reading from the meter (m). The last one is 10 min old."
    house.says("locked-out", why, "a reading")
    house.wait(15)
    assert [(fault.code, fault.severity) for fault in house.document().faults] == [("meter-silent", "note")]


def test_locked_out_by_the_time_cap_until_the_daily_time() -> None:
    house = charging("session.time_cap_s = 1800")
    assert house.wait_for_a_change() == pytest.approx(1800, abs=0.01)
    wait_s = 16 * 3600 - 300 - 45 - 1800  # from noon to four at night
    document = house.document()
    assert (document.state, document.why) == ("locked-out", "The session's 30 min of charging are used up.")
    assert document.session.time_left_s == 0
    assert document.waiting_for == "04:00, when a new session begins"
    assert document.wait_s == pytest.approx(wait_s, abs=0.1)
    assert house.wait_for_a_change() == pytest.approx(wait_s, abs=0.1)
    assert house.clock.wall() == datetime(2025, 6, 11, 4, 0, tzinfo=LISBON)


def test_locked_out_by_the_energy_cap_until_somebody_comes() -> None:
    house = charging("session.energy_cap_wh = 2300", 'session.rearm = "manual"')
    assert house.wait_for_a_change() == pytest.approx(6000, abs=0.01)
    house.says("locked-out", "The session's 2.3 kWh are used up.", "enable to be switched off and on again")
    assert house.document().session.energy_left_wh == 0
    house.wait(86400)
    assert house.mode == "locked-out"
    house.enable(False)
    house.enable()
    assert house.mode == "charging"


def test_stopping() -> None:
    house = charging()
    house.tell(news.Stop())
    house.says("idle", "The daemon is shutting down, and the relay is off.", None)


def test_stopping_does_not_claim_that_a_relay_is_off_that_may_be_on() -> None:
    house = charging()
    house.obeys = False
    house.tell(news.Stop())
    document = house.document()
    assert not document.relay.confirmed
    assert "the relay is off" not in document.why


# --- the reason is the table's ---------------------------------------------------------------------------------------

# What a sentence about each cause says, whatever else it says.
SAID = {
    machine.C_STOPPING: "The daemon is shutting down",
    machine.C_DISABLED: "Charging is switched off.",
    machine.C_TRIPPED: FAULT_BY_CODE["broker-lost"].sentence,
    machine.C_ENDED: FAULT_BY_CODE["temperature-lost"].sentence,
    machine.C_TIME_CAP: "The session's 6 h of charging are used up.",
    machine.C_ENERGY_CAP: "The session's 5.0 kWh are used up.",
    machine.C_METER_SILENT: "There is no fresh reading",
    machine.C_SURPLUS_SEEN: "The house ",
    machine.C_SURPLUS_LOST: "The house ",
    machine.C_CLEARED: "The house ",
    machine.C_SURPLUS_HELD: "enough for a charge.",
    machine.C_IMPORT_SEEN: "Charging. The house ",
    machine.C_IMPORT_GONE: "Charging. The house ",
    machine.C_IMPORT_HELD: " while it charges, more than 345 W.",
    machine.C_PLAN_DUE: " by plan. The house ",
    machine.C_PLAN_HELD: "A charge is due by plan. The house ",
}


def test_each_row_of_the_table_has_a_sentence() -> None:
    assert {row.cause for row in machine.TABLE} == SAID.keys() == WHATEVER_THE_SUN_DOES.keys() | BY_SURPLUS.keys()
    assert not WHATEVER_THE_SUN_DOES.keys() & BY_SURPLUS.keys()


def in_a_situation(mode: int, facts: int) -> House:
    """Return a house in which just these facts hold, and what ends or trips a charge is there where they say so."""
    house = House("session.energy_cap_wh = 5000", "planned.allow = true")
    controller, now_s, params = house.controller, house.clock.now_s, house.controller.settings.params

    def past(fact: int, lasts_s: float) -> float:
        return now_s - lasts_s if facts & fact else now_s

    controller.supervisor.records = {
        code: Record(code, now_s, 1, bool(facts & fact), False)
        for code, fact in (("broker-lost", machine.TRIPPED), ("temperature-lost", machine.ENDING))
    }
    controller.inputs = controller.inputs._replace(
        grid_w=-2000.0 if facts & machine.EXPORT else 2000.0 if facts & machine.IMPORT else 0.0,
        fresh_until_s=now_s + 1.0 if facts & machine.FRESH else now_s,
        enabled=bool(facts & machine.ENABLED),
        stopping=bool(facts & machine.STOPPING),
        guard=machine.TRIP if facts & machine.TRIPPED else machine.END if facts & machine.ENDING else machine.CLEAR,
        off_confirmed=bool(facts & machine.MIN_OFF_OVER),
        planned=bool(facts & machine.PLANNED),
    )
    controller.state = controller.state._replace(
        mode=mode,
        due_s=now_s if facts & machine.DELAY_OVER else now_s + 1.0,
        on_since_s=past(machine.MIN_ON_OVER, params.min_on_s),
        off_since_s=past(machine.MIN_OFF_OVER, params.min_off_s),
        starts_s=(past(machine.BUDGET_LEFT, machine.DAY_S),) * params.starts_per_day,
        session_s=params.time_cap_s if facts & machine.TIME_SPENT else 0.0,
        session_wh=params.energy_cap_wh if facts & machine.ENERGY_SPENT else 0.0,
        planned=bool(facts & machine.PLANNED),
    )
    assert machine.conditions(params, controller.state, now_s, controller.inputs) == facts
    return house


# HELD goes along with ENDING; of EXPORT and IMPORT there is one at most, and so it is with TRIPPED and ENDING.
situations = st.builds(
    lambda bits, flow, guard: bits | flow | guard,
    st.integers(0, 2**15 - 1).map(
        lambda bits: bits & ~(machine.EXPORT | machine.IMPORT | machine.HELD | machine.TRIPPED | machine.ENDING)
    ),
    st.sampled_from([0, machine.EXPORT, machine.IMPORT]),
    st.sampled_from([0, machine.TRIPPED, machine.HELD | machine.ENDING]),
)


@pytest.mark.parametrize("mode", range(len(MODE_NAMES)))
@given(facts=situations)
@settings(max_examples=60)
def test_the_reason_that_is_given_is_the_one_that_decides(mode: int, facts: int) -> None:
    house = in_a_situation(mode, facts)
    why, _, _ = explain(house.controller, house.config, house.at, house.clock.wall())
    rows = [row for row in machine.TABLE if (row.sources >> mode) & 1]
    fits = [row for row in rows if facts & row.when == row.when and not facts & row.unless]
    reason = fits[0].cause if fits else rows[-1].cause
    if not fits and mode in (machine.IDLE, machine.LOCKED_OUT) and not facts & machine.FRESH:
        reason = machine.C_METER_SILENT
    if reason in (machine.C_TIME_CAP, machine.C_ENERGY_CAP) and facts & machine.ENDING:
        reason = machine.C_ENDED
    charges = reason in (machine.C_IMPORT_SEEN, machine.C_IMPORT_GONE)
    said = "Charging, but a fault ends it. The house " if charges and facts & machine.ENDING else SAID[reason]
    assert said in why


# --- the numbers -----------------------------------------------------------------------------------------------------


def test_the_document_as_a_whole() -> None:
    house = charging(
        "relay.power = { topic = 'p', fresh_s = 600 }",
        "relay.temperature = { topic = 't', fresh_s = 3600 }",
        "relay.voltage.topic = 'v'",
        "session.energy_cap_wh = 5000",
    )
    house.tell(news.Message("p", b"1300", False))
    house.meter(130)
    house.wait(540)
    house.tell(news.Message("m", b"nonsense", False))
    house.tell(news.Message("p", b"nonsense", False))
    house.tell(news.Message("m", b"1e9", False))
    house.clock.now_s += 12.34
    house.tell(news.Tick())
    # The thermal image: taken to be warm at first, off for 345 s, then 552.34 s of current.
    off, settled = (6 / 11) ** 2 * math.exp(-345 / 1800), (1300 / 230 / 11) ** 2
    level = settled + (off - settled) * math.exp(-552.34 / 1200)
    assert json.loads(house.document().model_dump_json()) == {
        "schema_version": 1,
        "time": "2025-06-10T12:14:57+01:00",
        "charger": "carport",
        "state": "charging",
        "since": "2025-06-10T12:05:45+01:00",
        "why": "Charging. The house imports 130 W.",
        "waiting_for": "import above 345 W, or the session's cap, in 3 h 42 min",  # 4800.5 Wh at 1300 W
        "wait_s": None,
        "enabled": True,
        "grid": {
            "power_w": 130.0,
            "age_s": 12.3,
            "fresh": True,
            "sources": [{"topic": "m", "power_w": 130.0, "age_s": 12.3, "fresh": True}],
            "lag_s": None,
        },
        "battery": None,
        "neighbours": None,
        "export_limit": None,
        "surplus_w": 1170.0,
        "charger_power": {"power_w": 1300.0, "measured": True, "known": True},
        "thresholds": {
            "start_export_w": 1380.0,
            "stop_import_w": 345.0,
            "follow_prices": False,
            "look_ahead": False,
            "steer": False,
        },
        "relay": {"commanded": "on", "reported": "on", "confirmed": True, "reported_age_s": 552.3},
        "socket": {"level": round(level, 3), "current_a": 5.65, "temperature_c": 31.5, "voltage_v": None}
        | {"voltage_mean_v": None, "circuit_ohm": None, "circuit_error_ohm": None},
        "session": {"on_time_s": 552.3, "energy_wh": 199.5, "time_left_s": 21047.7, "energy_left_wh": 4800.5},
        "today": {
            "starts": 1,
            "on_time_s": 552.3,
            "energy_wh": 199.5,
            "solar_wh": 179.5,
            "grid_wh": 19.9,
            "unknown_s": 0.0,
            "battery_wh": 0.0,
        },
        "ledger": None,
        "joints": None,
        "contacts": None,
        "learned_draw_w": None,
        "plan": None,
        "away": None,
        "budget": {"starts_left_hour": 3, "starts_left_day": 15},
        "faults": [],
        "refused_messages": {"not-a-number": 2, "implausible": 1},
        "heartbeat_s": 30.0,
    }


def test_each_source_has_its_own_age() -> None:
    text = CONFIG.replace("meter = [{", 'meter = [{ topic = "n", measures = "export-only", fresh_s = 20 }, {')
    config = parse(text, "test.toml")
    clock = VirtualClock(NOON)
    controller = Controller(config.settings(), moment(config, clock))
    grid = build(controller, config, moment(config, clock), clock).grid
    assert (grid.power_w, grid.age_s, grid.fresh) == (None, None, False)
    controller.tell(news.Message("m", b"100", False), moment(config, clock))
    clock.now_s = 5.0
    controller.tell(news.Message("n", b"300", False), moment(config, clock))
    clock.now_s = 30.0
    controller.tell(news.Tick(), moment(config, clock))
    document = build(controller, config, moment(config, clock), clock)
    assert document.grid.model_dump() == {
        "power_w": -200.0,
        "age_s": 30.0,
        "fresh": False,
        "sources": [
            {"topic": "n", "power_w": -300.0, "age_s": 25.0, "fresh": False},
            {"topic": "m", "power_w": 100.0, "age_s": 30.0, "fresh": True},
        ],
        "lag_s": None,
    }


def test_what_is_not_known_is_null() -> None:
    house = House()
    document = house.document()
    assert (document.grid.power_w, document.surplus_w, document.session.energy_left_wh) == (None, None, None)
    house.tell(news.RelayLink(False))
    house.tell(news.CommandsLink(True))
    relay = house.document().relay
    assert (relay.commanded, relay.reported, relay.confirmed) == ("off", None, False)
    socket = house.document().socket
    assert (socket.current_a, socket.temperature_c, socket.voltage_v) == (None, None, None)
    house = House("relay.voltage = { topic = 'v', fresh_s = 60 }", "relay.power = { topic = 'p', fresh_s = 60 }")
    house.tell(news.Message("v", b"240", False))
    house.tell(news.Message("p", b"1200", False))
    socket = house.document().socket
    assert (socket.current_a, socket.voltage_v) == (5.0, 240.0)
    house.clock.now_s += 60
    house.tell(news.Tick())
    socket = house.document().socket
    assert (socket.current_a, socket.voltage_v) == (None, None)


def test_a_reading_from_before_a_switching_says_nothing_of_the_surplus_now() -> None:
    """It knows nothing of what the lead takes since: the two together would be twice the truth, or half of it."""
    house = charging()
    assert (house.document().grid.power_w, house.document().surplus_w) == (-1500.0, None)
    house.clock.now_s += 2.0
    house.meter(-120)
    assert house.document().surplus_w == 120 + house.document().charger_power.power_w == 1500.0
    house.enable(False)
    assert house.document().surplus_w is None
    house.clock.now_s += 2.0
    house.meter(-1500)
    assert house.document().surplus_w == 1500.0


# --- the schema ------------------------------------------------------------------------------------------------------


def test_the_schema_is_a_schema_and_complete() -> None:
    published = schema()
    Draft202012Validator.check_schema(published)
    assert published["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert published["$id"] == "urn:surpluscharge:status:1"
    assert published["additionalProperties"] is False
    for part in published["$defs"].values():
        assert set(part["required"]) == set(part["properties"])
        assert part["additionalProperties"] is False


@pytest.mark.parametrize(
    "damage",
    [
        {"schema_version": 2},
        {"state": "resting"},
        {"time": 5},
        {"enabled": "yes"},
        {"surplus_w": "1"},
        {"grid": {}},
        {"faults": [{}]},
        {"socket": {"level": None, "current_a": None, "temperature_c": None, "voltage_v": None}},
        {"refused_messages": {"not-json": "many"}},
        {"another": 1},
    ],
)
def test_the_schema_refuses_what_is_wrong(damage: dict[str, Any]) -> None:
    document = json.loads(ready().document().model_dump_json())
    assert VALIDATOR.is_valid(document)
    assert not VALIDATOR.is_valid(document | damage)


@pytest.mark.parametrize("key", StatusDocument.model_fields)
def test_the_schema_refuses_what_is_missing(key: str) -> None:
    document = json.loads(ready().document().model_dump_json())
    del document[key]
    assert not VALIDATOR.is_valid(document)


def test_times_are_rfc_3339() -> None:
    house = charging(start=datetime(2025, 1, 10, 12, 0, 0, 700000, tzinfo=ZoneInfo("UTC")))
    house.tell(news.RelayLink(False))
    document = json.loads(house.document().model_dump_json())
    for written in (document["time"], document["since"], document["faults"][0]["since"]):
        # RFC 3339, section 5.6: date-time = full-date "T" partial-time time-offset
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(Z|[+-]\d\d:\d\d)", written)
        assert datetime.fromisoformat(written).tzinfo is not None
    assert datetime.fromisoformat(document["time"]) == datetime(2025, 1, 10, 12, 5, 45, tzinfo=UTC)


@pytest.mark.parametrize(
    "start", [datetime(2025, 3, 30, 0, 30, tzinfo=LISBON), datetime(2025, 10, 26, 0, 30, tzinfo=LISBON)]
)
def test_since_is_right_when_clocks_have_changed_meanwhile(start: datetime) -> None:
    house = House(start=start)
    house.wait(7200)
    assert house.document().since.timestamp() == start.timestamp()


# --- in words --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("power_w", "words"),
    [
        (0.0, "0 W"),
        (0.4, "0 W"),
        (0.6, "1 W"),
        (350.0, "350 W"),
        (-350.0, "-350 W"),
        (999.4, "999 W"),
        (999.6, "1.00 kW"),
        (-999.6, "-1.00 kW"),
        (1380.0, "1.38 kW"),
        (12345.0, "12.35 kW"),
    ],
)
def test_watts(power_w: float, words: str) -> None:
    assert watts(power_w) == words


def test_no_watts_have_no_sign() -> None:
    assert {watts(-0.0), watts(-0.3)} == {"0 W"}


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-5.0, "0 s"),
        (0.0, "0 s"),
        (0.6, "1 s"),
        (45.0, "45 s"),
        (59.6, "1 min"),
        (130.0, "2 min 10 s"),
        (600.0, "10 min"),
        (3599.4, "59 min 59 s"),
        (3599.6, "1 h"),
        (3660.0, "1 h 1 min"),
        (18600.0, "5 h 10 min"),
        (86400.0, "24 h"),
    ],
)
def test_duration(seconds: float, words: str) -> None:
    assert duration(seconds) == words


@given(st.floats(0, 200000))
def test_a_duration_in_words_is_that_duration(seconds: float) -> None:
    words = duration(seconds)
    factors = {"h": 3600, "min": 60, "s": 1}
    parts = re.findall(r"(\d+) (h|min|s)", words)
    assert " ".join(f"{number} {unit}" for number, unit in parts) == words
    said_s = sum(int(number) * factors[unit] for number, unit in parts)
    assert abs(said_s - seconds) <= (0.5 if seconds < 3599 else 30.5)
    assert all(int(number) < 60 for number, unit in parts if unit != "h")
