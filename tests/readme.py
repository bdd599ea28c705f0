"""What is made from the code: parts of README.md and of the manual, and what `tests.shells` makes.

`python -m tests.readme` writes it anew.
"""

from __future__ import annotations

import re
import tempfile
from datetime import date, datetime
from pathlib import Path

from surpluscharge.control import machine
from surpluscharge.control.rule import Band
from surpluscharge.control.supervisor import FAULTS, SEVERITY_NAMES
from surpluscharge.daemon.logs import EVENTS
from surpluscharge.history.ledger import Ledger
from surpluscharge.history.report import Household, build
from surpluscharge.history.report.page import as_html
from surpluscharge.history.report.paper import COLOURS
from surpluscharge.words import duration
from tests import shells
from tests.histories import PARAMS, TARIFFS, ZONE, Habit, live

ROOT = Path(__file__).parent.parent
README, MANUAL, PICTURE = ROOT / "README.md", ROOT / "deploy" / "manual.md", ROOT / "deploy" / "day.svg"
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


def picture() -> str:
    """Return a day of an invented house as a report draws it, as an SVG with its colours, light and dark."""
    day = date(2031, 5, 18)
    site = Household("carport", ZONE, TARIFFS, lambda _: Band(PARAMS.start_export_w, PARAMS.stop_import_w))
    with tempfile.TemporaryDirectory() as folder, Ledger(Path(folder) / "history.sqlite") as ledger:
        live(ledger, day, 1, Habit(every_s=40.0))
        page = as_html(build(ledger, day, day, datetime(2031, 5, 19, tzinfo=ZONE), site))
    svg = page[page.index('<svg class="wide"') : page.index("</svg>") + 6]
    light, dark = ("".join(f"--{role}:{pair[scheme]};" for role, pair in COLOURS.items()) for scheme in (0, 1))
    style = (
        f"svg{{--face:sans-serif;background:var(--paper);{light}}}@media (prefers-color-scheme:dark){{svg{{{dark}}}}}"
    )
    style += "svg text{paint-order:stroke;stroke:var(--paper);stroke-width:3px}"
    return svg.replace(">", f"><style>{style}</style>", 1) + "\n"


if __name__ == "__main__":
    PICTURE.write_text(picture(), encoding="utf-8")
    for each in MADE:
        each.write_text(renewed(each), encoding="utf-8")
    for each, text in shells.made().items():
        each.write_text(text, encoding="utf-8")
