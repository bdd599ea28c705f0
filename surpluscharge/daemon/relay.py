"""Commanding the relay: say it, see that it happened, say it again.

Off is repeated without end until it is confirmed. On is repeated too; when the plug does not follow, the supervisor
trips and the wish becomes off. A wish that changes overtakes whatever is under way.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import Protocol

import structlog
from aiomqtt import MqttError
from tenacity import AsyncRetrying, retry_if_exception_type, wait_exponential_jitter

from surpluscharge.clock import Clock, wait_until_set
from surpluscharge.config import Config
from surpluscharge.daemon.mqtt import Link, Post

RETRY_MOST_S = 30.0
NEVER_S = 1e6


class Unconfirmed(Exception):  # noqa: N818
    """A command went out, or could not, and the relay is not known to have followed."""


class Brain(Protocol):
    """What the relay needs of the service."""

    def relay_sending(self, on: bool) -> None: ...
    def relay_acknowledged(self, on: bool) -> None: ...
    def relay_confirmed(self, on: bool) -> bool: ...
    def relay_may_go_on(self) -> bool: ...  # the start is on the disk


def off_post(config: Config, exchanged: bool = False) -> Post:
    """Return the off command: also the will, and what the stop action publishes.

    ``exchanged``: the two payloads are known to be the wrong way round in the configuration.
    """
    relay = config.relay
    if exchanged:  # it is tried before it is known: where it means "on" after all, it must not come late
        return Post(relay.topic, config.on_payload, max(1, relay.qos), expiry_s=relay.confirm_within_s)
    return Post(relay.topic, relay.off_payload, max(1, relay.qos))


def on_post(config: Config, exchanged: bool = False) -> Post:
    """Return the on command. Never retained, and it expires: an "on" that comes late must come to nothing."""
    relay = config.relay
    payload = relay.off_payload if exchanged else config.on_payload
    return Post(relay.topic, payload, relay.qos, expiry_s=relay.confirm_within_s)


class Relay:
    def __init__(
        self, config: Config, link: Link, brain: Brain, clock: Clock, log: structlog.stdlib.BoundLogger
    ) -> None:
        self._config = config
        self._link = link
        self._brain = brain
        self._clock = clock
        self._log = log
        self._witness = "plug" if config.relay.feedback else "broker"
        self.reasserts_on = True  # not while commissioning sees whether the plug's hold time runs out
        self.exchanged = False  # on_payload and off_payload are seen to be the wrong way round
        self._wanted = False
        self._news = asyncio.Event()
        self._serial = 0
        self._under_way: dict[int, asyncio.Task[None]] = {}  # commands that the broker has not taken yet, by number
        self._on_under_way = 0  # the number of the last of them, if that says on

    def news(self, wanted: bool) -> None:
        """Something that may matter here has changed: the wish, the connection, an acknowledgement or a report."""
        self._wanted = wanted
        self._news.set()

    def exchange(self, exchanged: bool) -> None:
        """Say off with what is configured for on, from now on or no longer; at once, where it is off that is wanted."""
        self.exchanged = exchanged
        if not self._wanted and self._link.up:
            self._log.info("relay_commanded", on=False, attempt=1, again=False)
            self._send(False)
        self._news.set()

    async def run(self) -> None:
        """Bring the relay to where it is wanted, and keep it there, until cancelled."""
        told: bool | None = None
        while True:
            on = self._wanted
            commanded_s = self._clock.now()
            await self._command(on, again=told is on)
            told = on if self._wanted is on else None
            deadline_s = self._clock.now() + (self._config.relay.reassert_s if self.reasserts_on or not on else NEVER_S)
            while self._wanted is on and self._clock.now() < deadline_s:
                now_s = self._clock.now()
                unrest_s = commanded_s + self._config.relay.confirm_within_s - now_s
                if on or self._brain.relay_confirmed(False):
                    await self._wait(deadline_s - now_s)
                elif unrest_s <= 0 or not self._link.up:
                    told = None
                    break  # somebody switched it on, or the connection is new: off, at once
                else:
                    await self._wait(unrest_s)  # but no duel at the speed of the network

    async def _command(self, on: bool, again: bool) -> None:
        retrying = AsyncRetrying(
            retry=retry_if_exception_type(Unconfirmed),
            wait=wait_exponential_jitter(
                multiplier=self._config.relay.confirm_within_s / 5, max=RETRY_MOST_S, jitter=1.0
            ),
            sleep=self._wait,
        )
        async for attempt in retrying:
            with attempt:
                if self._wanted is not on:
                    return  # overtaken
                await self._attempt(on, again, attempt.retry_state.attempt_number)

    async def _attempt(self, on: bool, again: bool, number: int) -> None:
        """Send once and wait for the confirmation. Raises Unconfirmed."""
        while self._wanted is on and not (self._link.up and (not on or self._brain.relay_may_go_on())):
            await self._wait(self._config.relay.reassert_s)  # a new connection is news, and so is a start on the disk
        started_s = self._clock.now()
        if on and self._wanted:
            self._brain.relay_sending(True)  # this lets the controller look at the clock, so the wish may change
        # Each "on" must be the last word when it arrives, so they do not queue up; an "off" does no harm late.
        queued = on and self._on_under_way == self._serial and self._serial in self._under_way
        if self._wanted is on and not queued:
            self._send(on)
            if not on:
                await asyncio.sleep(0)  # by then it is out: nothing that may be thought now would hold it back
                self._brain.relay_sending(False)
            level = self._log.debug if again and number == 1 else self._log.info
            level("relay_commanded", on=on, attempt=number, again=again)
        while self._wanted is on:
            if self._brain.relay_confirmed(on) and not self._under_way:
                if not again or number > 1:
                    took_s = round(self._clock.now() - started_s, 3)
                    self._log.info("relay_confirmed", on=on, by=self._witness, took_s=took_s)
                return
            if not self._link.up:
                raise Unconfirmed  # nobody can say what became of it: at the new connection it is said at once
            left_s = started_s + self._config.relay.confirm_within_s - self._clock.now()
            if left_s <= 0:
                self._log.warning("relay_unconfirmed", on=on, attempt=number)
                raise Unconfirmed
            await self._wait(left_s)

    def _send(self, on: bool) -> None:
        # In a task of its own: waiting for the broker's answer to "on" must never hold up an "off".
        self._serial += 1
        self._on_under_way = self._serial if on else 0
        self._under_way[self._serial] = asyncio.create_task(self._publish(on, self._serial))

    async def _publish(self, on: bool, serial: int) -> None:
        post = on_post(self._config, self.exchanged) if on else off_post(self._config, self.exchanged)
        try:
            with contextlib.suppress(MqttError):
                if on and not (self._wanted and self._brain.relay_may_go_on()):
                    return  # between the decision and this task's turn, something has forbidden it
                await self._link.publish(post)
                if serial == self._serial:  # an answer to an older command says nothing any more
                    self._brain.relay_acknowledged(on)
        finally:
            self._under_way.pop(serial, None)  # before the news of it, or that would be looked at too early
            self._news.set()

    async def _wait(self, seconds: float) -> None:
        """Sleep, but wake at news."""
        self._news.clear()
        await wait_until_set(self._news, self._clock, seconds)
