"""Sun that an inverter holds back: when it is tried, what is learned from it, and what must not be learned from it."""

from __future__ import annotations

import argparse
import math
import re
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from surpluscharge.cli.planning import _study as study
from surpluscharge.config import ConfigError, parse, warnings
from surpluscharge.control import hidden, news
from surpluscharge.control.controller import Controller, Event, Kept, Moment
from surpluscharge.control.draw import DrawWatch
from surpluscharge.control.hidden import ExportLimit, HiddenSun, Outcome, Tried, odds
from surpluscharge.history.recorder import Recorder
from tests.bench import hidden_sun as bench
from tests.conftest import config_from

DAY_S, HOUR_S, MINUTE_S = 86400.0, 3600.0, 60.0
DRAW_W = 1380.0
MIDDAY_S = 1_936_612_800.0  # 15 May 2031, 12:00 UTC: the sun of 47 N, 9 E stands at 62 degrees
LIMIT = ExportLimit(600.0, 12, 800.0, 47.0, 9.0)
HIGH, LOW = 0.9, 0.3
PLAIN = ("charger.current_a = 6.0", 'relay.topic = "plug/set"', 'meter = [{ topic = "house/grid" }]')
LIMITED = "export_limit.limit_w = 600\nexport_limit.latitude_deg = 47.0\nexport_limit.longitude_deg = 9.0\n"
STEP_S = 10.0


# --- the watch by itself ---------------------------------------------------------------------------------------------


def at_noon(limit: ExportLimit = LIMIT, tried: Tried = Tried(), now_s: float = 0.0) -> HiddenSun:  # noqa: B008
    watch = HiddenSun(limit, tried._replace(day=7))
    watch.look(now_s, 7, MIDDAY_S)
    return watch


def stand(watch: HiddenSun, from_s: float, until_s: float, grid_w: float = -600.0) -> None:
    for now_s in range(int(from_s), int(until_s) + 1, 10):
        watch.reading(now_s, grid_w, True, DRAW_W)


def test_an_export_has_to_stand_at_the_limit_for_a_while() -> None:
    watch = at_noon()
    assert not watch.stands and watch.waits(0.0, 100.0) == ("stands", math.inf)
    stand(watch, 0, 290, -560.0)
    assert watch.stands and watch.waits(290.0, 100.0) == ("stands", hidden.STANDS_S)
    stand(watch, 300, 310, -640.0)
    assert watch.waits(300.0, 100.0) is None
    stand(watch, 320, 400, 900.0)  # a kettle, until the inverter has followed
    assert not watch.stands
    stand(watch, 410, 420)
    assert watch.stands and watch.waits(420.0, 100.0) is None
    stand(watch, 430, 430 + hidden.BLIP_S + 10, -500.0)  # and one that it could not follow: not enough is there
    stand(watch, 540, 550)
    assert watch.waits(550.0, 100.0) == ("stands", 540.0 + hidden.STANDS_S)


def test_more_than_the_limit_does_not_stand_at_it() -> None:
    watch = at_noon()
    stand(watch, 0, 600, -700.0)
    assert not watch.stands and not watch.beyond
    stand(watch, 610, 610, -830.0)
    assert watch.beyond


def test_what_a_battery_is_charged_with_hides_nothing() -> None:
    watch = at_noon()
    for now_s in range(0, 600, 10):
        watch.reading(now_s, -600.0, False, DRAW_W)
    assert not watch.stands


def test_only_by_day_so_many_times_and_with_so_much_bought() -> None:
    watch = at_noon()
    watch.look(0.0, 7, MIDDAY_S + 12 * HOUR_S)
    watch._sky_s = -math.inf
    watch.look(0.0, 7, MIDDAY_S + 12 * HOUR_S)
    assert watch.waits(0.0, 100.0) == ("night", math.inf)
    assert at_noon(tried=Tried(trials=12)).waits(0.0, 100.0) == ("trials", math.inf)
    assert at_noon(tried=Tried(bought_wh=700.1)).waits(0.0, 100.0) == ("bought", math.inf)
    fresh = at_noon(tried=Tried(bought_wh=700.0))
    stand(fresh, 0, 300)
    assert fresh.waits(300.0, 100.0) is None


def test_the_next_day_has_new_trials_and_what_was_learned() -> None:
    learned = (Outcome(0.0, HIGH, True, True),)
    watch = at_noon(tried=Tried(0, 12, 790.0, 3, 50.0, learned))
    watch.look(60.0, 8, MIDDAY_S + DAY_S)
    assert watch.tried == Tried(day=8, outcomes=learned)


def test_after_one_that_failed_the_next_waits_longer_each_time() -> None:
    watch, now_s, waited = at_noon(), 0.0, []
    for _ in range(4):
        watch.begins(now_s)
        watch.judged(now_s, False)
        watch.tried = watch.tried._replace(outcomes=())  # the roof is another matter
        wait = watch.waits(now_s, 0.0)
        assert wait is not None and wait.why == "failed"
        waited.append(wait.until_s - now_s)
        now_s = wait.until_s
    assert waited == [1800.0, 3600.0, 7200.0, 7200.0]
    watch.begins(now_s)
    watch.judged(now_s, True)
    assert watch.tried.failed == 0
    stand(watch, now_s + 20, now_s + 90)
    assert watch.waits(now_s + 90, 0.0) is None  # and after one that carried, sooner than at first


def test_what_carried_carries_with_a_higher_sun_and_what_failed_fails_with_a_lower_one() -> None:
    assert odds((), HIGH, True, 0.0) == 0.5
    carried, failed = (Outcome(0.0, 0.6, True, True),), (Outcome(0.0, 0.6, True, False),)
    assert odds(carried, 0.6, True, 0.0) == odds(carried, HIGH, True, 0.0) == pytest.approx(3 / 4)
    assert odds(carried, 0.6 - hidden.LIKE_HEIGHT, True, 0.0) == pytest.approx(0.5)
    assert odds(failed, 0.6, True, 0.0) == odds(failed, LOW, True, 0.0) == pytest.approx(1 / 3)
    assert odds(failed, 0.6 + hidden.LIKE_HEIGHT, True, 0.0) == pytest.approx(0.5)
    assert odds(failed, 0.65, True, 0.0) == pytest.approx(1 / 2.5)
    assert odds(failed, 0.6, False, 0.0) == pytest.approx(1 / 2.5)  # the other half of the day
    assert odds(failed, 0.6, True, hidden.HALF_S) == pytest.approx(1 / 2.5)


def test_where_it_would_fail_none_is_made_but_one_past_noon() -> None:
    failed = tuple(Outcome(-DAY_S, height, True, False) for height in (0.8, 0.85, 0.9))
    watch = at_noon(tried=Tried(outcomes=failed))
    stand(watch, 0, 300)
    watch.rising = True
    assert watch.waits(300.0, 0.0) == ("odds", math.inf)
    watch.rising = False
    watch.tried = watch.tried._replace(outcomes=tuple(one._replace(rising=False) for one in failed))
    assert watch.waits(300.0, 0.0) is None
    watch.tried = watch.tried._replace(trials=1)
    assert watch.waits(300.0, 0.0) == ("odds", math.inf)


def test_the_same_weather_counts_once() -> None:
    watch = at_noon()
    for now_s, carried in ((0.0, False), (1800.0, False), (5400.0, True), (9000.0, True), (9000.0 + 4 * HOUR_S, True)):
        watch.begins(now_s)
        watch.judged(now_s, carried)
    assert [(one.at_s, one.carried) for one in watch.tried.outcomes] == [
        (1800.0, False),
        (9000.0, True),
        (23400.0, True),
    ]


# --- a house whose inverter holds sun back ---------------------------------------------------------------------------


@dataclass
class Throttled:
    """``roof_w`` is what there is; no more than ``limit_w`` is let out, from ``lag_s`` after it could be."""

    limit_w: float = 600.0
    roof_w: float = 4000.0
    home_w: float = 300.0
    lag_s: float = 10.0
    sign: float = 1.0
    resolution_w: float = 1.0
    measures: bool = True
    tries: bool = True
    car_w: float = DRAW_W
    utc_s: float = MIDDAY_S - 1000.0
    now_s: float = 1000.0
    control: dict[str, object] = field(default_factory=dict)
    given_w: float = 0.0
    kept: Kept | None = None

    def __post_init__(self) -> None:
        self.closed, self.jitter_w, self.events, self.codes = False, 0.0, [], []  # type: ignore[var-annotated]
        self.bought_wh = 0.0
        table = {"limit_w": self.limit_w, "latitude_deg": 47.0, "longitude_deg": 9.0}
        self.config = config_from(
            relay={"power": {"topic": "plug/power"}} if self.measures else {},
            control=self.control,
            **({"export_limit": table} if self.tries else {}),  # type: ignore[arg-type]
        )
        self.recorder = Recorder(DrawWatch(DRAW_W), 60_000)
        self.controller = Controller(self.config.settings(), self.at(), self.kept)
        for happened in (news.CommandsLink(True), news.RelayLink(True), news.Sending(False), news.Taken(False)):
            self.tell(happened)
        self.tell(news.Enable(True))
        self.asked: list[tuple[float, float]] = []  # when, and what the inverter was to give from then on
        self.given_w = min(self.roof_w, self.home_w + self.limit_w)

    def at(self) -> Moment:
        return Moment(self.now_s, 3, 7, 3, utc_s=self.utc_s + self.now_s)

    def tell(self, happened: news.News) -> None:
        self.controller.tell(happened, self.at())
        events = self.controller.take_events()
        self.events += events
        self.codes += [str(event.fields["code"]) for event in events if event.name == "fault_raised"]
        self.recorder.observe(self.controller, events, round((self.utc_s + self.now_s) * 1000))
        self.recorder.take()
        if self.controller.wants_on is not self.closed:
            self.closed = self.controller.wants_on
            self.tell(news.Sending(self.closed))
            self.tell(news.Taken(self.closed))

    @property
    def grid_w(self) -> float:
        return self.home_w + (self.car_w if self.closed else 0.0) - self.given_w

    def run(self, seconds: float) -> Throttled:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            load_w = self.home_w + (self.car_w if self.closed else 0.0)
            self.asked.append((self.now_s + self.lag_s, load_w + self.limit_w))
            while self.asked and self.asked[0][0] <= self.now_s:
                self.given_w = self.asked.pop(0)[1]
            self.given_w = min(self.given_w, self.roof_w)
            self.jitter_w = (self.jitter_w + 0.7) % 5.0 if self.resolution_w <= 1.0 else 0.0
            shown_w = round((self.grid_w + self.jitter_w) / self.resolution_w) * self.resolution_w
            self.tell(news.Message("house/grid", f"{self.sign * shown_w}".encode(), False))
            if self.measures:
                power_w = self.car_w if self.closed else 0.0
                self.tell(news.Message("plug/power", f"{power_w}".encode(), False))
            self.bought_wh += max(0.0, min(self.grid_w, self.car_w)) * STEP_S / 3600.0 if self.closed else 0.0
            self.now_s += STEP_S
            self.tell(news.Tick())
        return self

    def named(self, name: str) -> list[Event]:
        return [event for event in self.events if event.name == name]


def test_without_the_option_nothing_ever_starts_and_nothing_is_watched() -> None:
    house = Throttled(tries=False).run(2 * HOUR_S)
    assert not house.named("state_changed") and house.controller.hidden is None and not house.controller.evened
    assert not house.controller.inputs.trial and house.controller.kept().tried == Tried()


def test_where_the_limit_is_never_reached_all_is_decided_as_without_it() -> None:
    def lived(tries: bool) -> tuple[list[Event], list[str]]:
        house = Throttled(limit_w=20_000.0, tries=tries, lag_s=0.0)
        for roof_w in (4000.0, 900.0, 300.0, 2500.0, 1200.0, 3000.0, 0.0):
            house.roof_w = roof_w
            house.run(12 * MINUTE_S)
        return house.named("state_changed"), house.codes

    assert lived(True) == lived(False) and len(lived(True)[0]) > 8


@pytest.mark.parametrize(
    ("limit_w", "lag_s", "measures"),
    [(0.0, 0.0, True), (0.0, 20.0, False), (600.0, 10.0, False), (600.0, 45.0, False)],
)
def test_hidden_sun_is_found_and_nothing_wrong_is_learned_from_how(
    limit_w: float, lag_s: float, measures: bool
) -> None:
    early_s = MIDDAY_S - 3 * HOUR_S
    house = Throttled(limit_w=limit_w, lag_s=lag_s, measures=measures, utc_s=early_s).run(10 * MINUTE_S)
    assert [event.fields["limit_w"] for event in house.named("trial_begun")] == [limit_w]
    house.run(30 * MINUTE_S)
    assert [event.fields["carried"] for event in house.named("trial_over")] == [True]
    controller = house.controller
    assert controller.wants_on and controller.hidden is not None and controller.hidden.began_s is None
    assert controller.hidden.tried.bought_wh == pytest.approx(house.bought_wh, abs=0.1)
    assert controller.today.grid_wh <= house.bought_wh + 2.0  # the meter's noise about nought
    for _ in range(7):  # clouds end it, and it is tried anew
        house.roof_w = 350.0
        house.run(5 * MINUTE_S)
        assert not controller.wants_on
        house.roof_w = 4000.0
        house.run(20 * MINUTE_S)
        assert controller.wants_on
    steps = controller.lessons.steps
    assert (steps.unseen, steps.contrary, steps.high_w, steps.fell_s) == (0, 0, (), None)
    assert house.codes == [] and controller.known
    learned = house.recorder.draw.learned
    assert learned is None or abs(learned.draw_w - DRAW_W) <= learned.error_w


def test_a_step_that_is_evened_out_in_part_teaches_no_draw() -> None:
    """Of the draw, 350 W were held back before the start: the step of 1030 W is near enough to pass for the lead's."""
    house = Throttled(roof_w=300.0 + 600.0 + 350.0, lag_s=3.0, control={"stop_import_w": 500.0}).run(10 * MINUTE_S)
    assert house.closed and house.grid_w == pytest.approx(430.0)
    for _ in range(6):
        house.run(15 * MINUTE_S)
        house.tell(news.Enable(False))
        house.run(10 * MINUTE_S)
        house.tell(news.Enable(True))
        house.run(10 * MINUTE_S)
    assert len(house.named("trial_begun")) > 4
    assert house.recorder.draw.learned is None and not house.recorder.draw.steps


def test_where_nothing_is_hidden_it_ends_after_the_shortest_charge_and_waits() -> None:
    house = Throttled(roof_w=300.0 + 600.0 + 20.0).run(20 * MINUTE_S)
    over = house.named("trial_over")
    assert [event.fields["carried"] for event in over] == [False] and not house.closed
    moves = [(event.fields["new"], event.fields["after_s"]) for event in house.named("state_changed")]
    assert [new for new, _ in moves] == ["arming", "charging", "disarming", "idle"]
    lasted_s = sum(after_s for _, after_s in moves[2:])
    assert 480.0 <= lasted_s <= 490.0
    tried = house.controller.hidden.tried if house.controller.hidden else Tried()
    assert tried.failed == 1 and tried.bought_wh == pytest.approx(house.bought_wh, rel=0.03)
    house.run(20 * MINUTE_S)
    assert len(house.named("trial_begun")) == 1
    house.run(20 * MINUTE_S)
    assert len(house.named("trial_begun")) == 2


def test_trials_stay_within_their_bounds_whatever_comes_of_them() -> None:
    house = Throttled(roof_w=920.0, utc_s=MIDDAY_S - 5 * HOUR_S)
    house.controller.hidden.limit = house.controller.hidden.limit._replace(trials_per_day=3)  # type: ignore[union-attr]
    for minute in range(0, 7 * 60, 2):
        house.run(2 * MINUTE_S)
        house.roof_w = 920.0 if minute % 50 < 37 else 5000.0
    tried = house.controller.hidden.tried if house.controller.hidden else Tried()
    assert 2 <= len(house.named("trial_begun")) == tried.trials <= 3
    assert tried.bought_wh <= LIMIT.bought_wh_per_day


def test_not_at_night_and_not_where_the_export_is_elsewhere() -> None:
    night = Throttled(utc_s=MIDDAY_S - 12 * HOUR_S).run(HOUR_S)
    assert not night.named("trial_begun")
    less = Throttled(roof_w=300.0 + 450.0).run(HOUR_S)
    assert not less.named("trial_begun")
    importing = Throttled(limit_w=0.0, roof_w=0.0).run(HOUR_S)
    assert not importing.named("trial_begun")


def test_every_rule_of_the_socket_holds_for_a_trial() -> None:
    """A start that is not free, a charge that is forbidden, a pause that is not over."""
    house = Throttled(control={"starts_per_hour": 1, "starts_per_day": 1, "min_off_s": 1200.0}).run(15 * MINUTE_S)
    assert not house.closed  # the relay is known to be off since the beginning only
    house.run(10 * MINUTE_S)
    assert house.closed
    house.roof_w = 300.0
    house.run(10 * MINUTE_S)
    house.roof_w = 4000.0
    house.run(2 * HOUR_S)
    assert len(house.named("trial_begun")) == 1 and "starts-spent" not in house.codes
    off = Throttled()
    off.tell(news.Enable(False))
    assert not off.run(HOUR_S).named("trial_begun")


def test_a_car_that_takes_nothing_shows_nothing() -> None:
    house = Throttled(car_w=0.0).run(9 * MINUTE_S)
    assert house.closed
    house.run(10 * MINUTE_S)
    assert house.codes == ["no-load"]
    assert [event.fields["carried"] for event in house.named("trial_over")] == [None]
    assert house.controller.hidden and not house.controller.hidden.tried.outcomes


def test_a_coarse_meter_that_stands_at_nought_is_not_frozen() -> None:
    """It shows whole hundreds of watts, and an inverter that is quick leaves no step in between."""
    house = Throttled(limit_w=0.0, lag_s=0.0, resolution_w=100.0).run(HOUR_S)
    assert house.closed and "meter-frozen" not in house.codes


def test_a_fall_to_the_limit_is_no_end_of_the_draw() -> None:
    """The sun comes out beside a charge that imports: grid power falls by what the lead draws, to where it is held."""
    house = Throttled(measures=False, roof_w=600.0, home_w=500.0, lag_s=0.0)
    house.tell(news.Planned(((house.now_s, house.now_s + 3 * HOUR_S),)))
    settings = house.controller.settings
    params = settings.params._replace(planned_time_cap_s=4 * HOUR_S, planned_energy_cap_wh=math.inf)
    house.tell(news.Reload(settings._replace(params=params)))
    house.run(10 * MINUTE_S)
    assert house.closed and house.grid_w == pytest.approx(1280.0)
    assert house.controller.lessons.steps.drew_w is not None
    house.roof_w = 5000.0
    house.home_w = 500.0 + DRAW_W - 1880.0 + 500.0
    house.run(20 * MINUTE_S)
    assert house.grid_w == pytest.approx(-600.0) and house.controller.known and house.codes == []


def test_a_sign_turned_round_does_not_buy_on_for_hours() -> None:
    """What is bought looks like export then, and more of it than the inverter lets out."""
    house = Throttled(limit_w=0.0, sign=-1.0, lag_s=5.0).run(15 * MINUTE_S)
    assert house.closed  # at nought the sign does not matter
    house.tell(news.SignShown())  # one step that goes the wrong way is then not enough
    house.roof_w = 0.0
    house.run(20 * MINUTE_S)
    assert not house.closed
    assert sorted(house.codes) == ["export-beyond-limit", "meter-sign-doubted"]


def test_what_was_tried_outlives_the_daemon() -> None:
    house = Throttled(roof_w=920.0).run(20 * MINUTE_S)
    kept = house.controller.kept()
    assert kept.tried.trials == 1 and kept.tried.failed == 1 and len(kept.tried.outcomes) == 1
    again = Throttled(roof_w=920.0, now_s=house.now_s, kept=kept).run(20 * MINUTE_S)
    assert not again.named("trial_begun")


def test_a_memory_of_the_surplus_holds_nothing_of_what_was_held_back() -> None:
    """With "ahead", what has come of late is known; what is only at least so much is not."""
    house = Throttled(limit_w=0.0, roof_w=150.0).run(10 * MINUTE_S)
    assert house.controller.memory.at_s > 0.0
    house.roof_w = 4000.0
    house.run(4 * MINUTE_S)
    assert not house.closed and house.controller.memory.at_s == -math.inf
    house.run(20 * MINUTE_S)
    assert house.closed and house.controller.memory.short == pytest.approx(1.0, abs=0.02)


def test_other_settings_keep_what_was_learned() -> None:
    house = Throttled(roof_w=920.0).run(20 * MINUTE_S)
    settings = house.controller.settings
    assert settings.export_limit is not None
    house.tell(news.Reload(settings._replace(export_limit=settings.export_limit._replace(limit_w=500.0))))
    assert house.controller.hidden and house.controller.hidden.tried.failed == 1
    assert house.controller.hidden.limit.limit_w == 500.0 == house.controller.lessons.steps.limit_w
    house.tell(news.Reload(settings._replace(export_limit=None)))
    assert house.controller.hidden is None and house.controller.lessons.steps.limit_w is None


def test_a_replay_says_that_it_cannot_know(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, readings = tmp_path / "my.toml", tmp_path / "month.csv"
    plain = "\n".join(PLAIN) + "\n"
    readings.write_text("time,grid_w\n" + "".join(f"{1_900_000_000 + 10 * i},0\n" for i in range(99)))
    options = argparse.Namespace(
        config=str(file), readings=str(readings), prices=None, column=[], decimal_comma=False, time_format=None
    )
    for text, said in ((plain, ""), (plain + LIMITED, "what the inverter held back")):
        file.write_text(text)
        study(options)
        err = capsys.readouterr().err
        assert said in err and ("inverter" in err) is bool(said)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('site.phases = "apart"', "all phases together"),
        ("export_limit.bought_wh_per_day = 100", "a single trial that finds nothing may buy more (253 Wh)"),
        ('meter = [{ topic = "m", measures = "export-only" }]', "no meter ever shows an import"),
        ("export_limit.limit_w = -1", "export_limit.limit_w"),
        ("export_limit.latitude_deg = 91", "export_limit.latitude_deg"),
    ],
)
def test_what_contradicts_a_trial_is_refused(change: str, said: str) -> None:
    lines = {line.partition(" = ")[0]: line for line in (*PLAIN, *LIMITED.splitlines(), change)}
    with pytest.raises(ConfigError, match=re.escape(said)):
        parse("\n".join(lines.values()), "my.toml")


def test_what_is_worth_a_second_thought_is_said() -> None:
    config = parse("\n".join((*PLAIN, *LIMITED.splitlines())), "my.toml")
    assert any(said.startswith("export_limit without relay.power") for said in warnings(config))
    high = parse("\n".join((*PLAIN, *LIMITED.replace("600", "1400").splitlines())), "my.toml")
    assert any("nothing needs to be tried" in said for said in warnings(high))
    assert not any("export_limit" in said for said in warnings(parse("\n".join(PLAIN), "my.toml")))


def test_a_day_of_a_throttled_house_with_trials_and_without() -> None:
    """The short version of tests/bench/hidden_sun.py: what is found, what it cost, and what must not be raised."""
    scenario = bench.HOUSES["nought"]._replace(cumulus_gap_s=2500.0)
    wiring = bench.Wiring(meter_every_s=20.0)
    without = bench.live(scenario, bench.config_of(scenario, wiring, tries=False), wiring, 0.5)
    assert without.starts == 0
    config = bench.config_of(scenario, wiring)
    lived, bound = bench.live(scenario, config, wiring, 0.7), bench.bound_of(scenario, 1)
    assert lived.house.tally.solar_ws > 0.4 * bound.whole_ws
    assert config.export_limit is not None
    assert 0 < max(lived.trials.values()) <= config.export_limit.trials_per_day
    assert max(lived.bought_wh.values()) <= config.export_limit.bought_wh_per_day
    assert not lived.faults
