"""Speed, memory and sameness of replay, hindsight and tuning: `python -m tests.bench.planning`.

An invented year of readings, one every ten seconds. Each stage runs in a process of its own, so that its peak memory
is its own; compiling is told apart. `--gigabytes 2` also writes and reads a CSV file of that size.

Measured once, CPU time of hindsight for the year, compiled, on one busy core: 0.5 s without a cap (what each day alone
could bring included), 0.7 s with 16 starts a day, 9 s under a cap of six hours, 25 to 27 s with both, where each try at
the fee for starts works through a table again. Compiling takes 3 s without a cap, 4 s more with.
"""

from __future__ import annotations

import argparse
import multiprocessing
import multiprocessing.connection
import random
import resource
import tempfile
import time
from array import array
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np

from surpluscharge.control.machine import Params, wants_on
from surpluscharge.history.readings import Readings
from surpluscharge.planning import comparing, compiling, hindsight, replay, tune
from surpluscharge.planning.comparing import Study
from surpluscharge.planning.replay import Days, Series, series
from tests.conftest import config_from
from tests.test_replay import BEGIN_S, DRAW_W, every_call, random_params, random_series

YEAR = 365 * 8640
MONEY = {
    "currency": "EUR",
    "tariff": [
        {
            "import_price": 0.27,
            "export_price": 0.05,
            "alternative_price": 0.15,
            "window": [{"days": "weekends", "begins": "11:00", "ends": "15:00", "import_price": 0.19}],
        }
    ],
}


def year(count: int = YEAR) -> Series:
    """Return invented readings: a sun with seasons, clouds of minutes on changeable days, kettles and a base load."""
    chance = np.random.default_rng(1)
    at_s = 1924992000.0 + 10.0 * np.arange(count)  # from 1 January 2031
    day = at_s / 86400.0
    noon_w = 2600.0 - 1300.0 * np.cos(2 * np.pi * (day - day[0] + 10) / 365.0)
    sun_w = np.maximum(0.0, np.sin((day % 1.0 - 0.25) * 2 * np.pi)) * noon_w
    changeable = chance.random(count // 8640 + 1).repeat(8640)[:count] < 0.6
    cloud = np.where(chance.random(count // 30 + 1) < 0.5, 0.3, 1.0).repeat(30)[:count]
    load_w = 280.0 + chance.normal(0, 50, count) + 1900.0 * (chance.random(count // 12 + 1) < 0.02).repeat(12)[:count]
    surplus_w = sun_w * np.where(changeable, cloud, 1.0) - load_w
    return series(array("d", at_s.tobytes()), array("d", surplus_w.tobytes()), 30.0)


def study(count: int = YEAR, **control: object) -> Study:
    return comparing.study(config_from(control=control, money=MONEY, site={"time_zone": "Europe/Lisbon"}), year(count))


def timed(work: Callable[[], object], times: int = 3) -> tuple[float, float]:
    """Return the CPU seconds of the first call, and the best of the others."""
    took = []
    for _ in range(times + 1):
        began_s = time.process_time()
        work()
        took.append(time.process_time() - began_s)
    return took[0], min(took[1:])


def compiled_replay() -> str:
    case = study()
    moves = replay.moves(case.params, case.readings, case.days, case.draw_w)
    _, best_s = timed(lambda: replay.moves(case.params, case.readings, case.days, case.draw_w))
    starts = sum(wants_on(move.mode) and not wants_on(before.mode) for before, move in pairwise(moves))
    return f"{best_s:.3f} s for {YEAR} readings ({YEAR / best_s / 1e6:.0f} M/s), {starts} starts, {len(moves)} moves"


def interpreted_replay() -> str:
    case = study()
    compiling.available = lambda: False  # type: ignore[method-assign, assignment]
    began_s = time.perf_counter()
    replay.moves(case.params, case.readings, case.days, case.draw_w)
    took_s = time.perf_counter() - began_s
    return f"{took_s:.2f} s for {YEAR} readings ({YEAR / took_s / 1e6:.2f} M/s), one core"


def year_of_auto() -> str:
    case = study(start_export_w="auto", stop_import_w="auto")
    thresholds = comparing.configured(case)
    _, best_s = timed(lambda: replay.moves(case.params, case.readings, case.days, case.draw_w, *thresholds))
    return f"{best_s:.3f} s with thresholds for each reading ({len(set(thresholds.start_w))} pairs)"


def year_of_hindsight() -> str:
    """Without and with the day's cap, without and with 16 starts a day."""
    case = study()
    params, readings, gain = case.params, case.readings, case.sums.gain
    told = []
    for what, cap_s, starts in (
        ("no cap", float("inf"), None),
        ("16 starts a day", float("inf"), 16),
        ("the day's cap", params.time_cap_s, None),
        ("both", params.time_cap_s, 16),
    ):
        find = partial(
            hindsight.best_within, readings, gain, params.min_on_s, params.min_off_s, case.days, cap_s, starts
        )
        first_s, best_s = timed(find, 1)
        found = find()
        told.append(
            f"{what} {best_s:.2f} s (first call {first_s:.1f} s), {found.gain:.3f} of at most {found.at_most:.3f}"
        )
    return f"CPU time, {'; '.join(told)}"


def year_of_tuning() -> str:
    case = study()
    tune.tune(comparing.study(case.config, year(8640 * 3)), "value")  # compiles
    began_s = time.perf_counter()
    found = tune.tune(case, "value")
    took_s = time.perf_counter() - began_s
    return (
        f"{took_s:.1f} s for {len(found.rules)} candidates, without compiling "
        f"({len(found.rules) * YEAR / took_s / 1e6:.0f} M readings/s); "
        f"{'recommended' if found.recommended else 'not recommended'}: {found.rules[found.best].settings}"
    )


def sameness() -> str:
    """A million random readings: compiled, interpreted, and the long way with no call left out."""
    chance = random.Random(11)
    interpreted = lambda: False  # noqa: E731
    installed, readings, moves, long_way_s, off_s = compiling.available, 0, 0, 0.0, 0.0
    for block in range(10):
        case = random_series(chance, 100_000)
        params: Params = random_params(chance)
        days = Days(block, array("d", [BEGIN_S + 9_000.0 * i + 0.5 for i in range(1, 100)]))
        pair = array("d", [params.start_export_w]), array("d", [params.stop_import_w])
        fast = replay.moves(params, case, days, DRAW_W, *pair)
        compiling.available = interpreted  # type: ignore[method-assign, assignment]
        slow = replay.moves(params, case, days, DRAW_W, *pair)
        compiling.available = installed  # type: ignore[method-assign]
        assert fast == slow, f"block {block}: compiled and interpreted differ"
        began_s = time.perf_counter()
        every = every_call(params, case, days, *pair)
        long_way_s += time.perf_counter() - began_s
        assert [move[1:] for move in every] == [move[1:] for move in fast], f"block {block}: a call was missed"
        off_s = max([off_s, *(abs(one[0] - other[0]) for one, other in zip(every, fast, strict=True))])
        readings, moves = readings + len(case.at_s), moves + len(fast)
    return (
        f"{readings} random readings, {moves} moves: compiled and interpreted identical to the last bit; the long way, "
        f"no call left out ({long_way_s:.0f} s), decides the same, at times that differ by {off_s:.1e} s at most"
    )


def big_file(gigabytes: float) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path, now_s = Path(folder) / "big.csv", BEGIN_S
        with path.open("w", encoding="ascii") as file:
            file.write("time,grid_w\n")
            stamp, days, size = "DAY{:02}:{:02}:{:02}+00:00,{}.5\n", 0, 0
            day = "".join(stamp.format(i // 3600, i // 60 % 60, i % 60, i % 4000 - 2000) for i in range(86400))
            while size < gigabytes * 1e9:
                moment = datetime.fromtimestamp(BEGIN_S, UTC) + timedelta(days=days)
                size += file.write(day.replace("DAY", f"{moment:%Y-%m-%d}T"))
                days += 1
        began_s, reader = time.perf_counter(), Readings(path)
        for block in reader:
            now_s = block.at_s[-1]
        took_s = time.perf_counter() - began_s
        return (
            f"{size / 1e9:.2f} GB, {reader.counts.readings} readings to {now_s:.0f} in {took_s:.0f} s "
            f"({reader.counts.readings / took_s / 1e6:.2f} M/s)"
        )


def _stage(work: Callable[..., str], arguments: tuple[float, ...], pipe: multiprocessing.connection.Connection) -> None:
    text = work(*arguments)
    pipe.send(f"{text}; peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gigabytes", type=float, default=0.0, help="also read a CSV file of this size")
    options = parser.parse_args()
    stages: list[tuple[str, Callable[..., str], tuple[float, ...]]] = [
        ("replay, compiled", compiled_replay, ()),
        ("replay, interpreted", interpreted_replay, ()),
        ("replay, auto", year_of_auto, ()),
        ("hindsight", year_of_hindsight, ()),
        ("tuning", year_of_tuning, ()),
        ("sameness", sameness, ()),
    ]
    if options.gigabytes:
        stages.append(("CSV", big_file, (options.gigabytes,)))
    context = multiprocessing.get_context("spawn")
    for name, work, arguments in stages:
        receive, send = context.Pipe(duplex=False)
        process = context.Process(target=_stage, args=(work, arguments, send))
        process.start()
        send.close()
        try:
            print(f"{name + ':':<21}{receive.recv()}", flush=True)
        except EOFError:
            raise SystemExit(f"{name} failed") from None
        process.join()


if __name__ == "__main__":
    main()
