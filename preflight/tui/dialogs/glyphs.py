"""Large characters for a seal code, and a QR code, both drawn in half blocks."""

from __future__ import annotations

_FONT: dict[str, str] = {
    "0": "01110 10001 10011 10101 11001 10001 01110",
    "1": "00100 01100 00100 00100 00100 00100 01110",
    "2": "01110 10001 00001 00110 01000 10000 11111",
    "3": "11111 00010 00100 00010 00001 10001 01110",
    "4": "00010 00110 01010 10010 11111 00010 00010",
    "5": "11111 10000 11110 00001 00001 10001 01110",
    "6": "00110 01000 10000 11110 10001 10001 01110",
    "7": "11111 00001 00010 00100 01000 01000 01000",
    "8": "01110 10001 10001 01110 10001 10001 01110",
    "9": "01110 10001 10001 01111 00001 00010 01100",
    "A": "01110 10001 10001 11111 10001 10001 10001",
    "B": "11110 10001 10001 11110 10001 10001 11110",
    "C": "01110 10001 10000 10000 10000 10001 01110",
    "D": "11100 10010 10001 10001 10001 10010 11100",
    "E": "11111 10000 10000 11110 10000 10000 11111",
    "F": "11111 10000 10000 11110 10000 10000 10000",
    "G": "01110 10001 10000 10111 10001 10001 01111",
    "H": "10001 10001 10001 11111 10001 10001 10001",
    "J": "00111 00010 00010 00010 00010 10010 01100",
    "K": "10001 10010 10100 11000 10100 10010 10001",
    "M": "10001 11011 10101 10101 10001 10001 10001",
    "N": "10001 11001 10101 10011 10001 10001 10001",
    "P": "11110 10001 10001 11110 10000 10000 10000",
    "Q": "01110 10001 10001 10001 10101 10010 01101",
    "R": "11110 10001 10001 11110 10100 10010 10001",
    "S": "01111 10000 10000 01110 00001 00001 11110",
    "T": "11111 00100 00100 00100 00100 00100 00100",
    "V": "10001 10001 10001 10001 10001 01010 00100",
    "W": "10001 10001 10001 10101 10101 11011 10001",
    "X": "10001 10001 01010 00100 01010 10001 10001",
    "Y": "10001 10001 01010 00100 00100 00100 00100",
    "Z": "11111 00001 00010 00100 01000 10000 11111",
}
"""Seven rows of five dots for each character of Crockford's base32."""

_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def halves(rows: list[list[bool]]) -> list[str]:
    """Rows of dots as lines of half blocks, two rows a line."""
    if len(rows) % 2:
        rows = [*rows, [False] * len(rows[0])]
    return [
        "".join(_HALVES[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]


def large(text: str) -> list[str]:
    """Characters side by side, four lines high and six cells wide each."""
    rows: list[list[bool]] = [[] for _ in range(8)]
    for char in text:
        dots = _FONT[char].split()
        for n in range(len(rows)):
            rows[n] += [dot == "1" for dot in (dots[n] if n < len(dots) else "00000")] + [False]
    return halves(rows)


def qr(text: str, border: int = 2) -> list[str]:
    """A QR code, dark dots as blocks: to be shown dark on light."""
    import segno  # loaded when there is a seal to show

    code = segno.make(text, error="m", micro=False, boost_error=False)
    return halves([[bool(dot) for dot in line] for line in code.matrix_iter(border=border)])


def groups(code: str) -> list[str]:
    """A code in groups of four."""
    plain = code.replace("-", "").replace(" ", "")
    return [plain[n : n + 4] for n in range(0, len(plain), 4)]
