"""The ledger: one SQLite file that holds what happened, for years, on a small computer.

Times are whole milliseconds of UTC since 1970, energies whole milliwatt-seconds (see energy.py). A row of
``interval`` is a stretch of time in which energy was counted: a few seconds when it is new, a minute or a quarter of an
hour once it is old (:class:`Retention`); sums stay exact, because energy is integrated before it is down-sampled.
What is not there is not known.

Intervals never overlap: of what is written, only what no row covers is taken. So a batch may be written again when
nobody knows whether it was written. And what was dropped stays counted: until a mark in ``meta`` (``dropped_ms``) daily
totals are all there is, and before it nothing is written, wherever it comes from; behind it the intervals say what a
day came to, and its total is a copy. So an import, a mend or another time zone changes nothing that is kept. An import
can be undone by its number (:mod:`~surpluscharge.history.ledger.filling`).

One process writes (the daemon, or a command); any number may read meanwhile, because the file is in WAL mode.

What others need is named here; the rooms below are the ledger's own affair.
"""

from surpluscharge.history.ledger.ageing import Retention
from surpluscharge.history.ledger.checking import Ledger
from surpluscharge.history.ledger.epochs import ANEW, WHAT, Epoch
from surpluscharge.history.ledger.reckoning import Compared
from surpluscharge.history.ledger.records import (
    ABSENT,
    DAY_MS,
    LOCKED_S,
    LONGEST_COUNT_MS,
    LOST,
    MIGRATIONS,
    Batch,
    Charge,
    DamagedError,
    DayTotal,
    Due,
    FaultChange,
    FaultSpan,
    Filled,
    Filling,
    LedgerError,
    Look,
    Mark,
    PlanAhead,
    RunAhead,
    Session,
    Shown,
    StateChange,
    StateSpan,
)

__all__ = [
    "ABSENT",
    "ANEW",
    "DAY_MS",
    "LOCKED_S",
    "LONGEST_COUNT_MS",
    "LOST",
    "MIGRATIONS",
    "WHAT",
    "Batch",
    "Charge",
    "Compared",
    "DamagedError",
    "DayTotal",
    "Due",
    "Epoch",
    "FaultChange",
    "FaultSpan",
    "Filled",
    "Filling",
    "Ledger",
    "LedgerError",
    "Look",
    "Mark",
    "PlanAhead",
    "Retention",
    "RunAhead",
    "Session",
    "Shown",
    "StateChange",
    "StateSpan",
]
