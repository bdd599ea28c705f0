"""The service manager's protocol, sd_notify(3), over a real datagram socket."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import re
import signal
import socket
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from surpluscharge.config import parse
from surpluscharge.daemon import systemd
from tests.conftest import free_port
from tests.leaping import LeapingClock, leap
from tests.wire import COMMAND, ENABLE_SET, SUN_W, Feed, Stage, running, tables, toml, until

WATCHDOG_S = 1.0
START = datetime(2031, 5, 1, 12, tzinfo=UTC)


class Manager:
    """Listens where the service manager would. Every datagram is kept with its arrival time."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._heard: list[tuple[float, str]] = []

    @property
    def heard(self) -> list[tuple[float, str]]:
        """Return (time, datagram) of everything so far. Times are those of looking, so look often."""
        self._take()
        return self._heard

    def _take(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while True:
                datagram = self._socket.recv(65536)
                self._heard.append((time.monotonic(), datagram.decode()))

    def with_line(self, start: str) -> list[str]:
        """Return the datagrams that hold an assignment which begins so."""
        return [text for _, text in self.heard if any(line.startswith(start) for line in text.split("\n"))]

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    address = str(tmp_path / "notify") if request.param == "path" else f"@surpluscharge-test-{os.getpid()}"
    manager = Manager(address)
    yield manager
    manager.close()


def test_notify(manager: Manager, monkeypatch: pytest.MonkeyPatch) -> None:
    """One datagram, one assignment a line; UTF-8."""
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    assert systemd.notify("READY=1", "STATUS=2 °C")
    assert [text for _, text in manager.heard] == ["READY=1\nSTATUS=2 °C"]


@pytest.mark.parametrize("address", [None, "", "relative", "/nowhere/at/all", "@surpluscharge-nobody-listens", "@"])
def test_nobody_listens(address: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a service manager nothing happens, least of all an error."""
    if address is None:
        monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    else:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
    assert systemd.notify("READY=1") is False


@pytest.mark.parametrize(
    ("usec", "pid", "interval_s"),
    [
        ("30000000", None, 30.0),
        ("30000000", "own", 30.0),
        ("30000000", "1", None),  # the variables are inherited: they may be meant for a parent
        ("0", None, None),
        ("-1", None, None),
        ("", None, None),
        ("soon", None, None),
        ("30000000", "x", None),
        (None, None, None),
    ],
)
def test_watchdog_interval(
    usec: str | None, pid: str | None, interval_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As sd_watchdog_enabled(3) reads the two variables."""
    values = {"WATCHDOG_USEC": usec, "WATCHDOG_PID": str(os.getpid()) if pid == "own" else pid}
    for name, value in values.items():
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, value)
    assert systemd.watchdog_interval_s() == interval_s


def test_a_service_manager_that_is_stuck(manager: Manager, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody takes what is sent: sooner or later the kernel holds no more, and the daemon goes on without."""
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    assert not all(systemd.notify("STATUS=charging") for _ in range(100_000))  # it ends at the first refusal
    assert manager.heard
    assert systemd.notify("WATCHDOG=1")


def test_reloading(manager: Manager, monkeypatch: pytest.MonkeyPatch) -> None:
    """RELOADING=1 comes with the monotonic time in microseconds, in the same datagram (sd_notify(3))."""
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    before_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    assert systemd.reloading()
    after_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    ((_, text),) = manager.heard
    found = re.fullmatch(r"RELOADING=1\nMONOTONIC_USEC=(\d+)", text)
    assert found
    assert before_us <= int(found[1]) <= after_us


@pytest.mark.broker
@pytest.mark.parametrize("manager", ["path"], indirect=True)
async def test_the_life_of_a_service(stage: Stage, manager: Manager) -> None:
    """READY=1, WATCHDOG=1 while alive and only then, RELOADING=1 ... READY=1, STOPPING=1 (invariant 7)."""
    daemon = stage.start({"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": str(int(WATCHDOG_S * 1e6))})
    await until(lambda: manager.with_line("READY=1"), "READY=1")
    await stage.ready()
    stage.wire.publish(ENABLE_SET, "on")
    await stage.wire.measure(SUN_W)
    await until(lambda: manager.with_line("STATUS=charging: Charging. The house exports"), "the status in words")

    fed = len(manager.with_line("WATCHDOG=1"))
    await until(lambda: len(manager.with_line("WATCHDOG=1")) >= fed + 3, "WATCHDOG=1, again and again")

    daemon.signal(signal.SIGHUP)
    await until(lambda: len(manager.with_line("READY=1")) == 2, "the end of the reload")
    texts = [text for _, text in manager.heard]
    reloading, ready = (next(i for i, text in enumerate(texts) if key in text) for key in ("RELOADING=1", "READY=1"))
    assert ready < reloading < len(texts) - 1 - texts[::-1].index("READY=1")

    # What hangs feeds no watchdog.
    daemon.signal(signal.SIGSTOP)
    await asyncio.sleep(0.2)
    fed = len(manager.with_line("WATCHDOG=1"))
    await asyncio.sleep(WATCHDOG_S / 2)
    assert len(manager.with_line("WATCHDOG=1")) == fed
    daemon.signal(signal.SIGCONT)
    await until(lambda: len(manager.with_line("WATCHDOG=1")) > fed, "WATCHDOG=1 again")

    daemon.signal(signal.SIGTERM)
    assert await daemon.ended() == 0
    assert manager.with_line("STOPPING=1") == ["STOPPING=1\nSTATUS=switching the relay off"]
    assert not [text for text in texts if "\0" in text]


@pytest.mark.broker
@pytest.mark.parametrize("manager", ["path"], indirect=True)
async def test_a_service_manager_that_is_stuck_delays_nothing(stage: Stage, manager: Manager) -> None:
    """With readings as often as they come: each is followed by a turn of the loop, and some tell the manager."""
    daemon = stage.start({"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": str(int(WATCHDOG_S * 1e6))})
    await until(lambda: manager.with_line("READY=1"), "READY=1")
    async with Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as others, contextlib.suppress(BlockingIOError):
            others.setblocking(False)
            while True:
                others.sendto(b"STATUS=others fill what there is", manager.address)
        daemon.signal(signal.SIGHUP)
        await asyncio.sleep(WATCHDOG_S)
        stage.wire.publish(ENABLE_SET, "off")
        await until(lambda: stage.wire.last(COMMAND) == "off", "off")
    await until(lambda: len(manager.with_line("READY=1")) == 2, "the end of the reload, late")


@pytest.mark.broker
async def test_a_blocked_loop_starves_the_watchdog(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """WATCHDOG=1 comes from the control loop: while the event loop is stuck there is none (invariant 7)."""
    manager = Manager(str(tmp_path / "notify"))
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    monkeypatch.setenv("WATCHDOG_USEC", "400000")
    async with stage.running():
        await until(lambda: manager.with_line("WATCHDOG=1"), "the first WATCHDOG=1")
        fed = len(manager.with_line("WATCHDOG=1"))
        time.sleep(0.6)  # noqa: ASYNC251  (the point of it)
        assert len(manager.with_line("WATCHDOG=1")) == fed
        await until(lambda: len(manager.with_line("WATCHDOG=1")) > fed, "WATCHDOG=1 again")
    manager.close()


@pytest.mark.broker
async def test_a_watchdog_meant_for_somebody_else(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the process id of another in WATCHDOG_PID, no WATCHDOG=1 is sent."""
    manager = Manager(str(tmp_path / "notify"))
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    monkeypatch.setenv("WATCHDOG_USEC", "200000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getppid()))
    async with stage.running():
        await asyncio.sleep(0.4)
    assert manager.with_line("READY=1")
    assert not manager.with_line("WATCHDOG=1")
    manager.close()


@pytest.mark.parametrize("watchdog_s", [30.0, 4.0, 1.0, 0.2])
def test_a_watchdog_is_fed_in_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, watchdog_s: float) -> None:
    """Twice in every interval, as sd_watchdog_enabled(3) recommends, with a broker or without.

    An interval shorter than the control loop's own sleep shortens that sleep.
    """
    manager = Manager(str(tmp_path / "notify"))
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    monkeypatch.setenv("WATCHDOG_USEC", str(int(watchdog_s * 1e6)))
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    looks = 40  # in an interval

    async def fed_s() -> list[float]:
        """Return when it was fed, over three intervals."""
        times: list[float] = []
        async with running(parse(toml(tables(free_port(), tmp_path)), "shed.toml"), LeapingClock(START)):
            for _ in range(3 * looks):
                await asyncio.sleep(watchdog_s / looks)
                new = len(manager.with_line("WATCHDOG=1")) - len(times)
                times += [asyncio.get_running_loop().time()] * new
        return times

    times = leap(fed_s())
    manager.close()
    pauses_s = [later - earlier for earlier, later in itertools.pairwise([0.0, *times, 3 * watchdog_s])]
    assert max(pauses_s) <= watchdog_s * (1 / 2 + 1.5 / looks)
