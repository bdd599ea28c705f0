"""Dated slots: RFC 3339, each fault of a feed by its name, merging, and what holds where nothing is known."""

from __future__ import annotations

import json
import math
import random
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import scipy  # its parts come when they are asked for
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control import slots
from surpluscharge.control.economics import EVERY_DAY, Tariff, Tariffs, Window, spans
from surpluscharge.control.signals import REJECTIONS, Rejected
from surpluscharge.control.slots import FAULTS, HOUR_S, QUARTER_S, Feed, Moving, Slot

ZONE = ZoneInfo("Europe/Berlin")
FEED = Feed(None, 6.0, zone=ZONE)
BEGIN = datetime(2031, 5, 1, tzinfo=ZONE)
NOW_S = BEGIN.timestamp()
NIGHT = Window(EVERY_DAY, 23 * 3600, 5 * 3600, import_price=Decimal("0.18"))
TARIFFS = Tariffs("EUR", (Tariff(date(2020, 1, 1), Decimal("0.30"), Decimal("0.08"), None, (NIGHT,)),))


def written(at_s: float, zone: ZoneInfo = ZONE) -> str:
    return datetime.fromtimestamp(at_s, zone).isoformat()


def day(count: int = 24, length_s: int = HOUR_S, begin_s: float = NOW_S, price: float = 0.2) -> list[dict[str, Any]]:
    return [
        {"start": written(begin_s + index * length_s), "minutes": length_s // 60, "price": price + index / 1000}
        for index in range(count)
    ]


def payload(given: Any) -> bytes:
    return json.dumps(given).encode()


def reason(given: Any, feed: Feed = FEED, now_s: float = NOW_S) -> str:
    with pytest.raises(Rejected) as refusal:
        slots.read_prices(given if isinstance(given, bytes) else payload(given), feed, now_s)
    assert str(refusal.value) == (REJECTIONS | FAULTS)[refusal.value.reason]
    return refusal.value.reason


def test_times_are_read_as_the_examples_of_the_standard_say() -> None:
    """RFC 3339, section 5.8: its five examples, and what it says of each (from memory)."""
    assert slots.instant("1985-04-12T23:20:50.52Z")[0] == pytest.approx(
        datetime(1985, 4, 12, 23, 20, 50, 520000, UTC).timestamp()
    )
    assert slots.instant("1996-12-19T16:39:57-08:00")[0] == slots.instant("1996-12-20T00:39:57Z")[0]
    # A leap second: the end of 1990; the same one in another zone.
    assert slots.instant("1990-12-31T23:59:60Z")[0] == datetime(1991, 1, 1, tzinfo=UTC).timestamp()
    assert slots.instant("1990-12-31T23:59:60Z")[0] == slots.instant("1990-12-31T15:59:60-08:00")[0]
    # Noon, 27.87 seconds, at an offset of twenty minutes.
    assert slots.instant("1937-01-01T12:00:27.87+00:20")[0] == pytest.approx(
        datetime(1937, 1, 1, 11, 40, 27, 870000, UTC).timestamp()
    )
    # Section 4.3: -00:00 names the moment; 5.6: t and z may be small, and a space may stand for T.
    assert slots.instant("2031-05-01 13:00:00-00:00") == slots.instant("2031-05-01t13:00:00z")


@given(st.integers(0, 4 * 10**15), st.integers(-23 * 60, 23 * 60))
def test_times_agree_with_the_standard_library(microseconds: int, minutes: int) -> None:
    aware = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=microseconds)
    aware = aware.astimezone(timezone(timedelta(minutes=minutes)))
    at_s, away = slots.instant(aware.isoformat())
    assert at_s == pytest.approx(aware.timestamp(), abs=1e-5)
    assert away == aware.utcoffset()


@pytest.mark.parametrize(
    "text",
    ["2031-05-01", "2031-13-01T00:00:00Z", "2031-02-29T00:00:00Z", "2031-05-01T24:00:00Z", "2031-05-01T00:00Z", 5, None,
     "2031-05-01T00:00:61Z", "2031-05-01T00:00:00+24:00", "0000-01-01T00:00:00Z", "٢031-05-01T00:00:00Z", "x" * 99],
)  # fmt: skip
def test_what_is_no_time_is_named(text: Any) -> None:
    assert reason([{"start": text, "minutes": 60, "price": 0.2}]) == "slot-time"


def test_a_day_of_prices_is_read() -> None:
    book = slots.read_prices(payload(day()), FEED, NOW_S)
    assert len(book) == 24 and book[0] == (NOW_S, NOW_S + HOUR_S, 0.2) and book[-1].value == pytest.approx(0.223)
    # In whatever order, with ends in place of lengths, at a pointer, in another unit, negative.
    given = [{"start": one["start"], "end": written(NOW_S + (index + 1) * HOUR_S), "price": -90.0, "more": [1]}
             for index, one in enumerate(day(3))]  # fmt: skip
    book = slots.read_prices(payload({"a": given[::-1]}), FEED._replace(pointer="/a", scale=0.001), NOW_S)
    assert book == tuple(Slot(int(NOW_S) + n * HOUR_S, int(NOW_S) + (n + 1) * HOUR_S, -0.09) for n in range(3))


def test_a_forecast_is_read_in_watts_or_watt_hours() -> None:
    given = [
        {"start": written(NOW_S), "minutes": 30, "wh": 600},
        {"start": written(NOW_S + 1800), "minutes": 30, "w": 9},
    ]
    assert [slot.value for slot in slots.read_powers(payload(given), Feed(None, 20000.0), NOW_S)] == [1200.0, 9.0]


@pytest.mark.parametrize(
    ("begin", "hours"), [(datetime(2031, 3, 30, tzinfo=ZONE), 23), (datetime(2031, 10, 26, tzinfo=ZONE), 25)]
)
@pytest.mark.parametrize("zone", [ZONE, ZoneInfo("UTC")])
def test_days_of_23_and_25_hours(begin: datetime, hours: int, zone: ZoneInfo) -> None:
    end_s = (begin + timedelta(days=1)).timestamp()  # the same time by the clock on the wall
    assert end_s - begin.timestamp() == hours * HOUR_S  # IANA: Berlin, 2031
    given = [
        {"start": written(begin.timestamp() + n * HOUR_S, zone), "minutes": 60, "price": n / 100} for n in range(hours)
    ]
    book = slots.read_prices(payload(given), FEED, begin.timestamp())
    assert slots.known_until_s(book, begin.timestamp()) == end_s
    moving = Moving(TARIFFS, book)
    assert len(list(moving.spans(begin, begin + timedelta(days=1)))) == hours


def test_each_fault_of_a_feed_has_its_name() -> None:
    good = day()
    assert reason({"slots": good}) == reason([]) == reason([3]) == "not-slots"
    assert reason(b"[") == "not-json"
    assert reason(b"\xff") == "not-utf8"
    assert reason(good, FEED._replace(pointer="/prices")) == "pointer-misses"
    assert reason([{"start": "2031-05-01T00:00:00Z", "minutes": 15, "price": 1}] * 401) == "too-many-slots"
    assert reason(day(10_000, QUARTER_S)) == "too-large"
    assert reason([{**good[0], "start": "2031-05-01T00:00:00"}]) == "slot-without-offset"
    assert reason([{**good[0], "start": "2031-05-01T00:00:00+01:00"}]) == "slot-wrong-zone"  # winter time in May
    assert reason([{**good[0], "start": "2031-05-01T00:07:00+02:00"}]) == "slot-off-the-quarter"
    assert reason([{**good[0], "minutes": 45}]) == reason([{**good[0], "minutes": -60}]) == "slot-length"
    assert reason([{**good[0], "end": good[1]["start"]}]) == "slot-length"
    assert reason([{"start": good[0]["start"], "price": 0.2}]) == "slot-length"
    assert reason([{"start": good[0]["start"], "minutes": 60}]) == "slot-without-value"
    assert reason([*good, good[4]]) == "slots-doubled"
    assert reason([{**good[0], "minutes": 60}, {**good[1], "start": written(NOW_S + 1800)}]) == "slots-overlap"
    assert reason(good[:5] + good[6:]) == "slots-gap"
    assert reason(good, now_s=NOW_S + 24 * HOUR_S) == "slots-stale"
    assert reason(day(begin_s=NOW_S + 8 * 24 * HOUR_S)) == "slots-too-far"
    assert reason(b'[{"start": "2031-05-01T00:00:00Z", "minutes": 60, "price": Infinity}]') == "not-finite"
    assert reason([{**good[0], "price": "1e999"}]) == "not-finite"
    assert reason([{**good[0], "price": None}]) == reason([{**good[0], "price": True}]) == "not-a-number"
    assert reason([{**good[0], "price": 20.0}]) == "implausible"  # hundredths of the currency
    # The standing of a feed that says nothing wrong, but too little.
    book = slots.read_prices(payload(good), FEED, NOW_S)
    hours = {hour: slots.lacking(book, NOW_S + hour * HOUR_S) for hour in (-1, 0, 16, 17, 23, 24)}
    assert hours == {-1: "missing", 0: None, 16: None, 17: "late", 23: "late", 24: "missing"}


@given(st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=30) | st.sampled_from(day(3)),
    lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(st.sampled_from(["start", "end", "minutes", "price"]), inner, max_size=4),
    max_leaves=12,
))  # fmt: skip
def test_whatever_comes_is_read_or_refused(given: Any) -> None:
    try:
        book = slots.read_prices(payload(given), FEED, NOW_S)
    except Rejected as refusal:
        assert refusal.reason in REJECTIONS | FAULTS
    else:
        assert all(math.isfinite(slot.value) and slot.end_s - slot.begin_s in slots.LENGTHS_S for slot in book)


stretches = st.tuples(st.integers(0, 60), st.integers(1, 30), st.sampled_from(slots.LENGTHS_S), st.integers(-9, 99))


@given(st.lists(stretches, max_size=6))
def test_the_newest_word_counts(told: list[tuple[int, int, int, int]]) -> None:
    """Beside a list of quarters of an hour in which each message overwrites what it tells of."""
    book: slots.Book = ()
    plain: dict[int, float] = {}
    for begin, count, length_s, price in told:
        begin_s = begin * HOUR_S
        fresh = tuple(Slot(begin_s + n * length_s, begin_s + (n + 1) * length_s, float(price)) for n in range(count))
        book = slots.merge(book, fresh, 0.0)
        plain |= dict.fromkeys(range(begin_s, begin_s + count * length_s, QUARTER_S), float(price))
    for quarter_s in range(-QUARTER_S, 100 * HOUR_S, QUARTER_S):
        slot = slots.at(book, quarter_s + 1)
        assert (slot.value if slot else None) == plain.get(quarter_s)
    assert all(one.end_s <= other.begin_s for one, other in pairwise(book))
    until_s = slots.known_until_s(book, 7200.0)
    assert until_s == 7200 + QUARTER_S * next(n for n in range(999) if 7200 + n * QUARTER_S not in plain)
    assert slots.restored(json.loads(json.dumps(slots.kept(book))), 100.0) == book


def test_what_is_over_is_dropped_and_the_rest_bounded() -> None:
    book: slots.Book = ()
    for number in range(30):
        begin_s = NOW_S + number * 24 * HOUR_S
        book = slots.merge(book, slots.read_prices(payload(day(96, QUARTER_S, begin_s)), FEED, begin_s), begin_s)
    assert len(book) == 4 * 96
    many = tuple(Slot(n * QUARTER_S, (n + 1) * QUARTER_S, 0.1) for n in range(9999))
    assert len(slots.merge((), many, 0.0)) == slots.MOST_KEPT
    assert slots.merge(book, (), NOW_S) == book


@pytest.mark.parametrize(
    "rows", [[[1, 2]], [[0, 900, math.nan]], [[0, 900, 7.0]], [[0.0, 900, 1.0]], [[0, 0, 1.0]], [[0, 900, True]], 5,
             [5], [["a", 900, 1.0]], [[900, 1800, 1.0], [0, 900, 1.0]], [[0, 900, "x"]], [[0, 900, 1.0]] * 9999],
)  # fmt: skip
def test_a_spoilt_store_restores_nothing(rows: Any) -> None:
    assert slots.restored(rows, 6.0) == ()


def test_where_nothing_is_known_the_tariff_of_the_file_holds() -> None:
    book = slots.read_prices(payload(day(3, begin_s=NOW_S + 4 * HOUR_S)), FEED, NOW_S)  # 04:00 to 07:00
    moving = Moving(TARIFFS, book)
    cut = [
        (begin.hour, prices and str(prices.import_price))
        for begin, _, prices in moving.spans(BEGIN, BEGIN + timedelta(days=1))
    ]
    # 0.18 until 5 and from 23 in the file, 0.30 else.
    assert cut == [(0, "0.18"), (4, "0.2"), (5, "0.201"), (6, "0.202"), (7, "0.30"), (23, "0.18")]
    assert moving.currency == "EUR"
    assert moving.prices_at(datetime(2019, 1, 1, tzinfo=ZONE)) is None
    # Nothing but the file, nothing of the feed: the same answers as the tariffs alone.
    bare = Moving(TARIFFS, ())
    for hour in range(24):
        when = BEGIN + timedelta(hours=hour)
        assert (bare.prices_at(when), bare.next_change(when)) == (TARIFFS.prices_at(when), TARIFFS.next_change(when))
    # Two neighbours at one price are no change; what "cheapest" means can be said anew.
    even = Moving(TARIFFS, tuple(slot._replace(value=0.18) for slot in book), Decimal("0.11"))
    assert even.next_change(BEGIN + timedelta(hours=4)) == BEGIN + timedelta(hours=7)
    prices = even.prices_at(BEGIN + timedelta(hours=5))
    assert prices is not None and prices.alternative_price == Decimal("0.11")
    paid = even._replace(cheapest=Decimal("-0.05")).prices_at(BEGIN)
    assert paid is not None and paid.alternative_price == 0  # as for a tariff: paid for taking is used up in any case


@pytest.mark.parametrize("day_of", [BEGIN, datetime(2031, 10, 26, tzinfo=ZONE), datetime(2031, 3, 30, tzinfo=ZONE)])
def test_a_day_is_cut_where_prices_move_in_one_go_as_step_by_step(day_of: datetime) -> None:
    """Beside the way from change to change; with a hole, quarters and hours, and needs at odd minutes."""
    begin_s = int(day_of.timestamp())
    quarters = tuple(
        Slot(begin_s + n * QUARTER_S, begin_s + (n + 1) * QUARTER_S, 0.1 + 0.01 * (n // 3 % 7))
        for n in range(96)
        if not 20 <= n < 31
    )
    night = slots.Other(begin_s + 420.0, begin_s + 7 * HOUR_S + 420.0, Decimal("0.11"))
    for others in (None, (), (night, night._replace(begin_s=night.end_s, end_s=begin_s + 19 * HOUR_S))):
        moving = Moving(TARIFFS, quarters, others=others)
        for late in (0, 1234):
            first, last = day_of + timedelta(seconds=late), day_of + timedelta(days=1, seconds=late)
            found = list(moving.spans(first, last))
            assert found[0][0] == first and found[-1][1] == last
            assert all(one[1] == other[0] and one[2] != other[2] for one, other in pairwise(found))
            for begin, end, prices in found:
                middle = datetime.fromtimestamp((begin.timestamp() + end.timestamp()) / 2, ZONE)
                assert moving.prices_at(begin) == prices
                if others is None:
                    assert moving.prices_at(middle) == prices
            if others is None:
                assert found == list(spans(moving, first, last))


def test_the_cheapest_is_what_this_lead_could_have_had() -> None:
    """A kWh an hour: one at 0.05, the next at 0.11; the third would be at 0.3. Held against HiGHS beside it."""
    prices = {4: 0.05, 20: 0.11}
    book = tuple(Slot(NOW_S + h * HOUR_S, NOW_S + (h + 1) * HOUR_S, prices.get(h, 0.3)) for h in range(24))
    begin_s, end_s = float(NOW_S), NOW_S + 24.0 * HOUR_S
    found = [slots.cheapest(book, begin_s, end_s, wh, 1000.0) for wh in (0.0, 500.0, 1000.0, 2000.0, 3000.0)]
    assert [str(one) for one in found] == ["0.05", "0.05", "0.05", "0.08", "0.15333"]
    # A lead of twice the draw has all of it in the cheapest hour; one that was there for half of it only, half.
    assert str(slots.cheapest(book, begin_s, end_s, 2000.0, 2000.0)) == "0.05"
    assert str(slots.cheapest(book, begin_s + 4.5 * HOUR_S, end_s, 1000.0, 1000.0)) == "0.08"
    assert slots.cheapest(book, begin_s, begin_s, 1000.0, 1000.0) is None
    assert slots.cheapest((), begin_s, end_s, 1000.0, 1000.0) is None
    rng = random.Random(5)
    for _ in range(20):
        some = tuple(slot._replace(value=rng.randint(-20, 60) / 100) for slot in book if rng.random() < 0.8)
        wh = rng.uniform(100.0, 1380.0 * len(some))
        best = scipy.optimize.linprog(
            [one.value for one in some], A_eq=[[1.0] * len(some)], b_eq=[wh], bounds=(0.0, 1380.0)
        )
        assert float(slots.cheapest(some, begin_s, end_s, wh, 1380.0) or 0) == pytest.approx(best.fun / wh, abs=5.1e-6)


def test_the_cheapest_of_a_time_that_is_over() -> None:
    """Until the need what was worked out for it; beyond, the cheapest of the slots a day ahead; never below nought."""
    prices = {4: 0.05, 20: 0.11}
    cheap = TARIFFS._replace(tariffs=tuple(one._replace(alternative_price=None) for one in TARIFFS.tariffs))
    book = tuple(Slot(NOW_S + h * HOUR_S, NOW_S + (h + 1) * HOUR_S, prices.get(h, 0.3)) for h in range(24))
    others = (slots.Other(NOW_S, NOW_S + 6 * HOUR_S, Decimal("0.08")),)
    moving = Moving(cheap, book, others=others)
    found = [moving.prices_at(datetime.fromtimestamp(NOW_S + h * HOUR_S, ZONE)) for h in (0, 4, 5, 6, 20, 21)]
    assert [str(one.alternative_price) for one in found if one] == ["0.08", "0.08", "0.08", "0.11", "0.11", "0.3"]
    fixed = Moving(TARIFFS._replace(tariffs=(cheap.tariffs[0]._replace(alternative_price=Decimal("0.2")),)), book)
    assert fixed._replace(others=()).prices_at(BEGIN) == fixed.prices_at(BEGIN)
    paid = moving._replace(others=(others[0]._replace(price=Decimal("-0.01")),)).prices_at(BEGIN)
    assert paid is not None and paid.alternative_price == 0


def test_what_is_believed_of_a_price() -> None:
    assert slots.believed(TARIFFS) == pytest.approx(6.0)
    assert slots.believed(Tariffs("EUR", (Tariff(None, Decimal(0), Decimal(0), None),))) == 1.0
