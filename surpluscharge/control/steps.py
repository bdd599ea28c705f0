"""What the relay's own switchings teach: the meter's sign and lag, whether the lead draws, and whether far too much.

Each switching should move grid power by the lead's draw. When it shows is not known beforehand: plug, car and meter all
take their time, and some meters are late by tens of seconds. So the readings around a switching are kept, and the step
is looked for: the place where grid power jumps, by about the draw, and stays there for a while. Two such places (the
lead, and a kettle or a cloud) say nothing for certain, and nothing is taken from them.

One switching proves nothing, whatever it shows: what is learned here is counted, and the fault table says how much of
it is enough.

Where export is limited, an inverter that holds sun back follows a switching, and evens the step out, a part of it or
all. What is left of it says nothing of draw or lag, and that nothing is left says nothing at all. What goes the wrong
way then is a kettle more often than the lead; so it is held against the sign only if it goes where a right one cannot
show the meter: to more export than the inverter lets out, or back from there.

It is looked for and not waited for: whoever looks at one reading twenty seconds after a switching sees nothing of a
later meter, and a wrong sign then buys all night. The learned draw and the look-ahead wait for the same lag.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import fmean, median
from typing import NamedTuple

SIDE_S = 15.0  # of readings on each side of a step: it has to stay so long; of slow meters, two readings
FAR_S = 60.0  # but none that is so far from the step
SETTLES_S = 20.0  # a switching is given so long at least, however quick everything was until now,
SLACK_S = 10.0  # and so much more than most of the others took
MOST_LAG_S = 60.0  # a meter that is later than that is too late to judge by
LATEST_S = 90.0  # a step is looked for so long while the lag is not known: the meter's, and that of a slow car
LEAST_LAGS, MOST_LAGS = 3, 9  # so many switchings tell the lag; the newest count
USUAL_SHARE = 0.8  # of them are not later than what is waited for
STEP_SHARE = 0.6  # of the draw: what moves by less is not the lead
ABOUT_SHARES = 0.7, 1.3  # of the draw: what moves by so much may be the lead; beyond that it is something else
EARLIER_S = 45.0, 20.0  # from so long until so long before a step: what is back at that level after it,
BACK_SHARE = 0.5  # nearer than this share of the step, has only come back
CLEAR_SHARE = 0.1  # of the draw: how far readings may stray on either side of a step that is clear
HIGH_SHARE = 1.25  # of the draw: the voltage (EN 50160: 10 %) and the meter do not explain a step above it
FORGETS_AFTER = 2  # switchings that are not clear, and a single high step is forgotten
STILL_SHARE = 0.3  # of the draw: where nothing moves by so much, the lead did not begin; a part of it would show
FREE_SHARE = 0.4  # of the draw: nearer to nought a battery may hold the meter that nobody told of
STILL_READINGS = 6  # in LATEST_S at least: between a slower meter's readings one thing may begin and another end
STILLS = 12  # beginnings in a row that did not show, and it is no longer held for certain that they would
STEPS_UNSEEN = 6  # in a row (the car may have been full at some), and what steps have taught has no ground any more
ALIKE_SHARE = 0.15  # steps that differ by no more are taken for the same thing
EVERY_S = 0.5  # a quicker meter's readings are thinned out
LOOKS_S = 1.0  # and while the relay is on, no more is looked at than one a second
MOST_RISEN, RISEN_S = 16, 7200.0  # so many things that went on are remembered, for so long: an oven, a heat pump
# Switchings in a row that others' may have kept from teaching: their word must not end the sign's watch.
MOST_SPOILT = 8
LEVEL_SHARE = 0.15  # of the draw: so near to nought, a battery holds the meter there, whatever is switched


class Jump(NamedTuple):
    """A place where grid power goes from one level to another."""

    at_s: float  # of the first reading after it
    step_w: float  # upwards positive
    strays_w: float  # how far readings are from their level, on average, on the more restless side
    after_w: float  # the new level


def jump_at(readings: list[tuple[float, float]], index: int) -> Jump | None:
    """Return what happens between a reading of (time_s, grid_w) and the one before it; None: too little is known."""
    at_s = readings[index][0]
    before = [reading for reading in readings[max(0, index - 64) : index] if reading[0] >= at_s - FAR_S]
    after = [reading for reading in readings[index : index + 64] if reading[0] <= at_s + FAR_S]
    left = [grid_w for time_s, grid_w in before if time_s >= at_s - SIDE_S]
    right = [grid_w for time_s, grid_w in after if time_s <= at_s + SIDE_S]
    left = left if len(left) >= 2 else [grid_w for _, grid_w in before[-2:]]
    right = right if len(right) >= 2 else [grid_w for _, grid_w in after[:2]]
    if not left or not right:
        return None
    was_w, is_w = median(left), median(right)
    strays = max(fmean([abs(grid_w - level) for grid_w in side]) for side, level in ((left, was_w), (right, is_w)))
    return Jump(at_s, is_w - was_w, strays, is_w)


def jumps_in(readings: list[tuple[float, float]], from_s: float, until_s: float, least_w: float) -> list[Jump]:
    """Return the separate jumps of ``least_w`` or more from ``from_s`` until ``until_s``, the clearest first.

    A jump shows, less clearly, also a few readings before and after its place: of those so close together that they
    share their readings, the clearest is the place.
    """
    found = [
        jump
        for index, (time_s, _) in enumerate(readings)
        if from_s <= time_s <= until_s and (jump := jump_at(readings, index)) and abs(jump.step_w) >= least_w
    ]
    apart: list[Jump] = []
    for jump in sorted(found, key=lambda jump: jump.strays_w - abs(jump.step_w)):
        if all(abs(jump.at_s - other.at_s) > SIDE_S for other in apart):
            apart.append(jump)
    return apart


class Beside(NamedTuple):
    """A step of the lead in grid power, beside what the plug's own meter showed of it: all positive."""

    at_s: float  # when it was switched
    step_w: float
    strays_w: float
    drawn_w: float  # by the plug


class Steps:
    """Watches relay and grid power.

    ``contrary`` counts the switchings in a row at which grid power moved by about the draw in the wrong direction; a
    right one sets it back to none, and has ``proven`` the sign, until somebody acknowledges that it was wrong.
    ``unseen`` counts those in a row at which there was no step at all, though nothing else says that nothing flowed.
    ``high_w`` are the last steps in a row that were clear, alike, and well above the draw. While it is a single one,
    ``explained`` says that what was too much of it has gone off again in the same charge, as a kettle does and a cloud.
    ``drew_w`` is by how much grid power rose when the lead was seen to begin in this charge, None: it was not;
    ``fell_s`` is when it fell by as much since, as though the lead had stopped; None: it has not, or has come back.
    ``still_s`` is when the relay went on and grid power did not rise, as though no car were there; None: it did, or has
    since, or nobody can tell.
    """

    def __init__(self) -> None:
        self.contrary, self.proven, self.unseen = 0, False, 0
        self.high_w: tuple[float, ...] = ()
        self.explained = False
        self._unclear_in_row = 0  # switchings that said nothing of the draw
        self.drew_w: float | None = None
        self.fell_s: float | None = None
        self.still_s: float | None = None
        self._doubtful_s: float | None = None  # since when it has not shown that it began, though it may be late
        self._stills, self._was_still = 0, False  # so many in a row; and whether the charge that is ending was one
        self._least_w = math.inf  # the lowest that grid power has stood at for a while: an inverter may hold it there
        self._lags_s: dict[bool, deque[float]] = {on: deque(maxlen=MOST_LAGS) for on in (False, True)}
        self._readings: deque[tuple[float, float]] = deque(maxlen=1000)
        # Not judged yet: time, on, measured before it, and whether an inverter may even the step out.
        self._switched: tuple[float, bool, float | None, bool] | None = None
        self._beside: Beside | None = None
        self.limit_w: float | None = None  # the most that is exported; None: it is not limited
        self._on_s: float | None = None  # since when the relay is on
        self._told: tuple[float | None, float] = (None, math.nan)  # measured, and expected, at the last reading
        self._risen: deque[tuple[float, float]] = deque(maxlen=MOST_RISEN)  # (when, watts): by something else
        self._leaves_w: float | None = None  # what the lead drew when it was switched off, until that has shown
        self._seen_usual = False  # the lead was seen to begin with about its draw in the charge that is ending
        self._spoilt, self._quiet_until_s = 0, -math.inf  # by others, in a row; and until when they may be seen
        self._moved_s = self._looked_s = -math.inf  # the last jump, and the last look for one

    def forget(self) -> None:
        """Drop what was learned; what is being looked at goes on."""
        self.contrary, self.proven, self.unseen, self.high_w = 0, False, 0, ()
        for lags_s in self._lags_s.values():
            lags_s.clear()

    # --- what is asked ------------------------------------------------------------------------------------------------

    @property
    def lag_s(self) -> float | None:
        """How late the meter shows a switching, in the middle; None: not learned yet.

        Where the relay goes off, for a car may take its time to begin.
        """
        for lags_s in (self._lags_s[False], self._lags_s[True]):
            if len(lags_s) >= LEAST_LAGS:
                return median(lags_s)
        return None

    def settles_s(self, on: bool) -> float | None:
        """Return for how long after a switching grid power may not have followed; None: not learned yet."""
        lags_s = sorted(self._lags_s[on])
        if len(lags_s) < LEAST_LAGS:
            return None
        usual_s = lags_s[math.ceil(USUAL_SHARE * len(lags_s)) - 1]
        return min(max(SETTLES_S, usual_s + SLACK_S), LATEST_S)

    def take_beside(self) -> Beside | None:
        """Return what the last switching showed on both meters, once; None: nothing, or only one of them saw it."""
        beside, self._beside = self._beside, None
        return beside

    # --- what is told -------------------------------------------------------------------------------------------------

    def switched(self, on: bool, now_s: float, fresh: bool, charger_w: float | None, evened: bool = False) -> None:
        """The relay is about to be switched; ``fresh``: there is a fresh grid reading; ``charger_w``: measured.

        ``evened``: an inverter that holds sun back may even the step out.
        """
        if self._switched is not None and now_s >= self._switched[0] + SETTLES_S:
            self._judge(now_s)  # by what there is
        self._switched = (now_s, on, charger_w, evened) if fresh and self._readings else None
        self._spoilt += now_s < self._quiet_until_s
        self._on_s = now_s if on else None
        self._leaves_w = None if on or self.fell_s is not None else self.drew_w
        self._seen_usual = not on and self.drew_w is not None
        self._was_still = self.still_s is not None
        self.drew_w = self.fell_s = self.still_s = self._doubtful_s = None

    def disturbed(self, now_s: float, until_s: float) -> None:
        """Another load is switched now, as it says itself: what is read until then teaches nothing of this one."""
        if self._spoilt >= MOST_SPOILT:
            return
        if self._switched is not None and now_s >= self._switched[0] + SETTLES_S:
            self._judge(now_s)  # by what there is
        self._spoilt += self._switched is not None
        self._switched, self._doubtful_s, self._quiet_until_s = None, None, until_s
        self._readings.clear()

    def reading(self, now_s: float, grid_w: float, charger_w: float | None, draw_w: float) -> None:
        """A fresh grid reading came; ``charger_w`` is the draw measured at this time, ``draw_w`` the expected one."""
        if now_s < self._quiet_until_s or (self._readings and now_s < self._readings[-1][0] + EVERY_S):
            return
        self._readings.append((now_s, grid_w))
        self._told = (charger_w, draw_w)
        if charger_w is not None and self._on_s is not None and 0.5 * draw_w <= charger_w < HIGH_SHARE * draw_w:
            self.high_w = ()  # whoever measures knows better
        while self._readings[0][0] < now_s - LATEST_S - 2 * FAR_S:
            self._readings.popleft()
        if self._switched is not None:
            at_s, on, _, _ = self._switched
            if now_s >= at_s + (self.settles_s(on) or LATEST_S) + SIDE_S:
                self._judge(now_s)
        if self._doubtful_s is not None and now_s >= self._doubtful_s + LATEST_S + SIDE_S:
            self._doubt(self._doubtful_s, draw_w)
        if now_s >= self._looked_s + LOOKS_S:
            self._looked_s = now_s
            self._follow(now_s, draw_w)

    # --- inside -------------------------------------------------------------------------------------------------------

    def _judge(self, now_s: float) -> None:
        """See what a switching did."""
        assert self._switched is not None
        (at_s, on, before_w, evened), (charger_w, draw_w) = self._switched, self._told
        self._switched, self._spoilt = None, 0
        if charger_w is not None and (charger_w >= 0.5 * draw_w) is not on:
            return  # the relay has not followed, or the car takes nothing: no step, so nothing can be seen
        expected_w = draw_w
        if charger_w is not None and before_w is not None:
            expected_w = abs(charger_w - before_w)
        if expected_w < 0.5 * draw_w:
            return  # it drew as much before
        until_s = min(now_s, at_s + (self.settles_s(on) or LATEST_S))
        readings, way = list(self._readings), 1.0 if on else -1.0
        if readings[0][0] > at_s:
            return  # the meter was silent meanwhile
        jumps = [
            jump
            for jump in jumps_in(readings, at_s, until_s, STEP_SHARE * expected_w)
            if jump.step_w * way > 0.0 or not _comes_back(readings, jump)
        ]
        shares = [jump.step_w / expected_w * way for jump in jumps]
        if evened and not jumps:
            return
        if not jumps:
            if on and charger_w is None and self.proven and self.settles_s(True) is not None:
                self._doubtful_s = at_s
            elif not self._was_still:
                self._miss()
            self._unclear()
            return
        self.unseen = 0 if not evened else self.unseen
        right, least, most = max(shares) > 0.0, *ABOUT_SHARES
        turned = [jump for jump, share in zip(jumps, shares, strict=True) if -most <= share <= -least]
        if evened:
            turned = [jump for jump in turned if self._beyond(jump, on, draw_w)]
        contrary = bool(turned)
        if right and not contrary:
            self.contrary, self.proven = 0, True
        elif contrary and not right:
            self.contrary += 1
        if evened:
            return
        if len(jumps) > 1:
            if on and self.drew_w is not None and sum(0.0 < share <= most for share in shares) > 1:
                self._risen.append((jumps[0].at_s, self.drew_w))  # it may as well have been something else
                self.drew_w = self.fell_s = None
            self._unclear()
            return  # which of them was the lead?
        if self._was_still and not on and least <= shares[0] <= most:
            self._forget()  # it did draw, and had not shown: nothing can be concluded any more
            return
        self._lags_s[on].append(jumps[0].at_s - at_s)
        if on:
            self._stills = 0
        measured_w = charger_w if on else before_w
        if right and measured_w is not None:
            drawn_w = measured_w - ((before_w if on else charger_w) or 0.0)
            self._beside = Beside(at_s, abs(jumps[0].step_w), jumps[0].strays_w, drawn_w)
        # A lead that was seen to begin with its usual draw has not been set higher in the middle of a charge: with its
        # end, something else went off.
        merged = self._seen_usual and shares[0] >= HIGH_SHARE
        if right and charger_w is None and jumps[0].strays_w <= CLEAR_SHARE * draw_w and not merged:
            self._weigh(abs(jumps[0].step_w), draw_w)
        else:
            self._unclear()

    def _doubt(self, at_s: float, draw_w: float) -> None:
        """See whether the lead, which should have shown by now, did not begin at all."""
        self._doubtful_s = None
        if self.drew_w is None and self._stood_still(list(self._readings), at_s, at_s + LATEST_S, draw_w):
            self.still_s = at_s
            self._stills += 1
            if self._stills >= STILLS:
                self._forget()
        elif self.drew_w is None:
            self._miss()

    def _stood_still(self, readings: list[tuple[float, float]], at_s: float, until_s: float, draw_w: float) -> bool:
        """Say whether grid power did not rise at all as the relay went on: no car is there, or it sleeps.

        Nowhere where a battery or an inverter may hold it, told of or not, which would hide the lead's beginning as
        well: near nought, and where grid power has never stood lower. Who cannot tell lets it count as drawing.
        """
        before = [grid_w for time_s, grid_w in readings if at_s - SIDE_S <= time_s <= at_s]
        between = [grid_w for time_s, grid_w in readings if at_s < time_s <= until_s]
        after = [grid_w for time_s, grid_w in readings if time_s > until_s]
        if readings[0][0] > at_s or not before or not after or len(between) < STILL_READINGS:
            return False
        level_w = median(after)
        if abs(level_w) < FREE_SHARE * draw_w or level_w < self._least_w + STILL_SHARE * draw_w:
            return False
        if max(between) >= median(before) + STEP_SHARE * draw_w:
            return False  # something made room for what did begin
        moved = jumps_in(readings, at_s, until_s, STILL_SHARE * draw_w)
        return not moved and abs(level_w - median(before)) < STILL_SHARE * draw_w and not self._held(level_w, draw_w)

    def _held(self, grid_w: float, draw_w: float) -> bool:
        """Say whether a battery may hold the meter there, at nought, or an inverter, at its limit."""
        levels_w = (0.0,) if self.limit_w is None else (0.0, -self.limit_w)
        return min(abs(grid_w - level_w) for level_w in levels_w) <= LEVEL_SHARE * draw_w

    def _miss(self) -> None:
        """A switching should have shown, and did not."""
        self.unseen += 1
        if self.unseen >= STEPS_UNSEEN:
            self._forget()

    def _beyond(self, jump: Jump, on: bool, draw_w: float) -> bool:
        """Say whether it clearly goes to more export than an inverter lets out, or, as the relay goes off, from there.

        And stays: for a moment a kettle that goes off does that as well.
        """
        grid_w = jump.after_w - (0.0 if on else jump.step_w)
        beyond = self.limit_w is not None and grid_w < -self.limit_w - LEVEL_SHARE * draw_w
        return beyond and jump.strays_w <= CLEAR_SHARE * draw_w

    def _weigh(self, step_w: float, draw_w: float) -> None:
        """Hold a clear step against the draw, and against those before it."""
        self._unclear_in_row, self.explained = 0, False
        if step_w < HIGH_SHARE * draw_w:
            self.high_w = ()
        elif self.high_w and _alike(step_w, median(self.high_w)):
            self.high_w = (*self.high_w, step_w)[-MOST_LAGS:]
        else:
            self.high_w = (step_w,)

    def _unclear(self) -> None:
        """A switching said nothing of the draw: a single high step that none confirms is not held against the lead.

        Otherwise a kettle at one start would cut every charge short for as long as the house is restless.
        """
        self._unclear_in_row += 1
        if len(self.high_w) == 1 and self._unclear_in_row >= FORGETS_AFTER:
            self.high_w = ()

    def _forget(self) -> None:
        """Nothing has shown for long: a battery hides it, or the meter is another one, or much later than it was.

        A doubt of the sign that nothing confirms must not end charges for ever; and whoever looks for a step where it
        used to come will not find one that now comes later.
        """
        self.contrary = self._stills = 0
        for lags_s in self._lags_s.values():
            lags_s.clear()

    def _follow(self, now_s: float, draw_w: float) -> None:
        """See whether grid power falls by the whole draw while the relay is on, and whether that is something else.

        A kettle that goes off had gone on, be it before the charge; and what a battery holds at nought says nothing.
        A car that slept, and wakes later, is seen to rise then.
        """
        readings = list(self._readings)
        index = next(index for index, (time_s, _) in enumerate(readings) if time_s >= now_s - SIDE_S)
        if index == len(readings) - 1:
            index = max(0, index - 1)  # of a slow meter: two readings after it
        at_s = readings[index][0]
        jump = jump_at(readings, index)
        if self._on_s is None and jump is not None:
            self._least_w = min(self._least_w, jump.after_w)
        if at_s <= self._moved_s + SIDE_S or jump is None or jump.strays_w > CLEAR_SHARE * draw_w:
            return
        step_w = jump.step_w
        self._explain(-step_w, draw_w, False)
        if abs(step_w) < STEP_SHARE * draw_w:
            return
        self._moved_s = at_s
        if step_w > 0.0:
            self._rose(at_s, step_w, draw_w)
        else:
            self._fell(jump, draw_w)

    def _explain(self, fell_w: float, draw_w: float, unmatched: bool) -> None:
        """Hold a fall in the middle of a charge against a single high step: it may undo what was too much of that.

        ``unmatched``: it is of something that was not seen to go on, and so may be larger, too: it went on with the
        lead, while something else went off. It only spares the charge: the step counts until the lead's next one.
        """
        if self._on_s is None or len(self.high_w) != 1:
            return
        excess_w = self.high_w[0] - draw_w
        slack_w = ALIKE_SHARE * excess_w + CLEAR_SHARE * draw_w
        more_w = fell_w - excess_w
        self.explained = self.explained or (more_w >= -slack_w and (unmatched or more_w <= slack_w))

    def _rose(self, at_s: float, step_w: float, draw_w: float) -> None:
        if self.fell_s is not None and self.drew_w is not None and _alike(step_w, self.drew_w):
            self.fell_s = None
            return
        least, most = ABOUT_SHARES
        # The lead begins when it is switched on, or a car's half minute later: a rise after that is something else,
        # but where nothing flowed until then.
        begins = self._on_s is not None and self._on_s <= at_s <= self._on_s + (self.settles_s(True) or LATEST_S)
        if (begins or self.still_s is not None) and self.drew_w is None and least <= step_w / draw_w <= most:
            self.drew_w, self.still_s, self._stills = step_w, None, 0
        else:
            self._risen.append((at_s, step_w))

    def _fell(self, jump: Jump, draw_w: float) -> None:
        fell_w = -jump.step_w
        if self._on_s is None and self._leaves_w is not None and _alike(fell_w, self._leaves_w):
            self._leaves_w = None
            return
        while self._risen and self._risen[0][0] < jump.at_s - RISEN_S:
            self._risen.popleft()
        for risen in self._risen:
            if _alike(fell_w, risen[1]):
                self._risen.remove(risen)
                return
        self._explain(fell_w, draw_w, True)
        of_lead = self.drew_w is not None and _alike(fell_w, self.drew_w)
        if of_lead and self.fell_s is None and not self._held(jump.after_w, draw_w):
            self.fell_s = jump.at_s


def _comes_back(readings: list[tuple[float, float]], jump: Jump) -> bool:
    """Say whether a jump only goes back to where grid power was a little earlier.

    A house battery does that which evens the lead out within ten seconds or so: too soon for the lead's own step to be
    seen as one. Where only its half is seen, each switching would look like a wrong sign.
    """
    earlier_w = [grid_w for at_s, grid_w in readings if jump.at_s - EARLIER_S[0] <= at_s < jump.at_s - EARLIER_S[1]]
    return bool(earlier_w) and abs(jump.after_w - median(earlier_w)) < BACK_SHARE * abs(jump.step_w)


def _alike(one_w: float, other_w: float) -> bool:
    return abs(one_w / other_w - 1.0) <= ALIKE_SHARE
