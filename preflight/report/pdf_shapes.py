"""The shapes of outcomes, the run-out chart and QR codes, drawn with a PDF's own lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fpdf import FPDF

    from preflight.report.model import Chart
    from preflight.report.pdf_page import Page


def draw_shape(pdf: FPDF, outcome: str, x: float, y: float, size: float) -> None:
    """The shape of an outcome or verdict in a square of `size` mm."""
    pdf.set_fill_color(0)
    pdf.set_line_width(0.35)
    middle, half = y + size / 2, size / 2
    if outcome == "go":
        pdf.ellipse(x, y, size, size, style="F")
    elif outcome == "open":
        pdf.ellipse(x, y, size, size, style="D")
    elif outcome == "waived":
        pdf.polygon([(x + half, y), (x + size, middle), (x + half, y + size), (x, middle)], style="F")
    elif outcome in ("stale", "caution"):
        style = "D" if outcome == "stale" else "F"
        pdf.polygon([(x + half, y), (x + size, y + size), (x, y + size)], style=style)
    elif outcome == "not-applicable":
        pdf.rect(x, middle - size * 0.08, size, size * 0.16, style="F")
    elif outcome == "hold":
        pdf.rect(x + size * 0.15, y, size * 0.22, size, style="F")
        pdf.rect(x + size * 0.63, y, size * 0.22, size, style="F")
    elif outcome == "box":
        pdf.rect(x, y, size, size, style="D")
    else:
        pdf.rect(x, y, size, size, style="F")
    pdf.set_line_width(0.2)


def draw_qr(pdf: FPDF, text: str, x: float, y: float, size: float) -> None:
    """A QR code of `size` mm with its quiet zone."""
    import segno

    rows = [bytes(row) for row in segno.make(text, error="m", micro=False).matrix_iter(border=4)]
    module = size / len(rows)
    pdf.set_fill_color(0)
    for down, row in enumerate(rows):
        start = None
        for across, dark in enumerate((*row, 0)):
            if dark and start is None:
                start = across
            elif not dark and start is not None:
                width = (across - start) * module
                # A hair wider, or some viewers show white lines between the modules.
                pdf.rect(x + start * module, y + down * module, width + 0.02, module + 0.02, style="F")
                start = None


LABELS = 34.0
BAR = 4.6
ROW = 13.5
"""Millimetres: room for names on the left, height of a bar, height of a row."""


def draw_chart(page: Page, chart: Chart) -> None:
    """The run-out chart over the page's width, bars on the flight's axis, the governing one black."""
    from preflight.report.pdf_page import Para

    page.room(chart_start(chart))
    top = page.get_y() + 8
    left, width = page.l_margin + LABELS, page.epw - LABELS - 6
    _axis(page, chart, left, width, top)
    y = top + 2
    for bar in chart.bars:
        if y + ROW > page.bottom:
            page.add_page()
            top = page.get_y() + 8
            _axis(page, chart, left, width, top)
            y = top + 2
        name = page.use("b" if bar.governing else "")
        page.text(page.l_margin, y + name.height * 0.8, page.face.printable(bar.resource[:24]))
        if bar.governing:
            page.text(page.l_margin, y + name.height * 1.8, "> LEAST MARGIN")
        page.set_fill_color(0 if bar.governing else 205)
        page.rect(left, y, max(0.4, width * bar.end), BAR, style="DF")
        if bar.beyond:
            page.set_fill_color(0)
            tip = left + width + 1
            page.polygon([(tip, y), (tip + 3, y + BAR / 2), (tip, y + BAR)], style="F")
        text = f"TOO SHORT: {bar.text}" if bar.short else bar.text
        page.set_xy(page.l_margin, y + BAR + 0.4)
        page.write_out([Para(text, "small")], indent=LABELS)
        y = max(page.get_y() + 1.5, y + ROW - 3)
    page.set_y(y + 1)
    page.write_out([Para(chart.note, "small")])


def chart_start(chart: Chart) -> float:
    """Millimetres of a chart that stay together, with what stands above it."""
    return 14.0 + ROW * min(len(chart.bars), 4)


def _axis(page: Page, chart: Chart, left: float, width: float, top: float) -> None:
    page.use("small")
    page.set_line_width(0.3)
    page.line(left, top, left + width, top)
    edge = -100.0
    for index, tick in enumerate(chart.ticks):
        x = left + width * tick.at
        page.line(x, top - 1.5, x, top + 1)
        label = page.face.printable(tick.label)
        wide = page.get_string_width(label)
        at = min(max(left - 4, x - wide / 2), left + width + 6 - wide)
        lower = at > edge + 2
        page.text(at, top - (2.2 if lower or index == 0 else 5.4), label)
        edge = at + wide if lower else edge
    page.set_line_width(0.2)
