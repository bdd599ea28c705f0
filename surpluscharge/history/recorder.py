"""From the controller to the ledger: watches it at every turn of the loop, and gathers what is to be written.

No I/O and no clock. The daemon calls :meth:`Recorder.observe` after everything it has told the controller, and takes
:meth:`Recorder.take` to the disk now and then, at once where :attr:`Recorder.urgent` says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from surpluscharge.control import machine
from surpluscharge.control.controller import Controller, Event
from surpluscharge.control.draw import DrawWatch, Step
from surpluscharge.control.slots import Book
from surpluscharge.history.energy import MINUTE_MS, NOTHING, QUARTER_HOUR_MS, Interval, Sample, downsample, held
from surpluscharge.history.ledger import (
    ABSENT,
    DAY_MS,
    Batch,
    Charge,
    Due,
    FaultChange,
    Look,
    Mark,
    PlanAhead,
    Shown,
    StateChange,
)

# A draw that is neither measured nor learned may be as far off as EN 50160 lets the mains voltage be.
ASSUMED_ERROR_SHARE = 0.10
EARLIEST_MS = 1_577_836_800_000  # 2020: a clock that shows less is not set yet, and says nothing
CLOCK_SLACK_MS = 1000  # so far the wall clock may wander from the other before it is followed
MOST_TURNS = 1000  # switchings remembered to cut intervals at; older ones were cut at already, or summed over
MOST_PRICES = 50  # changes of prices that move, in what waits: of a feed that never rests the last ones will do
MOST_PENDING = 20_000  # of what waits for a failing disk; intervals are then summed up, of the rest the oldest goes

ON_MODES = tuple(name for mode, name in enumerate(machine.MODE_NAMES) if machine.wants_on(mode))
_FAULT_EVENTS = {"fault_raised": "raised", "fault_cleared": "cleared", "fault_acknowledged": "acknowledged"}


class Recalled(NamedTuple):
    """What a recorder needs to know of the ledger that it goes on with."""

    until_ms: int  # of the last interval
    session_ms: int | None  # of the last charge
    open_faults: Sequence[str]
    steps: Sequence[Step]  # that the learned draw rests on, oldest first


class Recorder:
    """Gathers intervals, charges, states and faults for a ledger.

    The ledger's time is the wall clock's, except that it never goes back over time that is counted already. Where the
    wall clock was put back, the ledger's time stands still until it has caught up, and runs on meanwhile while the
    charger draws: so nothing delivered is lost, and nothing counted twice. A clock that turns out to have been more
    than a day ahead is not waited for; what it recorded stays, and `history check` tells of it. Where there is no
    record yet and the clock is not set, nothing is recorded.
    """

    def __init__(self, draw: DrawWatch, resolution_ms: int) -> None:
        self.draw = draw
        self.urgent = False
        self._resolution_ms = resolution_ms
        self._until_ms = 0  # what is recorded already; see recall()
        self._session_ms: int | None = None  # when the last session began
        self._open_faults: set[str] | None = set()  # of the ledger; None: compared with the controller's
        self._now_s: float | None = None
        self._sample: Sample | None = None
        self._fresh_ms = 0  # for how long the sample may be held
        self._standing = False  # the ledger's time stands still
        self._pieces: list[Interval] = []  # as they were held
        self._waiting: list[Interval] = []  # before those: summed up already, and could not be written yet
        self._turns_ms: list[int] = []  # where the relay switched: intervals are cut there
        self._charge: Charge | None = None
        self._charge_until_ms = 0  # before a clock that was far ahead was put right, if that was in this charge
        self._charges: dict[int, Charge] = {}
        self._states: list[StateChange] = []
        self._faults: list[FaultChange] = []
        self._steps: list[tuple[int, Step]] = []
        self._ahead: dict[str, Book] = {}
        self._foretold: dict[str, float] = {}
        self._prices: list[tuple[int, Book]] = []
        self._dues: list[Due] = []
        self._plan: str | None = None
        self._marks: list[Mark] = []
        self._shown: list[Shown] = []
        self._looks: list[Look] = []
        self._on = False
        self._reading_s: float | None = None
        self._restates = False  # a ledger that knows nothing of this run is to be told what goes on
        self.forgotten = 0  # of what waited too long for a disk

    def recall(self, memory: Recalled, afresh: bool = False) -> None:
        """Go on with a ledger that has been opened, maybe only now. ``afresh``: another one held this run so far."""
        self.draw.recall(memory.steps)
        if self._session_ms is None:
            self._session_ms = memory.session_ms
        self._open_faults = set(memory.open_faults)
        if self._now_s is None:  # later the ledger's time has its own course; what overlaps is not counted twice
            self._until_ms = memory.until_ms
        self._restates = self._restates or afresh

    # --- watching -----------------------------------------------------------------------------------------------------

    def observe(self, controller: Controller, events: Sequence[Event], wall_ms: int) -> None:
        """Count what was held until now, note what has changed. ``events``: the controller's since the last call."""
        at_ms = self._advance(controller.state.at_s, wall_ms)
        if at_ms < EARLIEST_MS:
            self._restates = True
        self._learn(controller, at_ms)
        on, mode = controller.wants_on, machine.MODE_NAMES[controller.state.mode]
        moves = [event.fields for event in events if event.name == "state_changed"]
        if self._now_s is None or (self._restates and at_ms >= EARLIEST_MS):
            if self._charge is not None and self._charge.begin_ms < EARLIEST_MS:
                self._session_ms = at_ms
                self._charge = Charge(at_ms, at_ms, None, None, NOTHING)
            self._states.append(StateChange(at_ms, ABSENT, moves[0]["old"] if moves else mode, "started", None))
            if self._charge is not None:
                self._charges.setdefault(self._charge.begin_ms, self._charge)
            self._restates = False
        self._states += [StateChange(at_ms, move["old"], move["new"], move["cause"], move["grid_w"]) for move in moves]
        if on is not self._on:
            ends = [move["cause"] for move in moves if move["old"] in ON_MODES and move["new"] not in ON_MODES]
            self._switched(on, controller, at_ms, ends[0] if ends else machine.CAUSES[controller.state.cause])
        open_faults = self._open_faults
        self._note(controller, events, at_ms)
        self._now_s = controller.state.at_s
        self._hold(controller, at_ms)
        if at_ms < EARLIEST_MS:
            self.take()  # and forget it: nobody knows when it was
            self._open_faults = open_faults or set()  # told once it is known
        self._bound()

    def published(self, feed: str, book: Book) -> None:
        """Keep what is known of the time ahead by a feed, as it was published."""
        self._ahead[feed] = book

    def in_force(self, book: Book, wall_ms: int) -> None:
        """Keep that these import prices are known from now on. What was in force until now stays so."""
        from_ms = max(wall_ms, self._until_ms)
        if from_ms >= EARLIEST_MS:
            self._prices.append((-(-from_ms // 1000), book))

    def due(self, due: Due) -> None:
        """Keep what had come by the time at which something was needed."""
        self._dues.append(due)

    def planned(self, plan: PlanAhead) -> None:
        """Keep what is planned, for reports."""
        self._plan = plan.written()

    def foretold(self, day: str, mean_w: float) -> None:
        """Keep what is foretold of a day that has not begun."""
        self._foretold[day] = mean_w

    @property
    def now_ms(self) -> int | None:
        """The ledger's present time; None: nobody knows."""
        return self._until_ms if self._until_ms >= EARLIEST_MS else None

    def marked(self, mark: Mark) -> None:
        """Keep a reading of an energy register."""
        self._marks.append(mark)

    def stop(self, controller: Controller, wall_ms: int) -> None:
        """The daemon ends: close what is open."""
        at_ms = self._advance(controller.state.at_s, wall_ms)
        if self._on:
            self._switched(False, controller, at_ms, "stopping")
        mode = machine.MODE_NAMES[controller.state.mode]
        self._states.append(StateChange(at_ms, mode, ABSENT, "stopping", None))
        self._sample = None

    def _advance(self, now_s: float, wall_ms: int) -> int:
        """Record what was held since the last call; return the ledger's present time."""
        elapsed_ms = 0 if self._now_s is None else max(0, round(now_s * 1000) - round(self._now_s * 1000))
        before_ms = self._until_ms
        far_ahead = before_ms - wall_ms > DAY_MS and wall_ms > EARLIEST_MS
        drew = self._sample is not None and self._sample.charger_w > 0
        at_ms = before_ms + elapsed_ms
        if wall_ms > at_ms + CLOCK_SLACK_MS or far_ahead or self._now_s is None:
            # Time that only the wall clock knows of is a gap; that the other clock saw pass has been held.
            at_ms = wall_ms if far_ahead else max(wall_ms, before_ms)
            self._standing = at_ms > wall_ms
        elif wall_ms < at_ms - CLOCK_SLACK_MS:
            self._standing = not drew
        else:
            self._standing = False
        if self._standing and not drew:
            at_ms = before_ms
        elif self._sample is not None:
            end_ms = before_ms + min(elapsed_ms, self._fresh_ms)
            if end_ms > before_ms >= EARLIEST_MS:
                piece = held(self._sample, end_ms)
                self._pieces.append(piece)
                if self._charge is not None:
                    self._charge = self._charge._replace(energy=self._charge.energy.plus(piece.energy))
                if len(self._waiting) + len(self._pieces) > MOST_PENDING:
                    self._sum_up()
        if far_ahead:
            self._charge_until_ms = before_ms + elapsed_ms
        self._until_ms = at_ms
        return at_ms

    def _sum_up(self) -> None:
        """Make room: the energy of days without a working disk still fits, if by the minute or quarter of an hour."""
        self._waiting, self._pieces = self._waiting + self._pieces, []
        for bucket_ms in (MINUTE_MS, QUARTER_HOUR_MS):
            if len(self._waiting) > MOST_PENDING // 2:
                self._waiting = list(downsample(self._waiting, bucket_ms, self._turns_ms))
        self._forget(self._waiting, MOST_PENDING // 2)

    def _bound(self) -> None:
        """Whatever keeps the disk away, and for however long: what waits for it stays within bounds."""
        waiting: tuple[list[Any], ...] = (
            self._states,
            self._faults,
            self._steps,
            self._dues,
            self._marks,
            self._shown,
            self._looks,
        )
        for listed in waiting:
            self._forget(listed, MOST_PENDING)
        while len(self._charges) > MOST_PENDING:
            del self._charges[next(iter(self._charges))]
            self.forgotten += 1
        if len(self._turns_ms) > 2 * MOST_TURNS:
            del self._turns_ms[:-MOST_TURNS]
        del self._prices[:-MOST_PRICES]

    def _forget(self, listed: list[Any], most: int) -> None:
        if len(listed) > most:
            self.forgotten += len(listed) - most
            del listed[:-most]

    def _hold(self, controller: Controller, at_ms: int) -> None:
        inputs, now_s = controller.inputs, controller.state.at_s
        self._fresh_ms = 0 if now_s >= inputs.fresh_until_s else round((inputs.fresh_until_s - now_s) * 1000)
        self._sample = None
        if self._fresh_ms > 0 and controller.known:  # what is not known is a gap, not solar energy
            error_w = 0.0
            if controller.charger_w > 0 and not controller.plug.measured:
                learned = self.draw.learned
                error_w = learned.error_w if learned else ASSUMED_ERROR_SHARE * controller.charger_w
            planned = controller.state.planned
            self._sample = Sample(
                at_ms,
                controller.grid_w,
                controller.charger_w,
                controller.wants_on,
                error_w,
                planned,
                controller.battery_w,
                controller.after_w,
            )

    def _learn(self, controller: Controller, at_ms: int) -> None:
        """Show new grid readings to the watch on the draw."""
        self.draw.configure(controller.settings.limits.draw_w)
        reading_s, now_s = controller.grid.at_s, controller.state.at_s
        grid_w = controller.grid.value
        if reading_s is not None and reading_s != self._reading_s and grid_w is not None:
            self._reading_s = reading_s
            if now_s < controller.lessons.quiet_until_s:
                self.draw.disturbed()
            elif now_s < controller.grid.fresh_until_s:
                found = self.draw.reading(now_s, grid_w)
                if found is not None:
                    self._steps.append((at_ms, found))

    def _switched(self, on: bool, controller: Controller, at_ms: int, cause: str) -> None:
        self._on = on
        self.urgent = True
        self._turns_ms.append(at_ms)
        if controller.evened:
            self.draw.passed_over()
        else:
            self.draw.switched(on, controller.state.at_s, controller.lessons.steps.settles_s(on) or 0.0)
        if on:
            # The machine sets a session's time to nothing as it re-arms: then a new one begins with this charge.
            if controller.state.session_s <= 0 or (self._session_ms or 0) < EARLIEST_MS:
                self._session_ms = at_ms
            self._charge = Charge(at_ms, self._session_ms or at_ms, None, None, NOTHING)
            self._charges[at_ms] = self._charge
        elif self._charge is not None:
            end_ms = at_ms if at_ms >= self._charge.begin_ms else self._charge_until_ms
            self._charges[self._charge.begin_ms] = self._charge._replace(end_ms=end_ms, cause=cause)
            self._charge = None

    def _note(self, controller: Controller, events: Sequence[Event], at_ms: int) -> None:
        for event in events:
            if event.name in _FAULT_EVENTS:
                self._faults.append(FaultChange(at_ms, event.fields["code"], _FAULT_EVENTS[event.name]))
                self.urgent = True
            elif event.name == "joint_shown":
                self._shown.append(Shown(at_ms, **event.fields))
            elif event.name == "looked":
                self._looks.append(Look(at_ms, event.fields["note"]))
                self.urgent = True
        if self._open_faults is not None:  # the first time: what the ledger holds open may be over, and the other way
            now = {record.code for record in controller.faults}
            told = {change.code for change in self._faults}
            self._faults += [FaultChange(at_ms, code, "cleared") for code in sorted(self._open_faults - now - told)]
            self._faults += [FaultChange(at_ms, code, "raised") for code in sorted(now - self._open_faults - told)]
            self._open_faults = None

    # --- handing over -------------------------------------------------------------------------------------------------

    def take(self) -> Batch:
        """Return all that waits to be written, and forget it; :meth:`put_back` if it could not be written."""
        batch = Batch(
            [*self._waiting, *downsample(self._pieces, self._resolution_ms, self._turns_ms)],
            list(self._charges.values()),
            self._states,
            self._faults,
            self._steps,
            tuple(self._ahead.items()),
            tuple(self._prices),
            tuple(self._dues),
            self._plan,
            self._shown,
            self._looks,
            tuple(self._foretold.items()),
            tuple(self._marks),
        )
        self.urgent = False
        self._waiting, self._pieces, self._turns_ms = [], [], self._turns_ms[-MOST_TURNS:]
        self._charges = {}
        self._states, self._faults, self._steps, self._shown, self._looks = [], [], [], [], []
        self._ahead, self._foretold, self._prices, self._dues, self._plan = {}, {}, [], [], None
        self._marks = []
        return batch

    def put_back(self, batch: Batch) -> None:
        """Keep a batch that could not be written, before what has come since."""
        self._waiting[:0] = batch.intervals
        self._charges = {charge.begin_ms: charge for charge in batch.charges} | self._charges
        self._states = [*batch.states, *self._states]
        self._faults = [*batch.faults, *self._faults]
        self._steps = [*batch.steps, *self._steps]
        self._ahead = dict(batch.ahead) | self._ahead
        self._foretold = dict(batch.foretold) | self._foretold
        self._prices[:0] = batch.prices
        self._dues[:0] = batch.dues
        self._shown = [*batch.shown, *self._shown]
        self._looks = [*batch.looks, *self._looks]
        self._plan = batch.plan if self._plan is None else self._plan
        self._marks[:0] = batch.marks
        self._bound()
