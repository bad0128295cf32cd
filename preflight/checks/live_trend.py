"""The trend of whatever a check measures while it works, made from the readings that it yields."""

from __future__ import annotations

import msgspec

from preflight.checks.base import Context
from preflight.checks.live_strip import Strip
from preflight.live import Live, Trace, bounded
from preflight.readings import Progress, Reading, short_text


class Trend:
    """Adds to each report the trend of its readings, where the check draws none itself.

    Readings of one unit that follow each other, such as an open and a loaded voltage, are one strip with a
    post where the one gives way to the other. Taking a report costs the same however long the run is.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._strip = Strip("least")
        self._unit = ""
        self._name = ""

    def took(self, progress: Progress) -> None:
        """A report, whether it is shown or not."""
        reading = progress.reading
        if progress.live or reading is None or not isinstance(reading.value, (int, float)):
            return
        if reading.unit != self._unit:
            self._strip, self._unit, self._name = Strip("least"), reading.unit, ""
        if reading.name != self._name:
            self._name = reading.name
            self._strip.post(_word(reading.name))
        self._strip.add(float(reading.value))

    def shown(self, progress: Progress) -> Progress:
        """The report with its trend, within bounds."""
        if progress.live:
            return msgspec.structs.replace(progress, live=bounded(progress.live))
        reading = progress.reading
        if reading is None or self._strip.count < 2 or reading.name != self._name:
            return progress
        reading = self._limited(reading)
        return msgspec.structs.replace(progress, reading=reading, live=bounded((self._trace(reading),)))

    def _trace(self, reading: Reading) -> Live:
        points = self._strip.points
        now, least = short_text(points[-1], 4), short_text(min(points), 4)
        return Trace(
            name=reading.name.rpartition(".")[2].replace("_", " "),
            unit=reading.unit,
            points=points,
            fold="least",
            at_least=reading.at_least,
            at_most=reading.at_most,
            posts=self._strip.posts,
            told=f"now {now}, lowest {least} {reading.unit}".rstrip(),
        )

    def _limited(self, reading: Reading) -> Reading:
        """A meter's voltage has the limits by which battery-voltage will judge it."""
        if reading.at_least is not None or reading.at_most is not None or reading.unit != "V":
            return reading
        from preflight.checks.battery_voltage import live_limits

        at_least, at_most = live_limits(self._context, reading.name)
        return msgspec.structs.replace(reading, at_least=at_least, at_most=at_most)


def _word(name: str) -> str:
    """What tells one of several readings from the others: "open" of "meter.open_voltage"."""
    return name.rpartition(".")[2].partition("_")[0]
