"""What the service reaches the world by, and what others may hand it instead: a played broker, a disk that is slow.

The defaults are the real ones. There is a protocol only where something else than the real one is handed in that shares
nothing with it.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import NamedTuple, Protocol

import structlog

from surpluscharge.clock import Clock
from surpluscharge.control.controller import Kept
from surpluscharge.control.news import News
from surpluscharge.daemon import store
from surpluscharge.daemon.historian import Historian
from surpluscharge.daemon.mqtt import Link


class Store(Protocol):
    """Keeps what outlives the process, as the module ``store`` does; errors as there."""

    def alone(self, path: Path) -> AbstractContextManager[None]: ...
    def load(self, path: Path, clock: Clock) -> Kept | None: ...
    def save(self, path: Path, kept: Kept, clock: Clock) -> None: ...


class Patience(NamedTuple):
    """How long what happens in the background may take, in real seconds."""

    save_pause_s: float = 1.0  # between two writes
    slow_disk_s: float = 5.0  # one that takes longer to write counts as failing
    late_s: float = 1.0  # being late by so much, and
    late_for_s: float = 5.0  # for so long, is more than a hiccup


class Ports(NamedTuple):
    link: Callable[..., Link] = Link
    store: Store = store
    historian: Callable[..., Historian] = Historian
    log: structlog.stdlib.BoundLogger | None = None  # none: the process's own
    told: Callable[[News], None] = lambda _: None  # looks on; called after everything that the controller is told
    patience: Patience = Patience()


REAL = Ports()
