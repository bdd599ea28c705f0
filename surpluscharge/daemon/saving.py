"""What must outlive the process: written in the background, and known to be on the disk before it is said.

So no slow disk ever holds up an "off", nor anything else that the daemon has to hear. What a crash must not undo once
it is said waits: a start before the relay hears of it, and a promise (that charging is forbidden, that what was asked
for is taken back, that somebody has looked at a fault) before anybody does.

In the event loop a write took 20 ms as a rule, 200 ms at worst on a busy machine, and without end on a disk that hangs,
with "disable" unheard and the watchdog unfed. So a thread writes; the wish may change meanwhile, and a start that is
taken back before it is written is never said, though it counts. What allows charging is said without waiting: a crash
that forgets it is on the safe side.
"""

from __future__ import annotations

import asyncio
import itertools
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import structlog

from surpluscharge.clock import Clock, SystemClock, wait_until_set
from surpluscharge.control.controller import Controller, Kept
from surpluscharge.daemon.ports import Patience, Store
from surpluscharge.daemon.store import Unusable

SAVE_EVERY_S = 60.0  # while charging


def restore(store: Store, path: Path, clock: Clock, log: structlog.stdlib.BoundLogger) -> tuple[Kept | None, bool]:
    """Return what was kept, and whether what should have been could be read."""
    try:
        kept = store.load(path, clock)
    except (Unusable, OSError) as error:
        log.error("store_unusable", reason=str(error), kept_as=getattr(error, "kept_as", str(path)))
        return None, False
    if kept:
        log.info("restored", enabled=kept.enabled, starts_kept=len(kept.starts_s), session_s=round(kept.session_s))
    return kept, True


class Saving:
    """``on_failing`` is told when the disk begins and ceases to fail, ``on_saved`` of everything that is written.

    Both are called in the event loop.
    """

    def __init__(
        self,
        store: Store,
        path: Path,
        clock: Clock,
        controller: Controller,
        log: structlog.stdlib.BoundLogger,
        patience: Patience,
        on_failing: Callable[[bool], None],
        on_saved: Callable[[], None],
    ) -> None:
        self._store, self._path, self._clock, self._controller = store, path, clock, controller
        self._log, self._patience = log, patience
        self._on_failing, self._on_saved = on_failing, on_saved
        self.failing = False
        self._error = ""  # of the last write
        self._soon = asyncio.Event()
        self._now = asyncio.Event()  # without the pause that may be due before it
        self._news = asyncio.Event()  # of the disk
        self._lock = threading.Lock()
        self._serials = itertools.count(1)
        self._written = 0  # the serial of the newest that was
        # As of the last look, to see what has changed.
        self._kept: Any = None
        self._kept_s = float("-inf")
        self._starts_s = controller.starts_s
        self._disabled = not controller.enabled
        self._asked = controller.progress.request is not None
        self._away = controller.progress.away
        self._latched: frozenset[str] = frozenset()
        # How many of these there were, and how many are on the disk.
        self._promises = self._promises_kept = 0
        self._starts = self._starts_kept = 0

    @property
    def start_kept(self) -> bool:
        """Whether a crash could forget no start any more."""
        return self._starts_kept == self._starts

    @property
    def promise_kept(self) -> bool:
        """Whether everything that is about to be said is on the disk (invariant 12)."""
        return self._promises_kept == self._promises

    async def promise_kept_or_failing(self) -> None:
        """Wait until what is about to be said is on the disk, or is known not to get there.

        Only what is said waits: an "off" to the relay has gone out by then.
        """
        while not self.promise_kept and not self.failing:
            self._news.clear()
            await self._news.wait()

    def look(self) -> None:
        """See what has changed of what must outlive the process, and that it gets to the disk.

        A start and a fault that latches at once, the rest with a pause after each write, so that a switch that flips
        without end does not wear the disk.
        """
        controller, faults = self._controller, self._controller.faults
        disabled = not controller.enabled
        asked, away = controller.progress.request is not None, controller.progress.away
        latched = frozenset(record.code for record in faults if record.latches and not record.acknowledged)
        # What latches no longer has been acknowledged; it may be over at once.
        if disabled > self._disabled or self._latched - latched or asked < self._asked or away != self._away:
            self._promises += 1
            self._soon.set()
        self._disabled, self._asked, self._away = disabled, asked, away
        kept = (
            controller.enabled,
            controller.starts_s,
            controller.plug.may_be_on,
            controller.plug.said,
            controller.state.session_day,
            # For whom it charges, too: killed before the next minute is over, what came since would be the other's.
            controller.state.planned,
            controller.state.planned_day,
            controller.progress._replace(got_wh=0.0, sun_wh=0.0),
            tuple(record for record in faults if record.fault.severity),
        )
        if controller.starts_s != self._starts_s:
            self._starts_s, self._kept = controller.starts_s, kept
            self._starts += 1
            self._soon.set()
            self._now.set()
        elif kept != self._kept or (
            (controller.plug.may_be_on or self.failing) and self._clock.now() >= self._kept_s + SAVE_EVERY_S
        ):
            self._kept, self._kept_s = kept, self._clock.now()
            self._soon.set()
        if latched != self._latched:
            self._latched = latched
            self._now.set()

    async def run(self) -> None:
        """Write whatever is due, until cancelled."""
        while True:
            await self._soon.wait()
            self._soon.clear()
            self._now.clear()
            promises, starts = self._promises, self._starts
            # No task: where this one is cancelled, nothing is left but a thread that ends by itself.
            writing = asyncio.get_running_loop().run_in_executor(
                None, self._write, next(self._serials), self._controller.kept()
            )
            done, _ = await asyncio.wait([writing], timeout=self._patience.slow_disk_s)
            if not done and not self.failing:
                self._outcome(f"the disk has not answered for {self._patience.slow_disk_s:g} s")
            await writing
            if not self._error:
                self._promises_kept, self._starts_kept = promises, starts
                self._on_saved()
            self._outcome(self._error)
            await wait_until_set(self._now, SystemClock(), self._patience.save_pause_s)

    def save_last(self) -> None:
        """Write once more, now, and wait for it: the relay is off by then."""
        self._write(next(self._serials), self._controller.kept())

    def _write(self, serial: int, kept: Kept) -> None:
        """Write, unless something newer has been written meanwhile. May run in a thread."""
        with self._lock:
            if serial < self._written:
                return
            self._written = serial
            try:
                self._store.save(self._path, kept, self._clock)
                self._error = ""
            except OSError as error:
                self._error = str(error) or type(error).__name__

    def _outcome(self, error: str) -> None:
        self._kept_s = self._clock.now()
        self._news.set()
        failing = bool(error)
        if failing is not self.failing:
            self.failing = failing
            if failing:
                self._log.error("store_failed", reason=error)
            self._on_failing(failing)
