"""What is said to a running daemon, or to its relay.

``status``, ``enable``, ``disable``, ``off``, ``ack``, ``looked``, ``charge``, ``away``.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
import time
from collections.abc import Callable
from typing import Any

from aiomqtt import MqttError

from surpluscharge.cli.broker import OFF_WITHIN_S, READ_WITHIN_S, trouble
from surpluscharge.cli.common import CannotError
from surpluscharge.clock import SystemClock, zone
from surpluscharge.config import Config, ConfigError, load, load_for_off
from surpluscharge.control import wishes
from surpluscharge.control.signals import Rejected
from surpluscharge.control.supervisor import FAULT_BY_CODE, FAULTS
from surpluscharge.daemon import status, store
from surpluscharge.daemon.commands import NOTE_LIMIT
from surpluscharge.daemon.mqtt import Post, publish_once, read_once
from surpluscharge.daemon.relay import off_post
from surpluscharge.words import duration, printable

HEARTBEATS = 3  # so many missed
SILENT_S = 30.0  # but no less than this, and the daemon has fallen silent
LOOKS = 10  # until what was said shows
LOOK_EVERY_S = 0.5
NOT_TAKEN = "the daemon has not taken it: see message_refused in its log, and the broker's access list"
GO_AND_LOOK = "go and look. Where something is hot, switch the circuit off at the fuse board before you unplug"


def _enable(options: argparse.Namespace) -> int:
    """Enable or disable: by the topic that a dashboard flips, for whoever sits at a terminal."""
    wanted: bool = options.wanted
    config = load(options.config) if wanted else load_for_off(options.config)  # a slip in the file keeps nothing on
    otherwise_off = f"surpluscharge off --config {options.config} tells the relay itself"
    _heard_by(config, "start it first" if wanted else otherwise_off)
    post = Post(f"{config.own_topic}/enable/set", "off")
    if wanted:  # what is not heard while it is waited for here is not to be heard later
        post = post._replace(payload="on", expiry_s=LOOKS * LOOK_EVERY_S)
    if _publish(config, post, "enable", "it", f"saying that charging is {'enabled' if wanted else 'disabled'}"):
        return 1

    def taken(document: status.StatusDocument) -> bool:
        off = document.relay.commanded == "off" and document.relay.confirmed
        return document.enabled is wanted and (wanted or off)

    def otherwise(document: status.StatusDocument) -> str:
        not_off = f"the daemon has taken it, but the relay has not confirmed that it is off: {GO_AND_LOOK}"
        return not_off if document.enabled is wanted else NOT_TAKEN

    return _see(options.config, config, taken, otherwise)


def _off(options: argparse.Namespace) -> int:
    config = load_for_off(options.config)
    elsewhere = FAULT_BY_CODE["switched-elsewhere"]
    then = (
        f"takes it for somebody's wish, by the plug's report, and leaves it off for {duration(elsewhere.cooldown_s)}"
        if config.relay.feedback
        else "does not know of it, and switches on again"
    )
    done = (
        f"off sent to {config.relay.topic}. A daemon that is charging {then}: "
        f"to stop a charge, surpluscharge disable --config {options.config}. Off is not isolated: where something is "
        "hot, switch the circuit off at the fuse board before you unplug"
    )
    return _publish(config, _off_post(options.config, config), "off", "the off command", done)


def _off_post(path: str, config: Config) -> Post:
    """Return the off command, with the other payload where a daemon has found out that the two are exchanged."""
    try:
        load(path)
        wrong: set[str] = set()
    except ConfigError as error:  # forgiven, but what they say is not known
        wrong = {problem.keys[0] for problem in error.problems if problem.keys}
    topic, on, off = config.command
    on_known = not wrong & {"relay.on_payload", "relay.hold_s"}
    found = [store.exchanged(place, topic, on if on_known else None, off) for place in config.state_files]
    if payload := next((word for word in found if word is not None), None):
        return off_post(config, exchanged=True)._replace(payload=payload)
    folders = {place.parent for place in config.state_files}
    unseen = [str(each) for each in folders if os.path.isdir(each) and not os.access(each, os.X_OK)]  # noqa: PTH112
    if unseen := ["store.directory"] if wrong & {"store", "store.directory"} else unseen:
        print(
            f"{', '.join(unseen)} cannot be looked into: had a daemon found on_payload and off_payload exchanged, this "
            "would say on. Look whether the relay is off",
            file=sys.stderr,
        )
    return off_post(config)


def _ack(options: argparse.Namespace) -> int:
    config = load(options.config)
    latching = [fault.code for fault in FAULTS if fault.may_latch]
    if options.code not in ("all", *latching):
        print(f"{options.code} is not a fault that latches; these do: {', '.join(latching)}", file=sys.stderr)
        return 1
    document = _heard_by(config, "start it first, then acknowledge")
    latched = {fault.code for fault in document.faults if fault.latched}
    meant = latched if options.code == "all" else latched & {options.code}
    if not meant:
        what = f"only {', '.join(sorted(latched))} is" if latched else "nothing is"
        raise CannotError(f"{what} waiting to be acknowledged; see surpluscharge status --config {options.config}")
    post = Post(f"{config.own_topic}/acknowledge/set", options.code)
    if _publish(config, post, "ack", "the acknowledgement", f"acknowledging {', '.join(sorted(meant))}"):
        return 1

    def taken(document: status.StatusDocument) -> bool:
        return not meant & {fault.code for fault in document.faults if fault.latched}

    return _see(options.config, config, taken)


def _looked(options: argparse.Namespace) -> int:
    config = load(options.config)
    note = " ".join(options.note)
    if len(note) > NOTE_LIMIT:
        raise CannotError(f"the note has {len(note)} characters: say it in {NOTE_LIMIT}")
    document = _heard_by(config, "start it first, then say so")
    before = document.contacts and document.contacts.looked
    post = Post(f"{config.own_topic}/looked/set", json.dumps({"note": note}))
    if _publish(config, post, "looked", "that you have looked", "saying that you have looked"):
        return 1
    print(
        "This is no all-clear: what nobody can see from outside may be bad all the same. Brown, dull, soft or loose\n"
        "means stop: leave the circuit off at the fuse board, and ask a licensed electrician. Nothing is switched by\n"
        "this: if it was hot, or smelt, first of all\n"
        f"surpluscharge disable --config {options.config}"
    )
    if not config.history.record:
        print("history.record is false, so that you have looked is not kept, and nobody is reminded.")
        return 0

    def kept(document: status.StatusDocument) -> bool:
        return document.contacts is not None and document.contacts.looked != before

    not_kept = "the daemon has not kept it: see message_refused and history_failed in its log"
    return _see(options.config, config, kept, lambda _: not_kept)


def _charge(options: argparse.Namespace) -> int:
    config = load(options.config)
    if not config.planned.allow:
        raise CannotError(
            f"{options.config}: planned.allow is false, so nothing is charged on request. Read the cautions there first"
        )
    if options.by and options.kwh is None:  # else it would begin now
        raise CannotError("--by goes with --kwh only: say how much is needed by then")
    before = _heard_by(config, "start it first, then ask")
    if not before.enabled:
        raise CannotError(f"charging is switched off: surpluscharge enable --config {options.config} first")
    wanted: dict[str, object] = {"energy_wh": 0.0}
    if options.kwh is not None:
        wanted = {"energy_wh": round(options.kwh * 1000.0, 3)} | ({"by": options.by} if options.by else {})
    elif options.hours is not None:
        wanted = {"time_s": round(options.hours * 3600.0, 3)}
    try:
        asked = wishes.read(json.dumps(wanted).encode(), SystemClock(zone(config.site.time_zone)).wall())
    except Rejected as refusal:
        raise CannotError(
            f"this cannot be asked for: {refusal}. It takes 0 to 100 kWh, or 0 to 24 hours; --by is HH:MM, or a time "
            "with its offset within 8 days"
        ) from None
    expected = None if asked is None else "now" if asked.by_s is None else "by"
    post = Post(f"{config.own_topic}/plan/set", json.dumps(wanted))
    what = "taking back what was asked for" if expected is None else "asking for a charge"
    if _publish(config, post, "ask", "the request", what):
        return 1
    if expected and config.relay.temperature is None:
        print(
            "caution: no sensor feels the socket. Feel plug and socket after the first hour; where one is too hot to\n"
            "hold, switch the circuit off at the fuse board before you unplug. To stop:\n"
            f"surpluscharge disable --config {options.config}"
        )

    def taken(document: status.StatusDocument) -> bool:
        asked_so = document.plan is not None and document.plan.asked == expected
        return asked_so and (document.time > before.time or expected is None)

    return _see(options.config, config, taken)


def _away(options: argparse.Namespace) -> int:
    config = load(options.config)
    given = {"leave": options.leave, "back": options.back, "sun": False if options.no_sun else None}
    wanted = {name: value for name, value in given.items() if value is not None}
    if options.over and wanted:
        raise CannotError("--over says that somebody is there, and goes with nothing else")
    payload = json.dumps(None if options.over else wanted)
    try:
        wishes.read_away(payload.encode(), SystemClock(zone(config.site.time_zone)).wall())
    except Rejected as refusal:
        raise CannotError(
            f"this is no absence: {refusal}. Days are written as 2031-05-14, times as RFC 3339 has them, with their "
            "offset; the return comes after leaving, and after now, and within 400 days"
        ) from None
    before = _heard_by(config, "start it first, then say it")
    post = Post(f"{config.own_topic}/away/set", payload)
    if _publish(config, post, "away", "it", "said that " + ("somebody is there" if options.over else "nobody is")):
        return 1

    def taken(document: status.StatusDocument) -> bool:
        return (document.away is None) is options.over and document.time > before.time

    return _see(options.config, config, taken)


def _heard_by(config: Config, then: str) -> status.StatusDocument:
    """Return the status of a daemon that is there and hears. Raises CannotError, which says what to do ``then``."""
    document, word = _look(config, then)
    if word != "ready":
        raise CannotError(f"the daemon is not there ({word}), and would not hear it: {then}")
    return document


def _see(
    path: str,
    config: Config,
    taken: Callable[[status.StatusDocument], bool],
    otherwise: Callable[[status.StatusDocument], str] = lambda _: NOT_TAKEN,
) -> int:
    """Wait until the status shows that what was said is ``taken``, and print it. Raises CannotError, ``otherwise``."""
    for _ in range(LOOKS):
        time.sleep(LOOK_EVERY_S)
        document, _ = _look(config)
        if taken(document):
            print(status.in_words(document, path))
            return 0
    raise CannotError(otherwise(document))


def _publish(config: Config, post: Post, name: str, what: str, done: str) -> int:
    try:
        asyncio.run(publish_once(config, post, name, OFF_WITHIN_S))
    except (MqttError, ValueError, OSError) as error:  # TimeoutError is an OSError
        print(f"the broker did not take {what}: {trouble(error, config)}", file=sys.stderr)
        return 1
    print(done)
    return 0


def _look(config: Config, then: str = "") -> tuple[status.StatusDocument, str]:
    """Return the latest status, and the word on the daemon's availability. Raises CannotError, with what to do then."""
    about, there = f"{config.own_topic}/status", f"{config.own_topic}/availability"
    try:
        found = asyncio.run(read_once(config, (about, there), "look", READ_WITHIN_S))
    except (MqttError, ValueError, OSError) as error:  # TimeoutError is an OSError
        raise CannotError(
            f"the broker gives no answer: {trouble(error, config)}. If it has stopped, nobody can switch the relay off "
            "until it is back, but the plug itself: where a charge ran, go and look"
        ) from None
    if about not in found:
        raise CannotError(
            f"nothing is on {about}: the daemon has not run with this broker and this charger.name yet"
            + (f": {then}" if then else "")
        )
    try:
        document = status.StatusDocument.model_validate_json(found[about])
    except ValueError:
        raise CannotError(f"what is on {about} is no status of this version: restart the daemon") from None
    return document, printable(found.get(there, b"unknown").decode("utf-8", "replace"))


def _status(options: argparse.Namespace) -> int:
    config = load(options.config)
    document, word = _look(config)
    age_s = (SystemClock().wall() - document.time).total_seconds()
    silent = age_s > max(SILENT_S, HEARTBEATS * config.status.heartbeat_s)
    if options.json:
        print(json.dumps(document.model_dump(mode="json"), indent=2))  # in ASCII, whatever it holds
    elif word == "ready" and not silent:
        print(status.in_words(document, options.config, age_s))
    else:
        missing = f"is not there ({word})" if word != "ready" else "has fallen silent, though it did not take leave"
        print(
            f"The daemon {missing}; this is the last that it said, {_ago(age_s)}, at {document.time:%Y-%m-%d %H:%M:%S}:"
        )
        if word != "disconnected":  # it did not take leave, so nobody has seen the relay go off
            print(
                "The broker switches the relay off in its name, if the plug hears it: go and look whether it is off, "
                "whatever is said below of the relay. The daemon's log says what happened; then start it again."
            )
        print(status.in_words(document, options.config))
    return 1 if silent or word != "ready" else 0


def _ago(age_s: float) -> str:
    """Say how old something is; a clock here that differs from the daemon's may make it come from the future."""
    return f"{duration(age_s)} ago by the clock here" if age_s >= 0 else "by a clock that is ahead of the one here"


def add_status(sub: Any) -> None:
    sub.set_defaults(command=_status)
    sub.add_argument("--json", action="store_true", help="print the whole document")


def add_enable(sub: Any) -> None:
    sub.set_defaults(command=_enable, wanted=True)


def add_disable(sub: Any) -> None:
    sub.set_defaults(command=_enable, wanted=False)


def add_off(sub: Any) -> None:
    sub.set_defaults(command=_off)


def add_charge(sub: Any) -> None:
    sub.set_defaults(command=_charge)
    what = sub.add_mutually_exclusive_group(required=True)
    what.add_argument("--kwh", type=float, help="so much energy")
    what.add_argument("--hours", type=float, help="for so long, beginning now")
    what.add_argument("--nothing", action="store_true", help="take back what was asked for")
    sub.add_argument(
        "--by", metavar="TIME", help="with --kwh: HH:MM, or an RFC 3339 time with its offset (default: beginning now)"
    )


def add_looked(sub: Any) -> None:
    sub.set_defaults(command=_looked)
    sub.add_argument("note", nargs="*", help="what you saw, in words, such as: pins bright, nothing brown")


def add_away(sub: Any) -> None:
    sub.set_defaults(command=_away)
    sub.add_argument("--leave", metavar="WHEN", help="a day, or an RFC 3339 time with its offset (default: now)")
    sub.add_argument("--back", metavar="WHEN", help="likewise (default: when --over is said)")
    sub.add_argument("--no-sun", action="store_true", help="nor is the sun to charge meanwhile")
    sub.add_argument("--over", action="store_true", help="somebody is there again, or will be after all")


def add_ack(sub: Any) -> None:
    sub.set_defaults(command=_ack)
    sub.add_argument("code", nargs="?", default="all", help="of one fault (default: all)")
