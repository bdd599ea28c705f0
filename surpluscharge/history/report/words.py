"""The figures in words: numbers as they are written down, names of days, the gist, and what else has to be known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import NamedTuple

from surpluscharge.history.energy import MWS_PER_KWH, Energy, ms_of, time_of
from surpluscharge.history.ledger import Epoch
from surpluscharge.history.report.figures import LEAST_MWS, SHORTEST_GAP_MS, Line, Report, month_of
from surpluscharge.history.report.needed import Need, together
from surpluscharge.words import counted, duration, printable

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def rounded(value: Decimal, digits: int = 2) -> str:
    """Return a number for people: so many digits, halves away from zero, and no minus before a nought."""
    shown = value.quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP)
    return format(shown if shown else abs(shown), "f")


def kwh(mws: int) -> str:
    """Return an energy in kWh, for people."""
    return rounded(Decimal(mws) / MWS_PER_KWH)


# Faults that say that what was measured before them is false: whose sign it is, and what stands wrong of it.
_FALSIFYING = {
    "meter-sign": ("meter", "what stands here as sun was import, and the other way round"),
    "battery-sign": (
        "battery",
        "what stands here as from the house's battery went into it, and what it gave is missing",
    ),
}


def uncertain(energy: Energy) -> bool:
    """Return whether the charger's energy may be off by so much that it shows."""
    return energy.error_mws >= LEAST_MWS


def percent(share: int, whole: int) -> str:
    return f"{round(100 * share / whole)} %" if whole else "-"


def clock(length_ms: int) -> str:
    """Return a duration for a column: hours and minutes, 7:05."""
    minutes = round(length_ms / 60_000)
    return f"{minutes // 60}:{minutes % 60:02d}"


def day_name(day: date) -> str:
    return f"{_WEEKDAYS[day.weekday()]}, {day.day} {_MONTHS[day.month - 1]} {day.year}"


def month_name(day: date) -> str:
    return f"{_MONTHS[day.month - 1]} {day.year}"


def title(report: Report) -> str:
    """Return what the period is called."""
    return period_name(report.first, report.last)


def period_name(first: date, last: date) -> str:
    """Return what the days from first to last are called."""
    if first == last:
        return day_name(first)
    if (first, last) == month_of(f"{first:%Y-%m}"):
        return month_name(first)
    since = f"{first.day} {month_name(first)}"
    if first.year == last.year:
        since = f"{first.day}" if first.month == last.month else f"{first.day} {_MONTHS[first.month - 1]}"
    return f"{since} to {last.day} {month_name(last)}"


def line_name(report: Report, line: Line) -> str:
    """Return what a line is called in a table."""
    if report.by == "month":
        return f"{_MONTHS[line.first.month - 1][:3]} {line.first.year}"
    return f"{_WEEKDAYS[line.first.weekday()][:3]} {line.first.day} {_MONTHS[line.first.month - 1][:3]}"


def short_day_names(found: Sequence[date]) -> list[str]:
    """Return what days are called along an axis: their number, and the month with it where one begins."""
    one_month = len({(day.year, day.month) for day in found}) == 1
    return [
        str(day.day) if one_month or (day.day != 1 and index) else f"{day.day} {_MONTHS[day.month - 1][:3]}"
        for index, day in enumerate(found)
    ]


def short_names(report: Report) -> list[str]:
    """Return what the lines are called along an axis."""
    if report.by == "month":
        return [line_name(report, line) for line in report.lines]
    return short_day_names([line.first for line in report.lines])


def moment(report: Report, at_ms: int | None, never: str = "still there") -> str:
    """Return a moment for people: the time alone where it lies in the one day that is shown, else with its date."""
    if at_ms is None:
        return never
    when = time_of(at_ms, report.zone)
    if report.single and when.date() == report.first:
        return f"{when:%H:%M}"
    return f"{when.day} {_MONTHS[when.month - 1][:3]}, {when:%H:%M}"


def summary(report: Report) -> list[str]:
    """Return the gist in sentences, most important first."""
    line, energy = report.total, report.total.energy
    if not energy.known_ms:
        sentences = [*_changes(report), "Nothing is known of this time: there are no readings from it."]
        if _goes_on(report):
            sentences.append(
                "A running daemon writes in batches, as often as history.batch_s says; what it does now: "
                "surpluscharge status."
            )
        return sentences
    if energy.charger_mws >= LEAST_MWS:
        bought = f"{kwh(energy.grid_mws)} kWh bought"
        if energy.planned_mws:
            bought = f"{kwh(energy.bought_mws)} kWh bought beside it, {kwh(energy.planned_mws)} kWh bought by plan"
        given = f", {kwh(energy.battery_mws)} kWh from the house's battery" if energy.battery_mws else ""
        sentences = [
            f"The car took {kwh(energy.charger_mws)} kWh: {kwh(energy.solar_mws)} kWh "
            f"({percent(energy.solar_mws, energy.charger_mws)}) from the sun, {bought}{given}."
        ]
    elif any(session.end is None for session in report.sessions):
        sentences = ["A charge is going on; what it took is not on record yet."]
    else:
        sentences = ["So far nothing that the car took is on record." if _goes_on(report) else "The car took nothing."]
    if line.money is not None and energy.charger_mws >= LEAST_MWS:
        cost = line.money
        if report.netting.nets:
            spared = f"{kwh(abs(line.netted_mws))} kWh {'less' if line.netted_mws >= 0 else 'more'} of it as bought"
            sentences.append(f"The bill, which nets over each {report.netting.words}, has {spared}.")
        verb = "saved" if cost.saved >= 0 else "lost"
        sentences.append(
            f"That cost {rounded(cost.cost)} {report.currency}; the same energy otherwise would have cost "
            f"{rounded(cost.alternative)} {report.currency}: {rounded(abs(cost.saved))} {report.currency} {verb}."
        )
    if energy.surplus_mws >= LEAST_MWS:
        sentences.append(
            f"Of {kwh(energy.surplus_mws)} kWh of surplus, {percent(energy.solar_mws, energy.surplus_mws)} was caught."
        )
    return [*_falsified(report), *sentences, *_needed(report), *_planned(report), *_changes(report)]


def _falsified(report: Report) -> Iterator[str]:
    """Say what is not to be believed, though it was measured: nobody can put it right afterwards."""
    for code, (whose, what) in _FALSIFYING.items():
        found = next((fault for fault in report.faults if fault.code == code), None)
        if found:
            yield (
                f"Do not believe these figures: the {whose}'s sign was found to be wrong "
                f"({moment(report, found.begin_ms)}). Until that was put right, {what}, and the money is wrong with it."
            )


def _needed(report: Report) -> Iterator[str]:
    """Yield what was needed and came, and what the plan was worth."""
    found = together(report.needs)
    if found is None:
        return
    if found.needs == 1:
        (need,) = report.needs
        yield f"By {moment(report, need.due.by_ms)}, {need_in_words(need)}."
    else:
        lacked = f"; {kwh(found.lacked_mws)} kWh came too late, or not at all" if found.lacked_mws else ""
        yield f"Of {counted(found.needs, 'time')} at which the car was needed, it was ready at {found.met}{lacked}."
    if found.cost is not None and found.at_once is not None and found.best is not None:
        saved = found.at_once - found.cost
        more_or_less = f"{rounded(abs(saved))} {report.currency} {'less' if saved >= 0 else 'more'}"
        whole = "What was charged by then" if found.needs == 1 else "What was charged until those times"
        yield (
            f"{whole} cost {rounded(found.cost)} {report.currency}, {more_or_less} than charging at once, and "
            f"{rounded(found.cost - found.best)} {report.currency} more than the best possible."
        )


def need_in_words(need: Need) -> str:
    """Return what was needed and had come, in half a sentence."""
    due = need.due
    said = f"{kwh(due.needed_mws)} kWh were needed, and {kwh(due.came_mws)} had come, {kwh(due.solar_mws)} from the sun"
    if due.met:
        return said
    why = ", since the car took no more" if due.car_full else ""
    return f"{said}: {kwh(need.lacked_mws)} were missing{why}"


def outcome(need: Need) -> str:
    """Return how a need ended, in a word or two."""
    return "in time" if need.due.met else "car full" if need.due.car_full else "missed"


def _planned(report: Report) -> Iterator[str]:
    if report.ahead is not None:
        yield f"Planned: {report.ahead.text}."


def _goes_on(report: Report) -> bool:
    """Return whether the period is not over yet."""
    return report.last > report.total.last or report.now == report.total.end


def changed(report: Report, epoch: Epoch) -> str:
    """Say what was changed, and since when."""
    note = f" ({printable(epoch.note)})" if epoch.note else ""
    return f"new {epoch.what} from {moment(report, epoch.begin_ms)} on{note}"


def _changes(report: Report) -> Iterator[str]:
    inner = [epoch for epoch in report.epochs if epoch.begin_ms > ms_of(report.total.begin)]
    for epoch in report.epochs:
        said = changed(report, epoch)
        across = "; the sums go across it, and what is before and after it does not compare" if epoch in inner else ""
        yield f"{said[0].upper()}{said[1:]}{across}."


def notes(report: Report) -> list[str]:
    """Return what has to be known to read the figures rightly."""
    line, energy, found = report.total, report.total.energy, []
    if not energy.known_ms:
        return []
    if line.gap_ms >= SHORTEST_GAP_MS:
        found.append(
            f"Nothing is known of {duration(line.gap_ms / 1000)} of this time. It is in no sum, and not guessed."
        )
    if line.register_ms:
        found.append(
            f"For {duration(line.register_ms / 1000)} nothing was recorded, and what flowed is known as a sum only, "
            "from energy registers. It is in the sums, spread evenly; of what the charger took, which is known where a "
            "register counts that, as much as was imported counts as bought."
        )
    if line.unlisted_ms:
        found.append(
            f"For {duration(line.unlisted_ms / 1000)} of charging there is no charge on record, since it was imported. "
            "Its energy is in the sums; how often it started, and its sessions, are not known."
        )
    if uncertain(energy):
        money_part = (
            f", the cost by {rounded(line.cost_error)} and the saving by {rounded(line.saved_error)} {report.currency}"
            if line.money is not None
            else ""
        )
        found.append(
            f"The charger's power was learned or assumed for some of it, not measured: its energy may be off by "
            f"{kwh(energy.error_mws)} kWh{money_part}, either way. What always switches together with the charger is "
            "taken for part of it, and lies outside that."
        )
    if line.money is not None:
        found.append(
            "Cost is what was paid for imported energy, and the export income given up for the sun's. Standing charges "
            "are left out: they are owed whether the car charges or not."
        )
        if line.unpriced_mws:
            found.append(
                f"For {kwh(line.unpriced_mws)} kWh no tariff was valid; they are in the energy, but not in the money."
            )
    else:
        found.append("Money is not shown: no prices are configured for this time, see [money] in the configuration.")
    if any(need.at_once is not None for need in report.needs):
        found.append(
            "Charging at once: the same energy, from the moment from which it is counted, without a pause. The best "
            "possible: in the cheapest minutes of the same time, known beforehand as nobody can, and without regard "
            "to shortest times. Both as if the car had been there all the time, with the lead's mean draw, at the "
            "surplus that there was and the prices that were in force."
        )
    if _goes_on(report):
        found.append(
            f"It is not over yet: the figures go to {report.now:%H:%M} on {day_name(report.now.date())}. What has just "
            "happened may not be written yet; the status has it."
        )
    if any(session.begin < line.begin or not session.end or session.end > line.end for session in report.sessions):
        found.append(
            "A session that began before, or goes on after, is listed whole; the sums hold this period's part."
        )
    return found


class MoneyRow(NamedTuple):
    what: str
    energy_mws: int | None
    money: Decimal
    error: Decimal | None = None  # it may be off by so much


def money_rows(report: Report) -> list[MoneyRow]:
    """Return the reckoning, line by line."""
    line, cost, energy = report.total, report.total.money, report.total.energy
    if cost is None:
        return []
    bought = [MoneyRow("bought", energy.grid_mws, cost.paid)]
    if energy.planned_mws:
        bought = [
            MoneyRow("bought by plan", energy.planned_mws, cost.planned),
            MoneyRow("bought beside the sun", energy.bought_mws, cost.paid - cost.planned),
        ]
    given = [MoneyRow("from the house's battery", energy.battery_mws, cost.battery)] if energy.battery_mws else []
    return [
        *bought,
        *given,
        MoneyRow("from the sun, not sold", energy.solar_mws, cost.forgone - cost.battery),
        MoneyRow("what it cost", energy.charger_mws, cost.cost, line.cost_error),
        MoneyRow("the same otherwise", energy.charger_mws, cost.alternative),
        MoneyRow("saved" if cost.saved >= 0 else "lost", None, abs(cost.saved), line.saved_error),
    ]
