"""What was needed by when, what came in time, and what the plan was worth.

Three ways to charge the same energy in the same time, from when its count began until it was needed, at the same
prices and with the same surplus:

- as it was done;
- *at once*: from the first moment on, without a pause, until it is in;
- *at best*: in the cheapest minutes, as only hindsight can know them. What a kilowatt-hour costs in a minute depends on
  nothing but the minute, so taking the cheapest first is exact (tests/test_needed.py holds it against HiGHS). Shortest
  times and budgets of starts are left out, so nobody could have done better, and a plan may not have been able to do
  as well.

Both others charge with the mean power that the lead showed, and as if the car had been there all the time, since
nobody tells the daemon when it is. What is not known of the time is used by neither.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, tzinfo
from decimal import Decimal
from typing import NamedTuple

from surpluscharge.control.economics import Priced, Prices, Tariffs
from surpluscharge.history.energy import (
    MINUTE_MS,
    MWS_PER_KWH,
    Energy,
    Interval,
    downsample,
    ms_of,
    time_of,
)
from surpluscharge.history.ledger import LONGEST_COUNT_MS, Due, Ledger

LEAST_MWS = MWS_PER_KWH // 20  # for less there is nothing to compare
KNOWN_SHARE = 0.9  # of the time, or else nothing is compared


class Need(NamedTuple):
    """One need that is over. Money in the tariffs' currency; None: not known, or nothing to compare."""

    due: Due
    begin: datetime
    by: datetime
    energy: Energy  # of that time
    cost: Decimal | None = None  # of what was charged in it, as it was done
    at_once: Decimal | None = None
    best: Decimal | None = None

    @property
    def lacked_mws(self) -> int:
        """What had not come by then."""
        return 0 if self.due.met else max(0, self.due.needed_mws - self.due.came_mws)


class Compared(NamedTuple):
    """Several needs together: how many were met, and of those that can be compared, what they cost each way."""

    needs: int
    met: int
    lacked_mws: int
    cost: Decimal | None
    at_once: Decimal | None
    best: Decimal | None


class Piece(NamedTuple):
    """A stretch in which the lead could have charged: how much, and what all of that costs in price times energy."""

    mws: int
    units: Decimal


def need_of(ledger: Ledger, due: Due, tariffs: Tariffs | None, zone: tzinfo | None) -> Need:
    """Return what became of a need, from the ledger alone."""
    begin, by = time_of(due.since_ms, zone), time_of(due.by_ms, zone)
    energy, long_ms = ledger.energy(due.since_ms, due.by_ms), due.by_ms - due.since_ms
    found = Need(due, begin, by, energy)
    priced = ledger.in_force(tariffs, begin, by)
    if priced is None or energy.charger_mws < LEAST_MWS or not energy.on_ms or long_ms > LONGEST_COUNT_MS:
        return found
    accounted = ledger.account(begin, by, tariffs)
    if accounted.money is None or accounted.unpriced_mws or energy.known_ms < KNOWN_SHARE * long_ms:
        return found
    pieces = list(_pieces(ledger.intervals(due.since_ms, due.by_ms), energy, priced, begin, by))
    at_once, best = _cost(pieces, energy.charger_mws), _cost(cheapest_first(pieces), energy.charger_mws)
    cost = accounted.money.cost
    # As it was done is one way, too: the means over minutes, and of the draw, may hide a little of it.
    return found._replace(cost=cost, at_once=at_once, best=None if best is None else min(best, cost))


def together(needs: Sequence[Need]) -> Compared | None:
    """Return several needs as one; None: there is none."""
    if not needs:
        return None
    sums: list[Decimal | None] = [None, None, None]
    ways = [
        (need.cost, need.at_once, need.best)
        for need in needs
        if need.cost is not None and need.at_once is not None and need.best is not None
    ]
    if ways:
        sums = [sum(way, Decimal(0)) for way in zip(*ways, strict=True)]
    met, lacked_mws = sum(need.due.met for need in needs), sum(need.lacked_mws for need in needs)
    return Compared(len(needs), met, lacked_mws, *sums)


def cheapest_first(pieces: Iterable[Piece]) -> list[Piece]:
    """Return pieces by what a kilowatt-hour costs in them."""
    return sorted(pieces, key=lambda piece: piece.units / piece.mws)


def _pieces(
    intervals: Iterable[Interval], whole: Energy, priced: Priced, begin: datetime, by: datetime
) -> Iterator[Piece]:
    """Yield what the lead could have charged minute by minute, in order."""
    spans = list(priced.spans(begin, by))
    starts_ms = [ms_of(since) for since, _, _ in spans]
    ends_ms = [*starts_ms[1:], ms_of(by)]
    index = 0
    for minute in downsample(intervals, MINUTE_MS, starts_ms):
        while ends_ms[index] <= minute.begin_ms:
            index += 1
        prices = spans[index][2]
        mws = whole.charger_mws * minute.energy.known_ms // whole.on_ms
        if prices is not None and mws > 0:
            yield Piece(mws, _units(mws, min(mws, minute.energy.surplus_mws), prices))


def _units(mws: int, solar_mws: int, prices: Prices) -> Decimal:
    return solar_mws * prices.export_price + (mws - solar_mws) * prices.import_price


def _cost(pieces: Iterable[Piece], mws: int) -> Decimal | None:
    """Return what so much energy costs, taken from these pieces in their order; None: it is not in them."""
    units = Decimal(0)
    for piece in pieces:
        taken = min(mws, piece.mws)
        units += piece.units * taken / piece.mws
        mws -= taken
        if not mws:
            return units / MWS_PER_KWH
    return None
