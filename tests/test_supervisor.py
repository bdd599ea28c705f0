"""The table of faults, and the weighing of evidence over time."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control.machine import CLEAR, HOLD, TRIP
from surpluscharge.control.supervisor import FAULT_BY_CODE, FAULTS, NOTE, Fault, Supervisor

CODES = [fault.code for fault in FAULTS]


def evidence(*codes: str) -> frozenset[str]:
    return frozenset(codes)


# --- the table -------------------------------------------------------------------------------------------------------


def test_the_table_is_fit_for_people() -> None:
    assert len(set(CODES)) == len(CODES)
    assert dict(zip(CODES, FAULTS, strict=True)) == FAULT_BY_CODE
    for fault in FAULTS:
        assert fault.sentence.endswith(".") and fault.remedy.endswith(".")
        assert fault.severity in (NOTE, HOLD, TRIP)
        assert fault.after_s >= 0 and fault.cooldown_s >= 0


def test_what_each_fault_does() -> None:
    """The decisions of the table, once more: whoever changes one should have to say so twice."""
    assert {fault.code: (fault.severity, fault.after_s, fault.cooldown_s) for fault in FAULTS} == {
        "broker-lost": (TRIP, 0.0, 0.0),
        "relay-not-on": (TRIP, 30.0, 600.0),
        "relay-not-off": (HOLD, 30.0, 0.0),
        "meter-silent": (NOTE, 15.0, 0.0),
    }
    # A relay that will not go off is told again and again, and above all nobody is told that it is off.
    assert "by hand" in FAULT_BY_CODE["relay-not-off"].remedy


# --- weighing --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fault", FAULTS, ids=CODES)
def test_a_fault_counts_once_its_evidence_has_held(fault: Fault) -> None:
    supervisor = Supervisor()
    start_s = 1000.0
    if fault.after_s:
        assert supervisor.judge(evidence(fault.code), start_s) == CLEAR
        assert supervisor.next_deadline(start_s) == start_s + fault.after_s
        assert supervisor.judge(evidence(fault.code), start_s + fault.after_s - 0.001) == CLEAR
        assert supervisor.active == ()
    now_s = start_s + fault.after_s
    assert supervisor.judge(evidence(fault.code), now_s) == fault.severity
    ((active, since_s),) = supervisor.active
    assert (active, since_s) == (fault, now_s)
    assert supervisor.next_deadline(now_s) == math.inf
    assert supervisor.judge(evidence(fault.code), now_s + 1e6) == fault.severity
    assert supervisor.active[0].since_s == now_s  # still the same fault


@pytest.mark.parametrize("fault", FAULTS, ids=CODES)
def test_a_fault_clears_when_evidence_and_cooldown_are_over(fault: Fault) -> None:
    supervisor = Supervisor()
    supervisor.judge(evidence(fault.code), 1000.0)
    since_s = 1000.0 + fault.after_s
    supervisor.judge(evidence(fault.code), since_s)
    if fault.cooldown_s:
        assert supervisor.judge(evidence(), since_s + 1) == fault.severity
        assert supervisor.next_deadline(since_s + 1) == since_s + fault.cooldown_s
        assert supervisor.judge(evidence(), since_s + fault.cooldown_s - 0.001) == fault.severity
    assert supervisor.judge(evidence(), since_s + fault.cooldown_s) == CLEAR
    assert supervisor.active == ()
    assert supervisor.next_deadline(since_s + fault.cooldown_s) == math.inf


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault.after_s], ids=str)
def test_broken_evidence_begins_anew(fault: Fault) -> None:
    supervisor = Supervisor()
    supervisor.judge(evidence(fault.code), 0.0)
    supervisor.judge(evidence(), fault.after_s - 1)
    supervisor.judge(evidence(fault.code), fault.after_s)
    assert supervisor.judge(evidence(fault.code), 2 * fault.after_s - 0.001) == CLEAR
    assert supervisor.judge(evidence(fault.code), 2 * fault.after_s) == fault.severity


def test_evidence_that_outlasts_the_cooldown_keeps_the_fault() -> None:
    supervisor = Supervisor()
    supervisor.judge(evidence("relay-not-on"), 0.0)
    supervisor.judge(evidence("relay-not-on"), 30.0)
    assert supervisor.judge(evidence("relay-not-on"), 5000.0) == TRIP
    assert supervisor.judge(evidence(), 5001.0) == CLEAR


def test_the_severest_counts() -> None:
    supervisor = Supervisor()
    everything = evidence(*CODES)
    supervisor.judge(evidence("relay-not-off", "meter-silent"), 0.0)
    assert supervisor.judge(evidence("relay-not-off", "meter-silent"), 15.0) == NOTE == CLEAR
    assert supervisor.judge(evidence("relay-not-off", "meter-silent"), 30.0) == HOLD
    assert supervisor.judge(everything, 31.0) == TRIP
    assert [active.fault.code for active in supervisor.active] == ["broker-lost", "relay-not-off", "meter-silent"]
    assert supervisor.judge(evidence("relay-not-off"), 32.0) == HOLD
    assert [active.fault.code for active in supervisor.active] == ["relay-not-off"]


SCRIPT = st.lists(st.tuples(st.integers(0, 700), st.frozensets(st.sampled_from(CODES))), min_size=1, max_size=12)


def expected(script: list[tuple[int, frozenset[str]]], end_s: int) -> list[frozenset[str]]:
    """Return which faults count in each second: the definition, spelt out without looking ahead or back.

    A fault begins to count in the second in which its evidence has been there for ``after_s``; it no longer counts
    in the first second without evidence that lies ``cooldown_s`` or more after that.
    """
    result = []
    held_s = dict.fromkeys(CODES, -1)
    counting: dict[str, int] = {}
    for now_s in range(end_s):
        there = next(codes for start_s, codes in reversed(script) if start_s <= now_s)
        for code in CODES:
            fault = FAULT_BY_CODE[code]
            held_s[code] = held_s[code] + 1 if code in there else -1
            if code in there and held_s[code] >= fault.after_s:
                counting.setdefault(code, now_s)
            if code not in there and code in counting and now_s - counting[code] >= fault.cooldown_s:
                del counting[code]
        result.append(frozenset(counting))
    return result


@given(SCRIPT)
def test_called_at_changes_and_deadlines_only_it_knows_as_much_as_called_each_second(
    gaps: list[tuple[int, frozenset[str]]],
) -> None:
    script, now_s = [], 0
    for gap_s, codes in gaps:
        script.append((now_s, codes))
        now_s += gap_s
    end_s = now_s + 700
    truth = expected(script, end_s)
    supervisor = Supervisor()
    for (start_s, codes), (stop_s, _) in zip(script, [*script[1:], (end_s, evidence())], strict=True):
        time_s: float = start_s
        while time_s < stop_s:
            verdict = supervisor.judge(codes, time_s)
            deadline_s = supervisor.next_deadline(time_s)
            assert deadline_s > time_s
            counting = frozenset(active.fault.code for active in supervisor.active)
            for second in range(int(time_s), int(min(deadline_s, stop_s))):
                assert counting == truth[second]
            assert verdict == max((FAULT_BY_CODE[code].severity for code in counting), default=CLEAR)
            time_s = deadline_s
