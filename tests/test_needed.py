"""What was needed and came, and what the plan was worth: invented days of the real controller, plan and recorder."""

from __future__ import annotations

import contextlib
import functools
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import pytest
import scipy  # its parts come when they are asked for
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control.draw import DrawWatch
from surpluscharge.control.economics import Tariff, Tariffs
from surpluscharge.control.news import News
from surpluscharge.control.slots import Book
from surpluscharge.history.energy import MWS_PER_KWH, Energy, Sample, hold, ms_of, part, time_of, total
from surpluscharge.history.ledger import Batch, Due, Ledger, PlanAhead, RunAhead
from surpluscharge.history.recorder import Recorder
from surpluscharge.history.report import Household, Report, as_json, as_text, build, needed, text
from surpluscharge.history.report.needed import Piece
from surpluscharge.history.report.words import kwh, need_in_words, outcome, rounded
from tests.test_planner import LISBON, NOON, PRICES, House, configured

FIRST = date(2031, 5, 5)
NOW = NOON.replace(day=8, hour=21)
DAY = timedelta(days=1)
MONEY = {"currency": "EUR", "tariff": [{"import_price": 0.30, "export_price": 0.06, "alternative_price": 0.28}]}
CONTROL = {"start_export_w": 1380.0, "stop_import_w": 345.0}  # the prices would have more of the sun
NEEDS = {
    "need": [{"by": "07:00", "energy_wh": 9000}, {"days": ["wed"], "by": "15:00", "energy_wh": 12000}],
    "time_cap_s": 8 * 3600,
    "unwatched_because": "an invented house, where nothing can burn",
    "prices": {"topic": PRICES},
}


@dataclass
class Recorded(House):
    """A house that keeps its books, as the historian does."""

    ledger: Ledger = field(default_factory=lambda: Ledger(Path("/nowhere")))

    def __post_init__(self) -> None:
        self.recorder = Recorder(DrawWatch(1380.0), 10_000)
        super().__post_init__()
        self.keeps = self

    @property
    def ahead(self) -> dict[str, Any]:
        return {}

    def tell(self, happened: News) -> None:
        super().tell(happened)
        self.recorder.observe(self.controller, self.controller.take_events(), round(self.wall().timestamp() * 1000))

    def published(self, feed: str, book: Book) -> None:
        self.recorder.published(feed, book)

    def in_force(self, book: Book) -> None:
        self.recorder.in_force(book, round(self.wall().timestamp() * 1000))

    def due(self, due: Due) -> None:
        self.recorder.due(due)

    def foretold(self, day: date, mean_w: float) -> None:
        self.recorder.foretold(day.isoformat(), mean_w)

    def planned(self, plan: PlanAhead) -> None:
        self.recorder.planned(plan)

    def live(self, until: datetime) -> None:
        """Go on with an invented sun, and the next day's prices at one in the afternoon."""
        while self.wall() < until:
            wall = self.wall()
            if wall.hour == 13 or self.gone_s == 0:
                self.planner.take(PRICES, json.dumps(list(_prices(wall))).encode())
            cloud = Random(f"cloud {wall.date()} {wall.hour}").uniform(0.3, 1.0)
            self.sun_w = 2200.0 * cloud * max(0.0, 1.0 - ((wall.hour - 13) / 5.0) ** 2) - 250.0
            self.run(1.0)


def _prices(wall: datetime) -> Iterator[dict[str, Any]]:
    """Yield the prices from this midnight to the end of the next day: dear in the evening, cheap at three."""
    begin = wall.replace(hour=0, minute=0).astimezone(UTC)
    for hour in range(48):
        start = begin + timedelta(hours=hour)
        local, chance = start.astimezone(LISBON), Random(f"price {start}").uniform(-0.02, 0.02)
        shape = 0.11 if 2 <= local.hour < 5 else 0.42 if 18 <= local.hour < 22 else 0.24
        yield {"start": start.isoformat(), "minutes": 60, "price": round(shape + chance, 4)}


@functools.cache
def _batch(until: datetime) -> Batch:
    house = Recorded(configured(NEEDS, money=MONEY, control=CONTROL), start=NOON)
    house.live(until)
    return house.recorder.take()


def written(path: Path, until: datetime) -> Ledger:
    """Return the ledger of the invented house up to a moment."""
    ledger = Ledger(path)
    ledger.write(_batch(until))
    return ledger


def site() -> Household:
    config = configured(NEEDS, money=MONEY, control=CONTROL)
    return Household("carport", LISBON, config.tariffs(), config.band)


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    """Four days: in the night something is bought by plan, on Wednesday by day as well, beside sun and cloud."""
    with written(tmp_path_factory.mktemp("history") / "history.sqlite", NOW) as opened:
        yield opened


@pytest.fixture(scope="module")
def month(ledger: Ledger) -> Report:
    return build(ledger, FIRST, NOW.date(), NOW, site())


# --- the three shares ------------------------------------------------------------------------------------------------


def test_sun_bought_and_planned_add_up_in_energy_and_in_money(ledger: Ledger, month: Report) -> None:
    """The money beside a reckoning interval by interval at the invented prices, in decimals."""
    energy, cost = month.total.energy, month.total.money
    assert min(energy.solar_mws, energy.bought_mws, energy.planned_mws) > 0.3 * MWS_PER_KWH
    assert energy.charger_mws == energy.solar_mws + energy.bought_mws + energy.planned_mws
    assert energy == total(line.energy for line in month.lines) == total(hour.energy for hour in month.hours)
    paid = planned = Decimal(0)
    known = {
        datetime.fromisoformat(one["start"]): one["price"] for day in range(4) for one in _prices(NOON + day * DAY)
    }
    for interval in ledger.intervals(0, 1 << 60):  # prices change at whole hours, and so does what is held
        pieces = [interval]
        edge_ms = (interval.begin_ms // 3_600_000 + 1) * 3_600_000
        if interval.end_ms > edge_ms:
            pieces = [found for low, high in ((0, edge_ms), (edge_ms, 1 << 60)) if (found := part(interval, low, high))]
        for piece in pieces:
            price = Decimal(str(known[time_of(piece.begin_ms // 3_600_000 * 3_600_000, UTC)]))
            paid += piece.energy.grid_mws * price
            planned += piece.energy.planned_mws * price
    assert cost is not None
    assert (cost.paid_units, cost.planned_units) == (paid, planned)
    document = as_json(month)
    shares = [document["total"][key] for key in ("solar_wh", "beside_sun_wh", "planned_wh")]
    assert sum(shares) == pytest.approx(document["total"]["charger_wh"])
    assert document["total"]["bought_wh"] == pytest.approx(shares[1] + shares[2])  # as ever: all that was bought
    assert Decimal(document["total"]["money"]["planned"]) == cost.planned
    said = as_text(month)
    assert f"from the sun, {kwh(energy.bought_mws)} kWh bought beside" in " ".join(said.split())
    rows = [line.split() for line in said.splitlines() if line.startswith(("bought by plan", "bought beside the sun"))]
    assert rows[0][3:] == [kwh(energy.planned_mws), rounded(cost.planned)]
    assert rows[1][4:] == [kwh(energy.bought_mws), rounded(cost.paid - cost.planned)]
    for width in (40, 60, 80, 120):
        assert max(map(len, as_text(month, width).splitlines())) <= width


def test_a_bar_has_a_mark_of_its_own_for_what_was_planned() -> None:
    energy = Energy(
        solar_mws=30 * MWS_PER_KWH,
        export_mws=20 * MWS_PER_KWH,
        bought_mws=10 * MWS_PER_KWH,
        planned_mws=15 * MWS_PER_KWH,
    )
    assert text._bar(energy, 75 * MWS_PER_KWH, 15, text.BLOCKS) == "██████░░░░▒▒≡≡≡"
    assert text._full_mws([energy]) == 75 * MWS_PER_KWH


# --- what was needed -------------------------------------------------------------------------------------------------


def test_each_need_is_told_with_what_came_in_time(month: Report) -> None:
    told = [(need.by.day, need.by.hour, need.due.needed_mws / MWS_PER_KWH) for need in month.needs]
    assert told == [(6, 7, 9.0), (7, 7, 9.0), (7, 15, 12.0), (8, 7, 9.0)]
    assert month.needs[0].due.met and not month.needs[2].due.met  # no lead of 1380 W brings 12 kWh in eight hours
    for need in month.needs:
        assert abs(need.due.came_mws - need.energy.charger_mws) < MWS_PER_KWH // 100  # counted in two ways
        assert abs(need.due.solar_mws - need.energy.solar_mws) < MWS_PER_KWH // 50
        assert need.due.met == (need.due.came_mws >= need.due.needed_mws - MWS_PER_KWH // 20)
    late = month.needs[2]
    assert late.lacked_mws == late.due.needed_mws - late.due.came_mws > 0
    found = needed.together(month.needs)
    met = sum(need.due.met for need in month.needs)
    assert found is not None and (found.needs, found.met) == (4, met)
    assert found.lacked_mws == sum(need.lacked_mws for need in month.needs)
    said = " ".join(as_text(month).split())
    assert f"ready at {met}; {kwh(found.lacked_mws)} kWh came too late" in said
    assert said.count(" in time ") == met and said.count(" missed ") == 4 - met
    document = as_json(month)
    assert [need["met"] for need in document["needs"]] == [need.due.met for need in month.needs]
    assert document["needs"][0]["by"] == "2031-05-06T07:00:00+01:00"
    assert needed.together([]) is None


def test_one_need_is_said_in_a_sentence(ledger: Ledger) -> None:
    made = build(ledger, date(2031, 5, 8), date(2031, 5, 8), NOW, site())
    (need,) = made.needs
    for met, end in ((True, " from the sun."), (False, f" from the sun: {kwh(need.due.needed_mws - 5)} were missing.")):
        one = need._replace(due=need.due._replace(met=met, came_mws=5))
        said = " ".join(as_text(made._replace(needs=(one,))).split())
        assert f"By 07:00, 9.00 kWh were needed, and 0.00 had come, {kwh(need.due.solar_mws)}{end}" in said
    full = one._replace(due=one.due._replace(car_full=True))
    assert need_in_words(full).endswith("were missing, since the car took no more")
    assert (outcome(full), outcome(one)) == ("car full", "missed")
    assert one._replace(due=one.due._replace(met=True)).lacked_mws == 0


# --- what the plan was worth -----------------------------------------------------------------------------------------


def _by_highs(pieces: list[Piece], mws: int) -> float:
    """Return the least cost of so much energy from these pieces, by a linear programme in HiGHS."""
    kwh_of = [piece.mws / MWS_PER_KWH for piece in pieces]
    rates = [float(piece.units) / piece.mws for piece in pieces]
    solved = scipy.optimize.linprog(
        rates, A_eq=[[1.0] * len(pieces)], b_eq=[mws / MWS_PER_KWH], bounds=[(0.0, most) for most in kwh_of]
    )
    assert solved.success
    return float(solved.fun)


@given(st.lists(st.tuples(st.integers(1, 40), st.integers(-9, 60)), min_size=1, max_size=30), st.floats(0.01, 1.0))
def test_the_cheapest_first_is_the_best_possible(found: list[tuple[int, int]], share: float) -> None:
    """HiGHS (scipy.optimize.linprog) finds the same cost; negative prices included."""
    pieces = [Piece(size * 10**8, size * 10**8 * Decimal(price) / 100) for size, price in found]
    mws = max(1, round(share * sum(piece.mws for piece in pieces)))
    cost = needed._cost(needed.cheapest_first(pieces), mws)
    assert cost is not None
    assert float(cost) == pytest.approx(_by_highs(pieces, mws), abs=1e-7)
    assert needed._cost(pieces, sum(piece.mws for piece in pieces) + 1) is None


def test_at_best_and_at_once_are_what_a_reckoning_by_the_minute_comes_to(ledger: Ledger, month: Report) -> None:
    """With floats, from the readings, the prices and the mean draw; the best by HiGHS over all minutes of the time."""
    known = {
        datetime.fromisoformat(one["start"]): one["price"] for day in range(4) for one in _prices(NOON + day * DAY)
    }
    for need in month.needs:
        assert need.cost is not None and need.at_once is not None and need.best is not None
        draw_w = need.energy.charger_mws / need.energy.on_ms
        minutes: list[Piece] = []
        for at_ms in range(need.due.since_ms // 60_000 * 60_000, need.due.by_ms, 60_000):
            begin_ms, end_ms = max(at_ms, need.due.since_ms), min(at_ms + 60_000, need.due.by_ms)
            energy = ledger.energy(begin_ms, end_ms)
            mws = draw_w * energy.known_ms
            solar = min(mws, energy.solar_mws + energy.export_mws)
            price = known[time_of(at_ms // 3_600_000 * 3_600_000, UTC)]
            minutes.append(Piece(round(mws), Decimal(0.06 * solar + price * (mws - solar))))
        left, once = float(need.energy.charger_mws), 0.0
        for piece in minutes:
            taken = min(left, piece.mws)
            once += float(piece.units) * taken / piece.mws / MWS_PER_KWH
            left -= taken
        assert float(need.at_once) == pytest.approx(once, abs=2e-4)
        best = min(_by_highs(minutes, need.energy.charger_mws), float(need.cost))
        assert float(need.best) == pytest.approx(best, abs=2e-4)
        assert need.best <= min(need.cost, need.at_once)
    found = needed.together(month.needs)
    assert found is not None and found.cost is not None and found.at_once is not None and found.best is not None
    assert found.best < found.cost
    said = " ".join(as_text(month).split())
    way = "less" if found.cost <= found.at_once else "more"
    apart = rounded(abs(found.at_once - found.cost))
    assert f"cost {rounded(found.cost)} EUR, {apart} EUR {way} than charging at once" in said
    assert f"{rounded(found.cost - found.best)} EUR more than the best possible" in said
    assert "as if the car had been there all the time" in said


def _due(begin_ms: int, by_ms: int) -> Due:
    return Due(by_ms, begin_ms, 5 * MWS_PER_KWH, 5 * MWS_PER_KWH, 0, True, False)


@pytest.mark.parametrize("wrong", ["no prices", "too little", "gap", "too long", "prices from later on"])
def test_where_too_little_is_known_nothing_is_compared(tmp_path: Path, wrong: str) -> None:
    begin_ms = ms_of(NOON)
    hours = 12 if wrong != "too long" else 24 * 9
    samples = [Sample(begin_ms + m * 60_000, 1500.0, 1000.0 * (m < 300), m < 300) for m in range(hours * 60 + 1)]
    if wrong == "too little":
        samples = [sample._replace(charger_w=1.0) for sample in samples]
    if wrong == "gap":
        samples = [*samples[:301], *samples[400:]]
    later = date(2031, 5, 6) if wrong == "prices from later on" else None
    tariffs = Tariffs("EUR", (Tariff(later, Decimal("0.3"), Decimal("0.1"), None),))
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(list(hold(samples, 60_000))))
        due = _due(begin_ms, begin_ms + hours * 3_600_000)
        need = needed.need_of(ledger, due, None if wrong == "no prices" else tariffs, LISBON)
        assert (need.cost, need.at_once, need.best) == (None, None, None)
        if wrong == "no prices":
            flat = Tariffs("EUR", (Tariff(None, Decimal("0.3"), Decimal("0.1"), None),))
            need = needed.need_of(ledger, due, flat, LISBON)
            assert need.cost == need.at_once == need.best == Decimal("1.5")  # five hours at a kilowatt, all bought


# --- what is planned -------------------------------------------------------------------------------------------------


def test_what_is_planned_is_shown_of_today_alone(ledger: Ledger) -> None:
    today = build(ledger, NOW.date(), NOW.date(), NOW, site())
    assert today.ahead is not None and today.ahead.runs
    run = today.ahead.runs[0]
    assert NOW.timestamp() < run.begin_s < run.end_s <= (NOW + timedelta(hours=10)).timestamp()
    assert f"Planned: {today.ahead.text}." in " ".join(as_text(today).split())
    document = as_json(today)
    assert datetime.fromisoformat(document["plan"]["runs"][0]["begin"]).timestamp() == round(run.begin_s)
    # Prices are shown to the end of it, as they are known.
    assert today.prices[-1].end_ms == round(run.end_s * 1000)
    assert [str(one.import_price) for one in today.prices] == [price["import_price"] for price in document["prices"]]
    before = build(ledger, date(2031, 5, 7), date(2031, 5, 7), NOW, site())
    assert before.ahead is None and as_json(before)["plan"] is None
    later = NOW + timedelta(minutes=10)  # a daemon that ended has no plan any more
    with Ledger(ledger.path) as other, other._transaction():
        other._db.execute("INSERT INTO state VALUES (?, 'idle', 'absent', 'stopping', NULL)", (ms_of(NOW) + 1,))
        assert build_in(other, later).ahead is None
        other._db.execute("DELETE FROM state WHERE at_ms = ?", (ms_of(NOW) + 1,))
        for spoilt in ("", "{", "[1]", "[1, 2, 3]", '[1, "x", [["a", 1, 2, 3, true]]]', '[1, "x", [[1]]]'):
            other._set_meta("plan", spoilt)
            assert build_in(other, later).ahead is None
        raise_back = PlanAhead(5.0, "nothing", (RunAhead(1.0, 2.0, 3.0, 4.0, True),))
        assert PlanAhead.read(raise_back.written()) == raise_back


def build_in(ledger: Ledger, now: datetime) -> Report:
    """Build within a transaction that is open already."""
    ledger.snapshot = contextlib.nullcontext  # type: ignore[method-assign]
    return build(ledger, now.date(), now.date(), now, site())
