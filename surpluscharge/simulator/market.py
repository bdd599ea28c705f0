"""Prices that move, invented: what a kWh costs in each half hour of a day, known at midday of the day before.

Dear when people come home, cheap in the small hours and around a sunny noon, sometimes below nought; a little different
each day. Pure: the same seed and day always give the same prices.
"""

from __future__ import annotations

import math
from datetime import date, datetime, time, timedelta, tzinfo
from random import Random
from typing import Any

PUBLISHED_AT_S = 13 * 3600.0  # of the day before
SLOTS, SLOT_MINUTES = 48, 30
USUAL = 0.24  # per kWh
# Hour of the day, by how much dearer a kWh is then, and for how many hours around it.
SWINGS = ((7.5, 0.07, 1.2), (13.0, -0.07, 1.8), (19.0, 0.19, 1.6), (2.5, -0.13, 1.3), (4.5, -0.12, 0.8))


def prices(seed: int, day: int) -> list[float]:
    """Return what a kWh costs in each half hour of a day."""
    chance = Random(f"prices {seed} {day}")
    level = chance.uniform(-0.02, 0.02)
    glut = chance.uniform(2.5, 4.5), chance.uniform(0.05, 0.17)  # wind that nobody needs at night
    found = []
    for number in range(SLOTS):
        hour = (number + 0.5) / 2
        price = USUAL + level + chance.gauss(0.0, 0.01)
        for middle, swing, width in (*SWINGS, (glut[0], -glut[1], 0.5)):
            apart = min(abs(hour - middle), 24.0 - abs(hour - middle))
            price += swing * math.exp(-((apart / width) ** 2))
        found.append(round(price, 4))
    return found


def slots(seed: int, first: date, day: int, zone: tzinfo | None) -> list[dict[str, Any]]:
    """Return a day's prices as they are published: dated slots. ``day``: so many days after the first."""
    midnight = datetime.combine(first + timedelta(days=day), time(), zone)
    return [
        {
            "start": (midnight + timedelta(minutes=SLOT_MINUTES * number)).isoformat(),
            "minutes": SLOT_MINUTES,
            "price": price,
        }
        for number, price in enumerate(prices(seed, day))
    ]


def known_days(t_s: float) -> int:
    """Return how many days from the first on have been published at a time, in seconds since the first midnight."""
    day, second = divmod(t_s, 86_400.0)
    return int(day) + (2 if second >= PUBLISHED_AT_S else 1)


def next_publication_s(t_s: float) -> float:
    """Return when prices are next published."""
    day, second = divmod(t_s, 86_400.0)
    return (day + (second >= PUBLISHED_AT_S)) * 86_400.0 + PUBLISHED_AT_S
