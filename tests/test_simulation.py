"""House-days on a virtual clock: each kind of trouble once, random ones, and planted bugs that must be found.

The daemon in them is the real one; see tests/simulation.py. Years of them: `python -m tests.bench.house_years`.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import math
import random
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest

from surpluscharge.control import machine, signals, supervisor
from surpluscharge.control.controller import Controller, Kept
from surpluscharge.control.machine import Row
from surpluscharge.control.plug import Plug
from surpluscharge.control.supervisor import Supervisor
from surpluscharge.daemon import relay as relay_module
from surpluscharge.daemon import store
from surpluscharge.daemon.mqtt import Link, Post
from tests.bench import house_years
from tests.simulation import (
    FEED_FAULTS,
    HOUR_S,
    KINDS,
    Broken,
    Episode,
    Feed,
    Simulation,
    anew,
    draw_setup,
    plan,
    price_slots,
    run_house,
    shrink,
    simulate,
    spoilt,
)

# Before the morning no sun is worth a charge in any of these houses, nor in the evening; what a trouble of the forenoon
# leads to has come to an end, or to a second round, before noon.
MORNING_S, FORENOON_S, BEFORE_NOON_S, EVENING_S = (hour * HOUR_S for hour in (6, 8.5, 11.75, 20))

# Households in which the trouble has time to show, where the usual one is not right.
SEEDS = {"draws a little more": 88, "socket heating": 3, "meter sign flipped": 2}
CODES = {
    "broker down": {"broker-lost"},
    "plug offline": {"temperature-lost"},
    "relay stuck off": {"relay-not-on"},
}


def forced(kind: str, seed: int, at_s: float = 9 * HOUR_S) -> Episode:
    """Return a trouble that comes while a charge runs, or about to, where that matters."""
    low, high = KINDS[kind].lasts_s
    after_s = 3.0 if KINDS[kind].when == "arming" else 60.0
    return Episode(kind, at_s, min(high, max(low, 2700.0)), KINDS[kind].when, after_s, seed)


@pytest.mark.parametrize("kind", KINDS)
def test_each_trouble_is_survived_and_what_can_be_told_of_it_is_told(kind: str) -> None:
    seed = SEEDS.get(kind, 2)
    simulation = simulate(seed, 1, [forced(kind, seed)], full=True, begin_s=FORENOON_S, end_s=BEFORE_NOON_S)
    result = simulation.result
    assert result.injected[kind] == 1
    assert not result.false, result.doubts
    assert result.starts > 0
    if KINDS[kind].codes:
        assert result.detected[kind] == 1, dict(result.raised)
        assert CODES.get(kind, KINDS[kind].codes) & result.raised.keys()


@pytest.mark.parametrize("seed", range(1000, 1005))
def test_random_troubles_break_no_invariant(seed: int) -> None:
    assert simulate(seed, 1, plan(seed, 1), begin_s=MORNING_S, end_s=EVENING_S).result.checks > 1000


@pytest.mark.parametrize("seed", [1, 7])
def test_nothing_is_raised_without_a_cause_where_nothing_is_wrong(seed: int) -> None:
    result = run_house(seed, 1, faults=False)
    assert not result.injected
    assert not result.false, result.doubts
    assert result.fault_free_days == 1
    assert result.energy_wh > 500.0


# The file's cheap hours, from one to five, and when it is needed.
CHEAP_S, NEEDED_S = (1 * HOUR_S, 5 * HOUR_S), 7 * HOUR_S


def night(feed: Feed) -> Simulation:
    """Return a night in which something is needed by seven, and prices are published by ``feed``."""
    simulation = simulate(4, 1, (), full=True, end_s=NEEDED_S + 120.0, feed=feed)
    assert simulation.result.needs == {"need_met": 1}
    assert not simulation.result.false
    assert len(charged_s(simulation)) <= 2  # each stretch of cheap hours in one
    return simulation


def charged_s(simulation: Simulation) -> list[float]:
    """Return when charges began, before there was any sun."""
    return [at_s for at_s in simulation.starts_s if at_s < 6.5 * HOUR_S]


@pytest.mark.parametrize("first", range(4))
def test_no_fault_of_a_feed_switches_on_and_the_need_is_met_by_the_file_s_prices(first: int) -> None:
    """Each is named in log and status, as often as it comes; five of them come in turn through a night."""
    faults, sent = itertools.cycle(list(FEED_FAULTS)[first::4]), []

    def feed(one: Simulation) -> bytes:
        sent.append(next(faults))
        return spoilt(sent[-1], price_slots(one.clock.wall(), 1))

    simulation = night(feed)
    reasons = [FEED_FAULTS[fault] for fault in sent]
    refusals = [fields for event, fields in simulation.of_feed if event == "message_refused"]
    assert len(sent) == 11 and [one["reason"] for one in refusals] == reasons
    assert {event for event, _ in simulation.of_feed} <= {"message_refused", "feed_lacking"}
    document = simulation.service._document()
    assert document.refused_messages == Counter(reasons)
    assert document.plan.prices_known_until is None
    assert charged_s(simulation) and all(CHEAP_S[0] <= at_s < CHEAP_S[1] for at_s in charged_s(simulation))


@pytest.mark.parametrize("fault", ["stale", "gap", "duplicate", "infinite", "empty"])
def test_what_was_known_of_prices_goes_on_to_hold(fault: str) -> None:
    """Whatever comes after it that cannot be used."""

    def good_first(one: Simulation) -> bytes:
        slots = price_slots(one.clock.wall(), 1)
        for number, slot in enumerate(slots):
            slot["price"] = -0.04 if number == 5 else 0.01 if number == 6 else 0.3
        return json.dumps(slots).encode() if one.t < HOUR_S / 2 else spoilt(fault, slots)

    simulation = night(good_first)
    assert [event for event, _ in simulation.of_feed].count("prices_known") == 1
    assert {one.get("reason") for event, one in simulation.of_feed if event == "message_refused"} == {
        FEED_FAULTS[fault]
    }
    assert charged_s(simulation) and all(4.5 * HOUR_S <= at_s < 6.5 * HOUR_S for at_s in charged_s(simulation))


@pytest.mark.parametrize("lack", ["late", "missing"])
def test_prices_that_do_not_come_are_said_to_be_lacking_and_the_file_s_hold(lack: str) -> None:
    """Nothing at all; or too little for the time ahead."""

    def feed(one: Simulation) -> bytes | None:
        return json.dumps(price_slots(one.clock.wall(), 1)[:4]).encode() if lack == "late" else None

    simulation = night(feed)
    lacks = [fields["lack"] for event, fields in simulation.of_feed if event == "feed_lacking"]
    assert lacks[0] == lack and lacks.count(lack) == 1
    assert simulation.service._document().plan.prices_lack == "missing"
    if lack == "missing":
        assert all(CHEAP_S[0] <= at_s < CHEAP_S[1] for at_s in charged_s(simulation))


def test_a_seed_says_all() -> None:
    """The same seed is the same history, line by line; another is another."""

    def history(seed: int) -> list[str]:
        simulation = simulate(seed, 1, plan(seed, 3), begin_s=FORENOON_S, end_s=FORENOON_S + 2 * HOUR_S)
        return [*simulation.log.recent, f"{simulation.result}"]

    once = history(11)
    assert once == history(11)
    assert once != history(12)


# --- planted bugs: each a small change to the package, found by the simulation ---------------------------------------

TABLE = machine.TABLE


def without(*causes: int) -> tuple[Row, ...]:
    return tuple(row for row in TABLE if row.cause not in causes)


def latches_forgotten(patch: pytest.MonkeyPatch) -> None:
    bare = Supervisor.__init__
    patch.setattr(Supervisor, "__init__", lambda self, records=(): bare(self))


def will_says_on(patch: pytest.MonkeyPatch) -> None:
    bare = Link.__init__

    def elsewhere(self: Link, name: str, *which: Any, will: Post | None, **how: Any) -> None:
        bare(self, name, *which, will=will and will._replace(topic="elsewhere"), **how)

    patch.setattr(Link, "__init__", elsewhere)


def off_taken_for_granted(patch: pytest.MonkeyPatch) -> None:
    real = Plug.confirmed
    patch.setattr(Plug, "confirmed", lambda self, on: True if not on else real(self, on))
    patch.setattr(Controller, "_restore", _restored_as_long_off)


_real_restore = Controller._restore


def _restored_as_long_off(self: Controller, kept: Kept, at: Any) -> None:
    _real_restore(self, kept, at)
    self.state = self.state._replace(off_since_s=at.now_s - 1e6)


def silence_ignored(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(signals.Pulse, "silent_after_s", lambda self, configured_s: math.inf)


def silence_noticed_late(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(signals, "SILENT_TIMES", 6.0)


def staleness_ignored(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(machine, "TABLE", without(machine.C_METER_SILENT))


def starts_forgotten(patch: pytest.MonkeyPatch) -> None:
    real = Controller.kept
    patch.setattr(Controller, "kept", lambda self: real(self)._replace(starts_s=()))


def session_forgotten(patch: pytest.MonkeyPatch) -> None:
    real = Controller.kept
    patch.setattr(Controller, "kept", lambda self: real(self)._replace(session_s=0.0, session_wh=0.0, on=False))


def over_current_overlooked(patch: pytest.MonkeyPatch) -> None:
    blind = tuple(
        fault._replace(evidence=lambda now, limits: False)
        if fault.code in ("over-current", "draw-high", "socket-overload")
        else fault
        for fault in supervisor.FAULTS
    )
    patch.setattr(supervisor, "FAULTS", blind)


def on_retained(patch: pytest.MonkeyPatch) -> None:
    real = relay_module.on_post
    patch.setattr(relay_module, "on_post", lambda *how: real(*how)._replace(retain=True))


def only_wishes_counted(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Controller, "_count_unwished", lambda self, at: None)


def standing_clock_believed(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(store, "UNKNOWABLE_S", 0.0)


def minimum_on_ignored(patch: pytest.MonkeyPatch) -> None:
    rows = tuple(
        row._replace(when=row.when & ~machine.MIN_ON_OVER) if row.cause == machine.C_IMPORT_HELD else row
        for row in TABLE
    )
    patch.setattr(machine, "TABLE", rows)


CHARGE = "charging"
BUGS: dict[str, tuple[Callable[[pytest.MonkeyPatch], None], int, int, list[Episode]]] = {
    "a restart forgets latched faults": (
        latches_forgotten,
        9,
        2,
        [forced("far too much current", 2), Episode("daemon crash", 11 * HOUR_S, 20.0)],
    ),
    "the will is not the off command": (will_says_on, 7, 2, [Episode("daemon crash", 0.0, 300.0, CHARGE, 60.0)]),
    "off is always taken for confirmed": (
        off_taken_for_granted,
        3,
        2,
        [Episode("daemon crash", 0.0, 3.0, CHARGE, 600.0)],
    ),
    "a plug's silence is ignored": (silence_ignored, 11, 3, [Episode("plug offline", 0.0, 1700.0, CHARGE, 1000.0)]),
    "a plug's silence is noticed late": (
        silence_noticed_late,
        11,
        3,
        [Episode("plug offline", 0.0, 1700.0, CHARGE, 1000.0)],
    ),
    "a stale meter is ignored": (staleness_ignored, 6, 2, [Episode("meter silent", 0.0, 900.0, CHARGE, 60.0)]),
    "a restart forgets the starts": (
        starts_forgotten,
        4,
        2,
        [Episode("daemon crash", hour * HOUR_S, 5.0, CHARGE, 400.0) for hour in range(12)],
    ),
    "a restart forgets the session": (
        session_forgotten,
        5,
        0,
        [Episode("daemon crash", hour * HOUR_S, 5.0, CHARGE, 1500.0) for hour in range(12)],
    ),
    "over-current is overlooked": (
        over_current_overlooked,
        0,
        2,
        [Episode("far too much current", 0.0, 2400.0, CHARGE, 60.0, seed) for seed in (5,)],
    ),
    "on is retained": (on_retained, 8, 2, []),
    "a relay that nobody can tell off costs no session": (
        only_wishes_counted,
        5,
        1,
        [Episode("broker down", hour * HOUR_S, 1750.0, CHARGE, 300.0) for hour in range(12)],
    ),
    "a wall clock that stood still is believed": (
        standing_clock_believed,
        5,
        6,
        [Episode("power loss", hour * HOUR_S, 3600.0, CHARGE, 1500.0, hour + 6) for hour in range(8)],
    ),
    "the minimum-on time is ignored": (minimum_on_ignored, 2, 2, []),
}


@pytest.mark.parametrize("bug", BUGS)
def test_a_planted_bug_is_found(bug: str, monkeypatch: pytest.MonkeyPatch) -> None:
    plant, number, seed, schedule = BUGS[bug]
    with monkeypatch.context() as patch, pytest.raises(Broken) as caught:
        plant(patch)
        simulate(seed, 1, anew(schedule), full=True, begin_s=FORENOON_S)
    assert caught.value.number == number, caught.value
    # The same hours without the bug break nothing.
    simulate(seed, 1, anew(schedule), full=True, begin_s=FORENOON_S, end_s=caught.value.at_s + 1.0)


def test_a_failing_schedule_shrinks_to_what_it_needs(monkeypatch: pytest.MonkeyPatch) -> None:
    staleness_ignored(monkeypatch)
    culprit = Episode("meter silent", 0.0, 900.0, CHARGE, 60.0)
    others = [Episode("clock jump", 3 * HOUR_S, 1.0), Episode("disk full", 5 * HOUR_S, 60.0)]
    assert [episode.kind for episode in shrink(2, 1, [*others, culprit])] == ["meter silent"]


def test_a_failing_seed_replays_with_one_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(house_years, "plan", lambda seed, days: [Episode("meter silent", 0.0, 900.0, CHARGE, 60.0)])
    assert house_years.replay(2, 1, faults=True) == 0
    staleness_ignored(monkeypatch)
    assert house_years.replay(2, 1, faults=True) == 1
    said = capsys.readouterr().out
    assert "seed 2 holds for 1 days" in said
    assert "invariant 6" in said
    assert "the least that must go wrong for this:\n  meter silent" in said


def test_simulations_leave_no_trace() -> None:
    random.seed(5)
    expected = random.random()
    random.seed(5)
    simulate(1, 1, plan(1, 1), begin_s=FORENOON_S, end_s=FORENOON_S + HOUR_S)
    assert random.random() == expected
    with pytest.raises(RuntimeError, match="no running event loop"):
        asyncio.get_running_loop()
    assert draw_setup(4) == draw_setup(4)
