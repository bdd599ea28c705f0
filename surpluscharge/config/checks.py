"""What no single value can show: contradictions between values, and what is allowed, but worth a second thought."""

from __future__ import annotations

import contextlib
import json
import os
import re
import stat
from collections.abc import Iterator, Mapping
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from pydantic_core import PydanticCustomError

from surpluscharge.config.effective import HOLD_MARK, UNWATCHED_S, Config, tariff_of
from surpluscharge.config.models import Mqtt, RelayTable, Secret, address_of
from surpluscharge.config.values import web_address
from surpluscharge.words import to_install

# Below the base topic.
OWN_LEAVES = (
    "enable",
    "enable/set",
    "acknowledge/set",
    "plan/set",
    "away/set",
    "looked/set",
    "status",
    "availability",
    "examined",
)

# Currencies of which a kilowatt-hour costs a fraction (common practice).
IN_HUNDREDTHS = frozenset({"EUR", "GBP", "USD", "CHF", "AUD", "NZD", "CAD", "\u20ac", "\u00a3", "$"})

# EN 50160 (and IEC 60038): the supply stays within 230 V +- 10 %, and a lead of fixed current draws that much more or
# less.
VOLTAGE_TOLERANCE = 0.10
LEAST_A = 6.0  # the least that a control pilot offers: IEC 61851-1, Annex A (from memory)
MAYBE_KW = 30.0  # our own: no threshold of so few watts serves anybody, and no house has as many kilowatts
LEAST_NEED_WH = 100.0  # our own: who asks for less has mistaken kilowatt-hours for watt-hours
LEAST_STOP_DELAY_S = 40.0  # our own: two of the steps in which those on one meter end, see control/neighbours.py


LOCAL = ("localhost", "127.0.0.1", "::1")


class Problem(NamedTuple):
    """One thing wrong. ``keys`` are dotted; the first is the one to look at."""

    keys: tuple[str, ...]
    value: str
    message: str
    remedy: str


def contradictions(config: Config) -> Iterator[Problem]:
    charger, socket, relay, control, session = (
        config.charger,
        config.socket,
        config.relay,
        config.control,
        config.session,
    )

    def problem(key: str, value: object, message: str, remedy: str, *others: str) -> Problem:
        return Problem((key, *others), shown_as(value), message, remedy)

    if charger.current_a < LEAST_A:  # ten times too low, the socket would pass for cool for ever
        meant = f"; is {10 * charger.current_a:g} meant?" if 10 * charger.current_a >= LEAST_A else ""
        yield problem(
            "charger.current_a",
            charger.current_a,
            f"no charge lead is set below {LEAST_A:g} A (IEC 61851-1)",
            f"Read on the lead what it is set to{meant}",
        )
    elif charger.current_a > socket.rated_a:
        yield problem(
            "charger.current_a",
            charger.current_a,
            f"the lead's current is above the socket's rating ({socket.rated_a:g} A)",
            "Set the lead to a lower current, or have a licensed electrician fit a suitable socket; if one has, say so "
            "in socket.rated_a, and that it carries this for hours in socket.above_continuous_because",
            "socket.rated_a",
        )
    elif charger.current_a > socket.continuous_a and socket.above_continuous_because is None:
        yield problem(
            "charger.current_a",
            charger.current_a,
            f"the lead's current is above what the socket may carry for hours ({socket.continuous_a:g} A)",
            "Set the lead to a lower current, or have a licensed electrician fit a suitable socket; if one has, say so "
            "in socket.above_continuous_because",
            "socket.continuous_a",
            "socket.above_continuous_because",
        )
    if socket.continuous_a > socket.rated_a:
        yield problem(
            "socket.continuous_a",
            socket.continuous_a,
            f"the continuous rating is above the socket's rating ({socket.rated_a:g} A)",
            "It can at most equal it",
            "socket.rated_a",
        )
    if socket.rearm_level >= socket.alarm_level:
        yield problem(
            "socket.rearm_level",
            socket.rearm_level,
            f"the image would count as cooled while it still alarms (alarm_level {socket.alarm_level:g})",
            "Make it lower than socket.alarm_level",
            "socket.alarm_level",
        )
    yield from _price_contradictions(config, problem)
    stop_undoes_start = not config.way.follows_prices and config.draw_w - config.start_export_w >= config.stop_import_w
    if stop_undoes_start:
        least_w = config.draw_w - config.start_export_w
        kilowatts = 0.0 < config.start_export_w <= MAYBE_KW
        yield problem(
            "control.stop_import_w",
            config.stop_import_w,
            f"this would undo the start at once: a charge that starts at {config.start_export_w:g} W of export and "
            f"draws {config.draw_w:g} W imports {least_w:g} W from its first minute",
            f"Both are in watts: is {1000 * config.start_export_w:g} meant for control.start_export_w?"
            if kilowatts
            else f"Raise it well above {least_w:g}, or raise control.start_export_w",
            "control.start_export_w",
            "charger.draw_w",
            "charger.current_a",
            "charger.voltage_v",
        )
    if control.min_on_s > session.time_cap_s:
        yield problem(
            "control.min_on_s",
            control.min_on_s,
            f"the shortest charge is longer than the session's time cap ({session.time_cap_s:g} s)",
            "Lower it, or raise session.time_cap_s",
            "session.time_cap_s",
        )
    least_wh = config.draw_w * control.min_on_s / 3600
    for table, cap_wh in (("session", session.energy_cap_wh), ("planned", config.planned.energy_cap_wh)):
        if cap_wh is not None and least_wh > cap_wh:
            yield problem(
                f"{table}.energy_cap_wh",
                cap_wh,
                f"the shortest charge takes more ({least_wh:.0f} Wh)",
                "Raise it, or lower control.min_on_s",
                "control.min_on_s",
                "charger.draw_w",
                "charger.current_a",
                "charger.voltage_v",
            )
    if control.starts_per_hour > control.starts_per_day:
        yield problem(
            "control.starts_per_hour",
            control.starts_per_hour,
            f"more starts in an hour than in a day ({control.starts_per_day})",
            "Lower it, or raise control.starts_per_day",
            "control.starts_per_day",
        )
    yield from _plan_contradictions(config, problem)
    history = config.history
    for longer, shorter in (("minutes_days", "readings_days"), ("quarter_hours_days", "minutes_days")):
        if getattr(history, longer) < getattr(history, shorter):
            yield problem(
                f"history.{longer}",
                getattr(history, longer),
                f"what is coarser would be dropped before what is finer ({shorter} is {getattr(history, shorter)})",
                f"Make it at least history.{shorter}",
                f"history.{shorter}",
            )
    yield from _relay_contradictions(relay, problem)
    yield from _meter_contradictions(config, problem)
    yield from _phase_contradictions(config, problem)
    yield from _battery_contradictions(config, problem)
    yield from _neighbour_contradictions(config, problem)
    yield from _limit_contradictions(config, problem)
    yield from _topic_contradictions(config, problem)
    yield from _register_contradictions(config, problem)
    yield from _connection_contradictions(config.mqtt, problem)
    yield from _telling_contradictions(config, problem)


def _plan_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    planned, cap_s = config.planned, config.planned_time_cap_s
    if config.unwatched and cap_s > UNWATCHED_S:
        yield problem(
            "planned.time_cap_s",
            planned.time_cap_s,
            f"so long at {config.charger.current_a:g} A, while people sleep, and no sensor feels whether the socket "
            f"gets hot: {UNWATCHED_S:g} s at most",
            "Fit a sensor ([relay.temperature]), set the lead to a lower current, or lower it; where a licensed "
            "electrician has fitted a socket made for charging, say so in planned.unwatched_because",
            "planned.unwatched_because",
            "charger.current_a",
        )
    if config.control.min_on_s > cap_s:
        yield problem(
            "planned.time_cap_s",
            cap_s,
            f"the shortest charge is longer ({config.control.min_on_s:g} s)",
            "Raise it, or lower control.min_on_s",
            "control.min_on_s",
        )
    if planned.prices and config.money is None:
        yield problem(
            "planned.prices.topic",
            planned.prices.topic,
            "there are no prices to fall back to where none are known",
            "Give a tariff in [money], such as the mean of what moves",
            "money",
        )


def _price_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    control, money = config.control, config.money
    words = [given if isinstance(given, str) else None for given in (control.start_export_w, control.stop_import_w)]
    if words[0] != words[1]:
        key, other = "control.start_export_w", "control.stop_import_w"
        if words[0] is None:
            key, other = other, key
        word = words[0] or words[1]
        yield problem(
            key, word, f'{other} is not "{word}" too', f'Set both to "{word}", or neither: {other} = "{word}"', other
        )
    if any(words) and money is None:
        key = "control.start_export_w" if words[0] else "control.stop_import_w"
        yield problem(
            key,
            words[0] or words[1],
            "the thresholds are to follow the prices, and there are none",
            "Add a [money] table, or give the thresholds in watts",
            "money",
        )
    begins: dict[date | None, int] = {}
    for index, tariff in enumerate(money.tariff if money else ()):
        first = begins.setdefault(tariff.valid_from, index)
        if first != index:
            yield problem(
                f"money.tariff.{index}.valid_from",
                tariff.valid_from,
                "two tariffs begin on the same day",
                "Give each its own first day",
                f"money.tariff.{first}.valid_from",
            )
        for number, window in enumerate(tariff.window):
            if window.import_price is None and window.export_price is None:
                yield problem(
                    f"money.tariff.{index}.window.{number}",
                    "",
                    "a window without a price of its own",
                    "Set its import_price or export_price, or remove it",
                )


def _relay_contradictions(relay: RelayTable, problem: Any) -> Iterator[Problem]:
    if relay.on_payload == relay.off_payload:
        yield problem(
            "relay.off_payload",
            relay.off_payload,
            "on and off are told with the same payload",
            "Give them different payloads",
            "relay.on_payload",
        )
    if relay.hold_s is not None and HOLD_MARK not in relay.on_payload:
        yield problem(
            "relay.hold_s",
            relay.hold_s,
            "the hold time is never told to the plug",
            f"Write {HOLD_MARK} into relay.on_payload where the plug expects the seconds",
            "relay.on_payload",
        )
    if relay.hold_s is None and HOLD_MARK in relay.on_payload:
        yield problem(
            "relay.on_payload",
            relay.on_payload,
            "the payload asks for a hold time that is not set",
            "Set relay.hold_s to the seconds after which the plug switches itself off",
            "relay.hold_s",
        )
    if relay.hold_s is not None and relay.hold_s < 2 * relay.reassert_s:
        yield problem(
            "relay.hold_s",
            relay.hold_s,
            f"the plug would switch itself off between two re-assertions ({relay.reassert_s:g} s apart)",
            "Make it at least twice relay.reassert_s",
            "relay.reassert_s",
        )
    for key in ("on_payload", "off_payload"):
        text = getattr(relay, key).replace(HOLD_MARK, "0")
        if text[0] in "{[":
            try:
                json.loads(text)
            except (ValueError, RecursionError) as error:
                yield problem(
                    f"relay.{key}", getattr(relay, key), f"looks like JSON, but is not ({error})", "Correct the JSON"
                )
    if relay.feedback:
        if relay.feedback.on_value.lower() == relay.feedback.off_value.lower():
            yield problem(
                "relay.feedback.off_value",
                relay.feedback.off_value,
                "on and off are reported with the same value",
                "Give the two values that the plug reports",
                "relay.feedback.on_value",
            )
        if relay.feedback.topic == relay.topic:
            yield problem(
                "relay.feedback.topic",
                relay.feedback.topic,
                "this is the command topic: the daemon would take its own command for the plug's report",
                "Name the topic where the plug itself reports, or leave relay.feedback out",
                "relay.topic",
            )


def _meter_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    """Find what no reading can ever show: then a charge never begins, or never ends."""
    ways = {source.measures for source in config.meter}
    keys = [f"meter.{index}.measures" for index in range(len(config.meter))]
    all_of_them = "of all of them" if len(keys) > 1 else "of the only one"
    if ways == {"import-only"}:
        yield problem(
            keys[0],
            "import-only",
            f"{all_of_them}: no reading can ever show an export, so no surplus is ever seen",
            'Write "export-only" for the meter that counts what is sent to the grid (where import and export were '
            'exchanged, both are wrong: exchange both), or "net-import" for one that goes below zero',
            *keys,
        )
    elif ways == {"export-only"} and (config.way.follows_prices or config.stop_import_w >= 0):
        yield problem(
            keys[0],
            "export-only",
            f"{all_of_them}: no reading can ever show an import, so none ever ends a charge",
            'Write "import-only" for the meter that counts what is taken from the grid (where import and export were '
            'exchanged, both are wrong: exchange both), or "net-export" for one that goes below zero; or end a charge '
            "while there still is export, with a control.stop_import_w below 0",
            *keys,
            "control.stop_import_w",
        )


def _phase_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    named = [source.phase for source in config.meter]
    keys = [f"meter.{index}.phase" for index in range(len(named))]
    phase, fuse = config.charger.phase, config.main_fuse
    if None in named and any(named):
        unnamed = keys[named.index(None)]
        yield problem(unnamed, None, "some meters are named for a phase, this one is not", "Name all, or none", *keys)
    elif config.site.phases == "apart" and (phase is None or None in named):
        key = "charger.phase" if phase is None else keys[0]
        yield problem(
            key,
            None,
            'site.phases is "apart", so it must be known what each [[meter]] and the lead are on',
            "Give charger.phase, and a phase for each [[meter]]",
            "site.phases",
        )
    if phase is not None and phase not in named:
        yield problem(
            "charger.phase",
            phase,
            "no [[meter]] is named for this phase",
            "Give the [[meter]] that measures it the same phase, or leave charger.phase out",
            *keys,
        )
    if fuse and fuse.import_limit_w <= config.draw_w:
        yield problem(
            "main_fuse.import_limit_w",
            fuse.import_limit_w,
            f"that is not even enough for the lead alone ({config.draw_w:g} W), so nothing could be planned or bought",
            "Give what the main fuse may carry: its amperes times the voltage, and some room",
            "charger.draw_w",
            "charger.current_a",
            "charger.voltage_v",
        )


def _battery_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    if config.site.phases == "apart" and config.battery is not None:
        yield problem(
            "site.phases",
            "apart",
            "a battery works on all phases or on one of them, and nobody says which: the lead's own phase alone does "
            "not show what is left over",
            "Let the phases be summed, or leave [battery] out",
            "battery",
        )
    if config.battery is not None and config.battery.until is not None and config.battery.first == "car":
        yield problem(
            "battery.until",
            config.battery.until,
            'the sun is the car\'s at any time: battery.first is "car"',
            "Leave it out, or let the battery be first",
            "battery.first",
        )
    if config.spares_battery and not config.way.follows_prices and config.stop_import_w > 0:
        yield problem(
            "control.stop_import_w",
            config.stop_import_w,
            "so much would come from the house's battery, and battery.into_car is false",
            "Leave it out or make it 0, or let the battery serve the car: battery.into_car = true",
            "battery.into_car",
        )


def _neighbour_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    table = config.neighbours
    if table is None:
        return
    common, base = table.topic, config.own_topic
    named = {"mqtt.own_topic": base, "relay.topic": config.relay.topic}
    named |= {f"meter.{index}.topic": source.topic for index, source in enumerate(config.meter)}
    for key, topic in named.items():
        inside = topic.startswith(f"{common}/") or (key == "mqtt.own_topic" and common.startswith(f"{base}/"))
        if inside or topic == common:
            yield problem(
                "neighbours.topic",
                common,
                f"that is, or lies above or below, {key} ({topic})",
                "Give the claims a topic of their own, the same for all on this meter",
                key,
            )


def together(config: Config, other: Config) -> list[str]:
    """Return what two chargers on one meter must not have in common, and have."""
    if config.neighbours is None or other.neighbours is None:
        return []
    pairs = {
        "charger.name": (config.charger.name, other.charger.name),
        "relay.topic": (config.relay.topic, other.relay.topic),
        "mqtt.own_topic": (config.own_topic, other.own_topic),
        "mqtt.client_id": (config.client_id, other.client_id),
    }
    same = [f"{key} is {shown_as(mine)} in both" for key, (mine, its) in pairs.items() if mine == its]
    differ = {
        "neighbours.topic": (config.neighbours.topic, other.neighbours.topic),
        "neighbours.settle_s": (config.neighbours.settle_s, other.neighbours.settle_s),
    }
    apart = [
        f"{key} is {shown_as(mine)} here and {shown_as(its)} there"
        for key, (mine, its) in differ.items()
        if mine != its
    ]
    return same + apart


def _limit_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    table = config.export_limit
    if table is None:
        return
    if config.site.phases == "apart":
        yield problem(
            "site.phases",
            "apart",
            "the inverter holds back what all phases together would export, and the lead's own does not show it",
            "Let the phases be summed, or leave [export_limit] out",
            "export_limit",
        )
    if all(source.measures == "export-only" for source in config.meter):
        yield problem(
            "export_limit",
            None,
            "no meter ever shows an import, so nobody would see what a trial buys",
            "List the meter of the import as well, or leave [export_limit] out",
            *(f"meter.{index}.measures" for index in range(len(config.meter))),
        )
    if table.bought_wh_per_day < config.trial_wh:
        yield problem(
            "export_limit.bought_wh_per_day",
            table.bought_wh_per_day,
            f"a single trial that finds nothing may buy more ({config.trial_wh:.0f} Wh), so none would be made",
            "Raise it, or lower control.min_on_s",
            "control.min_on_s",
            "control.stop_delay_s",
            "charger.draw_w",
            "charger.current_a",
            "charger.voltage_v",
        )


def _topic_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    base = config.own_topic
    own = {f"{base}/{leaf}": "mqtt.own_topic" for leaf in OWN_LEAVES}
    own[config.relay.topic] = "relay.topic"
    read = [(f"meter.{index}.topic", source.topic) for index, source in enumerate(config.meter)]
    for name in ("power", "temperature", "surroundings", "voltage"):
        part = getattr(config.relay, name)
        if part:
            read.append((f"relay.{name}.topic", part.topic))
    if config.battery:
        for name, part in (("power", config.battery.power), ("level", config.battery.level)):
            if part:
                read.append((f"battery.{name}.topic", part.topic))
    read += [(f"energy_register.{index}.topic", one.topic) for index, one in enumerate(config.energy_register)]
    if config.relay.feedback and config.relay.feedback.topic != config.relay.topic:
        read.append(("relay.feedback.topic", config.relay.feedback.topic))
    seen: dict[tuple[str, str | None], int] = {}
    for index, source in enumerate(config.meter):
        first = seen.setdefault((source.topic, source.pointer), index)
        if first != index:
            yield problem(
                f"meter.{index}.topic",
                source.topic,
                "the same value is listed twice, and would be counted twice",
                "Remove one, or give it another pointer",
                *(f"meter.{number}.{key}" for number in (first, index) for key in ("topic", "pointer")),
            )
    for key, topic in read:
        if topic in own:
            yield problem(
                key, topic, "the daemon itself publishes there", "Name the topic of the device", key, own[topic]
            )
    if config.homie.publish:
        for key, topic in [*read, ("relay.topic", config.relay.topic)]:
            if topic.startswith(f"{config.homie_topic}/"):
                yield problem(
                    key,
                    topic,
                    f"the daemon describes itself there ({config.homie_topic}/...)",
                    "Name the topic of the device, or change homie.domain",
                    key,
                    "homie.domain",
                )
    if own[config.relay.topic] and config.relay.topic.startswith(f"{base}/"):
        yield problem(
            "relay.topic",
            config.relay.topic,
            f"this lies under the daemon's own topics ({base}/...)",
            "Change mqtt.own_topic, or name the plug's own topic",
            "mqtt.own_topic",
        )


def _register_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    seen: dict[object, int] = {}
    for index, one in enumerate(config.energy_register):
        for key, what, value in (("topic", (one.topic, one.pointer), one.topic), ("name", one.called, one.called)):
            first = seen.setdefault(what, index)
            if first != index:
                yield problem(
                    f"energy_register.{index}.{key}",
                    value,
                    "the same value is listed twice, and would be counted twice"
                    if key == "topic"
                    else "two registers have this name",
                    "Remove one, or give it another pointer" if key == "topic" else "Give one of them another name",
                    *(f"energy_register.{number}.{key}" for number in (first, index)),
                )
    if config.energy_register and not config.history.record:
        yield problem(
            "history.record",
            False,
            "energy registers are kept in the ledger, and nothing is kept there",
            "Leave out [[energy_register]], or history.record",
            "energy_register",
        )


def _connection_contradictions(mqtt: Mqtt, problem: Any) -> Iterator[Problem]:
    if mqtt.unix_socket is not None:
        for key in ("host", "port", "tls"):
            if key in mqtt.model_fields_set:
                yield problem(
                    "mqtt.unix_socket",
                    mqtt.unix_socket,
                    f"a local socket has no {key}",
                    f"Leave out either mqtt.unix_socket or mqtt.{key}",
                    f"mqtt.{key}",
                )
    if mqtt.password is not None and mqtt.username is None:
        yield problem("mqtt.password", "", "a password without a user name", "Set mqtt.username", "mqtt.username")
    if mqtt.tls and (mqtt.tls.cert_file is None) is not (mqtt.tls.key_file is None):
        yield problem("mqtt.tls", "", "a client certificate needs its key", "Give both cert_file and key_file")
    secrets = {"mqtt.password": mqtt.password, "mqtt.tls.key_password": mqtt.tls.key_password if mqtt.tls else None}
    yield from _secret_contradictions(secrets, problem)


def _telling_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    secrets: dict[str, Secret | None] = {}
    for index, tell in enumerate(config.tell):
        key, mail, post = f"tell.{index}", tell.mail, tell.post
        if sum(one is not None for one in (mail, post, tell.command)) != 1:
            yield problem(
                key,
                "",
                "a message goes one way",
                "Give exactly one of mail, post and command; for more, add a [[tell]]",
            )
        if mail:
            secrets[f"{key}.mail.password"] = mail.password
            if (mail.password is None) is not (mail.username is None):
                keys = (f"{key}.mail.password", f"{key}.mail.username")
                yield problem(keys[0], "", "user name and password belong together", "Give both, or neither", keys[1])
            if find_spec("aiosmtplib") is None:
                yield problem(
                    f"{key}.mail",
                    "",
                    "e-mail needs aiosmtplib, which is not installed",
                    to_install("mail"),
                )
        if post:
            secrets[f"{key}.post.bearer_token"] = post.bearer_token
        if tell.command and not (Path(tell.command[0]).is_file() and os.access(tell.command[0], os.X_OK)):
            yield problem(
                f"{key}.command", tell.command[0], "is no program that this user can run", "Name it with its whole path"
            )
    if config.metrics and find_spec("prometheus_client") is None:
        yield problem(
            "metrics",
            "",
            "OpenMetrics needs prometheus_client, which is not installed",
            to_install("metrics"),
        )
    for key, table in config.addresses.items():
        secrets[f"{key}.secret_url"] = table.secret_url
        if (table.url is None) is (table.secret_url is None):
            yield problem(f"{key}.url", "", "one address is needed", f"Give either {key}.url or {key}.secret_url")
    yield from _secret_contradictions(secrets, problem)
    for key, secret in secrets.items():
        if key.endswith("secret_url") and secret is not None and len(secret.model_fields_set) == 1:
            with contextlib.suppress(ValueError):  # that it cannot be read is said already
                text = secret.reveal()
                try:
                    web_address(text)
                except PydanticCustomError as error:
                    yield problem(
                        key, "", "what is found there is no address for HTTP", (error.context or {})["remedy"]
                    )
        if key.endswith("bearer_token") and secret is not None and len(secret.model_fields_set) == 1:
            with contextlib.suppress(ValueError):
                # RFC 9110, section 5.5: what else is in a header's value can be two headers, or comes back in an error.
                if not re.fullmatch(r"[!-~]+", secret.reveal()):
                    yield problem(key, "", "what is found there is no token", "Put it there alone, in one line")


def _secret_contradictions(secrets: Mapping[str, Secret | None], problem: Any) -> Iterator[Problem]:
    for key, secret in secrets.items():
        if secret is None:
            continue
        if len(secret.model_fields_set) != 1:
            yield problem(key, "", "a secret is found in one place", "Give exactly one of file, env and credential")
            continue
        try:
            secret.reveal()
        except ValueError as error:
            shown = str(secret) if secret.telling else ""
            yield problem(key, shown, str(error), "Provide it there, readable by the daemon's user")


def _open_to_others(config: Config) -> Iterator[str]:
    """Say which files and folders every user of this computer may read or change, and should not."""
    tls, folder = config.mqtt.tls, config.state_file.parent
    secrets = [tls.key_password] if tls else []
    secrets += [config.ping.secret_url] if config.ping else []
    for tell in config.tell:
        secrets += [tell.mail.password] if tell.mail else []
        secrets += [tell.post.secret_url, tell.post.bearer_token] if tell.post else []
    places = [secret.path for secret in secrets if secret and secret.file]
    for place in [*([Path(tls.key_file)] if tls and tls.key_file else []), *places]:
        if _mode(place) & stat.S_IROTH:
            yield f"{place} can be read by every user of this computer: chmod o-rwx."
    if _mode(folder) & stat.S_IWOTH:
        yield (
            f"{folder} can be changed by every user of this computer, and what must outlive a restart be lost: "
            "chmod o-rwx."
        )


def _mode(path: Path) -> int:
    try:
        return path.stat().st_mode
    except (OSError, ValueError):
        return 0


def warnings(config: Config) -> list[str]:
    """Return what is allowed, but worth a second thought."""
    return list(_doubts(config))


def _doubts(config: Config) -> Iterator[str]:
    relay, control, mqtt = config.relay, config.control, config.mqtt
    nominal_w = config.charger.current_a * config.charger.voltage_v
    if abs(config.draw_w / nominal_w - 1) > VOLTAGE_TOLERANCE:
        low_w, high_w = nominal_w * (1 - VOLTAGE_TOLERANCE), nominal_w * (1 + VOLTAGE_TOLERANCE)
        yield (
            f"charger.draw_w = {config.draw_w:g} does not fit {config.charger.current_a:g} A: within the voltage that "
            f"EN 50160 allows, that is {low_w:.0f} to {high_w:.0f} W. Is the current setting right?"
        )
    margin_w = config.stop_import_w - (config.draw_w - config.start_export_w)
    if not config.way.follows_prices and margin_w < 0.1 * config.draw_w:
        yield (
            f"only {margin_w:g} W lie between what a fresh start imports and control.stop_import_w: "
            "small loads will end charges early."
        )
    for key, value_w in (("start_export_w", control.start_export_w), ("stop_import_w", control.stop_import_w)):
        if isinstance(value_w, float) and 0.0 < abs(value_w) <= MAYBE_KW:
            yield f"control.{key} = {value_w:g} is in watts: is {1000 * value_w:g} meant?"
    if not config.way.follows_prices and config.stop_import_w >= config.draw_w:
        yield (
            f"control.stop_import_w = {config.stop_import_w:g} is more than the lead draws ({config.draw_w:g} W): by "
            "itself it never ends a charge, which may then go on with bought energy alone."
        )
    for key, topic in (("relay", relay.topic), *(("meter", meter.topic) for meter in config.meter)):
        if topic.strip() != topic:
            yield f"{key}.topic = {shown_as(topic)} begins or ends with a blank: another topic. Is it meant?"
    words = relay.on_payload, relay.off_payload
    if all(map(str.isalpha, words)) and len({(word.isupper(), word.islower()) for word in words}) > 1:
        yield (
            f"relay.on_payload is {shown_as(words[0])}, and relay.off_payload {shown_as(words[1])}: small and large "
            "letters are not the same to a plug. Is each written as the plug wants it?"
        )
    if config.charger.current_a > config.socket.continuous_a:
        yield (
            f"the lead's {config.charger.current_a:g} A are above the {config.socket.continuous_a:g} A that the socket "
            f"may carry for hours, allowed because: {config.socket.above_continuous_because}; the thermal image will "
            "interrupt long charges."
        )
    if config.battery is not None and config.battery.level is None:
        yield (
            "battery.level is not set: a wrong sign of battery.power is noticed by the lead's own steps at best, after "
            "some charges from the battery; and where the battery is first, it is so at any level."
        )
    if relay.feedback is None:
        yield "relay.feedback is not set: whether the plug obeys is not known; the broker's word is taken for it."
    if relay.power is None:
        yield "relay.power is not set: the charger's draw is assumed, not measured, and so is its energy."
    if relay.hold_s is None:
        yield (
            "relay.hold_s is not set: if both the computer and the broker fail while charging, the plug stays on. "
            "A plug that can switch itself off after a time is worth having."
        )
    yield from _open_to_others(config)
    yield from _named_otherwise(config)
    if relay.qos == 0:
        yield "relay.qos is 0: a command may be lost without anyone noticing; 1 is better."
    if control.min_on_s < 60 or control.min_off_s < 60:
        yield "control.min_on_s or control.min_off_s is below a minute: hard on the relay, the lead and the car."
    if max(source.fresh_s for source in config.meter) > 120:
        yield "meter.fresh_s is above two minutes: for so long the relay stays on after the meter fell silent."
    if config.neighbours and config.stop_delay_s < LEAST_STOP_DELAY_S:
        yield (
            f"control.stop_delay_s = {config.stop_delay_s:g} with [neighbours]: where the surplus ends, all end their "
            "charges before the meter shows that one of them would have been enough."
        )
    yield from _price_doubts(config)
    yield from _plan_doubts(config)
    yield from _telling_doubts(config)
    yield from _limit_doubts(config)
    counts = {one.counts for one in config.energy_register}
    if counts and not counts >= {"import", "export"}:
        yield (
            "energy_register: gaps in the books are filled only where there is a register of import and one of export; "
            "a house that exports nothing needs one that stays as it is."
        )
    local = mqtt.unix_socket is not None or mqtt.host in LOCAL
    if not local and mqtt.tls is None:
        yield "mqtt.tls is not set: anyone on the network can read, and perhaps change, what is sent to the broker."
    if not local and mqtt.username is None and not (mqtt.tls and mqtt.tls.cert_file):
        yield "mqtt.username is not set: a broker that lets anyone in lets anyone switch the relay."
    if mqtt.password and mqtt.password.file and Path(mqtt.password.file).stat().st_mode & stat.S_IROTH:
        yield f"{mqtt.password.file} can be read by every user of this computer."


def _telling_doubts(config: Config) -> Iterator[str]:
    for index, tell in enumerate(config.tell):
        if tell.mail and tell.mail.security == "none" and tell.mail.host not in LOCAL:
            yield f"tell.{index}.mail.security is none: whoever is on the way reads the message, and the password."
    for key, table in config.addresses.items():
        try:
            url = address_of(table)
        except ValueError:  # that it cannot be read is said elsewhere
            continue
        named = "secret_url" if table.secret_url else "url"
        if urlsplit(url).scheme == "http" and urlsplit(url).hostname not in LOCAL:
            yield (
                f"{key}.{named} is not encrypted: whoever is on the way reads what is sent, and may stop it. Use https."
            )
    if config.tell and config.ping is None:
        yield (
            "[[tell]] without [ping]: a daemon, or a computer, that has died tells nobody anything. See the manual, "
            '"Being told".'
        )


def _plan_doubts(config: Config) -> Iterator[str]:
    planned = config.planned
    if not planned.allow:
        if planned.need or planned.prices or planned.forecast:
            yield "planned.allow is false: nothing is charged by plan, whatever else [planned] says."
        return
    if config.relay.temperature is None:
        yield (
            "planned.allow is true, and no sensor feels the socket while people sleep ([relay.temperature]): a contact "
            "that gets hot is noticed by nobody. Have a smoke alarm at least, and the socket looked at by a licensed "
            "electrician."
        )
    most_wh = config.draw_w * config.planned_time_cap_s / 3600
    for need in planned.need:
        if need.energy_wh < LEAST_NEED_WH:
            yield (
                f"planned.need: {need.energy_wh:g} Wh by {need.by} is next to nothing for a car: a kWh is 1000 Wh, so "
                f"{need.energy_wh:g} kWh would be energy_wh = {need.energy_wh * 1000:g}."
            )
        if need.energy_wh > most_wh:
            yield (
                f"planned.need: {need.energy_wh:g} Wh by {need.by} is more than may be charged by plan "
                f"({most_wh:.0f} Wh in {config.planned_time_cap_s / 3600:g} h): without sun it will not be met."
            )


def _limit_doubts(config: Config) -> Iterator[str]:
    table = config.export_limit
    if table is None:
        return
    if not config.way.follows_prices and table.limit_w >= config.start_export_w:
        yield (
            f"export_limit.limit_w = {table.limit_w:g} reaches control.start_export_w ({config.start_export_w:g}): a "
            "charge starts before the limit is reached, and nothing needs to be tried."
        )
    if config.relay.power is None:
        yield (
            "export_limit without relay.power: where the inverter follows the lead, the meter does not show whether a "
            "car draws anything, so a full one may pass for one that charges from hidden sun."
        )
    if config.tariffs() is not None:
        yield (
            "export_limit with [money]: what the inverter would have held back earns nothing, so what was charged of "
            "it cost less than reports say, unless export_price is 0."
        )


def _named_otherwise(config: Config) -> Iterator[str]:
    """Find a source of one direction that is named after the other one: no error, for a name is only a name."""
    ways = {"import-only": "import", "export-only": "export"}
    for index, source in enumerate(config.meter):
        if source.measures not in ways:
            continue
        # The closer a name is to the value, the more it says: a topic of both directions may hold a pointer to either.
        names = (source.pointer or "", source.topic.rpartition("/")[2], source.topic)
        said = ([word for word in ways.values() if word in name.lower()] for name in names)
        word = next((words[0] for words in said if len(words) == 1), None)
        if word not in (None, ways[source.measures]):
            place = shown_as(source.topic + (source.pointer or ""))
            yield (
                f"meter.{index}.measures is {shown_as(source.measures)}, and {place} says {word}. With import and "
                "export exchanged it charges when power is bought: see which of the two rises when a kettle is on."
            )


def _price_doubts(config: Config) -> Iterator[str]:
    for index, tariff in enumerate(config.money.tariff if config.money else ()):
        key = f"money.tariff.{index}"
        if config.money and config.money.currency in IN_HUNDREDTHS and tariff.import_price >= 3:
            yield (
                f"{key}.import_price = {tariff.import_price} {config.money.currency} for a kilowatt-hour: are these "
                f"hundredths? Then write {tariff.import_price / 100}."
            )
        if tariff.export_price > tariff.import_price:
            yield f"{key}.export_price is above import_price: what is sold would earn more than what is bought costs."
        elif said := tariff_of(tariff).of_cheapest():
            given = "is" if "alternative_price" in tariff.model_fields_set else "is left out, and so"
            yield f'{key}.alternative_price {given} "cheapest": {said}.'
        elif "alternative_price" not in tariff.model_fields_set and not tariff.window and not config.planned.prices:
            yield (
                f"{key}.alternative_price is left out: then what is bought beside the sun costs no more than the car's "
                "energy would otherwise, and where the thresholds follow the prices any surplus starts a charge. Give "
                "what a kilowatt-hour costs where the car charges otherwise, or numbers in [control]."
            )
        for number, window in enumerate(tariff.window):
            if window.begins == window.ends:
                yield f"{key}.window.{number} begins and ends at {window.begins}: it covers the whole day."


def shown_as(value: object) -> str:
    """Return a value as TOML would write it, shortened."""
    if value == "":
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    try:
        text = json.dumps(value, default=str, ensure_ascii=True)
    except (ValueError, RecursionError):  # a number or a table of absurd size
        return "..."
    return text if len(text) <= 60 else text[:57] + "..."
