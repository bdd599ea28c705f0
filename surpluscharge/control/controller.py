"""One charger's controller: signals, machine and supervisor together, told what happens and when.

Still no I/O and no clock: whatever happens comes in by one door, :meth:`Controller.tell`, with its :class:`Moment`. The
shell carries messages and time in, takes :attr:`Controller.wants_on` and the events out, and calls again at
:meth:`Controller.deadline_s`. The tests do the same without a shell.

No method may leave out the first step of it, that what was known before holds up to now: one did once, and a pause was
too short by one turn of the loop (the oracle in tests/world.py found it). What is drawn has two answers: what *may* be,
for the caps, the surplus and the thermal image, and what is *known* to be, for the books. They were one once, and a
plug that had been cut off was booked as solar. The machine counts what is wished; what the relay may do besides is
added to the caps here, so that the machine stays a function of wishes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from surpluscharge.control import ahead, battery, hidden, machine, news, steering, thermal
from surpluscharge.control.hidden import ExportLimit, HiddenSun, Tried
from surpluscharge.control.joint import NOTHING, Evidence, Warming, lost_in_wall
from surpluscharge.control.joint import Kept as KeptJoint
from surpluscharge.control.lessons import Lessons
from surpluscharge.control.machine import MODE_NAMES, Inputs, Params, State
from surpluscharge.control.news import News
from surpluscharge.control.plug import Plug
from surpluscharge.control.rule import Band, Rule, Way, alike
from surpluscharge.control.signals import Contact, Meter, Refusals, Rejected, Source, Stillness
from surpluscharge.control.slots import REASONS
from surpluscharge.control.steering import Running
from surpluscharge.control.steps import SETTLES_S, Beside
from surpluscharge.control.supervisor import (
    DROP_SHARE,
    HIGH_WAITS_S,
    JUDGED_S,
    LOW_SHARE,
    NO_LOAD_SHARE,
    NOTE,
    STUCK_AFTER_S,
    Limits,
    Record,
    Situation,
    Supervisor,
    flows,
)
from surpluscharge.control.thermal import Socket
from surpluscharge.control.wishes import Progress

if TYPE_CHECKING:
    from surpluscharge.control.neighbours import Neighbours, Place

MOST_STARTS_PER_DAY = 96
_COULD_START = machine.ENABLED | machine.FRESH | machine.MIN_OFF_OVER | machine.BUDGET_LEFT


class Moment(NamedTuple):
    """A time, in the ways the controller needs it."""

    now_s: float  # monotonic
    session_day: int  # number of the local day that begins at the re-arm time
    today: int  # number of the local calendar day
    planned_day: int = 0  # number of the local day that begins at noon
    interval: tuple[float, float] | None = None  # in which the bill nets, begin and end, monotonic; None: it does not
    utc_s: float = 0.0  # since 1970: where the sun stands
    cars_turn: bool = False  # by the time of day the sun is the car's, whatever the level of a battery


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
    surroundings: Source | None = None  # of the air near it
    voltage: Source | None = None
    phase: int = 0  # the lead's, where meters are named for phases; 0: not known
    phases_apart: bool = False  # the bill does not sum them up, so only the lead's own counts
    battery: battery.House | None = None
    export_limit: ExportLimit | None = None  # the inverter holds back what would be exported beyond it
    silent_s: float | None = None  # a plug that says nothing for so long while it is on is silent; None: learned
    place: Place | None = None  # among others on the same meter; None: there are none
    command: tuple[str, ...] = ()  # how the relay is told: topic, and payloads for on and off; only ever compared


class Tally(NamedTuple):
    """What happened on one calendar day. Energy in watt-hours; what is left of ``charger_wh`` is solar."""

    day: int
    starts: int = 0
    on_s: float = 0.0
    charger_wh: float = 0.0
    grid_wh: float = 0.0
    unknown_s: float = 0.0  # in which the lead may have drawn, and nothing of it is counted here
    battery_wh: float = 0.0  # of charger_wh, what a house battery gave

    @property
    def solar_wh(self) -> float:
        return self.charger_wh - self.grid_wh - self.battery_wh


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
    planned: bool = False  # what it charges counts for the plan
    planned_s: float = 0.0
    planned_wh: float = 0.0
    planned_day: int = 0
    progress: Progress = Progress()
    planned_at_s: float = 0.0  # when something was last charged by plan
    tried: Tried = Tried()
    joint: KeptJoint | None = None  # None: nothing was shown of the joints
    changed_ms: int = 0  # until when it is heeded what the owner has said of changes in the house, by the wall clock
    said: bool | None = None  # whether the plug's relay was on when it last reported it; None: it never did


class Controller:
    def __init__(self, settings: Settings, at: Moment, kept: Kept | None = None, *, trusted: bool = True) -> None:
        """``kept`` has its times already shifted to this clock. The relay counts as not known to be off.

        Not ``trusted``: what should have been remembered could not be read, so the socket may be as hot as it can get.
        """
        self.settings = settings
        self.enabled = kept.enabled if kept else False
        self.stopping = False
        # What is seen.
        self.grid = Meter(settings.grid, settings.phase if settings.phases_apart else 0)
        self.temperature = Meter.of(settings.temperature)
        self.surroundings = Meter.of(settings.surroundings)
        self.battery = Meter.of(settings.battery and settings.battery.power)
        self.battery_level = Meter.of(settings.battery and settings.battery.charge)
        self.battery_yields = False  # the sun is the car's
        self._level_watch = battery.LevelWatch()
        self.stillness = Stillness(at.now_s)  # of the grid's meter
        self.refusals = Refusals()
        self._refused_in_row = 0  # messages from the grid's meter
        self.hidden: HiddenSun | None = None  # what the meter cannot show, where export is limited
        self.evened = False  # an inverter that holds sun back may have evened out the step of the last switching
        # Of the surplus of late, whether or not the thresholds look ahead yet.
        self.memory = ahead.nothing(settings.rule.pace)
        self.running: Running | None = None  # the interval that the bill nets in; None: it does not net
        self.lately = steering.nothing()  # the surplus of late, as steering by it asks for
        self.neighbours = settings.place.among(at.now_s) if settings.place else None
        self._stop_delay_s = settings.params.stop_delay_s
        # What is made of it.
        self.lessons = Lessons(kept.ohms, kept.joint) if kept else Lessons()
        self._warming = Warming() if settings.temperature else None
        self.changed_ms = kept.changed_ms if kept else 0
        self.plug = Plug(settings.contact, settings.power, settings.voltage, self.lessons.steps, at.now_s)
        self.plug.silent_s = settings.silent_s
        self.hidden = self._watch_limit(kept.tried if kept else Tried())
        # Without a memory, the socket is taken to be as warm as the lead can make it.
        self.socket = Socket(thermal.settled_level(settings.limits.thermal, settings.draw_a))
        self._rests_at: Moment | None = None  # when nothing moved any more, with all that was known then
        self.supervisor = Supervisor()
        # What is asked for.
        self.progress = kept.progress if kept else Progress()
        self._due_s: tuple[tuple[float, float], ...] = ()  # from when until when a charge is due
        # What goes on around it.
        self._topics_refused = self._clock_jumped = self._store_failing = self._history_failing = False
        self._strain = news.Strained()
        self.worn = news.Worn()
        self._events: list[Event] = []
        # What is decided, and what came of it.
        self._rule_draw_w = self.draw_w  # what the rule reckons with: another step seen moves it by a watt or two
        self._heed_rule()
        self.today = Tally(at.today)
        self.starts_s: tuple[float, ...] = ()  # the last ones, as many as any budget may ask for
        self.state = machine.initial(settings.params, at.now_s, at.session_day)._replace(
            was_enabled=self.enabled, planned_day=at.planned_day
        )
        if kept:
            self._restore(kept, at)
        self.inputs = self._inputs(at)
        self.known, self.charger_w = self.plug.draws(self.draw_w)  # held, as the inputs are
        self.grid_w = self.battery_w = self.after_w = 0.0  # and these
        if not trusted:  # from now on: it has not tripped, and need not wait as long as after a trip
            self.socket.level = thermal.TRIP_LEVEL

    def _restore(self, kept: Kept, at: Moment) -> None:
        # If the daemon died and the relay may have been on, nobody knows how long it stayed so: count all of it.
        blind_s = max(0.0, at.now_s - kept.saved_s) if kept.on else 0.0
        self.plug.restore(kept.on, kept.said)
        self.starts_s = kept.starts_s
        self.state = self.state._replace(
            starts_s=last_starts(kept.starts_s, self.settings.params.starts_per_day),
            session_s=kept.session_s,
            session_wh=kept.session_wh,
            session_day=kept.session_day,
            planned=kept.planned,
            planned_s=kept.planned_s,
            planned_wh=kept.planned_wh,
            planned_day=kept.planned_day,
            planned_at_s=kept.planned_at_s,
        )
        self._count(kept.charger_w, blind_s)
        if kept.today.day == at.today:
            self.today = kept.today
        socket, current_a = self.socket, self.settings.draw_a if kept.on else 0.0
        away_s = max(0.0, at.now_s - kept.saved_s)
        socket.level = thermal.advance(self.settings.limits.thermal, kept.level, current_a, away_s)
        if kept.on:
            socket.level = max(socket.level, kept.level)  # it may have been long, or no time at all
        if kept.on or away_s < self.settings.limits.rest_s:
            socket.run_s, socket.run_as = kept.run_s + blind_s, kept.run_as + current_a * blind_s
        self.supervisor = Supervisor(kept.faults)
        # Another configuration may have put it right. So may somebody at the plug, who acknowledges and starts anew.
        waits = any(r.code == "payloads-exchanged" and not r.acknowledged for r in self.supervisor.active)
        self.plug.reversal.found = waits and bool(kept.exchanged) and kept.exchanged == self.settings.command

    def kept(self) -> Kept:
        """Return what must outlive the process."""
        state = self.state
        return Kept(
            state.at_s,
            self.enabled,
            self.plug.may_be_on,
            state.charger_w,
            self.starts_s,
            state.session_s,
            state.session_wh,
            state.session_day,
            self.today,
            self.socket.level,
            self.socket.run_s,
            self.socket.run_as,
            tuple(self.supervisor.records.values()),
            tuple(self.lessons.mains.ohms),
            self.settings.command if self.plug.reversal.found else (),
            state.planned,
            state.planned_s,
            state.planned_wh,
            state.planned_day,
            self.progress,
            state.planned_at_s,
            self._tried,
            self.lessons.joint.kept if self.lessons.joint else None,
            self.changed_ms,
            self.plug.said,
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
    def steers(self) -> bool:
        """Whether the bill nets, and the energy of the interval decides."""
        return self.running is not None and self.settings.rule.steers

    @property
    def faults(self) -> tuple[Record, ...]:
        """The faults that count now."""
        return self.supervisor.active

    @property
    def told_in_floods(self) -> bool:
        """Whether commands or reports of the plug come faster than anybody means them."""
        return self._strain.told_in_floods

    @property
    def current_a(self) -> float | None:
        """The charger's current from its measured power, and the measured or else the nominal voltage."""
        return self.plug.current_a(self.settings.mains_v)

    @property
    def due_until_s(self) -> float | None:
        """Until when a charge is due now, whatever the sun does; None: none is. A car that is full needs none."""
        return self._due_until_s(self.state.at_s)

    def _due_until_s(self, now_s: float) -> float | None:
        ends_s = [end_s for begin_s, end_s in self._due_s if begin_s <= now_s < end_s]
        return max(ends_s) if ends_s and not self.progress.full else None

    @property
    def joint_lost_w(self) -> float | None:
        """What the joints seem to lose more than they should, or than at first; None: nothing is found in watts."""
        amps = self.settings.draw_a
        grown, over_w = self.lessons.grown(amps), self.lessons.over_w(amps) or 0.0
        if not grown and over_w <= 0.0:  # as a rule
            return None
        lost_w = [finding.lost for finding in grown if finding.measure != "heat"]
        return max([*lost_w, *((over_w,) if over_w > 0.0 else ())], default=None)

    @property
    def voltage_mean_v(self) -> float | None:
        """The voltage's mean of ten minutes, as it is or would be under the lead's load; None: not known."""
        return self._mean_v(self.settings.draw_a, self.wants_on)

    def _mean_v(self, amps: float, as_it_is: bool) -> float | None:
        mains = self.lessons.mains
        # While the circuit is not known, a mean tells only of the load that there was.
        known = self.plug.volts is not None and (as_it_is or mains.learned is not None)
        return mains.mean_v(amps) if known else None

    def deadline_s(self) -> float:
        """Return when to tell of a tick at the latest, in monotonic seconds."""
        now_s, limits, plug, socket = self.state.at_s, self.settings.limits, self.plug, self.socket
        current_a = self._thermal_a()
        times = [
            machine.next_deadline(self.settings.params, self.state, self.inputs),
            self.supervisor.next_deadline(now_s),
            plug.wanted_since_s + (limits.rest_after_s - socket.run_s if self.wants_on else limits.rest_s),
            *(plug.wanted_since_s + wait_s for wait_s in (STUCK_AFTER_S, JUDGED_S, HIGH_WAITS_S)),
            *plug.deadlines_s(),
            self.temperature.fresh_until_s,
            *(edge_s for due_s in self._due_s for edge_s in due_s),
            # While the relay is on, the machine itself asks for this.
            float("inf") if self.wants_on else self.fresh_until_s,
            self.battery_level.fresh_until_s,
            *(self.neighbours.deadlines_s() if self.neighbours else ()),
            *self._trial_deadlines_s(),
            *(
                now_s + wait_s + 1e-3
                for wait_s in socket.waits_s(limits.thermal, current_a, self._if_high_a(current_a))
            ),
        ]
        return min((time_s for time_s in times if time_s > now_s), default=float("inf"))

    def take_events(self) -> list[Event]:
        """Return the events since the last call, oldest first."""
        events, self._events = self._events, []
        return events

    def take_claim(self) -> str | None:
        """Return what is to be claimed now, to be published and kept by the broker; None: nothing new."""
        return self.neighbours.take_claim(self.state.at_s) if self.neighbours else None

    @property
    def fresh_until_s(self) -> float:
        """Until when the surplus is known: the meter, and the battery where there is one, have said something fresh."""
        return min(self.grid.fresh_until_s, self.battery.fresh_until_s if self.settings.battery else float("inf"))

    @property
    def decisive_w(self) -> float | None:
        """The grid power that decides, positive for import; with a battery see control/battery.py; None: not known."""
        grid_w, battery_w = self.grid.value, self.battery.value
        if grid_w is None or self.settings.battery is None:
            return grid_w
        return None if battery_w is None else battery.decisive_w(grid_w, battery_w, self.battery_yields)

    @property
    def read_since_switching(self) -> bool:
        """Whether the meter has spoken since the relay was last switched: before, its reading knows nothing of it."""
        return self.grid.at_s is not None and not self.lessons.precedes_switching(self.grid.at_s)

    @property
    def sky(self) -> ahead.Memory | None:
        """What is remembered of the surplus, for thresholds that look ahead; None: it is the battery's turn.

        Then what little is left over beside it says nothing of what is to come.
        """
        return self.memory if self.settings.battery is None or self.battery_yields else None

    # --- what the shell tells -----------------------------------------------------------------------------------------

    def tell(self, happened: News, at: Moment) -> None:
        """Take in what has happened at this moment; nothing in it can raise.

        What was known before holds up to now: that is accounted for first.
        """
        until = at
        if type(happened) is news.ClockJumped:  # it is asked nothing about the time before: that would begin a session
            until = at._replace(session_day=self.state.session_day, planned_day=self.state.planned_day)
        if until != self._rests_at:  # else no time has passed, and nothing came, since nothing moved any more
            self._advance(until)
        if type(happened) is not news.Tick:
            self._take(happened, at)
            self._advance(at)
            if self._clock_jumped:
                self._clock_jumped, self._rests_at = False, None

    def _take(self, happened: News, at: Moment) -> None:
        match happened:
            case news.Message(topic, payload, retained):
                self._take_message(topic, payload, retained, at)
            case news.Claimed(name, payload, retained):
                self._take_claim(name, payload, retained, at)
            case news.ClaimsLink(life):
                if self.neighbours:
                    self.neighbours.link(life, at.now_s)
            case news.Refused(topic, reason, payload):
                self._refuse(topic, reason, payload, at)
            case news.Enable(on):
                if on is not self.enabled:
                    self._say("enabled" if on else "disabled", "info")
                    if on:
                        self.supervisor.try_anew()
                self.enabled = on
            case news.Acknowledge(code):
                self._acknowledge(code)
            case news.Looked(note):
                self.lessons.looked()
                self.worn = self.worn._replace(look_due=False)
                self._say("looked", "info", note=note)
            case news.Worn():
                self.worn = happened
            case news.SignShown():
                self.lessons.steps.proven = True
            case news.Stop():
                self.stopping = True
            case news.CommandsLink(up):
                self.plug.commands_link(up)
                self._linked(up, at)
            case news.ReadingsLink(up):
                self.plug.readings_link(up)
                self._linked(up, at)
            case news.RelayLink(up):
                self.plug.relay_link(up)
            case news.TopicsRefused(refused):
                self._topics_refused = refused
            case news.Sending(on):
                self.plug.sending(on)
            case news.Taken(on):
                self.plug.taken(on)
            case news.Strained():
                self._strain = happened
            case news.StoreFailing(failing):
                self._store_failing = failing
            case news.HistoryFailing(failing):
                self._history_failing = failing
            case news.ClockJumped():
                self.state = self.state._replace(session_day=at.session_day, planned_day=at.planned_day)
                self._clock_jumped = True
            case news.Reload(settings):
                self.settings, self._rule_draw_w = settings, self.draw_w
                self.plug.contact, self.plug.silent_s = settings.contact, settings.silent_s
                self._stop_delay_s = settings.params.stop_delay_s
                self.hidden = self._watch_limit(self._tried)
                self._heed_rule()
                self.state = self.state._replace(starts_s=last_starts(self.starts_s, settings.params.starts_per_day))
            case news.Follow(prices, planned):
                before = self.settings.rule
                self.settings = self.settings._replace(rule=before._replace(prices=prices, planned=planned))
                self._weigh_rule(before)
            case news.Ask(request):
                asked = request and request._replace(from_wh=self.progress.got_wh)
                self.progress = self.progress._replace(request=asked, full=False)
                if asked:
                    self.supervisor.try_anew()
            case news.Gone(away):
                if away is None and self.progress.away is not None:
                    self._say("back", "info")
                elif away is not None and away != self.progress.away:
                    self._say("away", "info", leave=_minute(away.leave_s), back=_minute(away.back_s), sun=away.sun)
                self.progress = self.progress.gone(away, at.utc_s)
            case news.Due(at_s):
                self.progress = self.progress.after(at_s)
            case news.Netted(credit_wh, charged_wh):
                if self.running is not None:
                    self.running = self.running._replace(credit_wh=credit_wh, charged_wh=charged_wh)
            case news.Full():
                self.progress = self.progress._replace(full=True)
            case news.Planned(due_s):
                self._due_s = due_s
            case news.Learn(draw_w):
                self.lessons.learned_w = draw_w
                self._weigh_rule(self.settings.rule)
            case news.Changed(said_ms, meter, circuit, sun):
                self.changed_ms = said_ms
                self.lessons.changed(meter, circuit)
                if sun and self.hidden:  # what was bought today stays counted
                    self.hidden.tried = self.hidden.tried._replace(outcomes=())
                self._say("learning_anew", "info", meter=meter, circuit=circuit, sun=sun)

    def _heed_battery(self, at: Moment) -> None:
        """See whose turn the sun is."""
        if house := self.settings.battery:
            known = at.now_s < self.battery_level.fresh_until_s and not self._level_watch.stuck
            level = self.battery_level.value if known else None
            self.battery_yields = battery.yields(self.battery_yields, house.rights, level, at.cars_turn)

    def _linked(self, up: bool, at: Moment) -> None:
        if up:
            self.stillness.begin(at.now_s)

    def _acknowledge(self, code: str | None) -> None:
        for name in self.supervisor.acknowledge(code):
            self.lessons.acknowledged(name)
            if name == "battery-sign":
                self._level_watch = battery.LevelWatch()
            self._say("fault_acknowledged", "info", code=name)

    def _take_message(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        # One topic may serve several purposes; what one cannot use, another may.
        for use in (self._take_battery, self._take_grid, self._take_values, self._take_report):
            try:
                use(topic, payload, retained, at)
            except Rejected as refusal:
                self._refuse(topic, refusal.reason, payload, at)
        if not retained and topic in self.plug.topics - self.grid.topics:
            self.plug.heard(self.settings.limits)

    def _take_claim(self, name: str, payload: bytes, retained: bool, at: Moment) -> None:
        if self.neighbours:
            try:
                changed_w = self.neighbours.take(name, payload, retained, at.now_s)
                self.lessons.disturbed(changed_w / self.draw_w, at.now_s)
            except Rejected as refusal:
                self._refuse("claims", refusal.reason, payload, at)

    def _refuse(self, topic: str, reason: str, payload: bytes, at: Moment) -> None:
        """Count a message that cannot be used, and say so at a bounded rate. ``reason`` is a key of REASONS."""
        if times := self.refusals.count(topic, reason, at.now_s):
            self._say(
                "message_refused",
                "info" if reason == "retained" else "warning",
                topic=topic,
                reason=reason,
                why=REASONS[reason],
                times=times,
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
        self.stillness.reading(before_w, self.grid.value, at.now_s)
        decisive_w = self.decisive_w
        if decisive_w is not None:
            self.lessons.steps.reading(at.now_s, decisive_w, self.plug.measured_w, self.settings.limits.draw_w)
            if beside := self.lessons.steps.take_beside():
                self._weigh_wall(beside)
            self._watch_export(at)
            # Of the sky, whoever's turn it is: what the battery takes is left over, too.
            self._remember((self.grid.value or 0.0) - (self.battery.value or 0.0), at)
            if self.settings.rule.looks_ahead or self.running is not None:
                self._heed_rule(at.now_s)
        self._say("reading", "debug", of="grid", value=self.grid.value)

    def _take_battery(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        # Its level may be told only when it changes, so a retained word of it counts: not of one that comes with the
        # power, and so again and again.
        kept = retained and topic in self.battery.topics
        self._take_value("battery", self.battery, topic, payload, kept, at)
        self._take_value("battery_level", self.battery_level, topic, payload, kept, at)

    def _take_values(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        plug = self.plug
        for name, meter in (
            ("surroundings", self.surroundings),
            ("charger", plug.power),
            ("temperature", self.temperature),
            ("voltage", plug.voltage),
        ):
            self._take_value(name, meter, topic, payload, retained, at)

    def _take_value(self, name: str, meter: Meter, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        if topic not in meter.topics:
            return
        try:
            meter.take(topic, payload, retained, at.now_s)
        except Rejected as refusal:  # the others may still find theirs in it
            self._refuse(topic, refusal.reason, payload, at)
        else:
            self._say("reading", "debug", of=name, value=meter.value)
            self._weigh(name, at.now_s)

    def _weigh(self, name: str, now_s: float) -> None:
        """Remember of a new reading what the supervisor asks of several."""
        if name == "battery":
            self._level_watch.flows(self.battery.value or 0.0, now_s, self.battery.sources[0].fresh_s)
        elif name == "battery_level":
            self._level_watch.stands(self.battery_level.value or 0.0)
        limits, heat_c, socket = self.settings.limits, self.temperature.value, self.socket
        if name == "charger" and (self.plug.power.value or 0.0) > NO_LOAD_SHARE * limits.draw_w:  # else it says nothing
            over = (self.current_a or 0.0) > limits.instant_a
            socket.over_readings = socket.over_readings + 1 if over else 0
        if name == "temperature" and heat_c is not None and self.wants_on:
            socket.feels(heat_c)
        if name == "temperature" and heat_c is not None and self._warming:
            around = self.surroundings
            self._warming.feels(now_s, heat_c, around.value if now_s < around.fresh_until_s else None)
        source = self.settings.voltage
        if name == "voltage" and source and (volts := self.plug.mains_v(self.settings.mains_v)):
            measured_a = self.current_a
            amps = self._thermal_a() if measured_a is None else measured_a
            self._show(self.lessons.mains.reading(self.state.at_s, volts, amps, measured_a is not None, source.fresh_s))

    def _weigh_wall(self, beside: Beside) -> None:
        """Hold the step of the house's meter against the plug's. What a battery does at that moment is in neither."""
        if self.settings.battery is None:
            amps = beside.drawn_w / (self.plug.mains_v(self.settings.mains_v) or self.settings.mains_v)
            self._show(lost_in_wall(*beside, amps))

    def _show(self, evidence: Evidence | None) -> None:
        """A switching, or a charge, has shown something of the joints; None: it has not."""
        if evidence is not None and all(map(math.isfinite, evidence[1:])):
            self.lessons.show(evidence)
            _, value, error, amps = evidence[1:]
            self._say("joint_shown", "debug", measure=evidence.measure, value=value, error=error, amps=amps)

    def _take_report(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        # Retained or not: a plug says here what is, and may repeat it only when it changes.
        plug = self.plug
        if plug.contact and topic == plug.contact.topic:
            on = plug.contact.read(payload)
            if on is not plug.reported:
                self._say("relay_reported", "info", on=on, wanted=self.wants_on)
            self._catch_up(plug.report(on, retained))

    # --- inside -------------------------------------------------------------------------------------------------------

    def _heat_c(self, at: Moment) -> float | None:
        return self.temperature.value if at.now_s < self.temperature.fresh_until_s else None

    def _thermal_a(self) -> float:
        """Return the current to heat the image with: measured, or else the lead's, unless the relay is known off."""
        current_a = self.current_a
        if current_a is not None:
            return current_a
        # What was learned may heat the image more than what is configured, never less.
        # A single step far above it may have been a kettle: it heats the image once another has confirmed it.
        high_w = self.lessons.high_w if self.lessons.high_believed else 0.0
        draw_a = max(self.settings.draw_a, max(self.lessons.learned_w or 0.0, high_w) / self.settings.mains_v)
        return 0.0 if self.plug.confirmed(False) and not self.wants_on else draw_a

    def _if_high_a(self, current_a: float) -> float:
        """Return the current to heat the image with if even a single high step was the lead."""
        high_a = self.lessons.high_w / self.settings.mains_v
        return max(current_a, high_a) if current_a and not self.plug.measured else current_a

    def _situation(self, at: Moment) -> Situation:
        state, params, limits = self.state, self.settings.params, self.settings.limits
        plug, socket, lessons, strain = self.plug, self.socket, self.lessons, self._strain
        steps, mains, power_w = lessons.steps, lessons.mains, plug.power.value
        wants_on, draw_a, heat_c = self.wants_on, self.settings.draw_a, self._heat_c(at)
        arming = state.mode == machine.ARMING and at.now_s >= state.due_s
        fuse, (gives_w, feeds_w, rests, carries) = self._fuse(at), self._battery(at)
        trying = self.hidden if self.hidden and self.hidden.charging else None
        grown = lessons.grown(draw_a)
        fields = (  # in its order, for by their names it takes ten times as long; a test holds it to that
            wants_on,  # wants_on
            at.now_s - plug.wanted_since_s,  # wanted_s
            plug.link_up,  # link_up
            plug.hearing,  # hearing
            plug.confirmed(wants_on),  # confirmed
            plug.was_confirmed,  # was_confirmed
            plug.reported,  # reported
            0.0 if plug.told_off_s is None else at.now_s - plug.told_off_s,  # told_off_s
            plug.on_in_spite,  # reported_on_after_off
            plug.measured_w,  # power_w
            -1.0 if plug.power.at_s is None else plug.power.at_s - plug.wanted_since_s,  # power_after_s
            self.current_a,  # current_a
            socket.over_readings,  # over_readings
            socket.level,  # level
            socket.run_a,  # run_a
            socket.run_s,  # run_s
            bool(self.temperature.sources) and heat_c is None,  # temperature_missing
            heat_c,  # temperature_c
            socket.warmed_c,  # warmed_c
            plug.volts,  # voltage_v
            None if plug.volts is None else plug.voltage.before,  # voltage_before_v
            self._mean_v(0.0, not wants_on),  # voltage_free_v
            self._mean_v(draw_a, wants_on),  # voltage_mean_v
            mains.whole(at.now_s),  # voltage_mean_whole
            None if mains.drop_ohm is None else mains.drop_ohm * draw_a,  # voltage_drop_v
            mains.large_drops(DROP_SHARE * limits.nominal_v / draw_a),  # large_drops
            at.now_s < self.grid.fresh_until_s,  # meter_fresh
            at.now_s - self.stillness.since_s,  # meter_still_s
            self.stillness.repeats,  # meter_repeats
            self.stillness.finest,  # meter_finest_w
            steps.contrary,  # contrary_steps
            steps.proven,  # sign_proven
            plug.silent,  # plug_silent
            plug.fell_s is not None,  # nothing_flows
            len(steps.high_w),  # high_steps
            lessons.high_w,  # high_w
            steps.explained,  # high_explained
            socket.level_if_high,  # level_if_high
            lessons.late,  # steps_late
            self._refused_in_row,  # refused_in_row
            self._topics_refused,  # topics_refused
            arming and at.now_s < machine.budget_free_s(params, state),  # budget_spent
            self._clock_jumped,  # clock_jumped
            self._store_failing,  # store_failing
            self._history_failing,  # history_failing
            strain.told_in_floods,  # told_in_floods
            strain.read_in_floods,  # read_in_floods
            power_w is not None and not flows(power_w, limits),  # idle
            strain.late,  # late
            self.settings.battery is not None and at.now_s >= self.battery.fresh_until_s,  # battery_silent
            gives_w,  # battery_gives_w
            self._level_watch.contrary,  # battery_contrary
            feeds_w,  # battery_feeds_w
            rests,  # battery_rests
            fuse[0],  # fuse_over_w
            fuse[1],  # fuse_short_w
            self.neighbours is not None and self.neighbours.name_shared,  # name_shared
            plug.reversal.found,  # payloads_exchanged
            self.evened,  # step_evened
            grown[0].grade if grown else NOTHING,  # joint_grown
            lessons.over(draw_a),  # joint_over
            self.joint_lost_w,  # joint_lost_w
            self.worn.look_due,  # look_due
            self.worn.relay_worn,  # relay_worn
            trying is not None and trying.beyond,  # beyond_limit
            carries,  # sun_carries
        )
        return Situation._make(fields)

    def _battery(self, at: Moment) -> tuple[float, float, bool, bool]:
        """Return what the battery gives where a start is near, what for the charger, whether it rests, and the sun.

        Of the sun: whether what is left over carries the lead, be it on or off.

        Nought where it may go into the car, and where nothing fresh is known. For the charger: where it is due by plan,
        for what charges with the sun ends with it, and to lock that out for each cloud cost a third of the sun. It
        rests where the house imports beside it, or what is left over carries the lead.
        """
        house, grid_w, decisive_w = self.settings.battery, self.grid.value or 0.0, self.decisive_w
        if house is None or house.rights.into_car or self.settings.rule.way is Way.HAND:  # a person asks for it
            return 0.0, 0.0, True, True
        if decisive_w is None or at.now_s >= self.fresh_until_s:
            return 0.0, 0.0, False, False
        battery_w = self.battery.value or 0.0
        given_w, arming = max(0.0, -battery_w), self.state.mode == machine.ARMING
        charger_w = self.plug.draws(self.draw_w)[1]
        carries = decisive_w - charger_w <= -self.draw_w
        rests = given_w <= battery.REST_W < grid_w or carries
        fed_w = battery.shares_w(charger_w, grid_w - self.after_w, battery_w)[1]
        fed_w = fed_w if self.state.planned else 0.0
        return given_w if arming else 0.0, fed_w, rests, carries

    def _fuse(self, at: Moment) -> tuple[float, float] | tuple[None, None]:
        """Return how far the house is from what its main fuse is to carry, as it is and with the lead beside it."""
        fuse_w, by_phase = self.settings.limits.fuse_w, self.grid.by_phase
        if fuse_w is None or at.now_s >= self.grid.fresh_until_s:
            return None, None
        # Where nobody knows the lead's phase, it may be the fullest one. On another one it could make no room.
        taken_w = by_phase.get(self.settings.phase, max(by_phase.values()))
        return taken_w - fuse_w, taken_w + max(self.draw_w, self.settings.limits.draw_w) - fuse_w

    @property
    def draw_w(self) -> float:
        """What the lead draws while it charges, as far as that is known: learned, or else configured."""
        return self.lessons.learned_w or self.settings.limits.draw_w

    def _remember(self, grid_w: float, at: Moment) -> None:
        """Remember the surplus. Until the meter has followed a switching, it disagrees with the plug about it: no
        picture of the sky.
        """
        if self.lessons.settled(self.wants_on, at.now_s):
            known, charger_w = self.plug.draws(self.draw_w)
            if self.hidden and self.hidden.stands and not self.wants_on:
                self.memory = ahead.nothing(self.settings.rule.pace)  # nobody knows how much there is
            elif known:
                share = (charger_w - grid_w) / self.draw_w
                self.memory = ahead.remember(self.memory, at.now_s, share)
                if self.running is not None:
                    self.lately = steering.remember(self.lately, at.now_s, share)

    def _heed_rule(self, now_s: float = -math.inf) -> Band:
        """Take from the rule which thresholds hold now.

        With every reading, and at once with other settings: to let what holds without a memory of the surplus stand
        until the next reading would end charges because a price has moved by a little.
        """
        rule = self.settings.rule
        if self.running is not None and rule.steers:
            now_s = max(now_s, self.running.begin_s)
            band = rule.steered(self._rule_draw_w, self.running, self.lately, self.wants_on, now_s)
        else:
            band = rule.band(self._rule_draw_w, self.sky)
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
        rule, sky = self.settings.rule, self.sky
        if self.running is not None and self.steers:
            return rule.credit(self._rule_draw_w, self.running, self.lately, self.state.at_s)
        return None if sky is None else rule.outlook(self._rule_draw_w, sky, self.state.at_s, self.wants_on)

    def rests(self, at: Moment) -> bool:
        """Whether nobody is there, and the sun is not to charge meanwhile. What is due is charged all the same."""
        away = self.progress.away
        if away is None or away.sun or not away.at(at.utc_s) or self.settings.rule.way is Way.HAND:
            return False
        return self._due_until_s(at.now_s) is None

    def _inputs(self, at: Moment) -> Inputs:
        grid_w, charger_w, assumed = self.decisive_w, self.plug.may_draw_w(self.draw_w), not self.plug.measured
        inputs = Inputs(
            grid_w=0.0 if grid_w is None else grid_w,
            fresh_until_s=self.fresh_until_s,
            # For the caps, an assumed draw is the larger one: an appliance that switches in sync with the lead may have
            # taught a draw that is too small.
            charger_w=max(charger_w, self.settings.limits.draw_w) if assumed and charger_w else charger_w,
            enabled=self.enabled and not self.rests(at),
            stopping=self.stopping,
            guard=self.supervisor.judge(self._situation(at), self.settings.limits, at.now_s),
            off_confirmed=self.plug.witnessed(False),
            day=at.session_day,
            planned=self._due_until_s(at.now_s) is not None,
            planned_day=at.planned_day,
            trial=self._may_try(at),
        )
        return self._among(self.neighbours, inputs, at) if self.neighbours else inputs

    def _among(self, neighbours: Neighbours, inputs: Inputs, at: Moment) -> Inputs:
        """Say to the others on the same meter what this one is about, and let them hold its start or have it end."""
        state, params, now_s = self.state, self.settings.params, at.now_s
        facts = machine.conditions(params, state, now_s, inputs)
        row = machine.deciding_row(state.mode, facts)
        # So far, nothing but the surplus is in the way of a start.
        free = facts & _COULD_START == _COULD_START and not facts & (machine.HELD | machine.TRIPPED | machine.STOPPING)
        by_sun = free and not facts & (machine.TIME_SPENT | machine.ENERGY_SPENT)
        lacks_w = params.start_export_w + inputs.grid_w
        neighbours.look(
            now_s,
            on=self.wants_on,
            told=self.plug.acknowledged is True,
            lingers=self.plug.may_be_on and not self.wants_on,
            ready=state.mode == machine.ARMING and row >= 0 and machine.TABLE[row].target == machine.CHARGING,
            arms=free and state.mode == machine.ARMING,
            lacks_w=lacks_w if by_sun and 0.0 < lacks_w < math.inf else 0.0,
            delay_s=params.start_delay_s,
            draws_w=self.plug.may_draw_w(self.draw_w),
            firm=self.wants_on and (state.planned or self.settings.rule.way is Way.HAND),
        )
        seen_s = self.lessons.steps.settles_s(False) or SETTLES_S
        stop_delay_s = neighbours.stop_delay_s(self._stop_delay_s, seen_s)
        if stop_delay_s != params.stop_delay_s:
            self.settings = self.settings._replace(params=params._replace(stop_delay_s=stop_delay_s))
        held = state.mode == machine.ARMING and not neighbours.open
        guard = max(inputs.guard, machine.HOLD) if held else inputs.guard
        return inputs._replace(guard=guard, gives_way=neighbours.gives_way)

    def _advance(self, at: Moment) -> None:
        """Account for the time since the last call, then let the machine move until it rests."""
        self._tally(at)
        self._net(at)
        self._heed_battery(at)
        if self.hidden:
            self.hidden.look(at.now_s, at.today, at.utc_s)
        self._heat(at)
        self._count_unwished(at)
        if self.neighbours:
            self.lessons.disturbed(self.neighbours.advance(at.now_s) / self.draw_w, at.now_s)
        self.plug.advance(at.now_s)
        if self.settings.rule.way is not Way.HAND:  # by hand it is tried with a person's help, and sooner
            self._look_for_reversal()
        before = self.supervisor.active
        for _ in range(len(MODE_NAMES)):
            self.plug.settle()
            self.inputs = self._inputs(at)
            self.known, self.charger_w = self.plug.draws(self.draw_w)
            self.grid_w, self.battery_w = self.grid.value or 0.0, self.battery.value or 0.0
            self.after_w = self.neighbours.after_w if self.neighbours else 0.0
            old, self.state = self.state, machine.step(self.settings.params, self.state, at.now_s, self.inputs)
            if self.state.mode == old.mode:
                self._rests_at = at if self.state == old else None
                break
            self._moved(old, self.state, at)
        if self.hidden and self.hidden.charging:
            self._judge_trial(self.hidden, at)
        self._tell_faults(before)

    def _look_for_reversal(self) -> None:
        if self.plug.look_for_reversal(not self.stopping, self.settings.limits):
            reversal = self.plug.reversal
            self._say("off_reworded", "warning", exchanged=reversal.exchanged, certain=reversal.found)

    def _moved(self, old: State, new: State, at: Moment) -> None:
        on = machine.wants_on(new.mode)
        if on is not machine.wants_on(old.mode):
            off_s = new.at_s - self.plug.wanted_since_s
            self.evened = self._may_be_evened(on)
            self.lessons.switched(on, new.at_s, new.at_s < self.fresh_until_s, self.plug.measured_w, self.evened)
            self.plug.switched(on, self.known)
            self._try(on, old, new)
            if self._warming:
                if on:
                    self._warming.begins(new.at_s)
                else:
                    self._show(self._warming.ends(new.at_s))
            if on:
                self.starts_s = (*self.starts_s, new.at_s)[-MOST_STARTS_PER_DAY:]
                self.today = self.today._replace(starts=self.today.starts + 1)
                self.socket.begins(off_s >= self.settings.limits.rest_s, self._heat_c(at))
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
        if after == before:
            return
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
        elapsed_s, current_a, socket = max(0.0, at.now_s - self.state.at_s), self._thermal_a(), self.socket
        socket.advance(self.settings.limits.thermal, current_a, self._if_high_a(current_a), elapsed_s)
        # What a single high step would mean is reckoned beside it: true once confirmed, forgotten once refuted.
        if self.lessons.high_believed:
            socket.level = socket.level_if_high
        elif not self.lessons.steps.high_w:
            socket.level_if_high = socket.level
        if self.wants_on:
            socket.runs(current_a, elapsed_s)
        if self._warming and current_a != self._warming.amps:
            self._warming.flows(self.state.at_s, current_a)

    def _count_unwished(self, at: Moment) -> None:
        """Count for the session's caps, too, for how long the relay may be on though it is not wanted on.

        The machine counts what is wanted. A broker that is away, or a plug that does not follow, may leave it on for
        longer.
        """
        plug = self.plug
        if not self.wants_on and (plug.maybe_on or plug.unheard):
            charger_w = self.state.charger_w if plug.maybe_on else self.settings.limits.draw_w
            self._count(charger_w, max(0.0, at.now_s - self.state.at_s))

    def _catch_up(self, unseen_s: float) -> None:
        """Count what nobody saw: a plug that was out of reach when it was told on comes back, and has been on."""
        if unseen_s:
            current_a = self.settings.draw_a
            self._count(self.settings.limits.draw_w, unseen_s)
            self.socket.level = thermal.advance(self.settings.limits.thermal, self.socket.level, current_a, unseen_s)
            self.socket.runs(current_a, unseen_s)

    def _count(self, charger_w: float, seconds: float) -> None:
        """Count time and energy for the caps: for the plan's while a charge is due by plan, or else the session's."""
        state, wh = self.state, charger_w * seconds / machine.HOUR_S
        if not seconds:
            return
        if state.planned:
            self.state = state._replace(
                planned_s=state.planned_s + seconds, planned_wh=state.planned_wh + wh, planned_at_s=state.at_s
            )
        else:
            self.state = state._replace(session_s=state.session_s + seconds, session_wh=state.session_wh + wh)

    def _tally(self, at: Moment) -> None:
        """Count the energy since the last call, with the values held since then; never across a stale reading."""
        state, inputs = self.state, self.inputs
        elapsed_s = max(0.0, at.now_s - state.at_s)
        if not elapsed_s and at.today == self.today.day:  # as with all news: it was told what held up to now before
            return
        known_s = max(0.0, min(at.now_s, inputs.fresh_until_s) - state.at_s) if self.known else 0.0
        from_grid_w, from_battery_w = battery.shares_w(self.charger_w, self.grid_w - self.after_w, self.battery_w)
        if at.today != self.today.day:
            self.today = Tally(at.today)
        known_h = known_s / machine.HOUR_S
        charger_wh, grid_wh, battery_wh = self.charger_w * known_h, from_grid_w * known_h, from_battery_w * known_h
        if self.hidden and self.wants_on:  # a trial may draw what nobody knows of
            bought_w = sum(battery.shares_w(state.charger_w, self.grid_w, self.battery_w)[:2])
            self.hidden.buys(bought_w * elapsed_s / machine.HOUR_S)
        self.progress = self.progress.grown(charger_wh, charger_wh - grid_wh - battery_wh)
        self.today = self.today._replace(
            on_s=self.today.on_s + (elapsed_s if self.wants_on else 0.0),
            charger_wh=self.today.charger_wh + charger_wh,
            grid_wh=self.today.grid_wh + grid_wh,
            unknown_s=self.today.unknown_s + (elapsed_s - known_s if self.plug.may_be_on else 0.0),
            battery_wh=self.today.battery_wh + battery_wh,
        )

    def _net(self, at: Moment) -> None:
        """Count what has flowed in the interval that the bill nets in. What is not known counts on neither side."""
        running, self.running = self.running, None
        if at.interval is None:
            if running is not None:  # with the interval ends what was decided by it, before any reading
                self._heed_rule()
            return
        since_s, until_s = self.state.at_s, min(at.now_s, self.inputs.fresh_until_s)
        held = since_s, max(since_s, until_s), self.grid_w, self.charger_w if self.known else 0.0
        if running is None:
            running = Running(*at.interval, 0.0, 0.0)
        elif steering.same(running, *at.interval):
            running = steering.passed(running._replace(begin_s=at.interval[0], end_s=at.interval[1]), *held)
        else:
            running = steering.passed(Running(*at.interval, 0.0, 0.0), *held)
        self.running = running

    # --- trials of what the meter cannot show -------------------------------------------------------------------------

    @property
    def _tried(self) -> Tried:
        return self.hidden.tried if self.hidden else Tried()

    def _watch_limit(self, tried: Tried) -> HiddenSun | None:
        limit = self.settings.export_limit
        self.lessons.steps.limit_w = limit and limit.limit_w
        if limit and self.hidden:
            self.hidden.limit = limit
            return self.hidden
        return HiddenSun(limit, tried) if limit else None

    def _watch_export(self, at: Moment) -> None:
        """See where the export stands. A battery that is charged takes what the inverter need not hold back."""
        if self.hidden:
            rests = not self.settings.battery or abs(self.battery.value or 0.0) <= battery.REST_W
            self.hidden.reading(at.now_s, self.grid.value or 0.0, rests, self.draw_w)

    @property
    def trial_wh(self) -> float:
        """What a trial may buy that finds nothing."""
        params = self.settings.params
        draw_w = max(self.draw_w, self.settings.limits.draw_w)
        return hidden.worst_wh(draw_w, params.min_on_s, params.stop_delay_s)

    def trial_waits(self, now_s: float) -> hidden.Wait | None:
        """Return why no trial is made now, as far as that is for the trials to say; None: one may be."""
        return self.hidden.waits(now_s, self.trial_wh) if self.hidden else hidden.Wait("none")

    def _may_try(self, at: Moment) -> bool:
        """Say whether a charge may be begun though no surplus is seen that would be enough."""
        settings, watch = self.settings, self.hidden
        if watch is None or not watch.stands or self.wants_on or settings.rule.way is Way.HAND:
            return False
        seen = self.decisive_w is None or -self.decisive_w >= settings.params.start_export_w
        free = at.now_s >= machine.budget_free_s(settings.params, self.state)
        return not seen and free and settings.rule.worthwhile(self.draw_w) and self.trial_waits(at.now_s) is None

    def _trial_deadlines_s(self) -> tuple[float, ...]:
        watch, now_s = self.hidden, self.state.at_s
        if watch is None:
            return ()
        if watch.began_s is not None:
            return watch.carries_at_s, self.state.since_s + hidden.CARRIES_S
        wait = self.trial_waits(now_s) if watch.stands else None
        return () if wait is None else (wait.until_s,)

    def _may_be_evened(self, on: bool) -> bool:
        """Say whether an inverter that holds sun back may even out the step of a switching to on (off)."""
        watch, grid_w = self.hidden, self.grid.value
        if watch is None or grid_w is None:
            return watch is not None
        if on and self.settings.battery and (self.battery.value or 0.0) > battery.REST_W:
            return False  # the battery takes what is left over, and nothing is held back
        margin_w = hidden.OVER_SHARE * self.draw_w
        return watch.at_limit((0.0 if on else self.draw_w) - grid_w + margin_w)

    def _try(self, on: bool, old: State, new: State) -> None:
        """Note that a trial begins, or that it has ended before it could show."""
        if self.hidden is None:
            return
        if not on:
            if self.hidden.began_s is not None:
                seen = new.at_s >= self.hidden.began_s + hidden.JUDGED_S and self._imports
                lost = new.cause == machine.C_IMPORT_HELD or seen
                self._judged(self.hidden, new.at_s, False if lost else None)
            self.hidden.ends()
        elif self.inputs.trial and not new.planned:
            self.hidden.begins(new.at_s)
            self._say("trial_begun", "info", grid_w=self.grid.value, limit_w=self.hidden.limit.limit_w)

    @property
    def _imports(self) -> bool:
        decisive_w = self.decisive_w
        return decisive_w is not None and decisive_w > self.settings.params.stop_import_w

    def _judge_trial(self, watch: HiddenSun, at: Moment) -> None:
        """See whether the hidden sun carries it. A car that takes nothing shows nothing."""
        if self.state.planned:
            watch.ends()
            return
        draws = self.known and self.charger_w >= LOW_SHARE * self.settings.limits.draw_w
        holds = self.state.mode == machine.CHARGING and at.now_s >= self.state.since_s + hidden.CARRIES_S
        if draws and holds and watch.carries_at_s <= at.now_s < self.fresh_until_s:
            self._judged(watch, at.now_s, True)

    def _judged(self, watch: HiddenSun, now_s: float, carried: bool | None) -> None:
        """A trial has shown whether it carries; None: it has ended, and shown nothing."""
        assert watch.began_s is not None
        after_s = round(now_s - watch.began_s, 1)
        if carried is not None:
            watch.judged(now_s, carried)
        bought_wh = round(watch.tried.bought_wh, 1)
        self._say("trial_over", "info", carried=carried, after_s=after_s, bought_today_wh=bought_wh)

    def _say(self, name: str, level: str, **fields: Any) -> None:
        """Tell the shell of something. How much of a flood is worth a line is the log's own affair."""
        self._events.append(Event(name, level, fields))


def last_starts(starts_s: tuple[float, ...], length: int) -> tuple[float, ...]:
    """Return the last ``length`` starts, filled up with "never" at the old end."""
    return ((machine.NEVER_S,) * length + starts_s)[-length:]


def tenths(value: float | None) -> float | None:
    """Return a value as people are shown it."""
    return None if value is None else round(value, 1)


def _minute(at_s: float | None) -> str | None:
    return None if at_s is None else datetime.fromtimestamp(at_s, UTC).isoformat(timespec="minutes")
