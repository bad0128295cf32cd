"""`preflight report FLIGHT`: the notification sheet as text, HTML and PDF, and the printed shipped lists."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from small_flight import FLIGHT, ToldClock
from tools import need_tool

from preflight.cli.main import run
from preflight.config.load import load_checklist
from preflight.config.shipped import shipped_file
from preflight.errors import PreflightError
from preflight.report.notice import notice_page, sheet_of
from preflight.report.notice_html import notice_html
from preflight.report.notice_pdf import notice_pdf

AIRSPACE = '[airspace]\nrules = ["cfr-101.toml", "icao-annex-2.toml"]\noperator = "<b>Crew</b> & co"\n'


@pytest.fixture
def flight(tmp_path: Path) -> Path:
    path = tmp_path / "flight.toml"
    text = FLIGHT.replace('mass = "0.9 kg"', 'mass = "3.2 kg"\nsmallest_face = "0.1 m^2"')
    path.write_text(text.replace('neck_lift = "1.60 kg"', 'neck_lift = "5 kg"') + AIRSPACE)
    return path


def test_three_forms(flight: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for ending, start in (
        (".txt", b"NOTIFICATION SHEET: Plover 1"),
        (".html", b"<!DOCTYPE"),
        (".pdf", b"%PDF-"),
    ):
        out = tmp_path / f"notice{ending}"
        assert run(["report", str(flight), "-o", str(out)]) == 0
        assert out.read_bytes().lstrip().startswith(start)
    told = capsys.readouterr()
    assert "items missing. The local authority decides." in told.out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["-o", "x.csv"], ".csv is for records"),
        (["-o", "x.html", "--flight", "flight.toml"], "this is a flight file itself"),
        (["-o", "x.html", "--code", "1"], "go with a record"),
        (["-o", "x.doc"], "end the file's name in"),
    ],
)
def test_what_does_not_go_together(
    flight: Path, arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["report", str(flight), *arguments]) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_text_is_for_flight_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["report", str(shipped_file("recovery.toml")), "-o", str(tmp_path / "x.txt")]) == 2
    assert ".txt is for a flight file" in capsys.readouterr().err


def test_the_flight_file_itself_is_never_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "flight.txt"
    path.write_text(FLIGHT + AIRSPACE)
    assert run(["report", str(path), "-o", str(path)]) == 2
    assert path.read_text() == FLIGHT + AIRSPACE
    assert "is the file to read from" in capsys.readouterr().err


def test_without_rules_the_remedy_is_said(tmp_path: Path) -> None:
    path = tmp_path / "flight.toml"
    path.write_text(FLIGHT)
    with pytest.raises(PreflightError, match=r"add \[airspace\] with rules"):
        sheet_of(path, clock=ToldClock())


def test_missed_windows_stand_at_the_head(flight: Path, page_of: Any) -> None:
    # The release is planned two hours after the told clock: both windows have passed.
    page = notice_page(sheet_of(flight, clock=ToldClock()))
    assert len(page.missed) == 2
    assert all("MISSED by" in text for text in page.missed)
    shown = page_of(notice_html(page)).text
    assert shown.index("MISSED") < shown.index("What is asked for")
    assert "The local authority decides." in shown


def test_hostile_names_are_escaped(flight: Path) -> None:
    text = notice_html(notice_page(sheet_of(flight, clock=ToldClock())))
    assert "<b>Crew</b>" not in text
    assert "&lt;b&gt;Crew&lt;/b&gt; &amp; co" in text
    assert "<script" not in text
    assert "http://" not in text


@pytest.mark.parametrize(("size", "points"), [("a4", "595.28 x 841.89"), ("letter", "612 x 792")])
def test_the_pdf_page_by_page(flight: Path, tmp_path: Path, size: str, points: str) -> None:
    need_tool("pdftotext", "pdfinfo")
    path = tmp_path / "notice.pdf"
    path.write_bytes(notice_pdf(notice_page(sheet_of(flight, clock=ToldClock())), size=size))
    info = subprocess.run(["pdfinfo", path], check=True, capture_output=True, text=True).stdout
    assert points in info
    told = subprocess.run(["pdftotext", "-raw", path, "-"], check=True, capture_output=True, text=True).stdout
    pages = told.rstrip("\f").split("\f")
    assert len(pages) == int(re.search(r"Pages:\s+(\d+)", info)[1])  # type: ignore[index]
    for page in pages:
        assert "The local authority decides." in page
    words = " ".join(told.split())
    for each in (
        "Notification sheet: Plover 1",
        "Telephone",
        "[missing]",
        "[estimate]",
        "[from memory]",
        "MISSED",
    ):
        assert each.casefold() in words.casefold()
    assert not re.search(r"\b(legal|exempt|permitted)\b", words, re.I)


@pytest.mark.parametrize(
    "name", ["latex-flight.toml", "student-launch.toml", "hydrogen-fill.toml", "recovery.toml"]
)
@pytest.mark.parametrize("size", ["a4", "letter"])
def test_every_shipped_list_prints_whole(name: str, size: str, tmp_path: Path) -> None:
    need_tool("pdftotext")
    out = tmp_path / "list.pdf"
    assert run(["report", str(shipped_file(name)), "-o", str(out), "--paper", size]) == 0
    told = subprocess.run(["pdftotext", "-raw", out, "-"], check=True, capture_output=True, text=True).stdout
    words = " ".join(told.split())
    checklist = load_checklist(shipped_file(name))
    for step in checklist.steps():
        assert " ".join(step.challenge.split()[:4]) in words, step.id
    assert words.count("Phase complete.") == len(checklist.phase)
    assert words.count("CAUTION:") == sum(bool(step.caution) for step in checklist.steps())
