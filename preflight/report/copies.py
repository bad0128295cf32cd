"""Copies of one record among several folders: which there are, and whether they say the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

How = Literal["first", "same", "beside", "shorter", "contradicts"]

_BEST_FIRST = ("anchored", "sealed", "unsealed", "bad")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """One folder as it was given, and what was found in it: `hashes` are those of its sound lines."""

    folder: str
    record: str
    state: str
    first_bad: int | None
    hashes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """How one copy stands to the one that is held to be the record.

    `first`: it is that one. `same`: the same lines in one hash chain, and the same state. `beside`: the same
    lines, but another state: seals or other files differ. `shorter`: its sound lines are the first of the
    other's. `contradicts`: it has other sound lines from some line on, so one of the two was made up.
    """

    folder: str
    how: How
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Copies:
    """The folders that bear one record's id, in the order given; `lines` of the one held to be the record."""

    record: str
    lines: int
    copies: tuple[Copy, ...]

    @property
    def same(self) -> bool:
        """Whether they are copies of each other throughout."""
        return all(copy.how in ("first", "same") for copy in self.copies)

    @property
    def contradict(self) -> bool:
        """Whether two of them have other sound lines, so that both can't be true."""
        return any(copy.how == "contradicts" for copy in self.copies)

    def to_json(self) -> dict[str, object]:
        """As `verify --json` and `audit --json` have it."""
        folders = [{"folder": copy.folder, "how": copy.how, "why": copy.text} for copy in self.copies]
        return {"record": self.record, "same": self.same, "lines": self.lines, "folders": folders}


def copies_of(given: Iterable[Given]) -> tuple[Copies, ...]:
    """Every record that lies in more than one of the folders."""
    by_record: dict[str, list[Given]] = {}
    for one in given:
        by_record.setdefault(one.record, []).append(one)
    return tuple(_compared(record, found) for record, found in by_record.items() if len(found) > 1)


def copy_lines(found: Iterable[Copies]) -> list[str]:
    """What people are told of the copies, the loud first."""
    lines = []
    for copies in sorted(found, key=lambda one: (not one.contradict, one.same)):
        first = next(copy.folder for copy in copies.copies if copy.how == "first")
        if copies.same:
            others = ", ".join(copy.folder for copy in copies.copies if copy.how != "first")
            chain = f"the same {copies.lines} lines in one hash chain"
            lines.append(f"COPIES of one record, {copies.record}: {first} and {others}, {chain}")
            continue
        word = "CONTRADICTING COPIES" if copies.contradict else "COPIES THAT DIFFER"
        lines.append(f"{word} of one record, {copies.record}, held against {first}:")
        lines += [f"  {copy.folder}: {copy.text}" for copy in copies.copies if copy.how != "first"]
    return lines


def _compared(record: str, found: list[Given]) -> Copies:
    first = min(found, key=lambda one: (_BEST_FIRST.index(one.state), -len(one.hashes)))
    copies = tuple(_copy(one, first) for one in found)
    return Copies(record=record, lines=len(first.hashes), copies=copies)


def _copy(one: Given, first: Given) -> Copy:
    if one is first:
        return Copy(folder=one.folder, how="first", text="")
    how, text = _held(one, first)
    return Copy(folder=one.folder, how=how, text=text)


def _held(one: Given, first: Given) -> tuple[How, str]:
    pairs = zip(one.hashes, first.hashes, strict=False)
    parted = next((line for line, (mine, theirs) in enumerate(pairs, 1) if mine != theirs), None)
    if parted == 1:
        return "contradicts", "ANOTHER record under the same id: not one line is the same"
    if parted is not None:
        return "contradicts", f"DIFFERS from line {parted} on: both were signed, and only one can be true"
    if len(one.hashes) > len(first.hashes):
        sound = len(first.hashes)
        return "beside", f"DIFFERS: it is {one.state} and has sound lines after line {sound}"
    if len(one.hashes) < len(first.hashes):
        if one.first_bad is not None and one.first_bad > len(one.hashes):
            return "shorter", f"DIFFERS from line {one.first_bad} on, where it is bad"
        return "shorter", f"DIFFERS: it stops after line {len(one.hashes)} of {len(first.hashes)}"
    if one.state == "bad" == first.state:
        return (
            "beside",
            f"bad as well; its {len(one.hashes)} sound lines are the same, the rest is not compared",
        )
    if one.state != first.state:
        beside = (
            f"DIFFERS beside its lines, which are the same: {one.state}, where the other is {first.state}"
        )
        return "beside", beside
    return "same", "a true copy, the same lines in one hash chain"
