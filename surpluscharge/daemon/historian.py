"""Takes what the recorder gathers to the ledger, in a thread of its own time, and figures from it to the status.

A slow disk delays nothing but the ledger: the control loop never waits for it. A disk that fails is said once, what
waits to be written is kept, and tried again with the next batch. Nothing that goes wrong here ends the daemon.

The small store (``store.py``) is another matter: it holds what safety needs, and its failing ends charging. The
ledger's is a note.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import sqlite3
import threading
import traceback
from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import structlog

from surpluscharge.clock import Clock, wait_until_set
from surpluscharge.config import Config
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Event
from surpluscharge.control.draw import MOST_STEPS, DrawWatch, Step
from surpluscharge.control.economics import Tariffs
from surpluscharge.control.slots import Book
from surpluscharge.history.energy import Account, Energy, day_begins, day_span, ms_of, time_of
from surpluscharge.history.ledger import (
    ANEW,
    LOCKED_S,
    Batch,
    DamagedError,
    DayTotal,
    Due,
    Epoch,
    Ledger,
    LedgerError,
    PlanAhead,
)
from surpluscharge.history.recorder import Recalled, Recorder
from surpluscharge.history.wear import Wear

if TYPE_CHECKING:
    from surpluscharge.daemon.counting import Counting

PAUSE_S = 1.0  # real seconds between two writes
ASKS_WITHIN_S = 0.5  # real seconds that a question from the control loop waits for the disk
LAST_TRIES = 2  # of some five seconds each, to write the last batch while somebody else holds the ledger
DAY_S = 86400.0
AHEAD_PAUSE_S = 60.0  # between two writes because of what is published: a publisher in a loop must not wear the disk
FORESEEN = (LedgerError, sqlite3.Error, OSError)  # of any other error the place is logged too


class Figures(NamedTuple):
    """What the ledger said when it was last written."""

    as_of_ms: int
    today: Account
    yesterday: Account
    month: Account
    starts: tuple[int, ...]  # of the three
    wear: Wear


class _Written(NamedTuple):
    batch: bool  # it is on the disk
    error: Exception | None
    totals: list[DayTotal]  # of days that are over
    steps: list[Step] | None = None  # that the draw is learned from; None: no more than were known


def _is_damage(error: Exception) -> bool:
    """Whether it says that what is in the file is ruined. A full or worn disk, or a lock, leaves the file as it is."""
    out_of_reach = isinstance(error, (sqlite3.OperationalError, sqlite3.ProgrammingError))
    return isinstance(error, (DamagedError, sqlite3.DatabaseError)) and not out_of_reach


def _reason(error: Exception) -> str:
    """Say what went wrong, and of what nobody foresaw also where."""
    if isinstance(error, FORESEEN):
        return str(error) or type(error).__name__
    place = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {error} ({Path(place.filename).name}, line {place.lineno})"


def _is_locked(error: Exception | None) -> bool:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


class Historian:
    """Owns the recorder and the ledger. Without a ledger it still learns the draw."""

    def __init__(
        self,
        config: Callable[[], Config],
        clock: Callable[[], Clock],
        log: structlog.stdlib.BoundLogger,
        on_failing: Callable[[bool], None],
        on_figures: Callable[[], None],
    ) -> None:
        self._config, self._clock, self._log = config, clock, log
        self._on_failing, self._on_figures = on_failing, on_figures
        self._wake = asyncio.Event()
        self._lock = threading.RLock()  # one thread at a time uses the ledger
        self._ledger: Ledger | None = None
        self._retained: date | None = None
        self._under_way: Batch | None = None
        self._has_written = False  # something of this run is on a disk
        self._set_aside_s: float | None = None
        self._wear: Wear | None = None  # as of the last charge or look that was written
        self._locked_s: float | None = None
        self.failing = False
        self.figures: Figures | None = None
        self.ahead: Mapping[str, Sequence[Sequence[Any]]] = {}  # as the ledger had it when it was opened
        self._counting = self._with_counting()
        self._edits: tuple[int, ...] = ()  # of the ledger: what people have done to it,
        self._epochs: Sequence[Epoch] = ()  # and what they have said of changes in the house,
        self.changed_ms = 0  # the last of it; 0: nothing
        self._ahead_s = -math.inf  # when the last of it came that was worth a write of its own
        self._recorder = Recorder(
            DrawWatch(self._config().limits.draw_w), round(self._config().history.resolution_s * 1000)
        )

    def _with_counting(self) -> Counting | None:
        """Return what follows energy registers; where there are none, nothing of it is in memory."""
        if not self._config().energy_register:
            return None
        from surpluscharge.daemon.counting import Counting  # noqa: PLC0415

        return Counting(self._config(), self._log)

    def register(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take a message from an energy register in."""
        at_ms = self._recorder.now_ms
        if self._counting and at_ms is not None:
            self._counting.take(topic, payload, retained, at_ms, self._clock().now())

    def _keep_marks(self, now: bool = False) -> None:
        for mark in self._counting.marks(now) if self._counting else ():
            self._recorder.marked(mark)

    def open(self) -> None:
        """Open the ledger, before anything is observed. One that cannot be opened is done without, and tried again."""
        if self._config().history.record:
            self._opened(*self._open())

    def _open(self) -> tuple[Recalled | None, Exception | None]:
        """Open the ledger and mend what a crash left; return what it remembers, or what went wrong.

        A damaged one is set aside. What cannot be opened is left alone.
        """
        path = self._config().history_file
        with self._lock:
            try:
                try:
                    self._ledger, memory = self._open_file(path)
                except Exception as error:
                    # A value of the wrong kind is damage too: the file is all that was looked at so far.
                    ruined = _is_damage(error) or isinstance(error, (TypeError, ValueError, OverflowError))
                    if not ruined or not self._set_aside(error):
                        raise
                    self._ledger, memory = self._open_file(path)
            except Exception as error:
                return None, error
        return memory, None

    def _open_file(self, path: Path) -> tuple[Ledger, Recalled]:
        ledger = Ledger(path)
        try:
            for charge in ledger.recover(self._wall_ms()):
                ended = time_of(charge.end_ms or charge.begin_ms, self._clock().wall().tzinfo)
                energy_wh = round(charge.energy.charger_wh, 1)
                self._log.info("charge_closed", ended=ended.isoformat(timespec="seconds"), energy_wh=energy_wh)
            bounds, charge_ = ledger.bounds(), ledger.last_charge()
            steps = _steps(ledger)
            DrawWatch(self._config().limits.draw_w, steps)  # what it cannot use is found out here
            self.ahead = ledger.ahead()
            self._edits = self._edits_of(ledger)
            if self._counting and not self._has_written:
                last = (ledger.last_mark(name) for name in self._counting.names)
                self._counting.recall({mark.name: mark for mark in last if mark}, self._epochs)
            return ledger, Recalled(
                int(bounds[1]) if bounds else 0,
                int(charge_.session_ms) if charge_ else None,
                [str(code) for code in ledger.open_faults()],
                steps,
            )
        except BaseException:
            ledger.close()
            raise

    def _edits_of(self, ledger: Ledger) -> tuple[int, ...]:
        edits = ledger.edits()  # before the rest: what is said in between is seen the next time
        self._epochs = ledger.epochs()
        self.changed_ms = max((epoch.said_ms for epoch in self._epochs), default=0)
        return edits

    def changed(self, since_ms: int) -> news.Changed:
        """Return what has to be learned anew, of what the owner has said later than ``since_ms``."""
        what = {epoch.what for epoch in self._epochs if epoch.said_ms > since_ms}
        meter, circuit, sun = (not what.isdisjoint(ANEW[one]) for one in ("meter", "circuit", "trials"))
        return news.Changed(self.changed_ms, meter, circuit, sun)

    def _set_aside(self, error: Exception) -> bool:
        """Move a damaged ledger away, with its log, for whoever may want to save what is in it; False: not again today.

        Should a new one be damaged at once, the fault is elsewhere, and the disk must not fill up with files.
        """
        now_s, path = self._clock().now(), self._config().history_file
        if self._set_aside_s is not None and now_s - self._set_aside_s < DAY_S:
            return False
        self._set_aside_s = now_s
        if self._ledger is not None:
            with contextlib.suppress(Exception):
                self._ledger.close()
            self._ledger = None
        aside = path.with_suffix(f".unusable-{self._wall_ms()}")
        for ending in ("", "-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                path.with_name(path.name + ending).replace(aside.with_name(aside.name + ending))
        self._log.error("history_unusable", reason=_reason(error), kept_as=str(aside))
        return True

    def _opened(self, memory: Recalled | None, error: Exception | None) -> None:
        if memory is not None:
            self._recorder.recall(memory, afresh=self._has_written)
        self._outcome(error)

    def since(self, begin_ms: int) -> Energy | None:
        """Return what is on record from a time until now; None: nothing can be asked, or not at once."""
        if not self._lock.acquire(timeout=ASKS_WITHIN_S):  # a disk that is slow holds up no off
            return None
        try:
            return self._ledger.energy(begin_ms, self._wall_ms()) if self._ledger else None
        except Exception as error:
            self._outcome(error)
            return None
        finally:
            self._lock.release()

    def observe(self, controller: Controller, events: list[Event]) -> None:
        """Look at the controller, after everything it was told."""
        try:
            self._recorder.observe(controller, events, self._wall_ms())
        except Exception as error:
            self._outcome(error)
        if not self._config().history.record:
            self._recorder.take()  # and forget it
        elif self._recorder.urgent:
            self._wake.set()

    def published(self, feed: str, book: Book) -> None:
        """Keep what is known of the time ahead by a feed, as it was published."""
        self._recorder.published(feed, book)
        if self._clock().now() >= self._ahead_s + AHEAD_PAUSE_S:  # or else with the next batch
            self._ahead_s = self._clock().now()
            self._wake.set()

    def in_force(self, book: Book) -> None:
        """Keep that these import prices are known from now on."""
        self._recorder.in_force(book, self._wall_ms())

    def due(self, due: Due) -> None:
        """Keep what had come by the time at which something was needed."""
        self._recorder.due(due)
        self._wake.set()

    def planned(self, plan: PlanAhead) -> None:
        """Keep what is planned, for reports."""
        self._recorder.planned(plan)

    def foretold(self, day: date, mean_w: float) -> None:
        """Keep what is foretold of a day that has not begun."""
        self._recorder.foretold(day.isoformat(), mean_w)

    @property
    def learned_w(self) -> float | None:
        """What the lead is known to draw; None: that is not known."""
        learned = self._recorder.draw.learned
        return learned.draw_w if learned else None

    async def run(self) -> None:
        """Write batches until cancelled."""
        if not self._config().history.record:
            return
        while True:
            try:
                await wait_until_set(self._wake, self._clock(), self._until_next_s())
                self._wake.clear()
                await self._write_once()
            except Exception as error:
                self._outcome(error)
            await asyncio.sleep(PAUSE_S)

    async def _write_once(self) -> None:
        await asyncio.to_thread(self._look_for_it)
        if self._ledger is None:
            self._opened(*await asyncio.to_thread(self._open))
        if self._ledger is None:
            return
        self._keep_marks()
        batch, now_ms = self._recorder.take(), self._wall_ms()
        self._under_way = batch
        written = await asyncio.to_thread(self._write, batch, now_ms)
        self._under_way = None
        if not written.batch:
            self._recorder.put_back(batch)
        elif self._recorder.forgotten:
            self._log.warning("history_forgotten", changes=self._recorder.forgotten)
            self._recorder.forgotten = 0
        self._has_written = self._has_written or written.batch
        if self._ledger is None:
            self._wake.set()  # it was set aside: go on in a new one at once
        else:
            self._outcome(written.error)
        if written.steps is not None:
            if self._counting:
                self._counting.heed(self._epochs)
            self._recorder.draw.begin_with(written.steps)
        for one in written.totals:
            self._summarise(one)
        self._on_figures()

    def _look_for_it(self) -> None:
        """Let go of a ledger that is no longer in its place: what is written there, nobody would find."""
        with self._lock:
            if self._ledger is not None and not self._ledger.in_place():
                self._log.warning("history_moved", path=str(self._ledger.path))
                with contextlib.suppress(Exception):
                    self._ledger.close()
                self._ledger = None

    def close(self, controller: Controller) -> None:
        """Write the last batch and close the ledger. The relay is off by now, so this may wait for the disk."""
        if not self._config().history.record:
            return
        try:
            self._keep_marks(now=True)
            self._recorder.stop(controller, self._wall_ms())
            with self._lock:
                if self._under_way is not None:  # nobody has waited for its outcome; twice is the same as once
                    self._recorder.put_back(self._under_way)
                self._write_last(self._recorder.take())
        except Exception as error:
            self._log.error("history_failed", reason=_reason(error))
        if self._ledger is not None:
            with contextlib.suppress(Exception):
                self._ledger.close()

    def _write_last(self, batch: Batch) -> None:
        for left in reversed(range(LAST_TRIES)):
            if self._ledger is None:
                _, error = self._open()
                if error is not None and (not left or not _is_locked(error)):
                    raise error
            if self._ledger is not None:
                try:
                    self._ledger.write(batch)
                    return
                except sqlite3.OperationalError as error:
                    if not left or not _is_locked(error):
                        raise

    def _until_next_s(self) -> float:
        """Return the seconds until the next batch: one is due right after midnight, to sum the day up."""
        wall = self._clock().wall()
        midnight_ms = ms_of(day_begins(wall.date() + timedelta(days=1), wall.tzinfo)) - ms_of(wall)
        return min(self._config().history.batch_s, midnight_ms / 1000 + 1.0)

    def _wall_ms(self) -> int:
        return ms_of(self._clock().wall())

    def _write(self, batch: Batch, now_ms: int) -> _Written:
        """Write, in a thread."""
        totals: list[DayTotal] = []
        with self._lock:
            assert self._ledger is not None
            try:
                again_ms = self._ledger.write(batch)
            except Exception as error:
                # The batch is sound, so a value of the wrong kind comes from the file.
                if _is_damage(error) or isinstance(error, TypeError):
                    self._set_aside(error)
                return _Written(False, error, totals)
            if again_ms:
                self._log.warning("history_overlap", seconds=again_ms / 1000)
            try:
                if batch.marks:
                    self._reckon()
                self._sum_up(now_ms, totals, bool(batch.charges or batch.looks))
            except Exception as error:
                if _is_damage(error):
                    self._set_aside(error)
                return _Written(True, error, totals)
            return _Written(True, None, totals, self._heed_edits())

    def _heed_edits(self) -> list[Step] | None:
        """See whether the owner has said of something that it was changed; return the steps since."""
        assert self._ledger is not None
        if self._ledger.edits() == self._edits:
            return None
        self._edits = self._edits_of(self._ledger)
        return _steps(self._ledger)

    def _reckon(self) -> None:
        """Fill the gaps that energy registers tell of by now."""
        assert self._ledger is not None and self._counting is not None
        zone, tariffs = self._clock().wall().tzinfo, self._config().tariffs()
        for one in self._ledger.reckon(self._counting.names, self._counting.limit_w, zone, tariffs):
            begin, end = (time_of(at_ms, zone).isoformat(timespec="seconds") for at_ms in one[:2])
            energy = one.energy
            self._log.info(
                "gap_filled",
                begin=begin,
                end=end,
                import_wh=round(energy.import_wh),
                export_wh=round(energy.export_wh),
                charger_wh=round(energy.charger_wh),
            )

    def _sum_up(self, now_ms: int, totals: list[DayTotal], renewed: bool) -> None:
        assert self._ledger is not None
        config, wall = self._config(), self._clock().wall()
        zone, tariffs = wall.tzinfo, config.tariffs()
        if renewed or self._wear is None or self._ledger.edits() != self._edits:
            self._wear = self._ledger.wear(config.charger.voltage_v)
        self.figures = figures(self._ledger, wall.date(), zone, now_ms, tariffs, self._wear)
        if self._retained != wall.date():
            for day in self._ledger.retain(now_ms, zone, config.history.retention, tariffs):
                totals += self._ledger.day_totals(day, day, zone, tariffs)
            self._retained = wall.date()

    def _outcome(self, error: Exception | None) -> None:
        """Say once that the ledger fails, and once that it no longer does."""
        if _is_locked(error):
            self._locked_s = self._clock().now() if self._locked_s is None else self._locked_s
            if self._clock().now() - self._locked_s < LOCKED_S:
                return  # an import, most likely; what waits loses nothing by it
        else:
            self._locked_s = None
        failing = error is not None
        if failing is not self.failing:
            self.failing = failing
            if error is not None:
                self._log.error("history_failed", reason=_reason(error))
            else:
                self._log.info("history_mended")
            self._on_failing(failing)

    def _summarise(self, total: DayTotal) -> None:
        energy, cost = total.account.energy, total.account.money
        tariffs = self._config().tariffs()
        money = (cost.paid, cost.forgone, cost.saved) if cost is not None else (None, None, None)
        paid, forgone, saved = (None if amount is None else str(round(amount, 2)) for amount in money)
        self._log.info(
            "day_summary",
            day=total.day.isoformat(),
            starts=total.starts,
            on_s=round(energy.on_ms / 1000),
            charger_wh=round(energy.charger_wh),
            solar_wh=round(energy.solar_wh),
            grid_wh=round(energy.grid_wh),
            planned_wh=round(energy.planned_wh),
            error_wh=round(energy.error_wh),
            surplus_wh=round(energy.surplus_wh),
            unknown_s=round(total.account.gap_ms / 1000),
            paid=paid,
            forgone=forgone,
            saved=saved,
            currency=tariffs.currency if tariffs else None,
        )


def _steps(ledger: Ledger) -> list[Step]:
    """Return the steps that tell of the lead and the meter that are there now."""
    found = ledger.steps(4 * MOST_STEPS, ledger.anew_ms("draw"))
    return [Step(float(step_w), float(doubt_w)) for step_w, doubt_w in found]


def figures(
    ledger: Ledger, today: date, zone: tzinfo | None, now_ms: int, tariffs: Tariffs | None, wear: Wear
) -> Figures:
    """Return the figures of today, yesterday and this month so far."""
    begin, end = day_span(today, zone)
    yesterday = day_begins(today - timedelta(days=1), zone)
    month = day_begins(today.replace(day=1), zone)
    spans = ((begin, end), (yesterday, begin), (month, end))
    today_, yesterday_, month_ = (ledger.account(since, until, tariffs) for since, until in spans)
    starts = tuple(ledger.starts(ms_of(since), ms_of(until)) for since, until in spans)
    return Figures(now_ms, today_, yesterday_, month_, starts, wear)
