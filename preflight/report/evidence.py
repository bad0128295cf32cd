"""The first bytes of evidence, made readable: text as cleaned lines, anything else as hex."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from preflight.clean import clean
from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.folder import EVIDENCE
from preflight.record.kinds import EvidenceData
from preflight.report.model import EvidenceView, Report

HEAD = 480
"""Bytes of each piece of evidence that a report shows."""
_LINES = 12
_WIDTH = 100
_HEX_ROW = 16
_TEXT_SHARE = 0.9


class Shown(NamedTuple):
    """One piece of evidence with everything that rests on it: `of` in words, first come first."""

    item: EvidenceView
    of: list[str]


def shown_once(report: Report) -> list[Shown]:
    """The evidence of a report; the same bytes, judged again and again, are shown once."""
    pieces: dict[str, Shown] = {}
    for phase in report.phases:
        for step in phase.steps:
            for found in step.findings:
                for item in found.evidence:
                    shown = pieces.setdefault(item.sha256, Shown(item, []))
                    shown.of.append(f"of {step.id}, line {found.by.line}")
    return list(pieces.values())


def excerpt(folder: Path, item: EvidenceData) -> EvidenceView:
    """The beginning of a piece of evidence; the whole of it was compared with its hash by verifying."""
    try:
        head = disk.read_head(folder / EVIDENCE / item.sha256, item.name, HEAD)
    except RecordError as error:
        return EvidenceView(item.name, item.sha256, item.size, "missing", (str(error),), cut=False)
    if _is_text(head):
        lines, cut = _text_lines(head)
        form = "text"
    else:
        lines, cut = _hex_lines(head)
        form = "hex"
    return EvidenceView(item.name, item.sha256, item.size, form, lines, cut or item.size > len(head))


def _is_text(head: bytes) -> bool:
    plain = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in head)
    return bool(head) and plain >= _TEXT_SHARE * len(head)


def _text_lines(head: bytes) -> tuple[tuple[str, ...], bool]:
    lines = head.split(b"\n")
    if lines and not lines[-1]:
        lines.pop()
    # Every byte stays visible, so the line end is shown as well, except the line feed that made the line.
    shown = tuple(clean(line, limit=_WIDTH) for line in lines[:_LINES])
    return shown, len(lines) > _LINES


def _hex_lines(head: bytes) -> tuple[tuple[str, ...], bool]:
    rows = [head[start : start + _HEX_ROW] for start in range(0, len(head), _HEX_ROW)]
    shown = []
    for index, row in enumerate(rows[:_LINES]):
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)
        shown.append(f"{index * _HEX_ROW:04x}  {row.hex(' '):<{3 * _HEX_ROW - 1}}  {text}")
    return tuple(shown), len(rows) > _LINES
