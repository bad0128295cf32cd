"""What a report says, before it is HTML, PDF or CSV: plain data, every text of it made safe to show."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, TypeVar

import msgspec

from preflight.clean import clean
from preflight.readings import Reading
from preflight.report.words import Stamp

MAX_TEXT = 4000
"""Characters of one text that are shown: as many as an entry can hold in one."""

CAUTIONS = (
    "This tool advises a crew; it permits nothing. Local rules, the local authority and the competent person "
    "on the site decide.",
    "Gas cylinders, hydrogen, stretched latex, lithium cells, lines under load and falling loads can hurt "
    "people. A go in this report does not make any of them safe.",
    "Airspace belongs to its authority: rules change, read the current text and ask.",
)
"""Stand in every report and on every printed list."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A signature as it must be shown: printed name, time, meaning; and how the key was used."""

    name: str
    id: str
    when: Stamp
    meaning: str
    auth: str
    record: str
    line: int


@dataclass(frozen=True, slots=True)
class Loud:
    """What a reader must not miss: a word for every page, and a sentence."""

    word: str
    text: str


@dataclass(frozen=True, slots=True)
class Headline:
    """The verdict and why. `verdict` is "" where none could be worked out."""

    verdict: str
    gate: str
    text: str
    reasons: tuple[str, ...]
    as_of: Stamp | None
    ending: str


@dataclass(frozen=True, slots=True)
class Signer:
    """Someone whose valid signature is in the records."""

    id: str
    name: str
    roles: str
    fingerprint: str
    meanings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordView:
    """One record of the walk and what verification says of it. Hashes are SHA-256 in hex."""

    id: str
    state: str
    first_bad: int | None
    why: str
    drill: bool
    opened: Stamp | None
    last: Stamp | None
    shown: int
    tool: str
    goes_on: str
    flight_hash: str
    checklist_hash: str
    roster_hash: str
    lines_hash: str
    seal_code: str
    sealers: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Follower:
    """A record beside these that goes on from one of them, and is not part of this report."""

    id: str
    why: str
    state: str
    released: str


@dataclass(frozen=True, slots=True)
class Identity:
    """What the report is about."""

    flight: str
    checklist: str
    revision: str
    zone: str
    site: str
    planned: Stamp | None


@dataclass(frozen=True, slots=True)
class EvidenceView:
    """Bytes that a check judged: their first ones as cleaned lines of text or hex."""

    name: str
    sha256: str
    size: int
    form: str
    lines: tuple[str, ...]
    cut: bool


@dataclass(frozen=True, slots=True)
class Struck:
    """Why an entry no longer counts, and who said so."""

    by: Signed
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One finding of a step. `standing` says whether it counts; `again` why the step was done once more."""

    record: str
    line: int
    kind: str
    how: str
    outcome: str
    standing: str
    again: str
    readings: tuple[Reading, ...]
    values: tuple[str, ...]
    said: str
    answers: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]
    by: Signed
    signature: Signed | None
    witness: Signed | None
    witnessed: str
    struck: Struck | None
    evidence: tuple[EvidenceView, ...]


@dataclass(frozen=True, slots=True)
class WaiverView:
    """A no-go accepted: by whom, why, how far and until when."""

    step: str
    by: Signed
    reason: str
    bound: str
    expires: Stamp
    standing: str
    struck: Struck | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepView:
    """One step: what was asked, what came of it."""

    id: str
    challenge: str
    response: str
    caution: str
    asks: str
    limits: str
    required: bool
    outcome: str
    reason: str
    expires: Stamp | None
    findings: tuple[Found, ...]
    waivers: tuple[WaiverView, ...]


@dataclass(frozen=True, slots=True)
class PhaseView:
    """One phase and its steps. `passed` names what was gone past when it was begun out of order.

    Where nothing in it `concerns` the flight nobody had to call it complete.
    """

    title: str
    gate: str
    steps: tuple[StepView, ...]
    completed: Signed | None
    started: Signed | None
    passed: str
    concerns: bool = True


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, who signed for it, and what became of it."""

    by: Signed
    text: str
    after: tuple[str, ...] = ()
    struck: Struck | None = None


@dataclass(frozen=True, slots=True)
class GateView:
    """One gate: the verdict and of when it is, why, the stations' answers and the authorisations."""

    gate: str
    as_of: str
    verdict: str
    reasons: tuple[str, ...]
    polls: tuple[Event, ...]
    authorised: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Tick:
    """A moment of the flight on the chart's axis, as a share of its length."""

    label: str
    at: float


@dataclass(frozen=True, slots=True)
class Bar:
    """How long a resource lasts on the chart's axis; `beyond` where it outlasts the axis."""

    resource: str
    end: float
    beyond: bool
    text: str
    governing: bool
    short: bool


@dataclass(frozen=True, slots=True)
class Chart:
    """What runs out first. `note` says from which values it was computed."""

    ticks: tuple[Tick, ...]
    bars: tuple[Bar, ...]
    note: str


@dataclass(frozen=True, slots=True)
class EntryLine:
    """One entry in the order it was made."""

    by: Signed
    kind: str
    text: str
    struck: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Everything that a report of a walk says; writers add nothing to it but form."""

    loud: tuple[Loud, ...]
    headline: Headline
    identity: Identity
    trust: str
    trusted: str
    records: tuple[RecordView, ...]
    followers: tuple[Follower, ...]
    forks: tuple[str, ...]
    signers: tuple[Signer, ...]
    phases: tuple[PhaseView, ...]
    gates: tuple[GateView, ...]
    release: Event | None
    waivers: tuple[WaiverView, ...]
    holds: tuple[Event, ...]
    corrections: tuple[Event, ...]
    interruptions: tuple[Event, ...]
    replans: tuple[Event, ...]
    power_cycles: tuple[Event, ...]
    stale: tuple[str, ...]
    chart: Chart | None
    entries: tuple[EntryLine, ...]
    made: Stamp
    tool: str

    @property
    def record(self) -> RecordView:
        """The record that the report was asked for: the last of those it goes on from."""
        return self.records[-1]


T = TypeVar("T")


def scrubbed(part: T) -> T:
    """`part` with every text in it made safe to show, however deep it lies."""
    return _scrub(part)  # type: ignore[no-any-return]


def _scrub(part: Any) -> Any:
    if isinstance(part, str):
        return clean(part, limit=MAX_TEXT)
    if isinstance(part, tuple):
        return tuple(_scrub(item) for item in part)
    if dataclasses.is_dataclass(part) and not isinstance(part, type):
        fields = {f.name: _scrub(getattr(part, f.name)) for f in dataclasses.fields(part)}
        return dataclasses.replace(part, **fields)
    if isinstance(part, Reading):
        texts = {"name": _scrub(part.name), "unit": _scrub(part.unit), "value": _scrub(part.value)}
        return msgspec.structs.replace(part, **texts)
    return part
