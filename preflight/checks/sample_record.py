"""sample-record: listen on the tap and judge what the flight computer sends."""

from __future__ import annotations

import itertools

from preflight.checks.base import Context, Run
from preflight.checks.judgement import Judgement
from preflight.checks.judging import clock_faults, judge_samples
from preflight.checks.listening import Listened, listen_on_tap, worth_listening
from preflight.checks.restarts import restart_seen
from preflight.checks.tap import LEADS, PUT_BACK, Capture, capture, nothing_decoded, wanted_samples
from preflight.clean import clean
from preflight.decode.samples import Value
from preflight.names import UNITS
from preflight.readings import Finding, FindingOutcome, Reading, decimal_text, judged

UNDECODED_SHARE = 0.05
"""Share of lines or runs that may be no sample before it is a no-go. Common practice, no source."""
GAP_FACTOR = 2.5
"""Times the usual interval after which a pause is told. Common practice, no source."""
_READS = (
    *("link.baud", "link.framing", "port", "sample.format", "sample.field", "logger.left_at"),
    *("site.latitude", "site.longitude", "site.elevation", "site.qnh"),
    *("battery.chemistry", "battery.series"),
)


class SampleRecord:
    """Captures samples from the tap and judges layout, ranges, counters, clock and placeholders, and sets
    them against the site, the battery and this laptop's clock.

    Measures the samples' length, rate, jitter and longest gap, which feed the figures of line and card.
    """

    name = "sample-record"
    title = "Samples on the tap"
    needs = ("port.tap", "sample")
    leads = LEADS
    put_back = PUT_BACK

    def run(self, context: Context) -> Run:
        assert context.flight.sample is not None
        judgement = Judgement(self.name, _READS, context)
        heard = yield from judgement.attempt(capture(context, wanted_samples(context.flight.sample)))
        if heard is None:
            return judgement.finding()
        listened = Listened()
        if worth_listening(context, heard):
            listened = yield from listen_on_tap(context, heard)
        return _judged(context, heard, listened)


def _judged(context: Context, heard: Capture, listened: Listened) -> Finding:
    layout = context.flight.sample
    assert layout is not None
    readings = _readings(context, heard)
    remarks: list[str] = []
    if not heard.samples:
        if heard.stopped:
            return _finding("open", readings, ["Stopped before a sample had come: not checked"], heard)
        why = [heard.lost or nothing_decoded(context, heard)]
        if listened.sentence:
            why.insert(0 if listened.found else 1, listened.sentence)
        return _finding("no-go", readings, why, heard)
    faults = [heard.lost] if heard.lost else []
    of_run, noticed = judge_samples(context.flight, heard.samples, heard.times[-1] - heard.times[0])
    of_clock, apart = clock_faults(context.flight, heard)
    faults += [*of_run, *of_clock]
    noticed += apart
    if len(heard.samples) < 3 and not heard.stopped:
        faults.append(
            f"Only {len(heard.samples)} sample(s) came in {heard.seconds:.0f} s; {layout.rate:g} Hz declared"
        )
    undecoded = next(reading for reading in readings if reading.name == "sample.undecoded")
    if heard.undecoded:
        told = f"{heard.undecoded} line(s) or run(s) of bytes were no sample: “{clean(heard.look, limit=80)}”"
        (faults if undecoded.within is False else remarks).append(told)
    if heard.stopped:
        remarks.append(f"Stopped after {len(heard.samples)} samples: the rest was not checked")
    restart = restart_seen(layout.field, heard)
    if restart:
        remarks.append(
            f"The flight computer started anew: {restart}. If opening the port does it, set dtr and rts in "
            "its [[port]], or take the adapter's control leads off"
        )
    remarks += [*_compared(context, heard), *noticed, *map(clean, heard.notes), _latest(heard)]
    outcome: FindingOutcome = judged(tuple(readings))
    if faults:
        outcome = "no-go"
    elif heard.stopped and outcome == "go":
        outcome = "open"
    return _finding(outcome, readings, [*faults, *remarks], heard, restart)


def _readings(context: Context, heard: Capture) -> list[Reading]:
    lengths = [sample.length for sample in heard.samples]
    gaps = [after - before for before, after in itertools.pairwise(heard.times)]
    mean = sum(gaps) / len(gaps) if gaps else 0.0
    allowed = int(UNDECODED_SHARE * (len(lengths) + heard.undecoded))
    values: list[tuple[str, float | None, float | None]] = [
        ("sample.count", float(len(lengths)), None),
        ("sample.length", float(max(lengths)) if lengths else None, None),
        ("sample.mean_length", round(sum(lengths) / len(lengths), 1) if lengths else None, None),
        ("sample.rate", round(rate, 3) if (rate := heard.rate) is not None else None, None),
        # The largest departure of an interval from their mean.
        ("sample.jitter", round(1e3 * max(abs(gap - mean) for gap in gaps), 1) if gaps else None, None),
        ("sample.gap", round(max(gaps), 3) if gaps else None, None),
        ("sample.undecoded", float(heard.undecoded), float(allowed)),
    ]
    readings = []
    for name, value, at_most in values:
        own = context.flight.limits.get(name)
        readings.append(
            Reading(
                name=name,
                value=value,
                unit=UNITS[name],
                at_least=own.at_least if own else None,
                at_most=own.at_most if own and own.at_most is not None else at_most,
            )
        )
    return readings


def _compared(context: Context, heard: Capture) -> list[str]:
    """Remarks on where the samples differ from what is declared."""
    from preflight.figures.limits import DISAGREEMENT

    layout = context.flight.sample
    assert layout is not None
    remarks = []
    longest = max(sample.length for sample in heard.samples)
    if longest > layout.length:
        remarks.append(
            f"Samples are up to {longest} B long, declared {layout.length:g} B: the larger counts for line "
            "and card"
        )
    rate = heard.rate
    allowed = DISAGREEMENT["sample.rate"]
    if rate is not None and abs(rate - layout.rate) > allowed * layout.rate:
        remarks.append(
            f"Samples come at {rate:.3g} Hz, declared {layout.rate:g} Hz, more than {allowed:.0%} apart: "
            "the larger counts for line and card"
        )
    gaps = [after - before for before, after in itertools.pairwise(heard.times)]
    if len(gaps) >= 3 and max(gaps) > GAP_FACTOR * sorted(gaps)[len(gaps) // 2]:
        remarks.append(f"The longest pause between samples was {max(gaps):.2f} s")
    return remarks


def _latest(heard: Capture) -> str:
    shown = ", ".join(f"{clean(name)} {_shown(value)}" for name, value in heard.samples[-1].values.items())
    return f"Latest sample: {clean(shown, limit=400)}"


def _shown(value: Value) -> str:
    if isinstance(value, float):
        return decimal_text(float(f"{value:.10g}"))
    return "-" if value is None else value


def _finding(
    outcome: FindingOutcome,
    readings: list[Reading] | None = None,
    remarks: list[str] | None = None,
    heard: Capture | None = None,
    restart: str = "",
) -> Finding:
    return Finding(
        check=SampleRecord.name,
        outcome=outcome,
        readings=tuple(readings or ()),
        remarks=tuple(remarks or ()),
        evidence=heard.evidence() if heard is not None else (),
        reads=_READS,
        power_cycle=f"seen on the tap: {restart}" if restart else "",
    )


check = SampleRecord()
