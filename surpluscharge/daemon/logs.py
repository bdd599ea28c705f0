"""Structured logs: one line per event, with a stable name and fields.

JSON for a journal, colours for a terminal. The library's own loggers (asyncio, the MQTT client) end up in the same
stream, in the same form.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from typing import Any, Literal, NamedTuple, TextIO

import structlog

from surpluscharge.words import printable

# Every event the daemon logs. A name or a field, once here, keeps its meaning. The manual's list is made from this.
EVENTS = {
    "starting": "the daemon starts: version, charger",
    "ready": "connected, and the relay confirmed off for the first time: enabled, enable_on (the topic for that)",
    "stopping": "a stop was asked for: reason",
    "awaiting_off": "the relay is not known to be off yet, and is waited for: at_most_s",
    "stopped": "the end: relay_confirmed_off",
    "config_warning": "a setting worth a second thought: warning",
    "config_reloaded": "new settings are in force: changed",
    "reload_refused": "the old settings stay: reason",
    "library_failed": "an error in a library, beside the daemon's own course: what, reason",
    "crashed": "an error in the daemon itself; the relay was told off: exception",
    "connected": "a connection to the broker is up: link, protocol",
    "connection_lost": "and down: link, reason",
    "connect_failed": "and cannot be made, tried again: link, broker, reason, attempt, next_try_s",
    "publish_refused": "the broker does not let the daemon publish: reason",
    "homie_withdrawn": "what described the daemon there, and is not wanted any more, is taken away: device, topics",
    "homie_not_kept": "what describes it there cannot be written down, or read, so as to be taken away: reason",
    "subscription_refused": "the broker does not let the daemon read a topic: topic, reason",
    "register_refused": "an energy register shows what cannot be, or nothing usable: name, reason, meaning, times",
    "gap_filled": "what energy registers counted while nothing was recorded is in the ledger: begin, end, import_wh, "
    "export_wh, charger_wh",
    "learning_anew": "what the owner says was changed, so what was learned of it is dropped: meter, circuit, sun",
    "thresholds_changed": "other prices, and so other thresholds, or none (null): start_export_w, stop_import_w",
    "plan_made": "a plan, or another one: plan (in words), left (to the sun and why)",
    "plan_failed": "an error in planning; nothing is charged by plan: exception",
    "need_met": "what was needed by now has come: needed_wh, came_wh, from_sun_wh, car_full",
    "need_missed": "and has not: needed_wh, came_wh, from_sun_wh, car_full",
    "away": "nobody is there, or will not be: leave, back, sun",
    "back": "somebody is there again",
    "charge_asked": "somebody asks for a charge: energy_wh, time_s, by (null where not said)",
    "charge_done": "what was asked for now is over: energy_wh, car_full",
    "charge_forgotten": "what was asked for is due further ahead than anybody can ask, by a clock that was wrong: by",
    "car_full": "the car took nothing, and what is planned for it is over: came_wh",
    "prices_known": "prices that move have come: until, kept (from before this start)",
    "forecast_known": "a forecast has come: until, kept (from before this start)",
    "feed_lacking": "prices or a forecast have not come: feed, lack (late or missing), instead",
    "nothing_learned": "the ledger could not be asked what the sun brought: reason",
    "enabled": "charging was allowed",
    "disabled": "charging was forbidden",
    "state_changed": "a transition: old, new, cause, grid_w, after_s (time in the old state)",
    "trial_begun": "a charge was begun to see whether more sun is there than a limited export shows: grid_w, limit_w",
    "trial_over": "and has shown it, or ended too soon to (null): carried, after_s, bought_today_wh",
    "relay_commanded": "a command went out: on, attempt, again (a re-assertion)",
    "relay_confirmed": "and has worked, by the word of the plug, or without feedback of the broker: on, by, took_s",
    "relay_unconfirmed": "and is not, so it is sent again: on, attempt",
    "off_reworded": "told off the plug stays on, so off is said with on_payload, first for a trial; or that has shown "
    "nothing, and no longer is: exchanged (on_payload is said), certain (the payloads are exchanged)",
    "relay_reported": "the plug reports its relay: on, wanted",
    "fault_raised": "something is wrong: code, times (in a row, within a day of each other), sentence (and, "
    "where that is what is wrong, current_a, power_w, high_w, voltage_v, voltage_mean_v, voltage_drop_v, "
    "temperature_c, joint_lost_w, battery_gives_w, battery_feeds_w, fuse_over_w or fuse_short_w)",
    "fault_cleared": "and is right again: code",
    "fault_acknowledged": "a person has seen a latched fault: code",
    "joint_shown": "what a switching, or a charge, has shown of the joints (level debug): measure, value, error, amps",
    "looked": "somebody has looked at plug and socket, and said so: note",
    "above_continuous": "the lead is above the socket's continuous rating, by the owner's choice: current_a, because",
    "message_refused": "messages that cannot be used, at most a line a minute each: topic, reason, why, times, payload",
    "reading": "one reading (level debug): of, value",
    "store_failed": "what must outlive a restart could not be written: reason",
    "store_unusable": "or not be read, so the safe side is taken: reason, kept_as",
    "history_failed": "the ledger cannot be written, what waits is kept and tried again: reason",
    "history_mended": "and can again",
    "history_unusable": "the ledger is damaged, and a new one is begun: reason, kept_as",
    "history_moved": "the ledger was moved or replaced while in use; what is in its place now is used: path",
    "history_forgotten": "what waited too long for the ledger was dropped, the oldest first: changes",
    "history_overlap": "readings of a time that is counted already, after the clock was put back; left out: seconds",
    "charge_closed": "a charge that a crash cut short, closed where its record ends: ended, energy_wh",
    "day_summary": "a day is over: day, starts, on_s, charger_wh, solar_wh, grid_wh, planned_wh (of that, by plan), "
    "error_wh (of a learned draw), surplus_wh (what was there), unknown_s (without readings), paid, forgone, saved, "
    "currency (null without prices)",
    "told": "a message went out to somebody: by (which [[tell]]), about, count (of what is in it)",
    "tell_failed": "and did not, so it is tried again: by, reason, attempt, next_try_s",
    "ping_failed": "the ping did not get through, and is tried again each time: reason",
    "ping_mended": "and does again",
    "metrics_failed": "OpenMetrics cannot be served, and all else goes on: port, reason",
    "restored": "what outlived the restart: enabled, starts_kept, session_s",
}

Format = Literal["auto", "json", "console"]


class Limit(NamedTuple):
    """How many lines of one kind are worth being seen, in how long; the rest is left to the level debug."""

    lines: int
    per_s: float


# What may come in floods (a switch that flips, a fault that flaps), or go on for days (a relay that does not follow, a
# broker that is away or refuses). All that the controller says is among it. Of faults, and of connections, each has a
# ration of its own.
LIMITS = {
    "state_changed": Limit(10, 60.0),
    "enabled": Limit(10, 60.0),
    "disabled": Limit(10, 60.0),
    "fault_raised": Limit(10, 60.0),
    "fault_cleared": Limit(10, 60.0),
    "fault_acknowledged": Limit(10, 60.0),
    "learning_anew": Limit(10, 60.0),
    "looked": Limit(10, 3600.0),
    "joint_shown": Limit(100, 3600.0),
    "thresholds_changed": Limit(10, 60.0),
    **dict.fromkeys(
        ("away", "back"),
        Limit(10, 3600.0),
    ),
    **dict.fromkeys(
        ("plan_made", "charge_asked", "charge_done", "charge_forgotten", "prices_known", "forecast_known"),
        Limit(10, 3600.0),
    ),
    "feed_lacking": Limit(4, 86400.0),
    "off_reworded": Limit(10, 60.0),
    "trial_begun": Limit(10, 60.0),
    "trial_over": Limit(10, 60.0),
    "relay_reported": Limit(10, 60.0),
    "message_refused": Limit(10, 60.0),
    "relay_commanded": Limit(12, 3600.0),  # more than the starts of an hour need
    "relay_confirmed": Limit(12, 3600.0),
    "relay_unconfirmed": Limit(12, 3600.0),
    "publish_refused": Limit(12, 3600.0),
    "homie_withdrawn": Limit(4, 3600.0),
    "homie_not_kept": Limit(4, 3600.0),
    "connect_failed": Limit(2, 60.0),
    "told": Limit(10, 3600.0),
    "tell_failed": Limit(4, 3600.0),
    "ping_failed": Limit(4, 3600.0),
    "ping_mended": Limit(4, 3600.0),
}


class Ration:
    """What was logged of late, by a clock in seconds. Bind it to a logger as ``ration``, and its lines are rationed."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._spent: dict[tuple[Any, ...], tuple[float, int]] = {}  # since when, and how many lines
        self._left_out: dict[tuple[Any, ...], int] = {}

    def weigh(self, event: Any) -> None:
        """Lower a line that is beyond its limit to the level debug, or tell it how many were, since the last one."""
        limit = LIMITS.get(event["event"])
        if limit is None:
            return
        key, now_s = (event["event"], event.get("code"), event.get("link"), event.get("by")), self._now()
        since_s, lines = self._spent.get(key, (float("-inf"), 0))
        if now_s >= since_s + limit.per_s:
            since_s, lines = now_s, 0
        if lines >= limit.lines:
            event["level"] = "debug"
            self._left_out[key] = self._left_out.get(key, 0) + 1
            return
        self._spent[key] = (since_s, lines + 1)
        if left_out := self._left_out.pop(key, 0):
            event["left_out"] = left_out


def configure(level: str, form: Format, stream: TextIO | None = None) -> None:
    """Set up logging for the process: to ``stream``, by default standard error."""
    stream = stream or sys.stderr
    console = form == "console" or (form == "auto" and stream.isatty())
    shared: list[Any] = [
        _levelled,
        structlog.processors.TimeStamper(fmt="%H:%M:%S", utc=False)
        if console
        else structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        _rounded,
        _in_order,
        _printable,
    ]
    last: Any = (
        structlog.dev.ConsoleRenderer(colors=stream.isatty(), sort_keys=False)
        if console
        else structlog.processors.JSONRenderer(default=str)
    )
    handler = logging.StreamHandler(stream)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, last],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)  # others' chatter
    logging.getLogger("surpluscharge").setLevel(level.upper())
    structlog.configure(
        processors=[
            rationed,
            _filtered,
            *shared,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )


def rationed(_logger: Any, method: str, event: Any) -> Any:
    """Bound what comes in floods, as :data:`LIMITS` has it: the next line says how many were left out."""
    ration = event.pop("ration", None)
    if ration is not None and method != "debug":
        ration.weigh(event)
    return event


def _filtered(logger: Any, method: str, event: Any) -> Any:
    """Drop what is below the level that was asked for. A ration may have lowered a line below that of its call."""
    return structlog.stdlib.filter_by_level(logger, event.get("level", method), event)


def _levelled(logger: Any, method: str, event: Any) -> Any:
    return event if "level" in event else structlog.stdlib.add_log_level(logger, method, event)


def _in_order(_logger: Any, _method: str, event: Any) -> Any:
    """Put what every line has first, so that lines can be read one below the other."""
    return {key: event[key] for key in ("timestamp", "level", "event")} | event


def _rounded(_logger: Any, _method: str, event: Any) -> Any:
    """Leave out digits that mean nothing: sums of readings come with a tail of them."""
    return {key: round(value, 3) if isinstance(value, float) else value for key, value in event.items()}


def _printable(_logger: Any, _method: str, event: Any) -> Any:
    """Escape what could move a terminal's cursor: texts come from the network, and from other libraries."""
    return {
        key: printable(value, key == "exception") if isinstance(value, str) else value for key, value in event.items()
    }


def logger() -> structlog.stdlib.BoundLogger:
    """Return the package's logger."""
    bound: structlog.stdlib.BoundLogger = structlog.get_logger("surpluscharge")
    return bound
