"""What was changed in the house, from when on: so that what was learned before is not mixed with what comes after.

The owner says that there is a new meter, plug or lead since a day, or that the house itself is another one (moved, new
panels, another inverter or battery). Nothing on record is changed by that, so it can be taken back; who reads the
record asks from when on it speaks of what is there today. What begins anew:

====================================================  =====  ====  ====  =====
what was learned, and where it is asked for            meter  plug  lead  house
====================================================  =====  ====  ====  =====
``draw``: steps that the learned draw rests on          yes          yes
``meter``: the meter's sign and lag, as switchings      yes   yes
showed them (in the daemon's memory)
``circuit``: the resistance behind the plug                   yes   yes    yes
(kept in the store)
``joint``: what switchings have shown of the joints     yes   yes   yes    yes
(control/joint.py, kept in the store)
``relay``: how often the relay has switched                   yes
``trials``: what trials for hidden sun came to                             yes
(kept in the store)
``days``: days like these, for plans                                       yes
(history/expectation.py)
``readings``: what ``replay`` and ``tune`` look at      yes                yes
``grid``: the meter's energy registers                  yes                yes
``charged``: the plug's energy register                       yes
====================================================  =====  ====  ====  =====

Why not more: what the lead draws is seen at the meter, whatever plug is between; the surplus of a day is the same
through another meter, but thresholds and delays are judged by how often and how late that one speaks; days are kept as
shares of the draw, so that another lead finds them right. Who moves takes the same devices along, or says that they are
new as well. ``advise`` reckons with prices and the configured draw, and knows nothing that could be mixed.

What the daemon has in its memory or store has no dates: it is dropped as a whole, once, and learned anew within days;
taking a change back does not bring it back. A report says where a change lies in its time.
"""

from __future__ import annotations

from typing import Literal, NamedTuple, get_args

from surpluscharge.history.ledger.books import FOR_EVER_MS, Books
from surpluscharge.history.ledger.records import LedgerError

What = Literal["meter", "plug", "lead", "house"]
WHAT: tuple[What, ...] = get_args(What)
ANEW: dict[str, tuple[What, ...]] = {
    "draw": ("meter", "lead"),
    "meter": ("meter", "plug"),
    "circuit": ("plug", "lead", "house"),
    "joint": ("meter", "plug", "lead", "house"),
    "relay": ("plug",),
    "trials": ("house",),
    "days": ("house",),
    "readings": ("meter", "house"),
    "grid": ("meter", "house"),
    "charged": ("plug",),
}


class Epoch(NamedTuple):
    """A change, and so the begin of an epoch."""

    number: int
    what: str  # one of WHAT
    begin_ms: int
    note: str
    said_ms: int  # when the owner said so
    undone_ms: int | None = None  # when that was taken back; None: it holds


class Epochs(Books):
    """Books that know of changes in the house."""

    def all_epochs(self) -> list[Epoch]:
        """Return all changes that were ever said, by their number; those taken back too."""
        rows = self._db.execute("SELECT number, what, begin_ms, note, said_ms, undone_ms FROM epoch ORDER BY number")
        return [Epoch(*row) for row in rows]

    def epochs(self, begin_ms: int = -FOR_EVER_MS, end_ms: int = FOR_EVER_MS) -> list[Epoch]:
        """Return the changes that hold, and begin between two times (the first included), in order of time."""
        rows = self._db.execute(
            "SELECT number, what, begin_ms, note, said_ms, undone_ms FROM epoch "
            "WHERE undone_ms IS NULL AND begin_ms >= ? AND begin_ms < ? ORDER BY begin_ms, number",
            (begin_ms, end_ms),
        )
        return [Epoch(*row) for row in rows]

    def anew(self, learned: str, before_ms: int = FOR_EVER_MS) -> Epoch | None:
        """Return the last change before a time for which something (of ANEW) was learned anew; None: there is none."""
        found = [epoch for epoch in self.epochs(end_ms=before_ms) if epoch.what in ANEW[learned]]
        return found[-1] if found else None

    def anew_ms(self, learned: str) -> int:
        """Return since when what is on record tells of what is there now."""
        epoch = self.anew(learned)
        return epoch.begin_ms if epoch else -FOR_EVER_MS

    def begin_epoch(self, what: What, begin_ms: int, note: str, now_ms: int) -> Epoch:
        """Keep that something was changed. Raises LedgerError where it is still to come, or was said already."""
        with self._transaction():
            if begin_ms > now_ms:
                raise LedgerError("that is still to come: say it when it is done")
            if any((one.what, one.begin_ms) == (what, begin_ms) for one in self.epochs()):
                raise LedgerError("that is on record already")
            (number,) = self._db.execute("SELECT COALESCE(MAX(number), 0) + 1 FROM epoch").fetchone()
            epoch = Epoch(number, what, begin_ms, note, now_ms)
            self._db.execute("INSERT INTO epoch VALUES (?, ?, ?, ?, ?, ?)", epoch)
        return epoch

    def take_back_epoch(self, number: int, now_ms: int) -> Epoch:
        """Take back what was said. Raises LedgerError where it was not said, or is taken back already."""
        with self._transaction():
            found = next((one for one in self.all_epochs() if one.number == number), None)
            if found is None:
                raise LedgerError(f"there is no change with the number {number}. `changed --list` lists them")
            if found.undone_ms is not None:
                raise LedgerError(f"change {number} was taken back already")
            self._db.execute("UPDATE epoch SET undone_ms = ? WHERE number = ?", (now_ms, number))
        return found
