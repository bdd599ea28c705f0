"""The watch over the joints, against tabulated run lengths, Ohm's law, and an integrator of the first-order answer."""

from __future__ import annotations

import json
import math
import random
from statistics import fmean

import pytest
import scipy  # its parts come when they are asked for
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control import joint as room
from surpluscharge.control.joint import (
    ALARM,
    DAY_S,
    HOLD,
    LATCH,
    NOTE,
    SORTS,
    TAUS_S,
    Evidence,
    Joint,
    Kept,
    Measure,
    Track,
    Warming,
    lost_in_wall,
)
from surpluscharge.control.mains import Mains


def pieces(
    measure: Measure, level: float, count: int, rng: random.Random, *, error: float = 0.05, from_d: float = 0.0
) -> list[Evidence]:
    """Return evidence of a quiet house around a level, four pieces a day."""
    return [
        Evidence(measure, (from_d + number / 4.0) * DAY_S, level + rng.gauss(0.0, error), error, 10.0)
        for number in range(count)
    ]


def settled(measure: Measure, level: float, rng: random.Random, *, error: float = 0.05) -> Joint:
    joint = Joint()
    for piece in pieces(measure, level, 90, rng, error=error):
        joint.take(piece)
    assert joint.track(measure).base is not None
    return joint


def run_length(rng: random.Random, shift: float, alarm: float, most_gain: float) -> int:
    """Return after how many pieces of unit scatter a track alarms that looks for one scatter more."""
    sort = room._Sort(1.0, 1.0, math.inf, most_gain)
    track = Track(base=0.0, scatter=1.0, first_scatter=1.0, last=0.0, pieces=room.MOST_EARLY, amps=10.0)
    count = 0
    while track.score < alarm:
        count += 1
        piece = Evidence("ohms", float(count), rng.gauss(shift, 1.0), 1.0, 10.0)
        track, _ = room._taken(sort, track, piece, False)
    return count


@pytest.mark.parametrize(("alarm", "shift", "tabulated"), [(4.0, 0.0, 336.0), (4.0, 1.0, 8.38), (5.0, 1.0, 10.4)])
def test_the_sum_runs_as_long_as_tabulated(
    monkeypatch: pytest.MonkeyPatch, alarm: float, shift: float, tabulated: float
) -> None:
    """Montgomery, Introduction to Statistical Quality Control, table of the tabular CUSUM with k = 1/2 (from memory):

    two-sided 168 and 8.38 with h = 4, 465 and 10.4 with h = 5; without a shift, one side runs twice as long. For a
    shift of one scatter the likelihood ratio is that very sum.
    """
    monkeypatch.setattr(room, "SCATTER_MOVES", 0.0)
    rng = random.Random(1)
    lengths = [run_length(rng, shift, alarm, math.inf) for _ in range(400 if shift else 120)]
    three_errors = 3.0 * (tabulated if not shift else 5.0) / math.sqrt(len(lengths))
    assert fmean(lengths) == pytest.approx(tabulated, abs=three_errors)


def test_without_a_cause_it_runs_longer_than_the_bound() -> None:
    """Lorden, Procedures for Reacting to a Change in Distribution (1971): at least e**h, whatever the shift sought.

    As it is used: with a limit on what one piece adds, and a scatter that is followed.
    """
    rng = random.Random(2)
    assert fmean(run_length(rng, 0.0, 4.0, room.FEW) for _ in range(40)) >= math.exp(4.0)


@pytest.mark.parametrize("measure", room.MEASURES)
def test_growth_is_found_and_graded(measure: Measure) -> None:
    rng = random.Random(3)
    joint = settled(measure, 0.6, rng)
    assert joint.findings(10.0) == ()
    grown = {"ohms": 0.2, "wall": 0.5, "heat": 0.18}[measure]
    for piece in pieces(measure, 0.6 + grown, 60, rng, from_d=30.0):
        joint.take(piece)
    (finding,) = joint.findings(10.0)
    assert finding.value == pytest.approx(0.6 + grown, abs=0.05)
    assert finding.base == pytest.approx(0.6, abs=0.03)
    assert finding.lost == pytest.approx(100.0 * grown, abs=5.0)
    assert finding.since_s == pytest.approx(30.0 * DAY_S, abs=10.0 * DAY_S)
    # House meter and plug alone are a note at the most: an appliance that runs with the lead looks the same.
    assert finding.grade == (NOTE if measure == "wall" else HOLD)


def test_what_loses_much_latches_and_what_loses_little_is_a_note() -> None:
    rng = random.Random(4)
    joint = settled("ohms", 0.6, rng)
    for piece in pieces("ohms", 1.0, 30, rng, from_d=30.0):
        joint.take(piece)
    (finding,) = joint.findings(10.0)
    assert (finding.grade, round(finding.lost, -1)) == (LATCH, 40.0)
    (finding,) = joint.findings(4.0)  # the same joint with a lower current
    assert (finding.grade, finding.lost) == (NOTE, pytest.approx(0.4 * 16.0, abs=1.0))


def test_together_they_are_sooner_than_any_alone() -> None:
    """Two measures that both have grown by a little."""

    def first(measures: list[Measure]) -> int:
        rng = random.Random(5)
        joint = Joint()
        for measure in measures:
            for piece in pieces(measure, 0.5, 90, rng, error=0.1):
                joint.take(piece)
        for number in range(1, 200):
            for measure in measures:
                grown = 0.8 * SORTS[measure].grown
                joint.take(Evidence(measure, (30.0 + number) * DAY_S, 0.5 + grown + rng.gauss(0.0, 0.1), 0.1, 10.0))
            if joint.findings(10.0):
                return number
        return 200

    assert first(["ohms", "heat"]) < min(first(["ohms"]), first(["heat"]))


def charges_until_found(grown: dict[Measure, float], most: int = 50) -> int:
    """Return how many charges it takes after all was as it was: two switchings each, and heat; no scatter."""
    joint = Joint()
    for day in range(90):
        for measure in room.MEASURES:
            joint.take(Evidence(measure, day * DAY_S, 0.6 + 0.05 * (-1) ** day, 0.02, 10.0))
    for charge in range(1, most):
        for measure in ("ohms", "wall", "ohms", "wall", "heat"):
            name: Measure = measure  # type: ignore[assignment]
            joint.take(Evidence(name, (90 + 2 * charge) * DAY_S, 0.6 + grown.get(name, 0.0), 0.02, 10.0))
        if any(finding.grade >= HOLD for finding in joint.findings(10.0)):
            return charge
    return most


def test_two_charges_are_enough_where_two_measures_agree() -> None:
    assert charges_until_found({"ohms": 0.4, "heat": 0.3}) == 2
    assert charges_until_found({"ohms": 0.4}) == 3  # five pieces of its own
    assert charges_until_found({"heat": 0.3}) == 5
    assert charges_until_found({"wall": 3.0}) == 50  # by itself never; and it does not help one that has not risen
    assert charges_until_found({"wall": 3.0, "ohms": 0.4}) == 3


def test_whole_volts_are_no_growth() -> None:
    """A plug that says whole volts behind 0.47 ohm at 8 A: 3.76 V are 3 or 4 of them, by where the level happens to be.

    The resolution of one volt is 0.125 ohm then. Many houses, each with a new base.
    """
    rng = random.Random(12)
    for _ in range(40):
        mains, joint, at_s = Mains(), Joint(), 0.0
        for _ in range(120):
            level_v = 236.0 + rng.gauss(0.0, 1.5)
            for on in (True, False):
                at_s += 4000.0
                for past_s in (-20.0, -10.0, 10.0, 20.0, 30.0):
                    if past_s == 10.0:
                        mains.switched(at_s)
                    amps = 8.0 if on is (past_s > 0.0) else 0.0
                    if evidence := mains.reading(at_s + past_s, round(level_v - 0.47 * amps), amps, True, 60.0):
                        joint.take(evidence)
                assert joint.findings(8.0) == ()
        assert joint.track("ohms").base == pytest.approx(0.47, abs=0.03)


def test_readings_that_are_all_the_same_say_no_more_than_the_resolution() -> None:
    """The standard deviation of what was rounded is the step over the square root of twelve; here are two such."""
    errors = []
    for step_v in (1.0, 0.1):
        mains, found = Mains(), None
        for number in range(12):
            volts, amps = (236.0, 0.0) if number < 6 else (232.0, 10.0)
            if number == 0:
                volts += step_v  # it has shown once how fine it is
            if number == 6:
                mains.switched(55.0)
            found = found or mains.reading(10.0 * number, volts, amps, True, 60.0)
        assert found is not None
        errors.append(found.error)
    assert errors[0] == pytest.approx(1.0 * math.sqrt(2.0 / 12.0) / 10.0, rel=0.01)
    assert errors[1] == pytest.approx(errors[0] / 10.0, rel=0.05)


def test_a_base_of_a_dozen_gets_better() -> None:
    """By ninety pieces it is known as their mean is: the scatter over the square root of ninety, about."""
    offs = []
    for seed in range(60):
        rng, joint = random.Random(seed), Joint()
        for piece in pieces("ohms", 0.6, 90, rng, error=0.07):
            joint.take(piece)
        offs.append((joint.track("ohms").base or 0.0) - 0.6)
    assert math.sqrt(fmean(off**2 for off in offs)) < 1.3 * 0.07 / math.sqrt(90.0)


def test_wall_and_another_may_hold() -> None:
    rng = random.Random(6)
    joint = Joint()
    for level, days in ((0.5, 0.0), (1.0, 30.0)):
        for one, other in zip(
            pieces("wall", level, 90, rng, from_d=days), pieces("ohms", level, 90, rng, from_d=days), strict=True
        ):
            joint.take(one)
            joint.take(other)
    assert {finding.grade for finding in joint.findings(10.0)} == {LATCH}


def test_one_piece_in_ten_far_off_is_no_finding() -> None:
    """A kettle at every tenth switching, one way or the other."""
    rng = random.Random(7)
    joint = settled("ohms", 0.6, rng)
    for piece in pieces("ohms", 0.6, 4000, rng, from_d=30.0):
        kettle = rng.choice((-0.5, 0.5)) if rng.random() < 0.1 else 0.0
        joint.take(piece._replace(value=piece.value + kettle))
        assert joint.findings(10.0) == ()


def test_a_summer_of_warm_copper_is_no_finding() -> None:
    """0.39 % a kelvin (handbook value of copper at 20 degrees Celsius), 12 K either way."""
    rng = random.Random(8)
    joint = settled("ohms", 0.8, rng)
    for piece in pieces("ohms", 0.8, 4 * 730, rng, from_d=30.0):
        warmer_k = 12.0 * math.sin(piece.at_s / DAY_S / 365.0 * 2.0 * math.pi)
        joint.take(piece._replace(value=piece.value * (1.0 + 0.0039 * warmer_k)))
        assert joint.findings(10.0) == ()


def test_another_current_makes_another_base_of_the_wall_alone() -> None:
    """A meter's error is a share of the power: over the square of the current, it is another one at another current."""
    rng = random.Random(9)
    for measure, kept in (("wall", False), ("ohms", True)):
        joint = settled(measure, 0.6, rng)  # type: ignore[arg-type]
        joint.take(Evidence(measure, 40 * DAY_S, 0.6, 0.05, 6.0))  # type: ignore[arg-type]
        assert (joint.track(measure).base is not None) is kept  # type: ignore[arg-type]


def test_a_look_makes_another_base() -> None:
    rng = random.Random(10)
    joint = settled("ohms", 0.6, rng)
    for piece in pieces("ohms", 1.0, 30, rng, from_d=30.0):
        joint.take(piece)
    joint.looked()
    assert joint.findings(10.0) == ()
    assert joint.kept == Kept()


def test_a_look_that_finds_nothing_keeps_the_base_and_a_change_does_not() -> None:
    """Somebody looks every three months, and sees nothing of what creeps from 0 to 0.4 ohm within a year."""
    rng = random.Random(13)
    joint = settled("ohms", 0.6, rng)
    found_ohm = None
    for number, piece in enumerate(pieces("ohms", 0.6, 4 * 365, rng, from_d=30.0)):
        if number % (4 * 91) == 0:
            joint.looked()
        crept_ohm = 0.4 * number / (4 * 365)
        joint.take(piece._replace(value=piece.value + crept_ohm))
        if joint.findings(10.0) and found_ohm is None:
            found_ohm = crept_ohm
    assert found_ohm is not None and found_ohm < 0.2
    joint = settled("ohms", 0.6, rng)
    joint.begins_anew()
    assert joint.kept == Kept()


@given(st.lists(st.tuples(st.sampled_from(room.MEASURES), st.floats(-5.0, 5.0), st.floats(0.0, 2.0)), max_size=60))
def test_what_is_kept_goes_on_as_though_nothing_had_been(
    told: list[tuple[Measure, float, float]],
) -> None:
    one, other = Joint(), Joint()
    for number, (measure, value, error) in enumerate(told):
        piece = Evidence(measure, number * 20_000.0, value, error, 8.0)
        one.take(piece)
        lists = json.loads(json.dumps(other.kept))
        tracks = [Track(tuple(early), *rest) for early, *rest in lists[:3]]
        other = Joint(Kept(*tracks, lists[3]))
        other.take(piece)
    assert other.kept == one.kept
    assert all(math.isfinite(track.score) and track.score >= 0.0 for track in one.kept[:3])


def test_ohms_by_ohms_law() -> None:
    """A source of 236 V behind 0.7 ohm, and behind 0.9: through the package's own reading of voltages."""
    mains, joint, at_s = Mains(), Joint(), 0.0
    rng = random.Random(11)
    for number in range(80):
        ohm = 0.7 if number < 50 else 0.9
        for on in (True, False):
            at_s += 4000.0
            for past_s in (-20.0, -10.0, 0.1, 10.0, 20.0, 30.0):
                amps = 10.0 if on is (past_s > 0.0) else 0.0
                volts = 236.0 - amps * ohm + rng.gauss(0.0, 0.2)
                if past_s == 0.1:
                    mains.switched(at_s)
                if evidence := mains.reading(at_s + past_s, volts, amps, True, 60.0):
                    assert evidence.value == pytest.approx(ohm, abs=0.1)
                    assert 0.0 < evidence.error < 0.1
                    joint.take(evidence)
    (finding,) = joint.findings(10.0)
    assert finding.value - finding.base == pytest.approx(0.2, abs=0.03)
    assert finding.lost == pytest.approx(20.0, abs=3.0)


@pytest.mark.parametrize("tau_s", TAUS_S[1:3])
def test_warming_against_an_integrator(tau_s: float) -> None:
    """The first-order answer of IEC 60255-149, integrated by scipy; 0.12 K/A2, and a current that changes."""

    def amps(at_s: float) -> float:
        return 0.0 if at_s < 0.0 else 10.0 if at_s < 4000.0 else 6.0

    def slope(at_s: float, rise: list[float]) -> list[float]:
        return [(0.12 * amps(at_s) ** 2 - rise[0]) / tau_s]

    answer = scipy.integrate.solve_ivp(slope, (0.0, 7200.0), [0.0], dense_output=True, max_step=20.0, rtol=1e-8)
    warming = Warming()
    warming.flows(-1.0, 0.0)
    warming.begins(0.0)
    for second in range(0, 7201, 20):
        warming.flows(float(second), amps(float(second)))
        warming.feels(float(second), 17.0 + answer.sol(float(second))[0])
    evidence = warming.ends(7200.0)
    assert evidence is not None
    assert evidence.value == pytest.approx(0.12, rel=0.01)
    assert evidence.error < 0.002


def test_surroundings_that_are_known_are_taken_off() -> None:
    values = []
    for known in (False, True):
        warming = Warming()
        warming.flows(0.0, 0.0)
        warming.begins(0.0)
        warming.flows(0.0, 10.0)
        for second in range(60, 7201, 60):
            around_c = 10.0 + 6.0 * second / 7200.0  # a morning
            rise_k = 12.0 * (1.0 - math.exp(-second / 1200.0))
            warming.feels(float(second), around_c + rise_k, around_c if known else None)
        evidence = warming.ends(7200.0)
        assert evidence is not None
        values.append(evidence.value)
    assert values[1] == pytest.approx(0.12, rel=0.02)
    assert values[0] > 0.13


def test_surroundings_that_fall_silent_or_begin_to_speak_spoil_no_charge() -> None:
    for known_from_s, known_to_s in ((0, 2400), (2400, 9000), (0, 7000)):
        warming = Warming()
        warming.flows(0.0, 0.0)
        warming.begins(0.0)
        warming.flows(0.0, 10.0)
        for second in range(60, 7201, 60):
            rise_k = 12.0 * (1.0 - math.exp(-second / 1200.0))
            warming.feels(float(second), 20.0 + rise_k, 20.0 if known_from_s <= second < known_to_s else None)
        evidence = warming.ends(7200.0)  # of the last three minutes there is none
        assert (evidence is None) is (known_to_s == 7000)
        assert evidence is None or evidence.value == pytest.approx(0.12, rel=0.02)


@pytest.mark.parametrize("seconds", [600, 1100])
def test_a_short_charge_tells_nothing_of_heat(seconds: int) -> None:
    warming = Warming()
    warming.begins(0.0)
    warming.flows(0.0, 10.0)
    for second in range(30, seconds, 30):
        warming.feels(float(second), 20.0 + second / 100.0)
    assert warming.ends(float(seconds)) is None


def test_nobody_feels_nothing_is_said() -> None:
    warming = Warming()
    assert warming.ends(0.0) is None
    warming.begins(0.0)
    warming.flows(0.0, 10.0)
    assert warming.ends(7200.0) is None


def test_the_wall_by_the_square_of_the_current() -> None:
    evidence = lost_in_wall(1.0, 2330.0, 20.0, 2300.0, 10.0)
    assert evidence is not None
    assert (evidence.value, evidence.amps) == (pytest.approx(0.3), 10.0)
    assert evidence.error == pytest.approx(0.25)
    assert lost_in_wall(1.0, 4300.0, 20.0, 2300.0, 10.0) is None  # a kettle went on in that moment
    assert lost_in_wall(1.0, 330.0, 20.0, 300.0, 1.3) is None  # too little flows to tell


def test_the_alarm_is_rarer_than_once_in_ten_years() -> None:
    """Of six charges a day: two switchings with two measures each, and one of heat."""
    assert math.exp(ALARM) > 3652 * 6 * 5
