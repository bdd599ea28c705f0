"""What needs no configuration: ``schema``, ``watch``, ``demo``."""

from __future__ import annotations

import argparse
import json
from typing import Any

from surpluscharge.cli.common import CannotError
from surpluscharge.config import for_broker, load
from surpluscharge.daemon import status


def _schema(_: argparse.Namespace) -> int:
    print(json.dumps(status.schema(), indent=2))
    return 0


def _watch(options: argparse.Namespace) -> int:
    from surpluscharge import watch  # noqa: PLC0415  (its libraries come with the watch extra only)

    asked = {key.removeprefix("mqtt_"): value for key, value in vars(options).items() if key.startswith("mqtt_")}
    mqtt = {key: value for key, value in asked.items() if value is not None}
    if places := [place for place in ("file", "env", "credential") if f"password_{place}" in mqtt]:
        mqtt["password"] = {place: mqtt.pop(f"password_{place}") for place in places}
    if tls := mqtt.pop("tls", None) or mqtt.get("ca_file"):
        mqtt["tls"] = {"ca_file": mqtt.pop("ca_file")} if "ca_file" in mqtt else {} if tls else None
    if options.config and mqtt:
        raise CannotError("the broker stands in the configuration: give --config, or the broker, not both")
    config = load(options.config) if options.config else for_broker(mqtt, "the broker")
    topics = options.topic or [config.own_topic if options.config else "surpluscharge/+"]
    try:
        return watch.run(config, list(watch.wanted(topics)), options.plain)
    except BrokenPipeError:
        raise
    except (ValueError, OSError) as error:
        raise CannotError(str(error)) from None


def _demo(options: argparse.Namespace) -> int:
    from surpluscharge import demo  # noqa: PLC0415  (its libraries come with the demo extra only)

    return demo.run(options.hours, options.speed, options.seed, options.json, options.battery)


def add_schema(sub: Any) -> None:
    sub.set_defaults(command=_schema)


def add_watch(sub: Any) -> None:
    sub.set_defaults(command=_watch)
    sub.add_argument("topic", nargs="*", help="base topics, + for any one level (default: surpluscharge/+)")
    sub.add_argument("--config", metavar="FILE", help="take broker and base topic from a daemon's configuration")
    sub.add_argument(
        "--host", dest="mqtt_host", metavar="HOST", help="the broker's name or address (default: localhost)"
    )
    sub.add_argument("--port", dest="mqtt_port", type=int, metavar="PORT", help="default: 1883, with TLS 8883")
    sub.add_argument("--tls", dest="mqtt_tls", action="store_const", const=True, help="the connection is encrypted")
    sub.add_argument("--ca-file", dest="mqtt_ca_file", metavar="FILE", help="by a certificate authority of your own")
    sub.add_argument("--user", dest="mqtt_username", metavar="NAME", help="default: none")
    where = sub.add_mutually_exclusive_group()
    where.add_argument("--password-file", dest="mqtt_password_file", metavar="FILE", help="a file that holds it")
    where.add_argument("--password-env", dest="mqtt_password_env", metavar="NAME", help="or an environment variable")
    where.add_argument(
        "--password-credential", dest="mqtt_password_credential", metavar="NAME", help="or the service manager"
    )
    sub.add_argument("--plain", action="store_true", help="as lines, also on a terminal")


def add_demo(sub: Any) -> None:
    sub.set_defaults(command=_demo)
    sub.add_argument(
        "--hours",
        type=float,
        default=18.5,
        help="house hours to simulate, from 12:50 on (default: 18.5, until the car has left)",
    )
    sub.add_argument("--speed", type=float, help="house seconds per second (default: done in about two minutes)")
    sub.add_argument("--seed", type=int, default=1, help="which weather and household (default: 1)")
    sub.add_argument("--battery", action="store_true", help="with a battery in the house, which is to be spared")
    sub.add_argument("--json", action="store_true", help="print the summary as JSON")
