"""Needs in a replay: the best possible against HiGHS, the machine lived through, and what every rule has to stand."""

from __future__ import annotations

import json
import math
import random
from array import array
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import scipy  # its parts come when they are asked for

from surpluscharge import cli
from surpluscharge.config import Config
from surpluscharge.config.models import Store
from surpluscharge.control.slots import Book, Slot
from surpluscharge.control.wishes import Need
from surpluscharge.history.ledger import Batch, Ledger
from surpluscharge.history.readings import ReadingsError
from surpluscharge.planning import comparing, needs, replay
from surpluscharge.planning.comparing import Supply
from surpluscharge.planning.replay import Days, Series, series
from tests.conftest import config_from
from tests.test_replay import BEGIN_S, DRAW_W, random_params, random_series

STEP_S = needs.STEP_S


# --- the machine, lived through --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
def test_with_nothing_needed_it_is_the_replay(seed: int) -> None:
    chance = random.Random(seed)
    params, readings = random_params(chance), random_series(chance, 400)
    days = Days(0, array("d", [BEGIN_S + 1500.0, BEGIN_S + 3777.7]))
    decide = needs.by_sun(params.start_export_w, params.stop_import_w)
    found = needs.follow(params, readings, days, Days(0, array("d")), DRAW_W, (), decide)
    assert found.moves == replay.moves(params, readings, days, DRAW_W)
    assert found.planned == [] and found.came_wh == ()


# --- the best possible -----------------------------------------------------------------------------------------------


class Instance:
    """A few minutes with a gain each, some of them unknown, and one, two or three needs."""

    def __init__(self, seed: int) -> None:
        chance = random.Random(seed)
        self.count = chance.randint(6, 26)
        self.known = [chance.random() > 0.06 for _ in range(self.count)]
        self.known[0] = self.known[-1] = True
        at_s = [STEP_S * n for n in range(self.count) if self.known[n]]
        self.readings: Series = series(array("d", at_s), array("d", [0.0] * len(at_s)), STEP_S)
        # Held for as long as it takes to the next, and no longer than a minute.
        self.readings = self.readings._replace(hold_s=array("d", [STEP_S] * len(at_s)))
        self.gains = [float(chance.randint(-9, 9)) if known else 0.0 for known in self.known]
        self.total = array(
            "d", [0.0, *np.cumsum([g for g, known in zip(self.gains, self.known, strict=True) if known])]
        )
        self.min_on, self.min_off = chance.choice([1, 2, 4]), chance.choice([1, 2, 4])
        ends = sorted(chance.sample(range(1, self.count + 1), chance.randint(0, 3)))
        self.needs = [(end, chance.randint(0, 8)) for end in ends]

    @property
    def dues(self) -> list[Need]:
        return [Need(end * STEP_S, (steps + 0.4) * DRAW_W * STEP_S / 3600.0) for end, steps in self.needs]

    def by_highs(self) -> tuple[float, float]:
        """Return the gain and the missing steps of the same problem as a mixed-integer programme.

        Columns: on in minute t, a start at t, a stop at t, what is missing of need k.
        """
        count, width = self.count, 3 * self.count + 1 + len(self.needs)
        on, start, stop, missing = 0, count, 2 * count, 3 * count + 1
        rows, low = [], []

        def least(terms: dict[int, float], bound: float) -> None:
            row = np.zeros(width)
            for column, factor in terms.items():
                row[column] += factor
            rows.append(row)
            low.append(bound)

        for t in range(count):
            before = {on + t - 1: -1.0} if t else {}
            change = {on + t: 1.0, start + t: -1.0, stop + t: 1.0} | before
            least(change, 0.0)
            least({column: -factor for column, factor in change.items()}, 0.0)
            least({start + t: -1.0, stop + t: -1.0}, -1.0)
            stale = next((k for k in range(t, count) if not self.known[k]), count)
            for k in range(t, min(t + self.min_on, stale)):
                least({on + k: 1.0, start + t: -1.0}, 0.0)
            for k in range(t, min(t + self.min_off, count)):
                least({on + k: -1.0, stop + t: -1.0}, -1.0)
        begin = 0
        for k, (end, steps) in enumerate(self.needs):
            least({on + t: 1.0 for t in range(begin, end)} | {missing + k: 1.0}, float(steps))
            begin = end
        cost = np.zeros(width)
        cost[:count] = [-gain for gain in self.gains]
        cost[missing:] = 1000.0
        top = np.ones(width)
        top[:count] = self.known
        top[missing:] = 100.0
        optimize = scipy.optimize
        rules = optimize.LinearConstraint(np.array(rows), np.array(low))
        found = optimize.milp(cost, constraints=rules, bounds=optimize.Bounds(0.0, top), integrality=np.ones(width))
        assert found.status == 0, found.message
        missed = float(found.x[missing:].sum())
        return 1000.0 * missed - float(found.fun), missed


@pytest.mark.parametrize("seed", range(120))
def test_nothing_earns_more_that_lacks_no_more(seed: int) -> None:
    """HiGHS (scipy.optimize.milp) finds neither less that is missing, nor more that is earned."""
    case = Instance(seed)
    found = needs.best(case.readings, case.total, case.min_on * STEP_S, case.min_off * STEP_S, DRAW_W, case.dues)
    gain, missed = case.by_highs()
    assert found.lacks_wh == pytest.approx(missed * DRAW_W * STEP_S / 3600.0)
    assert found.gain == pytest.approx(gain, abs=1e-9)
    for (begin_s, end_s), (after_s, _) in pairwise([*found.runs, (math.inf, math.inf)]):
        assert end_s > begin_s and after_s - end_s >= case.min_off * STEP_S
    for (end, steps), began in zip(case.needs, [0, *(end for end, _ in case.needs)], strict=False):
        took = sum(max(0.0, min(e, end * STEP_S) - max(b, began * STEP_S)) for b, e in found.runs) / STEP_S
        assert took >= steps - missed - 1e-9


# --- beside one another ----------------------------------------------------------------------------------------------

BERLIN = ZoneInfo("Europe/Berlin")
FIRST = datetime(2031, 3, 25, tzinfo=BERLIN)  # the clocks change on the 30th


def configured(by: str = "07:00", wh: float = 4000.0, import_price: float = 0.3, **control: Any) -> Config:
    return config_from(
        control={"start_delay_s": 60.0, "stop_delay_s": 60.0, "min_on_s": 600.0, "min_off_s": 600.0} | control,
        site={"time_zone": "Europe/Berlin"},
        money={"currency": "EUR", "tariff": [{"import_price": import_price, "export_price": 0.08,
                                              "alternative_price": import_price}]},
        planned={"allow": True, "need": [{"by": by, "energy_wh": wh}], "unwatched_because": "an invented house"},
    )  # fmt: skip


def skies(seed: int, days: int = 7, noon_w: float = 2500.0) -> Series:
    """Return minutes of invented days: some clear, some grey, some of both."""
    chance = random.Random(seed)
    at_s, surplus_w = array("d"), array("d")
    for day in range(days):
        clear = chance.choice([0.1, 0.5, 1.0])
        for minute in range(1440):
            at_s.append(FIRST.timestamp() + 86400.0 * day + 60.0 * minute)
            sun = max(0.0, math.cos((minute - 750) / 1440 * 2 * math.pi)) * noon_w
            surplus_w.append(sun * (clear if clear != 0.5 or minute // 7 % 2 else 0.2) - 250.0)
    return series(at_s, surplus_w, 90.0)


def hourly(price_of: Any, days: int = 9) -> Book:
    begin_s = int(FIRST.timestamp())
    return tuple(Slot(at, at + 3600, price_of(at)) for at in range(begin_s, begin_s + days * 86400, 3600))


def seen_to(config: Config, readings: Series, book: Book = ()) -> dict[str, Supply]:
    return comparing.supplies(comparing.study(config, readings, book=book))


@pytest.mark.parametrize("seed", range(4))
def test_no_rule_earns_more_than_the_best_and_the_plan_misses_nothing(seed: int) -> None:
    """At one price, and at prices that move; with minutes all switch at moments of the grid, but for a part of one."""
    chance = random.Random(seed)
    readings = skies(seed)
    moving = {at: round(chance.uniform(0.02, 0.6), 3) for at in range(24)}
    book = hourly(lambda at: moving[at // 3600 % 24]) if seed % 2 else ()
    config = configured(chance.choice(["07:00", "15:30"]), chance.choice([3000.0, 6000.0]), start_export_w="auto",
                        stop_import_w="auto")  # fmt: skip
    found = seen_to(config, readings, book)
    dues = len(comparing.study(config, readings).dues)
    assert found["plan"].met == found["best"].met == dues >= 5 and found["plan"].missing_kwh == 0.0
    assert found["plan"].planned_kwh > 0.0
    best = sum(found["best"].done.gain)
    for name, one in found.items():
        switches = 2 * sum(one.done.starts)
        if one.met == dues:
            assert sum(one.done.gain) <= best + switches * 0.6 * DRAW_W / 60_000.0, name
    assert sum(found["plan"].done.gain) >= sum(found["from_23"].done.gain)


def test_what_is_to_come_decides_nothing() -> None:
    """Whatever the sun and the prices of the days after do, until the first of them all is as it was."""
    config, one, other = configured(), skies(1), skies(1)
    until = 5 * 1440
    for at in range(until, len(other.at_s)):
        other.surplus_w[at] = -900.0
    edge_s = one.at_s[until] - 86400.0  # the prices of a day are known on the day before
    books = [hourly(lambda at: 0.2), hourly(lambda at: 0.2 if at < edge_s + 2 * 86400 else 0.9)]
    moves = []
    for readings, book in ((one, books[0]), (other, books[1])):
        found = seen_to(config, readings, book)["plan"].done.moves
        moves.append([move for move in found if move.at_s < edge_s])
    assert moves[0] == moves[1] and len(moves[0]) > 4


def test_lower_prices_cost_no_more() -> None:
    readings = skies(3)
    chance = random.Random(3)
    prices = {at: chance.uniform(0.1, 0.5) for at in range(24)}
    costs = []
    for less in (0.0, 0.05, 0.1):
        book = hourly(lambda at, less=less: prices[at // 3600 % 24] - less * (at // 3600 % 3 == 0))
        case = comparing.study(configured(), readings, book=book)
        least = case.params.min_on_s, case.params.min_off_s
        ideal = needs.best(readings, case.sums.gain, *least, case.draw_w, case.dues)
        costs.append(-sum(comparing.of_runs(case, ideal.runs).gain))
    assert costs == sorted(costs, reverse=True) and costs[0] > costs[2]


def test_prices_that_move_and_stay_the_same_are_a_flat_tariff() -> None:
    readings = skies(4)
    config = configured(start_export_w="auto", stop_import_w="auto")
    flat, moving = seen_to(config, readings), seen_to(config, readings, hourly(lambda _: 0.3))
    for way in flat:
        assert moving[way].done.totals == flat[way].done.totals and moving[way].met == flat[way].met
        assert moving[way].cost == pytest.approx(flat[way].cost)


def test_what_cannot_be_delivered_is_delivered_as_far_as_it_goes() -> None:
    """A day has 24 hours: 6 A at 230 V bring 33.1 kWh in it at the most."""
    readings = skies(5)
    found = seen_to(configured(wh=40000.0), readings)
    dues = len(comparing.study(configured(), readings).dues)
    assert found["best"].met == 1  # the first has the evening before as well
    # From one need to the next there are 24 hours; 23 where the clocks go forward.
    assert found["best"].missing_kwh == pytest.approx(40.0 * (dues - 1) - 1.38 * (24 * (dues - 1) - 1), abs=0.2)
    assert found["plan"].missing_kwh >= found["best"].missing_kwh - 0.2


# --- the files -------------------------------------------------------------------------------------------------------


def test_prices_come_as_json_or_csv(tmp_path: Path) -> None:
    rows = [{"start": "2031-03-30T01:00:00+01:00", "minutes": 60, "price": 0.21},
            {"start": "2031-03-30T03:00:00+02:00", "end": "2031-03-30T04:00:00+02:00", "price": -0.02}]  # fmt: skip
    (tmp_path / "prices.json").write_text(json.dumps(rows))
    (tmp_path / "prices.csv").write_text(
        "start,minutes,price\n2031-03-30T01:00:00+01:00,60,0.21\n2031-03-30T03:00:00+02:00,60,-0.02\n"
    )
    read = [replay.load_prices(tmp_path / f"prices.{kind}", configured()) for kind in ("json", "csv")]
    assert read[0] == read[1] and [slot.value for slot in read[0]] == [0.21, -0.02]
    assert read[0][0].end_s == read[0][1].begin_s  # an hour is left out that night


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no JSON list of slots"),
        ("[]", "no JSON list of slots"),
        ("start,minutes,price\nyesterday,60,0.2\n", "RFC 3339"),
        ("start,minutes,price\n2031-03-30T01:00:00,60,0.2\n", "no offset"),
        ("start,minutes,price\n2031-03-30T01:00:00Z,60,cheap\n", "neither"),
        ("start,minutes,price\n2031-03-30T01:00:00Z,60,0.2\n2031-03-30T01:30:00Z,60,0.2\n", "before the one before"),
    ],
)
def test_a_file_of_prices_that_is_none_is_refused(tmp_path: Path, text: str, why: str) -> None:
    (tmp_path / "prices.csv").write_text(text)
    with pytest.raises(ReadingsError, match=why):
        replay.load_prices(tmp_path / "prices.csv", configured())


def test_the_table_and_the_page_show_it() -> None:
    found = comparing.compare(comparing.study(configured(), skies(2)))
    figures = comparing.as_json(found)["needs"]
    assert figures["due"] == figures["plan"]["met"] and figures["best"]["above_best"] == 0.0
    plan = figures["plan"]
    drawn = sum(found.supplies["plan"].done.solar_wh) + sum(found.supplies["plan"].done.grid_wh)
    assert plan["solar_kwh"] + plan["beside_kwh"] + plan["planned_kwh"] == pytest.approx(drawn / 1000.0, abs=0.01)
    assert plan["cost"] == pytest.approx(
        0.08 * plan["solar_kwh"] + 0.3 * (plan["beside_kwh"] + plan["planned_kwh"]), abs=0.01
    )
    text = comparing.as_text(found)
    assert "needs met" in text and "bought by plan, kWh" in text
    page = pytest.importorskip("surpluscharge.planning.pictures").of_replay(found)
    assert "How what was needed was seen to" in page and "By plan, " in page
    without = configured().model_copy(update={"planned": config_from().planned})
    assert comparing.as_json(comparing.compare(comparing.study(without, skies(2))))["needs"] is None


def test_the_commands_take_prices_that_moved(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readings, book = skies(6, days=3), hourly(lambda at: 0.2 if at // 3600 % 24 < 4 else 0.4)
    rows = (f"{at_s:.0f},{-w:.1f}\n" for at_s, w in zip(readings.at_s, readings.surplus_w, strict=True))
    (tmp_path / "readings.csv").write_text("time,grid_w\n" + "".join(rows))
    slots = (f"{datetime.fromtimestamp(one.begin_s, UTC).isoformat()},60,{one.value}\n" for one in book)
    (tmp_path / "prices.csv").write_text("start,minutes,price\n" + "".join(slots))
    (tmp_path / "shed.toml").write_text(
        'charger.current_a = 6\nrelay.topic = "a"\nmeter = [{ topic = "b" }]\n'
        'site.time_zone = "Europe/Berlin"\n'
        '[planned]\nallow = true\nneed = [{ by = "07:00", energy_wh = 3000 }]\n'
        '[money]\ncurrency = "EUR"\ntariff = [{ import_price = 0.4, export_price = 0.08 }]\n'
    )
    given = ["--config", str(tmp_path / "shed.toml"), "--readings", str(tmp_path / "readings.csv"), "--json"]
    found = []
    for prices in ([], ["--prices", str(tmp_path / "prices.csv")]):
        assert cli.main(["replay", *given, *prices]) == 0
        found.append(json.loads(capsys.readouterr().out)["needs"])
    assert found[0]["plan"]["met"] == found[1]["plan"]["met"] == found[0]["due"] == 2
    # From eleven on 3 kWh take 2 h 10 min, of which the last ten are at 0.2, and not at 0.4: 2 * 0.24 kWh.
    assert found[0]["from_23"]["cost"] - found[1]["from_23"]["cost"] == pytest.approx(0.096, abs=0.003)
    (tmp_path / "prices.csv").write_text("nonsense\n")
    assert cli.main(["replay", *given, "--prices", str(tmp_path / "prices.csv")]) == 1
    assert "prices.csv" in capsys.readouterr().err


def test_the_ledger_has_the_prices_that_were_in_force(tmp_path: Path) -> None:
    readings, book = skies(6, days=1), hourly(lambda at: at % 7 / 10.0, days=1)
    config = configured().model_copy(update={"store": Store(directory=str(tmp_path))})
    with Ledger(config.history_file) as ledger:
        ledger.write(Batch(prices=[(book[0].begin_s, book)]))
    assert replay.recorded_prices(config, readings) == book
