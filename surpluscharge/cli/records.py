"""What is on record: ``history``, ``export``, ``import``, ``report``."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import shutil
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from surpluscharge.cli.common import (
    CannotError,
    Progress,
    date_of,
    extra,
    moment_of,
    now_of,
    refusing,
    sure,
    there_already,
    unwritable,
    write,
)
from surpluscharge.cli.readings import COLUMNS, layout, layout_options
from surpluscharge.clock import SystemClock, zone
from surpluscharge.config import Config, load, load_offline
from surpluscharge.control.rule import Way
from surpluscharge.daemon import logs, store
from surpluscharge.history import energy, exchange, report
from surpluscharge.history.ledger import Ledger, LedgerError, Retention
from surpluscharge.history.readings import ReadingsError
from surpluscharge.history.report import contacts
from surpluscharge.planning import comparing
from surpluscharge.words import counted, duration, printable, to_install

TOLD_COLUMNS = 72  # of a report that is sent, or kept as text
TELL_WITHIN_S = 86400.0
LONG_GAP_S = 600  # shorter ones are not worth a line


def _positive(text: str) -> float:
    with contextlib.suppress(ValueError):
        if 0.0 < (value := float(text)) <= 86400.0:
            return value
    raise argparse.ArgumentTypeError(f"{text!r} is no time to hold a reading: write seconds, such as 180")


def _history(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    now = now_of(config)
    if options.mend:
        with contextlib.ExitStack() as stack:
            try:
                stack.enter_context(store.alone(config.state_file))
            except ValueError as error:
                raise CannotError(f"{error}. Nothing was mended") from None
            stack.enter_context(Ledger(config.recorded_file)).mend(energy.ms_of(now), now.tzinfo, config.tariffs())
    bounds, gaps = None, []
    with Ledger(config.recorded_file, read_only=True) as ledger, ledger.snapshot():
        found = ledger.check(energy.ms_of(now), now.tzinfo)
        if not any(trouble.ruined for trouble in found):
            bounds, gaps = ledger.bounds(), ledger.gaps(LONG_GAP_S * 1000)
    print(f"{config.recorded_file}: {config.recorded_file.stat().st_size / 1e6:.2f} MB")
    if bounds:
        first, last = (energy.time_of(at_ms, now.tzinfo) for at_ms in bounds)
        print(f"readings from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}")
        missing_s = sum(end_ms - begin_ms for begin_ms, end_ms in gaps) / 1000
        print(f"{counted(len(gaps), 'gap')} of more than {duration(LONG_GAP_S)}, {duration(missing_s)} in all")
        for begin_ms, end_ms in sorted(gaps, key=lambda gap: gap[0] - gap[1])[:3]:
            print(f"  {energy.time_of(begin_ms, now.tzinfo):%Y-%m-%d %H:%M}, {duration((end_ms - begin_ms) / 1000)}")
    for trouble in found:
        print(f"wrong: {trouble.what}. {trouble.remedy}.")
    if not found:
        print("Nothing is damaged, nothing is counted twice, and the daily totals agree with the readings.")
    return 1 if found else 0


def _export(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    now = now_of(config)
    named = "parquet" if options.output is not None and options.output.suffix.lower() == ".parquet" else "csv"
    if options.output is not None and options.format == "csv" and named == "parquet":
        raise CannotError(
            f"{options.output} is named as Parquet, and csv was asked for: name it .csv, or leave csv out"
        )
    form = options.format or named
    if options.output is not None and options.output.exists():  # it might be the ledger itself
        raise there_already(options.output)
    with Ledger(config.recorded_file, read_only=True) as ledger, ledger.snapshot():
        bounds = ledger.bounds()
        first = energy.time_of(bounds[0], now.tzinfo) if bounds else now
        if options.what in ("joints", "looks"):  # which are kept for longer than what was read
            first = energy.time_of(0, now.tzinfo)
        begin = moment_of(options.begin, now.tzinfo) if options.begin else first
        end = moment_of(options.end, now.tzinfo, included=True) if options.end else now
        rows = exchange.records(ledger, options.what, begin, end, now.tzinfo, tariffs=config.tariffs())
        try:
            if form == "parquet":
                if options.output is None:
                    raise LedgerError("Parquet is no text: name a file with --output")
                count = exchange.write_parquet(rows, options.output)
            elif options.output is None:
                count = exchange.write_csv(rows, sys.stdout)
            else:
                with options.output.open("x", encoding="utf-8", newline="") as file:
                    count = exchange.write_csv(rows, file)
        except ImportError:
            raise LedgerError(f"Parquet needs a library: {to_install('parquet')}") from None
        except OSError as error:
            if isinstance(error, BrokenPipeError):
                raise
            raise LedgerError(f"{options.output} cannot be written: {error.strerror}") from None
    print(counted(count, "row"), file=sys.stderr)
    return 0


def _import(options: argparse.Namespace) -> int:
    if (options.file is not None) + options.list + (options.undo is not None) != 1:
        raise CannotError("name a file to import, or say --list, or --undo NUMBER: one of the three")
    config = load_offline(options.config)
    if options.list:
        return _fillings(config)
    if options.undo is not None:
        return _undo_import(options, config)
    now, path = now_of(config), config.recorded_file
    kept = Retention(config.history.readings_days, config.history.minutes_days, config.history.quarter_hours_days)
    if not options.dry_run:
        print(f"into {path}: --dry-run says beforehand what would come of it", file=sys.stderr)
    with exchange.rehearsal(path) if options.dry_run else Ledger(path) as ledger, Progress("importing") as bar:
        try:
            done = exchange.import_readings(
                ledger,
                options.file,
                energy.ms_of(now),
                now.tzinfo,
                kept,
                tariffs=config.tariffs(),
                fresh_s=options.fresh_s,
                gaps_only=options.gaps_only,
                limit_w=comparing.configured_limit_w(config),
                layout=layout(options),
                progress=bar,
            )
        except (LedgerError, ReadingsError) as error:
            raise LedgerError(f"{error}. Nothing was imported") from None
    filled = done.filled
    if filled.rows:
        first, last = (energy.time_of(at_ms, now.tzinfo) for at_ms in (filled.begin_ms, filled.end_ms))
        print(f"from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}, each reading held for {done.fresh_s:g} s at most")
        if how := exchange.as_kept(done, now.tzinfo, now.date(), kept):
            print(how)
    flows = filled.energy
    print(
        f"{counted(filled.rows, 'row')}: import {flows.import_wh / 1000:.1f} kWh, "
        f"export {flows.export_wh / 1000:.1f} kWh, charger {flows.charger_wh / 1000:.1f} kWh, "
        f"known for {duration(flows.known_ms / 1000)}"
    )
    if filled.again_ms:
        print(f"{duration(filled.again_ms / 1000)} were on record already, and left out")
    if done.skipped:
        print(f"skipped rows of the file: {done.skipped}")
    if doubt := done.sides.warning():
        print(f"warning: {doubt}", file=sys.stderr)
    if options.dry_run:
        print("Nothing was written.")
    elif filled.number is None:
        print("Nothing was new.")
    else:
        print(f"Imported, as number {filled.number}: --undo {filled.number} takes it back.")
    return 0


def _fillings(config: Config) -> int:
    now = now_of(config)
    with Ledger(config.recorded_file, read_only=True) as ledger, ledger.snapshot():
        listed, since_ms = ledger.fillings(), ledger.numbered_ms()
        flows = {one.number: ledger.still_in(one.number) for one in listed if one.undone_ms is None}
    for one in listed:
        made, first, last = (energy.time_of(at_ms, now.tzinfo) for at_ms in (one.at_ms, one.begin_ms, one.end_ms))
        print(
            f"{one.number}: {printable(one.source)}, imported {made:%Y-%m-%d %H:%M}, "
            f"from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}, {counted(one.rows, 'row')}"
        )
        if one.undone_ms is not None:
            print(f"   undone {energy.time_of(one.undone_ms, now.tzinfo):%Y-%m-%d %H:%M}")
        else:
            print(f"   {_kwh(flows[one.number])} of it as intervals")
    if not listed:
        print("No import has a number.")
    if since_ms is not None:
        since = energy.time_of(since_ms, now.tzinfo)
        print(f"Imports made before {since:%Y-%m-%d %H:%M} have no number, and cannot be undone.")
    return 0


def _kwh(flows: energy.Energy) -> str:
    return (
        f"import {flows.import_wh / 1000:.1f} kWh, export {flows.export_wh / 1000:.1f} kWh, "
        f"charger {flows.charger_wh / 1000:.1f} kWh"
    )


def _undo_import(options: argparse.Namespace, config: Config) -> int:
    now, path, number = now_of(config), config.recorded_file, options.undo
    if not path.exists():
        raise CannotError(f"{path}: there is no history yet, and so no import to undo")

    with Ledger(path, read_only=True) as ledger, ledger.snapshot():
        one, amount = ledger.undoable(number, now.tzinfo), _kwh(ledger.still_in(number))
    first, last = (energy.time_of(at_ms, now.tzinfo) for at_ms in (one.begin_ms, one.end_ms))
    print(f"import {number}, {printable(one.source)}, from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}: {amount}")
    if options.dry_run:
        print("Nothing was undone.")
        return 0
    sure("All that it added goes; what was there before, and what has come since, stays.", options.yes)
    with Ledger(path) as ledger:
        ledger.unfill(number, energy.ms_of(now), now.tzinfo, tariffs=config.tariffs())
    print(f"Import {number} is undone.")
    return 0


def _day(text: str) -> date | int:
    """Return a date, or how many days ago it is, since only the configuration knows what is today at the house."""
    named = {"today": 0, "yesterday": 1}
    return named[text] if text in named else date_of(text)


def _month(text: str) -> tuple[date, date] | str:
    """Return a month's first and last day; for "last" that, since only the configuration knows what is today."""
    if text == "last":
        return text
    try:
        return report.month_of(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no month: write it as 2031-05") from None


def _period(options: argparse.Namespace, today: date) -> tuple[date, date]:
    """Return the first and last day that are asked for. Raises ReportError where that is contradictory."""

    def known(day: date | int) -> date:
        return today - timedelta(days=day) if isinstance(day, int) else day

    several = options.first is not None or options.last is not None
    if (options.day is not None) + (options.month is not None) + several > 1:
        raise report.ReportError("--day, --month and --from/--to exclude one another: give one of them")
    if options.month is not None:
        before = today.replace(day=1) - timedelta(days=1)
        first, last = report.month_of(f"{before:%Y-%m}") if options.month == "last" else options.month
        return first, last
    if not several:
        day = known(options.day or 0)
        return day, day
    if options.first is None:
        raise report.ReportError("--to needs --from: give the first day as well")
    return known(options.first), known(options.last or 0)


@refusing(report.ReportError)
def _report(options: argparse.Namespace) -> int:
    config = load(options.config) if options.tell else load_offline(options.config)
    somebody = any("month" in (table.about or ["month"]) for table in config.tell)
    if options.tell and not somebody:
        nobody = f'{options.config}: nobody is told of months: a [[tell]] with "month" in its about is needed'
        if options.into is None:
            raise CannotError(nobody)
        print(nobody, file=sys.stderr)  # what is kept is what was asked for, too: as the timer's unit asks
    now = now_of(config)
    site = report.Household(
        config.charger.name,
        now.tzinfo,
        config.tariffs(),
        config.band,
        config.history.batch_s,
        lambda prices: config.rule(prices if config.way.follows_prices else None).band(config.draw_w),
        thresholds_move=config.way is Way.AHEAD,
    )
    if options.socket:
        if options.into is not None or options.tell:
            raise CannotError("--socket goes with --html or --json, and with neither --into nor --tell")
        return _socket(options, config)
    first, last = _period(options, now.date())
    with Ledger(config.recorded_file, read_only=True) as ledger:
        made = report.build(ledger, first, last, now, site)
    page = None
    if options.html is not None:
        page = extra("surpluscharge.history.report.page").as_html(made)
        write(options.html, page)
        print(f"{options.html} written", file=sys.stderr)
    elif options.into is not None:
        page = _kept(options.into, made)
    if options.tell and somebody:
        _tell(config, made, page)
    encoding = sys.stdout.encoding or "ascii"
    if options.json:
        print(json.dumps(report.as_json(made), indent=2))
    elif not (options.html or options.into or options.tell):
        text = report.as_text(made, shutil.get_terminal_size().columns, report.marks_for(encoding))
        print(text.encode(encoding, "replace").decode(encoding))
    return 0


def _kept(folder: Path, made: report.Report) -> str | None:
    """Write a report there by its period's name: as a page, which is returned, or as text without what draws it."""
    monthly = (made.first, made.last) == report.month_of(f"{made.first:%Y-%m}")
    name = f"{made.first:%Y-%m}" if monthly else f"{made.first}-to-{made.last}"
    page: str | None = None
    with contextlib.suppress(CannotError):
        page = extra("surpluscharge.history.report.page").as_html(made)
    path = folder / f"report-{name}.{'txt' if page is None else 'html'}"
    try:
        folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(path, error) from None
    write(str(path), page or report.as_text(made, TOLD_COLUMNS, report.marks_for("utf-8")) + "\n")
    print(f"{path} written", file=sys.stderr)
    return page


def _tell(config: Config, made: report.Report, page: str | None) -> None:
    """Tell a report to all who are told of months. Raises CannotError where some cannot be told in a day."""
    from surpluscharge.daemon.telling import Notice, Telling  # noqa: PLC0415  (nothing else here needs it)

    logs.configure(config.log.level, config.log.format)
    text, name = (
        report.as_text(made, TOLD_COLUMNS, report.marks_for("utf-8")),
        report.period_name(made.first, made.last),
    )
    notice = Notice("month", name, f"what {name} came to", text, page)
    clock = SystemClock(zone(config.site.time_zone))
    log = logs.logger().bind(ration=logs.Ration(clock.now), charger=config.charger.name)
    try:
        missing = asyncio.run(Telling(config, lambda: clock, log).tell(notice, TELL_WITHIN_S))
    except (OSError, ValueError) as error:
        raise CannotError(f"a secret or certificate of [[tell]] cannot be used: {error}") from None
    if missing:
        raise CannotError(f"{', '.join(missing)} could not be told in {duration(TELL_WITHIN_S)}: see above why")


def _socket(options: argparse.Namespace, config: Config) -> int:
    """Report on the socket: over all that is on record, where no days are named."""
    now = now_of(config)
    named = (options.day, options.month, options.first, options.last)
    first, last = (None, None) if set(named) == {None} else _period(options, now.date())
    with Ledger(config.recorded_file, read_only=True) as ledger, ledger.snapshot():
        made = contacts.build(
            ledger,
            first,
            last,
            now,
            config.charger.name,
            config.contacts.rules,
            config.charger.voltage_v,
            config.charger.current_a,
        )
    if options.html is not None:
        write(options.html, extra("surpluscharge.history.report.contacts_page").as_html(made))
        print(f"{options.html} written", file=sys.stderr)
    if options.json:
        print(json.dumps(contacts.as_json(made), indent=2))
    elif options.html is None:
        print(printable(contacts.as_text(made, shutil.get_terminal_size().columns), lines=True))
    return 0


def add_history(sub: Any) -> None:
    sub.set_defaults(command=_history)
    sub.add_argument("action", choices=("check",))
    sub.add_argument("--mend", action="store_true", help="put right what can be; the daemon must be stopped")


def add_export(sub: Any) -> None:
    sub.set_defaults(command=_export)
    sub.add_argument(
        "format", nargs="?", choices=("csv", "parquet"), help="default: as the file is named, otherwise csv"
    )
    sub.add_argument("--from", dest="begin", metavar="TIME", help="a day, or an RFC 3339 time (default: the first)")
    sub.add_argument("--to", dest="end", metavar="TIME", help="a day, included, or a time (default: now)")
    sub.add_argument("--what", choices=exchange.WHAT, default="readings", help="default: readings")
    sub.add_argument("--output", type=Path, metavar="FILE", help="needed for parquet (and the parquet extra)")


def add_import(sub: Any) -> None:
    sub.set_defaults(command=_import)
    sub.add_argument(
        "file",
        type=Path,
        nargs="?",
        help=f"its columns: {COLUMNS}; charger_w where the charger was on, and is in the grid's power",
    )
    layout_options(sub)
    sub.add_argument("--dry-run", action="store_true", help="check and count everything, and write nothing")
    sub.add_argument("--list", action="store_true", help="list the imports on record, by number")
    sub.add_argument("--undo", type=int, metavar="NUMBER", help="take back what this import added, and nothing else")
    sub.add_argument("--yes", action="store_true", help="do not ask before something is undone")
    sub.add_argument(
        "--fresh-s", type=_positive, metavar="S", help="hold no reading longer (default: thrice the usual interval)"
    )
    sub.add_argument("--gaps-only", action="store_true", help="leave out what is on record already")


def add_report(sub: Any) -> None:
    sub.set_defaults(command=_report)
    sub.add_argument("--day", type=_day, metavar="DATE", help="a day: 2031-05-14, today or yesterday (default: today)")
    sub.add_argument("--month", type=_month, metavar="MONTH", help="a month: 2031-05, or last")
    sub.add_argument("--from", type=_day, dest="first", metavar="DATE", help="the first of several days")
    sub.add_argument("--to", type=_day, dest="last", metavar="DATE", help="and the last (default: today)")
    sub.add_argument("--json", action="store_true", help="print the figures as JSON")
    sub.add_argument("--html", metavar="FILE", help="write a page with pictures (needs the report extra)")
    sub.add_argument(
        "--into",
        type=Path,
        metavar="FOLDER",
        help="write it there, named by its days: a page, or text without the report extra",
    )
    sub.add_argument("--tell", action="store_true", help="send it to those whom [[tell]] tells of months")
    sub.add_argument("--socket", action="store_true", help="say how the socket is doing instead (default: ever)")
