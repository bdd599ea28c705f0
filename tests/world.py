"""A small world around the real controller, and an oracle that knows what truly happened in it.

The controller is driven as the shell drives it: called at its deadlines, its wish carried to a relay with a delay,
its memory saved at the moments the shell saves it, and now and then it is killed and started again from that memory.
The oracle shares nothing with it: it keeps its own books of readings, contacts, starts and sessions, and raises
:class:`Broken` when one of the numbered invariants (surpluscharge/control/machine.py) does not hold.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from surpluscharge.control import hidden, machine, news
from surpluscharge.control.controller import Controller, Kept, Moment, Settings
from surpluscharge.control.hidden import ExportLimit
from surpluscharge.control.machine import Params
from surpluscharge.control.rule import Band, Rule, Way
from surpluscharge.control.signals import Contact, Source
from surpluscharge.control.supervisor import Limits
from surpluscharge.control.thermal import ThermalParams
from surpluscharge.control.wishes import Request

HOUR_S, DAY_S = 3600.0, 86400.0
EQUINOX_S = 1_931_731_200.0  # 20 March 2031, 0:00 UTC: on the equator it is day from six to six
GRID_TOPICS = ("grid/a", "grid/b")
SLACK_S = 1e-6
CAP_SLACK = 0.01  # seconds, and watt-hours: the caps' own rounding slack, with room


class Broken(AssertionError):  # noqa: N818
    """An invariant does not hold."""


class Setup(NamedTuple):
    """What one world is made of."""

    params: Params
    draw_w: float
    fresh_s: tuple[float, ...]  # one entry a grid source
    feedback: bool
    relay_delay_s: float
    start_s: float = 1000.0
    sensor: bool = False  # of the socket's temperature
    noon_s: float = DAY_S / 2  # when a day of the plan begins
    limit: ExportLimit | None = None  # of the export

    def settings(self) -> Settings:
        return Settings(
            params=self.params,
            rule=Rule(Way.FIXED, Band(*self.params[:2]), self.params.min_on_s, self.params.min_off_s),
            limits=limits_for(self.draw_w),
            draw_a=self.draw_w / 230.0,
            mains_v=230.0,
            grid=tuple(
                Source(topic, None, 1.0, "net-import", fresh_s, 30000.0)
                for topic, fresh_s in zip(GRID_TOPICS, self.fresh_s, strict=False)
            ),
            contact=Contact("plug", None, "on", "off") if self.feedback else None,
            temperature=Source("socket", None, 1.0, "net-import", 60.0, 200.0) if self.sensor else None,
            export_limit=self.limit,
        )


def limits_for(draw_w: float) -> Limits:
    """Return limits that a lead of this draw keeps to for hours."""
    return Limits(
        draw_w=draw_w,
        instant_a=16.25,
        far_a=24.7,
        thermal=ThermalParams(10.0, 1.1, 1200.0, 1800.0, 0.9, 0.5),
        rest_above_a=8.0,
        rest_after_s=10800.0,
        rest_s=1800.0,
        hot_c=65.0,
        nominal_v=230.0,
    )


def random_setup(rng: random.Random) -> Setup:
    draw_w = rng.choice([900.0, 1400.0, 2300.0])
    per_hour = rng.randint(1, 4)
    min_on_s = rng.choice([0.0, 3.0, 60.0, 420.0])
    time_cap_s = max(min_on_s, 60.0) * rng.choice([1.0, 2.5, 20.0])
    energy_cap_wh = rng.choice([float("inf"), draw_w * time_cap_s / 3600 * rng.choice([0.5, 1.0, 2.0]) + 1.0])
    return Setup(
        params=Params(
            start_export_w=draw_w * rng.choice([0.6, 1.0]),
            stop_import_w=draw_w * rng.choice([0.45, 0.8]),
            start_delay_s=rng.choice([0.0, 5.0, 40.0]),
            stop_delay_s=rng.choice([0.0, 5.0, 90.0]),
            min_on_s=min_on_s,
            min_off_s=rng.choice([0.0, 4.0, 50.0, 300.0]),
            starts_per_hour=per_hour,
            starts_per_day=per_hour + rng.choice([0, 1, 2, 6]),
            time_cap_s=time_cap_s,
            energy_cap_wh=energy_cap_wh,
            rearm_daily=rng.random() < 0.5,
        ),
        draw_w=draw_w,
        fresh_s=rng.choice([(10.0,), (30.0,), (10.0, 25.0)]),
        feedback=rng.random() < 0.5,
        relay_delay_s=rng.choice([0.0, 0.4, 7.0]),
        start_s=DAY_S - rng.choice([60.0, 300.0, 40000.0]),
        sensor=rng.random() < 0.3,
    )


def with_plans(setup: Setup, seed: int) -> Setup:
    """Return it for a world in which something may be charged by plan: by a chance of its own, so that all else is as
    it is without.
    """
    chance = random.Random(f"plan {seed}")
    params = setup.params
    cap_s = max(params.min_on_s, 60.0) * chance.choice([1.0, 3.0, 20.0, 200.0])
    cap_wh = chance.choice([math.inf, setup.draw_w * cap_s / 3600 * chance.choice([0.5, 1.0]) + 1.0])
    return setup._replace(
        params=params._replace(planned_time_cap_s=cap_s, planned_energy_cap_wh=cap_wh),
        noon_s=chance.choice([DAY_S / 2, (setup.start_s + chance.choice([200.0, 4000.0])) % DAY_S]),
    )


def with_limit(setup: Setup, seed: int) -> Setup:
    """Return it for a world in which export is limited, well below what starts a charge, from a morning on."""
    chance, params = random.Random(f"limit {seed}"), setup.params
    worst_wh = hidden.worst_wh(setup.draw_w, params.min_on_s, params.stop_delay_s)
    return setup._replace(
        limit=ExportLimit(
            chance.choice([0.0, 200.0, 0.4 * setup.draw_w]),
            chance.randint(1, 4),
            worst_wh * chance.choice([1.001, 3.0]),
            0.0,
            0.0,
        ),
        start_s=DAY_S * 1.0 + HOUR_S * chance.uniform(5.0, 13.0),
    )


@dataclass
class Allowance:
    """What was charged of one, and what may have been counted besides."""

    s: float = 0.0
    wh: float = 0.0
    overshoot_s: float = 0.0  # of it, time on though it was not wanted on
    blind_s: float = 0.0  # besides, time that may be counted though nobody knows whether the relay was on, or for whom

    def charged(self, seconds: float, draw_w: float, wanted: bool) -> None:
        self.s += seconds
        self.wh += draw_w * seconds / 3600
        self.overshoot_s += 0.0 if wanted else seconds


class World:
    """Every public method is an event; the oracle looks after each step of time and after each event."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.now_s = setup.start_s
        # --- the truth
        self.contact_on = False  # the relay itself
        self.by_hand = False  # it is on because somebody pressed its button
        self.in_flight: list[tuple[float, bool]] = []  # commands on their way: (arrives, on)
        self.link_up = False
        self.enabled = False
        self.stopping = False
        # --- the oracle's books
        self.reading_w: dict[str, tuple[float, float]] = {}  # topic: (value, time), live and plausible only
        self.starts_s: list[float] = []
        self.on_since_s: float | None = None
        self.wanted_s = float("-inf")  # when it was last wanted on
        self.maybe_on_s = self.now_s  # when the relay was last on, or wanted on
        self.session, self.plan = Allowance(), Allowance()
        self.silent_s = 0.0  # of neither, since the plug last reported to this daemon
        self.session_day, self.planned_day = self.at().session_day, self.at().planned_day
        self.planned_s = self.perhaps_planned_s = self.now_s  # when something was last charged by plan, or may have
        self.due_s: Sequence[tuple[float, float]] = ()  # what it was told is due
        self.full = False
        self.run_s = 0.0  # on, since it was last off for as long as a rest
        self.mute = False  # the temperature sensor
        self.limit_since_s: float | None = None  # the export stands at its limit, but for moments
        self.limit_left_s: float | None = None
        self.trials: dict[int, int] = {}  # by day
        self.trial_s = float("-inf")  # when the last one began
        self.bought_wh: dict[int, float] = {}  # in the first two minutes of each
        self.jitter_w = 0.0  # no house's power stands still
        # --- the controller and its memory
        self.controller = Controller(setup.settings(), self.at())
        self.controller.tell(news.CommandsLink(True), self.at())
        self.saved: Kept = self.controller.kept()
        self.saved_key: object = None
        self.told: bool | None = None
        self._look()

    def at(self) -> Moment:
        day = int(self.now_s // DAY_S)
        planned_day = int((self.now_s - self.setup.noon_s) // DAY_S)
        return Moment(self.now_s, day, day, planned_day, utc_s=EQUINOX_S + self.now_s)

    # --- events -------------------------------------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time pass; the controller is called at its deadlines, the relay obeys when commands arrive."""
        end_s = self.now_s + seconds
        while True:
            next_s = min(
                [end_s, self.controller.deadline_s(), self.now_s + (60.0 if self.controller.wants_on else DAY_S)]
                + [arrives_s for arrives_s, _ in self.in_flight]
                + [(self.now_s // DAY_S + 1) * DAY_S]
                + [((self.now_s - self.setup.noon_s) // DAY_S + 1) * DAY_S + self.setup.noon_s]
            )
            self._pass(max(0.0, next_s - self.now_s))
            self._deliver()
            self.controller.tell(news.Tick(), self.at())
            self._look()
            if self.now_s >= end_s - SLACK_S:
                return

    def read(self, source: int, value_w: float) -> None:
        """A live reading arrives."""
        topic = GRID_TOPICS[source % len(self.setup.fresh_s)]
        if abs(value_w) <= 30000.0:
            self.reading_w[topic] = (value_w, self.now_s)
        self._watch_limit()
        self.controller.tell(news.Message(topic, f"{value_w}".encode(), False), self.at())
        self._look()

    def read_all(self, grid_w: float) -> None:
        self.jitter_w = (self.jitter_w + 0.7) % 5.0
        share_w = (grid_w + self.jitter_w) / len(self.setup.fresh_s)
        for source in range(len(self.setup.fresh_s)):
            self.read(source, share_w)
        if self.setup.sensor and not self.mute:
            self.controller.tell(news.Message("socket", b"21.5", False), self.at())
            self._look()

    def garble(self, source: int, payload: bytes, retained: bool) -> None:
        """Something arrives that is no live reading."""
        self.controller.tell(news.Message(GRID_TOPICS[source % len(self.setup.fresh_s)], payload, retained), self.at())
        self._look()

    def enable(self, on: bool) -> None:
        if on and not self.enabled and not self.setup.params.rearm_daily:
            self._new_session()
        self.enabled = on
        self.controller.tell(news.Enable(on), self.at())
        self._look()

    def link(self, up: bool) -> None:
        """The relay's connection is made, or lost: then the broker publishes the will."""
        if up is self.link_up:
            return
        self.link_up = up
        if not up:
            self._will()
        self.controller.tell(news.RelayLink(up), self.at())
        if up and self.setup.feedback:
            self._report()
        self._look()

    def switch_by_hand(self, on: bool) -> None:
        """Somebody presses the button of a plug that reports; of one that does not, nobody could know."""
        if self.setup.feedback:
            self.by_hand = on and (self.by_hand or not self.contact_on)
            self.contact_on = on
            if self.link_up:
                self._report()
            self._look()

    def charge(self, *due_s: tuple[float, float]) -> None:
        """The planner says when something is due, from now on."""
        self.due_s = tuple((self.now_s + begin_s, self.now_s + end_s) for begin_s, end_s in due_s)
        self.controller.tell(news.Planned(tuple(self.due_s)), self.at())
        self._look()

    def ask(self, energy_wh: float | None) -> None:
        """Somebody asks for a charge, or takes back what was asked for; a car that was full is tried again."""
        self.full = False
        self.controller.tell(news.Ask(None if energy_wh is None else Request(self.now_s, energy_wh)), self.at())
        self._look()

    def over(self) -> None:
        """The moment at which something was due."""
        self.full = False
        self.controller.tell(news.Due(self.now_s), self.at())
        self._look()

    def fill(self) -> None:
        """The car takes no more."""
        self.full = True
        self.controller.tell(news.Full(), self.at())
        self._look()

    def stop(self) -> None:
        self.stopping = True
        self.controller.tell(news.Stop(), self.at())
        self._look()

    def crash(self, away_s: float) -> None:
        """The daemon is killed, and started again after a while with what it had saved."""
        self._will()
        was_on = self.controller.wants_on
        self.link_up = False
        self.stopping = False
        self.told = None
        self.on_since_s = None
        killed_s, saved = self.now_s, self.saved
        self._pass(away_s, wanted=False, whose=self.plan if saved.planned else self.session)
        self.silent_s = 0.0
        self._deliver()
        if was_on:
            self.maybe_on_s = max(self.maybe_on_s, killed_s)
        if saved.on:
            (self.plan if saved.planned else self.session).blind_s += self.now_s - saved.saved_s
            self.perhaps_planned_s = self.now_s if saved.planned else self.perhaps_planned_s
        self.due_s, self.full = (), saved.progress.full  # what is due, the planner says anew
        self.reading_w.clear()
        self.controller = Controller(self.setup.settings(), self.at(), self.saved)
        self.controller.tell(news.CommandsLink(True), self.at())
        self.enabled = self.controller.enabled
        self._look()

    # --- the truth ----------------------------------------------------------------------------------------------------

    def _will(self) -> None:
        self.in_flight.append((self.now_s + self.setup.relay_delay_s, False))

    def _deliver(self) -> None:
        due = [command for command in self.in_flight if command[0] <= self.now_s + SLACK_S]
        self.in_flight = [command for command in self.in_flight if command not in due]
        for _, on in due:
            self.contact_on, self.by_hand = on, False
            if self.link_up:
                self.controller.tell(news.Taken(on), self.at())
                if self.setup.feedback:
                    self._report()

    def _report(self) -> None:
        # One that says "on" after a silence may have been on all the while: it may be counted so, and need not be.
        if self.contact_on and self.silent_s:
            self.session.blind_s += self.silent_s
            self.plan.blind_s += self.silent_s
            self.perhaps_planned_s = self.now_s
        self.silent_s = 0.0
        self.controller.tell(news.Message("plug", b"on" if self.contact_on else b"off", False), self.at())

    def _pass(self, seconds: float, wanted: bool | None = None, whose: Allowance | None = None) -> None:
        wanted = self.controller.wants_on if wanted is None else wanted
        whose = whose or self._whose()
        # Switched on by hand it charges as well; but only what its report tells of can be known.
        charges = wanted or (self.contact_on and (self.link_up or not self.by_hand))
        if charges and whose:
            whose.charged(seconds, self.setup.draw_w, wanted)
        elif charges or self.controller.plug.may_be_on:
            for allowance in (self.session, self.plan):
                allowance.blind_s += seconds if whose in (allowance, None) else 0.0
        else:
            self.silent_s += seconds
        slept = any(self.now_s < end_s < self.now_s + seconds - SLACK_S for _, end_s in self.due_s)
        self._check(13, not wanted or not slept, "on, and the end of what is due is slept through")
        if self.now_s < self.trial_s + 120.0 and wanted:
            day, grid_w = int(self.now_s // DAY_S), sum(value_w for value_w, _ in self.reading_w.values())
            bought_w = min(self.setup.draw_w, max(grid_w, 0.0))
            self.bought_wh[day] = self.bought_wh.get(day, 0.0) + bought_w * min(seconds, 120.0) / HOUR_S
            most_wh = self.setup.limit.bought_wh_per_day if self.setup.limit else 0.0
            self._check(13, self.bought_wh[day] <= most_wh + CAP_SLACK, f"{self.bought_wh[day]} Wh bought in trials")
        self.now_s += seconds
        if whose is not self.session and (charges or self.controller.plug.may_be_on) and seconds:
            self.perhaps_planned_s = self.now_s
            self.planned_s = self.now_s if whose and wanted else self.planned_s
        self.run_s += seconds if wanted else 0.0
        self._check(6, not wanted or self.now_s <= self.fresh_until_s() + 1.0, "on, long after the last good reading")
        if wanted or self.contact_on:
            self.maybe_on_s = self.now_s
        if wanted:
            self.wanted_s = self.now_s

    def _is_due(self) -> bool:
        return not self.full and any(begin_s <= self.now_s < end_s for begin_s, end_s in self.due_s)

    def _whose(self) -> Allowance | None:
        """Return of which allowance it is what is charged now; None: nobody can know whether the plan's is used up."""
        params, plan, draw_w = self.setup.params, self.plan, self.setup.draw_w
        cap_s, cap_wh = params.planned_time_cap_s - CAP_SLACK, params.planned_energy_cap_wh - CAP_SLACK
        if not self._is_due() or plan.s >= cap_s or plan.wh >= cap_wh:
            return self.session
        perhaps_used = plan.s + plan.blind_s >= cap_s or plan.wh + draw_w * plan.blind_s / 3600 >= cap_wh
        return None if perhaps_used else plan

    def _new_session(self) -> None:
        self.session = Allowance()

    # --- the oracle ---------------------------------------------------------------------------------------------------

    def fresh_until_s(self) -> float:
        if len(self.reading_w) < len(self.setup.fresh_s):
            return float("-inf")
        return min(
            self.reading_w[topic][1] + fresh_s for topic, fresh_s in zip(GRID_TOPICS, self.setup.fresh_s, strict=False)
        )

    def fresh(self) -> bool:
        return self.now_s < self.fresh_until_s()

    def _look(self) -> None:
        wanted, params = self.controller.wants_on, self.setup.params
        mode = self.controller.state.mode
        if self.on_since_s is None:  # off until now; a charge may begin in the very instant that a session does
            self._new_day()
        self._check(1, not wanted or self.enabled, "on while disabled")
        self._check(1, not wanted or not self.stopping, "on while stopping")
        self._check(1, not wanted or self.link_up, "on without a connection")
        self._check(1, not wanted or mode != machine.LOCKED_OUT, "on while locked-out")
        self._check(6, not wanted or self.fresh(), "on without a fresh reading")
        # A start that is taken back in the same moment is none here, but the daemon cannot know whether it went out.
        self.wanted_s = max(
            self.now_s if wanted else self.wanted_s, max(self.controller.starts_s, default=self.wanted_s)
        )
        faults = [record for record in self.controller.faults if record.fault.severity]
        self._check(13, not wanted or all(r.fault.severity != machine.TRIP for r in faults), "on in spite of a trip")
        limits = self.controller.settings.limits
        booked = self.controller.charger_w > 0.0  # there is no meter at this plug
        self._check(11, not booked or self.now_s <= self.wanted_s + 20.0 + SLACK_S, "booked, long after the off")
        if wanted and self.on_since_s is None:
            off_s = self.now_s - self.maybe_on_s
            self._check(3, off_s >= params.min_off_s - SLACK_S, f"started {off_s} s after the relay was last on")
            surplus_w = -sum(value_w for value_w, _ in self.reading_w.values())
            reason = self._whose() is not self.session or surplus_w >= params.start_export_w - SLACK_S
            if not reason and self.setup.limit is not None:
                reason = True
                self._look_at_trial(self.setup.limit, surplus_w)
            self._check(13, reason, f"started at {surplus_w} W, and nothing is due")
            known = [record.code for record in faults if record.raised_s < self.now_s - SLACK_S]
            self._check(13, not known, f"started in spite of {known}")
            self.run_s = 0.0 if off_s >= limits.rest_s - self.setup.relay_delay_s - SLACK_S else self.run_s
            self.starts_s.append(self.now_s)
            self.on_since_s = self.now_s
        elif not wanted and self.on_since_s is not None:
            on_s = self.now_s - self.on_since_s
            self.on_since_s = None
            self.maybe_on_s = max(self.maybe_on_s, self.now_s)
            if on_s < params.min_on_s - SLACK_S:
                self._check(2, self._may_cut_short(), f"ended after {on_s} s")
            by_plan = self._whose() is self.plan
            told = any(event.name in ("fault_raised", "fault_cleared") for event in self.controller.take_events())
            self._check(5, not by_plan or bool(faults) or told or self._may_cut_short(), "ended, though due by plan")
        rested = self.setup.draw_w / 230.0 < limits.rest_above_a or self.run_s <= limits.rest_after_s + params.min_on_s
        self._check(13, not wanted or rested, f"on for {self.run_s} s without a rest")
        for window_s, budget in ((3600.0, params.starts_per_hour), (DAY_S, params.starts_per_day)):
            recent = sum(start_s > self.now_s - window_s + SLACK_S for start_s in self.starts_s)
            self._check(4, recent <= budget, f"{recent} starts in {window_s} s")
        for allowance, name, cap_s, cap_wh in (
            (self.session, "in a session", params.time_cap_s, params.energy_cap_wh),
            (self.plan, "by plan", params.planned_time_cap_s, params.planned_energy_cap_wh),
        ):
            # A slow relay overshoots a cap, but nobody goes on from there.
            over_s = 0.0 if wanted and self._whose() is allowance else allowance.overshoot_s
            on_s, on_wh = allowance.s - over_s, allowance.wh - over_s * self.setup.draw_w / 3600
            self._check(5, on_s <= cap_s + CAP_SLACK, f"{on_s} s {name}")
            self._check(5, on_wh <= cap_wh + CAP_SLACK, f"{on_wh} Wh {name}")
        state, session = self.controller.state, self.session
        counted = f"{state.session_s} s counted for a session of {session.s} s"
        self._check(5, state.session_s <= session.s + session.blind_s + CAP_SLACK, counted)
        if not wanted:  # a charge that ran through the hour has ended, and was held against the old session
            self._new_day()
        self._track_relay(wanted)
        self._save()
        self.controller.take_events()

    def _watch_limit(self) -> None:
        limit = self.setup.limit
        if limit is None or len(self.reading_w) < len(self.setup.fresh_s):
            return
        export_w = -sum(value_w for value_w, _ in self.reading_w.values())
        if abs(export_w - limit.limit_w) > limit.slack_w:
            self.limit_left_s = self.now_s if self.limit_left_s is None else self.limit_left_s
            return
        if self.limit_since_s is None or (self.limit_left_s and self.now_s > self.limit_left_s + hidden.BLIP_S):
            self.limit_since_s = self.now_s
        self.limit_left_s = None

    def _look_at_trial(self, limit: ExportLimit, export_w: float) -> None:
        """A charge begins though nothing is due, and too little is exported for one."""
        day = int(self.now_s // DAY_S)
        self.trials[day] = self.trials.get(day, 0) + 1
        self.trial_s = self.now_s
        self._check(13, self.trials[day] <= limit.trials_per_day, f"trial {self.trials[day]} of the day")
        self._check(13, abs(export_w - limit.limit_w) <= limit.slack_w, f"tried at {export_w} W of export")
        stood_s = self.now_s - (math.inf if self.limit_since_s is None else self.limit_since_s)
        self._check(13, stood_s >= hidden.STANDS_AGAIN_S - SLACK_S, f"tried after {stood_s} s at the limit")
        self._check(13, 6 * HOUR_S <= self.now_s % DAY_S <= 18 * HOUR_S, "tried by night")

    def _new_day(self) -> None:
        if self.at().planned_day > self.planned_day and self.now_s >= self.planned_s + machine.PLANNED_AGAIN_S:
            # Where it may have charged by plan since, nobody knows whether this is known there yet.
            known = self.now_s >= self.perhaps_planned_s + machine.PLANNED_AGAIN_S
            self.plan, self.planned_day = Allowance(blind_s=0.0 if known else math.inf), self.at().planned_day
        if self.setup.params.rearm_daily and self.at().session_day > self.session_day:
            self.session_day = self.at().session_day
            self._new_session()

    def _may_cut_short(self) -> bool:
        params = self.setup.params
        return (
            not self.enabled
            or self.stopping
            or not self.link_up
            or not self.fresh()
            or (self._whose() is not self.plan and self._session_used(params))
            or any(record.fault.severity == machine.TRIP for record in self.controller.faults)
        )

    def _session_used(self, params: Params) -> bool:
        used_s, used_wh = self.session.s + self.session.blind_s, self.session.wh
        used_wh += self.setup.draw_w * self.session.blind_s / 3600
        return used_s >= params.time_cap_s - CAP_SLACK or used_wh >= params.energy_cap_wh - CAP_SLACK

    def _track_relay(self, wanted: bool) -> None:
        """Do the relay task's work: tell the relay what is wanted, again when it is known to be otherwise."""
        if self.link_up and wanted is not self.told:
            self.told = wanted
            self.in_flight.append((self.now_s + self.setup.relay_delay_s, wanted))
            self.controller.tell(news.Sending(wanted), self.at())
        if not self.link_up:
            self.told = None
        if self.link_up and not wanted and self.told is False and not self.in_flight and self.contact_on:
            self.told = None  # noticed by its report; told again at the next look

    def _save(self) -> None:
        """Remember what the shell would have written to the disk, and when."""
        kept = self.controller.kept()
        counted = kept.progress._replace(got_wh=0.0, sun_wh=0.0)
        key = (kept.enabled, kept.starts_s, kept.on, kept.session_day, kept.planned, kept.planned_day, counted)
        if key != self.saved_key or (kept.on and self.now_s >= self.saved.saved_s + 60.0):
            self.saved, self.saved_key = kept, key

    def _check(self, number: int, holds: bool, what: str) -> None:
        if not holds:
            raise Broken(f"invariant {number}: {what} (at {self.now_s} s, {self.setup})")


# --- random sequences ------------------------------------------------------------------------------------------------

GARBAGE = (b"", b"nan", b"Infinity", b"\xff\xfe", b"[[[", b"1e9", b"unavailable", b"true", b"-1400 W")


def random_event(rng: random.Random, world: World) -> None:
    """Let one thing happen: mostly weather and time, sometimes trouble."""
    draw_w = world.setup.draw_w
    kind = rng.random()
    if kind < 0.40:
        for _ in range(rng.randint(1, 8)):
            world.read_all(draw_w * rng.uniform(-1.6, 1.2) if kind < 0.15 else -draw_w * rng.uniform(0.9, 1.5))
            world.wait(rng.choice([2.0, 5.0, 9.0]))
    elif kind < 0.50:
        for _ in range(rng.randint(1, 30)):
            world.read_all(draw_w * rng.uniform(0.8, 1.2))
            world.wait(8.0)
    elif kind < 0.54:
        world.mute = rng.random() < 0.7
    elif kind < 0.62:
        world.wait(rng.choice([0.0, 0.5, 3.0, 20.0, 400.0]))
    elif kind < 0.65:
        world.wait(rng.choice([3500.0, 3600.0, 20000.0, 75000.0, DAY_S]))
    elif kind < 0.77:
        world.enable(rng.random() < 0.8)
    elif kind < 0.86:
        world.link(rng.random() < 0.85)
    elif kind < 0.90:
        world.garble(rng.randint(0, 1), rng.choice(GARBAGE), rng.random() < 0.5)
    elif kind < 0.92:
        world.garble(rng.randint(0, 1), b"-9000", retained=True)
    elif kind < 0.95:
        world.crash(rng.choice([0.1, 5.0, 300.0, 4000.0]))
    elif kind < 0.97:
        world.switch_by_hand(rng.random() < 0.5)
    elif kind < 0.98:
        world.read(rng.randint(0, 1), rng.uniform(-20000, 20000))
    elif kind < 0.985:
        world.stop()


def planned_event(rng: random.Random, world: World) -> None:
    """Let something of what is planned happen."""
    kind, params = rng.random(), world.setup.params
    if kind < 0.55:
        begin_s = rng.choice([-100.0, 0.0, 0.0, 30.0, 2000.0])
        due_s = [(begin_s, begin_s + rng.choice([5.0, params.min_on_s, 200.0, 3000.0, 40000.0]))]
        if rng.random() < 0.3:
            due_s.append((due_s[0][1] + rng.choice([-3.0, 0.0, 60.0]), due_s[0][1] + rng.choice([100.0, 4000.0])))
        world.charge(*due_s)
    elif kind < 0.65:
        world.charge()
    elif kind < 0.73:
        world.ask(rng.choice([None, 500.0, 9000.0]))
    elif kind < 0.78:
        world.over()
    elif kind < 0.84:
        world.fill()
    elif kind < 0.96:  # an evening without sun
        for _ in range(rng.randint(5, 60)):
            world.read_all(world.setup.draw_w * rng.uniform(0.2, 1.3))
            world.wait(rng.choice([4.0, 9.0]))
    elif kind < 0.965:  # and a night, in which it is due all the time
        world.charge((0.0, DAY_S))
        for _ in range(1500 if world.setup.draw_w > 2000.0 else 50):  # where it has to rest
            world.read_all(world.setup.draw_w * 1.2)
            world.wait(9.0)
    else:
        world.wait(world.setup.noon_s - world.now_s % DAY_S + DAY_S * (world.now_s % DAY_S > world.setup.noon_s))


def random_sequence(seed: int, events: int = 40) -> World:
    """Run one random sequence of events. The seed says all: the same seed is the same sequence. Raises Broken.

    In every other something is planned, too.
    """
    rng, plans = random.Random(seed), seed % 2 == 1
    setup = random_setup(rng)
    world = World(with_plans(setup, seed) if plans else setup)
    world.link(True)
    world.enable(True)
    chance = random.Random(f"planned {seed}")
    for _ in range(events):
        random_event(rng, world)
        if plans and chance.random() < 0.6:
            planned_event(chance, world)
    return world


def limited_sequence(seed: int, events: int = 30) -> World:
    """Run one random sequence in a house whose export is limited. Raises Broken."""
    rng = random.Random(f"limited {seed}")
    world = World(with_limit(random_setup(rng), seed))
    world.link(True)
    world.enable(True)
    assert world.setup.limit is not None
    limit_w, draw_w = world.setup.limit.limit_w, world.setup.draw_w
    for _ in range(events):
        kind = rng.random()
        if kind < 0.55:  # it stands there, and so it does beside a charge that hidden sun carries
            for _ in range(rng.randint(5, 70)):
                world.read_all(-limit_w + rng.uniform(-40.0, 40.0))
                world.wait(9.0)
        elif kind < 0.75:  # nothing was hidden, or a cloud has come
            for _ in range(rng.randint(1, 80)):
                world.read_all((draw_w if world.controller.wants_on else 0.0) + rng.uniform(-100.0, 100.0))
                world.wait(9.0)
        elif kind < 0.8:
            world.crash(rng.choice([0.1, 5.0, 300.0]))
            world.link(True)
        elif kind < 0.9:
            world.wait(rng.choice([300.0, 4000.0, 20000.0]))
        else:
            random_event(rng, world)
    return world
