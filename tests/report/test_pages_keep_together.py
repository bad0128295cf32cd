"""Nothing of a page is torn from what it stands above: headings, table heads, rows."""

from __future__ import annotations

import pytest

from preflight.report.paper_pdf import STEP_HEAD, STEP_SHARES
from preflight.report.pdf_page import Page, Para
from preflight.report.pdf_text import face_for


class Watched(Page):
    """Notes on which page each paragraph is drawn."""

    def __init__(self, size: str) -> None:
        self.drawn: list[tuple[str, int]] = []
        super().__init__(paper=size, face=face_for(""), words=(), foot="foot")

    def _draw(self, line: Para, x: float, y: float) -> None:
        self.drawn.append((line.text, self.page_no()))
        super()._draw(line, x, y)


@pytest.mark.parametrize("size", ["a4", "letter"])
@pytest.mark.parametrize("lines", [1, 4, 12])
def test_a_heading_its_table_head_and_the_first_row_stand_on_one_page(size: str, lines: int) -> None:
    row = [[Para(f"line {n}") for n in range(lines)], [Para("step")], [], [], []]
    seen = set()
    probe = Watched(size)
    first, last = probe.get_y(), probe.bottom
    for down in range(int(first), int(last)):
        page = Watched(size)
        page.set_y(down)
        page.heading(2, "A phase", keep=page.grid_start(STEP_SHARES, STEP_HEAD, row))
        page.grid(STEP_SHARES, STEP_HEAD, [row, row])
        where = [number for text, number in page.drawn if text in ("A phase", "Done", "line 0")][:3]
        assert len(where) == 3
        assert len(set(where)) == 1, f"torn at {down} mm of {size}"
        seen.add(where[0])
        page.finished()
    assert seen == {1, 2}
    probe.finished()
