"""How the books age: totals of days that are over, longer intervals, and what is dropped for good."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import date, datetime, tzinfo
from typing import NamedTuple

from surpluscharge.control.economics import Priced, Tariffs
from surpluscharge.control.netting import Netting
from surpluscharge.history.energy import (
    MINUTE_MS,
    NOTHING,
    QUARTER_HOUR_MS,
    Energy,
    Interval,
    day_begins,
    day_span,
    days,
    downsample,
    ms_of,
    part,
    time_of,
    total,
)
from surpluscharge.history.ledger.books import COLUMNS, DROPPED, FOR_EVER_MS, MARKS, SUMS
from surpluscharge.history.ledger.contacts import Contacts

MOST_DAYS_AT_ONCE = 31  # that retention goes on by in a day: a clock that is years ahead for a day does little harm


class Retention(NamedTuple):
    """For how long each resolution is kept, in days. Daily totals are kept for ever."""

    readings_days: int = 14  # as recorded
    minutes_days: int = 92  # then by the minute
    quarter_hours_days: int = 3653  # then by the quarter of an hour


def cuts(begin_ms: int, end_ms: int, zone: tzinfo | None, priced: Priced | None) -> list[int]:
    """Return where down-sampling must cut besides its buckets: at local midnights, and wherever prices change."""
    begin, end = time_of(begin_ms, zone), time_of(end_ms, zone)
    found = {ms_of(day_begins(day, zone)) for day in days(begin.date(), end.date())}
    if priced:
        found |= {ms_of(since) for since, _, _ in priced.spans(begin, end)}
    return sorted(found)


class Ageing(Contacts):
    """Books in which what has become old is summed up, and what has become too old is dropped."""

    def retain(self, now_ms: int, zone: tzinfo | None, retention: Retention, tariffs: Tariffs | None) -> list[date]:
        """Total the days that are over, sum up what has become old, drop what has become too old.

        Meant for once a day. A local day is one transaction, so that nobody waits long, and a crash between two of
        them does no harm. It goes through days with readings only: the days that a clock was ahead cost nothing.
        Returns the days that were totalled for the first time.
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
            minutes_ms, quarters_ms = (ms_of(limit) for limit in limits)
            self._prune(minutes_ms, quarters_ms)
            self._thin_marks(minutes_ms, zone)
            self._thin_out(now_ms)
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
        self._db.execute("DELETE FROM price WHERE begin_s < ?", (others_ms // 1000,))
        self._db.execute("DELETE FROM foretold WHERE day < ?", (time_of(others_ms, None).date().isoformat(),))

    def _thin_marks(self, before_ms: int, zone: tzinfo | None) -> None:
        """Keep of energy registers' older readings the first of each base, and the last of each local day."""
        rows = self._db.execute(
            "SELECT name, base, at_ms FROM register WHERE at_ms <= ? ORDER BY at_ms", (before_ms,)
        ).fetchall()
        last = {(name, base, time_of(at_ms - 1, zone).date()): at_ms for name, base, at_ms in rows}
        first = {(name, base): at_ms for name, base, at_ms in reversed(rows)}
        kept = {(name, at_ms) for (name, *_), at_ms in [*last.items(), *first.items()]}
        gone = [(name, at_ms) for name, _, at_ms in rows if (name, at_ms) not in kept]
        self._db.executemany("DELETE FROM register WHERE name = ? AND at_ms = ?", gone)

    def _days_after(self, done: str, last: date, zone: tzinfo | None) -> Iterator[date]:
        """Yield the local days with intervals after ``done`` (an ISO date; empty: from the first on), up to last."""
        since_ms = ms_of(day_span(date.fromisoformat(done), zone)[1]) if done else -FOR_EVER_MS
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

    def _totalled(self, day: date) -> bool:
        return self._db.execute("SELECT 1 FROM day WHERE day = ?", (day.isoformat(),)).fetchone() is not None

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
        priced = self.in_force(tariffs, begin, end)
        spans = priced.spans(begin, end) if priced else iter([(begin, end, None)])
        rows: dict[tuple[str, str, str], Energy] = {}
        for since, until, prices in spans:
            key = (str(prices[0]), str(prices[1]), str(prices[2])) if prices else ("", "", "")
            rows[key] = rows.get(key, NOTHING).plus(self.energy(ms_of(since), ms_of(until)))
        netted: dict[tuple[str, str, str], int] = {}
        if tariffs is not None and tariffs.nets:
            for piece in self.billed(begin, end, tariffs):
                if piece.prices is not None:
                    key = (str(piece.prices[0]), str(piece.prices[1]), str(piece.prices[2]))
                    netted[key] = netted.get(key, 0) + piece.netted_mws
        if priced is not tariffs:  # what costs nothing needs no row for each of a day's many prices
            idle = [key for key, energy in rows.items() if not energy.charger_mws]
            rest = total(rows.pop(key) for key in idle)
            rows |= {idle[0]: rest} if idle else {}
        starts = self.starts(ms_of(begin), ms_of(end))
        if not starts and not any(energy.known_ms for energy in rows.values()):
            return
        register_ms = self.register_ms(ms_of(begin), ms_of(end))
        sums = ("starts", "register_ms", "netted_mws", *Energy._fields)
        adding = ", ".join(f"{field} = {field} + excluded.{field}" for field in sums)
        for prices_then, energy in rows.items():
            self._db.execute(
                "INSERT INTO day (day, begin_ms, end_ms, import_price, export_price, alternative_price, "
                f"starts, register_ms, netted_mws, {COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, {MARKS}) "
                "ON CONFLICT (day, import_price, export_price, alternative_price) "
                f"DO UPDATE SET end_ms = excluded.end_ms, {adding}",
                (
                    day.isoformat(),
                    ms_of(begin),
                    ms_of(end),
                    *prices_then,
                    starts,
                    register_ms,
                    netted.get(prices_then, 0),
                    *energy,
                ),
            )
            starts = register_ms = 0  # counted with the first of the rows

    def _wrong_days(self, begin_ms: int = -FOR_EVER_MS, end_ms: int = FOR_EVER_MS) -> list[date]:
        """Return the days between two times whose totals are not the sum of their intervals, where those are kept."""
        rows = self._db.execute(
            f"SELECT day, begin_ms, end_ms, {SUMS} FROM day WHERE end_ms > ? AND begin_ms < ? "
            "GROUP BY day ORDER BY day",
            (max(begin_ms, self._dropped_ms()), end_ms),
        ).fetchall()
        return [
            date.fromisoformat(day)
            for day, since_ms, until_ms, *sums in rows
            if Energy(*sums) != self.energy(since_ms, until_ms)
        ]

    def _drop(self, day: date, zone: tzinfo | None, tariffs: Tariffs | None) -> None:
        """Drop the intervals of a local day, and all before, for good: its totals are what is left of them."""
        dropped_ms, (begin, end) = self._dropped_ms(), day_span(day, zone)
        end_ms = ms_of(end)
        if ms_of(begin) < dropped_ms:
            begin = time_of(dropped_ms, zone)
        kept = "SELECT 1 FROM day WHERE day = ? AND end_ms <= ?"
        if self._db.execute(kept, (day.isoformat(), dropped_ms)).fetchone():
            self._add_total(day, begin, end, tariffs)
        elif tariffs is None or tariffs.netting_at(begin) is not Netting.MONTH:
            self._total(day, zone, tariffs)  # once more: the prices may have been corrected since
        elif ms_of(month := day_begins(day.replace(day=1), zone)) >= dropped_ms or not self._totalled(day):
            # A day's share of a month's bill is known while all of the month is.
            for one in days(month.date(), time_of(round(1000 * Netting.MONTH.span_s(begin)[1]) - 1, zone).date()):
                self._total(one, zone, tariffs)
        over = self._db.execute(
            f"SELECT origin, begin_ms, end_ms, {COLUMNS} FROM interval WHERE begin_ms < ? "
            "ORDER BY begin_ms DESC LIMIT 1",
            (end_ms,),
        ).fetchall()
        self._db.execute("DELETE FROM interval WHERE begin_ms < ?", (end_ms,))
        for origin, since_ms, until_ms, *sums in over:
            if rest := part(Interval(since_ms, until_ms, Energy(*sums)), end_ms, until_ms):  # of another zone's day
                self._insert([rest], origin)
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
            f"SELECT origin, begin_ms, end_ms, {COLUMNS} FROM interval WHERE begin_ms >= ? AND begin_ms < ? "
            "ORDER BY begin_ms",
            (begin_ms, end_ms),
        ).fetchall()
        edges = cuts(begin_ms, end_ms, zone, self.in_force(tariffs, *day_span(day, zone)))
        summed: list[tuple[int, list[Interval]]] = []
        # What was imported is never mixed with what was recorded: it can be undone, however old it is.
        for origin, together in itertools.groupby(rows, key=lambda row: row[0]):
            intervals = (Interval(begin, end, Energy(*sums)) for _, begin, end, *sums in together)
            summed.append((origin, list(downsample(intervals, bucket_ms, edges))))
        if sum(len(longer) for _, longer in summed) < len(rows):
            self._db.execute("DELETE FROM interval WHERE begin_ms >= ? AND begin_ms < ?", (begin_ms, end_ms))
            for origin, longer in summed:
                self._insert(longer, origin)
