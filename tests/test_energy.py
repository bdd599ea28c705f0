"""Energy accounting against independent integrations, on days of 23, 24 and 25 hours, across price changes."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import scipy  # its parts come when they are asked for
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control.economics import EVERY_DAY, Prices, Tariff, Tariffs, Window
from surpluscharge.history.energy import (
    MINUTE_MS,
    MWS_PER_KWH,
    MWS_PER_WH,
    QUARTER_HOUR_MS,
    Energy,
    Interval,
    Sample,
    account,
    day_span,
    downsample,
    gaps,
    held,
    hold,
    merged,
    money,
    ms_of,
    part,
    total,
)

LISBON = ZoneInfo("Europe/Lisbon")  # clocks change at 01:00 UTC on the last Sundays of March and October
FRESH_MS = 30_000
HALF = Fraction(1, 2) + Fraction(1, 10**6)  # a product of floats rounds once more


def _in_order(rows: list[tuple[int, float, float, bool, bool]]) -> list[Sample]:
    at_ms, result = 1_900_000_000_000, []
    for step_ms, grid_w, charger_w, on, planned in rows:
        at_ms += step_ms
        result.append(Sample(at_ms, grid_w, charger_w, on, planned=planned))
    return result


powers = st.floats(-20_000, 20_000)
samples = st.lists(
    st.tuples(st.integers(1, 120_000), powers, st.floats(0, 8000), st.booleans(), st.booleans()),
    min_size=2,
    max_size=40,
).map(_in_order)


def between(intervals: list[Interval]) -> object:
    """Return what a ledger's energy() does, over a list."""

    def energy(begin_ms: int, end_ms: int) -> Energy:
        return total(piece.energy for one in intervals if (piece := part(one, begin_ms, end_ms)))

    return energy


# --- sums ------------------------------------------------------------------------------------------------------------


def test_watt_hours_and_mean_watts() -> None:
    """1 Wh is 3.6 million mW s, by definition."""
    energy = Energy(1800_000, 900_000, 3_600_000, 7_200_000, 10_800_000, 18_000_000, 360_000)
    assert (energy.import_wh, energy.export_wh, energy.solar_wh, energy.bought_wh) == (1.0, 2.0, 3.0, 5.0)
    assert (energy.charger_wh, energy.surplus_wh, energy.error_wh) == (8.0, 5.0, 0.1)
    interval = Interval(0, 3600_000, energy)  # half of it is known: 1 Wh in half an hour are 2 W
    assert (interval.grid_w, interval.charger_w) == (-2.0, 16.0)
    unknown = Interval(0, 3600_000, Energy())
    assert (unknown.grid_w, unknown.charger_w) == (0.0, 0.0)


def test_sums_equal_an_integration_by_numpy_and_one_by_scipy() -> None:
    """Must hold to 0.1 %: numpy sums the held steps, scipy integrates the curve that they were sampled from."""

    def grid_w(hour: float) -> float:
        return 900.0 - 3200.0 * np.sin(np.pi * (hour - 6) / 12) if 6 <= hour <= 18 else 900.0

    def charger_w(hour: float) -> float:
        return 1380.0 * (1 + 0.03 * np.sin(hour * 40)) if 9 <= hour < 16 else 0.0

    begin_ms = ms_of(datetime(2031, 5, 14, tzinfo=UTC))
    chance = np.random.default_rng(4)
    at_s = np.cumsum(chance.uniform(1, 9, size=17_300))
    at_s = at_s[at_s < 86_400]
    grids = np.array([grid_w(s / 3600) + charger_w(s / 3600) for s in at_s])
    chargers = np.array([charger_w(s / 3600) for s in at_s])
    listed = [Sample(begin_ms + round(s * 1000), g, c, c > 0) for s, g, c in zip(at_s, grids, chargers, strict=True)]
    energy = total(interval.energy for interval in hold(listed, FRESH_MS))

    lasts_h = np.diff(at_s) / 3600
    shares = np.minimum(chargers, np.maximum(grids, 0))
    by_numpy = {
        "import_wh": np.sum(np.maximum(grids, 0)[:-1] * lasts_h),
        "export_wh": np.sum(np.maximum(-grids, 0)[:-1] * lasts_h),
        "charger_wh": np.sum(chargers[:-1] * lasts_h),
        "bought_wh": np.sum(shares[:-1] * lasts_h),
    }
    for name, expected in by_numpy.items():
        assert getattr(energy, name) == pytest.approx(expected, rel=1e-6), name

    curves = {
        "import_wh": lambda h: max(grid_w(h) + charger_w(h), 0),
        "export_wh": lambda h: max(-grid_w(h) - charger_w(h), 0),
        "charger_wh": charger_w,
        "bought_wh": lambda h: min(charger_w(h), max(grid_w(h) + charger_w(h), 0)),
    }
    first_h, last_h = at_s[0] / 3600, at_s[-1] / 3600
    for name, curve in curves.items():
        edges = [first_h, 6, 9, 16, 18, last_h]
        expected = sum(scipy.integrate.quad(curve, low, high, limit=500)[0] for low, high in itertools.pairwise(edges))
        assert getattr(energy, name) == pytest.approx(expected, rel=1e-3), name


@given(samples)
def test_solar_bought_and_planned_make_up_the_charger_in_every_interval(listed: list[Sample]) -> None:
    """To the milliwatt-second, against the same products with exact fractions."""
    for sample, interval in zip(listed, list(hold(listed, FRESH_MS)), strict=False):
        energy, lasts_ms = interval.energy, interval.end_ms - interval.begin_ms
        assert lasts_ms <= FRESH_MS
        exact = Fraction(sample.charger_w) * lasts_ms
        assert abs(energy.solar_mws + energy.bought_mws + energy.planned_mws - exact) <= HALF
        assert energy.charger_mws == energy.solar_mws + energy.grid_mws
        bought = min(Fraction(sample.charger_w), max(Fraction(sample.grid_w), Fraction(0))) * lasts_ms
        assert abs((energy.planned_mws if sample.planned else energy.bought_mws) - bought) <= HALF
        assert not (energy.bought_mws if sample.planned else energy.planned_mws)
        assert abs(energy.import_mws - energy.export_mws - Fraction(sample.grid_w) * lasts_ms) <= HALF
        assert min(energy) >= 0


@given(samples, st.integers(1, 20), st.lists(st.integers(0, 3_000_000), max_size=5))
def test_down_sampling_and_cutting_keep_every_sum(listed: list[Sample], minutes: int, offsets: list[int]) -> None:
    intervals = list(hold(listed, FRESH_MS))
    cuts = sorted(listed[0].at_ms + offset for offset in offsets)
    summed = list(downsample(intervals, minutes * MINUTE_MS, cuts))
    assert total(one.energy for one in summed) == total(one.energy for one in intervals)
    for one in summed:
        assert one.begin_ms // (minutes * MINUTE_MS) == (one.end_ms - 1) // (minutes * MINUTE_MS)
        assert not any(one.begin_ms < cut < one.end_ms for cut in cuts)
        assert 0 < one.energy.known_ms <= one.end_ms - one.begin_ms
    assert all(sooner.end_ms <= later.begin_ms for sooner, later in itertools.pairwise(summed))
    # Again, coarser: as retention does it, step by step.
    coarse = list(downsample(summed, 60 * MINUTE_MS, cuts))
    assert total(one.energy for one in coarse) == total(one.energy for one in intervals)


@given(st.integers(1, 10**7), st.integers(0, 10**7), st.integers(0, 10**12), st.integers(0, 10**12))
def test_parts_add_up_to_the_whole(length_ms: int, cut_ms: int, solar_mws: int, bought_mws: int) -> None:
    whole = Interval(0, length_ms, Energy(length_ms, 0, bought_mws, 0, solar_mws, bought_mws))
    pieces = [piece for piece in (part(whole, 0, cut_ms), part(whole, cut_ms, length_ms)) if piece]
    assert total(piece.energy for piece in pieces) == whole.energy
    assert all(min(piece.energy) >= 0 for piece in pieces)


def test_nothing_is_held_across_a_gap() -> None:
    listed = [Sample(0, 1000.0, 0.0, False), Sample(10_000, 1000.0, 0.0, False), Sample(100_000, 1000.0, 0.0, False)]
    intervals = list(hold(listed, FRESH_MS))
    assert [(one.begin_ms, one.end_ms) for one in intervals] == [(0, 10_000), (10_000, 40_000)]
    assert total(one.energy for one in intervals).import_mws == 40_000 * 1000
    assert list(gaps(intervals, 0, 100_000, 1000)) == [(40_000, 100_000)]
    with pytest.raises(ValueError, match="comes after"):
        list(hold([listed[1], listed[0]], FRESH_MS))


def test_surplus_is_what_would_have_been_exported() -> None:
    """Against its definition: charger power less grid power, where that is above nought."""
    for grid_w in (-2500.0, -1.0, 0.0, 700.0, 1380.0, 3000.0):
        for charger_w in (0.0, 1380.0):
            energy = held(Sample(0, grid_w, charger_w, charger_w > 0), 1000).energy
            assert energy.surplus_mws == max(0.0, charger_w - grid_w) * 1000


# --- local days and prices -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("day", "hours"), [(date(2031, 3, 30), 23), (date(2031, 5, 14), 24), (date(2031, 10, 26), 25)])
def test_a_local_day_has_as_many_hours_as_its_clock(day: date, hours: int) -> None:
    """Last Sundays of March and October 2031: the clock changes of Portugal."""
    begin, end = day_span(day, LISBON)
    assert ms_of(end) - ms_of(begin) == hours * 3_600_000
    steady = [
        Interval(at_ms, at_ms + 1000, Energy(1000, 0, 500_000)) for at_ms in range(ms_of(begin), ms_of(end), 1000)
    ]
    outside = Interval(ms_of(end), ms_of(end) + 1000, Energy(1000, 0, 500_000))
    accounted = account(between([*steady, outside]), begin, end, None)  # type: ignore[arg-type]
    assert accounted.energy.import_wh == 500 * hours
    assert (accounted.gap_ms, accounted.money) == (0, None)


def test_a_day_without_midnight_begins_when_the_clock_goes_on() -> None:
    """In Beirut clocks go from 00:00 to 01:00: the day has 23 hours, and begins at 01:00."""
    begin, end = day_span(date(2031, 3, 30), ZoneInfo("Asia/Beirut"))
    assert (begin.hour, ms_of(end) - ms_of(begin)) == (1, 23 * 3_600_000)


def test_an_interval_is_split_where_the_price_changes() -> None:
    """Ten minutes across 05:30, from night to day price; the money by hand."""
    night = Window(EVERY_DAY, 84_000, 19_800, Decimal("0.11"))
    tariffs = Tariffs("EUR", (Tariff(None, Decimal("0.27"), Decimal("0.08"), Decimal("0.20"), (night,)),))
    begin = datetime(2031, 5, 14, 5, 26, tzinfo=LISBON)
    begin_ms = ms_of(begin)
    interval = held(Sample(begin_ms, 600.0, 1500.0, True), begin_ms + 600_000)  # 600 W bought, 900 W from the sun
    accounted = account(between([interval]), begin, begin + timedelta(minutes=10), tariffs)  # type: ignore[arg-type]
    assert accounted.money is not None
    night_wh, day_wh = Decimal(600 * 4) / 60, Decimal(600 * 6) / 60
    assert accounted.money.paid == (night_wh * Decimal("0.11") + day_wh * Decimal("0.27")) / 1000
    assert accounted.money.forgone == Decimal(900) / 6 * Decimal("0.08") / 1000
    assert accounted.money.alternative == Decimal(1500) / 6 * Decimal("0.20") / 1000
    assert accounted.money.saved == accounted.money.alternative - accounted.money.cost
    # Down-sampled with the cut, it is the same; without it, the quarter of an hour would be spread evenly.
    change_ms = ms_of(datetime(2031, 5, 14, 5, 30, tzinfo=LISBON))
    summed = list(downsample([interval], QUARTER_HOUR_MS, [change_ms]))
    assert account(between(summed), begin, begin + timedelta(minutes=10), tariffs).money == accounted.money  # type: ignore[arg-type]


def test_what_has_no_price_is_said_and_not_priced() -> None:
    tariffs = Tariffs("EUR", (Tariff(date(2031, 5, 15), Decimal("0.30"), Decimal("0.05"), None),))
    begin, end = day_span(date(2031, 5, 14), LISBON)
    hours = [
        held(Sample(ms_of(begin) + 3_600_000 * hour, 0.0, 1000.0, True), ms_of(begin) + 3_600_000 * (hour + 1))
        for hour in range(48)
    ]
    first = account(between(hours), begin, end, tariffs)  # type: ignore[arg-type]
    assert (first.money, first.unpriced_mws) == (None, 24 * 1000 * 3_600_000)
    both = merged([first, account(between(hours), end, end + timedelta(days=1), tariffs)])  # type: ignore[arg-type]
    assert both.energy.charger_wh == 48_000
    assert both.money is not None
    assert both.money.forgone == Decimal("1.2")
    with pytest.raises(ValueError, match="no account"):
        merged([])


@given(st.lists(st.integers(0, 10**11), min_size=1, max_size=30), st.randoms(use_true_random=False))
def test_money_does_not_depend_on_the_order_it_is_summed_in(parts_mws: list[int], chance: object) -> None:
    prices = Prices(Decimal("0.27431"), Decimal("0.0817"), Decimal("0.19999"))
    pieces = [money(Energy(bought_mws=value, solar_mws=value // 3), prices) for value in parts_mws]
    sums = []
    for _ in range(2):
        chance.shuffle(pieces)  # type: ignore[attr-defined]
        one = pieces[0]
        for piece in pieces[1:]:
            one = one.plus(piece)
        sums.append(one)
    assert sums[0] == sums[1]
    exact = Fraction(sum(parts_mws)) * Fraction("0.27431") / MWS_PER_KWH
    assert abs(Fraction(sums[0].paid) - exact) <= exact / 10**25


def test_what_a_battery_gives_is_a_share_and_what_it_takes_is_no_loss() -> None:
    """By hand, over an hour: 1380 W drawn; the battery gives 600 W of it, or takes 900 W beside it. Worked on paper."""
    hour_ms = 3_600_000
    gives = held(Sample(0, 0.0, 1380.0, True, battery_w=-600.0), hour_ms).energy
    assert [gives.solar_wh, gives.grid_wh, gives.battery_wh] == [780.0, 0.0, 600.0]
    assert (gives.charger_wh, gives.surplus_wh, gives.import_wh) == (1380.0, 780.0, 0.0)
    takes = held(Sample(0, -100.0, 1380.0, True, battery_w=900.0), hour_ms).energy
    assert [takes.solar_wh, takes.battery_wh, takes.stored_mws / MWS_PER_WH, takes.export_wh] == [1380, 0, 900, 100]
    assert takes.surplus_wh == 2380.0
    from_the_grid = held(Sample(0, 3000.0, 1380.0, True, battery_w=1000.0), hour_ms).energy  # it is charged from there
    assert [from_the_grid.solar_wh, from_the_grid.grid_wh, from_the_grid.stored_mws] == [0.0, 1380.0, 0]
    cost = money(gives, Prices(Decimal("0.30"), Decimal("0.08"), Decimal("0.20")))
    assert (cost.paid, cost.battery, cost.forgone) == (0, Decimal("0.18"), Decimal("0.2424"))
