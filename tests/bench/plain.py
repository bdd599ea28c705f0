"""The configuration of a plain house, for the runs of the real daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.bench.outside import COMMAND, GRID
from tests.wire import laid_over, toml


def plain(port: int, state: Path, **changes: Any) -> str:
    """Return it as TOML: a meter and a plug of tests/bench/outside.py, no waiting, starts enough.

    Each change is laid over the table of that name; a list replaces it.
    """
    house = {
        "charger": {"name": "bench", "current_a": 6},
        "mqtt": {"host": "127.0.0.1", "port": port},
        "meter": [{"topic": GRID}],
        "relay": {"topic": COMMAND},
        "control": {
            "start_export_w": 1400,
            "start_delay_s": 0,
            "min_on_s": 0,
            "min_off_s": 0,
            "starts_per_hour": 60,
            "starts_per_day": 96,
        },
        "log": {"format": "json"},
        "store": {"directory": str(state)},
    }
    return toml(laid_over(house, changes))
