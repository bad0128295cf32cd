"""The printed checklist: everything that is done without the laptop has a place to be written."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from small_flight import CHECKLIST, FLIGHT, ToldClock
from tools import need_tool

from preflight.config.problems import BadFile
from preflight.report.paper import Paper, paper_of
from preflight.report.paper_html import paper_html
from preflight.report.paper_pdf import paper_pdf

CAUTIONED = CHECKLIST.replace(
    'challenge = "Battery lead"', 'challenge = "Battery lead"\ncaution = "A shorted cell burns"', 1
)


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    checklist, flight = tmp_path / "checklist.toml", tmp_path / "flight.toml"
    checklist.write_text(CAUTIONED)
    flight.write_text(FLIGHT.replace("neck_lift = ", "purity = 0.99\nneck_lift = "))
    return checklist, flight


def listed(checklist: Path, flight: Path | None = None) -> Paper:
    return paper_of(checklist, clock=ToldClock(), flight=flight)


def test_every_step_has_a_box_and_every_phase_a_completion(files: tuple[Path, Path], page_of: Any) -> None:
    paper = listed(files[0])
    page = page_of(paper_html(paper))
    steps = [step for phase in paper.phases for step in phase.steps]
    boxes = [attributes for tag, attributes in page.elements if attributes.get("class") == "box"]
    # A box a step, one a phase, two a station at each of two gates, two for the release.
    assert len(boxes) == len(steps) + len(paper.phases) + 2 * 2 * 2 + 2
    for step in steps:
        assert step.challenge in page.text
        assert step.response in page.text
    assert "▲ CAUTION: A shorted cell burns" in page.text
    assert "at least 1.4 kg, at most 1.9 kg" in page.text
    assert "witness:" in page.text
    assert "reference:" in page.text


def test_gates_come_after_their_last_phase_with_every_station(files: tuple[Path, Path]) -> None:
    paper = listed(files[0])
    assert [phase.gate_after for phase in paper.phases] == ["fill", "release", ""]
    assert paper.stations == ("director", "payload")


def test_a_flight_file_adds_its_figures_and_what_does_not_apply(
    files: tuple[Path, Path], page_of: Any
) -> None:
    checklist, flight = files
    assert listed(checklist).figures == ()
    paper = listed(checklist, flight)
    text = page_of(paper_html(paper)).text
    assert "Computed figures of Plover 1" in text
    assert "link.margin" in text
    assert "not applicable: the flight file has no [wind]" in text
    assert paper.chart is not None
    assert "LEAST MARGIN" in text


def test_a_limit_that_the_checklist_leaves_out_comes_from_the_figures(files: tuple[Path, Path]) -> None:
    checklist, flight = files
    checklist.write_text(re.sub(r"measure\.at_(least|most) = .*", "", CAUTIONED))

    def limits(paper: Paper) -> str:
        return next(s.limits for phase in paper.phases for s in phase.steps if s.id == "neck-lift")

    assert limits(listed(checklist)) == ""
    assert limits(listed(checklist, flight)).startswith("at least 1.2")


@pytest.mark.parametrize(("size", "name"), [("a4", "A4"), ("letter", "letter")])
def test_the_pdf_says_the_same(files: tuple[Path, Path], tmp_path: Path, size: str, name: str) -> None:
    need_tool("pdftotext", "pdfinfo")
    paper = listed(*files)
    path = tmp_path / "list.pdf"
    path.write_bytes(paper_pdf(paper, size=size))
    info = subprocess.run(["pdfinfo", path], check=True, capture_output=True, text=True).stdout
    assert f"({name})" in info
    told = subprocess.run(["pdftotext", "-raw", path, "-"], check=True, capture_output=True, text=True)
    text = " ".join(told.stdout.split())
    for phase in paper.phases:
        assert phase.title in text
        for step in phase.steps:
            assert f"{step.number} " in text
            assert step.challenge in text
    for expected in (
        "CAUTION: A shorted cell burns",
        "mean: ____",
        "reference:",
        "RELEASED WITHOUT GO",
        "link.margin",
    ):
        assert expected in text
    assert text.count("the competent person decide.") >= told.stdout.count("\f") > 1
    assert f"revision A, SHA-256 {paper.sha256[:12]}" in text


def test_a_file_that_is_no_checklist_is_refused(files: tuple[Path, Path]) -> None:
    with pytest.raises(BadFile, match=r"flight\.toml"):
        listed(files[1])
