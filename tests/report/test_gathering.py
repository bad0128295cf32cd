"""What a report says of real records, before it has a form."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from small_flight import Crew, ToldClock

from preflight.errors import RecordError
from preflight.record.folder import CHECKLIST
from preflight.record.seal import seal_code
from preflight.report.gather import gather
from preflight.report.model import Report, StepView
from preflight.walk import opening, rules


def report_of(folder: Path, **more: Any) -> Report:
    return gather(folder, clock=ToldClock(), **more)


def step_of(report: Report, step_id: str) -> StepView:
    return next(step for phase in report.phases for step in phase.steps if step.id == step_id)


def words(report: Report) -> list[str]:
    return [loud.word for loud in report.loud]


def test_a_sealed_record_says_go_and_how_it_came_to_it(scenes: Any) -> None:
    folder = scenes.sealed()
    report = report_of(folder)
    assert (report.headline.verdict, report.headline.gate, report.loud) == ("go", "release", ())
    assert (report.record.state, report.trust) == ("sealed", "folder")
    assert "1 no-go was accepted by a waiver" in report.headline.text
    assert report.record.seal_code == seal_code((folder / "record.jsonl").read_bytes(), report.record.id)
    assert report.record.sealers == ("Ines Example",)
    assert all(signer.fingerprint.startswith("SHA256:") for signer in report.signers)
    assert len(report.entries) == report.record.shown == 29


def test_every_finding_of_a_step_is_kept_with_what_became_of_it(scenes: Any) -> None:
    report = report_of(scenes.sealed())
    struck, counts = step_of(report, "neck-lift").findings
    assert (struck.standing, struck.outcome) == ("struck", "no-go")
    assert struck.struck is not None
    assert (struck.struck.reason, struck.struck.by.name) == ("the hose was still on", "Omar Example")
    assert (counts.standing, counts.again) == ("counts", "the entry before it was struck")
    assert counts.witness is not None
    assert (counts.witness.name, counts.witnessed) == ("Lena Example", "independent, read 1.61")
    assert counts.readings[0].margin == pytest.approx(1.61 / 1.4)


def test_why_a_step_was_done_again_is_told(scenes: Any) -> None:
    report = report_of(scenes.sealed())
    assert "the payload's power was cycled" in step_of(report, "logger").findings[1].again
    assert "valid for 30 min only" in step_of(report, "gust").findings[1].again
    assert [found.standing for found in step_of(report, "gust").findings] == ["done again", "counts"]


def test_waivers_holds_and_changes_are_told_with_their_signatures(scenes: Any) -> None:
    report = report_of(scenes.sealed())
    (waiver,) = report.waivers
    assert (waiver.step, waiver.by.name, waiver.reason) == ("line", "Ines Example", "short flight")
    assert (waiver.bound, waiver.standing) == ("link.margin at least 1.2", "in force as of the last entry")
    assert waiver.by.meaning == rules.MEANINGS["waive"]
    (hold,) = report.holds
    assert "countersigned by Omar Example" in hold.after[0]
    assert hold.after[1].endswith("moved on")
    assert [len(report.replans), len(report.power_cycles), len(report.corrections)] == [1, 1, 1]
    assert {gate.gate: len(gate.polls) for gate in report.gates} == {"fill": 2, "release": 2}
    assert all(not event.after for gate in report.gates for event in (*gate.polls, *gate.authorised))


def test_the_run_out_chart_marks_the_governing_resource(scenes: Any) -> None:
    chart = report_of(scenes.sealed()).chart
    assert chart is not None
    assert sum(bar.governing for bar in chart.bars) == 1
    assert [tick.label.rsplit(" ", 1)[0] for tick in chart.ticks] == [
        "power-up",
        "release",
        "burst",
        "landing",
        "end of search",
    ]
    assert all(0 <= tick.at <= 1 for tick in chart.ticks)


def test_an_unsealed_record_says_so(scenes: Any) -> None:
    report = report_of(scenes.unsealed())
    assert words(report) == ["NOT SEALED"]
    assert (report.headline.verdict, report.record.seal_code) == ("hold", "")
    assert any("neck-lift is not done yet" in reason for reason in report.headline.reasons)


@pytest.mark.parametrize("line", [2, 15, 29])
def test_of_a_bad_record_only_what_comes_before_the_bad_line_is_shown(scenes: Any, line: int) -> None:
    report = report_of(scenes.tampered(line))
    assert words(report) == ["BAD RECORD"]
    assert f"at line {line}" in report.loud[0].text
    assert (report.record.state, report.record.first_bad) == ("bad", line)
    assert [entry.by.line for entry in report.entries] == list(range(1, line))
    assert report.record.seal_code == ""


def test_a_record_whose_checklist_was_exchanged_is_bad_and_shows_no_steps(scenes: Any) -> None:
    folder = scenes.sealed()
    kept = folder / CHECKLIST
    kept.write_bytes(kept.read_bytes().replace(b"Below 6 m/s", b"Below 9 m/s"))
    report = report_of(folder)
    assert words(report)[0] == "BAD RECORD"
    assert "checklist.toml" in report.loud[0].text
    assert (report.phases, report.headline.verdict) == ((), "")


def test_a_record_that_is_bad_from_its_first_line_still_gets_a_report(scenes: Any) -> None:
    folder = scenes.sealed()
    (folder / "record.jsonl").write_bytes(b"\xff\xfe rubbish\n")
    report = report_of(folder)
    assert words(report) == ["BAD RECORD"]
    assert (report.entries, report.phases, report.identity.flight) == ((), (), "not known")


def test_no_record_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"record\.jsonl"):
        report_of(tmp_path)


def test_a_drill_says_so(scenes: Any) -> None:
    report = report_of(scenes.sealed(drill=True))
    assert words(report) == ["DRILL"]
    assert report.loud[0].text == "Practice: no flight was made on this record."


def test_a_scrubbed_attempt_opens_with_that_and_says_who_gave_it_up(scenes: Any) -> None:
    report = report_of(scenes.scrubbed())
    assert words(report) == ["SCRUBBED"]
    text = report.loud[0].text
    assert text.startswith("The attempt was given up at 2031-03-09 ")
    assert text.endswith(" by Ines Example (ines): gusts over the field")
    assert report.headline.verdict == "no-go"
    assert report.headline.text.startswith("The verdict when the attempt was given up. At the ")


def test_a_release_without_go_is_loud_in_both_records(scenes: Any) -> None:
    first, second = scenes.without_go()
    report = report_of(second)
    assert words(report)[0] == "RELEASED WITHOUT GO"
    assert "the line tore in a gust" in report.loud[0].text
    assert report.headline.ending.startswith("RELEASED WITHOUT GO")
    assert (report.headline.verdict, len(report.records)) == ("hold", 2)
    assert report.release is not None
    assert report.release.after == ("hold: aircraft overhead",)
    earlier = report_of(first)
    assert words(earlier) == ["RELEASED WITHOUT GO"]
    assert report.record.id in earlier.loud[0].text
    assert (earlier.headline.verdict, earlier.followers[0].state) == ("go", "unsealed")


def test_a_release_with_go_stays_as_it_was_whatever_comes_later(scenes: Any, crew: Crew) -> None:
    first = scenes.sealed()
    walk = opening.follow(first, why="after-release", keyring=crew.keyring, person="ines", clock=crew.clock)
    walk.release("ines", released_at=crew.clock.at)
    crew.clock.forward(hours=4)
    walk.confirm("call", "omar", "answered")
    walk.power("switched off at the landing", "omar")
    report = report_of(scenes.left(walk))
    assert (report.headline.verdict, report.headline.ending[:16]) == ("go", "Released with go")
    assert {step.id: step.outcome for phase in report.phases for step in phase.steps}["gust"] == "go"
    assert all(not event.after for gate in report.gates for event in (*gate.polls, *gate.authorised))


def test_an_interruption_and_the_torn_line_are_told(scenes: Any) -> None:
    report = report_of(scenes.interrupted())
    texts = [event.text for event in report.interruptions]
    assert any("torn last line of 20 bytes" in text for text in texts)
    assert any(text.startswith("went on after 12 min away") for text in texts)


def test_a_forged_folder_says_whose_word_its_names_are(scenes: Any, make_crew: Any) -> None:
    folder = scenes.sealed()
    report = report_of(folder)
    assert report.trusted.startswith("names are as this folder claims")
    code = report.record.seal_code
    anchored = report_of(folder, code=code)
    assert (anchored.record.state, anchored.trust) == ("anchored", "code")
    other = "0" if code[0] != "0" else "1"
    assert report_of(folder, code=other + code[1:]).record.state == "bad"


def test_a_record_goes_on_from_one_that_was_tampered_with(scenes: Any) -> None:
    first, second = scenes.without_go()
    lines = (first / "record.jsonl").read_bytes().replace(b"short flight", b"Short flight")
    (first / "record.jsonl").write_bytes(lines)
    report = report_of(second)
    assert "BAD RECORD" in words(report)
    assert all(line.by.line < 6 for line in report.entries)


def test_a_record_away_from_the_one_it_goes_on_from_keeps_its_entries(scenes: Any, tmp_path: Path) -> None:
    _, second = scenes.without_go()
    alone = tmp_path / "elsewhere" / second.name
    alone.parent.mkdir()
    second.rename(alone)
    report = report_of(alone)
    assert (report.record.state, report.phases, report.headline.verdict) == ("unsealed", (), "")
    assert any("put that record beside this one" in note for note in report.record.warnings)
    assert [line.kind for line in report.entries] == ["open", "hold", "release"]


def test_a_fork_is_reported(scenes: Any, crew: Crew) -> None:
    first = scenes.sealed()
    for _ in range(2):
        walk = opening.follow(
            first, why="after-release", keyring=crew.keyring, person="ines", clock=crew.clock
        )
        last = scenes.left(walk)
    report = report_of(last)
    assert "FORK" in words(report)
    assert first.name in report.forks[0]
