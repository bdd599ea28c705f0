"""Looking ahead in houses and under skies that were left out: `python -m tests.bench.left_out [--scales 1 1.5]`.

Needs the ``bench`` extra. Tariffs and minimum times of tests/bench/share_of_hindsight.py; six invented houses, of which
three are in no other bench, each under skies of three kinds, left out whole:

- month: BSRN station Payerne, June 2016, one-minute irradiance (test data of pvlib 0.11);
- days: one day each of five other stations of other networks, and two of measured power: SURFRAD Alamosa, MIDC at
  Boulder and twice at Golden, SRML at Eugene (test data of pvlib and pvanalytics; where only global irradiance was
  measured, the rest by Erbs's model). Autumn and winter, so the panels are a third larger;
- made: those that the constants were once fitted on.

Every time constant of control/ahead.py is scaled by the same factor; 1 is as it is. Printed for each kind of sky: what
it earns more than "auto" on average over houses, tariffs and times, and in the worst of them; and for the month how
much of the distance from the best two thresholds (chosen on the other half of its days) to the best possible is closed,
in how many rows it is at least those thresholds, and how it compares with "auto" in the month. ``bound`` chooses the
best scale for each row with hindsight, and ``a day`` the better of it and "auto" anew each day, which no rule can know.

``--fitted`` adds what a rule of 315 answers earns (for each surplus, its mean over 20 minutes, and third of the day),
fitted to the very days it is judged on (``seen``), or to the other half of them (``not seen``). What came of it in
house two, of the best possible, on average over nine rows: auto 0.912, ahead as it was fitted 0.926; fitted to the days
themselves 0.928 without thirds of the day (105 answers), 0.938 with them, 0.942 with sixths, and on days not seen
0.907, 0.882 and 0.874. So ahead, which was fitted to other skies, earns what a rule of this kind can have, chosen with
hindsight, and what more answers add is learned by heart.

More than "auto" it earned, in all six houses, with all times as they were fitted (0.67 of what they are) 0.68 % under
the month, 0.03 under the days and 7.28 under the made ones; as they are 1.19, 0.10 and 6.71; a third longer still 1.57,
0.20 and 5.92. Of the distance from the tuned ones to the best possible under the month that closed 0.10, 0.16 and 0.19
(in 56, 69 and 75 of 90 rows at least the tuned ones, and in the worst 4.3, 3.7 and 1.7 % of the best possible below
"auto"); the best of all scales for each row closed 0.21, and a choice between it and "auto" anew each day, by who knows
the day, 0.28. So slower ones suit measured skies better, and a quarter of that distance is beyond them all.

And how the made skies differ from the measured ones: changes of 0.25 kW/m2 from one minute to the next in an hour of
light, and how long, in the middle, it stays on one side of half of the day's highest.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pvanalytics
import pvlib
from numpy.typing import NDArray
from pvlib import iotools
from pvlib.irradiance import erbs
from pvlib.location import Location

from surpluscharge.control import ahead
from surpluscharge.control.economics import break_even, thresholds
from surpluscharge.planning.compiling import compiled
from tests.bench import houses as made
from tests.bench.houses import FITTING, HOUSES, READINGS, SEED, House, days
from tests.bench.scoring import Times, best_possible, play_fixed
from tests.bench.share_of_hindsight import GRID, MINIMUMS_MIN, STEP_S, TARIFFS, play_ahead, times_of, worth

Floats = NDArray[np.float64]
CONSTANTS = "SHORT_S", "LONG_S", "NEW_LASTS_S", "RECENT_LASTS_S"
OTHERS = (
    House("three", 3, 3900.0, 1840.0),
    House("five", 5, 6100.0, 3220.0),
    House("pair", 2, 2700.0, 1380.0),
)
LARGER = 4 / 3  # the panels, in autumn and winter


class Station(NamedTuple):
    zone: str
    date: str
    latitude: float
    longitude: float
    altitude: float


def _on_roof(station: Station, frame: pd.DataFrame) -> tuple[int, Floats]:
    """Return day of the year and kW/m2 on the roof, of a frame of ghi, and dni and dhi where they were measured."""
    place = Location(station.latitude, station.longitude, station.zone, station.altitude)
    times = made._times(station.date, station.zone)
    here = frame.tz_convert(station.zone).reindex(times).interpolate(limit_direction="both").clip(lower=0.0)
    position = place.get_solarposition(times)
    if "dni" not in here:
        split = erbs(here.ghi, position.zenith, times)
        here["dni"], here["dhi"] = split["dni"], split["dhi"]
    elif "dhi" not in here:
        here["dhi"] = (here.ghi - here.dni * np.cos(np.radians(position.zenith))).clip(lower=0.0)
    return int(times[0].day_of_year) - 1, made._fine(made._on_roof(position, here.dni, here.ghi, here.dhi))


def single_days() -> list[tuple[int, Floats]]:
    """Return day of the year and kW/m2 of each of the single days."""
    data, more = Path(pvlib.__file__).parent / "data", Path(pvanalytics.__file__).parent / "data"

    def zoned(frame: pd.DataFrame, zone: str) -> pd.DataFrame:
        return frame.set_index(frame.index.tz_localize(None).tz_localize(zone))

    surfrad, _ = iotools.read_surfrad(str(data / "surfrad-slv16001.dat"))
    boulder = iotools.read_midc(str(data / "midc_20181014.txt"), variable_map={"Global PSP [W/m^2]": "ghi"})
    names = {"Direct Normal [W/m^2]": "dni", "Diffuse Horiz [W/m^2]": "dhi", "Global Horiz (platform) [W/m^2]": "ghi"}
    golden = iotools.read_midc(str(data / "midc_raw_20181018.txt"), raw_data=True, variable_map=names)
    srml = iotools.read_srml(str(data / "SRML-day-EUPO1801.txt")).rename(columns={"ghi_0": "ghi", "dni_0": "dni"})
    winter = pd.read_csv(more / "midc_bms_ghi_20220120.csv", index_col=0, parse_dates=True).set_axis(["ghi"], axis=1)
    west = "Etc/GMT+7"
    return [
        _on_roof(Station(west, "2016-01-01", 37.70, -105.92, 2317.0), surfrad[["ghi", "dni", "dhi"]]),
        _on_roof(Station(west, "2018-10-14", 39.91, -105.23, 1855.0), zoned(boulder[["ghi"]], west)),
        _on_roof(Station(west, "2018-10-18", 39.74, -105.18, 1829.0), zoned(golden[["ghi", "dni", "dhi"]], west)),
        _on_roof(Station("Etc/GMT+8", "2018-01-01", 44.05, -123.07, 150.0), srml[["ghi", "dni"]]),
        _on_roof(Station(west, "2022-01-20", 39.74, -105.18, 1829.0), winter),
        *made._golden(),
    ]


def under(house: House, suns: list[tuple[int, Floats]], larger: float = 1.0) -> Floats:
    """Return the surplus of a house under these suns, in shares of its draw, shape (days, READINGS)."""
    demand_w = made._demand_w(SEED, house.people)
    rng = np.random.default_rng([SEED, house.people, 1])
    rows = [
        np.minimum(0.85 * sun, 0.9) * house.peak_w * larger - demand_w[day] + rng.normal(0.0, 6.0, READINGS)
        for day, sun in suns
    ]
    return np.array(rows) / house.draw_w


# --- what a rule would earn that was fitted to these very days --------------------------------------------------------

NOW_EDGES = np.array([-0.2, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.2, 1.5])
LATE_EDGES = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])
PARTS = 3  # of a day
LATE_S = 1200.0
PER_MINUTE = round(60.0 / STEP_S)
ROUNDS = 12


class Fitted:
    """A rule with an answer of its own for each surplus, each mean of late and each part of the day.

    What the sun does, does not depend on what the lead does; so of each minute of the days that it is fitted to it is
    known what a start would have come to, and what waiting, going on and stopping would, by the rule as it is. Where
    one is better on average, that is the answer from then on; so it goes round and round, and the best is kept.
    """

    def __init__(self, surplus: Floats) -> None:
        now = surplus[:, ::PER_MINUTE]
        self.used = np.clip(surplus, 0.0, 1.0).reshape(len(surplus), -1, PER_MINUTE).mean(axis=2)
        late, keeps = np.empty_like(now), np.exp(-60.0 / LATE_S)
        late[:, 0] = now[:, 0]
        for minute in range(1, late.shape[1]):
            late[:, minute] = keeps * late[:, minute - 1] + (1.0 - keeps) * now[:, minute]
        self.minutes = now.shape[1]
        part = np.arange(self.minutes) * PARTS // self.minutes
        here = np.digitize(now, NOW_EDGES) * (len(LATE_EDGES) + 1) + np.digitize(late, LATE_EDGES)
        self.state = here * PARTS + part
        self.states = (len(NOW_EDGES) + 1) * (len(LATE_EDGES) + 1) * PARTS
        self.first = np.array([*NOW_EDGES, 2.0])[np.arange(self.states) // PARTS // (len(LATE_EDGES) + 1)]

    def _returns(
        self, days: NDArray[np.int_], stop: NDArray[np.bool_], start: NDArray[np.bool_], share: float, times: Times
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Return what waiting, starting, going on and stopping come to from each minute on, by the rule thereafter."""
        on_min, off_min = times.min_on, times.min_off
        gain, state = self.used[days] - share, self.state[days]
        sums = np.concatenate([np.zeros((len(days), 1)), np.cumsum(gain, axis=1)], axis=1)
        free, run = (np.zeros((len(days), self.minutes + 1)) for _ in range(2))
        four = tuple(np.zeros((len(days), self.minutes)) for _ in range(4))
        for minute in range(self.minutes - 1, -1, -1):
            until, again = min(minute + on_min, self.minutes), min(minute + off_min, self.minutes)
            waits, begins = free[:, minute + 1], sums[:, until] - sums[:, minute] + run[:, until]
            goes_on, ends = gain[:, minute] + run[:, minute + 1], free[:, again]
            for of, value in zip(four, (waits, begins, goes_on, ends), strict=True):
                of[:, minute] = value
            free[:, minute] = np.where(start[state[:, minute]], begins, waits)
            run[:, minute] = np.where(stop[state[:, minute]], ends, goes_on)
        return four

    def worth(
        self, days: NDArray[np.int_], stop: NDArray[np.bool_], start: NDArray[np.bool_], share: float, times: Times
    ) -> Floats:
        """Return what each of these days is worth, in draw-hours as elsewhere."""
        waits, begins, _, _ = self._returns(days, stop, start, share, times)
        return np.where(start[self.state[days, 0]], begins[:, 0], waits[:, 0]) / 60.0

    def fit(
        self, days: NDArray[np.int_], share: float, times: Times
    ) -> tuple[float, NDArray[np.bool_], NDArray[np.bool_]]:
        """Return what these days are worth by the best rule that was found for them, and its answers."""
        stop, start = self.first < share, self.first > share
        best = (-np.inf, stop, start)
        for _ in range(ROUNDS):
            value = float(self.worth(days, stop, start, share, times).sum())
            if value > best[0]:
                best = (value, stop, start)
            sums = [
                np.bincount(self.state[days].ravel(), of.ravel(), self.states)
                for of in self._returns(days, stop, start, share, times)
            ]
            start, stop = sums[1] > sums[0], sums[3] > sums[2]
        return best

    def judged(self, share: float, minimums: tuple[int, int]) -> tuple[Floats, Floats]:
        """Return what each day is worth by the rule for all days, and by that for the other half of them."""
        times, every = Times(*minimums), np.arange(len(self.used))
        _, stop, start = self.fit(every, share, times)
        seen, not_seen = self.worth(every, stop, start, share, times), np.empty(len(every))
        for odd in (0, 1):
            mine = every % 2 == odd
            _, stop, start = self.fit(every[~mine], share, times)
            not_seen[mine] = self.worth(every[mine], stop, start, share, times)
        return seen, not_seen


class Row(NamedTuple):
    """Of a house, a tariff and a pair of minimum times, by days."""

    auto: Floats
    tuned: Floats
    best: Floats
    ahead: dict[float, Floats]
    fitted: tuple[Floats, Floats] | None = None


def rows(house: House, surplus: Floats, scales: list[float], whole: bool, fitted: bool = False) -> list[Row]:
    """Play a house; ``whole``: with the best two thresholds and the best possible, too, which takes a while."""
    by_days = Fitted(surplus) if fitted else None
    usual = {name: getattr(ahead, name) for name in CONSTANTS}
    looking: dict[tuple[float, tuple[int, int], float], Floats] = {}
    shares = [break_even(house.draw_w, prices).surplus_w / house.draw_w for prices in TARIFFS]
    for scale in scales:
        for name, value in usual.items():
            setattr(ahead, name, value * scale)
        compiled.cache_clear()  # constants are compiled in
        for minimums in MINIMUMS_MIN:
            for share in shares:
                looking[scale, minimums, share] = worth(play_ahead(surplus, share, minimums), share)
    for name, value in usual.items():
        setattr(ahead, name, value)
    compiled.cache_clear()
    found = []
    odd, none = np.arange(len(surplus)) % 2 == 1, np.zeros(len(surplus))
    for minimums in MINIMUMS_MIN:
        times = times_of(minimums)
        plays = np.array([play_fixed(surplus, start, stop, times) for start, stop in GRID]) if whole else none
        for prices, share in zip(TARIFFS, shares, strict=True):
            start_w, stop_w = thresholds(house.draw_w, prices, 60.0 * minimums[0], 60.0 * minimums[1])
            auto = worth(play_fixed(surplus, start_w / house.draw_w, 1.0 - stop_w / house.draw_w, times), share)
            tuned, best = none.copy(), none
            if whole:
                values = worth(plays, share)
                for half in (odd, ~odd):
                    tuned[half] = values[values[:, ~half].sum(axis=1).argmax()][half]
                best = best_possible(surplus, share, times) * STEP_S / 3600.0
            halves = by_days.judged(share, minimums) if by_days else None
            found.append(Row(auto, tuned, best, {scale: looking[scale, minimums, share] for scale in scales}, halves))
    return found


def restless(suns: list[Floats]) -> tuple[float, float]:
    """Return the large changes in an hour of light, and for how many minutes it stays on one side, in the middle."""
    changes = hours = 0.0
    lengths: list[float] = []
    for sun in suns:
        minutes = sun[::6]
        light = minutes > 0.1
        changes += float((np.abs(np.diff(minutes)) > 0.25).sum())
        hours += light.sum() / 60.0
        side = minutes[light] > 0.5 * minutes.max()
        turns = np.flatnonzero(np.diff(side.astype(int)))
        lengths += list(np.diff(turns))
    return changes / max(hours, 1e-9), float(np.median(lengths)) if lengths else float("nan")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scales", type=float, nargs="*", default=[0.67, 1.0, 1.5, 2.0])
    parser.add_argument("--fitted", action="store_true", help="with a rule that is fitted to the very days")
    parser.add_argument("--houses", default=",".join(one.name for one in (*HOUSES, *OTHERS)))
    parser.add_argument("--quick", action="store_true", help="without the best possible")
    options = parser.parse_args()
    month, single = made._payerne(), single_days()
    fitted = [made._made_day(FITTING, index) for index in range(FITTING.made)]
    for name, suns in (
        ("month", [sun for _, sun in month]),
        ("days", [sun for _, sun in single]),
        *((f"made, {sky}", [sun for of, _, sun in fitted if of == sky]) for sky in ("clear", "broken", "overcast")),
    ):
        changes, lasts = restless(suns)
        print(f"{name:15}{len(suns):4} days, {changes:5.1f} changes an hour, {lasts:4.0f} min on one side")
    kinds: dict[str, list[list[Row]]] = {"month": [], "days": [], "made": []}
    for house in (*HOUSES, *OTHERS):
        if house.name not in options.houses.split(","):
            continue
        by_days = options.fitted and not options.quick
        kinds["month"].append(rows(house, under(house, month), options.scales, not options.quick, by_days))
        kinds["days"].append(rows(house, under(house, single, LARGER), options.scales, False))
        if house in HOUSES:
            mine = np.array([day.surplus_w for day in days(source=FITTING) if day.house == house]) / house.draw_w
            kinds["made"].append(rows(house, mine, options.scales, False))
        print(f"{house.name} played", flush=True)
    for kind, by_house in kinds.items():
        for scale in options.scales:
            more = [
                [row.ahead[scale].sum() / row.auto.sum() - 1.0 for row in of if row.auto.sum() > 0.0] for of in by_house
            ]
            each = " ".join(f"{np.mean(of):+7.2%}" for of in more)
            worst = min(min(of) for of in more)
            print(f"{kind:6} x {scale:4.2f} above auto {np.mean([np.mean(of) for of in more]):+.2%}", end=" ")
            print(f"(by house {each}), worst row {worst:+.2%}")
    if options.quick:
        return
    cases = [row for of in kinds["month"] for row in of]

    def judged(name: str, values: list[float]) -> None:
        best = np.array([row.best.sum() for row in cases])
        tuned = np.array([row.tuned.sum() for row in cases])
        auto = np.array([row.auto.sum() for row in cases])
        closed = (np.array(values) - tuned) / (best - tuned)
        print(
            f"month {name:9} {np.mean(np.array(values) / best):.3f} of the best possible, closed {closed.mean():+.3f}, "
            f"at least {closed.min():+.2f}; {(closed >= 0.0).sum()} of {len(cases)} rows at least tuned; "
            f"to auto {np.min((np.array(values) - auto) / best):+.4f} at the worst"
        )

    judged("auto", [float(row.auto.sum()) for row in cases])
    for scale in options.scales:
        judged(f"x {scale:.2f}", [float(row.ahead[scale].sum()) for row in cases])
    judged("bound", [max(float(values.sum()) for values in row.ahead.values()) for row in cases])
    for number, name in enumerate(("seen", "not seen") if options.fitted else ()):
        judged(name, [float(row.fitted[number].sum()) for row in cases if row.fitted])
    judged("a day", [float(np.maximum(row.ahead[1.0], row.auto).sum()) for row in cases if 1.0 in row.ahead])


if __name__ == "__main__":
    main()
