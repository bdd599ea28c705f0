"""The ledger: what is written is read back, nothing is lost, nothing is counted twice, and sums outlive retention."""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
import random
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surpluscharge import cli
from surpluscharge.cli.common import Progress
from surpluscharge.config import load_offline
from surpluscharge.control.draw import Step
from surpluscharge.control.economics import EVERY_DAY, Tariff, Tariffs, Window
from surpluscharge.control.slots import Slot
from surpluscharge.daemon import store
from surpluscharge.history import exchange
from surpluscharge.history.energy import (
    NOTHING,
    Energy,
    Interval,
    Sample,
    account,
    day_span,
    hold,
    ms_of,
    time_of,
    total,
)
from surpluscharge.history.expectation import shares
from surpluscharge.history.ledger import (
    ABSENT,
    LONGEST_COUNT_MS,
    LOST,
    MIGRATIONS,
    Batch,
    Charge,
    DamagedError,
    Due,
    FaultChange,
    FaultSpan,
    Filled,
    Ledger,
    LedgerError,
    Look,
    Retention,
    Shown,
    StateChange,
    StateSpan,
)
from surpluscharge.history.readings import ReadingsError, Sides
from tests.bench import ledger_kills

LISBON = ZoneInfo("Europe/Lisbon")
NIGHT = Window(EVERY_DAY, 84_120, 19_860, Decimal("0.11"))  # 23:22 to 05:31, on no quarter of an hour
TARIFFS = Tariffs("EUR", (Tariff(None, Decimal("0.27"), Decimal("0.08"), Decimal("0.20"), (NIGHT,)),))
BEGIN = datetime(2031, 10, 24, 6, 30, tzinfo=LISBON)  # clocks go back on the 26th
BEGIN_MS = ms_of(BEGIN)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "history.sqlite") as opened:
        yield opened


def readings(count: int, every_ms: int = 10_000, begin_ms: int = BEGIN_MS, seed: int = 1) -> list[Interval]:
    """Return intervals of a house with a charger that is on for an hour in three, at times by plan; and some gaps."""
    chance = random.Random(seed)
    listed = []
    for index in range(count):
        on = index * every_ms // 3_600_000 % 3 == 0
        if chance.random() > 0.002:
            at_ms = begin_ms + index * every_ms + chance.randrange(every_ms // 2)
            by_plan = on and index * every_ms // 3_600_000 % 2 == 0
            listed.append(Sample(at_ms, chance.uniform(-3000, 3000), 1380.0 * on, on, 13.8 * on, by_plan))
    return list(hold(listed, 3 * every_ms))


# --- writing and reading ---------------------------------------------------------------------------------------------


def test_what_is_written_is_read_back(ledger: Ledger) -> None:
    charge = Charge(BEGIN_MS, BEGIN_MS, BEGIN_MS + 60_000, "import-held", Energy(60_000, 60_000, 1, 2, 3, 4, 5))
    batch = Batch(
        intervals=readings(50),
        charges=[charge],
        states=[
            StateChange(BEGIN_MS, ABSENT, "idle", "started", None),
            StateChange(BEGIN_MS + 5000, "idle", "arming", "surplus-seen", -1500.5),
            StateChange(BEGIN_MS + 5000, "arming", "charging", "surplus-held", -1500.5),
        ],
        faults=[
            FaultChange(BEGIN_MS, "meter-silent", "raised"),
            FaultChange(BEGIN_MS + 9000, "meter-silent", "cleared"),
            FaultChange(BEGIN_MS + 9000, "relay-stuck-on", "raised"),
            FaultChange(BEGIN_MS + 9500, "relay-stuck-on", "acknowledged"),
        ],
        steps=[(BEGIN_MS, Step(1380.0, 12.0))],
    )
    end_ms = BEGIN_MS + 3_600_000
    for again in range(2):  # the second time changes nothing: a batch may be tried again
        assert (ledger.write(batch) > 0) is bool(again)
        assert list(ledger.intervals(0, end_ms)) == batch.intervals
        assert ledger.charges(0, end_ms) == [charge]
        assert ledger.last_charge() == charge
        assert ledger.states(BEGIN_MS, BEGIN_MS + 20_000) == [
            StateSpan(BEGIN_MS, BEGIN_MS + 5000, "idle", "started"),
            StateSpan(BEGIN_MS + 5000, BEGIN_MS + 20_000, "charging", "surplus-held"),
        ]
        assert ledger.faults(0, end_ms) == [
            FaultSpan("meter-silent", BEGIN_MS, BEGIN_MS + 9000, None),
            FaultSpan("relay-stuck-on", BEGIN_MS + 9000, None, BEGIN_MS + 9500),
        ]
        assert ledger.open_faults() == ["relay-stuck-on"]
        assert ledger.faults(BEGIN_MS + 9000, end_ms)[0].code == "relay-stuck-on"
        assert ledger.steps(9) == [Step(1380.0, 12.0)]
        assert ledger.bounds() == (batch.intervals[0].begin_ms, batch.intervals[-1].end_ms)
    assert ledger.check(end_ms, LISBON) == []


def test_an_empty_ledger_knows_nothing(ledger: Ledger) -> None:
    assert ledger.bounds() is None
    assert ledger.energy(0, 1 << 60) == NOTHING
    assert (ledger.charges(0, 1 << 60), ledger.sessions(0, 1 << 60), ledger.states(0, 1 << 60)) == ([], [], [])
    assert ledger.last_charge() is None
    assert ledger.day_totals(date(2031, 1, 1), date(2031, 1, 3), LISBON, TARIFFS) == []
    assert ledger.retain(BEGIN_MS, LISBON, Retention(), TARIFFS) == []
    assert ledger.recover(1 << 60) == []
    assert ledger.check(BEGIN_MS, LISBON) == []


@settings(max_examples=60)
@given(st.data())
def test_no_time_is_counted_twice_whatever_is_written(data: st.DataObject) -> None:
    """Intervals at random, overlapping and repeated, against a list of milliseconds (invariant 10)."""
    listed = data.draw(st.lists(st.tuples(st.integers(0, 300), st.integers(1, 60)), min_size=1, max_size=15))
    owner: dict[int, int] = {}
    with tempfile.TemporaryDirectory() as folder, Ledger(Path(folder) / "history.sqlite") as ledger:
        for number, (begin_ms, length_ms) in enumerate(listed):
            energy = Energy(length_ms, 0, length_ms * (number + 1))
            again_ms = ledger.write(Batch([Interval(begin_ms, begin_ms + length_ms, energy)]))
            fresh = [ms for ms in range(begin_ms, begin_ms + length_ms) if ms not in owner]
            assert again_ms == length_ms - len(fresh)
            owner |= dict.fromkeys(fresh, number)
        low, high = sorted(data.draw(st.tuples(st.integers(0, 400), st.integers(0, 400))))
        expected = sum(number + 1 for ms, number in owner.items() if low <= ms < high)
        assert ledger.energy(low, high).import_mws == expected
        assert total(one.energy for one in ledger.intervals(low, high)).import_mws == expected
        assert ledger.check(10**9, UTC) == []


@given(st.lists(st.integers(0, 3_000_000), min_size=2, max_size=6))
@settings(max_examples=30)
def test_the_energy_between_times_adds_up(offsets_ms: list[int]) -> None:
    """The sum made in the database equals the sum of the intervals, and neighbouring spans add up."""
    with tempfile.TemporaryDirectory() as folder, Ledger(Path(folder) / "history.sqlite") as ledger:
        ledger.write(Batch(readings(280)))
        times_ms = sorted(BEGIN_MS + offset for offset in offsets_ms)
        pieces = [ledger.energy(low, high) for low, high in itertools.pairwise(times_ms)]
        assert total(pieces) == ledger.energy(times_ms[0], times_ms[-1])
        for (low, high), piece in zip(itertools.pairwise(times_ms), pieces, strict=True):
            assert piece == total(one.energy for one in ledger.intervals(low, high))


def test_sessions_are_their_charges_together(ledger: Ledger) -> None:
    energy = Energy(60_000, 60_000, 0, 0, 100, 20)
    first = Charge(1000, 1000, 61_000, "import-held", energy)
    second = Charge(100_000, 1000, 160_000, "time-cap", energy)
    other = Charge(900_000, 900_000, None, None, NOTHING)
    ledger.write(Batch([Interval(900_000, 930_000, energy)], charges=[first, second, other]))
    one, two = ledger.sessions(50_000, 901_000)
    assert (one.charges, one.begin_ms, one.end_ms) == ((first, second), 1000, 160_000)
    assert one.energy == energy.plus(energy)
    assert (two.end_ms, two.energy) == (None, energy)  # it still runs: what is recorded so far
    assert [session.begin_ms for session in ledger.sessions(100_000, 100_001)] == [1000]
    assert ledger.starts(0, 900_000) == 2


def test_it_can_be_read_while_it_is_written(ledger: Ledger) -> None:
    """A reader's snapshot stays as it is while batches come, and never waits for the writer."""
    ledger.write(Batch(readings(30)))
    with Ledger(ledger.path, read_only=True) as reader:
        with reader.snapshot():
            before = reader.energy(0, 1 << 60)
            ledger.write(Batch(readings(30, begin_ms=BEGIN_MS + 3_600_000)))
            assert reader.energy(0, 1 << 60) == before
        assert reader.energy(0, 1 << 60) == ledger.energy(0, 1 << 60)
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader.write(Batch(readings(3, begin_ms=0)))


def test_what_is_written_is_on_the_disk(ledger: Ledger) -> None:
    """In WAL mode only FULL flushes each commit to the disk (SQLite, "PRAGMA synchronous"): 2; NORMAL is 1."""
    for opened in (ledger, Ledger(ledger.path)):  # made just now, or found
        assert opened._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert opened._db.execute("PRAGMA synchronous").fetchone() == (2,)
    opened.close()


def test_the_file_is_for_its_owner_only(ledger: Ledger) -> None:
    assert stat.S_IMODE(ledger.path.stat().st_mode) == 0o600


def test_what_is_no_ledger_is_refused_with_a_remedy(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="there is no history yet"):
        Ledger(tmp_path / "none.sqlite", read_only=True)
    (tmp_path / "text.sqlite").write_text("never a database, whatever its name says" * 100, encoding="utf-8")
    for read_only in (True, False):
        with pytest.raises(DamagedError, match=r"not a database\. Restore it from a copy"):
            Ledger(tmp_path / "text.sqlite", read_only)
    later = tmp_path / "later.sqlite"
    with Ledger(later):
        pass
    with sqlite3.connect(later) as db:
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    for read_only in (True, False):
        with pytest.raises(LedgerError, match="a later version"):
            Ledger(later, read_only)
    with sqlite3.connect(later) as db:
        db.execute("PRAGMA user_version = 0")
    with pytest.raises(LedgerError, match="an earlier version"):
        Ledger(later, read_only=True)


def test_an_old_ledger_is_read_as_before(tmp_path: Path) -> None:
    """Nothing was charged by plan, nor from a battery, before; all else stays as it is, a charge under way included."""
    path, columns = tmp_path / "old.sqlite", Energy._fields[:7]
    whole = readings(8640)
    with sqlite3.connect(path) as db:
        db.executescript(MIGRATIONS[0])
        db.execute("PRAGMA user_version = 1")
        marks = ", ".join("?" * 7)
        rows = [(one.begin_ms, one.end_ms, *one.energy._replace(bought_mws=one.energy.grid_mws)[:7]) for one in whole]
        db.executemany(f"INSERT INTO interval (begin_ms, end_ms, {', '.join(columns)}) VALUES (?, ?, {marks})", rows)
        ended = (BEGIN_MS, BEGIN_MS, BEGIN_MS + 60_000, "import-held", 60_000, 60_000, 1, 2, 3, 4, 5)
        db.execute(f"INSERT INTO charge VALUES (?, ?, ?, ?, {marks})", ended)
        under_way = (BEGIN_MS + 90_000, BEGIN_MS, None, None, 0, 0, 0, 0, 0, 0, 0)
        db.execute(f"INSERT INTO charge VALUES (?, ?, ?, ?, {marks})", under_way)
        day = ("2030-02-01", 1, 2, "0.3", "0.1", "0.2", 3, 7, 6, 5, 4, 3, 2, 1)
        db.execute(f"INSERT INTO day VALUES (?, ?, ?, ?, ?, ?, ?, {marks})", day)
    db.close()
    with Ledger(path) as ledger:
        found = list(ledger.intervals(0, 1 << 60))
        assert [one[:2] for one in found] == [one[:2] for one in whole]
        assert [one.energy[7:] for one in found] == [(0,) * len(Energy._fields[7:])] * len(whole)
        assert [one.energy.bought_mws for one in found] == [one.energy.grid_mws for one in whole]
        assert [one.energy.charger_mws for one in found] == [one.energy.charger_mws for one in whole]
        assert ledger.charges(0, 1 << 60)[0] == Charge(*ended[:4], Energy(*ended[4:]))
        assert [one.begin_ms for one in ledger.recover(BEGIN_MS + 86_400_000)] == [BEGIN_MS + 90_000]
        (kept,) = ledger._db.execute("SELECT * FROM day").fetchall()
        assert kept == (*day, 0, 0, 0, 0, 0)
        assert abs((ledger.numbered_ms() or 0) - 1000 * time.time()) < 60_000  # imports from before have no number
        assert ledger.fillings() == []
        assert [one for one in ledger.check(BEGIN_MS + 2 * 86_400_000, LISBON) if "daily totals" not in one.what] == []


def earlier(path: Path, version: int) -> list[str]:
    """Make a ledger as an earlier version left it, with something in it; return what it holds."""
    with sqlite3.connect(path) as db:
        for script in MIGRATIONS[:version]:
            db.executescript(script)
        db.execute("INSERT INTO meta VALUES ('kept', ?)", (f"by version {version}",))
        db.execute(f"PRAGMA user_version = {version}")
    db.close()
    return held(path)


def held(path: Path) -> list[str]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return [*db.iterdump(), str(db.execute("PRAGMA user_version").fetchone())]


def test_an_old_ledger_is_copied_before_it_is_renewed(tmp_path: Path) -> None:
    path, last = tmp_path / "history-carport.sqlite", len(MIGRATIONS)
    other = tmp_path / "history-car.version-1.sqlite"
    other.touch()
    for version in (last - 2, last - 1):
        path.unlink(missing_ok=True)
        before = earlier(path, version)
        for _ in range(2):
            Ledger(path).close()
        copy = tmp_path / f"history-carport.version-{version}.sqlite"
        assert held(copy) == before
        assert copy.stat().st_mode & 0o777 == 0o600
        assert sorted(tmp_path.glob("*.*")) == sorted({path, copy, other})
    copy.rename(path)  # and back again
    with Ledger(path) as ledger:
        assert ledger._db.execute("SELECT value FROM meta WHERE key = 'kept'").fetchone() == (f"by version {last - 1}",)


def test_what_cannot_be_copied_is_not_renewed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "history.sqlite"
    before = earlier(path, 3)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "no space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(LedgerError, match="no space left on device"):
        Ledger(path)
    assert held(path) == before
    assert list(tmp_path.glob("*version*")) == []


# --- retention -------------------------------------------------------------------------------------------------------


def test_sums_and_money_outlive_retention(ledger: Ledger) -> None:
    """Through minutes, quarters of an hour and pruning, over a day of 25 hours and odd times of changing prices."""
    intervals = readings(5 * 8640)
    ledger.write(Batch(intervals, charges=[Charge(BEGIN_MS, BEGIN_MS, BEGIN_MS + 3_600_000, "time-cap", NOTHING)]))
    first, last = date(2031, 10, 24), date(2031, 10, 28)
    before = ledger.day_totals(first, last, LISBON, TARIFFS)
    assert [total.account.end.timestamp() - total.account.begin.timestamp() for total in before][2] == 25 * 3600
    assert [total.starts for total in before] == [1, *[0] * 4]
    whole = ledger.energy(0, 1 << 60)
    sizes = []
    for days_later, retention in (
        (20, Retention(30, 60, 90)),
        (20, Retention(5, 60, 90)),
        (20, Retention(5, 10, 90)),
        (30, Retention(5, 10, 20)),
    ):
        ledger.retain(ms_of(BEGIN + timedelta(days=days_later)), LISBON, retention, TARIFFS)
        assert ledger.day_totals(first, last, LISBON, TARIFFS) == before
        sizes.append(len(list(ledger.intervals(0, 1 << 60))))
        if sizes[-1]:
            assert ledger.energy(0, 1 << 60) == whole
        assert ledger.check(ms_of(BEGIN + timedelta(days=40)), LISBON) == []
    assert sizes[0] == len(intervals)
    assert sizes[1] < sizes[0] / 5 and sizes[2] < sizes[1] / 10 and sizes[3] == 0


def test_days_are_totalled_once_and_the_running_one_not(ledger: Ledger) -> None:
    ledger.write(Batch(readings(3 * 8640)))
    now = BEGIN + timedelta(days=2)
    days = ledger.retain(ms_of(now), LISBON, Retention(), None)
    assert days == [date(2031, 10, 24), date(2031, 10, 25)]
    assert ledger.retain(ms_of(now), LISBON, Retention(), None) == []
    assert ledger.retain(ms_of(now + timedelta(days=1)), LISBON, Retention(), None) == [date(2031, 10, 26)]


def test_a_price_corrected_later_counts_for_what_is_kept(ledger: Ledger) -> None:
    ledger.write(Batch(readings(2 * 8640)))
    ledger.retain(ms_of(BEGIN + timedelta(days=9)), LISBON, Retention(1, 2, 90), TARIFFS)
    day = date(2031, 10, 25)
    dearer = Tariffs("EUR", (Tariff(None, Decimal("0.54"), Decimal("0.16"), Decimal("0.40")),))
    (one,) = ledger.day_totals(day, day, LISBON, dearer)
    energy, cost = one.account.energy, one.account.money
    assert cost is not None
    assert energy.bought_mws > 0 and energy.planned_mws > 0  # both were paid for
    assert cost.paid * 3_600_000_000 == (energy.bought_mws + energy.planned_mws) * Decimal("0.54")


# --- prices that moved -----------------------------------------------------------------------------------------------

CHEAPEST = Tariffs("EUR", (Tariff(None, Decimal("0.27"), Decimal("0.08"), None, (NIGHT,)),))


def moved(first_s: int, count: int, length_s: int = 900, seed: int = 7) -> tuple[Slot, ...]:
    """Return invented prices, negative ones among them."""
    chance = random.Random(seed)
    return tuple(
        Slot(first_s + n * length_s, first_s + (n + 1) * length_s, round(chance.uniform(-0.05, 0.6), 4))
        for n in range(count)
    )


def by_the_minute(
    intervals: list[Interval], prices: dict[int, str], zone: ZoneInfo
) -> dict[date, tuple[Decimal, Decimal]]:
    """Return what was paid and forgone on each local day, reckoned minute by minute, times a kWh's milliwatt-seconds.

    ``prices`` of quarters of an hour, by their begin in seconds; else those of TARIFFS.
    """
    found: dict[date, tuple[Decimal, Decimal]] = {}
    for begin_ms, end_ms, energy in intervals:
        length_ms, edge_ms = end_ms - begin_ms, begin_ms
        while edge_ms < end_ms:
            until_ms = min(end_ms, (edge_ms // 60_000 + 1) * 60_000)  # every price changes on a whole minute
            low, high = edge_ms - begin_ms, until_ms - begin_ms
            grid, solar = (
                sum(mws * high // length_ms - mws * low // length_ms for mws in shares)
                for shares in ((energy.bought_mws, energy.planned_mws), (energy.solar_mws,))
            )
            local = datetime.fromtimestamp(edge_ms // 1000, zone)
            minute = local.hour * 60 + local.minute
            price = prices.get(edge_ms // 900_000 * 900, "0.11" if minute >= 1402 or minute < 331 else "0.27")
            paid, forgone = found.get(local.date(), (Decimal(0), Decimal(0)))
            found[local.date()] = paid + grid * Decimal(price), forgone + solar * Decimal("0.08")
            edge_ms = until_ms
    return found


def test_money_is_what_was_in_force_when_it_flowed_for_ever(ledger: Ledger) -> None:
    """Quarters over a day of 25 hours, with a hole, to the last digit; as recorded, aged, and dropped to totals."""
    first_s = BEGIN_MS // 900_000 * 900
    book = tuple(slot for n, slot in enumerate(moved(first_s, 4 * 96)) if not 150 <= n < 170)
    intervals = readings(5 * 8640)
    ledger.write(Batch(intervals, prices=[(first_s, book)]))
    expected = by_the_minute(intervals, {slot.begin_s: str(slot.value) for slot in book}, LISBON)
    first, last = date(2031, 10, 24), date(2031, 10, 29)
    for step, retention in enumerate((None, Retention(0, 90, 90), Retention(0, 0, 90), Retention(0, 0, 0))):
        if retention:
            ledger.retain(ms_of(BEGIN + timedelta(days=9)), LISBON, retention, TARIFFS)
        totals = ledger.day_totals(first, last, LISBON, TARIFFS)
        assert [one.day for one in totals] == sorted(expected)
        for one in totals:
            cost = one.account.money
            assert cost is not None
            assert (cost.paid_units, cost.forgone_units) == expected[one.day], (step, one.day)
        assert ledger.check(ms_of(BEGIN + timedelta(days=9)), LISBON) == []
    assert ledger.bounds() is None
    per_day = ledger._db.execute("SELECT day, COUNT(*) FROM day GROUP BY day").fetchall()
    assert max(count for _, count in per_day) < 50  # no row for a price at which nothing was charged


def test_a_whole_account_is_the_sum_of_its_parts_where_prices_move(ledger: Ledger) -> None:
    book = moved(BEGIN_MS // 900_000 * 900, 96)
    ledger.write(Batch(readings(2 * 8640), prices=[(book[0].begin_s, book)]))
    end = BEGIN + timedelta(days=2)
    whole = ledger.account(BEGIN, end, TARIFFS)
    assert whole.energy == ledger.energy(BEGIN_MS, ms_of(end)) and whole.money is not None
    for minutes in (7, 731):
        middle = BEGIN + timedelta(minutes=minutes)
        parts = [ledger.account(BEGIN, middle, TARIFFS), ledger.account(middle, end, TARIFFS)]
        assert parts[0].money is not None and parts[1].money is not None
        assert parts[0].money.plus(parts[1].money) == whole.money
    with_prices = ledger.in_force(TARIFFS, BEGIN, end)
    assert with_prices is not None
    assert account(ledger.energy, BEGIN, end, with_prices) == whole  # span by span
    assert ledger.in_force(None, BEGIN, end) is None
    assert ledger.account(BEGIN, end, None).money is None
    later = end + timedelta(days=7)
    assert ledger.in_force(TARIFFS, later, later + timedelta(days=1)) is TARIFFS


def test_what_was_in_force_stays_though_other_prices_come(ledger: Ledger) -> None:
    """Said anew within a slot: until then the old price, then the new one; and no longer any, once there is none."""
    first_s = BEGIN_MS // 3_600_000 * 3600
    old, new = moved(first_s, 6, 3600), moved(first_s, 6, 3600, seed=8)
    middle_s = first_s + 2 * 3600 + 777
    batch = Batch(prices=[(first_s, old), (middle_s, new)])
    for _ in range(2):  # a batch may be written again
        ledger.write(batch)
        priced = ledger.in_force(TARIFFS, time_of(first_s * 1000, LISBON), time_of((first_s + 6 * 3600) * 1000, LISBON))
        assert priced is not None
        for at_s in range(first_s, first_s + 6 * 3600, 100):
            prices, known = priced.prices_at(time_of(at_s * 1000, LISBON)), old if at_s < middle_s else new
            assert prices is not None and str(prices.import_price) == str(known[(at_s - first_s) // 3600].value)
    ledger.write(Batch(prices=[(middle_s + 3600, ())]))
    priced = ledger.in_force(TARIFFS, time_of(first_s * 1000, LISBON), time_of((first_s + 6 * 3600) * 1000, LISBON))
    assert priced is not None
    for at_s, price in ((middle_s + 3599, str(new[3].value)), (middle_s + 3601, "0.27")):
        prices = priced.prices_at(time_of(at_s * 1000, LISBON))
        assert prices is not None and str(prices.import_price) == price


def test_cheapest_is_what_this_lead_could_have_had_until_the_need(ledger: Ledger) -> None:
    """Needed after three hours, and two kWh of the lead's one an hour: the two cheapest of them, for ever.

    After that, where nothing was needed yet, it is the cheapest hour ahead.
    """
    first_ms = BEGIN_MS // 3_600_000 * 3_600_000
    prices = [0.3, 0.2, 0.25, 0.4, 0.35, 0.1]
    starts_s = [first_ms // 1000 + 3600 * n for n in range(len(prices))]
    book = tuple(Slot(start_s, start_s + 3600, price) for start_s, price in zip(starts_s, prices, strict=True))
    charged = [
        Interval(begin_ms, begin_ms + 60_000, Energy(60_000, 60_000, bought_mws=1000 * 60_000))
        for begin_ms in range(first_ms + 1_800_000, first_ms + 9_000_000, 60_000)
    ]
    due = Due(first_ms + 3 * 3_600_000, first_ms, 5, 4, 3, False, True)
    ledger.write(Batch(charged, prices=[(first_ms // 1000, book)], dues=[due]))
    ledger.write(Batch(dues=[due]))  # a batch may be written again
    begin, end = (time_of(first_ms + hours * 3_600_000, LISBON) for hours in (0, 6))

    def cut() -> list[str]:
        found = ledger.in_force(CHEAPEST, begin, end)
        assert found is not None
        return [str(one.alternative_price) for _, _, one in found.spans(begin, end) if one]

    assert cut() == ["0.225", "0.225", "0.225", "0.1", "0.1", "0.1"]
    assert ledger.dues(0, 1 << 60) == [due]
    assert ledger.dues(due.by_ms, 1 << 60) == []
    # What the charge saved: it took half of an hour at 0.3, all of the one at 0.2, and half of that at 0.25.
    spent = ledger.account(begin, end, CHEAPEST).money
    assert spent is not None and spent.saved == Decimal("0.45") - Decimal("0.475")
    ledger._db.execute("DELETE FROM interval")
    ledger._db.execute("DELETE FROM price WHERE begin_s < ?", (starts_s[2],))
    assert cut() == ["0.11", "0.225", "0.1", "0.1", "0.1"]
    # A car that was away for longer, and one that took nothing, say nothing of what else could have been.
    away = due._replace(since_ms=due.by_ms - LONGEST_COUNT_MS - 1)
    ledger.write(Batch(charged, prices=[(first_ms // 1000, book)], dues=[away]))
    assert cut() == ["0.1"] * 6
    ledger.write(Batch(dues=[due._replace(since_ms=due.by_ms - 1_800_000)]))
    assert cut() == ["0.1"] * 6


def kept_only(ledger: Ledger, zone: ZoneInfo = LISBON) -> datetime:
    """Record sixty days, and drop the intervals of about the first half; return the time at which that is done."""
    ledger.write(Batch(quarters(60 * 96)))
    now = BEGIN + timedelta(days=61)
    ledger.retain(ms_of(now), zone, Retention(1, 2, 31), TARIFFS)
    assert ledger.bounds()[0] > BEGIN_MS + 28 * 86_400_000  # type: ignore[index]
    return now


def quarters(count: int) -> list[Interval]:
    """Return quarters of an hour, each with an energy of its own."""
    begins_ms = (BEGIN_MS + index * 900_000 for index in range(count))
    return [
        Interval(at_ms, at_ms + 900_000, Energy(900_000, 900_000, 0, 0, 3_600_000 + at_ms % 999_983, 7))
        for at_ms in begins_ms
    ]


def test_kept_day_totals_are_neither_overwritten_nor_hidden(ledger: Ledger) -> None:
    """An import into a time of which only totals are kept, or a batch with a wrong clock: already counted."""
    now = kept_only(ledger)
    all_days = (date(2031, 1, 1), date(2031, 12, 31), LISBON, TARIFFS)
    before = ledger.day_totals(*all_days)
    assert len(before) == 61
    at_ms = BEGIN_MS + 10 * 86_400_000
    more = [Interval(at_ms, at_ms + 60_000, Energy(60_000, 0, 0, 0, 5000))]
    kept = Retention(1, 2, 31)
    with pytest.raises(LedgerError, match="only daily totals are kept, and they count already"):
        ledger.fill(more, ms_of(now), LISBON, kept, tariffs=TARIFFS, gaps_only=False)
    filled = ledger.fill(more, ms_of(now), LISBON, kept, tariffs=TARIFFS, gaps_only=True)
    assert (filled.rows, filled.again_ms) == (0, 60_000)
    assert ledger.write(Batch(more)) == 60_000
    assert ledger.day_totals(*all_days) == before
    ledger.mend(ms_of(now), LISBON, TARIFFS)
    ledger.retain(ms_of(now + timedelta(days=1)), LISBON, kept, TARIFFS)
    assert ledger.day_totals(*all_days) == before
    assert ledger.check(ms_of(now), LISBON) == []


@pytest.mark.parametrize("name", ["America/Lima", "Asia/Tokyo", "Asia/Kathmandu", "Europe/Madrid"])
def test_a_change_of_time_zone_loses_and_doubles_no_day(ledger: Ledger, name: str) -> None:
    """Whatever day it is counted with, all that was recorded is: at the change, and when the rest is dropped too."""
    now, zone = kept_only(ledger), ZoneInfo(name)
    recorded = total(one.energy for one in quarters(60 * 96))

    def counted(where: ZoneInfo) -> Energy:
        found = ledger.day_totals(date(2031, 1, 1), date(2032, 12, 31), where, TARIFFS)
        return total(one.account.energy for one in found)

    assert counted(LISBON) == counted(zone) == recorded
    for days_later in (0, 1, 2, 40, 60):
        then_ms = ms_of(now + timedelta(days=days_later))
        ledger.mend(then_ms, zone, TARIFFS)
        ledger.retain(then_ms, zone, Retention(1, 2, 31), TARIFFS)
        assert counted(zone) == recorded
        assert ledger.check(then_ms, zone) == []
    ledger.retain(then_ms, zone, Retention(1, 2, 31), TARIFFS)
    assert ledger.bounds() is None
    assert counted(LISBON) == recorded


def test_a_reading_of_1970_does_not_hold_up_the_daily_work(ledger: Ledger) -> None:
    """Only days with readings are gone through: the days between that one and today are not."""
    ledger.write(Batch([Interval(86_400_000, 86_410_000, Energy(10_000))]))
    ledger.write(Batch(readings(4 * 8640)))
    ledger.retain(ms_of(BEGIN + timedelta(days=4)), LISBON, Retention(1, 2, 90), None)
    assert len(list(ledger.intervals(0, BEGIN_MS + 86_400_000))) < 200  # by quarters of an hour
    assert ledger.bounds()[0] >= BEGIN_MS  # type: ignore[index]
    assert ledger.day_totals(date(1, 1, 1), date(9999, 12, 31), LISBON, None)[0].day == date(1970, 1, 2)


def test_what_a_lead_could_have_caught_is_the_same_summed_up_by_the_database(ledger: Ledger) -> None:
    """Beside the way reading by reading; a few seconds at the edges of quarters are counted with the one before."""
    ledger.write(Batch(readings(2 * 8640)))
    day = date(2031, 10, 25)
    begin_ms, end_ms = (ms_of(when) for when in day_span(day, LISBON))
    plain = shares(ledger.intervals(begin_ms, end_ms), day, LISBON, 1380.0)
    summed = shares(ledger.surplus(begin_ms, end_ms, 1380.0), day, LISBON, 1380.0)
    assert [one is None for one in plain] == [one is None for one in summed]
    assert max(abs((a or 0.0) - (b or 0.0)) for a, b in zip(plain, summed, strict=True)) < 0.01
    assert 0.3 < sum(one or 0.0 for one in plain) / 48 < 0.5  # half of it was import, some of it above the draw
    # An hour, as only an import has it, is still spread over the hour.
    ledger.write(Batch([Interval(end_ms + 20 * 3_600_000, end_ms + 21 * 3_600_000, Energy(3_600_000, 0, 0, 10**9))]))
    found = list(ledger.surplus(end_ms + 20 * 3_600_000, end_ms + 22 * 3_600_000, 1380.0))
    assert [(one.end_ms - one.begin_ms, one.energy.surplus_mws) for one in found] == [(3_600_000, 10**9)]


def test_what_a_house_battery_took_counts_where_it_was_the_cars(ledger: Ledger) -> None:
    """A quarter each: 1000 W stored and 500 exported; 2000 stored; 2000 exported; the charger on 1380 W of the sun."""
    powers = [(-500.0, 0.0, 1000.0), (0.0, 0.0, 2000.0), (-2000.0, 0.0, 0.0), (0.0, 1380.0, 0.0), (0.0, 0.0, 0.0)]
    first_ms = BEGIN_MS // 900_000 * 900_000
    samples = [
        Sample(first_ms + 60_000 * minute, grid_w, charger_w, charger_w > 0.0, battery_w=battery_w)
        for minute, (grid_w, charger_w, battery_w) in enumerate(powers[n // 15] for n in range(61))
    ]
    ledger.write(Batch(list(hold(samples, 60_000))))

    def caught(**asked: bool) -> list[float]:
        return [one.energy.solar_wh * 4 for one in ledger.surplus(first_ms, first_ms + 3_600_000, 1380.0, **asked)]

    assert caught() == [500.0, 0.0, 1380.0, 1380.0]
    assert caught(stored=True) == [1380.0, 1380.0, 1380.0, 1380.0]
    assert caught(whole=True) == [0.0, 0.0, 1380.0, 1380.0]


def test_old_happenings_are_dropped_but_what_goes_on_stays_known(ledger: Ledger) -> None:
    day_ms, codes = 86_400_000, ("meter-silent", "relay-unconfirmed")
    at_ms = [BEGIN_MS + number * day_ms for number in range(200)]
    ledger.write(
        Batch(
            readings(100),
            states=[StateChange(one, "idle", f"state-{number}", "x", None) for number, one in enumerate(at_ms)],
            faults=[FaultChange(one, codes[0], ("raised", "cleared")[number % 2]) for number, one in enumerate(at_ms)],
            steps=[(one, Step(1380.0, 12.0)) for one in at_ms],
        )
    )
    ledger.retain(at_ms[-1] + 1, LISBON, Retention(5, 10, 100), None)
    spans = ledger.states(0, 1 << 60)
    assert 10 <= len(spans) <= 13
    assert ledger.states(at_ms[-9], at_ms[-9] + 1)[0].state == "state-191"
    assert 50 <= len(ledger.faults(0, 1 << 60)) <= 52
    assert 100 <= len(ledger.steps(999)) <= 102
    ledger.write(Batch(faults=[FaultChange(at_ms[0], codes[1], "raised")]))
    ledger.retain(at_ms[-1] + day_ms, LISBON, Retention(5, 10, 100), None)
    assert ledger.open_faults() == [codes[1]]


# --- crashes ---------------------------------------------------------------------------------------------------------


def test_after_a_crash_what_was_open_is_closed_where_the_record_ends(ledger: Ledger) -> None:
    intervals = readings(100)
    ledger.write(
        Batch(
            intervals,
            charges=[Charge(BEGIN_MS, BEGIN_MS, None, None, NOTHING)],
            states=[StateChange(BEGIN_MS, "arming", "charging", "surplus-held", -1500.0)],
        )
    )
    (closed,) = ledger.recover(1 << 60)
    end_ms = intervals[-1].end_ms
    assert closed == Charge(BEGIN_MS, BEGIN_MS, end_ms, LOST, ledger.energy(BEGIN_MS, end_ms))
    assert ledger.charges(0, 1 << 60) == [closed]
    assert ledger.states(end_ms, end_ms + 1000) == [StateSpan(end_ms, end_ms + 1000, ABSENT, LOST)]
    assert ledger.recover(1 << 60) == []


def test_what_a_wrong_clock_left_in_the_future_is_not_taken_for_the_end(ledger: Ledger) -> None:
    now_ms, far_ms = BEGIN_MS + 3_600_000, BEGIN_MS + 9 * 365 * 86_400_000
    intervals = readings(100)
    open_ = Charge(BEGIN_MS, BEGIN_MS, None, None, NOTHING)
    ledger.write(Batch([*intervals, *readings(10, begin_ms=far_ms)], charges=[open_]))
    (closed,) = ledger.recover(now_ms)
    assert closed.end_ms == intervals[-1].end_ms
    for wrong_ms in (1000, far_ms + 86_400_000):  # a clock that is not set yet; one that is as far ahead as before
        ledger.write(Batch(charges=[open_]))
        assert ledger.charges(0, 1 << 60)[0].energy == total(one.energy for one in intervals)
        assert ledger.recover(wrong_ms) == [closed]


def test_a_charge_that_ends_before_it_begins_is_found_and_mended(ledger: Ledger) -> None:
    intervals = readings(100)
    energy = total(one.energy for one in intervals)
    ledger.write(Batch(intervals, charges=[Charge(BEGIN_MS, BEGIN_MS, BEGIN_MS - 86_400_000, "time-cap", energy)]))
    (trouble,) = ledger.check(BEGIN_MS + 86_400_000, LISBON)
    assert trouble.what == "the end is before the begin of 1 charge"
    ledger.mend(BEGIN_MS + 86_400_000, LISBON, None)
    assert ledger.check(BEGIN_MS + 86_400_000, LISBON) == []
    (session,) = ledger.sessions(BEGIN_MS, BEGIN_MS + 1000)
    assert (session.end_ms, session.energy) == (intervals[-1].end_ms, energy)


def test_a_clock_years_ahead_for_a_day_sums_up_a_month_at_most(ledger: Ledger) -> None:
    begins_ms = range(BEGIN_MS, BEGIN_MS + 8_640_000_000, 900_000)
    quarters = (Interval(at_ms, at_ms + 900_000, Energy(900_000, 0, 9)) for at_ms in begins_ms)
    kept, now_ms = Retention(5, 10, 3653), BEGIN_MS + 9_000_000_000
    ledger.fill(quarters, now_ms, LISBON, kept, tariffs=None, gaps_only=False)
    before = len(list(ledger.intervals(0, 1 << 60)))
    ledger.retain(ms_of(BEGIN + timedelta(days=40 * 365)), LISBON, kept, None)
    assert before - 31 * 96 <= len(list(ledger.intervals(0, 1 << 60))) < before


def test_a_clock_that_was_far_ahead_does_not_end_the_daily_work(ledger: Ledger) -> None:
    """For two days the clock showed 2040; afterwards days are totalled and summed up as ever."""
    ahead = BEGIN + timedelta(days=9 * 365)
    ledger.write(Batch(readings(2 * 8640, begin_ms=ms_of(ahead))))
    kept = Retention(1, 2, 90)
    assert len(ledger.retain(ms_of(ahead + timedelta(days=2)), LISBON, kept, None)) == 2
    ledger.write(Batch(readings(4 * 8640)))
    days = ledger.retain(ms_of(BEGIN + timedelta(days=4)), LISBON, kept, None)
    assert days == [date(2031, 10, 24) + timedelta(days=number) for number in range(4)]
    rows = len(list(ledger.intervals(0, BEGIN_MS + 86_400_000)))
    assert rows < 200  # the oldest day by quarters of an hour
    assert ledger.retain(ms_of(BEGIN + timedelta(days=4)), LISBON, kept, None) == []


def test_kill_9_loses_nothing_that_was_written_and_counts_nothing_twice(tmp_path: Path) -> None:
    """Must show: tests/bench/ledger_kills.py does it two hundred times."""
    outcome = ledger_kills.kill_at_random(tmp_path, times=6, seed=1)
    assert outcome.kills == 6
    assert outcome.batches > 0


def test_a_full_disk_loses_nothing_that_was_written(ledger: Ledger) -> None:
    """The database may not grow: each batch is refused whole, and taken whole once there is room again."""
    ledger.write(Batch(readings(500)))
    before = ledger.energy(0, 1 << 60)
    (pages,) = ledger._db.execute("PRAGMA page_count").fetchone()
    ledger._db.execute(f"PRAGMA max_page_count = {pages + 1}")
    more = Batch(
        readings(5000, begin_ms=BEGIN_MS + 10_000_000), faults=[FaultChange(BEGIN_MS, "store-failing", "raised")]
    )
    for _ in range(3):
        with pytest.raises(sqlite3.OperationalError, match="full"):
            ledger.write(more)
        assert ledger.energy(0, 1 << 60) == before
        assert ledger.open_faults() == []
    ledger._db.execute("PRAGMA max_page_count = 1000000")
    assert ledger.write(more) == 0
    assert ledger.energy(0, 1 << 60) == total([before, *(one.energy for one in more.intervals)])
    assert ledger.open_faults() == ["store-failing"]


def test_a_writer_waits_for_another(ledger: Ledger, tmp_path: Path) -> None:
    """An import in another process holds the ledger for a while: the daemon's batch waits for it."""
    other = sqlite3.connect(ledger.path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    release = threading.Timer(0.3, other.rollback)
    release.start()
    assert ledger.write(Batch(readings(5))) == 0
    release.join()
    other.close()


# --- checking and mending --------------------------------------------------------------------------------------------


def test_time_counted_twice_is_found_and_mended(ledger: Ledger) -> None:
    ledger.write(Batch(readings(9000)))
    now_ms = ms_of(BEGIN + timedelta(days=3))
    ledger.retain(now_ms, LISBON, Retention(), TARIFFS)
    good = ledger.energy(0, 1 << 60)
    at_ms = list(ledger.intervals(0, 1 << 60))[100].begin_ms + 1
    ledger._insert([Interval(at_ms, at_ms + 60_000, Energy(60_000, 0, 60_000_000))])  # as only a stranger would
    troubles = ledger.check(now_ms, LISBON)
    assert "is counted twice" in troubles[0].what
    assert any("daily totals differ" in trouble.what for trouble in troubles)
    assert all("--mend" in trouble.remedy for trouble in troubles)
    ledger.mend(1 << 60, LISBON, TARIFFS)
    assert ledger.check(now_ms, LISBON) == []
    assert ledger.energy(0, 1 << 60).known_ms <= good.known_ms + 60_000


def test_a_damaged_file_is_found(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with Ledger(path) as ledger:
        ledger.write(Batch(readings(3000)))
    data = bytearray(path.read_bytes())
    data[40_000:60_000] = os.urandom(20_000)
    path.write_bytes(data)
    with Ledger(path, read_only=True) as ledger:
        (trouble,) = ledger.check(ms_of(BEGIN + timedelta(days=3)), LISBON)
    assert trouble.what.startswith("the file is damaged")
    assert "restore it from a copy" in trouble.remedy


def test_readings_of_the_future_and_wrong_totals_are_found(ledger: Ledger) -> None:
    ledger.write(Batch(readings(9000)))
    (trouble,) = ledger.check(BEGIN_MS - 7 * 86_400_000, LISBON)
    assert "which is to come" in trouble.what
    ledger.retain(ms_of(BEGIN + timedelta(days=3)), LISBON, Retention(), TARIFFS)
    ledger._db.execute("UPDATE day SET solar_mws = solar_mws + 1 WHERE day = '2031-10-24' AND solar_mws > 0")
    now_ms = ms_of(BEGIN + timedelta(days=3))
    (trouble,) = ledger.check(now_ms, LISBON)
    assert trouble.what == "the daily totals differ from the intervals on 2031-10-24"
    ledger.mend(1 << 60, LISBON, TARIFFS)
    assert ledger.check(now_ms, LISBON) == []


@pytest.mark.parametrize("count", [5, 6])
def test_of_many_wrong_days_the_first_five_are_named(ledger: Ledger, count: int) -> None:
    ledger.write(Batch(readings(7 * 1440, every_ms=60_000)))
    now_ms = ms_of(BEGIN + timedelta(days=7))
    ledger.retain(now_ms, LISBON, Retention(), TARIFFS)
    ledger._db.execute("UPDATE day SET import_mws = import_mws + 1 WHERE day < ?", (f"2031-10-{24 + count}",))
    (trouble,) = ledger.check(now_ms, LISBON)
    days = ", ".join(f"2031-10-{24 + number}" for number in range(5))
    assert trouble.what == f"the daily totals differ from the intervals on {days}" + (" and more" if count > 5 else "")


@pytest.mark.parametrize(
    ("statement", "column"),
    [
        ("UPDATE interval SET end_ms = 'zz'", "interval.end_ms"),
        ("UPDATE step SET step_w = 'much'", "step.step_w"),
        ("INSERT INTO fault VALUES ('then', 'meter-silent', 'raised')", "fault.at_ms"),
        ("UPDATE interval SET import_mws = 0.5", "interval.import_mws"),
        ("UPDATE charge SET cause = x'ff'", "charge.cause"),
    ],
)
def test_a_value_of_the_wrong_kind_is_found(ledger: Ledger, statement: str, column: str) -> None:
    charge = Charge(BEGIN_MS, BEGIN_MS, BEGIN_MS + 60_000, "import-held", NOTHING)
    ledger.write(Batch(readings(1 + 1), charges=[charge], steps=[(BEGIN_MS, Step(1380.0, 12.0))]))
    assert ledger.check(BEGIN_MS, LISBON) == []
    ledger._db.execute(statement)
    (trouble,) = ledger.check(BEGIN_MS, LISBON)
    assert trouble.what == f"there are values of the wrong kind in {column}"


def test_gaps_are_listed(ledger: Ledger) -> None:
    first, second = readings(30), readings(30, begin_ms=BEGIN_MS + 3_600_000)
    ledger.write(Batch(first + second))
    assert ledger.gaps(600_000) == [(first[-1].end_ms, second[0].begin_ms)]


# --- in and out ------------------------------------------------------------------------------------------------------


def csv_file(path: Path, count: int, *, every_s: int = 60, end: datetime = BEGIN) -> Path:
    """Write older readings that end where the recorded ones begin."""
    begin_s = int(end.timestamp()) - count * every_s
    chance = random.Random(3)
    rows = [
        f"{begin_s + index * every_s},{chance.uniform(-2000, 2000):.1f},{1380 * (index // 60 % 2)}"
        for index in range(count)
    ]
    path.write_text("time,grid_w,charger_w\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def take_in(ledger: Ledger, file: Path, gaps_only: bool = False) -> exchange.Imported:
    now_ms = ms_of(BEGIN + timedelta(days=1, hours=1))
    return exchange.import_readings(
        ledger, file, now_ms, LISBON, Retention(3, 10, 90), tariffs=TARIFFS, fresh_s=None, gaps_only=gaps_only
    )


def test_older_readings_come_in_summed_up_by_their_age(ledger: Ledger, tmp_path: Path) -> None:
    ledger.write(Batch(readings(8640)))
    recorded = ledger.energy(0, 1 << 60)
    done = take_in(ledger, csv_file(tmp_path / "old.csv", 20 * 1440))
    assert done.fresh_s == 180
    assert done.filled.energy.charger_wh == pytest.approx(20 * 12 * 1380, rel=1e-3)
    assert ledger.energy(0, BEGIN_MS) == done.filled.energy
    assert ledger.energy(0, 1 << 60) == recorded.plus(done.filled.energy)
    lengths = {one.end_ms - one.begin_ms for one in ledger.intervals(0, BEGIN_MS - 15 * 86_400_000)}
    assert max(lengths) == 900_000
    assert len(ledger.day_totals(date(2031, 10, 5), date(2031, 10, 24), LISBON, TARIFFS)) == 20
    assert ledger.check(ms_of(BEGIN + timedelta(days=2)), LISBON) == []


def test_an_import_is_all_or_nothing(ledger: Ledger, tmp_path: Path) -> None:
    ledger.write(Batch(readings(8640)))
    before = list(ledger.intervals(0, 1 << 60))
    good = csv_file(tmp_path / "old.csv", 3000).read_text(encoding="utf-8").splitlines()
    bad = tmp_path / "bad.csv"
    bad.write_text("\n".join([*good[:2000], "1950000000,much,0", *good[2000:]]) + "\n", encoding="utf-8")
    with pytest.raises(ReadingsError, match=r"bad.csv, line 2001, column grid_w: 'much' is not a number"):
        take_in(ledger, bad)
    assert list(ledger.intervals(0, 1 << 60)) == before
    overlapping = csv_file(tmp_path / "overlapping.csv", 3000, end=BEGIN + timedelta(hours=2))
    with pytest.raises(LedgerError, match="there is a record already, and no time is counted twice"):
        take_in(ledger, overlapping)
    assert list(ledger.intervals(0, 1 << 60)) == before
    done = take_in(ledger, overlapping, gaps_only=True)
    assert done.filled.again_ms > 6_000_000
    known = set(before)
    assert [one for one in ledger.intervals(0, 1 << 60) if one in known] == before
    future = csv_file(tmp_path / "future.csv", 10, end=BEGIN + timedelta(days=30))
    with pytest.raises(LedgerError, match="Is the clock right"):
        take_in(ledger, future)


@pytest.mark.parametrize(
    ("days_ago", "length", "every_s", "said"),
    [  # of 3 days as recorded, 10 by the minute, 90 by the quarter of an hour
        (1, 1, 10.0, None),
        (6, 1, 10.0, "older than 3 days, so kept as minutes"),
        (6, 1, 60.0, None),  # minutes are what they are
        (30, 4, 60.0, "older than 10 days, so kept as quarter hours"),
        (30, 4, 900.0, None),
        (
            14,
            14,
            10.0,
            "what is older than 10 days is kept as quarter hours; what is older than 3 days is kept as minutes",
        ),
        (14, 8, 60.0, "what is older than 10 days is kept as quarter hours"),
        (200, 3, 900.0, "older than 90 days, so kept as daily totals only, from the daemon's next midnight on"),
        (
            95,
            30,
            60.0,
            "what is older than 90 days is kept as daily totals only, from the daemon's next midnight on; "
            "the rest is older than 10 days, so kept as quarter hours",
        ),
    ],
)
def test_an_import_says_how_it_was_kept(days_ago: int, length: int, every_s: float, said: str | None) -> None:
    begin = BEGIN - timedelta(days=days_ago)
    filled = Filled(ms_of(begin), ms_of(begin + timedelta(days=length)), 1, 0, NOTHING)
    done = exchange.Imported(filled, every_s, 3 * every_s, "", Sides())
    assert exchange.as_kept(done, LISBON, BEGIN.astimezone(LISBON).date(), Retention(3, 10, 90)) == said


UNITS = 3 * 288  # of five minutes, in three days
SPANS = st.tuples(st.integers(0, UNITS - 1), st.integers(1, 200)).map(lambda one: range(one[0], min(UNITS, sum(one))))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_an_import_undone_takes_with_it_what_it_added_and_nothing_else(data: st.DataObject) -> None:
    """Against a list of units of time, each of which is whose who came first; older ones summed up meanwhile or not."""
    begin = datetime(2031, 10, 25, tzinfo=LISBON)  # clocks go back on the 26th
    owner: dict[int, int] = {}  # unit -> who wrote it: below nought recorded, else the number of the import
    numbers: list[int] = []
    now = begin + timedelta(days=4)

    def worth(who: int) -> int:
        return 15 * (7 * abs(who) + (who < 0))  # of minutes it is a whole number, too

    def some(who: int, units: range) -> list[Interval]:
        begins_ms = (ms_of(begin) + 300_000 * unit for unit in units)
        return [Interval(at_ms, at_ms + 300_000, Energy(300_000, import_mws=worth(who))) for at_ms in begins_ms]

    def agrees() -> None:
        for first in range(0, UNITS, 36):
            at_ms = ms_of(begin) + 300_000 * first
            there = [worth(owner[unit]) for unit in range(first, first + 36) if unit in owner]
            found = ledger.energy(at_ms, at_ms + 36 * 300_000)
            assert (found.known_ms, found.import_mws) == (300_000 * len(there), sum(there))
        assert ledger.check(ms_of(now), LISBON) == []

    with tempfile.TemporaryDirectory() as folder, Ledger(Path(folder) / "history.sqlite") as ledger:
        for step in range(1, data.draw(st.integers(2, 6)) + 1):
            kept = Retention(data.draw(st.integers(0, 3)), data.draw(st.integers(0, 3)), 90)
            what = data.draw(st.sampled_from(("record", "import", "import", "age", "undo")))
            if what == "record":
                units = data.draw(SPANS)
                ledger.write(Batch(some(-step, units)))
                ledger.mend(ms_of(now), LISBON, TARIFFS)  # those days are over, and may have been totalled
                owner = dict.fromkeys(units, -step) | owner
            elif what == "import":
                units = data.draw(SPANS)
                number = len(ledger.fillings()) + 1
                filled = ledger.fill(some(number, units), ms_of(now), LISBON, kept, tariffs=TARIFFS, gaps_only=True)
                new = [unit for unit in units if unit not in owner]
                owner = dict.fromkeys(units, number) | owner
                assert filled.number == (number if new else None)
                numbers += [number] if new else []
            elif what == "age":
                ledger.retain(ms_of(now), LISBON, kept, TARIFFS)
            elif numbers:
                number = numbers.pop(data.draw(st.integers(0, len(numbers) - 1)))
                count = sum(who == number for who in owner.values())
                energy = ledger.unfill(number, ms_of(now), LISBON, tariffs=TARIFFS)
                assert energy == Energy(300_000 * count, import_mws=worth(number) * count)
                owner = {unit: who for unit, who in owner.items() if who != number}
                agrees()
        agrees()
        for number in numbers:
            ledger.unfill(number, ms_of(now), LISBON, tariffs=TARIFFS)
        owner = {unit: who for unit, who in owner.items() if who < 0}
        agrees()


def test_an_import_that_is_kept_in_daily_totals_is_not_undone(ledger: Ledger) -> None:
    now = BEGIN + timedelta(days=3)
    with pytest.raises(LedgerError, match="no import with the number 1"):
        ledger.unfill(1, ms_of(now), LISBON, tariffs=TARIFFS)
    assert ledger.fill(quarters(100), ms_of(now), LISBON, Retention(), tariffs=TARIFFS, gaps_only=False).number == 1
    ledger.retain(ms_of(now + timedelta(days=60)), LISBON, Retention(3, 10, 20), TARIFFS)
    totals = ledger._db.execute("SELECT * FROM day").fetchall()
    assert len(totals) > 1
    with pytest.raises(LedgerError, match=r"import 1 has aged: until 20.* only daily totals are kept"):
        ledger.unfill(1, ms_of(now), LISBON, tariffs=TARIFFS)
    assert ledger._db.execute("SELECT * FROM day").fetchall() == totals
    assert [one.undone_ms for one in ledger.fillings()] == [None]


def test_an_import_is_listed_and_undone_from_the_command_line(
    configured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(*words: object) -> tuple[int, str, str]:
        code = cli.main([*(str(word) for word in words), "--config", str(configured)])
        return code, *capsys.readouterr()

    code, _, complaint = run("import", "--undo", 1)
    assert (code, "there is no history yet, and so no import to undo" in complaint) == (1, True)
    files = [
        csv_file(tmp_path / name, 300, end=datetime(2024, 3, day, 12, tzinfo=LISBON))
        for name, day in (("one.csv", 2), ("two.csv", 5))
    ]
    for number, file in enumerate(files, 1):
        code, said, _ = run("import", file)
        assert (code, f"Imported, as number {number}: --undo {number} takes it back." in said) == (0, True)
    for words in ((), (files[0], "--list"), ("--list", "--undo", 1)):
        code, _, complaint = run("import", *words)
        assert (code, "one of the three" in complaint) == (1, True)
    code, listed, _ = run("import", "--list")
    assert code == 0
    assert "1: one.csv, imported 20" in listed and ", from 2024-03-05 07:00 to 2024-03-05 11:59, 20 rows" in listed
    days = run("export", "--what", "days")[1].splitlines()

    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    code, _, complaint = run("import", "--undo", 1)
    assert (code, "Nobody is there to ask: say --yes if so. Nothing was changed" in complaint) == (1, True)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    for answer in ("no", ""):
        monkeypatch.setattr("builtins.input", lambda _, answer=answer: answer)
        assert run("import", "--undo", 1)[0] == 1
    code, said, _ = run("import", "--undo", 1, "--dry-run")
    assert (code, said.endswith("Nothing was undone.\n")) == (0, True)
    assert run("import", "--list")[1] == listed
    monkeypatch.setattr("builtins.input", lambda _: "yes")
    code, said, _ = run("import", "--undo", 1)
    assert (code, said.endswith("Import 1 is undone.\n")) == (0, True)
    assert run("export", "--what", "days")[1].splitlines() == [days[0], days[2]]
    code, _, complaint = run("import", "--undo", 1, "--yes")
    assert (code, "was undone already" in complaint) == (1, True)
    assert "   undone 20" in run("import", "--list")[1]
    assert run("import", files[0])[1].endswith("Imported, as number 3: --undo 3 takes it back.\n")
    assert run("import", "--undo", 3, "--yes")[0] == run("import", "--undo", 2, "--yes")[0] == 0
    assert run("export", "--what", "days")[1] == ""


def test_a_reading_alone_is_of_no_use(ledger: Ledger, tmp_path: Path) -> None:
    alone = tmp_path / "alone.csv"
    alone.write_text("time,grid_w\n1700000000,-300\n", encoding="utf-8")
    with pytest.raises(ReadingsError, match="nothing could be used, because there is a single reading in it"):
        take_in(ledger, alone)


def test_a_rehearsal_changes_nothing(ledger: Ledger, tmp_path: Path) -> None:
    """It goes over a ledger that is open, with what was only just written in it, and finds what is counted already."""
    ledger.write(Batch(readings(8640)))
    before = list(ledger.intervals(0, 1 << 60))
    with exchange.rehearsal(ledger.path) as trial:
        done = take_in(trial, csv_file(tmp_path / "old.csv", 3000))
        assert trial.energy(0, 1 << 60) == ledger.energy(0, 1 << 60).plus(done.filled.energy)
    with exchange.rehearsal(ledger.path) as trial, pytest.raises(LedgerError, match="no time is counted twice"):
        take_in(trial, csv_file(tmp_path / "late.csv", 3000, end=BEGIN + timedelta(hours=2)))
    assert list(ledger.intervals(0, 1 << 60)) == before
    assert not trial.path.parent.exists()


def test_what_is_to_come_or_not_written_yet_is_no_import(ledger: Ledger) -> None:
    """The last hour may wait in a running daemon, batch_s being an hour at most: an import must not come before it."""
    now_ms = BEGIN_MS + 7_200_000

    def fill(begin_ms: int) -> None:
        one = Interval(begin_ms, begin_ms + 60_000, Energy(60_000, 0, 5))
        ledger.fill([one], now_ms, LISBON, Retention(), tariffs=None, gaps_only=True)

    for begin_ms, complaint in (
        (now_ms, "later than now, 2031-10-24 08:30. Is the clock right"),
        (now_ms - 3_600_000, r"later than 2031-10-24 07:30. The last hour is not taken"),
        (-62_135_596_800_000, "from before the year 2000"),
        (253_402_300_740_000, "later than now"),
    ):
        with pytest.raises(LedgerError, match=complaint):
            fill(begin_ms)
    assert ledger.bounds() is None
    fill(now_ms - 3_660_000)
    assert ledger.bounds() is not None


def test_charges_are_exported_with_their_ends_where_they_have_one(ledger: Ledger) -> None:
    ended = Charge(BEGIN_MS, BEGIN_MS, BEGIN_MS + 90_500, "import-held", Energy(90_500, 90_500, 0, 0, 3_600_000, 0, 0))
    running = Charge(BEGIN_MS + 3_600_000, BEGIN_MS, None, None, NOTHING)
    ledger.write(Batch(charges=[ended, running]))
    rows = list(exchange.records(ledger, "charges", BEGIN, BEGIN + timedelta(days=1), UTC, tariffs=None))
    begun = time_of(BEGIN_MS, UTC)
    assert [(row["time"], row["until"], row["session"], row["ended_by"], row["solar_wh"]) for row in rows] == [
        (told(begun), told(begun + timedelta(seconds=90.5)), told(begun), "import-held", 1.0),
        (told(begun + timedelta(hours=1)), None, told(begun), None, 0.0),
    ]


def test_what_was_shown_of_joints_is_exported_with_its_units_and_so_are_looks(ledger: Ledger) -> None:
    shown = [
        Shown(BEGIN_MS, "heat", 0.1, 0.02, 9.5),
        Shown(BEGIN_MS + 1000, "ohms", 0.45, 0.05, 9.5),
        Shown(BEGIN_MS + 2000, "wall", -0.1, 0.3, 9.5),
        Shown(BEGIN_MS + 86_400_000, "ohms", 0.46, 0.05, 9.5),  # the next day
    ]
    looks = [Look(BEGIN_MS - 1, "the day before"), Look(BEGIN_MS + 5000, 'pins bright, "nothing" brown')]
    ledger.write(Batch(shown=shown, looks=looks))

    def rows(what: str) -> list[dict[str, Any]]:
        return list(exchange.records(ledger, what, BEGIN, BEGIN + timedelta(days=1), UTC, tariffs=None))

    begun = time_of(BEGIN_MS, UTC)
    assert [tuple(row.values()) for row in rows("joints")] == [
        (told(begun), "heat", 0.1, 0.02, "K/A2", 9.5),
        (told(begun + timedelta(seconds=1)), "ohms", 0.45, 0.05, "ohm", 9.5),
        (told(begun + timedelta(seconds=2)), "wall", -0.1, 0.3, "ohm", 9.5),
    ]
    assert rows("looks") == [{"time": told(begun + timedelta(seconds=5)), "note": 'pins bright, "nothing" brown'}]


def told(when: datetime) -> str:
    return when.isoformat(timespec="milliseconds")


def test_of_samples_in_one_millisecond_the_first_counts() -> None:
    samples = [Sample(at_ms, float(number), 0.0, True, 0.0) for number, at_ms in enumerate((5, 5, 6, 6, 4, 7))]
    assert [sample.grid_w for sample in exchange._later(iter(samples))] == [0.0, 2.0, 5.0]


def test_what_is_exported_can_be_imported(ledger: Ledger, tmp_path: Path) -> None:
    ledger.write(Batch(readings(8640)))
    begin, end = BEGIN, BEGIN + timedelta(days=1)
    rows = list(exchange.records(ledger, "readings", begin, end, LISBON, tariffs=TARIFFS))
    with (tmp_path / "out.csv").open("w", encoding="utf-8") as file:
        assert exchange.write_csv(iter(rows), file) == len(rows)
    with Ledger(tmp_path / "other.sqlite") as other:
        take_in(other, tmp_path / "out.csv")
        mine, its = ledger.energy(0, 1 << 60), other.energy(0, 1 << 60)
    for name in ("import_wh", "export_wh", "solar_wh", "grid_wh"):  # readings tell of no plan
        assert getattr(its, name) == pytest.approx(getattr(mine, name), rel=2e-3)  # the last one is not held


def test_parquet_holds_the_same_as_csv(ledger: Ledger, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="needs the parquet extra")
    charge = Charge(BEGIN_MS, BEGIN_MS, BEGIN_MS + 1000, "time-cap", Energy(1000, 1000, 0, 0, 3_600_000))
    seen = [Shown(BEGIN_MS, "ohms", 0.45, 0.05, 9.5)]
    ledger.write(Batch(readings(8640), charges=[charge], shown=seen, looks=[Look(BEGIN_MS, "nothing brown")]))
    for what in exchange.WHAT:
        rows = list(exchange.records(ledger, what, BEGIN, BEGIN + timedelta(days=1), LISBON, tariffs=TARIFFS))
        assert rows
        assert exchange.write_parquet(iter(rows), tmp_path / what) == len(rows)
        assert parquet.read_table(tmp_path / what).to_pylist() == rows


def test_a_reader_that_is_killed_does_no_harm(ledger: Ledger, tmp_path: Path) -> None:
    ledger.write(Batch(readings(100)))
    script = (
        "import sys, time, pathlib; from surpluscharge.history.ledger import Ledger\n"
        f"ledger = Ledger(pathlib.Path({str(ledger.path)!r}), read_only=True)\n"
        "with ledger.snapshot():\n ledger.bounds(); print('in', flush=True); time.sleep(60)"
    )
    reader = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE)
    assert reader.stdout is not None
    assert reader.stdout.readline() == b"in\n"
    reader.send_signal(signal.SIGKILL)
    reader.wait()
    reader.stdout.close()
    assert ledger.write(Batch(readings(100, begin_ms=BEGIN_MS + 10_000_000))) == 0
    assert ledger.check(BEGIN_MS + 86_400_000, LISBON) == []


# --- the commands ----------------------------------------------------------------------------------------------------


@pytest.fixture
def configured(tmp_path: Path) -> Path:
    """Write a configuration whose ledger is in a folder of its own."""
    path = tmp_path / "shed.toml"
    path.write_text(
        '[charger]\ncurrent_a = 6.0\n[[meter]]\ntopic = "house/grid"\n[relay]\ntopic = "plug/set"\n'
        f'[site]\ntime_zone = "Europe/Lisbon"\n[store]\ndirectory = "{tmp_path / "state"}"\n',
        encoding="utf-8",
    )
    return path


def test_the_name_of_an_export_says_its_form(
    configured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("pyarrow.parquet", reason="needs the parquet extra")
    old = csv_file(tmp_path / "old.csv", 300, end=datetime(2024, 3, 2, 12, tzinfo=LISBON))
    assert cli.main(["import", "--config", str(configured), str(old)]) == 0
    for name, words, begins in (
        ("by-name.parquet", [], b"PAR1"),  # as a Parquet file begins, by its format's description (from memory)
        ("asked-for.bin", ["parquet"], b"PAR1"),
        ("plain.csv", [], b"time,until"),
        ("plain.txt", ["csv"], b"time,until"),
    ):
        made = tmp_path / name
        assert cli.main(["export", "--config", str(configured), *words, "--output", str(made)]) == 0
        assert made.read_bytes().startswith(begins), name
    capsys.readouterr()
    assert cli.main(["export", "--config", str(configured), "csv", "--output", str(tmp_path / "no.parquet")]) == 1
    assert "is named as Parquet, and csv was asked for" in capsys.readouterr().err
    assert not (tmp_path / "no.parquet").exists()


def test_an_import_of_a_file_that_is_written_otherwise(
    configured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    begin = datetime(2024, 3, 2, 12, tzinfo=LISBON)
    rows = [f"{(begin + timedelta(minutes=i)).isoformat()};0,25;1,5" for i in range(60)]
    (tmp_path / "other.csv").write_text("when;from the grid;export_kw\n" + "\n".join(rows), encoding="utf-8")
    words = ["import", "--config", str(configured), str(tmp_path / "other.csv"), "--dry-run"]
    declared = ["--decimal-comma", "--column", "time=when", "--column", "import_kw=from the grid"]
    shares = []
    monkeypatch.setattr(Progress, "__call__", lambda _, share: shares.append(share))
    assert cli.main([*words, *declared]) == 0
    assert "import 0.0 kWh, export 1.2 kWh" in capsys.readouterr().out  # an hour of 1.25 kW, but for its last minute
    assert shares == [1.0]
    assert cli.main(words) == 1
    assert "no column time" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        cli.main([*words, "--column", "solar_kw=sun"])
    assert "WHAT is one of time, grid_w, grid_kw, import_w" in capsys.readouterr().err


def test_import_export_and_check_from_the_command_line(
    configured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(*words: object) -> tuple[int, str, str]:
        code = cli.main([*(str(word) for word in words), "--config", str(configured)])
        return code, *capsys.readouterr()

    assert run("history", "check") == (
        1,
        "",
        f"{tmp_path}/state/history-charger.sqlite: there is no history yet. The daemon makes it when it runs\n",
    )
    old = csv_file(tmp_path / "old.csv", 3000, end=datetime(2024, 3, 2, 12, tzinfo=LISBON))
    code, tried, complaint = run("import", old, "--dry-run")
    assert (code, complaint) == (0, "")
    assert tried.endswith("\nNothing was written.\n")
    assert not (tmp_path / "state").exists()
    code, said, told = run("import", old)
    assert code == 0
    assert told.startswith(f"into {tmp_path}/state/history-charger.sqlite: --dry-run")
    assert said == tried.removesuffix("Nothing was written.\n") + "Imported, as number 1: --undo 1 takes it back.\n"
    assert "each reading held for 180 s at most\nolder than 92 days, so kept as quarter hours\n" in said
    code, _, complaint = run("import", old, "--dry-run")
    assert (code, "no time is counted twice" in complaint) == (1, True)
    code, tried, _ = run("import", old, "--dry-run", "--gaps-only")
    assert (code, tried.splitlines()[0][:7]) == (0, "0 rows:")
    code, _, complaint = run("import", old)
    assert code == 1
    assert "no time is counted twice" in complaint and complaint.endswith("Nothing was imported\n")
    code, said, _ = run("import", old, "--gaps-only")
    assert (code, said.splitlines()[0][:7]) == (0, "0 rows:")
    wild = tmp_path / "wild.csv"
    wild.write_text("time,grid_w\n1700000000,-300\n1700000010,-99999999\n1700000020,-300\n", encoding="utf-8")
    code, _, complaint = run("import", wild)
    assert code == 1
    assert "wild.csv, line 3, column grid_w: '-99999999' is beyond 30000 W" in complaint
    assert complaint.endswith("Nothing was imported\n")
    with pytest.raises(SystemExit):
        run("import", old, "--fresh-s", "0")
    assert "'0' is no time to hold a reading" in capsys.readouterr().err
    code, said, _ = run("history", "check")
    assert code == 0
    assert "nothing is counted twice" in said
    code, said, _ = run("export", "--what", "days")
    assert code == 0
    assert [line.split(",")[0] for line in said.splitlines()] == ["day", "2024-02-29", "2024-03-01", "2024-03-02"]
    code, said, told = run("export", "csv", "--from", "2024-03-01", "--to", "2024-03-01")
    assert (code, told, len(said.splitlines())) == (0, "96 rows\n", 97)
    assert said.splitlines()[1].startswith("2024-03-01T00:00:00.000+00:00,")
    code, _, complaint = run("export", "parquet")
    assert (code, complaint) == (1, "Parquet is no text: name a file with --output\n")
    code, _, complaint = run("export", "--from", "yesterday")
    assert code == 1
    assert complaint.startswith("yesterday is neither a day (2031-05-14) nor a time")
    code, _, complaint = run("export", "--output", tmp_path / "no" / "such" / "folder.csv")
    assert (code, "cannot be written: No such file or directory" in complaint) == (1, True)

    ledger_file = tmp_path / "state" / "history-charger.sqlite"
    before = ledger_file.read_bytes()
    for form, there in (("csv", ledger_file), ("parquet", ledger_file), ("csv", old)):
        code, _, complaint = run("export", form, "--output", there)
        assert (code, complaint) == (1, f"{there} is there already, and is not overwritten. Name a new file\n")
    assert ledger_file.read_bytes() == before
    for words in (
        ("export", "--from", "0001-01-01"),
        ("export", "--to", "9999-12-31"),
        ("export", "--from", "0001-01-01T00:00:00+14:00"),
        ("export", "--to", "9999-12-31T23:59:59-14:00"),
        ("export", "--what", "days", "--to", "9999-12-30T00:00"),
    ):
        code, _, complaint = run(*words)
        assert (code, "is no time from 1970 to 2999. Leave it out" in complaint) == (1, True)
    code, said, _ = run("export", "--what", "days", "--from", "1970-01-01", "--to", "2999-12-31")
    assert (code, len(said.splitlines())) == (0, 4)
    for option, value in (("--day", "0001-01-01"), ("--month", "0001-01"), ("--from", "1900-01-01")):
        code, _, complaint = run("report", option, value)
        assert (code, "is before 1970: choose a later day" in complaint) == (1, True)

    turned = tmp_path / "turned.csv"
    begin_s = round(datetime(2024, 4, 1, tzinfo=LISBON).timestamp())
    rows = (f"{begin_s + 3600 * hour},{1700 if 9 <= hour % 24 < 17 else -240}" for hour in range(120))
    turned.write_text("time,grid_w\n" + "\n".join(rows) + "\n", encoding="utf-8")
    code, _, told = run("import", turned)
    assert (code, "warning: on 5 of 5 days the house exports at night" in told) == (0, True)

    with Ledger(ledger_file) as ledger:
        first = next(ledger.intervals(0, 1 << 60))
        ledger._insert([Interval(first.begin_ms + 1, first.end_ms, NOTHING)])
    code, said, _ = run("history", "check")
    assert code == 1
    assert "is counted twice. Run this check with --mend, the daemon stopped." in said
    with store.alone(load_offline(configured).state_file):  # the daemon runs
        code, _, complaint = run("history", "check", "--mend")
        assert (code, complaint.endswith(". Nothing was mended\n")) == (1, True)
    code, said, _ = run("history", "check", "--mend")
    assert (code, "nothing is counted twice" in said) == (0, True)

    with Ledger(ledger_file) as ledger:
        ledger._db.execute("UPDATE interval SET end_ms = 'zz'")
    code, said, _ = run("history", "check", "--mend")
    assert (code, "values of the wrong kind in interval.end_ms. The file was damaged" in said) == (1, True)
