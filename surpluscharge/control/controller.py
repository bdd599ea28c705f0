"""One charger's controller: signals, machine and supervisor together, told what happens and when.

Still no I/O and no clock: whatever happens comes in by one door, :meth:`Controller.tell`, with its :class:`Moment`. The
shell carries messages and time in, takes :attr:`Controller.wants_on` and the events out, and calls again at
:meth:`Controller.deadline_s`. The tests do the same without a shell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from statistics import median
from typing import Any, NamedTuple

from surpluscharge.control import ahead, machine, news, thermal
from surpluscharge.control.machine import MODE_NAMES, Inputs, Params, State
from surpluscharge.control.mains import Mains
from surpluscharge.control.news import News
from surpluscharge.control.reversal import Reversal, Sight
from surpluscharge.control.rule import Band, Rule, Way, alike
from surpluscharge.control.signals import REJECTIONS, Contact, Meter, Pulse, Rejected, Source
from surpluscharge.control.steps import LATEST_S, MOST_LAG_S, STEPS_UNSEEN, Steps
from surpluscharge.control.supervisor import (
    DROP_SHARE,
    HIGH_WAITS_S,
    JUDGED_S,
    LOW_SHARE,
    NO_LOAD_SHARE,
    NOTE,
    STEPS_TO_TEST,
    STUCK_AFTER_S,
    Limits,
    Record,
    Situation,
    Supervisor,
    flows,
)

MOST_STARTS_PER_DAY = 96
UNHEARD_S = 600.0  # so long a plug out of reach counts as on, though it passed for off
BEHIND_SHARE = 0.5  # of nominal: what is less while the relay is off was measured behind it, and is not the mains
REJECTION_LOG_EVERY_S = 60.0  # of one reason on one topic


class Moment(NamedTuple):
    """A time, in the three ways the controller needs it."""

    now_s: float  # monotonic
    session_day: int  # number of the local day that begins at the re-arm time
    today: int  # number of the local calendar day


class Event(NamedTuple):
    """Something worth a line in the log; ``level`` as the logging library names it."""

    name: str
    level: str
    fields: Mapping[str, Any]


class Settings(NamedTuple):
    """What the controller needs of the configuration."""

    params: Params
    rule: Rule  # what gives the thresholds among the parameters
    limits: Limits
    draw_a: float  # the current the lead is set to
    mains_v: float
    grid: tuple[Source, ...]
    power: Source | None = None  # the plug's own meter
    contact: Contact | None = None  # the plug's report of its relay
    temperature: Source | None = None  # of the socket
    voltage: Source | None = None
    silent_s: float | None = None  # a plug that says nothing for so long while it is on is silent; None: learned
    command: tuple[str, ...] = ()  # how the relay is told: topic, and payloads for on and off; only ever compared


class Tally(NamedTuple):
    """What happened on one calendar day. Energy in watt-hours; the rest of ``charger_wh`` is solar."""

    day: int
    starts: int = 0
    on_s: float = 0.0
    charger_wh: float = 0.0
    grid_wh: float = 0.0
    unknown_s: float = 0.0  # in which the lead may have drawn, and nothing of it is counted here


class Kept(NamedTuple):
    """What must outlive the process. Times are monotonic seconds of the moment ``saved_s``."""

    saved_s: float
    enabled: bool
    on: bool  # the relay may be on
    charger_w: float
    starts_s: tuple[float, ...]
    session_s: float
    session_wh: float
    session_day: int
    today: Tally
    level: float  # of the thermal image
    run_s: float  # time on since the last long rest, and
    run_as: float  # ampere-seconds in it
    faults: tuple[Record, ...]
    ohms: tuple[float, ...] = ()  # of the circuit, as the last switchings showed them; see control/mains.py
    exchanged: tuple[str, ...] = ()  # the ``Settings.command`` whose payloads are exchanged; see control/reversal.py


class Controller:
    def __init__(self, settings: Settings, at: Moment, kept: Kept | None = None, *, trusted: bool = True) -> None:
        """``kept`` has its times already shifted to this clock. The relay counts as not known to be off.

        Not ``trusted``: what should have been remembered could not be read, so the socket may be as hot as it can get.
        """
        self.settings = settings
        self.enabled = kept.enabled if kept else False
        self.stopping = False
        self.grid = Meter(settings.grid)
        self.power = _meter(settings.power)
        self.temperature = _meter(settings.temperature)
        self.voltage = _meter(settings.voltage)
        self.mains = Mains(kept.ohms if kept else ())
        self.steps = Steps()
        self.pulse = Pulse()
        self.reversal = Reversal()
        self.memory = ahead.nothing()  # of the surplus of late, whether or not the thresholds look ahead yet
        # Without a memory, the socket is taken to be as warm as the lead can make it.
        self.level = thermal.settled_level(settings.limits.thermal, settings.draw_a)
        self.level_if_high = self.level
        self.run_s = self.run_as = 0.0
        self._now_s = self._wanted_since_s = at.now_s
        self._was_confirmed = False
        self._maybe_on = kept.on if kept else False  # though it is not wanted on
        self._off_unknown = True  # when it was last told off; False: it draws until the off arrives
        self._acknowledged_s = self._reported_s = self._switched_s = float("-inf")
        self._told_on_s = float("inf")  # not by this daemon yet
        self._counted_until_s = at.now_s  # until when the time is counted for which the relay was, or may have been, on
        self._still_since_s = at.now_s
        self._repeats = 0
        self._finest_w = float("inf")
        self._over_readings = 0  # of the current, in a row
        self._cool_c: float | None = None  # the socket's temperature when it was last rested, and its highest since
        self._warm_c = 0.0
        self._refused_in_row = 0
        self._topics_refused = False
        self._clock_jumped = False
        self._store_failing = self._history_failing = False
        self._strain = news.Strained()
        self.rejected: Counter[tuple[str, str]] = Counter()  # by topic and reason: bounded by the configuration
        self.supervisor = Supervisor()
        self.today = Tally(at.today)
        self.link_up: bool | None = None  # None: no connection yet, and so no knowledge of the relay to lose
        self._told_up: bool | None = None  # the subscriptions to commands and reports are there; None: never yet
        self._readings_up = True  # and those to readings; not known to be gone
        self.acknowledged: bool | None = None  # the last command the broker has taken; None: none, or one is under way
        self.reported: bool | None = None  # by the plug; None: it has not said since we are connected
        self._events: list[Event] = []
        self._rejection_logged: dict[tuple[str, str], tuple[float, int]] = {}
        self.learned_w: float | None = None  # the draw as its steps in grid power tell it; see control/draw.py
        self._rule_draw_w = self.draw_w  # what the rule reckons with: another step seen moves it by a watt or two
        self._heed_rule()
        self.starts_s: tuple[float, ...] = ()  # the last ones, as many as any budget may ask for
        self.state = machine.initial(settings.params, at.now_s, at.session_day)._replace(was_enabled=self.enabled)
        if kept:
            self._restore(kept, at)
        self.inputs = self._inputs(at)
        self.known, self.charger_w = self._booked(at)  # held, as the inputs are: what is drawn, where that is known
        if not trusted:  # from now on: it has not tripped, and need not wait as long as after a trip
            self.level = thermal.TRIP_LEVEL

    def _restore(self, kept: Kept, at: Moment) -> None:
        # If the daemon died and the relay may have been on, nobody knows how long it stayed so: count all of it.
        blind_s = max(0.0, at.now_s - kept.saved_s) if kept.on else 0.0
        self.starts_s = kept.starts_s
        self.state = self.state._replace(
            starts_s=last_starts(kept.starts_s, self.settings.params.starts_per_day),
            session_s=kept.session_s + blind_s,
            session_wh=kept.session_wh + kept.charger_w * blind_s / machine.HOUR_S,
            session_day=kept.session_day,
        )
        if kept.today.day == at.today:
            self.today = kept.today
        current_a = self.settings.draw_a if kept.on else 0.0
        away_s = max(0.0, at.now_s - kept.saved_s)
        self.level = thermal.advance(self.settings.limits.thermal, kept.level, current_a, away_s)
        if kept.on:
            self.level = max(self.level, kept.level)  # it may have been long, or no time at all
        if kept.on or away_s < self.settings.limits.rest_s:
            self.run_s, self.run_as = kept.run_s + blind_s, kept.run_as + current_a * blind_s
        self.supervisor = Supervisor(kept.faults)
        # Another configuration may have put it right. So may somebody at the plug, who acknowledges and starts anew.
        waits = any(r.code == "payloads-exchanged" and not r.acknowledged for r in self.supervisor.active)
        self.reversal.found = waits and bool(kept.exchanged) and kept.exchanged == self.settings.command

    def kept(self) -> Kept:
        """Return what must outlive the process."""
        state = self.state
        return Kept(
            state.at_s,
            self.enabled,
            self.may_be_on,
            state.charger_w,
            self.starts_s,
            state.session_s,
            state.session_wh,
            state.session_day,
            self.today,
            self.level,
            self.run_s,
            self.run_as,
            tuple(self.supervisor.records.values()),
            tuple(self.mains.ohms),
            self.settings.command if self.reversal.found else (),
        )

    # --- what the shell asks ------------------------------------------------------------------------------------------

    @property
    def wants_on(self) -> bool:
        """Whether the relay is wanted on."""
        return machine.wants_on(self.state.mode)

    @property
    def band(self) -> Band:
        """The thresholds in force."""
        return Band(self.settings.params.start_export_w, self.settings.params.stop_import_w)

    @property
    def hearing(self) -> bool | None:
        """Whether the subscriptions are there; None: never yet."""
        return self._told_up and self._readings_up

    @property
    def may_be_on(self) -> bool:
        """Whether current may flow: the relay is wanted on, or was, and is not yet known to be off again."""
        return self.wants_on or self._maybe_on

    @property
    def exchanged(self) -> bool:
        """Whether off is to be said with the payload that is configured for on: see control/reversal.py."""
        return self.reversal.exchanged

    def confirmed(self, on: bool) -> bool:
        """Say whether the relay is known to be on (off): the broker took the command, and a reporting plug agrees."""
        told = self.link_up is True and self.acknowledged is on
        if self.settings.contact is None:
            return told
        return told and self.reported is on and not (on and self._report_is_old)

    @property
    def plug_silent(self) -> bool:
        """Whether the plug has said nothing for longer than it ever should while it is on."""
        return self._now_s >= self._silent_at_s()

    def _silent_at_s(self) -> float:
        return self.pulse.since_s + self.pulse.silent_after_s(self.settings.silent_s)

    @property
    def fell_s(self) -> float | None:
        """Since when grid power says that nothing flows, though the relay is on; None: it does not, or the plug knows.

        What the plug measured before grid power fell says nothing against it.
        """
        fell_s = self.steps.fell_s
        if fell_s is None or (self.measured and self.power.at_s is not None and self.power.at_s >= fell_s):
            return None
        return fell_s

    @property
    def _report_is_old(self) -> bool:
        fell_s = self.fell_s
        return self.plug_silent or (fell_s is not None and self._reported_s < fell_s)

    @property
    def reported_age_s(self) -> float | None:
        """How old the plug's report of its relay is; None: there is none."""
        return None if self.reported is None else self._now_s - self._reported_s

    @property
    def faults(self) -> tuple[Record, ...]:
        """The faults that count now."""
        return self.supervisor.active

    @property
    def current_a(self) -> float | None:
        """The charger's current from its measured power, and the measured or else the nominal voltage."""
        if not self.measured:
            return None
        volts = self._fresh(self.voltage)
        if volts is None or volts < BEHIND_SHARE * self.settings.mains_v:  # of before the relay went on
            volts = self.settings.mains_v
        return (self.power.value or 0.0) / volts

    @property
    def measured(self) -> bool:
        """Whether the charger's power is measured now, rather than assumed."""
        return self._now_s < self.power.fresh_until_s

    @property
    def voltage_mean_v(self) -> float | None:
        """The voltage's mean of ten minutes, as it is or would be under the lead's load; None: not known."""
        return self._mean_v(self.settings.draw_a, self.wants_on)

    def _mean_v(self, amps: float, as_it_is: bool) -> float | None:
        # While the circuit is not known, a mean tells only of the load that there was.
        known = self._fresh(self.voltage) is not None and (as_it_is or self.mains.learned is not None)
        return self.mains.mean_v(amps) if known else None

    def deadline_s(self) -> float:
        """Return when to tell of a tick at the latest, in monotonic seconds."""
        now_s, limits = self.state.at_s, self.settings.limits
        current_a = self._thermal_a()
        goals = (limits.thermal.alarm_level, thermal.TRIP_LEVEL, limits.thermal.rearm_level)
        times = [
            machine.next_deadline(self.settings.params, self.state, self.inputs),
            self.supervisor.next_deadline(now_s),
            self._wanted_since_s + (limits.rest_after_s - self.run_s if self.wants_on else limits.rest_s),
            self._told_s + STUCK_AFTER_S,
            self._silent_at_s(),
            *(self._wanted_since_s + wait_s for wait_s in (STUCK_AFTER_S, JUDGED_S, HIGH_WAITS_S)),
            *(self.reversal.deadline_s(self._told_s) if self.settings.contact and self.settings.power else ()),
            *(meter.fresh_until_s for meter in (self.power, self.temperature, self.voltage)),
            # While the relay is on, the machine itself asks for this.
            float("inf") if self.wants_on else self.grid.fresh_until_s,
            *(now_s + thermal.time_to_s(limits.thermal, self.level, current_a, goal) + 1e-3 for goal in goals),
            now_s + self._until_high_trips_s(current_a) + 1e-3,
        ]
        return min((time_s for time_s in times if time_s > now_s), default=float("inf"))

    def take_events(self) -> list[Event]:
        """Return the events since the last call, oldest first."""
        events, self._events = self._events, []
        return events

    # --- what the shell tells -----------------------------------------------------------------------------------------

    def tell(self, happened: News, at: Moment) -> None:
        """Take in what has happened at this moment; nothing in it can raise.

        What was known before holds up to now: that is accounted for first.
        """
        # A clock that jumps is asked nothing about the time before: that would begin a session.
        jumped = type(happened) is news.ClockJumped
        self._advance(at._replace(session_day=self.state.session_day) if jumped else at)
        if type(happened) is not news.Tick:
            self._take(happened, at)
            self._advance(at)
            self._clock_jumped = False

    def _take(self, happened: News, at: Moment) -> None:
        match happened:
            case news.Message(topic, payload, retained):
                self._take_message(topic, payload, retained, at)
            case news.Refused(topic, reason, payload):
                self._refuse(topic, reason, payload, at)
            case news.Enable(on):
                if on is not self.enabled:
                    self._say("enabled" if on else "disabled", "info")
                self.enabled = on
            case news.Acknowledge(code):
                self._acknowledge(code)
            case news.SignShown():
                self.steps.proven = True
            case news.Stop():
                self.stopping = True
            case news.CommandsLink(up):
                self._told_up = up
                self._linked(up, at)
                if up:
                    self.reported = None  # readings age by themselves; a report would not
            case news.ReadingsLink(up):
                self._readings_up = up
                self._linked(up, at)
            case news.RelayLink(up):
                self.link_up, self.acknowledged = up, None
            case news.TopicsRefused(refused):
                self._topics_refused = refused
            case news.Sending(on):
                if self.acknowledged is not on:
                    self.acknowledged = None
            case news.Taken(on):
                if on or self.acknowledged is not False:
                    self._acknowledged_s = at.now_s
                self.acknowledged = on
            case news.Strained():
                self._strain = happened
            case news.StoreFailing(failing):
                self._store_failing = failing
            case news.HistoryFailing(failing):
                self._history_failing = failing
            case news.ClockJumped():
                self.state = self.state._replace(session_day=at.session_day)
                self._clock_jumped = True
            case news.Reload(settings):
                self.settings, self._rule_draw_w = settings, self.draw_w
                self._heed_rule()
                self.state = self.state._replace(starts_s=last_starts(self.starts_s, settings.params.starts_per_day))
            case news.Follow(prices):
                before = self.settings.rule
                self.settings = self.settings._replace(rule=before._replace(prices=prices))
                self._weigh_rule(before)
            case news.Learn(draw_w):
                self.learned_w = draw_w
                self._weigh_rule(self.settings.rule)

    def _linked(self, up: bool, at: Moment) -> None:
        self.pulse.listen(bool(self.hearing) and self.wants_on, at.now_s)
        if up:
            self._still_since_s, self._repeats = at.now_s, 0

    def _acknowledge(self, code: str | None) -> None:
        for name in self.supervisor.acknowledge(code):
            # Whoever acknowledges it has mended it; if not, it will show again.
            if name == "circuit-resistance":
                self.mains.forget()
            if name == "meter-sign":
                self.steps.contrary, self.steps.proven = 0, False
            elif name == "lead-high":
                self.steps.high_w = ()
            self._say("fault_acknowledged", "info", code=name)

    def _take_message(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        # One topic may serve several purposes; what one cannot use, another may.
        for use in (self._take_grid, self._take_values, self._take_report):
            try:
                use(topic, payload, retained, at)
            except Rejected as refusal:
                self._refuse(topic, refusal.reason, payload, at)
        if not retained and topic in self._plug_topics():
            power_w = self.power.value
            self.pulse.heard(at.now_s, None if power_w is None else flows(power_w, self.settings.limits))

    def _refuse(self, topic: str, reason: str, payload: bytes, at: Moment) -> None:
        """Count a message that cannot be used, and say so at a bounded rate. ``reason`` is a key of REJECTIONS."""
        self.rejected[topic, reason] += 1
        count = self.rejected[topic, reason]
        logged_s, logged_count = self._rejection_logged.get((topic, reason), (float("-inf"), 0))
        if at.now_s >= logged_s + REJECTION_LOG_EVERY_S:
            self._rejection_logged[topic, reason] = (at.now_s, count)
            level = "info" if reason == "retained" else "warning"
            self._say(
                "message_refused",
                level,
                topic=topic,
                reason=reason,
                why=REJECTIONS[reason],
                times=count - logged_count,
                payload=payload[:40].decode("utf-8", "backslashreplace"),
            )

    def _take_grid(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        if topic not in self.grid.topics:
            return
        before_w = self.grid.value
        try:
            self.grid.take(topic, payload, retained, at.now_s)
        except Rejected:
            self._refused_in_row += 1
            raise
        self._refused_in_row = 0
        grid_w = self.grid.value
        self._repeats += 1
        if grid_w != before_w:
            self._still_since_s, self._repeats = at.now_s, 0
            if grid_w is not None and before_w is not None:
                self._finest_w = min(self._finest_w, abs(grid_w - before_w))
        if grid_w is not None:
            self.steps.reading(at.now_s, grid_w, self._fresh(self.power), self.settings.limits.draw_w)
            self._remember(grid_w, at)
            if self.settings.rule.looks_ahead:
                self._heed_rule()
        self._say("reading", "debug", of="grid", value=grid_w)

    def _take_values(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        for name, meter in (("charger", self.power), ("temperature", self.temperature), ("voltage", self.voltage)):
            if topic in meter.topics:
                try:
                    meter.take(topic, payload, retained, at.now_s)
                except Rejected as refusal:  # the others may still find theirs in it
                    self._refuse(topic, refusal.reason, payload, at)
                else:
                    self._say("reading", "debug", of=name, value=meter.value)
                    self._weigh(name)

    def _weigh(self, name: str) -> None:
        """Remember of a new reading what the supervisor asks of several."""
        limits, heat_c = self.settings.limits, self.temperature.value
        if name == "charger" and (self.power.value or 0.0) > NO_LOAD_SHARE * limits.draw_w:  # else it says nothing
            over = (self.current_a or 0.0) > limits.instant_a
            self._over_readings = self._over_readings + 1 if over else 0
        if name == "temperature" and heat_c is not None and self.wants_on:
            self._warm_c = max(self._warm_c, heat_c)
        behind = not self.wants_on and (self.voltage.value or 0.0) < BEHIND_SHARE * self.settings.mains_v
        if name == "voltage" and (volts := self.voltage.value) and (source := self.settings.voltage) and not behind:
            measured_a = self.current_a
            amps = self._thermal_a() if measured_a is None else measured_a
            self.mains.reading(self._now_s, volts, amps, measured_a is not None, source.fresh_s)

    def _take_report(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        # Retained or not: a plug says here what is, and may repeat it only when it changes.
        contact = self.settings.contact
        if contact and topic == contact.topic:
            reported = contact.read(payload)
            if reported is not self.reported:
                self._say("relay_reported", "info", on=reported, wanted=self.wants_on)
            # Not heard since it was told off, or since the daemon began.
            if reported and not self.may_be_on and self._reported_s < self._wanted_since_s:
                self._catch_up(at)
            self.reported, self._reported_s = reported, at.now_s

    # --- inside -------------------------------------------------------------------------------------------------------

    def _fresh(self, meter: Meter) -> float | None:
        return meter.value if self._now_s < meter.fresh_until_s else None

    def _thermal_a(self) -> float:
        """Return the current to heat the image with: measured, or else the lead's, unless the relay is known off."""
        current_a = self.current_a
        if current_a is not None:
            return current_a
        # What was learned may heat the image more than what is configured, never less.
        # A single step far above it may have been a kettle: it heats the image once another has confirmed it.
        high_w = self._high_w if len(self.steps.high_w) >= STEPS_TO_TEST else 0.0
        draw_a = max(self.settings.draw_a, max(self.learned_w or 0.0, high_w) / self.settings.mains_v)
        return 0.0 if self.confirmed(False) and not self.wants_on else draw_a

    @property
    def _high_w(self) -> float:
        """What the lead seems to draw by steps far above what it should; 0: it does not."""
        return median(self.steps.high_w) if self.steps.high_w else 0.0

    def _if_high_a(self, current_a: float) -> float:
        """Return the current to heat the image with if even a single high step was the lead."""
        return max(current_a, self._high_w / self.settings.mains_v) if current_a and not self.measured else current_a

    def _until_high_trips_s(self, current_a: float) -> float:
        image, level = self.settings.limits.thermal, self.level_if_high
        return thermal.time_to_s(image, level, self._if_high_a(current_a), thermal.TRIP_LEVEL)

    def _plug_topics(self) -> set[str]:
        settings = self.settings  # a sensor at the socket may be a device of its own
        return {part.topic for part in (settings.contact, settings.power, settings.voltage) if part} - self.grid.topics

    @property
    def _off_told(self) -> bool:
        """Whether the broker has taken an off that is still wanted."""
        return self.link_up is True and self.acknowledged is False and not self.wants_on

    @property
    def _told_s(self) -> float:
        """Since when the relay has been told what is wanted, if it has."""
        return max(self._acknowledged_s, self._wanted_since_s)

    def _situation(self, at: Moment) -> Situation:
        state, params, limits = self.state, self.settings.params, self.settings.limits
        mains, draw_a, volts = self.mains, self.settings.draw_a, self._fresh(self.voltage)
        off_told, told_s = self._off_told, self._told_s
        reported_on = bool(self.hearing) and self.reported is True and self._reported_s >= told_s
        arming = state.mode == machine.ARMING and at.now_s >= state.due_s
        self._was_confirmed = self._was_confirmed or self.confirmed(self.wants_on)
        return Situation(
            wants_on=self.wants_on,
            wanted_s=at.now_s - self._wanted_since_s,
            link_up=self.link_up,
            hearing=self.hearing,
            confirmed=self.confirmed(self.wants_on),
            was_confirmed=self._was_confirmed,
            reported=self.reported,
            payloads_exchanged=self.reversal.found,
            told_off_s=at.now_s - told_s if off_told else 0.0,
            reported_on_after_off=off_told and reported_on,
            power_w=self._fresh(self.power),
            idle=self.power.value is not None and not flows(self.power.value, limits),
            power_after_s=-1.0 if self.power.at_s is None else self.power.at_s - self._wanted_since_s,
            current_a=self.current_a,
            over_readings=self._over_readings,
            level=self.level,
            run_a=self.run_as / self.run_s if self.run_s else 0.0,
            run_s=self.run_s,
            temperature_missing=bool(self.temperature.sources) and at.now_s >= self.temperature.fresh_until_s,
            temperature_c=self._fresh(self.temperature),
            warmed_c=None if self._cool_c is None else self._warm_c - self._cool_c,
            voltage_v=volts,
            voltage_before_v=None if volts is None else self.voltage.before,
            voltage_free_v=self._mean_v(0.0, not self.wants_on),
            voltage_mean_v=self.voltage_mean_v,
            voltage_mean_whole=mains.whole(at.now_s),
            voltage_drop_v=None if mains.drop_ohm is None else mains.drop_ohm * draw_a,
            large_drops=mains.large_drops(DROP_SHARE * limits.nominal_v / draw_a),
            meter_fresh=at.now_s < self.grid.fresh_until_s,
            meter_still_s=at.now_s - self._still_since_s,
            meter_repeats=self._repeats,
            meter_finest_w=self._finest_w,
            contrary_steps=self.steps.contrary,
            sign_proven=self.steps.proven,
            plug_silent=self.plug_silent,
            nothing_flows=self.fell_s is not None,
            high_steps=len(self.steps.high_w),
            high_w=self._high_w,
            high_explained=self.steps.explained,
            level_if_high=self.level_if_high,
            steps_late=(self.steps.lag_s or 0.0) > MOST_LAG_S or self.steps.unseen >= STEPS_UNSEEN,
            refused_in_row=self._refused_in_row,
            topics_refused=self._topics_refused,
            budget_spent=arming and at.now_s < machine.budget_free_s(params, state),
            clock_jumped=self._clock_jumped,
            store_failing=self._store_failing,
            history_failing=self._history_failing,
            **self._strain._asdict(),
        )

    @property
    def draw_w(self) -> float:
        """What the lead draws while it charges, as far as that is known: learned, or else configured."""
        return self.learned_w or self.settings.limits.draw_w

    def _charger_w(self, at: Moment) -> float:
        """Return what is drawn, or may be drawn for all that is known: for caps and surplus."""
        if at.now_s < self.power.fresh_until_s:
            return self.power.value or 0.0
        return self.draw_w if self.may_be_on else 0.0

    def _booked(self, at: Moment) -> tuple[bool, float]:
        """Return whether it is known what is drawn, and how much: what is not known is no energy in the books.

        Off is known from what broker and plug say; while an off is on its way, it still draws. On is not known where
        the plug has fallen silent, or grid power has fallen by the whole draw and nobody measures; nor where the plug
        last said that far less flows than would be assumed.
        """
        if self.fell_s is not None or (self.plug_silent and not self.measured):
            return False, 0.0
        # Since the relay was switched; of a plug that reports changes only, it may still hold.
        said_w = self.power.value
        if not self.measured and said_w is not None and self.wants_on and said_w < LOW_SHARE * self.draw_w:
            return False, 0.0
        lingers = self._maybe_on and not self.wants_on and not self.measured
        if lingers and (self._off_unknown or at.now_s >= self._wanted_since_s + STUCK_AFTER_S):
            return False, 0.0
        return True, self._charger_w(at)

    def _remember(self, grid_w: float, at: Moment) -> None:
        """Remember the surplus. Until the meter has followed a switching, it disagrees with the plug about it: no
        picture of the sky.
        """
        settles_s = self.steps.settles_s(self.wants_on)
        if at.now_s >= self._switched_s + (LATEST_S if settles_s is None else settles_s):
            known, charger_w = self._booked(at)
            if known:
                self.memory = ahead.remember(self.memory, at.now_s, (charger_w - grid_w) / self.draw_w)

    def _heed_rule(self) -> Band:
        """Take from the rule which thresholds hold now.

        With every reading, and at once with other settings: to let what holds without a memory of the surplus stand
        until the next reading would end charges because a price has moved by a little.
        """
        band = self.settings.rule.band(self._rule_draw_w, self.memory)
        self.settings = self.settings._replace(params=self.settings.params._replace(**band._asdict()))
        return band

    def _weigh_rule(self, before: Rule) -> None:
        """Prices or draw are others than ``before``: heed them, unless they come to nearly the same."""
        rule, draw_w = self.settings.rule, self.draw_w
        if not alike(before.measure(self._rule_draw_w), rule.measure(draw_w)):
            self._rule_draw_w = draw_w
            start_w, stop_w = map(tenths, self._heed_rule().shown)
            self._say("thresholds_changed", "info", start_export_w=start_w, stop_import_w=stop_w)

    def outlook(self) -> str | None:
        """Return what is expected of the surplus, and what that means, in a sentence; None: nothing looks ahead."""
        return self.settings.rule.outlook(self._rule_draw_w, self.memory, self._now_s, self.wants_on)

    def _inputs(self, at: Moment) -> Inputs:
        grid_w, charger_w, assumed = self.grid.value, self._charger_w(at), at.now_s >= self.power.fresh_until_s
        return Inputs(
            grid_w=0.0 if grid_w is None else grid_w,
            fresh_until_s=self.grid.fresh_until_s,
            # For the caps, an assumed draw is the larger one: an appliance that switches in sync with the lead may have
            # taught a draw that is too small.
            charger_w=max(charger_w, self.settings.limits.draw_w) if assumed and charger_w else charger_w,
            enabled=self.enabled,
            stopping=self.stopping,
            guard=self.supervisor.judge(self._situation(at), self.settings.limits, at.now_s),
            off_confirmed=self.confirmed(False),
            day=at.session_day,
        )

    def _advance(self, at: Moment) -> None:
        """Account for the time since the last call, then let the machine move until it rests."""
        self._tally(at)
        self._heat(at)
        self._count_unwished(at)
        if self.may_be_on or self._unheard():
            self._counted_until_s = at.now_s
        self._now_s = at.now_s
        self._maybe_on = (self._maybe_on or self.reported is True) and not self.confirmed(False)
        self._look_for_reversal(at)
        before = self.supervisor.active
        for _ in range(len(MODE_NAMES)):
            self.inputs = self._inputs(at)
            self.known, self.charger_w = self._booked(at)
            old, self.state = self.state, machine.step(self.settings.params, self.state, at.now_s, self.inputs)
            if self.state.mode == old.mode:
                break
            self._moved(old, self.state)
        self._tell_faults(before)

    def _look_for_reversal(self, at: Moment) -> None:
        if not (self.settings.contact and self.settings.power):
            return
        if self.settings.rule.way is Way.HAND:  # there it is tried with a person's help, and sooner
            return
        reversal, power_w = self.reversal, self._fresh(self.power)
        before = reversal.exchanged, reversal.found
        reversal.look(
            Sight(
                now_s=at.now_s,
                reachable=self.link_up is True and bool(self.hearing) and not self.stopping,
                wants_on=self.wants_on,
                wanted_since_s=self._wanted_since_s,
                told_off_s=self._told_s if self._off_told else None,
                flows=None if power_w is None else flows(power_w, self.settings.limits),
                measured_s=float("-inf") if self.power.at_s is None else self.power.at_s,
                reported=self.reported,
                reported_s=self._reported_s,
            )
        )
        if (reversal.exchanged, reversal.found) != before:
            self._say("off_reworded", "warning", exchanged=reversal.exchanged, certain=reversal.found)
        if reversal.exchanged is not before[0]:
            self.acknowledged = None  # what the broker has taken is not what is meant any more

    def _moved(self, old: State, new: State) -> None:
        on = machine.wants_on(new.mode)
        if on is not machine.wants_on(old.mode):
            off_s, self._wanted_since_s, self._was_confirmed = new.at_s - self._wanted_since_s, new.at_s, False
            self.steps.switched(on, new.at_s, new.at_s < self.grid.fresh_until_s, self._fresh(self.power))
            self.mains.switched(new.at_s)
            self.power.forget()  # what was drawn before says nothing of what is drawn from now on
            self._off_unknown = not on and not self.known
            self.pulse.listen(on and bool(self.hearing), new.at_s)
            self._maybe_on, self._switched_s = not on, new.at_s
            if on:
                self._told_on_s = new.at_s
                self.starts_s = (*self.starts_s, new.at_s)[-MOST_STARTS_PER_DAY:]
                self.today = self.today._replace(starts=self.today.starts + 1)
                if off_s >= self.settings.limits.rest_s:
                    self.run_s = self.run_as = 0.0
                if not self.run_s:  # rested; else the socket may be warm already
                    self._cool_c = self._fresh(self.temperature)
                    self._warm_c = self._cool_c or 0.0
        self._say(
            "state_changed",
            "info",
            old=MODE_NAMES[old.mode],
            new=MODE_NAMES[new.mode],
            cause=machine.CAUSES[new.cause],
            grid_w=self.grid.value,
            after_s=round(new.since_s - old.since_s, 1),
        )

    def _tell_faults(self, before: tuple[Record, ...]) -> None:
        after = self.supervisor.active
        codes_before, codes_after = {record.code for record in before}, {record.code for record in after}
        for record in after:
            if record.code not in codes_before:
                fault = record.fault
                level = "info" if fault.severity == NOTE else "warning"
                shown = self.supervisor.shown.get(fault.code, {})
                self._say("fault_raised", level, code=fault.code, times=record.times, sentence=fault.sentence, **shown)
        for record in before:
            if record.code not in codes_after:
                self._say("fault_cleared", "info", code=record.code)

    def _heat(self, at: Moment) -> None:
        """Bring the thermal image and the account of the present run up to now, with the current held since then."""
        elapsed_s = max(0.0, at.now_s - self.state.at_s)
        current_a = self._thermal_a()
        image = self.settings.limits.thermal
        self.level = thermal.advance(image, self.level, current_a, elapsed_s)
        # What a single high step would mean is reckoned beside it: true once confirmed, forgotten once refuted.
        if_high = thermal.advance(image, self.level_if_high, self._if_high_a(current_a), elapsed_s)
        self.level_if_high = max(self.level, if_high)
        if len(self.steps.high_w) >= STEPS_TO_TEST:
            self.level = self.level_if_high
        elif not self.steps.high_w:
            self.level_if_high = self.level
        if self.wants_on:
            self.run_s += elapsed_s
            self.run_as += current_a * elapsed_s

    def _count_unwished(self, at: Moment) -> None:
        """Count for the session's caps, too, for how long the relay may be on though it is not wanted on.

        The machine counts what is wanted. A broker that is away, or a plug that does not follow, may leave it on for
        longer.
        """
        if not self.wants_on and (self._maybe_on or self._unheard()):
            state, elapsed_s = self.state, max(0.0, at.now_s - self.state.at_s)
            charger_w = state.charger_w if self._maybe_on else self.settings.limits.draw_w
            self.state = state._replace(
                session_s=state.session_s + elapsed_s,
                session_wh=state.session_wh + charger_w * elapsed_s / machine.HOUR_S,
            )

    def _unheard(self) -> bool:
        """Say whether a plug that reports was told on and off again, and has not been heard since.

        What it reported before passes for off; but it may have gone on, out of reach, and off again before it was
        heard. One that never got the "on" and reports only changes would stay silent for good: hence the limit.
        """
        told_both = self._told_on_s < self._wanted_since_s and not self.wants_on
        silent = self.settings.contact is not None and self._reported_s < self._wanted_since_s
        return told_both and silent and self.state.at_s < self._wanted_since_s + UNHEARD_S

    def _catch_up(self, at: Moment) -> None:
        """Count what nobody saw: a plug that was out of reach when it was told on comes back, and is on.

        It passed for off, by what it had reported before; but it has been on all the while.
        """
        state, draw_w, unseen_s = self.state, self.settings.limits.draw_w, at.now_s - self._counted_until_s
        self.state = state._replace(
            session_s=state.session_s + unseen_s, session_wh=state.session_wh + draw_w * unseen_s / machine.HOUR_S
        )
        self.level = thermal.advance(self.settings.limits.thermal, self.level, self.settings.draw_a, unseen_s)
        self.run_s, self.run_as = self.run_s + unseen_s, self.run_as + self.settings.draw_a * unseen_s

    def _tally(self, at: Moment) -> None:
        """Count the energy since the last call, with the values held since then; never across a stale reading."""
        state, inputs = self.state, self.inputs
        elapsed_s = max(0.0, at.now_s - state.at_s)
        known_s = max(0.0, min(at.now_s, inputs.fresh_until_s) - state.at_s) if self.known else 0.0
        grid_share_w = min(self.charger_w, max(inputs.grid_w, 0.0))
        if at.today != self.today.day:
            self.today = Tally(at.today)
        self.today = self.today._replace(
            on_s=self.today.on_s + (elapsed_s if self.wants_on else 0.0),
            charger_wh=self.today.charger_wh + self.charger_w * known_s / machine.HOUR_S,
            grid_wh=self.today.grid_wh + grid_share_w * known_s / machine.HOUR_S,
            unknown_s=self.today.unknown_s + (elapsed_s - known_s if self.may_be_on else 0.0),
        )

    def _say(self, name: str, level: str, **fields: Any) -> None:
        """Tell the shell of something. How much of a flood is worth a line is the log's own affair."""
        self._events.append(Event(name, level, fields))


def last_starts(starts_s: tuple[float, ...], length: int) -> tuple[float, ...]:
    """Return the last ``length`` starts, filled up with "never" at the old end."""
    return ((machine.NEVER_S,) * length + starts_s)[-length:]


def tenths(value: float | None) -> float | None:
    """Return a value as people are shown it."""
    return None if value is None else round(value, 1)


def _meter(source: Source | None) -> Meter:
    return Meter((source,) if source else ())
