"""What can be said to the daemon by MQTT: one row for each command.

A command comes on ``<base topic>/<name>/set``. Where it has an answer, that is retained on ``<base topic>/<name>``:
after each command, also one that changes nothing, and whenever the connection is new.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple

from surpluscharge.control import news, wishes
from surpluscharge.control.controller import Controller
from surpluscharge.control.news import News
from surpluscharge.control.signals import Rejected, text_of, truth
from surpluscharge.daemon.status import StatusDocument
from surpluscharge.words import printable

NOTE_LIMIT = 300  # characters that somebody may say of what was seen


class Command(NamedTuple):
    name: str
    property: str | None  # what sets the same by the Homie convention
    read: Callable[[bytes, Controller, datetime], News]  # at a time of the wall clock; raises Rejected
    late: Callable[[News], bool] | None  # whether it counts though it was said long ago, perhaps days; none do
    answer: Callable[[StatusDocument], str] | None = None
    qos: int = 1

    def heed(self, payload: bytes, stale: str, controller: Controller, wall: datetime) -> News:
        """Return what a message comes to. Raises Rejected, for the reason ``stale``, where it was said too long ago."""
        if stale and self.late is None:
            raise Rejected(stale)
        happened = self.read(payload, controller, wall)
        if stale and self.late and not self.late(happened):
            raise Rejected(stale)
        return happened


def enable(payload: bytes, _controller: Controller, _wall: datetime) -> news.Enable:
    return news.Enable(truth(text_of(payload)))


def acknowledge(payload: bytes, controller: Controller, _wall: datetime) -> news.Acknowledge:
    if controller.told_in_floods:  # what tells of the flood must not pass for the look that ends its fault
        raise Rejected("told-in-floods")
    word = text_of(payload).lower()
    if word not in {"all", *(record.code for record in controller.faults if record.latches)}:
        raise Rejected("unknown-fault")
    return news.Acknowledge(None if word == "all" else word)


def plan(payload: bytes, controller: Controller, wall: datetime) -> news.Ask:
    if not controller.settings.params.planned_time_cap_s:
        raise Rejected("not-allowed")
    return news.Ask(wishes.read(payload, wall))


def looked(payload: bytes, _controller: Controller, _wall: datetime) -> news.Looked:
    """Read ``{"note": "what was seen"}``; the note may be left out. Raises Rejected."""
    try:
        found = json.loads(text_of(payload))
    except (ValueError, RecursionError):
        raise Rejected("not-json") from None
    if not isinstance(found, dict) or set(found) - {"note"}:
        raise Rejected("not-a-look")
    note = found.get("note", "")
    if not isinstance(note, str) or len(note) > NOTE_LIMIT:
        raise Rejected("not-a-look")
    return news.Looked(printable(note))


def away(payload: bytes, _controller: Controller, wall: datetime) -> news.Gone:
    return news.Gone(wishes.read_away(payload, wall))


COMMANDS = (
    Command(
        "enable",
        "charging/enabled",
        enable,
        late=lambda happened: happened == news.Enable(False),  # an "off" that comes late does no harm; an "on" might
        answer=lambda document: "true" if document.enabled else "false",
    ),
    Command("acknowledge", "charging/acknowledge", acknowledge, late=None),
    Command("plan", None, plan, late=None),
    Command("away", None, away, late=None),
    Command("looked", None, looked, late=None),
)
