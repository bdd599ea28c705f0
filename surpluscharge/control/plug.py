"""What is known of the plug: how its relay is wanted, told, reported and confirmed, whether it is heard, what it draws.

There are four witnesses: the broker, which takes commands; the plug's report of its relay, if it gives one; its own
meter, if it has one; and grid power, which falls where nothing flows any more. None is believed about more than it can
know: what the broker took may not have been obeyed, a report may be old, and a plug that is mute may be anything.
"""

from __future__ import annotations

import math

from surpluscharge.control.reversal import Reversal, Sight
from surpluscharge.control.signals import Contact, Meter, Pulse, Source
from surpluscharge.control.steps import Steps
from surpluscharge.control.supervisor import LOW_SHARE, STUCK_AFTER_S, Limits, flows

UNHEARD_S = 600.0  # so long a plug out of reach counts as on, though it passed for off
BEHIND_SHARE = 0.5  # of nominal: what is less while the relay is off was measured behind it, and is not the mains


class Plug:
    """All that is known at :attr:`now_s`. Times in monotonic seconds."""

    def __init__(
        self, contact: Contact | None, power: Source | None, voltage: Source | None, steps: Steps, now_s: float
    ) -> None:
        """What it says, None: it does not; ``steps``: what grid power tells. It is wanted off, and not heard yet."""
        self.now_s = now_s
        # How it is wanted, and what became of that.
        self.wants_on = False
        self.wanted_since_s = now_s
        self.was_confirmed = False  # to be as wanted, at some time since that is wanted
        self.maybe_on = False  # though it is not wanted on
        self.link_up: bool | None = None  # None: no connection yet, and so no knowledge of the relay to lose
        self.acknowledged: bool | None = None  # the last command the broker has taken; None: none, or one is under way
        self._acknowledged_s = -math.inf
        self._told_on_s = math.inf  # not by this daemon yet
        self._off_unknown = True  # when it was last told off; False: it draws until the off arrives
        self._counted_until_s = now_s  # until when the time is counted for which it was, or may have been, on
        # What it says.
        self.contact = contact  # where it reports its relay
        self.power, self.voltage = Meter.of(power), Meter.of(voltage)  # its own meters
        self.topics = frozenset(part.topic for part in (contact, power, voltage) if part)
        self.reported: bool | None = None  # None: it has not said since we are connected
        self._reported_s = -math.inf
        self.said: bool | None = None  # the last that it reported, on whichever connection; kept across restarts
        self._commands_up: bool | None = None  # the subscriptions to commands and reports are there; None: never yet
        self._readings_up = True  # and those to readings; not known to be gone
        self.silent_s: float | None = None  # as configured; None: its pulse tells
        self.pulse = Pulse()
        self.reversal = Reversal()
        self._steps = steps

    # --- what is asked ------------------------------------------------------------------------------------------------

    @property
    def hearing(self) -> bool | None:
        """Whether the subscriptions are there; None: never yet."""
        return self._commands_up and self._readings_up

    @property
    def may_be_on(self) -> bool:
        """Whether current may flow: the relay is wanted on, or was, and is not yet known to be off again."""
        return self.wants_on or self.maybe_on

    @property
    def exchanged(self) -> bool:
        """Whether off is to be said with the payload that is configured for on: see control/reversal.py."""
        return self.reversal.exchanged

    def confirmed(self, on: bool) -> bool:
        """Say whether the relay is known to be on (off): the broker took the command, and a reporting plug agrees."""
        told = self.link_up is True and self.acknowledged is on
        if self.contact is None:
            return told
        return told and self.reported is on and not (on and self._report_is_old)

    def witnessed(self, on: bool) -> bool:
        """Say the same for whoever relies on it or says so: what was reported before an "on" is no witness to the off.

        Until then it passes for off in the counts, and is caught up with where it comes back on: see :meth:`report`.
        """
        return self.confirmed(on) and (on or not self.unheard)

    @property
    def _report_is_old(self) -> bool:
        fell_s = self.fell_s
        return self.silent or (fell_s is not None and self._reported_s < fell_s)

    @property
    def reported_age_s(self) -> float | None:
        """How old the plug's report of its relay is; None: there is none."""
        return None if self.reported is None else self.now_s - self._reported_s

    @property
    def silent(self) -> bool:
        """Whether the plug has said nothing for longer than it ever should while it is on."""
        return self.now_s >= self._silent_at_s()

    def _silent_at_s(self) -> float:
        return self.pulse.since_s + self.pulse.silent_after_s(self.silent_s)

    @property
    def unheard(self) -> bool:
        """Whether a plug that reports was told on and off again, and has not been heard since.

        What it reported before passes for off; but it may have gone on, out of reach, and off again before it was
        heard. One that never got the "on" and reports only changes would stay silent for good: hence the limit.
        """
        told_both = self._told_on_s < self.wanted_since_s and not self.wants_on
        mute = self.contact is not None and self._reported_s < self.wanted_since_s
        return told_both and mute and self.now_s < self.wanted_since_s + UNHEARD_S

    @property
    def fell_s(self) -> float | None:
        """Since when grid power says that nothing flows, though the relay is on; None: it does not, or the plug knows.

        What the plug measured before grid power fell says nothing against it.
        """
        fell_s = self._steps.fell_s
        if fell_s is None or (self.measured and self.power.at_s is not None and self.power.at_s >= fell_s):
            return None
        return fell_s

    @property
    def never_began(self) -> bool:
        """Whether, by grid power, nothing has flowed since the relay went on, and nobody measures."""
        return self._steps.still_s is not None and not self.measured

    @property
    def measured(self) -> bool:
        """Whether its power is measured now, rather than assumed."""
        return self.now_s < self.power.fresh_until_s

    @property
    def measured_w(self) -> float | None:
        """What it measures now; None: nothing."""
        return self.power.value if self.measured else None

    @property
    def volts(self) -> float | None:
        """The mains voltage, as it says now; None: it does not."""
        return self.voltage.value if self.now_s < self.voltage.fresh_until_s else None

    def current_a(self, nominal_v: float) -> float | None:
        """Return the current from the measured power, and the measured or else the nominal voltage; None: not known."""
        power_w, volts = self.measured_w, self.volts
        if power_w is None:
            return None
        return power_w / (nominal_v if volts is None or volts < BEHIND_SHARE * nominal_v else volts)

    def mains_v(self, nominal_v: float) -> float | None:
        """Return the voltage it said last; None: none, or behind its relay, where there is none."""
        volts = self.voltage.value
        behind = not self.wants_on and (volts or 0.0) < BEHIND_SHARE * nominal_v
        return None if behind else volts

    def may_draw_w(self, draw_w: float) -> float:
        """Return what is drawn, or may be drawn for all that is known: for caps and surplus."""
        if self.measured:
            return self.power.value or 0.0
        return draw_w if self.may_be_on else 0.0

    def draws(self, draw_w: float) -> tuple[bool, float]:
        """Return whether it is known what is drawn, and how much: what is not known is no energy in the books.

        Off is known from what broker and plug say; while an off is on its way, it still draws. On is not known where
        the plug has fallen silent, or grid power has fallen by the whole draw, or did not rise, and nobody measures;
        nor where the plug last said that far less flows than would be assumed.
        """
        if self.never_began or self.fell_s is not None or (self.silent and not self.measured):
            return False, 0.0
        # Nor where it reports its relay, and has not said yet that it has followed.
        if self.wants_on and self.contact is not None and not self.was_confirmed and not self.measured:
            return False, 0.0
        # Since the relay was switched; of a plug that reports changes only, it may still hold.
        said_w = self.power.value
        if not self.measured and said_w is not None and self.wants_on and said_w < LOW_SHARE * draw_w:
            return False, 0.0
        lingers = self.maybe_on and not self.wants_on and not self.measured
        if lingers and (self._off_unknown or self.now_s >= self.wanted_since_s + STUCK_AFTER_S):
            return False, 0.0
        return True, self.may_draw_w(draw_w)

    @property
    def told_off_s(self) -> float | None:
        """Since when the broker has taken an off that is still wanted; None: it has not."""
        told = self.link_up is True and self.acknowledged is False and not self.wants_on
        return self._told_s if told else None

    @property
    def _told_s(self) -> float:
        """Since when the relay has been told what is wanted, if it has."""
        return max(self._acknowledged_s, self.wanted_since_s)

    @property
    def on_in_spite(self) -> bool:
        """Whether it has said that it is on since it was told off, and is still heard."""
        told_s = self.told_off_s
        return told_s is not None and bool(self.hearing) and self.reported is True and self._reported_s >= told_s

    def deadlines_s(self) -> tuple[float, ...]:
        """Return when any of this may become otherwise though nothing was heard."""
        stale_s = self.power.fresh_until_s, self.voltage.fresh_until_s
        tries_s = self.reversal.deadline_s(self._told_s) if self.contact and self.power.sources else ()
        return self._told_s + STUCK_AFTER_S, self._silent_at_s(), *stale_s, *tries_s

    # --- what is told -------------------------------------------------------------------------------------------------

    def restore(self, on: bool, said: bool | None) -> None:
        """The daemon before this one left it so: perhaps on, and this is what it had said last."""
        self.maybe_on = on
        if on:
            self.said = said
            if said is False:
                self._told_on_s = -math.inf  # and it has not been heard since

    def advance(self, now_s: float) -> None:
        """Time has passed."""
        if self.may_be_on or self.unheard:
            self._counted_until_s = now_s
        self.now_s = now_s
        self.maybe_on = (self.maybe_on or self.reported is True) and not self.confirmed(False)

    def settle(self) -> None:
        """All that is known at this moment has been told."""
        self.was_confirmed = self.was_confirmed or self.confirmed(self.wants_on)

    def switched(self, on: bool, known: bool) -> None:
        """It is wanted otherwise from now on; ``known``: what it drew until now."""
        self.wants_on, self.wanted_since_s, self.was_confirmed = on, self.now_s, False
        self.maybe_on, self._off_unknown = not on, not on and not known
        self.power.forget()  # what was drawn before says nothing of what is drawn from now on
        self._listen()
        if on:
            self._told_on_s = self.now_s

    def sending(self, on: bool) -> None:
        """A command goes out: until the broker has taken it, the relay may be either way."""
        if self.acknowledged is not on:
            self.acknowledged = None

    def taken(self, on: bool) -> None:
        """The broker has taken a command."""
        if on or self.acknowledged is not False:
            self._acknowledged_s = self.now_s
        self.acknowledged = on

    def relay_link(self, up: bool) -> None:
        """The connection that commands go out by is there, or gone."""
        self.link_up, self.acknowledged = up, None

    def commands_link(self, up: bool) -> None:
        """The subscriptions to commands and reports are there, or gone."""
        self._commands_up = up
        self._listen()
        if up:
            self.reported = None  # readings age by themselves; a report would not

    def readings_link(self, up: bool) -> None:
        """The subscriptions to readings are there, or gone."""
        self._readings_up = up
        self._listen()

    def _listen(self) -> None:
        self.pulse.listen(self.wants_on and bool(self.hearing), self.now_s)

    def heard(self, limits: Limits) -> None:
        """A live message came from it."""
        power_w = self.power.value
        self.pulse.heard(self.now_s, None if power_w is None else flows(power_w, limits))

    def report(self, on: bool, retained: bool) -> float:
        """It reports its relay. Return for how many seconds it has been on and nobody saw it.

        Out of reach when it was told on, it passed for off by what it had reported before.
        """
        # Not heard since it was told off, or since the daemon began.
        unseen = on and not self.may_be_on and self._reported_s < self.wanted_since_s
        if on or not (retained and self.said is False):  # an off that the broker has kept is as old as it was
            self._reported_s = self.now_s
        self.reported = self.said = on
        return self.now_s - self._counted_until_s if unseen else 0.0

    def look_for_reversal(self, reachable: bool, limits: Limits) -> bool:
        """Judge whether it does the reverse of what it is told, and say whether that has changed what is known of it.

        ``reachable``: nobody is shutting down.
        """
        if self.reversal.settled or not (self.contact and self.power.sources):
            return False
        reversal, power_w = self.reversal, self.measured_w
        before = reversal.exchanged, reversal.found
        reversal.look(
            Sight(
                now_s=self.now_s,
                reachable=self.link_up is True and bool(self.hearing) and reachable,
                wants_on=self.wants_on,
                wanted_since_s=self.wanted_since_s,
                told_off_s=self.told_off_s,
                flows=None if power_w is None else flows(power_w, limits),
                measured_s=-math.inf if self.power.at_s is None else self.power.at_s,
                reported=self.reported,
                reported_s=self._reported_s,
            )
        )
        if reversal.exchanged is not before[0]:
            self.acknowledged = None  # what the broker has taken is not what is meant any more
        return (reversal.exchanged, reversal.found) != before
