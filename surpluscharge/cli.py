"""The commands, and nothing else."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
from collections.abc import Callable
from typing import Any

from aiomqtt import MqttError

from surpluscharge import __version__
from surpluscharge.config import VOLTAGE_TOLERANCE, Config, ConfigError, Section, load, load_for_off
from surpluscharge.control.supervisor import FAULTS
from surpluscharge.daemon import logs, service, status
from surpluscharge.daemon.mqtt import Post, publish_once
from surpluscharge.daemon.relay import off_post

OFF_WITHIN_S = 8.0
CAUTION = (
    "caution: hours of current through a household socket can start a fire. Use a socket, plug and cable rated for\n"
    "it, feel them after an hour, follow local codes, and ask a licensed electrician. This is no certified safety\n"
    "device."
)


def main(arguments: list[str] | None = None) -> int:
    """Run one command. Returns the exit status: 0 done, 1 it could not be done, 2 wrongly called."""
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except ConfigError as error:
        print(error, file=sys.stderr)
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
    add("check", _check, "Check a configuration, and show every setting with its source.")
    add("off", _off, "Tell the relay to switch off, once, and return.")
    ack = add("ack", _ack, "Acknowledge latched faults, after somebody has looked at the cause.")
    ack.add_argument("code", nargs="?", default="all", help="of one fault (default: all)")
    add("schema", _schema, "Print the JSON Schema of the status document.", config=False)
    demo = add("demo", _demo, "Watch the daemon run a simulated house, its numbers invented.", config=False)
    demo.add_argument("--hours", type=float, default=6.0, help="house hours to simulate (default: 6)")
    demo.add_argument("--speed", type=float, help="house seconds per second (default: done in about 95 seconds)")
    demo.add_argument("--seed", type=int, default=1, help="which weather and household (default: 1)")
    demo.add_argument("--json", action="store_true", help="print the summary as JSON")
    return parser


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
    for key, value, source in rows:
        print(f"{key:<{width}}  {value:<{value_width}}  {source}")
    nominal_w = config.charger.current_a * config.charger.voltage_v
    start_export_w, stop_import_w = config.thresholds()
    print(
        f"\nA lead of {config.charger.current_a:g} A draws {nominal_w * (1 - VOLTAGE_TOLERANCE):.0f} to "
        f"{nominal_w * (1 + VOLTAGE_TOLERANCE):.0f} W over the voltage that EN 50160 allows."
    )
    if config.auto:
        print('The thresholds follow the prices ("auto"); as they are now:')
    if start_export_w == float("inf"):
        print("No charge starts: what the sun gives is worth more sold.")
    else:
        print(
            f"A charge starts at {status.watts(start_export_w)} of export, imports about "
            f"{status.watts(config.draw_w - start_export_w)} at first, and ends above {status.watts(stop_import_w)} of "
            "import."
        )
    for warning in config.warnings():
        print(f"warning: {warning}")
    print(CAUTION)
    for index, meter in enumerate(config.meter):
        flow = "import" if meter.measures in ("net-import", "import-only") else "export"
        print(
            f"A positive value of {meter.topic} (meter {index + 1}) is taken for {flow}. A kettle shows whether it is."
        )
    print(f"Enable on {config.base_topic}/enable/set; the status is on {config.base_topic}/status.")
    print(f"{options.config} can be used, with {len(config.warnings())} warnings.")
    return 0


def _effective(config: Config) -> list[tuple[str, str, str]]:
    """Return (key, value, source) of every setting in force."""
    derived = config.derived()
    rows: list[tuple[str, str, str]] = []

    def show(value: object) -> str:
        return "none" if value is None else json.dumps(value, ensure_ascii=False, default=str)

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


def _off(options: argparse.Namespace) -> int:
    config = load_for_off(options.config)
    done = (
        f"off sent to {config.relay.command_topic}. A daemon that is charging will switch on again: "
        f"to stop a charge, publish off to {config.base_topic}/enable/set"
    )
    return _publish(config, off_post(config), "off", "the off command", done)


def _ack(options: argparse.Namespace) -> int:
    config = load(options.config)
    latching = [fault.code for fault in FAULTS if fault.latches]
    if options.code not in ("all", *latching):
        print(f"{options.code} is not a fault that latches; these do: {', '.join(latching)}", file=sys.stderr)
        return 1
    post = Post(f"{config.base_topic}/acknowledge/set", options.code)
    done = f"acknowledgement of {options.code} sent; what came of it stands in {config.base_topic}/status"
    return _publish(config, post, "ack", "the acknowledgement", done)


def _publish(config: Config, post: Post, name: str, what: str, done: str) -> int:
    try:
        asyncio.run(publish_once(config, post, name, OFF_WITHIN_S))
    except (MqttError, ValueError, OSError) as error:  # TimeoutError is an OSError
        reason = str(error) or "no answer in time"
        print(f"the broker did not take {what}: {reason} ({config.broker})", file=sys.stderr)
        return 1
    print(done)
    return 0


def _schema(_: argparse.Namespace) -> int:
    print(json.dumps(status.schema(), indent=2))
    return 0


def _demo(options: argparse.Namespace) -> int:
    from surpluscharge import demo  # noqa: PLC0415  (its libraries come with the demo extra only)

    return demo.run(options.hours, options.speed, options.seed, options.json)
