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
}
