"""What the lead really draws, learned from the steps that grid power makes when the relay switches.

No single step is believed: an oven, a cloud or a washing machine may move at the same moment. Some readings before and
after each switching are looked at. Where either side is restless, rises or falls too fast, is too short, or where the
step is far from the configured draw, the step is ambiguous and nothing is learned from it. What remains is summed up by
its median, in which a step weighs the more the quieter it was around it, and believed once enough steps agree.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from statistics import median
from typing import NamedTuple

SIDE_S = 40.0  # of readings on each side: longer ones meet more clouds and kettles, shorter ones too few readings
SHORT_SIDE_S = 30.0  # what is restless over all of them may be quiet close by
ON_SETTLES_S = 20.0  # until plug, car and meter have followed (as for the meter's sign); a car takes its time to begin,
OFF_SETTLES_S = 8.0  # and ends at once. A meter that was seen to be later than that is given longer
BIN_S = 10.0  # readings are summed up by the median of each ten seconds: a quick meter weighs no more than a slow one
LEAST_BINS = 3  # on each side
RESTLESS_SHARE = 0.3  # a side that spreads wider than this share of the draw, its slope taken off, is restless
STEEP_SHARE = 0.5  # a slope that makes this share of the draw between the middles of both sides is too steep
FAR_SHARE = 0.3  # a step so far off the configured draw is something else, or the configuration is wrong
LEAST_STEPS = 3  # that agree, before the draw counts as learned
MOST_STEPS = 30  # the newest count: leads and mains voltages change over the years
SURE_SHARE = 0.1  # and the error must be smaller than this
WANDER_SHARE = 0.02  # mains voltage moves the draw by so much from charge to charge, however quiet the house is
LEAST_ERROR_SHARE = 0.01  # and its mean by so much over the year, however many steps there are


class Step(NamedTuple):
    """A step seen at a switching, positive whichever way, and how restless it was around it."""

    step_w: float
    doubt_w: float


class Estimate(NamedTuple):
    """A learned draw; it is believed to lie within ``error_w`` either way, at about nine in ten."""

    draw_w: float
    error_w: float
    steps: int


def estimate(steps: Iterable[Step], configured_w: float) -> Estimate | None:
    """Return what the steps (the newest last) agree on; None: there are too few, or they do not."""
    near = [step for step in steps if _is_near(step.step_w, configured_w)][-MOST_STEPS:]
    if len(near) < LEAST_STEPS:
        return None
    weights = [1 / ((WANDER_SHARE * configured_w) ** 2 + step.doubt_w**2) for step in near]
    draw_w = _weighted_median([step.step_w for step in near], weights)
    # Of normally spread values: 1.4826 turns the median deviation into the standard one, and the median's own
    # standard error is sqrt(pi / 2) of the mean's. Few steps tell little of their own spread: hence the last factor.
    count = sum(weights) ** 2 / sum(weight**2 for weight in weights)
    spread_w = 1.4826 * _weighted_median([abs(step.step_w - draw_w) for step in near], weights)
    error_w = 2 * math.sqrt(math.pi / 2) * spread_w / math.sqrt(count) * (1 + 4 / count)
    error_w = max(error_w, LEAST_ERROR_SHARE * draw_w)
    return Estimate(draw_w, error_w, len(near)) if error_w <= SURE_SHARE * draw_w else None


def _is_near(step_w: float, configured_w: float) -> bool:
    return abs(step_w / configured_w - 1) <= FAR_SHARE


def _weighted_median(values: list[float], weights: list[float]) -> float:
    half, sum_so_far = sum(weights) / 2, 0.0
    for value, weight in sorted(zip(values, weights, strict=True)):
        sum_so_far += weight
        if sum_so_far >= half:
            return value
    raise ValueError("no values")


def step_between(before: list[tuple[float, float]], after: list[tuple[float, float]], expected_w: float) -> Step | None:
    """Return the step between two lists of (time_s, grid_w), positive up; None where it is ambiguous.

    A slope common to both sides (the sun rising, a cloud) is taken off: it is the median of all slopes within a side.
    """
    sides = [_bins(before), _bins(after)]
    if min(len(side) for side in sides) < LEAST_BINS:
        return None
    slope = median(
        (later_w - earlier_w) / (later_s - earlier_s)
        for side in sides
        for index, (earlier_s, earlier_w) in enumerate(side)
        for later_s, later_w in side[index + 1 :]
    )
    middles_s = [median(at_s for at_s, _ in side) for side in sides]
    slope_w = abs(slope) * (middles_s[1] - middles_s[0])
    levels = [[grid_w - slope * (at_s - middles_s[0]) for at_s, grid_w in side] for side in sides]
    spread_w = max(max(level) - min(level) for level in levels)
    if slope_w > STEEP_SHARE * expected_w or spread_w > RESTLESS_SHARE * expected_w:
        return None
    return Step(median(levels[1]) - median(levels[0]), math.hypot(spread_w / 3, slope_w / 5))


def _bins(readings: list[tuple[float, float]]) -> list[tuple[float, float]]:
    bins: dict[int, list[tuple[float, float]]] = {}
    for at_s, grid_w in readings:
        bins.setdefault(math.floor(at_s / BIN_S), []).append((at_s, grid_w))
    return [(median(at_s for at_s, _ in held), median(grid_w for _, grid_w in held)) for held in bins.values()]


class DrawWatch:
    """Follows grid power and the relay, and keeps the steps that can be learned from."""

    def __init__(self, configured_w: float, steps: Iterable[Step] = ()) -> None:
        self._configured_w = configured_w
        self.steps: deque[Step] = deque(steps, maxlen=4 * MOST_STEPS)
        self.refused = 0  # steps that were ambiguous
        self._readings: deque[tuple[float, float]] = deque(maxlen=1000)
        self._switched: tuple[float, bool, float] | None = None  # not yet judged; the time until all has followed
        self._before: list[tuple[float, float]] = []  # the readings until then
        self.learned = estimate(self.steps, configured_w)  # what the steps agree on, if they do

    def configure(self, configured_w: float) -> None:
        """The lead may have been set to another current: steps far from its draw no longer count."""
        if configured_w != self._configured_w:
            self._configured_w = configured_w
            self.learned = estimate(self.steps, configured_w)

    def recall(self, steps: Iterable[Step]) -> None:
        """Take in older steps, oldest first, that were on record: they count before those seen since."""
        self.steps = deque([*steps, *self.steps], maxlen=4 * MOST_STEPS)
        self.learned = estimate(self.steps, self._configured_w)

    def begin_with(self, steps: Iterable[Step]) -> None:
        """Forget all steps but these, oldest first: the lead or the meter is another one."""
        self.steps = deque(steps, maxlen=4 * MOST_STEPS)
        self.learned = estimate(self.steps, self._configured_w)

    def switched(self, on: bool, now_s: float, settles_s: float = 0.0) -> None:
        """The relay is switched now. A switching that is not judged yet is given up: its readings are cut short.

        ``settles_s``: how long the meter may take to follow, where known; below ON_SETTLES_S it changes nothing.
        """
        if self._switched is not None:
            self.refused += 1
        usual_s = ON_SETTLES_S if on else OFF_SETTLES_S
        self._switched = (now_s, on, settles_s if settles_s > ON_SETTLES_S else usual_s)
        self._before = [reading for reading in self._readings if reading[0] >= now_s - SIDE_S]
        self._readings.clear()

    def passed_over(self) -> None:
        """The relay is switched now, and something may even the step out: nothing is learned from it."""
        self.refused += 1
        self.disturbed()

    def disturbed(self) -> None:
        """Another load on the same meter is, or was just, switched: what was read and not judged yet is dropped."""
        if self._switched is not None:
            self.refused += 1
        self._switched = None
        self._readings.clear()

    def reading(self, now_s: float, grid_w: float) -> Step | None:
        """Take a fresh grid reading in; return the step, where one was learned just now."""
        self._readings.append((now_s, grid_w))
        if self._switched is None:
            while self._readings[0][0] < now_s - SIDE_S:
                self._readings.popleft()
            return None
        at_s, on, settles_s = self._switched
        begin_s = at_s + settles_s
        if now_s < begin_s + SIDE_S:
            return None
        self._switched = None
        found = None
        for side_s in (SIDE_S, SHORT_SIDE_S):
            before = [reading for reading in self._before if reading[0] >= at_s - side_s]
            after = [reading for reading in self._readings if begin_s <= reading[0] <= begin_s + side_s]
            found = found or step_between(before, after, self._configured_w)
        if found is not None and not on:
            found = found._replace(step_w=-found.step_w)
        if found is None or not _is_near(found.step_w, self._configured_w):
            self.refused += 1
            return None
        self.steps.append(found)
        self.learned = estimate(self.steps, self._configured_w)
        return found
