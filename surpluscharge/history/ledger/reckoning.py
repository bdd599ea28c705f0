"""Gaps that the meter's energy registers fill: what flowed while nobody looked is known as a sum.

While the daemon was down, or the meter's power did not come, its registers counted on. Between a reading before a gap
and one after it, what they counted less what is on record beside the gap is what flowed in it. So much is booked there,
evenly, as an interval whose ``origin`` says where it is from: sums and money have it, but it is no reading of power,
and neither replay nor tuning nor what is expected of days looks at it. Of the charger's energy nobody knows how much
was sun: as much as was imported counts as bought.

It takes a register of import and one of export, since either alone leaves the other unknown; with one of what was
charged the charger's part is known, without it, it counts as nothing. A gap shorter than LEAST_GAP_MS is left alone: a
register's last digit would be all that is seen of it.

Readings that are imported into such a gap later displace what was filled in, for they know more; what then is left of
the gap is reckoned anew, and so it is when the import is undone.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from datetime import tzinfo
from typing import NamedTuple

from surpluscharge.control.economics import Tariffs
from surpluscharge.history.energy import QUARTER_HOUR_MS, Energy, Interval
from surpluscharge.history.ledger.ageing import Ageing
from surpluscharge.history.ledger.books import FOR_EVER_MS, REGISTER
from surpluscharge.history.ledger.records import Mark

LEAST_GAP_MS = QUARTER_HOUR_MS
RECKONED = "reckoned_ms"  # in meta: until then gaps were looked at
NEEDED = {"import", "export"}
MOST_W = 100_000.0  # where nobody says how much can flow: no house that charges through a socket has so much
UNKNOWN_PARTS = 500  # of a time of which the books have all, no more than one part in so many is missing


COUNTED: dict[str, Callable[[Energy], int]] = {  # what a register would have counted, by what it counts
    "import": lambda energy: energy.import_mws,
    "export": lambda energy: energy.export_mws,
    "charged": lambda energy: energy.charger_mws,
}


class Compared(NamedTuple):
    """A register beside what the books have, over the time of which they have all."""

    length_ms: int
    register_mws: int
    integrated_mws: int


class Reckoning(Ageing):
    """Books that know energy registers."""

    def marks(self, begin_ms: int, end_ms: int, name: str | None = None) -> list[Mark]:
        """Return the readings of all registers, or of one, between two times (both included), in order of time."""
        rows = self._db.execute(
            "SELECT name, at_ms, counts, base, shown_mws, total_mws FROM register "
            "WHERE at_ms >= ? AND at_ms <= ? AND name = COALESCE(?, name) ORDER BY at_ms, name",
            (begin_ms, end_ms, name),
        )
        return [Mark(*row) for row in rows]

    def last_mark(self, name: str) -> Mark | None:
        """Return the last reading of a register."""
        return self._mark("at_ms <= ? ORDER BY at_ms DESC", name, FOR_EVER_MS)

    def reckon(
        self, names: Sequence[str], limit_w: float, zone: tzinfo | None, tariffs: Tariffs | None
    ) -> list[Interval]:
        """Fill the gaps since it was done last, as far as registers tell; return what was filled in.

        ``names``: of the registers that are read now. ``limit_w``: a gap in which more would have flowed is left alone.
        One transaction: a crash before its end leaves the gaps for the next time.
        """
        with self._transaction():
            newest = [mark for name in names if (mark := self.last_mark(name))]
            if len(newest) < len(names) or not {mark.counts for mark in newest} >= NEEDED:
                return []
            until_ms = min(mark.at_ms for mark in newest)
            reckoned = self._meta(RECKONED, "")
            since_ms = int(reckoned) if reckoned else self.marks(-FOR_EVER_MS, FOR_EVER_MS)[0].at_ms
            if until_ms <= since_ms:
                return []
            filled = []
            gaps = [one for one in self._open_gaps(since_ms, until_ms) if one[1] - one[0] >= LEAST_GAP_MS]
            for gap in gaps:
                piece = self._in_gap(gap, names)
                if piece and piece.import_mws + piece.export_mws <= limit_w * (gap[1] - gap[0]):
                    filled.append(Interval(*gap, piece))
            self._insert(filled, REGISTER)
            self._set_meta(RECKONED, str(until_ms))
            for one in filled:
                for day in self._wrong_days(one.begin_ms, one.end_ms):
                    self._total(day, zone, tariffs)
        return filled

    def _has_filled(self) -> bool:
        return self._db.execute(f"SELECT 1 FROM interval WHERE origin = {REGISTER} LIMIT 1").fetchone() is not None

    def _displace(self, begin_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """Take out what registers filled in, wherever it touches a time; return from when to when that was."""
        where = f"FROM interval WHERE origin = {REGISTER} AND begin_ms < ? AND end_ms > ?"
        found = self._db.execute(f"SELECT begin_ms, end_ms {where}", (end_ms, begin_ms)).fetchall()
        if found:
            self._db.execute(f"DELETE {where}", (end_ms, begin_ms))
        return found

    def _refill(self, spans: Sequence[tuple[int, int]], zone: tzinfo | None, tariffs: Tariffs | None) -> None:
        """Reckon anew what is not covered of some times, by whatever registers tell of them."""
        names = [name for (name,) in self._db.execute("SELECT DISTINCT name FROM register ORDER BY name").fetchall()]
        filled = []
        for gap in self._open_gaps(min(spans)[0], max(end_ms for _, end_ms in spans)) if names else ():
            touched = any(begin_ms < gap[1] and end_ms > gap[0] for begin_ms, end_ms in spans)
            if not touched or gap[1] - gap[0] < LEAST_GAP_MS:
                continue
            telling = [name for name in names if all(self._around(gap, name))]
            piece = self._in_gap(gap, telling)
            if piece and piece.import_mws + piece.export_mws <= MOST_W * (gap[1] - gap[0]):
                filled.append(Interval(*gap, piece))
        self._insert(filled, REGISTER)
        for begin_ms, end_ms in spans:
            for day in self._wrong_days(begin_ms, end_ms):
                self._total(day, zone, tariffs)

    def _around(self, gap: tuple[int, int], name: str) -> tuple[Mark | None, Mark | None]:
        """Return a register's last reading before a gap, and its first after it."""
        before = self._mark("at_ms <= ? ORDER BY at_ms DESC", name, gap[0])
        return before, self._mark("at_ms >= ? ORDER BY at_ms", name, gap[1])

    def _open_gaps(self, since_ms: int, until_ms: int) -> list[tuple[int, int]]:
        """Return what no interval covers, from where the last interval before a time ends until another time."""
        since_ms = max(since_ms, self._dropped_ms())
        before = self._before(since_ms + 1)
        done_ms = before.end_ms if before else since_ms
        found = []
        rows = self._db.execute(
            "SELECT begin_ms, end_ms FROM interval WHERE begin_ms > ? AND begin_ms < ? ORDER BY begin_ms",
            (since_ms, until_ms),
        ).fetchall()
        for begin_ms, end_ms in [*rows, (until_ms, until_ms)]:
            if begin_ms > done_ms:
                found.append((done_ms, begin_ms))
            done_ms = max(done_ms, end_ms)
        return found

    def _in_gap(self, gap: tuple[int, int], names: Sequence[str]) -> Energy | None:
        """Return what flowed in a gap by the registers; None: one of those that are needed does not tell."""
        flowed: dict[str, int] = {}
        for name in names:
            before, after = self._around(gap, name)
            if before is None or after is None or before.base != after.base:
                return None
            counted_mws = after.total_mws - before.total_mws
            there = self.energy(before.at_ms, after.at_ms)
            open_ms = sum(
                min(end_ms, after.at_ms) - max(begin_ms, before.at_ms)
                for begin_ms, end_ms in self._open_gaps(before.at_ms, after.at_ms)
            )
            left_mws = max(0, counted_mws - COUNTED[before.counts](there))
            flowed[before.counts] = flowed.get(before.counts, 0) + left_mws * (gap[1] - gap[0]) // open_ms
        if not flowed.keys() >= NEEDED:
            return None
        charged_mws = flowed.get("charged", 0)
        bought_mws = min(charged_mws, flowed["import"])
        return Energy(
            known_ms=gap[1] - gap[0],
            import_mws=flowed["import"],
            export_mws=flowed["export"],
            solar_mws=charged_mws - bought_mws,
            bought_mws=bought_mws,
        )

    def compared(self, begin_ms: int, end_ms: int) -> dict[str, Compared]:
        """Return, by what is counted, how a register and the books compare: between readings without a gap between.

        Only where a single register counts it, and has counted anything.
        """
        found: dict[str, Compared] = {}
        marks = self.marks(begin_ms, end_ms)
        for counts, counted in COUNTED.items():
            listed = [mark for mark in marks if mark.counts == counts]
            if len({mark.name for mark in listed}) != 1:
                continue
            length_ms = register_mws = integrated_mws = 0
            for earlier, later in itertools.pairwise(listed):
                span_ms = later.at_ms - earlier.at_ms
                there = self.energy(earlier.at_ms, later.at_ms)
                whole = there.known_ms * UNKNOWN_PARTS >= span_ms * (UNKNOWN_PARTS - 1)
                if earlier.base == later.base and whole and not self.register_ms(earlier.at_ms, later.at_ms):
                    length_ms += span_ms
                    register_mws += later.total_mws - earlier.total_mws
                    integrated_mws += counted(there)
            if register_mws:
                found[counts] = Compared(length_ms, register_mws, integrated_mws)
        return found

    def _mark(self, where: str, name: str, at_ms: int) -> Mark | None:
        row = self._db.execute(
            f"SELECT name, at_ms, counts, base, shown_mws, total_mws FROM register WHERE name = ? AND {where} LIMIT 1",
            (name, at_ms),
        ).fetchone()
        return Mark(*row) if row else None
