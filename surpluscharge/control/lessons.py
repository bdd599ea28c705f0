"""What switchings have taught: of the meter, of the lead and of the circuit behind the plug.

Each has a room of its own (steps.py, mains.py, draw.py); here is what they say together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from statistics import median

from surpluscharge.control.joint import HIGH_OHM, HOLD, HOLD_W, LATCH, LATCH_W, NOTE, NOTHING, Evidence, Finding, Joint
from surpluscharge.control.joint import Kept as KeptJoint
from surpluscharge.control.mains import Mains
from surpluscharge.control.steps import CLEAR_SHARE, LATEST_S, MOST_LAG_S, SIDE_S, STEPS_UNSEEN, Steps
from surpluscharge.control.supervisor import STEPS_TO_TEST


class Lessons:
    """Watts, amperes, monotonic seconds."""

    def __init__(self, ohms: Iterable[float] = (), joint: KeptJoint | None = None) -> None:
        """``ohms``: of the circuit, as :attr:`Mains.ohms` had them; ``joint``: what was known of the joints."""
        self.joint = Joint(joint) if joint else None  # None: nothing has been shown of them yet
        self._grown: tuple[float, tuple[Finding, ...]] | None = None  # at so many amperes; None: to be asked again
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

    def precedes_switching(self, at_s: float) -> bool:
        """Say whether a reading of then is older than the last switching, and so cannot have its step in it."""
        return at_s <= self._switched_s

    def acknowledged(self, code: str) -> None:
        """Somebody has seen this fault. Whoever acknowledges it has mended it; if not, it will show again.

        But not a joint that has got worse: what is there would be the new beginning, and never show again. That takes
        somebody who says that they have looked, or changed something.
        """
        if code in ("circuit-resistance", "joint-lossy", "joint-bad"):
            self.mains.forget()
        if code == "meter-sign":
            self.steps.contrary, self.steps.proven = 0, False
        elif code == "lead-high":
            self.steps.high_w = ()

    def changed(self, meter: bool, circuit: bool) -> None:
        """Meter or plug, or the circuit behind the plug, is another one than until now."""
        if meter:
            self.steps.forget()
        if circuit:
            self.mains.forget()
        if (meter or circuit) and self.joint:
            self.joint.begins_anew()
            self._grown = None

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

    # --- of the joints ------------------------------------------------------------------------------------------------

    def show(self, evidence: Evidence) -> None:
        """A switching, or a charge, has shown something of the joints."""
        self.joint = self.joint or Joint()
        self.joint.take(evidence)
        self._grown = None

    def looked(self) -> None:
        """Somebody has looked at plug and socket: what was found is known, what comes is held against what is now."""
        if self.joint:
            self.joint.looked()
        self._grown = None

    def grown(self, amps: float) -> tuple[Finding, ...]:
        """Return what has grown since the beginning, the gravest first, at this current of the lead."""
        if self._grown is None or self._grown[0] != amps:
            self._grown = amps, self.joint.findings(amps) if self.joint else ()
        return self._grown[1]

    def over_w(self, amps: float) -> float | None:
        """Return how much more is lost on the way than in a circuit in order, at this current; None: not known.

        As little as it may be: by the least that the resistance can be.
        """
        learned = self.mains.learned
        return None if learned is None else (learned.ohm - learned.error_ohm - HIGH_OHM) * amps**2

    def over(self, amps: float) -> int:
        """Return how grave that is: a grade of control/joint.py."""
        over_w = self.over_w(amps) or 0.0
        return LATCH if over_w >= LATCH_W else HOLD if over_w >= HOLD_W else NOTE if over_w > 0.0 else NOTHING
