"""Energy registers: what meter and plug count by themselves, and what may be believed of it.

A register only ever rises, by no more than the house can draw, and rolls over to nought after its last digit. All else
is refused and counted, or becomes a new *base*: from there on it is counted anew, and what lies between two bases is
not known. So nothing is ever negative, and nothing is counted twice:

- a value that is lower than one before is late, or the register was put back to nought, or is another one (an exchanged
  meter). Near nought it is believed to be put back once it has been seen to rise from there, for a minute;
- anything else that cannot follow (lower, or higher than the limit allows) is believed once it has gone on as a
  register does for a day, without the old one being heard again: whoever repeats old values does so for hours;
- with ``rolls_over_mws`` it rolls over there; without it, at a power of ten from 10 000 kWh on, and only just there.

All energies are whole milliwatt-seconds, times whole milliseconds of UTC since 1970. Pure; no I/O, no clock.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple

from surpluscharge.history.energy import MWS_PER_KWH
from surpluscharge.history.ledger import Mark

Counts = Literal["import", "export", "charged"]
STEP_MWS = MWS_PER_KWH  # a register may move by its last digit all at once: none is coarser that believes itself
LEAST_ROLL_MWS = 10_000 * MWS_PER_KWH  # registers of fewer digits than this say where they roll over
ROLL_PARTS = 1000  # and without being told, it has rolled over only within this part of its range
NEAR_NOUGHT = 100  # what is below this part of the value before is near nought
PUT_BACK_MS = 60_000  # for so long it must rise from nought,
OTHER_MS = 86_400_000  # and so long anything else must go on
LEAST_SEEN = 3  # readings, in either case
EVERY_MS = 900_000  # a reading is kept so often; between two of them a gap can be reckoned

REASONS = {
    "earlier": "it is of a time before the last one",
    "back": "it is lower than before: late, or another register, which must show itself for longer",
    "jump": "it is higher than can have flowed since: a slip, or another register, which must show itself for longer",
    "negative": "no register shows less than nought",
}


class Register(NamedTuple):
    """What is known of a register beforehand."""

    name: str
    counts: Counts
    limit_w: float  # the most that can flow
    rolls_over_mws: int | None = None  # None: at a power of ten


class Follower:
    """Follows one register."""

    def __init__(self, register: Register, last: Mark | None = None) -> None:
        """``last``: as it was kept before."""
        self.register, self.last = register, last
        self.begun_ms = 0  # since when its base is known to be the one it is; nought: since before this began
        self.refused: Counter[str] = Counter()  # by reason, one of REASONS
        self._moved_ms = last.at_ms if last else 0  # when it last showed something else
        self._other: list[tuple[int, int]] = []  # what may be another one: (when, shown), first and last
        self._seen = 0
        self._kept_ms = last.at_ms if last else None

    def begin_anew(self) -> None:
        """The register is known to be another one: the next reading is a new base, whatever it shows."""
        if self.last is not None:
            self.last = self.last._replace(base=self.last.base + 1, at_ms=-1)
        self._other = []

    def take(self, at_ms: int, shown_mws: int) -> str | None:
        """Take a reading in; return why it is refused (a key of REASONS), None: it counts."""
        reason = self._take(at_ms, shown_mws)
        if reason is not None:
            self.refused[reason] += 1
        return reason

    def _take(self, at_ms: int, shown_mws: int) -> str | None:
        if shown_mws < 0:
            return "negative"
        last = self.last
        if last is None or last.at_ms < 0:
            self._begin(at_ms, shown_mws)
            return None
        if at_ms < last.at_ms:
            return "earlier"
        # What could not follow when it was first seen does not become right by waiting.
        other_mws = self._other[0][1] if self._other else None
        resumes = shown_mws >= last.shown_mws and (other_mws is None or not last.shown_mws < other_mws <= shown_mws)
        rise_mws = None
        if resumes or other_mws is None:
            rise_mws = self._rise(last.shown_mws, shown_mws, at_ms - self._moved_ms)
        if rise_mws is not None:
            if rise_mws:
                self._moved_ms = at_ms
            self.last = last._replace(at_ms=at_ms, shown_mws=shown_mws, total_mws=last.total_mws + rise_mws)
            self._other = []
            return None
        self._suspect(at_ms, shown_mws)
        if self._believed(last):
            self._begin(at_ms, shown_mws)
            return None
        return "back" if shown_mws < last.shown_mws else "jump"

    def _rise(self, from_mws: int, to_mws: int, within_ms: int) -> int | None:
        """Return by how much a register has risen from one value to another, in so long; None: that cannot be."""
        most_mws = round(self.register.limit_w * within_ms) + STEP_MWS
        if from_mws <= to_mws:
            return to_mws - from_mws if to_mws - from_mws <= most_mws else None
        full_mws = self.register.rolls_over_mws
        if full_mws is None:
            full_mws = LEAST_ROLL_MWS
            while full_mws <= from_mws:
                full_mws *= 10
            most_mws = min(most_mws, full_mws // ROLL_PARTS)
        rise_mws = to_mws + full_mws - from_mws
        return rise_mws if from_mws < full_mws and rise_mws <= most_mws else None

    def _suspect(self, at_ms: int, shown_mws: int) -> None:
        """Keep what may be another register, as long as it goes on as one does."""
        if self._other:
            then_ms, then_mws = self._other[-1]
            if 0 <= shown_mws - then_mws <= round(self.register.limit_w * (at_ms - then_ms)) + STEP_MWS:
                self._other = [self._other[0], (at_ms, shown_mws)]
                self._seen += 1
                return
        self._other, self._seen = [(at_ms, shown_mws)], 1

    def _believed(self, last: Mark) -> bool:
        (since_ms, from_mws), (until_ms, to_mws) = self._other[0], self._other[-1]
        put_back = NEAR_NOUGHT * from_mws < last.shown_mws and to_mws > from_mws
        return self._seen >= LEAST_SEEN and until_ms - since_ms >= (PUT_BACK_MS if put_back else OTHER_MS)

    def _begin(self, at_ms: int, shown_mws: int) -> None:
        before = self.last
        if before is None:
            self.last = Mark(self.register.name, at_ms, self.register.counts, 1, shown_mws, 0)
        else:
            base = before.base + (before.at_ms >= 0)
            self.last = before._replace(at_ms=at_ms, base=base, shown_mws=shown_mws)
        self.begun_ms = self._moved_ms = at_ms
        self._other, self._kept_ms = [], None

    def to_keep(self, now: bool = False) -> Mark | None:
        """Return what is to be kept, once in a while, or ``now``; None: nothing new is."""
        last, kept_ms = self.last, self._kept_ms
        if last is None or last.at_ms < 0:
            return None
        if kept_ms is not None and (last.at_ms <= kept_ms or (not now and last.at_ms < kept_ms + EVERY_MS)):
            return None
        self._kept_ms = last.at_ms
        return last


# --- what came of it -------------------------------------------------------------------------------------------------


class Stretch(NamedTuple):
    """What a register counted between two readings of one base."""

    first: Mark
    last: Mark

    @property
    def counted_mws(self) -> int:
        return self.last.total_mws - self.first.total_mws


def statement(marks: Iterable[Mark], begin_ms: int, end_ms: int, before_ms: int) -> list[Stretch]:
    """Return what a register counted from one time to another, a stretch for each base, in order.

    ``marks`` are its readings in order of time, also from before. It begins with the last reading at or before the
    begin that is not older than ``before_ms``, or else with the first after it; it ends with the last one until the
    end. So what one month ends with the next begins with.
    """
    bases: dict[int, list[Mark]] = {}
    for mark in marks:
        if begin_ms - before_ms <= mark.at_ms <= end_ms:
            bases.setdefault(mark.base, []).append(mark)
    found = []
    for listed in bases.values():
        before = [mark for mark in listed if mark.at_ms <= begin_ms]
        within = [*before[-1:], *(mark for mark in listed if mark.at_ms > begin_ms)]
        if within[-1].at_ms > begin_ms:
            found.append(Stretch(within[0], within[-1]))
    return found


# How far off a meter may be at its usual currents, in percent: IEC 62053-22 (0.2 S, 0.5 S) and -21 (1, 2); from memory.
CLASSES: Mapping[str, float] = {"0.2 S": 0.2, "0.5 S": 0.5, "1": 1.0, "2": 2.0}


def class_of(register_mws: int, integrated_mws: int) -> tuple[float, str | None]:
    """Return how far what was integrated is off the register, in percent, and the best meter class that may be so.

    None: no class may. Raises ZeroDivisionError where the register counted nothing.
    """
    percent = 100.0 * (integrated_mws - register_mws) / register_mws
    return percent, next((name for name, most in CLASSES.items() if abs(percent) <= most), None)
