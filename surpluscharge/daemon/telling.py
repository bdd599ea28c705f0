"""Tells somebody outside what should not wait until they look: by mail, by HTTP, by a command.

What is worth it is read off the status documents, as any dashboard could. It is gathered rather than sent one by one:
what happens again while a message waits, because one has just gone out or because none can, is counted in that message.
So a thousand faults are one message with a count, and what waits is never more than there are kinds of it.

It is in nobody's way: a task for each way out, that waits for nobody and that nobody waits for, but for a moment at the
very end. Whatever goes wrong is logged, and tried again.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import NamedTuple

import structlog

from surpluscharge.clock import Clock, wait_until_set
from surpluscharge.config import Config
from surpluscharge.daemon.outside import TITLE_LIMIT, Command, Mail, Message, Posting, Way, reason
from surpluscharge.daemon.status import GAVE_UP, REARM, FaultStatus, LedgerTotal, StatusDocument, fault_in_words
from surpluscharge.words import counted, duration, printable

SETTLED_S = 60.0  # after its start: a daemon that crashes and starts again and again must not tell each time
GATHER_S = 5.0  # so long what happens together is waited for
LASTS_S = 600.0  # what does not latch, and may pass by itself, is told when it has lasted so long
UNMET_FOR_S, UNMET_WH = 300.0, 100.0  # a plan that lacks so much for so long
DAY_AFTER_S = 900.0  # so long after midnight a day is summed up
RETRY_FIRST_S, RETRY_MOST_S = 30.0, 3600.0
MOST_PENDING = 60  # kinds of things, more than there are
LAST_WITHIN_S = 3.0  # real seconds, at the end

ORDER = ("latched", "ended", "look", "unmet", "day", "month")  # what is worst first
LOOK = ("look-due", "relay-worn")  # notes, but nobody else will look
STILL = ("meter-silent", "battery-silent", "history-failing")  # notes, but nothing is charged or kept meanwhile


class Notice(NamedTuple):
    """Something worth telling. What has the same ``about`` and ``key`` is the same, once more."""

    about: str
    key: str
    title: str
    text: str
    page: str | None = None  # HTML


class Reader:
    """Reads off a row of documents what is worth telling, each thing once for as long as it lasts."""

    def __init__(self) -> None:
        self._told: set[tuple[str, str]] = set()
        self._unmet_since: datetime | None = None
        self._summed: date | None = None

    def read(self, document: StatusDocument) -> list[Notice]:
        """Return what is new in a document."""
        present = {(notice.about, notice.key): notice for notice in self._present(document)}
        new = [notice for key, notice in present.items() if key not in self._told]
        self._told = set(present)
        return new + list(self._day(document))

    def _present(self, document: StatusDocument) -> Iterator[Notice]:
        for fault in document.faults:
            if fault.latched:
                text = fault_in_words(fault, f"look at the cause, then acknowledge {fault.code}.")
                yield Notice("latched", fault.code, fault.code, text)
            elif fault.code in LOOK:
                if not _away(document):  # it is still so when they are back
                    yield Notice("look", fault.code, fault.code, fault_in_words(fault, ""))
            elif _needs_somebody(fault) and (document.time - fault.since).total_seconds() >= LASTS_S:
                text = f"For {duration((document.time - fault.since).total_seconds())}: {fault_in_words(fault, '')}"
                yield Notice("ended", fault.code, fault.code, text)
        if document.waiting_for == GAVE_UP[1]:
            yield Notice("ended", "gave-up", "it has ended, and the relay may be on", f"{document.why} Go and look.")
        elif document.waiting_for == REARM and document.enabled:
            yield Notice("ended", "rearm", "a session is over", f"{document.why} It waits for {REARM}.")
        yield from self._unmet(document)

    def _unmet(self, document: StatusDocument) -> Iterator[Notice]:
        plan = document.plan
        if plan is None or plan.needed_by is None or plan.unreachable_wh < UNMET_WH or _away(document):
            self._unmet_since = None
            return
        self._unmet_since = self._unmet_since or document.time
        if (document.time - self._unmet_since).total_seconds() >= UNMET_FOR_S:
            by = f"{plan.needed_by:%H:%M on %A}"
            text = (
                f"By {by} {plan.unreachable_wh / 1000:.1f} kWh of what is needed cannot come in any more: "
                f"{plan.text}. {document.why}"
            )
            yield Notice("unmet", plan.needed_by.isoformat(), f"not enough by {by}", text)

    def _day(self, document: StatusDocument) -> Iterator[Notice]:
        ledger = document.ledger
        if ledger is None:
            return
        # What was seen before midnight may be written a little later.
        today, before = (ledger.as_of - timedelta(seconds=DAY_AFTER_S)).date(), self._summed
        self._summed = today
        if before is not None and before < today:
            yield Notice("day", today.isoformat(), "the day's summary", day_in_words(ledger.yesterday, ledger.currency))


def _away(document: StatusDocument) -> bool:
    return document.away is not None and document.away.now


def _needs_somebody(fault: FaultStatus) -> bool:
    stops = fault.severity != "note" or fault.code in STILL
    return stops and not fault.remedy.startswith("Nothing")


def day_in_words(total: LedgerTotal, currency: str | None) -> str:
    """Return what a day came to, in a few lines."""

    def kwh(energy_wh: float) -> str:
        return f"{energy_wh / 1000:.2f} kWh"

    lines = [
        f"Yesterday {kwh(total.energy_wh)} went into the car, {kwh(total.solar_wh)} of it from the sun and "
        f"{kwh(total.grid_wh)} from the grid ({kwh(total.planned_wh)} by plan).",
        f"{counted(total.starts, 'start')}, on for {duration(total.on_time_s)}; there was a surplus of "
        f"{kwh(total.surplus_wh)}.",
    ]
    if currency and total.paid is not None:
        lines.append(f"Paid {total.paid} {currency}, saved {total.saved} {currency}.")
    if total.unknown_s > 60:
        lines.append(f"Of {duration(total.unknown_s)} there are no readings.")
    return "\n".join(lines)


@dataclass
class Pending:
    notice: Notice
    count: int
    first: datetime


class Teller:
    """One way out: what waits to go by it, and when it may."""

    def __init__(
        self,
        name: str,
        way: Way,
        about: list[str],
        pause_s: float,
        charger: str,
        clock: Callable[[], Clock],
        log: structlog.stdlib.BoundLogger,
    ) -> None:
        self._way, self._about, self._pause_s, self._charger = way, about, pause_s, charger
        self._clock, self._log, self.by = clock, log, f"{name} ({way.name})"
        self._pending: dict[tuple[str, str], Pending] = {}
        self._left_out = 0
        self._news = asyncio.Event()
        self._all_told = asyncio.Event()
        self._all_told.set()
        self._hurry = asyncio.Event()  # at the end
        self._may_s = clock().now() + SETTLED_S

    def offer(self, notice: Notice) -> None:
        """Take something to be told, if it is of what this one is to tell."""
        if notice.about not in self._about:
            return
        key = notice.about, notice.key
        before = self._pending.pop(key, None)  # what came last stands last
        first = before.first if before else self._clock().wall()
        self._pending[key] = Pending(notice, before.count + 1 if before else 1, first)
        while len(self._pending) > MOST_PENDING:
            self._left_out += self._pending.pop(next(iter(self._pending))).count
        self._all_told.clear()
        self._news.set()

    async def run(self) -> None:
        """Tell whatever comes, until cancelled."""
        tried = 0
        while True:
            await self._news.wait()
            self._may_s = max(self._may_s, self._clock().now() + GATHER_S)
            await wait_until_set(self._hurry, self._clock(), self._may_s - self._clock().now())
            self._news.clear()
            going, left_out, self._pending, self._left_out = self._pending, self._left_out, {}, 0
            if not going:
                continue
            try:
                await self._way.send(message(list(going.values()), left_out, self._charger, self._clock().wall()))
            except Exception as error:
                tried += 1
                wait_s = min(RETRY_MOST_S, RETRY_FIRST_S * 2.0 ** min(tried - 1, 20))
                self._log.warning(
                    "tell_failed", by=self.by, reason=reason(error), attempt=tried, next_try_s=round(wait_s)
                )
                self._take_back(going, left_out)
            else:
                tried, wait_s = 0, self._pause_s
                self._log.info(
                    "told", by=self.by, about=sorted({about for about, _ in going}), count=_count(going, left_out)
                )
                if not self._pending:
                    self._all_told.set()
            self._may_s = self._clock().now() + wait_s
            self._hurry.clear()

    async def say_last(self) -> None:
        """Send what waits now, if it can be sent within a moment."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LAST_WITHIN_S):
                await self.told()

    async def told(self) -> None:
        """Send what waits now, and wait until it is told."""
        self._hurry.set()
        await self._all_told.wait()

    def _take_back(self, going: dict[tuple[str, str], Pending], left_out: int) -> None:
        """Let what could not be sent wait again, before what has come since."""
        since, self._pending, self._left_out = self._pending, going, self._left_out + left_out
        for key, later in since.items():
            before = self._pending.pop(key, None)
            count, first = (before.count, before.first) if before else (0, later.first)
            self._pending[key] = Pending(later.notice, count + later.count, first)
        self._news.set()


def _count(going: dict[tuple[str, str], Pending], left_out: int) -> int:
    return sum(one.count for one in going.values()) + left_out


def message(pending: list[Pending], left_out: int, charger: str, now: datetime) -> Message:
    """Return what waits as one message: what is worst first, and how often each has happened."""
    pending = sorted(pending, key=lambda one: ORDER.index(one.notice.about))  # and in their order within
    first, total = pending[0].notice, sum(one.count for one in pending) + left_out
    others = len(pending) - 1
    again = f", {counted(pending[0].count, 'time')}" if total > 1 else ""
    title = first.title + (f" and {others} more" if others else again)
    parts = []
    for one in pending:
        times = f"{counted(one.count, 'time')} since " if one.count > 1 else ""
        parts.append(f"{one.notice.title} ({times}{one.first:%a %H:%M})\n{one.notice.text}")
    if left_out:
        parts.append(f"And {counted(left_out, 'thing')} before that, no longer told one by one.")
    if any(one.notice.about not in ("day", "month") for one in pending):
        parts.append("Where something is hot, switch the circuit off at the fuse board before you unplug.")
    text = printable("\n\n".join(parts), lines=True)
    return Message(printable(title)[:TITLE_LIMIT], text, first.about, total, charger, now, first.page)


class Telling:
    """All ways that the configuration names. Raises OSError or ValueError where a secret cannot be read."""

    def __init__(self, config: Config, clock: Callable[[], Clock], log: structlog.stdlib.BoundLogger) -> None:
        self._reader = Reader()
        self.tellers = [
            Teller(
                f"tell.{index}",
                Mail(table.mail) if table.mail else Posting(table.post) if table.post else Command(table.command or []),
                list(table.about or ORDER),
                table.pause_s,
                config.charger.name,
                clock,
                log,
            )
            for index, table in enumerate(config.tell)
        ]

    def show(self, document: StatusDocument) -> None:
        """Tell what is new in a document."""
        for notice in self._reader.read(document):
            for teller in self.tellers:
                teller.offer(notice)

    async def say_last(self) -> None:
        """Wait, but not for long, until what was shown last is told."""
        await asyncio.gather(*(teller.say_last() for teller in self.tellers))

    async def tell(self, notice: Notice, within_s: float) -> list[str]:
        """Tell one thing, and return who of those who are to be told could not be, in so many real seconds."""
        tasks = {}
        async with asyncio.TaskGroup() as group:
            running = [group.create_task(teller.run()) for teller in self.tellers]
            for teller in self.tellers:
                teller.offer(notice)
                tasks[teller.by] = group.create_task(teller.told())
            await asyncio.wait(tasks.values(), timeout=within_s)
            missing = [by for by, task in tasks.items() if not task.done()]
            for task in (*running, *tasks.values()):
                task.cancel()
        return missing
