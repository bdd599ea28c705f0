"""What switchings have taught: of the meter, of the lead and of the circuit behind the plug.

Each has a room of its own (steps.py, mains.py, draw.py); here is what they say together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from statistics import median

from surpluscharge.control.mains import Mains
from surpluscharge.control.steps import CLEAR_SHARE, LATEST_S, MOST_LAG_S, SIDE_S, STEPS_UNSEEN, Steps
from surpluscharge.control.supervisor import STEPS_TO_TEST


class Lessons:
    """Watts, amperes, monotonic seconds."""

    def __init__(self, ohms: Iterable[float] = ()) -> None:
        """``ohms``: of the circuit, as :attr:`Mains.ohms` had them."""
        self.steps = Steps()
        self.mains = Mains(ohms)
        self.learned_w: float | None = None  # the draw as its steps in grid power tell it; see control/draw.py
        self._switched_s = -math.inf
        self.quiet_until_s = -math.inf  # what the meter shows until then may be another load's doing

    def disturbed(self, share: float, now_s: float) -> None:
        """Another load on the same meter changes what it draws, by this share of the lead's draw."""
        if share > CLEAR_SHARE:
            self.quiet_until_s = now_s + (self.steps.settles_s(True) or LATEST_S) + SIDE_S
            self.steps.disturbed(now_s, self.quiet_until_s)

    def switched(self, on: bool, now_s: float, fresh: bool, charger_w: float | None, evened: bool = False) -> None:
        """The relay is switched; ``fresh``: there is a fresh grid reading; ``charger_w``: as measured until now.

        ``evened``: an inverter that holds sun back may even the step out, all of it or a part.
        """
        self.steps.switched(on, now_s, fresh, charger_w, evened)
        self.mains.switched(now_s)
        self._switched_s = now_s

    def settled(self, on: bool, now_s: float) -> bool:
        """Say whether the meter has followed the last switching, which was to on (off)."""
        settles_s = self.steps.settles_s(on)
        return now_s >= self._switched_s + (LATEST_S if settles_s is None else settles_s)

    def acknowledged(self, code: str) -> None:
        """Somebody has seen this fault. Whoever acknowledges it has mended it; if not, it will show again."""
        if code == "circuit-resistance":
            self.mains.forget()
        elif code == "meter-sign":
            self.steps.contrary, self.steps.proven = 0, False
        elif code == "lead-high":
            self.steps.high_w = ()

    def changed(self, meter: bool, circuit: bool) -> None:
        """Meter or plug, or the circuit behind the plug, is another one than until now."""
        if meter:
            self.steps.forget()
        if circuit:
            self.mains.forget()

    @property
    def high_w(self) -> float:
        """What the lead seems to draw by steps far above what it should; 0: it does not."""
        return median(self.steps.high_w) if self.steps.high_w else 0.0

    @property
    def high_believed(self) -> bool:
        """Whether more than one step has shown it: a single one may have been a kettle."""
        return len(self.steps.high_w) >= STEPS_TO_TEST

    @property
    def late(self) -> bool:
        """Whether the meter shows the switchings too late to judge by, or not at all."""
        return (self.steps.lag_s or 0.0) > MOST_LAG_S or self.steps.unseen >= STEPS_UNSEEN
