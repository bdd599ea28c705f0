"""Every state the decision core can reach, for small parameters; every row of both tables; and planted bugs.

The walk is in tests/explore.py. `python -m tests.bench.explore` walks through far more.
"""

from __future__ import annotations

import itertools
import random
from typing import Any

import pytest

from surpluscharge.control import machine
from surpluscharge.control.machine import CLEAR, DAY_S, END, HOLD, TABLE, TRIP
from surpluscharge.control.supervisor import FAULTS, NOTE, Fault, Situation, Supervisor
from tests.explore import KINDS, MOST_CHANGES, PLANTED, SMALL, Case, Kind, Walker, caught, scaled, walk, walk_faults
from tests.world import limits_for

# --- the machine -----------------------------------------------------------------------------------------------------


def test_every_reachable_state_holds_the_invariants() -> None:
    """Invariants 1 to 6, the delays, the deadlines and the settling, in every state and with every input."""
    reports = {name: walk(case) for name, case in SMALL.items()}
    for name, report in reports.items():
        assert report.violation is None, f"{name}: {report.violation.path} leads to {report.violation}"
        assert report.complete
        assert report.transitions == report.states * len(SMALL[name].alphabet())
    assert set().union(*(report.rows for report in reports.values())) == set(range(len(TABLE)))
    assert max(report.most_changes for report in reports.values()) == MOST_CHANGES


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_bug_is_found(name: str) -> None:
    """The walk sees each of these, by the check that is there to see it.

    Those of tests/test_invariants.py are hunted there; here too, and these there, by `python -m tests.bench.explore`.
    """
    check, case, *change = PLANTED[name]
    assert caught(change, {case: SMALL[case]}) == (check, case)


@pytest.mark.parametrize("cause", [machine.C_TIME_CAP, machine.C_ENERGY_CAP])
def test_a_cap_of_the_session_that_ends_a_plan_is_found(cause: int) -> None:
    """A row of the table that no longer makes way for what is due by plan. No random sequence finds that of energy."""
    changed = tuple(row._replace(unless=0) if row.cause == cause else row for row in TABLE)
    check = caught(("TABLE", changed), {"a plan's energy": SMALL["a plan's energy"]})
    assert check == ("late", "a plan's energy")


@pytest.mark.parametrize("case", SMALL.values(), ids=list(SMALL))
def test_what_the_walk_forgets_no_longer_matters(case: Case) -> None:
    """A machine with its whole memory decides as the walk's states do, which forget what is long past."""
    rng = random.Random(case.time_cap)
    params, letters, walker = case.params(), case.alphabet(), Walker(case)
    modes = set()
    with scaled(case):
        for _ in range(20):
            state, node = machine.initial(params, 0, 0), walker.root()
            for now in range(60):
                letter = rng.choice(letters)
                inputs = walker.inputs(node, letter)
                node = walker.tick(node, letter)
                inputs = inputs._replace(
                    fresh_until_s=now + inputs.fresh_until_s,
                    day=state.session_day + inputs.day,
                    planned_day=state.planned_day + inputs.planned_day,
                )
                for time in (now, now + 1):
                    for _ in range(MOST_CHANGES + 1):
                        state = machine.step(params, state, time, inputs)
                assert state.mode == node.state.mode
                modes.add(state.mode)
    assert len(modes) >= 3


# --- the fault table -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_every_state_of_the_weighing_of_one_fault(kind: Kind) -> None:
    """Raised in time, never cleared too early nor kept too long, cooldown doubled up to its bound, latch kept."""
    report = walk_faults([kind])
    assert report.violation is None
    assert report.raised == report.cleared == {0}
    assert report.longest_cooldown == kind.cooldown_most


def test_every_state_of_several_faults_together() -> None:
    """The verdict is never milder than a fault that counts, however they come and go."""
    kinds = [Kind(TRIP, 0, True, 0, 0, False), Kind(HOLD, 0, False, 0, 0, True), Kind(END, 2, False, 0, 0, False)]
    report = walk_faults(kinds, day=1)
    assert report.violation is None
    assert report.raised == report.cleared == {0, 1, 2}


LIMITS = limits_for(1400.0)
QUIET = Situation(
    wants_on=False,
    wanted_s=1e6,
    link_up=True,
    hearing=True,
    confirmed=True,
    was_confirmed=True,
    reported=False,
    told_off_s=1e6,
    reported_on_after_off=False,
    power_w=0.0,
    power_after_s=1e6,
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
# What each thing may be when it is not quiet.
UNQUIET: dict[str, tuple[Any, ...]] = {
    "wants_on": (True,),
    "wanted_s": (0.0, 1e5),
    "link_up": (False, None),
    "hearing": (False,),
    "told_off_s": (0.0,),
    "reported_on_after_off": (True,),
    "power_after_s": (-1.0,),
    "confirmed": (False,),
    "was_confirmed": (False,),
    "reported": (True,),
    "power_w": (700.0, 1400.0, 3000.0, None),
    "current_a": (6.1, 20.0),
    "over_readings": (1, 2),
    "level": (0.95, 1.0),
    "run_a": (9.0,),
    "run_s": (1e5,),
    "temperature_missing": (True,),
    "temperature_c": (65.0, None),
    "warmed_c": (0.5, None),
    "voltage_v": (265.0, 280.0),
    "voltage_before_v": (265.0, 280.0, None),
    "voltage_free_v": (206.0, None),
    "voltage_mean_v": (190.0, 254.0, None),
    "voltage_mean_whole": (False,),
    "voltage_drop_v": (12.0, None),
    "large_drops": (1, 3),
    "meter_fresh": (False,),
    "meter_still_s": (1e6,),
    "meter_repeats": (1000,),
    "contrary_steps": (1, 2, 3),
    "sign_proven": (False,),
    "plug_silent": (True,),
    "battery_silent": (True,),
    "battery_gives_w": (200.0,),
    "battery_feeds_w": (2000.0,),
    "battery_contrary": (2,),
    "fuse_over_w": (1.0,),
    "fuse_short_w": (1.0,),
    "nothing_flows": (True,),
    "high_steps": (1, 3),
    "high_w": (3000.0,),
    "high_explained": (True,),
    "level_if_high": (1.0,),
    "steps_late": (True,),
    "refused_in_row": (5,),
    "topics_refused": (True,),
    "budget_spent": (True,),
    "clock_jumped": (True,),
    "store_failing": (True,),
    "history_failing": (True,),
    "told_in_floods": (True,),
    "payloads_exchanged": (True,),
    "read_in_floods": (True,),
    "name_shared": (True,),
    "late": (True,),
    "step_evened": (True,),
    "beyond_limit": (True,),
    "idle": (True,),
    "joint_grown": (1, 2, 3),
    "joint_over": (1, 2, 3),
    "joint_lost_w": (40.0,),
    "look_due": (True,),
    "relay_worn": (True,),
}


def evidence_for(fault: Fault) -> Situation:
    """Return the quietest situation that is evidence for a fault: as few things unquiet as it takes."""
    for count in range(1, 5):
        for names in itertools.combinations(UNQUIET, count):
            for values in itertools.product(*(UNQUIET[name] for name in names)):
                situation = QUIET._replace(**dict(zip(names, values, strict=True)))
                if fault.evidence(situation, LIMITS):
                    return situation
    raise AssertionError(f"nothing here is evidence for {fault.code}")


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.code for fault in FAULTS])
def test_each_row_is_raised_and_cleared_again_and_again(fault: Fault) -> None:
    """With the real rows and times: to the millisecond at the deadlines, and each cooldown twice the one before."""
    weigher, trouble, now_s = Supervisor(), evidence_for(fault), 1e6

    def counts(situation: Situation, time_s: float) -> bool:
        verdict = weigher.judge(situation, LIMITS, time_s)
        active = [record.code for record in weigher.active]
        if fault.code in active:
            assert verdict >= fault.severity
        return fault.code in active

    assert not counts(QUIET, now_s - 1.0)
    for times in range(1, 8):
        if fault.after_s:
            assert not counts(trouble, now_s)
            assert weigher.next_deadline(now_s) <= now_s + fault.after_s
            assert not counts(trouble, now_s + fault.after_s - 1e-3)
        now_s += fault.after_s
        assert counts(trouble, now_s)
        cooldown_s = min(fault.cooldown_s * 2 ** (times - 1), fault.cooldown_most_s)
        assert weigher.records[fault.code].cooldown_s == cooldown_s
        assert weigher.records[fault.code].times == times
        if cooldown_s:
            assert counts(QUIET, now_s + cooldown_s - 1e-3)
        now_s += cooldown_s
        if weigher.records[fault.code].latches:
            assert fault.latches or times >= 3
            now_s += DAY_S / 2
            assert counts(QUIET, now_s)
            assert fault.code in weigher.acknowledge(fault.code)
        assert not counts(QUIET, now_s)
        now_s += 1.0
    assert fault.severity != NOTE or weigher.judge(QUIET, LIMITS, now_s + DAY_S) == CLEAR
