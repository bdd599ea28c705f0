"""What stands around the daemon, looked over with nobody at the plug: broker, rights, clock, disk, unit, ledger.

Nothing is switched, and nothing is published to the relay, not even off: that only the daemon and ``commission`` do. It
publishes on one topic below the base topic, ``examined``, and reads the rest. It may be run beside the daemon.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import importlib.metadata
import ipaddress
import os
import platform
import secrets
import shutil
import socket
import subprocess
import tempfile
import textwrap
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit

from aiomqtt import Client, MqttError, ProtocolVersion

from surpluscharge import __version__
from surpluscharge.clock import SystemClock, zone
from surpluscharge.config import Config, address_of, warnings
from surpluscharge.config.checks import MAYBE_KW
from surpluscharge.control.signals import Rejected, Source
from surpluscharge.control.wishes import UNSET_S
from surpluscharge.daemon.commands import COMMANDS
from surpluscharge.daemon.mqtt import Link, Post, Refused, silent
from surpluscharge.daemon.status import StatusDocument, refused_in_words
from surpluscharge.history.energy import ms_of, time_of
from surpluscharge.history.ledger import Ledger, LedgerError
from surpluscharge.words import counted, duration, printable, watts

ANSWER_WITHIN_S = 4.0
LISTEN_S = 12.0  # a meter speaks every few seconds
DISK_SLOW_S, FREE_LEAST_BYTES, FREE_FEW_BYTES = 1.0, 20_000_000, 200_000_000
CLOCKS_APART_S = 5.0
OWN_LEAF = "examined"
LIBRARIES = ("aiomqtt", "paho-mqtt", "pydantic", "structlog", "tenacity", "jsonpointer")
EXTRAS = {
    "rich": "watch",
    "amqtt": "demo",
    "aiosmtplib": "mail",
    "prometheus-client": "metrics",
    "matplotlib": "report",
    "numba": "tune",
    "pyarrow": "parquet",
}
TOOL_WITHIN_S = 10.0
INDENT, WIDTH = 14, 100
BROKERS_WORD = "$SYS/broker/version"  # of some brokers; no standard


Trouble = Callable[[Exception], str]


class Finding(NamedTuple):
    """What came of one look. The verdicts are those of commissioning."""

    about: str
    verdict: str  # good, doubtful, wrong, not tried
    what: str
    remedy: str = ""


async def examine(config: Config, path: str, listen_s: float, trouble: Trouble = str) -> list[Finding]:
    """Look at all of it. ``path``: of the configuration; ``listen_s``: how long the devices are listened to.

    ``trouble``: says what an error means that the broker could not be used for.
    """
    found = [*_versions(config, path), *_clock(config), *_disk(config), *_unit(config, path), *_ledger(config)]
    return [*found, *await _broker(config, listen_s, trouble)]


# --- the computer -----------------------------------------------------------------------------------------------------


def _versions(config: Config, path: str) -> Iterator[Finding]:
    there = {}
    for name in (*LIBRARIES, *EXTRAS):
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            there[name] = importlib.metadata.version(name)
    said = ", ".join(f"{name} {there[name]}" for name in LIBRARIES if name in there)
    yield Finding("versions", "good", f"surpluscharge {__version__}, Python {platform.python_version()}, {said}")
    extras = [f"{extra} ({name} {there[name]})" for name, extra in EXTRAS.items() if name in there]
    yield Finding("versions", "good", f"extras: {', '.join(extras) or 'none'}")
    if doubts := warnings(config):
        yield Finding(
            "configuration",
            "doubtful",
            f"{path} can be used, with {counted(len(doubts), 'warning')}",
            f"surpluscharge check --brief --config {path}",
        )
    else:
        yield Finding("configuration", "good", f"{path} can be used")


def _clock(config: Config) -> Iterator[Finding]:
    wall = SystemClock(zone(config.site.time_zone)).wall()
    if wall.timestamp() < UNSET_S:
        yield Finding(
            "clock",
            "wrong",
            f"it shows {wall:%Y-%m-%d}: it was never set",
            "Have it set from the network at each start",
        )
        return
    said = _tool("timedatectl", "show", "--property=NTPSynchronized", "--value")
    if said == "yes":
        yield Finding("clock", "good", f"{wall:%Y-%m-%d %H:%M:%S %Z}, kept right from the network")
    elif said == "no":
        yield Finding(
            "clock",
            "doubtful",
            f"{wall:%Y-%m-%d %H:%M:%S %Z}, not kept right from the network",
            "Enable a time service, such as systemd-timesyncd: daily sessions, prices and needs go by it",
        )
    else:
        yield Finding(
            "clock", "not tried", f"{wall:%Y-%m-%d %H:%M:%S %Z}; whether it is kept right cannot be told here"
        )
    if zone(config.site.time_zone) is None:
        yield Finding(
            "clock",
            "doubtful",
            "the computer's time zone cannot be told",
            'Write it into the configuration, such as time_zone = "Europe/Lisbon" in [site]',
        )


def _disk(config: Config) -> Iterator[Finding]:
    folder = config.state_file.parent
    if not folder.exists():
        yield Finding(
            "disk",
            "doubtful",
            f"{folder} is not there yet",
            "The daemon makes it, if its user may; run this as the service's user, with STATE_DIRECTORY as in the unit",
        )
        return
    try:
        free_bytes = shutil.disk_usage(folder).free
        began_s = time.monotonic()
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"examined" * 512)
            file.flush()
            os.fsync(file.fileno())
        took_s = time.monotonic() - began_s
    except OSError as error:
        what = {errno.ENOSPC: "the disk is full", errno.EROFS: "the disk is read-only"}.get(
            error.errno or 0, f"this user may not write there ({error.strerror})"
        )
        yield Finding(
            "disk",
            "wrong",
            f"{folder}: {what}",
            "Make room, mount it for writing, or run this as the service's user (runuser -u surpluscharge -- ...)",
        )
        return
    free = f"{folder}: {free_bytes / 1e6:.0f} MB free, {took_s * 1000:.0f} ms for a write that lasts"
    if free_bytes < FREE_LEAST_BYTES:
        yield Finding(
            "disk", "wrong", free, "Make room: where what must outlive a restart cannot be written, nothing starts"
        )
    elif free_bytes < FREE_FEW_BYTES or took_s > DISK_SLOW_S:
        yield Finding(
            "disk", "doubtful", free, "Make room; a slow write may be a card that wears out: replace it in time"
        )
    else:
        yield Finding("disk", "good", free)
    others = [
        place for place in (config.state_file, config.history_file) if place.exists() and not os.access(place, os.R_OK)
    ]
    for place in others:
        yield Finding("disk", "wrong", f"{place} cannot be read by this user", "Run this as the service's user")


def _tool(*words: str) -> str | None:
    """Return what one of the system's programs says; None: it cannot say."""
    with contextlib.suppress(OSError, subprocess.SubprocessError):
        done = subprocess.run(words, capture_output=True, text=True, timeout=TOOL_WITHIN_S, check=False)
        if done.returncode == 0:
            return done.stdout.strip()
    return None


def _unit(config: Config, path: str) -> Iterator[Finding]:
    name = _unit_name(path)
    keys = ("LoadState", "ActiveState", "UnitFileState", "NRestarts", "WatchdogUSec", "IPAddressAllow", "ExecStart")
    said = _tool("systemctl", "show", name, f"--property={','.join(keys)}")
    if said is None:
        yield Finding(
            "unit", "not tried", "no systemd answers here: what starts the daemon again is somebody else's affair"
        )
        return
    unit = dict(line.split("=", 1) for line in said.splitlines() if "=" in line)
    if unit.get("LoadState") != "loaded":
        yield Finding(
            "unit",
            "doubtful",
            f"{name} is not installed: after a crash or a power cut nobody starts the daemon again",
            "See README.md, Install it as a service",
        )
        return
    if path not in unit.get("ExecStart", path):
        yield Finding("unit", "doubtful", f"{name} runs with another configuration", f"See systemctl cat {name}")
    if unit.get("UnitFileState") not in ("enabled", "enabled-runtime"):
        yield Finding("unit", "doubtful", f"{name} does not start with the computer", f"systemctl enable {name}")
    if unit.get("WatchdogUSec") in ("0", "infinity"):
        yield Finding(
            "unit", "doubtful", f"{name} has no watchdog: one that hangs stays", "Take deploy/surpluscharge.service"
        )
    restarts = int(unit.get("NRestarts") or 0)
    if unit.get("ActiveState") != "active":
        yield Finding(
            "unit", "wrong", f"{name} is {unit.get('ActiveState')}", f"systemctl status {name}; journalctl -u {name}"
        )
    elif restarts:
        yield Finding(
            "unit", "doubtful", f"{name} runs, started again {counted(restarts, 'time')}", f"journalctl -u {name}"
        )
    else:
        yield Finding("unit", "good", f"{name} runs")
    yield from walls(config, unit.get("IPAddressAllow", ""), name)


def _unit_name(path: str) -> str:
    stem = Path(path).stem
    return "surpluscharge.service" if stem == "surpluscharge" else f"surpluscharge@{stem}.service"


def walls(config: Config, allowed: str, unit: str) -> Iterator[Finding]:
    """Say which hosts the unit does not let the daemon reach. ``allowed`` is as systemd shows it; empty: all are."""
    networks = [ipaddress.ip_network(word, strict=False) for word in allowed.split()]
    if not networks:
        return
    hosts = {"the broker": config.mqtt.host} if config.mqtt.unix_socket is None else {}
    hosts |= {f"tell.{index}.mail": tell.mail.host for index, tell in enumerate(config.tell) if tell.mail}
    for key, table in config.addresses.items():
        with contextlib.suppress(ValueError):  # that it cannot be read is said of the configuration
            hosts[key] = urlsplit(address_of(table)).hostname or ""
    secret = {key for key, table in config.addresses.items() if table.secret_url}
    for key, host in hosts.items():
        named = "its host" if key in secret else host
        try:
            found = sorted({str(entry[4][0]).partition("%")[0] for entry in socket.getaddrinfo(host, None)})
        except OSError as error:
            yield Finding(
                "unit",
                "wrong",
                f"{key}: {named} has no address ({error.strerror})",
                "See the name, and /etc/resolv.conf",
            )
            continue
        shut = [one for one in found if not any(ipaddress.ip_address(one) in network for network in networks)]
        if len(shut) == len(found):
            yield Finding(
                "unit",
                "wrong",
                f"{key}: {unit} does not let the daemon reach {named} ({', '.join(shut)})",
                f"systemctl edit {unit}: [Service] IPAddressAllow={' '.join(shut)}",
            )


def _ledger(config: Config) -> Iterator[Finding]:
    if not config.history.record:
        yield Finding("ledger", "not tried", "history.record is false: nothing is kept")
        return
    place, now = config.recorded_file, SystemClock(zone(config.site.time_zone)).wall()
    if not place.exists():
        yield Finding("ledger", "not tried", f"{place} is not there yet: the daemon has not run")
        return
    try:
        with Ledger(place, read_only=True) as ledger, ledger.snapshot():
            troubles = ledger.check(ms_of(now), now.tzinfo)
            bounds = None if any(trouble.ruined for trouble in troubles) else ledger.bounds()
    except (LedgerError, OSError) as error:
        yield Finding("ledger", "wrong", str(error), "Run this as the service's user")
        return
    for trouble in troubles:
        yield Finding("ledger", "wrong", trouble.what, trouble.remedy)
    if not troubles:
        first, last = (f"{time_of(at_ms, now.tzinfo):%Y-%m-%d %H:%M}" for at_ms in bounds) if bounds else ("", "")
        span = f"from {first} to {last}" if bounds else "nothing is in it yet"
        yield Finding("ledger", "good", f"{place}: in order, {span}, {place.stat().st_size / 1e6:.2f} MB")


# --- the broker -------------------------------------------------------------------------------------------------------


async def _broker(config: Config, listen_s: float, trouble: Trouble) -> list[Finding]:
    settings, base = config.settings(), config.own_topic
    house = settings.battery
    plug = settings.power, settings.temperature, settings.surroundings, settings.voltage, settings.contact
    sources = (*settings.grid, *plug)
    sources = (*sources, house.power, house.charge) if house else sources
    feeds = [feed.topic for feed in (config.planned.prices, config.planned.forecast) if feed and config.planned.allow]
    feeds += [one.topic for one in config.energy_register]
    devices = list(dict.fromkeys([source.topic for source in sources if source] + feeds))
    own = [f"{base}/{leaf}" for leaf in (*(f"{command.name}/set" for command in COMMANDS), "status", "availability")]
    mark = f"{base}/{OWN_LEAF}"
    link = Link(
        f"examine-{secrets.token_hex(4)}",
        config,
        silent(),
        will=None,
        farewell=None,
        topics=[(topic, 1) for topic in (*devices, *own, mark, BROKERS_WORD)],
    )
    found: list[Finding] = []
    try:
        began_s = time.monotonic()
        async with asyncio.timeout(2 * ANSWER_WITHIN_S):
            client = await link.connect()
        took_s = time.monotonic() - began_s
    except (MqttError, OSError) as error:  # TimeoutError is an OSError
        return [Finding("broker", "wrong", trouble(error), "See [mqtt]: without it the daemon can do nothing")]
    spoken = "MQTT 5" if link.version is ProtocolVersion.V5 else "MQTT 3.1.1"
    encrypted = "encrypted" if config.mqtt.tls else "not encrypted"
    found.append(Finding("broker", "good", f"{config.broker} answers in {took_s * 1000:.0f} ms: {spoken}, {encrypted}"))
    try:
        heard, refusal = await _listen(link, client, mark, listen_s)
    except (MqttError, OSError) as error:
        return [*found, Finding("broker", "wrong", f"the connection was lost ({error})", "See the broker's log")]
    finally:
        with contextlib.suppress(MqttError):
            await client.__aexit__(None, None, None)
    if BROKERS_WORD in heard.last:
        found.append(Finding("broker", "good", f"it calls itself {printable(heard.text(BROKERS_WORD))[:60]}"))
    found += [
        Finding("rights", "wrong", f"the broker does not let this user read {topic}", "Allow it in its access list")
        for topic in link.refused_topics
        if topic != BROKERS_WORD
    ]
    found += _own(base, mark, heard, refusal)
    readers = [source for source in sources if isinstance(source, Source)]
    found += _devices(devices, readers, heard, listen_s, set(link.refused_topics), settings.grid)
    found.append(
        Finding(
            "rights",
            "not tried",
            f"nothing was published to {config.relay.topic}: the daemon says off there when it starts, and "
            "publish_refused in its log says so where it may not",
        )
    )
    found += _daemon(config, heard)
    return found


class Heard:
    """What came, by topic."""

    def __init__(self) -> None:
        self.last: dict[str, bytes] = {}
        self.live: Counter[str] = Counter()  # not kept by the broker from before

    def text(self, topic: str) -> str:
        return self.last.get(topic, b"").decode("utf-8", "replace")


async def _listen(link: Link, client: Client, mark: str, listen_s: float) -> tuple[Heard, str]:
    """Subscribe to everything, publish the mark, and listen. Returns what came, and why the mark was refused."""
    heard, refusal, word = Heard(), "", secrets.token_hex(8)
    await link.subscribe(client)
    try:
        await link.send(client, Post(mark, word, expiry_s=ANSWER_WITHIN_S), ANSWER_WITHIN_S)
    except Refused as error:
        refusal = str(error)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(listen_s):
            async for message in client.messages:
                topic = message.topic.value
                if topic == mark and message.payload != word.encode():
                    continue  # somebody else's look
                heard.last[topic] = message.payload if isinstance(message.payload, bytes) else b""
                heard.live[topic] += not message.retain
    return heard, refusal


def _own(base: str, mark: str, heard: Heard, refusal: str) -> Iterator[Finding]:
    if refusal:
        yield Finding(
            "rights", "wrong", f"{mark}: {refusal}", f"Let this user write {base}/# in the broker's access list"
        )
    elif mark not in heard.last:
        yield Finding(
            "rights",
            "wrong",
            f"what was published to {mark} did not come back: this user may not write there, or not read it",
            f"Let this user read and write {base}/# in the broker's access list",
        )
    else:
        yield Finding("rights", "good", f"this user may write and read below {base}/")


def _as_read(grid: Sequence[Source], topic: str, payload: bytes) -> tuple[str, str]:
    """Return what a meter's last message comes to, and what to think of where it is next to nothing."""
    found_w = [source.read(payload) for source in grid if source.topic == topic]
    said = "".join(f", the last: {watts(abs(w))} of {'import' if w >= 0 else 'export'}" for w in found_w)
    little = any(0.0 < abs(w) <= MAYBE_KW for w in found_w)
    return said, 'If it speaks in kilowatts: unit = "kW" in [[meter]]' if little else ""


def _devices(
    devices: list[str],
    readers: list[Source],
    heard: Heard,
    listen_s: float,
    refused: set[str],
    grid: Sequence[Source],
) -> Iterator[Finding]:
    for topic in devices:
        if topic in refused:
            continue
        unusable = ""
        for source in readers if heard.live[topic] else []:
            try:
                if source.topic == topic:
                    source.read(heard.last[topic])
            except Rejected as refusal:
                unusable = str(refusal)
        if unusable:
            yield Finding(
                "topics",
                "wrong",
                f"{topic}: the last of {counted(heard.live[topic], 'message')} cannot be used: {unusable}",
                "Correct topic, pointer or unit; mosquitto_sub -v -t shows what is published there",
            )
        elif heard.live[topic]:
            said, hint = _as_read(grid, topic, heard.last[topic])
            came = f"{topic}: {counted(heard.live[topic], 'message')} in {duration(listen_s)}"
            yield Finding("topics", "good", came + said, hint)
        elif topic in heard.last:
            yield Finding("topics", "good", f"{topic}: what the broker had kept; nothing new in {duration(listen_s)}")
        else:
            # Many brokers say yes to every subscription, and hold back what an access list forbids.
            yield Finding(
                "topics",
                "doubtful",
                f"{topic}: nothing came in {duration(listen_s)}",
                "See whether it publishes, whether the topic is right, and whether the access list lets this user read "
                "it; what speaks seldom may come later (--listen)",
            )


def _daemon(config: Config, heard: Heard) -> Iterator[Finding]:
    base = config.own_topic
    word, payload = printable(heard.text(f"{base}/availability")), heard.last.get(f"{base}/status")
    if word != "ready":
        yield Finding(
            "daemon",
            "doubtful",
            f"it is not there ({word or 'it has not said anything'})",
            "Start it, once the rest is good",
        )
        return
    try:
        status = StatusDocument.model_validate_json(payload or b"")
    except ValueError:
        yield Finding(
            "daemon", "wrong", "its status is none of this version", "Restart it: it runs with another version"
        )
        return
    apart_s = (datetime.now(status.time.tzinfo) - status.time).total_seconds()
    if apart_s > 3 * config.status.heartbeat_s + CLOCKS_APART_S:
        yield Finding(
            "daemon",
            "wrong",
            f"its last status is {duration(apart_s)} old, though it did not take leave",
            "Go and look whether the relay is off; see its log; or its clock differs from the one here",
        )
    elif apart_s < -CLOCKS_APART_S:
        yield Finding("clock", "wrong", f"the daemon's is {duration(-apart_s)} ahead of the one here", "Set both right")
    else:
        yield Finding("daemon", "good", f"it is {status.state}: {printable(status.why)}")
    for fault in status.faults:
        verdict = "wrong" if fault.latched or fault.severity != "note" else "doubtful"
        yield Finding(
            "daemon", verdict, f"{printable(fault.code)}: {printable(fault.sentence)}", printable(fault.remedy)
        )
    if status.refused_messages:
        counts = printable(refused_in_words(status))
        yield Finding(
            "daemon", "doubtful", f"it could not use some messages: {counts}", "See message_refused in its log"
        )


def in_words(found: list[Finding]) -> str:
    """Return all of it for a person, what is wrong last, where it is seen."""
    lines = []
    for one in found:
        said = [f"{one.verdict}: {one.what}", *([f"{one.remedy.rstrip('.')}."] if one.remedy else [])]
        for name, text in zip((one.about, ""), said, strict=False):
            lines.append(textwrap.fill(f"{name:<{INDENT}}{text}", WIDTH, subsequent_indent=" " * INDENT))
    bad = Counter(one.verdict for one in found)
    if bad["wrong"] or bad["doubtful"]:
        lines.append(f"\n{bad['wrong']} wrong, {bad['doubtful']} doubtful.")
    else:
        lines.append("\nNothing is wrong, as far as can be seen from here: not plug, socket and lead (commission).")
    return "\n".join(lines)
