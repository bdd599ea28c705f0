"""What energy registers showed: ``registers``."""

from __future__ import annotations

import argparse
import json
from datetime import date, datetime
from typing import Any, NamedTuple

from surpluscharge.cli.common import CannotError, now_of
from surpluscharge.config import load_offline
from surpluscharge.history.energy import MWS_PER_KWH, MWS_PER_WH, day_span, ms_of, time_of
from surpluscharge.history.ledger import DAY_MS, Compared, Ledger, Mark
from surpluscharge.history.registers import CLASSES, Stretch, class_of, statement
from surpluscharge.history.report import month_of
from surpluscharge.words import duration, number

NOT_FOR_BILLING = (
    "Not for billing: this is what the devices published, read by no calibrated clock. What is owed is on the bill of "
    "whoever runs the meter; money is claimed back by agreement, and where the law asks for it with an approved meter."
)


class Statement(NamedTuple):
    """A month, or what there is of it, of all registers."""

    first: date
    last: date
    now: datetime
    stretches: dict[str, list[Stretch]]
    compared: dict[str, Compared]
    filled_ms: int


def _registers(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    now = now_of(config)
    first, last = options.month or month_of(f"{now:%Y-%m}")
    begin_ms, end_ms = ms_of(day_span(first, now.tzinfo)[0]), ms_of(day_span(last, now.tzinfo)[1])
    if begin_ms > ms_of(now):
        raise CannotError(f"{first:%Y-%m} is still to come: choose a month up to this one")
    with Ledger(config.recorded_file, read_only=True) as ledger, ledger.snapshot():
        marks = ledger.marks(begin_ms - DAY_MS, end_ms)
        names = list(dict.fromkeys(mark.name for mark in sorted(marks)))
        found = {
            name: statement([mark for mark in marks if mark.name == name], begin_ms, end_ms, DAY_MS) for name in names
        }
        made = Statement(
            first,
            last,
            now,
            {name: stretches for name, stretches in found.items() if stretches},
            ledger.compared(begin_ms, end_ms),
            ledger.register_ms(begin_ms, end_ms),
        )
    if not made.stretches:
        remedy = "" if config.energy_register else ": add an [[energy_register]], as config.example.toml shows"
        raise CannotError(f"there are no two readings of an energy register in {first:%Y-%m}{remedy}")
    print(json.dumps(_as_json(made), indent=2) if options.json else "\n".join(_as_text(made)))
    return 0


def _as_text(made: Statement) -> list[str]:
    def reading(mark: Mark) -> str:
        return f"{_kwh(mark.shown_mws)} ({time_of(mark.at_ms, made.now.tzinfo):%Y-%m-%d %H:%M})"

    rows = [("register", "first, kWh", "last, kWh", "counted, kWh")]
    said = []
    for name, stretches in made.stretches.items():
        rows += [(name, reading(one.first), reading(one.last), _kwh(one.counted_mws)) for one in stretches]
        for one in stretches[1:]:
            when = time_of(one.first.at_ms, made.now.tzinfo)
            said.append(
                f"{name}: put back or exchanged before {when:%Y-%m-%d %H:%M}; what it counted between is not known, "
                "and in no difference."
            )
        if len(stretches) > 1:
            rows.append((name, "", "in all", _kwh(sum(one.counted_mws for one in stretches))))
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    lines = [f"Energy registers, {made.first} to {made.last}", ""]
    lines += ["  ".join([row[0].ljust(widths[0]), *map(str.rjust, row[1:], widths[1:])]).rstrip() for row in rows]
    lines += ["", *said]
    lines += [_compared(counts, found) for counts, found in made.compared.items()]
    if made.filled_ms:
        lines.append(f"For {duration(made.filled_ms / 1000)} the books have nothing but what the registers counted.")
    return [*lines, NOT_FOR_BILLING]


def _compared(counts: str, found: Compared) -> str:
    percent, name = class_of(found.register_mws, found.integrated_mws)
    if name is not None:
        judged = f"a meter of class {name} may be as far off (IEC 62053)"
    else:
        judged = (
            f"that is more than a meter of class {list(CLASSES)[-1]} may be off (IEC 62053): see unit, sign and scale "
            "of what is read, and how often it comes"
        )
    return (
        f"{counts}: over {duration(found.length_ms / 1000)} without gaps the books have "
        f"{_kwh(found.integrated_mws)} kWh where the register counted {_kwh(found.register_mws)}, "
        f"{number(abs(percent), 2)} % {'more' if percent >= 0 else 'less'}: {judged}."
    )


def _kwh(mws: int) -> str:
    return number(mws / MWS_PER_KWH, 3)


def _as_json(made: Statement) -> dict[str, Any]:
    def reading(mark: Mark) -> dict[str, Any]:
        return {"at": time_of(mark.at_ms, made.now.tzinfo).isoformat(), "shown_wh": mark.shown_mws / MWS_PER_WH}

    return {
        "first": made.first.isoformat(),
        "last": made.last.isoformat(),
        "not_for_billing": NOT_FOR_BILLING,
        "registers": [
            {
                "name": name,
                "counts": stretches[0].first.counts,
                "stretches": [
                    {"first": reading(one.first), "last": reading(one.last), "counted_wh": one.counted_mws / MWS_PER_WH}
                    for one in stretches
                ],
                "counted_wh": sum(one.counted_mws for one in stretches) / MWS_PER_WH,
            }
            for name, stretches in made.stretches.items()
        ],
        "compared": [
            {
                "counts": counts,
                "length_s": one.length_ms / 1000,
                "register_wh": one.register_mws / MWS_PER_WH,
                "books_wh": one.integrated_mws / MWS_PER_WH,
                "percent": round(class_of(one.register_mws, one.integrated_mws)[0], 3),
                "class": class_of(one.register_mws, one.integrated_mws)[1],
            }
            for counts, one in made.compared.items()
        ],
        "filled_s": made.filled_ms / 1000,
    }


def _month(text: str) -> tuple[date, date]:
    try:
        return month_of(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no month: write it as 2031-05") from None


def add_registers(sub: Any) -> None:
    sub.set_defaults(command=_registers)
    sub.add_argument("--month", type=_month, metavar="MONTH", help="a month: 2031-05 (default: this one)")
    sub.add_argument("--json", action="store_true", help="print it as JSON")
