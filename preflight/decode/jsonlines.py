"""JSON lines: one object a line and sample."""

from __future__ import annotations

import json
from typing import Any

from preflight.config.flight import Sample as Layout
from preflight.decode.samples import LineDecoder, Raw, Readers, Sample, text_of

_ABSENT = object()


class JsonDecoder(LineDecoder):
    """Decodes a JSON object a line; a field's `key` is a member or, with dots, a member of a member.

    Members that are not declared are passed over. NaN and infinities, which JSON does not have but many
    writers write, are faults of their field.
    """

    def __init__(self, layout: Layout, *, joined: bool = False) -> None:
        super().__init__(limit=max(1024, 4 * int(layout.length)), joined=joined)
        self._keys = [field.key or field.name for field in layout.field]
        self._readers = Readers(layout.field)

    def decode_line(self, raw: bytes, at: int, whole: tuple[str, ...]) -> list[Sample]:
        """The sample in the line `raw`, if it is a JSON object with one declared member at least."""
        text = text_of(raw)
        try:
            found = json.loads(text) if text is not None else None
        except (ValueError, RecursionError):
            found = None
        if not isinstance(found, dict):
            self.count_undecoded(raw)
            return []
        members = [_member(found, key) for key in self._keys]
        if all(member is _ABSENT for member in members):
            self.count_undecoded(raw)
            return []
        return [self._readers.sample(at, raw, map(_raw, members), whole=whole)]


def _member(found: dict[str, Any], key: str) -> object:
    here: Any = found
    if key in found:
        return found[key]
    for part in key.split("."):
        if not isinstance(here, dict) or part not in here:
            return _ABSENT
        here = here[part]
    return here


def _raw(member: object) -> Raw:
    if member is _ABSENT:
        return None
    if member is None:
        return ""
    if isinstance(member, (bool, int, float)):
        try:
            return float(member)
        except OverflowError:
            return float("inf")
    if isinstance(member, str):
        return member
    return "[…]" if isinstance(member, list) else "{…}"
