"""What the tests share: a real broker, a configuration, and an observer on the wire."""

from __future__ import annotations

import contextlib
import gc
import getpass
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller as MailServer
from hypothesis import HealthCheck, settings

from surpluscharge.config import Config
from tests.wire import Postbox, Stage

# The same examples in each run: what a change breaks must not depend on the day it is tried. New ones are looked for
# by the long runs of tests/bench, and by `pytest --hypothesis-profile=random`.
settings.register_profile("random", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("repeatable", settings.get_profile("random"), derandomize=True)
settings.load_profile("repeatable")


# A worker imports all tests, and some hundred times a test starts Python: what is compiled once is to be found again,
# whatever is usual here. To import all tests takes a worker 18 s of its core where it compiles them, and 6 s where not.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


# In the order of the time that one of their tests takes: begun first, so that at the end no worker waits for another.
SLOWEST_FIRST = (
    "test_page",
    "test_needs",
    "test_hindsight",
    "test_tune",
    "test_replay",
    "test_ahead",
    "test_commission",
    "test_invariants",
    "test_neighbours",
    "test_service",
    "test_demo",
    "test_simulation",
    "test_wirings",
    "test_explore",
    "test_battery",
    "test_planner",
    "test_reversal",
    "test_mqtt",
    "test_relay",
    "test_systemd",
    "test_homie",
    "test_readings",
    "test_fuzz",
    "test_faults",
    "test_ledger",
)


# What one worker does, for it shares what takes long: compiled functions and a browser; four days of a house; a month
# of readings; a bench; a look through the whole package; a daemon's life as a device.
TOGETHER = {
    **dict.fromkeys(
        ("test_page", "test_needs", "test_hindsight", "test_tune", "test_replay", "test_ahead", "test_netted"),
        "compiled",
    ),
    "test_needed": "compiled",  # whose house is on a page, too
    "test_report": "report",
    "test_fuzz": "fuzz",
    "test_logs": "logs",
    "test_homie": "homie",
}


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Let each worker begin to import elsewhere: what one has compiled the others find when they get there."""
    report = yield
    worker, found = os.environ.get("PYTEST_XDIST_WORKER"), report.result
    if worker and isinstance(collector, pytest.Package) and found:
        first = int(worker.removeprefix("gw")) * len(found) // int(os.environ["PYTEST_XDIST_WORKER_COUNT"])
        report.result = [*found[first:], *found[:first]]
    return report


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let the modules with the slowest tests come first; within a module the order stays, and so do its fixtures."""
    rank = {name: number for number, name in enumerate(SLOWEST_FIRST)}
    items.sort(key=lambda item: (rank.get(item.path.stem, len(rank)), item.path))


def pytest_collection_finish() -> None:
    """Let nobody look again and again for garbage in what has been imported: that stays."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Of `-n auto`: more than there are cores, for some tests wait, for a broker or for time to pass.

    No more than keep the cores busy: each imports all the tests, which takes some seconds.
    """
    return len(os.sched_getaffinity(0)) + 2


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Hand out the tests one by one, in their order, and those that belong together as one."""
    from xdist.scheduler import LoadScopeScheduling  # noqa: PLC0415 (without it, the tests run one after the other)

    class OneByOne(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return TOGETHER.get(Path(nodeid.partition("::")[0]).stem, nodeid)

    config.option.loadscopereorder = False
    return OneByOne(config, log)


# Below the ports that the system gives to outgoing connections: one of those must not take the port of a broker that
# is killed and started again. By a chance of their own, which no test seeds: others look for ports beside us.
_PORTS, _CHANCE = range(10_000, 32_000), random.SystemRandom()


def free_port() -> int:
    """Return a TCP port on loopback that nobody listens on."""
    while True:
        port = _CHANCE.choice(_PORTS)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


class Mosquitto:
    """A real broker on a free loopback port, which a test may kill, pause and start again."""

    def __init__(self, binary: str, folder: Path, extra: str = "") -> None:
        self.port = free_port()
        self._binary = binary
        self._config = folder / "mosquitto.conf"
        self._log = folder / "mosquitto.log"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n{extra}\n", encoding="utf-8"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([self._binary, "-c", str(self._config)], stdout=log, stderr=log)
        for _ in range(1000):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0 and self._process.poll() is None:
                    return
            time.sleep(0.01)
        raise RuntimeError(f"the broker did not start: {self._log.read_text(encoding='utf-8')}")

    def signal(self, number: int) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def kill(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.kill()
            self._process.wait()
            self._process = None


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """Start a Mosquitto; skip where it is not installed, but fail where CI=true."""
    binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if binary is None:
        if os.environ.get("CI") == "true":
            pytest.fail("CI=true, and no mosquitto is installed")
        pytest.skip("no mosquitto is installed (Debian: apt-get install mosquitto)")
    broker = Mosquitto(binary, tmp_path)
    broker.start()
    yield broker
    broker.kill()


@pytest.fixture
def stage(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Stage]:
    """A broker with an observer on it; what was heard is checked at the end."""
    stage = Stage(mosquitto.port, tmp_path)
    yield stage
    stage.close()


@pytest.fixture
def postbox() -> Iterator[tuple[Postbox, int]]:
    """A real SMTP server in a thread of its own (aiosmtpd)."""
    box, port = Postbox(), free_port()
    server = MailServer(box, hostname="127.0.0.1", port=port)
    server.start()
    yield box, port
    server.stop()


BrokerMaker = Callable[[str], Stage]


@pytest.fixture
def with_broker(tmp_path: Path) -> Iterator[BrokerMaker]:
    """Return a function that starts a broker with more lines in its configuration, and an observer on it."""
    brokers: list[Mosquitto] = []
    stages: list[Stage] = []

    def start(lines: str) -> Stage:
        # Started by root it would become another user, who may not look into this folder.
        broker = Mosquitto(tool("mosquitto"), tmp_path, f"user {getpass.getuser()}\n{lines}")
        brokers.append(broker)
        broker.start()
        stages.append(Stage(broker.port, tmp_path))
        return stages[-1]

    yield start
    for stage in stages:
        stage.close()
    for one in brokers:
        one.kill()


def tool(name: str) -> str:
    """Return the path of a program from a Debian package; skip without it, but fail where CI=true."""
    path = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin:/usr/local/sbin")
    if path is None:
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(f"needs {name}")
    return path


def config_from(**tables: dict[str, object]) -> Config:
    """Return a small valid configuration, with the given keys of the given tables changed."""
    data: dict[str, dict[str, object]] = {
        "charger": {"current_a": 6.0},
        "relay": {"topic": "plug/set"},
        "control": {},
    }
    for table, keys in tables.items():
        data.setdefault(table, {}).update(keys)
    meter = data.pop("meter", {"topic": "house/grid"})
    return Config.model_validate({**data, "meter": [meter]})
