"""Tuning and comparing: a planted difference is found, chance is not, and what is written can be used."""

from __future__ import annotations

import html
import json
import math
import random
import re
import subprocess
import sys
import tomllib
from array import array
from datetime import date
from pathlib import Path

import pytest

from surpluscharge import cli, config
from surpluscharge.config import Config
from surpluscharge.config import warnings as config_warnings
from surpluscharge.control import ahead, economics
from surpluscharge.control.machine import LOCKED_OUT
from surpluscharge.control.rule import Band
from surpluscharge.history.energy import NOTHING, Interval
from surpluscharge.history.readings import ReadingsError
from surpluscharge.planning import comparing, compiling, tune
from surpluscharge.planning.comparing import Study
from surpluscharge.planning.replay import Series, series
from surpluscharge.words import duration
from tests.conftest import config_from

BEGIN_S = 1935360000.0  # 1 May 2031, midnight UTC
MONEY = {
    "currency": "EUR",
    "tariff": [{"import_price": 0.27, "export_price": 0.08, "alternative_price": 0.2}],
}


def days_of_sun(days: int, seed: int = 1, spacing_s: float = 20.0) -> Series:
    """Return invented days: a sine of sun under clouds of some minutes, and a house below it."""
    chance = random.Random(seed)
    at_s, surplus_w, cloud, left = array("d"), array("d"), 1.0, 0.0
    for i in range(int(days * 86400 / spacing_s)):
        left -= spacing_s
        if left <= 0.0:
            cloud, left = chance.choice([1.0, 1.0, 0.3]), chance.expovariate(1 / 900.0)
        hour = i * spacing_s / 3600.0 % 24.0
        sun_w = max(0.0, math.sin((hour - 6.0) / 12.0 * math.pi)) * 2600.0 * cloud
        at_s.append(BEGIN_S + i * spacing_s)
        surplus_w.append(sun_w - 250.0 + chance.gauss(0.0, 60.0))
    return series(at_s, surplus_w, 30.0)


def study_of(days: int = 28, seed: int = 1, **control: object) -> Study:
    settings = config_from(control=control, money=MONEY, site={"time_zone": "UTC"})
    return comparing.study(settings, days_of_sun(days, seed))


def few(case: Study) -> list[tune.Candidate]:
    """Return the configuration, the candidates that follow the prices, and some others."""
    rules = tune.candidates(case)
    return [rules[0], *rules[1:13], *rules[40::97]]


# --- tuning ----------------------------------------------------------------------------------------------------------


def test_there_are_a_thousand_candidates_and_the_configuration_takes_each() -> None:
    case = study_of(1)
    rules = tune.candidates(case)
    assert len(rules) > 1000
    for rule in rules[1:]:
        settings = config_from(control=dict(rule.settings), money=MONEY)
        assert not config_warnings(settings) or all("small loads" not in text for text in config_warnings(settings))
        if isinstance(rule.settings["start_export_w"], str):
            continue
        params = settings.settings().params
        assert params == rule.params._replace(
            start_export_w=rule.thresholds.start_w[0], stop_import_w=rule.thresholds.stop_w[0]
        )


def test_a_score_is_what_a_replay_of_that_configuration_gives() -> None:
    case = study_of(4)
    rules = few(case)
    found = tune.scores(case, case.sums.gain, rules)
    for rule, score in zip(rules, found, strict=True):
        settings = config_from(control=dict(rule.settings), money=MONEY, site={"time_zone": "UTC"})
        alone = comparing.compare(comparing.study(settings, case.readings)).replayed
        assert list(score.worth) == pytest.approx(list(alone.gain), abs=1e-12)
        assert score.starts == alone.starts
    assert len({sum(score.worth) for score in found}) > 5


def test_a_bad_configuration_is_found_out() -> None:
    found = tune.tune(study_of(start_export_w=200.0, stop_import_w=1900.0, stop_delay_s=1800.0))
    assert found.recommended
    assert found.best != 0
    assert 0.0 < found.gain.low < found.gain.mean < found.gain.high
    # The expected gain is earned on other days than those it was chosen on, so it promises no more than was to be had.
    in_sample = sum(found.scores[found.best].worth) - sum(found.scores[0].worth)
    assert found.gain.mean * len(found.scores[0].worth) <= in_sample + 1e-9


def test_what_is_within_chance_is_not_recommended() -> None:
    """The best of all, taken as the configuration, leaves nothing to recommend; nor do days that are all alike."""
    first = tune.tune(study_of(start_export_w=200.0, stop_import_w=1900.0))
    best = dict(first.rules[first.best].settings)
    again = tune.tune(study_of(**best))
    assert not again.recommended
    assert again.best == 0 or again.gain.low <= 0.0
    assert "chance" in again.reason or "Nothing" in again.reason


def test_too_few_days_are_not_judged_by() -> None:
    found = tune.tune(study_of(5, start_export_w=200.0, stop_import_w=1900.0))
    assert not found.recommended
    assert "21 are the least" in found.reason
    text, document = tune.as_text(found), tune.as_json(found)
    assert "cannot be told from so few" in text
    assert "Expected" not in text and "nine of ten" not in text  # an interval of five days is none
    assert document["gain_a_day"] is document["starts_a_day_more"] is None


def test_fewest_starts_that_earn_no_less() -> None:
    found = tune.tune(study_of(start_export_w=200.0, stop_import_w=1900.0, stop_delay_s=0.0), "starts")
    before, after = found.scores[0], found.scores[found.best]
    assert sum(after.worth) >= sum(before.worth)
    assert sum(after.starts) <= sum(before.starts)
    assert all(sum(score.worth) < sum(before.worth) or sum(score.starts) >= sum(after.starts) for score in found.scores)


def test_without_prices_value_is_refused_and_solar_works() -> None:
    case = comparing.study(config_from(site={"time_zone": "UTC"}), days_of_sun(3))
    with pytest.raises(ValueError, match=r"add a \[money\] table"):
        tune.tune(case)
    found = tune.tune(case, "solar")
    done = comparing.run(case, comparing.configured(case))
    assert sum(found.scores[0].worth) == pytest.approx(sum(done.solar_wh) - sum(done.grid_wh))
    assert found.unit == "Wh"


def test_the_frontier_is_beaten_by_none() -> None:
    found = tune.tune(study_of(5))
    points = [(sum(score.starts), sum(score.worth)) for score in found.scores]
    edge = [points[i] for i in tune.frontier(found)]
    assert edge == sorted(edge)
    assert len(edge) > 1
    for starts, worth in points:
        assert any(s <= starts and w >= worth for s, w in edge)
    for starts, worth in edge:
        assert not any(s <= starts and w >= worth and (s, w) != (starts, worth) for s, w in points)


def test_the_bootstrap_knows_what_chance_does() -> None:
    """Against the normal approximation: the mean of n values has a standard error of sigma / sqrt(n)."""
    chance = random.Random(2)
    values = [chance.gauss(0.5, 2.0) for _ in range(400)]
    spread = tune.bootstrap(values)
    assert spread.mean == pytest.approx(sum(values) / 400)
    assert spread.low == pytest.approx(spread.mean - 1.645 * 0.1, abs=0.03)
    assert spread.high == pytest.approx(spread.mean + 1.645 * 0.1, abs=0.03)
    assert tune.bootstrap([1.0] * 9) == (1.0, 1.0, 1.0)


def test_days_that_are_alike_do_not_pass_for_many() -> None:
    """Weather that stays: differences of no mean, each half like the day before. One in twenty may pass for a gain."""
    chance, passed, times = random.Random(5), 0, 120
    for _ in range(times):
        values = [chance.gauss(0.0, 1.0)]
        while len(values) < 42:
            values.append(0.5 * values[-1] + chance.gauss(0.0, 0.75**0.5))
        passed += tune.bootstrap(values).low > 0.0
    assert passed <= 0.1 * times


def test_what_is_chosen_on_is_apart_from_what_is_judged() -> None:
    for count in (21, 30, 47):
        for fold in range(tune.FOLDS):
            own = [day for day in range(count) if tune._fold(day, count) == fold]
            others = tune._apart_from(fold, count)
            assert own == list(range(own[0], own[-1] + 1)) and len(own) >= count // tune.FOLDS
            assert min(abs(one - other) for one in own for other in others) == tune.APART_DAYS + 1


def test_without_the_compiler_the_scores_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    case = study_of(2)
    rules = few(case)[::4]
    fast = tune.scores(case, case.sums.gain, rules)
    monkeypatch.setattr(compiling, "available", lambda: False)
    shares: list[float] = []
    assert tune.scores(case, case.sums.gain, rules, shares.append) == fast
    assert shares[-1] == 1.0


@pytest.mark.parametrize(
    ("spacing_s", "starts_s", "stops_s", "note"),
    [
        (10.0, {20, 45, 50, 180}, {20, 90, 125, 240, 600}, None),
        (24.0, {45, 50, 180}, {90, 125, 240, 600}, "Delays shorter than your readings' usual distance, 24 s, were not"),
        (60.0, {50}, {125}, "Your readings (1 min) are too coarse to judge delays; these are left as they are."),
    ],
)
def test_no_delay_is_tried_that_the_readings_cannot_show(
    spacing_s: float, starts_s: set[float], stops_s: set[float], note: str | None
) -> None:
    settings = config_from(control={"start_delay_s": 50.0, "stop_delay_s": 125.0}, money=MONEY)
    case = comparing.study(settings, days_of_sun(1, spacing_s=spacing_s))
    rules = tune.candidates(case)
    assert (
        {rule.settings["start_delay_s"] for rule in rules} == {rule.params.start_delay_s for rule in rules} == starts_s
    )
    assert {rule.settings["stop_delay_s"] for rule in rules} == {rule.params.stop_delay_s for rule in rules} == stops_s
    assert str(tune.of_delays(case, rules[0].settings)).startswith(str(note))


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"start_export_w": 1380.0},
        {"start_export_w": 1380.0, "start_delay_s": 50.0},
        {"start_export_w": "auto", "stop_import_w": "auto"},
    ],
)
def test_delays_that_nobody_touched_stay_untouched(given: dict[str, object]) -> None:
    """What follows the prices has no delays where none are configured; fixed thresholds have."""
    settings = config_from(control=given, money=MONEY, site={"time_zone": "UTC"})
    case = comparing.study(settings, days_of_sun(3, spacing_s=60.0))
    found = tune.tune(case)
    for best, rule in enumerate(found.rules):
        chosen = found._replace(best=best)
        assert not {"start_delay_s", "stop_delay_s"} & set(chosen.changes)
        then = config_from(control={**given, **chosen.changes}, money=MONEY).settings().params
        assert (then.start_delay_s, then.stop_delay_s) == (rule.params.start_delay_s, rule.params.stop_delay_s)
    auto = next(rule.settings for rule in found.rules[1:] if "auto" in rule.settings.values())
    assert ("there are none, unless" in str(tune.of_delays(case, auto))) == (given.get("start_export_w") == 1380.0)


def test_quarters_of_an_hour_are_refused(tmp_path: Path) -> None:
    settings = config_from(money=MONEY, site={"time_zone": "UTC"})
    case = comparing.study(settings, days_of_sun(20, spacing_s=900.0), source="may.csv")
    with pytest.raises(
        ReadingsError, match=r"^may.csv: there is a reading only every 15 min. Clouds are averaged away"
    ):
        tune.tune(case)
    means = comparing.study(settings, case.readings._replace(means=True), source="the ledger")
    with pytest.raises(ReadingsError, match="the ledger: most of the time is on record as means over 15 min") as caught:
        tune.tune(means)
    assert "surpluscharge export --from 2031-05-07 --output recent.csv" in str(caught.value)  # the last 14 of 20 days


# --- comparing -------------------------------------------------------------------------------------------------------


def test_nothing_earns_more_than_hindsight() -> None:
    for seed in range(4):
        case = study_of(3, seed, min_on_s=300.0 * seed, min_off_s=240.0)
        found = comparing.compare(case)
        assert found.hindsight is not None
        assert found.auto is not None
        for done in (found.replayed, found.plain, found.auto, found.ideal):
            assert done is not None
            assert sum(done.gain) <= found.hindsight.at_most + 1e-9
        assert sum(found.ideal.gain if found.ideal else []) == pytest.approx(found.hindsight.gain)


def test_when_the_start_budget_holds_it_back() -> None:
    """By hand: ten minutes of sun, ten without, and two starts an hour.

    Starts at 300 s (the pause counts from the first reading on) and 1245 s; at 2445 s none is left, until the sun goes;
    at 3645 s neither, until the first of both is an hour old.
    """
    at_s = array("d", [BEGIN_S + 10.0 * i for i in range(450)])
    sun = series(at_s, array("d", [2000.0 if i // 60 % 2 == 0 else -200.0 for i in range(450)]), 30.0)
    settings = config_from(
        control={"starts_per_hour": 2, "min_on_s": 60.0, "start_delay_s": 45.0, "stop_delay_s": 120.0},
        site={"time_zone": "UTC"},
    )
    case = comparing.study(settings, sun)
    done = comparing.run(case, comparing.configured(case))
    assert [begin - BEGIN_S for begin, _ in comparing.charging(done.moves, sun.end_s)] == [300.0, 1245.0, 3900.0]
    held = [(begin - BEGIN_S, end - BEGIN_S) for begin, end in comparing.budget_held(case, done.moves)]
    assert held == [(2445.0, 3000.0), (3645.0, 3900.0)]


def test_auto_thresholds_follow_the_hours() -> None:
    window = {"begins": "10:00", "ends": "12:00", "days": "all", "import_price": 0.21}
    tariff = {**MONEY["tariff"][0], "window": [window]}  # type: ignore[dict-item]
    settings = config_from(
        control={"start_export_w": "auto", "stop_import_w": "auto"},
        money={**MONEY, "tariff": [tariff]},
        site={"time_zone": "UTC"},
    )
    case = comparing.study(settings, days_of_sun(2))
    pairs = comparing.configured(case)
    assert len(pairs.start_w) == len(case.readings.at_s)
    for i in range(0, len(pairs.start_w), 7):
        assert (pairs.start_w[i], pairs.stop_w[i]) == settings.band(case.moment(case.readings.at_s[i]))
    assert len(set(pairs.start_w)) == 2


def test_looking_ahead_is_what_the_thresholds_say_reading_by_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    case = study_of(2, start_export_w="ahead", stop_import_w="ahead")
    found = comparing.looking_ahead(case)
    assert found and case.prices and comparing.configured(case) == found
    (prices,) = case.prices.prices
    assert prices
    from_w, memory = economics.break_even(case.draw_w, prices).surplus_w, ahead.nothing()
    least = Band(*economics.thresholds(case.draw_w, prices, case.params.min_on_s, case.params.min_off_s))
    rationed = 0  # a session of six hours: the stricter of both
    for k, (at_s, surplus_w) in enumerate(zip(case.readings.at_s, case.readings.surplus_w, strict=True)):
        memory = ahead.remember(memory, at_s, surplus_w / case.draw_w)
        wanted = ahead.thresholds(memory, case.draw_w, from_w, case.params.min_on_s, case.params.min_off_s)
        strict = max(wanted[0], least.start_export_w), min(wanted[1], least.stop_import_w)
        assert (found.start_w[k], found.stop_w[k]) == pytest.approx(strict, rel=1e-12)
        rationed += strict != wanted
    assert rationed
    monkeypatch.setattr(compiling, "available", lambda: False)
    assert [list(row) for row in (comparing.looking_ahead(case) or ())[:2]] == [
        pytest.approx(list(row), rel=1e-12) for row in found[:2]
    ]
    shown = comparing.as_json(comparing.compare(case))
    assert shown["ahead"]["value"] == shown["value"]
    assert (case.params.start_delay_s, comparing.with_delays(case, False).start_delay_s) == (0.0, 45.0)


def part_of(readings: Series, *spans_h: tuple[float, float]) -> Series:
    """Return the readings of some stretches, in hours from the first one."""
    kept = [i for i, at_s in enumerate(readings.at_s) if any(a <= (at_s - BEGIN_S) / 3600.0 < b for a, b in spans_h)]
    return series(*(array("d", (values[i] for i in kept)) for values in readings[:2]), 30.0)


def test_only_what_is_known_is_counted() -> None:
    """Two days, then four weeks without a reading that begin in the midst of a charge, then a day and a half.

    Days begin at 04:00: of the first one only the four hours before are known, and of the last none but its evening.
    """
    sun = part_of(days_of_sun(40), (0.0, 59.0), (35 * 24 + 4.0, 36 * 24 + 16.0))
    settings = config_from(control={"start_export_w": 1380.0}, money=MONEY, site={"time_zone": "UTC"})
    case = comparing.study(settings, sun)
    found = comparing.compare(case)
    assert comparing.charging(found.replayed.moves, sun.end_s)  # and one of the charges is ended by the gap:
    assert any(mode == LOCKED_OUT and at_s < BEGIN_S + 60 * 3600.0 for at_s, mode, *_ in found.replayed.moves)
    document = comparing.as_json(found)
    assert document["known_s"] == pytest.approx(95 * 3600.0, abs=60.0)
    assert sum(document["seconds_in"].values()) == pytest.approx(document["known_s"], abs=1.0)
    assert document["seconds_in"]["locked-out"] < 60.0
    assert comparing.cap_held(case, found.replayed.moves) == []  # locked out it was, but by the gap
    assert (document["locked_out_by_cap_s"], document["days_capped"]) == (0.0, 0)
    dates = [str(case.date(day)) for day in case.counted]
    assert dates == ["2031-05-01", "2031-05-02", "2031-05-03", "2031-06-05", "2031-06-06"]
    text = comparing.as_text(found)
    assert (
        "17100 readings on 5 days, 2031-05-01 to 2031-06-06, known for 95 h; what is not known is not counted" in text
    )
    tuned = tune.tune(case)
    assert [len(score.worth) for score in tuned.scores] == [5] * len(tuned.scores)
    assert "Judged by 5 days, 2031-05-01 to 2031-06-06" in tune.as_text(tuned)
    alone = comparing.study(case.config, part_of(sun, (10.0, 12.0)))
    assert (alone.counted, comparing.period(alone)) == ([0], "1 day, 2031-05-01")


def test_coarse_and_turned_readings_are_warned_of() -> None:
    case = study_of(3)
    assert comparing.warnings(case) == []
    hours = case._replace(readings=days_of_sun(3, spacing_s=900.0)._replace(means=True))
    assert comparing.warnings(hours) == [
        "Most of the time is on record as means over 15 min: clouds are averaged away. Take what this says with care."
    ]
    turned = comparing.study(case.config, case.readings._replace(surplus_w=array("d", (-w for w in case.readings[1]))))
    (warning,) = comparing.warnings(turned)
    assert warning.startswith("On 3 of 3 days the house exports at night")
    found = comparing.compare(turned)
    assert f"\nWarning: {warning}\n" in comparing.as_text(found)
    assert comparing.as_json(found)["warnings"] == [warning]


@pytest.mark.parametrize(
    ("session", "cap"),
    [({"time_cap_s": 5400.0}, "time cap (1 h 30 min)"), ({"energy_cap_wh": 2070.0}, "energy cap (2.07 kWh)")],
)
def test_a_cap_that_is_met_is_told(session: dict[str, object], cap: str) -> None:
    """1380 W for an hour and a half are 2.07 kWh. Two sunny days meet it; one without sun does not."""
    sun = days_of_sun(3)
    dark = array("d", (w if at_s < BEGIN_S + 2 * 86400.0 else -250.0 for at_s, w in zip(*sun[:2], strict=True)))
    settings = config_from(session=session, money=MONEY, site={"time_zone": "UTC"})
    case = comparing.study(settings, sun._replace(surplus_w=dark))
    found = comparing.compare(case)
    document = comparing.as_json(found)
    assert (document["days"], document["days_capped"], document["auto_days_capped"]) == (3, 2, 2)
    assert document["seconds_in"]["charging"] + document["seconds_in"]["disarming"] == pytest.approx(10800.0, abs=1.0)
    # From the cap on until 04:00, twice: nothing else locks out here.
    ends = [end_s for _, end_s in comparing.charging(found.replayed.moves, case.readings.end_s)]
    met = [max(end_s for end_s in ends if end_s < BEGIN_S + day * 86400.0) for day in (1, 2)]
    wanted = sum(BEGIN_S + day * 86400.0 + 4 * 3600.0 - end_s for day, end_s in zip((1, 2), met, strict=True))
    assert document["locked_out_by_cap_s"] == pytest.approx(wanted, abs=0.1)
    assert document["seconds_in"]["locked-out"] == document["locked_out_by_cap_s"]
    mornings = [BEGIN_S + day * 86400.0 + 4 * 3600.0 for day in (1, 2)]
    spans = comparing.cap_held(case, found.replayed.moves)
    assert spans == [pytest.approx(span, abs=0.1) for span in zip(met, mornings, strict=True)]
    text = comparing.as_text(found)
    spent = duration(document["locked_out_by_cap_s"])
    assert f"locked-out {spent}, of that {spent} by the session's {cap}." in text
    assert f'The {cap} was reached on 2 of 3 days as configured, and on 2 with "auto".\n"auto" does not ration' in text
    uncapped = config_from(session={"time_cap_s": 86400.0}, money=MONEY, site={"time_zone": "UTC"})
    free = comparing.as_text(comparing.compare(comparing.study(uncapped, sun)))
    assert "cap" not in free.split("Draw ")[0]


# --- writing it down -------------------------------------------------------------------------------------------------

NEW = {"start_export_w": 1250, "stop_import_w": "auto", "start_delay_s": 0.0, "stop_delay_s": 90.0}
HEAD = 'charger.current_a = 6\nrelay.topic = "a"\nmeter = [{ topic = "b" }]\n'


@pytest.mark.parametrize(
    ("control", "wanted"),
    [
        (
            "[control]  # mine\n  start_export_w = 1100.0   # by feel\n# stop_import_w = 3\nmin_on_s = 300\n[log]\n",
            "[control]  # mine\nstop_import_w = 400\nstart_delay_s = 0\nstop_delay_s = 90\n"
            "  start_export_w = 1250   # by feel\n# stop_import_w = 3\nmin_on_s = 300\n[log]\n",
        ),
        (
            "control.start_export_w=900\ncontrol.stop_delay_s = 'PT2M' # long\n[log]\n",
            "control.stop_import_w = 400\ncontrol.start_delay_s = 0\n"
            "control.start_export_w=1250\ncontrol.stop_delay_s = 90 # long\n[log]\n",
        ),
        (
            "[log]\n",
            "[log]\n\n[control]\nstart_export_w = 1250\nstop_import_w = 400\nstart_delay_s = 0\nstop_delay_s = 90\n",
        ),
    ],
)
def test_rewriting_keeps_all_else(control: str, wanted: str) -> None:
    text = tune.rewritten(HEAD + control, {**NEW, "stop_import_w": 400}, "my.toml")
    assert text == HEAD + wanted
    assert tomllib.loads(text)["control"]["start_export_w"] == 1250


def test_a_file_that_cannot_be_changed_in_place_is_said_so() -> None:
    with pytest.raises(ValueError, match=r"Write into \[control\]:\nstart_export_w = 1250") as caught:
        tune.rewritten(HEAD + "control = { min_on_s = 300 }\n", {**NEW, "stop_import_w": 400}, "my.toml")
    assert str(caught.value).startswith("my.toml cannot be changed by itself")


# --- the commands ----------------------------------------------------------------------------------------------------


@pytest.fixture
def files(tmp_path: Path) -> tuple[str, str]:
    """Return a configuration with prices and a file of readings."""
    settings, readings = tmp_path / "my.toml", tmp_path / "readings.csv"
    settings.write_text(
        HEAD + 'site.time_zone = "UTC"\n[control]\nstart_export_w = 200 # too low\nstop_import_w = 1900\n'
        'stop_delay_s = 1800\n[money]\ncurrency = "EUR"\n[[money.tariff]]\nimport_price = 0.27\nexport_price = 0.08\n'
        "alternative_price = 0.2\n"
    )
    sun = days_of_sun(30, spacing_s=60.0)
    rows = (f"{at_s:.0f},{-surplus_w:.1f}\n" for at_s, surplus_w in zip(sun.at_s, sun.surplus_w, strict=True))
    readings.write_text("time,grid_w\n" + "".join(rows))
    return str(settings), str(readings)


def test_replay_command(files: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["replay", "--config", files[0], "--readings", files[1]]
    page = tmp_path / "page.html"
    assert cli.main([*arguments, "--json", "--html", str(page), "--day", "2031-05-03"]) == 0
    printed = capsys.readouterr()
    assert printed.err == ""  # no progress bar where nobody watches
    document = json.loads(printed.out)
    assert document["readings"] == 30 * 1440
    assert document["plain"]["value"] == document["value"] < document["auto"]["value"] < document["hindsight_value"]
    assert document["share_of_hindsight"] == pytest.approx(document["value"] / document["hindsight_value"], abs=1e-4)
    assert sum(document["seconds_in"].values()) == pytest.approx(30 * 86400)
    assert (document["solar_kwh"] + document["grid_kwh"]) * 1000 == pytest.approx(
        1380 * (document["seconds_in"]["charging"] + document["seconds_in"]["disarming"]) / 3600, rel=1e-3
    )
    text = page.read_text()
    assert "<h2>Saturday, 3 May 2031</h2>" in text
    assert "<h1>1 to 30 May 2031</h1>" in text and "<title>Replay of charger: 1 to 30 May 2031</title>" in text
    assert "readings.csv, 30 days</p>" in text
    assert "The day that was asked for. Against the best possible of that day, " in text
    # What it imports while it runs and what the panels give then are two ways to see one line: 1380 - 1900 W.
    assert ">start above 200 W of surplus</text>" in text and ">end below -520 W of surplus</text>" in text
    assert text.count("<svg") == 4
    assert "prefers-color-scheme:dark" in text and "Content-Security-Policy" in text
    assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/", "").replace(
        "http://purl.org/", ""
    ).replace("http://creativecommons.org/", "")
    assert cli.main([*arguments, "--html", str(page), "--day", "2032-05-03"]) == 1
    assert "not among the days with readings: 30 days, 2031-05-01 to 2031-05-30" in capsys.readouterr().err
    assert cli.main([*arguments, "--html", str(tmp_path / "no" / "page.html")]) == 1
    assert "cannot be written" in capsys.readouterr().err
    assert cli.main(arguments) == 0
    printed = capsys.readouterr()
    assert "share of hindsight" in printed.out
    assert "43200 readings on 30 days, 2031-05-01 to 2031-05-30, known for 720 h" in printed.out
    assert "Warning: A reading every 1 min: clouds are averaged away." in printed.out
    assert "each is held for up to 1 min 30 s here; the daemon would rely on one for 30 s only" in printed.out


def test_tune_command(
    files: tuple[str, str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    new, page = tmp_path / "new.toml", tmp_path / "page.html"
    arguments = ["tune", "--config", files[0], "--readings", files[1]]
    assert cli.main([*arguments, "--json", "--write", str(new), "--html", str(page)]) == 0
    printed = capsys.readouterr()
    document = json.loads(printed.out)
    assert document["recommended"] is True
    assert "compare it with" in printed.err
    written: Config = config.load(new)
    assert written.control.start_export_w == document["best"]["start_export_w"]
    assert "# too low" in new.read_text()
    # From minutes nothing is said about delays, and none is written.
    assert (document["delays_judged"], document["best"]["start_delay_s"], document["best"]["stop_delay_s"]) == (
        False,
        45.0,
        1800.0,
    )
    assert "start_delay_s" not in new.read_text()
    assert page.read_text().count("<svg") == 2
    assert "<title>Tuning of charger: 1 to 30 May 2031</title>" in page.read_text()
    assert "none is worth more with fewer starts" in page.read_text()
    assert cli.main([*arguments, "--write", str(new)]) == 1
    assert "is there already, and is not overwritten" in capsys.readouterr().err
    # Tuned once more, there is nothing to write.
    assert cli.main([*arguments[:2], str(new), *arguments[3:], "--write", str(tmp_path / "newer.toml")]) == 0
    printed = capsys.readouterr()
    assert "Not recommended." in printed.out
    assert "Your readings (1 min) are too coarse to judge delays; these are left as they are." in printed.out
    assert "Judged by 30 days, 2031-05-01 to 2031-05-30: " in printed.out
    assert "was not written" in printed.err
    assert not (tmp_path / "newer.toml").exists()


def test_commands_say_what_is_wrong(files: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    poor = tmp_path / "poor.toml"
    poor.write_text(HEAD)
    assert cli.main(["tune", "--config", str(poor), "--readings", files[1]]) == 1
    assert capsys.readouterr().err == (
        f"{poor}: value needs prices: add a [money] table with a tariff, or choose --objective solar\n"
    )
    assert cli.main(["replay", "--config", str(poor), "--readings", str(tmp_path / "none.csv")]) == 1
    assert "none.csv: cannot be read (No such file or directory)" in capsys.readouterr().err
    assert cli.main(["replay", "--config", str(poor), "--readings", files[1], "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["value"], document["hindsight_value"], document["auto"]) == (None, None, None)
    assert document["solar_kwh"] > 0.0
    wild = tmp_path / "wild.csv"
    wild.write_text("time,grid_w\n1936526400,-300\n1936526410,40000\n")
    assert cli.main(["replay", "--config", str(poor), "--readings", str(wild)]) == 1
    assert "wild.csv, line 3, column grid_w: '40000' is beyond 30000 W" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        cli.main(["replay", "--config", str(poor), "--readings", files[1], "--day", "today"])
    assert "'today' is no day: write it as" in capsys.readouterr().err


def test_the_costliest_day_is_drawn_unless_one_is_named() -> None:
    pictures = pytest.importorskip("surpluscharge.planning.pictures")
    found = comparing.compare(study_of(4, start_export_w=200.0, stop_import_w=1900.0))
    assert found.hindsight is not None
    lost = [most - gain for most, gain in zip(found.hindsight.by_day, found.replayed.gain, strict=True)]
    worst = date.fromordinal(found.case.days.first + lost.index(max(lost)))
    page = pictures.of_replay(found)
    assert f"<h2>{worst:%A}, {worst.day} {worst:%B} {worst.year}</h2>" in page
    said = page.replace("\N{NO-BREAK SPACE}", " ")
    assert f"against the best possible of that day: {max(lost):.2f} of at most " in said


def test_what_holds_a_charge_back_is_marked(monkeypatch: pytest.MonkeyPatch) -> None:
    pictures = pytest.importorskip("surpluscharge.planning.pictures")
    settings = config_from(session={"time_cap_s": 5400.0}, money=MONEY, site={"time_zone": "UTC"})
    found = comparing.compare(comparing.study(settings, days_of_sun(2)))
    page = pictures.of_replay(found)
    assert page.count(html.escape("held back: the session's cap is reached")) == 1 and ">cap reached</text>" in page
    assert "no start is left" not in page
    noon_s = BEGIN_S + 12 * 3600.0
    monkeypatch.setattr(
        comparing, "budget_held", lambda *_: [(noon_s, noon_s + 600.0), (noon_s + 900.0, noon_s + 999.0)]
    )
    page = pictures.of_replay(found, date(2031, 5, 1))
    assert page.count("held back: no start is left") == 1 and page.count("<td>starts used</td>") == 2


def test_thresholds_that_change_are_named_each_and_those_that_move_from_to() -> None:
    pictures = pytest.importorskip("surpluscharge.planning.pictures")
    found = comparing.compare(study_of(1, start_export_w="ahead", stop_import_w="ahead"))
    page = pictures.of_replay(found)
    assert re.search(r">start above \d+ W to [\d.]+ k?W of surplus<", page) or ">start moves<" in page
    case = study_of(1, start_export_w=1380.0)
    curve = [
        Interval(int(1000 * BEGIN_S) + 60_000 * k, int(1000 * BEGIN_S) + 60_000 * (k + 1), NOTHING) for k in range(9)
    ]
    (start, stop) = pictures._levels(case, curve)
    assert (start.said[0], stop.said[0]) == ("start above 1.38 kW of surplus", "end below 1.03 kW of surplus")
    assert len(start.spans) == 1 and start.above and not stop.above


def test_far_fewer_starts_for_nearly_as_much() -> None:
    def calm(*rules: tuple[float, float]) -> int | None:
        return tune._calm([tune.Score(array("d", [worth]), array("d", [starts])) for worth, starts in rules], 1, [0])

    now, best = (8.0, 12.0), (10.0, 10.0)
    assert calm(now, best, (9.5, 6.0), (9.6, 6.0), (9.9, 7.0)) == 3
    assert calm(now, best, (9.5, 6.01), (9.49, 2.0)) is None
    assert calm((9.9, 5.0), best, (9.6, 5.5)) is None  # the configuration has them already
    assert calm((-3.0, 12.0), (-1.0, 10.0), (-1.0, 2.0)) is None


def test_the_rule_with_far_fewer_starts_is_named_and_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is said of it is from days it was not chosen on, as for the best."""
    monkeypatch.setattr(tune, "NEARLY", 0.9)
    found = tune.tune(study_of(24, start_export_w=200.0, stop_import_w=1900.0))
    assert found.calm is not None and found.calm_gain is not None
    best, calm = found.scores[found.best], found.scores[found.calm]
    assert sum(calm.worth) >= 0.9 * sum(best.worth) and sum(calm.starts) <= 0.6 * sum(best.starts)
    among = [score for score in found.scores if sum(score.worth) >= 0.9 * sum(best.worth)]
    assert sum(calm.starts) == min(sum(score.starts) for score in among)
    in_sample = sum(calm.worth) - sum(found.scores[0].worth)
    assert found.calm_gain.mean * len(calm.worth) <= in_sample + 1e-9
    text = tune.as_text(found)
    assert text.startswith("Recommended: start above ")
    assert text.index("\nrecommended ") < text.index("\nfar fewer starts ") < text.index("\nas configured ")
    assert f"That started {round(sum(calm.starts))} times instead of {round(sum(best.starts))}" in text
    assert tune.as_json(found)["far_fewer_starts"]["gain_a_day"]["mean"] == found.calm_gain.mean


def test_the_commands_do_not_load_what_only_a_pc_has() -> None:
    """The daemon stays at home on a small computer: numba, numpy and matplotlib wait until they are asked for."""
    code = "import sys, surpluscharge.cli; print(sorted({'numba', 'numpy', 'matplotlib'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
