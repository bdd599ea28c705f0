"""The README and the manual say what the code does."""

from __future__ import annotations

import json
import re
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from surpluscharge.config import parse
from surpluscharge.control.slots import Feed, read_prices
from surpluscharge.control.wishes import Standing
from surpluscharge.daemon.status import schema
from tests import shells
from tests.readme import MADE, MANUAL, README, ROOT, renewed

TEXT, BOOK = README.read_text(encoding="utf-8"), MANUAL.read_text(encoding="utf-8")
MAY_S = datetime(2031, 5, 5, 12, tzinfo=UTC).timestamp()


def test_the_parts_made_from_the_code_are_up_to_date() -> None:
    """If this fails: `python -m tests.readme`."""
    for file in MADE:
        assert renewed(file) == file.read_text(encoding="utf-8")
    for file, text in shells.made().items():
        assert text == file.read_text(encoding="utf-8"), file.name


def test_the_configuration_shown_can_be_run() -> None:
    shown, planned, priced = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    again, phases, one_of_several = re.findall(r"```toml\n(.*?)```", BOOK, re.DOTALL)
    assert again == planned
    assert parse(f"{shown}\n{planned}", "README.md").standing == (Standing(frozenset(range(5)), 7 * 60, 5000.0),)
    assert parse(shown, "README.md").draw_w == 6.0 * 230
    start_w = parse(f"{shown}\n{priced}", "README.md").band().start_w
    assert start_w is not None and 0 < start_w < 6.0 * 230  # as is said there
    settings = parse(phases, "README.md").settings()
    assert (settings.phase, settings.limits.fuse_w, [source.phase for source in settings.grid]) == (2, 5100, [1, 2, 3])
    place = parse(one_of_several + shown[shown.index("[[meter]]") : shown.index("[relay]")], "manual.md").place
    assert place and (place.name, place.rank, place.settle_s) == ("carport", 1, 60.0)
    assert tomllib.loads(shown)["meter"][0]["pointer"] == "/net_w"


def test_the_status_shown_fits_the_schema() -> None:
    prices, shown = re.findall(r"```json\n(.*?)```", BOOK, re.DOTALL)
    assert [slot.value for slot in read_prices(prices.encode(), Feed(None, 1.0), MAY_S)] == [0.21, -0.02]
    document = json.loads(shown)
    document["plan"] = None  # shortened there
    document["grid"]["sources"] = []  # shortened there
    document["thresholds"] = {
        "start_export_w": 1380.0,
        "stop_import_w": 345.0,
        "follow_prices": False,
        "look_ahead": False,
        "steer": False,
    }
    document["ledger"] = None  # likewise
    Draft202012Validator(schema(), format_checker=Draft202012Validator.FORMAT_CHECKER).validate(document)


def test_the_renamed_library_is_explained_once() -> None:
    assert (TEXT + BOOK).count("asyncio-mqtt") == 1


def test_both_commands_are_there() -> None:
    assert "sh deploy/try.sh demo" in TEXT
    assert "sh deploy/try.sh tests" in TEXT


def headings(text: str) -> list[str]:
    """Return what links to a text's headings have to say (as the common hosts of Markdown make them)."""
    text = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    return [
        re.sub(r"[^\w -]", "", each.lower()).replace(" ", "-") for each in re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    ]


@pytest.mark.parametrize("file", MADE, ids=lambda file: file.name)
def test_every_link_leads_somewhere(file: Path) -> None:
    links = re.findall(r"\]\(([^)\s]+)\)", file.read_text(encoding="utf-8"))
    assert links
    for link in links:
        name, _, place = link.partition("#")
        there = (file.parent / name).resolve() if name else file
        assert there.is_relative_to(ROOT) and there.exists(), link
        assert not place or place in headings(there.read_text(encoding="utf-8")), link


def test_the_manual_names_each_of_its_chapters_at_its_head() -> None:
    chapters = re.findall(r"^## (.*)$", BOOK, re.MULTILINE)
    assert re.findall(r"^- \[(.*)\]", BOOK, re.MULTILINE)[: len(chapters)] == chapters
