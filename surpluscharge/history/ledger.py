"""The ledger: one SQLite file that holds what happened, for years, on a small computer.

Times are whole milliseconds of UTC since 1970, energies whole milliwatt-seconds (see :mod:`.energy`). A row of
``interval`` is a stretch of time in which energy was counted: a few seconds when it is new, a minute or a quarter of an
hour once it is old (:class:`Retention`); sums stay exact, because energy is integrated before it is down-sampled.
Intervals never overlap: what is already counted is not counted again. What is not there is not known.

One process writes (the daemon, or a command); any number may read meanwhile, because the file is in WAL mode.
"""

from __future__ import annotations

import bisect
import contextlib
import itertools
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, tzinfo
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple, Self

from surpluscharge.control.draw import Step
from surpluscharge.control.economics import Prices, Tariffs
from surpluscharge.history.energy import (
    MINUTE_MS,
    NOTHING,
    QUARTER_HOUR_MS,
    Account,
    Energy,
    Interval,
    account,
    day_begins,
    day_span,
    days,
    downsample,
    merged,
    money,
    ms_of,
    part,
    time_of,
    total,
)
from surpluscharge.words import counted

DAY_MS = 86_400_000
EARLIEST_MS = 946_684_800_000  # 2000: what is said to be older comes from a clock, or a file, that was wrong
LOCKED_S = 600.0  # an import may hold the ledger for so long before that is worth a note
UNWRITTEN_MS = 3_600_000  # what a running daemon may not have written yet: the longest batch_s
LONGEST_PAUSE_MS = QUARTER_HOUR_MS  # between intervals of one charge: a meter is not silent for so long in it
DROPPED = "dropped_ms"  # in meta: until then only daily totals are kept
ABSENT = "absent"  # the state of a daemon that does not run
_FOR_EVER_MS = 1 << 62
MOST_DAYS_AT_ONCE = 31  # that retention goes on by in a day: a clock that is years ahead for a day does little harm
LOST = "lost"  # how a charge ended that a crash cut short: nobody saw its end

# Each entry brings a file from one version to the next; user_version counts them. Never change one that was released.
MIGRATIONS = (
    """
    CREATE TABLE interval (
        begin_ms INTEGER PRIMARY KEY, end_ms INTEGER NOT NULL,
        known_ms INTEGER NOT NULL, on_ms INTEGER NOT NULL,
        import_mws INTEGER NOT NULL, export_mws INTEGER NOT NULL,
        solar_mws INTEGER NOT NULL, bought_mws INTEGER NOT NULL, error_mws INTEGER NOT NULL,
        CHECK (begin_ms < end_ms)
    );
    CREATE TABLE charge (
        begin_ms INTEGER PRIMARY KEY, session_ms INTEGER NOT NULL,
        end_ms INTEGER, cause TEXT,
        known_ms INTEGER, on_ms INTEGER, import_mws INTEGER, export_mws INTEGER,
        solar_mws INTEGER, bought_mws INTEGER, error_mws INTEGER
    );
    CREATE TABLE switching (
        at_ms INTEGER NOT NULL, what TEXT NOT NULL, relay_on INTEGER NOT NULL,
        PRIMARY KEY (at_ms, what, relay_on)
    ) WITHOUT ROWID;
    CREATE TABLE state (
        at_ms INTEGER NOT NULL, old TEXT NOT NULL, new TEXT NOT NULL, cause TEXT NOT NULL, grid_w REAL,
        UNIQUE (at_ms, old, new)
    );
    CREATE TABLE fault (
        at_ms INTEGER NOT NULL, code TEXT NOT NULL, what TEXT NOT NULL,
        PRIMARY KEY (at_ms, code, what)
    ) WITHOUT ROWID;
    CREATE TABLE step (at_ms INTEGER PRIMARY KEY, step_w REAL NOT NULL, doubt_w REAL NOT NULL);
    CREATE TABLE day (
        day TEXT NOT NULL, begin_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL,
        import_price TEXT NOT NULL, export_price TEXT NOT NULL, alternative_price TEXT NOT NULL,
        starts INTEGER NOT NULL,
        known_ms INTEGER NOT NULL, on_ms INTEGER NOT NULL,
        import_mws INTEGER NOT NULL, export_mws INTEGER NOT NULL,
        solar_mws INTEGER NOT NULL, bought_mws INTEGER NOT NULL, error_mws INTEGER NOT NULL,
        PRIMARY KEY (day, import_price, export_price, alternative_price)
    ) WITHOUT ROWID;
    CREATE TABLE meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
    """,
)

_ENERGY = ", ".join(Energy._fields)
_SUMS = ", ".join(f"COALESCE(SUM({field}), 0)" for field in Energy._fields)
_MARKS = ", ".join("?" * len(Energy._fields))


class LedgerError(Exception):
    """The ledger cannot be used; the message says why and what to do."""


class DamagedError(LedgerError):
    """The file is no ledger, or a damaged one."""


# --- what is kept, and what is read back -----------------------------------------------------------------------------


class Charge(NamedTuple):
    """One run of the relay. Several, with clouds between them, make a session."""

    begin_ms: int
    session_ms: int  # when the first charge of its session began
    end_ms: int | None  # None: it still runs
    cause: str | None  # of its end, as the state machine names it; "lost": a crash cut it short
    energy: Energy


class Session(NamedTuple):
    """An allowance of charging: its charges, oldest first, and their sum."""

    charges: tuple[Charge, ...]
    energy: Energy

    @property
    def begin_ms(self) -> int:
        return self.charges[0].begin_ms

    @property
    def end_ms(self) -> int | None:
        return self.charges[-1].end_ms


class StateChange(NamedTuple):
    at_ms: int
    old: str
    new: str
    cause: str
    grid_w: float | None


class StateSpan(NamedTuple):
    """A stretch of time in one state; "absent": the daemon did not run."""

    begin_ms: int
    end_ms: int
    state: str
    cause: str


class FaultChange(NamedTuple):
    at_ms: int
    code: str
    what: str  # "raised", "cleared", "acknowledged"


class FaultSpan(NamedTuple):
    code: str
    begin_ms: int
    end_ms: int | None  # None: it still is there
    acknowledged_ms: int | None


class DayTotal(NamedTuple):
    """A local day: its account, and how often the charger started."""

    day: date
    account: Account
    starts: int  # that are on record
    unlisted_ms: int = 0  # so long it charged without a charge on record: such readings were imported, starts unknown


class Retention(NamedTuple):
    """For how long each resolution is kept, in days. Daily totals are kept for ever."""

    readings_days: int = 14  # as recorded
    minutes_days: int = 92  # then by the minute
    quarter_hours_days: int = 3653  # then by the quarter of an hour


class Batch(NamedTuple):
    """What is written in one transaction: all of it or nothing. Writing it twice is the same as writing it once."""

    intervals: Sequence[Interval] = ()
    charges: Sequence[Charge] = ()  # a later one with the same begin replaces an earlier one
    states: Sequence[StateChange] = ()
    faults: Sequence[FaultChange] = ()
    steps: Sequence[tuple[int, Step]] = ()  # and when they were seen, that the learned draw rests on


class Filled(NamedTuple):
    """What became of intervals from elsewhere."""

    begin_ms: int
    end_ms: int
    rows: int
    again_ms: int  # left out, because there was a record already
    energy: Energy


class Trouble(NamedTuple):
    """Something that a check found."""

    what: str
    remedy: str
    ruined: bool = False  # nothing else can be said of the file


def cuts(begin_ms: int, end_ms: int, zone: tzinfo | None, tariffs: Tariffs | None) -> list[int]:
    """Return where down-sampling must cut besides its buckets: at local midnights, and wherever prices change."""
    begin, end = time_of(begin_ms, zone), time_of(end_ms, zone)
    found = {ms_of(day_begins(day, zone)) for day in days(begin.date(), end.date())}
    if tariffs:
        found |= {ms_of(since) for since, _, _ in tariffs.spans(begin, end)}
    return sorted(found)


def _credible(intervals: Iterable[Interval], now_ms: int, zone: tzinfo | None) -> Iterator[Interval]:
    """Pass on intervals from elsewhere; raise LedgerError where their times cannot be, or may yet come from here."""
    now, latest_ms = time_of(now_ms, zone), now_ms - UNWRITTEN_MS
    for interval in intervals:
        if interval.begin_ms < EARLIEST_MS:
            raise LedgerError("there are readings from before the year 2000. Is that time right? Leave such rows out")
        if interval.end_ms > now_ms:
            raise LedgerError(
                f"there are readings later than now, {now:%Y-%m-%d %H:%M}. Is the clock right? Leave such rows out"
            )
        if interval.end_ms > latest_ms:
            raise LedgerError(
                f"there are readings later than {time_of(latest_ms, zone):%Y-%m-%d %H:%M}. The last hour is not taken, "
                "because a running daemon may not have written it yet. Leave such rows out, or wait"
            )
        yield interval


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _cut_at_midnights(intervals: Iterable[Interval], zone: tzinfo | None) -> Iterator[Interval]:
    midnight_ms = 0
    for interval in intervals:
        rest: Interval | None = interval
        while rest is not None:
            if rest.begin_ms >= midnight_ms:
                midnight_ms = ms_of(day_span(time_of(rest.begin_ms, zone).date(), zone)[1])
            head = part(rest, rest.begin_ms, midnight_ms)
            assert head is not None  # it begins before the midnight
            yield head
            rest = part(rest, head.end_ms, rest.end_ms)


# --- the ledger ------------------------------------------------------------------------------------------------------


class Ledger:
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
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")  # a commit is on the disk: session ends outlive a power cut
        self._db.execute("PRAGMA journal_size_limit = 4194304")
        for number, script in enumerate(MIGRATIONS[version:], version + 1):
            with self._transaction():
                for statement in script.split(";"):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {number}")

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

    def intervals(self, begin_ms: int, end_ms: int) -> Iterator[Interval]:
        """Yield the intervals between two times, in order, the first and last cut to fit; gaps are what is missing."""
        before = self._before(begin_ms)
        if before and (piece := part(before, begin_ms, end_ms)):
            yield piece
        rows = self._db.execute(
            f"SELECT begin_ms, end_ms, {_ENERGY} FROM interval WHERE begin_ms >= ? AND begin_ms < ? ORDER BY begin_ms",
            (begin_ms, end_ms),
        )
        for begin, end, *sums in rows:
            whole = Interval(begin, end, Energy(*sums))
            yield whole if end <= end_ms else part(whole, begin_ms, end_ms) or whole

    def energy(self, begin_ms: int, end_ms: int) -> Energy:
        """Return the energy between two times. One sum in the database, so it is quick for years too."""
        if begin_ms >= end_ms:
            return NOTHING
        row = self._db.execute(
            f"SELECT {_SUMS} FROM interval WHERE begin_ms >= ? AND begin_ms < ?", (begin_ms, end_ms)
        ).fetchone()
        energy = Energy(*row)
        before, last = self._before(begin_ms), self._before(end_ms)
        if before and (piece := part(before, begin_ms, end_ms)):
            energy = energy.plus(piece.energy)
        if last and last.begin_ms >= begin_ms and (over := part(last, end_ms, last.end_ms)):
            energy = Energy(*(whole - beyond for whole, beyond in zip(energy, over.energy, strict=True)))
        return energy

    def _before(self, at_ms: int) -> Interval | None:
        """Return the last interval that begins before a time."""
        row = self._db.execute(
            f"SELECT begin_ms, end_ms, {_ENERGY} FROM interval WHERE begin_ms < ? ORDER BY begin_ms DESC LIMIT 1",
            (at_ms,),
        ).fetchone()
        return Interval(row[0], row[1], Energy(*row[2:])) if row else None

    def charges(self, begin_ms: int, end_ms: int) -> list[Charge]:
        """Return the charges that ran at some time between two times, oldest first, whole.

        The energy of one that still runs is what is recorded of it so far.
        """
        rows = self._db.execute(
            f"SELECT begin_ms, session_ms, end_ms, cause, {_ENERGY} FROM charge "
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
            f"SELECT begin_ms, session_ms, end_ms, cause, {_ENERGY} FROM charge ORDER BY begin_ms DESC LIMIT 1"
        ).fetchone()
        return self._charge(row) if row else None

    def sessions(self, begin_ms: int, end_ms: int) -> list[Session]:
        """Return the sessions with a charge between two times, oldest first, each with all of its charges."""
        keys = sorted({charge.session_ms for charge in self.charges(begin_ms, end_ms)})
        result = []
        for key in keys:
            rows = self._db.execute(
                f"SELECT begin_ms, session_ms, end_ms, cause, {_ENERGY} FROM charge "
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

    def steps(self, most: int) -> list[Step]:
        """Return the last steps that the learned draw rests on, oldest first."""
        rows = self._db.execute("SELECT step_w, doubt_w FROM step ORDER BY at_ms DESC LIMIT ?", (most,)).fetchall()
        return [Step(*row) for row in rows[::-1]]

    def day_totals(self, first: date, last: date, zone: tzinfo | None, tariffs: Tariffs | None) -> list[DayTotal]:
        """Return each local day between two dates for which something is known, both included.

        From the intervals where those are kept, at the prices given; for what is older than that from the daily totals,
        at the prices of their time. Where both know a part of the day, because the time zone was changed, they add up.
        """
        bounds, dropped_ms, around = self.bounds(), self._dropped_ms(), self._days_known(zone)
        if around is None:
            return []
        result: list[DayTotal] = []
        for day in days(max(first, around[0]), min(last, around[1])):
            begin, end = day_span(day, zone)
            begin_ms, end_ms = ms_of(begin), ms_of(end)
            kept = self._kept_day(day, dropped_ms, begin, end)
            if begin_ms < dropped_ms:
                begin_ms, begin = min(dropped_ms, end_ms), time_of(min(dropped_ms, end_ms), zone)
            starts = self.starts(begin_ms, end_ms)
            within = bounds is not None and begin_ms < min(end_ms, bounds[1]) and end_ms > bounds[0]
            accounted = account(self.energy, begin, end, tariffs) if within or starts else None
            if accounted and kept:
                whole = merged([kept.account, accounted])
                result.append(DayTotal(day, whole, kept.starts + starts))
            elif kept:
                result.append(kept)
            elif accounted and (accounted.energy.known_ms or starts):
                result.append(DayTotal(day, accounted, starts))
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
        return int(self._meta(DROPPED, str(-_FOR_EVER_MS)))

    def _kept_day(self, day: date, dropped_ms: int, begin: datetime, end: datetime) -> DayTotal | None:
        """Return what is kept of a day, or of its first part, whose intervals were dropped."""
        rows = self._db.execute(
            f"SELECT starts, import_price, export_price, alternative_price, {_ENERGY} FROM day "
            "WHERE day = ? AND end_ms <= ?",
            (day.isoformat(), dropped_ms),
        ).fetchall()
        energy, cost, unpriced_mws, starts = NOTHING, None, 0, 0
        for starts_then, bought, sold, alternative, *sums in rows:
            piece = Energy(*sums)
            energy = energy.plus(piece)
            starts += starts_then
            if bought:
                spent = money(piece, Prices(Decimal(bought), Decimal(sold), Decimal(alternative)))
                cost = spent if cost is None else cost.plus(spent)
            else:
                unpriced_mws += piece.charger_mws
        return DayTotal(day, Account(begin, end, energy, cost, unpriced_mws), starts) if rows else None

    # --- writing ------------------------------------------------------------------------------------------------------

    def write(self, batch: Batch) -> int:
        """Write a batch, and have it on the disk on return. Returns how many milliseconds of it were counted before.

        Those are left out: no time is counted twice. Raises sqlite3.Error, and then nothing of the batch is written.
        """
        with self._transaction():
            again_ms, dropped_ms = 0, self._dropped_ms()
            for interval in batch.intervals:
                pieces = list(self._unseen(interval, dropped_ms))
                again_ms += interval.end_ms - interval.begin_ms - sum(end - begin for begin, end, _ in pieces)
                self._insert(pieces)
            self._db.executemany(
                f"INSERT OR REPLACE INTO charge (begin_ms, session_ms, end_ms, cause, {_ENERGY}) "
                f"VALUES (?, ?, ?, ?, {_MARKS})",
                [(*charge[:4], *charge.energy) for charge in batch.charges],
            )
            self._db.executemany("INSERT OR IGNORE INTO state VALUES (?, ?, ?, ?, ?)", batch.states)
            self._db.executemany("INSERT OR IGNORE INTO fault VALUES (?, ?, ?)", batch.faults)
            self._db.executemany(
                "INSERT OR IGNORE INTO step VALUES (?, ?, ?)", [(at_ms, *step) for at_ms, step in batch.steps]
            )
        return again_ms

    def _insert(self, intervals: Iterable[Interval]) -> None:
        self._db.executemany(
            f"INSERT INTO interval (begin_ms, end_ms, {_ENERGY}) VALUES (?, ?, {_MARKS})",
            ((begin_ms, end_ms, *energy) for begin_ms, end_ms, energy in intervals),
        )

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
            last = self._before(now_ms if now_ms > state[0] else _FOR_EVER_MS)
            states.append(StateChange(max(state[0], last.end_ms if last else 0), state[1], ABSENT, LOST, None))
        if closed or states:
            self.write(Batch(charges=closed, states=states))
        return closed

    def _follows_until_ms(self, begin_ms: int) -> int:
        """Return where the intervals end that follow a time, and one another, without a long pause."""
        before = self._before(begin_ms)
        until_ms = max(begin_ms, before.end_ms) if before else begin_ms
        for since_ms, end_ms in self._db.execute(
            "SELECT begin_ms, end_ms FROM interval WHERE begin_ms >= ? ORDER BY begin_ms", (begin_ms,)
        ):
            if since_ms - until_ms > LONGEST_PAUSE_MS:
                break
            until_ms = end_ms
        return until_ms

    def fill(
        self,
        intervals: Iterable[Interval],
        now_ms: int,
        zone: tzinfo | None,
        retention: Retention,
        *,
        tariffs: Tariffs | None,
        gaps_only: bool,
    ) -> Filled:
        """Write older intervals, in the order of time, from elsewhere: all of them, or nothing.

        They are summed up as far as those recorded at that time are. Raises LedgerError where a time is counted
        already, by intervals or by daily totals whose intervals were dropped, unless ``gaps_only``: then only what is
        missing is taken. Raises it as well for times that cannot be, and for those of the last hour, which a running
        daemon may not have written yet. What ``intervals`` raises comes through, and nothing is written.
        """
        today = time_of(now_ms, zone).date()
        with self._transaction():
            limits = {
                key: max(self._meta(key, ""), date.fromordinal(today.toordinal() - 1 - age_days).isoformat())
                for key, age_days in (("minutes", retention.readings_days), ("quarter_hours", retention.minutes_days))
            }
            first_ms = last_ms = count = again_ms = 0
            energy, dropped_ms = NOTHING, self._dropped_ms()
            in_days = _cut_at_midnights(_credible(intervals, now_ms, zone), zone)
            for day, of_day in itertools.groupby(in_days, key=lambda one: time_of(one.begin_ms, zone).date()):
                rows: Iterable[Interval] = of_day
                if day.isoformat() <= limits["minutes"]:
                    rows = downsample(rows, MINUTE_MS)
                if day.isoformat() <= limits["quarter_hours"]:
                    begin_ms, end_ms = (ms_of(when) for when in day_span(day, zone))
                    rows = downsample(rows, QUARTER_HOUR_MS, cuts(begin_ms, end_ms, zone, tariffs))
                for interval in rows:
                    pieces = list(self._unseen(interval, dropped_ms))
                    seen_ms = interval.end_ms - interval.begin_ms - sum(end - begin for begin, end, _ in pieces)
                    if interval.begin_ms < dropped_ms and not gaps_only:
                        raise LedgerError(
                            f"until {time_of(dropped_ms, zone):%Y-%m-%d %H:%M} only daily totals are kept, and they "
                            "count already. Leave rows before that out, or fill the gaps only (--gaps-only)"
                        )
                    if seen_ms and not gaps_only:
                        begin, end = time_of(interval.begin_ms, zone), time_of(interval.end_ms, zone)
                        raise LedgerError(
                            f"from {begin:%Y-%m-%d %H:%M:%S} to {end:%H:%M:%S} there is a record already, and no time "
                            "is counted twice. Leave such rows out, or fill the gaps only (--gaps-only)"
                        )
                    self._insert(pieces)
                    first_ms, last_ms = first_ms or interval.begin_ms, interval.end_ms
                    again_ms += seen_ms
                    count += len(pieces)
                    energy = total([energy, *(piece.energy for piece in pieces)])
                if day < today:
                    self._total(day, zone, tariffs)
            for key, limit in limits.items():
                if count and not self._meta(key, ""):
                    self._set_meta(key, limit)  # so far all is summed up
        return Filled(first_ms, last_ms, count, again_ms, energy)

    # --- getting older ------------------------------------------------------------------------------------------------

    def retain(self, now_ms: int, zone: tzinfo | None, retention: Retention, tariffs: Tariffs | None) -> list[date]:
        """Total the days that are over, sum up what has become old, drop what has become too old.

        Meant for once a day. A local day is one transaction, so that nobody waits long, and a crash between two of
        them does no harm. Returns the days that were totalled for the first time.
        """
        bounds = self.bounds()
        if bounds is None:
            return []
        today = time_of(now_ms, zone).date()
        fresh = list(itertools.islice(self._untotalled(today, zone), MOST_DAYS_AT_ONCE))
        for day in fresh:
            with self._transaction():
                self._total(day, zone, tariffs)
        for key, bucket_ms, age_days in (
            ("minutes", MINUTE_MS, retention.readings_days),
            ("quarter_hours", QUARTER_HOUR_MS, retention.minutes_days),
        ):
            last = date.fromordinal(today.toordinal() - 1 - age_days)
            done = min(self._meta(key, ""), last.isoformat())  # a clock that was ahead may have gone too far
            for day in itertools.islice(self._days_after(done, last, zone), MOST_DAYS_AT_ONCE):
                with self._transaction():
                    self._sum_up(day, zone, bucket_ms, tariffs)
                    self._set_meta(key, day.isoformat())
        last = date.fromordinal(today.toordinal() - 1 - retention.quarter_hours_days)
        for day in itertools.islice(self._days_after("", last, zone), MOST_DAYS_AT_ONCE):
            with self._transaction():
                self._drop(day, zone, tariffs)
        ages_days = (retention.minutes_days, retention.quarter_hours_days)
        limits = (day_begins(date.fromordinal(today.toordinal() - 1 - age_days), zone) for age_days in ages_days)
        with self._transaction():
            self._prune(*(ms_of(limit) for limit in limits))
        return fresh

    def _prune(self, states_ms: int, others_ms: int) -> None:
        """Drop what is older: states before the one time, the other happenings before the other. Charges are kept."""
        # The state at that time stays known, and so does a fault that is still there.
        self._db.execute(
            "DELETE FROM state WHERE at_ms < (SELECT MAX(at_ms) FROM state WHERE at_ms <= ?)", (states_ms,)
        )
        open_ms = [span.begin_ms for span in self._fault_spans() if span.end_ms is None]
        self._db.execute("DELETE FROM fault WHERE at_ms < ?", (min([others_ms, *open_ms]),))
        self._db.execute("DELETE FROM switching WHERE at_ms < ?", (others_ms,))  # nobody writes there any more
        self._db.execute("DELETE FROM step WHERE at_ms < ?", (others_ms,))

    def _days_after(self, done: str, last: date, zone: tzinfo | None) -> Iterator[date]:
        """Yield the local days with intervals after ``done`` (an ISO date; empty: from the first on), up to last."""
        since_ms = ms_of(day_span(date.fromisoformat(done), zone)[1]) if done else -_FOR_EVER_MS
        while True:
            row = self._db.execute(
                "SELECT begin_ms FROM interval WHERE begin_ms >= ? ORDER BY begin_ms LIMIT 1", (since_ms,)
            ).fetchone()
            if row is None or (day := time_of(row[0], zone).date()) > last:
                return
            yield day
            since_ms = ms_of(day_span(day, zone)[1])

    def _untotalled(self, today: date, zone: tzinfo | None) -> Iterator[date]:
        """Yield the days before today that have readings, from the one after the last that was totalled."""
        (last,) = self._db.execute("SELECT MAX(day) FROM day WHERE day < ?", (today.isoformat(),)).fetchone()
        return self._days_after(last or "", date.fromordinal(today.toordinal() - 1), zone)

    def _total(self, day: date, zone: tzinfo | None, tariffs: Tariffs | None) -> None:
        """Write the daily totals of a local day, a row for each set of prices.

        A day of which a part is kept in totals only is left as it is; :meth:`_drop` adds the rest to it.
        """
        dropped_ms, (begin, end) = self._dropped_ms(), day_span(day, zone)
        of_day = (day.isoformat(), dropped_ms)
        if self._db.execute("SELECT 1 FROM day WHERE day = ? AND end_ms <= ?", of_day).fetchone():
            return
        self._db.execute("DELETE FROM day WHERE day = ?", (day.isoformat(),))
        if ms_of(begin) < dropped_ms:
            begin = min(time_of(dropped_ms, zone), end, key=ms_of)
        self._add_total(day, begin, end, tariffs)

    def _add_total(self, day: date, begin: datetime, end: datetime, tariffs: Tariffs | None) -> None:
        """Add a stretch of time to the totals of a day."""
        spans = tariffs.spans(begin, end) if tariffs else iter([(begin, end, None)])
        rows: dict[tuple[str, str, str], Energy] = {}
        for since, until, prices in spans:
            key = (str(prices[0]), str(prices[1]), str(prices[2])) if prices else ("", "", "")
            rows[key] = rows.get(key, NOTHING).plus(self.energy(ms_of(since), ms_of(until)))
        starts = self.starts(ms_of(begin), ms_of(end))
        if not starts and not any(energy.known_ms for energy in rows.values()):
            return
        adding = ", ".join(f"{field} = {field} + excluded.{field}" for field in ("starts", *Energy._fields))
        for prices_then, energy in rows.items():
            self._db.execute(
                "INSERT INTO day (day, begin_ms, end_ms, import_price, export_price, alternative_price, starts, "
                f"{_ENERGY}) VALUES (?, ?, ?, ?, ?, ?, ?, {_MARKS}) "
                "ON CONFLICT (day, import_price, export_price, alternative_price) "
                f"DO UPDATE SET end_ms = excluded.end_ms, {adding}",
                (day.isoformat(), ms_of(begin), ms_of(end), *prices_then, starts, *energy),
            )
            starts = 0  # counted with the first of the rows

    def _drop(self, day: date, zone: tzinfo | None, tariffs: Tariffs | None) -> None:
        """Drop the intervals of a local day, and all before, for good: its totals are what is left of them."""
        dropped_ms, (begin, end) = self._dropped_ms(), day_span(day, zone)
        end_ms = ms_of(end)
        if ms_of(begin) < dropped_ms:
            begin = time_of(dropped_ms, zone)
        kept = "SELECT 1 FROM day WHERE day = ? AND end_ms <= ?"
        if self._db.execute(kept, (day.isoformat(), dropped_ms)).fetchone():
            self._add_total(day, begin, end, tariffs)
        else:
            self._total(day, zone, tariffs)  # once more: the prices may have been corrected since
        last = self._before(end_ms)
        self._db.execute("DELETE FROM interval WHERE begin_ms < ?", (end_ms,))
        if last and (rest := part(last, end_ms, last.end_ms)):  # cut at midnights of another time zone
            self._insert([rest])
        # Totals of another time zone's days: what they counted has just been counted with the days of this one.
        others = "DELETE FROM day WHERE end_ms > ? AND end_ms <= ? AND day != ? AND known_ms > 0"
        self._db.execute(others, (dropped_ms, end_ms, day.isoformat()))
        self._set_meta(DROPPED, str(max(dropped_ms, end_ms)))
        halved = self._db.execute(
            "SELECT DISTINCT day FROM day WHERE begin_ms < ?1 AND end_ms > ?1", (end_ms,)
        ).fetchall()
        for (one,) in halved:
            self._total(date.fromisoformat(one), zone, tariffs)

    def _sum_up(self, day: date, zone: tzinfo | None, bucket_ms: int, tariffs: Tariffs | None) -> None:
        """Replace the intervals that begin in a local day by longer ones."""
        begin_ms, end_ms = (ms_of(when) for when in day_span(day, zone))
        rows = self._db.execute(
            f"SELECT begin_ms, end_ms, {_ENERGY} FROM interval WHERE begin_ms >= ? AND begin_ms < ? ORDER BY begin_ms",
            (begin_ms, end_ms),
        ).fetchall()
        intervals = [Interval(begin, end, Energy(*sums)) for begin, end, *sums in rows]
        summed = list(downsample(intervals, bucket_ms, cuts(begin_ms, end_ms, zone, tariffs)))
        if len(summed) < len(intervals):
            self._db.execute("DELETE FROM interval WHERE begin_ms >= ? AND begin_ms < ?", (begin_ms, end_ms))
            self._insert(summed)

    def _meta(self, key: str, default: str) -> str:
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def _set_meta(self, key: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    # --- checking -----------------------------------------------------------------------------------------------------

    def check(self, now_ms: int, zone: tzinfo | None) -> list[Trouble]:
        """Return what is wrong with the ledger: damage, time counted twice, sums that do not agree. Gaps are not."""
        found = []
        damage = [row[0] for row in self._db.execute("PRAGMA integrity_check(5)")]
        if damage != ["ok"]:
            return [
                Trouble(
                    f"the file is damaged: {'; '.join(damage)}",
                    "Stop the daemon, move the file away and restore it from a copy. Without one, the sqlite3 tool "
                    "saves most of it: sqlite3 DAMAGED .recover | sqlite3 NEW; then check that",
                    ruined=True,
                )
            ]
        odd_values = self._odd_values()
        if odd_values:
            return [
                Trouble(
                    f"there are values of the wrong kind in {', '.join(odd_values)}",
                    "The file was damaged, or somebody else has written into it. Stop the daemon, move the file "
                    "away and restore it from a copy",
                    ruined=True,
                )
            ]
        mend = "Run this check with --mend, the daemon stopped"
        for begin_ms, end_ms in self._overlaps()[:5]:
            when, until = time_of(begin_ms, zone), time_of(end_ms, zone)
            found.append(Trouble(f"{when:%Y-%m-%d %H:%M:%S} to {until:%H:%M:%S} is counted twice", mend))
        (odd,) = self._db.execute(
            "SELECT COUNT(*) FROM interval WHERE known_ms > end_ms - begin_ms OR on_ms > end_ms - begin_ms "
            "OR known_ms < 0 OR on_ms < 0 OR import_mws < 0 OR export_mws < 0 OR solar_mws < 0 OR bought_mws < 0 "
            "OR bought_mws > import_mws + end_ms - begin_ms"
        ).fetchone()
        if odd:
            found.append(
                Trouble(
                    f"in {counted(odd, 'interval')} there is what cannot be",
                    "Somebody else has written into the file. Restore a copy",
                )
            )
        bounds = self.bounds()
        if bounds and bounds[1] > now_ms + DAY_MS:
            found.append(
                Trouble(
                    f"there are readings of {time_of(bounds[1], zone):%Y-%m-%d}, which is to come",
                    "The computer's clock was wrong once. Nothing needs to be done; those days keep what was recorded",
                )
            )
        open_ = self._db.execute("SELECT COUNT(*) FROM charge WHERE end_ms IS NULL").fetchone()[0]
        if open_ > 1:
            found.append(Trouble(f"{counted(open_, 'charge')} have no end", mend))
        (backward,) = self._db.execute("SELECT COUNT(*) FROM charge WHERE end_ms < begin_ms").fetchone()
        if backward:
            found.append(Trouble(f"the end is before the begin of {counted(backward, 'charge')}", mend))
        wrong = self._wrong_days(zone)
        if wrong:
            listed = ", ".join(str(day) for day in wrong[:5]) + (" and more" if len(wrong) > 5 else "")
            found.append(Trouble(f"the daily totals differ from the intervals on {listed}", mend))
        return found

    def mend(self, now_ms: int, zone: tzinfo | None, tariffs: Tariffs | None) -> None:
        """Put right what :meth:`check` finds and can be put right; the daemon must not run."""
        if self._odd_values():
            return
        with self._transaction():
            rows = self._db.execute(f"SELECT begin_ms, end_ms, {_ENERGY} FROM interval ORDER BY begin_ms").fetchall()
            until_ms, twice, left = 0, [], []
            for begin_ms, end_ms, *sums in rows:
                if begin_ms < until_ms:  # what came first stays; of what overlaps it, what is left over
                    twice.append((begin_ms,))
                    left.append(part(Interval(begin_ms, end_ms, Energy(*sums)), until_ms, end_ms))
                until_ms = max(until_ms, end_ms)
            self._db.executemany("DELETE FROM interval WHERE begin_ms = ?", twice)
            self._insert(piece for piece in left if piece)
            for day in self._wrong_days(zone):
                self._total(day, zone, tariffs)
        self.recover(now_ms)

    def gaps(self, longer_than_ms: int) -> list[tuple[int, int]]:
        """Return (begin, end) of what is not on record between the first and the last interval."""
        rows = self._db.execute(
            "SELECT until_ms, begin_ms FROM (SELECT begin_ms, LAG(end_ms) OVER (ORDER BY begin_ms) AS until_ms "
            "FROM interval) WHERE begin_ms - until_ms > ? ORDER BY begin_ms",
            (longer_than_ms,),
        )
        return [(begin_ms, end_ms) for begin_ms, end_ms in rows]

    def _odd_values(self) -> list[str]:
        """Return the columns, as TABLE.COLUMN, that hold anything of another type than theirs."""
        found = []
        for (table,) in self._db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            columns = [(row[1], row[2].lower()) for row in self._db.execute(f"PRAGMA table_info({table})") if row[2]]
            odd = ", ".join(f"MAX(typeof({column}) NOT IN ('{kind}', 'null'))" for column, kind in columns)
            row = self._db.execute(f"SELECT {odd} FROM {table}").fetchone()
            found += [f"{table}.{column}" for (column, _), is_odd in zip(columns, row, strict=True) if is_odd]
        return found

    def _overlaps(self) -> list[tuple[int, int]]:
        rows = self._db.execute(
            "SELECT begin_ms, MIN(end_ms, until_ms) FROM (SELECT begin_ms, end_ms, "
            "MAX(end_ms) OVER (ORDER BY begin_ms ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS until_ms "
            "FROM interval) WHERE begin_ms < until_ms ORDER BY begin_ms"
        )
        return [(begin_ms, end_ms) for begin_ms, end_ms in rows]

    def _wrong_days(self, zone: tzinfo | None) -> list[date]:
        """Return the days whose totals are not the sum of their intervals, where those are kept."""
        rows = self._db.execute(
            f"SELECT day, begin_ms, end_ms, {_SUMS} FROM day WHERE end_ms > ? GROUP BY day ORDER BY day",
            (self._dropped_ms(),),
        ).fetchall()
        return [
            date.fromisoformat(day)
            for day, begin_ms, end_ms, *sums in rows
            if Energy(*sums) != self.energy(begin_ms, end_ms)
        ]
