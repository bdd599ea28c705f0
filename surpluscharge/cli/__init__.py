"""The commands, and nothing else: a module for each group of them, imported when one of its commands is asked for.

So the daemon, which runs for years on a small computer, carries nothing that only a report or a replay needs: 3 MiB
beside its 48.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sqlite3
import sys
from collections.abc import Callable, Container
from typing import NamedTuple

from surpluscharge import __version__
from surpluscharge.cli.common import CAUTION, CannotError
from surpluscharge.config import ConfigError
from surpluscharge.history.ledger import LedgerError
from surpluscharge.words import printable


class Verb(NamedTuple):
    group: str  # the module that has it; its function add_NAME says which options it takes, and what carries it out
    about: str
    config: bool = True  # whether it needs a configuration


COMMANDS = {
    "run": Verb("running", "Run the daemon until it is told to stop."),
    "check": Verb("running", "Check a configuration, and show every setting with its source."),
    "examine": Verb("examining", "Look over broker, rights, clock, disk, unit and ledger; nothing is switched."),
    "commission": Verb("commission", "See, with you at the plug, that meter, relay and lead are as configured."),
    "status": Verb("talking", "Show what the daemon does, why, and what it waits for (exit status 1: gone)."),
    "watch": Verb("showing", "Watch chargers, and tell them, by MQTT, from any machine.", config=False),
    "enable": Verb("talking", "Let it charge, as a dashboard's switch does, and show what it does then."),
    "disable": Verb("talking", "End a charge at once, and charge no more until it is enabled again."),
    "off": Verb("talking", "Tell the relay to switch off, once, and return."),
    "ack": Verb("talking", "Acknowledge latched faults, after somebody has looked at the cause."),
    "looked": Verb("talking", "Say that you have looked at pins and socket, and what you saw."),
    "charge": Verb("talking", "Ask for a charge now, or by a time, whatever the sun does."),
    "away": Verb("talking", "Say when nobody is there: what is needed by the configuration then is not."),
    "advise": Verb("planning", "Say from which surplus on charging pays, at the configured prices."),
    "replay": Verb("planning", "Show what recorded readings would have given, beside the best possible."),
    "tune": Verb("planning", "Search the thresholds and delays that would have done best, and judge the gain."),
    "history": Verb("records", "Check the ledger, and say how to mend it."),
    "export": Verb("records", "Write what is on record to standard output, or to a file."),
    "import": Verb("records", "Take older readings from a CSV file into the ledger: all of it, or nothing."),
    "changed": Verb("changes", "Say that meter, plug, lead or house is another one, so that nothing is mixed."),
    "registers": Verb("registers", "Make a statement of a month from what energy registers showed. Not for billing."),
    "report": Verb("records", "Say what a day, a month or any days came to: energy, money, surplus caught."),
    "schema": Verb("showing", "Print the JSON Schema of the status document.", config=False),
    "demo": Verb("showing", "Watch the daemon run a simulated house, its numbers invented.", config=False),
}


def main(arguments: list[str] | None = None) -> int:
    """Run one command. Returns the exit status: 0 done, 1 it could not be done, 2 wrongly called."""
    arguments = sys.argv[1:] if arguments is None else arguments
    asked = next((argument for argument in arguments if not argument.startswith("-")), "")
    options = parser({asked}).parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except (ConfigError, LedgerError, CannotError) as error:
        print(printable(str(error), lines=True), file=sys.stderr)
        return 1
    except sqlite3.Error as error:
        print(f"the ledger cannot be used: {error}. Is the disk full, or the file somebody else's?", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # whoever read our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


def parser(asked: Container[str] = COMMANDS.keys()) -> argparse.ArgumentParser:
    """Return a parser that knows all commands by name, and the options of those that are asked for."""
    whole = argparse.ArgumentParser(
        prog="surpluscharge",
        description="Charges an electric car from solar surplus through a switched, fixed-rate charge lead.",
        epilog=CAUTION,
    )
    whole.add_argument("--version", action="version", version=f"surpluscharge {__version__}")
    commands = whole.add_subparsers(required=True, metavar="COMMAND")
    for name, (group, about, config) in COMMANDS.items():
        sub = commands.add_parser(name, help=about, description=about)
        if config:
            sub.add_argument("--config", required=True, metavar="FILE", help="the configuration, a TOML file")
        if name in asked:
            getattr(importlib.import_module(f"surpluscharge.cli.{group}"), f"add_{name}")(sub)
    return whole
