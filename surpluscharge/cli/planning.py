"""What prices mean, and what could have been: ``advise``, ``replay``, ``tune``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from surpluscharge.cli.common import CannotError, Progress, date_of, extra, refusing, there_already, write
from surpluscharge.cli.readings import READINGS, layout, layout_options
from surpluscharge.clock import SystemClock, zone
from surpluscharge.config import load_offline
from surpluscharge.history.energy import time_of
from surpluscharge.history.readings import ReadingsError
from surpluscharge.planning import advise, comparing, compiling, tune
from surpluscharge.planning import replay as replaying
from surpluscharge.words import to_install

PRICES = (
    "import prices that moved: JSON as the topic has them, or CSV with a header of start, minutes or end, and price "
    "(default: with the ledger those on record, else those of [money])"
)


def _advise(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    tariffs, control = config.tariffs(), config.control
    now = SystemClock(zone(config.site.time_zone)).wall()
    advices = advise.advise(config.draw_w, tariffs, now, control.min_on_s, control.min_off_s) if tariffs else []
    if tariffs is None or not advices:
        lacking = "has no [money] table" if tariffs is None else "has no tariff in [money] that is valid within a week"
        print(f"{options.config} {lacking}: add the prices, as config.example.toml shows", file=sys.stderr)
        return 1
    if options.json:
        print(json.dumps(advise.as_json(advices, config.draw_w, tariffs.currency), indent=2, ensure_ascii=False))
        return 0
    print(advise.as_text(advices, config.draw_w, tariffs.currency))
    if (netting := config.netting_at()).nets:
        print(
            f"\nThe bill nets over each {netting.words}: read surplus as its mean over one. What an interval would "
            "export costs what export earns, charged at any power; what is beyond it, the import price."
        )
    if not config.way.follows_prices:
        print('\nTo follow the prices, set start_export_w = "auto" and stop_import_w = "auto" in [control].')
    return 0


@refusing(ReadingsError)
def _replay(options: argparse.Namespace) -> int:
    pictures = extra("surpluscharge.planning.pictures") if options.html else None
    case = _study(options)
    with Progress("replaying") as bar:
        found = comparing.compare(case, bar)
    if pictures:
        try:
            write(options.html, pictures.of_replay(found, options.day))
        except ValueError as error:
            raise CannotError(f"{options.readings}: {error}") from None
    if options.json:
        print(json.dumps(comparing.as_json(found), indent=2, ensure_ascii=False))
    else:
        print(comparing.as_text(found))
    return 0


@refusing(ReadingsError)
def _tune(options: argparse.Namespace) -> int:
    if options.write and Path(options.write).exists():
        raise there_already(options.write)
    pictures = extra("surpluscharge.planning.pictures") if options.html else None
    case = _study(options)
    if not compiling.available():
        print(
            f"not compiled, so this takes a while: {to_install('tune')}, makes it fast",
            file=sys.stderr,
        )
    try:
        with Progress("tuning") as bar:
            found = tune.tune(case, options.objective, bar)
    except ValueError as error:
        raise CannotError(f"{options.config}: {error}") from None
    if pictures:
        write(options.html, pictures.of_tuning(found))
    print(json.dumps(tune.as_json(found), indent=2, ensure_ascii=False) if options.json else tune.as_text(found))
    if options.write and not found.recommended:
        print(f"nothing is recommended, so {options.write} was not written", file=sys.stderr)
    elif options.write:
        text = Path(options.config).read_text(encoding="utf-8")
        try:
            write(options.write, tune.rewritten(text, found.changes, options.config))
        except ValueError as error:
            raise CannotError(str(error)) from None
        print(f"{options.write} written; compare it with {options.config} before it is used", file=sys.stderr)
    return 0


def _study(options: argparse.Namespace) -> comparing.Study:
    config = load_offline(options.config)
    with Progress("reading") as bar:
        fresh_s = comparing.configured_fresh_s(config)
        book = replaying.load_prices(options.prices, config) if options.prices else ()
        if options.readings == "ledger":
            readings, draw_w = replaying.load_ledger(config.recorded_file, fresh_s, config.draw_w, bar)
            book = book or replaying.recorded_prices(config, readings)
        else:
            limit_w = comparing.configured_limit_w(config)
            readings, draw_w = replaying.load(options.readings, fresh_s, bar, limit_w, layout(options)), config.draw_w
    if config.export_limit:
        print(
            "what the inverter held back is in no reading, so nothing of it is found, and no trial made",
            file=sys.stderr,
        )
    source = "the ledger" if options.readings == "ledger" else Path(options.readings).name
    if options.readings == "ledger" and (epoch := replaying.since(config.recorded_file)):
        begins = time_of(epoch.begin_ms, zone(config.site.time_zone))
        source = f"the ledger since {begins:%Y-%m-%d} (new {epoch.what})"
    return comparing.study(config, readings, draw_w, source, book)


def add_advise(sub: Any) -> None:
    sub.set_defaults(command=_advise)
    sub.add_argument("--json", action="store_true", help="print it as JSON")


def add_replay(sub: Any) -> None:
    sub.set_defaults(command=_replay)
    sub.add_argument("--readings", required=True, metavar="FILE", help=READINGS)
    layout_options(sub)
    sub.add_argument("--prices", metavar="FILE", help=PRICES)
    sub.add_argument("--json", action="store_true", help="print it as JSON")
    sub.add_argument("--html", metavar="FILE", help="also draw a day and all days (needs the report extra)")
    sub.add_argument("--day", type=date_of, metavar="DATE", help="the day to draw (default: the costliest one)")


def add_tune(sub: Any) -> None:
    sub.set_defaults(command=_tune)
    sub.add_argument("--readings", required=True, metavar="FILE", help=READINGS)
    layout_options(sub)
    sub.add_argument("--prices", metavar="FILE", help=PRICES)
    sub.add_argument(
        "--objective",
        choices=("value", "solar", "starts"),
        default="value",
        help="value: money; solar: solar energy less what is bought beside it; starts: the fewest that earn no less",
    )
    sub.add_argument("--json", action="store_true", help="print it as JSON")
    sub.add_argument("--html", metavar="FILE", help="also draw value against starts (needs the report extra)")
    sub.add_argument("--write", metavar="FILE", help="write the configuration with what is recommended to a new file")
