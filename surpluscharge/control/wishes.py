"""What the car is to have, and by when: as the configuration has it for each week, and as somebody asks for once.

A standing need says what must have come in by a time of day, counted from the last such time on, the sun's share
included. A request stands in for it once: so much by a moment, or now. While nobody is there, nothing is due by the
configuration, but what was asked for is. How much of it has come is counted by the
controller, as it happens, and kept across restarts; what to do about it is for :mod:`surpluscharge.control.plan`.

Pure: no clock, no I/O. Times are seconds since 1970, as every clock on the wall has them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from typing import NamedTuple

from surpluscharge.control.signals import Rejected, number, value_at
from surpluscharge.control.slots import Unusable, instant

MOST_WH = 100_000.0
MOST_TIME_S = 86400.0  # of a request that says how long
MOST_AHEAD_S = 8 * 86400.0  # nobody asks for more than a week ahead; a wrong year would never end
INSTEAD_MOST_S = 2 * 86400.0  # a request stands in for the configuration until its day is over, and no longer
UNSET_S = 1_735_689_600.0  # 2025: a clock that shows less was never set since the computer was switched on
MOST_AWAY_S = 400 * 86400.0  # nobody knows longer before when they leave, or come back
NEEDS_AHEAD = 3  # so many are looked at: the next ones decide
LEAST_WH = 1.0  # what lacks less is met


class Need(NamedTuple):
    """So much must be in the car by then: a whole day's use, whatever of it is in already."""

    by_s: float
    wh: float


class Standing(NamedTuple):
    """A need of some weekdays (0: Monday), by a time of day in minutes."""

    weekdays: frozenset[int]
    minute: int
    wh: float


class Request(NamedTuple):
    """What somebody asked for, once. ``by_s`` None: now, until ``wh`` have come in, or until ``until_s``."""

    asked_s: float
    wh: float = MOST_WH  # more than any car takes
    by_s: float | None = None
    until_s: float | None = None
    instead_s: float = 0.0  # until then it stands in for what is due by the configuration: until its day is over
    from_wh: float = 0.0  # how much had come when it was asked for, of what Progress counts

    @property
    def lasts_s(self) -> float | None:
        """For how long it was asked for; None: for an energy."""
        return None if self.until_s is None else self.until_s - self.asked_s


class Away(NamedTuple):
    """Nobody is there from ``leave_s`` until ``back_s``; None: until somebody says so."""

    leave_s: float
    back_s: float | None = None
    sun: bool = True  # whether the sun may charge meanwhile

    def at(self, at_s: float) -> bool:
        """Whether that is so at a moment."""
        return self.leave_s <= at_s < self.ends_s

    @property
    def ends_s(self) -> float:
        return math.inf if self.back_s is None else self.back_s


class Progress(NamedTuple):
    """What is asked for beside the standing needs, and what has come in. Outlives the process."""

    request: Request | None = None
    since_s: float = 0.0  # what follows is counted from then on: the last time something was due, or was asked for
    got_wh: float = 0.0  # into the car
    sun_wh: float = 0.0  # of that, from the sun
    full: bool = False  # the car takes no more
    instead_s: float = 0.0  # until then nothing is due by the configuration: a request stood in for it
    away: Away | None = None

    def grown(self, wh: float, sun_wh: float) -> Progress:
        """Return it with so much more in the car."""
        return self._replace(got_wh=self.got_wh + wh, sun_wh=self.sun_wh + sun_wh) if wh else self

    def after(self, at_s: float) -> Progress:
        """Return it after something was due: the count begins anew, and a request that is over is gone."""
        # More is left of a clock that was wrong.
        request, instead_s = self.request, self.instead_s if self.instead_s <= at_s + INSTEAD_MOST_S else 0.0
        if request is not None and request.by_s is not None and request.by_s <= at_s:
            instead_s, request = request.instead_s, None
        request = request and request._replace(from_wh=request.from_wh - self.got_wh)
        return Progress(request, at_s, instead_s=instead_s, away=self.away)

    def gone(self, away: Away | None, now_s: float) -> Progress:
        """Return it with another absence. Of one that had begun nothing is due any more, and what came in it counts."""
        before, since_s = self.away, self.since_s
        if before is not None and before.leave_s <= now_s:
            since_s = max(since_s, min(now_s, before.ends_s))
        return self._replace(away=away, since_s=since_s)

    def away_at(self, at_s: float) -> bool:
        """Whether nobody is there at a moment."""
        return self.away is not None and self.away.at(at_s)

    @property
    def at_once(self) -> Request | None:
        """The request, where it is for a charge that begins at once; None: there is none, or it is by a time."""
        return self.request if self.request is not None and self.request.by_s is None else None

    @property
    def asked_wh(self) -> float:
        """What has come in since the request."""
        return self.got_wh - (self.request.from_wh if self.request else 0.0)


def read(payload: bytes, at: datetime) -> Request | None:
    """Return what is asked for, in JSON: {"energy_wh": 3000}, {"time_s": 7200}, {"energy_wh": 5000, "by": "07:00"}.

    ``at`` is aware, in the site's zone. "by" is the next such time of day, or an RFC 3339 time with its offset. No
    energy and no time ({"energy_wh": 0}) takes back what was asked for: None. Raises Rejected.
    """
    given = value_at(payload, "")
    if not isinstance(given, dict) or not given.keys() <= {"energy_wh", "time_s", "by"}:
        raise Rejected("not-a-request")
    if ("energy_wh" in given) == ("time_s" in given) or {"time_s", "by"} <= given.keys():
        raise Rejected("not-a-request")
    now_s = at.timestamp()
    if "time_s" in given:
        long_s = _within(given["time_s"], MOST_TIME_S)
        return Request(now_s, until_s=now_s + long_s) if long_s else None
    wh = _within(given["energy_wh"], MOST_WH)
    if not wh:
        return None
    if "by" not in given:
        return Request(now_s, wh)
    by_s = _by_s(given["by"], at)
    over = datetime.fromtimestamp(by_s, at.tzinfo).date() + timedelta(days=1)
    return Request(now_s, wh, by_s, instead_s=datetime.combine(over, time(), at.tzinfo).timestamp() - 1.0)


def read_away(payload: bytes, at: datetime) -> Away | None:
    """Return when nobody is there, in JSON: {"leave": "2031-07-01", "back": "2031-07-14T18:00:00+02:00", "sun": false}.

    ``at`` is aware, in the site's zone. A day is meant from its first moment on; without "leave" it is from now on,
    without "back" until somebody says null, which is to say that somebody is there: None. Raises Rejected.
    """
    given = value_at(payload, "")
    if given is None:
        return None
    if not isinstance(given, dict) or not given.keys() <= {"leave", "back", "sun"}:
        raise Rejected("not-an-absence")
    now_s, sun = at.timestamp(), given.get("sun", True)
    if not isinstance(sun, bool):
        raise Rejected("not-an-absence")
    leave_s = max(now_s, _moment_s(given["leave"], at) if "leave" in given else now_s)
    back_s = _moment_s(given["back"], at) if "back" in given else None
    if (back_s is not None and back_s <= leave_s) or max(leave_s, back_s or 0.0) > now_s + MOST_AWAY_S:
        raise Rejected("implausible")
    return Away(leave_s, back_s, sun)


def _moment_s(value: object, at: datetime) -> float:
    """Return a day's first moment, or that of an RFC 3339 time."""
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII):
        try:
            return datetime.combine(date.fromisoformat(value), time(), at.tzinfo).timestamp()
        except (ValueError, OverflowError):
            raise Unusable("slot-time") from None
    moment_s, _ = instant(value)
    return moment_s


def _within(value: object, most: float) -> float:
    found = number(value)
    if not 0.0 <= found <= most:
        raise Rejected("implausible")
    return found


def _by_s(value: object, at: datetime) -> float:
    if isinstance(value, str) and re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value, re.ASCII):
        return next_time_s(at, int(value[:2]) * 60 + int(value[3:]))
    by_s, _ = instant(value)
    if not at.timestamp() < by_s <= at.timestamp() + MOST_AHEAD_S:
        raise Rejected("implausible")
    return by_s


def next_time_s(at: datetime, minute: int, weekdays: frozenset[int] = frozenset(range(7))) -> float:
    """Return when the clock on the wall next shows a time of day, on one of these days.

    A time that a change of clocks leaves out is as far after that change as it would have been without; one that comes
    twice is the first.
    """
    for days in range(9):
        day = at.date() + timedelta(days=days)
        then_s = datetime.combine(day, time(minute // 60, minute % 60), at.tzinfo).timestamp()
        if day.weekday() in weekdays and then_s > at.timestamp():
            return then_s
    return math.inf


def upcoming(standing: Sequence[Standing], progress: Progress, after_s: float, zone: tzinfo | None) -> list[Need]:
    """Return the next needs after a moment, in order of time.

    A request by a time stands in for all that is due by the configuration until its day is over. What would be due by
    the configuration while nobody is there is not.
    """
    needs: list[Need] = []
    request, at_s = progress.request, max(after_s, progress.instead_s)
    if request is not None and request.by_s is not None and request.by_s > after_s:
        needs.append(Need(request.by_s, request.wh))
        at_s = max(at_s, request.instead_s)
    while len(needs) < NEEDS_AHEAD and standing:
        at = datetime.fromtimestamp(at_s, zone)
        dues = [(next_time_s(at, one.minute, one.weekdays), one.wh) for one in standing]
        at_s = min(due_s for due_s, _ in dues)
        if not math.isfinite(at_s):
            break
        if progress.away is not None and progress.away.at(at_s):
            if progress.away.back_s is None:
                break
            at_s = max(at_s, progress.away.back_s - 1.0)  # what is due just then counts
            continue
        needs.append(Need(at_s, max(wh for due_s, wh in dues if due_s == at_s)))
    return needs
