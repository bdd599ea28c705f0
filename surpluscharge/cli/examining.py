"""What stands around the daemon: ``examine``."""

from __future__ import annotations

import argparse
import asyncio
import json
from typing import Any

from surpluscharge import examine
from surpluscharge.cli.broker import trouble
from surpluscharge.config import load
from surpluscharge.words import printable


def _examine(options: argparse.Namespace) -> int:
    config = load(options.config)
    found = asyncio.run(examine.examine(config, options.config, options.listen, lambda error: trouble(error, config)))
    if options.json:
        print(json.dumps([finding._asdict() for finding in found], indent=2))
    else:
        print(printable(examine.in_words(found), lines=True))
    return 1 if any(finding.verdict == "wrong" for finding in found) else 0


def _seconds(text: str) -> float:
    try:
        listen_s = float(text)
    except ValueError:
        listen_s = -1.0
    if not 1.0 <= listen_s <= 600.0:
        raise argparse.ArgumentTypeError(f"{text!r}: 1 to 600 seconds")
    return listen_s


def add_examine(sub: Any) -> None:
    sub.set_defaults(command=_examine)
    sub.add_argument(
        "--listen",
        type=_seconds,
        default=examine.LISTEN_S,
        metavar="SECONDS",
        help=f"how long the devices are listened to (default: {examine.LISTEN_S:g})",
    )
    sub.add_argument("--json", action="store_true", help="print what was found as JSON")
