"""Tariffs, break-even and thresholds. The numbers worked by hand stand beside the checks."""

from __future__ import annotations

from bisect import bisect_right
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
import scipy  # its parts come when they are asked for
from hypothesis import given, settings
from hypothesis import strategies as st

from surpluscharge.control.economics import (
    EVERY_DAY,
    LEAST_SURPLUS_W,
    Prices,
    Tariff,
    Tariffs,
    Window,
    benefit_per_h,
    break_even,
    thresholds,
)

ZONE = ZoneInfo("Europe/Berlin")
WORKDAYS = frozenset(range(5))


def prices(bought: str, sold: str, alternative: str) -> Prices:
    return Prices(Decimal(bought), Decimal(sold), Decimal(alternative))


def local(text: str, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZONE, fold=fold)


NIGHT = Window(EVERY_DAY, 23 * 3600, 5 * 3600 + 1800, import_price=Decimal("0.11"))
MIDDAY = Window(WORKDAYS, 12 * 3600, 14 * 3600, import_price=Decimal("0.19"), export_price=Decimal("0.02"))
TARIFFS = Tariffs(
    "EUR",
    (
        Tariff(None, Decimal("0.30"), Decimal("0.08"), None, (NIGHT, MIDDAY)),
        Tariff(date(2031, 7, 1), Decimal("0.33"), Decimal("0.05"), Decimal("0.21")),
    ),
)


def test_break_even_worked_by_hand() -> None:
    # 2000 * (0.27 - 0.20) / (0.27 - 0.15) = 2000 * 0.07 / 0.12 = 1166.67
    assert break_even(2000.0, prices("0.27", "0.15", "0.20")) == ("above", pytest.approx(1166.6667, abs=1e-3))
    # 2000 * 0.18 / 0.27 = 1333.33
    assert break_even(2000.0, prices("0.27", "0.00", "0.09")) == ("above", pytest.approx(1333.3333, abs=1e-3))
    # An alternative as dear as import: even bought energy loses nothing.
    assert break_even(2000.0, prices("0.27", "0.08", "0.27")) == ("always", 0.0)
    # An alternative that costs less than the sun earns: never.
    assert break_even(2000.0, prices("0.27", "0.10", "0.09")) == ("never", float("inf"))
    # Equal to export: only the whole draw from the sun costs what the alternative does.
    assert break_even(2000.0, prices("0.27", "0.10", "0.10")) == ("above", 2000.0)
    # The odd tariff: bought at 0.10, sold at 0.20. At 0.15, the sun is better sold.
    assert break_even(2000.0, prices("0.10", "0.20", "0.15")).kind == "never"
    assert break_even(2000.0, prices("0.10", "0.20", "0.25")).kind == "always"


def test_benefit_worked_by_hand() -> None:
    # An hour at 2 kW, half of it from the sun: 2 * 0.20 - 1 * 0.08 - 1 * 0.30 = 0.02
    assert benefit_per_h(2000.0, 1000.0, prices("0.30", "0.08", "0.20")) == pytest.approx(0.02)
    assert benefit_per_h(2000.0, -500.0, prices("0.30", "0.08", "0.20")) == pytest.approx(-0.20)  # all of it bought
    assert benefit_per_h(2000.0, 9000.0, prices("0.30", "0.08", "0.20")) == pytest.approx(0.24)  # all from the sun


money = st.decimals(min_value=Decimal("0"), max_value=Decimal("1"), places=3)


@given(money, money, money, st.floats(100.0, 3600.0))
def test_break_even_is_where_the_benefit_changes_its_sign(
    bought: Decimal, sold: Decimal, alternative: Decimal, draw_w: float
) -> None:
    """Against scipy's root finder, over any three prices."""
    these = Prices(bought, sold, alternative)
    point = break_even(draw_w, these)
    none, full = benefit_per_h(draw_w, 0.0, these), benefit_per_h(draw_w, draw_w, these)
    if none < -1e-12 and full > 1e-12:
        root_w = scipy.optimize.brentq(lambda surplus_w: benefit_per_h(draw_w, surplus_w, these), 0.0, draw_w)
        assert point.kind == "above" and point.surplus_w == pytest.approx(root_w, abs=1e-3)
    elif min(none, full) >= 0 and alternative >= bought:
        assert point.kind == "always"
    elif full < -1e-12:
        assert point.kind == "never"


def test_thresholds() -> None:
    # By hand: break-even at 2400 W x 0.10 / 0.20 = 1200 W. Ten minutes bind for a third of half an hour, so a third of
    # the 840 W above the usual 360 W is added; five minutes off are worth an eighth of the draw, 300 W.
    start_w, stop_w = thresholds(2400.0, prices("0.30", "0.10", "0.20"), 600.0, 300.0)
    assert start_w == pytest.approx(1200.0 + 280.0)
    assert stop_w == pytest.approx(2400.0 - (1200.0 - 300.0))
    # By a plan another hour will do: the stop is put off by a seventh of the 1200 W at most, and by 300 W of 2400 W at
    # most; nothing else changes.
    planned = thresholds(2400.0, prices("0.30", "0.10", "0.20"), 600.0, 300.0, planned=True)
    assert planned == (start_w, pytest.approx(2400.0 - 1200.0 * 6 / 7))
    near = prices("0.30", "0.10", "0.101")
    assert thresholds(2400.0, near, 600.0, 120.0, planned=True) == thresholds(2400.0, near, 600.0, 120.0)
    # Never: more is asked for than there can be.
    assert thresholds(2400.0, prices("0.27", "0.10", "0.09"), 480.0, 300.0) == (float("inf"), float("-inf"))
    # Any surplus pays: it begins with the least there is, and ends with none.
    assert thresholds(2400.0, prices("0.27", "0.08", "0.30"), 480.0, 300.0) == (LEAST_SURPLUS_W, 2400.0)


@given(
    draw_w=st.floats(300.0, 4000.0),
    bought=money,
    sold=money,
    alternative=money,
    times_s=st.tuples(st.floats(0.0, 7200.0), st.floats(0.0, 7200.0)),
)
def test_thresholds_leave_room_between_start_and_stop(
    draw_w: float, bought: Decimal, sold: Decimal, alternative: Decimal, times_s: tuple[float, float]
) -> None:
    min_on_s, min_off_s = times_s
    these = Prices(bought, sold, alternative)
    point = break_even(draw_w, these)
    start_w, stop_w = thresholds(draw_w, these, min_on_s, min_off_s)
    if point.kind == "never":
        assert (start_w, stop_w) == (float("inf"), float("-inf"))
        return
    # A fresh start is not undone by its own import; a start asks for break-even, at most for twice as much; a charge
    # ends at break-even or below, but before there is no surplus at all.
    assert stop_w > draw_w - start_w
    assert max(point.surplus_w, LEAST_SURPLUS_W) <= start_w <= 2.0 * max(point.surplus_w, LEAST_SURPLUS_W)
    assert 0.0 <= draw_w - stop_w <= max(point.surplus_w, LEAST_SURPLUS_W)
    # The longer a start binds, the more it asks for; the longer a stop binds, the later it comes.
    assert thresholds(draw_w, these, min_on_s + 60.0, min_off_s)[0] >= start_w
    assert thresholds(draw_w, these, min_on_s, min_off_s + 60.0)[1] >= stop_w


def test_prices_by_window_weekday_and_date() -> None:
    def import_at(text: str) -> Decimal:
        found = TARIFFS.prices_at(local(text))
        assert found
        return found.import_price

    assert import_at("2031-03-05T10:00") == Decimal("0.30")
    assert import_at("2031-03-05T22:59:59") == Decimal("0.30")
    assert import_at("2031-03-05T23:00") == Decimal("0.11")
    assert import_at("2031-03-06T05:29:59") == Decimal("0.11")  # past midnight
    assert import_at("2031-03-06T05:30") == Decimal("0.30")
    assert import_at("2031-03-05T13:00") == Decimal("0.19")  # a Wednesday
    assert import_at("2031-03-08T13:00") == Decimal("0.30")  # a Saturday
    assert import_at("2031-07-01T00:00") == Decimal("0.33")
    midday = TARIFFS.prices_at(local("2031-03-05T13:00"))
    assert midday == Prices(Decimal("0.19"), Decimal("0.02"), Decimal("0.11"))  # the alternative: the cheapest window
    later = TARIFFS.prices_at(local("2031-08-01T02:00"))
    assert later == Prices(Decimal("0.33"), Decimal("0.05"), Decimal("0.21"))
    assert Tariffs("EUR", TARIFFS.tariffs[1:]).prices_at(local("2031-06-30T12:00")) is None


PAID = Decimal("-0.02")
PAID_AT_NIGHT = Window(EVERY_DAY, 23 * 3600, 5 * 3600, import_price=PAID)
PAID_AT_NOON = Window(EVERY_DAY, 12 * 3600, 14 * 3600, import_price=PAID)


def test_hours_that_pay_for_taking_energy_do_not_keep_the_car_from_charging() -> None:
    """As an alternative they count as free. At -0.02 the sun's energy, sold for nothing, would never be worth a charge,
    not even while they last.
    """
    for window in (PAID_AT_NIGHT, PAID_AT_NOON):
        tariff = Tariff(None, Decimal("0.30"), Decimal(0), None, (window,))
        # At eight: 2000 * (0.30 - 0) / (0.30 - 0): all that is charged has to come from the sun.
        assert break_even(2000.0, tariff.prices_at(local("2031-06-03T08:00"))) == ("above", pytest.approx(2000.0))
        assert "pays for taking energy" in (tariff.of_cheapest() or "")
    # At noon, being paid to take energy: any surplus pays. An hour without any sun earns 2 * 0.02.
    noon = tariff.prices_at(local("2031-06-03T12:30"))
    assert (noon.import_price, noon.alternative_price) == (PAID, 0)
    assert break_even(2000.0, noon).kind == "always"
    assert benefit_per_h(2000.0, 0.0, noon) == pytest.approx(0.04)
    # Given as a number, it is taken as it is.
    assert tariff._replace(alternative_price=PAID).prices_at(local("2031-06-03T08:00")).alternative_price == PAID


@pytest.mark.parametrize("night", ["-0.02", "0", "0.05"])
def test_a_cheapest_hour_below_what_is_sold_is_said(night: str) -> None:
    """Sold for 0.06 and charged at night, a kilowatt-hour is worth more than charged by day. But that is said."""
    window = Window(EVERY_DAY, 23 * 3600, 5 * 3600, import_price=Decimal(night))
    tariff = Tariff(None, Decimal("0.30"), Decimal("0.06"), None, (window,))
    for hour in (2, 8, 13):
        assert break_even(2000.0, tariff.prices_at(local(f"2031-06-03T{hour:02}:00"))).kind == "never"
    assert f"the cheapest hour ({night}) costs less than the sun's energy earns at any hour (0.06 or more)" in (
        tariff.of_cheapest() or ""
    )
    # Nothing to say of a number, of a night that costs more than what is sold earns, nor of a flat tariff.
    assert tariff._replace(alternative_price=Decimal("0.05")).of_cheapest() is None
    assert tariff._replace(windows=(window._replace(import_price=Decimal("0.06")),)).of_cheapest() is None
    assert tariff._replace(windows=()).of_cheapest() is None
    # Where at some hour less is earned, charging pays then: from 2000 * (0.30 - 0.05) / (0.30 - 0.02) W on.
    midday = Window(EVERY_DAY, 12 * 3600, 14 * 3600, export_price=Decimal("0.02"))
    if night == "0.05":
        both = tariff._replace(windows=(window, midday))
        assert both.of_cheapest() is None
        assert break_even(2000.0, both.prices_at(local("2031-06-03T13:00"))).surplus_w == pytest.approx(1785.7, abs=0.1)


def test_the_cheapest_price_is_one_that_holds_at_some_hour() -> None:
    """A window that an earlier one covers, and a price that windows leave no hour for, are none."""
    first, covered = NIGHT._replace(import_price=Decimal("0.20")), NIGHT._replace(begins_s=0, ends_s=18000)
    assert Tariff(None, Decimal("0.30"), Decimal(0), None, (first, covered)).cheapest == Decimal("0.20")
    weekdays, weekends = (Window(days, 0, 0, Decimal("0.25")) for days in (WORKDAYS, EVERY_DAY - WORKDAYS))
    assert Tariff(None, Decimal("0.10"), Decimal(0), None, (weekdays, weekends)).cheapest == Decimal("0.25")
    assert Tariff(None, Decimal("0.10"), Decimal(0), None, (weekdays,)).cheapest == Decimal("0.10")


def test_next_change() -> None:
    assert TARIFFS.next_change(local("2031-03-05T10:00")) == local("2031-03-05T12:00")
    assert TARIFFS.next_change(local("2031-03-08T10:00")) == local("2031-03-08T23:00")
    assert TARIFFS.next_change(local("2031-06-30T23:30")) == local("2031-07-01T00:00")
    assert TARIFFS.next_change(local("2031-07-01T00:00")) is None
    flat = Tariffs("EUR", (Tariff(None, Decimal(1), Decimal(0), None), Tariff(date(2033, 1, 1), *[Decimal(2)] * 3)))
    assert flat.next_change(local("2031-03-08T10:00")) == local("2033-01-01T00:00")  # however far away


SATURDAY_NIGHT = Window(frozenset({5}), 22 * 3600, 6 * 3600, import_price=Decimal("0.10"))
SUNDAY_NIGHT = SATURDAY_NIGHT._replace(days=frozenset({6}))  # runs into the next week


@pytest.mark.parametrize(
    ("window", "begins", "ends"),
    [
        (SATURDAY_NIGHT, "2031-03-08T22:00", "2031-03-09T06:00"),
        (SUNDAY_NIGHT, "2031-03-09T22:00", "2031-03-10T06:00"),
        (SATURDAY_NIGHT._replace(begins_s=43200, ends_s=43200), "2031-03-08T12:00", "2031-03-09T12:00"),  # a whole day
        (SATURDAY_NIGHT._replace(ends_s=0), "2031-03-08T22:00", "2031-03-09T00:00"),
    ],
)
def test_a_night_belongs_to_the_weekday_on_which_it_begins(window: Window, begins: str, ends: str) -> None:
    """Of three weeks around it, every quarter of an hour; the calendar says that 2031-03-08 is a Saturday."""
    assert date(2031, 3, 8).strftime("%A") == "Saturday"
    begin, end = local(begins), local(ends)
    for quarter in range(-7 * 96, 14 * 96):
        when = begin + timedelta(minutes=15 * quarter)
        this_week = begin + timedelta(days=7 * ((when - begin) // timedelta(days=7)))
        assert window.holds(when) is (when < this_week + (end - begin)), when


@pytest.mark.parametrize("window", [SATURDAY_NIGHT, SUNDAY_NIGHT, MIDDAY._replace(days=frozenset({2}))])
def test_what_changes_once_a_week_is_found_from_anywhere(window: Window) -> None:
    """From each hour of a week: never "they stay as they are", and never beyond a change that asking would find."""
    weekly = Tariffs("EUR", (Tariff(None, Decimal("0.30"), Decimal("0.08"), Decimal("0.20"), (window,)),))
    for hour in range(8 * 24):
        when = local("2031-05-01T00:00") + timedelta(hours=hour)
        change = weekly.next_change(when)
        expected = next(
            later
            for minutes in range(30, 9 * 1440, 30)
            if weekly.prices_at(later := when + timedelta(minutes=minutes)) != weekly.prices_at(when)
        )
        assert change == expected, when


def test_a_window_across_a_change_of_the_clocks() -> None:
    """In the zone used here the clocks skip 02:00 to 03:00 on 2031-03-30, and repeat it on 2031-10-26 (IANA)."""
    early = Tariffs("EUR", (Tariff(None, Decimal(3), Decimal(0), None, (Window(EVERY_DAY, 9000, 12600, Decimal(1)),)),))
    spans = list(early.spans(local("2031-03-30T00:00"), local("2031-03-31T00:00")))
    assert sum((end.timestamp() - begin.timestamp()) for begin, end, _ in spans) == 23 * 3600
    cheap = [(b, e) for b, e, found in spans if found and found.import_price == 1]
    assert [(b.hour, b.minute, e.hour, e.minute) for b, e in cheap] == [(3, 0, 3, 30)]  # 02:30 does not exist
    spans = list(early.spans(local("2031-10-26T00:00"), local("2031-10-27T00:00")))
    assert sum((end.timestamp() - begin.timestamp()) for begin, end, _ in spans) == 25 * 3600
    cheap_s = sum(e.timestamp() - b.timestamp() for b, e, found in spans if found and found.import_price == 1)
    assert cheap_s == 1.5 * 3600  # 02:30 to 03:00 comes twice, then until 03:30


windows = st.builds(
    Window,
    st.frozensets(st.integers(0, 6), min_size=1),
    st.integers(0, 95).map(lambda quarter: quarter * 900),
    st.integers(0, 95).map(lambda quarter: quarter * 900),
    money,
    st.none() | money,
)
tariffs = st.builds(
    Tariff, st.none() | st.dates(date(2031, 3, 25), date(2031, 4, 5)), money, money, st.none() | money,
    st.lists(windows, max_size=3).map(tuple),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(tariffs, min_size=1, max_size=3), st.integers(0, 96 * 9), st.sampled_from(["2031-03-27", "2031-10-23"]))
def test_spans_agree_with_asking_every_quarter_of_an_hour(listed: list[Tariff], quarter: int, begin: str) -> None:
    found = Tariffs("EUR", tuple(listed))
    first = local(begin).astimezone(UTC)
    last = first + timedelta(minutes=15 * quarter)
    spans = list(found.spans(first.astimezone(ZONE), last.astimezone(ZONE)))
    stamps = [b.timestamp() for b, _, _ in spans] + [spans[-1][1].timestamp()] if spans else []
    assert stamps == sorted(set(stamps))  # one after another, without a gap
    if spans:
        assert (stamps[0], stamps[-1]) == (first.timestamp(), last.timestamp())
    for index in range(quarter):
        when = first + timedelta(minutes=15 * index)
        expected = found.prices_at(when.astimezone(ZONE))
        assert spans[bisect_right(stamps, when.timestamp()) - 1][2] == expected
    assert all(one[2] != two[2] for one, two in pairwise(spans))  # cut only where they differ
