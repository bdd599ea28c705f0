"""The latest status document as OpenMetrics, on the loopback interface, for whoever collects such.

One thread answers, one request after the other, from a document that nobody changes any more: it holds nothing up, and
whoever is slow to ask keeps only others waiting who ask the same. Units are the standard's base units: joules and
ratios, not watt-hours and percent.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

import structlog
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.exposition import make_wsgi_app
from prometheus_client.registry import Collector, CollectorRegistry

from surpluscharge import __version__
from surpluscharge.control import machine
from surpluscharge.daemon.status import StatusDocument

JOULES_PER_WH = 3600.0
ASKED_WITHIN_S = 5.0  # real seconds between two pieces of a request
HOST = "127.0.0.1"


class _Handler(WSGIRequestHandler):
    timeout = ASKED_WITHIN_S

    def log_message(self, *_: Any) -> None:
        """Say nothing: standard error is for the daemon's own lines."""


class _Server(WSGIServer):
    def handle_error(self, *_: Any) -> None:
        """Say nothing of one who has gone while he was answered."""


class Metrics(Collector):
    """Answers on a port of the loopback interface. Where it cannot, that is logged, and nothing else is held up."""

    def __init__(self, port: int, log: structlog.stdlib.BoundLogger) -> None:
        self._document: StatusDocument | None = None
        self._server: WSGIServer | None = None  # it cannot be had
        registry = CollectorRegistry()
        registry.register(self)
        try:
            self._server = make_server(
                HOST, port, make_wsgi_app(registry), server_class=_Server, handler_class=_Handler
            )
        except OSError as error:
            log.error("metrics_failed", port=port, reason=str(error))
            return
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        if self._server:
            self._server.shutdown()
            self._server.server_close()

    def show(self, document: StatusDocument) -> None:
        """Take another document."""
        self._document = document

    def collect(self) -> Iterator[Metric]:
        """Yield what is asked for; nothing before the first document."""
        document = self._document
        if document is not None:
            yield from families(document)


def families(document: StatusDocument) -> Iterator[Metric]:
    """Yield the metrics of a document; what is not known is left out."""
    who = [document.charger]

    def gauge(name: str, about: str, value: float | None, unit: str = "") -> Iterator[Metric]:
        if value is not None:
            family = GaugeMetricFamily(f"surpluscharge_{name}", about, labels=["charger"], unit=unit)
            family.add_metric(who, value)
            yield family

    info = InfoMetricFamily("surpluscharge_daemon", "what answers here", labels=["charger"])
    info.add_metric(who, {"version": __version__})
    yield info
    states = StateSetMetricFamily("surpluscharge_state", "what the charger does", labels=["charger"])
    states.add_metric(who, {name: name == document.state for name in machine.MODE_NAMES})
    yield states
    yield from gauge("status_timestamp", "when this was so", document.time.timestamp(), "seconds")
    yield from gauge("enabled", "1: charging is allowed", float(document.enabled))
    yield from gauge("relay_commanded", "1: told on", float(document.relay.commanded == "on"))
    yield from gauge("relay_confirmed", "1: it is as it was told", float(document.relay.confirmed))
    yield from gauge("grid_power", "positive: import", document.grid.power_w if document.grid.fresh else None, "watts")
    yield from gauge("surplus_power", "left over without the charger", document.surplus_w, "watts")
    drawn = document.charger_power
    yield from gauge("charger_power", "into the car", drawn.power_w if drawn.known else None, "watts")
    socket = document.socket
    yield from gauge("socket_image", "thermal image: 0 cold, 1 trips", socket.level, "ratio")
    yield from gauge("socket_temperature", "at the socket", socket.temperature_c, "celsius")
    yield from gauge("mains_voltage", "at the plug", socket.voltage_v, "volts")
    today = document.today
    energy = GaugeMetricFamily(
        "surpluscharge_today_energy", "into the car since midnight", labels=["charger", "from"], unit="joules"
    )
    for source, energy_wh in (("sun", today.solar_wh), ("grid", today.grid_wh), ("battery", today.battery_wh)):
        energy.add_metric([*who, source], energy_wh * JOULES_PER_WH)
    yield energy
    yield from gauge("today_on_time", "charging since midnight", today.on_time_s, "seconds")
    yield from gauge("today_starts", "since midnight", today.starts)
    yield from gauge("starts_left", "in the day's budget", document.budget.starts_left_day)
    if plan := document.plan:
        yield from gauge("plan_lacks_energy", "of the next need", plan.lacks_wh * JOULES_PER_WH, "joules")
        late_j = plan.unreachable_wh * JOULES_PER_WH
        yield from gauge("plan_unreachable_energy", "of that, what cannot come in time", late_j, "joules")
    faults = GaugeMetricFamily(
        "surpluscharge_fault", "1: it is there", labels=["charger", "code", "severity", "latched"]
    )
    for fault in document.faults:
        faults.add_metric([*who, fault.code, fault.severity, str(fault.latched).lower()], 1.0)
    yield faults
    refused = CounterMetricFamily(
        "surpluscharge_refused_messages", "messages that could not be used", labels=["charger", "reason"]
    )
    for why, number in document.refused_messages.items():
        refused.add_metric([*who, why], number)
    yield refused
