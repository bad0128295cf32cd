"""beacon-heard: do the beacon's positions arrive on a receiver of its own, in time, and from here?"""

from __future__ import annotations

import itertools
import time
from collections.abc import Generator
from dataclasses import dataclass, field
from datetime import datetime

from preflight.checks.base import Context, Run
from preflight.checks.cross_site import distance
from preflight.checks.judgement import Judgement
from preflight.checks.tap import EVIDENCE_LIMIT
from preflight.checks.times import DAY, span
from preflight.clean import clean
from preflight.config.flight import Port
from preflight.decode.positions import PositionDecoder
from preflight.decode.samples import Sample
from preflight.devices.growing_file import names_file, open_listened
from preflight.errors import DeviceError
from preflight.live import MOST_RECEPTIONS, Reception, Receptions
from preflight.names import UNITS
from preflight.readings import Evidence, Progress, Reading

REPORTS = 3
"""Reports that are waited for: two pauses between them."""
PATIENCE = 3.5, 10.0
"""Beacon intervals, and seconds more, that are waited for them."""
AGAIN = 0.25
"""Share of the interval within which the same words are one report heard twice, by a second way."""
LATE, OLD = 1.6, 2.0
"""Intervals that may pass between two reports, and since the position was taken: one lost report of
several is common on the air. Common practice, no source."""
TICKS = 2.5
"""Seconds after which reports must carry another time than the first."""
FAR = 500.0
"""m from the site: some beacons round a position to 18 m, receivers wander. Common practice, no source."""
_READS = ("beacon.interval", "beacon.call", "port", "site.latitude", "site.longitude", "power")
_EVERY = 0.2


@dataclass(slots=True)
class _Heard:
    """What came: each report with when it was heard, in seconds from `began`."""

    began: datetime
    reports: list[tuple[float, Sample]] = field(default_factory=list)
    data: bytearray = field(default_factory=bytearray)
    seconds: float = 0.0
    stopped: bool = False
    lost: str | None = None


class BeaconHeard:
    """Listens for three reports of the beacon; may be run again, as when the box is closed."""

    name = "beacon-heard"
    title = "Beacon on a receiver of its own"
    needs = ("port.beacon", "beacon")
    leads = (
        "Beacon on as it flies; its receiver, a few paces away, on this laptop or writing to the file named "
        "in its [[port]]"
    )
    put_back = ""

    def run(self, context: Context) -> Run:
        judgement = Judgement(self.name, _READS, context)
        beacon = context.flight.beacon
        assert beacon is not None
        # A file's end is a line's end.
        decoder = PositionDecoder(beacon.call, joined=not names_file(beacon_port(context), context.folder))
        heard = yield from judgement.attempt(_listen(context, decoder, beacon.interval))
        if heard is None:
            return judgement.finding()
        if heard.data:
            judgement.evidence.append(Evidence(name="what the receiver gave", data=bytes(heard.data)))
        if heard.lost is not None:
            judgement.faults.append(heard.lost)
        fixed = [(at, report) for at, report in heard.reports if not report.faults]
        judgement.read("beacon.heard", float(len(fixed)))
        if heard.stopped:
            judgement.gaps.append(f"stopped after {heard.seconds:.0f} s")
        if fixed:
            _judge(context, judgement, heard, fixed)
        elif not heard.stopped and heard.lost is None:
            judgement.faults.append(_nothing(context, heard, decoder))
        return judgement.finding()


def beacon_port(context: Context) -> Port:
    """The flight file's beacon port."""
    return next(port for port in context.flight.port if port.use == "beacon")


def _listen(context: Context, decoder: PositionDecoder, interval: float) -> Generator[Progress, None, _Heard]:
    patience = PATIENCE[0] * interval + PATIENCE[1]
    line = open_listened(beacon_port(context), context.flight.link, context.folder)
    try:
        heard = _Heard(context.clock.now().at)
        started = time.monotonic()
        shown = -_EVERY
        while len(heard.reports) < REPORTS:
            now = time.monotonic() - started
            heard.seconds = now
            if context.stopped():
                heard.stopped = True
                break
            if now >= patience:
                break
            if now - shown >= _EVERY:
                shown = now
                # When the next one comes is the beacon's to say: only the patience has an end.
                text = f"{_told(heard)}, waiting {now:.0f} of {patience:.0f} s"
                yield Progress(text, live=(_to_see(context, heard),))
            try:
                piece = line.read()
            except DeviceError as error:
                heard.lost = str(error)
                break
            at = time.monotonic() - started
            heard.data += piece[: EVIDENCE_LIMIT - len(heard.data)]
            for report in decoder.feed(piece):
                last = heard.reports[-1] if heard.reports else None
                if last is None or not (at - last[0] < AGAIN * interval and _same(report, last[1])):
                    heard.reports.append((at, report))
    finally:
        line.close()
    if heard.reports:
        yield Progress(_told(heard), live=(_to_see(context, heard),))
    return heard


def _told(heard: _Heard) -> str:
    return f"{len(heard.reports)} of {REPORTS} reports heard"


def _to_see(context: Context, heard: _Heard) -> Receptions:
    """The latest reports, each with its age when it was heard and its distance."""
    from preflight.figures.limits import limit_for

    beacon, site = context.flight.beacon, context.flight.site
    assert beacon is not None
    oldest = limit_for(context.flight, "beacon.age", (None, OLD * beacon.interval + 1.0))[1]
    farthest = limit_for(context.flight, "beacon.distance", (None, FAR))[1]
    reports = []
    for at, report in heard.reports[-MOST_RECEPTIONS:]:
        faults = [clean(fault, limit=80) for fault in report.faults]
        age = far = None
        if not faults:
            age = _age_of(heard, at, report, at)
            north, east = report.values["latitude"], report.values["longitude"]
            assert isinstance(north, float)
            assert isinstance(east, float)
            far = distance(site.latitude, site.longitude, north, east) or 0.0
            if oldest is not None and age > oldest:
                faults.append(f"older than {span(oldest)}")
            if farthest is not None and far > farthest:
                faults.append(f"farther than {farthest:g} m")
        text = clean(report.raw.strip(b"\r\n"), limit=100)
        ago = max(0.0, heard.seconds - at)
        reports.append(Reception(ago=ago, text=text, age=age, distance=far, faults=tuple(faults)))
    told = f"one every {span(beacon.interval)} declared"
    return Receptions(name="beacon", reports=tuple(reports), seen=len(heard.reports), told=told)


def _same(report: Sample, other: Sample) -> bool:
    return report.values == other.values


def _judge(context: Context, judgement: Judgement, heard: _Heard, fixed: list[tuple[float, Sample]]) -> None:
    beacon = context.flight.beacon
    assert beacon is not None
    interval = beacon.interval
    pauses = [after[0] - before[0] for before, after in itertools.pairwise(fixed)]
    pause = _limited(
        context, judgement, "beacon.interval", round(max(pauses), 1) if pauses else None, LATE * interval
    )
    if not pauses and not heard.stopped:
        judgement.faults.append(
            f"One report only came in {heard.seconds:.0f} s, one is sent every {span(interval)}: the rest "
            "was lost. Look at antennas, frequency and strength"
        )
    elif pause.within is False:
        judgement.faults.append(
            f"{span(max(pauses))} passed between two reports, one is sent every {span(interval)}: reports "
            "are lost, or the beacon's interval is another"
        )
    age = _age(heard, fixed)
    # Times of day are mostly of whole seconds.
    aged = _limited(context, judgement, "beacon.age", round(age, 1), OLD * interval + 1.0)
    values = [tuple(report.values[name] for name in ("latitude", "longitude", "time")) for _, report in fixed]
    # Reports within a second or two may well carry one time.
    repeats = len(set(values)) == 1 and values[0][2] is not None and sum(pauses) > TICKS
    if repeats or aged.within is False:
        judgement.faults.append(
            f"The beacon's position is {span(age)} old"
            + (", and it repeats the same report" if repeats else "")
            + ": its receiver has lost its fix, or sending does not take the latest one"
        )
    latitude, longitude = fixed[-1][1].values["latitude"], fixed[-1][1].values["longitude"]
    assert isinstance(latitude, float)
    assert isinstance(longitude, float)
    site = context.flight.site
    far = distance(site.latitude, site.longitude, latitude, longitude) or 0.0
    place = f"{latitude:.5f}, {longitude:.5f}"
    if _limited(context, judgement, "beacon.distance", round(far, 1), FAR).within is False:
        judgement.faults.append(
            f"The position heard is {far / 1000:.1f} km from the site, at {place}: another sender's report "
            "(set call in [beacon]), an old fix, or a wrong [site]"
        )
    no_fix = len(heard.reports) - len(fixed)
    if no_fix:
        judgement.remarks.append(f"{no_fix} more report(s) came without a position")
    shown = clean(fixed[-1][1].raw.strip(b"\r\n"), limit=100)
    judgement.remarks.append(f"Latest report, {far:.0f} m from the site: “{shown}”")


def _age(heard: _Heard, fixed: list[tuple[float, Sample]]) -> float:
    """Seconds since the latest position was taken, by its own time of day where it has one."""
    return _age_of(heard, *fixed[-1], heard.seconds)


def _age_of(heard: _Heard, at: float, report: Sample, now: float) -> float:
    """Seconds since a report's position was taken, `now` seconds after listening began."""
    taken = report.values["time"]
    since = max(0.0, now - at)
    if not isinstance(taken, float):
        return since
    age = (heard.began.timestamp() + now - taken) % DAY
    age = age - DAY if age > DAY / 2 else age
    # Receivers' programs often write local time: whole quarters of an hour are a zone, not an age.
    quarter = round(age / 900)
    if abs(quarter) >= 2 and abs(age - 900 * quarter) <= 60:
        age -= 900 * quarter
    return max(since, age)


def _nothing(context: Context, heard: _Heard, decoder: PositionDecoder) -> str:
    seconds = f"in {heard.seconds:.0f} s"
    beacon = context.flight.beacon
    assert beacon is not None
    if heard.reports:
        return (
            f"The beacon was heard {len(heard.reports)} time(s) {seconds}, but without a position: give it "
            "open sky, and wait for a fix"
        )
    if decoder.others:
        return (
            f"{decoder.others} position(s) came {seconds}, none with “{clean(beacon.call or '', limit=40)}” "
            "in it: is the beacon sending, and is call in [beacon] what it sends?"
        )
    if decoder.lines:
        return (
            f"{decoder.lines} line(s) came {seconds}, none of them with a position: “"
            f"{clean(decoder.look, limit=80)}”. Set the receiver to give out positions as text or NMEA"
        )
    if heard.data:
        return (
            f"{len(heard.data)} bytes came {seconds}, but no line: "
            f"“{clean(bytes(heard.data[:80]), limit=80)}”. Check the speed in its [[port]]"
        )
    return (
        f"Nothing was heard {seconds}. Check that the beacon is on, antennas, frequency, and the receiver's "
        "lead or file"
    )


def _limited(
    context: Context, judgement: Judgement, name: str, value: float | None, at_most: float
) -> Reading:
    from preflight.figures.limits import limit_for

    low, high = limit_for(context.flight, name, (None, at_most))
    reading = Reading(name=name, value=value, unit=UNITS[name], at_least=low, at_most=high)
    judgement.readings.append(reading)
    return reading


check = BeaconHeard()
