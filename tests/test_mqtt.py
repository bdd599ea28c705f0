"""Connecting to brokers of every kind, being turned away by them, and the names of topics."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import glob
import json
import math
import signal
import socket
import subprocess
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import aiomqtt
import paho.mqtt.client as paho
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import TypeAdapter, ValidationError

from surpluscharge.config import parse
from surpluscharge.config.values import Topic
from surpluscharge.daemon.logs import LIMITS
from surpluscharge.daemon.mqtt import (
    BACKOFF_MOST_S,
    FLOOD,
    FLOOD_WITHIN_S,
    READINGS_LIMIT,
    Link,
    Post,
    _Client,
    _Newest,
    _payload,
    publish_once,
    read_once,
    silent,
)
from surpluscharge.daemon.ports import Patience, Ports
from surpluscharge.simulator.broker import embedded_broker
from tests.conftest import BrokerMaker, Mosquitto, free_port, tool
from tests.leaping import LeapingClock, leap
from tests.test_relay import START, off_command
from tests.wire import (
    AVAILABILITY,
    BASE,
    COMMAND,
    ENABLE_SET,
    GRID,
    REPORT,
    SUN_W,
    Daemon,
    Feed,
    Plug,
    Stage,
    running,
    tables,
    toml,
    until,
    usurp,
)

broker = pytest.mark.broker

# --- who we are ------------------------------------------------------------------------------------------------------

SECRET = "correct horse"  # invented


def passwords(folder: Path) -> str:
    """Return the broker's configuration lines for one user with a password; others need none."""
    file = folder / "passwords"
    file.touch(mode=0o600)
    subprocess.run([tool("mosquitto_passwd"), "-b", file, "shed", SECRET], check=True, timeout=60)
    return f"password_file {file}"


@broker
@pytest.mark.parametrize("kind", ["file", "env", "credential"])
async def test_the_password(
    with_broker: BrokerMaker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """It may come from a file, the environment or the service manager, and is written nowhere."""
    stage = with_broker(passwords(tmp_path))
    (tmp_path / "broker-password").write_text(f"{SECRET}\n", encoding="utf-8")
    monkeypatch.setenv("SHED_PASSWORD", SECRET)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    place = {"file": str(tmp_path / "broker-password"), "env": "SHED_PASSWORD", "credential": "broker-password"}[kind]
    async with stage.running(mqtt={"username": "shed", "password": {kind: place}}) as daemon:
        assert len(daemon.events("connected")) == 3
    assert SECRET not in daemon.text


def test_a_broker_that_is_long_away(tmp_path: Path) -> None:
    """It is soon found when it is back, for it must hear the "off"; and its absence does not fill the log."""
    stage_config = parse(toml(tables(free_port(), tmp_path, log={"format": "json", "level": "debug"})), "shed.toml")

    async def half_a_minute() -> list[dict[str, Any]]:
        async with running(stage_config, LeapingClock(START)) as daemon:
            await asyncio.sleep(30.0)
            return daemon.events("connect_failed", link="relay")

    lines = leap(half_a_minute())
    assert len(lines) > 30.0 / BACKOFF_MOST_S
    assert max(line["next_try_s"] for line in lines) == lines[-1]["next_try_s"] == BACKOFF_MOST_S
    assert sum(line["next_try_s"] for line in lines[:-1]) <= 30.0 < sum(line["next_try_s"] for line in lines) + 0.1
    assert 0 < sum(line["level"] == "warning" for line in lines) <= LIMITS["connect_failed"].lines < len(lines)


@broker
async def test_a_wrong_password(with_broker: BrokerMaker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The log says why, without the password, and the daemon keeps trying; until then nothing is commanded."""
    stage = with_broker(passwords(tmp_path))
    monkeypatch.setenv("SHED_PASSWORD", "guessed")
    daemon = stage.start(mqtt={"username": "shed", "password": {"env": "SHED_PASSWORD"}})
    for link in ("main", "relay"):
        failures = await until(lambda: daemon.events("connect_failed", link=link)[1:], "a second attempt")  # noqa: B023
        assert "not authori" in failures[0]["reason"].lower()
        assert failures[0]["attempt"] == 2
        assert failures[0]["next_try_s"] > 0
    assert "guessed" not in daemon.text
    assert not daemon.events("connected")
    assert daemon.process.poll() is None
    outcome = off_command(stage.config_file)
    assert outcome.returncode == 1
    assert "refuses this user: see mqtt.username and mqtt.password" in outcome.stderr
    assert outcome.stderr.count("\n") == 1
    assert stage.wire.on(COMMAND) == []


# --- over what -------------------------------------------------------------------------------------------------------


def authority(folder: Path, name: str) -> Path:
    """Make a certificate authority, and with it a certificate for a server here and one for a client."""
    ca = folder / name
    ca.mkdir()
    openssl = tool("openssl")

    def run(*arguments: str | Path) -> None:
        subprocess.run([openssl, *arguments], check=True, capture_output=True, timeout=120, cwd=ca)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    usage = ("-addext", "keyUsage=critical,keyCertSign,cRLSign")
    run("req", "-x509", *key, "-days", "2", "-subj", f"/CN={name}", *usage, "-keyout", "ca.key", "-out", "ca.crt")
    for who, extension in [("server", "subjectAltName=IP:127.0.0.1"), ("client", "extendedKeyUsage=clientAuth")]:
        (ca / f"{who}.ext").write_text(f"{extension}\n", encoding="utf-8")
        run("req", *key, "-subj", f"/CN={who}", "-keyout", f"{who}.key", "-out", f"{who}.csr")
        signing = ("-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", f"{who}.ext")
        run("x509", "-req", "-in", f"{who}.csr", *signing, "-out", f"{who}.crt")
    return ca


@broker
async def test_tls(with_broker: BrokerMaker, tmp_path: Path) -> None:
    """Encrypted, both ends known by their certificates; a broker that nobody has vouched for is not talked to."""
    ours, theirs = authority(tmp_path, "ours"), authority(tmp_path, "theirs")
    port = free_port()
    stage = with_broker(
        f"listener {port} 127.0.0.1\ncafile {ours}/ca.crt\ncertfile {ours}/server.crt\nkeyfile {ours}/server.key\n"
        "require_certificate true"
    )
    client = {"cert_file": str(ours / "client.crt"), "key_file": str(ours / "client.key")}
    mqtt: dict[str, Any] = {"port": port, "tls": {"ca_file": str(ours / "ca.crt"), **client}}
    async with stage.running(mqtt=mqtt), Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)

    for change, reason in [
        ({"port": port, "tls": {"ca_file": str(theirs / "ca.crt"), **client}}, "certificate verify failed"),
        # The certificate is for 127.0.0.1; this name leads there too.
        ({"port": port, "host": "localhost", "tls": mqtt["tls"]}, "Hostname mismatch"),
    ]:
        daemon = stage.start(mqtt=change)
        failures = await until(lambda: daemon.events("connect_failed", link="relay")[1:], "a second attempt")  # noqa: B023
        assert reason in failures[0]["reason"]
        assert not daemon.events("connected")
        daemon.kill()


@broker
async def test_a_local_socket(with_broker: BrokerMaker, tmp_path: Path) -> None:
    """The broker's socket in the file system, without any network."""
    path = tmp_path / "broker.socket"
    stage = with_broker(f"listener 0 {path}")
    config = stage.config()
    mqtt = config.mqtt.model_copy(update={"unix_socket": str(path), "host": "no.such.host.invalid", "port": None})
    async with running(config.model_copy(update={"mqtt": mqtt})) as daemon, Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        assert len(daemon.events("connected")) == 3


# --- in which version ------------------------------------------------------------------------------------------------


async def test_falls_back_to_an_older_protocol(tmp_path: Path) -> None:
    """A broker that does not know MQTT 5 is spoken to in 3.1.1, and everything works."""
    async with (
        embedded_broker() as port,
        aiomqtt.Client("127.0.0.1", port) as hand,
        running(parse(toml(tables(port, tmp_path)), "shed.toml")) as daemon,
    ):
        await until(lambda: len(daemon.events("connected", protocol="3.1.1")) == 3, "all connections", 60.0)
        await until(lambda: daemon.events("ready"), "the first off")
        await hand.publish(ENABLE_SET, "on", qos=1)
        await hand.publish(GRID, str(SUN_W), qos=1)
        await until(lambda: daemon.events("relay_confirmed", on=True), "a charge")
        assert not daemon.events("connected", protocol="5")


@broker
async def test_protocol_5_is_taken_at_its_word(with_broker: BrokerMaker) -> None:
    """Chosen, it is spoken."""
    stage = with_broker("")
    async with stage.running(mqtt={"protocol": "5"}) as daemon:
        assert [line["protocol"] for line in daemon.events("connected")] == ["5", "5", "5"]


async def test_protocol_5_where_it_is_not_spoken(tmp_path: Path) -> None:
    """Chosen, it is not given up for an older one: the log says that it cannot be."""
    async with embedded_broker() as port:
        file = tmp_path / "shed.toml"
        file.write_text(toml(tables(port, tmp_path, mqtt={"protocol": "5"})), encoding="utf-8")
        daemon = Daemon(file, tmp_path / "daemon.log")
        try:
            failures = await until(lambda: daemon.events("connect_failed", link="relay"), "a failure", 60.0)
            assert failures[0]["reason"]
            assert not daemon.events("connected")
        finally:
            daemon.kill()


@contextlib.asynccontextmanager
async def doorman(answers: dict[int, bytes]) -> AsyncIterator[tuple[int, list[int]]]:
    """Answer each CONNECT by the protocol level it asks for. Yields the port, and the levels that were asked for."""
    asked: list[int] = []

    async def enter(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        came = await reader.read(1000)
        asked.append(came[came.index(b"MQTT") + 4])  # MQTT 5.0, 3.1.2.2: 5; MQTT 3.1.1: 4
        writer.write(answers[asked[-1]])
        with contextlib.suppress(OSError):
            await reader.read()
        writer.close()

    async with await asyncio.start_server(enter, "127.0.0.1", 0) as server:
        yield server.sockets[0].getsockname()[1], asked


WELCOME = {4: b"\x20\x02\x00\x00", 5: b"\x20\x03\x00\x00\x00"}  # CONNACK, MQTT 3.1.1 and 5.0, 3.2


def link_to(port: int, folder: Path, name: str = "relay", **keys: Any) -> Link:
    config = parse(toml(tables(port, folder, mqtt=keys.pop("mqtt", {}))), "shed.toml")
    return Link(name, config, silent(), **{"will": None, "farewell": None, **keys})


@pytest.mark.parametrize("no", [b"\x20\x02\x00\x01", b"\x20\x03\x00\x84\x00"], ids=["as 3.1.1 says it", "as 5 says it"])
async def test_a_broker_that_says_no_to_the_protocol_is_not_asked_again(tmp_path: Path, no: bytes) -> None:
    """Return code 0x01 of MQTT 3.1.1 (3.2.2.3), reason code 0x84 of MQTT 5.0 (3.2.2.2)."""
    async with doorman({**WELCOME, 5: no}) as (port, asked):
        link = link_to(port, tmp_path)
        for _ in range(2):
            client = await link.connect()
            await client.__aexit__(None, None, None)
        assert asked == [5, 4, 4]
        with pytest.raises(aiomqtt.MqttError):
            await link_to(port, tmp_path, mqtt={"protocol": "5"}).connect()
        assert asked == [5, 4, 4, 5]


async def test_a_broker_that_says_no_to_us_is_not_asked_in_another_protocol(tmp_path: Path) -> None:
    """Reason code 0x87 of MQTT 5.0: not authorized."""
    async with doorman({**WELCOME, 5: b"\x20\x03\x00\x87\x00"}) as (port, asked):
        with pytest.raises(aiomqtt.MqttError, match=r"(?i)not authorized"):
            await link_to(port, tmp_path).connect()
        assert asked == [5]


async def test_readings_wait_in_a_queue_of_their_own_kind(tmp_path: Path) -> None:
    async with doorman(WELCOME) as (port, _):
        for readings in (False, True):
            client = await link_to(port, tmp_path, "readings", readings=readings).connect()
            assert isinstance(client._queue, _Newest) is readings
            await client.__aexit__(None, None, None)


@pytest.mark.parametrize("lost", [False, True])
async def test_however_a_connection_ends_it_is_closed(tmp_path: Path, lost: bool) -> None:
    """In order when we end it, after the farewell; the broker would say the will otherwise, or keep it for long."""
    happened: list[str] = []
    leaves = asyncio.Event()

    class Lost:
        @property
        async def messages(self) -> AsyncIterator[aiomqtt.Message]:
            if not lost:
                await leaves.wait()
            raise aiomqtt.MqttError("lost")
            yield

        async def publish(self, topic: str, payload: str, *_: Any, **__: Any) -> None:
            happened.append(f"{topic} {payload}")

        async def __aexit__(self, *_: object) -> None:
            happened.append("closed")

    async def connect() -> Any:
        happened.append("connected")
        return Lost()

    link = link_to(
        1,
        tmp_path,
        farewell=Post("plug/set", "off"),
        on_up=lambda: happened.append("up"),
        on_down=lambda: happened.append("down"),
    )
    link.connect = connect  # type: ignore[method-assign]
    link._log = cast(
        Any, SimpleNamespace(info=lambda *_, **__: None, warning=lambda _, reason: happened.append(reason))
    )
    session = asyncio.create_task(link._session())
    await asyncio.sleep(0.01)
    session.cancel()
    with contextlib.suppress(aiomqtt.MqttError, asyncio.CancelledError):
        await session
    assert happened == ["connected", "up", *(["lost", "down"] if lost else ["plug/set off"]), "closed"]
    assert not link.up


async def test_a_host_name_that_none_can_be_is_a_failure_like_others(tmp_path: Path) -> None:
    """RFC 1035, 2.3.4: a label has 63 octets at the most."""
    config = parse(toml(tables(1, tmp_path)), "shed.toml")
    mqtt = config.mqtt.model_copy(update={"host": "x" * 64})  # the file may not name it
    link = Link("relay", config.model_copy(update={"mqtt": mqtt}), silent(), will=None, farewell=None)
    with pytest.raises(aiomqtt.MqttError):
        await link.connect()


@pytest.mark.parametrize("busy", [False, True])
async def test_a_connection_that_breaks_while_it_is_written_to_is_lost(busy: bool, tmp_path: Path) -> None:
    client = link_to(1, tmp_path)._new_client(aiomqtt.ProtocolVersion.V5)
    ours, theirs = socket.socketpair()

    def breaks() -> None:
        client._loop.remove_writer(ours.fileno())
        raise OSError("it broke")

    mutex = threading.Lock()
    paho_s = SimpleNamespace(socket=lambda: ours, want_write=lambda: True, loop_write=breaks, _in_callback_mutex=mutex)
    with ours, theirs, mutex if busy else contextlib.nullcontext():
        client._on_socket_register_write(paho_s, None, ours)
        assert client._disconnected.done() is not busy
        with pytest.raises(OSError, match="it broke"):
            await asyncio.wait_for(client._disconnected, 60.0)
        assert not client._loop.remove_writer(ours.fileno())


async def test_what_the_socket_does_not_take_is_written_when_it_does(tmp_path: Path) -> None:
    """Written at once and in order, as far as there is room; from another thread by way of the loop."""
    client = link_to(1, tmp_path)._new_client(aiomqtt.ProtocolVersion.V5)
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    packets: list[bytes] = []

    def write() -> None:
        try:
            while packets:
                packets[0] = packets[0][ours.send(packets[0]) :]
                if not packets[0]:
                    packets.pop(0)
        except BlockingIOError:
            return
        client._loop.remove_writer(ours.fileno())

    paho_s = SimpleNamespace(
        socket=lambda: ours,
        want_write=lambda: bool(packets),
        loop_write=write,
        _in_callback_mutex=threading.Lock(),
    )

    def say(packet: bytes) -> None:
        packets.append(packet)
        client._on_socket_register_write(paho_s, None, ours)

    with ours, theirs:
        say(b"first")
        assert theirs.recv(100) == b"first"
        much = bytes(10_000_000)
        say(much)
        say(b"last")
        assert packets
        theirs.setblocking(False)
        got = b""
        while len(got) < len(much) + 4:
            got += await asyncio.wait_for(client._loop.sock_recv(theirs, 1 << 20), 60.0)
        assert got == much + b"last"
        await asyncio.to_thread(say, b"another")
        assert await asyncio.wait_for(client._loop.sock_recv(theirs, 100), 60.0) == b"another"


def test_the_broker_is_asked_often_enough_whether_it_answers(tmp_path: Path) -> None:
    asked_s: list[float] = []
    lags_s: list[float] = []

    async def ten_seconds() -> None:
        link = link_to(1, tmp_path, "main")

        class Slow:
            async def unsubscribe(self, topic: str, timeout: float) -> None:  # noqa: ASYNC109
                assert (topic, timeout) == (f"{BASE}/lag", math.inf)
                asked_s.append(asyncio.get_running_loop().time())
                await asyncio.sleep(0.25)
                lags_s.append(link.late_s(link.heard_s))

        asking = asyncio.create_task(link._keep_asking(cast(_Client, Slow())))
        await asyncio.sleep(10.0)
        lags_s.append(link.late_s(link.heard_s))
        asking.cancel()

    leap(ten_seconds())
    assert [round(later_s - earlier_s, 3) for earlier_s, later_s in pairwise(asked_s)] == [0.95] * 10
    assert lags_s == [0.0, *[pytest.approx(0.25, abs=0.01)] * 11]


def test_how_old_a_message_can_be_is_known_while_the_lag_grows(tmp_path: Path) -> None:
    """What comes left the broker after its last answer: so never is a message older than it is said to be at most.

    Here the broker's word is under way for ever longer, from the second second on.
    """
    known: list[tuple[float, float]] = []

    async def six_seconds() -> None:
        now, link = asyncio.get_running_loop().time, link_to(1, tmp_path, "readings")
        began_s = now()

        def under_way_s() -> float:
            return max(0.0, 0.9 * (now() - began_s - 2.0))

        class Behind:
            async def unsubscribe(self, topic: str, timeout: float) -> None:  # noqa: ASYNC109
                left_s = now()
                while now() < left_s + under_way_s():  # noqa: ASYNC110
                    await asyncio.sleep(0.01)

        link._before_s = began_s
        asking = asyncio.create_task(link._keep_asking(cast(_Client, Behind())))
        while now() < began_s + 6.0:
            await asyncio.sleep(0.05)
            known.append((under_way_s(), link.lag_s))
        asking.cancel()

    leap(six_seconds())
    assert max(is_s for is_s, _ in known) > 3.5
    assert all(at_most_s >= is_s - 0.001 for is_s, at_most_s in known)
    assert all(at_most_s < 0.8 for is_s, at_most_s in known if not is_s)


def test_what_the_broker_has_retained_is_returned_as_soon_as_all_of_it_is_there(tmp_path: Path) -> None:
    async def ask() -> list[tuple[dict[str, bytes], float]]:
        now, asked = asyncio.get_running_loop().time, []
        async with embedded_broker() as port, aiomqtt.Client("127.0.0.1", port) as hand:
            config = parse(toml(tables(port, tmp_path, mqtt={"protocol": "3.1.1"})), "shed.toml")
            for topic in ("shed/one", "shed/two"):
                began_s = now()
                found = await read_once(config, ["shed/one", "shed/two"], "asks", 50.0)
                asked.append((found, now() - began_s))
                await hand.publish(topic, topic[-3:], qos=1, retain=True)
            began_s = now()
            asked.append((await read_once(config, ["shed/one", "shed/two"], "asks", 50.0), now() - began_s))
        return asked

    (none, none_s), (one, one_s), (both, both_s) = leap(ask())
    assert (none, one, both) == ({}, {"shed/one": b"one"}, {"shed/one": b"one", "shed/two": b"two"})
    assert min(none_s, one_s) >= 50.0 and both_s < 25.0  # that there is no more takes all of the time


@contextlib.asynccontextmanager
async def gate(port: int, dropped: int) -> AsyncIterator[tuple[int, Callable[[], None]]]:
    """Lead to the broker on ``port``, but drop the first few connections.

    Yields the port to connect to, and a function that cuts all connections there are.
    """
    left = dropped
    writers: list[asyncio.StreamWriter] = []

    async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                writer.write(data)
        writer.close()

    async def enter(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal left
        writers.append(writer)
        if left > 0:
            left -= 1
            writer.close()
            return
        there, back = await asyncio.open_connection("127.0.0.1", port)
        writers.append(back)
        await asyncio.gather(pump(reader, back), pump(there, writer))

    def cut() -> None:
        for writer in writers:
            writer.close()

    async with await asyncio.start_server(enter, "127.0.0.1", 0) as server:
        yield server.sockets[0].getsockname()[1], cut
        cut()


@broker
async def test_a_hiccup_is_no_reason_to_stay_with_an_older_protocol(with_broker: BrokerMaker) -> None:
    """MQTT 5 is what lets "on" expire: at each new connection it is tried again (invariant 8)."""
    stage = with_broker("")
    async with gate(stage.port, dropped=2) as (port, cut), running(stage.config(mqtt={"port": port})) as daemon:
        await until(lambda: len(daemon.events("connected")) == 3, "all connections", 60.0)
        cut()
        await until(lambda: len(daemon.events("connected")) == 6, "all connections again", 60.0)
        assert {line["protocol"] for line in daemon.events("connected")[3:]} == {"5"}


# --- what the broker says for us -------------------------------------------------------------------------------------


@broker
async def test_the_wills_as_they_are_delivered(stage: Stage) -> None:
    """Once the connections break: "off" and "lost", both acknowledged on their way (QoS 1), and only "lost" retained.

    MQTT 5.0, 3.1.2.5 to 3.1.2.7.
    """
    async with stage.running(relay={"topic": COMMAND, "qos": 0}) as daemon:
        await stage.ready()
        said = {COMMAND: len(stage.wire.on(COMMAND)), AVAILABILITY: len(stage.wire.on(AVAILABILITY))}
        for link in (daemon.service.relay_link, daemon.service.main_link):
            link.sever()
        await until(lambda: all(len(stage.wire.on(topic)) > count for topic, count in said.items()), "both wills")
        wills = [stage.wire.on(topic)[count] for topic, count in said.items()]
        assert [(will.text, will.qos, will.retain) for will in wills] == [("off", 1, False), ("lost", 1, True)]
        for link in (daemon.service.relay_link, daemon.service.main_link):
            link.rejoin()
        await until(lambda: stage.wire.last(AVAILABILITY) == "ready", "the daemon again")


@broker
async def test_each_connection_says_farewell(stage: Stage) -> None:
    """Closed in good order the broker forgets the will, so the last word on the wire is ours, after "off" is known."""
    async with stage.running() as daemon:
        await stage.ready()
        offs = len(stage.wire.on(COMMAND))
        assert daemon.service.controller.plug.confirmed(False)
    await until(lambda: stage.wire.last(AVAILABILITY) == "disconnected", "the farewell of one")
    await until(lambda: stage.wire.texts(COMMAND)[offs:] == ["off"], "the farewell")


# --- what we may -----------------------------------------------------------------------------------------------------


def access(folder: Path) -> str:
    """Return the broker's configuration lines that keep house/secret from everyone.

    An access list alone refuses no subscription; this plugin does, and takes changes while it runs.
    """
    plugin = next(iter(glob.glob("/usr/lib/*/mosquitto_dynamic_security.so")), None)  # noqa: PTH207
    if plugin is None:
        pytest.skip("the broker has come without the plugin")
    allowed = dict.fromkeys(("publishClientSend", "publishClientReceive", "subscribe", "unsubscribe"), True)
    deny = {"acltype": "subscribeLiteral", "topic": "house/secret", "priority": 1, "allow": False}
    rules = {
        "defaultACLAccess": allowed,
        "roles": [{"rolename": "limited", "acls": [deny]}],
        "groups": [{"groupname": "anyone", "roles": [{"rolename": "limited"}]}],
        "anonymousGroup": "anyone",
        "clients": [],
    }
    (folder / "rules.json").write_text(json.dumps(rules), encoding="utf-8")
    return f"plugin {plugin}\nplugin_opt_config_file {folder}/rules.json"


@broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_subscription_is_refused(with_broker: BrokerMaker, tmp_path: Path, protocol: str) -> None:
    """The log names the topic that the broker keeps from us, and the daemon goes on with the others."""
    stage = with_broker(access(tmp_path))
    meter = [{"topic": GRID}, {"topic": "house/secret"}]
    async with stage.running(mqtt={"protocol": protocol}, meter=meter) as daemon:
        (line,) = daemon.events("subscription_refused", level="error")
        assert line["topic"] == "house/secret"
        assert line["reason"]
        stage.wire.publish(ENABLE_SET, "on")
        await until(lambda: stage.wire.status["enabled"], "the other subscriptions to work")
        assert "topics-refused" in [fault["code"] for fault in stage.wire.status["faults"]]


@broker
async def test_an_access_list_that_is_mended(tmp_path: Path) -> None:
    """At the next connection the topic may be read: the fault clears by itself."""
    broker = Mosquitto(tool("mosquitto"), tmp_path, f"user {getpass.getuser()}\n{access(tmp_path)}")
    broker.start()
    stage = Stage(broker.port, tmp_path)

    def codes() -> list[str]:
        return [fault["code"] for fault in stage.wire.status.get("faults", [])]

    try:
        async with stage.running(meter=[{"topic": GRID}, {"topic": "house/secret"}]) as daemon:
            await until(lambda: "topics-refused" in codes(), "the fault")
            broker.kill()
            rules = json.loads((tmp_path / "rules.json").read_text(encoding="utf-8"))
            rules["roles"][0]["acls"] = []
            (tmp_path / "rules.json").write_text(json.dumps(rules), encoding="utf-8")
            broker.start()
            await until(lambda: "broker-lost" not in codes() and "topics-refused" not in codes(), "its end", 60.0)
            assert len(daemon.events("subscription_refused")) == 1
            assert daemon.events("fault_cleared", code="topics-refused")
    finally:
        stage.close()
        broker.kill()


@pytest.fixture
def forbidden(with_broker: BrokerMaker, tmp_path: Path) -> Stage:
    """A broker that lets the daemon's user do everything but command the relay."""
    (tmp_path / "access").write_text(f"user shed\ntopic readwrite #\ntopic deny {COMMAND}\n", encoding="utf-8")
    (tmp_path / "broker-password").write_text(SECRET, encoding="utf-8")
    stage = with_broker(f"{passwords(tmp_path)}\nacl_file {tmp_path}/access")
    stage.write(mqtt={"username": "shed", "password": {"file": str(tmp_path / "broker-password")}})
    return stage


@broker
async def test_a_command_is_refused(forbidden: Stage) -> None:
    """What an MQTT 5 broker refuses is not confirmed (invariants 3, 7)."""
    daemon = forbidden.start()
    await until(lambda: len(daemon.events("connected")) == 3, "all connections")
    await until(lambda: daemon.events("relay_unconfirmed", on=False) or daemon.events("relay_confirmed"), "an outcome")
    assert not daemon.events("relay_confirmed")


@broker
def test_the_stop_action_is_refused(forbidden: Stage) -> None:
    """The stop action does not say that it has sent off when the broker refused it."""
    outcome = off_command(forbidden.config_file)
    assert outcome.returncode == 1
    assert outcome.stderr.startswith("the broker did not take the off command: ")
    assert outcome.stderr.count("\n") == 1


@broker
def test_the_stop_action_says_why_it_is_refused(forbidden: Stage) -> None:
    """One line on standard error with the broker's reason, and nothing on standard output."""
    outcome = off_command(forbidden.config_file)
    assert outcome.stdout == ""
    assert "ot authori" in outcome.stderr


# --- in floods -------------------------------------------------------------------------------------------------------

ACKNOWLEDGE_SET = f"{BASE}/acknowledge/set"
PATIENT = {"keepalive_s": 60}  # a loop that stands still must not cost the connection


@broker
async def test_readings_in_floods_push_out_no_command(stage: Stage) -> None:
    """Each command is heard, however many readings come before it and after it.

    The loop that the daemon runs in stands still while they are published, so all of them wait for it at once.
    """
    wire = stage.wire
    async with stage.running(mqtt=PATIENT) as daemon:
        for number in range(20):
            for _ in range(300):
                wire.say(GRID, SUN_W)
            wire.publish(ENABLE_SET, "off" if number % 2 else "on")
        await until(lambda: len(daemon.events("disabled")) == 10, "the last command", 60.0)
        assert len(daemon.events("enabled")) == 10
        assert daemon.service.controller.enabled is False
        await until(lambda: daemon.events("fault_raised", code="readings-flooded"), "a word about it", 60.0)
        assert not daemon.events("fault_raised", code="commands-flooded")


@broker
async def test_readings_in_floods_hold_up_no_off(stage: Stage) -> None:
    """In the middle of a charge, with thousands of readings before it, the disable switches off (invariant 1)."""
    wire = stage.wire
    Plug(wire)
    still = {"meter": [{"topic": GRID, "fresh_s": 60.0}]}  # nor may the reading before it have gone stale by then
    relay = {"feedback": {"topic": REPORT}}
    async with stage.running(mqtt=PATIENT, relay=relay, **still) as daemon, Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        for _ in range(5000):
            wire.say(GRID, SUN_W)
        wire.publish(ENABLE_SET, "off")
        await until(lambda: daemon.events("relay_confirmed", on=False)[1:], "off", 60.0)
        assert daemon.events("state_changed", old="charging", cause="disabled")


async def test_of_many_readings_the_newest_of_each_topic_stays() -> None:
    """In order, and all of them, until they are too many; then none that something newer has made pointless."""

    def reading(topic: str, number: int) -> aiomqtt.Message:
        return aiomqtt.Message(topic, str(number).encode(), 0, False, number, None)

    def taken(waiting: asyncio.Queue[aiomqtt.Message]) -> list[tuple[str, bytes]]:
        return [(message.topic.value, _payload(message)) for message in iter_queue(waiting)]

    def iter_queue(waiting: asyncio.Queue[aiomqtt.Message]) -> Iterator[aiomqtt.Message]:
        while not waiting.empty():
            yield waiting.get_nowait()

    few = _Newest()
    for number in range(READINGS_LIMIT):
        few.put_nowait(reading("one", number))
    assert taken(few) == [("one", str(number).encode()) for number in range(READINGS_LIMIT)]
    many = _Newest()
    for number in range(50_000):
        many.put_nowait(reading("seldom" if number == 7 else f"often/{number % 2}", number))
        assert many.qsize() <= READINGS_LIMIT
    left = taken(many)
    assert left[0] == ("seldom", b"7")
    assert left[-2:] == [(f"often/{number % 2}", str(number).encode()) for number in (49998, 49999)]


@broker
@pytest.mark.parametrize(
    ("topic", "payload"), [(ENABLE_SET, "nonsense"), (ENABLE_SET, "on"), (ACKNOWLEDGE_SET, "all"), (REPORT, "on")]
)
async def test_commands_in_floods(stage: Stage, topic: str, payload: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """An "off" may be lost among them, so they switch off, and until somebody has looked (invariants 1, 9)."""
    # On a busy machine, the daemon may look a second later than it should, and all would be over.
    monkeypatch.setattr("surpluscharge.daemon.mqtt.FLOOD_WITHIN_S", 5.0)
    wire = stage.wire
    Plug(wire)
    async with stage.running(mqtt=PATIENT, relay={"feedback": {"topic": REPORT}}) as daemon, Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        for _ in range(600):
            wire.say(topic, payload)
        await until(lambda: daemon.events("fault_raised", code="commands-flooded"), "the fault", 60.0)
        await until(lambda: wire.last(COMMAND) == "off", "off")
        await until(lambda: not daemon.service.controller.told_in_floods, "the end of the flood", 60.0)
        assert daemon.path[-1] == "locked-out"
        wire.publish(ACKNOWLEDGE_SET, "commands-flooded")
        await until(lambda: daemon.events("fault_cleared", code="commands-flooded"), "its end")


@broker
async def test_a_flood_does_not_acknowledge_itself(stage: Stage) -> None:
    """Not where it lasts until its fault is raised, nor where the daemon stands still in its midst for a while."""
    wire = stage.wire
    Plug(wire)
    async with stage.running(mqtt=PATIENT, relay={"feedback": {"topic": REPORT}}) as daemon, Feed(wire, SUN_W) as feed:
        await stage.charge(feed)

        def fall_asleep() -> bool:
            if daemon.events("fault_raised", code="commands-flooded"):
                for _ in range(90):  # fewer than are a flood; they wait for the daemon when it wakes up
                    wire.say(ACKNOWLEDGE_SET, "all")
                time.sleep(1.0 + 2 * FLOOD_WITHIN_S)
                return True
            for _ in range(20):
                wire.say(ACKNOWLEDGE_SET, "all")
            return False

        await until(fall_asleep, "the fault", 60.0)
        await until(lambda: not daemon.service.controller.told_in_floods, "the end of the flood", 60.0)
        await until(lambda: wire.status["refused_messages"].get("told-in-floods", 0) >= 90, "all of them refused")
        assert not daemon.events("fault_acknowledged")
        assert daemon.path[-1] == "locked-out"


def test_after_a_flood_what_waits_for_a_moment_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("surpluscharge.daemon.mqtt.FLOOD_WITHIN_S", 0.4)
    link, message = link_to(1, tmp_path, "main"), aiomqtt.Message(ENABLE_SET, b"on", 1, False, 1, None)

    def come(count: int) -> None:
        for _ in range(count):
            link._handle(message)

    come(FLOOD - 1)
    time.sleep(0.5)
    assert not link.flooded
    come(FLOOD)
    time.sleep(0.5)
    assert link.flooded
    link._before_s = time.monotonic()
    assert link.flooded  # what came has not all been handled
    link._handled_s = time.monotonic()
    assert not link.flooded
    link._before_s = 0.0
    assert link.flooded  # more of it may be on its way, until the broker has answered
    link._before_s = time.monotonic()
    come(FLOOD - 1)
    assert not link.flooded


@broker
async def test_a_flood_that_a_lost_connection_has_cut_off_is_over_at_the_next(stage: Stage) -> None:
    async with stage.running(mqtt=PATIENT) as daemon:
        link = daemon.service.main_link
        link._flood_s, link._handled_s = time.monotonic(), -math.inf
        await asyncio.sleep(FLOOD_WITHIN_S + 1.0)
        assert link.flooded
        usurp(stage.port, f"{daemon.service.config.client_id}-main")
        await until(lambda: not link.flooded, "the end of it")


async def test_a_command_has_no_will_that_the_broker_says_when_it_has_failed(tmp_path: Path) -> None:
    """MQTT 5.0 and 3.1.1, 3.1.2.3: bit 2 of the connect flags is the will's."""
    flags: list[int] = []

    async def hang(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        came = await reader.read(1000)
        flags.append(came[came.index(b"MQTT") + 5])
        await reader.read()
        writer.close()

    async with await asyncio.start_server(hang, "127.0.0.1", 0) as server:
        config = parse(toml(tables(server.sockets[0].getsockname()[1], tmp_path)), "shed.toml")
        with pytest.raises((TimeoutError, aiomqtt.MqttError)):
            await publish_once(config, Post(ENABLE_SET, "on"), "enable", 0.5)
        assert [flag & 0b100 for flag in flags] == [0]


def hasty(late_for_s: float) -> Ports:
    return Ports(patience=Patience(late_s=0.3, late_for_s=late_for_s))


@broker
async def test_a_broker_that_takes_its_time(stage: Stage, mosquitto: Mosquitto) -> None:
    """What it says comes late, and nobody could switch off: so it is off until it answers again."""
    async with stage.running(ports=hasty(0.5), mqtt=PATIENT) as daemon, Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        for _ in range(60):
            mosquitto.signal(signal.SIGSTOP)
            await asyncio.sleep(0.9)
            mosquitto.signal(signal.SIGCONT)
            await asyncio.sleep(0.02)
            if daemon.events("fault_raised", code="daemon-late"):
                break
        assert daemon.events("state_changed", new="locked-out", cause="tripped")
        await until(lambda: stage.wire.last(COMMAND) == "off", "off")
        await until(lambda: daemon.service.controller.inputs.guard, "the fault in force")
        await until(lambda: daemon.service.main_link._answer_s < 0.3, "answers that come at once")


@broker
async def test_a_broker_that_says_nothing_is_not_late(stage: Stage, mosquitto: Mosquitto) -> None:
    """No off would reach the plug, and a cooldown after it would be for nothing: a loss is noticed elsewhere."""
    late_for_s = 2.0  # longer than the one late answer counts, until the next
    async with stage.running(ports=hasty(late_for_s), mqtt=PATIENT) as daemon, Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        mosquitto.signal(signal.SIGSTOP)
        link = daemon.service.main_link
        await until(lambda: link.lag_s > 4.0, "an answer that does not come")
        mosquitto.signal(signal.SIGCONT)
        await until(lambda: link._answer_s < 0.3 and link.lag_s < 1.0, "answers that come at once")
        await until(lambda: daemon.path[-1] == "charging", "charging, or charging again", 60.0)
        assert not daemon.events("fault_raised", code="daemon-late")


def test_an_answer_is_late_as_far_as_something_else_came_before_it(tmp_path: Path) -> None:
    link, other = link_to(1, tmp_path, "main"), link_to(1, tmp_path, "readings")
    assert link.late_s(other.heard_s) == 0.0
    link._asked_s = 100.0
    assert link.late_s(other.heard_s) == 0.0
    other._came_s.append(99.0)
    assert link.late_s(other.heard_s) == 0.0
    other._came_s.append(106.5)
    assert link.late_s(other.heard_s) == 6.5
    link._asked_s, link._answer_s, other._answered_s = 108.0, 8.0, 109.0
    assert (other.heard_s, link.late_s(other.heard_s)) == (109.0, 8.0)


@broker
async def test_a_computer_that_is_too_busy(stage: Stage) -> None:
    """The daemon notices that it does everything late, and switches off."""
    async with stage.running(ports=hasty(0.5), mqtt=PATIENT) as daemon, Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        for _ in range(200):
            time.sleep(0.4)  # noqa: ASYNC251
            await asyncio.sleep(0)
            if daemon.events("fault_raised", code="daemon-late"):
                break
        await until(lambda: stage.wire.last(COMMAND) == "off", "off")
        assert daemon.events("state_changed", new="locked-out", cause="tripped")


@broker
async def test_the_readings_connection_alone_is_lost(stage: Stage) -> None:
    """Commands are obeyed as before, and what the plug reported stays known; but nothing is started (invariant 1)."""
    wire = stage.wire
    Plug(wire)
    async with stage.running(relay={"feedback": {"topic": REPORT}}) as daemon, Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        controller = daemon.service.controller
        usurp(stage.port, "surpluscharge-shed-readings")
        await until(lambda: daemon.events("fault_raised", code="broker-unheard"), "the fault")
        assert not daemon.events("connection_lost", link="main")
        await until(lambda: daemon.events("connected", link="readings")[1:], "another connection")
        assert controller.plug.reported is True
        assert controller.plug.confirmed(True)
        wire.publish(ENABLE_SET, "off")
        await until(lambda: wire.last(COMMAND) == "off", "off")


@broker
async def test_one_topic_for_reports_and_readings(stage: Stage) -> None:
    """It is subscribed to once: twice, and by two connections, each message would count twice."""
    wire = stage.wire
    relay = {"feedback": {"topic": REPORT, "pointer": "/relay"}, "power": {"topic": REPORT, "pointer": "/watts"}}
    wire.publish(REPORT, '{"relay": "off", "watts": 7}', retain=True)
    async with stage.running(relay=relay) as daemon:
        wire.publish(REPORT, '{"relay": "off", "watts": 7}')
        await until(lambda: daemon.service.controller.plug.power.value == 7.0, "the power")
        assert daemon.service.controller.plug.reported is False
        wire.publish(REPORT, "nonsense")
        await until(lambda: daemon.service.controller.refusals.counts[REPORT, "not-json"], "the refusal")
        await asyncio.sleep(0.1)
        # Power is not taken from what was retained; nonsense is refused once for each of the topic's two uses.
        assert daemon.service.controller.refusals.counts == {(REPORT, "retained"): 1, (REPORT, "not-json"): 2}


@broker
async def test_a_connection_that_breaks_while_something_is_to_be_sent(stage: Stage) -> None:
    """The socket is closed before the event loop would have written to it: no error of the library's follows."""
    said: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: said.append(context))
    async with stage.running() as daemon:
        link = daemon.service.main_link
        assert link._client is not None
        link._client._client.publish("shed/something", "x", 1)
        link._client._client._sock_close()
        await asyncio.sleep(0.05)
        assert said == []


# --- the names of topics ---------------------------------------------------------------------------------------------

_CHECK: TypeAdapter[str] = TypeAdapter(Topic)


def accepted(name: str) -> bool:
    try:
        return _CHECK.validate_python(name) == name
    except ValidationError:
        return False


def publishable(name: str) -> bool:
    """Say whether the client library would publish under this name (MQTT 3.1.1: under 5 it may stand for an alias)."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    try:
        client.publish(name)
    except ValueError:
        return False
    return True


# MQTT 5.0, section 4.7: examples of names, and of filters that are none.
NAMES = [
    "sport",
    "sport/tennis/player1",
    "sport/tennis/player1/ranking",
    "sport/tennis/player1/score/wimbledon",
    "/finance",  # 4.7.1.3: differs from "finance"
    "/",  # 4.7.3: a name may consist of the separator only
    "ACCOUNTS",  # 4.7.3: case counts
    "Accounts payable",  # 4.7.3: spaces are allowed
    "x" * 65535,  # 4.7.3: the most bytes there may be
]
NO_NAMES = [
    *("#", "sport/#", "sport/tennis/#", "sport/tennis/player1/#"),  # 4.7.1.2
    *("sport/tennis#", "sport/tennis/#/ranking"),  # 4.7.1.2: not even filters
    *("+", "+/tennis/#", "sport/+/player1", "sport/tennis/+", "sport/+", "+/+", "/+"),  # 4.7.1.3
    "sport+",  # 4.7.1.3: not even a filter
    "",  # 4.7.3: one character at least
    "x" * 65536,  # 4.7.3: too long
    "é" * 32768,  # and so is this, in bytes
]


@pytest.mark.parametrize("name", NAMES, ids=lambda name: name[:40])
def test_topic_names(name: str) -> None:
    """What section 4.7 shows as a topic name is taken for one; the client library agrees."""
    assert accepted(name)
    assert publishable(name)


@pytest.mark.parametrize("name", NO_NAMES, ids=lambda name: name[:40] or "empty")
def test_what_is_no_topic_name(name: str) -> None:
    """What section 4.7 shows as a filter, or as neither, is refused; the client library agrees."""
    assert not accepted(name)
    assert not publishable(name)


@pytest.mark.parametrize("name", ["$SYS/", "$SYS/monitor/Clients", "$share/house/grid", "$", "a\0b"])
def test_names_that_are_not_for_us(name: str) -> None:
    """Names that begin with $ are the broker's (4.7.2), and none has a null character (4.7.3)."""
    assert not accepted(name)


_names = st.text(alphabet="+#/$a Ä\0", max_size=8) | st.text(max_size=20)


@given(name=_names)
@example("sport/tennis/player1/#")
def test_any_name(name: str) -> None:
    """Accepted is what the client library would publish, less what 4.7.2 and 4.7.3 keep back."""
    assert accepted(name) == (publishable(name) and not name.startswith("$") and "\0" not in name)


@given(name=_names.filter(accepted), other=_names.filter(accepted))
@example("/finance", "finance")
@example("ACCOUNTS", "Accounts")
def test_a_name_means_one_topic(name: str, other: str) -> None:
    """Subscribed to, an accepted name matches itself and nothing else; and everybody's # includes it."""
    assert paho.topic_matches_sub(name, name)
    assert paho.topic_matches_sub(name, other) == (name == other)
    assert paho.topic_matches_sub("#", name)
