"""The daemon itself, and a look at its configuration: ``run``, ``check``."""

from __future__ import annotations

import argparse
import asyncio
import json
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from surpluscharge.cli.common import CAUTION
from surpluscharge.config import VOLTAGE_TOLERANCE, Config, ConfigError, Section, load, together
from surpluscharge.config import warnings as config_warnings
from surpluscharge.control.rule import Way
from surpluscharge.daemon import logs, service
from surpluscharge.words import counted, printable, watts


def _run(options: argparse.Namespace) -> int:
    config = load(options.config)
    logs.configure(config.log.level, config.log.format)
    try:
        asyncio.run(service.run(config, options.config))
    except (ValueError, OSError) as error:
        print(f"{options.config}: {error}", file=sys.stderr)
        return 1
    return 0


def _check(options: argparse.Namespace) -> int:
    config = load(options.config)
    rows = list(effective(config))
    width = max(len(key) for key, _, _ in rows)
    value_width = min(40, max(len(value) for _, value, _ in rows))
    for key, value, source in () if options.brief else rows:
        print(f"{key:<{width}}  {value:<{value_width}}  {source}")
    nominal_w = config.charger.current_a * config.charger.voltage_v
    band = config.band()
    print(
        f"\nA lead of {config.charger.current_a:g} A draws {watts(nominal_w * (1 - VOLTAGE_TOLERANCE))} to "
        f"{watts(nominal_w * (1 + VOLTAGE_TOLERANCE))} at the voltages that EN 50160 allows."
    )
    if config.way is Way.AHEAD:
        print('The thresholds follow the prices and the surplus of late ("ahead"); with nothing known of it:')
    elif config.way is Way.SPARING:
        print("The thresholds follow the surplus of late, to spare the house's battery; with nothing known of it:")
    elif config.way.follows_prices:
        print('The thresholds follow the prices ("auto"); as they are now:')
        if config.control.start_export_w is None:
            print(
                "(So they do where [money] has prices and [control] no numbers. To have two that stay, write "
                f"start_export_w = {config.start_export_w:g} and stop_import_w = {config.stop_import_w:g}.)"
            )
    netting = config.netting_at()
    if netting.nets:
        print(
            f"The bill nets over each {netting.words}: its energy decides, and these only where it is not known."
            if config.steers
            else f"The bill nets over each {netting.words}: money is counted so, and these thresholds decide."
        )
    if band.start_w is None:
        print("No charge starts: what the sun gives is worth more sold.")
    else:
        short_w = config.draw_w - band.start_w
        whole = f"leaves about {watts(-short_w)} of it"
        at_first = f"imports about {watts(short_w)} at first" if short_w >= 0 else whole
        print(
            f"A charge starts at {watts(band.start_w)} of export, {at_first}, and ends above "
            f"{watts(band.stop_import_w)} of import."
        )
    for warning in config_warnings(config):
        print(f"warning: {warning}")
    for beside in _beside(options.config, config):
        print(f"warning: {beside}")
    print(CAUTION)
    for meter in config.meter:
        flow = "import" if meter.measures in ("net-import", "import-only") else "export"
        place = printable(meter.topic + (f", {meter.pointer}," if meter.pointer else ""))
        print(
            f"A positive value of the [[meter]] of {place} is taken for {flow}. A kettle shows whether it is: "
            f"surpluscharge commission --config {shlex.quote(options.config)} sign"
        )
    print(
        f"Enable on {config.own_topic}/enable/set, or with surpluscharge enable; the status is on "
        f"{config.own_topic}/status."
    )
    print(f"{options.config} can be used, with {counted(len(config_warnings(config)), 'warning')}.")
    return 0


def _beside(place: str, config: Config) -> Iterator[str]:
    """Say what is wrong between this file and those of others on the same meter, which lie beside it."""
    for path in sorted(Path(place).resolve().parent.glob("*.toml")) if config.neighbours else ():
        if path != Path(place).resolve():
            try:
                yield from (f"{path}: {what}." for what in together(config, load(str(path))))
            except ConfigError:
                yield f"{path} cannot be used as it is, so it was not held beside this one."


def effective(config: Config) -> list[tuple[str, str, str]]:
    """Return (key, value, source) of every setting in force."""
    derived = config.derived()
    rows: list[tuple[str, str, str]] = []

    def show(value: object) -> str:
        return "none" if value is None else printable(json.dumps(value, ensure_ascii=False, default=str))

    def walk(section: Section, prefix: str) -> None:
        for name in type(section).model_fields:
            key, value = f"{prefix}{name}", getattr(section, name)
            given = name in section.model_fields_set
            if name.endswith("password") or name in ("secret_url", "bearer_token"):
                rows.append((key, "none" if value is None else "(hidden)", str(value) if value else "default"))
            elif isinstance(value, Section):
                walk(value, f"{key}.")
            elif isinstance(value, list) and value and isinstance(value[0], Section):
                for index, item in enumerate(value):
                    walk(item, f"{key}.{index}.")
            elif key in derived:
                rows.append((key, show(derived[key]), "derived"))
            else:
                rows.append((key, show(value), "file" if given else "default"))

    walk(config, "")
    return rows


def add_run(sub: Any) -> None:
    sub.set_defaults(command=_run)


def add_check(sub: Any) -> None:
    sub.set_defaults(command=_check)
    sub.add_argument("--brief", action="store_true", help="only what it comes to, and the warnings")
