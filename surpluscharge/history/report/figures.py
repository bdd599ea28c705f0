"""What a stretch of local days came to: the figures, and the same as JSON.

They are made once (:func:`build`), from the ledger alone; the terminal, the JSON and the page show the same ones. They
are exact: rounding happens where a number is written down, and nowhere else. What is not known is None, and shows as
"?" or hatched, never as nought.
"""

from __future__ import annotations

import calendar
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from decimal import Decimal
from typing import Any, NamedTuple

from surpluscharge.control.economics import Priced, Prices, Tariffs
from surpluscharge.control.netting import Netting
from surpluscharge.control.rule import Band
from surpluscharge.control.supervisor import FAULTS
from surpluscharge.history.energy import (
    HOUR_MS,
    MWS_PER_KWH,
    MWS_PER_WH,
    NOTHING,
    QUARTER_HOUR_MS,
    Energy,
    Interval,
    Money,
    day_span,
    days,
    downsample,
    gaps,
    money,
    ms_of,
    time_of,
    total,
    total_money,
)
from surpluscharge.history.ledger import (
    ABSENT,
    LOCKED_S,
    LOST,
    Charge,
    DayTotal,
    Epoch,
    FaultSpan,
    Ledger,
    PlanAhead,
    RunAhead,
    Session,
    StateSpan,
)
from surpluscharge.history.report.needed import Need, need_of, together

MOST_DAYS_BY_DAY = 62  # a longer period is shown by the month
MOST_DAYS_BY_HOUR = 400  # and one that is longer still without its hours: too many sums for a small computer
CURVE_MS = 180_000  # one point of a day's curve
LEAST_MWS = MWS_PER_KWH // 200  # less is shown as 0.00 kWh, and not worth a line
SHORTEST_GAP_MS = 60_000  # what is missing for less is not listed; it counts as unknown all the same
PATCHY = 50  # where more than one part in so many of a time is not known, its picture and its bar say so
SHORTEST_PICTURE_MS = 6 * HOUR_MS  # of a day: fewer hours are not drawn
REPORT_VERSION = 2  # 1 had nought where nothing was known


class Household(NamedTuple):
    """What a report has to know of the configuration."""

    charger: str
    zone: tzinfo | None
    tariffs: Tariffs | None
    thresholds: Callable[[datetime], Band]  # at a moment
    batch_s: float = 300.0  # how often a running daemon writes what it has seen
    of_prices: Callable[[Prices | None], Band] | None = None  # thresholds, where prices moved; None: same
    thresholds_move: bool = False  # with the surplus of late: these are where nothing is known of it

    @property
    def held_back_ms(self) -> int:
        """How long the daemon may hold back what it has seen, with nothing amiss: until the next batch, or longer
        while an import has the ledger to itself."""
        return round(1000 * (self.batch_s + LOCKED_S))


# How a charge ended, as the state machine names it, in words.
ENDS = {
    "stopping": "the daemon was stopped",
    "disabled": "switched off by hand",
    "tripped": "a fault",
    "ended": "a fault, after the shortest time",
    "meter-silent": "the meter fell silent",
    "time-cap": "the session's time was used up",
    "energy-cap": "the session's energy was reached",
    "import-held": "the surplus was gone",
    LOST: "a crash; nobody saw its end",
}
FAULT_SENTENCES = {fault.code: fault.sentence for fault in FAULTS}


class ReportError(Exception):
    """There is no such report; the message says why and what to do."""


class Line(NamedTuple):
    """A day, a month of a longer period, or the whole period."""

    first: date
    last: date
    begin: datetime
    end: datetime  # not later than now: what is still to come is no gap
    energy: Energy
    gap_ms: int  # of the time so far, how much is not known
    money: Money | None
    unpriced_mws: int  # of the charger's energy, what no tariff was valid for; not in the money
    starts: int | None  # None: not known, because some of the charging has no charge on record
    unlisted_ms: int  # so much of it: it was imported
    cost_error: Decimal  # the cost may be off by so much, where the draw is learned or assumed; 0: measured
    saved_error: Decimal  # and the saving
    netted_mws: int = 0  # of what was imported for the charger, what the bill does not count so, because it nets
    register_ms: int = 0  # for so long only what energy registers counted is known


class Hour(NamedTuple):
    """An hour of the wall clock in a line; in a month, that hour of all its days together.

    The hour that comes twice as the clocks are put back counts as one, the hour that is left out is not there.
    """

    first: date
    hour: int
    length_ms: int
    energy: Energy


class SessionLine(NamedTuple):
    """A session with all of its charges, also where it began before the period or went on after it."""

    begin: datetime
    end: datetime | None  # None: it charges now
    charges: int
    energy: Energy
    money: Money | None
    ended: str  # how the last charge ended, in words


class ThresholdSpan(NamedTuple):
    begin_ms: int
    end_ms: int
    band: Band


class PriceSpan(NamedTuple):
    begin_ms: int
    end_ms: int
    import_price: Decimal


class Report(NamedTuple):
    """All that is shown of a period."""

    charger: str
    currency: str
    zone: tzinfo | None
    first: date
    last: date
    now: datetime
    by: str  # what a line is: "day" or "month"
    total: Line
    lines: tuple[Line, ...]
    hours: tuple[Hour, ...]  # empty where the period is too long for them
    sessions: tuple[SessionLine, ...]
    faults: tuple[FaultSpan, ...]
    # Of a single day only:
    curve: tuple[Interval, ...]
    states: tuple[StateSpan, ...]
    gaps: tuple[tuple[int, int], ...]
    thresholds: tuple[ThresholdSpan, ...]
    thresholds_move: bool = False
    netting: Netting = Netting.NONE  # by the bill, at the end of it
    needs: tuple[Need, ...] = ()  # that were due in it
    epochs: tuple[Epoch, ...] = ()  # that begin in it, or with it: what is before and after is not of one house
    # Of a single day only, and where there is anything of that kind:
    prices: tuple[PriceSpan, ...] = ()  # to the end of what is planned
    ahead: PlanAhead | None = None  # of today: what is planned from now on

    @property
    def single(self) -> bool:
        return self.first == self.last

    @property
    def priced(self) -> bool:
        return self.total.money is not None

    @property
    def planned(self) -> bool:
        """Whether anything was bought because a plan said so."""
        return self.total.energy.planned_mws > 0

    @property
    def runs(self) -> tuple[RunAhead, ...]:
        """What is to be charged from now on, as planned."""
        return self.ahead.runs if self.ahead else ()

    def bought(self, energy: Energy) -> list[int]:
        """Return what was bought: beside the sun, and by plan where there was any of that; or else all in one."""
        return [energy.bought_mws, energy.planned_mws] if self.planned else [energy.grid_mws]

    def besides(self, energy: Energy) -> list[int]:
        """Return what did not come from the sun: what was bought, and from the house's battery where it gave any."""
        return [*self.bought(energy), *([energy.battery_mws] if self.total.energy.battery_mws else [])]


def month_of(text: str) -> tuple[date, date]:
    """Return the first and last day of a month that is written ``2031-05``. Raises ValueError."""
    first = date.fromisoformat(f"{text}-01")
    return first, first.replace(day=calendar.monthrange(first.year, first.month)[1])


def build(ledger: Ledger, first: date, last: date, now: datetime, site: Household) -> Report:
    """Return the report of the local days from first to last, both included; ``now`` is aware.

    Raises ReportError where that is no period, or one that has not begun.
    """
    now = now.astimezone(site.zone)
    if first > last:
        raise ReportError(f"{first} is later than {last}: give the earlier day first")
    if first.year < 1970:
        raise ReportError(f"{first} is before 1970: choose a later day")
    if first > now.date():
        raise ReportError(f"{first} is still to come: choose a day up to today, {now.date()}")
    present = now
    with ledger.snapshot():
        # What has just happened waits for the next batch: no gap, only not here yet.
        bounds = ledger.bounds()
        written = time_of(bounds[1], site.zone) if bounds and 0 < ms_of(now) - bounds[1] <= site.held_back_ms else now
        now = written if written.date() == now.date() else now
        known = {each.day: each for each in ledger.day_totals(first, last, site.zone, site.tariffs)}
        span = (day_span(first, site.zone)[0], day_span(min(last, now.date()), site.zone)[1])
        priced = ledger.in_force(site.tariffs, *span)
        by_day = [_day_line(day, known.get(day), now, site, priced) for day in days(first, min(last, now.date()))]
        begin_ms, end_ms = ms_of(by_day[0].begin), ms_of(by_day[-1].end)
        by = "day" if len(by_day) <= MOST_DAYS_BY_DAY else "month"
        lines = by_day if by == "day" else list(_months(by_day))
        report = Report(
            charger=site.charger,
            currency=site.tariffs.currency if site.tariffs else "",
            zone=site.zone,
            first=first,
            last=last,
            now=now,
            by=by,
            total=_sum(by_day),
            lines=tuple(lines),
            hours=tuple(_hours(ledger, lines, site.zone)) if len(by_day) <= MOST_DAYS_BY_HOUR else (),
            sessions=tuple(_session_line(ledger, session, site) for session in ledger.sessions(begin_ms, end_ms)),
            faults=tuple(ledger.faults(begin_ms, end_ms)),
            curve=(),
            states=(),
            gaps=(),
            thresholds=(),
            netting=site.tariffs.netting_at(by_day[-1].begin) if site.tariffs else Netting.NONE,
            needs=tuple(need_of(ledger, due, site.tariffs, site.zone) for due in ledger.dues(begin_ms, end_ms)),
            epochs=tuple(ledger.epochs(begin_ms, end_ms)),
        )
        if first < last:
            return report
        ahead = _ahead(ledger, present) if first == now.date() else None
        intervals = list(ledger.intervals(begin_ms, end_ms))
        return report._replace(
            curve=tuple(downsample(ledger.intervals(begin_ms, end_ms, measured=True), CURVE_MS)),
            states=tuple(ledger.states(begin_ms, end_ms)),
            gaps=tuple(gaps(intervals, begin_ms, end_ms, SHORTEST_GAP_MS)),
            thresholds=tuple(_threshold_spans(report.total, site, priced)),
            thresholds_move=site.thresholds_move,
            prices=tuple(_price_spans(ledger, report, ahead, site)),
            ahead=ahead,
        )


def _ahead(ledger: Ledger, now: datetime) -> PlanAhead | None:
    """Return what is planned from now on, as far as the daemon runs and has written it."""
    plan, now_ms = ledger.plan(), ms_of(now)
    states = ledger.states(now_ms - 1, now_ms)
    if plan is None or not plan.text or not states or states[-1].state == ABSENT:
        return None
    return plan._replace(runs=tuple(run for run in plan.runs if run.end_s > now.timestamp()))


def _price_spans(ledger: Ledger, report: Report, ahead: PlanAhead | None, site: Household) -> Iterator[PriceSpan]:
    """Yield the import prices of a day, and of the time for which a plan is made, where they move and it matters."""
    begin, end = day_span(report.first, site.zone)
    for run in ahead.runs if ahead else ():
        end = max(end, time_of(round(run.end_s * 1000), site.zone), key=ms_of)
    priced = ledger.in_force(site.tariffs, begin, end)
    matters = priced is not site.tariffs or report.needs or report.planned or ahead
    if priced is None or not matters:
        return
    spans = [
        PriceSpan(ms_of(since), ms_of(until), prices.import_price)
        for since, until, prices in priced.spans(begin, end)
        if prices is not None
    ]
    if len({span.import_price for span in spans}) > 1:
        yield from spans


def _day_line(day: date, known: DayTotal | None, now: datetime, site: Household, priced: Priced | None) -> Line:
    begin, end = (when.astimezone(site.zone) for when in day_span(day, site.zone))
    end = min(end, now, key=ms_of)
    length_ms = ms_of(end) - ms_of(begin)
    if known is None:
        return Line(day, day, begin, end, NOTHING, length_ms, None, 0, 0, 0, Decimal(0), Decimal(0))
    account = known.account
    unlisted_ms = known.unlisted_ms if known.unlisted_ms >= SHORTEST_GAP_MS else 0
    return Line(
        day,
        day,
        begin,
        end,
        account.energy,
        max(0, length_ms - account.energy.known_ms),
        account.money,
        account.unpriced_mws,
        None if unlisted_ms else known.starts,
        unlisted_ms,
        *_money_errors(account.energy.error_mws, begin, end, priced),
        account.netted_mws,
        known.register_ms,
    )


def _money_errors(error_mws: int, begin: datetime, end: datetime, priced: Priced | None) -> tuple[Decimal, Decimal]:
    """Return by how much cost and saving may be off: at the price of the time at which it would matter most."""
    prices: set[Prices] = set()
    if error_mws and priced:
        prices = {each for _, _, each in priced.spans(begin, end) if each is not None}
    cost = max((max(abs(each.import_price), abs(each.export_price)) for each in prices), default=Decimal(0))
    saved = max(
        (abs(each.alternative_price - price) for each in prices for price in (each.import_price, each.export_price)),
        default=Decimal(0),
    )
    return error_mws * cost / MWS_PER_KWH, error_mws * saved / MWS_PER_KWH


def _sum(lines: Sequence[Line]) -> Line:
    cost = total_money(line.money for line in lines)
    starts = [line.starts for line in lines]
    return Line(
        lines[0].first,
        lines[-1].last,
        lines[0].begin,
        lines[-1].end,
        total(line.energy for line in lines),
        sum(line.gap_ms for line in lines),
        cost,
        sum(line.unpriced_mws for line in lines),
        None if None in starts else sum(each for each in starts if each is not None),
        sum(line.unlisted_ms for line in lines),
        sum((line.cost_error for line in lines), Decimal(0)),
        sum((line.saved_error for line in lines), Decimal(0)),
        sum(line.netted_mws for line in lines),
        sum(line.register_ms for line in lines),
    )


def _months(by_day: Sequence[Line]) -> Iterator[Line]:
    """Sum days up by the month, without the empty ones before the first of which something is known."""
    groups: dict[tuple[int, int], list[Line]] = {}
    for line in by_day:
        groups.setdefault((line.first.year, line.first.month), []).append(line)
    begun = False
    for group in groups.values():
        month = _sum(group)
        begun = begun or month.energy.known_ms > 0
        if begun:
            yield month


def _hours(ledger: Ledger, lines: Sequence[Line], zone: tzinfo | None) -> Iterator[Hour]:
    for line in lines:
        found: dict[int, Hour] = {}
        begin, until = line.begin, ms_of(line.end)
        while ms_of(begin) < until:
            # Onwards in UTC to where the wall clock's hour is over; a zone's clock change may be half an hour too.
            left = timedelta(hours=1) - timedelta(
                minutes=begin.minute, seconds=begin.second, microseconds=begin.microsecond
            )
            end = (begin.astimezone(UTC) + left).astimezone(zone)
            begin_ms, end_ms = ms_of(begin), min(ms_of(end), until)
            before = found.get(begin.hour, Hour(line.first, begin.hour, 0, NOTHING))
            found[begin.hour] = before._replace(
                length_ms=before.length_ms + end_ms - begin_ms,
                energy=before.energy.plus(ledger.energy(begin_ms, end_ms)),
            )
            begin = end
        yield from (found[hour] for hour in sorted(found))


def _session_line(ledger: Ledger, session: Session, site: Household) -> SessionLine:
    cost: Money | None = None
    for charge in session.charges:
        spent = _charge_money(ledger, charge, site)
        if spent is not None:
            cost = spent if cost is None else cost.plus(spent)
    last = session.charges[-1]
    return SessionLine(
        time_of(session.begin_ms, site.zone),
        time_of(last.end_ms, site.zone) if last.end_ms is not None else None,
        len(session.charges),
        session.energy,
        cost,
        ENDS.get(last.cause or "", last.cause or "still charging") if last.end_ms is not None else "still charging",
    )


def _charge_money(ledger: Ledger, charge: Charge, site: Household) -> Money | None:
    """Return what a charge cost.

    Its own energy is the truth, to the millisecond. Only where prices change during it are intervals asked for its
    parts, and since old ones are sums over minutes, what they miss at its edges goes to the largest part. Where the
    bill nets, it has its part of what the intervals cost in which it ran.
    """
    end_ms = charge.end_ms
    if end_ms is None:
        bounds = ledger.bounds()
        end_ms = bounds[1] if bounds else charge.begin_ms
    begin, end = time_of(charge.begin_ms, site.zone), time_of(max(end_ms, charge.begin_ms + 1), site.zone)
    if site.tariffs is not None and site.tariffs.nets:
        return ledger.account(begin, end, site.tariffs).money
    priced = ledger.in_force(site.tariffs, begin, end)
    if priced is None:
        return None
    spans = list(priced.spans(begin, end))
    if len(spans) == 1:
        parts = [charge.energy]
    else:
        parts = [ledger.energy(ms_of(since), ms_of(until)) for since, until, _ in spans]
        largest = max(range(len(parts)), key=lambda index: parts[index].charger_mws)
        known = total(parts)
        parts[largest] = Energy(*(p + c - k for p, c, k in zip(parts[largest], charge.energy, known, strict=True)))
    cost: Money | None = None
    for (_, _, prices), energy in zip(spans, parts, strict=True):
        if prices is not None:
            spent = money(energy, prices)
            cost = spent if cost is None else cost.plus(spent)
    return cost


def _threshold_spans(line: Line, site: Household, priced: Priced | None) -> Iterator[ThresholdSpan]:
    spans = priced.spans(line.begin, line.end) if priced else iter([(line.begin, line.end, None)])
    moved = site.of_prices if priced is not site.tariffs else None
    pending: ThresholdSpan | None = None
    for begin, end, prices in spans:
        band = moved(prices) if moved else site.thresholds(begin)
        if pending and pending.band == band:
            pending = pending._replace(end_ms=ms_of(end))
            continue
        if pending:
            yield pending
        pending = ThresholdSpan(ms_of(begin), ms_of(end), band)
    if pending:
        yield pending


def patchy(gap_ms: int, length_ms: int) -> bool:
    """Return whether so much of a time is not known that it shows: a minute of a day does not."""
    return gap_ms > max(SHORTEST_GAP_MS, length_ms // PATCHY)


def worth_a_line(hour: Hour) -> bool:
    """Return whether there is anything to say of an hour."""
    flowed = hour.energy.surplus_mws + hour.energy.charger_mws >= LEAST_MWS
    return flowed or patchy(hour.length_ms - hour.energy.known_ms, hour.length_ms)


def busy_span(report: Report) -> tuple[int, int]:
    """Return from when to when, in whole hours, there is anything to see on a report's one day; all of it, if nowhere.

    A fault counts as it comes and as it goes: one that stays makes no night worth looking at.
    """
    begin_ms, end_ms = (ms_of(when) for when in day_span(report.first, report.zone))
    hours = {hour.hour for hour in report.hours if worth_a_line(hour)}
    slots = range(begin_ms, end_ms, QUARTER_HOUR_MS)  # a clock may change by less than an hour
    busy = [at_ms for at_ms in slots if time_of(at_ms, report.zone).hour in hours]
    moments = [at_ms for fault in report.faults for at_ms in (fault.begin_ms, fault.end_ms) if at_ms is not None]
    moments += [need.due.by_ms for need in report.needs]
    moments += [round(run.begin_s * 1000) for run in report.runs]
    busy += [at_ms // QUARTER_HOUR_MS * QUARTER_HOUR_MS for at_ms in moments if begin_ms <= at_ms < end_ms]
    first_ms, last_ms = cropped(busy, begin_ms, end_ms, report.zone)
    ends_ms = [round(run.end_s * 1000) for run in report.runs]
    if max(ends_ms, default=0) > last_ms:  # tonight's plan belongs to the picture, though it is of tomorrow
        last_ms = -(-max(ends_ms) // HOUR_MS) * HOUR_MS
    return first_ms, last_ms


def cropped(busy: Sequence[int], begin_ms: int, end_ms: int, zone: tzinfo | None) -> tuple[int, int]:
    """Return the whole hours of a day around those of its quarters of an hour (their begins) that are worth a look."""
    if not busy:
        return begin_ms, end_ms
    first_ms, last_ms = min(busy), max(busy) + QUARTER_HOUR_MS
    while last_ms - first_ms < SHORTEST_PICTURE_MS or time_of(first_ms, zone).minute:
        if first_ms <= begin_ms:
            break
        first_ms -= QUARTER_HOUR_MS
    while last_ms - first_ms < SHORTEST_PICTURE_MS or time_of(last_ms, zone).minute:
        if last_ms >= end_ms:
            break
        last_ms += QUARTER_HOUR_MS
    return first_ms, last_ms


# --- JSON ------------------------------------------------------------------------------------------------------------


def as_json(report: Report) -> dict[str, Any]:
    """Return the report as plain values: energies in Wh, times in RFC 3339, money as text, because it is exact.

    What is not known is null: energies of which there is no reading at all, and starts where some of the charging was
    imported. Keys are interface: more may come, none changes its meaning under the same ``report_version``.
    """

    def when(at_ms: int | None) -> str | None:
        return None if at_ms is None else time_of(at_ms, report.zone).isoformat()

    def watts(value: float) -> float | None:
        return value if abs(value) != float("inf") else None

    return {
        "report_version": REPORT_VERSION,
        "charger": report.charger,
        "currency": report.currency or None,
        "first": report.first.isoformat(),
        "last": report.last.isoformat(),
        "made_at": report.now.isoformat(),
        "by": report.by,
        "total": _line_json(report.total),
        "lines": [_line_json(line) for line in report.lines],
        "hours": [
            {
                "first": hour.first.isoformat(),
                "hour": hour.hour,
                "length_s": hour.length_ms / 1000,
                **_energy_json(hour.energy),
            }
            for hour in report.hours
        ],
        "sessions": [
            {
                "begin": session.begin.isoformat(),
                "end": session.end.isoformat() if session.end else None,
                "charges": session.charges,
                "ended": session.ended,
                **_energy_json(session.energy),
                "money": _money_json(session.money),
            }
            for session in report.sessions
        ],
        "faults": [
            {
                "code": fault.code,
                "begin": when(fault.begin_ms),
                "end": when(fault.end_ms),
                "acknowledged": when(fault.acknowledged_ms),
            }
            for fault in report.faults
        ],
        "changes": [{"what": epoch.what, "begin": when(epoch.begin_ms), "note": epoch.note} for epoch in report.epochs],
        "states": [
            {"begin": when(each.begin_ms), "end": when(each.end_ms), "state": each.state, "cause": each.cause}
            for each in report.states
        ],
        "gaps": [{"begin": when(begin_ms), "end": when(end_ms)} for begin_ms, end_ms in report.gaps],
        "thresholds": [
            {
                "begin": when(each.begin_ms),
                "end": when(each.end_ms),
                "start_export_w": watts(each.band.start_export_w),
                "stop_import_w": watts(each.band.stop_import_w),
            }
            for each in report.thresholds
        ],
        "needs": [_need_json(need) for need in report.needs],
        "needs_in_all": _compared_json(report),
        "prices": [
            {
                "begin": when(each.begin_ms),
                "end": when(each.end_ms),
                "import_price": format(each.import_price, "f"),
            }
            for each in report.prices
        ],
        "plan": None
        if report.ahead is None
        else {
            "made_at": when(round(report.ahead.made_s * 1000)),
            "text": report.ahead.text,
            "runs": [
                {
                    "begin": when(round(run.begin_s * 1000)),
                    "end": when(round(run.end_s * 1000)),
                    "energy_wh": round(run.wh, 1),
                    "sure": run.sure,
                }
                for run in report.ahead.runs
            ],
        },
    }


def _amount(value: Decimal | None) -> str | None:
    return None if value is None else format(value, "f")


def _need_json(need: Need) -> dict[str, Any]:
    due = need.due
    return {
        "by": need.by.isoformat(),
        "since": need.begin.isoformat(),
        "needed_wh": due.needed_mws / MWS_PER_WH,
        "came_wh": due.came_mws / MWS_PER_WH,
        "from_sun_wh": due.solar_mws / MWS_PER_WH,
        "met": due.met,
        "car_full": due.car_full,
        "planned_wh": need.energy.planned_wh,
        "cost": _amount(need.cost),
        "at_once_cost": _amount(need.at_once),
        "best_cost": _amount(need.best),
    }


def _compared_json(report: Report) -> dict[str, Any] | None:
    found = together(report.needs)
    if found is None:
        return None
    return {
        "needs": found.needs,
        "met": found.met,
        "lacked_wh": found.lacked_mws / MWS_PER_WH,
        "cost": _amount(found.cost),
        "at_once_cost": _amount(found.at_once),
        "best_cost": _amount(found.best),
    }


def _energy_json(energy: Energy) -> dict[str, Any]:
    found = {
        "charger_wh": energy.charger_wh,
        "solar_wh": energy.solar_wh,
        "bought_wh": energy.grid_wh,  # all of it: by plan, and beside the sun
        "beside_sun_wh": energy.bought_wh,
        "planned_wh": energy.planned_wh,
        "battery_wh": energy.battery_wh,
        "error_wh": energy.error_wh,
        "surplus_wh": energy.surplus_wh,
        "export_wh": energy.export_wh,
        "import_wh": energy.import_wh,
        "on_s": energy.on_ms / 1000,
    }
    # Nothing is known, which is not nothing.
    return {**(found if energy.known_ms else dict.fromkeys(found)), "known_s": energy.known_ms / 1000}


def _money_json(cost: Money | None) -> dict[str, str] | None:
    if cost is None:
        return None
    names = ("paid", "forgone", "cost", "alternative", "saved", "planned")
    return {name: format(getattr(cost, name), "f") for name in names}


def _line_json(line: Line) -> dict[str, Any]:
    spent: dict[str, str] | None = _money_json(line.money)
    if spent is not None:
        spent |= {"cost_error": format(line.cost_error, "f"), "saved_error": format(line.saved_error, "f")}
    return {
        "first": line.first.isoformat(),
        "last": line.last.isoformat(),
        "begin": line.begin.isoformat(),
        "end": line.end.isoformat(),
        **_energy_json(line.energy),
        "gap_s": line.gap_ms / 1000,
        "register_s": line.register_ms / 1000,
        "starts": line.starts if line.energy.known_ms else None,
        "unlisted_s": line.unlisted_ms / 1000,
        "unpriced_wh": line.unpriced_mws / MWS_PER_WH,
        "netted_wh": line.netted_mws / MWS_PER_WH,
        "money": spent,
    }
