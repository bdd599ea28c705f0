"""The books themselves: the SQLite file, opened, written to and read."""

from __future__ import annotations

import bisect
import contextlib
import itertools
import math
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, tzinfo
from decimal import Decimal
from pathlib import Path
from typing import Any, Self

from surpluscharge.control.draw import Step
from surpluscharge.control.economics import Priced, Prices, Tariffs
from surpluscharge.control.slots import DAY_S, HOUR_S, Book, Moving, Other, Slot, between, cheapest, kept
from surpluscharge.history.energy import (
    NOTHING,
    QUARTER_HOUR_MS,
    Account,
    Billed,
    Energy,
    Interval,
    Money,
    account,
    billed,
    day_span,
    days,
    merged,
    money,
    ms_of,
    netted,
    part,
    time_of,
    with_netted,
)
from surpluscharge.history.ledger.records import (
    ABSENT,
    LONGEST_COUNT_MS,
    LOST,
    MIGRATIONS,
    Batch,
    Charge,
    DamagedError,
    DayTotal,
    Due,
    FaultSpan,
    LedgerError,
    PlanAhead,
    Session,
    StateChange,
    StateSpan,
)

LONGEST_PAUSE_MS = QUARTER_HOUR_MS  # between intervals of one charge: a meter is not silent for so long in it
DROPPED = "dropped_ms"  # in meta: until then only daily totals are kept
PLAN = "plan"  # in meta: what the daemon plans to charge
FOR_EVER_MS = 1 << 62
REGISTER = -1  # in interval.origin: what energy registers counted; 0: recorded here, else the number of an import

COLUMNS = ", ".join(Energy._fields)
SUMS = ", ".join(f"COALESCE(SUM({field}), 0)" for field in Energy._fields)
MARKS = ", ".join("?" * len(Energy._fields))


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


class Books:
    """An open ledger. Use it in one thread, and close it; ``with`` does.

    Raises LedgerError where the file is missing (read only), is no ledger, is damaged, or is of a later version;
    sqlite3.Error (full disk, locked for too long) comes through from any method.
    """

    def __init__(self, path: Path, read_only: bool = False) -> None:
        self.path = path
        if read_only and not path.exists():
            raise LedgerError(f"{path}: there is no history yet. The daemon makes it when it runs")
        if not read_only:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            if path.is_symlink():
                raise LedgerError(f"{path} is a symbolic link, and may lead to somebody else's file: remove it")
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600))
        uri = f"{path.absolute().as_uri()}?mode={'ro' if read_only else 'rw'}"
        self._db = sqlite3.connect(uri, uri=True, timeout=5.0, isolation_level=None, check_same_thread=False)
        try:
            self._set_up(read_only)
        except sqlite3.DatabaseError as error:
            self._db.close()
            if isinstance(error, sqlite3.OperationalError):  # full, locked, not readable: the file may be fine
                raise
            raise DamagedError(f"{path}: {error}. Restore it from a copy, or move it away") from None
        except LedgerError:
            self._db.close()
            raise
        self._file = _identity(path)

    def in_place(self) -> bool:
        """Whether the file that is open is still the one under its name: it may have been moved, or replaced."""
        return _identity(self.path) == self._file

    def _set_up(self, read_only: bool) -> None:
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        if version > len(MIGRATIONS):
            raise LedgerError(f"{self.path}: written by a later version of surpluscharge. Update this one")
        if read_only:
            if version < len(MIGRATIONS):
                raise LedgerError(
                    f"{self.path}: written by an earlier version. Start the daemon once; it is then renewed"
                )
            return
        if 0 < version < len(MIGRATIONS):
            self._keep_copy(version)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")  # a commit is on the disk: session ends outlive a power cut
        self._db.execute("PRAGMA journal_size_limit = 4194304")
        for number, script in enumerate(MIGRATIONS[version:], version + 1):
            with self._transaction():
                for statement in script.split(";"):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {number}")

    def _keep_copy(self, version: int) -> None:
        """Copy the file as an earlier version of the program left it, beside it, for who has to go back to that one.

        The last such copy is kept. Raises LedgerError where it cannot be made: then nothing is renewed.
        """
        stem = f"{self.path.stem}.version-"
        copy = self.path.with_name(f"{stem}{version}.sqlite")
        part = copy.with_suffix(".part")
        try:
            part.unlink(missing_ok=True)
            os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600))
            with contextlib.closing(sqlite3.connect(part)) as db:
                db.execute("PRAGMA synchronous = FULL")
                self._db.backup(db)
            part.replace(copy)
        except (sqlite3.Error, OSError) as error:
            part.unlink(missing_ok=True)
            raise LedgerError(f"{copy}: no copy can be made before the ledger is renewed: {error}. Make room") from None
        for one in self.path.parent.iterdir():
            if one.name.startswith(stem) and one != copy:
                one.unlink()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        if not self.in_place():  # then closing would leave the file without what only its log holds yet
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._db.close()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:  # some errors have rolled back already
                self._db.execute("ROLLBACK")
            raise

    @contextlib.contextmanager
    def snapshot(self) -> Iterator[None]:
        """Let all reading in it see one and the same moment, while the daemon writes on."""
        self._db.execute("BEGIN")
        try:
            yield
        finally:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")

    # --- reading ------------------------------------------------------------------------------------------------------

    def bounds(self) -> tuple[int, int] | None:
        """Return when the first interval begins and the last one ends; None where there is none."""
        first = self._db.execute("SELECT begin_ms FROM interval ORDER BY begin_ms LIMIT 1").fetchone()
        last = self._db.execute("SELECT end_ms FROM interval ORDER BY begin_ms DESC LIMIT 1").fetchone()
        return (first[0], last[0]) if first else None

    def intervals(self, begin_ms: int, end_ms: int, *, measured: bool = False) -> Iterator[Interval]:
        """Yield the intervals between two times, in order, the first and last cut to fit; gaps are what is missing.

        ``measured``: without those that energy registers tell of: of them nobody knows the power at any moment.
        """
        least = REGISTER + measured
        before = self._before(begin_ms, least)
        if before and (piece := part(before, begin_ms, end_ms)):
            yield piece
        rows = self._db.execute(
            f"SELECT begin_ms, end_ms, {COLUMNS} FROM interval WHERE begin_ms >= ? AND begin_ms < ? AND origin >= ? "
            "ORDER BY begin_ms",
            (begin_ms, end_ms, least),
        )
        for begin, end, *sums in rows:
            whole = Interval(begin, end, Energy(*sums))
            yield whole if end <= end_ms else part(whole, begin_ms, end_ms) or whole

    def energy(self, begin_ms: int, end_ms: int) -> Energy:
        """Return the energy between two times. One sum in the database, so it is quick for years too."""
        if begin_ms >= end_ms:
            return NOTHING
        row = self._db.execute(
            f"SELECT {SUMS} FROM interval WHERE begin_ms >= ? AND begin_ms < ?", (begin_ms, end_ms)
        ).fetchone()
        energy = Energy(*row)
        before, last = self._before(begin_ms), self._before(end_ms)
        if before and (piece := part(before, begin_ms, end_ms)):
            energy = energy.plus(piece.energy)
        if last and last.begin_ms >= begin_ms and (over := part(last, end_ms, last.end_ms)):
            energy = Energy(*(whole - beyond for whole, beyond in zip(energy, over.energy, strict=True)))
        return energy

    def edits(self) -> tuple[int, ...]:
        """Return what is another one as soon as older days may have become others: by an import, or a new epoch."""
        found = self._db.execute(
            "SELECT COUNT(*), COUNT(undone_ms), "
            "(SELECT COUNT(*) FROM epoch), (SELECT COUNT(undone_ms) FROM epoch) FROM filling"
        )
        return tuple(found.fetchone())

    def surplus(
        self, begin_ms: int, end_ms: int, draw_w: float, *, stored: bool = False, whole: bool = False
    ) -> Iterator[Interval]:
        """Yield the surplus by the quarter of an hour, as far as a charger that draws so much could have caught it.

        ``stored``: with what went into a house battery, which was the charger's then. ``whole``: only where it covered
        all of the draw, since what lacks would come out of that battery, and is not to.

        Summed up by the database, which holds up nobody meanwhile: a year's worth of seconds would be long work here.
        Each row counts with the quarter in which it begins, and as it was: what is above the draw for some seconds does
        not make up for what is below it in others. Only ``known_ms`` and ``solar_mws`` are told.
        """
        had = "(solar_mws + export_mws + stored_mws)" if stored else "(solar_mws + export_mws)"
        caught = f"CASE WHEN {had} >= ?1 * known_ms THEN ?1 * known_ms ELSE {'0.0' if whole else had} END"
        rows = self._db.execute(
            f"SELECT MIN(begin_ms), MAX(end_ms), SUM(known_ms), SUM({caught}) "
            f"FROM interval WHERE begin_ms >= ?2 AND begin_ms < ?3 AND origin > {REGISTER} "
            f"GROUP BY begin_ms / {QUARTER_HOUR_MS} ORDER BY 1",
            (draw_w, begin_ms, end_ms),
        )
        for begin, end, known_ms, caught_mws in rows:
            yield Interval(begin, end, Energy(known_ms, solar_mws=round(caught_mws)))

    def _before(self, at_ms: int, least: int = REGISTER) -> Interval | None:
        """Return the last interval that begins before a time, if its origin is ``least`` or above."""
        row = self._db.execute(
            f"SELECT origin, begin_ms, end_ms, {COLUMNS} FROM interval WHERE begin_ms < ? "
            "ORDER BY begin_ms DESC LIMIT 1",
            (at_ms,),
        ).fetchone()
        return Interval(row[1], row[2], Energy(*row[3:])) if row and row[0] >= least else None

    def register_ms(self, begin_ms: int, end_ms: int) -> int:
        """Return for how long between two times only what energy registers counted is known."""
        (length_ms,) = self._db.execute(
            "SELECT COALESCE(SUM(MIN(end_ms, ?2) - MAX(begin_ms, ?1)), 0) FROM interval "
            f"WHERE origin = {REGISTER} AND begin_ms < ?2 AND end_ms > ?1",
            (begin_ms, end_ms),
        ).fetchone()
        return int(length_ms)

    def charges(self, begin_ms: int, end_ms: int) -> list[Charge]:
        """Return the charges that ran at some time between two times, oldest first, whole.

        The energy of one that still runs is what is recorded of it so far.
        """
        rows = self._db.execute(
            f"SELECT begin_ms, session_ms, end_ms, cause, {COLUMNS} FROM charge "
            "WHERE begin_ms < ? AND (end_ms IS NULL OR end_ms > ?) ORDER BY begin_ms",
            (end_ms, begin_ms),
        ).fetchall()
        return [self._charge(row) for row in rows]

    def _charge(self, row: tuple[int, int, int | None, str | None, *tuple[int, ...]]) -> Charge:
        begin_ms, session_ms, end_ms, cause, *sums = row
        if end_ms is None:
            so_far = self.energy(begin_ms, self._follows_until_ms(begin_ms))
            return Charge(begin_ms, session_ms, None, None, so_far)
        return Charge(begin_ms, session_ms, end_ms, cause, Energy(*sums))

    def last_charge(self) -> Charge | None:
        """Return the charge that began last."""
        row = self._db.execute(
            f"SELECT begin_ms, session_ms, end_ms, cause, {COLUMNS} FROM charge ORDER BY begin_ms DESC LIMIT 1"
        ).fetchone()
        return self._charge(row) if row else None

    def sessions(self, begin_ms: int, end_ms: int) -> list[Session]:
        """Return the sessions with a charge between two times, oldest first, each with all of its charges."""
        keys = sorted({charge.session_ms for charge in self.charges(begin_ms, end_ms)})
        result = []
        for key in keys:
            rows = self._db.execute(
                f"SELECT begin_ms, session_ms, end_ms, cause, {COLUMNS} FROM charge "
                "WHERE session_ms = ? ORDER BY begin_ms",
                (key,),
            ).fetchall()
            charges = tuple(self._charge(row) for row in rows)
            energy = NOTHING
            for charge in charges:
                energy = energy.plus(charge.energy)
            result.append(Session(charges, energy))
        return result

    def starts(self, begin_ms: int, end_ms: int) -> int:
        """Return how many charges began between two times."""
        row = self._db.execute(
            "SELECT COUNT(*) FROM charge WHERE begin_ms >= ? AND begin_ms < ?", (begin_ms, end_ms)
        ).fetchone()
        return int(row[0])

    def states(self, begin_ms: int, end_ms: int) -> list[StateSpan]:
        """Return the states between two times as spans, cut to fit; before the first record there is none."""
        before = self._db.execute(
            "SELECT at_ms, old, new, cause, grid_w FROM state WHERE at_ms <= ? ORDER BY at_ms DESC, rowid DESC LIMIT 1",
            (begin_ms,),
        ).fetchall()
        within = self._db.execute(
            "SELECT at_ms, old, new, cause, grid_w FROM state WHERE at_ms > ? AND at_ms < ? ORDER BY at_ms, rowid",
            (begin_ms, end_ms),
        ).fetchall()
        changes = [StateChange(*row) for row in before + within]
        ends_ms = [*(change.at_ms for change in changes[1:]), end_ms][: len(changes)]
        return [
            StateSpan(max(begin_ms, change.at_ms), until_ms, change.new, change.cause)
            for change, until_ms in zip(changes, ends_ms, strict=True)
            if until_ms > max(begin_ms, change.at_ms)
        ]

    def faults(self, begin_ms: int, end_ms: int) -> list[FaultSpan]:
        """Return the faults that were there at some time between two times, by their begin, whole."""
        return [
            span
            for span in self._fault_spans()
            if span.begin_ms < end_ms and (span.end_ms is None or span.end_ms > begin_ms)
        ]

    def open_faults(self) -> list[str]:
        """Return the codes of the faults that are still there."""
        return [span.code for span in self._fault_spans() if span.end_ms is None]

    def _fault_spans(self) -> list[FaultSpan]:
        spans: list[FaultSpan] = []
        open_: dict[str, FaultSpan] = {}
        # Of one moment: what ends comes before what begins.
        rows = self._db.execute("SELECT at_ms, code, what FROM fault ORDER BY at_ms, what = 'raised', code")
        for at_ms, code, what in rows:
            span = open_.get(code)
            if what == "raised":
                open_.setdefault(code, FaultSpan(code, at_ms, None, None))
            elif span and what == "acknowledged":
                open_[code] = span._replace(acknowledged_ms=at_ms)
            elif span:
                spans.append(open_.pop(code)._replace(end_ms=at_ms))
        return sorted([*spans, *open_.values()], key=lambda span: (span.begin_ms, span.code))

    def steps(self, most: int, since_ms: int = -FOR_EVER_MS) -> list[Step]:
        """Return the last steps that the learned draw rests on, oldest first."""
        rows = self._db.execute(
            "SELECT step_w, doubt_w FROM step WHERE at_ms >= ? ORDER BY at_ms DESC LIMIT ?", (since_ms, most)
        ).fetchall()
        return [Step(*row) for row in rows[::-1]]

    def in_force(self, tariffs: Tariffs | None, begin: datetime, end: datetime) -> Priced | None:
        """Return the prices as they were in force between two times: the tariffs', and where they moved, as recorded.

        Where no slot is on record, the tariffs' hold; None: there are no tariffs.
        """
        if tariffs is None:
            return None
        begin_s, end_s = int(begin.timestamp()), math.ceil(end.timestamp())
        book = self.moved(begin_s, end_s + DAY_S)  # what "cheapest" means depends on what was ahead
        if not any(slot.end_s > begin_s and slot.begin_s < end_s for slot in book):
            return tariffs
        others = self._db.execute(
            "SELECT since_ms, by_ms, alternative_price FROM need "
            "WHERE by_ms > ? AND since_ms < ? AND alternative_price IS NOT NULL ORDER BY since_ms",
            (1000 * begin_s, 1000 * end_s),
        )
        return Moving(
            tariffs, book, others=tuple(Other(since / 1000, by / 1000, Decimal(price)) for since, by, price in others)
        )

    def moved(self, begin_s: int, end_s: int) -> Book:
        """Return the prices that moved, as they were in force, of the slots that are not over and begin in time."""
        rows = self._db.execute(
            "SELECT begin_s, end_s, import_price FROM price WHERE begin_s > ? AND begin_s < ? AND end_s > ? "
            "ORDER BY begin_s",
            (begin_s - HOUR_S, end_s, begin_s),
        )
        return tuple(Slot(*row) for row in rows)

    def account(self, begin: datetime, end: datetime, tariffs: Tariffs | None) -> Account:
        """Account for a stretch of time, at the prices that were in force, as the bill nets.

        Where they moved, or it nets, only the spans in which the charger drew anything are summed up one by one.
        """
        if tariffs is not None and tariffs.nets:
            whole = self.energy(ms_of(begin), ms_of(end))
            return netted(whole, self.billed(begin, end, tariffs), begin, end, tariffs)
        priced = self.in_force(tariffs, begin, end)
        if priced is None or priced is tariffs:
            return account(self.energy, begin, end, tariffs)
        drew = self._drew(ms_of(begin), ms_of(end))
        cost, known, unpriced_mws = Money(), False, 0
        for since, until, prices in priced.spans(begin, end):
            known = known or prices is not None
            while drew and drew[0][1] <= ms_of(since):
                drew.pop(0)
            if drew and drew[0][0] < ms_of(until):
                piece = self.energy(ms_of(since), ms_of(until))
                cost = cost.plus(money(piece, prices)) if prices else cost
                unpriced_mws += 0 if prices else piece.charger_mws
        return Account(begin, end, self.energy(ms_of(begin), ms_of(end)), cost if known else None, unpriced_mws)

    def billed(self, begin: datetime, end: datetime, tariffs: Tariffs) -> Iterator[Billed]:
        """Share out what the charger drew between two times as the bill has it, at the prices that were in force."""
        # Of an interval that begins before or ends after, the rest counts too.
        edges_s = tariffs.interval_s(begin)[0], tariffs.interval_s(end)[1]
        priced = self.in_force(tariffs, *(time_of(round(1000 * edge_s), begin.tzinfo) for edge_s in edges_s))
        assert priced is not None
        return billed(self.energy, self._drew(ms_of(begin), ms_of(end)), begin, end, priced)

    def _drew(self, begin_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """Return, to the quarter of an hour, from when until when the charger drew anything, in order."""
        before = self._before(begin_ms)
        begin_ms = before.begin_ms if before else begin_ms
        return self._db.execute(
            "SELECT MIN(begin_ms), MAX(end_ms) FROM interval WHERE begin_ms >= ? AND begin_ms < ? "
            "AND solar_mws + bought_mws + planned_mws + battery_mws > 0 "
            f"GROUP BY begin_ms / {QUARTER_HOUR_MS} ORDER BY 1",
            (begin_ms, end_ms),
        ).fetchall()

    def dues(self, begin_ms: int, end_ms: int) -> list[Due]:
        """Return what was needed by a time between two times (the second included), in order."""
        rows = self._db.execute(
            "SELECT by_ms, since_ms, needed_mws, came_mws, solar_mws, met, car_full FROM need "
            "WHERE by_ms > ? AND by_ms <= ? ORDER BY by_ms",
            (begin_ms, end_ms),
        )
        return [Due(*row[:5], *map(bool, row[5:])) for row in rows]

    def _otherwise(self, due: Due) -> str | None:
        """Return what a kWh would have cost that was charged until something was due; None: prices did not move.

        The same energy, all of it bought, in the cheapest slots of that time, as far as the lead's draw goes in each.
        Worked out when it is over, and kept: of readings and prices that are dropped later, nobody could.
        """
        if due.by_ms - due.since_ms > LONGEST_COUNT_MS:  # a car that was away
            return None
        book, energy = self.moved(due.since_ms // 1000, due.by_ms // 1000), self.energy(due.since_ms, due.by_ms)
        if not book or not energy.on_ms:
            return None
        draw_w = energy.charger_mws / energy.on_ms
        price = cheapest(book, due.since_ms / 1000, due.by_ms / 1000, energy.charger_wh, draw_w)
        return None if price is None else str(price)

    def plan(self) -> PlanAhead | None:
        """Return what is planned, as it was written last."""
        return PlanAhead.read(self._meta(PLAN, ""))

    def ahead(self) -> dict[str, list[list[Any]]]:
        """Return what was known of the time ahead when it was written last: rows of each feed, for slots.restored."""
        found: dict[str, list[list[Any]]] = {}
        for feed, *row in self._db.execute("SELECT feed, begin_s, end_s, value FROM ahead ORDER BY feed, begin_s"):
            found.setdefault(feed, []).append(row)
        return found

    def foretold(self) -> dict[date, float]:
        """Return the mean power that was foretold for each day before it began, in watts, as far as it is kept."""
        return {date.fromisoformat(day): mean_w for day, mean_w in self._db.execute("SELECT day, mean_w FROM foretold")}

    def day_totals(self, first: date, last: date, zone: tzinfo | None, tariffs: Tariffs | None) -> list[DayTotal]:
        """Return each local day between two dates for which something is known, both included.

        From the intervals where those are kept, at the prices given; for what is older than that from the daily totals,
        at the prices of their time. Where both know a part of the day, because the time zone was changed, they add up.
        """
        bounds, dropped_ms, around = self.bounds(), self._dropped_ms(), self._days_known(zone)
        if around is None:
            return []
        registered = self._db.execute("SELECT 1 FROM register LIMIT 1").fetchone() is not None
        result: list[DayTotal] = []
        for day in days(max(first, around[0]), min(last, around[1])):
            begin, end = day_span(day, zone)
            begin_ms, end_ms = ms_of(begin), ms_of(end)
            kept = self._kept_day(day, dropped_ms, begin, end)
            if begin_ms < dropped_ms:
                begin_ms, begin = min(dropped_ms, end_ms), time_of(min(dropped_ms, end_ms), zone)
            starts = self.starts(begin_ms, end_ms)
            within = bounds is not None and begin_ms < min(end_ms, bounds[1]) and end_ms > bounds[0]
            accounted = self.account(begin, end, tariffs) if within or starts else None
            counted_ms = self.register_ms(begin_ms, end_ms) if accounted and registered else 0
            if accounted and kept:
                whole = merged([kept.account, accounted])
                counted_ms += kept.register_ms
                result.append(DayTotal(day, whole, kept.starts + starts, register_ms=counted_ms))
            elif kept:
                result.append(kept)
            elif accounted and (accounted.energy.known_ms or starts):
                result.append(DayTotal(day, accounted, starts, register_ms=counted_ms))
        return self._with_unlisted(result, zone)

    def _with_unlisted(self, totals: list[DayTotal], zone: tzinfo | None) -> list[DayTotal]:
        """Return the totals with how long it charged without a charge on record."""
        if not any(total.account.energy.on_ms for total in totals):
            return totals
        spans = [ms_of(when) for day in (totals[0].day, totals[-1].day) for when in day_span(day, zone)]
        charges = [
            (begin_ms, self._follows_until_ms(begin_ms) if end_ms is None else end_ms)
            for begin_ms, end_ms in self._db.execute(
                "SELECT begin_ms, end_ms FROM charge WHERE begin_ms < ? AND (end_ms IS NULL OR end_ms > ?) "
                "ORDER BY begin_ms",
                (spans[-1], spans[0]),
            )
        ]
        result = []
        for each in totals:
            begin_ms, end_ms = (ms_of(when) for when in day_span(each.day, zone))
            first = max(0, bisect.bisect_right(charges, (begin_ms, 0)) - 1)
            listed_ms = 0
            for since_ms, until_ms in itertools.takewhile(lambda one: one[0] < end_ms, charges[first:]):  # noqa: B023
                listed_ms += max(0, min(until_ms, end_ms) - max(since_ms, begin_ms))
            result.append(each._replace(unlisted_ms=max(0, each.account.energy.on_ms - listed_ms)))
        return result

    def _days_known(self, zone: tzinfo | None) -> tuple[date, date] | None:
        """Return the first and the last day of which anything is known, so that nobody looks through centuries."""
        found = [
            date.fromisoformat(day) for day in self._db.execute("SELECT MIN(day), MAX(day) FROM day").fetchone() if day
        ]
        times = [
            *(self.bounds() or ()),
            *self._db.execute("SELECT MIN(begin_ms), MAX(begin_ms) FROM charge").fetchone(),
        ]
        found += [time_of(at_ms, zone).date() for at_ms in times if at_ms is not None]
        return (min(found), max(found)) if found else None

    def _dropped_ms(self) -> int:
        """Return until when intervals were dropped, and the daily totals are all that is known."""
        return int(self._meta(DROPPED, str(-FOR_EVER_MS)))

    def _kept_day(self, day: date, dropped_ms: int, begin: datetime, end: datetime) -> DayTotal | None:
        """Return what is kept of a day, or of its first part, whose intervals were dropped."""
        rows = self._db.execute(
            f"SELECT starts, register_ms, netted_mws, import_price, export_price, alternative_price, {COLUMNS} "
            "FROM day WHERE day = ? AND end_ms <= ?",
            (day.isoformat(), dropped_ms),
        ).fetchall()
        energy, cost, unpriced_mws, starts, netted_mws, register_ms = NOTHING, None, 0, 0, 0, 0
        for starts_then, register_then, netted_then, bought, sold, alternative, *sums in rows:
            piece = Energy(*sums)
            register_ms += register_then
            energy = energy.plus(piece)
            starts += starts_then
            netted_mws += netted_then
            if bought:
                prices = Prices(Decimal(bought), Decimal(sold), Decimal(alternative))
                spent = money(with_netted(piece, netted_then), prices)
                cost = spent if cost is None else cost.plus(spent)
            else:
                unpriced_mws += piece.charger_mws
        accounted = Account(begin, end, energy, cost, unpriced_mws, netted_mws)
        return DayTotal(day, accounted, starts, register_ms=register_ms) if rows else None

    # --- writing ------------------------------------------------------------------------------------------------------

    def write(self, batch: Batch) -> int:
        """Write a batch, and have it on the disk on return. Returns how many milliseconds of it were counted before.

        Those are left out. Raises sqlite3.Error, and then nothing of the batch is written.
        """
        with self._transaction():
            again_ms, dropped_ms = 0, self._dropped_ms()
            if self._all_new(batch.intervals, dropped_ms):
                self._insert(batch.intervals)
            else:
                for interval in batch.intervals:
                    pieces = list(self._unseen(interval, dropped_ms))
                    again_ms += interval.end_ms - interval.begin_ms - sum(end - begin for begin, end, _ in pieces)
                    self._insert(pieces)
            self._db.executemany(
                f"INSERT OR REPLACE INTO charge (begin_ms, session_ms, end_ms, cause, {COLUMNS}) "
                f"VALUES (?, ?, ?, ?, {MARKS})",
                [(*charge[:4], *charge.energy) for charge in batch.charges],
            )
            self._db.executemany("INSERT OR IGNORE INTO state VALUES (?, ?, ?, ?, ?)", batch.states)
            self._db.executemany("INSERT OR IGNORE INTO fault VALUES (?, ?, ?)", batch.faults)
            self._db.executemany(
                "INSERT OR IGNORE INTO step VALUES (?, ?, ?)", [(at_ms, *step) for at_ms, step in batch.steps]
            )
            for feed, book in batch.ahead:
                self._db.execute("DELETE FROM ahead WHERE feed = ?", (feed,))
                self._db.executemany("INSERT INTO ahead VALUES (?, ?, ?, ?)", [(feed, *row) for row in kept(book)])
            for from_s, book in batch.prices:
                self._db.execute("DELETE FROM price WHERE begin_s >= ?", (from_s,))
                self._db.execute(
                    "UPDATE price SET end_s = ?1 WHERE begin_s > ?1 - ?2 AND begin_s < ?1 AND end_s > ?1",
                    (from_s, HOUR_S),
                )
                self._db.executemany("INSERT INTO price VALUES (?, ?, ?)", between(book, from_s, math.inf))
            self._db.executemany(
                "INSERT OR REPLACE INTO need (by_ms, since_ms, needed_mws, came_mws, solar_mws, met, car_full, "
                "alternative_price) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [(*due, self._otherwise(due)) for due in batch.dues],
            )
            if batch.plan is not None:
                self._set_meta(PLAN, batch.plan)
            self._db.executemany(
                "INSERT OR IGNORE INTO shown (at_ms, measure, value, error, amps) VALUES (?, ?, ?, ?, ?)", batch.shown
            )
            self._db.executemany("INSERT OR IGNORE INTO look VALUES (?, ?)", batch.looks)
            self._db.executemany("INSERT OR REPLACE INTO foretold VALUES (?, ?)", batch.foretold)
            self._db.executemany(
                "INSERT OR IGNORE INTO register (name, at_ms, counts, base, shown_mws, total_mws) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                batch.marks,
            )
        return again_ms

    def _insert(self, intervals: Iterable[Interval], origin: int = 0) -> None:
        self._db.executemany(
            f"INSERT INTO interval (begin_ms, end_ms, {COLUMNS}, origin) VALUES (?, ?, {MARKS}, ?)",
            ((begin_ms, end_ms, *energy, origin) for begin_ms, end_ms, energy in intervals),
        )

    def _all_new(self, intervals: Sequence[Interval], dropped_ms: int) -> bool:
        """Say whether they follow one another in a time of which nothing is recorded, as a batch does as a rule: one
        look is enough for all of them then.
        """
        if not intervals:
            return True
        begin_ms, end_ms = intervals[0].begin_ms, intervals[-1].end_ms
        in_order = all(one.end_ms <= next_.begin_ms for one, next_ in itertools.pairwise(intervals))
        whole = in_order and all(one.begin_ms < one.end_ms for one in intervals)
        return whole and begin_ms >= dropped_ms and not self._overlapping(begin_ms, end_ms)

    def _unseen(self, interval: Interval, dropped_ms: int) -> Iterator[Interval]:
        """Yield the parts of an interval that no recorded one covers, nor a daily total whose intervals are gone."""
        since_ms = max(interval.begin_ms, dropped_ms)
        for seen in self._overlapping(interval.begin_ms, interval.end_ms):
            if piece := part(interval, since_ms, seen.begin_ms):
                yield piece
            since_ms = max(since_ms, seen.end_ms)
        if piece := part(interval, since_ms, interval.end_ms):
            yield piece

    def _overlapping(self, begin_ms: int, end_ms: int) -> list[Interval]:
        before = self._before(end_ms)  # mostly the last one there is, and over before this begins
        if before is None or before.end_ms <= begin_ms:
            return []
        return list(self.intervals(begin_ms, end_ms))

    def recover(self, now_ms: int) -> list[Charge]:
        """After a crash: close what was left open, at the last moment that is recorded. Returns the charges closed.

        A charge ends where the intervals that follow its begin do, not where others were recorded days later, or by a
        clock that was ahead.
        """
        open_ = self._db.execute(
            "SELECT begin_ms, session_ms FROM charge WHERE end_ms IS NULL OR end_ms < begin_ms"
        ).fetchall()
        closed = []
        for begin_ms, session_ms in open_:
            end_ms = self._follows_until_ms(begin_ms)
            if now_ms > begin_ms:  # otherwise the clock is not set yet, or was ahead: it limits nothing
                end_ms = min(end_ms, now_ms)
            closed.append(Charge(begin_ms, session_ms, end_ms, LOST, self.energy(begin_ms, end_ms)))
        state = self._db.execute("SELECT at_ms, new FROM state ORDER BY rowid DESC LIMIT 1").fetchone()
        states = []
        if state and state[1] != ABSENT:
            last = self._before(now_ms if now_ms > state[0] else FOR_EVER_MS)
            states.append(StateChange(max(state[0], last.end_ms if last else 0), state[1], ABSENT, LOST, None))
        if closed or states:
            self.write(Batch(charges=closed, states=states))
        return closed

    def _follows_until_ms(self, begin_ms: int) -> int:
        """Return where the intervals end that follow a time, and one another, without a long pause."""
        before = self._before(begin_ms)
        until_ms = max(begin_ms, before.end_ms) if before else begin_ms
        for since_ms, end_ms in self._db.execute(
            f"SELECT begin_ms, end_ms FROM interval WHERE begin_ms >= ? AND origin > {REGISTER} ORDER BY begin_ms",
            (begin_ms,),
        ):
            if since_ms - until_ms > LONGEST_PAUSE_MS:
                break
            until_ms = end_ms
        return until_ms

    def _meta(self, key: str, default: str) -> str:
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def _set_meta(self, key: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))
