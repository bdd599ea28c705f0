"""Readings from elsewhere: into the gaps only, or not at all where time would be counted twice; and out again.

Each import has a number, and each interval keeps the number of the one it came with, through all summing up (what was
recorded is never mixed with what was imported). So one import can be undone years later: exactly what it added goes.
Only what has been dropped to daily totals by then is mixed for good, and such an import is not undone.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from datetime import date, tzinfo

from surpluscharge.control.economics import Tariffs
from surpluscharge.history.energy import (
    MINUTE_MS,
    NOTHING,
    QUARTER_HOUR_MS,
    Energy,
    Interval,
    day_span,
    downsample,
    ms_of,
    part,
    time_of,
    total,
)
from surpluscharge.history.ledger.ageing import Retention, cuts
from surpluscharge.history.ledger.books import SUMS
from surpluscharge.history.ledger.reckoning import Reckoning
from surpluscharge.history.ledger.records import EARLIEST_MS, Filled, Filling, LedgerError

# What a running daemon may not have written yet: the longest batch_s. Its time must be free when it comes, or what was
# imported would displace what was measured. Nobody asks whether a daemon runs: a rule that always holds is easier to
# understand, and leaves no moment in between. One that could not write for longer says so (`history_overlap`).
UNWRITTEN_MS = 3_600_000


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


class Fillable(Reckoning):
    """Books that take readings from elsewhere, and give them back."""

    def fill(
        self,
        intervals: Iterable[Interval],
        now_ms: int,
        zone: tzinfo | None,
        retention: Retention,
        *,
        tariffs: Tariffs | None,
        gaps_only: bool,
        source: str = "",
    ) -> Filled:
        """Write older intervals, in the order of time, from elsewhere: all of them, or nothing.

        ``source`` is the name that :meth:`fillings` lists it with. They are summed up as far as those recorded at that
        time are. Raises LedgerError where a time is counted already, by intervals or by daily totals whose intervals
        were dropped, unless ``gaps_only``: then only what is missing is taken. Raises it as well for times that cannot
        be, and for those of the last hour, which a running daemon may not have written yet. What ``intervals`` raises
        comes through, and nothing is written.
        """
        today = time_of(now_ms, zone).date()
        with self._transaction():
            limits = {
                key: max(self._meta(key, ""), date.fromordinal(today.toordinal() - 1 - age_days).isoformat())
                for key, age_days in (("minutes", retention.readings_days), ("quarter_hours", retention.minutes_days))
            }
            (number,) = self._db.execute("SELECT COALESCE(MAX(number), 0) + 1 FROM filling").fetchone()
            first_ms = last_ms = count = again_ms = 0
            new_from_ms = new_until_ms = 0
            has_filled, displaced = self._has_filled(), list[tuple[int, int]]()
            energy, dropped_ms = NOTHING, self._dropped_ms()
            in_days = _cut_at_midnights(_credible(intervals, now_ms, zone), zone)
            for day, of_day in itertools.groupby(in_days, key=lambda one: time_of(one.begin_ms, zone).date()):
                rows: Iterable[Interval] = of_day
                if day.isoformat() <= limits["minutes"]:
                    rows = downsample(rows, MINUTE_MS)
                if day.isoformat() <= limits["quarter_hours"]:
                    begin, end = day_span(day, zone)
                    priced = self.in_force(tariffs, begin, end)
                    rows = downsample(rows, QUARTER_HOUR_MS, cuts(ms_of(begin), ms_of(end), zone, priced))
                for interval in rows:
                    if has_filled:
                        displaced += self._displace(interval.begin_ms, interval.end_ms)
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
                    self._insert(pieces, number)
                    if pieces:
                        new_from_ms, new_until_ms = new_from_ms or pieces[0].begin_ms, pieces[-1].end_ms
                    first_ms, last_ms = first_ms or interval.begin_ms, interval.end_ms
                    again_ms += seen_ms
                    count += len(pieces)
                    energy = total([energy, *(piece.energy for piece in pieces)])
                if day < today:
                    self._total(day, zone, tariffs)
            for key, limit in limits.items():
                if count and not self._meta(key, ""):
                    self._set_meta(key, limit)  # so far all is summed up
            if displaced:
                self._refill(displaced, zone, tariffs)
            if not count:
                return Filled(first_ms, last_ms, count, again_ms, energy)
            self._db.execute(
                "INSERT INTO filling VALUES (?, ?, ?, ?, ?, ?, NULL)",
                (number, now_ms, source, new_from_ms, new_until_ms, count),
            )
            return Filled(first_ms, last_ms, count, again_ms, energy, number)

    def fillings(self) -> list[Filling]:
        """Return the imports that have a number, oldest first, undone ones too."""
        rows = self._db.execute(
            "SELECT number, at_ms, source, begin_ms, end_ms, rows, undone_ms FROM filling ORDER BY number"
        )
        return [Filling(*row) for row in rows]

    def numbered_ms(self) -> int | None:
        """Return since when imports have numbers, where the ledger is older than that; None: all of its have one."""
        return int(found) if (found := self._meta("numbered_ms", "")) else None

    def still_in(self, number: int) -> Energy:
        """Return the energy of what an import added, as far as its intervals are kept."""
        return Energy(*self._db.execute(*self._of(f"SELECT {SUMS} FROM interval", number)).fetchone())

    def _of(self, statement: str, number: int) -> tuple[str, tuple[int, ...]]:
        """Return a statement for the intervals of an import; only its stretch of time is searched."""
        found = self._db.execute("SELECT begin_ms, end_ms FROM filling WHERE number = ?", (number,)).fetchone()
        return f"{statement} WHERE begin_ms >= ? AND begin_ms < ? AND origin = ?", (*(found or (0, 0)), number)

    def undoable(self, number: int, zone: tzinfo | None) -> Filling:
        """Return the import of this number. Raises LedgerError where it cannot be undone, as :meth:`unfill` does."""
        filling = next((one for one in self.fillings() if one.number == number), None)
        if filling is None:
            raise LedgerError(f"there is no import with the number {number}. `import --list` lists them")
        if filling.undone_ms is not None:
            undone = time_of(filling.undone_ms, zone)
            raise LedgerError(f"import {number} was undone already, on {undone:%Y-%m-%d %H:%M}")
        dropped_ms = self._dropped_ms()
        if filling.begin_ms < dropped_ms:
            raise LedgerError(
                f"import {number} has aged: until {time_of(dropped_ms, zone):%Y-%m-%d %H:%M} only daily totals are "
                "kept, and in them nobody can tell what was imported from what was recorded. A copy of the ledger "
                "from before the import can be put back"
            )
        return filling

    def unfill(self, number: int, now_ms: int, zone: tzinfo | None, *, tariffs: Tariffs | None) -> Energy:
        """Take back what the import of this number added, and nothing else: all of it, or nothing.

        Returns the energy that goes. What was there before, and what has come since, stays; the totals of its days are
        made anew from what is left. Raises LedgerError where there is no such import, where it is undone already, and
        where a part of it is kept in daily totals only.
        """
        with self._transaction():
            filling = self.undoable(number, zone)
            energy = self.still_in(number)
            self._db.execute(*self._of("DELETE FROM interval", number))
            span = filling.begin_ms, filling.end_ms
            self._refill([span, *self._displace(span[0] - 1, span[1] + 1)], zone, tariffs)
            for day in self._wrong_days(filling.begin_ms, filling.end_ms):
                self._total(day, zone, tariffs)
            self._db.execute("UPDATE filling SET undone_ms = ? WHERE number = ?", (now_ms, number))
        return energy
