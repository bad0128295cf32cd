"""What there is to see of a tap while a check listens: the latest lines, their rate and their jitter.

Costs little however much comes: lines are made only when a report is due, and then only as many as it shows.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from preflight.checks.live_marks import Marker
from preflight.config.flight import Flight
from preflight.decode.samples import Decoder, Sample
from preflight.live import MOST_LINES, MOST_POINTS, Line, Live, Stream, Trace
from preflight.readings import short_text

EACH = 8
"""Lines that one report adds at most; of the others it tells how many there were."""
MOST_NEW = 2000
"""Samples held between two reports."""
LEAST_STEP = 0.25
"""Seconds that a point stands for at least."""
REST = 64
"""Bytes kept of what ends no line."""
PATIENCE = 1.0
"""Seconds without a sample after which what ends no line is shown."""
PAUSE = 2.5
"""Usual intervals after which nothing comes any more."""
_TICK = 1e-9  # seconds: no clock tells less


class TapLive:
    """Follows one capture: `took` whatever comes, `shown` when a report is due."""

    def __init__(self, flight: Flight) -> None:
        layout = flight.sample
        assert layout is not None
        self._marker = Marker(layout, flight.site)
        self._pace = Pace(layout.rate)
        self._limits = flight.limits
        self._new: deque[Sample | bytes] = deque(maxlen=MOST_NEW)
        self._lines: deque[Line] = deque(maxlen=MOST_LINES)
        self._came = 0  # since the latest report, those no longer held among them
        self._seen = 0
        self._undecoded = 0
        self._rest = b""
        self._found = -PATIENCE  # when the latest sample was complete

    def took(self, piece: bytes, found: Sequence[Sample], second: float, decoder: Decoder) -> None:
        """A piece came at `second` and completed the samples `found`."""
        if found:
            self._new.extend(found)
            self._came += len(found)
            self._pace.took(len(found), second)
            self._rest = b""
            self._found = second
        elif decoder.undecoded != self._undecoded:
            self._rest = b""
        else:
            self._rest = (self._rest + piece[-REST:])[-REST:]
        if decoder.undecoded != self._undecoded:
            self._came += decoder.undecoded - self._undecoded
            self._undecoded = decoder.undecoded
            self._new.append(decoder.look)

    def shown(self, second: float) -> tuple[Live, ...]:
        """What there is to see at `second`: stream, rate, jitter."""
        self._take()
        # Of a line that is only on its way there is nothing to say.
        rest = self._marker.rest(self._rest) if second - self._found >= PATIENCE else ""
        stream = Stream(name="tap", lines=tuple(self._lines), seen=self._seen, rest=rest)
        rates, jitters = self._pace.points(second)
        own = {name: self._limits.get(name) for name in ("sample.rate", "sample.jitter")}
        rate, jitter = own["sample.rate"], own["sample.jitter"]
        return (
            stream,
            Trace(
                name="rate",
                unit="Hz",
                points=rates,
                fold="least",
                declared=self._pace.declared,
                at_least=rate.at_least if rate else None,
                at_most=rate.at_most if rate else None,
                told=self._pace.rate_told(),
            ),
            Trace(
                name="jitter",
                unit="ms",
                points=jitters,
                at_most=jitter.at_most if jitter else None,
                told=self._pace.jitter_told(),
            ),
        )

    def _take(self) -> None:
        """Make lines of what is new: the latest, and of the others those with a fault first."""
        new, self._new = self._new, deque(maxlen=MOST_NEW)
        came, self._came = self._came, 0
        self._seen += came
        if len(new) <= EACH and came <= len(new):
            self._lines.extend(map(self._line, new))
            return
        earlier = [one for one in list(new)[: -EACH // 2] if isinstance(one, bytes) or one.faults]
        told = earlier[-(EACH - EACH // 2) :]
        latest = list(new)[-EACH // 2 :]
        self._lines.extend(map(self._line, told))
        more = came - len(told) - len(latest)
        if more > 0:
            bad = len(earlier) - len(told)
            self._lines.append(Line(f"{more} more, {bad or 'none'} of them with a fault", kind="passed"))
        self._lines.extend(map(self._line, latest))

    def _line(self, one: Sample | bytes) -> Line:
        return self._marker.undecoded(one) if isinstance(one, bytes) else self._marker.line(one)


class Pace:
    """How fast samples come over a run, and how far their intervals depart from the mean.

    Kept in bins of time, at most MOST_POINTS of them: longer runs have longer bins.
    """

    def __init__(self, declared: float) -> None:
        self.declared = declared
        self._step = max(LEAST_STEP, 1.0 / declared)
        # By bin: intervals, their seconds, the shortest and the longest.
        self._bins: dict[int, tuple[int, float, float, float]] = {}
        self._first: float | None = None
        self._last: float | None = None
        self._count = 0
        self._most = 0.0

    def took(self, count: int, second: float) -> None:
        """`count` samples came at `second`."""
        before, self._last = self._last, second
        if before is None:
            self._first = second
            return
        gap = second - before
        each = gap / count
        self._count += count
        usual = self.mean or 1.0 / self.declared
        while (at := self._bin(second)) >= MOST_POINTS:
            self._coarsen()
        if gap > PAUSE * usual:
            for empty in range(self._bin(before) + 1, at):
                self._bins[empty] = (0, self._step, gap, gap)
        self._bins[at] = _joined(self._bins.get(at), (count, gap, each, each))

    @property
    def mean(self) -> float | None:
        """The mean interval in s; None of fewer than three samples."""
        if self._count < 2 or self._first is None or self._last is None:
            return None
        if self._last - self._first < _TICK:
            return None
        return (self._last - self._first) / self._count

    def points(self, second: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Rate in Hz and jitter in ms for each bin up to `second`; 0 Hz where nothing came any more."""
        mean = self.mean
        if mean is None or self._first is None or self._last is None:
            return (), ()
        over = min(int((second - self._first) / self._step), MOST_POINTS - 1)
        last = max(self._bins)
        rates, jitters = [], []
        held = math.nan
        for at in range(max(last, over) + 1):
            found = self._bins.get(at)
            if found is None:
                silent = at > last and (at * self._step + self._first - self._last) > PAUSE * mean
                rates.append(0.0 if silent else held)
                jitters.append(math.nan)
                continue
            count, seconds, least, most = found
            held = count / seconds if seconds >= _TICK else math.nan
            rates.append(held)
            jitters.append(1e3 * max(abs(most - mean), abs(mean - least)))
            self._most = max(self._most, jitters[-1])
        return tuple(rates), tuple(jitters)

    def rate_told(self) -> str:
        """The rate so far beside the declared one."""
        mean = self.mean
        so_far = "no rate yet" if mean is None else f"{short_text(1 / mean)} Hz"
        return f"{so_far}, {short_text(self.declared)} Hz declared"

    def jitter_told(self) -> str:
        """The largest departure of an interval so far."""
        return "" if self.mean is None else f"largest so far {short_text(self._most)} ms"

    def _bin(self, second: float) -> int:
        return int((second - (self._first or 0.0)) / self._step)

    def _coarsen(self) -> None:
        self._step *= 2
        coarse: dict[int, tuple[int, float, float, float]] = {}
        for at, found in self._bins.items():
            coarse[at // 2] = _joined(coarse.get(at // 2), found)
        self._bins = coarse


def _joined(
    one: tuple[int, float, float, float] | None, other: tuple[int, float, float, float]
) -> tuple[int, float, float, float]:
    if one is None:
        return other
    return one[0] + other[0], one[1] + other[1], min(one[2], other[2]), max(one[3], other[3])
