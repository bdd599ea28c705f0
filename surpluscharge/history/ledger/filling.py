"""Readings from elsewhere: into the gaps only, or not at all where time would be counted twice."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from datetime import date, tzinfo

from surpluscharge.control.economics import Tariffs
from surpluscharge.history.energy import (
    MINUTE_MS,
    NOTHING,
    QUARTER_HOUR_MS,
    Interval,
    day_span,
    downsample,
    ms_of,
    part,
    time_of,
    total,
)
from surpluscharge.history.ledger.ageing import Ageing, Retention, cuts
from surpluscharge.history.ledger.records import EARLIEST_MS, Filled, LedgerError

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


class Filling(Ageing):
    """Books that take readings from elsewhere."""

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
                    begin, end = day_span(day, zone)
                    priced = self.in_force(tariffs, begin, end)
                    rows = downsample(rows, QUARTER_HOUR_MS, cuts(ms_of(begin), ms_of(end), zone, priced))
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
