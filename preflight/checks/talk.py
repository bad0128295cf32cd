"""Talking to a device on a line: what was said by whom, and how bytes are shown."""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass, field

from preflight.clean import clean
from preflight.config.flight import HexBytes
from preflight.live import MOST_LINES, Line, LineKind, Stream
from preflight.readings import Evidence

EVIDENCE_LIMIT = 64 * 1024
LINE = 120
"""Bytes of one line of the conversation as it is shown."""


@dataclass(slots=True)
class Transcript:
    """Who sent what when, as lines of text with the bytes in hex; bounded."""

    started: float = field(default_factory=time.monotonic)
    lines: list[str] = field(default_factory=list)
    size: int = 0
    seen: int = 0
    _shown: deque[Line] = field(default_factory=lambda: deque(maxlen=MOST_LINES))
    _open: bytes = b""  # of a line that is not over

    def add(self, kind: LineKind, data: bytes, how: str = "") -> None:
        """One line, unless nothing was said or the transcript is full; `how` goes before the kind in it."""
        if data and self.size < EVIDENCE_LIMIT:
            self.size += len(data)
            who = f"{how} {kind:<5}".lstrip()
            self.lines.append(f"{time.monotonic() - self.started:9.3f} s {who} {data.hex(' ')}\n")
            self._show(kind, data)

    def live(self) -> Stream:
        """The conversation as it is shown while it goes on."""
        return Stream(name="logger", lines=tuple(self._shown), seen=self.seen)

    def _show(self, kind: LineKind, data: bytes) -> None:
        """Pieces of one line are put together again."""
        if self._open and self._shown and self._shown[-1].kind == kind:
            self._shown.pop()
            data = self._open + data
        else:
            self.seen += 1
        self._open = b"" if data.endswith((b"\r", b"\n")) or len(data) >= LINE else data
        text = data[:LINE].hex(" ").upper() if is_noise(data) else clean(data, limit=LINE)
        self._shown.append(Line(text, kind=kind))

    def evidence(self) -> tuple[Evidence, ...]:
        if not self.lines:
            return ()
        return (Evidence(name="logger exchange", data="".join(self.lines).encode()),)


def payload_of(send: str | HexBytes) -> bytes:
    """The bytes that `send` stands for."""
    return bytes.fromhex(send.hex) if isinstance(send, HexBytes) else send.encode()


def shown(data: bytes) -> str:
    """The latest bytes in quotation marks, cleaned."""
    return f"“{'…' if len(data) > 200 else ''}{clean(data[-200:], limit=200)}”"


def printable_share(data: bytes) -> float:
    """Share of bytes that are printable ASCII, tab or line end; 1.0 of nothing."""
    if not data:
        return 1.0
    return sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in data) / len(data)


def is_noise(data: bytes) -> bool:
    """Whether these bytes are no text."""
    return printable_share(data) < 0.8
