"""What is on record of the contacts: what switchings showed of them, what they carried, and when somebody looked."""

from __future__ import annotations

from surpluscharge.history.energy import HOUR_MS, MWS_PER_WH
from surpluscharge.history.ledger.books import FOR_EVER_MS
from surpluscharge.history.ledger.epochs import Epochs
from surpluscharge.history.ledger.records import DAY_MS, Look, Shown
from surpluscharge.history.wear import Wear

SHOWN_DAYS = 3653  # what switchings show of the joints is kept so long,
SHOWN_ALL_DAYS, SHOWN_EVERY_MS = 731, DAY_MS // 4  # after this the first of each measure in such a time


class Contacts(Epochs):
    """Books that know of the contacts."""

    def shown(self, begin_ms: int = -FOR_EVER_MS, end_ms: int = FOR_EVER_MS) -> list[Shown]:
        """Return what was seen of the joints between two times, in order."""
        rows = self._db.execute(
            "SELECT at_ms, measure, value, error, amps FROM shown WHERE at_ms >= ? AND at_ms < ? "
            "ORDER BY at_ms, measure",
            (begin_ms, end_ms),
        )
        return [Shown(*row) for row in rows]

    def looks(self) -> list[Look]:
        """Return when somebody has looked at plug and socket, oldest first."""
        rows = self._db.execute("SELECT at_ms, note FROM look ORDER BY at_ms")
        return [Look(*row) for row in rows]

    def wear(self, mains_v: float) -> Wear:
        """Return what relay, socket and pins have done: by the charges that are over, at this voltage."""
        looks, new_ms = self.looks(), self.anew_ms("relay")
        looked_ms = looks[-1].at_ms if looks else -FOR_EVER_MS
        charger = "(solar_mws + bought_mws + planned_mws + battery_mws)"
        # Of one whose power nobody knows, the relay has switched a load for all that is known.
        rows = self._db.execute(
            f"SELECT CASE WHEN on_ms > 0 THEN CAST(ROUND({charger} / (on_ms * ?1)) AS INTEGER) END AS amps, "
            f"SUM(on_ms), SUM(begin_ms >= ?2), MIN(CASE WHEN begin_ms >= ?2 THEN begin_ms END), "
            f"SUM(CASE WHEN begin_ms >= ?3 THEN {charger} ELSE 0 END) "
            "FROM charge WHERE end_ms IS NOT NULL GROUP BY amps ORDER BY amps",
            (mains_v, new_ms, looked_ms),
        ).fetchall()
        loaded = [row for row in rows if row[0] is None or row[0] >= 1]
        firsts_ms = [first_ms for *_, first_ms, _ in loaded if first_ms is not None]
        return Wear(
            operations=sum(count for _, _, count, _, _ in loaded),
            first_ms=min(firsts_ms, default=None),
            hours_at=tuple((amps, on_ms / HOUR_MS) for amps, on_ms, *_ in loaded if amps is not None),
            ampere_hours=sum(mws for *_, mws in loaded) / MWS_PER_WH / mains_v,
            look=looks[-1] if looks else None,
        )

    def _thin_out(self, now_ms: int) -> None:
        """Drop of what is old of the joints what a page of months does not need. Looks are kept."""
        self._db.execute("DELETE FROM shown WHERE at_ms < ?", (now_ms - SHOWN_DAYS * DAY_MS,))
        self._db.execute(
            "DELETE FROM shown WHERE at_ms < ?1 AND EXISTS (SELECT 1 FROM shown AS other WHERE "
            "other.measure = shown.measure AND other.at_ms < shown.at_ms AND other.at_ms >= shown.at_ms / ?2 * ?2)",
            (now_ms - SHOWN_ALL_DAYS * DAY_MS, SHOWN_EVERY_MS),
        )
