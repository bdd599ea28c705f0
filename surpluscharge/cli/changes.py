"""What the owner says of the house itself: ``changed``."""

from __future__ import annotations

import argparse
from datetime import datetime
from typing import Any

from surpluscharge.cli.common import CannotError, moment_of, now_of, sure
from surpluscharge.config import load_offline
from surpluscharge.history.energy import ms_of, time_of
from surpluscharge.history.ledger import WHAT, Epoch, Ledger
from surpluscharge.words import printable

LEARNED = {
    "meter": "What was learned of draw, sign, lag and joints is dropped; replay and tune look at readings since then "
    "only",
    "plug": "What was learned of sign, lag, circuit and joints is dropped, and its switchings count anew",
    "lead": "What was learned of draw, circuit and joints is dropped",
    "house": "Plans, replay and tune look at days since then only; what was learned of circuit and joints, and of sun "
    "that a limited export hides, is dropped",
}


def _changed(options: argparse.Namespace) -> int:
    if (options.what is not None) + options.list + (options.undo is not None) != 1:
        raise CannotError(f"say what was changed ({', '.join(WHAT)}), or --list, or --undo NUMBER: one of the three")
    config = load_offline(options.config)
    now, path = now_of(config), config.recorded_file
    if options.list:
        with Ledger(path, read_only=True) as ledger:
            listed = ledger.all_epochs()
        for epoch in listed:
            undone = f", taken back {_local(epoch.undone_ms, now)}" if epoch.undone_ms is not None else ""
            print(f"{_line(epoch, now)}; said {_local(epoch.said_ms, now)}{undone}")
        if not listed:
            print("Nothing was said to have changed.")
        return 0
    if not path.exists():
        raise CannotError(f"{path}: there is no history yet, and so nothing that a change would part")
    with Ledger(path) as ledger:
        if options.undo is not None:
            found = next((one for one in ledger.all_epochs() if one.number == options.undo), None)
            if found is not None and found.undone_ms is None:
                print(_line(found, now))
                sure("It is taken back; what was recorded before and after it is one again.", options.yes)
            ledger.take_back_epoch(options.undo, ms_of(now))
            print("Taken back. What the daemon had dropped of its own memory because of it, it learns anew.")
            return 0
        begin = moment_of(options.begin, now.tzinfo) if options.begin else now
        if begin > now:
            raise CannotError(f"{options.begin} is still to come: say it when it is done. Nothing was changed")
        begin_text = f"{begin:%Y-%m-%d %H:%M}"
        print(f"{options.what}: from {begin_text} on it is another one than before. {LEARNED[options.what]}.")
        sure("Nothing that is on record changes.", options.yes)
        epoch = ledger.begin_epoch(options.what, ms_of(begin), options.note, ms_of(now))
    print(
        f"Kept, as number {epoch.number}: --undo {epoch.number} takes it back. A running daemon heeds it with what it "
        f"writes next, within {config.history.batch_s:g} s."
    )
    return 0


def _local(at_ms: int, now: datetime) -> str:
    return f"{time_of(at_ms, now.tzinfo):%Y-%m-%d %H:%M}"


def _line(epoch: Epoch, now: datetime) -> str:
    note = f" ({printable(epoch.note)})" if epoch.note else ""
    return f"{epoch.number}: new {epoch.what} from {_local(epoch.begin_ms, now)} on{note}"


def add_changed(sub: Any) -> None:
    sub.set_defaults(command=_changed)
    sub.add_argument("what", nargs="?", choices=WHAT, help="what is another one: house if moved, or with other panels")
    sub.add_argument("--from", dest="begin", metavar="TIME", help="a day, or an RFC 3339 time (default: now)")
    sub.add_argument("--note", default="", metavar="TEXT", help="a word about it, for reports")
    sub.add_argument("--list", action="store_true", help="list what was said, by number")
    sub.add_argument("--undo", type=int, metavar="NUMBER", help="take one back")
    sub.add_argument("--yes", action="store_true", help="do not ask first")
