"""A person at a terminal; or at a pipe, a script that answers line by line."""

from __future__ import annotations

import asyncio
import contextlib
import queue
import shutil
import sys
import termios
import textwrap
import threading

from surpluscharge.words import printable

SAID_WITHIN_S = 2.0  # what is not read by then at the end stays unread
LINE_LIMIT = 1000  # characters of an answer


class Terminal:
    """Reads and writes in threads of its own: a terminal that is stopped, or gone, must not stop the daemon."""

    def __init__(self) -> None:
        self._answers: asyncio.Queue[str] = asyncio.Queue()
        self._words: queue.SimpleQueue[tuple[str, threading.Event | None]] = queue.SimpleQueue()
        self._lines_wanted = threading.Semaphore(0)
        self._shown = self._reading = self._awaited = self._ended = False
        threading.Thread(target=self._write, daemon=True).start()

    def tell(self, text: str) -> None:
        """Say something that stays to be read."""
        self.show("")
        self._words.put(("\n".join(map(_wrapped, printable(text, lines=True).split("\n"))) + "\n", None))

    def show(self, text: str) -> None:
        """Say how it goes, in the place of what was said so last; an empty text takes it away."""
        if sys.stdout.isatty() and (text or self._shown):
            self._shown = bool(text)
            self._words.put((f"\r\033[K{printable(text)[: shutil.get_terminal_size().columns - 1]}", None))

    async def ask(self, question: str) -> str:
        """Return the answer, without blanks around it. Raises EOFError when nobody is there any more."""
        self.show("")
        if sys.stdin.isatty():  # typed before there was a question: no answer to it
            while not self._answers.empty():
                self._ended = self._ended or not self._answers.get_nowait()
            with contextlib.suppress(OSError, termios.error):
                termios.tcflush(sys.stdin, termios.TCIFLUSH)
        self._words.put((f"{_wrapped(question)} ", None))
        if not self._reading:
            # Not in asyncio's own threads: it would wait for this one at the end, until somebody presses Enter.
            self._reading = True
            threading.Thread(target=self._read, args=(asyncio.get_running_loop(),), daemon=True).start()
        if not self._awaited:  # else the one that an earlier question waited for in vain will do
            self._awaited = True
            self._lines_wanted.release()
        line = "" if self._ended else await self._answers.get()
        if not line:
            self._ended = True
            raise EOFError
        if not sys.stdin.isatty():
            self.tell(line.strip())
        return line.strip()

    def close(self) -> None:
        """Wait until all has been said, unless nobody takes it."""
        said = threading.Event()
        self._words.put(("", said))
        said.wait(SAID_WITHIN_S)

    def _write(self) -> None:
        while True:
            words, said = self._words.get()
            with contextlib.suppress(OSError, ValueError):
                print(words, end="", flush=True)
            if said:
                said.set()

    def _read(self, loop: asyncio.AbstractEventLoop) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed
            while True:
                self._lines_wanted.acquire()  # one for a question: input without end must not flood the daemon
                line = ""
                with contextlib.suppress(OSError, ValueError):  # the terminal is closed, or sends what is no text
                    line = sys.stdin.readline(LINE_LIMIT)
                loop.call_soon_threadsafe(self._take, line)
                if not line:
                    return

    def _take(self, line: str) -> None:
        self._awaited = False
        self._answers.put_nowait(line)


def _wrapped(line: str) -> str:
    width = max(40, shutil.get_terminal_size().columns - 1)
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.fill(line, width, subsequent_indent=indent) if len(line) > width else line
