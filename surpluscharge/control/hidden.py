"""Sun that the meter cannot show: where export is limited, and the inverter holds back what would be beyond.

The meter then stands at the limit, at nought where nothing may be exported, and nothing ever starts. But an export that
*stands* at the limit means that more may be there, and a charge that is begun shows at once whether it is: the inverter
follows, within seconds to a minute, and no more is imported than the stop threshold allows. So it is tried now and
then, in daylight, so many times a day, and with so much bought energy a day.

A trial is an ordinary start, under every rule and every minimum time of the socket, with a standing export in place of
the start threshold. It has *carried* once the import has not been above the stop threshold for a while: from then on
it is a charge like any other, ended by the rule that ends any other. Else the same rule ends it, after the shortest
charge. What was bought until then counts against the day's allowance, and none is begun that could buy more than is
left of that.

What is learned is of two kinds. The weather: after one that failed the next waits, longer each time; after one that
carried it follows as soon as the export stands again. And the roof: how high the sun has to stand before noon, and
after it, so that hour and season both are in it. What carried once carries with a higher sun, and what failed fails
with a lower one; where trials would rather fail, by those of late, none is made but one a day, past noon: so nothing is
given up for good.

Pure: no clock, no I/O. Watts, watt-hours, monotonic seconds; the sun's height is the sine of its elevation.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from surpluscharge.control import sun

STANDS_W, STANDS_SHARE = 60.0, 0.05  # so near to the limit, or by such a share of it, an export stands at it
STANDS_S = 300.0  # and has to for so long; after a trial that carried only
STANDS_AGAIN_S, AGAIN_S = 60.0, 7200.0  # for so long, if that was not longer ago
BLIP_S = 90.0  # so long it may be elsewhere: a kettle goes on, and the inverter follows; one that has gone is back
DAYLIGHT = math.sin(math.radians(10.0))  # below, no roof yields what a lead draws
FAILED_S, FAILED_MOST_S = 1800.0, 7200.0  # after a trial that failed the next waits so long, doubled each time
JUDGED_S, CARRIES_S = 120.0, 60.0  # car, inverter and meter have followed by then; it carries once it has for so long
SLACK_S = 60.0  # what it takes to switch, and until it is seen
LIKE_HEIGHT = 0.1  # what carried so far above says nothing of a sun as low as this, nor what failed so far below
OTHER_SIDE = 0.5  # and so much less does one before noon say of one after it: roofs face some way
HALF_S = 4 * 86400.0  # in so long half of what was learned is forgotten: a grey week, leaves, snow
CARRIED = 2.0  # one that carried says more than one that failed: what the roof can do, whatever the sky was since
LEAST_ODDS = 0.3  # where it is less likely to carry, none is made
MOST_OUTCOMES = 48
SAME_S = 3 * 3600.0  # one more of the same kind within so long is the same weather, and counts no more than the last
OVER_SHARE, OVER_W = 0.15, 150.0  # of the draw: an export beyond the limit by more is not one of that limit
SKY_S = 60.0  # the sun's height is looked up so often


class ExportLimit(NamedTuple):
    """What the owner says of it. Degrees north and east of the equator and of Greenwich."""

    limit_w: float
    trials_per_day: int
    bought_wh_per_day: float
    latitude_deg: float
    longitude_deg: float

    @property
    def slack_w(self) -> float:
        """How far from the limit an export that stands at it may be."""
        return max(STANDS_W, STANDS_SHARE * self.limit_w)


class Outcome(NamedTuple):
    """What came of a trial."""

    at_s: float
    height: float
    rising: bool
    carried: bool


class Tried(NamedTuple):
    """What is remembered of trials, across restarts as well."""

    day: int = 0  # of the calendar, that the next four are of
    trials: int = 0
    bought_wh: float = 0.0
    failed: int = 0  # in a row
    failed_s: float = 0.0  # when the last of them ended, if there was one
    outcomes: tuple[Outcome, ...] = ()  # the newest last


class Wait(NamedTuple):
    """Why none is made now, and until when: infinite where that is not known."""

    why: str  # "night", "trials", "bought", "odds", "failed", "stands"
    until_s: float = math.inf


def odds(outcomes: tuple[Outcome, ...], height: float, rising: bool, now_s: float) -> float:
    """Return how likely a trial carries with the sun at this height: half where nothing is known of it."""
    carried = failed = 1.0
    for one in outcomes:
        beyond = one.height - height if one.carried else height - one.height
        weight = max(0.0, 1.0 - max(0.0, beyond) / LIKE_HEIGHT) * 0.5 ** ((now_s - one.at_s) / HALF_S)
        weight *= 1.0 if one.rising is rising else OTHER_SIDE
        carried, failed = carried + CARRIED * weight * one.carried, failed + weight * (not one.carried)
    return carried / (carried + failed)


def worst_wh(draw_w: float, min_on_s: float, stop_delay_s: float) -> float:
    """Return what a trial may buy that finds nothing, in watt-hours."""
    return draw_w * (max(min_on_s, JUDGED_S) + stop_delay_s + SLACK_S) / 3600.0


class HiddenSun:
    """Watches where the export stands, allows trials, and learns from them."""

    def __init__(self, limit: ExportLimit, tried: Tried = Tried()) -> None:  # noqa: B008  (immutable)
        self.limit, self.tried = limit, tried
        self.charging = False  # the charge that runs was begun as a trial
        self.began_s: float | None = None  # and when, while nobody knows yet what comes of it
        self.height, self.rising = -1.0, False
        self._sky_s = -math.inf
        self._since_s: float | None = None  # since when the export stands at the limit
        self._left_s: float | None = None  # when it left it
        self.beyond = False  # it is more than the inverter is said to let out

    # --- what is asked ------------------------------------------------------------------------------------------------

    @property
    def stands(self) -> bool:
        """Whether the export stands at the limit: then more may be there."""
        return self._since_s is not None and self._left_s is None

    def at_limit(self, export_w: float) -> bool:
        """Say whether that is an export that something may hold back, or nearly."""
        return export_w >= self.limit.limit_w - self.limit.slack_w

    def waits(self, now_s: float, worst_wh: float) -> Wait | None:
        """Return why no trial is made though the export stands; None: one may be. ``worst_wh``: what it may buy."""
        tried, limit = self.tried, self.limit
        if self.height < DAYLIGHT:
            return Wait("night")
        if tried.trials >= limit.trials_per_day:
            return Wait("trials")
        if tried.bought_wh + worst_wh > limit.bought_wh_per_day:
            return Wait("bought")
        first_past_noon = not tried.trials and not self.rising
        if odds(tried.outcomes, self.height, self.rising, now_s) < LEAST_ODDS and not first_past_noon:
            return Wait("odds")
        pause_s = min(FAILED_S * 2.0 ** (tried.failed - 1), FAILED_MOST_S) if tried.failed else 0.0
        if tried.failed and now_s < tried.failed_s + pause_s:
            return Wait("failed", tried.failed_s + pause_s)
        if self._since_s is None or self._left_s is not None:
            return Wait("stands")
        last = tried.outcomes[-1] if tried.outcomes else None
        again = last is not None and last.carried and not tried.failed and now_s < last.at_s + AGAIN_S
        stands_s = self._since_s + (STANDS_AGAIN_S if again else STANDS_S)
        return Wait("stands", stands_s) if now_s < stands_s else None

    # --- what is told -------------------------------------------------------------------------------------------------

    def look(self, now_s: float, today: int, utc_s: float) -> None:
        """Time has passed: the sun moves, and a new day brings new trials."""
        if today != self.tried.day:
            self.tried = Tried(day=today, outcomes=self.tried.outcomes)
        if now_s >= self._sky_s + SKY_S or now_s < self._sky_s:
            place = self.limit.latitude_deg, self.limit.longitude_deg
            self.height, self._sky_s = sun.height(utc_s, *place), now_s
            self.rising = sun.height(utc_s + SKY_S, *place) > self.height

    def reading(self, now_s: float, grid_w: float, rests: bool, draw_w: float) -> None:
        """A reading came. ``rests``: there is no battery in the house, or it neither takes nor gives anything."""
        beyond_w = -grid_w - self.limit.limit_w
        if rests and abs(beyond_w) <= self.limit.slack_w:
            gone = self._left_s is not None and now_s > self._left_s + BLIP_S
            self._since_s = now_s if self._since_s is None or gone else self._since_s
            self._left_s = None
        elif self._left_s is None:
            self._left_s = now_s
        self.beyond = beyond_w > max(OVER_W, OVER_SHARE * draw_w)

    def begins(self, now_s: float) -> None:
        """A charge begins as a trial."""
        self.charging, self.began_s = True, now_s
        self.tried = self.tried._replace(trials=self.tried.trials + 1)

    def buys(self, wh: float) -> None:
        """So much was bought, or came from the house's battery, in the charge that runs."""
        if self.began_s is not None:
            self.tried = self.tried._replace(bought_wh=self.tried.bought_wh + wh)

    @property
    def carries_at_s(self) -> float:
        """When it may first show that the hidden sun carries it."""
        return math.inf if self.began_s is None else self.began_s + JUDGED_S

    def judged(self, now_s: float, carried: bool) -> None:
        """It has shown."""
        self.began_s = None
        tried, one = self.tried, Outcome(now_s, self.height, self.rising, carried)
        before = tried.outcomes
        last = before[-1] if before else None
        alike = last is not None and last.carried is carried and last.rising is one.rising
        if last and alike and now_s < last.at_s + SAME_S and abs(last.height - one.height) < LIKE_HEIGHT:
            before = before[:-1]
        failed = 0 if carried else tried.failed + 1
        self.tried = tried._replace(
            failed=failed, failed_s=now_s if failed else 0.0, outcomes=(*before, one)[-MOST_OUTCOMES:]
        )

    def ends(self) -> None:
        """The charge is over, or goes on by plan. What had not shown by then teaches nothing."""
        self.charging, self.began_s = False, None
