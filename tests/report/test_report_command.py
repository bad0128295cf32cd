"""`preflight report`: what it writes, what it refuses, how it ends."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from small_flight import CHECKLIST, FLIGHT

from preflight.cli.main import run


@pytest.mark.parametrize(
    ("ending", "start"), [("html", b"<!DOCTYPE"), ("pdf", b"%PDF-"), ("csv", b"\xef\xbb\xbfrow,")]
)
def test_the_ending_says_what_is_written(scenes: Any, tmp_path: Path, ending: str, start: bytes) -> None:
    out = tmp_path / f"report.{ending.upper()}"
    assert run(["report", str(scenes.sealed()), "-o", str(out)]) == 0
    assert out.read_bytes().lstrip(b"\n").startswith(start)


def test_a_bad_record_is_written_and_said_and_ends_with_1(
    scenes: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "report.html"
    assert run(["report", str(scenes.tampered(9)), "-o", str(out)]) == 1
    assert "bad at line 9" in capsys.readouterr().err
    assert "bad at line 9" in out.read_text()


def test_a_roster_from_outside_is_believed(
    scenes: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = scenes.sealed()
    outside = tmp_path / "roster"
    outside.write_bytes((folder / "allowed_signers").read_bytes())
    assert run(["report", str(folder), "-o", str(tmp_path / "r.html"), "--roster", str(outside)]) == 0
    assert "names are those of the roster given" in capsys.readouterr().out
    assert run(["report", str(folder), "-o", str(tmp_path / "r.html"), "--code", "7KQ2-0000-0000-0000"]) == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["{record}", "-o", "{tmp}/r.docx"], "end the file's name"),
        (["{record}", "-o", "{record}/r.html"], "record's own folder"),
        (["{tmp}/checklist.toml", "-o", "{record}/evidence/r.html"], "record's own folder"),
        (["{record}", "-o", "{tmp}/nowhere/r.html"], "can't write there"),
        (["{record}", "-o", "{tmp}/r.html", "--flight", "f.toml"], "--flight goes with a checklist"),
        (["{record}", "-o", "{tmp}/r.html", "--code", "7KQ2"], "seal code has 16 characters"),
        (["{tmp}", "-o", "{tmp}/../r.html"], "holds no record.jsonl"),
        (["{tmp}/nothing.toml", "-o", "{tmp}/r.html"], "no such file"),
        (["{tmp}/checklist.toml", "-o", "{tmp}/r.csv"], ".csv is for records"),
        (["{tmp}/checklist.toml", "-o", "{tmp}/r.pdf", "--code", "x"], "go with a record"),
        (["{tmp}/flight.toml", "-o", "{tmp}/r.pdf"], "names no airspace rules"),
        (["{tmp}/checklist.toml"], "--output"),
    ],
)
def test_bad_input_gets_a_sentence_and_2(
    scenes: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    record = scenes.unsealed()
    (tmp_path / "checklist.toml").write_text(CHECKLIST)
    (tmp_path / "flight.toml").write_text(FLIGHT)
    assert run(["report", *(part.format(tmp=tmp_path, record=record) for part in arguments)]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err


def test_a_checklist_is_printed_with_the_flights_figures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    checklist, flight = tmp_path / "checklist.toml", tmp_path / "flight.toml"
    checklist.write_text(CHECKLIST)
    flight.write_text(FLIGHT)
    for name in ("list.pdf", "list.html"):
        out = tmp_path / name
        assert (
            run(["report", str(checklist), "-o", str(out), "--flight", str(flight), "--paper", "letter"]) == 0
        )
        assert out.stat().st_size > 2000
    assert "Every kind of step, revision A" in capsys.readouterr().out
    assert "link.margin" in (tmp_path / "list.html").read_text()


def test_the_record_is_left_as_it_was(scenes: Any, tmp_path: Path) -> None:
    folder = scenes.sealed()
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    for ending in ("html", "pdf", "csv"):
        run(["report", str(folder), "-o", str(tmp_path / f"r.{ending}")])
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
