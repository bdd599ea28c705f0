"""Takes what the recorder gathers to the ledger, in a thread of its own time, and figures from it to the status.

A slow disk delays nothing but the ledger: the control loop never waits for it. A disk that fails is said once, what
waits to be written is kept, and tried again with the next batch. Nothing that goes wrong here ends the daemon.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import threading
from collections.abc import Callable
from datetime import date, timedelta, tzinfo
from typing import NamedTuple

import structlog

from surpluscharge.clock import Clock, wait_until_set
from surpluscharge.config import Config
from surpluscharge.control.controller import Controller, Event
from surpluscharge.control.draw import MOST_STEPS, DrawWatch
from surpluscharge.control.economics import Tariffs
from surpluscharge.history.energy import Account, account, day_begins, day_span, ms_of, time_of
from surpluscharge.history.ledger import Batch, DamagedError, DayTotal, Ledger, LedgerError
from surpluscharge.history.recorder import Recorder

PAUSE_S = 1.0  # real seconds between two writes
FAILURES = (sqlite3.Error, OSError, ValueError, OverflowError)  # of a disk, or of what a damaged file gives back


class Figures(NamedTuple):
    """What the ledger said when it was last written."""

    as_of_ms: int
    today: Account
    yesterday: Account
    month: Account
    starts: tuple[int, ...]  # of the three


class _Written(NamedTuple):
    batch: bool  # it is on the disk
    error: str  # what went wrong; empty: nothing
    totals: list[DayTotal]  # of days that are over


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
        self._lock = threading.Lock()  # one thread at a time uses the ledger
        self._ledger: Ledger | None = None
        self._retained: date | None = None
        self._under_way: Batch | None = None
        self.failing = False
        self.figures: Figures | None = None
        self._recorder = self._new_recorder()

    def _new_recorder(self) -> Recorder:
        history, draw_w = self._config().history, self._config().limits.draw_w
        resolution_ms = round(history.resolution_s * 1000)
        if self._ledger is None:
            return Recorder(DrawWatch(draw_w), resolution_ms)
        bounds = self._ledger.bounds()
        until_ms = bounds[1] if bounds else 0
        charge = self._ledger.last_charge()
        open_faults = [span.code for span in self._ledger.faults(until_ms, until_ms + 1) if span.end_ms is None]
        session_ms = charge.session_ms if charge else None
        return Recorder(
            DrawWatch(draw_w, self._ledger.steps(4 * MOST_STEPS)), resolution_ms, until_ms, session_ms, open_faults
        )

    def open(self) -> None:
        """Open the ledger, before anything is observed. One that cannot be opened is done without, and tried again."""
        if self._config().history.record:
            self._outcome(self._open())
            self._recorder = self._new_recorder()

    def _open(self) -> str:
        """Open the ledger and mend what a crash left; return what went wrong. A damaged one is set aside."""
        path = self._config().history_file
        try:
            try:
                ledger = Ledger(path)
            except DamagedError as error:
                aside = path.with_suffix(f".unusable-{self._wall_ms()}")
                path.replace(aside)
                self._log.error("history_unusable", reason=str(error), kept_as=str(aside))
                ledger = Ledger(path)
            for charge in ledger.recover(self._wall_ms()):
                ended = time_of(charge.end_ms or charge.begin_ms, self._clock().wall().tzinfo)
                energy_wh = round(charge.energy.charger_wh, 1)
                self._log.info("charge_closed", ended=ended.isoformat(timespec="seconds"), energy_wh=energy_wh)
        except (LedgerError, *FAILURES) as error:
            return str(error) or type(error).__name__
        self._ledger = ledger
        return ""

    def observe(self, controller: Controller, events: list[Event]) -> None:
        """Look at the controller, after everything it was told."""
        self._recorder.observe(controller, events, self._wall_ms())
        if not self._config().history.record:
            self._recorder.take()  # and forget it
        elif self._recorder.urgent:
            self._wake.set()

    async def run(self) -> None:
        """Write batches until cancelled."""
        if not self._config().history.record:
            return
        while True:
            await wait_until_set(self._wake, self._clock(), self._until_next_s())
            self._wake.clear()
            if self._ledger is None:
                self._outcome(await asyncio.to_thread(self._open))
            if self._ledger is None:
                await asyncio.sleep(PAUSE_S)
                continue
            batch, now_ms = self._recorder.take(), self._wall_ms()
            self._under_way = batch
            written = await asyncio.to_thread(self._write, batch, now_ms)
            if not written.batch:
                self._recorder.put_back(batch)
            self._under_way = None
            self._outcome(written.error)
            for one in written.totals:
                self._summarise(one)
            self._on_figures()
            await asyncio.sleep(PAUSE_S)

    def close(self, controller: Controller) -> None:
        """Write the last batch and close the ledger. The relay is off by now, so this may wait for the disk."""
        if self._ledger is None:
            return
        self._recorder.stop(controller, self._wall_ms())
        with self._lock:
            try:
                if self._under_way is not None:  # nobody has waited for its outcome; twice is the same as once
                    self._ledger.write(self._under_way)
                self._ledger.write(self._recorder.take())
            except FAILURES as error:
                self._log.error("history_failed", reason=str(error))
            with contextlib.suppress(*FAILURES):
                self._ledger.close()

    def _until_next_s(self) -> float:
        """Return the seconds until the next batch: one is due right after midnight, to sum the day up."""
        wall = self._clock().wall()
        midnight_ms = ms_of(day_begins(wall.date() + timedelta(days=1), wall.tzinfo)) - ms_of(wall)
        return min(self._config().history.batch_s, midnight_ms / 1000 + 1.0)

    def _wall_ms(self) -> int:
        return ms_of(self._clock().wall())

    def _write(self, batch: Batch, now_ms: int) -> _Written:
        """Write, in a thread."""
        config, wall = self._config(), self._clock().wall()
        zone, tariffs = wall.tzinfo, config.tariffs()
        with self._lock:
            assert self._ledger is not None
            try:
                again_ms = self._ledger.write(batch)
                if again_ms:
                    self._log.warning("history_overlap", seconds=again_ms / 1000)
            except FAILURES as error:
                return _Written(False, str(error) or type(error).__name__, [])
            totals: list[DayTotal] = []
            try:
                self.figures = figures(self._ledger, wall.date(), zone, now_ms, tariffs)
                if self._retained != wall.date():
                    for day in self._ledger.retain(now_ms, zone, config.history.retention, tariffs):
                        totals += self._ledger.day_totals(day, day, zone, tariffs)
                    self._retained = wall.date()
            except FAILURES as error:
                return _Written(True, f"{error}, while summing up", totals)
        return _Written(True, "", totals)

    def _outcome(self, error: str) -> None:
        failing = bool(error)
        if failing is not self.failing:
            self.failing = failing
            if failing:
                self._log.error("history_failed", reason=error)
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
            grid_wh=round(energy.bought_wh),
            error_wh=round(energy.error_wh),
            surplus_wh=round(energy.surplus_wh),
            unknown_s=round(total.account.gap_ms / 1000),
            paid=paid,
            forgone=forgone,
            saved=saved,
            currency=tariffs.currency if tariffs else None,
        )


def figures(ledger: Ledger, today: date, zone: tzinfo | None, now_ms: int, tariffs: Tariffs | None) -> Figures:
    """Return the figures of today, yesterday and this month so far."""
    begin, end = day_span(today, zone)
    yesterday = day_begins(today - timedelta(days=1), zone)
    month = day_begins(today.replace(day=1), zone)
    spans = ((begin, end), (yesterday, begin), (month, end))
    today_, yesterday_, month_ = (account(ledger.energy, since, until, tariffs) for since, until in spans)
    starts = tuple(ledger.starts(ms_of(since), ms_of(until)) for since, until in spans)
    return Figures(now_ms, today_, yesterday_, month_, starts)
