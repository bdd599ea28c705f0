"""Throw spoiled payloads at every subscribed topic: `python -m tests.bench.fuzz --count 1000000`.

The real service takes them (without a broker, on a virtual clock), so the enable and acknowledge topics are among them.
After each payload: nothing was raised, it was either taken or refused and counted with a known reason, and no refusal
is logged more than once a minute. At the end: memory has not grown, and every line of the log, in both forms, is one
line of printable text. A failing seed replays exactly.
"""

from __future__ import annotations

import argparse
import gc
import io
import json
import math
import multiprocessing
import random
import sys
import tempfile
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from surpluscharge.config import Config
from surpluscharge.control import news
from surpluscharge.control.signals import PAYLOAD_LIMIT_BYTES, REFUSALS_TOLD_EVERY_S
from surpluscharge.control.slots import REASONS
from surpluscharge.control.supervisor import FAULTS
from surpluscharge.daemon import logs
from surpluscharge.daemon.ports import Ports
from surpluscharge.daemon.service import Service
from tests.wire import Unplugged


class Topic(NamedTuple):
    """A subscribed topic: who may say that a message was taken, and valid payloads to spoil."""

    name: str
    reading: str | None  # the `of` of the event that tells of a taken message; None: it is text, not a number
    valid: tuple[bytes, ...]


TOPICS = (
    Topic("grid/document", "grid", (b'{"sensors":[{"power":-1532.5,"unit":"W"}],"at":"2031-05-01"}', b'[{"power":7}]')),
    Topic("grid/plain", "grid", (b"-1532.5", b"  412 ", b"0")),
    Topic("plug/power", "charger", (b'{"load":{"w":1402.5}}', b'{"load":{"w":"0"}}')),
    Topic("plug/report", None, (b"on", b"off", b" OFF\n")),
    Topic("socket/heat", "temperature", (b"31.5", b"70")),
    Topic("socket/air", "surroundings", (b"18.5", b"-4", b"30")),
    Topic("plug/volts", "voltage", (b'{"u":230.9}', b'{"u":"253.1"}')),
    Topic("house/cells", "battery", (b'{"w":-812.5}', b'{"w":"1500"}')),
    Topic("house/level", "battery_level", (b"55", b" 80.5 ", b"100")),
    Topic("fuzzed/enable/set", None, (b"true", b"off", b"1")),
    Topic("fuzzed/acknowledge/set", None, (b"all", *(fault.code.encode() for fault in FAULTS))),
    Topic(
        "fuzzed/plan/set",
        None,
        (b'{"energy_wh": 3000}', b'{"time_s": "600"}', b'{"energy_wh": 500, "by": "07:00"}', b'{"energy_wh": 0}'),
    ),
    Topic("fuzzed/away/set", None, (b'{"leave": "2031-07-01", "back": "2031-08-01", "sun": false}', b"{}", b"null")),
    Topic("fuzzed/looked/set", None, (b'{"note": "clean"}', b'{"note": ""}')),
)
PLAN, AWAY, LOOKED = "fuzzed/plan/set", "fuzzed/away/set", "fuzzed/looked/set"
ENABLE, ACKNOWLEDGE, REPORT = "fuzzed/enable/set", "fuzzed/acknowledge/set", "plug/report"

CONFIG = {
    "charger": {"name": "fuzzed", "current_a": 6.0},
    "mqtt": {"own_topic": "fuzzed"},
    "meter": [{"topic": "grid/document", "pointer": "/sensors/0/power"}, {"topic": "grid/plain"}],
    "relay": {
        "topic": "plug/set",
        "feedback": {"topic": REPORT},
        "power": {"topic": "plug/power", "pointer": "/load/w"},
        "temperature": {"topic": "socket/heat"},
        "surroundings": {"topic": "socket/air"},
        "voltage": {"topic": "plug/volts", "pointer": "/u"},
    },
    "control": {"start_delay_s": 5.0, "stop_delay_s": 5.0, "min_on_s": 60.0, "min_off_s": 60.0},
    "battery": {"power": {"topic": "house/cells", "pointer": "/w"}, "level": {"topic": "house/level"}},
    "planned": {"allow": True},
}


# --- spoiling --------------------------------------------------------------------------------------------------------

NUMBERS = (
    b"NaN",
    b"-nan",
    b"Infinity",
    b"-inf",
    b"1e400",
    b"-1e-400",
    b"1_000",
    b"0x10",
    b"+5",
    b"007",
    b".5",
    b"5.",
    b"1e",
    b"--1",
    b"\xd9\xa1\xd9\xa2",  # digits of another script
    b"1,5",
    b"9" * 400,
    b"9" * 5000,
    b"-" + b"1" * 9000 + b".5",
    b"0." + b"0" * 3000 + b"1",
    b"1e" + b"9" * 3000,
    b"1" + b"0" * 308,
    b"-0.0",
    b"30000.000001",
)
WORDS = (b"null", b"true", b"false", b"on", b"OFF", b"On", b"1", b"0", b"yes", b"toggle", b"all", b"ALL ", b"none", b"")
STRANGE = (
    b"\x00",
    b"\x1b[2J\x1b]0;title\x07",
    b"\r\n",
    b"\n",
    b"\x7f\x80",
    b"\xc2\x9b2J",
    b"\xe2\x80\xae",  # right-to-left override
    b"\xe2\x81\xa6",
    b"\xe2\x80\xa8",  # line separator
    b"\xef\xbb\xbf",  # byte order mark
    b"\xff\xfe",
    b"\xed\xa0\x80",  # a lone surrogate
    b"\xc0\xaf",  # overlong
    b"\xf4\x90\x80\x80",
    "\N{COMBINING ACUTE ACCENT}".encode(),
    "\N{KELVIN SIGN}\N{LATIN SMALL LIGATURE FF}".encode(),
    b'"',
    b"\\u0000",
    b"\\ud800",
    b"%s{0}${x}",
)


def _deep(rng: random.Random) -> bytes:
    depth = rng.choice([5, 100, 999, 5000, 30000])
    opening, closing = rng.choice([(b"[", b"]"), (b'{"sensors":', b"}"), (b'{"load":', b"}"), (b'[{"u":', b"}]")])
    closings = rng.choice([depth, 0, depth - 1])
    return (opening * depth + b"1" + closing * closings)[: rng.choice([PAYLOAD_LIMIT_BYTES, 2 * PAYLOAD_LIMIT_BYTES])]


def _wide(rng: random.Random) -> bytes:
    size = rng.choice([10, 1000, 60000, PAYLOAD_LIMIT_BYTES, PAYLOAD_LIMIT_BYTES + 1, 200000])
    return rng.choice([b"1", b" ", b"\x00", b"[", b"x", b'"', b"\xf0\x9f\x94\x8c"]) * size


def _document(rng: random.Random) -> bytes:
    """Return valid JSON around the pointers that are configured, with something odd where the number should be."""
    odd: Any = rng.choice(
        [
            None,
            True,
            False,
            -12.5,
            [],
            {},
            "",
            "nan",
            "12 W",
            " 12 ",
            "1e999",
            10**400,
            -(10**25),
            1e308,
            5e-324,
            "-0",
            [1],
            "١٢",
        ]
    )
    shape: Any = rng.choice(
        [
            {"sensors": [{"power": odd}]},
            {"sensors": {"0": {"power": odd}}},
            {"sensors": odd},
            {"load": {"w": odd}},
            {"load": odd},
            {"u": odd},
            [odd],
            odd,
            {"u": odd, "load": {"w": 5}, "sensors": [{"power": 1}]},
        ]
    )
    return json.dumps(shape, ensure_ascii=rng.random() < 0.5).encode()


def spoiled(rng: random.Random, valid: tuple[bytes, ...]) -> bytes:
    """Return a payload made from a valid one, mostly by one to three changes; one in some is left as it is."""
    kind = rng.random()
    if kind < 0.06:
        return rng.choice(valid)
    if kind < 0.10:
        return rng.randbytes(rng.choice([1, 3, 20, 300]))
    if kind < 0.22:
        return _document(rng)
    if kind < 0.222:
        return _deep(rng)
    if kind < 0.224:
        return _wide(rng)
    if kind < 0.30:
        return rng.choice(WORDS + NUMBERS)
    payload = bytearray(rng.choice(valid))
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        at = rng.randint(0, len(payload))
        till = min(len(payload), at + rng.choice([0, 0, 1, 2, 8]))
        change = rng.randint(0, 6)
        if change == 0:
            del payload[at:]  # cut short
        elif change == 1:
            payload[at:till] = rng.choice(STRANGE)
        elif change == 2:
            payload[at:till] = rng.choice(NUMBERS)
        elif change == 3:
            payload[at:till] = payload[at:] * 2  # again
        elif change == 4 and payload:
            payload[min(at, len(payload) - 1)] ^= 1 << rng.randint(0, 7)
        elif change == 5:
            payload[at:till] = rng.choice(WORDS)
        else:
            digits = [index for index, byte in enumerate(payload) if 48 <= byte <= 57]
            if digits:
                index = rng.choice(digits)
                payload[index : index + 1] = rng.choice(NUMBERS)
    return bytes(payload)


def messages(seed: int, count: int) -> Iterator[tuple[Topic, bytes, bool]]:
    """Yield topics, payloads and whether they are retained. The seed says all."""
    rng = random.Random(seed)
    for _ in range(count):
        topic = rng.choice(TOPICS)
        yield topic, spoiled(rng, topic.valid), rng.random() < 0.05


# --- taking ----------------------------------------------------------------------------------------------------------


class VirtualClock:
    origin = "virtual"

    def __init__(self) -> None:
        self.now_s = 1e6

    def now(self) -> float:
        return self.now_s

    def wall(self) -> datetime:
        return datetime(2031, 5, 1, tzinfo=UTC) + timedelta(seconds=self.now_s)

    def real_s(self, seconds: float) -> float:
        return seconds

    async def sleep(self, seconds: float) -> None:
        self.now_s += seconds


class Recorder:
    """Stands in for the logger: keeps what was said since last asked."""

    def __init__(self) -> None:
        self.said: list[tuple[str, str, dict[str, Any]]] = []

    def bind(self, **_: object) -> Recorder:
        return self

    def __getattr__(self, level: str) -> Callable[..., None]:
        return lambda name, **fields: self.said.append((level, name, fields))


class Spoilt(AssertionError):  # noqa: N818
    """A promise about hostile payloads was not kept."""


class Bench:
    """The service with its real controller, relay and links, but no broker, no disk and no real time."""

    def __init__(self, folder: Path) -> None:
        self.clock = VirtualClock()
        config = Config.model_validate({**CONFIG, "store": {"directory": str(folder)}, "history": {"record": False}})
        self.log = Recorder()
        self.asked = self.told = 0
        ports = Ports(link=Unplugged, log=self.log, told=self._told)  # type: ignore[arg-type]
        self.service = Service(config, self.clock, ports)
        self.service.main_link.on_up()
        self.service.tell(news.RelayLink(True))
        self.sent: Counter[str] = Counter()
        self.taken: Counter[str] = Counter()
        self.levels: Counter[str] = Counter()
        self.logged_s: dict[tuple[str, str], float] = {}

    def _told(self, happened: news.News) -> None:
        self.asked += isinstance(happened, news.Ask)
        self.told += isinstance(happened, news.Gone | news.Looked)

    @property
    def refused(self) -> Counter[str]:
        counts: Counter[str] = Counter()
        for (topic, _), count in self.service.controller.refusals.counts.items():
            counts[topic] += count
        return counts

    def take(self, topic: Topic, payload: bytes, retained: bool) -> list[tuple[str, str, dict[str, Any]]]:
        """Let a message arrive, and hold the service to its promises. Returns what it logged. Raises Spoilt."""
        controller = self.service.controller
        refused = sum(controller.refusals.counts.values())
        latched = {record.code for record in controller.faults if record.latches}
        self.service.voice.unanswered.clear()
        self.asked = self.told = 0
        self.service.main_link.on_message(topic.name, payload, retained)
        refused = sum(controller.refusals.counts.values()) - refused
        said, self.log.said = self.log.said, []
        taken = self._taken(topic, payload, retained, latched, said)
        if refused + taken != 1:
            raise Spoilt(f"taken {taken} times, refused {refused} times")
        self.sent[topic.name] += 1
        self.taken[topic.name] += taken
        if topic.name == ENABLE and bool(self.service.voice.unanswered) is not bool(taken):
            raise Spoilt("an enable command and its answer do not agree")
        for level, name, fields in said:
            self.levels[level] += 1
            if name not in logs.EVENTS:
                raise Spoilt(f"unknown event {name}")
            if name == "message_refused":
                key = fields["topic"], fields["reason"]
                if self.clock.now_s < self.logged_s.get(key, -math.inf) + REFUSALS_TOLD_EVERY_S:
                    raise Spoilt(f"logged twice within a minute: {key}")
                self.logged_s[key] = self.clock.now_s
        plug = controller.plug
        for meter in (controller.grid, controller.battery, plug.power, controller.temperature, plug.voltage):
            if meter.value is not None and not abs(meter.value) <= 1e6:
                raise Spoilt(f"believed {meter.value}")
        return said

    def _taken(self, topic: Topic, payload: bytes, retained: bool, latched: set[str], said: Iterable[Any]) -> int:
        """Say whether the message was taken, by other means than the counters of refusals."""
        if topic.reading:
            return sum(name == "reading" and fields["of"] == topic.reading for _, name, fields in said)
        word = payload.decode("utf-8", "replace").strip().lower() if len(payload) <= PAYLOAD_LIMIT_BYTES else "too long"
        if topic.name == REPORT:
            return word in ("on", "off")
        if topic.name == PLAN:  # that what was asked for is over, the planner says itself, in the same turn perhaps
            return self.asked - sum(name == "charge_done" for _, name, _ in said)
        if topic.name in (AWAY, LOOKED):
            return self.told
        if topic.name == ENABLE:
            return word in ("false", "off", "0") or (word in ("true", "on", "1") and not retained)
        return word in latched | {"all"} and not retained

    def check(self) -> None:
        """Check what the counters say. Raises Spoilt."""
        unknown = {reason for _, reason in self.service.controller.refusals.counts} - set(REASONS)
        if unknown:
            raise Spoilt(f"unknown reasons {unknown}")
        if self.taken + self.refused != self.sent:
            raise Spoilt(f"{self.sent} sent, {self.taken} taken, {self.refused} refused")

    def sizes(self) -> dict[str, int]:
        """Return the length of everything in the controller and its parts that has one."""
        controller = self.service.controller
        plug, lessons = controller.plug, controller.lessons
        parts = {"controller": controller, "plug": plug, "steps": lessons.steps}
        parts |= {name: getattr(controller, name) for name in ("supervisor", "refusals", "grid", "temperature")}
        parts |= {"power": plug.power, "voltage": plug.voltage}
        return {
            f"{name}.{key}": len(value)
            for name, part in parts.items()
            for key, value in vars(part).items()
            if isinstance(value, dict | list | tuple | set | frozenset)
        }


# What each may come to: reasons for refusing, faults, starts, and little else.
MOST_LENGTH = max(len(TOPICS) * len(REASONS), 96)
TRACED = 5000  # messages at the end, or the latter half, during which every allocation is followed
# That these may leave behind: Python's own caches, one message, and rings of the newest readings, which are renewed.
MOST_TRACED_BYTES = 250_000
MOST_BLOCKS = 20_000  # of memory that may be kept between the first tenth and the end


def check_lines(said: list[tuple[str, str, dict[str, Any]]]) -> int:
    """Render events in both forms; each must be one line of printable text. Returns the lines. Raises Spoilt."""
    lines = 0
    for form in ("json", "console"):
        stream = io.StringIO()
        logs.configure("debug", form, stream)
        log = logs.logger()
        for level, name, fields in said:
            getattr(log, level)(name, **fields)
        text = stream.getvalue()
        if not text.replace("\n", "").isprintable():
            raise Spoilt(f"a line that is not printable, as {form}")
        if text.count("\n") != len(said) or "\n\n" in text:
            raise Spoilt(f"{text.count(chr(10))} lines for {len(said)} events, as {form}")
        if form == "json":
            for line in text.splitlines():
                json.loads(line)
        lines += len(said)
        stream.close()  # or the last one would count as kept: the log is configured to it
    return lines


class Result(NamedTuple):
    sent: Counter[str]
    taken: Counter[str]
    reasons: Counter[str]
    levels: Counter[str]
    lines: int  # of log, rendered and checked
    blocks: int  # of memory, kept since the first tenth
    traced_bytes: int  # left behind by the last messages
    longest: tuple[str, int]


def run(seed: int, count: int, progress: Callable[[int], None] = lambda done: None) -> Result:
    """Throw ``count`` payloads. Raises Spoilt, or whatever the service raises, with the payload noted."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
    rng, kept, lines, blocks = random.Random(seed), [], 0, 0
    try:
        for index, (topic, payload, retained) in enumerate(messages(seed, count)):
            bench.clock.now_s += rng.choice([0.0, 0.0, 0.01, 0.3])
            try:
                said = bench.take(topic, payload, retained)
            except BaseException as error:
                error.add_note(f"seed {seed}, message {index}: {topic.name}, {payload[:200]!r}, retained: {retained}")
                raise
            if index % 50 == 0:
                bench.service.tell(news.Tick())
            kept += [event for event in said if event[1] != "reading" or index % 100 == 0]
            if len(kept) > 2000:
                lines, kept = lines + check_lines(kept), []
            if index == count // 10:
                gc.collect()
                blocks = sys.getallocatedblocks()
            if index == count - min(TRACED, count // 2):
                lines, kept = lines + check_lines(kept), []
                gc.collect()
                tracemalloc.start()
            if index % 10000 == 0:
                progress(index)
        lines, kept = lines + check_lines(kept), []
        gc.collect()
        blocks = sys.getallocatedblocks() - blocks
        traced_bytes = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    bench.check()
    longest = max(bench.sizes().items(), key=lambda item: item[1])
    if longest[1] > MOST_LENGTH:
        raise Spoilt(f"grown: {longest}")
    if blocks > MOST_BLOCKS or traced_bytes > MOST_TRACED_BYTES:
        raise Spoilt(f"memory grew by {blocks} blocks, the last {TRACED} messages left {traced_bytes} bytes")
    reasons: Counter[str] = Counter()
    for (_, reason), times in bench.service.controller.refusals.counts.items():
        reasons[reason] += times
    return Result(bench.sent, bench.taken, reasons, bench.levels, lines, blocks, traced_bytes, longest)


def run_job(job: tuple[int, int]) -> Result:
    return run(*job, lambda done: print(f"\rseed {job[0]}: {done} of {job[1]} ", end="", file=sys.stderr))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=0, help="of the first process; the next ones have the next seeds")
    parser.add_argument("--processes", type=int, default=multiprocessing.cpu_count())
    options = parser.parse_args()
    began_s, each = time.monotonic(), options.count // options.processes
    jobs = [(options.seed + number, each) for number in range(options.processes)]
    with multiprocessing.Pool(options.processes) as pool:
        results = pool.map(run_job, jobs, chunksize=1)
    sent, taken, reasons, levels = (sum((result[part] for result in results), Counter()) for part in range(4))
    print(f"\rseeds {[seed for seed, _ in jobs]}: {sent.total()} payloads, {time.monotonic() - began_s:.0f} s, no harm")
    for topic in TOPICS:
        count, good = sent[topic.name], taken[topic.name]
        print(f"{topic.name:24} sent {count:7} taken {good:7} refused {count - good:7}")
    print(", ".join(f"{reason}: {times}" for reason, times in reasons.most_common()))
    print(f"events by level: {dict(levels)}; lines of log checked: {sum(result.lines for result in results)}")
    for result in results:
        print(
            f"memory: {result.blocks:+} blocks since the first tenth, {result.traced_bytes:+} bytes by the last "
            f"{TRACED} messages; longest: {result.longest}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
