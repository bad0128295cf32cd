"""Text from devices, cards and files is hostile until it has passed through here.

Control characters become visible pictures, C1 and format characters (bidirectional overrides among them)
become `<XX>` with their code in hex, stacks of combining marks are cut to two, and length is capped.
Nothing is deleted without a trace and nothing is left for a terminal to obey.
"""

from __future__ import annotations

import unicodedata

DEFAULT_LIMIT = 500
MAX_COMBINING = 2


def clean(raw: bytes | str, *, limit: int = DEFAULT_LIMIT) -> str:
    """Printable text for `raw`: bytes are read as UTF-8, bytes that are not become `<XX>`.

    At most `limit` characters of `raw` are looked at; what was cut is counted at the end.
    """
    # One character takes four bytes at most, so this bound loses nothing of the first `limit` characters.
    head = raw[: limit * 4 + 4].decode("utf-8", "surrogateescape") if isinstance(raw, bytes) else raw
    if len(head) <= limit and head.isascii() and head.isprintable():
        return head  # as nearly everything is that a screen shows
    out: list[str] = []
    marks = 0
    for char in head[:limit]:
        category = unicodedata.category(char)
        if category in ("Mn", "Me", "Mc"):
            marks += 1
            if marks > MAX_COMBINING:
                out.append(f"<{ord(char):02X}>")
                continue
        else:
            marks = 0
        out.append(_shown(char, category))
    cut = len(raw) - limit if len(head) > limit else 0
    if cut > 0:
        out.append(f"… (+{cut} more)")
    return "".join(out)


def _shown(char: str, category: str) -> str:
    code = ord(char)
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    if 0xDC80 <= code <= 0xDCFF:  # a byte that was not UTF-8
        return f"<{code - 0xDC00:02X}>"
    if category in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
        return f"<{code:02X}>"
    return char
