"""What the daemon says of itself: that it is there, how it stands, and what came of its commands.

Availability has the values of ``$state`` in the open Homie convention (ready, disconnected, lost): they tell a stop in
good order from a death, which "there or not" does not. The word is the trade's (IEC 60050-192, from memory).
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence

from aiomqtt import MqttError

from surpluscharge.clock import Clock, give_way, wait_until_set
from surpluscharge.daemon import systemd
from surpluscharge.daemon.commands import Command
from surpluscharge.daemon.homie import Homie
from surpluscharge.daemon.mqtt import Link, Post
from surpluscharge.daemon.saving import Saving
from surpluscharge.daemon.status import StatusDocument


def availability(own_topic: str, word: str) -> Post:
    return Post(f"{own_topic}/availability", word, retain=True)


class Voice:
    """Says by ``link`` what is new, and nothing that a crash would unsay (invariant 12)."""

    def __init__(
        self,
        own_topic: str,
        commands: Sequence[Command],
        link: Link,
        homie: Homie | None,
        saving: Saving,
        listeners: Sequence[Callable[[StatusDocument], None]] = (),
    ) -> None:
        self._own_topic, self._link, self._homie, self._saving = own_topic, link, homie, saving
        self._listeners = listeners
        self._answered = [command for command in commands if command.answer]
        self._news = asyncio.Event()
        self.begin_anew()

    def begin_anew(self) -> None:
        """Say all of it: whatever was published may be gone with the broker, or overwritten."""
        self.unanswered = set(self._answered)  # whose answers are due
        self._announced = False
        self._news.set()

    def news(self) -> None:
        """Something is new."""
        self._news.set()

    def answer(self, command: Command) -> None:
        """Something was commanded. Each is answered, also one that changes nothing."""
        if command.answer:
            self.unanswered.add(command)
            self._news.set()

    def saved(self) -> None:
        """Something is on the disk that an answer may have waited for."""
        if self.unanswered:
            self._news.set()

    async def run(self, document: Callable[[], StatusDocument], clock: Clock, heartbeat_s: Callable[[], float]) -> None:
        """Say what is new, and the status at each heartbeat, until cancelled."""
        while True:
            self._news.clear()
            if not self._announced and self._link.up:
                self._announced = True
                with contextlib.suppress(MqttError):
                    await self._link.publish(availability(self._own_topic, "ready"))
            await self._saving.promise_kept_or_failing()
            await self.say(document())
            await wait_until_set(self._news, clock, heartbeat_s())
            await give_way()

    async def say(self, document: StatusDocument) -> None:
        systemd.notify(f"STATUS={document.state}: {document.why}")
        if self._homie:
            self._homie.show(document)
        for listener in self._listeners:
            listener(document)
        due: set[Command] = set()
        if self._saving.promise_kept:
            due, self.unanswered = self.unanswered, due
        with contextlib.suppress(MqttError):
            for command in self._answered:
                if command in due and command.answer:
                    topic = f"{self._own_topic}/{command.name}"
                    await self._link.publish(Post(topic, command.answer(document), retain=True))
            status = Post(f"{self._own_topic}/status", document.model_dump_json(), qos=0, retain=True)
            await self._link.publish(status)
