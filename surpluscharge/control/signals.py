"""From payloads to watts: what a message says, whether to believe it, and how long it stays fresh.

Inside the package grid power is positive for import. Whatever sign and unit a meter has of its own, its
:class:`Source` converts at this door. A payload is bytes from a stranger: everything that cannot be read is refused
with one of :data:`REJECTIONS` and counted, and nothing here raises anything else.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter, deque
from functools import lru_cache
from statistics import median
from typing import Any, Literal, NamedTuple, NoReturn

from jsonpointer import EndOfList, JsonPointer, JsonPointerException

PAYLOAD_LIMIT_BYTES = 65536
REFUSALS_TOLD_EVERY_S = 60.0  # of one reason on one topic

REJECTIONS = {
    "retained": "a retained message tells what was, not what is; a live one must follow",
    "too-large": f"the payload is larger than {PAYLOAD_LIMIT_BYTES} bytes",
    "not-utf8": "the payload is not UTF-8 text",
    "not-json": "the payload is not JSON, as it should be here",
    "pointer-misses": "the JSON payload has nothing at the configured pointer",
    "not-a-number": "the value is not a number, with a point and no comma, and without its unit",
    "not-finite": "the value is NaN or infinite",
    "implausible": "the value is beyond the plausibility limit",
    "negative": "a source that measures one direction only sent a negative value",
    "late": "it was under way for so long that it says nothing of what is now",
    "commissioning": "while the charger is being commissioned it is switched on from there only",
    "not-allowed": "planned.allow is false: nothing is charged on request",
    "not-an-absence": "an absence has leave, back and sun at most, or is null once somebody is back: see the manual",
    "not-a-request": "a charge is asked for with energy_wh, with energy_wh and by, or with time_s: see the manual",
    "not-a-look": "a look is told as a JSON object with note, of 300 characters at most",
    "unknown-fault": "neither all nor the code of a latched fault",
    "told-in-floods": "among so many messages none passes for a person's look: acknowledge again once they have ended",
    "not-a-claim": "a claim is a JSON object with rank, stage, draws_w and lasts_s, on a topic with a charger's name",
    "too-many-claims": "so many others claim already that this one is not kept account of",
    "not-a-state": "the value means neither on nor off (enable: true/false, on/off, 1/0; plug: as configured)",
}

# Decimal numbers as JSON writes them (RFC 8259), a plus sign and leading zeros forgiven. float() alone would also take
# "1_000" and "infinity".
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf(inity)?)", re.IGNORECASE | re.ASCII)

_TRUE = frozenset({"true", "on", "1"})
_FALSE = frozenset({"false", "off", "0"})


class Rejected(Exception):  # noqa: N818  (not an error of ours)
    """A payload that will not be used; ``reason`` is a key of REJECTIONS."""

    def __init__(self, reason: str) -> None:
        super().__init__(REJECTIONS[reason])
        self.reason = reason


def text_of(payload: bytes) -> str:
    """Return the payload as text without surrounding white space. Raises Rejected."""
    if len(payload) > PAYLOAD_LIMIT_BYTES:
        raise Rejected("too-large")
    try:
        return payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise Rejected("not-utf8") from None


def value_at(payload: bytes, pointer: str | None) -> Any:
    """Return the JSON value that an RFC 6901 pointer names; without a pointer, the payload's text. Raises Rejected."""
    text = text_of(payload)
    if pointer is None:
        return text
    try:
        document = _JSON.decode(text)
    except Rejected:
        raise
    except (ValueError, RecursionError):
        raise Rejected("not-json") from None
    try:
        value = _pointer(pointer).resolve(document)
        if isinstance(value, EndOfList):  # the pointer ends in "-": after the last element there is nothing to read
            raise Rejected("pointer-misses")
        return value
    except (JsonPointerException, RecursionError):
        raise Rejected("pointer-misses") from None


def _refuse_constant(_: str) -> NoReturn:  # NaN, Infinity: not JSON, though many programs write them
    raise Rejected("not-finite")


_JSON = json.JSONDecoder(parse_constant=_refuse_constant)


@lru_cache(maxsize=64)
def _pointer(text: str) -> JsonPointer:
    """Return the same few, of the configuration, that are asked for with each reading."""
    return JsonPointer(text)


def number(value: Any) -> float:
    """Return a JSON number, or text that spells one, as a finite float. Raises Rejected."""
    if isinstance(value, str):
        value = value.strip()
        if _NOT_FINITE.fullmatch(value):
            raise Rejected("not-finite")
        if not _NUMBER.fullmatch(value):
            raise Rejected("not-a-number")
    elif isinstance(value, bool) or not isinstance(value, int | float):
        raise Rejected("not-a-number")
    try:
        result = float(value)
    except (OverflowError, ValueError):
        raise Rejected("not-finite") from None
    if not math.isfinite(result):
        raise Rejected("not-finite")
    return result


def truth(text: str) -> bool:
    """Read true/false, on/off, 1/0 in any case. Raises Rejected."""
    word = text.strip().lower()
    if word in _TRUE:
        return True
    if word in _FALSE:
        return False
    raise Rejected("not-a-state")


Measures = Literal["net-import", "net-export", "import-only", "export-only"]


class Source(NamedTuple):
    """One value somewhere in one topic's payload, and what it means.

    ``scale`` turns its unit into ours (W: 1, kW: 1000); ``fresh_s`` is how long one value may be relied on;
    ``limit`` is the largest magnitude believed. Mostly watts; a temperature or a voltage is read in the same way.
    ``phase``: of which phase it is, 1 to 3; 0: of all, or nobody said.
    """

    topic: str
    pointer: str | None
    scale: float
    measures: Measures
    fresh_s: float
    limit: float
    phase: int = 0

    def read(self, payload: bytes) -> float:
        """Return the payload's value; of grid power, positive for import. Raises Rejected."""
        value = number(value_at(payload, self.pointer)) * self.scale
        if abs(value) > self.limit:
            raise Rejected("implausible")
        if self.measures in ("import-only", "export-only") and value < 0:
            raise Rejected("negative")
        return value if self.measures in ("net-import", "import-only") else -value


class Reading(NamedTuple):
    value: float
    at_s: float


class Meter:
    """Sums its sources into one value. Known only while every source is fresh.

    One message may feed several sources (import and export in one JSON document); it is taken whole or not at all.
    A meter without sources is never known.
    """

    value: float | None  # the sum of the last readings, fresh or not; None until every source has one
    at_s: float | None  # when the oldest of the readings in the sum came; None until every source has one
    fresh_until_s: float  # when the first of the readings goes stale; -infinity until every source has one
    by_phase: dict[int, float]  # the same sum for each phase, under 0 for what is said to be of none; empty until then

    def __init__(self, sources: tuple[Source, ...], phase: int = 0) -> None:
        """``phase``: only what is measured of it makes the sum; 0: all of it. All must be fresh, either way."""
        self.sources, self._phase = sources, phase
        self.topics = frozenset(source.topic for source in sources)
        self._readings: dict[int, Reading] = {}
        self.before: float | None = None  # what the value was before the last message, if it was fresh then
        self._sum_up()

    @classmethod
    def of(cls, source: Source | None) -> Meter:
        """Return one of a single source, or of none."""
        return cls((source,) if source else ())

    def take(self, topic: str, payload: bytes, retained: bool, now_s: float) -> None:
        """Take a message in. Raises Rejected, and then keeps what it had."""
        if retained:
            raise Rejected("retained")
        before = self.value if now_s < self.fresh_until_s else None
        self._readings |= {
            index: Reading(source.read(payload), now_s)
            for index, source in enumerate(self.sources)
            if source.topic == topic
        }
        self.before = before
        self._sum_up()

    def forget(self) -> None:
        """Drop all readings: after a gap in the connection, only what comes after it counts."""
        self._readings.clear()
        self.before = None
        self._sum_up()

    def reading(self, index: int) -> Reading | None:
        """Return the last reading of one source, fresh or not."""
        return self._readings.get(index)

    def _sum_up(self) -> None:
        # Kept, because it is asked for far more often than it changes.
        self.by_phase = {}
        if not 0 < len(self.sources) == len(self._readings):
            self.value, self.at_s, self.fresh_until_s = None, None, -math.inf
            return
        for index, reading in self._readings.items():
            phase = self.sources[index].phase
            self.by_phase[phase] = self.by_phase.get(phase, 0.0) + reading.value
        self.value = self.by_phase.get(self._phase, 0.0) if self._phase else sum(self.by_phase.values())
        self.at_s = min(reading.at_s for reading in self._readings.values())
        self.fresh_until_s = min(
            reading.at_s + self.sources[index].fresh_s for index, reading in self._readings.items()
        )


class Stillness:
    """How long a meter's value has not moved at all, and how finely it can move."""

    def __init__(self, now_s: float) -> None:
        self.since_s = now_s
        self.repeats = 0
        self.finest = math.inf  # the smallest change it has ever shown

    def begin(self, now_s: float) -> None:
        """From now on it may be heard, or it has moved."""
        self.since_s, self.repeats = now_s, 0

    def reading(self, before: float | None, value: float | None, now_s: float) -> None:
        """It has said a value, maybe the same as before."""
        self.repeats += 1
        if value != before:
            self.begin(now_s)
            if value is not None and before is not None:
                self.finest = min(self.finest, abs(value - before))


class Refusals:
    """Messages that could not be used: counted, and spoken of at a bounded rate. Bounded by the configuration."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str]] = Counter()  # by topic and reason, one of REJECTIONS
        self._told: dict[tuple[str, str], tuple[float, int]] = {}

    def count(self, topic: str, reason: str, now_s: float) -> int:
        """Count one; return how many of its kind are to be told of now, 0: it is too early."""
        kind = topic, reason
        self.counts[kind] += 1
        told_s, told = self._told.get(kind, (-math.inf, 0))
        if now_s < told_s + REFUSALS_TOLD_EVERY_S:
            return 0
        self._told[kind] = now_s, self.counts[kind]
        return self.counts[kind] - told


class Contact(NamedTuple):
    """Where the plug reports its relay, and which values mean on and off (compared without regard to case)."""

    topic: str
    pointer: str | None
    on_value: str
    off_value: str

    def read(self, payload: bytes) -> bool:
        """Return whether the payload says on. Raises Rejected."""
        value = value_at(payload, self.pointer)
        word = value if isinstance(value, str) else json.dumps(value)
        word = word.strip().lower()
        if word == self.on_value.lower():
            return True
        if word == self.off_value.lower():
            return False
        raise Rejected("not-a-state")


RAMP_S = 30.0  # after a switching much is said that is not said every so often
SAME_S = 0.5  # messages that come together are one
LEAST_GAPS, MOST_GAPS = 10, 20  # so many pauses tell how often a plug speaks; the newest count
REGULAR_TIMES = 2.0  # a plug whose pauses are longer than so many usual ones speaks when it has something to say
SILENT_TIMES = 4.0  # so many of its longest pauses without a word are silence,
SILENT_LEAST_S, SILENT_MOST_S = 45.0, 900.0  # but so long at least; one that may be mute for longer is not judged by it


class Pulse:
    """How often the plug speaks while it is on, and from when on its silence says that something is wrong.

    Learned from its own messages. One that reports changes only has no pulse: its silence is as it should be. But while
    a car tapers there is always a change to report, every few seconds; so what was learned holds for this charge only,
    and where nothing flows any more, silence says nothing. Else it is a trip: what protects the socket looks through
    that plug.
    """

    def __init__(self) -> None:
        self.since_s = math.inf  # since when nothing was heard; infinity: nothing is to be heard
        self._began_s = math.inf
        self._flows: bool | None = None
        self._gaps_s: deque[float] = deque(maxlen=MOST_GAPS)
        self._silent_after_s = math.inf  # as learned

    def listen(self, on: bool, now_s: float) -> None:
        """From now on the relay is on and can be heard, or is not."""
        self.since_s = self._began_s = now_s if on else math.inf
        self._gaps_s.clear()
        self._silent_after_s = math.inf

    def heard(self, now_s: float, flows: bool | None = None) -> None:
        """A live message came from the plug. ``flows``: by what it measures, something does; None: it does not say."""
        if self.since_s > now_s:
            return
        if flows is not self._flows:
            self._flows = flows
            self.listen(True, now_s)
            return
        if self.since_s >= self._began_s + RAMP_S and now_s >= self.since_s + SAME_S:
            self._gaps_s.append(now_s - self.since_s)
            self._silent_after_s = self._learned_s()
        self.since_s = now_s

    def silent_after_s(self, configured_s: float | None) -> float:
        """Return after how long without a word it is silent, as configured or learned; infinity: it is never."""
        return self._silent_after_s if configured_s is None else configured_s

    def _learned_s(self) -> float:
        gaps_s = sorted(self._gaps_s)
        if self._flows is False or len(gaps_s) < LEAST_GAPS or gaps_s[-2] > REGULAR_TIMES * median(gaps_s):
            return math.inf
        silent_s = max(SILENT_LEAST_S, SILENT_TIMES * gaps_s[-2])  # one pause may have been an accident
        return silent_s if silent_s <= SILENT_MOST_S else math.inf
