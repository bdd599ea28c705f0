"""A report as one HTML page: its figures on :mod:`.paper`, its pictures by :mod:`.drawing`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from surpluscharge.control.machine import MODE_NAMES
from surpluscharge.history.energy import MWS_PER_WH, Energy, Money, day_span, ms_of, time_of
from surpluscharge.history.ledger import ABSENT
from surpluscharge.history.report.drawing import (
    BESIDE,
    BOUGHT,
    CAUGHT,
    DRAWN,
    HOUSE,
    PLANNED,
    SPARE,
    UNKNOWN,
    Day,
    Lane,
    Level,
    Mark,
    Picture,
    Sheet,
    axes_below,
    bars,
    draw_day,
    edged,
    hatched,
    in_kwh,
    in_money,
    ruled,
    shown,
    solid,
    squares,
    ticks,
    under_bars,
    unknown,
)
from surpluscharge.history.report.figures import (
    CURVE_MS,
    FAULT_SENTENCES,
    MOST_DAYS_BY_DAY,
    SHORTEST_GAP_MS,
    Hour,
    Line,
    Report,
    busy_span,
    patchy,
    worth_a_line,
)
from surpluscharge.history.report.needed import together
from surpluscharge.history.report.paper import (
    Cell,
    Table,
    Value,
    count_cell,
    document,
    facts,
    folded,
    listed,
    section,
    words,
)
from surpluscharge.history.report.words import (
    clock,
    day_name,
    kwh,
    line_name,
    moment,
    money_rows,
    notes,
    outcome,
    percent,
    rounded,
    short_names,
    summary,
    title,
    uncertain,
)
from surpluscharge.words import counted, duration, watts

STATE_NAMES = {ABSENT: "not running"}
NOT_KNOWN = "?"


def as_html(report: Report) -> str:
    """Return the report as a page of its own."""
    name, parts = title(report), []
    if report.total.energy.known_ms:
        first, *more = _day_sections(report) if report.single else _period_sections(report)
        parts = [first, _totals(report), *more]
    return document(
        f"{name}: {report.charger}",
        f"Charge report \N{MIDDLE DOT} {report.charger}",
        name,
        summary(report),
        [*parts, _ahead(report), _needs(report), _sessions(report), _faults(report), _reading(report)],
        f"Made on {day_name(report.now.date())}, at {report.now:%H:%M},",
    )


# --- cells -----------------------------------------------------------------------------------------------------------


def _energy_cell(mws: int) -> Cell:
    return Cell(repr(mws / 3_600_000), kwh(mws))


def _money_cell(value: Decimal) -> Cell:
    return Cell(format(value, "f"), rounded(value).replace("-", "\N{MINUS SIGN}"))


def _time_cell(length_ms: int) -> Cell:
    return Cell(repr(length_ms / 1000), clock(length_ms))


def _count_cell(value: int | None) -> Value:
    return NOT_KNOWN if value is None else count_cell(value)


# --- a day -----------------------------------------------------------------------------------------------------------


def _day(report: Report) -> Day:
    begin_ms, end_ms = busy_span(report)
    until_ms = ms_of(report.total.end)
    return Day(
        begin_ms,
        end_ms,
        report.zone,
        report.curve,
        True,
        _levels(report),
        _lanes(report),
        report.gaps,
        until_ms=until_ms if until_ms < end_ms else None,
        prices=[(each.begin_ms, each.end_ms, float(each.import_price)) for each in report.prices],
        needed=[Mark(need.due.by_ms, need.due.met) for need in report.needs],
    )


def _levels(report: Report) -> list[Level]:
    """Return the thresholds, one for each power that is one."""
    found: dict[tuple[bool, float], list[tuple[int, int, float]]] = {}
    for span in report.thresholds:
        for starts, flow_w in zip((True, False), span.band.shown, strict=True):
            if flow_w is not None:
                up_w = flow_w if starts else -flow_w
                found.setdefault((starts, up_w), []).append((span.begin_ms, span.end_ms, up_w))
    return [
        Level(spans, _threshold_words(starts, up_w), above=starts)
        for (starts, up_w), spans in sorted(found.items(), reverse=True)
    ]


def _threshold_words(starts: bool, up_w: float) -> tuple[str, str]:
    """Return what a threshold is called, and what on a phone; ``up_w`` is export, below zero: import."""
    way, flow = ("above" if starts or up_w <= 0 else "below"), ("export" if up_w > 0 else "import")
    if starts and up_w < 0:
        way = "below"
    what = "start" if starts else "end"
    return f"{what} {way} {watts(abs(up_w))} of {flow}", f"{what} {watts(abs(up_w))}"


def _lanes(report: Report) -> list[Lane]:
    line = report.total
    begin_ms, end_ms = ms_of(line.begin), ms_of(line.end)

    def clipped(since_ms: int, until_ms: int | None) -> tuple[int, int]:
        return max(begin_ms, since_ms), min(end_ms, until_ms if until_ms is not None else end_ms)

    lanes = []
    sessions = [
        (*clipped(ms_of(each.begin), ms_of(each.end) if each.end else None), str(number))
        for number, each in enumerate(report.sessions, 1)
    ]
    if sessions:
        lanes.append(Lane("session", solid("ink"), False, sessions))
    for state in (*MODE_NAMES, ABSENT):
        spans = [(each.begin_ms, each.end_ms, "") for each in report.states if each.state == state]
        if spans:
            lanes.append(Lane(STATE_NAMES.get(state, state), _state_look(state), state != "idle", spans))
    faults = [(*clipped(fault.begin_ms, fault.end_ms), _letter(number)) for number, fault in enumerate(report.faults)]
    if faults:
        lanes.append(Lane("fault", solid("fault"), True, faults))
    runs = [(round(run.begin_s * 1000), round(run.end_s * 1000), "") for run in report.runs]
    if runs:
        lanes.append(Lane("planned", hatched("planned"), True, runs))
    return lanes


def _state_look(state: str) -> dict[str, Any]:
    if state in ("arming", "disarming"):
        return hatched("ink" if state == "disarming" else "muted")
    if state == "locked-out":  # a cap, mostly; where it is a fault, that has a lane of its own
        return hatched("house-edge")
    return solid({"charging": "ink", "idle": "house-edge"}.get(state, "muted"))


def _letter(number: int) -> str:
    """Return A, B, ... Z, AA, AB, ... for 0, 1, ..."""
    return (_letter(number // 26 - 1) if number >= 26 else "") + chr(ord("A") + number % 26)


def _left_out(report: Report) -> str:
    """Say which hours the pictures of a day leave out."""
    begin_ms, end_ms = busy_span(report)
    first, last = ms_of(report.total.begin), ms_of(day_span(report.last, report.zone)[1])
    said = [f"before {time_of(begin_ms, report.zone):%H:%M}"] if begin_ms > first else []
    said += [f"after {time_of(end_ms, report.zone):%H:%M}"] if end_ms < last else []
    extra = f" It goes on to {time_of(end_ms, report.zone):%H:%M} of the next day, as planned." if end_ms > last else ""
    out = f" Left out, since there was neither surplus nor a charge: {' and '.join(said)}." if said else ""
    return f"{out}{extra}"


def _day_sections(report: Report) -> list[str]:
    energy = report.total.energy
    charged = f"The charger took {kwh(energy.charger_mws)} kWh" + (
        f", {percent(energy.solar_mws, energy.charger_mws)} of it from the sun." if energy.charger_mws else "."
    )
    peak = max(report.curve, key=lambda each: each.energy.surplus_mws / max(1, each.energy.known_ms))
    peak_w = peak.energy.surplus_mws / max(1, peak.energy.known_ms)
    gist = (
        f"Grid power through the day, with surplus upwards and import downwards. Surplus was highest at "
        f"{moment(report, peak.begin_ms)}, with {watts(peak_w)}. {charged}"
    )
    states = Table(
        "states",
        "States of the charger",
        [("from", ""), ("to", ""), ("state", "")],
        [
            [moment(report, each.begin_ms), moment(report, each.end_ms), STATE_NAMES.get(each.state, each.state)]
            for each in report.states
        ],
    )
    key = [CAUGHT, SPARE, *_bought_key(report.planned), HOUSE, ("line", "what the meter saw; pale while it charges")]
    if report.runs and not report.planned:
        key.append(("planned", "to be charged, as planned"))
    if report.prices:
        key.append(("price", f"what a kWh from the grid costs, in {report.currency}"))
    if report.needs:
        key.append(("due", "the car is needed; hollow where it was not ready"))
    if any(each.band.shown != (None, None) for each in report.thresholds):
        moved = ' now; "ahead" moves them with the surplus of late' if report.thresholds_move else " now"
        key.append(("threshold", f"thresholds, as they are configured{moved}"))
    if report.gaps:
        key.append(UNKNOWN)
    caption = (
        f"Means over {CURVE_MS // 60_000} minutes, in a narrow window over twice that. The charger is the block "
        "across the line: what stands above it came from the sun, what hangs below was bought; its height is the draw."
        f"{_left_out(report)}"
    )
    day = Picture("day", "The day's power", gist, lambda sheet: draw_day(_day(report), sheet), report.currency)
    hours = report.hours
    if busy := [index for index, hour in enumerate(hours) if worth_a_line(hour)]:
        hours = hours[busy[0] : busy[-1] + 1]
    found = [Bar(f"{hour.hour:02d}", hour.energy, hour.length_ms) for hour in hours]
    best = max(report.hours, key=lambda hour: hour.energy.surplus_mws)
    hours_gist = (
        f"Surplus of each hour, and what was caught of it. Most surplus came from {best.hour:02d}:00 on, with "
        f"{kwh(best.energy.surplus_mws)} kWh, of which {kwh(best.energy.solar_mws)} kWh was caught."
    )
    picture = Picture("hours", "Hour by hour", hours_gist, lambda sheet: _draw_bars(found, False, sheet))
    key_of_hours = _bars_key(found, False)
    return [
        section("Through the day", shown(day, key, states, caption)),
        section(
            "Hour by hour",
            shown(picture, key_of_hours, _hours_table(report), "Surplus upwards, bought downwards, in kWh."),
        ),
    ]


def _hours_table(report: Report) -> Table:
    def cells(energy: Energy) -> list[Value]:
        flows = (energy.surplus_mws, energy.solar_mws, *report.besides(energy), energy.export_mws, energy.import_mws)
        if not energy.known_ms:
            return [NOT_KNOWN] * len(flows) + [_time_cell(0)]
        return [*(_energy_cell(each) for each in flows), _time_cell(energy.known_ms)]

    flows = ("surplus", "caught", *_besides_heads(report), "exported", "imported")
    heads = [("hour", ""), *((what, "kWh") for what in flows)]
    rows = [[f"{hour.hour:02d}:00", *cells(hour.energy)] for hour in report.hours]
    total = ["Total", *cells(report.total.energy)]
    return Table("hours", "Each hour of the day, for the whole house", [*heads, ("known", "h:min")], rows, total)


# --- several days ----------------------------------------------------------------------------------------------------


class Bar(NamedTuple):
    name: str
    energy: Energy
    length_ms: int
    money: Money | None = None

    @property
    def patchy(self) -> bool:
        return patchy(self.length_ms - self.energy.known_ms, self.length_ms)


def _draw_bars(found: Sequence[Bar], priced: bool, sheet: Sheet) -> Figure:
    heights_px = (210.0 if sheet.narrow else 240.0, *((110.0,) if priced else ()))
    figure, axes = axes_below(sheet, heights_px, gap_px=26)
    ax = axes[0]
    per_kwh = 3.6e9
    solar = [bar.energy.solar_mws / per_kwh for bar in found]
    surplus = [bar.energy.surplus_mws / per_kwh for bar in found]
    bought = [bar.energy.bought_mws / per_kwh for bar in found]
    planned = [bar.energy.planned_mws / per_kwh for bar in found]
    bars(ax, surplus, edged("spare"))
    bars(ax, solar, solid("caught"))
    bars(ax, [-y for y in bought], hatched("bought"))
    bars(ax, [-y for y in planned], hatched("planned"), upon=[-y for y in bought])
    for place, bar in enumerate(found):
        error = bar.energy.error_mws / per_kwh
        if uncertain(bar.energy):
            ax.plot([place] * 2, [solar[place] - error, solar[place] + error], color=DRAWN["ink"], linewidth=1.6)
        if bar.patchy:
            for each in axes if not bar.energy.known_ms else axes[:1]:
                each.axvspan(place - 0.4, place + 0.4, **unknown())
    high, low = max(surplus, default=0.0) or 1.0, max(map(sum, zip(bought, planned, strict=True)), default=0.0)
    ax.set_ylim(-max(1.15 * low, 0.06 * high), 1.12 * high)
    ruled(ax, in_kwh)
    if priced:
        lower = axes[1]
        saved = [float(bar.money.saved) if bar.money else 0.0 for bar in found]
        cost = [float(bar.money.cost) if bar.money else 0.0 for bar in found]
        bars(lower, [max(y, 0.0) for y in saved], solid("saved"))
        bars(lower, [min(y, 0.0) for y in saved], hatched("saved"))
        for place, bar in enumerate(found):
            if bar.money and bar.energy.charger_mws:
                lower.plot([place - 0.4, place + 0.4], [cost[place]] * 2, color=DRAWN["ink"], linewidth=2.0)
        most = max(0.01, *saved, *cost)
        lower.set_ylim(min(1.2 * min(*saved, *cost), -0.02 * most), 1.15 * most)
        ruled(lower, in_money)
    under_bars(axes, [bar.name for bar in found], sheet)
    return figure


def _bars_key(found: Sequence[Bar], priced: bool) -> list[tuple[str, str]]:
    key = [CAUGHT, SPARE, *_bought_key(any(bar.energy.planned_mws for bar in found))]
    if priced:
        key += [("saved", "money saved")]
        key += [("lost", "money lost")] if any(bar.money and bar.money.saved < 0 for bar in found) else []
        key += [("line", "what it cost")]
    if any(uncertain(bar.energy) for bar in found):
        key.append(("error", "±, where the draw is learned or assumed"))
    if any(bar.patchy for bar in found):
        key.append(("unknown", "not all of it is known"))
    return key


def _draw_squares(report: Report, sheet: Sheet) -> Figure:
    """Draw a square for each hour: its area is the surplus, the filled part of it what was caught."""
    lines, hours = report.lines, _sunny(report.hours)
    place = {line.first: index for index, line in enumerate(lines)}
    span = (max(hours) - min(hours) + 1) if hours else 1
    first_hour = min(hours, default=0)
    names = short_names(report)
    columns, rows = (span, len(lines)) if sheet.narrow else (len(lines), span)
    cell_px = min(30.0, sheet.room_px / columns)
    figure, (ax,) = axes_below(sheet, (cell_px * rows,))
    most_mws = max((hour.energy.surplus_mws for hour in report.hours), default=0) or 1
    outer: list[tuple[float, float, float, float]] = []
    inner: list[tuple[float, float, float, float]] = []
    hidden: list[tuple[float, float, float, float]] = []
    for hour in report.hours:
        across, along = place[hour.first], hour.hour - first_hour
        x, y = (along, across) if sheet.narrow else (across, along)
        if patchy(hour.length_ms - hour.energy.known_ms, hour.length_ms) and hour.hour in hours:
            hidden.append((x, y, 1.0, 1.0))
        for energy_mws, found in ((hour.energy.surplus_mws, outer), (hour.energy.solar_mws, inner)):
            side = 0.92 * math.sqrt(energy_mws / most_mws)
            if side > 0.05:
                found.append((x, y, side, side))
    ax.add_patch(PathPatch(squares(hidden), **unknown()))
    ax.add_patch(PathPatch(squares(outer), **edged("spare")))
    ax.add_patch(PathPatch(squares(inner), **solid("caught")))
    ax.set_xlim(-0.5, sheet.room_px / cell_px - 0.5)
    ax.set_ylim(rows - 0.5, -0.5)
    clock_names = [f"{first_hour + index:02d}" for index in range(span)]
    across_names, down_names = (clock_names, names) if sheet.narrow else (names, [f"{name}:00" for name in clock_names])
    marks = ticks(across_names, cell_px, sheet)
    ax.set_xticks([place for place, _ in marks], [name for _, name in marks])
    ax.set_yticks(range(rows), down_names)
    ax.spines["bottom"].set_visible(False)
    ax.grid(linewidth=0.5)
    ax.set_axisbelow(True)
    return figure


def _sunny(hours: Iterable[Hour]) -> set[int]:
    """Return the hours of the clock in which there ever was surplus, or a charge that was not by plan."""
    found = {hour.hour for hour in hours if hour.energy.surplus_mws or hour.energy.bought_mws}
    return set(range(min(found), max(found) + 1)) if found else set()


def _period_sections(report: Report) -> list[str]:
    found = [
        Bar(name, line.energy, ms_of(line.end) - ms_of(line.begin), line.money)
        for name, line in zip(short_names(report), report.lines, strict=True)
    ]
    best = max(report.lines, key=lambda line: line.energy.solar_mws)
    gist = (
        f"Surplus, what was caught of it, and what was bought, for each {report.by}. Most was caught on "
        f"{line_name(report, best)}: {kwh(best.energy.solar_mws)} kWh."
    )
    key = _bars_key(found, report.priced)
    caption = "Above, energy in kWh: surplus upwards, bought downwards."
    if report.priced:
        cost = report.total.money
        assert cost is not None
        gist += f" In all {rounded(abs(cost.saved))} {report.currency} was {'saved' if cost.saved >= 0 else 'lost'}."
        caption += f" Below, money in {report.currency}."
    picture = Picture(
        "lines",
        f"{report.by.capitalize()} by {report.by}",
        gist,
        lambda sheet: _draw_bars(found, report.priced, sheet),
        report.currency,
    )
    sections = [section(f"{report.by.capitalize()} by {report.by}", shown(picture, key, "lines", caption))]
    if _sunny(report.hours):
        caught_first = f"{percent(report.total.energy.solar_mws, report.total.energy.surplus_mws)} of it was caught"
        by_hour: dict[int, int] = {}
        for hour in report.hours:
            by_hour[hour.hour] = by_hour.get(hour.hour, 0) + hour.energy.surplus_mws - hour.energy.solar_mws
        missed = max(by_hour, key=lambda hour: by_hour[hour])
        picture = Picture(
            "squares",
            "When surplus was there, and when it was caught",
            f"A square for each hour of each {report.by}: its area is the surplus, the filled part what was caught. "
            f"In all {caught_first}; most was missed from {missed:02d}:00 on, {kwh(by_hour[missed])} kWh.",
            lambda sheet: _draw_squares(report, sheet),
        )
        caption = (
            f"A square for each hour of each {report.by}. Its area is the surplus that was there, the filled part what "
            f"was caught; the largest is {kwh(max(hour.energy.surplus_mws for hour in report.hours))} kWh."
        )
        key = [("caught", "caught"), ("spare", "not caught")]
        if any(patchy(hour.length_ms - hour.energy.known_ms, hour.length_ms) for hour in report.hours):
            key.append(("unknown", "not all of it is known"))
        sections.append(section("When the surplus was there", shown(picture, key, _squares_table(report), caption)))
    figures = section(f"{report.by.capitalize()} by {report.by}, in figures", _lines_table(report).html())
    return [*sections, figures]


def _lines_table(report: Report) -> Table:
    unsure = uncertain(report.total.energy)
    heads = [(report.by, ""), *((what, "kWh") for what in ("surplus", "caught", *_besides_heads(report), "charged"))]
    heads += [("±", "kWh")] if unsure else []
    heads += [("cost", report.currency), ("saved", report.currency)] if report.priced else []
    heads += [("on", "h:min"), ("starts", " "), ("not known", "h:min")]

    def row(name: str, line: Line) -> list[Value]:
        energy = line.energy
        if not energy.known_ms:  # nothing is known of it, which is not nothing
            return [name, *[NOT_KNOWN] * (len(heads) - 2), _time_cell(line.gap_ms)]
        cells: list[Value] = [name]
        cells += [_energy_cell(each) for each in (energy.surplus_mws, energy.solar_mws)]
        cells += [_energy_cell(each) for each in (*report.besides(energy), energy.charger_mws)]
        cells += [_energy_cell(energy.error_mws)] if unsure else []
        if report.priced and line.money:
            cells += [_money_cell(line.money.cost), _money_cell(line.money.saved)]
        elif report.priced:
            cells += ["", ""]
        return [*cells, _time_cell(energy.on_ms), _count_cell(line.starts), _time_cell(line.gap_ms)]

    rows = [row(line_name(report, line), line) for line in report.lines]
    return Table("lines", f"Each {report.by}", heads, rows, row("Total", report.total), quiet=True)


def _squares_table(report: Report) -> Table:
    hours = sorted(_sunny(report.hours))
    found = {(hour.first, hour.hour): hour.energy for hour in report.hours}
    rows: list[list[Value]] = []
    for line in report.lines:
        row: list[Value] = [line_name(report, line)]
        for hour in hours:
            energy = found.get((line.first, hour))
            known = energy is not None and energy.known_ms
            row.append(f"{kwh(energy.solar_mws)} / {kwh(energy.surplus_mws)}" if energy and known else "?")
        rows.append(row)
    heads = [(report.by, ""), *((f"{hour:02d}:00", " ") for hour in hours)]
    return Table("squares", f"Caught / surplus of each hour of each {report.by}, kWh", heads, rows)


# --- of both ---------------------------------------------------------------------------------------------------------


def _totals(report: Report) -> str:
    line, energy = report.total, report.total.energy
    tables = []
    if report.priced:
        costs: list[list[Value]] = []
        for row in money_rows(report):
            energy_cell = "" if row.energy_mws is None else _energy_cell(row.energy_mws)
            costs.append([row.what.capitalize(), energy_cell, _money_cell(row.money)])
            if uncertain(energy):
                costs[-1].append("" if row.error is None else _money_cell(row.error))
        heads = [("", ""), ("", "kWh"), ("", report.currency)]
        heads += [("±", report.currency)] if uncertain(energy) else []
        table = Table("money", "The charger's energy, and what it cost", heads, costs[:-1], costs[-1], quiet=True)
        tables.append(f"<div><h2>The reckoning</h2>{table.html()}</div>")
    missed = energy.surplus_mws - energy.solar_mws
    bought: list[list[Value]] = [
        [what, _energy_cell(mws)]
        for what, mws in zip(
            ("Bought beside the sun", "Bought by plan") if report.planned else ("Bought for the car",),
            report.bought(energy),
            strict=True,
        )
    ]
    stored: list[list[Value]] = [["of it, into the house's battery", _energy_cell(energy.stored_mws)]]
    given: list[list[Value]] = [["From the house's battery", _energy_cell(energy.battery_mws)]]
    rows: list[list[Value]] = [
        ["Surplus caught", _energy_cell(energy.solar_mws)],
        ["Surplus not caught", _energy_cell(missed)],
        *(stored if energy.stored_mws else []),
        *bought,
        *(given if energy.battery_mws else []),
        ["The car in all", _energy_cell(energy.charger_mws)],
    ]
    if uncertain(energy):
        rows.append(["± of the car", _energy_cell(energy.error_mws)])
    rows.append(["Imported by the whole house", _energy_cell(energy.import_mws)])
    table = Table("energy", "Energies of the whole period", [("", ""), ("", "kWh")], rows, quiet=True)
    starts = "not known" if line.starts is None else str(line.starts)
    single = [("Charging", duration(energy.on_ms / 1000)), ("Starts", starts)]
    if line.gap_ms >= SHORTEST_GAP_MS:
        single.append(("Not known", duration(line.gap_ms / 1000)))
    tables.append(f"<div><h2>The energy</h2>{table.html()}{facts(single)}</div>")
    return f'<section class="pair">{"".join(tables)}</section>'


def _sessions(report: Report) -> str:
    if not report.sessions:
        return ""
    heads = [("no.", ""), ("from", ""), ("to", ""), ("charged", "kWh"), ("sun", "kWh")]
    heads += [(what, "kWh") for what in _besides_heads(report)]
    heads += [("cost", report.currency), ("saved", report.currency)] if report.priced else []
    heads += [("on", "h:min"), ("charges", " "), ("how it ended", "")]
    rows: list[list[Value]] = []
    for number, session in enumerate(report.sessions, 1):
        energy = session.energy
        row: list[Value] = [str(number), moment(report, ms_of(session.begin))]
        row.append(moment(report, ms_of(session.end) if session.end else None, "now"))
        row += [_energy_cell(each) for each in (energy.charger_mws, energy.solar_mws, *report.besides(energy))]
        if report.priced:
            row += [_money_cell(session.money.cost), _money_cell(session.money.saved)] if session.money else ["", ""]
        rows.append([*row, _time_cell(energy.on_ms), count_cell(session.charges), session.ended])
    table = Table("sessions", "Sessions, each with all of its charges", heads, rows, quiet=True)
    if report.single:
        return section("Sessions", table.html())
    one_by_one = folded(f"{counted(len(rows), 'session')}, one by one", table.html())
    return f'<section class="folded"><h2>Sessions</h2>{one_by_one}</section>'


def _ahead(report: Report) -> str:
    if report.ahead is None:
        return ""
    rows: list[list[Value]] = [
        [
            moment(report, round(run.begin_s * 1000)),
            moment(report, round(run.end_s * 1000)),
            _energy_cell(round(run.wh * MWS_PER_WH)),
            "decided" if run.sure else "unless the sun does better",
        ]
        for run in report.runs
    ]
    heads = [("from", ""), ("to", ""), ("charged", "kWh"), ("how sure it is", "")]
    table = Table("ahead", "What is to be charged", heads, rows, quiet=True).html() if rows else ""
    made = moment(report, round(report.ahead.made_s * 1000))
    return section("What is planned", f"<p>{words(f'As of {made}: {report.ahead.text}.')}</p>{table}")


def _needs(report: Report) -> str:
    if not report.needs:
        return ""
    compared = any(need.at_once is not None for need in report.needs)
    heads = [("needed by", ""), *((what, "kWh") for what in ("needed", "came", "of it sun"))]
    heads += [(what, report.currency) for what in ("cost", "at once", "at best")] if compared else []
    heads += [("ready", "")]

    def amounts(costs: Iterable[Decimal | None]) -> list[Value]:
        return ["" if cost is None else _money_cell(cost) for cost in costs] if compared else []

    rows: list[list[Value]] = []
    for need in report.needs:
        due = need.due
        row: list[Value] = [moment(report, due.by_ms)]
        row += [_energy_cell(mws) for mws in (due.needed_mws, due.came_mws, due.solar_mws)]
        rows.append([*row, *amounts((need.cost, need.at_once, need.best)), outcome(need)])
    found = together(report.needs)
    assert found is not None
    total: list[Value] = []
    if len(rows) > 1:
        total = ["All", "", "", "", *amounts((found.cost, found.at_once, found.best)), f"{found.met} of {found.needs}"]
    table = Table("needs", "What was needed by when, and came", heads, rows, total, quiet=True).html()
    if report.single or len(rows) <= MOST_DAYS_BY_DAY:
        return section("What was needed", table)
    return section("What was needed", folded(f"{counted(len(rows), 'time')}, one by one", table))


def _bought_key(planned: bool) -> list[tuple[str, str]]:
    return [BESIDE, PLANNED] if planned else [BOUGHT]


def _besides_heads(report: Report) -> list[str]:
    given = ["battery"] if report.total.energy.battery_mws else []
    return [*(["beside sun", "by plan"] if report.planned else ["bought"]), *given]


def _faults(report: Report) -> str:
    if not report.faults:
        return ""
    rows = [
        [
            _letter(number),
            fault.code,
            moment(report, fault.begin_ms),
            moment(report, fault.end_ms),
            FAULT_SENTENCES.get(fault.code, ""),
        ]
        for number, fault in enumerate(report.faults)
    ]
    heads = [("letter", ""), ("fault", ""), ("from", ""), ("to", ""), ("what it means", "")]
    return section("Faults", Table("faults", "Faults of this time", heads, rows, quiet=True).html())


def _reading(report: Report) -> str:
    items = list(notes(report))
    if report.gaps and report.total.energy.known_ms:
        spans = ", ".join(f"{moment(report, begin)} to {moment(report, end)}" for begin, end in report.gaps)
        items.insert(0, f"Not known: {spans}.")
    for span in report.thresholds:
        if span.band.start_w is None:
            items.append(
                f"From {moment(report, span.begin_ms)} to {moment(report, span.end_ms)} no charge starts at these "
                "prices: surplus is worth more sold."
            )
    return section("How to read the figures", listed(items)) if items else ""
