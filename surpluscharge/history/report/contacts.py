"""How the socket is doing: what switchings and charges showed of its joints, over months, in figures and in words.

The base and what has grown come from the daemon's own test (control/joint.py), led once more through all that is on
record; so a page says what the daemon would say, and says it of a ledger from elsewhere too.
"""

from __future__ import annotations

import math
import textwrap
from datetime import date, datetime, timedelta, tzinfo
from itertools import pairwise
from statistics import median
from typing import Any, NamedTuple

from surpluscharge.control.joint import HIGH_OHM, MEASURES, Evidence, Finding, Joint, Measure
from surpluscharge.history.energy import day_begins, ms_of, time_of
from surpluscharge.history.ledger import ANEW, Epoch, Ledger, Look, Shown
from surpluscharge.history.report.figures import ReportError
from surpluscharge.history.report.words import period_name
from surpluscharge.history.wear import Wear, WearRules, look_due, next_look_ms
from surpluscharge.words import counted, duration, watts

WEEKS_UP_TO_DAYS = 120  # of a longer time a point is a month
NAMES: dict[Measure, tuple[str, str, float, str]] = {  # name, unit, by what it is multiplied, and what it is
    "ohms": ("ohms", "ohm", 1.0, "by how much the voltage at the plug falls for each ampere, at a switching"),
    "wall": ("watts in the wall", "ohm", 1.0, "what the house's meter gains beyond the plug's, for each square ampere"),
    "heat": ("heat", "mK/A2", 1000.0, "by how many thousandths of a kelvin the sensor warms for each square ampere"),
}
UNSEEN = (
    "What was bad from the first day is in what all else is held against; only ohms far beyond a circuit in order show "
    "it.",
    "What is behind the place where the plug measures cannot be seen: its own contacts towards the lead, the lead's "
    "plug, the control box, the car's inlet. Of these only a sensor that touches them tells.",
    "Nor what is bad only now and then, nor an arc, whose mean resistance is small.",
    "Nor another socket of the same circuit, nor the protective conductor: the lead's current does not flow there.",
)
NO_ALL_CLEAR = "That nothing is found is no all-clear: look at pins and socket, circuit off at the fuse board."


class Point(NamedTuple):
    """What a measure showed in a week or a month: its median, and twice that one's standard deviation."""

    place: int  # of the bucket
    value: float
    error: float
    times: int


class Base(NamedTuple):
    """What a measure was held against, at the end of a week or a month."""

    place: int
    value: float


class Course(NamedTuple):
    """One measure over time."""

    measure: Measure
    points: tuple[Point, ...]
    bases: tuple[Base, ...]
    seen: int
    grown: Finding | None  # by the end


class Condition(NamedTuple):
    """How the socket is doing."""

    charger: str
    now: datetime
    first: date
    last: date
    by: str  # week, month
    begins: tuple[date, ...]  # of the buckets
    charges: tuple[int, ...]  # in each
    courses: tuple[Course, ...]  # of what was shown at all
    looks: tuple[Look, ...]  # all of them
    epochs: tuple[Epoch, ...]  # that gave the joints a new beginning
    wear: Wear
    rules: WearRules
    amps: float  # the lead's current
    over_w: float | None  # so much more is lost at it than in a circuit in order, by the last base; None: no more

    @property
    def zone(self) -> tzinfo | None:
        return self.now.tzinfo

    def place(self, at_ms: int) -> int | None:
        """Return the bucket of a moment; None: it is in none."""
        day = time_of(at_ms, self.zone).date()
        if not self.first <= day <= self.last:
            return None
        return sum(begin <= day for begin in self.begins) - 1


def build(
    ledger: Ledger,
    first: date | None,
    last: date | None,
    now: datetime,
    charger: str,
    rules: WearRules,
    mains_v: float,
    amps: float,
) -> Condition:
    """Return how the socket is doing between two days, None: from the first that is known, until today.

    Raises ReportError where that is no stretch of time.
    """
    zone = now.tzinfo
    shown, looks = ledger.shown(), tuple(ledger.looks())
    epochs = tuple(epoch for epoch in ledger.epochs() if epoch.what in ANEW["joint"])
    known = [one.at_ms for one in (shown[:1] or ())] + [look.at_ms for look in looks[:1]]
    wear = ledger.wear(mains_v)
    known += [wear.first_ms] if wear.first_ms is not None else []
    first = first or (time_of(min(known), zone).date() if known else now.date())
    last = min(last or now.date(), now.date())
    if last < first:
        raise ReportError(f"{last} is before {first}: give the earlier day first")
    by = "week" if (last - first).days <= WEEKS_UP_TO_DAYS else "month"
    begins = _begins(first, last, by)
    edges_ms = [ms_of(day_begins(day, zone)) for day in (*begins, last + timedelta(days=1))]
    charges = tuple(ledger.starts(since_ms, until_ms) for since_ms, until_ms in pairwise(edges_ms))
    anew_ms = sorted([*((look.at_ms, False) for look in looks), *((epoch.begin_ms, True) for epoch in epochs)])
    courses, over_w = _courses(shown, anew_ms, edges_ms, amps)
    return Condition(charger, now, first, last, by, begins, charges, courses, looks, epochs, wear, rules, amps, over_w)


def _begins(first: date, last: date, by: str) -> tuple[date, ...]:
    """Return when each week (from Monday on) or month begins; the first with the first day."""
    found = [first]
    while True:
        day = found[-1]
        week, month = day + timedelta(days=7 - day.weekday()), (day.replace(day=1) + timedelta(days=32)).replace(day=1)
        if (next_ := week if by == "week" else month) > last:
            return tuple(found)
        found.append(next_)


def _courses(
    shown: list[Shown], anew_ms: list[tuple[int, bool]], edges_ms: list[int], amps: float
) -> tuple[tuple[Course, ...], float | None]:
    """Lead the test through all that was shown, and look at it at the end of each bucket.

    ``anew_ms``: when somebody looked (false), or something was changed (true).
    """
    joint, held = Joint(), {measure: dict[int, list[Shown]]() for measure in MEASURES}
    bases: dict[Measure, dict[int, float]] = {measure: {} for measure in MEASURES}
    place, resets = -1, list(anew_ms)
    for one in [each for each in shown if each.at_ms < edges_ms[-1]]:
        while resets and resets[0][0] <= one.at_ms:
            _anew(joint, resets.pop(0)[1])
        measure = next((name for name in MEASURES if name == one.measure), None)
        if measure is None:
            continue
        joint.take(Evidence(measure, one.at_ms / 1000, one.value, one.error, one.amps))
        place = sum(edge_ms <= one.at_ms for edge_ms in edges_ms) - 1
        if place < 0:
            continue
        held[measure].setdefault(place, []).append(one)
        if (base := joint.track(measure).base) is not None:
            bases[measure][place] = base
    for at_ms, changed in resets:
        if at_ms < edges_ms[-1]:
            _anew(joint, changed)
    grown = {finding.measure: finding for finding in joint.findings(amps)}
    courses = tuple(
        Course(
            measure,
            tuple(_point(place, found) for place, found in sorted(held[measure].items())),
            tuple(Base(*each) for each in bases[measure].items()),
            sum(map(len, held[measure].values())),
            grown.get(measure),
        )
        for measure in MEASURES
        if held[measure]
    )
    last_ohm = joint.track("ohms").base
    over_w = None if last_ohm is None or last_ohm <= HIGH_OHM else (last_ohm - HIGH_OHM) * amps**2
    return courses, over_w


def _anew(joint: Joint, changed: bool) -> None:
    if changed:
        joint.begins_anew()
    else:
        joint.looked()


def _point(place: int, found: list[Shown]) -> Point:
    values, count = [one.value for one in found], len(found)
    value = median(values)
    strays = 1.4826 * median(abs(one - value) for one in values)
    each = max(strays, math.sqrt(sum(one.error**2 for one in found) / count))
    return Point(place, value, 2 * math.sqrt(math.pi / 2 if count > 2 else 1.0) * each / math.sqrt(count), count)


# --- in words --------------------------------------------------------------------------------------------------------


def title(condition: Condition) -> str:
    return f"How the socket is doing, {period_name(condition.first, condition.last)}"


def amount(measure: Measure, value: float, error: float | None = None) -> str:
    """Return a value of a measure with its unit."""
    _, unit, factor, _ = NAMES[measure]
    digits = 2 if factor == 1.0 else 0
    more = "" if error is None else f" +- {factor * error:.{digits}f}"
    return f"{factor * value:.{digits}f}{more} {unit}"


def sentences(condition: Condition) -> list[str]:
    """Return the gist, most important first; never an all-clear."""
    found, wear = [], condition.wear
    for course in condition.courses:
        if finding := course.grown:
            lost = f"{finding.lost:.0f} {'K' if course.measure == 'heat' else 'W'}"
            since = time_of(round(finding.since_s * 1000), condition.zone)
            found.append(
                f"{NAMES[course.measure][0].capitalize()} {'have' if course.measure != 'heat' else 'has'} grown since "
                f"{since:%Y-%m-%d}: from {amount(course.measure, finding.base)} to "
                f"{amount(course.measure, finding.value, 2 * finding.error)}, which is {lost} more at "
                f"{condition.amps:g} A. Circuit off at the fuse board, unplug, and look."
            )
    if condition.over_w:
        found.append(
            f"The circuit loses {watts(condition.over_w)} more at {condition.amps:g} A than one in order: a long or "
            "thin line, or a joint that was bad from the beginning. Have a licensed electrician measure it."
        )
    if not condition.courses:
        found.append(
            "Nothing was shown of the joints. It takes a plug that reports voltage and power ([relay.voltage], "
            "[relay.power]), or a sensor at the socket ([relay.temperature])."
        )
    elif not found:
        counts = ", ".join(f"{NAMES[each.measure][0]} ({counted(each.seen, 'time')})" for each in condition.courses)
        found.append(f"What was shown is not known to have grown: {counts}.")
    found.append(NO_ALL_CLEAR)
    hours = ", ".join(f"{duration(3600 * each)} at {amps} A" for amps, each in wear.hours_at)
    carried = f"; it carried {hours}" if hours else ""
    found.append(
        f"The relay has switched a load {counted(wear.operations, 'time')} of the {condition.rules.rated_operations} "
        f"that it is taken to be rated for{carried}."
    )
    next_ms = next_look_ms(wear, condition.rules, condition.zone)
    if wear.look:
        note = f" ({wear.look.note})" if wear.look.note else ""
        looked = f"Somebody last looked on {time_of(wear.look.at_ms, condition.zone):%Y-%m-%d}{note}"
    else:
        looked = "Nobody has said yet that they looked"
    due = look_due(wear, condition.rules, ms_of(condition.now), condition.zone)
    when = "" if next_ms is None else f"; the next look is due by {time_of(next_ms, condition.zone):%Y-%m-%d}"
    found.append(f"{looked}{'; a look is due now' if due else when}.")
    return found


def bucket_name(condition: Condition, place: int) -> str:
    begin = condition.begins[place]
    return f"{begin:%Y-%m-%d}" if condition.by == "week" else f"{begin:%Y-%m}"


def rows(condition: Condition) -> list[list[str]]:
    """Return a row for each week or month: its name, charges, each measure, and looks."""
    looks = [place for look in condition.looks if (place := condition.place(look.at_ms)) is not None]
    found = []
    for place, count in enumerate(condition.charges):
        row = [bucket_name(condition, place), str(count)]
        for course in condition.courses:
            point = next((each for each in course.points if each.place == place), None)
            row.append(amount(course.measure, point.value, point.error) if point else "")
        found.append([*row, "looked" if place in looks else ""])
    return found


def heads(condition: Condition) -> list[str]:
    return [condition.by, "charges", *(NAMES[course.measure][0] for course in condition.courses), "look"]


def as_text(condition: Condition, width: int = 80) -> str:
    """Return it for a terminal."""
    width = max(40, width)
    lines = [f"{condition.charger}: {title(condition)}", ""]
    for sentence in sentences(condition):
        lines += textwrap.wrap(sentence, width)
    if condition.courses or any(condition.charges):
        table = [heads(condition), *rows(condition)]
        widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
        lines.append("")
        lines += ["  ".join(cell.ljust(size) for cell, size in zip(row, widths, strict=True)).rstrip() for row in table]
        lines.append("+-: twice the standard deviation of the median.")
    lines += ["", "What cannot be seen here:"]
    for sentence in UNSEEN:
        lines += textwrap.wrap(sentence, width, initial_indent="- ", subsequent_indent="  ")
    return "\n".join(lines)


def as_json(condition: Condition) -> dict[str, Any]:
    """Return the figures, for programs. Values in ohms, with heat in kelvin per square ampere; losses in W or K."""
    return {
        "report_version": 1,
        "charger": condition.charger,
        "from": condition.first.isoformat(),
        "to": condition.last.isoformat(),
        "by": condition.by,
        "operations": condition.wear.operations,
        "rated_operations": condition.rules.rated_operations,
        "hours_at": {str(amps): round(hours, 2) for amps, hours in condition.wear.hours_at},
        "looks": [
            {"time": time_of(look.at_ms, condition.zone).isoformat(timespec="seconds"), "note": look.note}
            for look in condition.looks
        ],
        "charges": [
            {"begin": begin.isoformat(), "count": count}
            for begin, count in zip(condition.begins, condition.charges, strict=True)
        ],
        "measures": [
            {
                "measure": course.measure,
                "seen": course.seen,
                "points": [
                    {
                        "begin": condition.begins[point.place].isoformat(),
                        "value": round(point.value, 5),
                        "error": round(point.error, 5),
                        "count": point.times,
                    }
                    for point in course.points
                ],
                "base": round(course.bases[-1].value, 5) if course.bases else None,
                "grown": None
                if course.grown is None
                else {"value": round(course.grown.value, 5), "lost": round(course.grown.lost, 2)},
            }
            for course in condition.courses
        ],
        "over_w": condition.over_w and round(condition.over_w, 1),
    }
