"""The five states, and everything that affects a transition between them.

The machine is one pure function, :func:`step`, over NamedTuples of plain numbers: no I/O, no clock, no logging, no
objects. The daemon calls it; replay and the tests call the very same one; a compiler for numerical Python can take it
as it stands. What moves it stands in three places here, read in this order:

1. :func:`conditions` turns parameters, state and inputs into a set of yes/no facts, one bit each;
2. :data:`TABLE` says, row by row, which facts move which state where (the first row that fits decides);
3. :func:`step` adds what a transition leaves behind: timers, the start log, the session's sums.

What must always hold (the tests name these numbers):

1. The relay is never wanted on while disabled, locked-out, stopping, or without a fresh reading.
2. Every on-period lasts at least the minimum-on time unless disabling, a cap, a trip or shutdown ended it.
3. Every off-period lasts at least the minimum-off time, counted from the moment the relay is *known* to be off.
4. Starts in any 60 minutes and in any 24 hours never exceed their budgets.
5. No session outlasts its time or energy cap; planned charging has caps of its own. Neither adds to the other, nor
   renews it.
6. When readings stop, the relay is wanted off at the moment the last good one goes stale.
13. A charge begins only at a surplus that has reached the start threshold, or where one is due by plan, or tried
   because more may be there than is seen; and what is due or tried is held to all of the above, to every fault and to
   every rest.

(7, 8, 9, 10 and 12 are about the shell: what happens without the daemon, late commands, latches, the record; and 12:
what is announced as disabled or acknowledged is on the disk before it is announced. 11 is about the controller: what is
not known is said and booked as not known; an old report confirms nothing, a silent plug draws nothing, though the caps
and the thermal image go on as if it did. 14 is about neighbours.py: of several on one meter no two start within the
settling time, and a dead one's claim ends.)

Times are monotonic seconds; powers are watts, positive grid power is import.

Keep it so that a compiler takes it as it stands: NamedTuples of scalars, no ``_replace``, tuple slices of fixed length.
Hence the few lines with a ``noqa`` and a reason. Freshness is among the inputs, because each meter has a limit of its
own. A session is an allowance and no run: time and energy add up over the pauses that clouds make.
"""

from __future__ import annotations

from typing import NamedTuple

HOUR_S = 3600.0
DAY_S = 86400.0
NEVER_S = float("-inf")

# Sums of many float intervals may fall short of a cap by rounding; this much short counts as reached.
CAP_SLACK_S = 1e-3
CAP_SLACK_WH = 1e-3

# What is charged by plan has an allowance for each day, which begins at noon. But no run may get two: the next begins
# only so long after the last of it was used. By then a socket is cold, and the coming night has all of its own.
PLANNED_AGAIN_S = 4 * HOUR_S

# --- the states ------------------------------------------------------------------------------------------------------

IDLE, ARMING, CHARGING, DISARMING, LOCKED_OUT = range(5)
MODE_NAMES = ("idle", "arming", "charging", "disarming", "locked-out")

# --- the supervisor's verdict, an input here -------------------------------------------------------------------------

CLEAR, HOLD, END, TRIP = range(4)


class Params(NamedTuple):
    """What the owner has chosen. Watts, seconds, watt-hours; a budget is a number of starts."""

    start_export_w: float
    stop_import_w: float
    start_delay_s: float
    stop_delay_s: float
    min_on_s: float
    min_off_s: float
    starts_per_hour: int
    starts_per_day: int
    time_cap_s: float
    energy_cap_wh: float  # infinity: no cap
    rearm_daily: bool  # False: a session ends only by switching enable off and on
    planned_time_cap_s: float = 0.0  # of what is charged by plan, in a day from noon to noon; 0: nothing is
    planned_energy_cap_wh: float = 0.0


class Inputs(NamedTuple):
    """What is known at this moment. Held values: each stays true until the next call says otherwise."""

    grid_w: float  # positive: import
    fresh_until_s: float  # when the reading above goes stale; -infinity: there is none
    charger_w: float  # what the lead draws while the relay is on: measured, or assumed
    enabled: bool
    stopping: bool  # the daemon is shutting down
    guard: int  # CLEAR, HOLD (do not start), END (off, after the minimum-on time) or TRIP (off, now)
    off_confirmed: bool  # the relay is known to be off
    day: int  # number of the local day, counted from the daily re-arm time
    planned: bool = False  # a charge is due now, whatever the sun does
    planned_day: int = 0  # number of the local day, counted from noon, so that no night is two
    gives_way: bool = False  # another load, which comes first, asks for what this one draws
    trial: bool = False  # more may be there than is seen, and it may be tried now: as good as export that is seen


class State(NamedTuple):
    """Where the machine stands. Replaced, never changed.

    ``starts_s`` holds the times of the last ``starts_per_day`` starts, oldest first, so that both budgets are exact
    over any window: by clock hours, twice as many starts would fit around an edge.
    """

    mode: int
    cause: int  # of the last transition: an index into CAUSES
    since_s: float  # when this mode was entered
    due_s: float  # when the running start or stop delay is over
    on_since_s: float
    off_since_s: float
    was_enabled: bool
    starts_s: tuple[float, ...]
    session_s: float  # time on since the session began
    session_wh: float
    session_day: int
    at_s: float  # when step() last ran
    charger_w: float  # held since then
    planned: bool = False  # held since then: what is charged counts for the plan
    planned_s: float = 0.0  # charged by plan since noon
    planned_wh: float = 0.0
    planned_day: int = 0
    planned_at_s: float = NEVER_S  # when something was last charged by plan


# --- the facts -------------------------------------------------------------------------------------------------------

ENABLED = 1
STOPPING = 2
FRESH = 4
EXPORT = 8  # export has reached the start threshold, or more may be there and is to be tried
IMPORT = 16  # import exceeds the stop threshold, or would if what comes first had its own
DELAY_OVER = 32  # the start or stop delay has run out
MIN_ON_OVER = 64
MIN_OFF_OVER = 128  # and the relay is known to be off
BUDGET_LEFT = 256
TIME_SPENT = 512  # the session's time cap is reached
ENERGY_SPENT = 1024
HELD = 2048  # the supervisor says: do not start
TRIPPED = 4096  # the supervisor says: off, now
ENDING = 8192  # the supervisor says: off, once the minimum-on time is over
PLANNED = 16384  # a charge is due by plan, and what may be charged so is not used up

# --- why a transition happened ---------------------------------------------------------------------------------------

CAUSES = (
    "started",
    "stopping",
    "disabled",
    "tripped",
    "ended",
    "meter-silent",
    "time-cap",
    "energy-cap",
    "surplus-seen",
    "surplus-lost",
    "surplus-held",
    "import-seen",
    "import-gone",
    "import-held",
    "cleared",
    "plan-due",
    "plan-held",
)
(
    C_STARTED,
    C_STOPPING,
    C_DISABLED,
    C_TRIPPED,
    C_ENDED,
    C_METER_SILENT,
    C_TIME_CAP,
    C_ENERGY_CAP,
    C_SURPLUS_SEEN,
    C_SURPLUS_LOST,
    C_SURPLUS_HELD,
    C_IMPORT_SEEN,
    C_IMPORT_GONE,
    C_IMPORT_HELD,
    C_CLEARED,
    C_PLAN_DUE,
    C_PLAN_HELD,
) = range(len(CAUSES))

# --- the transition table --------------------------------------------------------------------------------------------


class Row(NamedTuple):
    """In any of ``sources``: if all facts of ``when`` hold and none of ``unless``, go to ``target``."""

    sources: int  # a bit per mode
    target: int
    when: int
    unless: int
    cause: int


_IDLE, _ARMING, _CHARGING, _DISARMING, _LOCKED_OUT = 1, 2, 4, 8, 16
_ON = _CHARGING | _DISARMING
_ANY = _IDLE | _ARMING | _ON | _LOCKED_OUT

# The first row that fits decides; one whose target is the present state means "stay, and look no further".
TABLE = (
    Row(_ANY, IDLE, STOPPING, 0, C_STOPPING),
    Row(_ANY, IDLE, 0, ENABLED, C_DISABLED),
    Row(_ANY, LOCKED_OUT, TRIPPED, 0, C_TRIPPED),
    Row(_ANY, LOCKED_OUT, TIME_SPENT, PLANNED, C_TIME_CAP),
    Row(_ANY, LOCKED_OUT, ENERGY_SPENT, PLANNED, C_ENERGY_CAP),
    Row(_ON, LOCKED_OUT, 0, FRESH, C_METER_SILENT),
    Row(_ON, LOCKED_OUT, ENDING | MIN_ON_OVER, 0, C_ENDED),
    Row(_LOCKED_OUT, LOCKED_OUT, ENDING, 0, C_ENDED),
    Row(_IDLE, ARMING, FRESH | PLANNED, 0, C_PLAN_DUE),
    Row(_IDLE, ARMING, FRESH | EXPORT, 0, C_SURPLUS_SEEN),
    Row(_ARMING, IDLE, 0, FRESH, C_METER_SILENT),
    Row(_ARMING, CHARGING, PLANNED | MIN_OFF_OVER | BUDGET_LEFT, HELD, C_PLAN_HELD),
    Row(_ARMING, ARMING, PLANNED, 0, C_PLAN_DUE),
    Row(_ARMING, IDLE, 0, EXPORT, C_SURPLUS_LOST),
    Row(_ARMING, CHARGING, DELAY_OVER | MIN_OFF_OVER | BUDGET_LEFT, HELD, C_SURPLUS_HELD),
    Row(_CHARGING, CHARGING, PLANNED, 0, C_PLAN_DUE),
    Row(_CHARGING, DISARMING, IMPORT, 0, C_IMPORT_SEEN),
    Row(_DISARMING, CHARGING, PLANNED, 0, C_PLAN_DUE),
    Row(_DISARMING, CHARGING, 0, IMPORT, C_IMPORT_GONE),
    Row(_DISARMING, IDLE, DELAY_OVER | MIN_ON_OVER, 0, C_IMPORT_HELD),
    Row(_LOCKED_OUT, IDLE, FRESH, 0, C_CLEARED),
)


# --- the functions ---------------------------------------------------------------------------------------------------


def initial(params: Params, now_s: float, day: int) -> State:
    """Return the state of a machine that knows nothing: idle, and the relay off for no time at all yet."""
    return State(
        mode=IDLE,
        cause=C_STARTED,
        since_s=now_s,
        due_s=now_s,
        on_since_s=NEVER_S,
        off_since_s=now_s,
        was_enabled=False,
        starts_s=(NEVER_S,) * params.starts_per_day,
        session_s=0.0,
        session_wh=0.0,
        session_day=day,
        at_s=now_s,
        charger_w=0.0,
        planned=False,
        planned_s=0.0,
        planned_wh=0.0,
        planned_day=0,
        planned_at_s=now_s,  # for all that is known
    )


def wants_on(mode: int) -> bool:
    """Say whether the relay is wanted on in this mode."""
    return mode == CHARGING or mode == DISARMING  # noqa: PLR1714  (a compiler-friendly comparison)


def budget_free_s(params: Params, state: State) -> float:
    """Return when the start budgets allow, or allowed, the next start, in monotonic seconds."""
    day_s = state.starts_s[0] + DAY_S
    hour_s = state.starts_s[params.starts_per_day - params.starts_per_hour] + HOUR_S
    return max(day_s, hour_s)


def by_plan(params: Params, planned_s: float, planned_wh: float, inputs: Inputs) -> bool:
    """Say whether a charge is due by plan, and what may be charged so since noon is not used up."""
    time_left = planned_s < params.planned_time_cap_s - CAP_SLACK_S
    energy_left = planned_wh < params.planned_energy_cap_wh - CAP_SLACK_WH
    return inputs.planned and time_left and energy_left


def conditions(params: Params, state: State, now_s: float, inputs: Inputs) -> int:
    """Return the facts that hold now, one bit each."""
    facts = 0
    if inputs.enabled:
        facts |= ENABLED
    if inputs.stopping:
        facts |= STOPPING
    if now_s < inputs.fresh_until_s:
        facts |= FRESH
    if -inputs.grid_w >= params.start_export_w or inputs.trial:
        facts |= EXPORT
    if inputs.grid_w > params.stop_import_w or inputs.gives_way:
        facts |= IMPORT
    if now_s >= state.due_s:
        facts |= DELAY_OVER
    if now_s >= state.on_since_s + params.min_on_s:
        facts |= MIN_ON_OVER
    if inputs.off_confirmed and now_s >= state.off_since_s + params.min_off_s:
        facts |= MIN_OFF_OVER
    if now_s >= budget_free_s(params, state):
        facts |= BUDGET_LEFT
    if state.session_s >= params.time_cap_s - CAP_SLACK_S:
        facts |= TIME_SPENT
    if state.session_wh >= params.energy_cap_wh - CAP_SLACK_WH:
        facts |= ENERGY_SPENT
    if inputs.guard == HOLD or inputs.guard == END:  # noqa: PLR1714  (a compiler-friendly comparison)
        facts |= HELD
    if inputs.guard == END:
        facts |= ENDING
    if inputs.guard == TRIP:
        facts |= TRIPPED
    if by_plan(params, state.planned_s, state.planned_wh, inputs):
        facts |= PLANNED
    return facts


def deciding_row(mode: int, facts: int) -> int:
    """Return the index of the row that decides in this mode with these facts; -1: none, stay."""
    for index, row in enumerate(TABLE):
        if (row.sources >> mode) & 1 and facts & row.when == row.when and not facts & row.unless:
            return index
    return -1


def way_on(mode: int) -> int:
    """Return the index of the row that leads on from this mode when all goes well: its last one."""
    return max(index for index, row in enumerate(TABLE) if (row.sources >> mode) & 1)


def reason(mode: int, facts: int) -> int:
    """Return why things are as they are, an index into CAUSES: what has decided or, where nothing has, is waited for.

    What the way on from this mode needs first of all is a reading.
    """
    index = deciding_row(mode, facts)
    if index >= 0:
        return TABLE[index].cause
    row = TABLE[way_on(mode)]
    return C_METER_SILENT if row.when & FRESH and not facts & FRESH else row.cause


def step(params: Params, state: State, now_s: float, inputs: Inputs) -> State:
    """Account for the time since the last call, then make at most one transition.

    Call it at :func:`next_deadline` and at every input: first with what held until now, so that it counts, then with
    the new, again until the mode no longer changes (at most four changes).
    """
    on = wants_on(state.mode)

    # The interval that ends now, with the power held since the last call. A long gap is counted in full: for a cap
    # the larger sum is the safe one.
    elapsed_s = max(0.0, now_s - state.at_s) if on else 0.0
    elapsed_wh = state.charger_w * elapsed_s / HOUR_S
    session_s = state.session_s + (0.0 if state.planned else elapsed_s)
    session_wh = state.session_wh + (0.0 if state.planned else elapsed_wh)
    planned_s = state.planned_s + (elapsed_s if state.planned else 0.0)
    planned_wh = state.planned_wh + (elapsed_wh if state.planned else 0.0)

    # A new session begins by the chosen rule, but never under a running charge: nobody's run gets two allowances.
    enable_edge = inputs.enabled and not state.was_enabled
    # A clock put back by less than a day must not grant a second session when it gets there again; one put back by
    # more is followed, and grants nothing either. (What the shell knows to be a jump is handled before it gets here.)
    session_day = state.session_day if inputs.day >= state.session_day - 1 else inputs.day
    planned_day = state.planned_day if inputs.planned_day >= state.planned_day - 1 else inputs.planned_day
    if not on:
        rearmed = inputs.day > session_day if params.rearm_daily else enable_edge
        session_day = max(session_day, inputs.day)
        if rearmed:
            session_s = 0.0
            session_wh = 0.0
    planned_at_s = now_s if on and state.planned else state.planned_at_s
    if inputs.planned_day > planned_day and now_s >= planned_at_s + PLANNED_AGAIN_S:
        planned_day = inputs.planned_day
        planned_s = 0.0
        planned_wh = 0.0

    # The off-period counts from when the relay is known to be off, not from when it was told.
    off_since_s = state.off_since_s
    if not on and not inputs.off_confirmed:
        off_since_s = now_s

    planned = by_plan(params, planned_s, planned_wh, inputs)
    gone = state.planned and not planned
    mode = state.mode
    cause = state.cause
    since_s = state.since_s
    # Armed by a plan that is gone: a surplus has to hold from now on.
    due_s = now_s + params.start_delay_s if gone and mode == ARMING else state.due_s
    on_since_s = state.on_since_s
    starts_s = state.starts_s

    here = State(
        mode,
        cause,
        since_s,
        due_s,
        on_since_s,
        off_since_s,
        inputs.enabled,
        starts_s,
        session_s,
        session_wh,
        session_day,
        now_s,
        inputs.charger_w,
        planned,
        planned_s,
        planned_wh,
        planned_day,
        planned_at_s,
    )
    index = deciding_row(mode, conditions(params, here, now_s, inputs))
    if index < 0 or TABLE[index].target == mode:
        return here

    mode = TABLE[index].target
    cause = TABLE[index].cause
    since_s = now_s
    if mode == ARMING:
        # Someone who flips the switch in full sun wants to see it start: no start delay then, all else as ever.
        due_s = now_s if enable_edge else now_s + params.start_delay_s
    elif mode == DISARMING:
        # What the plan has ended was bought: it need not ride out clouds.
        due_s = now_s if gone else now_s + params.stop_delay_s
    if wants_on(mode) and not on:
        on_since_s = now_s
        starts_s = starts_s[1:] + (now_s,)  # noqa: RUF005  (a compiler-friendly concatenation)
    if on and not wants_on(mode):
        off_since_s = now_s
    return State(
        mode,
        cause,
        since_s,
        due_s,
        on_since_s,
        off_since_s,
        inputs.enabled,
        starts_s,
        session_s,
        session_wh,
        session_day,
        now_s,
        inputs.charger_w,
        planned,
        planned_s,
        planned_wh,
        planned_day,
        planned_at_s,
    )


def next_deadline(params: Params, state: State, inputs: Inputs) -> float:
    """Return when the machine next wants to be called though no input has come; infinity: not before one does.

    Meant for a settled state. A deadline that has passed without effect (another fact is missing) is not repeated.
    """
    now_s = state.at_s
    best_s = float("inf")
    if inputs.planned_day > state.planned_day:
        best_s = _sooner(best_s, now_s, state.planned_at_s + PLANNED_AGAIN_S)
    if state.mode == ARMING:
        best_s = _sooner(best_s, now_s, inputs.fresh_until_s)
        best_s = _sooner(best_s, now_s, state.due_s)
        best_s = _sooner(best_s, now_s, state.off_since_s + params.min_off_s)
        best_s = _sooner(best_s, now_s, budget_free_s(params, state))
    elif wants_on(state.mode):
        best_s = _sooner(best_s, now_s, inputs.fresh_until_s)
        left_s = params.time_cap_s - state.session_s
        left_wh = params.energy_cap_wh - state.session_wh
        if state.planned:
            left_s = params.planned_time_cap_s - state.planned_s
            left_wh = params.planned_energy_cap_wh - state.planned_wh
        best_s = _sooner(best_s, now_s, now_s + left_s)
        if state.charger_w > 0.0:
            best_s = _sooner(best_s, now_s, now_s + left_wh * HOUR_S / state.charger_w)
        best_s = _sooner(best_s, now_s, state.on_since_s + params.min_on_s)
        if state.mode == DISARMING:
            best_s = _sooner(best_s, now_s, state.due_s)
    return best_s


def _sooner(best_s: float, now_s: float, candidate_s: float) -> float:
    return candidate_s if now_s < candidate_s < best_s else best_s


# --- the table as a picture ------------------------------------------------------------------------------------------

_CAUSE_LABELS = {
    C_STOPPING: "shutting down",
    C_DISABLED: "disabled",
    C_TRIPPED: "a fault trips",
    C_ENDED: "a fault ends it, minimum on",
    C_METER_SILENT: "meter silent",
    C_TIME_CAP: "time cap",
    C_ENERGY_CAP: "energy cap",
    C_SURPLUS_SEEN: "export at start threshold",
    C_SURPLUS_LOST: "export fell back",
    C_SURPLUS_HELD: "start delay, minimum off, budget, no hold",
    C_IMPORT_SEEN: "import above stop threshold",
    C_IMPORT_GONE: "import fell back",
    C_IMPORT_HELD: "stop delay, minimum on",
    C_CLEARED: "fault over, session re-armed, or a plan",
    C_PLAN_DUE: "due by plan",
    C_PLAN_HELD: "due by plan, minimum off, budget, no hold",
}


def diagram() -> str:
    """Return the transition table as a Mermaid state diagram: one arrow per pair of states, labels joined."""
    arrows: dict[tuple[int, int], list[str]] = {}
    for row in TABLE:
        for mode in range(len(MODE_NAMES)):
            if (row.sources >> mode) & 1 and mode != row.target:
                arrows.setdefault((mode, row.target), []).append(_CAUSE_LABELS[row.cause])
    lines = ["stateDiagram-v2", f"    [*] --> {_node(IDLE)}"]
    lines += [f'    state "{name}" as {_node(mode)}' for mode, name in enumerate(MODE_NAMES) if "-" in name]
    lines += [
        f"    {_node(source)} --> {_node(target)}: {' / '.join(labels)}"
        for (source, target), labels in sorted(arrows.items())
    ]
    return "\n".join(lines)


def _node(mode: int) -> str:
    return MODE_NAMES[mode].replace("-", "_")


if __name__ == "__main__":
    print(diagram())
