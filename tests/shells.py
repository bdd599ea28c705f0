"""The manual page, and what completes a command in bash, zsh and fish: made from the parsers that --help is made from.

`python -m tests.readme` writes them anew. They lie in deploy/ as they are installed, so that a package is made without
what makes them, and reads the same whichever Python makes it.
"""

from __future__ import annotations

import argparse
import re
from email.utils import parsedate_to_datetime
from pathlib import Path

import shtab

from surpluscharge import __version__, cli
from surpluscharge.cli.common import CAUTION

DEPLOY = Path(__file__).parent.parent / "deploy"
PAGE = DEPLOY / "surpluscharge.1"
COMPLETIONS = {shell: DEPLOY / f"completion.{shell}" for shell in ("bash", "zsh", "fish")}

EXIT_STATUS = {
    "0": "It is done.",
    "1": "It could not be done; standard error says why, and what to do.",
    "2": "It was wrongly called.",
    "130": "It was interrupted.",
}
WIDEST = 80  # a line of the page's source, by mandoc's own judgement
FILES = {
    "/etc/surpluscharge/surpluscharge.toml": "The configuration of surpluscharge.service.",
    "/etc/surpluscharge/NAME.toml": "That of surpluscharge@NAME.service, one of several chargers.",
    "/var/lib/surpluscharge": "What is kept across restarts, the ledger, and the months' reports.",
    "/usr/share/surpluscharge/config.example.toml": "Every setting, with its default and what it is for.",
    "/usr/share/doc/surpluscharge/deploy/manual.md": "The manual: topics, documents, faults, events.",
}
EXAMPLES = {
    "surpluscharge check --config /etc/surpluscharge/surpluscharge.toml": "See what the configuration comes to.",
    "surpluscharge status --config /etc/surpluscharge/surpluscharge.toml": "See what it does, and why.",
    "surpluscharge charge --kwh 6 --by 07:00 --config /etc/surpluscharge/surpluscharge.toml": "Have 6 kWh by seven.",
    "surpluscharge report --month 2031-05 --config /etc/surpluscharge/surpluscharge.toml": "See what May came to.",
}


def page() -> str:
    """Return the manual page, in the man macros of roff."""
    changes = (DEPLOY / "changelog").read_text(encoding="utf-8")
    dated = next(line for line in changes.splitlines() if line.startswith(" -- ")).rpartition(">")[2]
    whole = cli.parser()
    lines = [
        ".\\\" Made from the commands' own options by `python -m tests.readme`.",
        f'.TH SURPLUSCHARGE 1 {parsedate_to_datetime(dated.strip()):%Y-%m-%d} "surpluscharge {__version__}"',
        ".SH NAME",
        "surpluscharge \\- charge an electric car from solar surplus by a switched socket",
        ".SH SYNOPSIS",
        ".B surpluscharge",
        "\\fICOMMAND\\fR [\\fIOPTION\\fR ...]",
        ".br",
        ".B surpluscharge",
        "\\fICOMMAND\\fR \\fB\\-\\-help\\fR",
        ".br",
        ".B surpluscharge",
        "\\fB\\-\\-help\\fR | \\fB\\-\\-version\\fR",
        ".SH DESCRIPTION",
        *_text(whole.description),
        ".SH COMMANDS",
    ]
    for name, command in _commands(whole).items():
        lines += [f".SS {name}", *_text(command.description), ".PP", f".B surpluscharge {name}", *_usage(command)]
        for action in _arguments(command):
            lines += [".TP", _spelled(action), *_text(_help(action))]
    for title, entries in (("EXIT STATUS", EXIT_STATUS), ("FILES", FILES), ("EXAMPLES", EXAMPLES)):
        lines.append(f".SH {title}")
        for entry, meaning in entries.items():
            lines += [".TP", f".B {_literal(entry)}", *_text(meaning)]
    caution = CAUTION.removeprefix("caution: ")
    lines += [".SH CAUTION", *_text(caution[0].upper() + caution[1:]), ".SH SEE ALSO"]
    lines += [".BR mosquitto (8),", ".BR systemctl (1),", ".BR journalctl (1)"]
    return "\n".join(lines) + "\n"


def completion(shell: str) -> str:
    """Return the completion for a shell. Raises KeyError for one that is not known."""
    whole = cli.parser()
    for command in _commands(whole).values():
        for action in _arguments(command):
            if action.metavar == "FILE":
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    # Without how to install it by hand: it comes installed.
    text = re.sub(
        r"(?m)^# AUTOMATICALLY.*\n(?:#.*\n)*", "# From `python -m tests.readme`.\n", shtab.complete(whole, shell)
    )
    return text.rstrip("\n") + "\n"


def made() -> dict[Path, str]:
    """Return each file's text as it should be."""
    return {PAGE: page()} | {file: completion(shell) for shell, file in COMPLETIONS.items()}


def _commands(whole: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    (commands,) = (action for action in whole._actions if isinstance(action, argparse._SubParsersAction))
    return dict(commands.choices)


def _arguments(command: argparse.ArgumentParser) -> list[argparse.Action]:
    return [action for action in command._actions if not isinstance(action, argparse._HelpAction)]


def _usage(command: argparse.ArgumentParser) -> list[str]:
    """Return what may follow a command's name, an argument a line; of those in brackets with | between only one may."""
    together = {id(action): group for group in command._mutually_exclusive_groups for action in group._group_actions}
    lines, said = [], set()
    for action in sorted(_arguments(command), key=lambda action: not action.option_strings):
        group = together.get(id(action))
        if group is None:
            one = _spelled(action)
            whole = one if action.required and action.nargs not in ("?", "*") else f"[{one}]"
            lines += whole.split(" ", 1) if len(whole) > WIDEST else [whole]
        elif id(group) not in said:
            said.add(id(group))
            several = " |\n".join(_spelled(member) for member in group._group_actions)
            lines += (f"({several})" if group.required else f"[{several}]").split("\n")
    return lines


def _spelled(action: argparse.Action) -> str:
    if action.choices:
        value = "|".join(f"\\fB{_literal(str(choice))}\\fR" for choice in action.choices)
    else:
        name = action.metavar if isinstance(action.metavar, str) else action.dest
        value = f"\\fI{_literal(name.upper() if action.option_strings else name)}\\fR"
    if not action.option_strings:
        return value + (" ..." if action.nargs in ("*", "+") else "")
    options = ", ".join(f"\\fB{_literal(option)}\\fR" for option in action.option_strings)
    return options if action.nargs == 0 else f"{options} {value}"


def _help(action: argparse.Action) -> str:
    return (action.help or "") % (vars(action) | {"prog": "surpluscharge"})


def _text(words: str | None) -> list[str]:
    """Return running text as lines for roff, a sentence each, none too long and none that roff takes for a request."""
    lines: list[str] = []
    for word in (words or "").split():
        if not lines or len(lines[-1]) + len(word) > 78 or re.search(r"[^.][.!?:;]$", lines[-1]):
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".lstrip()
    return [_literal(line) for line in lines]


def _literal(text: str) -> str:
    escaped = text.replace("\\", "\\e").replace("-", "\\-").replace("'", "\\(aq")
    return f"\\&{escaped}" if escaped.startswith((".", "'")) else escaped
