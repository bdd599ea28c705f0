"""Days to judge decisions on: the surplus of three invented houses under made and measured skies, every ten seconds.

Needs the ``bench`` extra. Everything is made from seeds, the same every time; the first call takes a minute or two, and
its result is kept in the system's directory for temporary files.

Sources, all from PyPI:

- demand: richardsonpy, an implementation of the one-minute domestic electricity model of Richardson et al. (2010), for
  one, two and four people (kettle, oven, washing machine and the rest come from its appliance table);
- clear skies and sun position: pvlib (Ineichen and Perez); on a roof tilted by 30 degrees, facing south;
- clouds over the made days: a stochastic process of our own, described at :func:`_clouds`;
- a measured month of one-minute irradiance, BSRN station Payerne, June 2016: among the data of pvlib 0.11;
- two measured days of one-minute AC power, 18 and 19 March 2022 at Golden, Colorado: among the data of pvanalytics.

Left out of all of it: the nights, because nothing would run then.
"""

from __future__ import annotations

import hashlib
import random
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pvanalytics
import pvlib
from numpy.typing import NDArray
from pvlib.iotools import read_bsrn
from pvlib.irradiance import get_total_irradiance
from pvlib.location import Location
from richardsonpy.classes.electric_load import ElectricLoad
from richardsonpy.classes.occupancy import Occupancy
from richardsonpy.functions.change_resolution import change_resolution
from richardsonpy.functions.load_radiation import get_rad_from_try_path

Floats = NDArray[np.float64]

STEP_S = 10.0
BEGINS_H, ENDS_H = 5, 21  # local standard time
MINUTES = (ENDS_H - BEGINS_H) * 60
READINGS = MINUTES * 6

SEED = 20_310
MADE_DAYS = 72
SKIES = ("clear", "broken", "overcast", "measured")


class House(NamedTuple):
    name: str
    people: int
    peak_w: float  # of the panels, under 1 kW/m2
    draw_w: float  # of the lead


HOUSES = (House("one", 1, 3600.0, 1380.0), House("two", 2, 5200.0, 2300.0), House("four", 4, 8000.0, 2300.0))


class Day(NamedTuple):
    house: House
    sky: str
    number: int  # odd or even: which half of the days it belongs to
    surplus_w: Floats  # (READINGS,), what would be exported if the charger were off; below zero: imported


class Source(NamedTuple):
    """What days are made from."""

    seed: int
    made: int
    measured: bool


JUDGING = Source(SEED, MADE_DAYS, True)
FITTING = Source(777_000, 120, False)  # for whatever is fitted, so that it is judged on days it has never seen


def days(skies: tuple[str, ...] = SKIES, source: Source = JUDGING) -> list[Day]:
    """Return all days under these skies, house by house."""
    arrays = _cached(source)
    return [
        Day(house, str(sky), int(number), surplus_w)
        for house in HOUSES
        for sky, number, surplus_w in zip(arrays["sky"], arrays["number"], arrays[house.name], strict=True)
        if sky in skies
    ]


def _cached(source: Source) -> dict[str, Any]:
    key = hashlib.sha256(Path(__file__).read_bytes() + repr(source).encode()).hexdigest()[:16]
    path = Path(tempfile.gettempdir()) / f"surpluscharge-bench-houses-{key}.npz"
    if not path.exists():
        arrays = _make(source)
        part = path.with_suffix(".part.npz")
        np.savez_compressed(part, allow_pickle=False, **arrays)
        part.replace(path)
    with np.load(path) as kept:
        return dict(kept)


def _make(source: Source) -> dict[str, Any]:
    made = [_made_day(source, index) for index in range(source.made)]
    measured = [*_payerne(), *_golden()] if source.measured else []
    suns = [(sky, index, day_of_year, sun) for index, (sky, day_of_year, sun) in enumerate(made)]
    suns += [("measured", index, day_of_year, sun) for index, (day_of_year, sun) in enumerate(measured)]
    arrays: dict[str, Any] = {
        "sky": np.array([sky for sky, _, _, _ in suns]),
        "number": np.array([number for _, number, _, _ in suns]),
    }
    for house in HOUSES:
        demand_w = _demand_w(source.seed, house.people)
        rng = np.random.default_rng([source.seed, house.people])
        arrays[house.name] = np.array(
            [
                # The inverter is sized a tenth below the panels; 0.85 for heat, dirt, wiring and conversion.
                np.minimum(0.85 * sun, 0.9) * house.peak_w - demand_w[day_of_year] + rng.normal(0.0, 6.0, READINGS)
                for _, _, day_of_year, sun in suns
            ]
        )
    return arrays


def _demand_w(seed: int, people: int) -> Floats:
    """Return a year of demand, shape (365, READINGS), in watts: one-minute values, held."""
    random.seed(seed + people)  # the model draws from both of the global generators
    np.random.seed(seed + people)
    direct, diffuse = (change_resolution(hourly, 3600, 60) for hourly in get_rad_from_try_path())
    load = ElectricLoad(Occupancy(people).occupancy, people, direct, diffuse, timestep=60).loadcurve
    by_day = np.asarray(load, dtype=np.float64).reshape(365, 1440)[:, BEGINS_H * 60 : ENDS_H * 60]
    return np.repeat(by_day, 6, axis=1)


def _times(date: str, zone: str) -> Any:

    return pd.date_range(f"{date} {BEGINS_H:02}:00", periods=MINUTES, freq="1min", tz=zone)


def _on_roof(position: Any, dni: Floats, ghi: Floats, dhi: Floats) -> Floats:
    """Return the irradiance on the tilted roof in kW/m2."""
    total = get_total_irradiance(30.0, 180.0, position.apparent_zenith, position.azimuth, dni, ghi, dhi)
    return np.nan_to_num(np.asarray(total.poa_global, dtype=np.float64)) / 1000.0


def _fine(minutes: Floats) -> Floats:
    """Return one-minute values as ten-second ones, on straight lines between them."""
    return np.interp(np.arange(READINGS) / 6.0, np.arange(MINUTES), minutes)


def _made_day(source: Source, index: int) -> tuple[str, int, Floats]:
    """Return sky, day of the year and kW/m2 on the roof, of one day between March and September."""
    sky = SKIES[index % 3]
    date = pd.Timestamp("2031-03-01") + pd.Timedelta(days=int(index * 204 / source.made))
    times = _times(f"{date:%Y-%m-%d}", "Etc/GMT-1")
    place = Location(50.0, 10.0, "Etc/GMT-1", 250)
    clear = place.get_clearsky(times)
    sun = _fine(_on_roof(place.get_solarposition(times), clear.dni, clear.ghi, clear.dhi))
    return sky, int(date.day_of_year) - 1, sun * _clouds(sky, np.random.default_rng([source.seed, index]))


def _clouds(sky: str, rng: np.random.Generator) -> Floats:
    """Return what the clouds leave of the clear sky's light, every ten seconds.

    Gaps and clouds take turns. Lengths are log-normal: many of a minute, some of half an hour, as clouds are. The share
    of the sky that is covered wanders over hours. Under a cloud a quarter to a half of the light is left; beside one
    there is up to a tenth more than without any. A field of panels is not a point: edges take about half a minute.
    """
    covered, cloud_s, gap_s, depth = {
        "clear": (0.04, 60.0, 1500.0, 0.55),
        "broken": (0.5, 240.0, 240.0, 0.35),
        "overcast": (0.85, 1200.0, 90.0, 0.32),
    }[sky]
    cover = 1.0 / (1.0 + np.exp(-(np.log(covered / (1.0 - covered)) + _wander(rng, 5400.0, 1.0))))
    left = np.empty(READINGS)
    at, under = 0, bool(rng.random() < covered)
    while at < READINGS:
        # The mean lengths give the usual share of cover; where the sky is fuller now, clouds are longer, gaps shorter.
        lean = (cover[at] / (1.0 - cover[at])) / (covered / (1.0 - covered))
        mean_s = cloud_s * np.sqrt(lean) if under else gap_s / np.sqrt(lean)
        length = max(1, round(mean_s * rng.lognormal(-0.5, 1.0) / STEP_S))
        level = min(0.9, depth * rng.lognormal(0.0, 0.25)) if under else 1.0 + 0.1 * rng.random() * (sky == "broken")
        left[at : at + length] = level
        at, under = at + length, not under
    # Thickness wanders under a closed sky, a little haze under an open one.
    left *= np.exp(_wander(rng, 900.0, 0.3) * (left < 0.95) + _wander(rng, 3600.0, 0.02))
    edge = np.exp(-np.arange(12) * STEP_S / rng.uniform(15.0, 40.0))
    return np.convolve(np.pad(left, (len(edge) - 1, 0), mode="edge"), edge / edge.sum(), mode="valid")


def _wander(rng: np.random.Generator, over_s: float, deviation: float) -> Floats:
    """Return a stationary Gaussian process with this deviation that forgets itself over ``over_s`` seconds."""
    keep = np.exp(-STEP_S / over_s)
    shocks = rng.normal(0.0, deviation * np.sqrt(1.0 - keep * keep), READINGS)
    out = np.empty(READINGS)
    value = rng.normal(0.0, deviation)
    for index, shock in enumerate(shocks):
        value = keep * value + shock
        out[index] = value
    return out


def _payerne() -> list[tuple[int, Floats]]:
    """Return day of the year and kW/m2 on the roof of each day of the measured month."""
    month, _ = read_bsrn(str(Path(pvlib.__file__).parent / "data" / "bsrn-pay0616.dat.gz"))
    month = month[["ghi", "dni", "dhi"]].tz_convert("Etc/GMT-1").interpolate(limit_direction="both").clip(lower=0.0)
    place = Location(46.815, 6.944, "Etc/GMT-1", 491)
    found = []
    for day in range(1, 31):
        times = _times(f"2016-06-{day:02}", "Etc/GMT-1")
        here = month.reindex(times)
        sun = _on_roof(place.get_solarposition(times), here.dni, here.ghi, here.dhi)
        found.append((int(times[0].day_of_year) - 1, _fine(sun)))
    return found


def _golden() -> list[tuple[int, Floats]]:
    """Return day of the year and power of the two measured days; taken as kW/m2 that gave it, at a peak of 5.2 kW."""
    path = Path(pvanalytics.__file__).parent / "data" / "serf_east_1min_ac_power.csv"
    power_w = pd.read_csv(path, index_col=0, parse_dates=True).iloc[:, 0].clip(lower=0.0)
    found = []
    for date in ("2022-03-18", "2022-03-19"):
        times = _times(date, "Etc/GMT+7")
        values = power_w.tz_convert("Etc/GMT+7").reindex(times).interpolate(limit_direction="both")
        found.append((int(times[0].day_of_year) - 1, _fine(values.to_numpy(dtype=np.float64)) / (0.85 * 5200.0)))
    return found


if __name__ == "__main__":
    for house in HOUSES:
        for sky in SKIES:
            these = np.array([day.surplus_w for day in days((sky,)) if day.house == house])
            over = (these > house.draw_w).mean() * (ENDS_H - BEGINS_H)
            kwh = np.clip(these, 0.0, house.draw_w).sum(axis=1).mean() * STEP_S / 3.6e6
            flick = (np.abs(np.diff(these[:, ::6], axis=1)) > 0.3 * house.draw_w).sum(axis=1).mean()
            print(
                f"{house.name:5} {sky:9} {len(these):3} days, a day: {over:5.2f} h above the draw of "
                f"{house.draw_w:.0f} W, {kwh:5.2f} kWh usable, {flick:5.1f} steps of 0.3 draw within a minute"
            )
