"""Where the sun stands, by place and time: so much as it takes to know day from night, and a low sun from a high one.

The formulae of low precision of the Astronomical Almanac (its section "Sun"; from memory), good to a hundredth of a
degree between 1950 and 2050, with the sidereal time of J. Meeus, Astronomical Algorithms (2nd ed., 12.4; from memory).
Without refraction. tests/test_sun.py holds them against a reference from outside.
"""

from __future__ import annotations

import math

NOON_2000_S = 946_728_000.0  # 1 January 2000, 12:00 UTC, in seconds since 1970


def height(utc_s: float, latitude_deg: float, longitude_deg: float) -> float:
    """Return the sine of the sun's elevation, -1 to 1; ``utc_s`` is in seconds since 1970, east and north positive.

    The sine is what counts for light: under a clear sky a level roof gets nearly in proportion to it.
    """
    days = (utc_s - NOON_2000_S) / 86_400.0
    anomaly = math.radians(357.528 + 0.985_600_3 * days)
    ecliptic = math.radians(280.460 + 0.985_647_4 * days + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2.0 * anomaly))
    tilt = math.radians(23.439 - 0.000_000_4 * days)
    ascension = math.atan2(math.cos(tilt) * math.sin(ecliptic), math.cos(ecliptic))
    declination = math.asin(math.sin(tilt) * math.sin(ecliptic))
    hour_angle = math.radians(280.460_618 + 360.985_647_366 * days + longitude_deg) - ascension
    latitude = math.radians(latitude_deg)
    level = math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    return math.sin(latitude) * math.sin(declination) + level
