"""What entries say: one shape of `data` for each kind. An unknown kind, or another shape, is bad.

No floating-point number appears: values and limits are decimal strings in their shortest plain form, so that
a record reads the same in every language. `seq` refers to an entry of the same record.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from msgspec import Meta, Struct

# `\Z`, as `$` also matches before a last line feed; `[0-9]`, as `\d` takes the digits of any script.
Decimal = Annotated[str, Meta(pattern=r"^(?!-0\Z)-?(0|[1-9][0-9]{0,299})(\.[0-9]*[1-9])?\Z", max_length=400)]
Sha256 = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z")]
Utc = Annotated[
    str, Meta(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z\Z", max_length=24)
]
RecId = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,99}\Z")]
SAFE_INT = 2**53 - 1  # RFC 8785 numbers are IEEE 754 doubles: no integer beyond this is exact
Seq = Annotated[int, Meta(ge=1, le=SAFE_INT)]
Size = Annotated[int, Meta(ge=0, le=SAFE_INT)]
Text = Annotated[str, Meta(max_length=4000)]
Said = Annotated[str, Meta(min_length=1, max_length=4000)]
Outcome = Literal["go", "no-go", "open"]
Gate = Literal["fill", "release"]
Verdict = Literal["go", "no-go", "hold"]


def _day_exists(*texts: str | None) -> None:
    """ValueError for a time that fits the pattern but is none, such as the 30th of February."""
    for text in texts:
        if text is not None:
            datetime.fromisoformat(text)


class _Data(Struct, frozen=True, forbid_unknown_fields=True):
    """Shared rule of every shape: named keys only, none unknown."""


class ReadingData(_Data, frozen=True, kw_only=True):
    """A reading: `value` is a decimal string, `word` a fact without a number; at most one of them is set."""

    name: Said
    value: Decimal | None
    word: Text | None
    unit: Text
    source: Literal["measured", "computed", "declared"]
    low: Decimal | None
    high: Decimal | None
    at_least: Decimal | None
    at_most: Decimal | None


class EvidenceData(_Data, frozen=True, kw_only=True):
    """Bytes kept in `evidence/SHA256`; `name` is for people."""

    name: Said
    sha256: Sha256
    size: Size


class Pointer(_Data, frozen=True, kw_only=True):
    """One entry of another record: its id, sequence number and the SHA-256 of its line."""

    rec: RecId
    seq: Seq
    line: Sha256


class Previous(_Data, frozen=True, kw_only=True):
    """The record this one follows: its id and the SHA-256 of its last line."""

    rec: RecId
    head: Sha256
    why: Literal["new-flight", "storage", "handover", "after-release"]


class OpenData(_Data, frozen=True, kw_only=True):
    """Pins what the record is about: SHA-256 of the copies in its folder, tool, drill, what it follows."""

    flight: Sha256
    checklist: Sha256
    roster: Sha256
    tool: Said
    drill: bool
    previous: Previous | None


class CheckData(_Data, frozen=True, kw_only=True):
    """A check's finding, signed by the instrument. `reads` are the names of values its outcome used."""

    step: Said
    check: Said
    outcome: Outcome
    readings: tuple[ReadingData, ...]
    remarks: tuple[Text, ...]
    evidence: tuple[EvidenceData, ...]
    reads: tuple[Said, ...]
    seconds: Decimal


class MeasureData(_Data, frozen=True, kw_only=True):
    """A measurement by a person: every single value as typed, in `reading.unit`, and what counts of them.

    `sets` is the flight-file key that `set_to` (a quantity in text) replaces.
    """

    step: Said
    outcome: Outcome
    values: Annotated[tuple[Decimal, ...], Meta(min_length=1)]
    reading: ReadingData
    sets: Said | None
    set_to: Said | None
    remarks: tuple[Text, ...]
    reads: tuple[Said, ...]


class ConfirmData(_Data, frozen=True, kw_only=True):
    """A confirmation by a person. A `reason` is needed for no-go and not-applicable."""

    step: Said
    outcome: Literal["go", "no-go", "not-applicable"]
    response: Text
    reason: Text
    reads: tuple[Said, ...]


class DeferData(_Data, frozen=True, kw_only=True):
    """An authority's answer as the crew recorded it, by question; go from `valid_from` to `valid_until`."""

    step: Said
    outcome: Literal["go", "no-go"]
    authority: Said
    answers: dict[str, Text]
    valid_from: Utc | None
    valid_until: Utc | None
    reason: Text
    reads: tuple[Said, ...]

    def __post_init__(self) -> None:
        _day_exists(self.valid_from, self.valid_until)


class SignData(_Data, frozen=True, kw_only=True):
    """The performer's signature on an instrument's finding, or a countersignature on a claimed hold."""

    of: Seq


class WitnessData(_Data, frozen=True, kw_only=True):
    """A second person's signature; `values` are what the witness read independently."""

    of: Seq
    mode: Literal["independent", "concurrent"]
    values: tuple[Decimal, ...]


class Bound(_Data, frozen=True, kw_only=True):
    """How bad a waived reading may get before the no-go is back."""

    name: Said
    at_least: Decimal | None
    at_most: Decimal | None


class WaiveData(_Data, frozen=True, kw_only=True):
    """A no-go accepted. Without a `bound` (a finding that has no number) it holds for that finding alone."""

    step: Said
    finding: Seq
    reason: Said
    bound: Bound | None
    expires: Utc

    def __post_init__(self) -> None:
        _day_exists(self.expires)


class HoldData(_Data, frozen=True, kw_only=True):
    """The count is stopped. `claimed` is the id of who said so when the instrument signed for them."""

    reason: Said
    claimed: Said | None


class LiftData(_Data, frozen=True, kw_only=True):
    """A hold is lifted; `rec` names the earlier, linked record the hold stands in, None for this one."""

    hold: Seq
    rec: RecId | None
    reason: Said


class PhaseData(_Data, frozen=True, kw_only=True):
    """A phase begins or is called complete; `passed` names open steps of earlier phases gone past."""

    phase: Said
    act: Literal["start", "complete"]
    passed: tuple[Said, ...]
    reason: Text


class PowerData(_Data, frozen=True, kw_only=True):
    """The payload's power was cycled, or seen to have been."""

    cause: Literal["crew", "seen"]
    detail: Text


class ReplanData(_Data, frozen=True, kw_only=True):
    """Flight-file keys and the text that replaces their values."""

    sets: Annotated[dict[str, Said], Meta(min_length=1)]
    reason: Said


class ResumeData(_Data, frozen=True, kw_only=True):
    """An interrupted record goes on; `next` is the step that was next when it stopped."""

    tool: Said
    next: Said | None
    away: Decimal | None


class PollData(_Data, frozen=True, kw_only=True):
    """A station's answer at a gate."""

    gate: Gate
    station: Said
    answer: Literal["go", "no-go"]
    remark: Text


class AuthoriseData(_Data, frozen=True, kw_only=True):
    """The director authorises passing a gate."""

    gate: Gate
    verdict: Literal["go"]


class ReleaseData(_Data, frozen=True, kw_only=True):
    """The balloon has left, `released` is when; off go without an authorisation."""

    released: Utc
    with_go: bool
    verdict: Verdict
    authority: Pointer | None
    reason: Text

    def __post_init__(self) -> None:
        _day_exists(self.released)


class ScrubData(_Data, frozen=True, kw_only=True):
    """The attempt is given up for today."""

    reason: Said


class CarryData(_Data, frozen=True, kw_only=True):
    """A step's finding taken over from the record this one follows."""

    step: Said
    source: Pointer
    outcome: Literal["go"]
    found_at: Utc
    readings: tuple[ReadingData, ...]
    reads: tuple[Said, ...]

    def __post_init__(self) -> None:
        _day_exists(self.found_at)


class CorrectData(_Data, frozen=True, kw_only=True, omit_defaults=True):
    """The entry named no longer counts, and why; what stands instead is entered anew.

    `rec` names the earlier, linked record that the entry stands in; without it, it stands in this one.
    """

    of: Seq
    reason: Said
    rec: RecId | None = None


class ClockData(_Data, frozen=True, kw_only=True):
    """The laptop's clock against another source: what is to be added to `at`, in seconds."""

    source: Said
    offset: Decimal
    uncertainty: Decimal | None
    detail: Text


class RecoverData(_Data, frozen=True, kw_only=True):
    """A torn last line was set aside in `torn/SHA256` before it was cut."""

    sha256: Sha256
    size: Annotated[int, Meta(ge=1, le=SAFE_INT)]


class PaperData(_Data, frozen=True, kw_only=True):
    """A step done on the printed list, at the paper's time; counts once a second person has witnessed it.

    `readings` holds what was written down of a step that measures.
    """

    step: Said
    outcome: Outcome
    done_at: Utc
    response: Text
    readings: Annotated[tuple[ReadingData, ...], Meta(max_length=1)]
    reads: tuple[Said, ...]

    def __post_init__(self) -> None:
        _day_exists(self.done_at)


class CloseData(_Data, frozen=True, kw_only=True):
    """The record ends; `sealers` will each seal it. `verdicts` are those at both gates as computed now."""

    reason: Said
    verdicts: dict[Gate, Verdict]
    sealers: Annotated[tuple[Said, ...], Meta(min_length=1)]


KINDS: dict[str, type[Struct]] = {
    "open": OpenData,
    "check": CheckData,
    "measure": MeasureData,
    "confirm": ConfirmData,
    "defer": DeferData,
    "sign": SignData,
    "witness": WitnessData,
    "waive": WaiveData,
    "hold": HoldData,
    "lift": LiftData,
    "phase": PhaseData,
    "power": PowerData,
    "replan": ReplanData,
    "resume": ResumeData,
    "poll": PollData,
    "authorise": AuthoriseData,
    "release": ReleaseData,
    "scrub": ScrubData,
    "carry": CarryData,
    "correct": CorrectData,
    "clock": ClockData,
    "recover": RecoverData,
    "paper": PaperData,
    "close": CloseData,
}

INSTRUMENT_KINDS = frozenset({"check", "clock", "recover", "resume", "power", "hold"})
"""What the laptop's own key may sign; everything else must be signed by a person."""

PASSPHRASE_KINDS = frozenset({"waive", "authorise", "close"})
"""What a person signs only with the passphrase given anew."""
