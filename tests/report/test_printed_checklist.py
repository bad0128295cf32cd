"""The printed checklist: everything that is done without the laptop has a place to be written."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from small_flight import CHECKLIST, FLIGHT, ToldClock
from tools import need_tool

from preflight.checks.by_hand import by_hand, words
from preflight.checks.table import BUILT_IN
from preflight.config.problems import BadFile
from preflight.record.kinds import CheckData
from preflight.record.scan import scan
from preflight.report.paper import Paper, paper_of
from preflight.report.paper_html import paper_html
from preflight.report.paper_pdf import paper_pdf
from preflight.report.telling import readings_of
from preflight.report.words import limits_of

ROOT = Path(__file__).parents[2]

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
    return paper_of(checklist, clock=ToldClock(), reads_of=by_hand, flight=flight)


def blanks_of(paper: Paper, step: str) -> dict[str, tuple[str, str]]:
    """What is to be written at a step: limits and unit by label."""
    (found,) = (one for phase in paper.phases for one in phase.steps if one.id == step)
    return {blank.label: (blank.limits, blank.unit) for blank in found.blanks}


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


def test_each_reading_of_a_check_has_its_own_blank_with_unit_and_limits(page_of: Any) -> None:
    """The sample record's checks: what each of them read and was held to stands on its paper list."""
    folder = next((ROOT / "logs").glob("*/record.jsonl")).parent
    paper = listed(folder / "checklist.toml", folder / "flight.toml")
    page = page_of(paper_html(paper)).text
    steps = {step.id: step for phase in paper.phases for step in phase.steps}
    judged = 0
    for entry in scan((folder / "record.jsonl").read_bytes()).entries:
        if not isinstance(entry.data, CheckData):
            continue
        for reading in readings_of(entry.data):
            # These follow from what came: so many samples, a flight as long as with the weighed lift.
            if reading.name in ("sample.undecoded", "logger.reply_time", "card.file_limit_after"):
                continue
            limits = limits_of(reading)
            if limits:
                judged += 1
                mine = [
                    b for b in steps[entry.data.step].blanks if b.label.split(",")[0] == words(reading.name)
                ]
                assert [blank.limits for blank in mine] == [limits], reading.name
                assert limits in page
    assert judged > 20

    assert blanks_of(paper, "card-writes")["card stall"] == ("at most 1400 ms", "ms")
    reply = blanks_of(paper, "logger-replies")
    assert len(reply) == 2
    assert all("at most 2 s" in limits and unit == "s" for limits, unit in reply.values())
    fields = blanks_of(paper, "samples-read")
    assert fields["sample rate"] == ("5 Hz declared", "Hz")
    assert fields["pressure"][1] == "hPa"
    assert blanks_of(paper, "card-has-space")["card free"][1] == "MB or GB"
    assert {unit for _, unit in blanks_of(paper, "neck-lift").values()} == {"kg"}
    assert list(blanks_of(paper, "neck-lift")) == ["1", "2", "3", "mean"]
    # What does not apply has nothing to be read; a list without a flight has what is no flight's own.
    silent = [s for s in steps.values() if s.unless and "check" in s.asks]
    assert silent
    assert all(len(step.blanks) == 1 for step in silent)
    bare = listed(ROOT / "checklists" / "latex-flight.toml")
    assert blanks_of(bare, "position-fixed")["position satellites"] == ("at least 5", "")
    assert blanks_of(bare, "card-has-space")["card margin"] == ("at least 2", "")
    assert blanks_of(bare, "battery-loaded")["battery loaded voltage"] == ("", "V")


@pytest.mark.parametrize("check", BUILT_IN)
def test_every_check_tells_what_it_reads(check: str) -> None:
    assert by_hand(check, None, None, Path()) != () or check == "wiring"


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


def test_no_page_ends_between_a_label_and_its_blank(files: tuple[Path, Path], tmp_path: Path) -> None:
    need_tool("pdftotext")
    field = '[[sample.field]]\nname = "channel {}"\nat_least = 1\n'
    flight = files[1]
    many = "".join(field.format(index) for index in range(60))
    flight.write_text(flight.read_text().replace("[[sample.field]]", f"{many}[[sample.field]]", 1))
    checklist = files[0]
    checklist.write_text(checklist.read_text().replace('"logger-response"', '"sample-record"'))
    path = tmp_path / "list.pdf"
    path.write_bytes(paper_pdf(listed(checklist, flight)))
    told = subprocess.run(["pdftotext", "-raw", path, "-"], check=True, capture_output=True, text=True).stdout
    labels = told.count("channel ")
    assert labels == 60
    for page in told.split("\f"):
        lines = page.splitlines()
        at = [index for index, line in enumerate(lines) if line.startswith("channel ")]
        assert all(lines[index + 1] == "at least 1" and lines[index + 2].startswith("___") for index in at)


def test_a_file_that_is_no_checklist_is_refused(files: tuple[Path, Path]) -> None:
    with pytest.raises(BadFile, match=r"flight\.toml"):
        listed(files[1])
