"""The configuration: one TOML file, read into models whose every name carries its unit.

:func:`load` either returns a :class:`Config` that the daemon can run with, or raises :class:`ConfigError` with *all*
that is wrong, each problem naming the file, the key, the value and the remedy. What others need is named here; the
rooms below are the configuration's own affair.
"""

from surpluscharge.config.checks import VOLTAGE_TOLERANCE, together, warnings
from surpluscharge.config.effective import Config
from surpluscharge.config.files import read_bounded
from surpluscharge.config.models import Section, address_of
from surpluscharge.config.reading import ConfigError, for_broker, load, load_for_off, load_offline, parse

__all__ = [
    "VOLTAGE_TOLERANCE",
    "Config",
    "ConfigError",
    "Section",
    "address_of",
    "for_broker",
    "load",
    "load_for_off",
    "load_offline",
    "parse",
    "read_bounded",
    "together",
    "warnings",
]
