"""Whether the books are in order, and what can be mended."""

from __future__ import annotations

from datetime import tzinfo
from typing import NamedTuple

from surpluscharge.control.economics import Tariffs
from surpluscharge.history.energy import Energy, Interval, part, time_of
from surpluscharge.history.ledger.books import COLUMNS
from surpluscharge.history.ledger.filling import Fillable
from surpluscharge.history.ledger.records import DAY_MS
from surpluscharge.words import counted


class Trouble(NamedTuple):
    """Something that a check found."""

    what: str
    remedy: str
    ruined: bool = False  # nothing else can be said of the file


class Ledger(Fillable):
    """An open ledger, with all that can be done with one; see :class:`Books`."""

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
            "OR planned_mws < 0 OR battery_mws < 0 OR stored_mws < 0 "
            "OR bought_mws + planned_mws > import_mws + end_ms - begin_ms"
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
        (odd,) = self._db.execute(
            "SELECT COUNT(*) FROM shown WHERE error < 0 OR amps <= 0 OR ABS(value) > 1e3 OR error > 1e3 OR amps > 1e3"
        ).fetchone()
        if odd:
            found.append(
                Trouble(
                    f"what {counted(odd, 'switching')} showed of the joints cannot be",
                    "Somebody else has written into the file. Restore a copy",
                )
            )
        wrong = self._wrong_days()
        if wrong:
            listed = ", ".join(str(day) for day in wrong[:5]) + (" and more" if len(wrong) > 5 else "")
            found.append(Trouble(f"the daily totals differ from the intervals on {listed}", mend))
        return found

    def mend(self, now_ms: int, zone: tzinfo | None, tariffs: Tariffs | None) -> None:
        """Put right what :meth:`check` finds and can be put right; the daemon must not run."""
        if self._odd_values():
            return
        with self._transaction():
            rows = self._db.execute(
                f"SELECT origin, begin_ms, end_ms, {COLUMNS} FROM interval ORDER BY begin_ms"
            ).fetchall()
            until_ms, twice, left = 0, [], []
            for origin, begin_ms, end_ms, *sums in rows:
                if begin_ms < until_ms:  # what came first stays; of what overlaps it, what is left over
                    twice.append((begin_ms,))
                    left.append((origin, part(Interval(begin_ms, end_ms, Energy(*sums)), until_ms, end_ms)))
                until_ms = max(until_ms, end_ms)
            self._db.executemany("DELETE FROM interval WHERE begin_ms = ?", twice)
            for origin, piece in left:
                self._insert([piece] if piece else [], origin)
            for day in self._wrong_days():
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
