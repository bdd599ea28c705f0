"""Energy accounting: from held powers to energies, and from energies to money. Pure; no I/O, no clock.

Energies are whole numbers of **milliwatt-seconds** (a watt held for a millisecond), times whole milliseconds of UTC
since 1970. So nothing is rounded when intervals are added, cut or down-sampled, and solar + bought + planned + battery
= charger holds exactly in every interval, because the charger's energy *is* that sum. In each interval the grid's share
of what the charger draws is min(charger, max(grid, 0)); the rest is solar. The grid's share is planned where a plan had
it charge, whatever the sun does, and else bought beside the sun. What a house battery gives for the charger is a share
as well (:func:`surpluscharge.control.battery.shares_w`). A power is held until the next one, but never across a
gap longer than the freshness limit: what is not known is a gap, and stays one.

What follows from other figures is not stored beside them, so that no two can disagree: neither the charger's energy nor
the surplus, which is solar + export. A part of an interval is a difference of running sums, so parts add up to the
whole, and "down-sampling keeps the sums" is an equality that the tests can ask for.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from decimal import Decimal
from typing import NamedTuple

from surpluscharge.control.battery import shares_w
from surpluscharge.control.economics import Priced, Prices
from surpluscharge.control.netting import from_grid

MWS_PER_WH = 3_600_000
MWS_PER_KWH = 1000 * MWS_PER_WH
MINUTE_MS = 60_000
QUARTER_HOUR_MS = 900_000
HOUR_MS = 3_600_000


class Energy(NamedTuple):
    """What flowed in some stretch of time. Adds up with :meth:`plus`; a part is cut off with :func:`part`."""

    known_ms: int = 0  # how much of the stretch is known; the rest is a gap
    on_ms: int = 0  # how long the relay was wanted on in it
    import_mws: int = 0  # of the whole house, the charger included
    export_mws: int = 0
    solar_mws: int = 0  # of the charger's energy, what would have been exported without it
    bought_mws: int = 0  # what was imported for it beside the sun,
    error_mws: int = 0  # (the sum may be off by so much, where the draw is learned or assumed; 0: measured)
    planned_mws: int = 0  # what was imported for it because a plan said so,
    battery_mws: int = 0  # and what a house battery gave for it
    stored_mws: int = 0  # of what the sun left over, what went into that battery; not the charger's

    def plus(self, other: Energy) -> Energy:
        """Return the sum of both."""
        return Energy(*(mine + its for mine, its in zip(self, other, strict=True)))

    @property
    def charger_mws(self) -> int:
        return self.solar_mws + self.bought_mws + self.planned_mws + self.battery_mws

    @property
    def grid_mws(self) -> int:
        """What was imported for the charger, by plan and beside the sun."""
        return self.bought_mws + self.planned_mws

    @property
    def surplus_mws(self) -> int:
        """What would have been exported or stored, had the charger been off: what was there to be caught."""
        return self.solar_mws + self.export_mws + self.stored_mws

    @property
    def import_wh(self) -> float:
        return self.import_mws / MWS_PER_WH

    @property
    def export_wh(self) -> float:
        return self.export_mws / MWS_PER_WH

    @property
    def charger_wh(self) -> float:
        return self.charger_mws / MWS_PER_WH

    @property
    def solar_wh(self) -> float:
        return self.solar_mws / MWS_PER_WH

    @property
    def bought_wh(self) -> float:
        return self.bought_mws / MWS_PER_WH

    @property
    def planned_wh(self) -> float:
        return self.planned_mws / MWS_PER_WH

    @property
    def battery_wh(self) -> float:
        return self.battery_mws / MWS_PER_WH

    @property
    def grid_wh(self) -> float:
        return self.grid_mws / MWS_PER_WH

    @property
    def surplus_wh(self) -> float:
        return self.surplus_mws / MWS_PER_WH

    @property
    def error_wh(self) -> float:
        return self.error_mws / MWS_PER_WH


NOTHING = Energy()


def total(energies: Iterable[Energy]) -> Energy:
    """Return the sum of all."""
    columns = list(zip(*energies, strict=True))
    return Energy(*(sum(column) for column in columns)) if columns else NOTHING


class Interval(NamedTuple):
    """A stretch of time and its energy: one held reading, or many of them summed up."""

    begin_ms: int
    end_ms: int
    energy: Energy

    @property
    def grid_w(self) -> float:
        """Mean grid power while it was known, positive for import."""
        return (self.energy.import_mws - self.energy.export_mws) / max(1, self.energy.known_ms)

    @property
    def charger_w(self) -> float:
        """Mean charger power while it was known."""
        return self.energy.charger_mws / max(1, self.energy.known_ms)


class Sample(NamedTuple):
    """Powers at a moment, to be held from then on."""

    at_ms: int
    grid_w: float
    charger_w: float
    on: bool
    error_w: float = 0.0  # how far off charger_w may be; 0: measured
    planned: bool = False  # it charges because a plan says so
    battery_w: float = 0.0  # into a house battery; below nought: out of it
    after_w: float = 0.0  # what others draw that come behind it: so much of what is imported is theirs


def held(sample: Sample, until_ms: int) -> Interval:
    """Return the interval in which a sample's powers were held."""
    at_ms, grid_w, charger_w, on, error_w, planned, battery_w, after_w = sample
    length_ms = until_ms - at_ms
    bought_w, given_w = shares_w(charger_w, grid_w - after_w, battery_w)
    bought_mws, given_mws = round(bought_w * length_ms), round(given_w * length_ms)
    left_w = max(battery_w - grid_w, 0.0)  # to battery and grid
    return Interval(
        at_ms,
        until_ms,
        Energy(
            known_ms=length_ms,
            on_ms=length_ms if on else 0,
            import_mws=round(max(grid_w, 0.0) * length_ms),
            export_mws=round(max(-grid_w, 0.0) * length_ms),
            solar_mws=round(charger_w * length_ms) - bought_mws - given_mws,
            bought_mws=0 if planned else bought_mws,
            error_mws=round(error_w * length_ms),
            planned_mws=bought_mws if planned else 0,
            battery_mws=given_mws,
            stored_mws=round((left_w - max(-grid_w, 0.0)) * length_ms) if battery_w > 0.0 else 0,
        ),
    )


def hold(samples: Iterable[Sample], fresh_ms: int) -> Iterator[Interval]:
    """Hold each sample until the next one, but no longer than ``fresh_ms``; the last one not at all.

    Samples come in the order of time; raises ValueError where they do not.
    """
    before: Sample | None = None
    for sample in samples:
        if before is not None:
            if sample.at_ms <= before.at_ms:
                raise ValueError(f"a sample at {sample.at_ms} ms comes after one at {before.at_ms} ms")
            yield held(before, min(sample.at_ms, before.at_ms + fresh_ms))
        before = sample


def part(interval: Interval, begin_ms: int, end_ms: int) -> Interval | None:
    """Return the part of the interval between two times, in proportion; None where there is none.

    Parts that meet add up to the whole exactly: each is a difference of two running sums.
    """
    begin_ms, end_ms = max(begin_ms, interval.begin_ms), min(end_ms, interval.end_ms)
    if begin_ms >= end_ms:
        return None
    if (begin_ms, end_ms) == (interval.begin_ms, interval.end_ms):
        return interval
    length_ms, low_ms, high_ms = (
        interval.end_ms - interval.begin_ms,
        begin_ms - interval.begin_ms,
        end_ms - interval.begin_ms,
    )
    cut = (value * high_ms // length_ms - value * low_ms // length_ms for value in interval.energy)
    return Interval(begin_ms, end_ms, Energy(*cut))


def downsample(intervals: Iterable[Interval], bucket_ms: int, cuts: Sequence[int] = ()) -> Iterator[Interval]:
    """Sum intervals up over buckets of the day that are ``bucket_ms`` long; sums stay exact.

    ``cuts`` are further times to cut at (midnights, where prices change), sorted. A bucket that begins or ends with a
    gap is shortened to what is known; a gap inside one shows in ``known_ms``. What is as long as a bucket already stays
    as it is.
    """
    open_: Interval | None = None
    limit_ms = 0
    for interval in intervals:
        rest: Interval | None = interval
        while rest is not None:
            # What lies before the last one comes from a clock that was put back far: a bucket of its own.
            if open_ is not None and not open_.end_ms <= rest.begin_ms < limit_ms:
                yield open_
                open_ = None
            if open_ is None:
                limit_ms = (rest.begin_ms // bucket_ms + 1) * bucket_ms
                if rest.end_ms - rest.begin_ms >= bucket_ms:
                    limit_ms = rest.end_ms
                index = bisect.bisect_right(cuts, rest.begin_ms)
                if index < len(cuts):
                    limit_ms = min(limit_ms, cuts[index])
            head = part(rest, rest.begin_ms, limit_ms)
            assert head is not None  # it begins before the limit
            open_ = head if open_ is None else Interval(open_.begin_ms, head.end_ms, open_.energy.plus(head.energy))
            rest = part(rest, head.end_ms, rest.end_ms)
    if open_ is not None:
        yield open_


def gaps(intervals: Iterable[Interval], begin_ms: int, end_ms: int, longer_than_ms: int) -> Iterator[tuple[int, int]]:
    """Yield (begin, end) of what no interval covers between two times, where it is longer than a limit."""
    covered_ms = begin_ms
    for interval in intervals:
        if interval.begin_ms - covered_ms > longer_than_ms:
            yield covered_ms, interval.begin_ms
        covered_ms = max(covered_ms, interval.end_ms)
    if end_ms - covered_ms > longer_than_ms:
        yield covered_ms, end_ms


# --- local time ------------------------------------------------------------------------------------------------------


def ms_of(when: datetime) -> int:
    """Return the milliseconds since 1970 of an aware time."""
    return (when - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


def time_of(at_ms: int, zone: tzinfo | None) -> datetime:
    """Return the local time at these milliseconds (zone None: the machine's own, at its present offset)."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)).astimezone(zone)


def day_begins(day: date, zone: tzinfo | None) -> datetime:
    """Return the moment a local day begins: its midnight, or where the clocks skip that, the first moment after it."""
    midnight = datetime(day.year, day.month, day.day)  # noqa: DTZ001  (made aware below)
    aware = midnight.replace(tzinfo=zone) if zone else midnight.astimezone()
    return aware.astimezone(UTC).astimezone(zone)


def day_span(day: date, zone: tzinfo | None) -> tuple[datetime, datetime]:
    """Return begin and end of a local day, of 23, 24 or 25 hours."""
    return day_begins(day, zone), day_begins(day + timedelta(days=1), zone)


def days(first: date, last: date) -> Iterator[date]:
    """Yield the dates from first to last, both included."""
    for number in range(first.toordinal(), last.toordinal() + 1):
        yield date.fromordinal(number)


# --- money -----------------------------------------------------------------------------------------------------------


class Money(NamedTuple):
    """What the charger's energy cost, in the tariffs' currency; standing charges left out.

    Held as price times milliwatt-seconds, so that sums are exact in whatever order they are made; the properties
    divide once, to 28 digits. Round only to show.
    """

    paid_units: Decimal = Decimal(0)
    forgone_units: Decimal = Decimal(0)
    alternative_units: Decimal = Decimal(0)
    planned_units: Decimal = Decimal(0)  # of what was paid, for what a plan had it buy
    battery_units: Decimal = Decimal(0)  # of what was forgone, for what a house battery gave

    @property
    def paid(self) -> Decimal:
        """For what was imported for the charger."""
        return self.paid_units / MWS_PER_KWH

    @property
    def forgone(self) -> Decimal:
        """What its solar share would have earned as export, and the battery's would have spared."""
        return self.forgone_units / MWS_PER_KWH

    @property
    def planned(self) -> Decimal:
        """Of what was paid, for what was imported because a plan said so."""
        return self.planned_units / MWS_PER_KWH

    @property
    def battery(self) -> Decimal:
        """Of what was forgone, what the battery's share would have spared the house."""
        return self.battery_units / MWS_PER_KWH

    @property
    def alternative(self) -> Decimal:
        """What the same energy would have cost otherwise."""
        return self.alternative_units / MWS_PER_KWH

    @property
    def cost(self) -> Decimal:
        return (self.paid_units + self.forgone_units) / MWS_PER_KWH

    @property
    def saved(self) -> Decimal:
        """Against the alternative; below zero: lost."""
        return (self.alternative_units - self.paid_units - self.forgone_units) / MWS_PER_KWH

    def plus(self, other: Money) -> Money:
        """Return the sum of both."""
        return Money(*(mine + its for mine, its in zip(self, other, strict=True)))


def total_money(parts: Iterable[Money | None]) -> Money | None:
    """Return the sum of what is known; None: nothing is."""
    result: Money | None = None
    for one in parts:
        if one is not None:
            result = one if result is None else result.plus(one)
    return result


def money(energy: Energy, prices: Prices) -> Money:
    """Return what the charger's share of this energy cost at these prices."""
    return Money(
        energy.grid_mws * prices.import_price,
        # What is in a battery would have spared the house an import.
        energy.solar_mws * prices.export_price + energy.battery_mws * prices.import_price,
        energy.charger_mws * prices.alternative_price,
        energy.planned_mws * prices.import_price,
        energy.battery_mws * prices.import_price,
    )


def as_billed(whole: Energy, piece: Energy, before_mws: int) -> Energy:
    """Return a piece of a register with its charger's energy shared out as a bill does that nets.

    ``whole`` is the register (see :mod:`surpluscharge.control.netting`), ``before_mws`` what the charger took in it
    before the piece, other than from a battery. Each piece is a difference of running sums, so they add up exactly.
    """
    charger_mws = whole.charger_mws - whole.battery_mws
    bought_mws = from_grid(whole.import_mws - whole.export_mws, charger_mws)
    planned_mws = min(whole.planned_mws, bought_mws)  # what a plan bought is the last to be spared
    here_mws = piece.charger_mws - piece.battery_mws
    after_mws = before_mws + here_mws

    def cut(value: int) -> int:
        return value * after_mws // charger_mws - value * before_mws // charger_mws if charger_mws else 0

    return piece._replace(
        solar_mws=here_mws - cut(bought_mws),
        bought_mws=cut(bought_mws) - cut(planned_mws),
        planned_mws=cut(planned_mws),
    )


def with_netted(energy: Energy, netted_mws: int) -> Energy:
    """Return the energy with so much less of the charger's imported, as :attr:`Billed.netted_mws` has it."""
    grid_mws = energy.grid_mws - netted_mws
    planned_mws = min(energy.planned_mws, grid_mws)
    return energy._replace(
        solar_mws=energy.solar_mws + netted_mws, bought_mws=grid_mws - planned_mws, planned_mws=planned_mws
    )


class Account(NamedTuple):
    """Energy of a stretch of time and its money.

    The energy is what flowed; the money is what the bill makes of it, which may net.
    """

    begin: datetime
    end: datetime
    energy: Energy
    money: Money | None  # None: no tariff is given, or none was valid at any time in it
    unpriced_mws: int = 0  # of the charger's energy, what fell where no tariff was valid; not in the money
    netted_mws: int = 0  # of what was imported for it, what the bill does not count so; below nought: it counts more

    @property
    def gap_ms(self) -> int:
        return ms_of(self.end) - ms_of(self.begin) - self.energy.known_ms


def account(
    energy_between: Callable[[int, int], Energy], begin: datetime, end: datetime, tariffs: Priced | None
) -> Account:
    """Account for a stretch of time, cut wherever prices change. ``energy_between(begin_ms, end_ms)``: of a ledger."""
    if tariffs is None:
        energy = energy_between(ms_of(begin), ms_of(end))
        return Account(begin, end, energy, None, energy.charger_mws)
    if tariffs.nets:
        span_ms = ms_of(begin), ms_of(end)
        pieces = billed(energy_between, [span_ms], begin, end, tariffs)
        return netted(energy_between(*span_ms), pieces, begin, end, tariffs)
    energy, cost, priced, unpriced_mws = NOTHING, Money(), False, 0
    for since, until, prices in tariffs.spans(begin, end):
        piece = energy_between(ms_of(since), ms_of(until))
        energy = energy.plus(piece)
        if prices is None:
            unpriced_mws += piece.charger_mws
        else:
            priced = True
            cost = cost.plus(money(piece, prices))
    return Account(begin, end, energy, cost if priced else None, unpriced_mws)


class Billed(NamedTuple):
    """A piece of time in which the charger drew, at one pair of prices: what flowed, and how the bill has it."""

    prices: Prices | None
    flowed: Energy
    billed: Energy

    @property
    def netted_mws(self) -> int:
        return self.flowed.grid_mws - self.billed.grid_mws


def billed(
    energy_between: Callable[[int, int], Energy],
    drew: Iterable[tuple[int, int]],
    begin: datetime,
    end: datetime,
    priced: Priced,
) -> Iterator[Billed]:
    """Share out what the charger drew between two times as the bill has it; ``drew`` has when that was, roughly.

    Each interval in which it drew is looked at as a whole, also where only a part of it lies between the two.
    """
    begin_ms, end_ms = ms_of(begin), ms_of(end)
    done_ms = begin_ms
    for drew_ms in drew:
        while (at_ms := max(done_ms, drew_ms[0])) < min(end_ms, drew_ms[1]):
            when = time_of(at_ms, begin.tzinfo)
            netting = priced.netting_at(when)
            edges_ms = [round(1000 * edge_s) for edge_s in priced.interval_s(when)]
            done_ms = edges_ms[1]
            registers: dict[object, list[tuple[int, int, Prices | None]]] = {}
            for since, until, prices in priced.spans(*(time_of(edge_ms, begin.tzinfo) for edge_ms in edges_ms)):
                register = registers.setdefault(prices[:2] if prices else None, [])
                register.append((ms_of(since), ms_of(until), prices))
            for pieces in registers.values():
                sums = [energy_between(since_ms, until_ms) for since_ms, until_ms, _ in pieces]
                whole, before_mws = total(sums), 0
                for (since_ms, until_ms, prices), full in zip(pieces, sums, strict=True):
                    from_ms, to_ms = max(since_ms, begin_ms), min(until_ms, end_ms)
                    lead_mws, before_mws = before_mws, before_mws + full.charger_mws - full.battery_mws
                    if from_ms >= to_ms:
                        continue
                    here = full if (from_ms, to_ms) == (since_ms, until_ms) else energy_between(from_ms, to_ms)
                    if from_ms > since_ms:
                        ahead = energy_between(since_ms, from_ms)
                        lead_mws += ahead.charger_mws - ahead.battery_mws
                    # Without netting the charger's shares are those that flowed, whatever else did that day.
                    yield Billed(prices, here, as_billed(whole, here, lead_mws) if netting.nets else here)


def netted(energy: Energy, pieces: Iterable[Billed], begin: datetime, end: datetime, priced: Priced) -> Account:
    """Return the account of a stretch of time of which ``energy`` is all that flowed."""
    cost, unpriced_mws, netted_mws = Money(), 0, 0
    for piece in pieces:
        if piece.prices is None:
            unpriced_mws += piece.flowed.charger_mws
        else:
            cost = cost.plus(money(piece.billed, piece.prices))
            netted_mws += piece.netted_mws
    known = any(prices is not None for _, _, prices in priced.spans(begin, end))
    return Account(begin, end, energy, cost if known else None, unpriced_mws, netted_mws)


def merged(accounts: Iterable[Account]) -> Account:
    """Return one account for several that follow one another. Raises ValueError where there is none."""
    listed = list(accounts)
    if not listed:
        raise ValueError("no account to merge")
    cost = total_money(one.money for one in listed)
    return Account(
        listed[0].begin,
        listed[-1].end,
        total(one.energy for one in listed),
        cost,
        sum(one.unpriced_mws for one in listed),
        sum(one.netted_mws for one in listed),
    )
