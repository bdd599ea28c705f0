"""Several on one meter: the claims, who may start and who gives way, and that all shares add up (invariant 14)."""

from __future__ import annotations

import asyncio
import itertools
import json
import random
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.cli import main
from surpluscharge.clock import ScaledClock, SystemClock
from surpluscharge.config import Config, together, warnings
from surpluscharge.config.checks import contradictions
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Moment
from surpluscharge.control.draw import DrawWatch
from surpluscharge.control.lessons import Lessons
from surpluscharge.control.neighbours import (
    ASKS,
    DRAWS,
    ECHO_WITHIN_S,
    IDLE,
    LISTENS_S,
    MOST_LIVES,
    MOST_NEIGHBOURS,
    PATIENCE_S,
    STARTS,
    Claim,
    Neighbours,
    Place,
    read,
)
from surpluscharge.control.signals import Rejected
from surpluscharge.control.steps import MOST_SPOILT
from surpluscharge.daemon.service import Service
from surpluscharge.daemon.status import build, explain
from surpluscharge.history.energy import Sample, held
from tests.conftest import Mosquitto, config_from
from tests.explore import planted
from tests.street import SETTLE_S, Clash, Street, lead
from tests.wire import Heard, Observer, until

LASTS_S = 60.0
HEARD_S = LASTS_S / 3 + LISTENS_S  # when the others are known


def claim(**changes: Any) -> bytes:
    return json.dumps({"rank": 5, "stage": "idle", "lasts_s": LASTS_S} | changes).encode()


def company(name: str = "carport", rank: int = 5) -> Neighbours:
    """One that has a connection, and has listened long enough."""
    one = Neighbours(Place(name, rank, SETTLE_S, LASTS_S), 0.0)
    one.link("a", 0.0)
    one.advance(HEARD_S)
    return one


def wish(one: Neighbours, now_s: float, **fields: Any) -> str | None:
    """Look with this wish; return what is said."""
    one.advance(now_s)
    one.look(now_s, **fields)
    return one.take_claim(now_s)


def echo(one: Neighbours, said: str | None, now_s: float) -> None:
    assert said is not None
    one.take(one.place.name, said.encode(), False, now_s)


def start(one: Neighbours, at_s: float) -> float:
    """Ask, and start, with nobody else there; return when it may."""
    echo(one, wish(one, at_s, ready=True), at_s)
    said = wish(one, at_s + 2.1, ready=True)
    assert one.stage == STARTS and not one.open
    echo(one, said, at_s + 2.2)
    wish(one, at_s + 2.2, ready=True)
    return at_s + 2.2


# --- what a claim is -------------------------------------------------------------------------------------------------


def test_a_claim_is_read_as_it_is_written() -> None:
    one = Claim(3, ASKS, 1380.0, 200.5, True, 60.0, "a-1")
    assert read(one.written().encode()) == one
    assert read(claim(stage="draws", draws_w=2000, more=["other", "keys"])) == Claim(5, DRAWS, 2000.0, 0, False, 60.0)
    assert read(b"") is None


@pytest.mark.parametrize(
    "payload",
    [
        b"on",
        b"[]",
        b"null",
        b"{}",
        b"\xff",
        b"[" * 5000,
        claim(rank=0),
        claim(rank=100),
        claim(rank=2.5),
        claim(rank=True),
        claim(rank="1"),
        claim(stage="on"),
        claim(stage=None),
        claim(stage=["idle"]),
        claim(draws_w=-1),
        claim(draws_w=30001),
        claim(draws_w="1380"),
        claim(draws_w=float("nan")),
        claim(draws_w=float("inf")),
        claim(lacks_w=-5),
        claim(firm=1),
        claim(lasts_s=0),
        claim(lasts_s=1e9),
        claim(lasts_s=None),
        claim(mark=7),
        claim(mark="x" * 65),
        claim(mark="x" * 2000),
    ],
)
def test_nonsense_is_refused(payload: bytes) -> None:
    with pytest.raises(Rejected):
        read(payload)


@given(st.binary(max_size=200) | st.text(max_size=50).map(str.encode) | st.from_type(type(None)).map(lambda _: b"{}"))
def test_no_payload_does_more_than_be_refused(payload: bytes) -> None:
    one = company()
    for name in ("shed", "carport", "", "A B", "x" * 99):
        try:
            one.take(name, payload, False, HEARD_S)
        except Rejected as refusal:
            assert refusal.reason in ("not-a-claim", "too-large", "not-utf8")


def test_only_so_many_are_kept_account_of() -> None:
    one = company()
    for number in range(MOST_NEIGHBOURS):
        one.take(f"n{number}", claim(), False, HEARD_S)
    with pytest.raises(Rejected, match="so many others"):
        one.take("another", claim(), False, HEARD_S)
    one.take("n3", claim(stage="draws"), False, HEARD_S)
    one.advance(HEARD_S + LASTS_S + SETTLE_S)
    one.take("another", claim(), False, HEARD_S + LASTS_S + SETTLE_S)


# --- a start ---------------------------------------------------------------------------------------------------------


def test_a_start_is_asked_for_said_and_only_then_made() -> None:
    one = company()
    at_s = start(one, HEARD_S)
    assert one.open
    assert wish(one, at_s, on=True, draws_w=1380.0) is None or one.stage == STARTS
    said = wish(one, at_s + 1.5, on=True, told=True, draws_w=1380.0)
    assert said is not None and read(said.encode()) == Claim(5, DRAWS, 1380.0, 0.0, False, LASTS_S, "a-3")
    wish(one, at_s + 1.6, on=True, told=False, draws_w=1380.0)  # it is told again
    assert one.stage == DRAWS
    assert json.loads(wish(one, at_s + 700.0, draws_w=0.0) or "")["stage"] == IDLE


def test_nobody_starts_without_a_connection_or_before_all_are_heard() -> None:
    one = Neighbours(Place("carport", 5, SETTLE_S, LASTS_S), 0.0)
    assert wish(one, 50.0, ready=True) is None and not one.open
    assert one.waits_for(50.0) == ("a connection to say its claim by", None)
    one.link("a", 50.0)
    echo(one, wish(one, 51.0, ready=True), 51.0)
    wish(one, 60.0, ready=True)
    assert one.stage == ASKS and one.waits_for(60.0) == ("those on the same meter to be heard", HEARD_S - 10.0)
    one.link(None, 61.0)
    wish(one, 200.0, ready=True)
    assert one.stage == ASKS


def test_what_does_not_come_back_starts_nothing() -> None:
    one, at_s = company(), HEARD_S
    for _ in range(200):
        wish(one, at_s, ready=True)
        assert not one.open and one.stage == ASKS
        at_s += 0.7
    assert one.waits_for(at_s) == ("its own claim to come back from the broker", None)


def test_what_comes_back_too_late_starts_nothing() -> None:
    """A daemon that was stopped in between does not know what the others have done since."""
    one = company()
    echo(one, wish(one, HEARD_S, ready=True), HEARD_S)
    said = wish(one, HEARD_S + 3.0, ready=True)
    assert one.stage == STARTS
    late_s = HEARD_S + 3.0 + ECHO_WITHIN_S + 0.1
    one.advance(late_s)
    echo(one, said, late_s)
    wish(one, late_s, ready=True)
    assert not one.open and one.stage == ASKS


def test_the_settling_time_after_anothers_start_is_waited_for() -> None:
    one = company()
    one.take("shed", claim(stage="starts"), False, HEARD_S)
    wish(one, HEARD_S + 1.0, ready=True)
    assert one.waits_for(HEARD_S + 1.0) == ("the start of shed to settle", None)
    one.take("shed", claim(stage="draws", draws_w=1000), False, HEARD_S + 2.0)
    assert one.waits_for(HEARD_S + 12.0) == ("the start of shed to settle", SETTLE_S - 10.0)
    one.take("shed", claim(stage="draws", draws_w=900), False, HEARD_S + 22.0)  # said anew: no new start
    assert one.waits_for(HEARD_S + 32.0) == ("the start of shed to settle", SETTLE_S - 30.0)


@pytest.mark.parametrize("ends", ["taken back", "its time"])
def test_one_that_dies_while_it_starts_is_waited_for_and_not_for_ever(ends: str) -> None:
    one = company()
    one.take("shed", claim(stage="starts"), False, HEARD_S)
    gone_s = HEARD_S + 1.0 if ends == "taken back" else HEARD_S + LASTS_S
    if ends == "taken back":
        one.take("shed", b"", False, gone_s)
    one.advance(gone_s)
    assert one.live == []
    over_s = gone_s + LASTS_S + SETTLE_S
    assert one.waits_for(over_s - 1.0) == ("the start of shed to settle", 1.0)
    one.advance(over_s)
    assert start(one, over_s) and one.open


def test_a_dead_ones_claim_ends_whatever_it_was() -> None:
    one = company()
    one.take("shed", claim(stage="draws", draws_w=1380, rank=9), True, HEARD_S)
    one.take("yard", claim(stage="asks", rank=1), True, HEARD_S)
    assert one.after_w == 1380.0 and one.waits_for(HEARD_S + 61.0) is not None
    assert one.advance(HEARD_S + LASTS_S) == 1380.0
    assert (one.live, one.after_w, one.given_w) == ([], 0.0, 0.0)


def test_whoever_comes_first_starts_first() -> None:
    """By rank, then by name; and an ask of one that comes behind is nobody's concern."""
    for name, rank, first in (("a", 4, True), ("z", 4, True), ("a", 5, True), ("z", 5, False), ("a", 6, False)):
        one = company("m", 5)
        one.take(name, claim(stage="asks", rank=rank), False, HEARD_S)
        echo(one, wish(one, HEARD_S, ready=True), HEARD_S)
        wish(one, HEARD_S + 3.0, ready=True)
        assert one.stage == (ASKS if first else STARTS), (name, rank)
        if first:
            assert one.waits_for(HEARD_S + 3.0) == (f"{name}, which comes first, to start", None)


def test_whoever_asks_without_end_is_not_heeded_for_ever() -> None:
    one, at_s, held_s = company("m", 5), HEARD_S, 0.0
    for _ in range(3000):
        at_s += 5.0
        one.take("a", claim(stage="asks", rank=1, lacks_w=100), False, at_s)
        one.advance(at_s)
        one.look(at_s, on=True, draws_w=1380.0)
        held_s += 5.0 * one.gives_way
    assert one.known["a"].asking.waited_s <= PATIENCE_S
    assert 0.5 < held_s / (at_s - HEARD_S) < 0.75


def test_whoever_starts_without_end_is_not_heeded_for_ever() -> None:
    one, at_s, free_s = company(), HEARD_S, 0.0
    for _ in range(3000):
        at_s += 5.0
        one.take("a", claim(stage=random.Random(at_s).choice(["starts", "draws", "idle"])), False, at_s)
        one.advance(at_s)
        free_s += 5.0 * (one.waits_for(at_s) is None or "settle" not in str(one.waits_for(at_s)))
    assert free_s > 0.25 * (at_s - HEARD_S)


def test_its_own_claim_that_was_taken_back_is_said_again() -> None:
    """The will of a connection before this one may come after what was said on this one."""
    one = company()
    assert wish(one, HEARD_S, on=True, told=True, draws_w=1380.0)
    one.take("carport", b"", False, HEARD_S + 2.0)
    assert wish(one, HEARD_S + 2.0, on=True, told=True, draws_w=1380.0)


def test_another_of_the_same_name_is_heard_of_as_any_other() -> None:
    one = company()
    one.take("carport", claim(stage="draws", mark="of before-9"), True, HEARD_S)
    assert not one.name_shared and one.known == {}  # an earlier life's, kept by the broker
    one.take("carport", claim(stage="starts", mark="b-1"), False, HEARD_S)
    one.advance(HEARD_S)
    assert one.name_shared and one.waits_for(HEARD_S) == ("the start of carport to settle", None)


def test_its_own_last_words_of_a_connection_before_are_nobody_elses() -> None:
    """A broker may hand out what lay in a broken connection after the next one is made, and so after its will."""
    one = company()
    said = wish(one, HEARD_S, ready=True)
    for number in range(MOST_LIVES):
        one.link(None, HEARD_S)
        one.link(f"life {number}", HEARD_S)
        echo(one, said, HEARD_S)
        assert not one.name_shared and one.known == {}
    one.link("yet another", HEARD_S)
    echo(one, said, HEARD_S)  # of so many lives ago nobody knows any more
    one.advance(HEARD_S)
    assert one.name_shared


# --- giving way ------------------------------------------------------------------------------------------------------


def drawing(rank: int, others: dict[str, dict[str, Any]], now_s: float = HEARD_S, **fields: Any) -> Neighbours:
    one = company("m", rank)
    for name, changes in others.items():
        one.take(name, claim(**changes), False, now_s)
    wish(one, now_s, **({"on": True, "told": True, "draws_w": 1380.0} | fields))
    return one


ASKING = {"a": {"stage": "asks", "rank": 1, "lacks_w": 500}}


def test_one_of_a_later_rank_gives_way_and_the_last_of_them_first() -> None:
    assert drawing(2, ASKING).gives_way
    assert not drawing(1, ASKING).gives_way  # of equal rank
    assert not drawing(2, {"a": {"stage": "asks", "rank": 1}}).gives_way  # it lacks nothing but its turn
    assert not drawing(2, ASKING, firm=True).gives_way
    assert not drawing(2, ASKING, on=False, draws_w=0.0).gives_way
    later = {"z": {"stage": "draws", "rank": 3, "draws_w": 900}}
    one = drawing(2, ASKING | later)
    assert not one.gives_way
    one.take("z", claim(rank=3), False, HEARD_S + 10.0)  # it has: the meter has to show that
    one.advance(HEARD_S + 11.0)
    assert not one.gives_way
    one.take("a", claim(**ASKING["a"]), False, HEARD_S + 50.0)
    one.advance(HEARD_S + 10.0 + SETTLE_S)
    assert one.gives_way
    later["z"]["firm"] = True
    assert drawing(2, ASKING | later).gives_way  # that one never will


def test_what_lacks_is_asked_for_where_others_could_give_it() -> None:
    for rank, firm, lacks_w, asks in (
        (6, False, 1000.0, True),
        (6, False, 1500.0, False),  # more than they draw
        (6, True, 1000.0, False),
        (5, False, 1000.0, False),
    ):
        one = company("m", 5)
        one.take("z", claim(stage="draws", rank=rank, draws_w=1380, firm=firm), False, HEARD_S)
        wish(one, HEARD_S, lacks_w=lacks_w, delay_s=45.0)
        assert one.stage == IDLE
        one.take("z", claim(stage="draws", rank=rank, draws_w=1380, firm=firm), False, HEARD_S + 45.0)
        said = wish(one, HEARD_S + 45.0, lacks_w=lacks_w, delay_s=45.0)
        assert one.stage == (ASKS if asks else IDLE)
        if asks:
            assert json.loads(said or "")["lacks_w"] == 1000.0


def test_the_last_one_ends_first_where_the_surplus_falls_short() -> None:
    others = {"a": {"stage": "draws", "rank": 1, "draws_w": 1000}, "z": {"stage": "draws", "rank": 3, "draws_w": 900}}
    assert [drawing(rank, others).stop_delay_s(120.0, 20.0) for rank in (1, 2, 9)] == [100.0, 100.0, 80.0]
    assert drawing(9, others).stop_delay_s(30.0, 20.0) == 10.0
    assert drawing(9, others, firm=True).stop_delay_s(120.0, 20.0) == 120.0
    assert drawing(9, {}).stop_delay_s(120.0, 20.0) == 120.0


# --- all of them, and a broker: no two at once ------------------------------------------------------------------------


def meet(seed: int) -> Iterator[tuple[float, int]]:
    """Let some start again and again, at the same instants; yield (when, who) for each start.

    The broker has one order; each way to and from it takes its own time, up to seconds, in order.
    """
    rng = random.Random(seed)
    count = rng.choice([2, 2, 3, 4])
    ones = [Neighbours(Place(f"n{k}", rng.choice([1, 5]), SETTLE_S, LASTS_S), 0.0) for k in range(count)]
    slow_s = rng.choice([0.02, 0.5, 2.4, 3.5])
    to_broker = [[] for _ in ones]  # type: list[list[tuple[float, bytes]]]
    from_broker = [[] for _ in ones]  # type: list[list[tuple[float, int, bytes]]]
    for k, one in enumerate(ones):
        one.link(f"life{k}", 0.0)
    on_until_s: list[float | None] = [None] * count
    wants_s = [rng.choice([0.0, 30.0, HEARD_S, 40.0]) for _ in ones]
    now_s = 0.0
    while now_s < 900.0:
        times = [lane[0][0] for lane in (*to_broker, *from_broker) if lane]
        times += [at_s for one in ones for at_s in one.deadlines_s()]
        times += [*wants_s, *(until_s for until_s in on_until_s if until_s is not None)]
        now_s = min(at_s for at_s in times if at_s > now_s)
        for k, lane in enumerate(to_broker):
            while lane and lane[0][0] <= now_s:
                payload = lane.pop(0)[1]
                for ears in from_broker:
                    at_s = max(now_s + rng.random() * slow_s, ears[-1][0] if ears else 0.0)
                    ears.append((at_s, k, payload))
        for k, one in enumerate(ones):
            one.advance(now_s)
            heard = [*from_broker[k]]
            happened = [letter for letter in heard if letter[0] <= now_s] or [None]
            for letter in happened:
                if letter is not None:
                    from_broker[k].remove(letter)
                    one.take(f"n{letter[1]}", letter[2], False, now_s)
                on = on_until_s[k] is not None
                one.look(now_s, on=on, told=on, ready=not on and now_s >= wants_s[k], draws_w=1380.0 * on)
                if one.open and not on:
                    on_until_s[k] = now_s + rng.choice([5.0, 90.0, 300.0])
                    one.look(now_s, on=True, told=False, draws_w=1380.0)
                    yield now_s, k
                if (said := one.take_claim(now_s)) is not None:
                    at_s = max(now_s + rng.random() * slow_s, to_broker[k][-1][0] if to_broker[k] else 0.0)
                    to_broker[k].append((at_s, said.encode()))
            until_s = on_until_s[k]
            if until_s is not None and now_s >= until_s:
                on_until_s[k], wants_s[k] = None, now_s + rng.choice([0.0, 0.0, 20.0])


def clash(seed: int) -> str | None:
    starts = list(meet(seed))
    for (one_s, one), (other_s, other) in itertools.combinations(starts, 2):
        if one != other and other_s - one_s < SETTLE_S:
            return f"seed {seed}: {one} at {one_s} s, {other} at {other_s} s"
    return None if len(starts) >= 2 else f"seed {seed}: only {starts}"


def test_of_several_at_the_same_instant_one_starts() -> None:
    """Invariant 14, over slow ways and quick ones."""
    assert [found for seed in range(12) if (found := clash(seed))] == []


PLANTED = {
    "nobody waits for a start to come back": (
        "Neighbours._starting",
        "if heard and heard.stage",
        "if True or heard.stage",
    ),
    "others' starts are not minded": ("Neighbour.settles_s", "return math.inf", "return 0.0"),
    "no time to settle": ("Neighbour.settles_s", "self.began_s + settle_s - now_s", "0.0"),
    "a start is no start once it draws": (
        "Neighbour.hears",
        "elif claim.stage == STARTS or stage != DRAWS:",
        "elif False:",
    ),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_bug_is_found(name: str) -> None:
    with planted(*PLANTED[name]):
        assert any(clash(seed) for seed in (18, *range(40)))  # that one comes to the first of them


# --- around the controller -------------------------------------------------------------------------------------------


def test_without_the_table_nothing_of_it_is_in_memory() -> None:
    """A charger by itself decides as ever: there is nothing that could decide otherwise."""
    program = (
        "import sys; from surpluscharge.config import load; from surpluscharge.daemon.service import Service;"
        "from surpluscharge.control.controller import Controller, Moment;"
        "c = load('config.example.toml'); assert c.settings().place is None;"
        "Controller(c.settings(), Moment(0.0, 0, 0));"
        "print([name for name in sys.modules if 'neighbours' in name or name.endswith('daemon.claims')])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@given(
    draws_w=st.lists(st.floats(0.0, 3000.0), min_size=1, max_size=4),
    grid_w=st.floats(-9000.0, 9000.0),
    battery_w=st.floats(-5000.0, 5000.0),
    length_ms=st.integers(1, 60_000),
)
def test_the_shares_of_all_add_up(draws_w: list[float], grid_w: float, battery_w: float, length_ms: int) -> None:
    """To the rounding of each to milliwatt-seconds: what is imported for all, and what a battery gives for all."""
    whole = held(Sample(0, grid_w, sum(draws_w), True, battery_w=battery_w), length_ms).energy
    parts = [
        held(Sample(0, grid_w, draw_w, True, battery_w=battery_w, after_w=sum(draws_w[index + 1 :])), length_ms).energy
        for index, draw_w in enumerate(draws_w)
    ]
    for name in ("bought_mws", "battery_mws", "solar_mws"):
        assert abs(sum(getattr(part, name) for part in parts) - getattr(whole, name)) <= 2 * len(parts), name
    assert all(part.solar_mws >= -1 and part.bought_mws >= 0 for part in parts)


def test_a_neighbours_switching_teaches_neither_sign_nor_draw() -> None:
    """Another one, of the same draw, goes off as this one goes on: as though the meter's sign were turned round."""

    def taught(disturbed: bool) -> tuple[int, int]:
        lessons, draw = Lessons(), DrawWatch(1380.0)
        for count in range(3):
            base_s = 1000.0 * count
            for second in range(0, 400, 5):
                now_s = base_s + second
                if second == 100:
                    lessons.switched(True, now_s, True, None)
                    draw.switched(True, now_s)
                if second == 105 and disturbed:
                    lessons.disturbed(1.5, now_s)
                grid_w = -1500.0 if second < 105 else -3000.0
                lessons.steps.reading(now_s, grid_w + count, None, 1380.0)
                if now_s < lessons.quiet_until_s:
                    draw.disturbed()
                else:
                    draw.reading(now_s, grid_w + count)
        return lessons.steps.contrary, draw.refused

    assert taught(False) == (3, 3)
    assert taught(True)[0] == 0


def test_others_cannot_keep_the_sign_from_being_watched_for_ever() -> None:
    lessons = Lessons()
    for count in range(MOST_SPOILT + 2):
        for second in range(0, 400, 5):
            now_s = 1000.0 * count + second
            if second == 100:
                lessons.switched(True, now_s, True, None)
            if second in (90, 105, 200):
                lessons.disturbed(1.0, now_s)
            lessons.steps.reading(now_s, (-1500.0 if second < 105 else -3000.0) + count, None, 1380.0)
    assert lessons.steps.contrary >= 1


MORNING = {"days": 0.1, "begin_s": 0.39 * 86400.0}


def test_three_chargers_share_the_sun() -> None:
    """A morning of clouds: nobody starts while another settles, and the shares come to what one book of all has."""
    leads = [lead("carport", 1), lead("yard", 2), lead("shed", 2, current_a=5.0)]
    outcome = Street(leads, 5500.0, 3, **MORNING).run()
    assert outcome.closest_s >= SETTLE_S and min(outcome.charged) > 0.3, str(outcome)
    assert outcome.sum_of_shares_wh == pytest.approx(outcome.meter_share_wh, abs=1.0)
    assert outcome.meter_share_wh > 50.0
    assert not {"meter-sign", "meter-sign-tested", "lead-high", "no-flow"} & outcome.faults.keys()


def test_without_claims_two_trip_each_other() -> None:
    """What it is for: they start and end together, and each sees the other's step for its own."""
    outcome = Street([lead("carport", 1, claims=False), lead("yard", 2, claims=False)], 5500.0, 3, **MORNING)
    outcome.checks = False
    result = outcome.run()
    assert result.closest_s < 1.0 and sum(result.charged) < 2.0, str(result)


def test_killed_paused_and_cut_off_none_starts_while_another_settles() -> None:
    street = Street([lead("carport", 1), lead("yard", 2)], 5500.0, 5, **MORNING)
    outcome = street.run(troubles_a_day=60.0)
    assert outcome.closest_s >= SETTLE_S and sum(outcome.killed.values()) > 5, (str(outcome), outcome.killed)


@pytest.mark.parametrize(
    "bug",
    [
        ("Neighbour.settles_s", "return math.inf", "return 0.0"),
        ("Controller._among", "and not neighbours.open", "and False"),
        ("Neighbours.take", "neighbour.hears(claim, now_s)", "pass"),
    ],
    ids=["others' starts are not minded", "the others are not asked", "nobody is heard"],
)
def test_the_street_sees_a_clash(bug: tuple[str, str, str]) -> None:
    with planted(*bug), pytest.raises(Clash):
        for seed in range(3):
            Street([lead("carport", 1), lead("yard", 1)], 9000.0, seed, 0.02, 0.45 * 86400.0).run()


def test_the_street_sees_a_dead_ones_claim_that_lasts() -> None:
    """Either is enough to end it, the will or the time; without both it is heeded for ever."""
    wills = ("Neighbours.take", "neighbour.hears(claim, now_s)", "claim and neighbour.hears(claim, now_s)")
    with planted(*wills), planted("Neighbours.advance", "now_s >= neighbour.ends_s", "False"):
        street = Street([lead("carport", 1), lead("yard", 2)], 5500.0, 0, 0.1, 0.4 * 86400.0)
        with pytest.raises(Clash, match="heeds yard"):
            street.run(troubles_a_day=60.0)


class Sunny:
    """One controller with neighbours, its meter, and a broker that gives back at once what it says."""

    def __init__(self, rank: int = 5) -> None:
        self.config = lead("carport", rank)
        self.t, self.sun_w = 1e6, 3000.0
        self.controller = Controller(self.config.settings(), self.at())
        for happened in (news.CommandsLink(True), news.RelayLink(True), news.Enable(True), news.ClaimsLink("x")):
            self.tell(happened)

    def at(self) -> Moment:
        return Moment(self.t, 0, 0)

    def tell(self, happened: news.News) -> None:
        self.controller.tell(happened, self.at())
        if self.controller.plug.acknowledged is not self.controller.wants_on:
            self.controller.tell(news.Taken(self.controller.wants_on), self.at())
        if said := self.controller.take_claim():
            self.said = json.loads(said)
            self.tell(news.Claimed("carport", said.encode(), False))

    def hears(self, name: str, **changes: Any) -> None:
        self.tell(news.Claimed(name, claim(**changes), False))

    def run(self, seconds: float, *others: tuple[str, dict[str, Any]]) -> Sunny:
        for _ in range(int(seconds / 5)):
            self.t += 5.0
            for name, changes in others:
                self.hears(name, **changes)
            grid_w = 1380.0 * self.controller.wants_on - self.sun_w
            self.tell(news.Message("house/grid", str(grid_w + self.t % 7).encode(), False))
        return self

    def words(self) -> str:
        why, waits_for, _ = explain(self.controller, self.config, self.at(), datetime.now(UTC))
        return f"{why} It waits for {waits_for}."


def test_a_charge_is_given_up_where_an_earlier_rank_asks_and_not_within_its_shortest_time() -> None:
    sunny = Sunny(rank=2).run(400.0)
    assert sunny.controller.wants_on and sunny.said["stage"] == "draws" and sunny.said["draws_w"] == 1380.0
    asking = "a", {"stage": "asks", "rank": 1, "lacks_w": 300.0}
    sunny.run(60.0, asking)
    assert sunny.controller.wants_on and "which another load asks for that comes first" in sunny.words()
    began_s = sunny.controller.state.on_since_s
    while sunny.controller.wants_on:
        sunny.run(5.0, asking)
    assert sunny.t - began_s == pytest.approx(sunny.config.control.min_on_s, abs=10.0)
    sunny.run(600.0, asking)
    assert not sunny.controller.wants_on and "a, which comes first, to start" in sunny.words()
    sunny.run(300.0)
    assert sunny.controller.wants_on  # nobody asks any more


def test_one_that_lacks_what_others_draw_asks_for_it_and_says_so() -> None:
    sunny = Sunny(rank=1)
    sunny.sun_w = 1000.0
    other = "z", {"stage": "draws", "rank": 2, "draws_w": 1380.0}
    sunny.run(400.0, other)
    assert sunny.said["stage"] == "asks" and sunny.said["lacks_w"] == pytest.approx(380.0, abs=10.0)
    assert "those of a later rank to give way" in sunny.words()
    sunny.sun_w = 2380.0  # it has
    sunny.run(120.0, ("z", {"rank": 2}))
    assert sunny.controller.wants_on


def test_what_a_start_waits_for_is_said() -> None:
    sunny = Sunny().run(400.0, ("z", {"stage": "starts"}))
    assert "the start of z to settle" in sunny.words() and not sunny.controller.wants_on
    sunny.hears("z", stage="draws", draws_w=500)
    sunny.run(20.0)
    assert "the start of z to settle, 40 s more" in sunny.words()
    document = build(sunny.controller, sunny.config, sunny.at(), SystemClock())
    assert document.neighbours is not None and [one.model_dump() for one in document.neighbours] == [
        {"name": "z", "rank": 5, "stage": "draws", "draws_w": 500.0, "heeded": True}
    ]


def test_a_plug_that_idles_does_not_pass_for_a_start() -> None:
    """A meter of a plug shows a watt or two while it is off, and then nothing again."""
    one, other = company(), company("z")
    for number in range(6):
        at_s = HEARD_S + 5.0 * number
        said = wish(one, at_s, draws_w=2.0 * (number % 2))
        if said:
            other.take("carport", said.encode(), False, at_s)
    assert one.stage == IDLE and other.waits_for(HEARD_S + 30.0) != ("the start of carport to settle", 55.0)
    assert other.known["carport"].began_s < 0.0


def test_what_is_no_claim_is_counted() -> None:
    sunny = Sunny()
    for payload in (b"on", b"{}", b"[1]"):
        sunny.tell(news.Claimed("z", payload, False))
    assert sunny.controller.refusals.counts["claims", "not-a-claim"] == 3


# --- real daemons, and a real broker ---------------------------------------------------------------------------------


@pytest.mark.broker
async def test_two_daemons_agree_by_a_real_broker(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """At ten times the speed: one start at a time, each knows the other, and who is cut off has no claim any more."""
    clock, settle_s = ScaledClock(datetime(2031, 5, 14, 11, tzinfo=UTC), 10.0), 30.0
    observer, ons_s, on = Observer(mosquitto.port), dict[str, float](), set[str]()

    def react(message: Heard) -> None:
        name = message.topic.partition("/")[0]
        if message.topic == f"{name}/plug/set":
            if message.text == "on":
                ons_s.setdefault(name, clock.now())
            (on.add if message.text == "on" else on.discard)(name)

    observer.reaction = react
    services = []
    for name, rank in (("carport", 1), ("yard", 2)):
        tables = {
            "mqtt": {"host": "127.0.0.1", "port": mosquitto.port},
            "neighbours": {"rank": rank, "settle_s": settle_s},
            "control": {"start_delay_s": 5.0, "min_off_s": 0.0},
            "store": {"directory": str(tmp_path / name)},
        }
        services.append(Service(lead(name, rank, **tables), clock))
    carport, yard = services
    tasks = [asyncio.create_task(service.run()) for service in services]

    async def measure() -> None:
        for number in itertools.count():
            observer.say("house/grid", 1380.0 * len(on) - 4000.0 + number % 5)
            await asyncio.sleep(0.2)

    meter = asyncio.create_task(measure())
    try:
        await until(lambda: all(service.main_link.up for service in services), "both to be there")
        for name in ("carport", "yard"):
            observer.publish(f"surpluscharge/{name}/enable/set", "on")
        await until(lambda: len(on) == 2, "both to charge")
        assert ons_s["yard"] - ons_s["carport"] >= settle_s
        neighbours = carport.controller.neighbours, yard.controller.neighbours
        await until(lambda: [one and one.after_w for one in neighbours] == [1380.0, 0.0], "each to know the other")
        stands = read(observer.on("surpluscharge/claims/carport")[-1].payload)
        assert stands and (stands.rank, stands.stage, stands.draws_w) == (1, DRAWS, 1380.0)
        assert observer.on("surpluscharge/claims/carport")[-1].retain
        assert observer.on("surpluscharge/claims/carport")[-1].expiry_s == 60
        assert carport._claims is not None
        carport._claims.link.sever()
        await until(lambda: not observer.on("surpluscharge/claims/carport")[-1].payload, "the claim's end")
        await until(lambda: neighbours[1] and neighbours[1].live == [], "it to be heard of")
        carport._claims.link.rejoin()
        await until(lambda: neighbours[1] and len(neighbours[1].live) == 1, "the claim to be said again")
    finally:
        meter.cancel()
        for service in services:
            service.stop("the test is over")
        try:
            await asyncio.wait_for(asyncio.gather(*tasks), 60.0)
            await until(lambda: not observer.on("surpluscharge/claims/yard")[-1].payload, "the claim to be taken back")
        finally:
            observer.close()


# --- configuration ---------------------------------------------------------------------------------------------------


def test_what_two_on_one_meter_must_not_share_is_said() -> None:
    ours, theirs = lead("carport", 1), lead("carport", 2, relay={"topic": "carport/plug/set"})
    said = " ".join(together(ours, theirs))
    for key in ("charger.name", "relay.topic", "mqtt.own_topic", "mqtt.client_id"):
        assert f"{key} is " in said
    assert together(ours, lead("yard", 1)) == []
    assert together(ours, lead("yard", 1, claims=False)) == []
    other = lead("yard", 1, neighbours={"topic": "house/claims"})
    assert together(ours, other) == ['neighbours.topic is "surpluscharge/claims" here and "house/claims" there']


def test_check_holds_the_files_beside_against_each_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = """
        [charger]
        name = "carport"
        current_a = 6.0
        [neighbours]
        [relay]
        topic = "{}/plug"
        [[meter]]
        topic = "house/grid"
    """
    for name, topic in (("carport", "carport"), ("yard", "yard")):
        (tmp_path / f"{name}.toml").write_text(text.format(topic))
    (tmp_path / "alone.toml").write_text(text.format("alone").replace("[neighbours]", ""))
    (tmp_path / "broken.toml").write_text("[charger")
    assert main(["check", "--config", str(tmp_path / "yard.toml")]) == 0
    said = capsys.readouterr().out
    assert f'warning: {tmp_path / "carport.toml"}: charger.name is "carport" in both.' in said
    assert f"warning: {tmp_path / 'broken.toml'} cannot be used as it is" in said
    assert "alone.toml" not in said and "relay.topic is" not in said
    assert main(["check", "--config", str(tmp_path / "alone.toml")]) == 0
    assert "in both" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("topic", "key"),
    [
        ("surpluscharge/carport", "mqtt.own_topic"),
        ("surpluscharge/carport/claims", "mqtt.own_topic"),
        ("surpluscharge", "mqtt.own_topic"),
        ("house/grid", "meter.0.topic"),
        ("house", "meter.0.topic"),
        ("carport/plug/set", "relay.topic"),
    ],
)
def test_claims_have_a_topic_of_their_own(topic: str, key: str) -> None:
    tables = lead("carport", 1).model_dump(exclude_unset=True) | {"neighbours": {"topic": topic}}
    found = [problem for problem in contradictions(Config.model_validate(tables)) if "neighbours.topic" in problem.keys]
    assert key in [other for problem in found for other in problem.keys]


def test_a_stop_delay_too_short_for_several_is_warned_of() -> None:
    short = lead("carport", 1, control={"stop_delay_s": 10.0})
    assert any("stop_delay_s = 10 with [neighbours]" in text for text in warnings(short))
    assert not any("[neighbours]" in text for text in warnings(lead("carport", 1)))
    assert config_from(neighbours={}, charger={"name": "carport"}).place == Place("carport", 5, 60.0, 60.0)
