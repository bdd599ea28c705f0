"""The connection by which it agrees with others on its meter (``control/neighbours.py``): hears claims, says its own.

It is one of its own, because its will takes the claim back. What comes too fast on it is left out, as of readings: of
each claim the newest counts.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import Callable
from typing import Any

from aiomqtt import MqttError

from surpluscharge.config import Config
from surpluscharge.control import news
from surpluscharge.control.controller import Controller
from surpluscharge.control.news import News
from surpluscharge.daemon.mqtt import Link, Post


class Claims:
    def __init__(self, config: Config, log: Any, tell: Callable[[News], None], link: Callable[..., Link]) -> None:
        """``config`` has neighbours."""
        assert config.neighbours is not None and config.place is not None
        self._common = config.neighbours.topic
        self._topic, self._lasts_s = f"{self._common}/{config.charger.name}", config.place.lasts_s
        self._tell = tell
        self._due: str | None = None  # to be published; the newest counts
        self._news = asyncio.Event()
        taken_back = Post(self._topic, "", retain=True)
        self.link = link(
            "claims",
            config,
            log,
            will=taken_back,
            farewell=taken_back,
            topics=[(f"{self._common}/+", 1)],
            on_message=self._on_message,
            on_up=self._on_up,
            on_down=self._on_down,
            readings=True,
        )

    def look(self, controller: Controller) -> None:
        """Take up what the controller claims now."""
        claim = controller.take_claim()
        if claim is not None:
            self._due = claim
            self._news.set()

    async def run(self) -> None:
        """Say what is claimed, until cancelled. What cannot be said now is said anew with the next connection."""
        while True:
            await self._news.wait()
            self._news.clear()
            claim, self._due = self._due, None
            if claim is not None:
                with contextlib.suppress(MqttError):
                    await self.link.publish(Post(self._topic, claim, retain=True, expiry_s=self._lasts_s))

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        self._tell(news.Claimed(topic.removeprefix(f"{self._common}/"), payload, retained))

    def _on_up(self) -> None:
        self._due = None
        self._tell(news.ClaimsLink(secrets.token_hex(4)))

    def _on_down(self) -> None:
        self._due = None
        self._tell(news.ClaimsLink(None))
