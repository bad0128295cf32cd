"""What the clocks in a record say of each other."""

from __future__ import annotations

import shutil
from pathlib import Path

import msgspec
from record_making import entries_of, put, rechain, reseal

from preflight.record.kinds import ClockData
from preflight.record.verify import verify


def test_the_running_clock_never_goes_back_within_a_boot(record, crew):
    entries = entries_of(record)
    early = msgspec.structs.replace(entries[3].clk, running="1")
    entries[3] = msgspec.structs.replace(entries[3], clk=early)
    put(record, rechain(entries, crew))
    found = verify(record)
    assert (found.state, found.first_bad) == ("bad", 4)
    assert "runs through suspend" in found.why


def stepped(record, crew, *, clock_at=None, offset="0"):
    """The record with UTC an hour later from the fifth line on, and a clock entry put in."""
    entries = entries_of(record)
    made = []
    for number, entry in enumerate(entries):
        at = entry.at.replace("T06", "T07") if number >= 4 else entry.at
        made.append(msgspec.structs.replace(entry, at=at))
    if clock_at is not None:
        data = ClockData(source="a receiver", offset=offset, uncertainty=None, detail="")
        beside = made[clock_at]
        made.insert(
            clock_at, msgspec.structs.replace(beside, kind="clock", data=data, signer="ada", auth="selected")
        )
    put(record, rechain(made, crew))
    reseal(record, crew, "ada", "cy")
    return verify(record)


def test_a_step_of_utc_is_told_unless_a_clock_entry_explains_it(record, crew):
    found = stepped(record, crew)
    assert found.state == "sealed"
    assert [w for w in found.warnings if "set forward by 3600.0 s" in w and w.startswith("line 5")]


def test_a_clock_entry_before_or_at_the_step_explains_it(sealed, tmp_path, crew):
    for name, (at, offset, told) in {
        "before": (2, "3600.5", 0),
        "before, of another size": (2, "60", 1),
        "at the step": (4, "0", 0),
    }.items():
        folder = Path(shutil.copytree(sealed, tmp_path / name / sealed.name))
        found = stepped(folder, crew, clock_at=at, offset=offset)
        assert found.state == "sealed", found.why
        assert len([w for w in found.warnings if "clock was set" in w]) == told, name


def test_a_second_boot_with_an_earlier_clock_is_told(record, crew):
    entries = entries_of(record)
    for number in range(4, len(entries)):
        clk = msgspec.structs.replace(entries[number].clk, boot="boot-b")
        entries[number] = msgspec.structs.replace(
            entries[number], clk=clk, at=entries[number].at.replace("T06", "T05")
        )
    put(record, rechain(entries, crew))
    reseal(record, crew, "ada", "cy")
    found = verify(record)
    assert found.state == "sealed"
    assert any("after a restart" in warning for warning in found.warnings)
