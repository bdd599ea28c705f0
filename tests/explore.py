"""A walk through every state that the decision core can reach, and through every row of the fault table.

Real times are far too many to visit, so times here are small whole numbers of ticks, an hour and a day are a few ticks
long, and what no longer matters is dropped: a time counts relative to now, and one that every comparison has left
behind is as good as any older one. What is left is finite, and :func:`walk` visits all of it, breadth first, with
every combination of inputs in every state. Beside the machine it keeps its own books (:class:`Ghost`), which share
nothing with the machine's fields, and holds the machine's decisions against them.
"""

from __future__ import annotations

import contextlib
import inspect
import itertools
import math
import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from surpluscharge.control import controller, hidden, machine, neighbours, plug, supervisor
from surpluscharge.control.machine import CLEAR, END, HOLD, LOCKED_OUT, TRIP, Inputs, Params, State
from surpluscharge.control.supervisor import FAULTS, Fault, Record, Supervisor

NEVER = -math.inf

# Grid power stands on the thresholds, where a `>` for a `>=` shows: export has just reached the one for starting,
# neutral has not yet exceeded the one for stopping.
EXPORT_W, NEUTRAL_W, IMPORT_W = -10.0, 10.0, 11.0
SILENCE, LOST = "silence", "lost"  # no new reading; the readings are forgotten
READINGS = (EXPORT_W, NEUTRAL_W, IMPORT_W, SILENCE)
MOST_CHANGES = 4  # locked-out, idle, arming, charging: where all delays are zero, at one moment


class Case(NamedTuple):
    """Parameters in ticks, and which inputs are tried in every state."""

    start_delay: int
    stop_delay: int
    min_on: int
    min_off: int
    per_hour: int
    per_day: int
    time_cap: int
    energy_cap: float = math.inf  # in ticks at full power
    daily: bool = False
    hour: int = 4
    day: int = 9
    fresh: int = 2  # how long a reading lasts
    grids: tuple[float | str, ...] = (EXPORT_W, NEUTRAL_W, IMPORT_W, SILENCE, LOST)
    guards: tuple[int, ...] = (CLEAR, HOLD, END, TRIP)
    days: tuple[int, ...] = (0,)  # from the day of the session
    powers: tuple[int, ...] = (1,)  # energy units a tick
    stopping: tuple[bool, ...] = (False, True)
    confirmed: tuple[bool, ...] = (False, True)
    planned: tuple[bool, ...] = (False,)
    planned_cap: int = 0
    planned_energy: float = math.inf
    noons: tuple[int, ...] = (0,)  # from the day that the plan's allowance is for
    trials: tuple[bool, ...] = (False,)
    again: int = 1  # between two allowances
    gives: tuple[bool, ...] = (False,)  # whether it gives way to another load

    def params(self) -> Params:
        return Params(
            start_export_w=-EXPORT_W,
            stop_import_w=NEUTRAL_W,
            start_delay_s=self.start_delay,
            stop_delay_s=self.stop_delay,
            min_on_s=self.min_on,
            min_off_s=self.min_off,
            starts_per_hour=self.per_hour,
            starts_per_day=self.per_day,
            time_cap_s=self.time_cap,
            energy_cap_wh=self.energy_cap,
            rearm_daily=self.daily,
            planned_time_cap_s=self.planned_cap,
            planned_energy_cap_wh=self.planned_energy,
        )

    def alphabet(self) -> list[tuple[Any, ...]]:
        """Return every combination of inputs: (grid, enabled, stopping, guard, off_confirmed, day, power, planned,
        noon, gives_way, trial).
        """
        return list(
            itertools.product(
                self.grids,
                (False, True),
                self.stopping,
                self.guards,
                self.confirmed,
                self.days,
                self.powers,
                self.planned,
                self.noons,
                self.gives,
                self.trials,
            )
        )


# Small enough for every test run, and together they come to every row of the table.
SMALL = {
    "energy cap": Case(
        1,
        1,
        1,
        0,
        1,
        1,
        3,
        energy_cap=2,
        hour=2,
        day=2,
        powers=(0, 1),
        grids=READINGS,
        guards=(CLEAR, END, TRIP),
        stopping=(False,),
    ),
    "nothing takes time": Case(
        0, 0, 0, 0, 2, 3, 2, hour=2, day=3, daily=True, days=(-1, 0, 1), grids=READINGS, stopping=(False,)
    ),
    "session by switch": Case(1, 1, 2, 2, 1, 2, 3, hour=3, day=4, grids=READINGS, stopping=(False,)),
    "session by day": Case(
        1, 1, 1, 1, 1, 1, 3, hour=2, day=2, daily=True, days=(-1, 0, 1), grids=READINGS, stopping=(False,)
    ),
    "clock put back": Case(
        1, 0, 0, 0, 1, 1, 2, hour=1, day=2, daily=True, days=(-2, -1, 0, 1), grids=READINGS, stopping=(False,)
    ),
    "minimum on beyond stop delay": Case(1, 1, 3, 1, 1, 1, 4, hour=2, day=2, stopping=(False,)),
    "stop delay beyond minimum on": Case(0, 3, 1, 1, 1, 1, 5, hour=2, day=2, stopping=(False,)),
    "long minimum off": Case(1, 0, 0, 3, 2, 2, 3, hour=2, day=3, grids=READINGS, guards=(CLEAR, HOLD)),
    "by plan": Case(
        1,
        2,
        1,
        1,
        1,
        1,
        2,
        hour=1,
        day=2,
        grids=READINGS,
        stopping=(False,),
        guards=(CLEAR, END),
        planned=(False, True),
        planned_cap=2,
    ),
    "gives way": Case(
        1, 1, 2, 1, 1, 1, 3, hour=2, day=2, grids=READINGS, guards=(CLEAR,), stopping=(False,), gives=(False, True)
    ),
    "a trial": Case(
        1,
        1,
        1,
        1,
        1,
        1,
        2,
        hour=1,
        day=2,
        grids=READINGS,
        stopping=(False,),
        guards=(CLEAR, HOLD),
        trials=(False, True),
    ),
    "a plan's energy": Case(
        1,
        0,
        0,
        0,
        1,
        1,
        1,
        energy_cap=1,
        hour=1,
        day=2,
        grids=(EXPORT_W, IMPORT_W),
        stopping=(False,),
        guards=(CLEAR,),
        confirmed=(True,),
        powers=(0, 1),
        planned=(False, True),
        planned_cap=3,
        planned_energy=2,
        noons=(-2, -1, 0, 1),
    ),
}

# For the long run: more of everything.
LARGE = {
    "session by switch": Case(2, 1, 2, 2, 1, 2, 4, hour=4, day=7),
    "session by day": Case(1, 1, 2, 1, 1, 2, 4, hour=3, day=5, daily=True, days=(-2, -1, 0, 1)),
    "nothing takes time": Case(0, 0, 0, 0, 2, 3, 4, hour=3, day=6, daily=True, days=(-2, -1, 0, 1)),
    "minimum on beyond stop delay": Case(1, 1, 4, 2, 1, 2, 5, hour=3, day=6),
    "stop delay beyond minimum on": Case(1, 4, 2, 1, 1, 2, 6, hour=3, day=6),
    "long minimum off": Case(2, 1, 1, 4, 2, 3, 3, hour=3, day=6),
    "long readings": Case(2, 2, 2, 2, 1, 1, 5, hour=3, day=4, fresh=4),
    "energy cap by switch": Case(1, 1, 2, 1, 1, 2, 5, energy_cap=3, hour=3, day=5, powers=(0, 1)),
    "energy cap by day": Case(
        1, 1, 1, 1, 1, 1, 4, energy_cap=2, hour=2, day=3, daily=True, days=(-1, 0, 1), powers=(0, 1)
    ),
    "many starts": Case(0, 0, 1, 1, 2, 4, 6, hour=4, day=8, guards=(CLEAR, TRIP)),
    "by plan": Case(1, 2, 2, 1, 1, 2, 3, hour=2, day=3, planned=(False, True), planned_cap=3),
    "a plan's energy": Case(
        1,
        1,
        1,
        0,
        1,
        1,
        2,
        energy_cap=2,
        hour=1,
        day=2,
        powers=(0, 1),
        planned=(False, True),
        planned_cap=3,
        planned_energy=2,
        noons=(-2, -1, 0, 1),
    ),
}


class Ghost(NamedTuple):
    """What truly happened, as far as it can still matter. Ages in ticks, saturated."""

    off_age: int  # since the relay was last on, or not known to be off
    on_age: int  # since the start; 0 while off
    start_ages: tuple[int, ...]  # of the starts within a day
    session: int  # ticks on
    energy: float
    enabled: bool
    export_age: int  # export without a break, while off
    clear_age: int  # and nothing else that keeps the start delay from running; -1: something does
    import_age: int  # import without a break, while on
    day: int  # of the session
    plan: int = 0  # ticks on by plan, since noon
    plan_energy: float = 0
    due: bool = False  # by plan, and there is some of its allowance left
    bought: bool = False  # it has charged by plan, which is over, and imports since then without a break
    noon: int = 0  # the day of that allowance
    plan_age: int = 0  # since it last charged by plan


class Node(NamedTuple):
    """A state after time has passed and before the next input."""

    state: State
    ghost: Ghost
    grid_w: float
    fresh: int  # ticks until the reading goes stale


class Violation(AssertionError):  # noqa: N818
    """A check failed. ``check`` names it: the number of an invariant, or a word."""

    def __init__(self, check: str, what: str) -> None:
        super().__init__(f"{check}: {what}")
        self.check = check
        self.path: list[tuple[Any, ...]] = []  # the inputs that led there from the start, a tick each


class Unplanted(Exception):  # noqa: N818
    """A bug could not be planted. No AssertionError: it must not pass for one that was found."""


class Report(NamedTuple):
    """What a walk saw."""

    states: int
    transitions: int
    rows: frozenset[int]  # of the transition table, that decided at least once
    most_changes: int  # of mode, at one moment
    complete: bool
    violation: Violation | None


def walk(case: Case, most_states: float = math.inf, proceed: Callable[[], bool] = lambda: True) -> Report:
    """Visit every state that ``case`` can reach; stop at the first violation, or when ``proceed`` says so."""
    walker = Walker(case)
    with scaled(case), _watched() as rows:
        root = walker.root()
        came: dict[Node, tuple[Node, tuple[Any, ...]] | None] = {root: None}
        frontier = [root]
        alphabet = case.alphabet()
        violation = None
        complete = True
        while frontier and violation is None:
            following = []
            for node in frontier:
                if len(came) > most_states or not proceed():
                    complete = False
                    break
                for letter in alphabet:
                    try:
                        after = walker.tick(node, letter)
                    except Violation as found:
                        violation = found
                        found.path = [letter]
                        back: Node = node
                        while (origin := came[back]) is not None:
                            back = origin[0]
                            found.path.insert(0, origin[1])
                        break
                    if after not in came:
                        came[after] = (node, letter)
                        following.append(after)
                if violation is not None:
                    break
            frontier = following if complete else []
    return Report(len(came), walker.transitions, frozenset(rows), walker.most_changes, complete, violation)


@contextlib.contextmanager
def scaled(case: Case) -> Iterator[None]:
    """Make an hour, a day and the time between two allowances a few ticks long."""
    before = machine.HOUR_S, machine.DAY_S, machine.PLANNED_AGAIN_S
    machine.HOUR_S, machine.DAY_S, machine.PLANNED_AGAIN_S = case.hour, case.day, case.again
    try:
        yield
    finally:
        machine.HOUR_S, machine.DAY_S, machine.PLANNED_AGAIN_S = before


@contextlib.contextmanager
def _watched() -> Iterator[set[int]]:
    """Note which rows decide. Remembering the answers besides makes the walk faster, and changes none."""
    deciding_row = machine.deciding_row
    rows: set[int] = set()
    known: dict[tuple[int, int], int] = {}

    def watched(mode: int, facts: int) -> int:
        index = known.get((mode, facts))
        if index is None:
            index = known[mode, facts] = deciding_row(mode, facts)
            if index >= 0:
                rows.add(index)
        return index

    machine.deciding_row = watched
    try:
        yield rows
    finally:
        machine.deciding_row = deciding_row


def importing(inputs: Inputs) -> bool:
    """Say whether too much is imported, or would be if another load, which comes first, had its own."""
    return inputs.grid_w >= IMPORT_W or inputs.gives_way


class Walker:
    """Carries one state through one tick, and looks closely at it.

    It calls the machine as the controller does: at each moment first with the inputs held until then, then with the
    new ones. The machine is a function of numbers, and many histories lead to the same ones: what it has answered, and
    what was seen of its deadlines, is remembered.
    """

    def __init__(self, case: Case) -> None:
        self.case = case
        self.params = case.params()
        self.transitions = 0
        self.most_changes = 0
        self._settled: dict[tuple[State, int, Inputs], tuple[State, ...]] = {}
        self._kept: set[tuple[State, Inputs]] = set()  # whose deadline was kept
        self._after: dict[tuple[State, int, int], State] = {}

    def root(self) -> Node:
        state = self._normal(machine.initial(self.params, 0, 0), 0, 0, 0)
        return Node(state, Ghost(0, 0, (), 0, 0, False, 0, -1, 0, 0), NEUTRAL_W, 0)

    def inputs(self, node: Node, letter: tuple[Any, ...]) -> Inputs:
        """Return a combination of inputs as the machine sees it at time 0."""
        grid, enabled, stopping, guard, confirmed, day, power, planned, noon, gives, trial = letter
        grid_w, fresh = node.grid_w, node.fresh
        if grid == LOST:
            fresh = 0
        elif grid != SILENCE:
            grid_w, fresh = grid, self.case.fresh
        fresh_until = fresh if fresh else NEVER
        power_w = power * self.case.hour
        return Inputs(
            grid_w, fresh_until, power_w, enabled, stopping, guard, confirmed, day, planned, noon, gives, trial
        )

    def tick(self, node: Node, letter: tuple[Any, ...]) -> Node:
        """Apply inputs at time 0, hold them for a tick, and return the state at time 1 (which is called 0 again)."""
        self.transitions += 1
        inputs = self.inputs(node, letter)
        state, ghost = self._settle(node.state, node.ghost, 0, inputs)
        self._look(state, ghost, 0, inputs)

        on = machine.wants_on(state.mode)
        held = self._aged(ghost, on, inputs)
        later, held = self._settle(state, held, 1, inputs)
        self._look(later, held, 1, inputs)
        self._deadline(state, later, inputs)

        key = later, held.day, held.noon
        if (after := self._after.get(key)) is None:
            after = self._after[key] = self._normal(later, 1, held.day, held.noon)
        if held.day or held.noon:
            held = held._replace(day=0, noon=0)
        fresh = inputs.fresh_until_s
        return Node(after, held, inputs.grid_w, 0 if fresh == NEVER else int(fresh) - 1)

    # --- the machine --------------------------------------------------------------------------------------------------

    def _settle(self, state: State, ghost: Ghost, now: int, inputs: Inputs) -> tuple[State, Ghost]:
        for after in self._steps(state, now, inputs):
            ghost = self._noted(state.mode, after.mode, ghost, now, inputs)
            state = after
        return state, ghost

    def _steps(self, state: State, now: int, inputs: Inputs) -> tuple[State, ...]:
        """Return the states that one after the other follow at this moment, until the mode stays."""
        key = state, now, inputs
        if (steps := self._settled.get(key)) is None:
            steps = self._settled[key] = self._plain(state, now, inputs)
            self.most_changes = max(self.most_changes, len(steps) - 1)
        return steps

    def _plain(self, state: State, now: int, inputs: Inputs) -> tuple[State, ...]:
        steps = []
        for _ in range(MOST_CHANGES + 1):
            mode = state.mode
            state = machine.step(self.params, state, now, inputs)
            steps.append(state)
            if state.mode == mode:
                return tuple(steps)
        raise Violation("settling", f"more than {MOST_CHANGES} changes at one moment")

    def _normal(self, state: State, now: int, day: int, noon: int) -> State:
        """Return the state as seen from now, without what can no longer matter."""
        case = self.case
        return State(
            state.mode,
            0,
            0,
            max(state.due_s - now, 0),
            max(state.on_since_s - now, -case.min_on),
            max(state.off_since_s - now, -case.min_off),
            state.was_enabled,
            tuple(max(start - now, -case.day) for start in state.starts_s),
            min(state.session_s, case.time_cap),
            0 if case.energy_cap == math.inf else min(state.session_wh, case.energy_cap),
            state.session_day - day,
            0,
            state.charger_w,
            state.planned,
            min(state.planned_s, case.planned_cap),
            0 if case.planned_energy == math.inf else min(state.planned_wh, case.planned_energy),
            state.planned_day - noon,
            max(state.planned_at_s - now, -case.again),
        )

    # --- the books ----------------------------------------------------------------------------------------------------

    def _aged(self, ghost: Ghost, on: bool, inputs: Inputs) -> Ghost:
        """Let a tick pass."""
        case = self.case
        solar, by_plan = on and not ghost.due, on and ghost.due
        return Ghost(
            off_age=0 if on or not inputs.off_confirmed else min(ghost.off_age + 1, case.min_off),
            on_age=min(ghost.on_age + 1, case.min_on) if on else 0,
            start_ages=tuple(age + 1 for age in ghost.start_ages if age + 1 < case.day),
            session=ghost.session + 1 if solar else ghost.session,
            energy=ghost.energy + inputs.charger_w / case.hour
            if solar and case.energy_cap < math.inf
            else ghost.energy,
            enabled=ghost.enabled,
            export_age=0 if on else min(ghost.export_age + 1, case.start_delay),
            clear_age=-1 if on or ghost.clear_age < 0 else min(ghost.clear_age + 1, case.start_delay),
            import_age=min(ghost.import_age + 1, case.stop_delay) if on else 0,
            day=ghost.day,
            plan=ghost.plan + 1 if by_plan else ghost.plan,
            plan_energy=ghost.plan_energy + inputs.charger_w / case.hour
            if by_plan and case.planned_energy < math.inf
            else ghost.plan_energy,
            due=ghost.due,
            bought=ghost.bought,
            noon=ghost.noon,
            plan_age=0 if by_plan else min(ghost.plan_age + 1, case.again),
        )

    def _noted(self, before: int, after: int, ghost: Ghost, now: int, inputs: Inputs) -> Ghost:
        """Enter one step into the books, and check what it did."""
        case = self.case
        off_age, on_age, start_ages, session, energy, was_enabled, export_age, clear_age, import_age, day = ghost[:10]
        plan, plan_energy, was_due, bought, noon, plan_age = ghost[10:]
        was_on, on = machine.wants_on(before), machine.wants_on(after)
        fresh = now < inputs.fresh_until_s
        exporting = fresh and (inputs.grid_w <= EXPORT_W or inputs.trial) and inputs.enabled
        flipped = inputs.enabled and not was_enabled
        if inputs.day < day - 1:  # a clock put back by more than a day is followed
            day = inputs.day
        if inputs.planned_day < noon - 1:
            noon = inputs.planned_day
        plan_age = 0 if was_on and was_due else plan_age
        if inputs.planned_day > noon and plan_age >= case.again:
            plan, plan_energy, noon = 0, 0, inputs.planned_day
        due = inputs.planned and plan < case.planned_cap and plan_energy < case.planned_energy
        if was_due and not due and not was_on:  # what it was armed for is gone
            export_age = clear_age = 0
        bought = was_on and not due and (bought or was_due) and importing(inputs)
        if not was_on:
            if (inputs.day > day) if case.daily else flipped:
                session, energy = 0, 0
            day = max(day, inputs.day)
            if not exporting:
                export_age = 0
            elif flipped:  # switched on in full sun: no delay
                export_age = case.start_delay
            if (
                not exporting
                or inputs.stopping
                or inputs.guard not in (CLEAR, HOLD)
                or (not due and (session >= case.time_cap or energy >= case.energy_cap))
            ):
                clear_age = -1
            else:
                clear_age = max(clear_age, 0)
        elif not importing(inputs):
            import_age = 0
        if was_on or not inputs.off_confirmed:
            off_age = 0
        locked = inputs.enabled and not inputs.stopping and (not fresh or inputs.guard in (END, TRIP))
        if before == LOCKED_OUT != after and locked:
            raise Violation("locked-out", "left, though what locked it is still there")
        if on and not was_on:
            if off_age < case.min_off or not inputs.off_confirmed:
                raise Violation("3", f"started {off_age} ticks after the relay was last on, or not known to be off")
            if not (due and fresh) and (not exporting or export_age < case.start_delay):
                raise Violation("delay", f"started after {export_age} ticks of export")
            if inputs.guard != CLEAR:
                raise Violation("guard", "started against the supervisor's verdict")
            start_ages = (0, *start_ages)
            off_age = on_age = export_age = import_age = 0
            clear_age = -1
            if len(start_ages) > case.per_day or sum(age < case.hour for age in start_ages) > case.per_hour:
                raise Violation("4", f"starts so many ticks ago: {start_ages}")
        elif was_on and not on:
            if not (
                not inputs.enabled
                or inputs.stopping
                or not fresh
                or inputs.guard == TRIP
                or (not due and (session >= case.time_cap or energy >= case.energy_cap))
            ):
                if on_age < case.min_on:
                    raise Violation("2", f"off after {on_age} ticks")
                if inputs.guard != END and due:
                    raise Violation("plan", "off, though it is due by plan")
                waits = import_age < case.stop_delay and not bought
                if inputs.guard != END and (waits or not importing(inputs)):
                    raise Violation("delay", f"off after {import_age} ticks of import")
            on_age = import_age = 0
            bought = False
        return Ghost(
            off_age,
            on_age,
            start_ages,
            session,
            energy,
            inputs.enabled,
            export_age,
            clear_age,
            import_age,
            day,
            plan,
            plan_energy,
            due,
            bought,
            noon,
            plan_age,
        )

    def _look(self, state: State, ghost: Ghost, now: int, inputs: Inputs) -> None:
        """Check a settled state."""
        case = self.case
        if not machine.wants_on(state.mode):
            at_once = ghost.due and inputs.enabled and not inputs.stopping and now < inputs.fresh_until_s
            if (
                (at_once or ghost.clear_age >= case.start_delay)
                and inputs.guard == CLEAR
                and inputs.off_confirmed
                and ghost.off_age >= case.min_off
                and len(ghost.start_ages) < case.per_day
                and sum(age < case.hour for age in ghost.start_ages) < case.per_hour
            ):
                raise Violation("late", f"still off after {ghost.clear_age} ticks of export, and nothing is against it")
            return
        if not inputs.enabled or inputs.stopping or state.mode == LOCKED_OUT:
            raise Violation("1", "on while disabled, stopping or locked-out")
        if not now < inputs.fresh_until_s:
            raise Violation("6", "on without a fresh reading")
        if not ghost.due and (ghost.session >= case.time_cap or ghost.energy >= case.energy_cap):
            raise Violation("5", f"on after {ghost.session} ticks and {ghost.energy} units in a session")
        ended = ghost.on_age >= case.min_on
        if inputs.guard == TRIP or (inputs.guard == END and ended):
            raise Violation("guard", "on against the supervisor's verdict")
        waits = ghost.import_age < case.stop_delay and not ghost.bought
        if ended and importing(inputs) and not waits and not ghost.due:
            raise Violation("delay", f"on after {ghost.import_age} ticks of import")

    # --- the deadlines ------------------------------------------------------------------------------------------------

    def _deadline(self, state: State, later: State, inputs: Inputs) -> None:
        """Check that calling at inputs and deadlines only decides the same at the same times as calling each tick.

        It follows from three things that can be seen in one place. A change comes no earlier than the deadline. A
        deadline that has not come does not move to an earlier time when the machine is called before it. And calling it
        before then leaves no trace.
        """
        if (state, inputs) in self._kept:  # what is later follows from these
            return
        deadline = machine.next_deadline(self.params, state, inputs)
        if not deadline > 0:
            raise Violation("deadline", f"it lies in the past: {deadline}")
        if deadline <= 1:
            self._kept.add((state, inputs))
            return
        if later.mode != state.mode or later.since_s != state.since_s:
            raise Violation(
                "deadline", f"it is {deadline}, but the machine goes from {state.mode} to {later.mode} at 1"
            )
        if machine.next_deadline(self.params, later, inputs) < deadline:
            raise Violation("deadline", f"it was {deadline}, and comes nearer when the machine is called before it")
        stepped, jumped = (self._normal(self._plain(origin, 2, inputs)[-1], 2, 0, 0) for origin in (later, state))
        if stepped != jumped:
            raise Violation("deadline", f"calling before it leaves a trace: {stepped}, {jumped}")
        self._kept.add((state, inputs))


# --- planted bugs ----------------------------------------------------------------------------------------------------


class Bug(NamedTuple):
    """One line of the machine changed, and what finds that first."""

    check: str
    case: str  # of SMALL
    target: str  # a function of the machine
    old: str  # a text in its source
    new: str


PLANTED = {
    "gives way to nobody": Bug("delay", "gives way", "conditions", " or inputs.gives_way", ""),
    "gives way at once": Bug(
        "delay",
        "gives way",
        "conditions",
        "if now_s >= state.due_s:",
        "if now_s >= state.due_s or inputs.gives_way:",
    ),
    "gives way within the shortest charge": Bug(
        "2",
        "gives way",
        "conditions",
        "if now_s >= state.on_since_s + params.min_on_s:",
        "if now_s >= state.on_since_s + params.min_on_s or inputs.gives_way:",
    ),
    "what is charged by plan is not counted": Bug(
        "delay",
        "by plan",
        "step",
        "planned_s = state.planned_s + (elapsed_s if state.planned else 0.0)",
        "planned_s = state.planned_s",
    ),
    "what is charged by plan counts for the session": Bug(
        "delay",
        "by plan",
        "step",
        "session_s = state.session_s + (0.0 if state.planned else elapsed_s)",
        "session_s = state.session_s + elapsed_s",
    ),
    "a plan has no energy cap": Bug(
        "delay",
        "a plan's energy",
        "by_plan",
        "time_left and energy_left",
        "time_left",
    ),
    "the energy that a plan takes is not counted": Bug(
        "delay",
        "a plan's energy",
        "step",
        "planned_wh = state.planned_wh + (elapsed_wh if state.planned else 0.0)",
        "planned_wh = state.planned_wh",
    ),
    "what the plan has ended rides out clouds": Bug(
        "delay",
        "by plan",
        "step",
        "due_s = now_s if gone else now_s + params.stop_delay_s",
        "due_s = now_s + params.stop_delay_s",
    ),
    "a plan that is gone leaves it armed": Bug(
        "delay", "by plan", "step", "if gone and mode == ARMING else state.due_s", "if False else state.due_s"
    ),
    "noon brings no new allowance": Bug(
        "plan", "a plan's energy", "step", "if inputs.planned_day > planned_day and", "if False and"
    ),
    "a new allowance under a planned charge": Bug(
        "delay",
        "a plan's energy",
        "step",
        "planned_at_s = now_s if on and state.planned else state.planned_at_s",
        "planned_at_s = state.planned_at_s",
    ),
    "a new allowance right after a planned charge": Bug(
        "delay", "a plan's energy", "step", " and now_s >= planned_at_s + PLANNED_AGAIN_S", ""
    ),
    "nothing is told when a new allowance is due": Bug(
        "deadline", "a plan's energy", "next_deadline", "if inputs.planned_day > state.planned_day:", "if False:"
    ),
    "what is tried starts nothing": Bug("late", "a trial", "conditions", " or inputs.trial", ""),
    "what was tried goes on though it imports": Bug(
        "delay",
        "a trial",
        "conditions",
        "inputs.grid_w > params.stop_import_w or",
        "(inputs.grid_w > params.stop_import_w and not inputs.trial) or",
    ),
    "export must exceed its threshold": Bug(
        "late", "nothing takes time", "conditions", "-inputs.grid_w >= params", "-inputs.grid_w > params"
    ),
    "import need not exceed its threshold": Bug(
        "delay", "energy cap", "conditions", "inputs.grid_w > params", "inputs.grid_w >= params"
    ),
    "a reading lasts a moment longer": Bug(
        "6", "nothing takes time", "conditions", "now_s < inputs.fresh_until_s", "now_s <= inputs.fresh_until_s"
    ),
    "a delay lasts a moment longer": Bug(
        "late", "nothing takes time", "conditions", "now_s >= state.due_s", "now_s > state.due_s"
    ),
    "minimum on for minimum off": Bug(
        "deadline",
        "energy cap",
        "conditions",
        "state.off_since_s + params.min_off_s",
        "state.off_since_s + params.min_on_s",
    ),
    "minimum off for minimum on": Bug(
        "2",
        "minimum on beyond stop delay",
        "conditions",
        "state.on_since_s + params.min_on_s",
        "state.on_since_s + params.min_off_s",
    ),
    "minimum on lasts a moment longer": Bug(
        "guard", "stop delay beyond minimum on", "conditions", "now_s >= state.on_since_s", "now_s > state.on_since_s"
    ),
    "off need not be known": Bug("3", "nothing takes time", "conditions", "inputs.off_confirmed and ", ""),
    "time cap passed by": Bug(
        "5",
        "clock put back",
        "conditions",
        "state.session_s >= params.time_cap_s -",
        "state.session_s > params.time_cap_s +",
    ),
    "ending does not hold": Bug(
        "guard",
        "nothing takes time",
        "conditions",
        "inputs.guard == HOLD or inputs.guard == END",
        "inputs.guard == HOLD",
    ),
    "a trip only ends": Bug("guard", "nothing takes time", "conditions", "facts |= TRIPPED", "facts |= ENDING"),
    "either budget is enough": Bug(
        "4", "session by switch", "budget_free_s", "max(day_s, hour_s)", "min(day_s, hour_s)"
    ),
    "the budget of an hour over the starts of a day": Bug(
        "4", "session by switch", "budget_free_s", "[params.starts_per_day - params.starts_per_hour]", "[0]"
    ),
    "an hour is a tick short": Bug("4", "session by switch", "budget_free_s", "+ HOUR_S", "+ HOUR_S - 1"),
    "a day is a tick short": Bug("4", "clock put back", "budget_free_s", "+ DAY_S", "+ DAY_S - 1"),
    "start delay not begun anew": Bug(
        "delay", "clock put back", "step", "else now_s + params.start_delay_s", "else due_s"
    ),
    "stop delay not begun anew": Bug(
        "delay",
        "stop delay beyond minimum on",
        "step",
        "due_s = now_s if gone else now_s + params.stop_delay_s",
        "due_s = state.due_s",
    ),
    "start delay for stop delay": Bug(
        "delay", "stop delay beyond minimum on", "step", "now_s + params.stop_delay_s", "now_s + params.start_delay_s"
    ),
    "always switched on just now": Bug(
        "delay", "energy cap", "step", "inputs.enabled and not state.was_enabled", "inputs.enabled"
    ),
    "switching on skips minimum off": Bug(
        "3",
        "session by switch",
        "step",
        "off_since_s = state.off_since_s",
        "off_since_s = NEVER_S if enable_edge else state.off_since_s",
    ),
    "starts not kept": Bug(
        "4", "minimum on beyond stop delay", "step", "starts_s = starts_s[1:] + (now_s,)", "starts_s = starts_s"
    ),
    "starts kept in the wrong order": Bug(
        "late", "nothing takes time", "step", "starts_s[1:] + (now_s,)", "(now_s,) + starts_s[:-1]"
    ),
    "time of the start not kept": Bug(
        "2",
        "stop delay beyond minimum on",
        "step",
        "        on_since_s = now_s\n",
        "        on_since_s = state.since_s\n",
    ),
    "time of the end not kept": Bug(
        "3", "session by switch", "step", "if on and not wants_on(mode)", "if on and wants_on(mode)"
    ),
    "time off counts for the session": Bug(
        "deadline", "nothing takes time", "step", "now_s - state.at_s) if on else 0.0", "now_s - state.at_s)"
    ),
    "half the energy forgotten": Bug(
        "5", "energy cap", "step", "state.charger_w * elapsed_s", "0.5 * state.charger_w * elapsed_s"
    ),
    "a clock put back an hour grants a session": Bug(
        "5", "nothing takes time", "step", "inputs.day >= state.session_day - 1", "inputs.day >= state.session_day"
    ),
    "a clock put back for long stops all sessions": Bug(
        "delay", "clock put back", "step", "inputs.day >= state.session_day - 1 else inputs.day", "True else inputs.day"
    ),
    "session not re-armed": Bug("late", "nothing takes time", "step", "if rearmed:", "if False:"),
    "deadline omitted: arming, inputs.fresh_until_s": Bug(
        "deadline",
        "nothing takes time",
        "next_deadline",
        "ARMING:\n        best_s = _sooner(best_s, now_s, inputs.fresh_until_s)",
        "ARMING:\n        best_s = _sooner(best_s, now_s, float('inf'))",
    ),
    "deadline omitted: arming, state.due_s": Bug(
        "deadline",
        "minimum on beyond stop delay",
        "next_deadline",
        "state.due_s)\n        best_s = _sooner(best_s, now_s, state.off_since_s",
        "float('inf'))\n        best_s = _sooner(best_s, now_s, state.off_since_s",
    ),
    "deadline omitted: arming, state.off_since_s + params.min_off_s": Bug(
        "deadline", "session by switch", "next_deadline", "state.off_since_s + params.min_off_s", "float('inf')"
    ),
    "deadline omitted: arming, budget_free_s(params, state)": Bug(
        "deadline", "minimum on beyond stop delay", "next_deadline", "budget_free_s(params, state)", "float('inf')"
    ),
    "deadline omitted: on, inputs.fresh_until_s": Bug(
        "deadline",
        "clock put back",
        "next_deadline",
        "wants_on(state.mode):\n        best_s = _sooner(best_s, now_s, inputs.fresh_until_s)",
        "wants_on(state.mode):\n        best_s = _sooner(best_s, now_s, float('inf'))",
    ),
    "deadline omitted: on, what is left of the time": Bug(
        "deadline", "nothing takes time", "next_deadline", "now_s + left_s", "float('inf')"
    ),
    "deadline omitted: on, what is left of a plan's time": Bug(
        "deadline", "by plan", "next_deadline", "params.planned_time_cap_s - state.planned_s", "float('inf')"
    ),
    "deadline omitted: on, what is left of a plan's energy": Bug(
        "deadline",
        "a plan's energy",
        "next_deadline",
        "params.planned_energy_cap_wh - state.planned_wh",
        "float('inf')",
    ),
    "deadline omitted: on, now_s + left_wh * HOUR_S / state.charger_w": Bug(
        "deadline", "energy cap", "next_deadline", "now_s + left_wh * HOUR_S / state.charger_w", "float('inf')"
    ),
    "deadline omitted: on, state.on_since_s + params.min_on_s": Bug(
        "deadline",
        "stop delay beyond minimum on",
        "next_deadline",
        "state.on_since_s + params.min_on_s",
        "float('inf')",
    ),
    "deadline omitted: disarming, state.due_s": Bug(
        "deadline",
        "energy cap",
        "next_deadline",
        "DISARMING:\n            best_s = _sooner(best_s, now_s, state.due_s)",
        "DISARMING:\n            best_s = _sooner(best_s, now_s, float('inf'))",
    ),
}


@contextlib.contextmanager
def planted(target: str, *change: Any) -> Iterator[None]:
    """Put a bug into the machine, or a method of the plug's or the controller's: another value, or another text in its
    source.
    """
    of, _, name = target.rpartition(".")
    module: Any = {
        "": machine,
        "Plug": plug,
        "Controller": controller,
        "Neighbours": neighbours,
        "Neighbour": neighbours,
        "HiddenSun": hidden,
    }[of]
    owner = getattr(module, of) if of else module
    was = getattr(owner, name)
    if len(change) == 2:
        source = textwrap.dedent(inspect.getsource(was))
        if change[0] not in source:
            raise Unplanted(f"{target}: the text to change is not there any more: {change[0]}")
        made: dict[str, Any] = {}
        exec(source.replace(*change), module.__dict__, made)
        change = (made[name],)
    setattr(owner, name, change[0])
    try:
        yield
    finally:
        setattr(owner, name, was)


def caught(change: Sequence[Any], cases: dict[str, Case] = SMALL) -> tuple[str, str] | None:
    """Return which check finds a planted bug, and in which case; None: none does."""
    for most_states in (50, math.inf):  # most bugs are near
        rows: set[int] = set()
        with planted(*change):
            for name, case in cases.items():
                report = walk(case, most_states)
                if report.violation:
                    return report.violation.check, name
                rows |= report.rows
            if most_states == math.inf and rows != set(range(len(machine.TABLE))):
                return "rows", "all"
    return None


# --- the fault table -------------------------------------------------------------------------------------------------
#
# A row's question is left out here: whether there is evidence, and whether the row's own condition for clearing holds,
# are inputs, and a situation is the set of the words that hold. What is walked through is the weighing: every sequence
# of evidence, clearing and acknowledging, a tick at a time.

HELD_TICKS = 2  # for `after_s`, where it is not zero


class Kind(NamedTuple):
    """What makes one row's weighing differ from another's. Times in ticks."""

    severity: int
    after: int
    latches: bool
    cooldown: int
    cooldown_most: int
    has_clear: bool
    third_latches: bool = False

    def row(self, code: str) -> Fault:
        return Fault(
            code,
            self.severity,
            lambda now, limits: code in now,
            self.after,
            sentence="",
            remedy="",
            latches=self.latches,
            third_latches=self.third_latches,
            cooldown_s=self.cooldown,
            cooldown_most_s=self.cooldown_most,
            clear=(lambda now, limits: f"{code} clear" in now) if self.has_clear else None,
        )


def kind_of(fault: Fault) -> Kind:
    """Return a row's kind: times in ticks, the ratio of the longest cooldown to the first one kept."""
    most = round(fault.cooldown_most_s / fault.cooldown_s) if fault.cooldown_s else 0
    after, cooldown = HELD_TICKS if fault.after_s else 0, 2 if fault.cooldown_s else 0
    return Kind(
        fault.severity, after, fault.latches, cooldown, cooldown * most, fault.clear is not None, fault.third_latches
    )


class Seen(NamedTuple):
    """The books of one row: what truly happened to it. Ages in ticks, saturated."""

    held: int  # ticks of evidence without a break; -1: there is none
    active: bool
    raised_age: int  # since the last raising
    in_row: int  # raisings, each within a day of the one before
    acknowledged: bool  # since the last raising


NOTHING_SEEN = Seen(-1, False, 0, 0, False)
WeighingNode = tuple[tuple[tuple[Record | None, float | None], ...], tuple[Seen, ...]]


class FaultReport(NamedTuple):
    states: int
    transitions: int
    raised: frozenset[int]  # of the kinds, by index
    cleared: frozenset[int]
    longest_cooldown: float
    violation: Violation | None


def walk_faults(kinds: Sequence[Kind], day: int = 40) -> FaultReport:
    """Visit every state of the weighing of a table made of these rows; a day is ``day`` ticks."""
    rows = tuple(kind.row(f"row {index}") for index, kind in enumerate(kinds))
    was = supervisor.FAULTS, supervisor.FAULT_BY_CODE, supervisor.DAY_S
    supervisor.FAULTS, supervisor.FAULT_BY_CODE = rows, {row.code: row for row in rows}
    supervisor.DAY_S = day
    try:
        return FaultWalker(kinds, rows, day).walk()
    finally:
        supervisor.FAULTS, supervisor.FAULT_BY_CODE, supervisor.DAY_S = was


class FaultWalker:
    def __init__(self, kinds: Sequence[Kind], rows: Sequence[Fault], day: int) -> None:
        self.kinds, self.rows, self.day = kinds, rows, day
        self.raised: set[int] = set()
        self.cleared: set[int] = set()
        self.longest_cooldown = 0.0

    def walk(self) -> FaultReport:
        words = [
            [{code}, set(), {f"{code} clear"}] if kind.has_clear else [{code}, set()]
            for code, kind in ((row.code, kind) for row, kind in zip(self.rows, self.kinds, strict=True))
        ]
        situations: list[frozenset[str]] = [frozenset().union(*parts) for parts in itertools.product(*words)]
        latching = any(kind.latches or kind.third_latches for kind in self.kinds)
        letters = list(itertools.product(situations, (False, True) if latching else (False,)))
        root: WeighingNode = (((None, None),) * len(self.rows), (NOTHING_SEEN,) * len(self.rows))
        seen, queue, transitions = {root}, [root], 0
        try:
            for node in queue:
                for situation, acknowledge in letters:
                    transitions += 1
                    after = self._tick(node, situation, acknowledge)
                    if after not in seen:
                        seen.add(after)
                        queue.append(after)
        except Violation as found:
            return self._report(len(seen), transitions, found)
        return self._report(len(seen), transitions, None)

    def _report(self, states: int, transitions: int, violation: Violation | None) -> FaultReport:
        return FaultReport(
            states, transitions, frozenset(self.raised), frozenset(self.cleared), self.longest_cooldown, violation
        )

    def _tick(self, node: WeighingNode, situation: frozenset[str], acknowledge: bool) -> WeighingNode:
        """Acknowledge or not, and judge, at time 0; hold the situation for a tick, and judge at time 1."""
        memory, books = node
        weigher = Supervisor([record for record, _ in memory if record])
        weigher._evident_since_s = {
            row.code: since for row, (_, since) in zip(self.rows, memory, strict=True) if since is not None
        }
        if acknowledge:
            weigher.acknowledge(None)
            books = tuple(seen._replace(acknowledged=seen.active or seen.acknowledged) for seen in books)
        books = tuple(  # an acknowledgement does not cover evidence that comes back after it
            seen._replace(acknowledged=seen.acknowledged and not (row.code in situation and seen.held < 0))
            for row, seen in zip(self.rows, books, strict=True)
        )
        books = tuple(
            seen._replace(held=(max(seen.held, 0) if row.code in situation else -1))
            for row, seen in zip(self.rows, books, strict=True)
        )
        books = self._judge(weigher, books, situation, 0)
        deadline = weigher.next_deadline(0)
        if not deadline > 0:
            raise Violation("deadline", f"it lies in the past: {deadline}")
        before = books
        books = tuple(
            seen._replace(
                held=seen.held if seen.held < 0 else min(seen.held + 1, HELD_TICKS),
                raised_age=min(seen.raised_age + 1, self.day),
            )
            for seen in books
        )
        books = self._judge(weigher, books, situation, 1)
        if deadline > 1 and any(old.active is not new.active for old, new in zip(before, books, strict=True)):
            raise Violation("deadline", f"it is {deadline}, but a fault is raised or cleared at 1")
        return tuple(self._remembered(weigher, row, 1) for row in self.rows), books

    def _remembered(self, weigher: Supervisor, row: Fault, now: int) -> tuple[Record | None, float | None]:
        """Return the memory of one row as seen from now, without what can no longer matter."""
        since = weigher._evident_since_s.get(row.code)
        record = weigher.records.get(row.code)
        if record is not None:
            record = record._replace(raised_s=max(record.raised_s - now, -self.day), times=min(record.times, 7))
        return record, None if since is None else max(since - now, -HELD_TICKS)

    def _judge(
        self, weigher: Supervisor, books: tuple[Seen, ...], situation: frozenset[str], now: int
    ) -> tuple[Seen, ...]:
        verdict = weigher.judge(situation, None, now)
        active = {record.code for record in weigher.active}
        severest = max((row.severity for row in self.rows if row.code in active), default=CLEAR)
        if verdict != severest:
            raise Violation("severity", f"the verdict is {verdict}, but a fault of severity {severest} counts")
        return tuple(
            self._checked(index, seen, situation, weigher.records.get(self.rows[index].code))
            for index, seen in enumerate(books)
        )

    def _checked(self, index: int, seen: Seen, situation: frozenset[str], record: Record | None) -> Seen:
        kind, code = self.kinds[index], self.rows[index].code
        active = record is not None and record.active
        evident = seen.held >= kind.after
        if active and not seen.active:
            if not evident:
                raise Violation("raised", f"after {seen.held} ticks of evidence instead of {kind.after}")
            self.raised.add(index)
            again = seen.in_row and seen.raised_age < self.day
            seen = Seen(seen.held, True, 0, min(seen.in_row + 1, 7) if again else 1, False)
        elif evident and not active:
            raise Violation("raised", f"not, after {seen.held} ticks of evidence")
        if seen.active:
            cooldown = min(kind.cooldown * 2 ** (seen.in_row - 1), kind.cooldown_most)
            self.longest_cooldown = max(self.longest_cooldown, cooldown)
            if record is not None and record.cooldown_s != cooldown:
                raise Violation("cooldown", f"{record.cooldown_s} instead of {cooldown}, raised {seen.in_row} times")
            gone = seen.held < 0 and (not kind.has_clear or f"{code} clear" in situation)
            latched = kind.latches or (kind.third_latches and seen.in_row >= 3)
            free = gone and seen.raised_age >= cooldown and (seen.acknowledged or not latched)
            if active and free:
                raise Violation("cleared", "not, though nothing is left that holds it")
            if not active:
                if latched and not seen.acknowledged:
                    raise Violation("latch", "cleared, and nobody has acknowledged it")
                if not free:
                    raise Violation("cleared", f"too early: after {seen.raised_age} of {cooldown} ticks, gone: {gone}")
                self.cleared.add(index)
        return seen._replace(active=active)


KINDS = tuple(dict.fromkeys(kind_of(fault) for fault in FAULTS))
