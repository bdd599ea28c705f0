"""What a ledger holds and what it gives back, the file's schema, and what can be wrong with it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date
from typing import NamedTuple, Self

from surpluscharge.control.draw import Step
from surpluscharge.control.slots import Book
from surpluscharge.history.energy import Account, Energy, Interval

DAY_MS = 86_400_000
LONGEST_COUNT_MS = 8 * DAY_MS  # what was counted towards a need for longer tells of a car that was away
EARLIEST_MS = 946_684_800_000  # 2000: what is said to be older comes from a clock, or a file, that was wrong
LOCKED_S = 600.0  # an import may hold the ledger for so long before that is worth a note
ABSENT = "absent"  # the state of a daemon that does not run
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
    # Until then nothing was charged by plan.
    """
    ALTER TABLE interval ADD COLUMN planned_mws INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE charge ADD COLUMN planned_mws INTEGER DEFAULT 0;
    ALTER TABLE day ADD COLUMN planned_mws INTEGER NOT NULL DEFAULT 0;
    """,
    # What is published ahead, as it was published, and what was foretold of days before they began.
    """
    CREATE TABLE ahead (
        feed TEXT NOT NULL, begin_s INTEGER NOT NULL, end_s INTEGER NOT NULL, value REAL NOT NULL,
        PRIMARY KEY (feed, begin_s)
    ) WITHOUT ROWID;
    CREATE TABLE foretold (day TEXT PRIMARY KEY, mean_w REAL NOT NULL) WITHOUT ROWID;
    """,
    # Prices that move, as they were in force, and what was needed by when.
    """
    CREATE TABLE price (begin_s INTEGER PRIMARY KEY, end_s INTEGER NOT NULL, import_price REAL NOT NULL);
    CREATE TABLE need (
        by_ms INTEGER PRIMARY KEY, since_ms INTEGER NOT NULL,
        needed_mws INTEGER NOT NULL, came_mws INTEGER NOT NULL, solar_mws INTEGER NOT NULL,
        met INTEGER NOT NULL, car_full INTEGER NOT NULL
    );
    """,
    # Until then no house battery was known.
    """
    ALTER TABLE interval ADD COLUMN battery_mws INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE charge ADD COLUMN battery_mws INTEGER DEFAULT 0;
    ALTER TABLE day ADD COLUMN battery_mws INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE interval ADD COLUMN stored_mws INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE charge ADD COLUMN stored_mws INTEGER DEFAULT 0;
    ALTER TABLE day ADD COLUMN stored_mws INTEGER NOT NULL DEFAULT 0;
    """,
    # What a kWh would have cost otherwise until something was due, where prices moved. NULL: it was not worked out.
    """
    ALTER TABLE need ADD COLUMN alternative_price TEXT;
    """,
    # Of what was imported for the charger, what the bill does not count so, because it nets. Until then none did.
    """
    ALTER TABLE day ADD COLUMN netted_mws INTEGER NOT NULL DEFAULT 0;
    """,
    # Where an interval comes from: 0: recorded here, or imported before imports had numbers; else the import's number.
    """
    ALTER TABLE interval ADD COLUMN origin INTEGER NOT NULL DEFAULT 0;
    CREATE TABLE filling (
        number INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, source TEXT NOT NULL,
        begin_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL, rows INTEGER NOT NULL, undone_ms INTEGER
    );
    INSERT INTO meta SELECT 'numbered_ms', CAST(strftime('%s', 'now') AS INTEGER) * 1000
        WHERE EXISTS (SELECT 1 FROM interval);
    """,
    # Until then nothing was said of what was changed in the house.
    """
    CREATE TABLE epoch (
        number INTEGER PRIMARY KEY, what TEXT NOT NULL, begin_ms INTEGER NOT NULL, note TEXT NOT NULL,
        said_ms INTEGER NOT NULL, undone_ms INTEGER
    );
    """,
    # Energy registers, and how much of a day was filled from them (interval.origin -1). Until then none was read.
    """
    CREATE TABLE register (
        name TEXT NOT NULL, at_ms INTEGER NOT NULL, counts TEXT NOT NULL, base INTEGER NOT NULL,
        shown_mws INTEGER NOT NULL, total_mws INTEGER NOT NULL, PRIMARY KEY (name, at_ms)
    ) WITHOUT ROWID;
    CREATE INDEX filled ON interval (begin_ms) WHERE origin = -1;
    ALTER TABLE day ADD COLUMN register_ms INTEGER NOT NULL DEFAULT 0;
    """,
    # What switchings and charges have shown of the joints on the way to the car, and the owner's own looks at them.
    """
    CREATE TABLE shown (
        measure TEXT NOT NULL, at_ms INTEGER NOT NULL, value REAL NOT NULL, error REAL NOT NULL, amps REAL NOT NULL,
        PRIMARY KEY (measure, at_ms)
    ) WITHOUT ROWID;
    CREATE TABLE look (at_ms INTEGER PRIMARY KEY, note TEXT NOT NULL);
    """,
)


class LedgerError(Exception):
    """The ledger cannot be used; the message says why and what to do."""


class DamagedError(LedgerError):
    """The file is no ledger, or a damaged one."""


class Charge(NamedTuple):
    """One run of the relay. Several, with clouds between them, make a session.

    Written when it begins, and again when it ends, each time together with all readings until then.
    """

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


class Due(NamedTuple):
    """Something that was needed by a time, and what had come by then, counted from ``since_ms`` on."""

    by_ms: int
    since_ms: int
    needed_mws: int
    came_mws: int
    solar_mws: int  # of that, from the sun
    met: bool
    car_full: bool  # the car took no more


class Shown(NamedTuple):
    """What one switching, or one charge, has shown of the joints; see control/joint.py."""

    at_ms: int
    measure: str
    value: float  # ohms, or kelvin per square ampere
    error: float  # a standard deviation
    amps: float


class Look(NamedTuple):
    """Somebody has looked at plug and socket."""

    at_ms: int
    note: str  # what was seen


class RunAhead(NamedTuple):
    """To be charged from then until then (seconds since 1970), at a mean price of a kWh."""

    begin_s: float
    end_s: float
    wh: float
    price: float
    sure: bool  # False: unless the sun does better


class PlanAhead(NamedTuple):
    """What the daemon plans to charge, as it was when it last became another plan."""

    made_s: float
    text: str
    runs: tuple[RunAhead, ...] = ()

    def written(self) -> str:
        return json.dumps(self, separators=(",", ":"))

    @classmethod
    def read(cls, written: str) -> Self | None:
        """Return it as it was written; None: that was something else."""
        try:
            made_s, text, runs = json.loads(written)
            found = ((*(float(value) for value in run[:4]), bool(run[4])) for run in runs)
            return cls(float(made_s), str(text), tuple(RunAhead._make(run) for run in found))
        except (ValueError, TypeError, IndexError):
            return None


class DayTotal(NamedTuple):
    """A local day: its account, and how often the charger started."""

    day: date
    account: Account
    starts: int  # that are on record
    unlisted_ms: int = 0  # so long it charged without a charge on record: such readings were imported, starts unknown
    register_ms: int = 0  # for so long only what energy registers counted is known


class Mark(NamedTuple):
    """An energy register's reading, as it is kept."""

    name: str
    at_ms: int
    counts: str  # "import", "export" or "charged"
    base: int  # 1, 2, ...: another one wherever it was put back, or exchanged
    shown_mws: int  # as the register shows it
    total_mws: int  # counted since its first base began; only differences within one base tell anything


class Batch(NamedTuple):
    """What is written in one transaction: all of it or nothing. Writing it twice is the same as writing it once."""

    intervals: Sequence[Interval] = ()
    charges: Sequence[Charge] = ()  # a later one with the same begin replaces an earlier one
    states: Sequence[StateChange] = ()
    faults: Sequence[FaultChange] = ()
    steps: Sequence[tuple[int, Step]] = ()  # and when they were seen, that the learned draw rests on
    ahead: Sequence[tuple[str, Book]] = ()  # by feed: all that is known of the time ahead, in place of what was
    prices: Sequence[
        tuple[int, Book]
    ] = ()  # import prices that move: from a moment on (seconds since 1970), these hold
    dues: Sequence[Due] = ()
    plan: str | None = None  # what is planned now, as :func:`PlanAhead.written` has it; None: as before
    shown: Sequence[Shown] = ()
    looks: Sequence[Look] = ()
    foretold: Sequence[tuple[str, float]] = ()  # of a day (ISO) that has not begun: the mean power that could be caught
    marks: Sequence[Mark] = ()  # of energy registers


class Filled(NamedTuple):
    """What became of intervals from elsewhere."""

    begin_ms: int
    end_ms: int
    rows: int
    again_ms: int  # left out, because there was a record already
    energy: Energy
    number: int | None = None  # by which it can be undone; None: nothing was new


class Filling(NamedTuple):
    """An import on record."""

    number: int
    at_ms: int  # when it was made
    source: str  # the file's name
    begin_ms: int  # of what it added
    end_ms: int
    rows: int  # that it added; older ones may have been summed up since
    undone_ms: int | None  # when it was undone; None: it counts
