"""What needs no configuration: ``schema``, ``demo``."""

from __future__ import annotations

import argparse
import json
from typing import Any

from surpluscharge.daemon import status


def _schema(_: argparse.Namespace) -> int:
    print(json.dumps(status.schema(), indent=2))
    return 0


def _demo(options: argparse.Namespace) -> int:
    from surpluscharge import demo  # noqa: PLC0415  (its libraries come with the demo extra only)

    return demo.run(options.hours, options.speed, options.seed, options.json)


def add_schema(sub: Any) -> None:
    sub.set_defaults(command=_schema)


def add_demo(sub: Any) -> None:
    sub.set_defaults(command=_demo)
    sub.add_argument(
        "--hours",
        type=float,
        default=18.5,
        help="house hours to simulate, from 12:50 on (default: 18.5, until the car has left)",
    )
    sub.add_argument("--speed", type=float, help="house seconds per second (default: done in about two minutes)")
    sub.add_argument("--seed", type=int, default=1, help="which weather and household (default: 1)")
    sub.add_argument("--json", action="store_true", help="print the summary as JSON")
