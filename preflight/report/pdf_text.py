"""What a PDF can print: Latin text with the fonts that every reader has, other scripts with a font found.

No font file comes with this tool. A document of Latin-1 text uses the PDF's own Helvetica and Courier. If
some text needs more, DejaVu Sans is taken from the system where it is installed and embedded in part. What
no font at hand can print appears as its code, `<4E2D>`, never as a blank or another character.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

if TYPE_CHECKING:
    from fpdf import FPDF

_TYPOGRAPHIC = str.maketrans(
    {
        "–": "-",
        "—": "-",
        "‐": "-",
        "‑": "-",
        "−": "-",
        "‘": "'",
        "’": "'",
        "“": '"',
        "”": '"',
        "…": "...",
        "•": "·",
        "→": "->",
        "≤": "<=",
        "≥": ">=",
    }
)
"""Common in typed text and printable in another spelling."""

_FOLDERS = (
    "/usr/share/fonts/truetype/dejavu",
    "/usr/share/fonts/dejavu-sans-fonts",
    "/usr/share/fonts/dejavu",
    "/usr/share/fonts/TTF",
    "/usr/local/share/fonts/dejavu",
    "/opt/homebrew/share/fonts",
    "/Library/Fonts",
    "C:/Windows/Fonts",
)
_FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSansMono.ttf")


@dataclasses.dataclass(frozen=True, slots=True)
class Face:
    """Fonts of one document: regular, bold and mono files, or None for the PDF's own Latin-1 ones."""

    files: tuple[Path, Path, Path] | None
    known: frozenset[int] | None

    def printable(self, text: str) -> str:
        """`text` with what these fonts lack as `<XXXX>`, the code in hex."""
        if self.known is None:
            text = text.translate(_TYPOGRAPHIC)
        return "".join(char if self._has(char) else _code(char) for char in text)

    def _has(self, char: str) -> bool:
        if self.known is None:
            return 0x20 <= ord(char) < 0x7F or 0xA0 <= ord(char) <= 0xFF
        return ord(char) in self.known


LATIN = Face(None, None)


def face_for(model: Any) -> Face:
    """The fonts for everything that `model` says."""
    if all(LATIN.printable(text) == text.translate(_TYPOGRAPHIC) for text in texts_of(model)):
        return LATIN
    return _found() or LATIN


def texts_of(part: Any) -> Iterator[str]:
    """Every text in a model, however deep it lies."""
    if isinstance(part, str):
        yield part
    elif isinstance(part, tuple):
        for item in part:
            yield from texts_of(item)
    elif dataclasses.is_dataclass(part) and not isinstance(part, type):
        for item in dataclasses.fields(part):
            yield from texts_of(getattr(part, item.name))
    elif isinstance(part, msgspec.Struct):
        for name in part.__struct_fields__:
            yield from texts_of(getattr(part, name))


@functools.cache
def _found() -> Face | None:
    for folder in _FOLDERS:
        files = tuple(Path(folder, name) for name in _FILES)
        if all(path.is_file() for path in files):
            known = _characters(files)
            if known:
                return Face((files[0], files[1], files[2]), known)
    return None


def _characters(files: tuple[Path, ...]) -> frozenset[int]:
    """What all of the files can print; nothing if one of them is no font."""
    from fpdf import FPDF
    from fpdf.fonts import TTFFont

    scratch = FPDF()
    try:
        for path in files:
            scratch.add_font(path.stem, "", path)
    except Exception:  # noqa: BLE001 - whatever a broken font raises, Latin-1 is left
        return frozenset()
    fonts = [font for font in scratch.fonts.values() if isinstance(font, TTFFont)]
    known = frozenset.intersection(*(frozenset(font.cmap) for font in fonts))
    close_fonts(scratch)
    return known


def close_fonts(document: FPDF) -> None:
    """Close the font files that the library keeps open."""
    for font in document.fonts.values():
        opened = getattr(font, "ttfont", None)
        if opened is not None:
            opened.close()


def _code(char: str) -> str:
    code = ord(char)
    # The picture of a control character stands for the character itself.
    code = code - 0x2400 if 0x2400 <= code <= 0x241F else 0x7F if code == 0x2421 else code
    return f"<{code:02X}>"
