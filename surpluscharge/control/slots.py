"""Dated slots: what each quarter, half or whole hour ahead will cost, or what the sun is expected to give in it.

Prices that move come the day before, as a JSON list (or with an RFC 6901 pointer to one)::

    [{"start": "2031-03-30T01:00:00+01:00", "minutes": 60, "price": 0.21},
     {"start": "2031-03-30T03:00:00+02:00", "end": "2031-03-30T04:00:00+02:00", "price": -0.02}]

``start`` is an RFC 3339 time with its offset, so that a day of 23 or 25 hours needs no care; the length is said by
``minutes`` or by ``end``. A forecast is the same with ``w`` (mean watts) or ``wh`` in place of ``price``. Other keys
are not looked at. A payload is taken whole or not at all: what cannot be right is refused with one of :data:`FAULTS`,
and then the tariff in the file goes on to hold. Slots say when they are, so a retained message is as good as any.

Pure: no clock, no I/O. Times are whole seconds of UTC since 1970.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from itertools import pairwise
from typing import Any, Literal, NamedTuple

from surpluscharge.control.economics import Prices, Tariffs
from surpluscharge.control.netting import Netting
from surpluscharge.control.signals import REJECTIONS, Rejected, number, value_at

MINUTE_S = 60
QUARTER_S = 15 * MINUTE_S  # clocks everywhere are whole quarters of an hour apart, so slots begin on one
HOUR_S = 60 * MINUTE_S
DAY_S = 24 * HOUR_S
LENGTHS_S = (QUARTER_S, 2 * QUARTER_S, HOUR_S)
MOST_SLOTS = 400  # in one message: four days of quarters
MOST_AHEAD_S = 8 * DAY_S  # nobody knows prices for so long ahead: a wrong year, or a wrong clock
KEPT_BEHIND_S = 3 * DAY_S  # what is over is kept so long
MOST_KEPT = 2 * (MOST_AHEAD_S + KEPT_BEHIND_S) // QUARTER_S
LEAST_AHEAD_S = 8 * HOUR_S  # published at midday for the next day, at least so much is known at any time

FAULTS = {
    "not-slots": "it is no JSON list of slots, or an empty one",
    "too-many-slots": f"there are more than {MOST_SLOTS} slots in one message",
    "slot-time": "a time is not written as RFC 3339 has it, such as 2031-05-01T13:00:00+02:00",
    "slot-without-offset": "a time has no offset from UTC, such as +02:00, so nobody knows when it is",
    "slot-wrong-zone": "a time has an offset that is neither UTC's nor, at that moment, that of site.time_zone",
    "slot-off-the-quarter": "a slot does not begin on a quarter of an hour",
    "slot-length": "a slot is not 15, 30 or 60 minutes long, or says nothing or two things of its length",
    "slot-without-value": "a slot has no value, or two",
    "slots-doubled": "two slots begin at the same moment",
    "slots-overlap": "a slot begins before the one before it is over",
    "slots-gap": "between two slots there is time without one",
    "slots-stale": "all of it is over",
    "slots-too-far": "it tells of a time too far ahead to be known",
}

REASONS = REJECTIONS | FAULTS  # why any message may be refused


class Unusable(Rejected):
    """A message of slots that will not be used; ``reason`` is a key of REASONS."""

    def __init__(self, reason: str) -> None:
        Exception.__init__(self, FAULTS[reason])
        self.reason = reason


class Slot(NamedTuple):
    """A stretch of time, and what holds in it: a price per kWh, or mean watts."""

    begin_s: int
    end_s: int
    value: float


Book = tuple[Slot, ...]  # what is known: in order, and none over another


class Feed(NamedTuple):
    """What is expected of the messages. ``limit``: the largest magnitude believed, after scaling.

    ``scale`` makes our unit of theirs (price per MWh: 0.001; kW: 1000). ``zone``: whose offsets may be written beside
    UTC's; None: any.
    """

    pointer: str | None
    limit: float
    scale: float = 1.0
    zone: tzinfo | None = None


# --- a message -------------------------------------------------------------------------------------------------------

_TIME = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(\.\d+)?([Zz]|[+-]\d\d:\d\d)?", re.ASCII)


def instant(text: Any) -> tuple[float, timedelta]:
    """Return the moment that an RFC 3339 time names, in seconds since 1970, and its offset from UTC. Raises Unusable.

    -00:00 ("the offset is not known") names a moment as well. A leap second is the first one of the next minute, as
    POSIX counts.
    """
    found = _TIME.fullmatch(text) if isinstance(text, str) and len(text) <= 64 else None
    if found is None:
        raise Unusable("slot-time")
    day, minute, second, fraction, offset = found.groups()
    if offset is None:
        raise Unusable("slot-without-offset")
    if offset in "Zz":
        offset = "+00:00"
    hours, minutes = int(offset[1:3]), int(offset[4:])
    if hours > 23 or minutes > 59 or int(second) > 60:
        raise Unusable("slot-time")
    away = timedelta(hours=hours, minutes=minutes) * (-1 if offset[0] == "-" else 1)
    try:
        begin = datetime.fromisoformat(f"{day}T{minute}:00").replace(tzinfo=timezone(away))
        return begin.timestamp() + int(second) + float(fraction or 0.0), away
    except (ValueError, OverflowError):
        raise Unusable("slot-time") from None


def read_prices(payload: bytes, feed: Feed, now_s: float) -> Book:
    """Return the import prices per kWh of a message. Raises Rejected."""
    return _read(payload, feed, now_s, {"price": lambda value, _: value})


def read_past(rows: Iterable[dict[str, Any]], feed: Feed) -> Book:
    """Return prices that are over, as a file has them: as many as there are, and with gaps. Raises Rejected."""
    found = sorted(_slot(row, feed, {"price": lambda value, _: value}) for row in rows)
    for before, after in pairwise(found):
        if after.begin_s < before.end_s:
            raise Unusable("slots-doubled" if after.begin_s == before.begin_s else "slots-overlap")
    return tuple(found)


def read_powers(payload: bytes, feed: Feed, now_s: float) -> Book:
    """Return the mean watts of a forecast. Raises Rejected."""
    return _read(
        payload, feed, now_s, {"w": lambda value, _: value, "wh": lambda value, length_s: value * HOUR_S / length_s}
    )


def _read(payload: bytes, feed: Feed, now_s: float, keys: dict[str, Callable[[float, int], float]]) -> Book:
    given = value_at(payload, feed.pointer or "")
    if not isinstance(given, list) or not given or not all(isinstance(one, dict) for one in given):
        raise Unusable("not-slots")
    if len(given) > MOST_SLOTS:
        raise Unusable("too-many-slots")
    found = sorted(_slot(one, feed, keys) for one in given)
    for before, after in pairwise(found):
        if after.begin_s == before.begin_s:
            raise Unusable("slots-doubled")
        if after.begin_s != before.end_s:
            raise Unusable("slots-overlap" if after.begin_s < before.end_s else "slots-gap")
    if found[-1].end_s <= now_s:
        raise Unusable("slots-stale")
    if found[-1].end_s > now_s + MOST_AHEAD_S:
        raise Unusable("slots-too-far")
    return tuple(found)


def _slot(given: dict[str, Any], feed: Feed, keys: dict[str, Callable[[float, int], float]]) -> Slot:
    begin_s = _moment(given.get("start"), feed.zone)
    if begin_s % QUARTER_S:
        raise Unusable("slot-off-the-quarter")
    if ("end" in given) == ("minutes" in given):
        raise Unusable("slot-length")
    length_s = _moment(given["end"], feed.zone) - begin_s if "end" in given else number(given["minutes"]) * MINUTE_S
    if length_s not in LENGTHS_S:
        raise Unusable("slot-length")
    named = [key for key in keys if key in given]
    if len(named) != 1:
        raise Unusable("slot-without-value")
    value = keys[named[0]](number(given[named[0]]), int(length_s)) * feed.scale
    if abs(value) > feed.limit:
        raise Rejected("implausible")
    return Slot(int(begin_s), int(begin_s + length_s), value)


def _moment(text: Any, zone: tzinfo | None) -> float:
    at_s, away = instant(text)
    if away and zone is not None and away != _local(at_s, zone).utcoffset():
        raise Unusable("slot-wrong-zone")
    return at_s


def _local(at_s: float, zone: tzinfo | None) -> datetime:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_s)).astimezone(zone)


def believed(tariffs: Tariffs, times: float = 20.0) -> float:
    """Return the largest price that is believed of a feed: far above all of the file's, so that pence pass for none.

    A day's prices in hundredths of the currency, or per MWh, lie beyond it; the dearest hour that a market allows does
    not (common practice).
    """
    prices = [abs(one.import_price) for one in tariffs.tariffs]
    prices += [abs(at.import_price) for one in tariffs.tariffs for at in one.windows if at.import_price is not None]
    return times * float(max(prices)) or 1.0


# --- what is known ---------------------------------------------------------------------------------------------------


def merge(known: Book, fresh: Book, now_s: float) -> Book:
    """Return what is known after a message: where it tells of a stretch, it counts. What is long over is dropped."""
    if not fresh:
        return known
    begin_s, end_s = fresh[0].begin_s, fresh[-1].end_s
    around = [*between(known, -math.inf, begin_s), *fresh, *between(known, end_s, math.inf)]
    return tuple(slot for slot in around if slot.end_s > now_s - KEPT_BEHIND_S)[-MOST_KEPT:]


def between(book: Book, begin_s: float, end_s: float) -> Iterator[Slot]:
    """Yield what is known of the time between two moments, cut off at both."""
    for slot in book[max(0, bisect_right(book, begin_s, key=lambda one: one.begin_s) - 1) :]:
        if slot.begin_s >= end_s:
            return
        begin, end = max(slot.begin_s, begin_s), min(slot.end_s, end_s)
        if begin < end:
            yield slot._replace(begin_s=int(begin), end_s=int(end))


def at(book: Book, at_s: float) -> Slot | None:
    """Return the slot at a moment; None: there is none."""
    index = bisect_right(book, at_s, key=lambda one: one.begin_s) - 1
    return book[index] if index >= 0 and at_s < book[index].end_s else None


def known_until_s(book: Book, from_s: float) -> float:
    """Return until when all is known from a moment on; that moment itself, where nothing is."""
    until_s = from_s
    for slot in between(book, from_s, math.inf):
        if slot.begin_s > until_s:
            break
        until_s = slot.end_s
    return until_s


def lacking(book: Book, now_s: float) -> Literal["late", "missing"] | None:
    """Say what is wrong with what is known: "missing", the price of now; "late", those ahead; None: nothing."""
    until_s = known_until_s(book, now_s)
    return "missing" if until_s <= now_s else "late" if until_s < now_s + LEAST_AHEAD_S else None


def kept(book: Book) -> list[list[float]]:
    """Return what is known as plain lists, for the store."""
    return [list(slot) for slot in book]


def restored(rows: Iterable[Iterable[Any]], limit: float) -> Book:
    """Return what was kept; nothing at all, where it is no book as this module makes them."""
    try:
        book = tuple(Slot(*row) for row in rows)
        sound = len(book) <= MOST_KEPT and all(
            type(slot.begin_s) is int
            and type(slot.end_s) is int
            and 0 < slot.end_s - slot.begin_s <= HOUR_S
            and not isinstance(slot.value, bool)
            and abs(slot.value) <= limit  # NaN is not
            for slot in book
        )
        return book if sound and all(one.end_s <= other.begin_s for one, other in pairwise(book)) else ()
    except (TypeError, ValueError):
        return ()


class Other(NamedTuple):
    """What a kWh would have cost otherwise, from one moment until another."""

    begin_s: float
    end_s: float
    price: Decimal


def cheapest(book: Book, begin_s: float, end_s: float, wh: float, draw_w: float) -> Decimal | None:
    """Return what a kWh costs of the cheapest ``wh`` that a lead of this draw can have between two moments.

    Their mean, rounded to five places: a slot holds no more than the lead draws in it, so what is more is dearer. None:
    no price is known.
    """
    known = sorted((slot.value, slot.end_s - slot.begin_s) for slot in between(book, begin_s, end_s))
    cost = taken_wh = 0.0
    for price, long_s in known:
        more_wh = min(draw_w * long_s / HOUR_S, wh - taken_wh)
        cost, taken_wh = cost + price * more_wh, taken_wh + more_wh
        if taken_wh >= wh:
            break
    if not known:
        return None
    return Decimal(str(round(cost / taken_wh if taken_wh > 0.0 else known[0][0], 5)))


class Moving(NamedTuple):
    """Tariffs whose import price moves where a slot is known, and is the file's where none is.

    Asked in the same way as :class:`surpluscharge.control.economics.Tariffs`. ``cheapest``, where it is given, is what
    the word means as the alternative price: what this lead could have had until the next need. Of a time that is over,
    ``others`` has it, from one time at which something was needed until the next; where that says nothing, it is the
    cheapest of the slots a day ahead.
    """

    tariffs: Tariffs
    book: Book
    cheapest: Decimal | None = None
    others: Sequence[Other] | None = None

    @property
    def currency(self) -> str:
        return self.tariffs.currency

    @property
    def nets(self) -> bool:
        return self.tariffs.nets

    def netting_at(self, when: datetime) -> Netting:
        """Return how the bill nets at a moment (aware, in the site's zone)."""
        return self.tariffs.netting_at(when)

    def interval_s(self, when: datetime) -> tuple[float, float]:
        """Return begin and end, in seconds since 1970, of the interval that the bill nets in."""
        return self.tariffs.interval_s(when)

    def prices_at(self, when: datetime) -> Prices | None:
        """Return the prices at a moment (aware, in the site's zone); None before the first tariff is valid."""
        tariff = self.tariffs.valid_at(when)
        if tariff is None:
            return None
        prices = tariff.prices_at(when)
        if (slot := at(self.book, when.timestamp())) is not None:
            prices = prices._replace(import_price=Decimal(str(slot.value)))
        if tariff.alternative_price is None:
            other = self.cheapest if self.others is None or slot is None else self._other(when.timestamp())
            if other is not None:
                prices = prices._replace(alternative_price=max(Decimal(0), other))
        return prices

    def _other(self, now_s: float) -> Decimal:
        """Return what the word meant at a moment of which the price is known."""
        others = self.others or ()
        index = bisect_right(others, now_s, key=lambda one: one.begin_s) - 1
        if index >= 0 and now_s < others[index].end_s:
            return others[index].price
        return Decimal(str(min(slot.value for slot in between(self.book, now_s, now_s + DAY_S))))

    def next_change(self, when: datetime) -> datetime | None:
        """Return the next moment with other prices (aware, in the zone of ``when``); None: they stay as they are."""
        now = self.prices_at(when)
        while True:
            after = self._next_turn(when)
            if after is None or self.prices_at(after) != now:
                return after
            when = after

    def _next_turn(self, when: datetime) -> datetime | None:
        """Return when the file's prices next change, or a slot begins or ends."""
        now_s = when.timestamp()
        after = self.tariffs.next_change(when)
        index = max(0, bisect_right(self.book, now_s, key=lambda one: one.begin_s) - 1)
        edges = (edge_s for slot in self.book[index : index + 2] for edge_s in slot[:2] if edge_s > now_s)
        edge_s = min(edges, default=None)
        if edge_s is None or (after is not None and after.timestamp() <= edge_s):
            return after
        return _local(edge_s, when.tzinfo)

    def spans(self, begin: datetime, end: datetime) -> Iterator[tuple[datetime, datetime, Prices | None]]:
        """Cut the time between two moments wherever the prices change. In one go: a year has 35,000 quarters."""
        held: tuple[datetime, datetime, Prices | None] | None = None
        for since, until, _ in self.tariffs.spans(begin, end):
            low_s, high_s = since.timestamp(), until.timestamp()
            known = between(self.book, low_s, high_s)
            edges_s: set[float] = {edge_s for slot in (*known, *(self.others or ())) for edge_s in slot[:2]}
            inside = [edge_s for edge_s in sorted(edges_s) if low_s < edge_s < high_s]
            moments = [since, *(_local(edge_s, since.tzinfo) for edge_s in inside), until]
            for first, last in pairwise(moments):
                prices = self.prices_at(first)
                if held is not None and held[2] == prices:
                    held = held[0], last, prices
                else:
                    if held is not None:
                        yield held
                    held = first, last, prices
        if held is not None:
            yield held
