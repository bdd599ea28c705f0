"""The voltage's ten-minute mean (EN 50160), and the circuit's resistance, learned from the lead's own switchings."""

from __future__ import annotations

import random
from statistics import fmean

import pytest

from surpluscharge.control import mains
from surpluscharge.control.mains import Mains, resistance


class Plug:
    """A plug on a circuit of ``ohm`` behind a voltage that is given; it reports both values every ``every_s``."""

    def __init__(self, ohm: float, every_s: float = 10.0, noise_v: float = 0.0, seed: int = 1) -> None:
        self.mains, self.ohm, self.every_s = Mains(), ohm, every_s
        self.noise_v, self.chance = noise_v, random.Random(seed)
        self.now_s, self.amps, self.source_v = 1000.0, 0.0, 230.0

    def run(self, seconds: float) -> Plug:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += self.every_s
            volts = self.source_v - self.ohm * self.amps + self.chance.gauss(0.0, self.noise_v)
            self.mains.reading(self.now_s, round(volts, 1), self.amps, True, 180.0)
        return self

    def switch(self, amps: float) -> Plug:
        self.mains.switched(self.now_s)
        self.amps = amps
        return self


def charges(plug: Plug, count: int, amps: float = 6.0) -> Plug:
    for _ in range(count):
        plug.switch(amps).run(900.0).switch(0.0).run(900.0)
    return plug


def test_a_copper_line_s_resistance_is_learned() -> None:
    """Source: IEC 60228, 7.41 ohm/km for 2.5 mm2 of copper (from memory): 25 m there and back are 0.37 ohm."""
    ohm = 2 * 25 * 7.41e-3
    plug = charges(Plug(ohm).run(900.0), 2)
    learned = plug.mains.learned
    assert learned is not None and learned.drops == 4
    assert learned.ohm == pytest.approx(ohm, abs=0.02)  # a plug that shows tenths of a volt
    assert learned.error_ohm >= mains.LEAST_ERROR_OHM


def test_nothing_is_believed_before_the_third_drop() -> None:
    plug = Plug(0.5).run(900.0).switch(6.0).run(900.0).switch(0.0).run(900.0)
    assert list(plug.mains.ohms) == [pytest.approx(0.5, abs=0.03)] * 2 and plug.mains.learned is None
    assert plug.switch(6.0).run(900.0).mains.learned is not None


@pytest.mark.parametrize("every_s", [1.0, 25.0, 60.0])
def test_the_error_that_is_given_holds_the_truth(every_s: float) -> None:
    """Where the mains move by themselves: nine in ten, as is said."""
    held = 0
    for seed in range(60):
        plug = charges(Plug(0.8, every_s, noise_v=0.7, seed=seed).run(300.0), 4)
        learned = plug.mains.learned
        assert learned is not None
        held += abs(learned.ohm - 0.8) <= learned.error_ohm
    assert held >= 51


def test_a_plug_that_speaks_seldom_while_off_is_learned_from_all_the_same() -> None:
    """Every five minutes while off, and at each switching; every 25 s while on."""
    plug = Plug(0.5, every_s=270.0).run(540.0)
    for _ in range(2):
        plug.every_s = 25.0
        plug.switch(6.0).run(600.0).switch(0.0)
        plug.every_s = 1.0
        plug.run(1.0)
        plug.every_s = 270.0
        plug.run(810.0)
    assert plug.mains.learned is not None and plug.mains.learned.drops == 4
    assert plug.mains.learned.ohm == pytest.approx(0.5, abs=0.02)


def test_one_oven_is_out_voted() -> None:
    plug = charges(Plug(0.5).run(900.0), 2)
    plug.switch(6.0)
    plug.source_v = 225.0  # somebody's oven, in the same moment
    plug.run(900.0)
    assert plug.mains.learned is not None and plug.mains.learned.ohm == pytest.approx(0.5, abs=0.03)
    assert plug.mains.drop_ohm == pytest.approx(0.5 + 5.0 / 6.0, abs=0.03)
    assert plug.mains.large_drops(1.0) == 1


def test_a_car_that_takes_nothing_or_a_plug_without_a_meter_teaches_nothing() -> None:
    plug = Plug(0.5).run(900.0).switch(0.3).run(900.0).switch(0.0).run(900.0)
    assert list(plug.mains.ohms) == []
    blind = Mains()
    for number in range(100):
        if number % 20 == 0:
            blind.switched(10.0 * number)
        blind.reading(10.0 * number, 225.0 if number % 40 >= 20 else 230.0, 6.0, False, 180.0)
    assert list(blind.ohms) == []


def test_a_car_that_begins_late_is_waited_for() -> None:
    plug = Plug(0.5).run(900.0).switch(0.0).run(90.0)
    plug.amps = 6.0
    plug.run(60.0)
    assert list(plug.mains.ohms) == [pytest.approx(0.5, abs=0.03)]


def test_the_mean_is_that_of_ten_minutes() -> None:
    """Source: EN 50160, ten-minute means; here against the plain mean of what was held."""
    plug = Plug(0.0, every_s=5.0)
    sent = []
    for number in range(400):
        plug.source_v = 230.0 + number % 37 / 2.0
        sent.append(plug.source_v)
        plug.run(5.0)
    assert plug.mains.mean_v(0.0) == pytest.approx(fmean(sent[-121:-1]))
    assert plug.mains.whole(plug.now_s)


def test_a_mean_is_whole_only_once_most_of_ten_minutes_is_known() -> None:
    plug = Plug(0.0).run(590.0)
    assert not plug.mains.whole(plug.now_s)
    assert plug.run(30.0).mains.whole(plug.now_s)
    seldom = Mains()
    for number in range(20):
        seldom.reading(300.0 * number, 230.0, 0.0, True, 90.0)  # relied on for 90 of 300 s
    assert not seldom.whole(6000.0)
    half = Mains()
    for number in range(20):
        half.reading(300.0 * number, 230.0, 0.0, True, 150.0)  # of 150 s: half of ten minutes, and that is enough
    assert half.whole(6000.0)
    assert not Mains().whole(6000.0) and Mains().mean_v(0.0) is None


def test_the_mean_under_load_is_foretold_and_goes_on_across_a_switching() -> None:
    plug = charges(Plug(0.5).run(900.0), 2)
    plug.source_v = 254.5
    plug.run(900.0)
    assert plug.mains.mean_v(6.0) == pytest.approx(251.5, abs=0.2)
    plug.switch(6.0).run(300.0)
    assert plug.mains.mean_v(6.0) == pytest.approx(251.5, abs=0.2)
    assert plug.mains.mean_v(0.0) == pytest.approx(254.5, abs=0.2)
    assert plug.mains.whole(plug.now_s)


def test_while_the_circuit_is_not_known_a_switching_begins_a_new_mean() -> None:
    plug = Plug(0.5).run(900.0)
    plug.source_v = 254.5
    plug.run(900.0).switch(6.0)
    assert plug.mains.mean_v(6.0) is None
    plug.run(300.0)
    assert plug.mains.mean_v(6.0) == pytest.approx(251.5)
    assert not plug.mains.whole(plug.now_s)


def test_large_drops_count_in_a_row_and_are_forgotten_once_somebody_has_looked() -> None:
    plug = charges(Plug(0.4).run(900.0), 3)
    assert plug.mains.large_drops(1.9) == 0
    plug.ohm = 2.5
    charges(plug, 1).switch(6.0).run(60.0)
    assert plug.mains.large_drops(1.9) == 3
    again = Mains(plug.mains.ohms)
    assert again.large_drops(1.9) == 3 and again.learned == plug.mains.learned
    again.forget()
    assert again.large_drops(1.9) == 0 and again.learned is None


def test_what_is_no_circuit_is_left_out() -> None:
    assert list(Mains([0.5, float("nan"), float("inf"), -1e9]).ohms) == [0.5]
    found = resistance([-0.2, -0.1, -0.3])
    assert found is not None and found.ohm == 0.0  # a voltage that rises by chance


def test_a_plug_that_speaks_without_pause_needs_no_more_memory() -> None:
    plug = Plug(0.0, every_s=0.01).run(700.0)
    assert len(plug.mains._held) <= mains.MEAN_S + 2
    assert plug.mains.mean_v(0.0) == pytest.approx(230.0)
    loaded = Mains([0.5] * 3)
    for number in range(4000):  # longer than ten minutes
        loaded.reading(0.2 * number, 227.0, 6.0, True, 90.0)
    assert loaded.mean_v(6.0) == pytest.approx(227.0)
    assert loaded.mean_v(0.0) == pytest.approx(230.0)


def test_the_error_is_that_of_a_median() -> None:
    """The standard error of a normal sample's median is sqrt(pi / 2) times that of its mean (Kendall and Stuart, from
    memory); two of them, and wider for few drops.
    """
    ohms = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    sigma = 1.4826 * 2.0  # by the median deviation
    found = resistance([9.0, *ohms])
    assert found == (4.0, pytest.approx(2 * 1.2533 * sigma / 3 * (1 + 4 / 9), rel=1e-4), 9)
    assert resistance([0.5] * 3) == (0.5, mains.LEAST_ERROR_OHM, 3)


@pytest.mark.parametrize(("before_s", "counts"), [(30.0, True), (300.0, True), (300.1, False)])
def test_how_old_the_voltage_before_a_switching_may_be(before_s: float, counts: bool) -> None:
    plug = Mains()
    plug.reading(1000.0, 230.0, 0.0, True, 600.0)
    plug.switched(1000.0 + before_s)
    for second in range(1, 60):
        plug.reading(1000.0 + before_s + second, 227.0, 6.0, True, 600.0)
    assert list(plug.ohms) == ([pytest.approx(0.5)] if counts else [])


def test_of_the_readings_before_a_switching_those_of_half_a_minute_count() -> None:
    plug = Mains()
    for at_s, volts in ((969.9, 250.0), (970.0, 229.0), (980.0, 230.0), (990.0, 231.0)):
        plug.reading(at_s, volts, 0.0, True, 600.0)
    plug.switched(1000.0)
    for second in range(1, 60):
        plug.reading(1000.0 + second, 227.0, 6.0, True, 600.0)
    assert list(plug.ohms) == [pytest.approx(0.5)]


def test_one_reading_after_a_switching_is_waited_for_more_of_and_at_last_enough() -> None:
    plug = Mains()
    plug.reading(990.0, 230.0, 0.0, True, 600.0)
    plug.switched(1000.0)
    for at_s in (1001.0, 1010.0, 1035.9):  # settled from 1006 s on; so two until half a minute later
        plug.reading(at_s, 227.0, 6.0, True, 600.0)
        assert list(plug.ohms) == []
    plug.reading(1036.0, 227.0, 6.0, True, 600.0)
    assert list(plug.ohms) == [pytest.approx(0.5)]
