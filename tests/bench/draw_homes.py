"""How well the draw is learned in noisy homes: `python -m tests.bench.draw_homes [--homes N]`.

Every home is invented: a lead with a draw of its own (the configured one is off by up to 10 %, as EN 50160 lets the
voltage be), a meter with its own interval and steps, a base load that wanders, a fridge, kettles, an oven, a washing
machine, clouds. In each the relay switches at moments when the house has something to spare, as the controller would,
and the watch sees nothing but the meter. Printed: how far the learned draw is off after ten switchings. Harsh as these
homes are, nine in ten know it by then, 99 % of those within 3 %.
"""

from __future__ import annotations

import argparse
import math
import random
from collections.abc import Iterator
from typing import NamedTuple

from surpluscharge.control.draw import DrawWatch, Estimate


class Home(NamedTuple):
    true_w: float  # what the lead draws at nominal voltage
    configured_w: float
    interval_s: float  # of the meter
    step_w: float  # to which it rounds
    noise_w: float  # of the base load, from reading to reading
    wander_w: float  # and over minutes
    kettles_per_h: float
    oven: bool
    washer: bool
    cloud: float  # 0: clear or overcast, 1: broken clouds all day
    sun_w: float
    ramp_s: float  # how long the car takes to draw all


def some_home(chance: random.Random) -> Home:
    """Draw a home by lot."""
    true_w = chance.choice((6.0, 10.0)) * chance.uniform(215, 245)
    return Home(
        true_w=true_w,
        configured_w=true_w / chance.uniform(0.9, 1.1),
        interval_s=chance.choice((1.0, 2.0, 5.0, 10.0, 15.0)),
        step_w=chance.choice((0.1, 1.0, 10.0)),
        noise_w=chance.uniform(2, 25),
        wander_w=chance.uniform(5, 60),
        kettles_per_h=chance.uniform(0.2, 2.0),
        oven=chance.random() < 0.3,
        washer=chance.random() < 0.4,
        cloud=chance.random() ** 2,
        sun_w=chance.uniform(2500, 6000),
        ramp_s=chance.uniform(0, 8),
    )


class Life:
    """Grid power of a home, second by second; ``charging`` and ``full`` are set from outside."""

    def __init__(self, home: Home, chance: random.Random) -> None:
        self.home, self.chance = home, chance
        self.charging, self.full = False, False
        self._on_for_s = 0.0
        self._wander_w = 0.0
        self._voltage = 1.0
        self._kettle_until = self._fridge_turns = self._oven_turns = self._washer_turns = 0.0
        self._fridge = self._oven = self._washer = False
        self._shade, self._shade_goal = 1.0, 1.0

    def grid_w(self, second: int) -> float:
        home, chance = self.home, self.chance
        self._wander_w += -self._wander_w / 300 + chance.gauss(0, home.wander_w * math.sqrt(2 / 300))
        self._voltage += (1 - self._voltage) / 600 + chance.gauss(0, 0.0006)
        if second >= self._fridge_turns:
            self._fridge = not self._fridge
            self._fridge_turns = second + chance.uniform(600, 1500)
        if chance.random() < home.kettles_per_h / 3600:
            self._kettle_until = second + chance.uniform(90, 240)
        if home.oven and second >= self._oven_turns:  # its thermostat, for a third of the day
            self._oven = not self._oven
            self._oven_turns = second + chance.uniform(40, 150) if second % 28800 < 9600 else second + 3600
        if home.washer and second >= self._washer_turns:  # it heats in short pulls, then turns its drum
            self._washer = not self._washer
            self._washer_turns = second + (chance.uniform(20, 200) if second % 21600 < 5400 else 1800)
        if chance.random() < home.cloud / 120:
            self._shade_goal = chance.uniform(0.25, 1.0)
        self._shade += (self._shade_goal - self._shade) / 25
        day = (second % 36000) / 36000  # ten hours of light, over and over
        sun_w = home.sun_w * math.sin(math.pi * day) * self._shade
        self._on_for_s = self._on_for_s + 1 if self.charging else 0.0
        ramp = 1.0 if home.ramp_s == 0 else min(1.0, self._on_for_s / home.ramp_s)
        lead_w = 0.0 if self.full or not self.charging else home.true_w * ramp * self._voltage  # at a fixed current
        load_w = 250 + self._wander_w + chance.gauss(0, home.noise_w)
        load_w += 90 * self._fridge + 2000 * (second < self._kettle_until) + 2400 * self._oven + 1900 * self._washer
        return load_w + lead_w - sun_w


def readings(life: Life, seconds: range) -> Iterator[tuple[float, float]]:
    """Yield (second, grid power) as the home's meter sends it."""
    for second in seconds:
        grid_w = life.grid_w(second)
        if second % life.home.interval_s == 0:
            yield second, round(grid_w / life.home.step_w) * life.home.step_w


def learn(home: Home, chance: random.Random, switchings: int, full: bool = False) -> tuple[Estimate | None, DrawWatch]:
    """Let a home's relay switch so often, by thresholds and times like the controller's; return what is learned."""
    watch, life = DrawWatch(home.configured_w), Life(home, chance)
    life.full = full
    switched, at_s, met_s = 0, -math.inf, 0.0
    for second, grid_w in readings(life, range(36000 * 40)):
        watch.reading(second, grid_w)
        wanted = grid_w < -home.configured_w if not life.charging else grid_w > 0.25 * home.configured_w
        met_s = met_s + home.interval_s if wanted else 0.0
        delay_s, least_s = (120.0, 480.0) if life.charging else (45.0, 300.0)
        done = life.charging and second - at_s > 5400  # the owner, a cap or the car itself
        if second - at_s >= least_s and (met_s >= delay_s or done):
            if switched == switchings:
                break
            life.charging = not life.charging
            watch.switched(life.charging, second)
            switched, at_s, met_s = switched + 1, second, 0.0
    return watch.learned, watch


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--homes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for switchings in (10, 20, 40):
        off: list[float] = []
        homes = covered = refused = steps = 0
        for number in range(options.homes):
            chance = random.Random(f"{options.seed}/{number}")
            home = some_home(chance)
            learned, watch = learn(home, chance, switchings)
            if len(watch.steps) + watch.refused < switchings:
                continue  # its sun is too weak for the lead
            homes += 1
            steps += len(watch.steps)
            if learned is None:
                refused += 1
                continue
            off.append(abs(learned.draw_w / home.true_w - 1))
            covered += abs(learned.draw_w - home.true_w) <= learned.error_w
        off.sort()
        within = sum(share <= 0.03 for share in off)
        sure = max(1, len(off))
        print(
            f"{switchings} switchings in {homes} homes: within 3 % in {within} ({100 * within / max(1, homes):.1f} %);"
            f" {len(off)} learned, {100 * within / sure:.1f} % of them within 3 %, {refused} not sure yet;"
            f" off by {100 * off[len(off) // 2]:.2f} % in the middle, {100 * off[-1]:.2f} % at most;"
            f" the error bar holds in {100 * covered / sure:.0f} %; {steps / max(1, homes):.1f} steps used",
            flush=True,
        )
    stray = learned_any = homes = 0
    for number in range(options.homes):
        chance = random.Random(f"{options.seed}/{number}")
        home = some_home(chance)
        if home.washer:
            learned, watch = learn(home, chance, 10, full=True)
            homes += 1
            stray += len(watch.steps)
            learned_any += learned is not None
    print(
        f"a washing machine, and a car that takes nothing: {stray} stray steps in {homes} homes; a draw learned from"
        f" them in {learned_any}"
    )


if __name__ == "__main__":
    main()
