"""One charger's controller: signals, machine and supervisor together, told what happens and when.

Still no I/O and no clock: every method takes the :class:`Moment` it happens at. The shell carries messages and time
in, takes :attr:`Controller.wants_on` and the events out, and calls :meth:`Controller.tick` at
:meth:`Controller.deadline_s`. The tests do the same without a shell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, NamedTuple

from surpluscharge.control import machine
from surpluscharge.control.machine import MODE_NAMES, Inputs, Params, State
from surpluscharge.control.signals import Contact, Meter, Rejected, Source
from surpluscharge.control.supervisor import Active, Supervisor

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
    draw_w: float
    grid: tuple[Source, ...]
    power: Source | None  # the plug's own meter
    contact: Contact | None  # the plug's report of its relay


class Tally(NamedTuple):
    """What happened on one calendar day. Energy in watt-hours; the rest of ``charger_wh`` is solar."""

    day: int
    starts: int = 0
    on_s: float = 0.0
    charger_wh: float = 0.0
    grid_wh: float = 0.0


class Kept(NamedTuple):
    """What must outlive the process. Times are monotonic seconds of the moment ``saved_s``."""

    saved_s: float
    enabled: bool
    on: bool
    charger_w: float
    starts_s: tuple[float, ...]
    session_s: float
    session_wh: float
    session_day: int
    today: Tally


class Controller:
    def __init__(self, settings: Settings, at: Moment, kept: Kept | None = None) -> None:
        """``kept`` has its times already shifted to this clock. The relay counts as not known to be off."""
        self.settings = settings
        self.enabled = kept.enabled if kept else False
        self.stopping = False
        self.grid = Meter(settings.grid)
        self.power = Meter((settings.power,) if settings.power else ())
        self.rejected: Counter[tuple[str, str]] = Counter()  # by topic and reason: bounded by the configuration
        self.supervisor = Supervisor()
        self.today = Tally(at.today)
        self.link_up: bool | None = None  # None: no connection yet, and so no knowledge of the relay to lose
        self.acknowledged: bool | None = None  # the last command the broker has taken; None: none, or one is under way
        self.reported: bool | None = None  # by the plug; None: it has not said since we are connected
        self._events: list[Event] = []
        self._rejection_logged: dict[tuple[str, str], tuple[float, int]] = {}
        self.state = machine.initial(settings.params, at.now_s, at.session_day)._replace(was_enabled=self.enabled)
        if kept:
            self._restore(kept, at)
        self.inputs = self._inputs(at)

    def _restore(self, kept: Kept, at: Moment) -> None:
        # If the daemon died while charging, nobody knows how long the relay stayed on: count all of it.
        blind_s = max(0.0, at.now_s - kept.saved_s) if kept.on else 0.0
        self.state = self.state._replace(
            starts_s=_last_starts(kept.starts_s, self.settings.params.starts_per_day),
            session_s=kept.session_s + blind_s,
            session_wh=kept.session_wh + kept.charger_w * blind_s / machine.HOUR_S,
            session_day=kept.session_day,
        )
        if kept.today.day == at.today:
            self.today = kept.today

    def kept(self) -> Kept:
        """Return what must outlive the process."""
        state = self.state
        return Kept(
            state.at_s,
            self.enabled,
            self.wants_on,
            state.charger_w,
            tuple(start_s for start_s in state.starts_s if start_s > machine.NEVER_S),
            state.session_s,
            state.session_wh,
            state.session_day,
            self.today,
        )

    # --- what the shell asks ------------------------------------------------------------------------------------------

    @property
    def wants_on(self) -> bool:
        """Whether the relay is wanted on."""
        return machine.wants_on(self.state.mode)

    def confirmed(self, on: bool) -> bool:
        """Say whether the relay is known to be on (off): the broker took the command, and a reporting plug agrees."""
        return (
            self.link_up is True and self.acknowledged is on and (self.settings.contact is None or self.reported is on)
        )

    @property
    def faults(self) -> tuple[Active, ...]:
        return self.supervisor.active

    @property
    def measured(self) -> bool:
        """Whether the charger's power is measured now, rather than assumed."""
        return self.state.at_s < self.power.fresh_until_s

    def deadline_s(self) -> float:
        """Return when tick() must be called at the latest, in monotonic seconds."""
        return min(
            machine.next_deadline(self.settings.params, self.state, self.inputs),
            self.supervisor.next_deadline(self.state.at_s),
        )

    def take_events(self) -> list[Event]:
        """Return the events since the last call, oldest first."""
        events, self._events = self._events, []
        return events

    # --- what the shell tells (each first lets what was known before hold up to now) ----------------------------------

    def message(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        """Take in a message from a meter or the plug. Nothing in it can raise."""
        self._advance(at)
        # One topic may serve several purposes; what one cannot use, another may.
        for use in (self._take_grid, self._take_power, self._take_report):
            try:
                use(topic, payload, retained, at)
            except Rejected as refusal:
                self._refused(topic, refusal.reason, payload, at)
        self._advance(at)

    def _take_grid(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        if topic in self.grid.topics:
            self.grid.take(topic, payload, retained, at.now_s)
            self._say("reading", "debug", of="grid", power_w=self.grid.power_w)

    def _take_power(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        if topic in self.power.topics:
            self.power.take(topic, payload, retained, at.now_s)
            self._say("reading", "debug", of="charger", power_w=self.power.power_w)

    def _take_report(self, topic: str, payload: bytes, retained: bool, at: Moment) -> None:
        # Retained or not: a plug says here what is, and may repeat it only when it changes.
        contact = self.settings.contact
        if contact and topic == contact.topic:
            reported = contact.read(payload)
            if reported is not self.reported:
                self._say("relay_reported", "info", on=reported, wanted=self.wants_on)
            self.reported = reported

    def enable(self, on: bool, at: Moment) -> None:
        """Charging is allowed, or no longer."""
        self._advance(at)
        if on is not self.enabled:
            self._say("enabled" if on else "disabled", "info")
        self.enabled = on
        self._advance(at)

    def grid_link(self, up: bool, at: Moment) -> None:
        """The subscriptions are there, or gone. Readings from before a gap are not relied on after it."""
        self._advance(at)
        if up:
            self.grid.forget()
            self.power.forget()
        self._advance(at)

    def relay_link(self, up: bool, at: Moment) -> None:
        """The relay's connection is there, or gone, and with it all knowledge of the relay."""
        self._advance(at)
        self.link_up = up
        self.acknowledged = None
        self.reported = None
        self._advance(at)

    def relay_sending(self, on: bool, at: Moment) -> None:
        """A command goes out: until it is acknowledged, the relay may be either way."""
        self._advance(at)
        if self.acknowledged is not on:
            self.acknowledged = None
        self._advance(at)

    def relay_acknowledged(self, on: bool, at: Moment) -> None:
        """The broker has taken a command."""
        self._advance(at)
        self.acknowledged = on
        self._advance(at)

    def stop(self, at: Moment) -> None:
        """The daemon is shutting down: off, and no more starts."""
        self._advance(at)
        self.stopping = True
        self._advance(at)

    def reload(self, settings: Settings, at: Moment) -> None:
        """Use other parameters from now on; the topics must be the same."""
        self._advance(at)
        self.settings = settings
        self.state = self.state._replace(starts_s=_last_starts(self.state.starts_s, settings.params.starts_per_day))
        self._advance(at)

    def tick(self, at: Moment) -> None:
        """Nothing came, but time has passed."""
        self._advance(at)

    # --- inside -------------------------------------------------------------------------------------------------------

    def _evidence(self, at: Moment) -> frozenset[str]:
        evidence = set()
        if self.link_up is False:
            evidence.add("broker-lost")
        elif self.wants_on and not self.confirmed(True):
            evidence.add("relay-not-on")
        elif self.link_up and not self.wants_on and not self.confirmed(False):
            evidence.add("relay-not-off")
        if at.now_s >= self.grid.fresh_until_s:
            evidence.add("meter-silent")
        return frozenset(evidence)

    def _inputs(self, at: Moment) -> Inputs:
        grid_w = self.grid.power_w
        if at.now_s < self.power.fresh_until_s:
            charger_w = self.power.power_w or 0.0
        else:
            charger_w = self.settings.draw_w if self.wants_on else 0.0
        return Inputs(
            grid_w=0.0 if grid_w is None else grid_w,
            fresh_until_s=self.grid.fresh_until_s,
            charger_w=charger_w,
            enabled=self.enabled,
            stopping=self.stopping,
            guard=self.supervisor.judge(self._evidence(at), at.now_s),
            off_confirmed=self.confirmed(False),
            day=at.session_day,
        )

    def _advance(self, at: Moment) -> None:
        """Account for the time since the last call, then let the machine move until it rests."""
        self._tally(at)
        before = self.supervisor.active
        for _ in range(len(MODE_NAMES)):
            self.inputs = self._inputs(at)
            old, self.state = self.state, machine.step(self.settings.params, self.state, at.now_s, self.inputs)
            if self.state.mode == old.mode:
                break
            self._moved(old, self.state)
        self._tell_faults(before)

    def _moved(self, old: State, new: State) -> None:
        if machine.wants_on(new.mode) and not machine.wants_on(old.mode):
            self.today = self.today._replace(starts=self.today.starts + 1)
        self._say(
            "state_changed",
            "info",
            old=MODE_NAMES[old.mode],
            new=MODE_NAMES[new.mode],
            cause=machine.CAUSES[new.cause],
            grid_w=self.grid.power_w,
            after_s=round(new.since_s - old.since_s, 1),
        )

    def _tell_faults(self, before: tuple[Active, ...]) -> None:
        after = self.supervisor.active
        for active in after:
            if active not in before:
                level = "warning" if active.fault.severity else "info"
                self._say("fault_raised", level, code=active.fault.code, sentence=active.fault.sentence)
        for active in before:
            if active not in after:
                self._say("fault_cleared", "info", code=active.fault.code)

    def _tally(self, at: Moment) -> None:
        """Count the energy since the last call, with the values held since then; never across a stale reading."""
        state, inputs = self.state, self.inputs
        elapsed_s = max(0.0, at.now_s - state.at_s)
        known_s = max(0.0, min(at.now_s, inputs.fresh_until_s) - state.at_s)
        grid_share_w = min(inputs.charger_w, max(inputs.grid_w, 0.0))
        if at.today != self.today.day:
            self.today = Tally(at.today)
        self.today = self.today._replace(
            on_s=self.today.on_s + (elapsed_s if self.wants_on else 0.0),
            charger_wh=self.today.charger_wh + inputs.charger_w * known_s / machine.HOUR_S,
            grid_wh=self.today.grid_wh + grid_share_w * known_s / machine.HOUR_S,
        )

    def _refused(self, topic: str, reason: str, payload: bytes, at: Moment) -> None:
        self.rejected[topic, reason] += 1
        count = self.rejected[topic, reason]
        logged_s, logged_count = self._rejection_logged.get((topic, reason), (float("-inf"), 0))
        if at.now_s >= logged_s + REJECTION_LOG_EVERY_S:
            self._rejection_logged[topic, reason] = (at.now_s, count)
            level = "info" if reason == "retained" else "warning"
            excerpt = repr(payload[:40])
            self._say("message_refused", level, topic=topic, reason=reason, times=count - logged_count, payload=excerpt)

    def _say(self, name: str, level: str, **fields: Any) -> None:
        self._events.append(Event(name, level, fields))


def _last_starts(starts_s: tuple[float, ...], length: int) -> tuple[float, ...]:
    """Return the last ``length`` starts, filled up with "never" at the old end."""
    return ((machine.NEVER_S,) * length + starts_s)[-length:]
