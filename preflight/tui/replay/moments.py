"""The state after any entry of a tape, soon: ledgers kept at intervals, folded on from the nearest one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from preflight.clock import Moment
from preflight.config.flight import Flight
from preflight.record.entry import Entry
from preflight.tui import words
from preflight.tui.replay.tape import Tape
from preflight.walk.ledger import Ledger
from preflight.walk.state import State, state_at

EVERY = 100
"""Entries between two ledgers that are kept."""
PAST = timedelta(milliseconds=1)
"""How far past an expiry the clock is set to show it."""


@dataclass(frozen=True, slots=True, order=True)
class Spot:
    """Where one stands: after entry `entry` (from 1), and `later` expiries on from it."""

    entry: int
    later: int = 0


@dataclass(frozen=True, slots=True)
class Stood:
    """How the walk stood at a spot, and what had just changed."""

    spot: Spot
    ledger: Ledger
    state: State
    changed: tuple[str, ...]


class Moments:
    """Folds a tape's entries up to any of them. Not for more than one thread."""

    def __init__(self, tape: Tape) -> None:
        self.tape = tape
        self._kept: dict[int, Ledger] = {0: Ledger(tape.book)}
        self._at = 0
        self._ledger = self._kept[0].copy()
        for number, entry in enumerate(tape.entries, start=1):
            self._ledger.apply(entry)
            # A correction folds everything again: nobody should wait for that twice.
            if number % EVERY == 0 or entry.kind == "correct":
                self._kept[number] = self._ledger.copy()
        self._at = len(tape.entries)

    def ledger(self, entry: int) -> Ledger:
        """The ledger after an entry; it is good until another one is asked for."""
        base = max(number for number in self._kept if number <= entry)
        if not base <= self._at <= entry:
            self._at, self._ledger = base, self._kept[base].copy()
        while self._at < entry:
            self._ledger.apply(self.tape.entries[self._at])
            self._at += 1
        return self._ledger

    def moment(self, spot: Spot) -> Moment:
        """The clock at a spot: that of the entry, or just past the expiry."""
        moment = self.tape.entries[spot.entry - 1].moment
        return _after(moment, self.expiries(spot.entry)[spot.later - 1]) if spot.later else moment

    def expiries(self, entry: int) -> tuple[datetime, ...]:
        """The times between an entry and the next one at which time alone changed an outcome."""
        if entry >= len(self.tape.entries):
            return ()
        here, until = self.tape.entries[entry - 1].moment, self.tape.entries[entry].moment
        ledger = self.ledger(entry)
        before = state_at(ledger, here)
        found = []
        for at in sorted(_ends(before)):
            if here.at < at < until.at - PAST:
                after = state_at(ledger, _after(here, at))
                if _outcomes(after) != _outcomes(before):
                    found.append(at)
                    before = after
        return tuple(found)

    def stood(self, spot: Spot) -> Stood:
        """How the walk stood at a spot."""
        now = self.moment(spot)
        if spot.later:
            earlier = Spot(spot.entry, spot.later - 1)
            ledger = self.ledger(spot.entry)
            before = state_at(ledger, self.moment(earlier))
            state = state_at(ledger, now)
            return Stood(spot, ledger, state, changes(before, state))
        ledger = self.ledger(spot.entry - 1)
        before = state_at(ledger, now)
        values = dict(ledger.values.replaced), ledger.values.flight
        ledger = self.ledger(spot.entry)
        state = state_at(ledger, now)
        said = (*changes(before, state), *_replaced(values, ledger))
        return Stood(spot, ledger, state, said)

    # -- moving -----------------------------------------------------------------------------------

    @property
    def last(self) -> Spot:
        return Spot(len(self.tape.entries))

    def beside(self, spot: Spot, by: int) -> Spot:
        """One spot on or back, expiries included."""
        if by > 0:
            if spot.later < len(self.expiries(spot.entry)):
                return Spot(spot.entry, spot.later + 1)
            return Spot(min(spot.entry + 1, self.last.entry))
        if spot.later:
            return Spot(spot.entry, spot.later - 1)
        if spot.entry == 1:
            return spot
        return Spot(spot.entry - 1, len(self.expiries(spot.entry - 1)))

    def away(self, spot: Spot, by: int) -> Spot:
        """That many entries on or back."""
        return Spot(max(1, min(self.last.entry, spot.entry + by)))

    def at(self, time: datetime) -> Spot:
        """The last spot that is no later than a time; the first one for an earlier time."""
        before = [n for n, entry in enumerate(self.tape.entries, start=1) if entry.moment.at <= time]
        if not before:
            return Spot(1)
        entry = before[-1]
        return Spot(entry, sum(at <= time for at in self.expiries(entry)))

    def next_of(self, spot: Spot, by: int, wanted: frozenset[int]) -> Spot | None:
        """The next entry on (by 1) or back (by -1) that is one of `wanted`; None if there is none."""
        if by > 0:
            on = [n for n in wanted if n > spot.entry]
            return Spot(min(on)) if on else None
        back = [n for n in wanted if n < spot.entry or (n == spot.entry and spot.later)]
        return Spot(max(back)) if back else None


def troubles(tape: Tape) -> frozenset[int]:
    """Numbers of the entries that a debrief asks about: no-go, waive, hold, scrub, release without go."""
    return frozenset(n for n, entry in enumerate(tape.entries, start=1) if _trouble(entry))


def calls(tape: Tape) -> frozenset[int]:
    """Numbers of the entries that part a walk: records, phases, gates, the release."""
    parting = ("open", "phase", "authorise", "release", "scrub", "close")
    return frozenset(n for n, entry in enumerate(tape.entries, start=1) if entry.kind in parting)


def _trouble(entry: Entry) -> bool:
    data = entry.data
    return (
        entry.kind in ("waive", "hold", "scrub", "correct")
        or getattr(data, "outcome", "") == "no-go"
        or getattr(data, "answer", "") == "no-go"
        or getattr(data, "with_go", True) is False
    )


def changes(before: State, after: State) -> tuple[str, ...]:
    """What is another way now, in words: steps, phases, verdicts, holds."""
    said = [
        text
        for text, old, new in (
            ("attempt scrubbed", before.scrubbed, after.scrubbed),
            ("released", before.released, after.released),
            ("record closed", before.closed, after.closed),
        )
        if new is not None and old is None
    ]
    for name, state in after.steps.items():
        old = before.steps[name]
        if state.outcome != old.outcome:
            said.append(f"{name} {old.outcome} → {state.outcome}")
        elif state.waiting != old.waiting and state.waiting is not None:
            said.append(f"{name} waits for a {state.waiting}")
    for name, phase in after.phases.items():
        if (phase.completed is None) != (before.phases[name].completed is None):
            said.append(f"phase {name} {'complete' if phase.completed else 'not complete any more'}")
    turned: dict[str, list[str]] = {}
    for name, gate in after.gates.items():
        old_gate = before.gates[name]
        if gate.verdict != old_gate.verdict:
            turned.setdefault(f"{old_gate.verdict} → {gate.verdict}", []).append(name)
        if (gate.authorised is None) != (old_gate.authorised is None):
            said.append(f"{name} gate {'authorised' if gate.authorised else 'no longer authorised'}")
        answers = {station: act.data.answer for station, act in gate.polled.items() if act is not None}
        said += [
            f"{station} answers {answer}"
            for station, answer in answers.items()
            if gate.polled[station] is not old_gate.polled[station]
        ]
        stations = [each for each in gate.polled if gate.polled[each] is None and old_gate.polled[each]]
        if stations:
            said.append(f"to be polled again: {', '.join(stations)}")
    said += [f"{words.listed(gates, 'and')} verdict {change}" for change, gates in turned.items()]
    if len(after.holds) != len(before.holds):
        said.append(f"{words.count(len(after.holds), 'hold')} standing" if after.holds else "no hold stands")
    if after.planned_release != before.planned_release:
        at = after.planned_release
        said.append(f"planned release {words.utc(before.planned_release)} → {words.utc(at)}")
    return tuple(said)


def _replaced(before: tuple[dict[str, str], Flight], ledger: Ledger) -> tuple[str, ...]:
    old, _ = before
    new = ledger.values.replaced
    return tuple(
        f"{key} {old[key]} → {text}" if key in old else f"{key} is {text}"
        for key, text in new.items()
        if old.get(key) != text and key != "flight.release"
    )


def _outcomes(state: State) -> list[str]:
    return [step.outcome for step in state.steps.values()]


def _ends(state: State) -> set[datetime]:
    """When time alone may change an outcome: expiries, and the ends of authorities' answers."""
    ends = {step.expires for step in state.steps.values() if step.expires is not None}
    for step in state.steps.values():
        until = getattr(step.finding.act.data, "valid_until", None) if step.finding is not None else None
        if until is not None:
            ends.add(datetime.fromisoformat(until))
    return ends


def _after(moment: Moment, at: datetime) -> Moment:
    passed = at + PAST - moment.at
    running = moment.boot_ns + int(passed.total_seconds() * 1e9)
    return Moment(moment.at + passed, moment.boot, running, moment.source, moment.uncertainty)
