"""Changes of the program that change nothing it does; why nothing can notice them. For tests/bench/mutants.py."""

# (module, its line, what is written there after the change): reason
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (
        "control/economics.py",
        "if moment.timestamp() > when.timestamp() and self.prices_at(moment) != now:",
        "moment.timestamp() >= when.timestamp()",
    ): "at the moment itself the prices are those of the moment",
    (
        "control/economics.py",
        "begins = {tariff.valid_from for tariff in self.tariffs if tariff.valid_from and tariff.valid_from > when.date()}",  # noqa: E501
        "tariff.valid_from >= when.date()",
    ): "today is looked at in any case",
    (
        "control/economics.py",
        "begins = {tariff.valid_from for tariff in self.tariffs if tariff.valid_from and tariff.valid_from > when.date()}",  # noqa: E501
        "(tariff.valid_from)",
    ): "a day that is past: no moment of it counts",
    (
        "control/economics.py",
        "week = {when.date() + timedelta(days=ahead) for ahead in range(-1, 9)}  # windows repeat weekly",
        "2",
    ): "a day more that is past: no moment of it counts",
    (
        "control/draw.py",
        "for value, weight in sorted(zip(values, weights, strict=True)):",
        "False",
    ): "values and weights are made equally long",
    (
        "control/draw.py",
        "self._readings: deque[tuple[float, float]] = deque(maxlen=1000)",
        "1001",
    ): "a bound of memory",
    (
        "history/ledger/filling.py",
        "midnight_ms = 0",
        "1",
    ): "before any interval, which begin in 2000 at the earliest",
    (
        "history/ledger/ageing.py",
        "minutes_days: int = 92  # then by the minute",
        "93",
    ): "a default that only tests use: a daemon's comes from the configuration",
    (
        "control/plug.py",
        "self.was_confirmed = False  # to be as wanted, at some time since that is wanted",
        "True",
    ): "asked only while on is wanted, and set anew when that begins",
    (
        "control/controller.py",
        "over = (self.current_a or 0.0) > limits.instant_a",
        "(self.current_a)",
    ): "a power that has just come makes a current",
    (
        "control/controller.py",
        "over = (self.current_a or 0.0) > limits.instant_a",
        "1.0",
    ): "an ampere is within every limit",
    (
        "control/controller.py",
        'if name == "temperature" and heat_c is not None and self.wants_on:',
        "(name == 'temperature' and self.wants_on)",
    ): "a sensor is one source: when its reading has come, it has a value",
    (
        "control/plug.py",
        "behind = not self.wants_on and (volts or 0.0) < BEHIND_SHARE * nominal_v",
        "1.0",
    ): "a volt is behind the relay like none",
    (
        "control/controller.py",
        "power_after_s=-1.0 if plug.power.at_s is None else plug.power.at_s - plug.wanted_since_s,",
        "(1.0)",
    ): "asked only whether it is STUCK_AFTER_S",
    (
        "control/machine.py",
        "Row(_ARMING, IDLE, 0, FRESH, C_METER_SILENT),",
        "1",
    ): "ENABLED: without it an earlier row has decided",
    (
        "control/machine.py",
        "if on and not wants_on(mode):",
        "(on)",
    ): "since when it is off is asked only while it is",
    (
        "control/steps.py",
        "self._readings: deque[tuple[float, float]] = deque(maxlen=1000)",
        "1001",
    ): "a bound of memory that is not met: two a second are kept, for 210 s",
    (
        "daemon/store.py",
        "lock = os.open(place, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, 0o600)",
        "385",
    ): "fchmod says it again at once",
    (
        "history/energy.py",
        "limit_ms = 0",
        "1",
    ): "asked for an open bucket only, which sets it",
    (
        "history/energy.py",
        "return Money(*(mine + its for mine, its in zip(self, other, strict=True)))",
        "False",
    ): "two of the same kind are equally long",
    (
        "history/readings.py",
        "first, last = (datetime.fromtimestamp(s, zone).date().toordinal() for s in (at_s[0], at_s[-1]))",
        "1",
    ): "a first day of one reading has no night and midday to compare",
}
