"""Energy registers, from their topics to the ledger. Nothing of it is in memory where none is configured.

A register decides nothing about charging, so what is refused here is not the controller's business: it is counted and
logged by itself. Retained messages are refused: nobody knows when they were true, and a gap that has just ended would
seem to have brought nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import structlog

from surpluscharge.config import Config
from surpluscharge.config.models import EnergyRegister
from surpluscharge.control.signals import REJECTIONS, Refusals, Rejected, number, value_at
from surpluscharge.history.energy import MWS_PER_WH
from surpluscharge.history.ledger import ANEW, Epoch, Mark
from surpluscharge.history.registers import REASONS, Follower, Register

UNITS_MWS = {"Wh": MWS_PER_WH, "kWh": 1000 * MWS_PER_WH, "MWh": 1_000_000 * MWS_PER_WH}


class Counting:
    """Follows the registers of a configuration."""

    def __init__(self, config: Config, log: structlog.stdlib.BoundLogger) -> None:
        self._log = log
        self._refusals = Refusals()
        self._followers = {one.called: (one, Follower(_register(one))) for one in config.energy_register}
        self.names = tuple(self._followers)
        self.limit_w = max(one.limit_w for one in config.energy_register)
        self._said_ms = 0  # until when it is heeded that a register was exchanged

    def recall(self, last: Mapping[str, Mark], epochs: Iterable[Epoch]) -> None:
        """Go on from the readings that a ledger has; ``epochs``: what was changed in the house."""
        listed = list(epochs)
        for name, (one, _) in self._followers.items():
            mark = last.get(name)
            follower = Follower(_register(one), mark if mark and mark.counts == one.counts else None)
            if mark and any(epoch.begin_ms > mark.at_ms and _concerns(epoch, one) for epoch in listed):
                follower.begin_anew()
            self._followers[name] = one, follower
        self._said_ms = max((epoch.said_ms for epoch in listed), default=0)

    def heed(self, epochs: Iterable[Epoch]) -> None:
        """See whether one was said to be exchanged, while this runs."""
        listed = [epoch for epoch in epochs if epoch.said_ms > self._said_ms]
        for one, follower in self._followers.values():
            if any(_concerns(epoch, one) and epoch.begin_ms > follower.begun_ms for epoch in listed):
                follower.begin_anew()
        self._said_ms = max([self._said_ms, *(epoch.said_ms for epoch in listed)])

    def take(self, topic: str, payload: bytes, retained: bool, at_ms: int, now_s: float) -> None:
        """Take a message in, at the ledger's time; nothing in it can raise."""
        for name, (one, follower) in self._followers.items():
            if one.topic == topic:
                try:
                    if retained:
                        raise Rejected("retained")
                    value = number(value_at(payload, one.pointer))
                    if abs(value) > 1e15:
                        raise Rejected("implausible")
                    reason = follower.take(at_ms, round(value * UNITS_MWS[one.unit]))
                    meaning = REASONS[reason] if reason else ""
                except Rejected as refusal:
                    reason, meaning = refusal.reason, REJECTIONS[refusal.reason]
                if reason and (times := self._refusals.count(name, reason, now_s)):
                    self._log.warning("register_refused", name=name, reason=reason, meaning=meaning, times=times)

    def marks(self, now: bool = False) -> list[Mark]:
        """Return the readings that are to be kept."""
        return [mark for _, follower in self._followers.values() if (mark := follower.to_keep(now))]

    def refused(self, name: str) -> dict[str, int]:
        """Return how many readings of a register were refused, by reason."""
        return {reason: count for (of, reason), count in self._refusals.counts.items() if of == name}


def _register(one: EnergyRegister) -> Register:
    rolls_over = round(one.rolls_over_at * UNITS_MWS[one.unit]) if one.rolls_over_at else None
    return Register(one.called, one.counts, one.limit_w, rolls_over)


def _concerns(epoch: Epoch, one: EnergyRegister) -> bool:
    return epoch.what in ANEW["charged" if one.counts == "charged" else "grid"]
