"""ONE table of faults: what qualifies each, what it does, and how it clears.

A fault is *qualified* when its evidence has held without a break for ``after_s``. From then on it counts with its
severity, until the evidence is gone and ``cooldown_s`` has passed since the fault was qualified. The verdict handed
to the machine is the severest of all that count.
"""

from __future__ import annotations

from typing import NamedTuple

from surpluscharge.control.machine import CLEAR, HOLD, TRIP

NOTE = CLEAR  # the owner is told; the machine goes on


class Fault(NamedTuple):
    """One row: seconds for times; sentence and remedy as the owner reads them."""

    code: str
    severity: int
    after_s: float
    cooldown_s: float
    sentence: str
    remedy: str


FAULTS = (
    Fault(
        "broker-lost",
        TRIP,
        after_s=0.0,
        cooldown_s=0.0,
        sentence="The relay's connection to the broker is lost; the broker switches the relay off in our name.",
        remedy="Nothing, if it comes back by itself. Otherwise see whether the broker runs and can be reached.",
    ),
    Fault(
        "relay-not-on",
        TRIP,
        after_s=30.0,
        cooldown_s=600.0,
        sentence="The relay was told to switch on, but does not report that it did.",
        remedy="See whether the plug is powered and connected, and whether its report topic and values are right.",
    ),
    Fault(
        "relay-not-off",
        HOLD,
        after_s=30.0,
        cooldown_s=0.0,
        sentence="The relay was told to switch off, but has not confirmed it. It is being told again and again.",
        remedy="Go and look. If the car is charging, switch the socket off by hand at the fuse board.",
    ),
    Fault(
        "meter-silent",
        NOTE,
        after_s=15.0,
        cooldown_s=0.0,
        sentence="There is no fresh reading from the meter.",
        remedy="See whether the meter publishes, and whether its topic and pointer are right.",
    ),
)
FAULT_BY_CODE = {fault.code: fault for fault in FAULTS}


class Active(NamedTuple):
    fault: Fault
    since_s: float


class Supervisor:
    """Weighs evidence over time. ``judge`` is told at each call which evidence is there now."""

    def __init__(self) -> None:
        self._evident_since_s: dict[str, float] = {}
        self._active: dict[str, Active] = {}

    @property
    def active(self) -> tuple[Active, ...]:
        """The faults that count now, in the table's order."""
        return tuple(self._active[fault.code] for fault in FAULTS if fault.code in self._active)

    def judge(self, evidence: frozenset[str], now_s: float) -> int:
        """Return CLEAR, HOLD or TRIP. ``evidence`` holds the codes of the faults whose evidence is there."""
        for fault in FAULTS:
            code = fault.code
            if code in evidence:
                since_s = self._evident_since_s.setdefault(code, now_s)
                if code not in self._active and now_s >= since_s + fault.after_s:
                    self._active[code] = Active(fault, now_s)
            else:
                self._evident_since_s.pop(code, None)
                if code in self._active and now_s >= self._active[code].since_s + fault.cooldown_s:
                    del self._active[code]
        return max((active.fault.severity for active in self._active.values()), default=CLEAR)

    def next_deadline(self, now_s: float) -> float:
        """Return when a verdict may next change by time alone; infinity: not before new evidence."""
        times = [
            since_s + FAULT_BY_CODE[code].after_s
            for code, since_s in self._evident_since_s.items()
            if code not in self._active
        ] + [
            active.since_s + active.fault.cooldown_s
            for code, active in self._active.items()
            if code not in self._evident_since_s
        ]
        return min((time_s for time_s in times if time_s > now_s), default=float("inf"))
