"""The ledger: one SQLite file that holds what happened, for years, on a small computer.

Times are whole milliseconds of UTC since 1970, energies whole milliwatt-seconds (see energy.py). A row of
``interval`` is a stretch of time in which energy was counted: a few seconds when it is new, a minute or a quarter of an
hour once it is old (:class:`Retention`); sums stay exact, because energy is integrated before it is down-sampled.
Intervals never overlap: what is already counted is not counted again. What is not there is not known.

One process writes (the daemon, or a command); any number may read meanwhile, because the file is in WAL mode.

What others need is named here; the rooms below are the ledger's own affair.
"""

from surpluscharge.history.ledger.ageing import Retention
from surpluscharge.history.ledger.checking import Ledger
from surpluscharge.history.ledger.records import (
    ABSENT,
    DAY_MS,
    LOCKED_S,
    LOST,
    MIGRATIONS,
    Batch,
    Charge,
    DamagedError,
    DayTotal,
    FaultChange,
    FaultSpan,
    Filled,
    LedgerError,
    Session,
    StateChange,
    StateSpan,
)

__all__ = [
    "ABSENT",
    "DAY_MS",
    "LOCKED_S",
    "LOST",
    "MIGRATIONS",
    "Batch",
    "Charge",
    "DamagedError",
    "DayTotal",
    "FaultChange",
    "FaultSpan",
    "Filled",
    "Ledger",
    "LedgerError",
    "Retention",
    "Session",
    "StateChange",
    "StateSpan",
]
