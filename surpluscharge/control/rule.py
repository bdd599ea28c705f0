"""When a surplus is enough for a charge, and when it no longer is: one answer, for whoever asks.

What the configuration says of it, and the prices in force, make a :class:`Rule`; with the draw and the surplus of late
it gives a :class:`Band`: the two thresholds that the machine takes, and a sentence why. The controller asks with each
reading, and shows in the status what it was told; `check`, reports, replay and tuning ask the same rule. What may be
wished of a charge besides, as that it runs though there is no sun, is a band as well, the widest, and what is to charge
at no surplus is one that no reading fulfils: so the machine, its minimum times, budgets and caps stay as they are. Of
what the meter cannot show, because export is limited, no threshold can tell: there a trial stands in for the start
(hidden.py) wherever the rule finds charging worthwhile, and the rule's stop ends it.
"""

from __future__ import annotations

import math
from enum import Enum
from typing import NamedTuple

from surpluscharge.control import ahead, economics, steering
from surpluscharge.control.ahead import Memory
from surpluscharge.control.economics import Prices
from surpluscharge.control.netting import length_in_words
from surpluscharge.control.steering import Lately, Running

# Where a session holds no more, its cap binds on most sunny days, and an hour is worth more than its own surplus: one
# that is spent on little, or on waiting for more, is missing later.
SCARCE_S = 28800.0
SAME_SHARE = 0.01  # bands as near as that count as the same


class Way(Enum):
    """How the thresholds come about."""

    FIXED = "fixed"  # two numbers
    PRICES = "prices"  # they follow the prices: "auto"
    AHEAD = "ahead"  # and what the surplus has been of late
    SPARING = "sparing"  # that alone, so that a house's battery gives little
    HAND = "hand"  # a person switches, whatever the sun does

    @property
    def follows_prices(self) -> bool:
        """Whether prices decide, where they are known."""
        return self in (Way.PRICES, Way.AHEAD)


class Band(NamedTuple):
    """A charge starts where export has reached ``start_export_w``, and ends where import exceeds ``stop_import_w``.

    Watts. Between the two, all stays as it is.
    """

    start_export_w: float
    stop_import_w: float

    @property
    def start_w(self) -> float | None:
        """The export that starts a charge; None: none does."""
        return self.start_export_w if math.isfinite(self.start_export_w) else None

    @property
    def stop_w(self) -> float | None:
        """The import that ends a charge; None: it ends whatever is imported."""
        return self.stop_import_w if math.isfinite(self.stop_import_w) else None

    def within(self, other: Band) -> Band:
        """Return the stricter of both: no start below either's export, and no import above either's."""
        start_w = max(self.start_export_w, other.start_export_w)
        return Band(start_w, min(self.stop_import_w, other.stop_import_w))

    @property
    def shown(self) -> tuple[float | None, float | None]:
        """Both, for people."""
        return self.start_w, self.stop_w


OPEN = Band(-math.inf, math.inf)  # any reading will do


class Rule(NamedTuple):
    """What decides, apart from draw and surplus. ``fixed`` holds where prices decide and none are known."""

    way: Way
    fixed: Band
    min_on_s: float
    min_off_s: float
    prices: Prices | None = None  # in force now
    within: Band = OPEN  # no start below its export, and no import above its own, whatever prices say
    sun_share: float = 0.0  # where it looks ahead instead: so much of the draw, on average, the sun is to give
    cap_s: float = math.inf  # the most that a session may charge
    planned: bool = False  # what a kWh is worth is what another hour costs by a plan

    @property
    def looks_ahead(self) -> bool:
        """Whether what the surplus has been of late decides."""
        return self.way is Way.SPARING or (self.way is Way.AHEAD and self.prices is not None)

    @property
    def pace(self) -> float:
        """How long its times are, in looking ahead, beside what is usual there."""
        return ahead.SPARING if self.sun_share > 0.0 else 1.0

    def pays_from_w(self, draw_w: float) -> float:
        """Return the surplus from which on charging pays; infinite: at these prices none does, or there are none.

        To spare a battery, that is what the sun is to give.
        """
        if self.way is Way.SPARING:
            return self.sun_share * draw_w
        least_w = self.sun_share * draw_w if self.looks_ahead else 0.0
        return math.inf if self.prices is None else max(least_w, economics.break_even(draw_w, self.prices).surplus_w)

    def worthwhile(self, draw_w: float) -> bool:
        """Say whether at these prices any surplus is worth charging with; where they do not decide, all is."""
        decide = self.way.follows_prices and self.prices is not None
        return not decide or math.isfinite(self.pays_from_w(draw_w))

    def band(self, draw_w: float, memory: Memory | None = None) -> Band:
        """Return what holds now. ``memory``: of the surplus; without one, all that is known are the prices."""
        if self.way is Way.HAND:
            return OPEN
        if self.looks_ahead and memory is not None and memory.at_s > -math.inf:
            foreseen = ahead.thresholds(memory, draw_w, self.pays_from_w(draw_w), self.min_on_s, self.min_off_s)
            return Band(*foreseen).within(self.rationed(draw_w))
        if self.prices is None or not self.way.follows_prices:
            return self.fixed
        band = economics.thresholds(draw_w, self.prices, self.min_on_s, self.min_off_s, self.planned)
        return Band(*band).within(self.within)

    def rationed(self, draw_w: float) -> Band:
        """Return what looking ahead is held to where a session's hours are scarce: the stricter of both counts."""
        if self.prices is None or self.cap_s >= SCARCE_S or self.sun_share > 0.0:
            return OPEN
        return Band(*economics.thresholds(draw_w, self.prices, self.min_on_s, self.min_off_s, self.planned))

    @property
    def steers(self) -> bool:
        """Whether, where the bill nets, the energy of an interval decides, and not the power of a moment."""
        return self.way.follows_prices and self.prices is not None

    def steered(self, draw_w: float, running: Running, lately: Lately, on: bool, now_s: float) -> Band:
        """Return what holds from a reading until the next, where the bill nets: thresholds that any reading fulfils,
        or none.
        """
        worth, cost = self.stakes
        decided = steering.decided(running, lately, draw_w, worth, cost, self.min_on_s, on, now_s)
        start_w = -math.inf if decided == steering.START else math.inf
        return Band(start_w, -math.inf if decided == steering.STOP else math.inf)

    @property
    def stakes(self) -> tuple[float, float]:
        """What a kilowatt-hour brings that would be sold else, and what one loses that is bought for it."""
        if self.prices is None:
            return 0.0, 0.0
        bought, sold, otherwise = map(float, self.prices)
        return otherwise - sold, bought - otherwise

    def credit(self, draw_w: float, running: Running, lately: Lately, now_s: float) -> str | None:
        """Return how much of the interval's credit is left, as far as it is known and expected, in a sentence."""
        if lately.at_s < now_s - steering.FORGETS_S:
            return None
        left_wh = steering.left(running, lately, draw_w, now_s)[1] * draw_w / 3600.0
        whole_wh = max(left_wh + running.charged_wh, 0.0)
        this = length_in_words(running.end_s - running.begin_s)
        if whole_wh < 5.0:
            return f"This {this} is not expected to export anything that the car could take."
        return f"{max(left_wh, 0.0) / 1000:.2f} of {whole_wh / 1000:.2f} kWh of this {this} are left."

    def measure(self, draw_w: float) -> tuple[float, ...]:
        """Return what a change of prices or draw is judged by; see :func:`alike`."""
        return (self.pays_from_w(draw_w),) if self.looks_ahead else self.band(draw_w)

    def outlook(self, draw_w: float, memory: Memory, now_s: float, on: bool) -> str | None:
        """Return what is expected of the surplus, and what that means, in a sentence; None: nothing looks ahead."""
        if not self.looks_ahead or memory.at_s < now_s - ahead.FORGETS_S:
            return None
        pays_w = self.pays_from_w(draw_w)
        spares, rationed = self.sun_share > 0.0, self.rationed(draw_w)
        return ahead.why(memory, draw_w, pays_w, self.min_on_s, self.min_off_s, on, spares, rationed)


def alike(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """Say whether two measures come to nearly the same: no reason for other thresholds, and a line of log."""
    return len(one) == len(other) and all(
        math.isclose(a, b, rel_tol=SAME_SHARE) for a, b in zip(one, other, strict=True)
    )
