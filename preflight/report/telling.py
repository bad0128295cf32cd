"""One sentence for each entry: what it says, in words for people."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from preflight.readings import Reading
from preflight.record import kinds
from preflight.report.words import (
    limit_words,
    limits_of,
    margin_of,
    number,
    printed_unit,
    span,
    utc_words,
    value_of,
)
from preflight.walk.codec import from_data

AUTH = {
    "passphrase": "passphrase given for this act",
    "selected": "key unlocked earlier, person chosen",
    "instrument": "the laptop's own key",
}
WHY_FOLLOWS = {
    "new-flight": "a new flight after",
    "storage": "goes on after storage trouble in",
    "handover": "handed over from",
    "after-release": "goes on after release from",
}


def readings_of(data: Any) -> tuple[Reading, ...]:
    """The readings that an entry holds."""
    if isinstance(data, kinds.MeasureData):
        return (from_data(data.reading),)
    return tuple(from_data(reading) for reading in getattr(data, "readings", ()))


def reading_text(reading: Reading) -> str:
    """A reading beside its limits: "link.margin 1.4, at least 2, margin 0.7"."""
    parts = [f"{reading.name} {value_of(reading)}", limits_of(reading)]
    if margin_of(reading):
        parts.append(f"margin {margin_of(reading)}")
    return ", ".join(part for part in parts if part)


def bound_text(bound: kinds.Bound | None, unit: str = "") -> str:
    """How far a waiver reaches."""
    if bound is None:
        return "for that finding alone"
    sides = [None if side is None else float(side) for side in (bound.at_least, bound.at_most)]
    return f"{bound.name} {limit_words(sides[0], sides[1], unit)}"


def window_text(data: kinds.DeferData) -> str:
    """From when until when an authority's answer is valid, "" where it has no window."""
    parts = []
    if data.valid_from is not None:
        parts.append(f"valid from {utc_words(data.valid_from)}")
    if data.valid_until is not None:
        parts.append(f"valid until {utc_words(data.valid_until)}")
    return ", ".join(parts)


def tell(kind: str, data: Any) -> str:
    """What an entry of `kind` says."""
    return _TOLD[kind](data)


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)


def _open(data: kinds.OpenData) -> str:
    follows = ""
    if data.previous is not None:
        follows = f"{WHY_FOLLOWS[data.previous.why]} {data.previous.rec}"
    return _joined(f"record opened with {data.tool}", "DRILL" if data.drill else "", follows)


def _check(data: kinds.CheckData) -> str:
    readings = (reading_text(from_data(reading)) for reading in data.readings)
    return _joined(f"{data.step}: {data.check} found {data.outcome}", *readings, *data.remarks)


def _measure(data: kinds.MeasureData) -> str:
    reading = from_data(data.reading)
    read = ", ".join(number(float(value)) for value in data.values)
    singles = f"read {read} {printed_unit(reading.unit)}".rstrip() if len(data.values) > 1 else ""
    return _joined(f"{data.step}: {data.outcome}", reading_text(reading), singles, *data.remarks)


def _confirm(data: kinds.ConfirmData) -> str:
    return _joined(f"{data.step}: {data.outcome}", data.response, data.reason)


def _defer(data: kinds.DeferData) -> str:
    answers = (f"{question}: {answer}" for question, answer in data.answers.items())
    return _joined(
        f"{data.step}: {data.authority} says {data.outcome}", *answers, window_text(data), data.reason
    )


def _witness(data: kinds.WitnessData) -> str:
    read = ", ".join(number(float(value)) for value in data.values)
    return _joined(f"witnessed line {data.of}, {data.mode}", f"read {read}" if read else "")


def _waive(data: kinds.WaiveData) -> str:
    return _joined(
        f"{data.step}: waived line {data.finding}",
        data.reason,
        f"bound: {bound_text(data.bound)}",
        f"until {utc_words(data.expires)}",
    )


def _hold(data: kinds.HoldData) -> str:
    return _joined(f"hold: {data.reason}", f"called by {data.claimed}" if data.claimed else "")


def _lift(data: kinds.LiftData) -> str:
    of = f"line {data.hold}" if data.rec is None else f"line {data.hold} of {data.rec}"
    return f"hold of {of} lifted: {data.reason}"


def _phase(data: kinds.PhaseData) -> str:
    if data.act == "complete":
        return f"phase {data.phase} called complete"
    passed = f"gone past: {', '.join(data.passed)}" if data.passed else ""
    return _joined(f"phase {data.phase} begun", passed, data.reason)


def _power(data: kinds.PowerData) -> str:
    who = "by the crew" if data.cause == "crew" else "seen by a check"
    return _joined(f"payload power cycled, {who}", data.detail)


def _replan(data: kinds.ReplanData) -> str:
    return _joined(*(f"{key} is now {text}" for key, text in data.sets.items()), data.reason)


def _resume(data: kinds.ResumeData) -> str:
    away = f"after {span(float(data.away))} away" if data.away is not None else ""
    return _joined(f"went on {away}".rstrip(), f"next was {data.next}" if data.next else "")


def _poll(data: kinds.PollData) -> str:
    return _joined(f"{data.gate} gate: {data.station} answers {data.answer}", data.remark)


def _release(data: kinds.ReleaseData) -> str:
    how = "with go" if data.with_go else "WITHOUT GO"
    return _joined(f"released {utc_words(data.released)} {how}, the verdict was {data.verdict}", data.reason)


def _carry(data: kinds.CarryData) -> str:
    source = f"line {data.source.seq} of {data.source.rec}"
    readings = (reading_text(from_data(reading)) for reading in data.readings)
    return _joined(f"{data.step}: taken over from {source}, found {utc_words(data.found_at)}", *readings)


def _correct(data: kinds.CorrectData) -> str:
    of = f"line {data.of}" if data.rec is None else f"line {data.of} of {data.rec}"
    return f"{of} struck: {data.reason}"


def _clock(data: kinds.ClockData) -> str:
    doubt = f" give or take {data.uncertainty} s" if data.uncertainty is not None else ""
    return _joined(f"laptop's clock against {data.source}: add {data.offset} s{doubt}", data.detail)


def _paper(data: kinds.PaperData) -> str:
    return _joined(f"{data.step}: {data.outcome}, done on paper {utc_words(data.done_at)}", data.response)


def _close(data: kinds.CloseData) -> str:
    verdicts = ", ".join(f"{gate} gate {verdict}" for gate, verdict in data.verdicts.items())
    return _joined(f"record closed: {data.reason}", verdicts, f"to be sealed by {', '.join(data.sealers)}")


_TOLD: dict[str, Callable[[Any], str]] = {
    "open": _open,
    "check": _check,
    "measure": _measure,
    "confirm": _confirm,
    "defer": _defer,
    "sign": lambda data: f"signed line {data.of}",
    "witness": _witness,
    "waive": _waive,
    "hold": _hold,
    "lift": _lift,
    "phase": _phase,
    "power": _power,
    "replan": _replan,
    "resume": _resume,
    "poll": _poll,
    "authorise": lambda data: f"{data.gate} gate authorised on {data.verdict}",
    "release": _release,
    "scrub": lambda data: f"scrubbed: {data.reason}",
    "carry": _carry,
    "correct": _correct,
    "clock": _clock,
    "recover": lambda data: f"a torn last line of {data.size} bytes was set aside",
    "paper": _paper,
    "close": _close,
}
