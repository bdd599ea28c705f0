"""Replays where the bill nets: decided as the daemon decides, booked to the cent, and held against HiGHS."""

from __future__ import annotations

import itertools
import random
from array import array
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
import scipy  # its parts come when they are asked for

from surpluscharge.control.netting import Netting
from surpluscharge.history.energy import Sample, held
from surpluscharge.planning import comparing, compiling, replay, tune
from surpluscharge.planning.comparing import Study
from surpluscharge.planning.replay import Series, series
from tests.conftest import config_from
from tests.test_netting import by_hand, cut_at_minutes
from tests.test_steering import NOON, House, configured

BEGIN_S = 1935360000.0  # 1 May 2031, midnight UTC
TARIFF = {"import_price": 0.29, "export_price": 0.06, "alternative_price": 0.21}
NETTINGS = [each for each in Netting if each.nets]


def clouds(hours: float, seed: int = 1, begin_s: float = BEGIN_S + 6 * 3600, gap: bool = False) -> Series:
    """Return an invented sky over a house, every ten seconds, seldom above the lead's draw; on request with gaps."""
    rng = random.Random(seed)
    at_s, surplus_w, level_w = array("d"), array("d"), 900.0
    for i in range(round(hours * 360)):
        if gap and 700 <= i % 2000 < 760:
            continue
        if rng.random() < 0.01:
            level_w = rng.uniform(-500.0, 2600.0)
        at_s.append(begin_s + 10.0 * i)
        surplus_w.append(level_w + rng.gauss(0.0, 60.0))
    return series(at_s, surplus_w, 30.0)


def study_of(readings: Series, billing: str, zone: str = "UTC", windows: bool = False, **control: object) -> Study:
    tariff = TARIFF | {"billing": billing}
    if windows:
        tariff |= {"window": [{"begins": "09:10", "ends": "12:40", "import_price": 0.19, "export_price": 0.02}]}
    settings = config_from(control=control, money={"currency": "EUR", "tariff": [tariff]}, site={"time_zone": zone})
    return comparing.study(settings, readings)


@pytest.mark.parametrize("billing", ["15-minutes", "60-minutes", "day"])
def test_compiled_and_interpreted_decide_the_same(billing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    case = study_of(clouds(18, 3, gap=True), billing, windows=True)

    def run() -> tuple[list[replay.Move], list[float]]:
        found = comparing.run(case, comparing.configured(case))
        return found.moves, [round(value, 9) for value in found.gain]

    fast = run()
    assert len(fast[0]) > 20 or billing == "day"
    monkeypatch.setattr(compiling, "available", lambda: False)
    assert run() == fast


@pytest.mark.parametrize("billing", ["15-minutes", "60-minutes"])
def test_a_replay_does_what_the_daemon_does(billing: str, tmp_path: Path) -> None:
    """The daemon's own controller under the same sky. It leaves out what a meter shows just after a switching."""
    sky = clouds(14, 5, NOON.timestamp() + 10.0)
    house = House(configured(tmp_path, billing))
    for value_w in sky.surplus_w:
        house.run(value_w, 10)
    surplus_w = array("d", (w - ((k + 1) * 10.0 % 7 - 3) for k, w in enumerate(sky.surplus_w)))
    case = comparing.study(house.config, series(sky.at_s, surplus_w, 30.0))
    moves = comparing.moves_with(case, comparing.configured(case), case.params)
    runs = replay.charging(moves, case.readings.end_s)
    replayed = [any(begin_s <= at_s < end_s for begin_s, end_s in runs) for at_s in sky.at_s]
    agree = sum(one == other for one, other in zip(replayed, house.on, strict=True))
    assert agree / len(replayed) > 0.97
    assert sum(replayed) == pytest.approx(sum(house.on), rel=0.03)


@pytest.mark.parametrize("netting", NETTINGS)
@pytest.mark.parametrize("zone", ["UTC", "Asia/Kolkata"])
def test_a_replay_counts_as_the_bill_does(netting: Netting, zone: str) -> None:
    """Against the bill with the charger less the bill without it, in fractions, with gaps and other prices by noon."""
    case = study_of(clouds(26, 7, gap=True), netting.value, zone, windows=True)
    found = comparing.run(case, comparing.plain(case))
    runs, readings = replay.charging(found.moves, case.readings.end_s), case.readings
    edges = sorted({edge_s for run in runs for edge_s in run})
    intervals = []
    for at_s, surplus_w, hold_s in zip(readings.at_s, readings.surplus_w, readings.hold_s, strict=True):
        inside = [edge_s for edge_s in edges if at_s < edge_s < at_s + hold_s]
        for low_s, high_s in itertools.pairwise([at_s, *inside, at_s + hold_s]):
            charger_w = case.draw_w if any(begin_s <= low_s < end_s for begin_s, end_s in runs) else 0.0
            sample = Sample(round(1000 * low_s), charger_w - surplus_w, charger_w, charger_w > 0)
            intervals.append(held(sample, round(1000 * high_s)))
    tariffs = case.config.tariffs()
    assert tariffs is not None and case.zone is not None
    cost = by_hand(list(cut_at_minutes(intervals)), tariffs, netting, case.zone)  # type: ignore[arg-type]
    charged_kwh = sum(interval.energy.charger_mws for interval in intervals) / 3.6e9
    assert sum(found.gain) == pytest.approx(0.21 * charged_kwh - float(cost), abs=1e-4)
    assert (sum(found.solar_wh) + sum(found.grid_wh)) / 1000.0 == pytest.approx(charged_kwh, abs=1e-4)
    simply = study_of(case.readings, "none", zone, windows=True)
    assert abs(sum(comparing.outcome(simply, found.moves).gain) - sum(found.gain)) > 0.01  # it matters here


@pytest.mark.parametrize("netting", NETTINGS)
@pytest.mark.parametrize("cap_s", [86400.0, 5400.0])
def test_the_best_possible_is_that_of_highs(netting: Netting, cap_s: float) -> None:
    """Written down as a linear programme over each five minutes: what is imported and exported in each register."""
    case = study_of(clouds(11, 11), netting.value, windows=True)
    case = case._replace(params=case.params._replace(time_cap_s=cap_s))
    found, _ = comparing.best(case)
    steps = len(case.readings.at_s) // 30
    net_wh = np.array(case.readings.surplus_w).reshape(steps, 30).sum(axis=1) / 360.0
    tariffs = case.config.tariffs()
    assert tariffs is not None
    names: dict[object, int] = {}
    register, prices = [], []
    for step in range(steps):
        when = datetime.fromtimestamp(case.readings.at_s[30 * step], UTC)
        here = tariffs.prices_at(when)
        assert here is not None
        register.append(names.setdefault((netting.span_s(when), here[:2]), len(names)))
        prices.append([float(price) / 1000.0 for price in here])
    count = len(names)
    costs = np.zeros(steps + 2 * count)  # charged in each step, imported and exported in each register
    balance, without = np.zeros((count, steps + 2 * count)), 0.0
    spare = np.zeros(count)
    for step in range(steps):
        balance[register[step], step] = 1.0
        spare[register[step]] += net_wh[step]
        costs[step] = -prices[step][2]
    for step in range(steps):
        costs[steps + 2 * register[step]], costs[steps + 2 * register[step] + 1] = prices[step][0], -prices[step][1]
    for one in range(count):
        balance[one, steps + 2 * one], balance[one, steps + 2 * one + 1] = -1.0, 1.0
        without += costs[steps + 2 * one + (spare[one] > 0)] * abs(spare[one])
    most_wh = case.draw_w / 12.0
    cap = np.zeros((1, steps + 2 * count))
    cap[0, :steps] = 1.0
    bounds = [(0.0, most_wh)] * steps + [(0.0, None)] * (2 * count)
    cap_wh = [cap_s * case.draw_w / 3600.0]
    solved = scipy.optimize.linprog(
        costs, A_ub=cap, b_ub=cap_wh, A_eq=balance, b_eq=spare, bounds=bounds, method="highs"
    )
    assert found.at_most == pytest.approx(without - solved.fun, abs=1e-6)
    assert sum(found.by_day) == pytest.approx(found.at_most)


@pytest.mark.parametrize("billing", ["15-minutes", "30-minutes", "60-minutes"])
def test_steering_earns_far_more_than_thresholds_and_never_more_than_the_best(billing: str) -> None:
    case = study_of(clouds(14, 13), billing)
    found = comparing.compare(case)
    document = comparing.as_json(found)
    assert found.auto == found.replayed and found.ahead is None
    assert document["plain"]["share_of_hindsight"] < document["share_of_hindsight"] < 1.0
    assert found.hindsight is not None and found.hindsight.gain <= found.hindsight.at_most + 1e-9
    assert found.ideal is not None and sum(found.ideal.gain) > 0.93 * found.hindsight.at_most
    assert "Money is counted as the bill nets" in comparing.as_text(found)


def test_numbers_are_not_steered_and_are_counted_by_the_bill() -> None:
    case = study_of(clouds(14, 13), "15-minutes", start_export_w=1380.0)
    assert not comparing.configured(case).steered
    alike = study_of(clouds(14, 13), "none", start_export_w=1380.0)
    ran, as_ever = (comparing.run(each, comparing.configured(each)) for each in (case, alike))
    assert ran.moves == as_ever.moves and sum(ran.gain) > sum(as_ever.gain)


def test_tuning_counts_as_the_bill_does() -> None:
    case = study_of(clouds(14, 13), "30-minutes")
    rules = tune.candidates(case)
    assert rules[1].settings["start_export_w"] == "auto" and rules[1].thresholds.steered
    scores = tune.scores(case, case.sums.gain, [rules[0], rules[1], rules[200]])
    for rule, score in zip([rules[0], rules[1], rules[200]], scores, strict=True):
        assert list(score.worth) == list(comparing.run(case, rule.thresholds, rule.params).gain)


def test_an_interval_without_netting_has_the_shares_that_flowed() -> None:
    """A tariff that nets from the second day on: on the first, all is as without any netting."""
    readings = clouds(40, 17, BEGIN_S)
    tariffs = [TARIFF, TARIFF | {"valid_from": date(2031, 5, 2), "billing": "60-minutes"}]
    settings = config_from(money={"currency": "EUR", "tariff": tariffs}, site={"time_zone": "UTC"})
    case, plain = comparing.study(settings, readings), study_of(readings, "none")
    assert case.registers is not None and list(case.registers.nets).count(0) == 1
    mixed, alone = (comparing.run(each, comparing.fixed(each.config.rule(None).fixed)) for each in (case, plain))
    assert mixed.moves == alone.moves
    assert mixed.gain[0] == pytest.approx(alone.gain[0], abs=1e-9)
    steered = comparing.run(case, comparing.configured(case)).moves
    by_prices = comparing.run(plain, comparing.configured(plain)).moves
    midnight_s = BEGIN_S + 86400.0
    assert [m for m in steered if m.at_s < midnight_s] == [m for m in by_prices if m.at_s < midnight_s]
