"""The report as text for a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, pairwise
from typing import NamedTuple

from surpluscharge.history.energy import Energy, ms_of
from surpluscharge.history.ledger import FaultSpan
from surpluscharge.history.report.figures import (
    FAULT_SENTENCES,
    LEAST_MWS,
    SHORTEST_GAP_MS,
    Line,
    Report,
    patchy,
    worth_a_line,
)
from surpluscharge.history.report.words import (
    changed,
    clock,
    kwh,
    line_name,
    moment,
    money_rows,
    notes,
    outcome,
    percent,
    rounded,
    summary,
    title,
    uncertain,
)
from surpluscharge.words import duration


class Marks(NamedTuple):
    """What bars are drawn with."""

    caught: str
    bought: str
    spare: str
    unknown: str
    planned: str


BLOCKS = Marks("█", "▒", "░", "·", "≡")
PLAIN = Marks("#", "+", ".", "?", "=")


def marks_for(encoding: str | None) -> Marks:
    """Return the marks that an output of this encoding can show."""
    try:
        "".join(BLOCKS).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return PLAIN
    return BLOCKS


def as_text(report: Report, width: int = 80, marks: Marks = BLOCKS) -> str:
    """Return the report for a terminal of this width, in columns (at least 40)."""
    width = max(40, width)
    parts = [f"{report.charger}: {title(report)}", "", *_wrapped(summary(report), width)]
    if report.total.energy.known_ms:
        if report.priced and report.total.energy.charger_mws >= LEAST_MWS:
            parts += ["", *_money_table(report, width)]
        parts += ["", *(_hour_table(report, width, marks) if report.single else _line_table(report, width, marks))]
        energies = [each.energy for each in (report.hours if report.single else report.lines)]
        legend = list(_legend(energies, marks, width))
        parts += ["", *legend] if legend else []
    if report.sessions and report.single:
        parts += ["", *_session_table(report, width)]
    if len(report.needs) > 1 and report.by == "day":
        parts += ["", *_need_table(report, width)]
    if report.faults:
        parts += ["", "Faults", *_wrapped([_fault_text(report, fault) for fault in report.faults], width, "  ")]
    if report.gaps and report.total.energy.known_ms:
        spans = ", ".join(f"{moment(report, begin)} to {moment(report, end)}" for begin, end in report.gaps)
        parts += ["", *_wrapped([f"Not known: {spans}."], width)]
    parts += ["", *_wrapped(notes(report), width)]
    return "\n".join(line.rstrip() for line in parts)


def _wrapped(sentences: Iterable[str], width: int, indent: str = "") -> Iterator[str]:
    for sentence in sentences:
        line = indent
        for word in sentence.split():
            if len(line) + len(word) > width and line.strip():
                yield line
                line = indent + "  " if indent else ""
            line += word + " "
        yield line


def _fault_text(report: Report, fault: FaultSpan) -> str:
    end = f"to {moment(report, fault.end_ms)}" if fault.end_ms is not None else "and still there"
    return f"{moment(report, fault.begin_ms)} {end}: {fault.code}. {FAULT_SENTENCES.get(fault.code, '')}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> list[str]:
    """Return lines of columns, the first ``left`` of them and a last one of bars to the left, numbers to the right."""
    widths = [max(len(row[column]) for row in [head, *rows]) for column in range(len(head))]

    def line(row: Sequence[str]) -> str:
        return "  ".join(
            cell.ljust(widths[column]) if column < left else cell.rjust(widths[column])
            for column, cell in enumerate(row)
        )

    return [line(head), *(line(row) for row in rows)]


def _money_table(report: Report, width: int) -> list[str]:
    rows = [
        [row.what, "" if row.energy_mws is None else kwh(row.energy_mws), rounded(row.money)]
        + ([] if not uncertain(report.total.energy) else ["" if row.error is None else f"+- {rounded(row.error)}"])
        for row in money_rows(report)
    ]
    lines = _table(["", "kWh", report.currency, ""][: len(rows[0])], rows)
    return lines if len(lines[0]) <= width else _table(["", "kWh", report.currency], [row[:3] for row in rows])


def _bar(energy: Energy, full_mws: int, cells: int, marks: Marks) -> str:
    """Return a bar: what was caught of the surplus, what was not, and what was bought beside it and by plan."""
    if full_mws < LEAST_MWS:
        return ""
    missed_mws = energy.surplus_mws - energy.solar_mws  # sold, or stored in the house
    lengths = (energy.solar_mws, missed_mws, energy.bought_mws, energy.planned_mws)
    ends = [0, *(round(edge * cells / full_mws) for edge in accumulate(lengths))]
    looks = (marks.caught, marks.spare, marks.bought, marks.planned)
    return "".join(look * (end - begin) for look, (begin, end) in zip(looks, pairwise(ends), strict=True))


def _besides_heads(report: Report) -> list[str]:
    given = ["battery"] if report.total.energy.battery_mws else []
    return [*(["beside", "by plan"] if report.planned else ["bought"]), *given]


def _besides(report: Report, energy: Energy) -> list[str]:
    return [kwh(mws) for mws in report.besides(energy)]


def _full_mws(energies: Iterable[Energy]) -> int:
    return max((energy.surplus_mws + energy.grid_mws for energy in energies), default=0)


def _fitted(
    rows: list[list[str]], head: list[str], width: int, for_bars: Sequence[int], spare: Sequence[int] = ()
) -> tuple[list[list[str]], int]:
    """Leave out columns, first to go first, until 12 cells are left for bars, and others until the rest has room."""
    for column in [*for_bars, *spare, -1]:
        used = len(_table(head, rows)[0])
        if column < 0 or (column in spare and width >= used):
            break
        if column in for_bars and width - used >= 14:
            continue
        del head[column]
        for row in rows:
            del row[column]
    return rows, max(0, width - used - 2)


def _with_bars(head: list[str], rows: list[list[str]], bars: Sequence[str], cells: int) -> list[str]:
    lines = _table(head, rows)
    if cells < 6:
        return lines
    return [lines[0], *(f"{line}  {bar}" for line, bar in zip(lines[1:], [*bars, ""], strict=False))]


def _hour_table(report: Report, width: int, marks: Marks) -> list[str]:
    hours = [hour for hour in report.hours if worth_a_line(hour)]
    if not hours:
        return ["There was no surplus, and nothing was charged."]
    head = ["hour", "surplus", "caught", *_besides_heads(report)]
    rows = [
        [
            f"{hour.hour:02d}",
            *(
                ["?"] * (len(head) - 1)
                if not hour.energy.known_ms
                else [kwh(hour.energy.surplus_mws), kwh(hour.energy.solar_mws), *_besides(report, hour.energy)]
            ),
        ]
        for hour in hours
    ]
    rows, cells = _fitted(rows, head, width, ())
    full_mws = _full_mws(hour.energy for hour in hours)
    bars = [
        _bar(hour.energy, full_mws, cells, marks)
        + (marks.unknown * 3 if patchy(hour.length_ms - hour.energy.known_ms, hour.length_ms) else "")
        for hour in hours
    ]
    energy = report.total.energy
    rows.append(["kWh", kwh(energy.surplus_mws), kwh(energy.solar_mws), *_besides(report, energy)])
    return _with_bars(head, rows, bars, cells)


def _line_table(report: Report, width: int, marks: Marks) -> list[str]:
    head = [report.by, "sun", *_besides_heads(report), "kWh"]
    sums = len(head) - 1
    if report.priced:
        head += ["cost", "saved"]
    head += ["on", "starts", "unknown"]

    def row(name: str, line: Line) -> list[str]:
        energy = line.energy
        known = energy.known_ms > 0
        cells = [name, kwh(energy.solar_mws), *_besides(report, energy), kwh(energy.charger_mws)]
        if report.priced:
            cells += [rounded(line.money.cost), rounded(line.money.saved)] if line.money else ["-", "-"]
        cells += [clock(energy.on_ms), "?" if line.starts is None else str(line.starts)]
        if not known:
            cells = [name, *["?"] * (len(cells) - 1)]
        return [*cells, duration(line.gap_ms / 1000) if line.gap_ms >= SHORTEST_GAP_MS else ""]

    rows = [row(line_name(report, line), line) for line in report.lines]
    rows.append(row("total", report.total))
    # The last columns can be spared before the first ones, the sum of sun and bought after them, and then money.
    last = len(head) - 1
    money_columns = range(sums + 2, sums, -1) if report.priced and report.planned else ()
    rows, cells = _fitted(rows, head, width, range(last, last - 3, -1), (*money_columns, sums))
    full_mws = _full_mws(line.energy for line in report.lines)
    made = _with_bars(head, rows, [_bar(line.energy, full_mws, cells, marks) for line in report.lines], cells)
    for epoch in reversed(report.epochs):  # before the line in which it lies
        place = sum(ms_of(line.end) <= epoch.begin_ms for line in report.lines)
        made[1 + place : 1 + place] = [f"-- {changed(report, epoch)} --"[:width]]
    return made


def _legend(energies: Sequence[Energy], marks: Marks, width: int) -> Iterator[str]:
    full_mws = _full_mws(energies)
    if full_mws < LEAST_MWS:
        return iter(())
    bought = f"{marks.bought} bought for the car"
    if any(energy.planned_mws for energy in energies):
        bought = f"{marks.bought} bought beside the sun, {marks.planned} bought by plan"
    text = (
        f"Bars: {marks.caught} surplus caught, {marks.spare} surplus not caught, {bought}; the longest is "
        f"{kwh(full_mws)} kWh."
    )
    return _wrapped([text], width)


def _need_table(report: Report, width: int) -> list[str]:
    compared = any(need.at_once is not None for need in report.needs)
    head = ["needed by", "ready", "kWh", "came", "sun", *(("cost", "at once", "at best") if compared else ())]
    rows = []
    for need in report.needs:
        due = need.due
        row = [moment(report, due.by_ms), outcome(need)]
        row += [kwh(mws) for mws in (due.needed_mws, due.came_mws, due.solar_mws)]
        if compared:
            row += ["-" if cost is None else rounded(cost) for cost in (need.cost, need.at_once, need.best)]
        rows.append(row)
    for columns in (len(head), 5, 4):
        lines = _table(head[:columns], [row[:columns] for row in rows], left=2)
        if max(map(len, lines)) <= width:
            break
    return lines


def _session_table(report: Report, width: int) -> list[str]:
    given = report.total.energy.battery_mws > 0
    head = ["session", "to", "kWh", "sun", *(["battery"] if given else [])]
    if report.priced:
        head += [report.currency]
    head += ["on"]
    rows = []
    for session in report.sessions:
        energy = session.energy
        row = [
            moment(report, ms_of(session.begin)),
            moment(report, ms_of(session.end) if session.end else None, "now"),
            kwh(energy.charger_mws),
            percent(energy.solar_mws, energy.charger_mws),
            *([percent(energy.battery_mws, energy.charger_mws)] if given else []),
        ]
        if report.priced:
            row.append(rounded(session.money.cost) if session.money else "-")
        rows.append([*row, clock(energy.on_ms)])
    lines = _table(head, rows, left=2)
    if width - len(lines[0]) < 30:
        return lines
    return [
        f"{lines[0]}  its end",
        *(f"{line}  {session.ended}" for line, session in zip(lines[1:], report.sessions, strict=True)),
    ]
