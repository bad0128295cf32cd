"""Nothing of a page is torn from what it stands above: headings, table heads, rows."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from small_flight import ToldClock

from preflight.report.evidence import shown_once
from preflight.report.gather import gather
from preflight.report.html import to_html
from preflight.report.model import Report
from preflight.report.paper_pdf import STEP_HEAD, STEP_SHARES
from preflight.report.pdf import to_pdf
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


Drawn = list[tuple[str, str, int]]


@pytest.fixture
def report(scenes: Any) -> Report:
    """Of a walk in which nearly everything happened; evidence is so much that it takes pages."""
    found = gather(scenes.sealed(), clock=ToldClock())
    shown = next(step for phase in found.phases for step in phase.steps if step.id == "logger")
    (item,) = shown.findings[0].evidence
    many = tuple(replace(item, sha256=f"{n:064x}", lines=tuple(f"{n}" for _ in range(n))) for n in range(12))
    logger = replace(shown, findings=(replace(shown.findings[0], evidence=many), *shown.findings[1:]))
    phases = tuple(
        replace(phase, steps=tuple(logger if step is shown else step for step in phase.steps))
        for phase in found.phases
    )
    return replace(found, phases=phases)


def written(report: Report, monkeypatch: pytest.MonkeyPatch, foot: int, size: str = "a4") -> Drawn:
    """Text, style and page of all that is drawn, with this much kept free at each page's foot."""
    drawn: Drawn = []
    draw = Page._draw

    def watched(page: Page, line: Para, x: float, y: float) -> None:
        drawn.append((line.text, line.style, page.page_no()))
        draw(page, line, x, y)

    with monkeypatch.context() as patch:
        patch.setattr(Page, "_draw", watched)
        patch.setattr(Page, "bottom", property(lambda page: page.h - foot))
        to_pdf(report, paper=size)
    return drawn


@pytest.mark.parametrize("size", ["a4", "letter"])
def test_no_heading_and_no_caution_of_a_report_is_torn_off(
    report: Report, monkeypatch: pytest.MonkeyPatch, size: str
) -> None:
    for foot in range(16, 76, 6):
        drawn = written(report, monkeypatch, foot, size)
        headings = [at for at, (_, style, _) in enumerate(drawn) if style in ("h2", "h3")]
        assert len(headings) > 20
        for at in headings:
            assert drawn[at][2] == drawn[at + 1][2], f"{drawn[at][0]}, {foot} mm free"
        end = next(at for at, (text, _, _) in enumerate(drawn) if text == "Cautions")
        assert len({page for _, _, page in drawn[end:]}) == 1
        assert drawn[-1][2] > 3


def test_each_piece_of_evidence_stands_under_its_name(
    report: Report, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = written(report, monkeypatch, 40)
    for number in range(12):
        at = next(i for i, (text, _, _) in enumerate(drawn) if text.endswith(f"{number:064x}"))
        assert len({page for _, _, page in drawn[at - 2 : at + 1 + number]}) == 1, number


def test_evidence_that_many_findings_rest_on_is_shown_once(report: Report) -> None:
    shown = next(step for phase in report.phases for step in phase.steps if step.id == "logger")
    again = replace(shown.findings[0], by=replace(shown.findings[0].by, line=99))
    doubled = replace(shown, findings=(*shown.findings, again))
    phases = tuple(
        replace(phase, steps=tuple(doubled if step is shown else step for step in phase.steps))
        for phase in report.phases
    )
    pieces = shown_once(replace(report, phases=phases))
    assert len(pieces) == 12
    first = shown.findings[0].by.line
    assert {tuple(piece.of) for piece in pieces} == {(f"of logger, line {first}", "of logger, line 99")}
    page = to_html(replace(report, phases=phases))
    assert page.count(f"SHA-256 {1:064x}") == 1
    assert f"of logger, line {first}; of logger, line 99" in page
