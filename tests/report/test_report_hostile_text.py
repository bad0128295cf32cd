"""Text that wants to be more than text, in every field that a person or a device can fill."""

from __future__ import annotations

import csv
import io
import subprocess
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from small_flight import CHECKLIST, FLIGHT, PASSPHRASE, START, Crew, ToldClock
from tools import need_tool

from preflight.readings import Evidence, Finding, Reading
from preflight.record.kinds import Bound
from preflight.report.gather import gather
from preflight.report.html import to_html
from preflight.report.model import Report
from preflight.report.pdf import to_pdf
from preflight.report.table import to_csv
from preflight.walk.acts import Walk

MARKUP = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&amp;{{7*7}}{% raw %}"
CONTROL = "\x1b[31m\x07\u202egnp.exe\u2066\u0085\u2028"
FORMULA = '=HYPERLINK("http://example.invalid","x")'
COMBINING = "z" + "\u0301" * 300
SAID = f"{FORMULA}{MARKUP}{CONTROL}{COMBINING}"
LONG = "W" * 4000
DANGEROUS = ("\x1b", "\x07", "\u202e", "\u2066", "\u0085", "\u2028")


def hostile_walk(crew: Crew) -> Walk:
    """Every text that an entry can hold is hostile."""
    walk = crew.begin()
    walk.confirm("battery", "omar", SAID)
    reading = Reading(name=SAID[:300], value=SAID, unit=MARKUP)
    number = Reading(name=FORMULA, value=-1e299, unit=FORMULA)
    evidence = (
        Evidence(name=SAID[:200], data=SAID.encode()),
        Evidence(name=FORMULA, data=bytes(range(256)) * 9),
    )
    finding = Finding(
        check="logger-response",
        outcome="go",
        readings=(reading, number),
        remarks=(SAID, LONG),
        evidence=evidence,
    )
    walk.found("logger", finding)
    walk.sign("logger", "omar")
    limit = Reading(name="link.margin", value=1.0, unit=MARKUP, at_least=2.0)
    walk.found("line", Finding(check="link-margin", outcome="no-go", readings=(limit,), remarks=(SAID,)))
    walk.waive(
        "line",
        "ines",
        PASSPHRASE,
        reason=SAID,
        expires=START + timedelta(hours=3),
        bound=Bound(name="link.margin", at_least="0.5", at_most=None),
    )
    hold = walk.hold(SAID, claimed="omar")
    walk.lift(hold.ref, "ines", SAID)
    walk.power(SAID, "omar")
    walk.clock_compared(SAID, 1.5, None, SAID)
    walk.replan({"flight.name": "=Plover"}, "ines", SAID)
    wrong = walk.refuse("battery", "omar", SAID)
    walk.correct(wrong.ref, "omar", SAID)
    walk.poll("fill", "payload", "omar", go=False, remark=SAID)
    walk.release("ines", released_at=START, reason=SAID)
    walk.close("ines", PASSPHRASE, reason=SAID)
    walk.recorder.close()
    return walk


@pytest.fixture
def report(make_crew: Any) -> Report:
    flight = FLIGHT.replace('name = "Plover 1"', f"name = '''{MARKUP.replace(chr(39), '')[:70]}'''")
    checklist = CHECKLIST.replace('title = "Every kind of step"', f"title = '''{FORMULA}{MARKUP}'''")
    checklist = checklist.replace('challenge = "Battery lead"', f"challenge = '''{FORMULA}{MARKUP}'''")
    names = {"omar": "=1+1<b>Omar</b>", "ines": "Łucja Ønske & Sønner"}
    walk = hostile_walk(make_crew(flight, checklist, names))
    return gather(walk.recorder.folder, clock=ToldClock())


def test_html_shows_hostile_text_and_obeys_none_of_it(report: Report, page_of: Any) -> None:
    html = to_html(report)
    assert not any(char in html for char in DANGEROUS)
    page = page_of(html)
    assert not page.tags & {"script", "img", "a", "iframe", "link", "object"}
    assert not any(name.startswith("on") for _, attributes in page.elements for name in attributes)
    assert "<script>alert(1)</script><img src=x onerror=alert(2)>" in page.text
    assert "{{7*7}}{% raw %}" in page.text
    assert "␛[31m␇<202E>gnp.exe<2066><85><2028>" in page.text
    assert "=1+1<b>Omar</b>" in page.text


def test_nobody_can_write_a_mark_of_combining_characters(report: Report) -> None:
    assert "\u0301" * 3 not in to_html(report)
    assert "\u0301" * 3 not in to_csv(report)


def test_csv_holds_nothing_that_a_spreadsheet_would_run(report: Report) -> None:
    text = to_csv(report)
    assert not any(char in text for char in DANGEROUS)
    rows = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"))))
    for row in rows:
        for cell in row:
            if cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
                float(cell)  # a plain number, or this is a formula
    assert any(cell.startswith("'=HYPERLINK") for row in rows for cell in row)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pdf_shows_hostile_text_and_loses_none_of_it(report: Report, tmp_path: Path, paper: str) -> None:
    need_tool("pdftotext")
    path = tmp_path / "hostile.pdf"
    path.write_bytes(to_pdf(report, paper=paper))
    told = subprocess.run(["pdftotext", "-raw", path, "-"], check=True, capture_output=True)
    text = "".join(told.stdout.decode().split())
    assert "<script>alert(1)</script>" in text
    assert "<1B>[31m<07><202E>gnp.exe" in text
    assert text.count("W") >= len(LONG)
    assert b"/JavaScript" not in path.read_bytes()
    assert b"/URI" not in path.read_bytes()


def test_pdf_prints_other_scripts_or_their_codes_but_never_a_blank(report: Report, tmp_path: Path) -> None:
    need_tool("pdftotext")
    path = tmp_path / "scripts.pdf"
    path.write_bytes(to_pdf(report))
    told = subprocess.run(["pdftotext", "-raw", path, "-"], check=True, capture_output=True)
    text = " ".join(told.stdout.decode().split())
    assert "Łucja Ønske & Sønner" in text or "<141>ucja Ønske & Sønner" in text


def test_text_without_a_font_for_it_is_printed_as_codes() -> None:
    from preflight.report.pdf_text import LATIN

    shown = LATIN.printable("Łódź 中 ␛ “x” – ±5 °C")
    assert shown == '<141>ód<17A> <4E2D> <1B> "x" - ±5 °C'
