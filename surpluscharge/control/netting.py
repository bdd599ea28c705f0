"""Bills that net: which imports and exports even each other out, and what a charger's energy costs then.

Many meters do not bill each watt as it flows, but the difference of import and export over an interval: a quarter of
an hour, half an hour, an hour, a day or a month, by the clock on the wall. What counts is then the energy of the
interval, not the power of a moment. What is netted together is one *register*: the energy of one interval at one pair
of prices; where prices change within it, each price has its own, as a meter with several registers has.

**What a charge costs** is the difference of the bill with it and without it. With a register's net import N (export is
below nought) and the charger's energy C in it, that is bill(N) - bill(N - C), and so of C

    max(N, 0) - max(N - C, 0)

costs the import price, and the rest, which would have been exported, what export earns: :func:`from_grid`. A part of a
register (one charge of several, a day of a month) has the same mix as the whole, so parts add up to it. Without netting
each moment is an interval, and it is the share that the ledger books anyway. What is not known is in neither sum.

Pure, and of plain numbers, so that the daemon, replay and a compiler take the same.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import Enum
from typing import TypeVar

_Amount = TypeVar("_Amount", int, float)
_LENGTHS = {900: "quarter of an hour", 1800: "half hour", 3600: "hour"}


class Netting(Enum):
    """Over what a bill nets. The values are those of the configuration."""

    NONE = "none"
    QUARTER = "15-minutes"
    HALF = "30-minutes"
    HOUR = "60-minutes"
    DAY = "day"
    MONTH = "month"

    @property
    def minutes(self) -> int | None:
        """How long an interval is; None: as long as a day or month is here, or there is none."""
        return {"15-minutes": 15, "30-minutes": 30, "60-minutes": 60}.get(self.value)

    @property
    def nets(self) -> bool:
        return self is not Netting.NONE

    @property
    def words(self) -> str:
        """The interval, for people."""
        return length_in_words(60.0 * self.minutes) if self.minutes else self.value

    def span_s(self, when: datetime) -> tuple[float, float]:
        """Return begin and end of the interval of a moment (aware, in the site's zone), in seconds since 1970.

        By the clock on the wall; where that is put forward or back, an interval ends and another begins, so that one in
        an hour that comes twice is two. Without netting, it is the day.
        """
        if self.minutes is None:
            first = when.date().replace(day=1) if self is Netting.MONTH else when.date()
            last = (first + timedelta(days=31)).replace(day=1) if self is Netting.MONTH else first + timedelta(days=1)
            return _midnight_s(first, when.tzinfo), _midnight_s(last, when.tzinfo)
        step_s, now_s, ahead_s = 60 * self.minutes, when.timestamp(), _ahead_s(when)
        begin_s = (now_s + ahead_s) // step_s * step_s - ahead_s
        end_s = begin_s + step_s
        if _ahead_s(_at(begin_s, when.tzinfo)) != ahead_s:
            begin_s = _change_s(begin_s, now_s, when.tzinfo)
        if _ahead_s(_at(end_s - 1.0, when.tzinfo)) != ahead_s:
            end_s = _change_s(now_s, end_s, when.tzinfo)
        return begin_s, end_s


def length_in_words(length_s: float) -> str:
    """Return an interval of this length, for people."""
    return _LENGTHS.get(round(length_s)) or ("day" if length_s < 2 * 86400.0 else "month")


def _midnight_s(day: date, zone: tzinfo | None) -> float:
    return datetime.combine(day, time(), zone).timestamp()


def _at(at_s: float, zone: tzinfo | None) -> datetime:
    return datetime.fromtimestamp(at_s, UTC).astimezone(zone)


def _ahead_s(when: datetime) -> float:
    """Return how far the clock on the wall is ahead of UTC."""
    ahead = when.utcoffset()
    return ahead.total_seconds() if ahead is not None else 0.0


def _change_s(low_s: float, high_s: float, zone: tzinfo | None) -> float:
    """Return when, to the second, the clocks change between two moments with other offsets."""
    low, high = int(low_s), int(high_s) + 1
    before = _ahead_s(_at(low, zone))
    while high - low > 1:
        middle = (low + high) // 2
        if _ahead_s(_at(middle, zone)) == before:
            low = middle
        else:
            high = middle
    return float(high)


def from_grid(net: _Amount, charger: _Amount) -> _Amount:
    """Return how much of the charger's energy a register's bill counts as imported; the rest of it as not exported.

    ``net`` is its import less its export, the charger's energy in it; both in the same unit of energy.
    """
    return max(net, 0) - max(net - charger, 0)
