"""Pages of a PDF: text and tables that break over pages, with the loud words on every one of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from fpdf import FPDF

from preflight.report.pdf_shapes import draw_shape
from preflight.report.pdf_text import Face, close_fonts

MARGIN = 14.0
FOOT = 16.0
PAD = 1.3
BOX = 2.5
"""Millimetres: page margins, room for the foot, space inside a table cell, and inside a frame."""


class Style(NamedTuple):
    """How a paragraph is set: "sans" or "mono", emphasis, size in points, line height in mm."""

    family: str
    emphasis: str
    size: float
    height: float


STYLES = {
    "": Style("sans", "", 8.5, 3.9),
    "b": Style("sans", "B", 8.5, 3.9),
    "s": Style("sans", "S", 8.5, 3.9),
    "small": Style("sans", "", 7.2, 3.3),
    "mono": Style("mono", "", 7.0, 3.2),
    "mark": Style("sans", "B", 8.5, 4.6),
    "big": Style("sans", "B", 14, 7.0),
    "loud": Style("sans", "B", 12, 5.6),
    "body": Style("sans", "", 9.5, 4.5),
    "bold": Style("sans", "B", 9.5, 4.5),
    "write": Style("sans", "", 9.5, 7.0),  # a line to write on, with room for a gloved hand above it
    "code": Style("mono", "B", 15, 7.5),
    "h1": Style("sans", "B", 17, 8.0),
    "h2": Style("sans", "B", 12.5, 6.0),
    "h3": Style("sans", "B", 10, 5.0),
}


class Para(NamedTuple):
    """A paragraph: its text, the name of its style, and the outcome whose shape stands before it."""

    text: str
    style: str = ""
    shape: str = ""


Cell = Sequence[Para]


class Page(FPDF):
    """A document. `words` stand at the head of every page, `foot` at its foot beside the page's number."""

    def __init__(self, *, paper: str, face: Face, words: Sequence[str], foot: str) -> None:
        super().__init__(format=paper, unit="mm")
        self.face = face
        self._words = face.printable("  -  ".join(words))
        self._foot = face.printable(foot)
        self._widths: dict[str, dict[str, float]] = {}
        if face.files is not None:
            regular, bold, mono = face.files
            self.add_font("sans", "", regular)
            self.add_font("sans", "B", bold)
            self.add_font("mono", "", mono)
            self.add_font("mono", "B", mono)
        self.set_margins(MARGIN, MARGIN, MARGIN)
        self.set_auto_page_break(False)
        self.set_draw_color(0)
        self.alias_nb_pages()
        self.add_page()

    @property
    def bottom(self) -> float:
        """Where the foot begins."""
        return float(self.h - FOOT)

    @property
    def _kept_whole(self) -> float:
        """Height up to which a row goes to the next page rather than break."""
        return self.bottom / 2

    def header(self) -> None:
        """The loud words in a frame, so that no page can be taken for another's."""
        self.set_y(8)
        if self._words:
            self.use("bold")
            self.set_line_width(0.6)
            lines = self._wrapped(self._words, "bold", self.epw - 4)
            height = 4.6 * len(lines) + 1.4
            self.rect(self.l_margin, 7, self.epw, height)
            for index, line in enumerate(lines):
                self.text(self.l_margin + 2, 11.3 + 4.6 * index, line)
            self.set_y(7 + height + 3)
        else:
            self.set_y(MARGIN - 2)
        self.set_line_width(0.2)

    def footer(self) -> None:
        """What this is about, and the page."""
        self.use("small")
        y = self.h - 9
        self.line(self.l_margin, y - 4, self.l_margin + self.epw, y - 4)
        self.text(self.l_margin, y, self._wrapped(self._foot, "small", self.epw - 24)[0])
        self.set_xy(self.l_margin, y - 3)
        self.cell(self.epw, 4, f"page {self.page_no()} of {{nb}}", align="R")

    def finished(self) -> bytes:
        """The whole document; nothing can be added after it."""
        data = bytes(self.output())
        close_fonts(self)
        return data

    def use(self, style: str) -> Style:
        """Set the font of a style."""
        found = STYLES[style]
        family = found.family
        emphasis = found.emphasis
        if self.face.files is None:
            family = {"sans": "Helvetica", "mono": "Courier"}[family]
        self.set_font(family, emphasis, found.size)
        return found

    def room(self, height: float) -> None:
        """Go to a new page unless `height` mm are left on this one."""
        if self.get_y() + height > self.bottom:
            self.add_page()

    def heading(self, level: int, text: str, *, keep: float = 14.0) -> None:
        """A heading that never stands alone at the foot of a page: `keep` mm of what follows stay with it."""
        above = {1: 1.0, 2: 5.0, 3: 2.5}[level]
        self.room(above + STYLES[f"h{level}"].height + 2 + keep)
        self.set_y(self.get_y() + above)
        self.write_out([Para(text, f"h{level}")])
        if level == 2:
            y = self.get_y()
            self.set_line_width(0.5)
            self.line(self.l_margin, y, self.l_margin + self.epw, y)
            self.set_line_width(0.2)
            self.set_y(y + 1.5)

    def write_out(self, paragraphs: Cell, *, indent: float = 0.0) -> None:
        """Paragraphs over the whole width."""
        for line in self._lines(paragraphs, self.epw - indent):
            self.room(STYLES[line.style].height)
            y = self.get_y()
            self._draw(line, self.l_margin + indent, y)
            self.set_y(y + STYLES[line.style].height)

    def bullets(self, texts: Iterable[str]) -> None:
        """A list."""
        for text in texts:
            self.room(STYLES["body"].height)
            y = self.get_y()
            self._draw(Para("-", "body"), self.l_margin + 2, y)
            self.write_out([Para(text, "body")], indent=6)

    def boxed(self, paragraphs: Cell, *, thick: bool = True) -> None:
        """Paragraphs in a frame, which breaks over pages only where it is high."""
        self.set_line_width(0.7 if thick else 0.3)
        self._row([self.epw], [paragraphs], pad=BOX)
        self.set_line_width(0.2)
        self.set_y(self.get_y() + 2)

    def high(self, paragraphs: Cell) -> float:
        """Millimetres that paragraphs over the whole width take."""
        return _height(self._lines(paragraphs, self.epw))

    def box_high(self, paragraphs: Cell) -> float:
        """Millimetres that a frame around paragraphs takes."""
        return _height(self._lines(paragraphs, self.epw - 2 * BOX)) + 2 * BOX

    def grid(self, shares: Sequence[float], head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
        """A table; `shares` of the width by column, `head` repeated on every page ("" for none)."""
        widths = self._columns(shares)
        titles = [[Para(title, "b")] for title in head]
        for index, row in enumerate(rows):
            if index == 0 and head:
                self.room(self.grid_start(shares, head, row))
                self._row(widths, titles, fill=True)
            self._row(widths, row, head=titles)
        self.set_y(self.get_y() + 2)

    def grid_start(self, shares: Sequence[float], head: Sequence[str], row: Sequence[Cell]) -> float:
        """Millimetres of a table's head and first row: they stay together unless the row is high."""
        widths = self._columns(shares)
        whole = self._height([[Para(title, "b")] for title in head], widths) + self._height(row, widths)
        return whole if whole <= self._kept_whole else 24.0

    def _columns(self, shares: Sequence[float]) -> list[float]:
        return [self.epw * share / sum(shares) for share in shares]

    def _height(self, cells: Sequence[Cell], widths: Sequence[float]) -> float:
        lines = (self._lines(cell, width - 2 * PAD) for cell, width in zip(cells, widths, strict=True))
        return max(_height(each) for each in lines) + 2 * PAD

    def _row(
        self,
        widths: Sequence[float],
        cells: Sequence[Cell],
        *,
        head: Sequence[Cell] = (),
        fill: bool = False,
        pad: float = PAD,
    ) -> None:
        left = [self._lines(cell, width - 2 * pad) for cell, width in zip(cells, widths, strict=True)]
        whole = max(_height(lines) for lines in left) + 2 * pad
        kept_whole = whole <= self._kept_whole
        if self.get_y() + whole > self.bottom and (kept_whole or self.get_y() + 25 > self.bottom):
            self._next_page(widths, head)
        while True:
            room = self.bottom - self.get_y() - 2 * pad
            now = [_taken(lines, room) for lines in left]
            self._cells(widths, now, pad, fill)
            left = [lines[len(taken) :] for lines, taken in zip(left, now, strict=True)]
            if not any(left):
                return
            self._next_page(widths, head)

    def _next_page(self, widths: Sequence[float], head: Sequence[Cell]) -> None:
        thickness = self.line_width
        self.add_page()
        if head:
            self._row(widths, head, fill=True)
        self.set_line_width(thickness)

    def _cells(self, widths: Sequence[float], cells: Sequence[Cell], pad: float, fill: bool) -> None:
        top = self.get_y()
        height = max(_height(lines) for lines in cells) + 2 * pad
        x = self.l_margin
        for width, lines in zip(widths, cells, strict=True):
            self.set_fill_color(235)
            self.rect(x, top, width, height, style="DF" if fill else "D")
            y = top + pad
            for line in lines:
                self._draw(line, x + pad, y)
                y += STYLES[line.style].height
            x += width
        self.set_y(top + height)

    def _draw(self, line: Para, x: float, y: float) -> None:
        style = self.use(line.style)
        if line.shape:
            draw_shape(self, line.shape, x, y + style.height * 0.12, style.size * 0.27)
            x += style.size * 0.27 + 1.6
        self.text(x, y + style.height * 0.76, line.text)

    def _lines(self, paragraphs: Cell, width: float) -> list[Para]:
        """Paragraphs broken into lines; only the first one of each keeps its shape."""
        lines: list[Para] = []
        for paragraph in paragraphs:
            room = width - (STYLES[paragraph.style].size * 0.27 + 1.6 if paragraph.shape else 0)
            for index, text in enumerate(
                self._wrapped(self.face.printable(paragraph.text), paragraph.style, room)
            ):
                lines.append(Para(text, paragraph.style, paragraph.shape if index == 0 else ""))
        return lines

    def _wrapped(self, text: str, style: str, width: float) -> list[str]:
        """Lines no wider than `width` mm, broken at spaces, and inside a word that is wider than a line."""
        self.use(style)
        widths = self._widths.setdefault(style, {})
        lines, line, used = [], "", 0.0
        for word in text.split(" "):
            piece = word if not line else f" {word}"
            wide = self._wide(piece, widths)
            if used + wide <= width:
                line, used = line + piece, used + wide
                continue
            if line:
                lines.append(line)
            line, used = "", 0.0
            for char in word:
                one = self._wide(char, widths)
                if used + one > width and line:
                    lines.append(line)
                    line, used = "", 0.0
                line, used = line + char, used + one
        return [*lines, line]

    def _wide(self, text: str, widths: dict[str, float]) -> float:
        total = 0.0
        for char in text:
            wide = widths.get(char)
            if wide is None:
                wide = widths[char] = float(self.get_string_width(char))
            total += wide
        return total


def _height(lines: Sequence[Para]) -> float:
    return sum(STYLES[line.style].height for line in lines)


def _taken(lines: Sequence[Para], room: float) -> list[Para]:
    """As many lines as fit; what is to be written below a label is not torn from it."""
    taken = 0
    used = 0.0
    for line in lines:
        used += STYLES[line.style].height
        if used > room:
            break
        taken += 1
    if taken < len(lines) and any(line.style == "write" for line in lines[taken:]):
        written = [index for index in range(taken) if lines[index].style == "write"]
        taken = written[-1] + 1 if written else taken
    return list(lines[:taken])
