"""Whether the daemon keeps up: how much comes, and how late."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence

from surpluscharge.control import news
from surpluscharge.daemon.mqtt import Link
from surpluscharge.daemon.ports import Patience

LOOK_EVERY_S = 0.25  # real seconds


async def watch(
    telling: Sequence[Link], readings: Link, patience: Patience, on_news: Callable[[news.Strained], None]
) -> None:
    """Watch the connections by which it is told something, that of the readings, and itself, until cancelled.

    A broker that says nothing at all is not late but, if that goes on, lost: no cooldown need follow from it.
    """
    asking = [*telling, readings]
    told = False, False, False
    late_since_s: float | None = None
    while True:
        due_s = time.monotonic() + LOOK_EVERY_S
        await asyncio.sleep(LOOK_EVERY_S)
        now_s = time.monotonic()
        heard_s = max(link.heard_s for link in asking)
        lag_s = max(now_s - due_s, *(link.late_s(heard_s) for link in asking))
        # A hang that is over is only as long as this moment.
        late_since_s = None if lag_s < patience.late_s else now_s if late_since_s is None else late_since_s
        late = late_since_s is not None and now_s >= late_since_s + patience.late_for_s
        strain = any(link.flooded for link in telling), readings.flooded, late
        if strain != told:
            told = strain
            on_news(news.Strained(*strain))
