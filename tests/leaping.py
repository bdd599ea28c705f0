"""An event loop in which no time is spent waiting, for tests with real sockets and long times.

Broker, daemon and devices all run in it, and nothing else does; so what is on its way between them is there at once,
and only when nothing is does time leap to where something is due. How fast or busy the machine is makes no difference.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any, TypeVar
from unittest import mock

T = TypeVar("T")


class Leaping(selectors.DefaultSelector):
    """Where nothing is to be read or written, the time that would be waited is over at once."""

    leapt_s = 0.0

    def select(self, timeout: float | None = None) -> Any:
        ready = super().select(0) or super().select(None if timeout is None else min(timeout, 2e-4))
        if not ready and timeout:
            self.leapt_s += timeout
        return ready


class Loop(asyncio.SelectorEventLoop):
    """What others do in threads is done at once."""

    def __init__(self) -> None:
        self.leaping = Leaping()
        super().__init__(self.leaping)

    def time(self) -> float:
        return self.leaping.leapt_s

    def run_in_executor(self, _: Any, function: Callable[..., Any], *arguments: Any) -> Any:  # type: ignore[override]
        done = self.create_future()
        try:
            done.set_result(function(*arguments))
        except Exception as error:
            done.set_exception(error)
        return done


class LeapingClock:
    """The running loop's time, as the package asks for it."""

    def __init__(self, start: datetime) -> None:
        self._start, self.now = start, asyncio.get_running_loop().time
        self.origin = f"leaping-{id(self)}"

    def wall(self) -> datetime:
        return self._start + timedelta(seconds=self.now())

    def real_s(self, seconds: float) -> float:
        return seconds

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


def leap(coroutine: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine in a loop of its own."""
    loop = Loop()
    try:
        ours = mock.patch("surpluscharge.daemon.mqtt.time", SimpleNamespace(monotonic=loop.time))
        theirs = mock.patch("paho.mqtt.client.time_func", loop.time)  # or the library would send no pings
        with ours, theirs:
            return loop.run_until_complete(coroutine)
    finally:
        loop.close()
