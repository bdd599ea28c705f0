"""The daemon led by hand, with somebody at the plug: ``commission``."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import signal
from pathlib import Path
from typing import Any, TextIO

from aiomqtt import MqttError

from surpluscharge import __version__
from surpluscharge.cli.broker import OFF_WITHIN_S, READ_WITHIN_S, trouble
from surpluscharge.cli.common import CAUTION, CannotError, there_already, unwritable
from surpluscharge.clock import SystemClock, zone
from surpluscharge.commissioning import commission
from surpluscharge.commissioning.terminal import Terminal
from surpluscharge.config import load
from surpluscharge.daemon import logs, service, store
from surpluscharge.daemon.mqtt import publish_once, read_once
from surpluscharge.daemon.relay import off_post

QUESTIONS = 5  # with a wrong answer to each, nobody is there


def _commission(options: argparse.Namespace) -> int:
    config = load(options.config)
    if unknown := [part for part in options.parts if part not in commission.PARTS]:
        raise CannotError(f"{', '.join(unknown)}: there is no such part. There are: {', '.join(commission.PARTS)}")
    logs.configure("error", "console")
    person, clock = Terminal(), SystemClock(zone(config.site.time_zone))
    there = f"{config.own_topic}/availability"
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
            raise CannotError(
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
            raise CannotError("it takes somebody by the plug; nothing was switched")
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
            raise CannotError(f"nobody answers any more; {done}") from None
        except asyncio.CancelledError:
            return 130
        except (MqttError, OSError) as error:
            raise CannotError(f"{options.config}: {trouble(error, config)}") from None
        except ValueError as error:
            raise CannotError(f"{options.config}: {error}") from None
        except ExceptionGroup as error:
            raise CannotError(
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
        raise there_already(path) from None
    except OSError as error:
        raise unwritable(path, error) from None


def add_commission(sub: Any) -> None:
    sub.set_defaults(command=_commission)
    about = "; ".join(f"{part}: {question}" for part, question in commission.PARTS.items())
    sub.add_argument("parts", nargs="*", metavar="PART", help=f"only these (default: all). {about}")
    sub.add_argument("--record", metavar="FILE", help="write what was found to a new file, as JSON")
