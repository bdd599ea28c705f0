"""Bills that net: intervals by the clock on the wall, and money to the cent against a bill worked out by hand.

The oracle is the definition: what the bill is with the charger, less what it is without it, in exact fractions, from
held powers, millisecond by millisecond where prices and intervals change. It shares no line with the product.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from surpluscharge.control.economics import Prices, Tariff, Tariffs, Window
from surpluscharge.control.netting import Netting, from_grid
from surpluscharge.control.rule import Band
from surpluscharge.control.slots import Moving, Slot
from surpluscharge.history import report
from surpluscharge.history.energy import Energy, Interval, Sample, account, held, ms_of, part, time_of, total
from surpluscharge.history.ledger import Batch, Ledger, Retention
from surpluscharge.history.report.words import summary

MWS_PER_KWH = 3_600_000_000
LISBON = ZoneInfo("Europe/Lisbon")
BY_CLOCK = [Netting.QUARTER, Netting.HALF, Netting.HOUR]


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        ("Europe/Lisbon", date(2031, 3, 30)),  # 23 hours
        ("Europe/Lisbon", date(2031, 10, 26)),  # 25
        ("Asia/Kolkata", date(2031, 5, 5)),  # half an hour off
        ("Asia/Kathmandu", date(2031, 5, 5)),  # three quarters
        ("Australia/Lord_Howe", date(2031, 10, 5)),  # its clocks change by half an hour
        ("Australia/Lord_Howe", date(2031, 4, 6)),
        ("America/Sao_Paulo", date(2018, 11, 4)),  # where midnight is left out
    ],
)
@pytest.mark.parametrize("netting", BY_CLOCK)
def test_intervals_are_those_of_the_clock_on_the_wall(zone: str, day: date, netting: Netting) -> None:
    """Minute by minute: the wall clock and its offset say where one ends. The zone data are the outside here."""
    site, minutes = ZoneInfo(zone), netting.minutes
    assert minutes is not None
    begin = datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(hours=14)
    label, runs = None, []
    for minute in range(52 * 60):
        when = (begin + timedelta(minutes=minute)).astimezone(site)
        now = when.date(), when.hour, when.minute // minutes, when.utcoffset()
        if now != label:
            runs.append(when.timestamp())
            label = now
    for low_s, high_s in itertools.pairwise(runs[1:]):
        for at_s in (low_s, (low_s + high_s) // 2, high_s - 0.5):
            assert netting.span_s(datetime.fromtimestamp(at_s, UTC).astimezone(site)) == (low_s, high_s)


@pytest.mark.parametrize(
    ("first", "then"),
    [(Netting.MONTH, Netting.NONE), (Netting.NONE, Netting.MONTH), (Netting.DAY, Netting.MONTH)],
)
def test_a_month_in_which_another_netting_begins_is_cut_there(first: Netting, then: Netting) -> None:
    """A kWh each noon, half of it from the grid, and a quarter sent out: so a quarter is bought where that nets.

    It counted twice what was before, or netted what was not to be.
    """
    begin, end = datetime(2031, 6, 1, tzinfo=LISBON), datetime(2031, 7, 1, tzinfo=LISBON)
    prices, half = (Decimal("0.29"), Decimal("0.06"), Decimal("0.21")), MWS_PER_KWH // 2
    tariffs = Tariffs("EUR", (Tariff(None, *prices, (), first), Tariff(date(2031, 6, 15), *prices, (), then)))
    noons = [ms_of(begin + timedelta(days=k, hours=12)) for k in range(30)]
    flows = Energy(3_600_000, 3_600_000, half, half // 2, half, half)
    intervals = [Interval(noon_ms, noon_ms + 3_600_000, flows) for noon_ms in noons]
    a_day = {True: 0.25 * 0.29 + 0.75 * 0.06, False: 0.5 * 0.29 + 0.5 * 0.06}  # does it net?
    cost = 14 * a_day[first.nets] + 16 * a_day[then.nets]
    assert account_of(intervals, begin, end, tariffs) == pytest.approx(cost, abs=1e-9)
    days_ = [begin + timedelta(days=k) for k in range(31)]
    daily = sum(account_of(intervals, low, high, tariffs) for low, high in itertools.pairwise(days_))
    assert daily == pytest.approx(cost, abs=1e-9)


def test_days_and_months_are_those_of_the_place() -> None:
    when = datetime(2031, 3, 30, 22, 17, tzinfo=LISBON)
    low_s, high_s = Netting.DAY.span_s(when)
    assert high_s - low_s == 23 * 3600 and low_s == datetime(2031, 3, 30, tzinfo=UTC).timestamp()
    low_s, high_s = Netting.MONTH.span_s(when)
    assert (high_s - low_s) / 3600 == 31 * 24 - 1


# --- money -----------------------------------------------------------------------------------------------------------


def bill(net: Fraction, prices: Prices) -> Fraction:
    return Fraction(prices.import_price) * net if net > 0 else Fraction(prices.export_price) * net


def by_hand(intervals: list[Interval], tariffs: Tariffs | Moving, netting: Netting, zone: ZoneInfo) -> Fraction:
    """Return what the charger cost, in money: the bill with it less the bill without it, register by register."""
    registers: dict[object, tuple[Fraction, Fraction, Prices]] = {}
    for interval in intervals:
        edges = {interval.begin_ms, interval.end_ms}
        minute_ms = interval.begin_ms // 60_000 * 60_000
        while minute_ms < interval.end_ms:  # prices and intervals change at whole minutes here
            edges |= {minute_ms} if minute_ms > interval.begin_ms else set()
            minute_ms += 60_000
        ordered = sorted(edges)
        for low_ms, high_ms in itertools.pairwise(ordered):
            when = time_of(low_ms, zone)
            prices = tariffs.prices_at(when)
            assert prices is not None
            cut = Fraction(high_ms - low_ms, interval.end_ms - interval.begin_ms)
            energy = interval.energy
            label: object = when.date().replace(day=1) if netting is Netting.MONTH else when.date()
            if netting.minutes:
                label = label, when.hour, when.minute // netting.minutes, when.utcoffset()
            key = label, prices[:2]
            net, charger, _ = registers.get(key, (Fraction(0), Fraction(0), prices))
            registers[key] = (
                net + cut * (energy.import_mws - energy.export_mws),
                charger + cut * (energy.solar_mws + energy.bought_mws + energy.planned_mws),
                prices,
            )
    return sum(
        (bill(net, prices) - bill(net - charger, prices) for net, charger, prices in registers.values()), Fraction(0)
    ) / MWS_PER_KWH  # fmt: skip


def some_days(seed: int, begin: datetime, hours: int) -> list[Interval]:
    """Return intervals of ten seconds to some minutes with a charger that comes and goes, and gaps; all invented."""
    rng = random.Random(seed)
    now_ms, end_ms = ms_of(begin), ms_of(begin) + hours * 3_600_000
    found, on = [], False
    surplus_w = 800.0
    while now_ms < end_ms:
        until_ms = min(end_ms, now_ms + rng.choice([10_000, 60_000, 170_000]))
        surplus_w = min(max(surplus_w + rng.gauss(0.0, 400.0), -1500.0), 3500.0)
        on = on if rng.random() < 0.85 else not on
        if rng.random() > 0.04:
            charger_w = 1380.0 if on else 0.0
            found.append(
                held(Sample(now_ms, charger_w - surplus_w, charger_w, on, planned=rng.random() < 0.1), until_ms)
            )
        now_ms = until_ms
    return found


def flat(netting: Netting) -> Tariffs:
    return Tariffs("EUR", (Tariff(None, Decimal("0.29"), Decimal("0.06"), Decimal("0.21"), (), netting),))


def by_hours(netting: Netting) -> Tariffs:
    windows = (
        Window(frozenset(range(7)), 11 * 3600, 14 * 3600 + 600, Decimal("0.19"), Decimal("0.02")),
        Window(frozenset(range(7)), 23 * 3600, 5 * 3600, Decimal("0.17"), None),
    )
    early = Tariff(None, Decimal("0.33"), Decimal("0.09"), None, windows, netting)
    return Tariffs("EUR", (early, Tariff(date(2031, 10, 26), Decimal("0.27"), Decimal("0.05"), None, (), netting)))


def moving(tariffs: Tariffs, begin: datetime, hours: int, seed: int) -> Moving:
    rng, begin_s = random.Random(seed), int(begin.timestamp())
    slots = (Slot(begin_s + 900 * k, begin_s + 900 * (k + 1), rng.randrange(-5, 45) / 100) for k in range(4 * hours))
    return Moving(tariffs, tuple(slots))


def cut_at_minutes(intervals: list[Interval]) -> Iterator[Interval]:
    for interval in intervals:
        low_ms = interval.begin_ms
        while low_ms < interval.end_ms:
            high_ms = min(interval.end_ms, (low_ms // 60_000 + 1) * 60_000)
            piece = part(interval, low_ms, high_ms)
            assert piece is not None
            yield piece
            low_ms = high_ms


@pytest.mark.parametrize("netting", [each for each in Netting if each.nets])
@pytest.mark.parametrize("tariffs", [flat, by_hours])
def test_money_is_what_the_bill_says_to_the_cent(netting: Netting, tariffs: object, tmp_path: Path) -> None:
    """Over a change of clocks, of prices and of tariffs, with gaps: whole days, and any pieces of them, add up."""
    begin = datetime(2031, 10, 25, tzinfo=LISBON)
    intervals, priced = some_days(7, begin, 49), tariffs(netting)  # type: ignore[operator]
    end = time_of(ms_of(begin) + 49 * 3_600_000, LISBON)
    with Ledger(tmp_path / "history.sqlite") as ledger:
        ledger.write(Batch(intervals=intervals))
        found = ledger.account(begin, end, priced)
        assert found.money is not None and found.energy == total(each.energy for each in intervals)
        expected = by_hand(list(cut_at_minutes(intervals)), priced, netting, LISBON)
        assert float(found.money.cost) == pytest.approx(float(expected), abs=1e-7)  # a millionth of a cent and a bit
        rng = random.Random(3)
        edges_ms = sorted({ms_of(begin), ms_of(end), *(rng.randrange(ms_of(begin), ms_of(end)) for _ in range(9))})
        pieces = [
            ledger.account(time_of(low_ms, LISBON), time_of(high_ms, LISBON), priced)
            for low_ms, high_ms in itertools.pairwise(edges_ms)
        ]
        costs = sum((piece.money.cost for piece in pieces if piece.money), Decimal(0))
        assert float(costs) == pytest.approx(float(found.money.cost), abs=1e-6)
        assert sum(piece.netted_mws for piece in pieces) == pytest.approx(found.netted_mws, abs=100)
    none = account_of(intervals, begin, end, tariffs(Netting.NONE))  # type: ignore[operator]
    assert abs(none - float(expected)) > 0.01  # it matters here


def account_of(intervals: list[Interval], begin: datetime, end: datetime, tariffs: Tariffs | Moving) -> float:
    def energy_between(begin_ms: int, end_ms: int) -> Energy:
        pieces = (part(each, begin_ms, end_ms) for each in intervals)
        return total(piece.energy for piece in pieces if piece)

    found = account(energy_between, begin, end, tariffs).money
    assert found is not None
    return float(found.cost)


@pytest.mark.parametrize("netting", BY_CLOCK)
def test_prices_that_move_net_by_their_slots(netting: Netting) -> None:
    begin = datetime(2031, 5, 5, 9, tzinfo=ZoneInfo("Asia/Kolkata"))
    end = begin + timedelta(hours=6)
    intervals = list(cut_at_minutes(some_days(11, begin, 6)))
    priced = moving(flat(netting), begin, 6, 2)
    expected = by_hand(intervals, priced, netting, ZoneInfo("Asia/Kolkata"))
    assert account_of(intervals, begin, end, priced) == pytest.approx(float(expected), abs=1e-7)


def test_without_netting_all_is_as_it_was(tmp_path: Path) -> None:
    """The same figures by the path that does not net and by the one that does, with a bill that takes each moment."""
    begin, end = datetime(2031, 10, 25, tzinfo=LISBON), datetime(2031, 10, 27, tzinfo=LISBON)
    intervals = some_days(5, begin, 49)
    plain = by_hours(Netting.NONE)
    later = plain._replace(
        tariffs=(*plain.tariffs, Tariff(date(2040, 1, 1), Decimal(1), Decimal(0), None, (), Netting.HOUR))
    )
    assert later.nets and not plain.nets
    with Ledger(tmp_path / "history.sqlite") as ledger:
        ledger.write(Batch(intervals=intervals))
        assert ledger.account(begin, end, later) == ledger.account(begin, end, plain)


@pytest.mark.parametrize("netting", [Netting.HALF, Netting.DAY, Netting.MONTH])
def test_what_is_kept_of_days_whose_intervals_are_dropped_has_the_same_money(netting: Netting, tmp_path: Path) -> None:
    begin, days = datetime(2031, 5, 2, tzinfo=LISBON), [date(2031, 5, 2 + day) for day in range(4)]
    intervals, priced = some_days(9, begin, 96), by_hours(netting)
    retention = Retention(readings_days=1, minutes_days=2, quarter_hours_days=31)

    def ledger_money(ledger: Ledger) -> list[float]:
        totals = ledger.day_totals(days[0], days[-1], LISBON, priced)
        return [float(each.account.money.cost) for each in totals if each.account.money]

    with Ledger(tmp_path / "history.sqlite") as ledger:
        ledger.write(Batch(intervals=intervals))
        before = ledger_money(ledger)
        for ahead in (5, 20, 34, 36, 60, 61):
            now_ms = ms_of(begin + timedelta(days=ahead, hours=12))
            ledger.retain(now_ms, LISBON, retention, priced)
            assert ledger_money(ledger) == pytest.approx(before, abs=1e-6)
        assert ledger.bounds() is None or ledger.bounds()[0] >= ms_of(begin + timedelta(days=4))  # type: ignore[index]


def test_a_report_says_what_the_bill_makes_of_it(tmp_path: Path) -> None:
    """A quarter of an hour at half the draw of surplus, the charger on in its second half: nothing of it is bought."""
    begin, half_ms = datetime(2031, 5, 5, 12, tzinfo=LISBON), 450_000
    at_ms = ms_of(begin)
    intervals = [
        held(Sample(at_ms, -690.0, 0.0, False), at_ms + half_ms),
        held(Sample(at_ms + half_ms, 690.0, 1380.0, True), at_ms + 2 * half_ms),
    ]
    day, now = begin.date(), begin + timedelta(hours=5)
    with Ledger(tmp_path / "history.sqlite") as ledger:
        ledger.write(Batch(intervals=intervals))
        for netting, paid in ((Netting.QUARTER, Decimal(0)), (Netting.NONE, Decimal("0.0250125"))):
            site = report.Household("shed", LISBON, flat(netting), lambda _: Band(1380.0, 345.0))
            found = report.build(ledger, day, day, now, site)
            assert found.total.money is not None and found.total.money.paid == paid
            said = [sentence for sentence in summary(found) if "nets" in sentence]
            assert said == netting.nets * [
                "The bill, which nets over each quarter of an hour, has 0.09 kWh less of it as bought."
            ]
            assert report.as_json(found)["total"]["netted_wh"] == (86.25 if netting.nets else 0.0)


@pytest.mark.parametrize(
    ("net", "charger", "grid"),
    [(-5, 3, 0), (0, 3, 0), (1, 3, 1), (3, 3, 3), (9, 3, 3), (2, 0, 0), (-2, 0, 0)],
)
def test_what_of_the_charger_is_imported(net: int, charger: int, grid: int) -> None:
    assert from_grid(net, charger) == grid
