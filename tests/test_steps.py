"""What switchings teach: the meter's sign and lag, whatever the lag; whether the lead draws, and how much too much."""

from __future__ import annotations

from itertools import count, pairwise

import pytest

from surpluscharge.control.steps import (
    EARLIER_S,
    LATEST_S,
    LEAST_LAGS,
    LOOKS_S,
    RISEN_S,
    SETTLES_S,
    SIDE_S,
    SLACK_S,
    STEPS_UNSEEN,
    STILLS,
    Jump,
    Steps,
    _alike,
    _comes_back,
    jumps_in,
)

DRAW_W = 1000.0


class Home:
    """Grid power around a lead, as a late meter shows it; ``at`` gives further moves: (seconds after it, watts)."""

    def __init__(self, lag_s: float = 3.0, every_s: float = 2.0, sign: float = 1.0, draw_w: float = DRAW_W) -> None:
        self.steps = Steps()
        self.lag_s, self.every_s, self.sign, self.draw_w = lag_s, every_s, sign, draw_w
        self.now_s, self.base_w = 1000.0, -300.0
        self.lane: list[tuple[float, float]] = [(-1e9, 0.0)]  # what the lead draws from when on
        self.noise = count()

    def stay(self, seconds: float, measured: bool = False) -> Home:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += self.every_s
            seen_w = [draw_w for from_s, draw_w in self.lane if from_s + self.lag_s < self.now_s][-1]
            jitter_w = (next(self.noise) * 37 % 11) - 5.0
            now_w = self.lane[-1][1] if measured else None
            self.steps.reading(self.now_s, self.sign * (self.base_w + seen_w + jitter_w), now_w, DRAW_W)
        return self

    def switch(self, on: bool, *, draws: bool = True, measured: bool = False) -> Home:
        before_w = self.lane[-1][1] if measured else None
        self.steps.switched(on, self.now_s, True, before_w)
        self.lane.append((self.now_s, self.draw_w if on and draws else 0.0))
        return self

    def cycle(self, times: int = 1) -> Home:
        for _ in range(times):
            self.stay(60).switch(True).stay(200).switch(False).stay(200)
        return self


# --- sign and lag ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lag_s", [0.0, 5.0, 15.0, 20.0, 45.0, 60.0])
@pytest.mark.parametrize("every_s", [1.0, 5.0, 10.0, 15.0])
def test_a_wrong_sign_is_seen_however_late_the_meter_is(lag_s: float, every_s: float) -> None:
    home = Home(lag_s, every_s, sign=-1.0).cycle()
    assert (home.steps.contrary, home.steps.proven) == (2, False)
    home = Home(lag_s, every_s).cycle()
    assert (home.steps.contrary, home.steps.proven) == (0, True)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("lag_s", [0.0, 5.0, 20.0, 45.0, 60.0, 75.0])
@pytest.mark.parametrize("every_s", [1.0, 5.0, 10.0])
def test_the_lag_is_learned_from_a_few_switchings(lag_s: float, every_s: float, sign: float) -> None:
    home = Home(lag_s, every_s, sign)
    home.cycle(LEAST_LAGS - 1)
    assert (home.steps.lag_s, home.steps.settles_s(True), home.steps.settles_s(False)) == (None, None, None)
    home.cycle()
    assert home.steps.lag_s == pytest.approx(lag_s + every_s / 2, abs=every_s / 2 + 0.01)
    for on in (True, False):
        settles_s = home.steps.settles_s(on)
        assert settles_s is not None
        assert settles_s >= min(max(SETTLES_S, lag_s + SLACK_S), LATEST_S)
        assert settles_s <= min(max(SETTLES_S, lag_s + every_s + SLACK_S), LATEST_S) + 0.01


def test_of_the_lags_the_newest_count() -> None:
    """Five of nine are the majority; of ten they would not be."""
    home = Home(lag_s=2.0, every_s=1.0).cycle(9)
    home.lag_s = 8.0
    home.cycle(4)
    assert home.steps.lag_s == pytest.approx(2.5, abs=0.6)
    home.cycle()
    assert home.steps.lag_s == pytest.approx(8.5, abs=0.6)


def test_once_the_lag_is_known_a_switching_is_judged_as_soon_as_the_meter_must_have_followed() -> None:
    home = Home(every_s=1.0).cycle(LEAST_LAGS).stay(60)
    home.switch(True, draws=False)
    home.base_w -= DRAW_W
    assert home.stay(SETTLES_S + SIDE_S - 1).steps.contrary == 0
    assert home.stay(2).steps.contrary == 1


@pytest.mark.parametrize("every_s", [1.0, 2.0, 5.0])
def test_a_car_that_stops_is_seen_and_one_that_comes_back_too(every_s: float) -> None:
    home = Home(every_s=every_s).stay(60).switch(True).stay(60)
    assert (home.steps.drew_w, home.steps.fell_s) == (pytest.approx(DRAW_W, abs=20), None)
    stopped_s = home.now_s
    home.lane.append((home.now_s, 0.0))
    home.stay(60)
    assert home.steps.fell_s == pytest.approx(stopped_s + home.lag_s + every_s / 2, abs=every_s)
    home.lane.append((home.now_s, DRAW_W))
    assert home.stay(60).steps.fell_s is None


@pytest.mark.parametrize(("every_s", "looks_every_s"), [(0.5, 1.0), (1.0, 1.0), (2.0, 2.0)])
def test_it_is_looked_once_a_second(every_s: float, looks_every_s: float) -> None:
    looks_s: list[float] = []

    class Noting(Steps):
        def _follow(self, now_s: float, draw_w: float) -> None:
            looks_s.append(now_s)

    home = Home(every_s=every_s)
    home.steps = Noting()
    home.stay(20).switch(True).stay(20).switch(False).stay(20)
    assert {later_s - earlier_s for earlier_s, later_s in pairwise(looks_s)} == {looks_every_s}
    assert LOOKS_S == 1.0


def test_what_counts_as_alike_and_as_come_back() -> None:
    assert _alike(1149.0, 1000.0) and _alike(851.0, 1000.0)
    assert not _alike(1151.0, 1000.0) and not _alike(849.0, 1000.0) and not _alike(-1000.0, 1000.0)
    jump = Jump(100.0, -1000.0, 5.0, 0.0)
    for at_s, counts in ((54.9, False), (55.0, True), (79.9, True), (80.0, False)):  # 45 to 20 s before it
        assert _comes_back([(at_s, 100.0)], jump) is counts
    assert not _comes_back([(60.0, 500.0)], jump) and _comes_back([(60.0, 499.0)], jump)  # half the step
    assert EARLIER_S == (45.0, 20.0)


def test_a_jump_at_either_end_of_the_time_is_found() -> None:
    readings = [(float(second), 0.0 if second < 50 else DRAW_W) for second in range(100)]
    for from_s, until_s, found in ((50.0, 50.0, 1), (20.0, 30.0, 0), (70.0, 80.0, 0)):
        assert len(jumps_in(readings, from_s, until_s, 0.6 * DRAW_W)) == found


def test_a_meter_that_shows_nothing_is_counted() -> None:
    home = Home(lag_s=5000.0).cycle(3)
    assert (home.steps.unseen, home.steps.lag_s, home.steps.contrary) == (6, None, 0)
    home.lag_s = 5.0
    assert home.stay(600).cycle().steps.unseen == 0


@pytest.mark.parametrize(
    ("share", "contrary"),
    [(1.0, 0), (2.2, 0), (0.65, 0), (0.5, 1), (0.0, 1), (-0.5, 1), (-0.75, 2), (-1.0, 2), (-1.25, 2), (-1.4, 1)],
)
@pytest.mark.parametrize("on", [True, False])
def test_what_a_step_of_some_size_says_of_the_sign(share: float, contrary: int, on: bool) -> None:
    home = Home()
    if not on:
        home.stay(60).switch(True, draws=False).stay(200)
    home.stay(60)
    home.steps.contrary = 1
    home.switch(on, draws=False)
    home.base_w += share * DRAW_W * (1 if on else -1)
    assert home.stay(150).steps.contrary == contrary


@pytest.mark.parametrize(("after_s", "contrary", "proven"), [(10.0, 1, False), (40.0, 0, True)])
def test_a_kettle_beside_the_lead_s_own_step_says_nothing_against_the_sign(
    after_s: float, contrary: int, proven: bool
) -> None:
    """It goes off, by as much as the lead draws, within the time in which the lead's step may come.

    Nor does it say anything for the sign, unless it only takes back what the lead's step was.
    """
    home = Home(lag_s=30.0).stay(60)
    home.steps.contrary = 1
    home.switch(True).stay(after_s)
    home.base_w -= DRAW_W
    home.stay(150)
    assert (home.steps.contrary, home.steps.proven, home.steps.settles_s(True)) == (contrary, proven, None)


@pytest.mark.parametrize("every_s", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("follows_s", [4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0])
def test_a_battery_that_evens_the_lead_out_says_nothing_against_the_sign(follows_s: float, every_s: float) -> None:
    """Seconds after the lead has moved grid power, it brings it back to nought: that alone looked like a wrong sign."""
    home = Home(lag_s=0.0, every_s=every_s)
    home.base_w = 0.0
    for times in range(8):
        for on in (True, False):
            home.stay(200 + 0.7 * times)
            home.steps.switched(on, home.now_s, True, None)
            home.lane += [(home.now_s, DRAW_W if on else -DRAW_W), (home.now_s + follows_s, 0.0)]
            home.stay(20)
            assert home.stay(180).steps.contrary == 0


def test_a_meter_that_was_silent_after_a_switching_says_nothing_of_it() -> None:
    home = Home().stay(60).switch(True)
    home.now_s += 1000.0
    assert home.stay(20).steps.contrary == 0
    assert home.steps.unseen == 0


def test_what_does_not_stay_is_no_step() -> None:
    home = Home(every_s=1.0).stay(60).switch(True, draws=False).stay(10)
    home.base_w -= DRAW_W
    home.stay(5)
    home.base_w += DRAW_W
    assert home.stay(150).steps.contrary == 0


def test_a_measured_car_that_takes_nothing_says_nothing_of_the_meter() -> None:
    for sign in (1.0, -1.0):
        home = Home().stay(60, measured=True)
        home.steps.contrary = 1
        home.switch(True, draws=False, measured=True).stay(5, measured=True)
        home.base_w += sign * DRAW_W
        assert home.stay(150, measured=True).steps.contrary == 1
        assert home.steps.unseen == 0


def test_a_relay_that_has_not_followed_off_says_nothing_of_the_meter() -> None:
    home = Home().stay(60, measured=True).switch(True, measured=True).stay(200, measured=True)
    home.steps.contrary = 1
    home.steps.switched(False, home.now_s, True, DRAW_W)
    home.base_w += DRAW_W
    assert home.stay(150, measured=True).steps.contrary == 1


def test_a_switching_without_a_fresh_reading_before_it_says_nothing() -> None:
    home = Home().stay(60)
    home.steps.switched(True, home.now_s, False, None)
    home.base_w -= DRAW_W
    assert home.stay(150).steps.contrary == 0


def test_a_switching_soon_after_is_judged_by_what_there_is() -> None:
    home = Home(sign=-1.0).stay(60).switch(True).stay(SETTLES_S + 2)
    assert home.steps.contrary == 0
    assert home.switch(False).steps.contrary == 1
    home.stay(SETTLES_S - 4).switch(True)
    assert home.steps.contrary == 1  # too soon to say


def test_of_a_ramp_the_jumps_are_one() -> None:
    """A car that takes eight seconds to draw all, on a meter that speaks each second."""
    readings = [(float(second), DRAW_W * min(1.0, max(0.0, (second - 50) / 8))) for second in range(120)]
    (jump,) = jumps_in(readings, 20.0, 100.0, 0.6 * DRAW_W)
    assert jump.at_s == pytest.approx(54.0, abs=4.0)
    assert jump.step_w == pytest.approx(DRAW_W)
    assert SIDE_S > 8


def test_a_single_high_step_that_none_confirms_is_forgotten() -> None:
    """A kettle at one start: in a restless house, where no step is clear, it must not cut charge after charge."""
    home = Home(draw_w=1.6 * DRAW_W).stay(60).switch(True).stay(200)
    assert len(home.steps.high_w) == 1
    home.draw_w = DRAW_W
    home.lane.append((home.now_s, DRAW_W))  # the kettle is done
    home.stay(100)
    for on, left, other_w in ((False, 1, -900.0), (True, 0, 900.0)):
        home.switch(on).stay(25)
        home.base_w += other_w  # which of the two was the lead?
        home.stay(175)
        assert len(home.steps.high_w) == left


def test_what_a_kettle_added_to_a_step_is_explained_when_it_goes_off_again() -> None:
    home = Home().stay(60).switch(True)
    home.base_w += 0.6 * DRAW_W
    home.stay(150)
    assert (len(home.steps.high_w), home.steps.explained) == (1, False)
    home.base_w -= 0.3 * DRAW_W
    assert not home.stay(60).steps.explained  # half of it is not it
    home.base_w -= 0.6 * DRAW_W
    assert home.stay(60).steps.explained
    assert home.switch(False).stay(200).steps.high_w == ()


def test_what_goes_off_with_a_lead_that_began_as_usual_is_not_held_against_it() -> None:
    """Nobody sets a lead higher in the middle of a charge: with its end, something else went off."""
    for share, left in ((1.0, 0), (1.6, 2)):  # and one that began too high ends too high
        home = Home(draw_w=share * DRAW_W).stay(60).switch(True).stay(200)
        home.switch(False)
        home.base_w -= 0.5 * DRAW_W if share == 1.0 else 0.0
        assert len(home.stay(200).steps.high_w) == left


def test_what_was_seen_to_go_on_explains_no_high_step_when_it_goes_off() -> None:
    home = Home(draw_w=1.6 * DRAW_W).stay(60)
    home.base_w += 1.2 * DRAW_W
    home.stay(60).switch(True).stay(150)
    home.base_w -= 1.2 * DRAW_W
    home.stay(60)
    assert (len(home.steps.high_w), home.steps.explained) == (1, False)
    home.base_w -= 1.2 * DRAW_W  # and what was not, may have gone on with the lead
    assert home.stay(60).steps.explained


def taught(lag_s: float = 3.0, every_s: float = 2.0, times: int = LEAST_LAGS) -> Home:
    """Return a home whose meter has shown the lead's beginnings, and stood lower than it will."""
    home = Home(lag_s, every_s)
    home.base_w = -1700.0
    home.stay(120).cycle(times)
    home.base_w = -900.0
    return home.stay(200)


@pytest.mark.parametrize("every_s", [1.0, 2.0, 5.0, 10.0])
@pytest.mark.parametrize("lag_s", [0.0, 15.0, 45.0])
def test_a_car_that_is_not_there_is_noticed_and_one_that_comes_too(every_s: float, lag_s: float) -> None:
    home = taught(lag_s, every_s)
    began_s = home.now_s
    home.switch(True, draws=False).stay(LATEST_S)
    assert home.steps.still_s is None  # it may still show
    home.stay(100)
    assert (home.steps.still_s, home.steps.fell_s) == (began_s, None)
    home.lane.append((home.now_s, DRAW_W))  # it is plugged in, or wakes
    home.stay(200)
    assert home.steps.still_s is None
    assert home.steps.drew_w == pytest.approx(DRAW_W, rel=0.02)
    home.lane.append((home.now_s, 0.0))  # and goes again
    home.stay(200)
    assert home.steps.still_s is None and home.steps.fell_s is not None


def test_a_car_that_is_away_for_a_while_is_noticed_each_time_and_for_ever_is_not() -> None:
    """What nothing flowed in teaches nothing; but in the end nobody can tell it from a meter that does not show it."""
    home = taught()
    for times in range(1, STILLS + 1):
        assert home.stay(60).switch(True, draws=False).stay(200).steps.still_s is not None, times
        home.switch(False).stay(200)
    assert (home.steps.unseen, home.steps.proven) == (0, True)
    assert home.switch(True, draws=False).stay(200).steps.still_s is None
    home.switch(False).stay(200)
    home.cycle(LEAST_LAGS).stay(60)  # it can still be learned again
    assert home.switch(True, draws=False).stay(200).steps.still_s is not None


def test_a_car_that_drew_all_the_same_is_seen_when_it_ends() -> None:
    """Something hid its beginning, to the watt; at the end nothing does. From then on nothing is concluded."""
    home = taught().switch(True, draws=False).stay(200)
    assert home.steps.still_s is not None
    home.base_w, home.draw_w = home.base_w - DRAW_W, DRAW_W
    home.lane[-1] = (home.lane[-1][0], DRAW_W)
    home.stay(200)
    assert home.steps.settles_s(True) is not None
    home.switch(False).stay(200)
    assert home.steps.settles_s(True) is None
    assert home.switch(True, draws=False).stay(200).steps.still_s is None


@pytest.mark.parametrize(
    ("why", "level_w", "part", "learned", "every_s"),
    [
        ("nobody knows yet what the meter shows", -900.0, 0.0, LEAST_LAGS - 1, 2.0),
        ("a battery may hold it at nought", -100.0, 0.0, LEAST_LAGS, 2.0),
        ("a battery that nobody told of, beside nought", 300.0, 0.0, LEAST_LAGS, 2.0),
        ("the lead was set lower, and shows as a part", -900.0, 0.45, LEAST_LAGS, 2.0),
        ("an inverter may hold it at a limit", -1300.0, 0.0, LEAST_LAGS, 2.0),
        ("and at one that nobody told of: it was never lower", -1690.0, 0.0, LEAST_LAGS, 2.0),
        ("a slow meter misses what begins and ends", -900.0, 0.0, LEAST_LAGS, 30.0),
    ],
)
def test_that_it_does_not_rise_says_nothing_where(
    why: str, level_w: float, part: float, learned: int, every_s: float
) -> None:
    home = taught(times=learned, every_s=every_s)
    home.steps.limit_w = 1350.0
    home.base_w, home.draw_w = level_w, part * DRAW_W
    assert home.stay(300).switch(True).stay(200).steps.still_s is None, why
    if learned >= LEAST_LAGS and every_s < 10.0:  # but otherwise it does
        home.switch(False).stay(200)
        home.base_w, home.draw_w = -900.0, 0.0
        assert home.stay(200).switch(True).stay(200).steps.still_s is not None


def test_what_goes_on_or_off_as_the_relay_does_leaves_it_open_whether_the_lead_began() -> None:
    for other_w in (-0.5 * DRAW_W, 0.5 * DRAW_W, -1.4 * DRAW_W):
        home = taught().switch(True, draws=False).stay(6)
        home.base_w += other_w
        assert home.stay(200).steps.still_s is None


@pytest.mark.parametrize("every_s", [1.0, 2.0])
@pytest.mark.parametrize("room_after_s", [5.0, 12.0])
def test_what_makes_room_for_the_lead_does_not_hide_that_it_began(every_s: float, room_after_s: float) -> None:
    """A battery that holds the import at what the house may draw; nobody told of it."""
    home = taught(every_s=every_s)
    home.base_w = 3000.0
    home.stay(300).switch(True).stay(room_after_s)
    home.lane.append((home.now_s, 0.0))  # the battery draws so much less
    assert home.stay(200).steps.still_s is None


def test_another_load_that_is_switched_in_between_leaves_it_open_and_is_no_miss() -> None:
    home = taught().switch(True, draws=False).stay(60)
    home.steps.disturbed(home.now_s, home.now_s + 30.0)
    assert (home.stay(200).steps.still_s, home.steps.unseen) == (None, 0)


def test_a_plug_that_measures_needs_no_guess() -> None:
    home = taught().switch(True, draws=False, measured=True)
    assert home.stay(300, measured=True).steps.still_s is None


def test_a_doubt_of_the_sign_that_no_further_step_confirms_is_forgotten() -> None:
    """A battery hides all later steps: for one wrong step, every charge would end early for ever."""
    home = Home(sign=-1.0).stay(60).switch(True).stay(200)
    assert home.steps.contrary == 1
    home.draw_w = 0.0
    home.lane.append((home.now_s, 0.0))
    home.stay(200)
    for times in range(1, STEPS_UNSEEN + 1):
        assert home.steps.contrary == 1
        assert home.switch(times % 2 == 0).stay(200).steps.unseen == times
    assert (home.steps.contrary, home.steps.proven) == (0, False)
    home.draw_w = DRAW_W
    assert home.cycle().steps.contrary == 2  # it can still be found


def test_a_lag_is_forgotten_when_nothing_shows_any_more() -> None:
    """The meter was exchanged for a later one: who looks no longer than the old one took sees no step any more."""
    home = Home(lag_s=5.0).cycle(LEAST_LAGS)
    assert home.steps.settles_s(True) == SETTLES_S
    home.lag_s = 45.0
    home.cycle(STEPS_UNSEEN // 2)
    assert home.steps.settles_s(True) is None
    assert home.cycle(LEAST_LAGS).steps.settles_s(True) == pytest.approx(45.0 + SLACK_S, abs=home.every_s)
    assert home.steps.unseen == 0


@pytest.mark.parametrize(("earlier_s", "fell"), [(600.0, False), (RISEN_S + 600.0, True)])
def test_what_rose_before_a_charge_explains_a_fall_in_it_for_some_hours(earlier_s: float, fell: bool) -> None:
    home = Home().stay(60)
    home.base_w += DRAW_W
    home.stay(earlier_s).switch(True).stay(200)
    assert home.steps.drew_w == pytest.approx(DRAW_W, rel=0.02)
    home.base_w -= DRAW_W
    assert (home.stay(60).steps.fell_s is not None) is fell


def test_the_lead_s_own_off_does_not_use_up_what_else_is_on() -> None:
    home = Home().stay(60)
    home.base_w += DRAW_W
    home.stay(60).switch(True).stay(200).switch(False).stay(200).switch(True).stay(200)
    home.base_w -= DRAW_W
    assert home.stay(60).steps.fell_s is None


def test_of_two_rises_after_a_start_neither_is_taken_for_the_lead() -> None:
    """A lead that draws less than it should, and a kettle that draws just that: the end of it is not the lead's."""
    home = Home(draw_w=0.62 * DRAW_W).stay(60).switch(True).stay(40)
    home.base_w += DRAW_W
    home.stay(150)
    home.base_w -= DRAW_W
    home.stay(60)
    assert (home.steps.drew_w, home.steps.fell_s) == (None, None)


def test_what_the_plug_measures_refutes_a_high_step() -> None:
    """A step of when the plug was out of reach ended a charge in which it measured that all was in order."""
    home = Home().stay(60).switch(True)
    home.base_w += 0.5 * DRAW_W  # a kettle goes on, too
    assert len(home.stay(200).steps.high_w) == 1
    assert home.stay(20, measured=True).steps.high_w == ()
