"""How something gets out of the house: by e-mail, by HTTP, by a command. And the ping, whose silence is noticed there.

Each attempt has an end of its own, whatever the other side does, and ends at once when it is cancelled. HTTP is the
standard library's, in a thread: a few requests a day are no reason for a library with libraries of its own. Those have
timeouts for each step, but not for all of them together, and a thread cannot be cancelled; so its socket is closed
under it. The thread is not asyncio's own: what is written to the disk must not wait behind a server that hangs.
"""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import os
import re
import signal
import socket
import ssl
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime, make_msgid
from typing import Protocol
from urllib.parse import urlsplit

import structlog

from surpluscharge import __version__
from surpluscharge.clock import Clock
from surpluscharge.config.models import PingTable, TellMail, TellPost, address_of
from surpluscharge.words import printable

WITHIN_S = 30.0  # real seconds for one attempt, all of it
TITLE_LIMIT = 120  # characters


@dataclass(frozen=True)
class Message:
    """What is told, in words. ``about`` is what it is mostly about, ``count`` how much happened."""

    title: str
    text: str
    about: str
    count: int
    charger: str
    time: datetime
    page: str | None = None  # HTML, for those ways that can bring it

    @property
    def fields(self) -> dict[str, str]:
        """The names that a template may hold."""
        return {
            "title": self.title,
            "text": self.text,
            "about": self.about,
            "count": str(self.count),
            "charger": self.charger,
            "time": self.time.isoformat(timespec="seconds"),
        }


class Way(Protocol):
    """A way out of the house."""

    name: str

    async def send(self, message: Message) -> None:
        """Send it. Raises an error that says why it could not be."""


class Http:
    """One address, asked by one thread at a time. Raises OSError, ValueError where it cannot be read or used."""

    def __init__(self, table: PingTable | TellPost) -> None:
        self._parts = urlsplit(address_of(table))
        self._tls = ssl.create_default_context(cafile=table.ca_file) if self._parts.scheme == "https" else None
        self._thread: threading.Thread | None = None

    async def ask(self, method: str, body: bytes | None = None, headers: Mapping[str, str] | None = None) -> None:
        """Ask, and be content with a 2xx. Raises OSError, http.client.HTTPException, TimeoutError."""
        if self._thread and self._thread.is_alive():
            raise OSError("the last attempt hangs yet")
        parts, loop = self._parts, asyncio.get_running_loop()
        host, port = parts.hostname or "", parts.port
        connection = (
            http.client.HTTPSConnection(host, port, timeout=WITHIN_S, context=self._tls)
            if self._tls
            else http.client.HTTPConnection(host, port, timeout=WITHIN_S)
        )
        answered: asyncio.Future[int] = loop.create_future()

        def settle(status: int, error: Exception | None) -> None:
            if answered.done():
                return
            if error:
                answered.set_exception(error)
            else:
                answered.set_result(status)

        def work() -> None:
            status, failure = 0, None
            try:
                target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
                connection.request(
                    method, target, body, {"User-Agent": f"surpluscharge/{__version__}"} | dict(headers or {})
                )
                status = connection.getresponse().status
            except Exception as error:
                failure = error
            finally:
                with contextlib.suppress(Exception):
                    connection.close()
            with contextlib.suppress(RuntimeError):  # the loop is closed
                loop.call_soon_threadsafe(settle, status, failure)

        self._thread = threading.Thread(target=work, daemon=True)
        self._thread.start()
        try:
            async with asyncio.timeout(WITHIN_S):
                status = await answered
        finally:
            with contextlib.suppress(OSError, AttributeError):  # there is none, or no longer
                connection.sock.shutdown(socket.SHUT_RDWR)
        if not 200 <= status < 300:
            raise OSError(f"the server answers {status}")


class Mail:
    """Raises OSError, ValueError where a secret or certificate cannot be read."""

    def __init__(self, table: TellMail) -> None:
        self.name = "mail"
        self._table = table
        self._password = table.password.reveal() if table.password else None
        self._tls = ssl.create_default_context(cafile=table.ca_file) if table.security != "none" else None

    async def send(self, message: Message) -> None:
        import aiosmtplib  # noqa: PLC0415  (it comes with the mail extra only)

        table = self._table
        port = table.port or {"tls": 465, "starttls": 587, "none": 25}[table.security]
        async with asyncio.timeout(WITHIN_S):
            await aiosmtplib.send(
                letter(message, table.sender, table.to),
                sender=table.sender,
                recipients=table.to,
                hostname=table.host,
                port=port,
                use_tls=table.security == "tls",
                start_tls=table.security == "starttls",
                tls_context=self._tls,
                username=table.username,
                password=self._password,
                timeout=WITHIN_S,
            )


def letter(message: Message, sender: str, to: list[str]) -> EmailMessage:
    """Return a message as RFC 5322 has it; RFC 3834: nobody is to answer it automatically."""
    mail = EmailMessage()
    mail["From"], mail["To"] = sender, ", ".join(to)
    mail["Subject"] = f"surpluscharge {message.charger}: {message.title}"
    mail["Date"] = format_datetime(message.time)
    mail["Message-ID"] = make_msgid(domain=sender.rpartition("@")[2])
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(message.text + "\n")
    if message.page is not None:
        mail.add_attachment(message.page, subtype="html", filename=f"{message.charger}.html")
    return mail


class Posting:
    """Raises OSError, ValueError where a secret or certificate cannot be read."""

    def __init__(self, table: TellPost) -> None:
        self.name = "post"
        self._body = table.body or {"title": "{title}", "text": "{text}"}
        self._token = table.bearer_token.reveal() if table.bearer_token else None
        self._http = Http(table)

    async def send(self, message: Message) -> None:
        headers = {"Content-Type": "application/json"}
        if self._token:
            headers["Authorization"] = f"Bearer {self._token}"
        body = {name: filled(template, message) for name, template in self._body.items()}
        await self._http.ask("POST", json.dumps(body).encode(), headers)


def filled(template: str, message: Message) -> str:
    """Return a template with the message's fields in their places, once: what a field holds is never a template."""
    fields = message.fields
    return re.sub(r"\{(\w+)\}", lambda name: fields[name[1]], template)


class Command:
    """No shell is between. The text is its standard input; title and the rest are in its environment."""

    def __init__(self, words: list[str]) -> None:
        self.name = "command"
        self._words = words

    async def send(self, message: Message) -> None:
        given = {f"TELL_{name.upper()}": value for name, value in message.fields.items() if name != "text"}
        process = await asyncio.create_subprocess_exec(
            *self._words,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
            env={name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ} | given,
            start_new_session=True,
        )
        try:
            async with asyncio.timeout(WITHIN_S):
                await process.communicate(f"{message.title}\n\n{message.text}\n".encode())
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):  # with all that it has started
                    os.killpg(process.pid, signal.SIGKILL)
        if process.returncode:
            raise OSError(f"it ended with exit status {process.returncode}")


class Ping:
    """Asks for an address outside every so often, as long as the daemon is alive; nobody waits for what it says."""

    def __init__(
        self, table: PingTable, alive: Callable[[], bool], clock: Callable[[], Clock], log: structlog.stdlib.BoundLogger
    ) -> None:
        """Raises OSError, ValueError where a secret or certificate cannot be read."""
        self._http = Http(table)
        self._every_s, self._alive, self._clock, self._log = table.every_s, alive, clock, log

    async def run(self) -> None:
        failing = False
        while True:
            if not self._alive():
                await self._clock().sleep(1.0)
                continue
            try:
                await self._http.ask("GET")
            except Exception as error:
                if not failing:
                    self._log.warning("ping_failed", reason=reason(error))
                failing = True
            else:
                if failing:
                    self._log.info("ping_mended")
                failing = False
            await self._clock().sleep(self._every_s)


def reason(error: Exception) -> str:
    """Say in a line why something could not be sent."""
    text = f"no answer within {WITHIN_S:g} s" if isinstance(error, TimeoutError) else str(error)
    return printable(text or type(error).__name__)[:300]
