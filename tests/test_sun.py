"""Where the sun stands, against references from outside.

- The worked example of I. Reda and A. Andreas, Solar Position Algorithm for Solar Radiation Applications (NREL
  TP-560-34302, appendix A.5; from memory): at 39.742476 N, 105.1786 W, on 17 October 2003 at 12:30:30, UTC-7, the
  topocentric elevation without refraction is 39.872 degrees.
- The others: the same algorithm as pvlib 0.11.0 has it (``get_solarposition``, ``elevation``: without refraction).
  ``python -m tests.bench.hidden_sun --sun`` compares it with pvlib itself over forty years and all latitudes where
  people live: 0.012 degrees at the most.

Ours leaves out parallax (0.002 degrees) and is of low precision: 0.02 degrees are allowed.
"""

from __future__ import annotations

import math
from datetime import datetime

import pytest

from surpluscharge.control.sun import height

PLACES = [
    (39.742476, -105.1786, "2003-10-17T12:30:30-07:00", 39.872),
    (47.0, 9.0, "2031-06-21T11:25:00+00:00", 66.4321),
    (47.0, 9.0, "2031-12-21T08:00:00+00:00", 6.1682),
    (60.2, 24.9, "2027-03-20T16:30:00+00:00", -0.3226),
    (-33.9, 151.2, "2029-01-05T02:00:00+00:00", 78.69),
    (0.0, 0.0, "2030-09-23T06:00:00+00:00", 1.8913),
    (52.5, 13.4, "2026-11-01T15:45:00+00:00", -1.9957),
]


@pytest.mark.parametrize(("latitude", "longitude", "when", "degrees"), PLACES)
def test_the_sun_stands_where_others_have_it(latitude: float, longitude: float, when: str, degrees: float) -> None:
    found = math.degrees(math.asin(height(datetime.fromisoformat(when).timestamp(), latitude, longitude)))
    assert found == pytest.approx(degrees, abs=0.02)
