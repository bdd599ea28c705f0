"""OpenMetrics, as its own library reads them, and served to this computer only."""

from __future__ import annotations

import socket
import urllib.error
import urllib.request
from collections.abc import Iterator

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.samples import Sample
from structlog.testing import capture_logs

from surpluscharge.config import ConfigError, parse
from surpluscharge.daemon import logs, metrics
from surpluscharge.daemon.metrics import Metrics
from surpluscharge.daemon.status import StatusDocument
from tests.conftest import free_port
from tests.test_view import EMPTY, FAULT, FULL, planned

OPENMETRICS = "application/openmetrics-text; version=1.0.0"


@pytest.fixture
def served() -> Iterator[tuple[Metrics, int]]:
    port = free_port()
    metrics_ = Metrics(port, logs.logger())
    yield metrics_, port
    metrics_.close()


def asked(port: int, accept: str = OPENMETRICS) -> str:
    request = urllib.request.Request(f"http://127.0.0.1:{port}/metrics", headers={"Accept": accept})
    with urllib.request.urlopen(request, timeout=60) as answer:
        assert answer.headers["Content-Type"].startswith("application/openmetrics-text")
        return str(answer.read().decode())


def samples(text: str) -> dict[tuple[str, ...], Sample]:
    found: dict[tuple[str, ...], Sample] = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            assert sample.labels["charger"] == "carport" and family.documentation
            others = [value for label, value in sorted(sample.labels.items()) if label != "charger"]
            found[(sample.name.removeprefix("surpluscharge_"), *others)] = sample
    return found


def test_a_document_is_what_its_own_library_reads(served: tuple[Metrics, int]) -> None:
    """The parser is strict: names, units and types are those of OpenMetrics 1.0, or it raises ValueError."""
    metrics_, port = served
    assert samples(asked(port)) == {}  # before the first document
    changes = {"faults": [FAULT], "plan": planned(unreachable_wh=1.0), "refused_messages": {"not-json": 3}}
    metrics_.show(StatusDocument.model_validate(FULL | changes))
    values = {key: sample.value for key, sample in samples(asked(port)).items()}
    assert values["grid_power_watts",] == -410.0 and values["charger_power_watts",] == 1800.0
    assert values["state", "charging"] == 1.0 and values["state", "idle"] == 0.0
    assert values["today_energy_joules", "sun"] == 2500 * 3600
    assert values["fault", "draw-high", "true", "trip"] == 1.0
    assert values["plan_unreachable_energy_joules",] == 3600.0
    assert values["refused_messages_total", "not-json"] == 3.0
    assert values["daemon_info", metrics.__version__] == 1.0
    metrics_.show(StatusDocument.model_validate(FULL | EMPTY))
    values = {key: sample.value for key, sample in samples(asked(port)).items()}
    unknown = {"grid_power_watts", "surplus_power_watts", "charger_power_watts", "socket_temperature_celsius", "fault"}
    assert not unknown & {name for name, *_ in values} and values["enabled",] == 0.0


def test_it_listens_on_the_loopback_interface_only(served: tuple[Metrics, int]) -> None:
    metrics_, port = served
    assert metrics_._server.server_address[0] == "127.0.0.1"
    with socket.socket() as other, pytest.raises(ConnectionRefusedError):
        other.connect(("127.0.0.2", port))  # where 0.0.0.0 would listen, too


def test_whoever_asks_slowly_or_goes_keeps_nobody_waiting_for_ever(
    served: tuple[Metrics, int], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    metrics_, port = served
    monkeypatch.setattr(metrics._Handler, "timeout", 0.2)
    metrics_.show(StatusDocument.model_validate(FULL))
    with socket.create_connection(("127.0.0.1", port)) as slow:
        slow.sendall(b"GET /metr")
        assert "grid_power" in asked(port)
    with socket.create_connection(("127.0.0.1", port)) as gone:
        gone.sendall(b"nonsense\r\n\r\n")
    assert "grid_power" in asked(port)
    assert capfd.readouterr().err == ""


def test_a_port_that_is_taken_is_said_and_nothing_else_is_held_up(served: tuple[Metrics, int]) -> None:
    with capture_logs() as lines:
        other = Metrics(served[1], logs.logger())
    assert [(line["event"], line["port"]) for line in lines] == [("metrics_failed", served[1])]
    other.show(StatusDocument.model_validate(FULL))
    other.close()


def test_the_port_has_to_be_given() -> None:
    house = 'charger.current_a = 6\nrelay.topic = "p"\nmeter = [{ topic = "g" }]\n'
    for wrong in ("[metrics]", "[metrics]\nport = 0", '[metrics]\nport = 9750\nhost = "0.0.0.0"'):
        with pytest.raises(ConfigError, match="metrics"):
            parse(f"{house}{wrong}", "house.toml")
    config = parse(f"{house}[metrics]\nport = 9750", "house.toml")
    assert config.metrics and config.metrics.port == 9750
