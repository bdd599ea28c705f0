"""A replay beside what else could have been: the plain rule, thresholds that follow the prices, and hindsight."""

from __future__ import annotations

import time
from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator, MutableSequence, Sequence
from datetime import UTC, date, datetime, tzinfo
from itertools import pairwise
from typing import Any, NamedTuple

from surpluscharge.clock import zone as zone_of
from surpluscharge.config import Config
from surpluscharge.control import slots
from surpluscharge.control.ahead import nothing, remember
from surpluscharge.control.ahead import thresholds as ahead_thresholds
from surpluscharge.control.machine import (
    ARMING,
    C_ENERGY_CAP,
    C_STARTED,
    C_TIME_CAP,
    CHARGING,
    DAY_S,
    HOUR_S,
    IDLE,
    MODE_NAMES,
    Params,
    wants_on,
)
from surpluscharge.control.rule import OPEN, SCARCE_S, Band, Way
from surpluscharge.control.wishes import Need
from surpluscharge.history.readings import sides
from surpluscharge.planning import compiling, hindsight, needs, netted, replay
from surpluscharge.planning.compiling import buffer, fast
from surpluscharge.planning.replay import Days, Move, Rates, Series, Sums, charging
from surpluscharge.words import counted, duration, number, watts

ASSUMPTIONS = (
    "Assumed: charging enabled throughout, the car always there and never full, its draw always the same, the relay "
    "obeying at once, no fault and no rest; a session re-armed by hand counts as re-armed each day."
)

OF_NEEDS = (
    "The plan knew no more than the daemon would have: the days before, and prices from 13:00 of the day before on. It "
    "thinks again each half hour, the daemon each five minutes, and with a forecast where there is one. Cost is what "
    "was paid, and what was not sold. The best possible keeps the minimum times, but no cap, no budget of starts and "
    "no half hour to spare; what comes in beyond a need has its worth there, and so in what others cost above it."
)

LEAST_KNOWN_S = 6 * 3600.0  # a day of which less is known is none: half a night at either end, or a day full of gaps
CAPS = C_TIME_CAP, C_ENERGY_CAP
APART = 1.001  # the plan of hindsight and what nothing can exceed are both shown where they differ by more
MINUTES_S = 55.0  # readings as far apart, or means over as long, leave out what a cloud does meanwhile


class ThresholdSeries(NamedTuple):
    """One pair for all readings, or one for each."""

    start_w: array[float]
    stop_w: array[float]
    steered: bool = False  # where the bill nets, the energy of the interval decides in their place


class Study(NamedTuple):
    """Readings, and all that follows from them and the configuration alone."""

    config: Config
    readings: Series
    zone: tzinfo | None
    days: Days
    params: Params
    draw_w: float
    currency: str | None  # None: no prices are configured
    prices: Rates | None
    sums: Sums
    known_s: array[float]  # of each charging day
    source: str = "readings"  # where they come from, for people
    book: slots.Book = ()  # prices that moved
    dues: tuple[Need, ...] = ()  # what was needed by when
    registers: netted.Registers | None = None  # None: the bill does not net

    @property
    def counted(self) -> list[int]:
        """Return the days that count as days: those that are known well enough; if there is none, all known."""
        known = [day for day, known_s in enumerate(self.known_s) if known_s >= LEAST_KNOWN_S]
        return known or [day for day, known_s in enumerate(self.known_s) if known_s > 0.0]

    def date(self, day: int) -> date:
        """Return the date on which a charging day begins."""
        return date.fromordinal(self.days.first + day)

    @property
    def cap_s(self) -> float:
        """The most charging time of a day."""
        return min(self.params.time_cap_s, self.params.energy_cap_wh * 3600.0 / self.draw_w)

    @property
    def steers(self) -> bool:
        """Whether what follows the prices is steered by the energy of an interval."""
        return self.registers is not None and self.config.may_steer

    def moment(self, at_s: float) -> datetime:
        """Return a time as the site's clocks show it."""
        return datetime.fromtimestamp(at_s, UTC).astimezone(self.zone)


def configured_fresh_s(config: Config) -> float:
    """Return how long the daemon would rely on a reading: as long as on its most short-lived part."""
    return min(source.fresh_s for source in config.meter)


def configured_limit_w(config: Config) -> float:
    """Return the most that grid power can be: what is believed of all meters together."""
    return sum(source.limit_w for source in config.meter)


def study(
    config: Config,
    readings: Series,
    draw_w: float | None = None,
    source: str = "readings",
    book: slots.Book = (),
) -> Study:
    """Prepare a replay, with a draw other than the configured one if it is known better.

    ``book``: import prices that moved; where there is none, those of the configuration hold.
    """
    draw_w = draw_w or config.draw_w
    zone, tariffs = zone_of(config.site.time_zone), config.tariffs()
    # Of the first day the night before is not there: nobody could have charged in it.
    dues = needs.dues(config, readings.at_s[0] + DAY_S, readings.end_s, zone) if config.planned.allow else ()
    priced = slots.Moving(tariffs, book, others=_others(book, dues, draw_w)) if tariffs and book else tariffs
    prices = replay.rates(priced, readings.at_s[0], readings.end_s, zone) if priced else None
    nothing = array("d", [0.0])
    days = replay.charging_days(readings, zone, config.rearm_at)
    sums = replay.sums(readings, draw_w, prices or Rates(nothing, nothing, nothing, nothing, (None,)))
    known_s, before_s = array("d"), 0.0
    for end_s in [*days.ends_s, readings.end_s]:
        until_s = _known_s(readings, sums, draw_w, end_s, bisect_right(readings.at_s, end_s) - 1)
        known_s.append(until_s - before_s)
        before_s = until_s
    return Study(
        config,
        readings,
        zone,
        days,
        config.settings().params,
        draw_w,
        tariffs.currency if tariffs else None,
        prices,
        sums,
        known_s,
        source,
        book,
        dues,
        netted.registers(priced, prices, readings, days, zone) if priced and prices and priced.nets else None,
    )


def _others(book: slots.Book, dues: Sequence[Need], draw_w: float) -> list[slots.Other]:
    """Return what a kWh would cost otherwise until each need: that need, all of it bought, where it is cheapest."""
    begins_s = [due.by_s for due in dues[:-1]]
    found = []
    for begin_s, due in zip([*(due.by_s - DAY_S for due in dues[:1]), *begins_s], dues, strict=True):
        price = slots.cheapest(book, begin_s, due.by_s, due.wh, draw_w)
        found += [] if price is None else [slots.Other(begin_s, due.by_s, price)]
    return found


def _known_s(readings: Series, sums: Sums, draw_w: float, now_s: float, held: int) -> float:
    """Return how much of the time until a moment is known: for so long the charger of the sums has run."""
    parts = (replay.total_at(now_s, held, readings.at_s, readings.hold_s, total) for total in sums[:2])
    return 3600.0 * sum(parts) / draw_w


def fixed(band: Band) -> ThresholdSeries:
    """Return thresholds that stay as they are."""
    return ThresholdSeries(array("d", [band.start_export_w]), array("d", [band.stop_import_w]))


def plain(case: Study) -> ThresholdSeries:
    """Return the thresholds as configured; where they follow the prices, the defaults."""
    return fixed(case.config.rule(None).fixed)


def following_prices(case: Study) -> ThresholdSeries | None:
    """Return the thresholds that ``"auto"`` means, from reading to reading; None without prices.

    The daemon changes them at the moment the prices change, a replay at the next reading. Where the bill nets, the
    energy of the interval decides in their place.
    """
    found = _by_prices(case)
    return found and found._replace(steered=case.steers)


def _by_prices(case: Study) -> ThresholdSeries | None:
    if case.prices is None:
        return None
    at_s, rule = case.readings.at_s, case.config.rule(None)._replace(way=Way.PRICES)
    pairs = [rule._replace(prices=prices).band(case.draw_w) for prices in case.prices.prices]
    if len(set(pairs)) == 1:
        return fixed(pairs[0])
    result = ThresholdSeries(array("d"), array("d"))
    edges = [*(bisect_right(at_s, since_s - 1e-6) for since_s in case.prices.from_s), len(at_s)]
    for (start_w, stop_w), begin, end in zip(pairs, edges[:-1], edges[1:], strict=True):
        result.start_w.extend(array("d", [start_w]) * (end - begin))
        result.stop_w.extend(array("d", [stop_w]) * (end - begin))
    return result


def looking_ahead(case: Study) -> ThresholdSeries | None:
    """Return the thresholds that ``"ahead"`` means, from reading to reading; None without prices, and where the bill
    nets: there it is the same as ``"auto"``.

    The daemon leaves out the seconds after a switching, in which plug and meter disagree; here they never do.
    """
    if case.prices is None or case.steers:
        return None
    at_s, surplus_w = case.readings.at_s, case.readings.surplus_w
    from_w = array("d", bytes(8 * len(at_s)))
    edges = [*(bisect_right(at_s, since_s - 1e-6) for since_s in case.prices.from_s), len(at_s)]
    rule = case.config.rule(None)._replace(way=Way.AHEAD)
    for prices, begin, end in zip(case.prices.prices, edges[:-1], edges[1:], strict=True):
        # Where no tariff is valid, the daemon falls back to the defaults; here it waits.
        point_w = rule._replace(prices=prices).pays_from_w(case.draw_w)
        from_w[begin:end] = array("d", [point_w]) * (end - begin)
    result = ThresholdSeries(array("d", bytes(8 * len(at_s))), array("d", bytes(8 * len(at_s))))
    times = case.params.min_on_s, case.params.min_off_s
    # Each with the prices of its time; see Rule.rationed.
    few = _by_prices(case) if rule.cap_s < SCARCE_S and not rule.sun_share else fixed(OPEN)
    assert few is not None  # there are prices
    series = at_s, surplus_w, from_w, few.start_w, few.stop_w
    fast(_look_ahead)(*map(buffer, series), case.draw_w, *times, rule.pace, *map(buffer, result[:2]))
    return result


def _look_ahead(
    at_s: Sequence[float],
    surplus_w: Sequence[float],
    from_w: Sequence[float],
    least_w: Sequence[float],
    most_w: Sequence[float],
    draw_w: float,
    min_on_s: float,
    min_off_s: float,
    pace: float,
    start_w: MutableSequence[float],
    stop_w: MutableSequence[float],
) -> None:
    memory = nothing(pace)
    each = 0 if len(least_w) == 1 else 1
    for k in range(len(at_s)):
        memory = remember(memory, at_s[k], surplus_w[k] / draw_w)
        pair = ahead_thresholds(memory, draw_w, from_w[k], min_on_s, min_off_s)
        start_w[k] = max(pair[0], least_w[k * each])
        stop_w[k] = min(pair[1], most_w[k * each])


def configured(case: Study) -> ThresholdSeries:
    """Return the thresholds that the daemon would use."""
    if case.config.way is Way.AHEAD and not case.steers:
        return looking_ahead(case) or plain(case)
    return (following_prices(case) if case.config.way.follows_prices else None) or plain(case)


def with_delays(case: Study, follow: bool) -> Params:
    """Return the parameters with the delays of thresholds that follow the prices, or of fixed ones."""
    start_delay_s, stop_delay_s = case.config.delays(follow)
    return case.params._replace(start_delay_s=start_delay_s, stop_delay_s=stop_delay_s)


# --- what came of it -------------------------------------------------------------------------------------------------


class Outcome(NamedTuple):
    """What one rule did. The arrays have an element for each charging day."""

    solar_wh: array[float]
    grid_wh: array[float]
    gain: array[float]
    starts: array[float]
    moves: list[Move]

    @property
    def totals(self) -> dict[str, float]:
        """Return energies, value and starts over all."""
        return {
            "solar_kwh": round(sum(self.solar_wh) / 1000.0, 3),
            "grid_kwh": round(sum(self.grid_wh) / 1000.0, 3),
            "value": round(sum(self.gain), 4),
            "starts": round(sum(self.starts)),
        }


def outcome(case: Study, moves: list[Move]) -> Outcome:
    """Add up what the moves led to, in money as the bill counts it."""
    if case.registers and case.prices:
        found = netted.outcome(moves, case.readings, case.days, case.sums, case.prices, case.registers)
        return Outcome(*found, moves)
    count = len(case.days.ends_s) + 1
    by_day = [array("d", bytes(8 * count)) for _ in case.sums]
    for total, sums in zip(case.sums, by_day, strict=True):
        starts = array("d", bytes(8 * count))
        readings = case.readings
        replay.book(moves, readings.at_s, readings.hold_s, total, readings.end_s, case.days.ends_s, sums, starts)
    solar_wh, grid_wh, gain = by_day
    return Outcome(solar_wh, grid_wh, gain, starts, moves)


def run(case: Study, thresholds: ThresholdSeries, params: Params | None = None) -> Outcome:
    """Replay with these thresholds."""
    return outcome(case, moves_with(case, thresholds, params or case.params))


def moves_with(case: Study, thresholds: ThresholdSeries, params: Params) -> list[Move]:
    """Return what the machine does with these thresholds."""
    given = params, case.readings, case.days, case.draw_w, thresholds.start_w, thresholds.stop_w
    if thresholds.steered and case.registers and case.prices:
        return netted.moves(*given, case.prices, case.registers)
    return replay.moves(*given)


def best(case: Study) -> tuple[hindsight.Hindsight, Outcome]:
    """Return the best possible under the minimum times, the day's cap and the day's starts, and what it would do."""
    params = case.params
    if case.registers and case.prices:
        given = case.readings, case.days, case.sums, case.prices, case.registers
        bound = netted.best(*given, case.draw_w, case.cap_s)
        done = of_runs(case, bound.runs)
        return bound._replace(gain=sum(done.gain)), done
    found = hindsight.best_within(
        case.readings, case.sums.gain, params.min_on_s, params.min_off_s, case.days, case.cap_s, params.starts_per_day
    )
    return found, of_runs(case, found.runs)


def of_runs(case: Study, runs: hindsight.Runs) -> Outcome:
    """Add up what a plan would do."""
    moves = [Move(case.readings.at_s[0], IDLE, 0, C_STARTED)]  # no row of the table moves a plan
    for run_s in runs:
        for at_s, mode in zip(run_s, (CHARGING, IDLE), strict=True):
            moves.append(Move(at_s, mode, bisect_right(case.readings.at_s, at_s) - 1, C_STARTED))
    return outcome(case, moves)


class Supply(NamedTuple):
    """What one way of seeing to the needs did. Costs in the tariffs' currency: what was paid, and what was not sold."""

    done: Outcome
    planned_kwh: float  # bought by plan
    cost: float
    met: int
    missing_kwh: float


def supplies(case: Study) -> dict[str, Supply]:
    """Return what the plan would have done for what was needed, what people do otherwise, and the best possible.

    Empty where nothing is needed, or there are no prices.
    """
    if not case.dues or case.prices is None:
        return {}
    readings, draw_w, params = case.readings, case.draw_w, case.params
    free = case.prices._replace(alternative_price=array("d", bytes(8 * len(case.prices.from_s))))
    costs = replay.sums(readings, draw_w, free).gain
    allowances = replay.charging_days(readings, case.zone, case.config.planned_from)

    def of(done: Outcome, planned: hindsight.Runs, came_wh: Sequence[float]) -> Supply:
        bought_wh = sum(of_runs(case, planned).grid_wh)
        cost = -sum(hindsight.between(readings, costs, *run_s) for run_s in charging(done.moves, readings.end_s))
        lacks_wh = [max(0.0, due.wh - came) for due, came in zip(case.dues, came_wh, strict=True)]
        missing_kwh = sum(lacking for lacking in lacks_wh if lacking > needs.MET_WH) / 1000.0
        return Supply(done, bought_wh / 1000.0, cost, sum(lacking <= needs.MET_WH for lacking in lacks_wh), missing_kwh)

    by_plan = needs.ByPlan(case.config, readings, case.zone, draw_w, params, case.dues, case.book)
    ways: dict[str, tuple[needs.Decide, needs.Hear | None]] = {
        "plan": (by_plan, by_plan.hear),
        "from_23": (needs.from_eleven(case.dues, case.zone, draw_w), None),
        "sun_only": (needs.by_sun(*case.config.rule(None).fixed), None),
    }
    found = {}
    for name, (decide, hear) in ways.items():
        done = needs.follow(params, readings, case.days, allowances, draw_w, case.dues, decide, hear)
        found[name] = of(outcome(case, done.moves), done.planned, done.came_wh)
    ideal = needs.best(readings, case.sums.gain, params.min_on_s, params.min_off_s, draw_w, case.dues)
    edges_s = [readings.at_s[0], *(due.by_s for due in case.dues)]
    came_wh = [
        sum(
            hindsight.between(readings, total, *cut)
            for total in case.sums[:2]
            for cut in needs.within(ideal.runs, *ends)
        )
        for ends in pairwise(edges_s)
    ]
    found["best"] = of(of_runs(case, ideal.runs), [], came_wh)
    return found


class Comparison(NamedTuple):
    case: Study
    replayed: Outcome
    plain: Outcome
    auto: Outcome | None
    ahead: Outcome | None
    hindsight: hindsight.Hindsight | None  # None: no prices, so nothing to be best at
    ideal: Outcome | None
    seconds: float  # that the replay took, without compiling
    supplies: dict[str, Supply]  # what was needed, and how it was seen to


def compare(case: Study, progress: Callable[[float], None] = lambda _: None) -> Comparison:
    """Replay as configured, and beside it; ``progress`` is told the share done."""
    chosen, simple, auto, ahead = configured(case), plain(case), following_prices(case), looking_ahead(case)
    if compiling.available():
        first = case.readings._replace(
            at_s=case.readings.at_s[:2], surplus_w=case.readings.surplus_w[:2], hold_s=case.readings.hold_s[:2]
        )
        replay.moves(case.params, first, case.days, case.draw_w, *(array("d", [row[0]]) for row in chosen[:2]))
        if chosen.steered:
            moves_with(case, chosen, case.params)
    progress(0.2)
    began_s = time.perf_counter()
    moves = moves_with(case, chosen, case.params)
    seconds = time.perf_counter() - began_s
    replayed = outcome(case, moves)
    progress(0.4)
    following = with_delays(case, True)
    plainly = replayed if simple == chosen else run(case, simple, with_delays(case, False))
    by_price = None if auto is None else replayed if auto == chosen else run(case, auto, following)
    foreseen = None if ahead is None else replayed if ahead == chosen else run(case, ahead, following)
    progress(0.6)
    found, ideal = best(case) if case.prices else (None, None)
    progress(0.7)
    seen_to = supplies(case)
    progress(1.0)
    return Comparison(case, replayed, plainly, by_price, foreseen, found, ideal, seconds, seen_to)


def share(part: float, whole: float) -> float | None:
    """Return the quotient; None where the whole is nothing."""
    return part / whole if whole > 0.0 else None


def seconds_in(case: Study, moves: list[Move]) -> dict[str, float]:
    """Return how long the machine was in each mode, as far as time is known: a gap is in none."""
    spent = dict.fromkeys(MODE_NAMES, 0.0)
    for move, seconds in _stays(case, moves):
        spent[MODE_NAMES[move.mode]] += seconds
    return spent


class Capped(NamedTuple):
    """What a session's cap did: how long nothing was charged because of it, and on which days."""

    seconds: float  # known ones
    days: list[int]


def capped(case: Study, moves: list[Move]) -> Capped:
    """Return what the cap did."""
    seconds, days = 0.0, set()
    for move, lasted_s in _stays(case, moves):
        if move.cause in CAPS:
            seconds += lasted_s
            days.add(bisect_right(case.days.ends_s, move.at_s))
    return Capped(seconds, sorted(days.intersection(case.counted)))


def cap_held(case: Study, moves: list[Move]) -> list[tuple[float, float]]:
    """Return from when to when a session's cap kept it off."""
    untils_s = [*(move.at_s for move in moves[1:]), case.readings.end_s]
    return [(move.at_s, until_s) for move, until_s in zip(moves, untils_s, strict=True) if move.cause in CAPS]


def budget_held(case: Study, moves: list[Move]) -> list[tuple[float, float]]:
    """Return from when to when it would have started, had not the starts of the hour or of the day been used up."""
    params, spans = case.params, []
    starts: list[float] = []
    on, off_s = False, case.readings.at_s[0]
    untils_s = [*(move.at_s for move in moves[1:]), case.readings.end_s]
    for (now_s, mode, *_), until_s in zip(moves, untils_s, strict=True):
        if wants_on(mode) and not on:
            starts.append(now_s)
        elif on and not wants_on(mode):
            off_s = now_s
        on = wants_on(mode)
        if mode == ARMING:
            ready_s = max(now_s + params.start_delay_s, off_s + params.min_off_s)
            budgets = ((params.starts_per_hour, HOUR_S), (params.starts_per_day, DAY_S))
            free_s = max((starts[-most] + span_s for most, span_s in budgets if len(starts) >= most), default=now_s)
            if ready_s < min(free_s, until_s):
                spans.append((ready_s, min(free_s, until_s)))
    return spans


def _stays(case: Study, moves: list[Move]) -> Iterator[tuple[Move, float]]:
    """Yield each move, and the known seconds in the mode that it led to."""
    readings, before_s = case.readings, 0.0
    ends = [*((move.at_s, move.held) for move in moves[1:]), (readings.end_s, len(readings.at_s) - 1)]
    for move, (until_s, held) in zip(moves, ends, strict=True):
        known_s = _known_s(readings, case.sums, case.draw_w, until_s, held)
        yield move, known_s - before_s
        before_s = known_s


def warnings(case: Study) -> list[str]:
    """Return why the readings should not be trusted as they are, for people."""
    found, every = [], duration(case.readings.spacing_s)
    if doubt := sides(case.readings.at_s, case.readings.surplus_w, case.zone).warning():
        found.append(doubt[0].upper() + doubt[1:] + ".")
    if case.readings.spacing_s >= MINUTES_S:
        what = (
            f"Most of the time is on record as means over {every}"
            if case.readings.means
            else f"A reading every {every}"
        )
        found.append(f"{what}: clouds are averaged away. Take what this says with care.")
    return found


def as_json(found: Comparison) -> dict[str, Any]:
    """Return the comparison as a document."""
    case, at_most = found.case, found.hindsight.at_most if found.hindsight else None
    priced = case.currency is not None

    def of(done: Outcome) -> dict[str, Any]:
        part = share(sum(done.gain), at_most) if at_most is not None else None
        return {
            **done.totals,
            "value": done.totals["value"] if priced else None,
            "share_of_hindsight": None if part is None else round(part, 4),
        }

    readings, by_cap = case.readings, capped(case, found.replayed.moves)
    spent = seconds_in(case, found.replayed.moves)
    return {
        **of(found.replayed),
        "hindsight_value": None if at_most is None else round(at_most, 4),
        "readings": readings.counts.readings,
        "spacing_s": round(readings.spacing_s, 3),
        "means": readings.means,
        "seconds": round(found.seconds, 4),
        "currency": case.currency,
        "begin": case.moment(readings.at_s[0]).isoformat(),
        "end": case.moment(readings.end_s).isoformat(),
        "days": len(case.counted),
        "known_s": round(sum(readings.hold_s), 1),
        "fresh_s": readings.fresh_s,
        "skipped": readings.counts._asdict(),
        "warnings": warnings(case),
        "compiled": compiling.available(),
        "seconds_in": {name: round(s, 1) for name, s in spent.items()},
        "locked_out_by_cap_s": round(by_cap.seconds, 1),
        "days_capped": len(by_cap.days),
        "auto_days_capped": len(capped(case, found.auto.moves).days) if found.auto else None,
        "plain": of(found.plain),
        "auto": of(found.auto) if found.auto else None,
        "ahead": of(found.ahead) if found.ahead else None,
        "hindsight": of(found.ideal) if found.ideal else None,
        "needs": needs_as_json(found),
        "by_day": [
            {
                "day": case.date(day).isoformat(),
                "known_s": round(case.known_s[day], 1),
                "solar_kwh": round(found.replayed.solar_wh[day] / 1000.0, 3),
                "grid_kwh": round(found.replayed.grid_wh[day] / 1000.0, 3),
                "value": round(found.replayed.gain[day], 4) if priced else None,
                "hindsight_value": round(found.ideal.gain[day], 4) if found.ideal else None,
                "hindsight_at_most": round(found.hindsight.by_day[day], 4) if found.hindsight else None,
                "starts": round(found.replayed.starts[day]),
            }
            for day in case.counted
        ],
    }


def needs_as_json(found: Comparison) -> dict[str, Any] | None:
    """Return how what was needed was seen to; None: nothing was, or there are no prices.

    ``above_best`` is what the best possible earns more: there what comes in beyond a need has its worth as well. None
    for a way that left more missing than had to be.
    """
    if not found.supplies:
        return None
    best = found.supplies["best"]

    def of(one: Supply) -> dict[str, Any]:
        more = sum(best.done.gain) - sum(one.done.gain)
        bought_kwh = sum(one.done.grid_wh) / 1000.0
        return {
            "met": one.met,
            "missing_kwh": round(one.missing_kwh, 3),
            "solar_kwh": one.done.totals["solar_kwh"],
            "beside_kwh": round(max(0.0, bought_kwh - one.planned_kwh), 3),
            "planned_kwh": round(one.planned_kwh, 3),
            "cost": round(one.cost, 4),
            "value": one.done.totals["value"],
            "above_best": round(more, 4) if one.missing_kwh <= best.missing_kwh + needs.MET_WH / 1000.0 else None,
            "starts": one.done.totals["starts"],
        }

    return {"due": len(found.case.dues), **{name: of(one) for name, one in found.supplies.items()}}


WAYS = {"plan": "by plan", "from_23": "from 23:00", "sun_only": "sun only", "best": "best possible"}  # for people


def _needs_as_text(found: Comparison, figures: dict[str, Any]) -> Iterator[str]:
    currency = found.case.currency
    yield f"What was needed: {counted(figures['due'], 'time')}, each counted anew."
    yield " " * 20 + "".join(f"{name:>18}" for name in WAYS.values())
    for title, key, digits in [
        ("needs met", "met", 0),
        ("missing, kWh", "missing_kwh", 1),
        ("from the sun, kWh", "solar_kwh", 1),
        ("bought beside, kWh", "beside_kwh", 1),
        ("bought by plan, kWh", "planned_kwh", 1),
        (f"cost, {currency}", "cost", 2),
        (f"above best, {currency}", "above_best", 2),
        ("starts", "starts", 0),
    ]:
        # The best possible knows no plan: all that it buys is bought.
        cells = [figures[way][key] for way in WAYS]
        yield f"{title:<20}" + "".join(f"{'-' if cell is None else number(cell, digits):>18}" for cell in cells)


def as_text(found: Comparison) -> str:
    """Return the comparison as a table for people."""
    case, document = found.case, as_json(found)
    columns = [("as configured", document), ("fixed thresholds", document["plain"])]
    columns += [(key, document[key]) for key in ("auto", "ahead", "hindsight") if document[key]]
    rows = [
        ("solar energy, kWh", "solar_kwh", 1),
        ("grid energy, kWh", "grid_kwh", 1),
        (f"value, {case.currency}", "value", 2),
        ("share of hindsight", "share_of_hindsight", 3),
        ("starts", "starts", 0),
    ]
    lines = [" " * 20 + "".join(f"{name:>18}" for name, _ in columns)]
    for title, key, digits in rows:
        cells = [number(column[key], digits) if column[key] is not None else "-" for _, column in columns]
        if key in ("solar_kwh", "grid_kwh", "starts") or case.currency:
            lines.append(f"{title:<20}" + "".join(f"{cell:>18}" for cell in cells))
    if document["needs"]:
        lines += ["", *_needs_as_text(found, document["needs"])]
    warned = [f"Warning: {warning}" for warning in document["warnings"]]
    return "\n".join([*lines, "", *warned, *notes(found)])


def notes(found: Comparison) -> list[str]:
    """Return what has to be known to read the figures rightly."""
    case, readings, document = found.case, found.case.readings, as_json(found)
    skipped = readings.counts.skipped()
    times = [f"{name} {duration(s)}" for name, s in document["seconds_in"].items() if s >= 1.0]
    if document["locked_out_by_cap_s"] >= 1.0:
        # The last of the modes is locked-out.
        times[-1] += f", of that {duration(document['locked_out_by_cap_s'])} by the session's {_cap(case)}"
    lines = [
        f"{counted(readings.counts.readings, 'reading')} on {period(case)}, known for {duration(document['known_s'])}; "
        "what is not known is not counted" + (f". Rows skipped: {skipped}" if skipped else "") + ".",
        f"Time as configured: {', '.join(times)}.",
        *_of_the_cap(found, document),
        f"Draw {watts(case.draw_w)}, minimum on {duration(case.params.min_on_s)}, "
        f"off {duration(case.params.min_off_s)}. Value is what charging so saved against the alternative price, "
        "sold surplus counted as lost.",
    ]
    fresh_s = configured_fresh_s(case.config)
    if readings.means and readings.spacing_s < MINUTES_S:
        lines.append(f"Most of the time is on record as means over {duration(readings.spacing_s)}.")
    if readings.fresh_s > fresh_s:
        lines.append(
            f"The readings come every {duration(readings.spacing_s)}, so each is held for up to "
            f"{duration(readings.fresh_s)} here; the daemon would rely on one for {duration(fresh_s)} only."
        )
    if case.prices is None:
        lines.append("Without prices there is no value and no hindsight: add a [money] table to the configuration.")
    elif None in case.prices.prices:
        lines.append("For a part of this time no tariff was valid yet; it counts as worth nothing.")
    if case.registers:
        lines.append(
            "Money is counted as the bill nets, and so are the energies: bought is what the bill has so. The best "
            "possible is that of each interval's energy, without minimum times: no rule can have more."
        )
    elif found.hindsight and found.hindsight.at_most > found.hindsight.gain * APART:
        lines.append(
            f"Hindsight under a day's cap is known within bounds: {found.hindsight.gain:.2f} can be had, and no more "
            f"than {found.hindsight.at_most:.2f}, against which the shares are taken."
        )
    if found.supplies:
        lines.append(OF_NEEDS)
        if case.registers:
            lines.append("What was needed is reckoned there as if the bill did not net, and charged by thresholds.")
    return [*lines, ASSUMPTIONS]


def period(case: Study) -> str:
    """Return how many days there are and which: 21 days, 2031-05-01 to 2031-05-21."""
    known = case.counted
    first, last = case.date(known[0]), case.date(known[-1])
    return f"1 day, {first}" if len(known) == 1 else f"{counted(len(known), 'day')}, {first} to {last}"


def _cap(case: Study) -> str:
    """Name the cap that a session meets first."""
    if case.params.time_cap_s <= case.cap_s:
        return f"time cap ({duration(case.params.time_cap_s)})"
    return f"energy cap ({case.params.energy_cap_wh / 1000.0:g} kWh)"


def _of_the_cap(found: Comparison, document: dict[str, Any]) -> Iterator[str]:
    configured_days, auto_days = document["days_capped"], document["auto_days_capped"] or 0
    if configured_days or auto_days:
        yield (
            f"The {_cap(found.case)} was reached on {configured_days} of {counted(document['days'], 'day')} as "
            "configured" + (f', and on {auto_days} with "auto"' if found.auto else "") + "."
        )
    if auto_days:
        yield (
            '"auto" does not ration capped hours, but spends them as soon as they pay at all: a longer cap (if the '
            "socket may) or a higher start threshold would earn more."
        )
