"""The three forms of a report: what a reader, a spreadsheet and a printer get."""

from __future__ import annotations

import csv
import io
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from small_flight import ToldClock
from tools import need_tool

from preflight.report.gather import gather
from preflight.report.html import to_html
from preflight.report.model import CAUTIONS, Report
from preflight.report.pdf import to_pdf
from preflight.report.table import COLUMNS, harmless, to_csv

TAGS = """html head meta title style body h1 h2 h3 p div section span strong b br ul li dl dt dd table caption
colgroup col thead tbody tr th td time pre footer svg g path rect line text"""
ALLOWED_TAGS = frozenset(TAGS.split())


def report_of(folder: Path, **more: Any) -> Report:
    return gather(folder, clock=ToldClock(), **more)


def rows_of(report: Report) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(to_csv(report).removeprefix("\ufeff"))))


def pdf_pages(data: bytes, tmp_path: Path) -> list[str]:
    """The text of each page, spaces folded."""
    need_tool("pdftotext")
    path = tmp_path / "made.pdf"
    path.write_bytes(data)
    told = subprocess.run(["pdftotext", "-raw", path, "-"], check=True, capture_output=True)
    return [" ".join(page.split()) for page in told.stdout.decode().split("\f")[:-1]]


def test_html_is_one_file_without_script_or_outside_resource(scenes: Any, page_of: Any) -> None:
    page = page_of(to_html(report_of(scenes.sealed())))
    assert page.tags <= ALLOWED_TAGS
    for tag, attributes in page.elements:
        assert not any(
            name.startswith("on") or name in ("src", "href", "xlink:href") for name in attributes
        ), tag
    policy = next(a["content"] for t, a in page.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")
    style = re.search(r"<style>(.*?)</style>", to_html(report_of(scenes.unsealed())), re.DOTALL)
    assert style is not None
    assert "url(" not in style[1]
    assert "@import" not in style[1]


def test_html_shows_every_signature_with_name_time_and_meaning(scenes: Any, page_of: Any) -> None:
    report = report_of(scenes.sealed())
    text = page_of(to_html(report)).text
    for line in report.entries:
        assert re.search(
            rf"{re.escape(line.by.when.utc)}[^“]*{re.escape(line.text[:40])}.*?"
            rf"{re.escape(line.by.name)} \({line.by.id}\): “{re.escape(line.by.meaning)}”",
            text,
        ), line
    for signer in report.signers:
        assert signer.fingerprint in text.replace(" ", "")
    assert all(caution in text for caution in CAUTIONS)


def test_html_puts_the_verdict_first_and_says_whom_it_trusts(scenes: Any, page_of: Any) -> None:
    text = page_of(to_html(report_of(scenes.sealed()))).text
    assert (
        text.index("● GO")
        < text.index("Can this be believed?")
        < text.index("names are as this folder claims")
    )
    assert "limit at least 2: OUTSIDE; margin 0.7" in text
    assert "STRUCK: the hose was still on" in text
    assert "countersigned by Omar Example" in text
    assert "> ready␍" in text


def test_html_struck_entries_are_struck_through(scenes: Any, page_of: Any) -> None:
    page = page_of(to_html(report_of(scenes.sealed())))
    rows = [attributes.get("class") for tag, attributes in page.elements if tag == "tr"]
    assert rows.count("struck") == 2


def test_html_holds_the_seal_code_as_text_and_as_a_picture(scenes: Any, page_of: Any) -> None:
    report = report_of(scenes.sealed())
    page = page_of(to_html(report))
    assert re.fullmatch(r"([0-9A-HJKMNP-TV-Z]{4}-){3}[0-9A-HJKMNP-TV-Z]{4}", report.record.seal_code)
    assert report.record.seal_code in page.text
    assert "path" in page.tags


@pytest.mark.parametrize("scene", ["tampered", "drill", "unsealed", "without_go", "scrubbed"])
def test_what_must_not_be_missed_stands_in_every_form_and_on_every_page(
    scenes: Any, page_of: Any, tmp_path: Path, scene: str
) -> None:
    folder, word = {
        "tampered": lambda: (scenes.tampered(), "BAD RECORD"),
        "drill": lambda: (scenes.sealed(drill=True), "DRILL"),
        "unsealed": lambda: (scenes.unsealed(), "NOT SEALED"),
        "without_go": lambda: (scenes.without_go()[1], "RELEASED WITHOUT GO"),
        "scrubbed": lambda: (scenes.scrubbed(), "SCRUBBED"),
    }[scene]()
    report = report_of(folder)
    html = to_html(report)
    assert re.search(rf"<title>[^<]*{word}", html)
    assert f"■ {word}" in page_of(html).text
    assert all(f"[{word}]" in row["marks"] for row in rows_of(report))
    pages = pdf_pages(to_pdf(report), tmp_path)
    assert len(pages) > 2
    assert all(word in page for page in pages)
    assert word in pages[0].split(report.identity.flight, 1)[1]
    # It comes before the verdict, in each of them.
    verdict = report.headline.verdict.upper() or "No verdict"
    for text in (page_of(html).text, pages[0]):
        body = text.split("what came of it.", 1)[1]
        assert body.index(word) < body.index(verdict)
    assert [row["row"] for row in rows_of(report)].index("mark") == 0


def test_csv_has_one_row_for_each_thing(scenes: Any) -> None:
    report = report_of(scenes.sealed())
    rows = rows_of(report)
    assert tuple(rows[0]) == COLUMNS
    assert rows[0]["row"] == "verdict"
    assert rows[0]["outcome"] == "go"
    reading = next(r for r in rows if r["row"] == "reading" and r["step"] == "line")
    assert (reading["value"], reading["at_least"], reading["margin"], reading["within"]) == (
        "1.4",
        "2",
        "0.7",
        "no",
    )
    lift = [r for r in rows if r["row"] == "reading" and r["step"] == "neck-lift"]
    assert [r["counts"] for r in lift] == ["struck: the hose was still on", "yes"]
    assert lift[1]["name"] == "Omar Example"
    signed = [r for r in rows if r["row"] in ("finding", "signature", "witness", "waiver", "poll", "hold")]
    assert all(r["name"] and r["time_utc"].endswith("Z") and r["meaning"] for r in signed)
    assert {r["row"] for r in rows} >= {"record", "seal code", "trust", "signer", "gate", "step", "run-out"}
    assert {r["verification"] for r in rows} == {"sealed"}


@pytest.mark.parametrize("cell", ["=1+1", "+x", "-2+3", "@SUM(A1)", "\tx", "\rx", " =1", "＝1", "-"])
def test_csv_cells_that_a_spreadsheet_would_run_are_made_harmless(cell: str) -> None:
    assert harmless(cell) == f"'{cell}"


@pytest.mark.parametrize("cell", ["-3.5", "+2", "1.4", "", "a=b", "2031-03-09T07:00:00.000Z", "'=1"])
def test_csv_cells_that_are_harmless_stay_as_they_are(cell: str) -> None:
    assert harmless(cell) == cell


@pytest.mark.parametrize(("paper", "size"), [("a4", "A4"), ("letter", "letter")])
def test_pdf_has_the_paper_asked_for_and_everything_the_html_has(
    scenes: Any, tmp_path: Path, paper: str, size: str
) -> None:
    need_tool("pdfinfo")
    report = report_of(scenes.sealed())
    pages = pdf_pages(to_pdf(report, paper=paper), tmp_path)
    told = subprocess.run(["pdfinfo", tmp_path / "made.pdf"], check=True, capture_output=True, text=True)
    assert f"({size})" in told.stdout
    text = " ".join(pages)
    for expected in (
        "At the release gate: every required step",
        "names are as this folder claims",
        report.record.seal_code,
        "link.margin 1.4",
        "limit at least 2: OUTSIDE",
        "short flight",
        "STRUCK: the hose was still on",
        "countersigned by Omar Example",
        "LEAST MARGIN",
        "> ready<0D>",
        "the competent person",
    ):
        assert expected in text, expected
    assert all(f"page {n} of {len(pages)}" in page for n, page in enumerate(pages, 1))


def test_pdf_of_the_same_report_is_the_same_bytes(scenes: Any) -> None:
    report = report_of(scenes.sealed())
    assert to_pdf(report) == to_pdf(report)
