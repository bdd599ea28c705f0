"""How the socket is doing, as a page: its figures on :mod:`.paper`, its pictures by :mod:`.drawing`."""

from __future__ import annotations

from functools import partial
from typing import Any

from matplotlib.figure import Figure

from surpluscharge.history.energy import time_of
from surpluscharge.history.report.contacts import (
    NAMES,
    UNSEEN,
    Condition,
    Course,
    amount,
    bucket_name,
    heads,
    rows,
    sentences,
    title,
)
from surpluscharge.history.report.drawing import (
    DRAWN,
    Picture,
    Sheet,
    axes_below,
    bars,
    edged,
    ruled,
    shown,
    under_bars,
)
from surpluscharge.history.report.paper import Table, document, listed, section
from surpluscharge.history.report.words import day_name


def as_html(condition: Condition) -> str:
    """Return it as a page of its own."""
    table = Table("buckets", f"Each {condition.by}", [(head, "") for head in heads(condition)], rows(condition))
    parts = [_measures(condition, course) for course in condition.courses]
    if any(condition.charges):
        parts.append(_charges(condition))
    parts.append(section(f"{condition.by.capitalize()} by {condition.by}", table.html()))
    parts.append(_looks(condition))
    parts.append(section("What cannot be seen here", listed(UNSEEN)))
    name = title(condition)
    return document(
        f"{name}: {condition.charger}",
        f"Socket report \N{MIDDLE DOT} {condition.charger}",
        name,
        sentences(condition),
        parts,
        f"Made on {day_name(condition.now.date())}, at {condition.now:%H:%M},",
    )


def _measures(condition: Condition, course: Course) -> str:
    name, _, _, what = NAMES[course.measure]
    last = course.points[-1]
    base = ", no base is known yet"
    if course.bases:
        base = f", held against {amount(course.measure, course.bases[-1].value)}"
    gist = f"{name.capitalize()}, last {amount(course.measure, last.value, last.error)}{base}."
    picture = Picture(course.measure, name.capitalize(), gist, partial(_draw, condition, course))
    key = [("error", "median, and twice its standard deviation either way")]
    key += [("threshold", "what it is held against")] if course.bases else []
    key += [("due", "somebody looked, or something was changed")] if _marks(condition) else []
    return section(name.capitalize(), shown(picture, key, "buckets", f"{gist} It is {what}."))


def _marks(condition: Condition) -> list[float]:
    """Return where looks and changes stand along the buckets."""
    times_ms = [*(look.at_ms for look in condition.looks), *(epoch.begin_ms for epoch in condition.epochs)]
    found = []
    for at_ms in times_ms:
        place = condition.place(at_ms)
        if place is not None:
            begin = condition.begins[place]
            end = condition.begins[place + 1] if place + 1 < len(condition.begins) else condition.last
            length = max(1, (end - begin).days)
            found.append(place - 0.5 + (time_of(at_ms, condition.zone).date() - begin).days / length)
    return found


def _draw(condition: Condition, course: Course, sheet: Sheet) -> Figure:
    figure, (ax,) = axes_below(sheet, (190.0 if sheet.narrow else 220.0,))
    _, unit, factor, _ = NAMES[course.measure]
    highest, lowest = 0.0, 0.0
    for base in course.bases:
        around, held = [base.place - 0.5, base.place + 0.5], [factor * base.value] * 2
        ax.plot(around, held, color=DRAWN["fault"], linewidth=1.3, dashes=(5, 3))
        highest = max(highest, *held)
    for point in course.points:
        value, error = factor * point.value, factor * point.error
        ax.plot([point.place] * 2, [value - error, value + error], color=DRAWN["ink"], linewidth=1.4)
        ax.plot([point.place], [value], marker="o", markersize=5, color=DRAWN["ink"])
        highest, lowest = max(highest, value + error), min(lowest, value - error)
    for at in _marks(condition):
        ax.axvline(at, color=DRAWN["ink"], linewidth=1.0, dashes=(7, 2, 1, 2))
        look: dict[str, Any] = {"color": DRAWN["ink"], "linestyle": "none", "clip_on": False, "zorder": 5}
        ax.plot([at], [1.0], marker="v", markersize=9, transform=ax.get_xaxis_transform(), **look)
    ax.set_ylim(1.1 * lowest, 1.15 * highest or 1.0)
    ruled(ax, lambda value, _: f"{value:g} {unit}", 5)
    under_bars([ax], [_short(condition, place) for place in range(len(condition.begins))], sheet)
    return figure


def _short(condition: Condition, place: int) -> str:
    begin = condition.begins[place]
    return f"{begin:%m-%d}" if condition.by == "week" else f"{begin:%Y-%m}"


def _charges(condition: Condition) -> str:
    most = max(condition.charges)
    place = condition.charges.index(most)
    gist = f"Charges in each {condition.by}: most, {most}, in the one of {bucket_name(condition, place)}."

    def draw(sheet: Sheet) -> Figure:
        figure, (ax,) = axes_below(sheet, (110.0,))
        bars(ax, list(condition.charges), edged("spare"))
        ax.set_ylim(0, 1.15 * most)
        ruled(ax, lambda value, _: f"{value:g}", 3)
        under_bars([ax], [_short(condition, place) for place in range(len(condition.begins))], sheet)
        return figure

    picture = Picture("switched", "Charges", gist, draw)
    caption = f"{gist} Each switches the relay on and off once."
    return section("Switched", shown(picture, [("spare", "charges")], "buckets", caption))


def _looks(condition: Condition) -> str:
    found = [
        *((look.at_ms, "looked", look.note) for look in condition.looks),
        *((epoch.begin_ms, f"new {epoch.what}", epoch.note) for epoch in condition.epochs),
    ]
    if not found:
        return ""
    table = Table(
        "looks",
        "Since each of them the joints are held against what came after it",
        [("when", ""), ("what", ""), ("note", "")],
        [[f"{time_of(at_ms, condition.zone):%Y-%m-%d %H:%M}", what, note] for at_ms, what, note in sorted(found)],
    )
    return section("Looks and changes", table.html())
