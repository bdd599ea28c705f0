"""The table of faults, and the weighing of evidence over time."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surpluscharge.control.machine import CLEAR, DAY_S, END, HOLD, TRIP
from surpluscharge.control.supervisor import (
    FAULT_BY_CODE,
    FAULTS,
    NOTE,
    SEVERITY_NAMES,
    Fault,
    Limits,
    Record,
    Situation,
    Supervisor,
)
from tests.conftest import config_from

CODES = [fault.code for fault in FAULTS]
LIMITS: Limits = config_from(
    charger={"current_a": 6.0}, main_fuse={"import_limit_w": 5000.0}
).limits  # 1380 W on a socket of 13 A, 10 A for hours
LONG_S = 1e6

IN_ORDER = Situation(
    wants_on=False,
    wanted_s=LONG_S,
    link_up=True,
    hearing=True,
    confirmed=True,
    was_confirmed=True,
    reported=False,
    told_off_s=LONG_S,
    reported_on_after_off=False,
    power_w=0.0,
    power_after_s=LONG_S,
    current_a=0.0,
    over_readings=0,
    level=0.0,
    run_a=0.0,
    run_s=0.0,
    temperature_missing=False,
    temperature_c=20.0,
    warmed_c=5.0,
    voltage_v=230.0,
    voltage_before_v=230.0,
    voltage_free_v=230.0,
    voltage_mean_v=228.0,
    voltage_mean_whole=True,
    voltage_drop_v=2.0,
    large_drops=0,
    meter_fresh=True,
    meter_still_s=0.0,
    meter_repeats=0,
    meter_finest_w=0.1,
    contrary_steps=0,
    sign_proven=True,
    plug_silent=False,
    nothing_flows=False,
    high_steps=0,
    high_w=0.0,
    high_explained=False,
    level_if_high=0.0,
    steps_late=False,
    refused_in_row=0,
    topics_refused=False,
    budget_spent=False,
    clock_jumped=False,
    store_failing=False,
)
CHARGING = IN_ORDER._replace(wants_on=True, reported=True, power_w=1380.0, current_a=6.0, run_a=6.0, run_s=600.0)
UNKNOWN = IN_ORDER._replace(
    link_up=None,
    reported=None,
    power_w=None,
    current_a=None,
    temperature_c=None,
    warmed_c=None,
    voltage_v=None,
    voltage_before_v=None,
    voltage_free_v=None,
    voltage_mean_v=None,
    voltage_drop_v=None,
    confirmed=False,
)

# For each row a situation in which its evidence holds, and as far as can be, that of no other.
EVIDENT = {
    "over-current": CHARGING._replace(current_a=16.3, over_readings=2),
    "socket-overload": CHARGING._replace(level=1.0),
    "socket-load-high": CHARGING._replace(level=0.9),
    "socket-hot": CHARGING._replace(temperature_c=55.0),
    "temperature-lost": CHARGING._replace(temperature_missing=True, temperature_c=None),
    "temperature-doubted": CHARGING._replace(wanted_s=3600.0, warmed_c=0.9),
    "relay-not-on": CHARGING._replace(confirmed=False, was_confirmed=False, reported=False, power_w=None),
    "switched-elsewhere": CHARGING._replace(confirmed=False, reported=False),
    "relay-not-off": IN_ORDER._replace(confirmed=False, reported=None),
    "relay-stuck-on": IN_ORDER._replace(power_w=1380.0, current_a=6.0),
    "draw-high": CHARGING._replace(power_w=1.21 * 1380),
    "draw-low": CHARGING._replace(power_w=0.69 * 1380),
    "no-load": CHARGING._replace(power_w=60.0),
    "rest-due": CHARGING._replace(run_a=9.0, run_s=10800.0),
    "meter-silent": IN_ORDER._replace(meter_fresh=False),
    "meter-frozen": CHARGING._replace(wanted_s=600.0, meter_still_s=600.0, meter_repeats=8),
    "meter-sign-doubted": CHARGING._replace(contrary_steps=1),
    "meter-sign-tested": CHARGING._replace(contrary_steps=2),
    "meter-sign": IN_ORDER._replace(contrary_steps=3),
    "lead-high-tested": CHARGING._replace(high_steps=1, wanted_s=900.0),
    "lead-high": IN_ORDER._replace(high_steps=3),
    "battery-silent": IN_ORDER._replace(battery_silent=True),
    "battery-gives": IN_ORDER._replace(battery_gives_w=100.1),
    "battery-feeds-car": CHARGING._replace(battery_feeds_w=0.25 * 1380 + 0.1),
    "battery-sign": IN_ORDER._replace(battery_contrary=2),
    "fuse-overloaded": CHARGING._replace(fuse_over_w=1.0, fuse_short_w=1381.0),
    "fuse-full": IN_ORDER._replace(fuse_over_w=-1379.0, fuse_short_w=1.0),
    "plug-silent": CHARGING._replace(plug_silent=True),
    "no-flow": CHARGING._replace(nothing_flows=True),
    "export-beyond-limit": CHARGING._replace(beyond_limit=True),
    "meter-late": IN_ORDER._replace(steps_late=True),
    "readings-refused": IN_ORDER._replace(refused_in_row=5),
    "starts-spent": IN_ORDER._replace(budget_spent=True),
    "voltage-dangerous": CHARGING._replace(voltage_v=276.1, voltage_before_v=276.1),
    "voltage-out": CHARGING._replace(voltage_v=264.6, voltage_before_v=264.6),
    "voltage-high": CHARGING._replace(voltage_mean_v=253.1),
    "voltage-low": IN_ORDER._replace(voltage_free_v=206.9),
    "voltage-sags": CHARGING._replace(voltage_drop_v=11.6),
    "circuit-resistance": CHARGING._replace(large_drops=3),
    "joint-high": IN_ORDER._replace(joint_over=1, joint_lost_w=4.0),
    "joint-grows": IN_ORDER._replace(joint_grown=1, joint_lost_w=8.0),
    "joint-lossy": IN_ORDER._replace(joint_over=2, joint_lost_w=15.0),
    "joint-grown": IN_ORDER._replace(joint_grown=2, joint_lost_w=20.0),
    "joint-bad": CHARGING._replace(joint_grown=3, joint_lost_w=40.0),
    "look-due": IN_ORDER._replace(look_due=True),
    "relay-worn": IN_ORDER._replace(relay_worn=True),
    "clock-jump": CHARGING._replace(clock_jumped=True),
    "store-failing": IN_ORDER._replace(store_failing=True),
    "topics-refused": IN_ORDER._replace(topics_refused=True),
    "history-failing": IN_ORDER._replace(history_failing=True),
    "payloads-exchanged": IN_ORDER._replace(payloads_exchanged=True),
    "commands-flooded": IN_ORDER._replace(told_in_floods=True),
    "name-shared": IN_ORDER._replace(name_shared=True),
    "readings-flooded": IN_ORDER._replace(read_in_floods=True),
    "daemon-late": IN_ORDER._replace(late=True),
    "broker-unheard": IN_ORDER._replace(hearing=False),
    "broker-lost": IN_ORDER._replace(link_up=False, confirmed=False),
}
FROZEN_MIDWAY = CHARGING._replace(wanted_s=5000.0, meter_still_s=720.0, meter_repeats=30)
# What cannot come alone: past the trip level the image is past the alarm level too.
COMPANIONS = {
    "socket-overload": {"socket-load-high"},
    "meter-sign-tested": {"meter-sign-doubted"},
}


def alone(code: str) -> tuple[Fault, ...]:
    """Return the rows whose evidence is there in this row's situation."""
    return tuple(fault for fault in FAULTS if fault.evidence(EVIDENT[code], LIMITS))


def codes(supervisor: Supervisor) -> list[str]:
    return [record.code for record in supervisor.active]


def raised(fault: Fault, start_s: float = 1000.0) -> tuple[Supervisor, float]:
    """Return a supervisor that has just raised this fault, and when that was."""
    supervisor = Supervisor()
    supervisor.judge(EVIDENT[fault.code], LIMITS, start_s)
    now_s = start_s + fault.after_s
    supervisor.judge(EVIDENT[fault.code], LIMITS, now_s)
    assert fault.code in codes(supervisor)
    return supervisor, now_s


def each_fault(*, when: object = None) -> pytest.MarkDecorator:
    chosen = [fault for fault in FAULTS if when is None or when(fault)]  # type: ignore[operator]
    return pytest.mark.parametrize("fault", chosen, ids=[fault.code for fault in chosen])


# --- the table -------------------------------------------------------------------------------------------------------


def test_the_table_is_fit_for_people() -> None:
    assert len(set(CODES)) == len(CODES)
    assert dict(zip(CODES, FAULTS, strict=True)) == FAULT_BY_CODE
    for fault in FAULTS:
        assert fault.sentence.endswith(".") and fault.remedy.endswith(".")
        assert fault.severity in SEVERITY_NAMES
        assert fault.after_s >= 0 and fault.cooldown_s >= 0
        assert fault.cooldown_most_s >= fault.cooldown_s
        holds = fault.code in ("joint-lossy", "joint-grown")  # what is found so is found at a charge's end as well
        assert fault.severity == (HOLD if holds else TRIP) or not fault.latches  # else it had better be off meanwhile
        assert {
            "not",
            "nothing",
            "see",
            "look",
            "change",
            "set",
            "feel",
            "unplug",
            "if",
            "restart",
            "go",
            "switch",
        } & set(fault.remedy.lower().replace(".", "").split()), f"{fault.code}: a remedy says what to do"


def test_what_each_fault_does() -> None:
    """The decisions of the table, once more: whoever changes one should have to say so twice."""
    latching = {"over-current", "socket-hot", "relay-stuck-on", "meter-sign", "commands-flooded"}
    latching |= {"voltage-dangerous", "circuit-resistance", "lead-high", "payloads-exchanged", "battery-sign"}
    latching |= {"joint-lossy", "joint-grown", "joint-bad"}
    assert {fault.code for fault in FAULTS if fault.latches} == latching
    assert {fault.code for fault in FAULTS if fault.third_latches} == {"socket-overload"}
    # What is no danger, and only waited for so as not to switch in vain; nothing else is cut short by a word.
    assert {fault.code for fault in FAULTS if fault.tried_anew} == {"no-load", "no-flow"}
    assert {
        fault.code: (fault.severity, fault.after_s, fault.cooldown_s, fault.cooldown_most_s) for fault in FAULTS
    } == {
        "over-current": (TRIP, 0.0, 900.0, 900.0),
        "socket-overload": (TRIP, 0.0, 600.0, 9600.0),
        "socket-load-high": (NOTE, 0.0, 0.0, 0.0),
        "socket-hot": (TRIP, 3.0, 1800.0, 1800.0),
        "temperature-lost": (END, 15.0, 0.0, 0.0),
        "temperature-doubted": (NOTE, 0.0, 0.0, 0.0),
        "relay-not-on": (TRIP, 30.0, 600.0, 9600.0),
        "switched-elsewhere": (TRIP, 2.0, 900.0, 900.0),
        "relay-not-off": (HOLD, 30.0, 0.0, 0.0),
        "payloads-exchanged": (TRIP, 0.0, 0.0, 0.0),
        "battery-silent": (NOTE, 15.0, 0.0, 0.0),
        "battery-gives": (HOLD, 0.0, 0.0, 0.0),
        "battery-feeds-car": (END, 120.0, 900.0, 3600.0),
        "battery-sign": (TRIP, 0.0, 0.0, 0.0),
        "fuse-overloaded": (TRIP, 10.0, 300.0, 4800.0),
        "fuse-full": (HOLD, 0.0, 0.0, 0.0),
        "relay-stuck-on": (TRIP, 20.0, 0.0, 0.0),
        "draw-high": (TRIP, 20.0, 900.0, 14400.0),
        "lead-high-tested": (END, 0.0, 30.0, 30.0),
        "lead-high": (TRIP, 0.0, 0.0, 0.0),
        "plug-silent": (TRIP, 0.0, 300.0, 4800.0),
        "no-flow": (END, 600.0, 1800.0, 7200.0),
        "draw-low": (NOTE, 600.0, 0.0, 0.0),
        "no-load": (END, 600.0, 1800.0, 7200.0),
        "rest-due": (END, 0.0, 0.0, 0.0),
        "meter-silent": (NOTE, 15.0, 0.0, 0.0),
        "meter-frozen": (TRIP, 180.0, 1800.0, 14400.0),
        "meter-sign-doubted": (NOTE, 0.0, 0.0, 0.0),
        "meter-sign-tested": (END, 0.0, 30.0, 30.0),
        "meter-sign": (TRIP, 0.0, 0.0, 0.0),
        "export-beyond-limit": (END, 300.0, 3600.0, 14400.0),
        "meter-late": (NOTE, 0.0, 0.0, 0.0),
        "readings-refused": (NOTE, 0.0, 600.0, 600.0),
        "starts-spent": (NOTE, 0.0, 0.0, 0.0),
        "voltage-dangerous": (TRIP, 0.0, 900.0, 900.0),
        "voltage-out": (TRIP, 0.0, 300.0, 2400.0),
        "voltage-high": (END, 0.0, 600.0, 2400.0),
        "voltage-low": (HOLD, 0.0, 0.0, 0.0),
        "voltage-sags": (END, 0.0, 1800.0, 14400.0),
        "circuit-resistance": (TRIP, 0.0, 0.0, 0.0),
        "joint-high": (NOTE, 0.0, 0.0, 0.0),
        "joint-grows": (NOTE, 0.0, 0.0, 0.0),
        "joint-lossy": (HOLD, 0.0, 0.0, 0.0),
        "joint-grown": (HOLD, 0.0, 0.0, 0.0),
        "joint-bad": (TRIP, 0.0, 0.0, 0.0),
        "look-due": (NOTE, 0.0, 0.0, 0.0),
        "relay-worn": (NOTE, 0.0, 0.0, 0.0),
        "clock-jump": (NOTE, 0.0, 3600.0, 3600.0),
        "store-failing": (TRIP, 0.0, 0.0, 0.0),
        "topics-refused": (END, 0.0, 0.0, 0.0),
        "history-failing": (NOTE, 0.0, 0.0, 0.0),
        "commands-flooded": (TRIP, 0.0, 0.0, 0.0),
        "name-shared": (NOTE, 0.0, 0.0, 0.0),
        "readings-flooded": (NOTE, 0.0, 600.0, 600.0),
        "daemon-late": (TRIP, 0.0, 300.0, 2400.0),
        "broker-unheard": (HOLD, 0.0, 0.0, 0.0),
        "broker-lost": (TRIP, 0.0, 0.0, 0.0),
    }
    # A relay that will not go off is told again and again, and above all nobody is told that it is off.
    # And where something may be hot, the circuit is off before anybody unplugs.
    for code in (
        "over-current",
        "socket-hot",
        "relay-stuck-on",
        "voltage-dangerous",
        "circuit-resistance",
        "draw-high",
    ):
        remedy = FAULT_BY_CODE[code].remedy
        assert "off at the fuse board" in remedy
        assert "nplug" not in remedy or remedy.index("fuse board") < remedy.index("nplug")
    assert "again and again" in FAULT_BY_CODE["relay-not-off"].sentence


# --- evidence --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("now", [IN_ORDER, CHARGING])
def test_nothing_is_evident_when_all_is_in_order(now: Situation) -> None:
    assert [fault.code for fault in FAULTS if fault.evidence(now, LIMITS)] == []


def test_what_is_not_known_is_evidence_of_nothing_but_the_silence_itself() -> None:
    for wants_on in (True, False):
        now = UNKNOWN._replace(wants_on=wants_on)
        assert [fault.code for fault in FAULTS if fault.evidence(now, LIMITS)] == []
        now = now._replace(temperature_missing=True, meter_fresh=False, hearing=False)
        silences = ["temperature-lost", "meter-silent", "broker-unheard"]
        assert [fault.code for fault in FAULTS if fault.evidence(now, LIMITS)] == silences


def test_each_row_has_a_situation_of_its_own() -> None:
    assert set(EVIDENT) == set(CODES)
    for code in CODES:
        assert {fault.code for fault in alone(code)} == {code} | COMPANIONS.get(code, set())


@pytest.mark.parametrize(
    ("code", "just_not"),
    [
        ("over-current", CHARGING._replace(current_a=16.25, over_readings=2)),  # 1.25 times 13 A
        ("over-current", CHARGING._replace(current_a=24.6, over_readings=1)),  # 1.9 times are 24.7
        ("temperature-doubted", EVIDENT["temperature-doubted"]._replace(wanted_s=3599.9)),
        ("temperature-doubted", EVIDENT["temperature-doubted"]._replace(warmed_c=1.0)),
        ("temperature-doubted", EVIDENT["temperature-doubted"]._replace(warmed_c=None)),
        ("temperature-doubted", EVIDENT["temperature-doubted"]._replace(power_w=60.0)),  # nothing to warm it
        ("temperature-doubted", EVIDENT["temperature-doubted"]._replace(wants_on=False)),
        ("socket-overload", CHARGING._replace(level=0.999)),
        ("socket-load-high", CHARGING._replace(level=0.899)),
        ("socket-hot", CHARGING._replace(temperature_c=54.9)),
        ("relay-not-on", EVIDENT["relay-not-on"]._replace(link_up=False)),
        ("relay-not-on", EVIDENT["relay-not-on"]._replace(was_confirmed=True)),
        ("relay-not-on", EVIDENT["relay-not-on"]._replace(wants_on=False)),
        ("switched-elsewhere", CHARGING._replace(confirmed=False, reported=None)),
        ("switched-elsewhere", EVIDENT["switched-elsewhere"]._replace(was_confirmed=False)),
        ("relay-not-off", EVIDENT["relay-not-off"]._replace(link_up=None)),
        ("relay-stuck-on", EVIDENT["relay-stuck-on"]._replace(told_off_s=19.9)),
        ("relay-stuck-on", EVIDENT["relay-stuck-on"]._replace(power_after_s=19.9)),  # measured before it could be off
        ("relay-stuck-on", EVIDENT["relay-stuck-on"]._replace(power_w=69.0)),  # a twentieth: standby
        ("draw-high", CHARGING._replace(power_w=1.2 * 1380)),  # what EN 50160 explains, and more
        ("draw-low", CHARGING._replace(power_w=0.7 * 1380)),
        ("draw-low", CHARGING._replace(power_w=69.0)),  # that is no load at all
        ("no-load", CHARGING._replace(power_w=69.1)),
        ("no-load", EVIDENT["no-load"]._replace(wants_on=False)),
        ("no-load", CHARGING._replace(wants_on=False, power_w=None, idle=True)),
        ("rest-due", CHARGING._replace(run_a=9.0, run_s=10799.9)),
        ("rest-due", CHARGING._replace(run_a=7.9, run_s=20000.0)),  # below four fifths of 10 A
        ("meter-frozen", EVIDENT["meter-frozen"]._replace(meter_still_s=599.9)),  # it moved since the switching
        ("meter-frozen", EVIDENT["meter-frozen"]._replace(meter_repeats=7)),  # it has hardly spoken since
        ("meter-frozen", EVIDENT["meter-frozen"]._replace(meter_fresh=False)),
        ("meter-frozen", EVIDENT["meter-frozen"]._replace(power_w=0.0)),  # no load, so nothing has to move
        ("meter-frozen", EVIDENT["meter-frozen"]._replace(wants_on=False)),  # a house may well be quiet
        ("meter-frozen", FROZEN_MIDWAY._replace(meter_still_s=719.9)),
        ("meter-frozen", FROZEN_MIDWAY._replace(meter_repeats=29)),  # it speaks seldom
        ("meter-frozen", FROZEN_MIDWAY._replace(meter_finest_w=10.0)),  # it counts in hundredths of a kilowatt
        ("meter-frozen", FROZEN_MIDWAY._replace(meter_finest_w=math.inf)),  # who knows
        ("meter-sign-doubted", CHARGING._replace(contrary_steps=3)),  # that is a row of its own
        ("meter-sign-tested", CHARGING._replace(contrary_steps=1)),  # one proves nothing where the sign was right once
        ("meter-sign-tested", CHARGING._replace(sign_proven=False)),
        ("meter-sign-tested", IN_ORDER._replace(contrary_steps=2)),  # nothing to end
        ("meter-sign", CHARGING._replace(contrary_steps=2)),
        ("readings-refused", IN_ORDER._replace(refused_in_row=4)),
        # 230 V: our own 15 and 20 % are 264.5 and 276 V; EN 50160's means are 207 to 253 V, and 195.5 V at the least.
        ("voltage-dangerous", CHARGING._replace(voltage_v=276.0, voltage_before_v=300.0)),
        ("voltage-dangerous", CHARGING._replace(voltage_v=300.0, voltage_before_v=None)),
        ("voltage-out", CHARGING._replace(voltage_v=276.0)),
        ("voltage-out", CHARGING._replace(voltage_v=264.5, voltage_before_v=264.5)),
        ("voltage-high", CHARGING._replace(voltage_mean_v=253.0)),
        ("voltage-high", EVIDENT["voltage-high"]._replace(voltage_mean_whole=False)),
        ("voltage-high", IN_ORDER._replace(voltage_free_v=256.0)),  # the lead pulls it down
        ("voltage-low", IN_ORDER._replace(voltage_free_v=207.0)),
        ("voltage-low", IN_ORDER._replace(voltage_mean_v=195.5)),
        ("voltage-low", CHARGING._replace(voltage_free_v=206.0, voltage_mean_v=190.0, voltage_mean_whole=False)),
        ("voltage-sags", CHARGING._replace(voltage_drop_v=11.5)),  # 5 %
        ("voltage-sags", CHARGING._replace(voltage_mean_v=195.5)),
        ("voltage-sags", CHARGING._replace(voltage_mean_v=195.0, voltage_mean_whole=False)),
        ("voltage-sags", IN_ORDER._replace(voltage_drop_v=12.0)),
        ("circuit-resistance", CHARGING._replace(large_drops=2)),
        ("broker-lost", EVIDENT["broker-lost"]._replace(link_up=None)),  # never yet: nothing to lose
    ],
)
def test_the_edges_of_evidence(code: str, just_not: Situation) -> None:
    assert not FAULT_BY_CODE[code].evidence(just_not, LIMITS)


@pytest.mark.parametrize(
    ("code", "too"),
    [
        ("relay-stuck-on", IN_ORDER._replace(reported_on_after_off=True)),  # it says so itself, or
        ("relay-stuck-on", IN_ORDER._replace(power_w=69.1)),  # current says so
        ("meter-frozen", FROZEN_MIDWAY),
        ("meter-frozen", EVIDENT["meter-frozen"]._replace(meter_finest_w=math.inf)),  # the relay's own step is enough
        ("meter-sign-doubted", IN_ORDER._replace(contrary_steps=1)),
        ("meter-frozen", EVIDENT["meter-frozen"]._replace(power_w=None)),  # nobody knows that the car takes nothing
        ("voltage-out", IN_ORDER._replace(voltage_v=276.1)),  # so high, once is enough to be off
        ("voltage-out", IN_ORDER._replace(voltage_v=264.6, voltage_before_v=264.6)),
        ("voltage-high", IN_ORDER._replace(voltage_mean_v=253.1, voltage_mean_whole=False)),  # as it would be
        ("voltage-low", IN_ORDER._replace(voltage_mean_v=195.4)),
        ("voltage-sags", CHARGING._replace(voltage_mean_v=195.4)),
        ("circuit-resistance", IN_ORDER._replace(large_drops=3)),
        ("socket-hot", IN_ORDER._replace(temperature_c=55.0)),  # off or not
        ("over-current", IN_ORDER._replace(current_a=16.3, over_readings=2)),
        ("over-current", CHARGING._replace(current_a=24.7, over_readings=1)),  # no slip of the plug's is so large
        ("temperature-doubted", EVIDENT["temperature-doubted"]._replace(power_w=None)),
        ("draw-high", IN_ORDER._replace(power_w=1.21 * 1380)),
        # Where a time or a current has to be reached, reaching it is enough.
        ("relay-stuck-on", EVIDENT["relay-stuck-on"]._replace(told_off_s=20.0, power_after_s=20.0)),
        ("relay-stuck-on", IN_ORDER._replace(told_off_s=20.0, reported_on_after_off=True)),
        ("rest-due", CHARGING._replace(run_a=8.0, run_s=10800.0)),  # four fifths of 10 A
    ],
)
def test_other_evidence(code: str, too: Situation) -> None:
    assert FAULT_BY_CODE[code].evidence(too, LIMITS)


def test_a_small_lead_has_a_floor_below_which_nothing_charges() -> None:
    limits = LIMITS._replace(draw_w=400.0)  # a twentieth would be 20 W, which electronics draw
    for power_w, charges in ((30.0, False), (30.1, True)):
        assert FAULT_BY_CODE["no-load"].evidence(CHARGING._replace(power_w=power_w), limits) is not charges
    assert FAULT_BY_CODE["no-load"].evidence(CHARGING._replace(power_w=None, idle=True), LIMITS)  # its last word stands


# --- weighing --------------------------------------------------------------------------------------------------------


@each_fault()
def test_a_fault_counts_once_its_evidence_has_held(fault: Fault) -> None:
    supervisor = Supervisor()
    start_s = 1000.0
    if fault.after_s:
        assert supervisor.judge(EVIDENT[fault.code], LIMITS, start_s) == CLEAR
        assert supervisor.next_deadline(start_s) == start_s + fault.after_s
        assert supervisor.judge(EVIDENT[fault.code], LIMITS, start_s + fault.after_s - 0.001) == CLEAR
        assert supervisor.active == ()
    now_s = start_s + fault.after_s
    assert supervisor.judge(EVIDENT[fault.code], LIMITS, now_s) == fault.severity
    record = supervisor.records[fault.code]
    assert record == Record(fault.code, now_s, 1, active=True, acknowledged=False)
    assert record.fault is fault
    assert set(codes(supervisor)) == {fault.code} | COMPANIONS.get(fault.code, set())
    assert supervisor.judge(EVIDENT[fault.code], LIMITS, now_s + 1e6) == fault.severity
    assert supervisor.records[fault.code] == record  # still the same fault


@each_fault()
def test_a_fault_clears_when_evidence_and_cooldown_are_over_and_somebody_has_looked_if_need_be(fault: Fault) -> None:
    supervisor, since_s = raised(fault)
    over_s = since_s + fault.cooldown_s
    if fault.cooldown_s:
        assert supervisor.judge(IN_ORDER, LIMITS, since_s + 1) == fault.severity
        assert supervisor.next_deadline(since_s + 1) == over_s
        assert supervisor.judge(IN_ORDER, LIMITS, over_s - 0.001) == fault.severity
    if fault.latches:
        assert supervisor.judge(IN_ORDER, LIMITS, over_s + 1e6) == fault.severity
        assert supervisor.acknowledge(fault.code) == [fault.code]
    assert supervisor.judge(IN_ORDER, LIMITS, over_s) == CLEAR
    assert supervisor.active == ()
    assert not supervisor.records[fault.code].active
    assert supervisor.next_deadline(over_s) == math.inf


@each_fault(when=lambda fault: fault.latches)
def test_an_acknowledgement_does_not_clear_what_is_still_there_or_still_cooling(fault: Fault) -> None:
    supervisor, since_s = raised(fault)
    assert supervisor.acknowledge(None) == [fault.code]
    assert supervisor.judge(EVIDENT[fault.code], LIMITS, since_s + 1e5) == fault.severity
    supervisor, since_s = raised(fault)
    supervisor.acknowledge(None)
    if fault.cooldown_s:
        assert supervisor.judge(IN_ORDER, LIMITS, since_s + fault.cooldown_s - 0.001) == fault.severity
    assert supervisor.judge(IN_ORDER, LIMITS, since_s + fault.cooldown_s) == CLEAR
    # And it is of this raising only: the next one waits for somebody again.
    again_s = since_s + fault.cooldown_s + 100.0
    supervisor.judge(EVIDENT[fault.code], LIMITS, again_s)
    supervisor.judge(EVIDENT[fault.code], LIMITS, again_s + fault.after_s)
    assert supervisor.judge(IN_ORDER, LIMITS, again_s + 1e6) == fault.severity
    assert supervisor.records[fault.code].acknowledged is False


def test_acknowledging_says_what_it_touched() -> None:
    supervisor = Supervisor()
    assert supervisor.acknowledge(None) == []
    now = CHARGING._replace(current_a=25.0, temperature_c=70.0, temperature_missing=True, level=1.0)
    supervisor.judge(now, LIMITS, 0.0)
    supervisor.judge(now, LIMITS, 15.0)
    assert codes(supervisor) == [
        "over-current",
        "socket-overload",
        "socket-load-high",
        "socket-hot",
        "temperature-lost",
    ]
    assert supervisor.acknowledge("socket-overload") == []  # it does not latch
    assert supervisor.acknowledge("nonsense") == []
    assert supervisor.acknowledge("socket-hot") == ["socket-hot"]
    assert supervisor.acknowledge(None) == ["over-current"]  # the other one has been
    assert supervisor.acknowledge(None) == []


@each_fault(when=lambda fault: fault.after_s)
def test_broken_evidence_begins_anew(fault: Fault) -> None:
    supervisor = Supervisor()
    supervisor.judge(EVIDENT[fault.code], LIMITS, 0.0)
    supervisor.judge(IN_ORDER, LIMITS, fault.after_s - 1)
    supervisor.judge(EVIDENT[fault.code], LIMITS, fault.after_s)
    assert supervisor.judge(EVIDENT[fault.code], LIMITS, 2 * fault.after_s - 0.001) == CLEAR
    assert codes(supervisor) == []
    assert supervisor.judge(EVIDENT[fault.code], LIMITS, 2 * fault.after_s) == fault.severity
    assert codes(supervisor) == [fault.code]


def test_evidence_that_outlasts_the_cooldown_keeps_the_fault() -> None:
    supervisor, since_s = raised(FAULT_BY_CODE["relay-not-on"])
    assert supervisor.judge(EVIDENT["relay-not-on"], LIMITS, since_s + 5000.0) == TRIP
    assert supervisor.judge(IN_ORDER, LIMITS, since_s + 5001.0) == CLEAR


# --- repetition ------------------------------------------------------------------------------------------------------


@each_fault(when=lambda fault: fault.cooldown_s)
def test_the_cooldown_doubles_each_time_within_a_day_up_to_its_most(fault: Fault) -> None:
    supervisor, now_s = Supervisor(), 1000.0
    for times in range(1, 9):
        supervisor.judge(EVIDENT[fault.code], LIMITS, now_s)
        raised_s = now_s + fault.after_s
        supervisor.judge(EVIDENT[fault.code], LIMITS, raised_s)
        assert supervisor.records[fault.code] == Record(fault.code, raised_s, times, active=True, acknowledged=False)
        supervisor.acknowledge(None)
        cooldown_s = min(fault.cooldown_s * 2 ** (times - 1), fault.cooldown_most_s)
        assert supervisor.records[fault.code].cooldown_s == cooldown_s
        now_s = raised_s + cooldown_s
        assert supervisor.judge(IN_ORDER, LIMITS, now_s - 0.001) == fault.severity
        assert supervisor.next_deadline(now_s - 0.001) == now_s
        supervisor.judge(IN_ORDER, LIMITS, now_s)
        assert codes(supervisor) == []


def test_a_day_later_it_counts_as_the_first_time_again() -> None:
    fault = FAULT_BY_CODE["socket-overload"]  # raised at once, so that the times are easy to see
    for gap_s, times in ((DAY_S - 0.001, 3), (DAY_S, 1)):
        supervisor = Supervisor([Record(fault.code, 5000.0, 2, active=False, acknowledged=False)])
        supervisor.judge(EVIDENT[fault.code], LIMITS, 5000.0 + gap_s)
        assert supervisor.records[fault.code].times == times


@pytest.mark.parametrize(("times", "waits"), [(1, False), (2, False), (3, True), (4, True)])
def test_the_third_overload_in_a_row_waits_for_a_person(times: int, waits: bool) -> None:
    record = Record("socket-overload", 1000.0, times, active=True, acknowledged=False)
    supervisor = Supervisor([record])
    assert (record.latches, FAULT_BY_CODE["socket-load-high"].third_latches) == (waits, False)
    assert supervisor.judge(IN_ORDER, LIMITS, 1000.0 + record.cooldown_s) == (TRIP if waits else CLEAR)
    assert supervisor.acknowledge(None) == (["socket-overload"] if waits else [])
    assert supervisor.judge(IN_ORDER, LIMITS, 1000.0 + record.cooldown_s) == CLEAR


def test_each_fault_has_a_count_of_its_own() -> None:
    supervisor, since_s = raised(FAULT_BY_CODE["draw-high"])
    supervisor.judge(IN_ORDER, LIMITS, since_s + 900.0)
    supervisor.judge(EVIDENT["voltage-out"], LIMITS, since_s + 1000.0)
    assert {record.code: record.times for record in supervisor.records.values()} == {"draw-high": 1, "voltage-out": 1}


def test_a_cooldown_stays_finite_however_often_it_is_repeated() -> None:
    for fault in FAULTS:
        record = Record(fault.code, 0.0, 10**6, active=True, acknowledged=False)
        assert record.cooldown_s == fault.cooldown_most_s


# --- questions of their own for clearing -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "not_yet", "gone"),
    [
        ("socket-overload", IN_ORDER._replace(level=0.501), IN_ORDER._replace(level=0.5)),
        ("socket-hot", IN_ORDER._replace(temperature_c=40.1), IN_ORDER._replace(temperature_c=40.0)),
        ("socket-hot", IN_ORDER._replace(temperature_c=None), IN_ORDER._replace(temperature_c=20.0)),
        ("temperature-doubted", IN_ORDER._replace(warmed_c=0.9), IN_ORDER._replace(warmed_c=1.0)),
        ("temperature-doubted", IN_ORDER._replace(warmed_c=0.9), IN_ORDER._replace(warmed_c=None)),  # a rest since
        ("voltage-high", IN_ORDER._replace(voltage_mean_v=252.0), IN_ORDER._replace(voltage_mean_v=251.8)),
        ("voltage-high", CHARGING._replace(voltage_mean_v=252.0), CHARGING._replace(voltage_mean_v=None)),
        ("voltage-low", IN_ORDER._replace(voltage_free_v=208.0), IN_ORDER._replace(voltage_free_v=208.2)),
        ("voltage-low", IN_ORDER._replace(voltage_mean_v=196.5), IN_ORDER._replace(voltage_mean_v=196.7)),
        (
            "voltage-low",
            IN_ORDER._replace(voltage_free_v=208.0),
            IN_ORDER._replace(voltage_free_v=None, voltage_mean_v=None),
        ),
        ("battery-gives", IN_ORDER._replace(battery_gives_w=51.0), IN_ORDER._replace(battery_gives_w=50.0)),
        ("battery-feeds-car", IN_ORDER._replace(battery_rests=False), IN_ORDER),
        ("fuse-full", IN_ORDER._replace(fuse_short_w=-99.0), IN_ORDER._replace(fuse_short_w=-100.0)),
        ("fuse-full", IN_ORDER._replace(fuse_short_w=0.0), IN_ORDER._replace(fuse_short_w=None)),
        ("rest-due", IN_ORDER._replace(wanted_s=1799.9), IN_ORDER._replace(wanted_s=1800.0)),
        ("rest-due", CHARGING._replace(wanted_s=LONG_S), IN_ORDER._replace(wanted_s=1800.0)),
    ],
)
def test_some_faults_last_until_more_than_their_evidence_is_gone(
    code: str, not_yet: Situation, gone: Situation
) -> None:
    fault = FAULT_BY_CODE[code]
    supervisor, since_s = raised(fault)
    supervisor.acknowledge(None)
    assert not fault.evidence(not_yet, LIMITS)
    assert supervisor.judge(not_yet, LIMITS, since_s + 20000.0) == fault.severity
    assert code in codes(supervisor)
    assert supervisor.judge(gone, LIMITS, since_s + 20001.0) == CLEAR
    asked = {row.code for row in FAULTS if row.clear}
    asked -= {"socket-overload", "socket-hot", "temperature-doubted", "rest-due", "voltage-high", "voltage-low"}
    assert asked == {"fuse-full", "battery-gives", "battery-feeds-car"}


def test_a_cloud_that_is_over_is_not_waited_out() -> None:
    """What fed the car was a cloud if the sun then carries the lead; what else did may do so again."""
    supervisor, since_s = raised(FAULT_BY_CODE["battery-feeds-car"])
    assert supervisor.judge(IN_ORDER, LIMITS, since_s + 10.0) == END
    assert supervisor.judge(CHARGING._replace(battery_feeds_w=400.0, sun_carries=True), LIMITS, since_s + 11.0) == END
    assert supervisor.judge(IN_ORDER._replace(sun_carries=True), LIMITS, since_s + 12.0) == CLEAR
    assert {row.code for row in FAULTS if row.over} == {"battery-feeds-car"}


# --- across restarts -------------------------------------------------------------------------------------------------


@each_fault()
def test_records_go_on_where_they_were(fault: Fault) -> None:
    supervisor, since_s = raised(fault)
    again = Supervisor(supervisor.records.values())
    assert again.active == supervisor.active
    assert again.records == supervisor.records
    for one in (supervisor, again):
        one.judge(IN_ORDER, LIMITS, since_s + 0.5)
    assert again.active == supervisor.active
    assert again.next_deadline(since_s + 0.5) == supervisor.next_deadline(since_s + 0.5)
    if fault.latches:
        assert again.judge(IN_ORDER, LIMITS, since_s + 1e6) == fault.severity
    again.acknowledge(None)
    assert again.judge(IN_ORDER, LIMITS, since_s + 1e6) == CLEAR


def test_an_acknowledgement_outlives_a_restart() -> None:
    supervisor, since_s = raised(FAULT_BY_CODE["socket-hot"])
    supervisor.acknowledge(None)
    again = Supervisor(supervisor.records.values())
    assert again.judge(IN_ORDER, LIMITS, since_s + 1799.9) == TRIP
    assert again.judge(IN_ORDER, LIMITS, since_s + 1800.0) == CLEAR


def test_a_fault_of_another_version_is_dropped() -> None:
    supervisor = Supervisor([Record("gremlins", 0.0, 1, active=True, acknowledged=False)])
    assert supervisor.active == ()
    assert supervisor.judge(IN_ORDER, LIMITS, 1.0) == CLEAR


# --- several at once -------------------------------------------------------------------------------------------------


def test_the_severest_counts() -> None:
    supervisor = Supervisor()
    both = IN_ORDER._replace(confirmed=False, meter_fresh=False)
    supervisor.judge(both, LIMITS, 0.0)
    assert supervisor.judge(both, LIMITS, 15.0) == NOTE == CLEAR
    assert supervisor.judge(both, LIMITS, 30.0) == HOLD
    ending = both._replace(temperature_missing=True)
    supervisor.judge(ending, LIMITS, 31.0)
    assert supervisor.judge(ending, LIMITS, 46.0) == END
    assert supervisor.judge(ending._replace(level=1.0), LIMITS, 47.0) == TRIP
    assert codes(supervisor) == [  # in the table's order
        "socket-overload",
        "socket-load-high",
        "temperature-lost",
        "relay-not-off",
        "meter-silent",
    ]
    assert supervisor.judge(both, LIMITS, 647.0) == HOLD
    assert codes(supervisor) == ["relay-not-off", "meter-silent"]
    assert CLEAR < HOLD < END < TRIP


CHOICE = st.sampled_from(CODES)
SCRIPT = st.lists(st.tuples(st.integers(0, 2500), CHOICE | st.none(), st.booleans()), min_size=1, max_size=8)
END_S = 3000


def expected(script: list[tuple[int, str | None, bool]], end_s: int) -> list[frozenset[str]]:
    """Return which faults count in each second: the definition, spelt out without looking ahead or back.

    A fault begins to count in the second in which its evidence has been there for ``after_s``. It no longer counts in
    the first second without evidence that lies its cooldown or more after that, if it does not latch, or somebody has
    acknowledged it since; that look counts no more once the evidence comes back. The cooldown doubles with each raising
    in a row.
    """
    result = []
    held_s = dict.fromkeys(CODES, -1)
    times = dict.fromkeys(CODES, 0)
    raised_s = dict.fromkeys(CODES, -math.inf)
    counting: dict[str, bool] = {}  # and whether somebody has looked
    changes = {start_s: (code, acknowledged) for start_s, code, acknowledged in script}
    evident: set[str] = set()
    now = IN_ORDER
    for now_s in range(end_s):
        if now_s in changes:
            there, acknowledged = changes[now_s]
            if acknowledged:
                counting = dict.fromkeys(counting, True)
            evident = {fault.code for fault in alone(there)} if there else set()
            now = EVIDENT[there] if there else IN_ORDER
        for fault in FAULTS:
            code = fault.code
            held_s[code] = held_s[code] + 1 if code in evident else -1
            if held_s[code] == 0 and code in counting:
                counting[code] = False
            if code in evident and held_s[code] >= fault.after_s and code not in counting:
                times[code] = times[code] + 1 if now_s < raised_s[code] + DAY_S else 1
                raised_s[code] = now_s
                counting[code] = False
            if code in counting and code not in evident:
                cooldown_s = min(fault.cooldown_s * 2 ** (times[code] - 1), fault.cooldown_most_s)
                cooled = now_s - raised_s[code] >= cooldown_s
                latches = fault.latches or (fault.third_latches and times[code] >= 3)
                if cooled and (counting[code] or not latches) and (not fault.clear or fault.clear(now, LIMITS)):
                    del counting[code]
        result.append(frozenset(counting))
    return result


@settings(max_examples=50)  # each of an hour
@given(SCRIPT)
def test_called_at_changes_and_deadlines_only_it_knows_as_much_as_called_each_second(
    gaps: list[tuple[int, str | None, bool]],
) -> None:
    script, now_s = [], 0
    for gap_s, code, acknowledged in gaps:
        now_s += 1 + gap_s
        script.append((now_s, code, acknowledged))
    end_s = now_s + END_S
    truth = expected(script, end_s)
    supervisor = Supervisor()
    for (start_s, code, acknowledged), (stop_s, _, _) in zip(script, [*script[1:], (end_s, None, False)], strict=True):
        now = EVIDENT[code] if code else IN_ORDER
        if acknowledged:
            supervisor.acknowledge(None)
        time_s: float = start_s
        while time_s < stop_s:
            verdict = supervisor.judge(now, LIMITS, time_s)
            deadline_s = supervisor.next_deadline(time_s)
            assert deadline_s > time_s
            counting = frozenset(codes(supervisor))
            for second in range(int(time_s), int(min(deadline_s, stop_s))):
                assert counting == truth[second], second
            assert verdict == max((FAULT_BY_CODE[code].severity for code in counting), default=CLEAR)
            time_s = deadline_s
