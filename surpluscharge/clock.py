"""Time, as a thing that is handed in, so that the demo can run a day in two minutes.

Everything in the package that waits or asks for the time does it through one of these clocks. Seconds are always
*house* seconds; only a clock knows how many real seconds they take.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
import uuid
from datetime import UTC, datetime, timedelta, tzinfo
from datetime import time as time_of_day
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

SLEPT_AT_ONCE_S = 0.1  # real seconds, where the speed of time may change


class Clock(Protocol):
    """What the shell needs to know about time."""

    def now(self) -> float:
        """Return monotonic seconds; never goes back, and counts time spent suspended."""

    @property
    def origin(self) -> str:
        """Name what now() counts from: times of two processes compare only where it is the same."""

    def wall(self) -> datetime:
        """Return the local wall time, aware of its zone: for people, tariffs and what is kept across restarts."""

    def real_s(self, seconds: float) -> float:
        """Return how many real seconds the given house seconds take, for asyncio's timeouts."""

    async def sleep(self, seconds: float) -> None:
        """Sleep for the given house seconds."""


async def wait_until_set(event: asyncio.Event, clock: Clock, seconds: float) -> None:
    """Wait for the event, but no longer than the given house seconds.

    Not asyncio.wait_for: before Python 3.12 that can swallow a cancellation that comes as the event does, and then a
    task that was told to end goes on for ever.
    """
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(max(0.0, clock.real_s(seconds))):
            await event.wait()


async def give_way() -> None:
    """Let a command that is due get to its socket first: one turn of the loop to see it, and one to write it."""
    await asyncio.sleep(0)
    await asyncio.sleep(0)


def zone(name: str | None) -> tzinfo | None:
    """Return the named IANA zone, or the machine's own (None: it cannot be told). Raises ``ZoneInfoNotFoundError``.

    The machine's own is read as a whole, with its rules: an offset alone would be wrong after the next clock change.
    """
    if name:
        return ZoneInfo(name)
    own = os.environ.get("TZ", "").lstrip(":") or "/etc/localtime"
    try:
        if not own.startswith("/"):
            return ZoneInfo(own)
        with Path(own).open("rb") as file:
            return ZoneInfo.from_file(file, key="localtime")
    except (OSError, ValueError, KeyError):  # TZ may also hold a rule of its own, which only the C library reads
        return None


def day_number(wall: datetime, begins: time_of_day) -> int:
    """Return the number of the local day, where days begin at the given local time."""
    return wall.toordinal() - ((wall.hour, wall.minute) < (begins.hour, begins.minute))


def until_next_day_s(wall: datetime, begins: time_of_day) -> float:
    """Return the seconds until :func:`day_number` next grows, on days of 23 and 25 hours too; to the minute."""
    here = wall.astimezone(UTC)
    whole = here.replace(second=0, microsecond=0)
    for minutes in range(1, 50 * 60):
        then = whole + timedelta(minutes=minutes)
        if day_number(then.astimezone(wall.tzinfo), begins) > day_number(wall, begins):
            return (then - here).total_seconds()
    return 0.0


class SystemClock:
    """The machine's own clock.

    CLOCK_BOOTTIME rather than CLOCK_MONOTONIC: a relay stays on while the computer is suspended, so suspended time
    must count. It also survives a restart of the daemon, which lets timers go on without trusting the wall clock.
    """

    def __init__(self, tz: tzinfo | None = None) -> None:
        self._tz = tz

    def now(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    @property
    def origin(self) -> str:
        try:
            return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        except OSError:
            return uuid.uuid4().hex  # unknown: like no other

    def wall(self) -> datetime:
        return datetime.now(self._tz).astimezone(self._tz)

    def real_s(self, seconds: float) -> float:
        return seconds

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class ScaledClock:
    """A clock that starts at a given wall time and runs ``speed`` times as fast as the real one."""

    def __init__(self, start: datetime, speed: float) -> None:
        if start.tzinfo is None:
            raise ValueError("start needs a time zone")
        if not speed > 0:
            raise ValueError(f"speed must be above 0, not {speed}")
        self._start = start
        self.speed = speed
        self._gone_s = 0.0
        self._origin = time.monotonic()

    def run_at(self, speed: float) -> None:
        """Run at another speed from now on. Whoever waits within real seconds already does so as it was before."""
        self._gone_s, self._origin, self.speed = self.now(), time.monotonic(), speed

    def now(self) -> float:
        return self._gone_s + (time.monotonic() - self._origin) * self.speed

    @property
    def origin(self) -> str:
        return f"scaled-{id(self)}"

    def wall(self) -> datetime:
        then = self._start.astimezone(UTC) + timedelta(seconds=self.now())
        return then.astimezone(self._start.tzinfo)

    def real_s(self, seconds: float) -> float:
        return seconds / self.speed

    async def sleep(self, seconds: float) -> None:
        until_s = self.now() + seconds
        # Bit by bit: the speed may change meanwhile.
        while (real_s := (until_s - self.now()) / self.speed) > SLEPT_AT_ONCE_S:  # noqa: ASYNC110 (time is no event)
            await asyncio.sleep(SLEPT_AT_ONCE_S)
        await asyncio.sleep(max(0.0, real_s))
