"""test-log: does every sample that is sent arrive on the card, beacon on, box closed, power cut included?

Two runs of one check. The first records the tap: the boxed payload runs for three beacon intervals, then the
crew pulls its power in the middle of writing and puts it back. The crew then brings the card to this laptop;
the second run compares the logger's files on it with the recording, sample by sample.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from datetime import datetime, timedelta

import msgspec

from preflight.checks.base import Context, Run
from preflight.checks.card import card_path, known_identity
from preflight.checks.judgement import Judgement
from preflight.checks.log_compare import Compared, align, measure
from preflight.checks.log_recording import FILE, Recording, drop, layout_mark, load, record, save
from preflight.checks.tap import EVIDENCE_LIMIT, Capture, nothing_decoded
from preflight.clean import clean
from preflight.decode import decoder_for
from preflight.decode.samples import Sample
from preflight.devices.blocks import GoneError, NoRightError
from preflight.devices.card_logs import CardLogs, read_logs
from preflight.errors import DeviceError, PreflightError
from preflight.names import UNITS
from preflight.readings import Evidence, Finding, Progress, Reading

OLDEST = timedelta(hours=12)
"""Age from which a recording is of another day."""
LIMITS = {
    # A sound logger loses none; a limit above 0 is the crew's own to set.
    "log.lost_samples": 0.0,
    # Loggers commonly write their buffer out every second or two. Common practice, no source.
    "log.lost_at_power_cut": 5.0,
}
LEAST_FOUND = 0.05
"""Share of the recorded samples that must be on the card for it to be the card of that recording."""
_PIECE = 1 << 20
_READS = (
    *("card", "card.identity", "beacon.interval", "sample.format", "sample.field"),
    *("link.baud", "link.framing", "logger.left_at"),
)


class TestLog:
    """Records first, compares with the card the next time; a recording counts for 12 hours and one card."""

    __test__ = False  # pytest takes a name like this one for a test

    name = "test-log"
    title = "Test log, tap against card"
    needs = ("port.tap", "sample", "card", "card.log", "beacon")
    leads = (
        "To record: box closed as it flies, beacon on, tap lead led out of it, the tool's own transmit lead "
        "off; pull the power when told to, count to five, put it back. To compare: the card in this laptop's "
        "reader"
    )
    put_back = "Recorded: payload off, its card into this laptop. Compared: card back in the logger"

    def run(self, context: Context) -> Run:
        judgement = Judgement(self.name, _READS, context)
        try:
            recording = _usable(context, judgement)
        except PreflightError as error:
            judgement.gaps.append(str(error))
            return judgement.finding()
        if recording is None:
            return (yield from _record(context, judgement))
        return (yield from _compare(context, judgement, recording))


def _usable(context: Context, judgement: Judgement) -> Recording | None:
    recording = load(context.folder)
    if recording is None:
        return None
    age = context.clock.now().at - recording.began
    why = ""
    if not timedelta(minutes=-5) <= age <= OLDEST:
        why = "is of another day"
    elif recording.flight != context.flight.flight.name:
        why = "is of another flight"
    elif recording.layout != layout_mark(context.flight):
        why = "was made before [sample] was changed"
    elif (left := _logger_left(context)) is not None and left > recording.began:
        why = "was made before the logger was last spoken to, which may have ended its logging"
    if why:
        judgement.remarks.append(f"The recording that was here {why}: a new one was made")
        return None
    return recording


def _logger_left(context: Context) -> datetime | None:
    """When the logger was last left to log again, as logger-response tells it in this walk."""
    reading = context.measured.get("logger.left_at")
    if reading is None or not isinstance(reading.value, str):
        return None
    try:
        return datetime.fromisoformat(reading.value.replace(" UTC", "+00:00"))
    except ValueError:
        return None


# -- recording ------------------------------------------------------------------------------------


def _record(context: Context, judgement: Judgement) -> Run:
    recorded = yield from judgement.attempt(record(context))
    if recorded is None:
        return judgement.finding()
    recording, heard = recorded
    judgement.evidence += _cut_short("tap recording", heard.data)
    judgement.read("log.captured", float(len(heard.samples)))
    if heard.lost is not None:
        judgement.faults.append(heard.lost or nothing_decoded(context, heard))
    elif heard.stopped:
        judgement.gaps.append("stopped while recording: nothing was kept, run this again from the start")
    elif recording.cut is None:
        judgement.gaps.append(
            "the power was not pulled when it was asked for: nothing was kept, run this again from the start"
        )
    else:
        _keep(context, judgement, recording, heard)
    finding = judgement.finding()
    if recording.cut is None:
        return finding
    return _with_power_cycle(finding, recording.cut)


def _with_power_cycle(finding: Finding, cut: tuple[float, float]) -> Finding:
    off = cut[1] - cut[0]
    return msgspec.structs.replace(
        finding, power_cycle=f"pulled for test-log: no sample came for {off:.0f} s"
    )


def _keep(context: Context, judgement: Judgement, recording: Recording, heard: Capture) -> None:
    assert recording.cut is not None
    try:
        save(context.folder, recording)
    except DeviceError as error:
        judgement.gaps.append(str(error))
        return
    judgement.gaps.append(
        f"the card: {len(heard.samples)} samples of {heard.seconds / 60:.1f} min are recorded, the power cut "
        "among them. Now switch the payload off, put its card into this laptop, and run this check again"
    )


# -- comparing ------------------------------------------------------------------------------------


def _compare(context: Context, judgement: Judgement, recording: Recording) -> Run:
    card = context.flight.card
    layout = context.flight.sample
    assert card is not None
    assert card.log is not None
    assert layout is not None
    anew = f"To record anew instead, delete {FILE} beside the flight file"
    yield Progress("Reading the logger's files")
    try:
        logs = read_logs(card_path(context), card.log)
        samples, times = recording.decoded(layout)
    except (GoneError, NoRightError) as error:
        judgement.gaps.append(f"{error}. {anew}")
        return judgement.finding()
    except DeviceError as error:
        judgement.faults.append(f"{error}. {anew}")
        return judgement.finding()
    except PreflightError as error:
        judgement.gaps.append(str(error))
        return judgement.finding()
    judgement.remarks += logs.troubles
    if not _same_card(context, judgement, logs) or not _any_files(judgement, logs, card.log):
        return judgement.finding()
    # What the tap itself heard damaged says nothing of the card.
    whole = [number for number, sample in enumerate(samples) if "" not in sample.faulty]
    keys = [_key(samples[number]) for number in whole]
    seconds = [times[number] for number in whole]
    found = yield from _found_on_card(context, logs, keys)
    if found is None:
        judgement.gaps.append("stopped while the logger's files were read")
        return judgement.finding()
    place, look = found
    placed = align(keys, place)
    there = sum(spot is not None for spot in placed)
    judgement.read("log.captured", float(len(keys)))
    judgement.evidence += _cut_short("tap recording", recording.data)
    if there < max(3.0, LEAST_FOUND * len(keys)):
        _nothing_there(judgement, logs, keys, there, anew)
        return judgement.finding()
    compared = measure(seconds, placed, cut=recording.cut, interval=recording.interval)
    _judge(context, judgement, compared, look)
    judgement.evidence += _cut_short(f"end of {logs.files[-1].name}", logs.files[-1].data)
    drop(context.folder)
    return judgement.finding()


def _same_card(context: Context, judgement: Judgement, logs: CardLogs) -> bool:
    before = known_identity(context)
    if before is None or logs.identity is None or before == logs.identity:
        return True
    judgement.faults.append(
        f"This is another card ({logs.identity}) than the one checked before ({clean(before, limit=60)}): "
        "compare the one that was in the logger"
    )
    return False


def _any_files(judgement: Judgement, logs: CardLogs, pattern: str) -> bool:
    if logs.files:
        return True
    judgement.faults.append(
        f"No file on the card fits {clean(pattern, limit=80)}: the logger wrote none, this is another card, "
        "or log in [card] is wrong"
    )
    return False


def _nothing_there(
    judgement: Judgement, logs: CardLogs, keys: Sequence[bytes], there: int, anew: str
) -> None:
    names = ", ".join(log.name for log in logs.files[-3:])
    if len(set(keys)) < 0.5 * len(keys):
        judgement.gaps.append(
            "whether all samples are there, as most are alike: have a counter or the time in them"
        )
        return
    judgement.faults.append(
        f"{there or 'None'} of {len(keys)} samples {'are' if there else 'is'} on the card "
        f"(latest files: {names}): the logger recorded nothing, or this is another card. {anew}"
    )


def _key(sample: Sample) -> bytes:
    return sample.raw.strip(b"\r\n")


def _found_on_card(
    context: Context, logs: CardLogs, keys: Sequence[bytes]
) -> Generator[Progress, None, tuple[dict[bytes, list[int]], bytes] | None]:
    """Where the recorded samples are on the card, and a look at what on it is damaged among them."""
    layout = context.flight.sample
    assert layout is not None
    wanted = set(keys)
    places: dict[bytes, list[int]] = {}
    count, done = 0, 0
    size = sum(len(log.data) for log in logs.files) or 1
    look = b""
    for log in logs.files:
        decoder = decoder_for(layout, joined=not log.whole)
        known, undecoded = 0, 0
        for begin in range(0, len(log.data), _PIECE):
            if context.stopped():
                return None
            samples = decoder.feed(log.data[begin : begin + _PIECE])
            samples += decoder.flush() if begin + _PIECE >= len(log.data) else []
            for sample in samples:
                count += 1
                key = _key(sample)
                if key in wanted:
                    places.setdefault(key, []).append(count)
                    known += 1
            done += min(_PIECE, len(log.data) - begin)
            yield Progress(f"Comparing {log.name} with the recording", done / size)
            undecoded = decoder.undecoded
        if known and undecoded:
            look = decoder.look
    return places, look


def _judge(context: Context, judgement: Judgement, compared: Compared, look: bytes) -> None:
    lost_at_cut = compared.at_cut if compared.at_end == 0 else max(compared.at_cut or 0.0, compared.at_end)
    resumed = {None: None, True: "yes", False: "no"}[compared.resumed]
    for name, value in (
        ("log.lost_samples", float(compared.lost)),
        ("log.longest_gap", round(compared.longest_gap, 2)),
        ("log.lost_at_power_cut", None if lost_at_cut is None else round(lost_at_cut, 2)),
        ("log.resumed", resumed),
        ("log.resumed_after", None if compared.after is None else round(compared.after, 2)),
        ("log.pattern", compared.pattern),
    ):
        if value is not None or name == "log.lost_at_power_cut":
            judgement.readings.append(_limited(context, name, value))
    readings = {reading.name: reading for reading in judgement.readings}
    if compared.lost:
        told = _pattern_text(compared)
        allowed = readings["log.lost_samples"].within is True
        (judgement.remarks if allowed else judgement.faults).append(told)
    if look:
        judgement.remarks.append(f"Damaged on the card: “{clean(look, limit=80)}”")
    if compared.resumed is False:
        judgement.faults.append(
            "Nothing after the power cut is on the card: the logger did not log again by itself. See that it "
            "starts logging at power-up without a command, and that a file left open does not stop it"
        )
    cut = readings["log.lost_at_power_cut"]
    if cut.within is False and isinstance(cut.value, float):
        judgement.faults.append(
            f"The power cut cost the last {cut.value:.3g} s, which are not on the card: the logger keeps "
            "them in its memory. Have it flush (sync) to the card every second or two"
        )
    elif isinstance(cut.value, float) and cut.value > 0:
        judgement.remarks.append(f"The power cut cost {cut.value:.3g} s, what the logger had not yet written")
    if compared.after is not None:
        judgement.remarks.append(
            f"After the power cut logging went on by itself, {compared.after:.1f} s after the first sample"
        )
    if not compared.lost and compared.resumed is not False:
        judgement.remarks.append(
            f"{compared.found} of {compared.recorded} recorded samples are on the card; none is missing but "
            "around the power cut"
        )


def _limited(context: Context, name: str, value: float | str | None) -> Reading:
    from preflight.figures.limits import limit_for

    at_least, at_most = limit_for(context.flight, name, (None, LIMITS.get(name)))
    return Reading(name=name, value=value, unit=UNITS[name], at_least=at_least, at_most=at_most)


def _pattern_text(compared: Compared) -> str:
    head = f"{compared.lost} of {compared.recorded} samples are missing on the card"
    interval = compared.every or 0.0
    longest = max(compared.losses, key=lambda loss: loss.count)
    return {
        "beacon interval": (
            f"{head}, each time the beacon sends, every {interval:.3g} s: its transmissions jam the logger "
            "or its line. Move the antenna away, keep leads short and twisted, put ferrites on them, shield "
            "the box"
        ),
        "regular": (
            f"{head}, every {interval:.3g} s, which is not the beacon's interval: something regular stalls "
            "the logger, such as writing its buffer out or growing its file. Use a faster card or a larger "
            "buffer"
        ),
        "single": (
            f"{head}, in one gap of {longest.count} at {longest.start:.0f} s of the recording: the card "
            "stalled longer than the logger's buffer lasts, or a contact opened. Try card-write, and a tug "
            "at each lead"
        ),
        "scattered": (
            f"{head}, scattered: a loose contact, noise on the line, or a card that is slow now and then. "
            "Compare the line's level and ground, try card-write, and another card"
        ),
    }[compared.pattern]


def _cut_short(name: str, data: bytes) -> list[Evidence]:
    kept = data[-EVIDENCE_LIMIT:]
    return [Evidence(name=name, data=kept)] if kept else []


check = TestLog()
