"""Many records at once: one bad folder never hides another, and what they say together is right."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from small_flight import PASSPHRASE, START, Crew, go, margin

from preflight.cli.audit import command as audit
from preflight.record import links
from preflight.record.scan import RECORD
from preflight.report.across import look_below, summaries_of, worst
from preflight.report.across_sums import Across, across, to_csv, to_json


def summed(folder: Path) -> Across:
    return across(str(folder), list(summaries_of(look_below(folder).records)))


def run(*arguments: str | Path) -> int:
    result = audit.main(args=[str(a) for a in arguments], prog_name="audit", standalone_mode=False)
    assert isinstance(result, int)
    return result


def flight_day(scenes: Any, crew: Crew, lift: float, days: int) -> Path:
    """A sealed record on another day with another neck lift."""
    crew.clock.at = START + timedelta(days=days)
    walk = crew.filled(crew.begin())
    walk.measure("neck-lift", "omar", [lift, lift, lift], (None, None))
    return scenes.shut(walk)  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("states", "code"),
    [
        (["sealed"], 0),
        (["sealed", "anchored"], 0),
        (["sealed", "unsealed"], 3),
        (["unsealed", "bad", "sealed"], 1),
        (["bad", "unreadable", "unsealed"], 2),
        ([], 2),
    ],
)
def test_the_exit_code_is_that_of_the_worst(states: list[str], code: int) -> None:
    assert worst(states) == code


def test_an_audit_reads_each_first_line_a_few_times_however_many_lie_beside_it(
    scenes: Any, crew: Crew, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who follows whom is found in one look at the folder, not in one for each record."""
    looks = []
    look = links.previous_of
    monkeypatch.setattr(links, "previous_of", lambda folder: looks.append(folder) or look(folder))
    for days in range(6):
        flight_day(scenes, crew, 1.6, days)
    assert [one.state for one in summed(crew.logs).records] == ["sealed"] * 6
    assert len(looks) == 2 * 6


def test_quantities_move_from_flight_to_flight_in_the_order_of_time(scenes: Any, crew: Crew) -> None:
    for days, lift in ((9, 1.70), (0, 1.60), (3, 1.65)):
        flight_day(scenes, crew, lift, days)
    (quantity,) = summed(crew.logs).quantities
    assert (quantity.name, quantity.unit) == ("balloon.neck_lift", "kg")
    assert [point.value for point in quantity.points] == [1.60, 1.65, 1.70]
    assert [point.change for point in quantity.points] == [None, 0.05, 0.05]


def test_linked_records_of_one_walk_are_one_flight(scenes: Any, crew: Crew) -> None:
    first, second = scenes.without_go()
    sums = summed(crew.logs)
    assert [one.record for one in sums.records] == [first.name, second.name]
    assert [one.with_go for one in sums.records] == [None, False]
    assert len(sums.quantities[0].points) == 1


def test_a_struck_measurement_and_a_drill_count_for_no_quantity(scenes: Any, crew: Crew) -> None:
    scenes.sealed(drill=True)
    assert summed(crew.logs).quantities == ()
    crew.clock.at = START + timedelta(days=1)
    assert [w.drill for w in summed(crew.logs).waivers] == [True]


def test_waivers_and_failing_steps_are_counted(scenes: Any, crew: Crew) -> None:
    scenes.sealed()
    crew.clock.at = START + timedelta(days=1)
    walk = crew.powered(crew.begin())
    walk.found("logger", go("logger-response"))
    walk.sign("logger", "omar")
    walk.found("line", margin(1.1))
    walk.found("line", margin(1.0))
    scenes.left(walk)
    sums = summed(crew.logs)
    (waiver,) = sums.waivers
    assert (waiver.name, waiver.step, waiver.reason, waiver.counts) == (
        "Ines Example",
        "line",
        "short flight",
        True,
    )
    worst_step = sums.steps[0]
    assert (worst_step.step, worst_step.no_go, worst_step.findings, worst_step.records) == ("line", 3, 3, 2)
    assert worst_step.waived == 1
    assert next(step for step in sums.steps if step.step == "neck-lift").no_go == 0


def break_things(logs: Path, sealed: Path) -> int:
    """Folders that are no records, or bad ones, beside a good one; how many of them must be reported."""
    for name, content in {
        "empty": b"",
        "rubbish": os.urandom(3000),
        "half": (sealed / RECORD).read_bytes()[:700],
        "nul": bytes(5000),
        "deep": b'{"entry":' + b"[" * 100_000 + b"\n",
        "long": b"x" * 1_000_000 + b"\n",
    }.items():
        (logs / name).mkdir()
        (logs / name / RECORD).write_bytes(content)
        if name in ("half", "deep"):
            (logs / name / "allowed_signers").write_bytes((sealed / "allowed_signers").read_bytes())
    (logs / "a-folder" / RECORD).mkdir(parents=True)
    (logs / "a-pipe").mkdir()
    os.mkfifo(logs / "a-pipe" / RECORD)
    (logs / "a-link").mkdir()
    (logs / "a-link" / RECORD).symlink_to(sealed / RECORD)
    (logs / "not-a-record").mkdir()
    (logs / "not-a-record" / "notes.txt").write_text("nothing here")
    (logs / "loop").symlink_to(logs)
    return 9


def test_no_broken_folder_stops_the_others(scenes: Any, crew: Crew) -> None:
    sealed = scenes.sealed()
    broken = break_things(crew.logs, sealed)
    sums = summed(crew.logs)
    assert len(sums.records) == broken + 1
    assert {one.state for one in sums.records if one.record != sealed.name} <= {"bad", "unreadable"}
    assert all(one.why for one in sums.records if one.record != sealed.name)
    assert len(sums.left_out) == broken
    assert len(sums.waivers) == 1


def test_the_command_prints_one_json_object_and_writes_csv(
    scenes: Any, crew: Crew, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenes.sealed()
    table = tmp_path / "audit.csv"
    assert run(crew.logs, "--json", "--csv", table) == 0
    told = json.loads(capsys.readouterr().out)
    (record,) = told["records"]
    assert {"record", "state", "trust", "signers", "first_bad", "why", "verdict", "drill"} <= set(record)
    assert (record["state"], record["verdict"], record["first_bad"]) == ("sealed", "go", None)
    assert told["waivers"][0]["reason"] == "short flight"
    assert told["quantities"][0]["flights"][0]["value"] == 1.61
    assert told == json.loads(json.dumps(to_json(summed(crew.logs))))
    rows = list(csv.DictReader(io.StringIO(table.read_text("utf-8-sig"))))
    assert {row["table"] for row in rows} == {"record", "waiver", "step", "quantity"}
    assert next(row for row in rows if row["table"] == "quantity")["value"] == "1.61"


def test_the_command_says_who_waived_what_and_ends_as_the_worst(
    scenes: Any, crew: Crew, capsys: pytest.CaptureFixture[str]
) -> None:
    scenes.sealed()
    crew.clock.at = START + timedelta(days=1)
    walk = crew.filled(crew.begin())
    scenes.left(walk)
    assert run(crew.logs) == 3
    told = capsys.readouterr().out
    assert "Ines Example (ines) waived line: short flight" in told
    assert "line: 1 of 2 findings in 2 records" in told
    assert "balloon.neck_lift" in told
    assert "note:" not in told
    (walk.recorder.folder / "flight.toml").write_bytes(b"")
    assert run(crew.logs) == 1
    assert "left out of what follows" in capsys.readouterr().out


def test_the_command_shows_what_each_record_has_to_be_told_of(
    scenes: Any, crew: Crew, capsys: pytest.CaptureFixture[str]
) -> None:
    first, _ = scenes.without_go()
    assert run(crew.logs) == 3
    told = capsys.readouterr().out
    assert f"  note: goes on from {first.name}, which is sealed\n" in told
    assert "  note: RELEASED WITHOUT GO: the line tore in a gust\n" in told


@pytest.mark.parametrize("name", ["", "nowhere"])
def test_a_folder_without_records_is_bad_input(tmp_path: Path, name: str) -> None:
    from preflight.cli.main import run as run_main
    from preflight.errors import PreflightError

    with pytest.raises(PreflightError, match="record"):
        run(tmp_path / name)
    assert run_main(["audit", str(tmp_path / name)]) == 2


def test_a_fork_is_named(scenes: Any, crew: Crew) -> None:
    from preflight.walk import opening

    first = scenes.sealed()
    names = []
    for _ in range(2):
        walk = opening.follow(
            first, why="after-release", keyring=crew.keyring, person="ines", clock=crew.clock
        )
        names.append(scenes.left(walk).name)
    sums = summed(crew.logs)
    assert [(previous, set(records)) for previous, records in sums.forks] == [(first.name, set(names))]
    assert "fork," in to_csv(sums)


def test_copies_are_named_and_count_once_and_nothing_is_passed_over_in_silence(
    scenes: Any, crew: Crew, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from preflight.walk import opening

    sealed = scenes.sealed()
    follower = opening.follow(
        sealed, why="after-release", keyring=crew.keyring, person="ines", clock=crew.clock
    )
    after = scenes.left(follower)
    disks = tmp_path / "disks"
    for name in ("one", "two"):
        for record in (sealed, after):
            shutil.copytree(record, disks / name / record.name)
    assert run(disks) == 3
    told = capsys.readouterr().out
    for name in ("one", "two"):
        assert f"{sealed.name}: sealed, in {disks / name / sealed.name}, " in told
    assert f"COPIES of one record, {sealed.name}: {disks / 'one' / sealed.name} and " in told
    assert "FORK" not in told
    assert told.count("waived line") == 1
    assert "line: 1 of 1 finding in 1 record" in told

    flight_file = disks / "two" / sealed.name / "flight.toml"
    flight_file.write_bytes(flight_file.read_bytes() + b"\n")
    assert run(disks, "--csv", tmp_path / "audit.csv") == 1
    told = capsys.readouterr().out
    assert (
        f"COPIES THAT DIFFER of one record, {sealed.name}, held against {disks / 'one' / sealed.name}" in told
    )
    assert f"left out of what follows, as they can't be believed: {flight_file.parent}" in told
    assert "\r\ncopy," in (tmp_path / "audit.csv").read_bytes().decode("utf-8-sig")

    (disks / "two" / sealed.name / RECORD).unlink()
    (disks / "three").symlink_to(disks / "one")
    assert run(disks) == 2
    told = capsys.readouterr().out
    assert f"in {flight_file.parent}, has the folders of a record, but no {RECORD}" in told
    assert f"not looked into, as it is a link: {disks / 'three'}" in told


def test_a_scrubbed_attempt_is_called_one_by_audit_and_verify(
    scenes: Any, crew: Crew, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from preflight.cli.main import run as run_main

    folder = scenes.scrubbed()
    assert run(crew.logs, "--csv", tmp_path / "audit.csv") == 0
    assert ", SCRUBBED: gusts over the field, verdict no-go" in capsys.readouterr().out
    assert "SCRUBBED: gusts over the field" in (tmp_path / "audit.csv").read_text("utf-8-sig")
    assert run_main(["verify", str(folder)]) == 0
    assert "  SCRUBBED: gusts over the field\n  verdict no-go\n" in capsys.readouterr().out


def test_waiver_of_an_unsealed_record_counts_but_of_a_bad_one_does_not(scenes: Any, crew: Crew) -> None:
    scenes.tampered()
    assert summed(crew.logs).waivers == ()
    assert PASSPHRASE not in to_csv(summed(crew.logs))
