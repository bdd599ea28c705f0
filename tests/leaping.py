"""An event loop in which no time is spent waiting, for tests with real sockets and long times.

Broker, daemon and devices all run in it, and nothing else does; so what is on its way between them is there at once,
and only when nothing is does time leap to where something is due. How fast or busy the machine is makes no difference.
Real time passes only in tests of a process, a signal or a broker of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import selectors
import socket
from collections.abc import Callable, Coroutine, Iterator
from datetime import datetime, timedelta
from functools import partial
from types import SimpleNamespace
from typing import Any, TypeVar
from unittest import mock

from surpluscharge.daemon.mqtt import Link
from surpluscharge.daemon.ports import Patience, Ports

T = TypeVar("T")


class Leaping(selectors.DefaultSelector):
    """Where nothing is to be read or written, and nothing on its way, the time that would be waited is over at once.

    On its way is what has been sent and not yet received; the kernel mostly hands it over while it is being sent, but
    need not on a busy machine. Of a connection that is made or closed it does not say so much: after each there is some
    real waiting. What a closed connection has swallowed is not waited for without end.
    """

    LOOK_S, LOOKS = 1e-3, 5  # how long it waits for what is on its way, and how often in a row

    def __init__(self) -> None:
        super().__init__()
        self.leapt_s = 0.0
        self._under_way = 0  # bytes
        self._looks = self.LOOKS

    def select(self, timeout: float | None = None) -> Any:
        ready = super().select(0)
        while not ready and self._looks and timeout != 0:
            self._looks -= 1
            ready = super().select(self.LOOK_S)
        if not ready:
            self._under_way = 0  # it does not come any more
            if timeout is None:
                return super().select(None)
            self.leapt_s += timeout
        return ready

    def _moved(self, byte_count: int) -> None:
        self._under_way += byte_count
        self._looks = self.LOOKS if self._under_way else 0

    @contextlib.contextmanager
    def watching(self) -> Iterator[None]:
        """Count what goes through the sockets of this process."""

        def watched(name: str, sign: int) -> Any:
            theirs = getattr(socket.socket, name)

            def ours(sock: socket.socket, *arguments: Any) -> Any:
                result = theirs(sock, *arguments)
                self._moved(sign * (result if isinstance(result, int) else len(result)))
                return result

            return mock.patch.object(socket.socket, name, ours)

        def looked_after(name: str) -> Any:
            theirs = getattr(socket.socket, name)

            def ours(sock: socket.socket, *arguments: Any) -> Any:
                self._looks = self.LOOKS
                return theirs(sock, *arguments)

            return mock.patch.object(socket.socket, name, ours)

        with contextlib.ExitStack() as patches:
            for name in ("send", "sendmsg"):
                patches.enter_context(watched(name, 1))
            for name in ("recv", "recv_into"):
                patches.enter_context(watched(name, -1))
            for name in ("connect", "connect_ex", "accept", "shutdown", "close"):
                patches.enter_context(looked_after(name))
            yield


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
        with ours, theirs, loop.leaping.watching():
            return loop.run_until_complete(coroutine)
    finally:
        loop.close()


# The broker is asked seldom how late it is: where it never is, the asking would be a third of the work.
SELDOM = Ports(link=partial(Link, ask_every_s=5.0), patience=Patience(late_s=7.5))
