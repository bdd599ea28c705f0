"""The commands, and nothing else."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import importlib
import json
import os
import shlex
import shutil
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from datetime import date, datetime, timedelta, tzinfo
from pathlib import Path
from types import ModuleType
from typing import Any, TextIO

from aiomqtt import MqttError
from aiomqtt.exceptions import MqttConnectError

from surpluscharge import __version__
from surpluscharge.clock import SystemClock, zone
from surpluscharge.config import VOLTAGE_TOLERANCE, Config, ConfigError, Section, load, load_for_off, load_offline
from surpluscharge.config import warnings as config_warnings
from surpluscharge.control.supervisor import FAULT_BY_CODE, FAULTS
from surpluscharge.daemon import commission, logs, service, status, store
from surpluscharge.daemon.mqtt import Post, publish_once, read_once
from surpluscharge.daemon.relay import off_post
from surpluscharge.daemon.terminal import Terminal
from surpluscharge.history import energy, exchange, report
from surpluscharge.history.ledger import Ledger, LedgerError, Retention
from surpluscharge.history.readings import COLUMNS as COLUMN_MEANINGS
from surpluscharge.history.readings import Layout, ReadingsError
from surpluscharge.planning import advise, comparing, compiling, tune
from surpluscharge.planning import replay as replaying
from surpluscharge.words import counted, duration, printable, watts

OFF_WITHIN_S = 8.0
READ_WITHIN_S = 4.0
HEARTBEATS, SILENT_S = 3, 30.0  # so many missed, but no less than this, and the daemon has fallen silent
LOOKS, LOOK_EVERY_S = 10, 0.5  # until an acknowledgement shows
QUESTIONS = 5  # with a wrong answer to each, nobody is there
LONG_GAP_S = 600  # shorter ones are not worth a line
COLUMNS = "time, grid_w (or import_w and export_w)[, charger_w]; _kw for kilowatts"
READINGS = f'a CSV file with the columns {COLUMNS}; or "ledger": the daemon\'s own history'
CAUTION = (
    "caution: hours of current through a household socket can start a fire. Use a socket, plug, cable and relay that\n"
    "are rated for it continuously, behind a residual-current device of type A; a plug-in relay is an adapter\n"
    "itself, so let there be no other. Feel them after an hour, look at the pins after two weeks; where something is\n"
    "hot, switch the circuit off at the fuse board before you unplug. Follow local codes, and ask a licensed\n"
    "electrician. This is no certified safety device."
)


class _CannotError(Exception):
    """What was asked for cannot be done; the text says why, and what to do."""


def main(arguments: list[str] | None = None) -> int:
    """Run one command. Returns the exit status: 0 done, 1 it could not be done, 2 wrongly called."""
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except (ConfigError, LedgerError, ReadingsError, report.ReportError, _CannotError) as error:
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


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="surpluscharge",
        description="Charges an electric car from solar surplus through a switched, fixed-rate charge lead.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"surpluscharge {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def add(name: str, command: Callable[[argparse.Namespace], int], about: str, config: bool = True) -> Any:
        sub = commands.add_parser(name, help=about, description=about)
        sub.set_defaults(command=command)
        if config:
            sub.add_argument("--config", required=True, metavar="FILE", help="the configuration, a TOML file")
        return sub

    add("run", _run, "Run the daemon until it is told to stop.")
    check = add("check", _check, "Check a configuration, and show every setting with its source.")
    check.add_argument("--brief", action="store_true", help="only what it comes to, and the warnings")
    trial = add("commission", _commission, "See, with you at the plug, that meter, relay and lead are as configured.")
    about = "; ".join(f"{part}: {question}" for part, question in commission.PARTS.items())
    trial.add_argument("parts", nargs="*", metavar="PART", help=f"only these (default: all). {about}")
    trial.add_argument("--record", metavar="FILE", help="write what was found to a new file, as JSON")
    looking = add("status", _status, "Show what the daemon does, why, and what it waits for (exit status 1: gone).")
    looking.add_argument("--json", action="store_true", help="print the whole document")
    add("off", _off, "Tell the relay to switch off, once, and return.")
    ack = add("ack", _ack, "Acknowledge latched faults, after somebody has looked at the cause.")
    ack.add_argument("code", nargs="?", default="all", help="of one fault (default: all)")
    advice = add("advise", _advise, "Say from which surplus on charging pays, at the configured prices.")
    advice.add_argument("--json", action="store_true", help="print it as JSON")
    replay = add("replay", _replay, "Show what recorded readings would have given, beside the best possible.")
    replay.add_argument("--readings", required=True, metavar="FILE", help=READINGS)
    _layout_options(replay)
    replay.add_argument("--json", action="store_true", help="print it as JSON")
    replay.add_argument("--html", metavar="FILE", help="also draw a day and all days (needs the report extra)")
    replay.add_argument("--day", type=_date, metavar="DATE", help="the day to draw (default: the costliest one)")
    tuning = add("tune", _tune, "Search the thresholds and delays that would have done best, and judge the gain.")
    tuning.add_argument("--readings", required=True, metavar="FILE", help=READINGS)
    _layout_options(tuning)
    tuning.add_argument(
        "--objective",
        choices=("value", "solar", "starts"),
        default="value",
        help="value: money; solar: solar energy less what is bought beside it; starts: the fewest that earn no less",
    )
    tuning.add_argument("--json", action="store_true", help="print it as JSON")
    tuning.add_argument("--html", metavar="FILE", help="also draw value against starts (needs the report extra)")
    tuning.add_argument(
        "--write", metavar="FILE", help="write the configuration with what is recommended to a new file"
    )
    history = add("history", _history, "Check the ledger, and say how to mend it.")
    history.add_argument("action", choices=("check",))
    history.add_argument("--mend", action="store_true", help="put right what can be; the daemon must be stopped")
    export = add("export", _export, "Write what is on record to standard output, or to a file.")
    export.add_argument(
        "format", nargs="?", choices=("csv", "parquet"), help="default: as the file is named, otherwise csv"
    )
    export.add_argument("--from", dest="begin", metavar="TIME", help="a day, or an RFC 3339 time (default: the first)")
    export.add_argument("--to", dest="end", metavar="TIME", help="a day, included, or a time (default: now)")
    export.add_argument("--what", choices=exchange.WHAT, default="readings", help="default: readings")
    export.add_argument("--output", type=Path, metavar="FILE", help="needed for parquet (and the parquet extra)")
    imported = add("import", _import, "Take older readings from a CSV file into the ledger: all of it, or nothing.")
    imported.add_argument(
        "file",
        type=Path,
        help=f"its columns: {COLUMNS}; charger_w where the charger was on, and is in the grid's power",
    )
    _layout_options(imported)
    imported.add_argument("--dry-run", action="store_true", help="check and count everything, and write nothing")
    imported.add_argument(
        "--fresh-s", type=_positive, metavar="S", help="hold no reading longer (default: thrice the usual interval)"
    )
    imported.add_argument("--gaps-only", action="store_true", help="leave out what is on record already")
    reported = add("report", _report, "Say what a day, a month or any days came to: energy, money, surplus caught.")
    reported.add_argument(
        "--day", type=_day, metavar="DATE", help="a day: 2031-05-14, today or yesterday (default: today)"
    )
    reported.add_argument("--month", type=_month, metavar="MONTH", help="a month: 2031-05")
    reported.add_argument("--from", type=_day, dest="first", metavar="DATE", help="the first of several days")
    reported.add_argument("--to", type=_day, dest="last", metavar="DATE", help="and the last (default: today)")
    reported.add_argument("--json", action="store_true", help="print the figures as JSON")
    reported.add_argument("--html", metavar="FILE", help="write a page with pictures (needs the report extra)")
    add("schema", _schema, "Print the JSON Schema of the status document.", config=False)
    demo = add("demo", _demo, "Watch the daemon run a simulated house, its numbers invented.", config=False)
    demo.add_argument("--hours", type=float, default=6.0, help="house hours to simulate (default: 6)")
    demo.add_argument("--speed", type=float, help="house seconds per second (default: done in about 95 seconds)")
    demo.add_argument("--seed", type=int, default=1, help="which weather and household (default: 1)")
    demo.add_argument("--json", action="store_true", help="print the summary as JSON")
    return parser


def _layout_options(command: Any) -> None:
    """Let a file of readings be written otherwise: declared, and not guessed from what is in it."""
    command.add_argument("--decimal-comma", action="store_true", help="numbers in the file are written as 1350,5")
    command.add_argument(
        "--column",
        action="append",
        default=[],
        type=_column,
        metavar="WHAT=NAME",
        help="the file calls a column by another name, such as import_kw='from the grid (kW)'; may be repeated",
    )


def _column(text: str) -> tuple[str, str]:
    meaning, given, name = text.partition("=")
    if given and name and meaning in COLUMN_MEANINGS:
        return meaning, name
    raise argparse.ArgumentTypeError(
        f"{text!r} names no column: write WHAT=NAME, where WHAT is one of {', '.join(COLUMN_MEANINGS)}"
    )


def _layout(options: argparse.Namespace) -> Layout:
    return Layout(options.decimal_comma, tuple(options.column))


def _run(options: argparse.Namespace) -> int:
    config = load(options.config)
    logs.configure(config.log.level, config.log.format)
    try:
        asyncio.run(service.run(config, options.config))
    except (ValueError, OSError) as error:
        print(f"{options.config}: {error}", file=sys.stderr)
        return 1
    return 0


def _check(options: argparse.Namespace) -> int:
    config = load(options.config)
    rows = list(_effective(config))
    width = max(len(key) for key, _, _ in rows)
    value_width = min(40, max(len(value) for _, value, _ in rows))
    for key, value, source in () if options.brief else rows:
        print(f"{key:<{width}}  {value:<{value_width}}  {source}")
    nominal_w = config.charger.current_a * config.charger.voltage_v
    start_export_w, stop_import_w = config.thresholds()
    print(
        f"\nA lead of {config.charger.current_a:g} A draws {watts(nominal_w * (1 - VOLTAGE_TOLERANCE))} to "
        f"{watts(nominal_w * (1 + VOLTAGE_TOLERANCE))} over the voltage that EN 50160 allows."
    )
    if config.ahead:
        print('The thresholds follow the prices and the surplus of late ("ahead"); with nothing known of it:')
    elif config.auto:
        print('The thresholds follow the prices ("auto"); as they are now:')
    if start_export_w == float("inf"):
        print("No charge starts: what the sun gives is worth more sold.")
    else:
        print(
            f"A charge starts at {watts(start_export_w)} of export, imports about "
            f"{watts(config.draw_w - start_export_w)} at first, and ends above {watts(stop_import_w)} of "
            "import."
        )
    for warning in config_warnings(config):
        print(f"warning: {warning}")
    print(CAUTION)
    for index, meter in enumerate(config.meter):
        flow = "import" if meter.measures in ("net-import", "import-only") else "export"
        print(
            f"A positive value of {meter.topic} (meter {index + 1}) is taken for {flow}. A kettle shows whether it is: "
            f"surpluscharge commission --config {shlex.quote(options.config)} sign"
        )
    print(f"Enable on {config.base_topic}/enable/set; the status is on {config.base_topic}/status.")
    print(f"{options.config} can be used, with {counted(len(config_warnings(config)), 'warning')}.")
    return 0


def _effective(config: Config) -> list[tuple[str, str, str]]:
    """Return (key, value, source) of every setting in force."""
    derived = config.derived()
    rows: list[tuple[str, str, str]] = []

    def show(value: object) -> str:
        return "none" if value is None else printable(json.dumps(value, ensure_ascii=False, default=str))

    def walk(section: Section, prefix: str) -> None:
        for name in type(section).model_fields:
            key, value = f"{prefix}{name}", getattr(section, name)
            given = name in section.model_fields_set
            if name.endswith("password"):
                rows.append((key, "none" if value is None else "(hidden)", str(value) if value else "default"))
            elif isinstance(value, Section):
                walk(value, f"{key}.")
            elif isinstance(value, list) and value and isinstance(value[0], Section):
                for index, item in enumerate(value):
                    walk(item, f"{key}.{index}.")
            elif key in derived:
                rows.append((key, show(derived[key]), "derived"))
            else:
                rows.append((key, show(value), "file" if given else "default"))

    walk(config, "")
    return rows


def _commission(options: argparse.Namespace) -> int:
    config = load(options.config)
    if unknown := [part for part in options.parts if part not in commission.PARTS]:
        raise _CannotError(f"{', '.join(unknown)}: there is no such part. There are: {', '.join(commission.PARTS)}")
    logs.configure("error", "console")
    person, clock = Terminal(), SystemClock(zone(config.site.time_zone))
    there = f"{config.base_topic}/availability"
    sitting: commission.Commissioning | None = None
    complete = False

    async def sit() -> None:
        nonlocal sitting
        loop, task = asyncio.get_running_loop(), asyncio.current_task()
        assert task is not None
        loop.set_exception_handler(service.library_failed)
        # Off, in good order. Ctrl-C is among them, or it would do nothing where a shell had started this with "&".
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP):
            loop.add_signal_handler(number, task.cancel)
        with store.alone(config.state_file):
            pass  # a daemon at work on this computer says so here, before anything is published
        if (await read_once(config, [there], "look", READ_WITHIN_S)).get(there) == b"ready":
            raise _CannotError(
                f"a daemon is at work for this charger, by its word on {there}: stop it first (Ctrl-C where it runs, "
                "or systemctl stop surpluscharge). If there is none, take the word away (with the broker's host, user "
                f"and password): mosquitto_pub -r -n -t {there}"
            )
        person.tell(" ".join(CAUTION.split()))
        for _ in range(QUESTIONS):
            if (await person.ask("Are you by the plug, and have you read this? Type yes to go on:")).lower() == "yes":
                break
            person.tell("It takes somebody by the plug who has read this. Type yes, or press Ctrl-C.")
        else:
            raise _CannotError("it takes somebody by the plug; nothing was switched")
        sitting = commission.Commissioning(config, clock, person)
        await publish_once(config, off_post(config), "off", OFF_WITHIN_S)  # off comes first of all
        await commission.run(sitting, options.parts or list(commission.PARTS))

    with _record(options.record) as record:
        try:
            asyncio.run(sit())
            assert sitting is not None
            complete = True
            person.tell(commission.summary(sitting))
        except EOFError:
            done = "the relay was told off" if sitting else "nothing was switched"
            raise _CannotError(f"nobody answers any more; {done}") from None
        except asyncio.CancelledError:
            return 130
        except (MqttError, OSError) as error:
            raise _CannotError(f"{options.config}: {_trouble(error, config)}") from None
        except ValueError as error:
            raise _CannotError(f"{options.config}: {error}") from None
        except ExceptionGroup as error:
            raise _CannotError(
                f"the daemon failed ({error.exceptions[0]!r}); the broker was left to switch off"
            ) from None
        finally:
            findings = sitting.findings if sitting else []
            if record and findings:
                document = {
                    "time": clock.wall().isoformat(timespec="seconds"),
                    "version": __version__,
                    "charger": config.charger.name,
                    "complete": complete,
                    "findings": [{**finding._asdict(), "figures": dict(finding.figures)} for finding in findings],
                }
                record.write(json.dumps(document, indent=2, ensure_ascii=False) + "\n")
                record.flush()
            elif record:
                Path(options.record).unlink()  # nothing came of it, and the next try may want the name
            person.close()
    return 1 if any(finding.verdict == "wrong" for finding in findings) else 0


def _record(path: str | None) -> contextlib.AbstractContextManager[TextIO | None]:
    """Open a new file for a record, before there is anything to lose."""
    try:
        return Path(path).open("x", encoding="utf-8") if path else contextlib.nullcontext()
    except FileExistsError:
        raise _there_already(path) from None
    except OSError as error:
        raise _unwritable(path, error) from None


def _off(options: argparse.Namespace) -> int:
    config = load_for_off(options.config)
    elsewhere = FAULT_BY_CODE["switched-elsewhere"]
    then = (
        f"takes it for somebody's wish, by the plug's report, and leaves it off for {duration(elsewhere.cooldown_s)}"
        if config.relay.feedback
        else "does not know of it, and switches on again"
    )
    done = (
        f"off sent to {config.relay.command_topic}. A daemon that is charging {then}: "
        f"to stop a charge, publish off to {config.base_topic}/enable/set. Off is not isolated: where something is "
        "hot, switch the circuit off at the fuse board before you unplug"
    )
    return _publish(config, off_post(config), "off", "the off command", done)


def _ack(options: argparse.Namespace) -> int:
    config = load(options.config)
    latching = [fault.code for fault in FAULTS if fault.may_latch]
    if options.code not in ("all", *latching):
        print(f"{options.code} is not a fault that latches; these do: {', '.join(latching)}", file=sys.stderr)
        return 1
    document, word = _look(config)
    if word != "ready":
        raise _CannotError(f"the daemon is not there ({word}), and would not hear it: start it first, then acknowledge")
    latched = {fault.code for fault in document.faults if fault.latched}
    meant = latched if options.code == "all" else latched & {options.code}
    if not meant:
        what = f"only {', '.join(sorted(latched))} is" if latched else "nothing is"
        raise _CannotError(f"{what} waiting to be acknowledged; see surpluscharge status --config {options.config}")
    post = Post(f"{config.base_topic}/acknowledge/set", options.code)
    if _publish(config, post, "ack", "the acknowledgement", f"acknowledging {', '.join(sorted(meant))}"):
        return 1
    for _ in range(LOOKS):
        time.sleep(LOOK_EVERY_S)
        document, _ = _look(config)
        if not meant & {fault.code for fault in document.faults if fault.latched}:
            print(status.in_words(document, options.config))
            return 0
    raise _CannotError("the daemon has not taken it: see message_refused in its log, and the broker's access list")


def _publish(config: Config, post: Post, name: str, what: str, done: str) -> int:
    try:
        asyncio.run(publish_once(config, post, name, OFF_WITHIN_S))
    except (MqttError, ValueError, OSError) as error:  # TimeoutError is an OSError
        print(f"the broker did not take {what}: {_trouble(error, config)}", file=sys.stderr)
        return 1
    print(done)
    return 0


def _trouble(error: Exception, config: Config) -> str:
    """Say why the broker could not be used, and what to do."""
    code = error.rc if isinstance(error, MqttConnectError) else None
    number = code if isinstance(code, int) else code.value if code else None
    if number in (4, 5, 0x86, 0x87):  # as MQTT 3.1.1 and 5 say it: bad user name or password, not authorised
        return f"the broker at {config.broker} refuses this user: see mqtt.username and mqtt.password"
    text = str(error) or "no answer in time"
    if "refused" in text.lower() and number is None:
        return f"nothing answers at {config.broker}: does the broker run, and are mqtt.host and mqtt.port right?"
    return f"{text} (the broker is {config.broker})"


def _advise(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    tariffs, control = config.tariffs(), config.control
    now = SystemClock(zone(config.site.time_zone)).wall()
    advices = advise.advise(config.draw_w, tariffs, now, control.min_on_s, control.min_off_s) if tariffs else []
    if tariffs is None or not advices:
        lacking = "has no [money] table" if tariffs is None else "has no tariff in [money] that is valid within a week"
        print(f"{options.config} {lacking}: add the prices, as config.example.toml shows", file=sys.stderr)
        return 1
    if options.json:
        print(json.dumps(advise.as_json(advices, config.draw_w, tariffs.currency), indent=2, ensure_ascii=False))
        return 0
    print(advise.as_text(advices, config.draw_w, tariffs.currency))
    if not config.auto:
        print('\nTo follow the prices, set start_export_w = "auto" and stop_import_w = "auto" in [control].')
    return 0


def _replay(options: argparse.Namespace) -> int:
    pictures = _extra("surpluscharge.planning.pictures") if options.html else None
    case = _study(options)
    with _Bar("replaying") as bar:
        found = comparing.compare(case, bar)
    if pictures:
        try:
            _write(options.html, pictures.of_replay(found, options.day))
        except ValueError as error:
            raise _CannotError(f"{options.readings}: {error}") from None
    if options.json:
        print(json.dumps(comparing.as_json(found), indent=2, ensure_ascii=False))
    else:
        print(comparing.as_text(found))
    return 0


def _tune(options: argparse.Namespace) -> int:
    if options.write and Path(options.write).exists():
        raise _there_already(options.write)
    pictures = _extra("surpluscharge.planning.pictures") if options.html else None
    case = _study(options)
    if not compiling.available():
        print("not compiled, so this takes a while: pip install 'surpluscharge[tune]' makes it fast", file=sys.stderr)
    try:
        with _Bar("tuning") as bar:
            found = tune.tune(case, options.objective, bar)
    except ValueError as error:
        raise _CannotError(f"{options.config}: {error}") from None
    if pictures:
        _write(options.html, pictures.of_tuning(found))
    print(json.dumps(tune.as_json(found), indent=2, ensure_ascii=False) if options.json else tune.as_text(found))
    if options.write and not found.recommended:
        print(f"nothing is recommended, so {options.write} was not written", file=sys.stderr)
    elif options.write:
        text = Path(options.config).read_text(encoding="utf-8")
        try:
            _write(options.write, tune.rewritten(text, found.changes, options.config))
        except ValueError as error:
            raise _CannotError(str(error)) from None
        print(f"{options.write} written; compare it with {options.config} before it is used", file=sys.stderr)
    return 0


def _study(options: argparse.Namespace) -> comparing.Study:
    config = load_offline(options.config)
    with _Bar("reading") as bar:
        fresh_s = comparing.configured_fresh_s(config)
        if options.readings == "ledger":
            readings, draw_w = replaying.load_ledger(config.recorded_file, fresh_s, config.draw_w, bar)
        else:
            limit_w = comparing.configured_limit_w(config)
            readings, draw_w = replaying.load(options.readings, fresh_s, bar, limit_w, _layout(options)), config.draw_w
    source = "the ledger" if options.readings == "ledger" else Path(options.readings).name
    return comparing.study(config, readings, draw_w, source)


def _extra(module: str) -> ModuleType:
    """Import a module whose libraries come with the report extra only."""
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise _CannotError(f"--html needs {error.name}: pip install 'surpluscharge[report]'") from None


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day: write it as 2031-05-14") from None


def _positive(text: str) -> float:
    with contextlib.suppress(ValueError):
        if 0.0 < (value := float(text)) <= 86400.0:
            return value
    raise argparse.ArgumentTypeError(f"{text!r} is no time to hold a reading: write seconds, such as 180")


def _write(path: str, text: str) -> None:
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise _unwritable(path, error) from None


def _there_already(path: object) -> _CannotError:
    return _CannotError(f"{path} is there already, and is not overwritten. Name a new file")


def _unwritable(path: object, error: OSError) -> _CannotError:
    return _CannotError(f"{path} cannot be written ({error.strerror}). Name a file in a folder of yours")


class _Bar:
    """A progress bar on standard error, where that is a terminal and it takes long enough to be worth one."""

    def __init__(self, title: str) -> None:
        self._title, self._began_s, self._shown = title, time.monotonic(), -1

    def __call__(self, share: float) -> None:
        percent = int(100 * share)
        if sys.stderr.isatty() and percent != self._shown and time.monotonic() > self._began_s + 0.5:
            self._shown = percent
            print(f"\r{self._title} [{'#' * (percent // 4):<25}] {percent} %", end="", file=sys.stderr, flush=True)

    def __enter__(self) -> _Bar:
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown >= 0:
            print("\r" + " " * 60 + "\r", end="", file=sys.stderr, flush=True)


def _history(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    now = _now(config)
    if options.mend:
        with contextlib.ExitStack() as stack:
            try:
                stack.enter_context(store.alone(config.state_file))
            except ValueError as error:
                raise _CannotError(f"{error}. Nothing was mended") from None
            stack.enter_context(Ledger(config.recorded_file)).mend(energy.ms_of(now), now.tzinfo, config.tariffs())
    bounds, gaps = None, []
    with Ledger(config.recorded_file, read_only=True) as ledger, ledger.snapshot():
        found = ledger.check(energy.ms_of(now), now.tzinfo)
        if not any(trouble.ruined for trouble in found):
            bounds, gaps = ledger.bounds(), ledger.gaps(LONG_GAP_S * 1000)
    print(f"{config.recorded_file}: {config.recorded_file.stat().st_size / 1e6:.2f} MB")
    if bounds:
        first, last = (energy.time_of(at_ms, now.tzinfo) for at_ms in bounds)
        print(f"readings from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}")
        missing_s = sum(end_ms - begin_ms for begin_ms, end_ms in gaps) / 1000
        print(f"{counted(len(gaps), 'gap')} of more than {duration(LONG_GAP_S)}, {duration(missing_s)} in all")
        for begin_ms, end_ms in sorted(gaps, key=lambda gap: gap[0] - gap[1])[:3]:
            print(f"  {energy.time_of(begin_ms, now.tzinfo):%Y-%m-%d %H:%M}, {duration((end_ms - begin_ms) / 1000)}")
    for trouble in found:
        print(f"wrong: {trouble.what}. {trouble.remedy}.")
    if not found:
        print("Nothing is damaged, nothing is counted twice, and the daily totals agree with the readings.")
    return 1 if found else 0


def _export(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    now = _now(config)
    named = "parquet" if options.output is not None and options.output.suffix.lower() == ".parquet" else "csv"
    if options.output is not None and options.format == "csv" and named == "parquet":
        raise _CannotError(
            f"{options.output} is named as Parquet, and csv was asked for: name it .csv, or leave csv out"
        )
    form = options.format or named
    if options.output is not None and options.output.exists():  # it might be the ledger itself
        raise _there_already(options.output)
    with Ledger(config.recorded_file, read_only=True) as ledger, ledger.snapshot():
        bounds = ledger.bounds()
        first = energy.time_of(bounds[0], now.tzinfo) if bounds else now
        begin = _moment(options.begin, now.tzinfo, False) if options.begin else first
        end = _moment(options.end, now.tzinfo, True) if options.end else now
        rows = exchange.records(ledger, options.what, begin, end, now.tzinfo, tariffs=config.tariffs())
        try:
            if form == "parquet":
                if options.output is None:
                    raise LedgerError("Parquet is no text: name a file with --output")
                count = exchange.write_parquet(rows, options.output)
            elif options.output is None:
                count = exchange.write_csv(rows, sys.stdout)
            else:
                with options.output.open("x", encoding="utf-8", newline="") as file:
                    count = exchange.write_csv(rows, file)
        except ImportError:
            raise LedgerError("Parquet needs a library: pip install 'surpluscharge[parquet]'") from None
        except OSError as error:
            if isinstance(error, BrokenPipeError):
                raise
            raise LedgerError(f"{options.output} cannot be written: {error.strerror}") from None
    print(counted(count, "row"), file=sys.stderr)
    return 0


def _import(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    now, path = _now(config), config.recorded_file
    kept = Retention(config.history.readings_days, config.history.minutes_days, config.history.quarter_hours_days)
    if not options.dry_run:
        print(f"into {path}, for good: --dry-run says beforehand what would come of it", file=sys.stderr)
    with exchange.rehearsal(path) if options.dry_run else Ledger(path) as ledger, _Bar("importing") as bar:
        try:
            done = exchange.import_readings(
                ledger,
                options.file,
                energy.ms_of(now),
                now.tzinfo,
                kept,
                tariffs=config.tariffs(),
                fresh_s=options.fresh_s,
                gaps_only=options.gaps_only,
                limit_w=comparing.configured_limit_w(config),
                layout=_layout(options),
                progress=bar,
            )
        except (LedgerError, ReadingsError) as error:
            raise LedgerError(f"{error}. Nothing was imported") from None
    filled = done.filled
    if filled.rows:
        first, last = (energy.time_of(at_ms, now.tzinfo) for at_ms in (filled.begin_ms, filled.end_ms))
        print(f"from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}, each reading held for {done.fresh_s:g} s at most")
        if how := exchange.as_kept(done, now.tzinfo, now.date(), kept):
            print(how)
    flows = filled.energy
    print(
        f"{counted(filled.rows, 'row')}: import {flows.import_wh / 1000:.1f} kWh, "
        f"export {flows.export_wh / 1000:.1f} kWh, charger {flows.charger_wh / 1000:.1f} kWh, "
        f"known for {duration(flows.known_ms / 1000)}"
    )
    if filled.again_ms:
        print(f"{duration(filled.again_ms / 1000)} were on record already, and left out")
    if done.skipped:
        print(f"skipped rows of the file: {done.skipped}")
    if doubt := done.sides.warning():
        print(f"warning: {doubt}", file=sys.stderr)
    if options.dry_run:
        print("Nothing was written.")
        if path.exists():
            print("An import cannot be undone. A copy of the ledger, made before, can be put back:")
            print(f"  sqlite3 {shlex.quote(str(path))} '.backup before-import.sqlite'")
    else:
        print("Imported." if filled.rows else "Nothing was new.")
    return 0


def _now(config: Config) -> datetime:
    return SystemClock(zone(config.site.time_zone)).wall()


def _moment(text: str, site: tzinfo | None, included: bool) -> datetime:
    """Read a day (its end where it is ``included``) or an RFC 3339 time; one without offset is local."""
    try:
        moment, day = datetime.fromisoformat(text), None
        with contextlib.suppress(ValueError):
            day = date.fromisoformat(text)
    except ValueError:
        raise LedgerError(f"{text} is neither a day (2031-05-14) nor a time (2031-05-14T11:20:09+02:00)") from None
    if not 1970 <= moment.year < 3000:
        raise LedgerError(f"{text} is no time from 1970 to 2999. Leave it out to take all that is on record")
    if day:
        return energy.day_span(day, site)[included]
    return moment.replace(tzinfo=site) if moment.tzinfo is None else moment.astimezone(site)


def _day(text: str) -> date | int:
    """Return a date, or how many days ago it is, since only the configuration knows what is today at the house."""
    named = {"today": 0, "yesterday": 1}
    return named[text] if text in named else _date(text)


def _month(text: str) -> tuple[date, date]:
    try:
        return report.month_of(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no month: write it as 2031-05") from None


def _period(options: argparse.Namespace, today: date) -> tuple[date, date]:
    """Return the first and last day that are asked for. Raises ReportError where that is contradictory."""

    def known(day: date | int) -> date:
        return today - timedelta(days=day) if isinstance(day, int) else day

    several = options.first is not None or options.last is not None
    if (options.day is not None) + (options.month is not None) + several > 1:
        raise report.ReportError("--day, --month and --from/--to exclude one another: give one of them")
    if options.month is not None:
        first, last = options.month
        return first, last
    if not several:
        day = known(options.day or 0)
        return day, day
    if options.first is None:
        raise report.ReportError("--to needs --from: give the first day as well")
    return known(options.first), known(options.last or 0)


def _report(options: argparse.Namespace) -> int:
    config = load_offline(options.config)
    now = _now(config)
    site = report.Site(
        config.charger.name,
        now.tzinfo,
        config.tariffs(),
        config.thresholds,
        config.history.batch_s,
        thresholds_move=config.ahead,
    )
    first, last = _period(options, now.date())
    with Ledger(config.recorded_file, read_only=True) as ledger:
        made = report.build(ledger, first, last, now, site)
    if options.html is not None:
        _write(options.html, _extra("surpluscharge.history.page").as_html(made))
        print(f"{options.html} written", file=sys.stderr)
    encoding = sys.stdout.encoding or "ascii"
    if options.json:
        print(json.dumps(report.as_json(made), indent=2))
    elif options.html is None:
        text = report.as_text(made, shutil.get_terminal_size().columns, report.marks_for(encoding))
        print(text.encode(encoding, "replace").decode(encoding))
    return 0


def _look(config: Config) -> tuple[status.StatusDocument, str]:
    """Return the latest status, and the word on the daemon's availability. Raises _CannotError."""
    about, there = f"{config.base_topic}/status", f"{config.base_topic}/availability"
    try:
        found = asyncio.run(read_once(config, (about, there), "look", READ_WITHIN_S))
    except (MqttError, ValueError, OSError) as error:  # TimeoutError is an OSError
        raise _CannotError(f"the broker gives no answer: {_trouble(error, config)}") from None
    if about not in found:
        raise _CannotError(f"nothing is on {about}: the daemon has not run with this broker and this charger.name yet")
    try:
        document = status.StatusDocument.model_validate_json(found[about])
    except ValueError:
        raise _CannotError(f"what is on {about} is no status of this version: restart the daemon") from None
    return document, printable(found.get(there, b"unknown").decode("utf-8", "replace"))


def _status(options: argparse.Namespace) -> int:
    config = load(options.config)
    document, word = _look(config)
    age_s = (SystemClock().wall() - document.time).total_seconds()
    silent = age_s > max(SILENT_S, HEARTBEATS * config.status.heartbeat_s)
    if options.json:
        print(json.dumps(document.model_dump(mode="json"), indent=2))  # in ASCII, whatever it holds
    elif word == "ready" and not silent:
        print(status.in_words(document, options.config, age_s))
    else:
        missing = f"is not there ({word})" if word != "ready" else "has fallen silent, though it did not take leave"
        print(
            f"The daemon {missing}; this is the last that it said, {_ago(age_s)}, at {document.time:%Y-%m-%d %H:%M:%S}:"
        )
        if word != "disconnected":  # it did not take leave, so nobody has seen the relay go off
            print(
                "The broker switches the relay off in its name, if the plug hears it: go and look whether it is off, "
                "whatever is said below of the relay. The daemon's log says what happened; then start it again."
            )
        print(status.in_words(document, options.config))
    return 1 if silent or word != "ready" else 0


def _ago(age_s: float) -> str:
    """Say how old something is; a clock here that differs from the daemon's may make it come from the future."""
    return f"{duration(age_s)} ago by the clock here" if age_s >= 0 else "by a clock that is ahead of the one here"


def _schema(_: argparse.Namespace) -> int:
    print(json.dumps(status.schema(), indent=2))
    return 0


def _demo(options: argparse.Namespace) -> int:
    from surpluscharge import demo  # noqa: PLC0415  (its libraries come with the demo extra only)

    return demo.run(options.hours, options.speed, options.seed, options.json)
