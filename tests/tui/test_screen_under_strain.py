"""What must not be lost: a disk that fails, a check that is stopped, a closed lid, hostile text, a defect."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import signal
from pathlib import Path

import pytest
from screen_driving import PASSPHRASE, Driver, Stage, ToldCheck, found
from small_flight import CHECKLIST

from preflight.readings import Evidence, Finding, Reading
from preflight.record import disk
from preflight.record.folder import read
from preflight.record.verify import verify
from preflight.record.writer import written_here
from preflight.tui import conductor, following
from preflight.tui.dialogs.ask import Ask
from preflight.tui.dialogs.tell import Page, Sure
from preflight.tui.forms.form import Field, Form
from preflight.tui.found_records import unfinished
from preflight.tui.looking import Looking

HOSTILE = "[BATT] 3.3 [/] [red]x[/red] \x1b[31mESC\x9b2J \u202eback\u202c \x07 $bold $"


MARKUP = "[BATT] 3.3 [/] [red]x[/red] $bold {y} %s"


def hostile_checklist() -> str:
    """Markup in every text; a file with control characters is refused before any screen opens."""
    text = CHECKLIST.replace('challenge = "Battery lead"', f'challenge = "Battery lead {MARKUP}"')
    lines = f'response = "{MARKUP}"\ncaution = "{MARKUP}"\nwhy = "{MARKUP}"'
    text = text.replace('response = "Latched, 8.1 V"', lines)
    return text.replace('title = "Power-up"', f'title = "{MARKUP}"').replace(
        '"Every kind of step"', f'"{MARKUP}"'
    )


def waiting_check() -> ToldCheck:
    """One that works until it is stopped."""
    return ToldCheck("logger-response", found("logger-response"), waits=True)


def obeyed(text: str) -> list[str]:
    """Characters that a terminal would obey."""
    return [c for c in text if (ord(c) < 0x20 and c != "\n") or 0x7F <= ord(c) < 0xA0 or c in "\u202e\u202c"]


def test_hostile_text_is_shown_everywhere_and_obeyed_nowhere(stage: Stage) -> None:
    stage.checklist = hostile_checklist()
    finding = Finding(
        check="logger-response",
        outcome="no-go",
        readings=(
            Reading(name=f"log.{HOSTILE}", value=HOSTILE, unit=HOSTILE),
            Reading(name="a.b", value=1.0),
        ),
        remarks=(HOSTILE, "x" * 10_000),
        evidence=(Evidence(name=HOSTILE, data=b"\x1b[2J"),),
    )
    stage.checks["logger-response"] = ToldCheck("logger-response", finding, leads=HOSTILE, put_back=HOSTILE)

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.dealt()
        assert driver.text().count("[BATT] 3.3 [/] [red]x[/red] $bold {y} %s") >= 4
        await driver.press("n")
        await driver.fill("[/] [red]wind[/red] $x", "2")
        await driver.until(lambda: driver.app.seen.view.step("battery").outcome == "no-go")
        await driver.dealt()
        assert "[/] [red]wind[/red] $x" in driver.text()
        await driver.key("slash")
        await driver.type("batt")
        await driver.dealt()
        assert "Battery lead [BATT]" in driver.text()
        await driver.key("escape")
        await driver.key("ctrl+p")
        await driver.type("battery")
        await driver.until(lambda: "[BATT] 3.3" in driver.text())
        await driver.key("escape")
        driver.app.conductor.go(driver.app.seen.place)
        await driver.press("r")
        await driver.asked()
        await driver.key("escape")
        await driver.press("2")
        await driver.key("enter")
        await driver.until(lambda: driver.app.seen.view.step("battery").outcome == "go")
        await driver.at("step", "logger")
        await driver.run_check()
        assert not obeyed(driver.text())
        assert "[BATT] 3.3 [/] [red]x[/red] ␛[31mESC<9B>2J" in driver.text()
        await driver.key("space")
        await driver.until(lambda: isinstance(driver.app.screen, Page))
        await driver.dealt()
        assert not obeyed(driver.text())
        assert driver.text().count("␛[31mESC") >= 3

    for size in ((80, 24), (160, 45)):
        app = stage.drive(story, size=size)
        assert app.fault is None


def test_a_disk_that_fails_is_told_at_once_and_the_record_goes_on_elsewhere(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    other = tmp_path / "stick"
    whole = disk.sync
    broken: set[str] = set()

    def sync(fd: int) -> None:
        if broken:
            raise OSError(errno.EIO, "input/output error")
        whole(fd)

    monkeypatch.setattr(disk, "sync", sync)

    async def story(driver: Driver) -> None:
        await driver.begin()
        before = driver.app.seen.view.record
        broken.add("now")
        await driver.press("2", "enter")
        await driver.asked()
        await driver.until(lambda: "RECORD STOPPED" in driver.text() or driver.asking)
        assert driver.app.screen.form.special == "storage"
        assert "could not be written" in driver.text()
        broken.clear()
        await driver.fill(str(other), "1")
        await driver.until(lambda: driver.app.seen.view.record.rec != before.rec)
        assert driver.app.seen.view.record.failed is None
        await driver.sign("omar")
        await driver.at("step", "logger")

    stage.drive(story)
    (new,) = (path for path in other.iterdir() if not (stage.logs / path.name).exists())
    files = read(new)
    assert files.entries[0].data.previous.why == "storage"
    assert [entry.kind for entry in files.entries] == ["open", "confirm"]


def test_quitting_in_the_middle_of_a_check_stops_it_and_loses_nothing(stage: Stage) -> None:
    check = stage.checks["logger-response"] = ToldCheck(
        "logger-response", found("logger-response"), waits=True
    )

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.press("enter")
        await driver.until(lambda: check.started.is_set() and driver.app.seen.running is not None)
        await driver.until(lambda: "Still listening" in driver.text() or "Listening" in driver.text())
        await driver.press("q")
        await driver.until(lambda: isinstance(driver.app.screen, Sure))
        await driver.key("enter")  # nothing is chosen yet: nothing happens
        assert isinstance(driver.app.screen, Sure)
        await driver.press("y", "enter")
        await driver.until(lambda: not driver.app.is_running or driver.app._exit)

    app = stage.drive(story)
    assert app.return_value == 0
    assert check.left
    (record,) = stage.logs.iterdir()
    kinds = [entry.kind for entry in read(record).entries]
    assert kinds == ["open", "confirm", "check"]
    assert verify(record).state == "unsealed"


def test_a_check_is_stopped_by_a_key_and_what_it_left_is_shown(stage: Stage) -> None:
    check = stage.checks["logger-response"] = ToldCheck(
        "logger-response", found("logger-response"), waits=True
    )

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.press("enter")
        await driver.until(lambda: check.started.is_set() and driver.app.seen.running is not None)
        await driver.press("2", "enter")
        await driver.until(lambda: driver.app.seen.notice is not None)
        assert "s stops it" in driver.app.seen.notice.text
        await driver.press("s")
        await driver.until(lambda: driver.app.seen.running is None)
        await driver.until(lambda: driver.app.seen.view.step("logger").finding is not None)
        await driver.until(lambda: "Enter runs the check again" in driver.text())
        assert "Logger lead off" in driver.text()

    stage.drive(story)


def test_signals_stop_the_check_and_end_in_order(stage: Stage) -> None:
    for number in (signal.SIGTERM, signal.SIGHUP):
        check = stage.checks["logger-response"] = waiting_check()

        async def story(driver: Driver, check: ToldCheck = check, number: int = number) -> None:
            await driver.begin()
            await driver.sign("omar")
            await driver.at("step", "logger")
            await driver.press("enter")
            await driver.until(lambda: check.started.is_set() and driver.app.seen.running is not None)
            os.kill(os.getpid(), number)
            await driver.until(lambda: driver.app._exit)

        app = stage.drive(story)
        assert app.return_value == 128 + number
        assert check.left


def test_an_interrupted_walk_is_offered_and_shows_the_step_before_again(stage: Stage) -> None:
    async def first(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")

    async def second(driver: Driver) -> None:
        assert "Go on with" in driver.text()
        await driver.press("enter")
        await driver.at("step", "logger")
        assert driver.app.seen.view.acts[-1].entry.kind == "resume"
        before = next(line for line in driver.text().splitlines() if "before:" in line)
        assert "GO" in before
        assert "battery" in before
        assert "Omar Example" in before

    stage.drive(first)
    stage.drive(second)
    (record,) = stage.logs.iterdir()
    assert [entry.kind for entry in read(record).entries] == ["open", "confirm", "resume"]


def test_an_edited_flight_file_still_goes_on_with_the_copies_that_the_record_keeps(stage: Stage) -> None:
    async def first(driver: Driver) -> None:
        await driver.begin()

    stage.drive(first)
    stage.flight = stage.flight.replace('elevation = "40 m"', 'elevation = "41 m"')
    (item,) = unfinished(stage.logs, stage.sources)
    assert (item.kind, item.same) == ("interrupted", False)

    async def second(driver: Driver) -> None:
        assert "were changed since" in " ".join(driver.text().split())
        await driver.press("enter")
        await driver.until(lambda: driver.app.seen.view.record is not None)
        assert driver.app.seen.view.flight.site.elevation == 40

    stage.drive(second)


def test_a_computed_check_runs_again_by_itself_when_its_values_change(stage: Stage) -> None:
    line = stage.checks["link-margin"]

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.run_check()
        await driver.sign("omar")
        await driver.at("step", "line")
        await driver.run_check()
        await driver.sign("omar")
        assert line.runs == 1
        await driver.press("e")
        await driver.asked()
        await driver.fill("link.baud", "19200", "slower line", "1")
        await driver.until(lambda: line.runs == 2)
        await driver.until(lambda: driver.app.seen.view.step("line").waiting == "signature")
        await driver.until(lambda: "ran again by itself" in driver.text())
        assert driver.app.seen.place.kind == "complete"  # nothing moves by itself

    stage.drive(story)


def test_what_is_asked_fits_and_what_is_said_about_it_scrolls(stage: Stage) -> None:
    about = tuple(f"line {n} of what is said" for n in range(40))
    fields = tuple(Field(key=f"k{n}", label=f"field {n}") for n in range(6))

    async def nothing(*_: object) -> None:
        """What is typed is for nobody."""

    async def story(driver: Driver) -> None:
        form = Form(title="Long", about=about, caution="mind the line " * 10, fields=fields)
        await driver.app.push_screen(Ask(form, driver.app.seen.view, nothing))
        await driver.until(lambda: "PgDn reads on" in driver.text())
        for part in ("Long", "line 0 of", "mind the line", "field 0", "field 5", "Esc leave"):
            assert part in driver.text(), part
        assert "line 39 of" not in driver.text()
        await driver.press(*["pagedown"] * 20)
        await driver.until(lambda: "line 39 of" in driver.text())
        await driver.type("typed all the same")
        await driver.until(lambda: driver.app.screen.typed["k0"] == "typed all the same")

    stage.drive(story)


def test_a_second_screen_only_looks_and_follows(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    async def first(driver: Driver) -> None:
        await driver.begin()
        (record,) = stage.logs.iterdir()
        looking = Looking(record, folder=stage.folder, clock=stage.clock)
        view = looking.view().result()
        assert view.state.next.name == "battery"
        await driver.sign("omar")
        view = looking.view().result()
        assert view.state.next.name == "logger"
        assert view.looking
        assert not looking.view().result().record.left
        looking.shut()

    stage.drive(first)
    (record,) = stage.logs.iterdir()
    before = (record / "record.jsonl").read_bytes()

    async def second(driver: Driver) -> None:
        await driver.until(lambda: "ONLY LOOKING" in driver.text())
        for key in ("enter", "2", "enter", "f2", "n", "z", "p", "u", "c", "right", "s"):
            await driver.key(key)
        assert len(driver.app.screen_stack) == 2
        # Why the key did nothing goes by itself: nobody has to be at this screen.
        follow = driver.app.opened.following
        await driver.until(lambda: driver.app.seen.notice is not None)
        follow.tick()
        await driver.until(lambda: driver.app.seen.notice is None)
        if not listed:
            return  # this system does not list its locks: nothing is said
        # The screen at work ends: whoever looks is told, until somebody is at work again.
        assert "This screen only looks" in driver.text()
        os.close(writer)
        stage.clock.forward(minutes=12, seconds=8)
        follow.tick()
        await driver.until(lambda: "Last entry 07:00:00Z, 00:12:08 ago" in driver.text())
        assert "▲ NOBODY IS AT WORK on this walk." in driver.text()
        assert "▲ nobody writes" in driver.text()
        assert driver.app.seen.notice.title == "Nobody at work"
        again = locked()
        await driver.until(lambda: "This screen only looks" in driver.text())
        await driver.until(lambda: driver.app.seen.notice is None)
        os.close(again)

    def locked() -> int:
        fd = disk.open_append(record / "record.jsonl")
        disk.lock(fd, "record")
        return fd

    monkeypatch.setattr(following, "SAID_FOR", 0.0)
    writer = locked()
    listed = written_here(record / "record.jsonl")
    stage.drive(second, session=Looking(record, folder=stage.folder, clock=stage.clock))
    assert (record / "record.jsonl").read_bytes() == before


def test_a_defect_ends_with_no_local_variable_on_the_terminal(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        passphrase = PASSPHRASE  # noqa: F841 - what a traceback with locals would show
        raise ZeroDivisionError("a defect")

    async def story(driver: Driver) -> None:
        await driver.begin()
        monkeypatch.setattr(conductor.Conductor, "do_power", broken)
        await driver.press("o")
        await driver.until(lambda: driver.app.fault is not None)

    errors = io.StringIO()
    with contextlib.redirect_stderr(errors), pytest.raises(ZeroDivisionError):
        stage.drive(story)
    assert PASSPHRASE not in errors.getvalue()
    assert "Traceback" not in errors.getvalue()


def test_keys_are_locked_when_nobody_presses_a_key_for_a_while(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        driver.app.idle = 0.0
        await driver.until(lambda: not driver.app.seen.view.unlocked)
        await driver.until(lambda: "every key is locked" in driver.text())

    stage.drive(story)


def test_typed_readings_reach_the_check(stage: Stage) -> None:
    check = stage.checks["logger-response"] = ToldCheck(
        "logger-response", found("logger-response"), asks=("battery.open_voltage", "battery.loaded_voltage")
    )

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.press("enter")
        await driver.fill("8,29", "")
        await driver.until(lambda: driver.app.seen.view.step("logger").waiting == "signature")

    stage.drive(story)
    assert check.typed == {"battery.open_voltage": 8.29}


def test_a_no_go_is_waived_within_a_bound_and_a_correction_takes_an_entry_out(stage: Stage) -> None:
    stage.checks["link-margin"] = ToldCheck("link-margin", found("link-margin", 1.5))

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.run_check()
        await driver.sign("omar")
        await driver.at("step", "line")
        await driver.run_check()
        assert "NO-GO" in driver.text()
        await driver.press("v")
        await driver.asked()
        shown = driver.app.screen
        await driver.type("short cable")
        await driver.press("enter")  # the bound is filled in with what was found
        for answer in ("", "+45 min", "1", PASSPHRASE):
            await driver.type(answer)
            await driver.press("enter")
        await driver.until(lambda: driver.app.screen is not shown)
        await driver.until(lambda: driver.app.seen.view.step("line").outcome == "waived")
        driver.app.conductor.go(driver.app.seen.place.__class__("step", "line"))
        await driver.dealt()
        assert "WAIVED" in driver.text()
        assert "short cable, by Ines Example, until 07:45Z" in driver.text()
        await driver.press("c")
        await driver.asked()
        await driver.fill("5", "wrong reading", "1")
        await driver.until(lambda: driver.app.seen.view.step("line").outcome == "open")

    stage.drive(story)
