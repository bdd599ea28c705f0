"""Charges steered by the energy of an interval, where the bill nets: how much of the best possible they earn.

    python -m tests.bench.netted [--quick]

Needs the ``bench`` extra. The days and houses of tests/bench/houses.py, minimum times of 8 and 5 minutes, bought at
0.29, sold at 0.06, otherwise 0.21. The constants of control/steering.py were fitted on the made days of another seed
(``FITTING``); nothing here was seen by them. For intervals of 15, 30 and 60 minutes, and of a whole day (without its
night), each with money as that bill counts it:

- default: start at the full draw of export held for 45 s, stop at a quarter of it in import held for 120 s;
- auto: the thresholds that prices alone give, as without netting;
- steered: control/steering.py itself, compiled, within the default budgets of starts; and the same where the meter's
  clock is ten seconds off;
- best: the most that anyone could have earned, known beforehand, with the minimum times and any number of starts:
  exact, a dynamic programme over on and off and how long it has charged in the interval. "As few starts" is what of it
  is left with no more starts than the default's, on average: no rule with so few can earn more. Without minimum times
  (``planning/netted.py``) it is a little more. Of a day: without minimum times.

What came of it (shares of best, and starts a day; least and most of the three houses, each under all days and under the
measured ones alone):

    minutes    default                      steered                      best with as few starts as the default
    15         0.58 to 0.74 (4.3 to 7.5)    0.92 to 0.94 (9.8 to 12.3)   0.89 to 0.98
    30         0.57 to 0.74                 0.95         (7.4 to 9.2)    0.95 to 1.00
    60         0.57 to 0.73                 0.93 to 0.94 (4.8 to 5.7)    0.99 to 1.00

So with quarters of an hour nobody can have 0.94 with as few starts as the default, in one house and in two under the
measured days; with half hours steering needs two to four starts more than it under the measured days, with hours one.
Ten seconds of a clock cost 0.003 at most. With ``--quick``, auto earns 0.73 to 0.86; and of a whole day steering earns
0.80 to 0.83, auto 0.62 to 0.69. On the days that they were fitted on, halving or doubling a constant of steering earns
nothing but, for hours, 0.006 in one house of three by a start at 0.85 of the time left in place of 0.95, for 0.3 more
starts a day: so what is wanting there is not to be had by these constants.

Then caps: of two, four and six hours a session, for five tariffs and three pairs of minimum times, what looking ahead
(held to the stricter thresholds, as ``Rule.rationed`` has it) and, with half hours, steering earn beside auto. On
average of 15 rows both earn more than auto in each house, all days or measured ones: looking ahead 1.02 to 1.18 of it,
0.98 in the worst row; steering 1.17 to 1.70, and 0.82 in the worst row, under two hours, which it may spend on little.
"""

from __future__ import annotations

import argparse
from decimal import Decimal
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from surpluscharge.control import ahead, economics, steering
from surpluscharge.control.economics import Prices
from surpluscharge.control.rule import Band, Rule, Way
from surpluscharge.planning.compiling import compiled
from tests.bench.houses import HOUSES, STEP_S, days
from tests.bench.scoring import Times
from tests.bench.share_of_hindsight import TARIFFS, look_ahead, times_of

Floats = NDArray[np.float64]

PRICES = Prices(Decimal("0.29"), Decimal("0.06"), Decimal("0.21"))
TIMES = Times(48, 30)
MINUTES = (15, 30, 60, 960)
STARTS_PER_HOUR, STARTS_PER_DAY = 4, 16
DRAW_W = 1000.0  # all is in shares of the draw
FEES_MIN = (0.0, 1.0, 2.0, 3.5, 5.0, 7.0)  # of a start, in minutes of the gain on credit

remember, decided, passed = steering.remember, steering.decided, steering.passed  # the compiler wants bare names
Running = steering.Running


@njit(cache=True)
def gains(surplus: Floats, readings: int, bought: float, sold: float, otherwise: float) -> Floats:
    """Return what each number of charged readings earns in each interval of a day."""
    count = -(-len(surplus) // readings)
    found = np.zeros((count, readings + 1))
    for k in range(count):
        spare = surplus[k * readings : (k + 1) * readings].sum()
        for charged in range(readings + 1):
            grid = max(charged - spare, 0.0) - max(-spare, 0.0)
            found[k, charged] = charged * otherwise - grid * bought - (charged - grid) * sold
    return found


@njit(cache=True)
def best(surplus: Floats, readings: int, times: Times, prices: tuple[float, float, float], fee: float) -> Floats:
    """Return the most each day could have earned, and with how many starts, shape (days, 2); ``fee``: of a start."""
    found = np.empty((len(surplus), 2))
    length = surplus.shape[1]
    for day in range(len(surplus)):
        gain = gains(surplus[day], readings, *prices)
        # Best from a reading on, and its starts: free to start, and free to stop, with so many charged in the interval.
        off, on = np.zeros((length + 1, readings + 1, 2)), np.zeros((length + 1, readings + 1, 2))
        for now in range(length, -1, -1):
            if now == length:
                for u in range(readings + 1 if length % readings else 0):
                    off[now, u, 0] = on[now, u, 0] = gain[now // readings, u]
                continue
            for u in range(now % readings + 1):
                for state in range(2):
                    # On to the next reading as it is, or over to the other for its minimum time.
                    stay = leap(gain, on if state else off, now, 1, u, state, readings, length)
                    least = times.min_off if state else times.min_on
                    change = leap(gain, off if state else on, now, least, u, 1 - state, readings, length)
                    paid = 0.0 if state else fee
                    better = change[0] - paid > stay[0]
                    table = on if state else off
                    table[now, u, 0] = change[0] - paid if better else stay[0]
                    table[now, u, 1] = change[1] + (1.0 - state) if better else stay[1]
        found[day, 0] = off[0, 0, 0] + fee * off[0, 0, 1]
        found[day, 1] = off[0, 0, 1]
    return found


@njit(cache=True)
def leap(
    gain: Floats, table: Floats, now: int, least: int, u: int, charges: int, readings: int, length: int
) -> tuple[float, float]:
    earned, until = 0.0, min(now + least, length)
    while now < until:
        edge = min((now // readings + 1) * readings, until)
        u += (edge - now) * charges
        if edge % readings == 0:
            earned += gain[(edge - 1) // readings, u]
            u = 0
        now = edge
    if now == length and length % readings == 0:
        return earned, 0.0
    return earned + table[now, u, 0], table[now, u, 1]


@njit(cache=True)
def earned(surplus: Floats, on: Floats, readings: int, prices: tuple[float, float, float]) -> Floats:
    """Return the gain and the starts of each day, shape (days, 2), of a charger that was on at these readings."""
    found = np.zeros((len(surplus), 2))
    for day in range(len(surplus)):
        gain = gains(surplus[day], readings, *prices)
        for k in range(len(gain)):
            found[day, 0] += gain[k, int(on[day, k * readings : (k + 1) * readings].sum())]
        found[day, 1] = (np.diff(on[day]) > 0.0).sum() + on[day, 0]
    return found


@njit(cache=True)
def play(surplus: Floats, start: Floats, stop: Floats, times: Times) -> Floats:
    """Return at which readings thresholds, one for each, have the charger on; see scoring.py."""
    on = np.zeros(surplus.shape)
    for day in range(len(surplus)):
        runs, since, seen = False, -times.min_off, -1
        for now in range(surplus.shape[1]):
            here = surplus[day, now]
            wanted = here < stop[day, now] if runs else here >= start[day, now]
            seen = -1 if not wanted else now if seen < 0 else seen
            delay, least = (times.stop_delay, times.min_on) if runs else (times.start_delay, times.min_off)
            if wanted and now - seen >= delay and now - since >= least:
                runs, since, seen = not runs, now, -1
            on[day, now] = 1.0 if runs else 0.0
    return on


def steer(
    surplus: Floats, readings: int, shift: int, min_on: int, min_off: int, worth: float, cost: float,
    per_hour: int, per_day: int, lately: Any, on: Floats,
) -> None:  # fmt: skip
    """Fill in at which readings a charger is on that is steered by intervals ``shift`` readings too early."""
    for day in range(len(surplus)):
        runs, since, memory = False, -min_off, lately
        starts = [-1e9] * per_day
        running = Running(0.0, 0.0, 0.0, 0.0)
        for now in range(surplus.shape[1]):
            at_s, begin = now * 10.0, ((now + shift) // readings * readings - shift) * 10.0
            if begin != running.begin_s or now == 0:
                running = Running(begin, begin + readings * 10.0, 0.0, 0.0)
            memory = remember(memory, at_s, surplus[day, now])
            choice = decided(running, memory, 1000.0, worth, cost, min_on * 10.0, runs, at_s)
            free = at_s >= starts[0] + 86400.0 and at_s >= starts[per_day - per_hour] + 3600.0
            if runs and choice == 2 and now - since >= min_on:
                runs, since = False, now
            elif not runs and choice == 1 and now - since >= min_off and free:
                runs, since = True, now
                starts.pop(0)
                starts.append(at_s)
            on[day, now] = 1.0 if runs else 0.0
            running = passed(running, at_s, at_s + 10.0, (on[day, now] - surplus[day, now]) * 1000.0, 0.0)


def steered(surplus: Floats, minutes: int, prices: Prices, times: Times, shift: int = 0) -> Floats:
    on = np.zeros(surplus.shape)
    worth, cost = float(prices[2] - prices[1]), float(prices[0] - prices[2])
    given = minutes * 6, shift, times.min_on, times.min_off, worth, cost, STARTS_PER_HOUR, STARTS_PER_DAY
    compiled(steer)(surplus, *given, steering.nothing(), on)
    return on


def by_band(surplus: Floats, band: tuple[float, float], times: Times) -> Floats:
    start, stop = np.full(surplus.shape, band[0] / DRAW_W), np.full(surplus.shape, 1.0 - band[1] / DRAW_W)
    return play(surplus, start, stop, times)


def auto(prices: Prices, times: Times) -> Band:
    return Band(*economics.thresholds(DRAW_W, prices, times.min_on * STEP_S, times.min_off * STEP_S))


def sets() -> list[tuple[str, Floats]]:
    """Return the days of each house, all and the measured ones, in shares of the draw."""
    found = []
    for house in HOUSES:
        these = [day for day in days() if day.house == house]
        surplus = np.array([day.surplus_w for day in these]) / house.draw_w
        found += [(house.name, surplus), (f"{house.name}, measured", surplus[[d.sky == "measured" for d in these]])]
    return found


def judge(quick: bool) -> None:
    prices = tuple(map(float, PRICES))
    print(f"{'':18}{'min':>4}{'default':>15}{'auto':>15}{'steered':>15}{'10 s off':>9}{'as few starts':>15}")
    for name, whole in sets():
        surplus = whole[::4] if quick else whole
        plain = by_band(surplus, (DRAW_W, DRAW_W / 4.0), TIMES._replace(start_delay=5, stop_delay=12))
        for minutes in MINUTES:
            readings = minutes * 6
            done = {
                "default": plain,
                "auto": by_band(surplus, auto(PRICES, TIMES), TIMES),
                "steered": steered(surplus, minutes, PRICES, TIMES),
                "off": steered(surplus, minutes, PRICES, TIMES, 1),
            }
            means = {rule: earned(surplus, on, readings, prices).mean(axis=0) for rule, on in done.items()}
            if minutes > 60:
                most = np.mean([gains(day, readings, *prices).max(axis=1).sum() for day in surplus])
                few = "-"
            else:
                unit = float(PRICES[2] - PRICES[1])
                every = [
                    best(surplus, readings, TIMES, prices, fee_min * unit * 6.0).mean(axis=0) for fee_min in FEES_MIN
                ]
                most = every[0][0]
                # Between two fees a mixture of both plans bounds what so many starts can earn.
                order = sorted((starts, gain) for gain, starts in every)
                few = f"{np.interp(means['default'][1], *zip(*order, strict=True)) / most:.3f}"
            cells = "".join(f"{means[r][0] / most:8.3f} ({means[r][1]:4.1f})" for r in ("default", "auto", "steered"))
            print(f"{name:18}{minutes:4}{cells}{means['off'][0] / most:9.3f}{few:>15}", flush=True)


def capped(on: Floats, hours: int) -> Floats:
    """Return the same until a session's hours are used up; a stop that it brings forward is none of the rule's."""
    return np.where(np.cumsum(on, axis=1) <= hours * 360, on, 0.0)


def judge_caps() -> None:
    print("\nunder caps, of what auto earns: mean and least of 15 rows")
    for name, surplus in sets():
        for hours in (2, 4, 6):
            rows: dict[str, list[float]] = {"ahead": [], "steered": []}
            for minimums in ((5, 5), (10, 5), (15, 10)):
                times = times_of(minimums)
                for prices in TARIFFS:
                    values = tuple(map(float, prices))
                    lasts = 60.0 * minimums[0], 60.0 * minimums[1]
                    rule = Rule(Way.AHEAD, Band(0.0, 0.0), *lasts, prices, cap_s=3600.0 * hours)
                    share = rule.pays_from_w(DRAW_W) / DRAW_W
                    start, stop = np.empty_like(surplus), np.empty_like(surplus)
                    compiled(look_ahead)(surplus, start, stop, share, *lasts, ahead.nothing())
                    least = rule.rationed(DRAW_W)
                    start, stop = np.maximum(start, least[0] / DRAW_W), np.maximum(stop, 1.0 - least[1] / DRAW_W)
                    by_price = capped(by_band(surplus, auto(prices, times), times), hours)
                    looking = capped(play(surplus, start, stop, times), hours)
                    steers = capped(steered(surplus, 30, prices, times), hours)
                    for key, on, readings in (("ahead", looking, 1), ("steered", steers, 180)):
                        of = [earned(surplus, each, readings, values)[:, 0].mean() for each in (on, by_price)]
                        rows[key].append(of[0] / of[1])
            cells = "; ".join(f"{key} {np.mean(row):.3f} ({min(row):.3f})" for key, row in rows.items())
            print(f"{name:18}{hours} h  {cells}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="every fourth day only")
    arguments = parser.parse_args()
    judge(arguments.quick)
    judge_caps()


if __name__ == "__main__":
    main()
