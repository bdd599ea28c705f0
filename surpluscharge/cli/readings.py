"""How a file of readings may be written: declared, and not guessed from what is in it."""

from __future__ import annotations

import argparse
from typing import Any

from surpluscharge.history.readings import COLUMNS as COLUMN_MEANINGS
from surpluscharge.history.readings import Layout

COLUMNS = "time, grid_w (or import_w and export_w)[, charger_w]; _kw for kilowatts"
READINGS = f'a CSV file with the columns {COLUMNS}; or "ledger": the daemon\'s own history'


def layout_options(command: Any) -> None:
    """Let a file of readings be written otherwise: declared, and not guessed from what is in it."""
    command.add_argument("--decimal-comma", action="store_true", help="numbers in the file are written as 1350,5")
    command.add_argument(
        "--column",
        action="append",
        default=[],
        type=_column,
        metavar="WHAT=NAME",
        help="the file calls a column by another name, such as import_kw='from the grid (kW)'; may be repeated",
    )


def _column(text: str) -> tuple[str, str]:
    meaning, given, name = text.partition("=")
    if given and name and meaning in COLUMN_MEANINGS:
        return meaning, name
    raise argparse.ArgumentTypeError(
        f"{text!r} names no column: write WHAT=NAME, where WHAT is one of {', '.join(COLUMN_MEANINGS)}"
    )


def layout(options: argparse.Namespace) -> Layout:
    return Layout(options.decimal_comma, tuple(options.column))
