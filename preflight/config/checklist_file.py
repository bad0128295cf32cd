"""The checklist as a file: its own phases and steps, or what it changes in another that it extends."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from preflight.config.checklist import Defer, Id, Measure, Phase, Prose, Step, Text
from preflight.config.quantities import Duration


class _File(Struct, frozen=True, forbid_unknown_fields=True):
    """Shared rules of every table in a file: named keys only, none unknown."""


class FileHead(_File, frozen=True, kw_only=True):
    """[checklist]: as in a whole checklist, and `extends`: the file it starts from, beside it or shipped.

    With `extends` only title and revision are needed, all else comes from there. `remove` are ids of steps
    and phases that are left out.
    """

    title: Text
    revision: Annotated[str, Meta(min_length=1, max_length=16)]
    extends: Annotated[str, Meta(min_length=1, max_length=80)] | None = None
    remove: tuple[Id, ...] = ()
    stations: tuple[Id, ...] | None = None
    release_by: tuple[Id, ...] | None = None
    seal_by: tuple[Id, ...] | None = None
    roles: tuple[Id, ...] | None = None
    part: bool | None = None


class Insert(_File, frozen=True, kw_only=True):
    """[[insert]]: the phases of a `file`, or steps written here, `before` or `after` a phase or step.

    Beside a step go steps, beside a phase go whole phases. `applies_if` is added to every step put in.
    """

    file: Annotated[str, Meta(min_length=1, max_length=80)] | None = None
    step: tuple[Step, ...] = ()
    before: Id | None = None
    after: Id | None = None
    applies_if: dict[str, str] = {}


class Override(_File, frozen=True, kw_only=True):
    """[[override]]: a step or phase by its `id`, with the keys that take the place of its own."""

    id: Id
    title: Text | None = None
    gate: Literal["fill", "release"] | None = None
    mode: Literal["read-do", "do-confirm"] | None = None
    challenge: Text | None = None
    response: Prose | None = None
    check: Annotated[str, Meta(min_length=1, max_length=64)] | None = None
    measure: Measure | None = None
    defer: Defer | None = None
    why: Prose | None = None
    caution: Prose | None = None
    required: bool | None = None
    signed_by: tuple[Id, ...] | None = None
    witness: bool | None = None
    witness_by: tuple[Id, ...] | None = None
    waive_by: tuple[Id, ...] | None = None
    after: tuple[Id, ...] | None = None
    valid_for: Annotated[Duration, Meta(gt=0)] | None = None
    reads: tuple[str, ...] | None = None
    needs: tuple[str, ...] | None = None
    without: tuple[str, ...] | None = None
    applies_if: dict[str, str] | None = None
    carry: bool | None = None


class ChecklistFile(_File, frozen=True, kw_only=True):
    """A checklist file. A `phase` with the id of one it extends takes that one's place, others come last."""

    checklist: FileHead
    phase: tuple[Phase, ...] = ()
    insert: tuple[Insert, ...] = ()
    override: tuple[Override, ...] = ()
