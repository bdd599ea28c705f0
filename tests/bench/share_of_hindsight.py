"""How much of the best possible in hindsight each rule earns, on days it was not tuned on.

    python -m tests.bench.share_of_hindsight [--json FILE] [--vary]

Needs the ``bench`` extra. Five tariffs, three pairs of minimum times; the days and houses of tests/bench/houses.py:

- plain: the product's default without prices, start at the full draw of export held for 45 s, stop at a quarter of it
  in import held for 120 s;
- auto: the thresholds that prices alone give, without any history (control/economics.py);
- tuned: the best two thresholds of a grid, chosen for each house, tariff and pair of times on the odd days and scored
  on the even ones, and the reverse;
- ahead: thresholds that look ahead (control/ahead.py). Nothing in it was fitted on any of these days. ``--vary``
  changes each of its constants by a fifth, on the days it was fitted on and on these;
- known: what looking ahead would give if the mean over the next minimum-on or minimum-off time were known exactly. No
  rule can know that; it shows where the rest is lost.

What came of it: ahead closes a quarter of the distance from tuned to the best possible (0.26 on average, at least 0.07
of the fifteen), with fewer starts (7.2 a day in place of 8.6). Houses and skies that were left out whole are in
tests/bench/left_out.py. Fitting its constants to a house of its own earned no more than that.

Shares are sums over days of value, over sums of the best possible; ``closed`` is the part of the distance from tuned to
the best possible that ahead closes. A single case is one tariff, one pair of times, one house and one sky.
"""

from __future__ import annotations

import argparse
import json
import time
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surpluscharge.control import ahead
from surpluscharge.control.economics import Prices, break_even, thresholds
from surpluscharge.planning.compiling import compiled
from tests.bench.houses import FITTING, HOUSES, JUDGING, SKIES, STEP_S, Day, Source, days
from tests.bench.scoring import Times, best_possible, play_fixed, play_varied

Floats = NDArray[np.float64]

TARIFFS = tuple(
    Prices(*map(Decimal, prices))
    for prices in (
        ("0.27", "0.15", "0.20"),
        ("0.27", "0.00", "0.09"),
        ("0.27", "0.05", "0.09"),
        ("0.30", "0.08", "0.29"),
        ("0.35", "0.05", "0.25"),
    )
)
MINIMUMS_MIN = ((5, 5), (10, 5), (15, 10))
RULES = ("plain", "auto", "tuned", "ahead", "known")

# In shares of the draw; a charge that ends above where it starts makes no sense.
GRID = [(start / 20, stop / 20) for start in range(28) for stop in range(-6, 24) if stop <= start]

remember, ahead_thresholds = ahead.remember, ahead.thresholds  # the compiler wants bare names


def look_ahead(
    surplus: Floats, start: Floats, stop: Floats, break_even: float, min_on_s: float, min_off_s: float, empty: Any
) -> None:
    """Fill in the thresholds that looking ahead gives at each reading; all in shares of the draw."""
    for day in range(len(surplus)):
        memory = empty
        for now in range(surplus.shape[1]):
            memory = remember(memory, now * 10.0, surplus[day, now])
            start[day, now], import_share = ahead_thresholds(memory, 1.0, break_even, min_on_s, min_off_s)
            stop[day, now] = 1.0 - import_share


def known_means(surplus: Floats, readings: int) -> Floats:
    """Return the mean of the usable surplus over the next readings, at each one: what only hindsight knows."""
    length = surplus.shape[1]
    sums = np.concatenate([np.zeros((len(surplus), 1)), np.cumsum(np.clip(surplus, 0.0, 1.0), axis=1)], axis=1)
    begins = np.arange(length)
    ends = np.minimum(begins + readings, length)
    return (sums[:, ends] - sums[:, begins]) / readings


def play_known(surplus: Floats, share: float, times: Times) -> Floats:
    """Play with the means known: where they reach break-even start, where they fall below it stop."""
    on, off = known_means(surplus, times.min_on), known_means(surplus, times.min_off)
    # Thresholds that decide by something else than the surplus: none at all, or ones out of reach.
    start = np.where(on >= share, -np.inf, np.inf)
    stop = np.where(off < share, np.inf, -np.inf)
    return play_varied(surplus, start, stop, times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", type=Path, help="write every single case there")
    parser.add_argument("--vary", action="store_true", help="vary the constants of looking ahead instead")
    arguments = parser.parse_args()
    began_s = time.perf_counter()
    if arguments.vary:
        vary()
    else:
        cases = score(JUDGING)
        report(cases)
        if arguments.json:
            arguments.json.write_text(json.dumps(cases, indent=1))
    print(f"{time.perf_counter() - began_s:.0f} s")


def score(source: Source) -> list[dict[str, Any]]:
    """Return every single case."""
    these = days(source=source)
    print(f"seed {source.seed}, {len(these)} days of {len(HOUSES)} houses, {STEP_S:g} s a reading;", end=" ")
    print(", ".join(f"{sum(day.sky == sky for day in these)} {sky}" for sky in SKIES))
    return [case for house in HOUSES for case in score_house([day for day in these if day.house == house])]


def vary() -> None:
    """Print how much of the distance is closed, on average and at least, with each constant a fifth up and down."""
    cases = {source: score(source) for source in (FITTING, JUDGING)}
    names = [name for name, value in vars(ahead).items() if name.isupper() and isinstance(value, float)]
    names.remove("SPARING")  # none of these houses has a battery
    print(f"{'':18}{'':6}{'fitting':>16}{'judging':>16}")
    for name, factor in [("", 1.0), *((name, factor) for name in names for factor in (0.8, 1.25))]:
        if name:
            usual = getattr(ahead, name)
            setattr(ahead, name, usual * factor)
            compiled.cache_clear()  # constants are compiled in
        print(f"{name or 'as it is':18}{factor:6.2f}", end="")
        for source, these in cases.items():
            again = [{**case, "ahead": looking} for case, looking in zip(these, _ahead(source), strict=True)]
            parts = [closed(row) for row in rows_of(again)]
            print(f"{np.mean(parts):9.3f}{min(parts):7.3f}", end="", flush=True)
        print()
        if name:
            setattr(ahead, name, usual)


def _ahead(source: Source) -> list[float]:
    """Return what looking ahead is worth in each single case, in the order of :func:`score`."""
    found = []
    for house in HOUSES:
        these = [day for day in days(source=source) if day.house == house]
        surplus = np.array([day.surplus_w for day in these]) / house.draw_w
        sky = np.array([day.sky for day in these])
        for minimums in MINIMUMS_MIN:
            for prices in TARIFFS:
                share = break_even(house.draw_w, prices).surplus_w / house.draw_w
                value = worth(play_ahead(surplus, share, minimums), share)
                found += [float(value[sky == name].sum()) for name in skies_of(these)]
    return found


def play_ahead(surplus: Floats, share: float, minimums: tuple[int, int]) -> Floats:
    """Play by looking ahead."""
    on_min, off_min = minimums
    start, stop = np.empty_like(surplus), np.empty_like(surplus)
    compiled(look_ahead)(surplus, start, stop, share, 60.0 * on_min, 60.0 * off_min, ahead.nothing())
    return play_varied(surplus, start, stop, times_of(minimums))


def skies_of(these: list[Day]) -> list[str]:
    return [name for name in SKIES if any(day.sky == name for day in these)]


def times_of(minimums: tuple[int, int]) -> Times:
    on_min, off_min = minimums
    return Times(round(on_min * 60.0 / STEP_S), round(off_min * 60.0 / STEP_S))


def score_house(these: list[Day]) -> list[dict[str, Any]]:
    """Return the value of each rule in each single case of one house, in draw-hours of import less export."""
    house = these[0].house
    surplus = np.array([day.surplus_w for day in these]) / house.draw_w
    sky = np.array([day.sky for day in these])
    odd = np.array([day.number % 2 for day in these], dtype=bool)
    cases = []
    for minimums in MINIMUMS_MIN:
        times = times_of(minimums)
        plays = np.array([play_fixed(surplus, start, stop, times) for start, stop in GRID])
        plain = play_fixed(surplus, 1.0, 0.75, Times(times.min_on, times.min_off, 5, 12))
        for prices in TARIFFS:
            share = break_even(house.draw_w, prices).surplus_w / house.draw_w
            values = worth(plays, share)
            tuned = np.empty(len(these))
            for half in (odd, ~odd):
                tuned[half] = values[values[:, ~half].sum(axis=1).argmax()][half]
            start_w, stop_w = thresholds(house.draw_w, prices, 60.0 * minimums[0], 60.0 * minimums[1])
            auto = play_fixed(surplus, start_w / house.draw_w, 1.0 - stop_w / house.draw_w, times)
            looking = play_ahead(surplus, share, minimums)
            by_rule = {
                "plain": worth(plain, share),
                "auto": worth(auto, share),
                "tuned": tuned,
                "ahead": worth(looking, share),
                "known": worth(play_known(surplus, share, times), share),
                "best": best_possible(surplus, share, times) * STEP_S / 3600.0,
            }
            cases += [
                {
                    "prices": "/".join(map(str, prices)),
                    "minimums": "/".join(map(str, minimums)),
                    "house": house.name,
                    "sky": name,
                    "starts": {
                        "auto": float(auto[sky == name, 2].mean()),
                        "ahead": float(looking[sky == name, 2].mean()),
                    },
                    **{rule: float(value[sky == name].sum()) for rule, value in by_rule.items()},
                }
                for name in skies_of(these)
            ]
    return cases


def worth(plays: Floats, share: float) -> Floats:
    """Return the value of time on and used surplus, in draw-hours of the difference between import and export."""
    value: Floats = (plays[..., 1] - share * plays[..., 0]) * STEP_S / 3600.0
    return value


def total(cases: list[dict[str, Any]], rule: str) -> float:
    return sum(case[rule] for case in cases)


def closed(cases: list[dict[str, Any]], rule: str = "ahead") -> float:
    """Return the part of the distance from tuned to the best possible that a rule closes."""
    tuned = total(cases, "tuned")
    return (total(cases, rule) - tuned) / (total(cases, "best") - tuned)


def rows_of(cases: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Return the cases of each tariff and pair of minimum times."""
    keys = dict.fromkeys((case["prices"], case["minimums"]) for case in sorted(cases, key=_by_tariff))
    return [[case for case in cases if (case["prices"], case["minimums"]) == key] for key in keys]


def _by_tariff(case: dict[str, Any]) -> int:
    return ["/".join(map(str, prices)) for prices in TARIFFS].index(case["prices"])


def report(cases: list[dict[str, Any]]) -> None:
    """Print the tables."""
    print(f"\n{'import/export/alternative':26}{'minimums':10}" + "".join(f"{rule:>8}" for rule in RULES), end="")
    print(f"{'auto/tuned':>12}{'closed':>8}")
    rows = rows_of(cases)
    for row in rows:
        shares = {rule: total(row, rule) / total(row, "best") for rule in RULES}
        print(
            f"{row[0]['prices']:26}{row[0]['minimums']:10}" + "".join(f"{shares[rule]:8.3f}" for rule in RULES), end=""
        )
        print(f"{shares['auto'] / shares['tuned']:12.3f}{closed(row):8.3f}")
    print(f"\nleast auto/tuned {min(total(row, 'auto') / total(row, 'tuned') for row in rows):.3f},", end=" ")
    print(
        f"closed on average {np.mean([closed(row) for row in rows]):.3f}, at least {min(map(closed, rows)):.3f};",
        end=" ",
    )
    print(f"by known {np.mean([closed(row, 'known') for row in rows]):.3f}")
    for key in ("sky", "house"):
        for name in dict.fromkeys(case[key] for case in cases):
            parts = [[case for case in row if case[key] == name] for row in rows]
            shares = {rule: np.mean([total(part, rule) / total(part, "best") for part in parts]) for rule in RULES}
            print(f"{key + ' ' + name:36}" + "".join(f"{shares[rule]:8.3f}" for rule in RULES), end="")
            print(f"{'':12}{np.mean([closed(part) for part in parts]):8.3f}")
    print(f"\nof {len(cases)} single cases:")
    for rule in ("auto", "tuned", "ahead"):
        below = [case for case in cases if case[rule] < case["plain"]]
        worst = min(cases, key=lambda case: (case[rule] - case["plain"]) / case["best"])
        print(
            f"  {rule}: {len(below)} below plain; the worst is {worst['prices']} {worst['minimums']} {worst['house']} "
            f"{worst['sky']}: {worst[rule]:.2f}, plain {worst['plain']:.2f}, best {worst['best']:.2f} draw-hours"
        )
    for rule in ("auto", "ahead"):
        print(f"  {rule}: {np.mean([case['starts'][rule] for case in cases]):.1f} starts a day")


if __name__ == "__main__":
    main()
