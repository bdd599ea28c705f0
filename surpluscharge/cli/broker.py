"""How long a broker is given, and what to say where it cannot be used."""

from __future__ import annotations

from aiomqtt.exceptions import MqttConnectError

from surpluscharge.config import Config

OFF_WITHIN_S = 8.0
READ_WITHIN_S = 4.0


def trouble(error: Exception, config: Config) -> str:
    """Say why the broker could not be used, and what to do."""
    code = error.rc if isinstance(error, MqttConnectError) else None
    number = code if isinstance(code, int) else code.value if code else None
    if number in (4, 5, 0x86, 0x87):  # as MQTT 3.1.1 and 5 say it: bad user name or password, not authorised
        return f"the broker at {config.broker} refuses this user: see mqtt.username and mqtt.password"
    text = str(error) or "no answer in time"
    if "refused" in text.lower() and number is None:
        return f"nothing answers at {config.broker} (does the broker run, and are mqtt.host and mqtt.port right?)"
    return f"{text} (the broker is {config.broker})"
