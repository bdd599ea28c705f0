"""Tuning: which thresholds and delays would have done best, and whether the difference is more than chance.

The candidates are fixed beforehand: a grid of thresholds as shares of the draw and of delays, and thresholds that
follow the prices or look ahead. Each is replayed over all readings by the daemon's own step. What the best may be
expected to gain is judged on days it was not chosen on: they are cut into :data:`FOLDS` stretches; for each the best
candidate of the other days, a little apart, is scored on it. The differences to the configuration as it is, day by day,
are drawn again and again (a paired bootstrap over blocks of days, since weather stays for a while); where the interval
they give reaches nought, nothing is recommended. It is widened for how few weeks there are. Even so, with nothing to
gain, a month of readings was recommended in 4 of 100 tries where days were independent, in 8 where each was half like
the last, and in 26 where it was four fifths so: such weather takes more than two months. Days count where they are
known well enough (:attr:`comparing.Study.counted`).

Readings do not show what happens between them. So no delay is tried that is shorter than their usual distance, and with
readings a minute apart, or means over as much, none at all but the configured ones; coarser ones are refused.

Minimum times, budgets and caps stay as they are: they protect the hardware, and no tariff knows what it costs.
"""

from __future__ import annotations

import math
import os
import random
import re
from array import array
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from statistics import NormalDist, fmean
from typing import Any, Literal, NamedTuple

from surpluscharge.config import ConfigError, parse
from surpluscharge.control.machine import Params, State, initial
from surpluscharge.control.rule import Band
from surpluscharge.history.readings import ReadingsError
from surpluscharge.planning import comparing, compiling
from surpluscharge.planning.comparing import Study, ThresholdSeries
from surpluscharge.planning.compiling import buffer, fast
from surpluscharge.planning.replay import book, decide
from surpluscharge.words import counted, duration, number, signed, to_install, watts

Objective = Literal["value", "solar", "starts"]

FOLDS = 5
APART_DAYS = 2  # between the days a rule is chosen on and those it is judged on
BLOCK_DAYS = 7  # of the bootstrap: weather seldom stays for longer
LEAST_DAYS = 21  # fewer say little about the weather to come (common practice: some weeks at the very least)
DRAWS = 2000  # of the bootstrap
TAIL = 0.05  # on either side of the interval that is shown
YEAR_DAYS = 365
NEARLY = 0.95  # of the best one's worth counts as nearly as much, and
FEWER = 0.6  # so many of its starts as far fewer: judgements, both, and not derived

STARTS = tuple(tenths / 10 for tenths in range(1, 13))  # start threshold, in shares of the draw
WIDTHS = (0.12, 0.25, 0.4, 0.6, 0.8, 1.0, 1.4)  # from the start threshold down to where it stops
START_DELAYS_S = (20.0, 45.0, 180.0)
STOP_DELAYS_S = (20.0, 90.0, 240.0, 600.0)
HOPELESS_S = 600.0  # readings as far apart, or means over as long, show hardly a cloud


class Candidate(NamedTuple):
    """A rule to be tried. ``settings`` are the keys of [control] that mean it."""

    params: Params
    thresholds: ThresholdSeries
    settings: dict[str, float | str]


def candidates(case: Study) -> list[Candidate]:
    """Return all rules to be tried; the first is the configuration as it is."""
    config = case.config
    now: dict[str, float | str] = {
        "start_export_w": config.word or config.start_export_w,
        "stop_import_w": config.word or config.stop_import_w,
        "start_delay_s": config.start_delay_s,
        "stop_delay_s": config.stop_delay_s,
    }
    params = [comparing.with_delays(case, follow) for follow in (False, True)]
    return [
        Candidate(case.params, comparing.configured(case), now),
        *(
            Candidate(
                case.params._replace(start_delay_s=start_delay_s, stop_delay_s=stop_delay_s),
                thresholds,
                {**written, "start_delay_s": start_delay_s, "stop_delay_s": stop_delay_s},
            )
            for thresholds, written in _pairs(case)
            for untouched in [params[_follows(written)]]
            for start_delay_s in _delays_s(case, untouched.start_delay_s, START_DELAYS_S)
            for stop_delay_s in _delays_s(case, untouched.stop_delay_s, STOP_DELAYS_S)
        ),
    ]


def _follows(settings: dict[str, float | str]) -> bool:
    return isinstance(settings["start_export_w"], str)


def _delays_s(case: Study, untouched_s: float, others_s: Sequence[float]) -> list[float]:
    """Return the delay that holds where nobody touches it, and those that these readings can tell apart."""
    spacing_s = case.readings.spacing_s
    judged = [delay_s for delay_s in others_s if delay_s >= spacing_s] if spacing_s < comparing.MINUTES_S else []
    return sorted({untouched_s, *judged})


def _pairs(case: Study) -> Iterator[tuple[ThresholdSeries, dict[str, float | str]]]:
    auto = comparing.following_prices(case)
    if auto:
        yield auto, {"start_export_w": "auto", "stop_import_w": "auto"}
    ahead = comparing.looking_ahead(case)
    if ahead:
        yield ahead, {"start_export_w": "ahead", "stop_import_w": "ahead"}
    for share in STARTS:
        for width in WIDTHS:
            # While the charger runs, a surplus of S shows as an import of draw - S.
            start_w, stop_w = round(share * case.draw_w), round((1.0 - share + width) * case.draw_w)
            if stop_w <= 20000:  # the configuration takes no more
                yield comparing.fixed(Band(start_w, stop_w)), {"start_export_w": start_w, "stop_import_w": stop_w}


# --- scoring ---------------------------------------------------------------------------------------------------------


class Score(NamedTuple):
    """What one candidate did on each day."""

    worth: array[float]  # money; for want of prices, or where solar energy is the aim: solar less grid, in watt-hours
    starts: array[float]


def score(
    params: Params,
    state: State,
    draw_w: float,
    fresh_s: float,
    at_s: Sequence[float],
    surplus_w: Sequence[float],
    start_w: Sequence[float],
    stop_w: Sequence[float],
    end_s: float,
    day: int,
    days_s: Sequence[float],
    hold_s: Sequence[float],
    total: Sequence[float],
    worth: array[float],
    starts: array[float],
) -> None:
    """Replay one candidate and book it by days, in one go, so that nothing but sums leaves compiled code."""
    moves = decide(params, state, draw_w, fresh_s, at_s, surplus_w, start_w, stop_w, end_s, day, days_s)
    book(moves, at_s, hold_s, total, end_s, days_s, worth, starts)


class _Scorer:
    """Scores candidates; handed to each worker once."""

    def __init__(self, case: Study, total: array[float]) -> None:
        self._case, self._total = case, total

    def __call__(self, candidate: Candidate) -> Score:
        case, readings = self._case, self._case.readings
        if case.registers:
            moves = comparing.moves_with(case, candidate.thresholds, candidate.params)
            done = comparing.outcome(case, moves)
            if self._total is case.sums.gain:
                return Score(done.gain, done.starts)
            net_wh = zip(done.solar_wh, done.grid_wh, strict=True)
            return Score(array("d", (sun - bought for sun, bought in net_wh)), done.starts)
        result = Score(*(array("d", bytes(8 * (len(case.days.ends_s) + 1))) for _ in range(2)))
        fast(score)(
            candidate.params._replace(rearm_daily=True),
            initial(candidate.params, readings.at_s[0], case.days.first)._replace(was_enabled=True),
            case.draw_w,
            readings.fresh_s,
            buffer(readings.at_s),
            buffer(readings.surplus_w),
            *map(buffer, candidate.thresholds[:2]),
            readings.end_s,
            case.days.first,
            *map(buffer, (case.days.ends_s, readings.hold_s, self._total, *result)),
        )
        return result


_scorer: _Scorer  # of this worker process


def _prepare(scorer: _Scorer) -> None:
    global _scorer  # noqa: PLW0603  (a worker process has nothing else to keep it in)
    _scorer = scorer


def _score(candidate: Candidate) -> Score:
    return _scorer(candidate)


def scores(
    case: Study, total: array[float], rules: list[Candidate], progress: Callable[[float], None] = lambda _: None
) -> list[Score]:
    """Score all, on all cores: in threads where compiled, which needs no copies, or else in processes."""
    scorer, cores = _Scorer(case, total), len(os.sched_getaffinity(0))
    executor: Executor
    work: Callable[[Candidate], Score]
    if compiling.available():
        executor, work = ThreadPoolExecutor(cores), scorer
        scorer(rules[0])  # compiles, once
    else:
        executor, work = ProcessPoolExecutor(cores, initializer=_prepare, initargs=(scorer,)), _score
    found = []
    with executor:
        for result in executor.map(work, rules):
            found.append(result)
            progress(len(found) / len(rules))
    return found


# --- choosing --------------------------------------------------------------------------------------------------------


class Spread(NamedTuple):
    """A mean over days, and the interval in which nine of ten bootstrap samples have it."""

    mean: float
    low: float
    high: float


class Tuning(NamedTuple):
    """What was found. ``gain`` and ``starts``: differences a day to the configuration, on days not chosen on."""

    case: Study
    objective: Objective
    rules: list[Candidate]
    scores: list[Score]  # by days that count
    best: int
    gain: Spread
    starts: Spread
    recommended: bool
    reason: str
    unit: str  # of worth: a currency, or Wh
    calm: int | None = None  # the rule with far fewer starts that is worth nearly as much; None: there is none
    calm_gain: Spread | None = None  # and its differences, judged like those of the best
    calm_starts: Spread | None = None

    @property
    def judged(self) -> bool:
        """Whether there are days enough to say what may be expected of others."""
        return len(self.scores[0].worth) >= LEAST_DAYS

    @property
    def changes(self) -> dict[str, float | str]:
        """Return the settings of the best that have to be written: not what holds anyway once the others are."""
        configured, settings = self.rules[0].settings, self.rules[self.best].settings
        untouched = comparing.with_delays(self.case, _follows(settings))
        holds = {**configured, "start_delay_s": untouched.start_delay_s, "stop_delay_s": untouched.stop_delay_s}
        return {key: value for key, value in settings.items() if value != holds[key]}


def tune(case: Study, objective: Objective = "value", progress: Callable[[float], None] = lambda _: None) -> Tuning:
    """Search. Raises ValueError where the objective is value and no prices are configured, ReadingsError where the
    readings are too coarse.
    """
    _refuse_coarse(case)
    if objective == "value" and case.prices is None:
        raise ValueError("value needs prices: add a [money] table with a tariff, or choose --objective solar")
    by_money = case.prices is not None and objective != "solar"
    # Solar energy alone would have the charger run all day: what it buys counts against what it takes from the sun.
    net_wh = array("d", (sun - bought for sun, bought in zip(case.sums.solar_wh, case.sums.grid_wh, strict=True)))
    rules = candidates(case)
    counted = case.counted
    found = [
        Score(*(array("d", (of_all[day] for day in counted)) for of_all in score))
        for score in scores(case, case.sums.gain if by_money else net_wh, rules, progress)
    ]
    count = len(counted)
    chosen = [_best(found, objective, _apart_from(fold, count)) for fold in range(FOLDS)]
    judged = [found[chosen[_fold(day, count)]] for day in range(count)]
    gains = [score.worth[day] - found[0].worth[day] for day, score in enumerate(judged)]
    starts = [score.starts[day] - found[0].starts[day] for day, score in enumerate(judged)]
    gain, fewer = bootstrap(gains), bootstrap(starts)
    best = _best(found, objective, range(count))
    calm = _calm(found, best, range(count)) if objective != "starts" else None
    spreads: list[Spread | None] = [None, None]
    if calm is not None:
        calmer = [_calm(found, chosen[fold], _apart_from(fold, count)) for fold in range(FOLDS)]
        rules_of = [chosen[fold] if other is None else other for fold, other in enumerate(calmer)]
        judged = [found[rules_of[_fold(day, count)]] for day in range(count)]
        spreads = [
            bootstrap([score.worth[day] - found[0].worth[day] for day, score in enumerate(judged)]),
            bootstrap([score.starts[day] - found[0].starts[day] for day, score in enumerate(judged)]),
        ]
    recommended, reason = _verdict(objective, best, count, gain, fewer)
    unit = str(case.currency) if by_money else "Wh"
    return Tuning(case, objective, rules, found, best, gain, fewer, recommended, reason, unit, calm, *spreads)


def _refuse_coarse(case: Study) -> None:
    every_s, means = case.readings.spacing_s, case.readings.means
    if every_s < HOPELESS_S:
        return
    what = "most of the time is on record as means over" if means else "there is a reading only every"
    since = case.moment(case.readings.end_s - 86400.0 * case.config.history.readings_days).date()
    remedy = (
        f"Take the newer ones, which are kept finer: surpluscharge export --from {since} --output recent.csv, and then "
        "--readings recent.csv"
        if means
        else "Take readings that are a minute apart, or better some seconds"
    )
    raise ReadingsError(
        f"{case.source}: {what} {duration(every_s)}. Clouds are averaged away in that, so neither thresholds nor "
        f"delays can be judged. {remedy}"
    )


def _best(found: list[Score], objective: Objective, days: Sequence[int]) -> int:
    """Return the candidate that did best on these days; the configuration as it is where none did better."""
    worth = [sum(score.worth[day] for day in days) for score in found]
    starts = [sum(score.starts[day] for day in days) for score in found]
    if objective == "starts":  # the fewest among those that earn no less
        return min((i for i in range(len(found)) if worth[i] >= worth[0]), key=lambda i: (starts[i], -worth[i], i))
    return max(range(len(found)), key=lambda i: (worth[i], -starts[i], -i))


def _calm(found: list[Score], best: int, days: Sequence[int]) -> int | None:
    """Return the rule with the fewest starts that is worth nearly as much as the best, if those are far fewer.

    Where a line of worth against starts is almost level, relay and car are spared a lot for little money.
    """
    worth = [sum(score.worth[day] for day in days) for score in found]
    starts = [sum(score.starts[day] for day in days) for score in found]
    among = [i for i in range(len(found)) if worth[i] >= NEARLY * worth[best] and starts[i] <= FEWER * starts[best]]
    if worth[best] <= 0.0 or not among:
        return None
    fewest = min(among, key=lambda i: (starts[i], -worth[i], i))
    return None if fewest == 0 or (worth[0] >= worth[fewest] and starts[0] <= starts[fewest]) else fewest


def _fold(day: int, count: int) -> int:
    """Return the part a day belongs to: each is a stretch of days, since weather that stays would join neighbours."""
    return day * FOLDS // count


def _apart_from(fold: int, count: int) -> list[int]:
    """Return the days to choose on: those of other parts, and not next to the part that is judged."""
    own = [day for day in range(count) if _fold(day, count) == fold]
    near = range(own[0] - APART_DAYS, own[-1] + APART_DAYS + 1) if own else range(0)
    return [day for day in range(count) if day not in near]


def bootstrap(differences: Sequence[float], seed: int = 1) -> Spread:
    """Return the mean of daily differences, and how far chance may move it.

    Drawn in blocks of successive days, the last being followed by the first: one day of a settled week says little
    more than the day before it.
    """
    chance, count = random.Random(seed), len(differences)
    size = min(BLOCK_DAYS, count)
    blocks = [sum(differences[(first + k) % count] for k in range(size)) / size for first in range(count)]
    means = sorted(fmean(chance.choices(blocks, k=-(-count // size))) for _ in range(DRAWS))
    mean, low, high = fmean(differences), means[round(TAIL * DRAWS)], means[round((1 - TAIL) * DRAWS) - 1]
    wider = _few_blocks(count / size)
    return Spread(mean, mean + wider * (low - mean), mean + wider * (high - mean))


def _few_blocks(blocks: float) -> float:
    """Return by how much drawing from a few blocks makes the interval too narrow.

    As for a mean of so many values: Student's quantile (by its Cornish-Fisher expansion) over the normal one, and the
    spread of a sample over that about its own mean.
    """
    blocks = max(blocks, 2.0)
    free, z = blocks - 1.0, NormalDist().inv_cdf(1.0 - TAIL)
    student = z + (z**3 + z) / (4.0 * free) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * free**2)
    return student / z * math.sqrt(blocks / free)


def _verdict(objective: Objective, best: int, days: int, gain: Spread, starts: Spread) -> tuple[bool, str]:
    if best == 0:
        return False, "Nothing that was tried did better than the configuration as it is."
    if days < LEAST_DAYS:
        only = f"There {'is' if days == 1 else 'are'} only {counted(days, 'day')} of readings"
        return False, f"{only}; {LEAST_DAYS} are the least to judge by."
    if objective == "starts":
        if starts.high >= 0.0:
            return False, "On days it was not chosen on, the saving of starts is within chance."
        return True, "On days it was not chosen on, it saves starts beyond chance."
    if gain.low <= 0.0:
        return False, "On days it was not chosen on, the difference is within chance."
    return True, "On days it was not chosen on, it does better beyond chance."


def frontier(found: Tuning) -> list[int]:
    """Return the candidates that none beats in worth without more starts, from few starts to many."""
    totals = [(sum(score.starts), -sum(score.worth), i) for i, score in enumerate(found.scores)]
    result, most = [], float("-inf")
    for _, loss, i in sorted(totals):
        if -loss > most:
            result.append(i)
            most = -loss
    return result


def of_delays(case: Study, best: dict[str, float | str]) -> str | None:
    """Say where the readings were too coarse for delays; ``best`` are the settings that did best."""
    spacing_s, given = case.readings.spacing_s, case.config.control
    if spacing_s >= comparing.MINUTES_S:
        none = (
            _follows(best) and not case.config.way.follows_prices and None in (given.start_delay_s, given.stop_delay_s)
        )
        return f"Your readings ({duration(spacing_s)}) are too coarse to judge delays; these are left as they are." + (
            " With thresholds that follow the prices there are none, unless they are configured." if none else ""
        )
    if spacing_s > min(*START_DELAYS_S, *STOP_DELAYS_S):
        return f"Delays shorter than your readings' usual distance, {duration(spacing_s)}, were not tried."
    return None


# --- telling ---------------------------------------------------------------------------------------------------------


def as_json(found: Tuning) -> dict[str, Any]:
    """Return what was found as a document."""
    days = len(found.scores[0].worth)

    def of(index: int) -> dict[str, Any]:
        score = found.scores[index]
        return {
            **found.rules[index].settings,
            "worth_a_day": round(sum(score.worth) / days, 5),
            "starts_a_day": round(sum(score.starts) / days, 3),
        }

    return {
        "objective": found.objective,
        "unit": found.unit,
        "recommended": found.recommended,
        "reason": found.reason,
        "configured": of(0),
        "best": of(found.best),
        # Of too few days an interval would say more than is known.
        "gain_a_day": found.gain._asdict() if found.judged else None,
        "starts_a_day_more": found.starts._asdict() if found.judged else None,
        "days": days,
        "folds": FOLDS,
        "candidates": len(found.rules),
        "readings": found.case.readings.counts.readings,
        "spacing_s": round(found.case.readings.spacing_s, 3),
        "delays_judged": found.case.readings.spacing_s < comparing.MINUTES_S,
        "warnings": comparing.warnings(found.case),
        "compiled": compiling.available(),
        "frontier": [of(index) for index in frontier(found)],
        "far_fewer_starts": None
        if found.calm is None or found.calm_gain is None or found.calm_starts is None
        else {
            **of(found.calm),
            "gain_a_day": found.calm_gain._asdict() if found.judged else None,
            "starts_a_day_more": found.calm_starts._asdict() if found.judged else None,
        },
    }


def as_text(found: Tuning) -> str:
    """Return what was found, for people: what is recommended first."""
    scale, unit = scaled(found)
    lines = [
        *verdict(found),
        "",
        f"{'':<18}{'start at export':>18}{'stop at import':>18}{'start delay':>14}{'stop delay':>14}"
        f"{unit:>12}{'starts':>9}",
    ]
    for name, index in named(found):
        settings, score = found.rules[index].settings, found.scores[index]
        cells = [shown(settings["start_export_w"], watts), shown(settings["stop_import_w"], watts)]
        delays = [shown(settings[key], duration) for key in ("start_delay_s", "stop_delay_s")]
        lines.append(
            f"{name:<18}{cells[0]:>18}{cells[1]:>18}{delays[0]:>14}{delays[1]:>14}"
            f"{number(scale * sum(score.worth), 2):>12}{round(sum(score.starts)):>9}"
        )
    return "\n".join([*lines, "", *(f"Warning: {each}" for each in comparing.warnings(found.case)), *notes(found)])


def scaled(found: Tuning) -> tuple[float, str]:
    """Return the factor and the unit in which worth is shown."""
    return (0.001, "kWh") if found.unit == "Wh" else (1.0, found.unit)


def named(found: Tuning) -> list[tuple[str, int]]:
    """Return the rules that matter, the best first, with what they are called."""
    calm = [] if found.calm is None else [("far fewer starts", found.calm)]
    best = [] if found.best == 0 else [("recommended" if found.recommended else "best here", found.best)]
    return [*best, *calm, ("as configured", 0)]


def verdict(found: Tuning) -> list[str]:
    """Return what is recommended and why, what else is worth a thought, and what may be expected."""
    rule = in_words(found.rules[found.best].settings)
    said = [f"Recommended: {rule}.", found.reason] if found.recommended else [f"Not recommended. {found.reason}"]
    if found.best and not found.judged:
        said.append("It did best on the days it was chosen on; what it would do on others cannot be told from so few.")
    elif found.best:
        said.append(
            f"Expected from choosing so, on days not chosen on: {_expected(found, found.gain, found.starts)}, if all "
            f"the year were like these {comparing.period(found.case)}."
        )
    if found.calm is not None and found.calm_gain and found.calm_starts:
        worth, starts = ([sum(score[k]) for score in found.scores] for k in (0, 1))
        expected = f"Expected, judged in the same way: {_expected(found, found.calm_gain, found.calm_starts)}."
        said.append(
            f"Far fewer starts for nearly as much: {in_words(found.rules[found.calm].settings)}. That started "
            f"{counted(round(starts[found.calm]), 'time')} instead of {round(starts[found.best])}, for "
            f"{worth[found.calm] / worth[found.best] * 100:.0f} % of the worth; relay and car are spared."
            + (f" {expected}" if found.judged else "")
        )
    return said


def _expected(found: Tuning, gain: Spread, starts: Spread) -> str:
    scale, unit = scaled(found)
    per_year = [signed(scale * YEAR_DAYS * value) for value in gain]
    a_day = [signed(value) for value in starts]
    return (
        f"{per_year[0]} {unit} a year (nine of ten samples: {per_year[1]} to {per_year[2]}), and {a_day[0]} starts a "
        f"day ({a_day[1]} to {a_day[2]})"
    )


def notes(found: Tuning) -> list[str]:
    """Return what has to be known to read the figures rightly."""
    judged = f"Judged by {comparing.period(found.case)}: the best of {counted(len(found.rules), 'rule')}."
    lines = [judged, of_delays(found.case, found.rules[found.best].settings)]
    if found.unit == "Wh":
        lines.append("Counted is solar energy less what was bought beside it.")
    if not compiling.available():
        lines.append(f"This took long because it was not compiled: {to_install('tune')}, mends that.")
    return [line for line in [*lines, comparing.ASSUMPTIONS] if line]


def in_words(settings: dict[str, float | str]) -> str:
    """Return a rule as a clause."""
    start, stop = settings["start_export_w"], settings["stop_import_w"]
    lasting = [
        f" for {duration(float(settings[key]))}" if settings[key] else "" for key in ("start_delay_s", "stop_delay_s")
    ]
    if isinstance(start, str):
        return f'"{start}", start above its threshold{lasting[0]}, end beyond the other{lasting[1]}'
    return f"start above {watts(start)} of export{lasting[0]}, end above {shown(stop, watts)} of import{lasting[1]}"


def shown(value: float | str, show: Callable[[float], str]) -> str:
    """Return a setting for people."""
    return value if isinstance(value, str) else show(value)


# --- writing it down -------------------------------------------------------------------------------------------------


def rewritten(text: str, settings: dict[str, float | str], name: str) -> str:
    """Return the configuration ``text`` with these keys of [control] changed in place; comments stay.

    Raises ValueError, with the lines to write, where the file is laid out so that this cannot be done.
    """
    lines = text.splitlines()
    values = {key: f'"{value}"' if isinstance(value, str) else f"{value:g}" for key, value in settings.items()}
    table = next((i for i, line in enumerate(lines) if re.match(r"\s*\[\s*control\s*\]", line)), None)
    ends = next(
        (i for i, line in enumerate(lines) if table is not None and i > table and re.match(r"\s*\[", line)), len(lines)
    )
    missing = []
    for key, value in values.items():
        prefix = "" if table is not None else r"control\s*\.\s*"
        pattern = re.compile(rf"^(\s*{prefix}{key}\s*=\s*)(\"[^\"]*\"|'[^']*'|[^\s#]+)")
        for i in range(0 if table is None else table + 1, ends):
            if pattern.match(lines[i]):
                lines[i] = pattern.sub(rf"\g<1>{value}", lines[i])
                break
        else:
            missing.append(f"{key} = {value}")
    if missing and table is not None:
        lines[table + 1 : table + 1] = missing
    elif missing and len(missing) < len(values):
        first = next(i for i, line in enumerate(lines) if re.match(r"\s*control\s*\.", line))
        lines[first:first] = [f"control.{line}" for line in missing]
    elif missing:
        lines += ["", "[control]", *missing]
    result = "\n".join(lines) + "\n"
    try:
        control = parse(result, name).control
        done = all(getattr(control, key) == value for key, value in settings.items())
    except ConfigError:
        done = False
    if not done:
        wanted = "\n".join(f"{key} = {value}" for key, value in values.items())
        raise ValueError(f"{name} cannot be changed by itself. Write into [control]:\n{wanted}")
    return result
