"""The page of a report, as a real browser shows it."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
from array import array
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from surpluscharge.control.economics import Tariff, Tariffs
from surpluscharge.control.rule import Band
from surpluscharge.history.ledger import Ledger
from surpluscharge.history.report import Household, Report, as_json, build, drawing
from surpluscharge.history.report import page as pages
from surpluscharge.history.report.drawing import DRAWN, SHEETS, Sheet
from surpluscharge.history.report.figures import busy_span
from surpluscharge.history.report.page import as_html
from surpluscharge.history.report.paper import COLOURS
from surpluscharge.planning import comparing, pictures, tune
from surpluscharge.planning.comparing import Comparison
from surpluscharge.planning.replay import series
from tests import test_needed
from tests.conftest import config_from
from tests.histories import PARAMS, TARIFFS, ZONE, Habit, live
from tests.test_tune import BEGIN_S, MONEY, days_of_sun

pytestmark = pytest.mark.browser

LATER = datetime(2031, 7, 1, 12, tzinfo=UTC)
DAY, GAP_DAY = date(2031, 5, 15), date(2031, 5, 3)
HOSTILE = "<img src=http://127.0.0.1:9/x onerror=\"document.title='gone'\">&amp;</title>'"
REPORTS = ("day", "month", "learned", "year", "tonight", "needs")
NAMES = (*REPORTS, "replay", "tune")


class Browser:
    """Chromium, told what window and colour scheme it has."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def show(self, path: Path, width: int = 1280, scheme: str = "light", media: str = "screen") -> None:
        screen = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})
        self.driver.get(path.as_uri())

    def ask(self, script: str, *arguments: object) -> Any:
        return self.driver.execute_script(script, *arguments)

    def complaints(self) -> list[str]:
        """Return what the console said since the last call."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Return every address asked for since the last call."""
        messages = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        return [each["params"]["request"]["url"] for each in messages if each["method"] == "Network.requestWillBeSent"]


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Start a Chromium; skip where it or its driver is not installed, but fail where CI=true."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        if os.environ.get("CI") == "true":
            pytest.fail("CI=true, and no chromium or chromedriver is installed")
        pytest.skip("no browser is installed (Debian: apt-get install chromium chromium-driver)")
    options = Options()
    options.binary_location = chromium
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    quiet = "headless no-sandbox disable-gpu disable-quic no-first-run disable-background-networking"
    quiet += " disable-component-update disable-sync disable-dev-shm-usage"
    for argument in quiet.split():
        options.add_argument(f"--{argument}")
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('profile')}")
    # Both paths are given, so nothing is looked for on the network.
    chrome = webdriver.Chrome(options=options, service=Service(driver))
    yield Browser(chrome)
    chrome.quit()


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Report]:
    """Return reports of an invented house: a day with a gap and a fault, months measured, learned and by the month."""
    folder = tmp_path_factory.mktemp("history")
    site = Household("carport", ZONE, TARIFFS, lambda _: Band(PARAMS.start_export_w, PARAMS.stop_import_w))
    habit = Habit(every_s=40.0, absent={DAY: (11.0, 13.3)}, tripped={DAY: (14.0, 14.5)})
    with Ledger(folder / "measured.sqlite") as ledger:
        live(ledger, date(2031, 5, 1), 31, habit)
        day, month = (
            build(ledger, DAY, DAY, LATER, site),
            build(ledger, date(2031, 5, 1), date(2031, 5, 31), LATER, site),
        )
    with Ledger(folder / "learned.sqlite") as ledger:
        for first in (date(2031, 5, 27), date(2031, 3, 28)):  # the second with the clocks' change in it
            live(ledger, first, 8, Habit(every_s=60.0, learned=True))
        learned = build(ledger, date(2031, 5, 20), date(2031, 6, 9), LATER, site)
        year = build(ledger, date(2030, 7, 1), date(2031, 6, 30), LATER, site)
    with test_needed.written(folder / "planned.sqlite", test_needed.NOW) as ledger:
        first, last, planned = test_needed.FIRST, test_needed.NOW.date(), test_needed.site()
        tonight = build(ledger, last, last, test_needed.NOW, planned)
        needs = build(ledger, first, last, test_needed.NOW, planned)
    return {"day": day, "month": month, "learned": learned, "year": year, "tonight": tonight, "needs": needs}


@pytest.fixture(scope="module")
def compared() -> Comparison:
    """Return a replay of invented days, under a cap that binds, with a gap of two hours in the third day."""
    settings = config_from(
        session={"time_cap_s": 9000.0}, money=MONEY, site={"time_zone": "UTC"}, charger={"current_a": 6}
    )
    sun = days_of_sun(10, spacing_s=60.0)
    kept = [index for index, at_s in enumerate(sun.at_s) if not 2 * 86400 + 36000 <= at_s - BEGIN_S < 2 * 86400 + 43200]
    at_s, surplus_w = (array("d", [values[index] for index in kept]) for values in (sun.at_s, sun.surplus_w))
    return comparing.compare(comparing.study(settings, series(at_s, surplus_w, 90.0)))


@pytest.fixture(scope="module")
def tuned() -> tune.Tuning:
    """Return a tuning of a configuration that is far from the best."""
    settings = config_from(
        control={"start_export_w": 200.0, "stop_import_w": 1900.0}, money=MONEY, site={"time_zone": "UTC"}
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tune, "NEARLY", 0.9)  # under these clouds fewer starts cost more than is nearly nothing
        found = tune.tune(comparing.study(settings, days_of_sun(24, spacing_s=60.0)))
    assert found.recommended and found.calm is not None
    return found


@pytest.fixture(scope="module")
def files(
    tmp_path_factory: pytest.TempPathFactory, reports: dict[str, Report], compared: Comparison, tuned: tune.Tuning
) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    texts = {name: as_html(report) for name, report in reports.items()}
    texts |= {"replay": pictures.of_replay(compared, GAP_DAY), "tune": pictures.of_tuning(tuned)}
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in texts}


# --- it stands alone -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_fetched_and_nothing_complained_about(browser: Browser, files: dict[str, Path], name: str) -> None:
    browser.requests(), browser.complaints()
    browser.show(files[name])
    assert browser.requests() == [files[name].as_uri()]
    assert browser.complaints() == []
    assert browser.ask("return document.scripts.length") == 0


def test_the_check_above_sees_a_request_and_a_complaint(browser: Browser, tmp_path: Path) -> None:
    (tmp_path / "bad.html").write_text("<!doctype html><img src=http://127.0.0.1:9/x><script>oops()</script>")
    browser.requests(), browser.complaints()
    browser.show(tmp_path / "bad.html")
    assert "http://127.0.0.1:9/x" in browser.requests()
    assert any("oops" in message for message in browser.complaints())


def test_what_comes_from_data_is_shown_and_not_obeyed(
    browser: Browser, reports: dict[str, Report], tmp_path: Path
) -> None:
    faults = (*reports["day"].faults, reports["day"].faults[0]._replace(code=HOSTILE))
    hostile = reports["day"]._replace(charger=HOSTILE, currency="<b>$x$</b>", faults=faults)
    (tmp_path / "hostile.html").write_text(as_html(hostile), encoding="utf-8")
    browser.requests(), browser.complaints()
    browser.show(tmp_path / "hostile.html")
    assert browser.ask("return document.querySelectorAll('img, b').length") == 0
    assert HOSTILE in browser.ask("return document.querySelector('.kicker').textContent")
    assert HOSTILE in browser.ask("return document.title")
    assert HOSTILE in browser.ask("return document.querySelector('#faults-table').textContent")
    assert "<b>$x$</b>" in browser.ask("return document.querySelector('#money-table thead').textContent")
    assert len(browser.requests()) == 1 and browser.complaints() == []


@pytest.mark.parametrize("name", NAMES)
def test_names_within_the_page_are_unique_and_lead_somewhere(files: dict[str, Path], name: str) -> None:
    text = files[name].read_text(encoding="utf-8")
    ids = re.findall(r'\bid="([^"]*)"', text)
    assert len(ids) == len(set(ids))
    led_to = re.findall(r'(?:href="|url\()#([^")]*)', text)
    labels = [each for labels in re.findall(r'aria-labelledby="([^"]*)"', text) for each in labels.split()]
    assert led_to and labels and set(led_to) | set(labels) <= set(ids)
    assert not [drawn for drawn in DRAWN.values() if drawn in text]
    assert not re.findall(r"(?:fill|stroke): ?#", text)  # every colour in a drawing is a role


def test_the_same_figures_are_the_same_page(
    reports: dict[str, Report], compared: Comparison, tuned: tune.Tuning, files: dict[str, Path]
) -> None:
    assert as_html(reports["day"]) == files["day"].read_text(encoding="utf-8")
    assert pictures.of_replay(compared, GAP_DAY) == files["replay"].read_text(encoding="utf-8")
    assert pictures.of_tuning(tuned) == files["tune"].read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_nothing_may_be_fetched_or_run(files: dict[str, Path], name: str) -> None:
    """Content Security Policy Level 3 (W3C): what no directive allows falls back to default-src."""
    text = files[name].read_text(encoding="utf-8")
    policy = "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
    assert text.index(policy) < text.index("<title>")


def test_a_hostile_name_of_a_replay_or_a_tuning_is_shown_and_not_obeyed(
    browser: Browser, compared: Comparison, tuned: tune.Tuning, tmp_path: Path
) -> None:
    for case, made in (
        (compared.case, lambda case: pictures.of_replay(compared._replace(case=case))),
        (tuned.case, lambda case: pictures.of_tuning(tuned._replace(case=case, unit="<b>$x$</b>"))),
    ):
        text = made(case._replace(source=HOSTILE, currency="<b>$x$</b>"))
        (tmp_path / "hostile.html").write_text(text, encoding="utf-8")
        browser.requests(), browser.complaints()
        browser.show(tmp_path / "hostile.html")
        assert browser.ask("return document.querySelectorAll('img, b').length") == 0
        assert HOSTILE in browser.ask("return document.querySelector('.kicker').textContent")
        words = browser.ask("return [...document.querySelectorAll('svg text')].map(text => text.textContent)")
        assert any(word.endswith(" <b>$x$</b>") for word in words)
        assert len(browser.requests()) == 1 and browser.complaints() == []


# --- its figures -----------------------------------------------------------------------------------------------------

FIRST_WORDS = (  # of the first drawing
    "return [...document.querySelectorAll('svg.wide')[0].querySelectorAll('text')].map(t => t.textContent)"
)
TABLE = """
    return [...document.querySelectorAll(`#${arguments[0]}-table tbody tr, #${arguments[0]}-table tfoot tr`)].map(
        row => [...row.cells].map(cell => {
            const data = cell.querySelector('data');
            return data ? [data.getAttribute('value'), data.textContent] : cell.textContent;
        }));
"""


def number(cell: object) -> float | None:
    """Return what a cell holds; None where it says that it is not known."""
    return None if cell == "?" else float(cell[0])  # type: ignore[index]


def shown(value: object, per: int = 1) -> str:
    """Return a value as a shop would round it."""
    text = str((Decimal(str(value)) / per).quantize(Decimal("0.01"), ROUND_HALF_UP))
    return text.replace("-0.00", "0.00").replace("-", "\N{MINUS SIGN}")


@pytest.mark.parametrize("name", ["month", "learned", "year"])
def test_every_line_of_the_table_is_that_of_the_json(
    browser: Browser, files: dict[str, Path], reports: dict[str, Report], name: str
) -> None:
    browser.show(files[name])
    document = as_json(reports[name])
    rows = browser.ask(TABLE, "lines")
    assert len(rows) == len(document["lines"]) + 1
    for row, line in zip(rows, [*document["lines"], document["total"]], strict=True):
        keys = ["surplus_wh", "solar_wh", "bought_wh", "charger_wh", *(["error_wh"] if len(row) == 11 else [])]
        if line["known_s"] == 0:  # a day without readings is no nought
            assert set(row[1:-1]) == {"?"} and {line[key] for key in keys} == {None}
            assert float(row[-1][0]) == line["gap_s"] > 0
            continue
        for cell, key in zip(row[1:], keys, strict=False):
            assert float(cell[0]) == line[key]
            assert abs(Decimal(cell[1]) - Decimal(repr(line[key])) / 1000) <= Decimal("0.0050001")
        cost, saved = row[len(keys) + 1 : len(keys) + 3]
        if line["money"]:
            assert [cost[0], saved[0]] == [line["money"]["cost"], line["money"]["saved"]]
            assert [cost[1], saved[1]] == [shown(line["money"]["cost"]), shown(line["money"]["saved"])]
        assert float(row[len(keys) + 3][0]) == line["on_s"]
        assert row[len(keys) + 4][1] == str(line["starts"])
        assert float(row[-1][0]) == line["gap_s"]


def test_the_reckoning_hours_and_sessions_are_those_of_the_json(
    browser: Browser, files: dict[str, Path], reports: dict[str, Report]
) -> None:
    browser.show(files["day"])
    document = as_json(reports["day"])
    spent = document["total"]["money"]
    rows = browser.ask(TABLE, "money")
    keys = ["paid", "forgone", "cost", "alternative", "saved"]
    assert [row[2][0] for row in rows] == [spent[key] for key in keys]
    assert [row[2][1] for row in rows] == [shown(spent[key]) for key in keys]
    rows = browser.ask(TABLE, "hours")
    keys = ["surplus_wh", "solar_wh", "bought_wh", "export_wh", "import_wh", "known_s"]
    for row, hour in zip(rows, [*document["hours"], document["total"]], strict=True):
        assert [number(cell) for cell in row[1:]] == [hour[key] for key in keys]
    assert sum(hour["surplus_wh"] or 0 for hour in document["hours"]) > 1000
    assert [hour["hour"] for hour in document["hours"] if hour["surplus_wh"] is None] == [12]
    for row, session in zip(browser.ask(TABLE, "sessions"), document["sessions"], strict=True):
        assert [float(cell[0]) for cell in row[3:6]] == [
            session[key] for key in ("charger_wh", "solar_wh", "bought_wh")
        ]
        assert [row[6][0], row[7][0]] == [session["money"]["cost"], session["money"]["saved"]]
        assert row[-1] == session["ended"]
    assert [row[1] for row in browser.ask(TABLE, "faults")] == ["draw-high"]


def test_needs_shares_and_the_plan_are_those_of_the_json(
    browser: Browser, files: dict[str, Path], reports: dict[str, Report]
) -> None:
    browser.show(files["needs"])
    document = as_json(reports["needs"])
    rows = browser.ask(TABLE, "needs")
    assert len(rows) == len(document["needs"]) + 1 == 5
    for row, need in zip(rows, document["needs"], strict=False):
        assert [float(cell[0]) for cell in row[1:4]] == [need[key] for key in ("needed_wh", "came_wh", "from_sun_wh")]
        assert [cell[0] for cell in row[4:7]] == [need[key] for key in ("cost", "at_once_cost", "best_cost")]
        assert row[7] == ("in time" if need["met"] else "missed")
    whole = document["needs_in_all"]
    assert [cell[0] for cell in rows[-1][4:7]] == [whole[key] for key in ("cost", "at_once_cost", "best_cost")]
    rows = browser.ask(TABLE, "lines")
    for row, line in zip(rows, [*document["lines"], document["total"]], strict=True):
        keys = ("surplus_wh", "solar_wh", "beside_sun_wh", "planned_wh", "charger_wh")
        assert [float(cell[0]) for cell in row[1:6]] == [line[key] for key in keys]
    rows = browser.ask(TABLE, "money")
    spent = document["total"]["money"]
    assert rows[0][2][0] == spent["planned"]
    assert Decimal(rows[0][2][0]) + Decimal(rows[1][2][0]) == Decimal(spent["paid"])
    browser.show(files["tonight"])
    document = as_json(reports["tonight"])
    rows = browser.ask(TABLE, "ahead")
    assert [float(row[2][0]) for row in rows] == [run["energy_wh"] for run in document["plan"]["runs"]] != []
    assert document["plan"]["text"] in browser.ask("return document.body.textContent.replace(/\u00a0/g, ' ')")


def test_what_is_planned_stands_in_the_picture_of_today_with_prices_and_the_time_it_is_needed(
    browser: Browser, files: dict[str, Path], reports: dict[str, Report]
) -> None:
    """Its picture goes on to the end of tonight's runs; yesterday's ends with the day."""
    browser.show(files["tonight"])
    words = browser.ask(FIRST_WORDS)
    assert {"planned", "session", "00:00"} <= set(words) and any(word.endswith(" EUR") for word in words)
    runs = reports["tonight"].ahead
    assert runs is not None
    begin_ms, end_ms = busy_span(reports["tonight"])
    assert begin_ms < runs.runs[0].begin_s * 1000 < runs.runs[-1].end_s * 1000 <= end_ms
    key = browser.ask("return [...document.querySelector('.key').children].map(e => e.textContent)")
    assert {"bought beside the sun", "bought by plan", "what a kWh from the grid costs, in EUR"} <= set(key)
    assert "the car is needed; hollow where it was not ready" in key
    drawn = browser.ask("return document.querySelectorAll('svg.wide')[0].outerHTML")
    assert "var(--planned)" in drawn and "var(--bought)" in drawn
    plain = files["day"].read_text(encoding="utf-8")  # as ever, where nothing is planned
    assert "sw planned" not in plain and "sw price" not in plain and "sw due" not in plain


# Machado, Oliveira and Fernandes 2009: what is left of linear RGB without one kind of cone (from memory).
CONES = {
    "protan": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deutan": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
}


@pytest.mark.parametrize("kind", CONES)
@pytest.mark.parametrize("scheme", [0, 1])
def test_sun_bought_and_planned_keep_apart_for_colour_blind_eyes(scheme: int, kind: str) -> None:
    """By CIE 1976 colour difference: 20 is far beyond what is just seen. Each has a hatching of its own besides."""

    def lab(role: str) -> list[float]:
        linear = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
            for c in (int(COLOURS[role][scheme][at : at + 2], 16) / 255 for at in (1, 3, 5))
        ]
        seen = [min(1.0, max(0.0, sum(k * c for k, c in zip(row, linear, strict=True)))) for row in CONES[kind]]
        to_xyz = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
        xyz = [sum(k * c for k, c in zip(row, seen, strict=True)) for row in to_xyz]
        f = [
            t ** (1 / 3) if t > 216 / 24389 else (24389 / 27 * t + 16) / 116
            for t in (value / white for value, white in zip(xyz, (0.95047, 1.0, 1.08883), strict=True))
        ]
        return [116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])]

    for one, other in combinations(("caught", "bought", "planned"), 2):
        assert math.dist(lab(one), lab(other)) > 20, (one, other)


def test_the_tables_of_a_replay_are_those_of_the_json(
    browser: Browser, files: dict[str, Path], compared: Comparison
) -> None:
    browser.show(files["replay"])
    document = comparing.as_json(compared)
    rows = browser.ask(TABLE, "rules")
    rules = [document, *(document[key] for key in ("plain", "auto", "ahead", "hindsight"))]
    assert [row[0] for row in rows[:5]] == ["as configured", "fixed thresholds", '"auto"', '"ahead"', "best plan"]
    for row, rule in zip(rows, rules, strict=False):
        keys = ("solar_kwh", "grid_kwh", "value", "share_of_hindsight", "starts")
        assert [float(cell[0]) for cell in row[1:]] == [rule[key] for key in keys]
        assert row[3][1] == shown(rule["value"]) and row[5][1] == str(rule["starts"])
    rows = browser.ask(TABLE, "days")
    assert len(rows) == len(document["by_day"]) == 10
    for row, day in zip(rows, document["by_day"], strict=True):
        keys = ("value", "hindsight_at_most", "solar_kwh", "grid_kwh", "starts")
        assert [float(cell[0]) for cell in row[1:]] == [day[key] for key in keys]
    for key in ("value", "solar_kwh", "grid_kwh", "starts"):
        assert sum(day[key] for day in document["by_day"]) == pytest.approx(document[key], abs=0.01)
    assert f"{document['value']:.2f} EUR: {100 * document['share_of_hindsight']:.0f} % of the best possible" in re.sub(
        "\N{NO-BREAK SPACE}", " ", browser.ask("return document.querySelector('.lede').textContent")
    )


def test_the_day_of_a_replay_is_what_its_moves_come_to(
    browser: Browser, files: dict[str, Path], compared: Comparison
) -> None:
    """By the sums of the replay, which are made in another way: over running totals, not over cut readings."""
    index = GAP_DAY.toordinal() - compared.case.days.first
    browser.show(files["replay"])
    gist = browser.ask("return document.querySelector('svg desc').textContent")
    solar, bought = compared.replayed.solar_wh[index] / 1000, compared.replayed.grid_wh[index] / 1000
    found = re.search(r"([\d.]+) kWh were caught, ([\d.]+) kWh bought", gist)
    assert found and solar > 1 and bought > 0.04
    assert (float(found[1]), float(found[2])) == (pytest.approx(solar, abs=0.006), pytest.approx(bought, abs=0.006))
    rows = browser.ask(TABLE, "day")
    assert {"charging", "cap reached", "best plan"} <= {row[2] for row in rows}
    charged_s = sum(
        (datetime.fromisoformat(f"2031-05-03T{row[1]}") - datetime.fromisoformat(f"2031-05-03T{row[0]}")).seconds
        for row in rows
        if row[2] == "charging"
    )
    assert (solar + bought) * 3_600_000 / compared.case.draw_w == pytest.approx(charged_s, rel=0.01)
    words = browser.ask("return [...document.querySelector('svg').querySelectorAll('text')].map(t => t.textContent)")
    assert {"charging", "cap reached", "best plan", "1 kW"} <= set(words)
    assert not [word for word in words if word.endswith(" W") and "of surplus" not in word]
    key = browser.ask("return document.querySelector('.key').textContent")
    assert "held back: the session's cap is reached" in key and "not known" in key


def test_the_tables_of_a_tuning_are_those_of_the_json_and_what_is_recommended_comes_first(
    browser: Browser, files: dict[str, Path], tuned: tune.Tuning
) -> None:
    browser.show(files["tune"])
    document = tune.as_json(tuned)
    heads = browser.ask("return [...document.querySelectorAll('#choices-table thead th')].map(th => th.textContent)")
    assert heads == ["recommended", "far fewer starts", "as configured"]
    assert browser.ask("return document.querySelector('.lede').textContent").startswith("Recommended: start above ")
    *_, worth, starts = browser.ask(TABLE, "choices")
    rules = [document[key] for key in ("best", "far_fewer_starts", "configured")]
    assert [float(cell[0]) for cell in worth[1:]] == [rule["worth_a_day"] for rule in rules]
    assert [cell[1] for cell in worth[1:]] == [shown(rule["worth_a_day"]) for rule in rules]
    assert [float(cell[0]) for cell in starts[1:]] == [rule["starts_a_day"] for rule in rules]
    rows = browser.ask(TABLE, "frontier")
    assert [float(row[1][0]) for row in rows] == [rule["worth_a_day"] for rule in document["frontier"]]
    words = browser.ask("return [...document.querySelector('svg').querySelectorAll('text')].map(t => t.textContent)")
    assert {"recommended", "far fewer starts", "as configured"} <= set(words)


def test_the_tables_that_matter_hold_on_a_phone(browser: Browser, files: dict[str, Path]) -> None:
    """What is side by side has to be seen side by side: no scrolling, not even within the table."""
    for name, table in (("replay", "rules"), ("replay", "days"), ("tune", "choices")):
        browser.show(files[name], 390)
        browser.ask("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        wide, room = browser.ask(
            f"const t = document.querySelector('#{table}-table'); return [t.scrollWidth, t.parentElement.clientWidth]"
        )
        assert wide <= room, table


def test_each_gap_fault_session_and_state_of_the_day_is_in_the_drawing(
    browser: Browser, files: dict[str, Path], reports: dict[str, Report]
) -> None:
    browser.show(files["day"])
    words = browser.ask(FIRST_WORDS)
    states = {"not running" if each.state == "absent" else each.state for each in reports["day"].states}
    assert {"session", "fault", "1", "A", *states} <= set(words)
    assert "start above 1.10 kW of export" in words and "end above 345 W of import" in words
    assert "Not known: 11:00 to 13:18." in browser.ask("return document.body.textContent")


def test_a_day_on_which_nothing_may_start_has_no_threshold_and_says_so(reports: dict[str, Report]) -> None:
    never = tuple(each._replace(band=Band(float("inf"), -float("inf"))) for each in reports["day"].thresholds)
    text = as_html(reports["day"]._replace(thresholds=never))
    assert "no charge starts at these prices" in text and "start above" not in text


def drawn_words(browser: Browser, path: Path, place: int = 0, width: int = 1280) -> list[tuple[str, float, float]]:
    """Return the words of a drawing, each with where it stands in the drawing's height: 0 at the top, 1 at the foot."""
    browser.show(path, width)
    found = browser.ask(
        """
        const svgs = [...document.querySelectorAll('svg')].filter(each => each.getClientRects().length);
        const frame = svgs[arguments[0]].getBoundingClientRect();
        return [...svgs[arguments[0]].querySelectorAll('text')].map(text => {
            const box = text.getBoundingClientRect();
            return [text.textContent, (box.top - frame.top) / frame.height, (box.bottom - frame.top) / frame.height];
        });
        """,
        place,
    )
    return [(str(text), float(top), float(bottom)) for text, top, bottom in found]


@pytest.mark.parametrize("width", [390, 1280])
def test_hours_without_anything_are_left_out(
    browser: Browser, files: dict[str, Path], reports: dict[str, Report], width: int
) -> None:
    """The sun of that day is there from 6 to 20 o'clock; the table keeps all hours."""
    sunny = [each["hour"] for each in as_json(reports["day"])["hours"] if (each["surplus_wh"] or 0) >= 5]
    assert (min(sunny), max(sunny)) == (6, 19)
    clocks = [text for text, *_ in drawn_words(browser, files["day"], 0, width) if re.fullmatch(r"\d\d:00", text)]
    assert clocks[0] == "06:00" and "18:00" in clocks and not {"00:00", "03:00", "21:00", "24:00"} & set(clocks)
    hours = [text for text, *_ in drawn_words(browser, files["day"], 1, 1280) if re.fullmatch(r"\d\d", text)]
    assert hours == [f"{hour:02d}" for hour in range(6, 20)]
    assert len(browser.ask(TABLE, "hours")) == 25
    assert "before 06:00 and after 20:00" in browser.ask("return document.body.textContent")


@pytest.mark.parametrize(
    ("start_export_w", "stop_import_w", "said"),
    [
        (1100.0, 345.0, ["start above 1.10 kW of export", "end above 345 W of import"]),
        (3900.0, 1380.0, ["start above 3.90 kW of export", "end above 1.38 kW of import"]),
        (1380.0, -200.0, ["start above 1.38 kW of export", "end below 200 W of export"]),
        (
            25000.0,
            20000.0,
            ["start above 25.00 kW of export, further up", "end above 20.00 kW of import, further down"],
        ),
    ],
)
def test_every_threshold_is_named_within_the_picture(
    browser: Browser,
    reports: dict[str, Report],
    tmp_path: Path,
    start_export_w: float,
    stop_import_w: float,
    said: list[str],
) -> None:
    """And a line is drawn for it, within the frame; on a phone the words may be shorter."""
    (span,) = reports["day"].thresholds
    spans = (span._replace(band=Band(start_export_w, stop_import_w)),)
    (tmp_path / "day.html").write_text(as_html(reports["day"]._replace(thresholds=spans)), encoding="utf-8")
    for width in (390, 1280):
        found = drawn_words(browser, tmp_path / "day.html", 0, width)
        for each in said:
            short = re.sub(r" (above|below)| of (export|import)", "", each)
            ((_, top, bottom),) = [one for one in found if one[0] in ((each,) if width > 600 else (each, short))]
            assert 0 <= top < bottom <= 1, each
        lines = browser.ask(
            """
            const svg = [...document.querySelectorAll('svg')].find(each => each.getClientRects().length);
            const frame = svg.getBoundingClientRect();
            return [...svg.querySelectorAll('path')]
                .filter(p => p.style.stroke == 'var(--fault)' && p.style.strokeDasharray)
                .map(p => p.getBoundingClientRect()).map(b => [b.top - frame.top, frame.bottom - b.bottom, b.width]);
            """
        )
        assert len(lines) == 2
        assert all(top > 0 and foot > 0 and length > 100 for top, foot, length in lines), lines


def test_thresholds_that_change_with_the_prices_are_named_each(
    browser: Browser, reports: dict[str, Report], tmp_path: Path
) -> None:
    (span,) = reports["day"].thresholds
    at_ms = span.begin_ms + 12 * 3_600_000
    spans = (
        span._replace(end_ms=at_ms, band=span.band._replace(start_export_w=800.0)),
        span._replace(begin_ms=at_ms, band=span.band._replace(start_export_w=1300.0)),
    )
    (tmp_path / "day.html").write_text(as_html(reports["day"]._replace(thresholds=spans)), encoding="utf-8")
    words = [text for text, *_ in drawn_words(browser, tmp_path / "day.html")]
    for each in ("start above 800 W of export", "start above 1.30 kW of export", "end above 345 W of import"):
        assert words.count(each) == 1


def test_the_meters_line_fades_over_the_charge(browser: Browser, files: dict[str, Path]) -> None:
    browser.show(files["day"])
    inks = browser.ask(
        """
        const svg = [...document.querySelectorAll('svg')].find(each => each.getClientRects().length);
        return [...svg.querySelectorAll('path')].filter(p => p.style.stroke == 'var(--ink)' && p.style.fill == 'none')
            .map(p => [parseFloat(p.style.strokeOpacity || 1), p.getBoundingClientRect().height]);
        """
    )
    steps = [opacity for opacity, height in inks if height > 3]
    assert min(steps) < 0.5 and max(steps) == 1


def test_money_along_an_axis_has_its_unit(
    browser: Browser, reports: dict[str, Report], files: dict[str, Path], tmp_path: Path
) -> None:
    (tmp_path / "odd.html").write_text(as_html(reports["month"]._replace(currency="<b>$x</b>")), encoding="utf-8")
    for file, currency in ((files["month"], "EUR"), (tmp_path / "odd.html", "<b>$x</b>")):
        words = [text for text, *_ in drawn_words(browser, file)]
        assert f"1 {currency}" in words and f"0 {currency}" in words
        assert not [text for text in words if re.fullmatch(r"[\d.]+", text) and "." in text]


# --- for everybody ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [320, 390, 600, 1280])
@pytest.mark.parametrize("name", NAMES)
def test_the_page_never_scrolls_sideways(browser: Browser, files: dict[str, Path], name: str, width: int) -> None:
    browser.show(files[name], width)
    browser.ask("document.querySelectorAll('details').forEach(each => { each.open = true; })")
    assert browser.ask("return document.documentElement.scrollWidth") <= width


LETTERS = """
    const found = [];
    for (const svg of document.querySelectorAll('svg')) {
        if (!svg.getClientRects().length) continue;
        const frame = svg.getBoundingClientRect();
        for (const text of svg.querySelectorAll('text')) {
            const box = text.getBoundingClientRect();
            const scale = frame.width / svg.viewBox.baseVal.width;
            found.push([svg.getAttribute('aria-labelledby'), text.textContent, box.left - 3, box.top, box.right - 3,
                        box.bottom, parseFloat(getComputedStyle(text).fontSize) * scale, innerWidth]);
        }
    }
    return found;
"""


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", NAMES)
def test_the_words_of_a_drawing_can_be_read(browser: Browser, files: dict[str, Path], name: str, width: int) -> None:
    """At least 10 px high, within the window, and none upon another."""
    browser.show(files[name], width)
    letters = browser.ask(LETTERS)
    assert len(letters) > 10
    for index, (svg, text, left, top, right, bottom, size, window) in enumerate(letters):
        assert size >= 10, text
        assert left >= -3 and right <= window, text
        for other_svg, other, its_left, its_top, its_right, its_bottom, *_ in letters[:index]:
            across = min(right, its_right) - max(left, its_left)
            down = min(bottom, its_bottom) - max(top, its_top)
            assert svg != other_svg or across < 1 or down < 3, f"{text!r} upon {other!r}"


INKS = """
    const found = [];
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
        const parent = walker.currentNode.parentElement;
        if (!walker.currentNode.textContent.trim() || !parent.getClientRects().length) continue;
        if (parent.closest('title, desc')) continue;
        const style = getComputedStyle(parent);
        found.push([walker.currentNode.textContent.trim(), parent.closest('svg') ? style.fill : style.color]);
    }
    return [getComputedStyle(document.body).backgroundColor, found];
"""


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance, of rgb(...) or #rrggbb."""
    parts = [int(each) for each in re.findall(r"\d+", colour)][:3]
    if colour.startswith("#"):
        parts = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
    linear = [each / 255 / 12.92 if each / 255 <= 0.04045 else ((each / 255 + 0.055) / 1.055) ** 2.4 for each in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_reckoned_as_the_guideline_says() -> None:
    """Black on white is 21:1; #767676 on white is 4.54:1, the lightest grey that passes (WebAIM, from memory)."""
    assert contrast("rgb(0, 0, 0)", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize(("scheme", "media"), [("light", "screen"), ("dark", "screen"), ("dark", "print")])
@pytest.mark.parametrize("name", NAMES)
def test_all_text_stands_out(browser: Browser, files: dict[str, Path], name: str, scheme: str, media: str) -> None:
    """WCAG 2.2, 1.4.3 (AA): 4.5:1. Paper is white-ish in print, whatever the scheme."""
    browser.show(files[name], 1280, scheme, media)
    browser.ask("document.querySelectorAll('details').forEach(each => { each.open = true; })")
    paper, texts = browser.ask(INKS)
    assert (luminance(paper) < 0.1) == (scheme == "dark" and media == "screen")
    assert len(texts) > 70
    for text, ink in texts:
        assert contrast(ink, paper) >= 4.5, f"{text}: {ink} on {paper}"


@pytest.mark.parametrize("scheme", [0, 1])
@pytest.mark.parametrize("role", ["caught", "spare-edge", "bought", "planned", "house-edge", "saved", "fault", "ink"])
def test_what_is_drawn_stands_out(scheme: int, role: str) -> None:
    """WCAG 2.2, 1.4.11 (AA): 3:1 for what is needed to understand a graphic."""
    assert contrast(COLOURS[role][scheme], COLOURS["paper"][scheme]) >= 3


@pytest.mark.parametrize("name", NAMES)
def test_headings_tables_and_pictures_make_sense_without_eyes(
    browser: Browser, files: dict[str, Path], name: str
) -> None:
    browser.show(files[name])
    assert browser.ask("return document.documentElement.lang") == "en"
    levels = browser.ask("return [...document.querySelectorAll('h1,h2,h3,h4')].map(h => Number(h.tagName[1]))")
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    tables = browser.ask(
        "return [...document.querySelectorAll('table')].map(t => [t.caption?.textContent,"
        " t.querySelectorAll('th:not([scope])').length, t.querySelectorAll('tbody tr:not(:has(th[scope=row]))').length,"
        " t.querySelectorAll('th[scope=col]').length])"
    )
    assert len(tables) >= (4 if name in REPORTS else 2)
    for caption, without_scope, without_head, columns in tables:
        assert caption and without_scope == 0 and without_head == 0 and columns > 0
    nodes = browser.driver.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    images = [node for node in nodes if node.get("role", {}).get("value") in ("image", "img")]
    said = browser.ask(
        "return [...document.querySelectorAll('svg')].filter(s => s.getClientRects().length)"
        ".map(s => [s.querySelector('title').textContent, s.querySelector('desc').textContent])"
    )
    assert len(said) == (1 if name == "tune" else 2) and all(name and gist for name, gist in said)
    assert all("kWh" in gist for _, gist in said) or name == "tune"
    assert [node["name"]["value"] for node in images] == [f"{name} {gist}" for name, gist in said]


@pytest.mark.parametrize("name", NAMES)
def test_numbers_stand_to_the_right_under_a_unit(browser: Browser, files: dict[str, Path], name: str) -> None:
    browser.show(files[name])
    cells = browser.ask(
        "return [...document.querySelectorAll('td data')].map(d => { const s = getComputedStyle(d.parentElement);"
        " return [s.textAlign, s.fontVariantNumeric]; })"
    )
    assert len(cells) > 10
    assert all(align == "right" and "tabular-nums" in digits for align, digits in cells)


def test_printing_leaves_out_what_is_folded_and_keeps_the_wide_drawing(
    browser: Browser, files: dict[str, Path]
) -> None:
    browser.show(files["day"], 390, "dark", "print")
    seen = "return [...document.querySelectorAll(arguments[0])].filter(e => e.getClientRects().length).length"
    assert browser.ask(seen, "svg.wide") == 2
    assert browser.ask(seen, "svg.narrow, details") == 0


@pytest.mark.parametrize("sheet", SHEETS, ids=["wide", "narrow"])
@pytest.mark.parametrize("number", [7, 21, 31, 45, 62])
def test_labels_along_an_axis_leave_room_for_one_another(sheet: Sheet, number: int) -> None:
    """A digit of the drawing's letters is 0.64 of their size wide (DejaVu Sans), an average letter no more."""
    letter_px = 0.64 * (11.5 if sheet.narrow else 12.5)
    step_px = (sheet.width_px - sheet.left_px - 20) / number
    for offset in range(31):
        every = [date(2031, 5, 1) + timedelta(days=offset + index) for index in range(number)]
        names = [f"{day.day} May" if day.day == 1 or day == every[0] else str(day.day) for day in every]
        ticks = drawing.ticks(names, step_px, sheet)
        assert len(ticks) >= min(4, number)
        # Where the first day of the page and the first of the month are neighbours, both are named all the same.
        for (place, name), (after, its) in pairwise(ticks):
            assert (after - place) * step_px > letter_px * (len(name) + len(its)) / 2, ticks


# --- odd histories ---------------------------------------------------------------------------------------------------


def test_days_of_which_nothing_is_known_still_make_a_page(tmp_path: Path) -> None:
    site = Household("carport", ZONE, None, lambda _: Band(1000.0, 300.0))
    with Ledger(tmp_path / "h.sqlite") as ledger:
        text = as_html(build(ledger, date(2031, 5, 1), date(2031, 5, 3), LATER, site))
    assert "Nothing is known of this time" in text and "<svg" not in text


def test_a_day_that_loses_money_says_lost(reports: dict[str, Report], tmp_path: Path) -> None:
    dear = Tariffs("EUR", (Tariff(None, Decimal("0.3"), Decimal("0.25"), Decimal("0.05")),))
    site = Household("carport", ZONE, dear, lambda _: Band(1000.0, 300.0))
    with Ledger(tmp_path / "h.sqlite") as ledger:
        live(ledger, date(2031, 5, 18), 2, Habit(every_s=60.0))
        text = as_html(build(ledger, date(2031, 5, 18), date(2031, 5, 19), LATER, site))
    assert "EUR lost." in re.sub("\N{NO-BREAK SPACE}", " ", text)
    assert "money lost" in text and "\N{MINUS SIGN}" in text


def test_many_faults_have_letters_of_their_own(reports: dict[str, Report]) -> None:
    letters = [pages._letter(number) for number in range(60)]
    assert len(set(letters)) == 60
    assert (letters[0], letters[25], letters[26], letters[52]) == ("A", "Z", "AA", "BA")
