"""The parts of README.md and of the manual that are made from the code: `python -m tests.readme` writes them anew."""

from __future__ import annotations

import re
from pathlib import Path

from surpluscharge.control import machine
from surpluscharge.control.supervisor import FAULTS, SEVERITY_NAMES
from surpluscharge.daemon.logs import EVENTS
from surpluscharge.words import duration

ROOT = Path(__file__).parent.parent
README, MANUAL = ROOT / "README.md", ROOT / "deploy" / "manual.md"
MADE = {README: ("diagram",), MANUAL: ("faults", "events")}


def parts() -> dict[str, str]:
    """Return each made part by the name in its marker."""
    faults = ["| code | does | must last | lasts at least | what it means | what to do |", "| --- " * 6 + "|"]
    for fault in FAULTS:
        cooldown = f"{duration(fault.cooldown_s)}" if fault.cooldown_s else ""
        if fault.cooldown_most_s > fault.cooldown_s:
            cooldown += f", doubling to {duration(fault.cooldown_most_s)}"
        if fault.latches:
            cooldown = "until acknowledged" + (f", and {cooldown}" if cooldown else "")
        if fault.third_latches:
            cooldown += "; the third time in a row until acknowledged"
        faults.append(
            f"| `{fault.code}` | {SEVERITY_NAMES[fault.severity]} | {duration(fault.after_s) if fault.after_s else ''} "
            f"| {cooldown} | {fault.sentence} | {fault.remedy} |"
        )
    events = ["| event | meaning: fields |", "| --- | --- |"]
    events += [f"| `{name}` | {meaning} |" for name, meaning in EVENTS.items()]
    return {
        "diagram": f"```mermaid\n{machine.diagram()}\n```",
        "faults": "\n".join(faults),
        "events": "\n".join(events),
    }


def renewed(file: Path) -> str:
    """Return a file's text with its made parts as they should be. Raises ValueError where a marker is missing."""
    text, made = file.read_text(encoding="utf-8"), parts()
    for name in MADE[file]:
        pattern = re.compile(rf"(<!-- {name}: [^\n]*-->\n).*?(<!-- /{name} -->)", re.DOTALL)
        if not pattern.search(text):
            raise ValueError(f"{file.name} has no place for {name}")
        text = pattern.sub(lambda match, part=made[name]: f"{match[1]}{part}\n{match[2]}", text)  # type: ignore[misc]
    return text


if __name__ == "__main__":
    for each in MADE:
        each.write_text(renewed(each), encoding="utf-8")
