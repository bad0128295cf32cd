"""What happened besides the steps: gates, release, holds, corrections, interruptions."""

from __future__ import annotations

import dataclasses
from collections import defaultdict

from preflight.record.entry import Entry
from preflight.record.kinds import HoldData, OpenData
from preflight.report.model import Event, GateView
from preflight.report.replay import Replay
from preflight.report.telling import tell
from preflight.report.who import Who
from preflight.walk.ledger import Ref
from preflight.walk.state import GateState

_INTERRUPTIONS = frozenset({"resume", "recover", "clock"})
_ASKED_AGAIN = "does not count: asked again, or the count was disturbed after it"
_LAPSED = "lapsed: a hold, a power cycle or a change of plan came after it"


class EventGatherer:
    """Builds events from the entries of one walk; the gates need its state as well."""

    def __init__(self, told: Replay, who: Who) -> None:
        self._told = told
        self._who = who
        self._by_kind: dict[str, list[Entry]] = defaultdict(list)
        for entry in told.entries:
            self._by_kind[entry.kind].append(entry)

    def of_kinds(self, *kinds: str) -> tuple[Event, ...]:
        """Every entry of these kinds, in order."""
        return tuple(self._event(entry) for entry in self._told.entries if entry.kind in kinds)

    def interruptions(self) -> tuple[Event, ...]:
        """Pauses, recovered lines, clock comparisons, and records that went on from another."""
        return tuple(
            self._event(entry)
            for entry in self._told.entries
            if entry.kind in _INTERRUPTIONS
            or (isinstance(entry.data, OpenData) and entry.data.previous is not None)
        )

    def holds(self) -> tuple[Event, ...]:
        """Every hold with its countersignature and what lifted it."""
        lifts = {Ref(e.data.rec or e.rec, e.data.hold): e for e in self._by_kind["lift"]}  # type: ignore[attr-defined]
        signs = {Ref(e.rec, e.data.of): e for e in self._by_kind["sign"]}  # type: ignore[attr-defined]
        events = []
        for hold in self._by_kind["hold"]:
            ref = Ref(hold.rec, hold.seq)
            after = []
            if isinstance(hold.data, HoldData) and hold.data.claimed is not None:
                name = self._who.name(hold.rec, hold.data.claimed)
                sign = signs.get(ref)
                after.append(
                    f"called in the name of {name}, who has not countersigned"
                    if sign is None
                    else f"countersigned by {self._attributed(sign)}"
                )
            lift = lifts.get(ref)
            if lift is None:
                after.append("stands as of the last entry")
            else:
                after.append(f"lifted by {self._attributed(lift)}: {lift.data.reason}")  # type: ignore[attr-defined]
            events.append(self._event(hold, tuple(after)))
        return tuple(events)

    def release(self) -> Event | None:
        """The release, if one was entered."""
        entry = next(iter(self._by_kind["release"]), None)
        if entry is None:
            return None
        gate = self._told.at_release
        return self._event(entry, tuple(reason.text for reason in gate.reasons) if gate is not None else ())

    def gates(self) -> tuple[GateView, ...]:
        """Every gate of the checklist: its verdict as the balloon left, or as of the last entry."""
        state = self._told.state
        if state is None:
            return ()
        views = []
        for gate in state.gates.values():
            at_release = self._told.at_release
            last = gate.gate == list(state.gates)[-1]
            if at_release is not None and at_release.gate == gate.gate:
                view = self._gate(at_release, "as the balloon left")
            elif gate.authorised is not None and not last:
                # What came after a gate was passed, a later hold say, is the next gate's business.
                passed = dataclasses.replace(gate, verdict="go", reasons=())
                view = self._gate(passed, "as it was authorised")
            else:
                view = self._gate(gate, "as of the last entry")
            views.append(view)
        return tuple(views)

    def _gate(self, gate: GateState, as_of: str) -> GateView:
        standing = gate.authorised.ref if gate.authorised is not None else self._used(gate.gate)
        counted = self._counted(gate, standing)
        polls, authorised = [], []
        for entry in self._told.entries:
            if entry.kind not in ("poll", "authorise") or entry.data.gate != gate.gate:  # type: ignore[attr-defined]
                continue
            ref = Ref(entry.rec, entry.seq)
            if entry.kind == "poll":
                polls.append(self._event(entry, () if ref in counted else (_ASKED_AGAIN,)))
            else:
                authorised.append(self._event(entry, () if ref == standing else (_LAPSED,)))
        return GateView(
            gate=gate.gate,
            as_of=as_of,
            verdict=gate.verdict,
            reasons=tuple(reason.text for reason in gate.reasons),
            polls=tuple(polls),
            authorised=tuple(authorised),
        )

    def _counted(self, gate: GateState, standing: Ref | None) -> set[Ref]:
        """The answers that the standing authorisation was given on; without one, those that count now."""
        if standing is None:
            return {act.ref for act in gate.polled.values() if act is not None}
        last: dict[str, Ref] = {}
        for entry in self._told.entries:
            ref = Ref(entry.rec, entry.seq)
            if ref == standing:
                break
            if entry.kind == "poll" and entry.data.gate == gate.gate:  # type: ignore[attr-defined]
                last[entry.data.station] = ref  # type: ignore[attr-defined]
        return set(last.values())

    def _used(self, gate: str) -> Ref | None:
        """The authorisation of this gate that the release names."""
        authorised = {Ref(e.rec, e.seq): e.data.gate for e in self._by_kind["authorise"]}  # type: ignore[attr-defined]
        for entry in self._by_kind["release"]:
            pointer = entry.data.authority  # type: ignore[attr-defined]
            if pointer is not None and authorised.get(Ref(pointer.rec, pointer.seq)) == gate:
                return Ref(pointer.rec, pointer.seq)
        return None

    def _event(self, entry: Entry, after: tuple[str, ...] = ()) -> Event:
        signed, struck = self._who.signed(entry), self._who.struck(entry)
        return Event(signed, tell(entry.kind, entry.data), after, struck)

    def _attributed(self, entry: Entry) -> str:
        signed = self._who.signed(entry)
        return f'{signed.name}, {signed.when.utc}, "{signed.meaning}"'
