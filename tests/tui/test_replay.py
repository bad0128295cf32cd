"""A record stepped through again: every moment as it stood, across linked records, and nothing written."""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import shutil
import stat
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from record_making import lines_of, put
from screen_driving import PASSPHRASE, Driver, Stage, replayed
from small_flight import go, margin

from preflight.cli.main import run
from preflight.record.keys import Keyring
from preflight.record.kinds import Bound
from preflight.tui.app import WalkApp
from preflight.tui.replay import moments as replay_moments
from preflight.tui.replay import session as replay_session
from preflight.tui.replay.draw import changed_lines
from preflight.tui.replay.moments import Moments, Spot, calls, troubles
from preflight.tui.replay.screen import KEYS
from preflight.tui.replay.session import Replaying
from preflight.tui.replay.tape import Tape, tape_of
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.ledger import Ledger
from preflight.walk.state import state_at


class Flown:
    """A walk over three records: no-go, waiver, hold, a step that expires, a handover, a release."""

    def __init__(self, stage: Stage, *, drill: bool = False) -> None:
        self.stage, self.clock = stage, stage.clock
        self.keyring = Keyring(stage.keys, stage.roster)
        for person in stage.roster.people:
            self.keyring.unlock(person.id, PASSPHRASE)
        self.walk = opening.begin(
            stage.logs, stage.sources, keyring=self.keyring, person="ines", clock=self.clock, drill=drill
        )
        self.records = [self.walk.recorder.folder]
        self.stood: list[dict[str, str]] = []

    def did(self, act: object) -> None:
        """What the screen would have shown after an act; then a minute passes."""
        state = state_at(self.walk.ledger, self.walk.ledger.acts[-1].at)
        outcomes = {name: step.outcome for name, step in state.steps.items()}
        gates = {name: gate.verdict for name, gate in state.gates.items()}
        self.stood.append({**outcomes, **gates, "holds": str(len(state.holds)), "at": act.entry.at})
        self.clock.forward(minutes=1)

    def follow(self, why: str) -> None:
        self.walk.recorder.close()
        self.walk = opening.follow(
            self.walk.recorder.folder, why=why, keyring=self.keyring, person="ines", clock=self.clock
        )
        self.records.append(self.walk.recorder.folder)
        self.did(self.walk.ledger.acts[-1])

    def to_release_gate(self) -> Walk:
        walk = self.walk
        self.did(walk.ledger.acts[-1])
        self.did(walk.confirm("battery", "omar", "8.1 V"))
        self.did(walk.found("logger", go("logger-response")))
        self.did(walk.sign("logger", "omar"))
        self.did(walk.found("line", margin(1.5)))
        bound = Bound(name="link.margin", at_least="1.4", at_most=None)
        expires = self.clock.at + timedelta(hours=6)
        self.did(walk.waive("line", "ines", PASSPHRASE, reason="short", expires=expires, bound=bound))
        self.did(walk.hold("gust", "omar"))
        self.did(walk.lift(walk.ledger.acts[-1].ref, "omar", "calm"))
        self.did(walk.complete("power-up", "omar"))
        for station, who in (("director", "ines"), ("payload", "omar")):
            self.did(walk.poll("fill", station, who, go=True))
        self.did(walk.authorise("fill", "ines", PASSPHRASE))
        self.did(walk.measure("neck-lift", "omar", [1.71, 1.7, 1.72], (None, None)))
        self.did(walk.witness("neck-lift", "lena"))
        self.did(walk.confirm("gust", "omar", "4 m/s"))
        return walk

    def whole(self) -> Flown:
        self.to_release_gate()
        self.follow("handover")
        self.clock.forward(minutes=45)  # the gust, valid for 30 min, expires between two entries
        self.did(self.walk.hold("gust again", "omar"))
        self.did(self.walk.correct(self.walk.ledger.acts[1].ref, "omar", "the other battery"))
        self.did(self.walk.close("ines", PASSPHRASE, reason="rain"))
        self.walk.recorder.seal(self.keyring.signer("ines"))
        self.follow("after-release")
        self.did(self.walk.release("ines", released_at=self.clock.at, reason="tore loose"))
        self.walk.recorder.close()
        return self


@pytest.fixture
def flown(stage: Stage) -> Flown:
    return Flown(stage).whole()


def replay(stage: Stage, record: Path, story, size=(80, 24)) -> WalkApp:
    app = replayed(record)

    async def once_drawn(driver: Driver) -> None:
        await driver.until(lambda: "REPLAY" in driver.text())
        await story(driver)

    stage.drive(once_drawn, size=size, app=app)
    assert app.fault is None
    return app


def spot(driver: Driver) -> Spot:
    return driver.app.seen.view.replay.spot


async def press(driver: Driver, key: str, times: int = 1) -> None:
    for _ in range(times):
        before = driver.app.seen
        await driver.press(key)
        await driver.until(lambda before=before: driver.app.seen is not before, f"for {key}")
        await driver.dealt()


def shown(driver: Driver) -> dict[str, str]:
    state = driver.app.seen.view.state
    outcomes = {name: step.outcome for name, step in state.steps.items()}
    gates = {name: gate.verdict for name, gate in state.gates.items()}
    at = f"{state.now.at:%Y-%m-%dT%H:%M:%S}.{state.now.at.microsecond // 1000:03d}Z"
    return {**outcomes, **gates, "holds": str(len(state.holds)), "at": at}


def test_every_entry_shows_the_walk_as_it_stood_with_its_clock_on_and_back(
    stage: Stage, flown: Flown
) -> None:
    """From the first record through the handover and past the release, then back again, by keys."""
    seen: dict[int, dict[str, str]] = {}
    back: dict[int, dict[str, str]] = {}

    async def story(driver: Driver) -> None:
        await press(driver, "home")
        assert spot(driver) == Spot(1)
        while spot(driver) != Spot(len(flown.stood)):
            if not spot(driver).later:
                seen[spot(driver).entry] = shown(driver)
            await press(driver, "right")
        seen[spot(driver).entry] = shown(driver)
        while spot(driver) != Spot(1):
            if not spot(driver).later:
                back[spot(driver).entry] = shown(driver)
            await press(driver, "left")
        back[1] = shown(driver)

    replay(stage, flown.records[0], story)
    assert list(seen.values()) == flown.stood
    assert [back[n] for n in sorted(back)] == flown.stood


def test_it_opens_on_the_last_entry_of_the_record_asked_for_and_says_what_record_that_is(
    stage: Stage, flown: Flown
) -> None:
    async def story(driver: Driver) -> None:
        assert spot(driver).entry == 16 - 1
        text = driver.text()
        assert "◇ REPLAY  15 of 21" in text
        assert "○ UNSEALED" in text
        assert "○ UNSEALED  not closed; names are as this folder claims" in text
        await press(driver, "right", 4)
        assert "○ UNSEALED" not in driver.text()
        assert "● SEALED" in driver.text()
        assert "names are as this folder claims" in driver.text()
        assert driver.app.seen.view.record.rec == flown.records[1].name

    replay(stage, flown.records[0], story)


def test_the_strip_says_number_kind_time_who_and_what_an_entry_changed(stage: Stage, flown: Flown) -> None:
    async def story(driver: Driver) -> None:
        await press(driver, "home")
        await press(driver, "n")
        text = driver.text()
        line = next(each for each in text.splitlines() if each.startswith("▶"))
        assert line.split()[:5] == ["▶", "#5", "07:04:00Z", "check", "Laptop"]
        assert "line: link-margin found no-go" in line
        assert "line open → no-go · fill and release verdict hold → no-go" in text
        assert "link.margin 1.5" in text
        assert "■ NO-GO" in text
        assert driver.app.seen.place.name == "line"
        await press(driver, "n")
        assert "line no-go → waived · fill and release verdict no-go → hold" in driver.text()
        await press(driver, "n")
        assert "1 hold standing" in driver.text()
        await press(driver, "p", 2)
        assert spot(driver) == Spot(5)

    replay(stage, flown.records[0], story)


@pytest.mark.parametrize("width", [60, 80, 160])
def test_of_what_an_entry_changed_the_new_verdict_is_never_cut(width: int) -> None:
    steps = [f"step-number-{n} go → stale" for n in range(9)]
    verdict = "fill and release verdict go → hold"
    shown: Any = SimpleNamespace(changed=(*steps, verdict))
    (line,) = changed_lines(shown, width, 1)
    assert line.plain.startswith(f" changed {verdict}")
    assert re.search(r"· \+\d more *$", line.plain)
    whole = changed_lines(shown, width, 9)
    assert verdict in " ".join(" ".join(line.plain for line in whole).split())
    assert "more" not in whole[-1].plain


def test_time_that_passes_between_two_entries_is_a_moment_of_its_own(stage: Stage, flown: Flown) -> None:
    async def story(driver: Driver) -> None:
        await press(driver, "right")
        assert spot(driver) == Spot(16)
        assert driver.app.seen.view.step("gust").outcome == "go"
        await press(driver, "right")
        assert spot(driver) == Spot(16, 1)
        text = driver.text()
        assert "time passes" in text
        assert "changed gust go → stale" in text
        assert "valid for 30 min only, done 07:14 UTC" in text
        assert driver.app.seen.place.name == "gust"
        assert driver.app.seen.view.state.now.at - datetime(2031, 3, 9, 7, 44, tzinfo=UTC) == timedelta(
            milliseconds=1
        )
        await press(driver, "right")
        assert spot(driver) == Spot(17)
        await press(driver, "left")
        assert spot(driver) == Spot(16, 1)

    replay(stage, flown.records[0], story)


def test_what_runs_out_is_computed_from_what_was_measured_by_then(stage: Stage, flown: Flown) -> None:
    async def story(driver: Driver) -> None:
        lifts = {}
        for time in ("07:11Z", "07:13Z"):
            await driver.press("g")
            await driver.fill(time)
            await driver.until(lambda: driver.app.seen.extra.figures is not None)
            lifts[time] = driver.app.seen.view.flight.balloon.neck_lift
        assert lifts == {"07:11Z": 1.6, "07:13Z": pytest.approx(1.71)}
        assert "balloon.neck_lift is 1.71 kg" not in driver.text()
        await press(driver, "left")
        assert "balloon.neck_lift is 1.71 kg" in driver.text()

    replay(stage, flown.records[0], story)


def test_jumps_by_ten_to_ends_to_calls_and_to_a_time(stage: Stage, flown: Flown) -> None:
    async def story(driver: Driver) -> None:
        await press(driver, "end")
        assert spot(driver) == Spot(21)
        assert "RELEASED WITHOUT GO" in driver.text()
        await press(driver, "pageup")
        assert spot(driver) == Spot(11)
        await press(driver, "pagedown")
        assert spot(driver) == Spot(21)
        await press(driver, "home")
        await press(driver, "right_square_bracket")
        assert (spot(driver), driver.app.seen.place.kind) == (Spot(9), "complete")
        await press(driver, "right_square_bracket")
        assert (spot(driver), driver.app.seen.place.kind) == (Spot(12), "authorise")
        await press(driver, "left_square_bracket")
        assert spot(driver) == Spot(9)
        await driver.press("g")
        await driver.asked()
        assert "site's time, or UTC: Z" in driver.said()
        assert "hh:mm is the site's clock (UTC), hh:mmZ or hh:mm UTC is UTC" in driver.said()
        await driver.type("19:06+12:00")
        await driver.until(lambda: "= 2031-03-09 07:06Z · 07:06 local" in driver.said())
        await driver.fill("")
        assert spot(driver) == Spot(7)
        await driver.until(lambda: "2031-03-09 07:06Z · 07:06 local: as it stood then" in driver.said())
        await driver.press("g")
        await driver.fill("2031-03-08 07:00 UTC")
        assert spot(driver) == Spot(1)
        await driver.until(lambda: "nothing was entered by then" in driver.said())
        await driver.press("p")
        await driver.until(lambda: "None comes before" in driver.app.seen.notice.text)

    replay(stage, flown.records[0], story)


def test_other_steps_can_be_looked_at_as_they_stood(stage: Stage, flown: Flown) -> None:
    async def story(driver: Driver) -> None:
        await press(driver, "home")
        await press(driver, "n")
        await press(driver, "up")
        assert driver.app.seen.place.name == "logger"
        assert "● GO" in driver.text()
        await driver.press("slash")
        await driver.until(lambda: len(driver.app.screen_stack) > 2)
        await driver.type("neck")
        await driver.press("enter")
        await driver.until(lambda: driver.app.seen.place.name == "neck-lift")
        await driver.dealt()
        assert "○ OPEN" in driver.text()
        await press(driver, "right")
        assert driver.app.seen.place.name == "line"

    replay(stage, flown.records[0], story)


@pytest.mark.parametrize("size", [(80, 24), (160, 45)])
def test_a_drill_says_so_at_every_moment(stage: Stage, size: tuple[int, int]) -> None:
    flown = Flown(stage, drill=True)
    flown.to_release_gate()
    flown.walk.recorder.close()

    async def story(driver: Driver) -> None:
        for key in ("home", "right", "n", "end"):
            await press(driver, key)
            assert "◇ DRILL" in driver.text(), key
            assert "◇ REPLAY" in driver.text(), key
            assert "○ UNSEALED" in driver.text(), key
            assert not driver.app.screen.show_vertical_scrollbar

    replay(stage, flown.records[0], story, size)


class TestStorageTrouble:
    def test_what_a_failing_device_kept_beyond_what_counted_is_no_moment(self, stage: Stage) -> None:
        flown = Flown(stage)
        walk = flown.walk
        flown.did(walk.ledger.acts[-1])
        flown.did(walk.confirm("battery", "omar", "8.1 V"))
        counted = walk.recorder.head
        walk.hold("never acknowledged", "omar")
        walk.recorder.close()
        flown.walk = opening.follow(
            flown.records[0],
            why="storage",
            keyring=flown.keyring,
            person="ines",
            clock=flown.clock,
            head=counted,
        )
        flown.did(flown.walk.ledger.acts[-1])
        flown.did(flown.walk.found("logger", go("logger-response")))
        flown.walk.recorder.close()

        async def story(driver: Driver) -> None:
            await press(driver, "home")
            seen = [shown(driver)]
            while spot(driver).entry < 4:
                await press(driver, "right")
                seen.append(shown(driver))
            assert seen == flown.stood
            assert "never acknowledged" not in driver.text()

        replay(stage, flown.records[0], story)


class TestRecordsThatAreNotWhole:
    def test_up_to_the_first_bad_line_and_says_so(self, stage: Stage, flown: Flown) -> None:
        first = flown.records[0]
        lines = lines_of(first)
        put(first, [*lines[:6], lines[6].replace(b"gust", b"rust"), *lines[7:]])

        async def story(driver: Driver) -> None:
            assert spot(driver) == Spot(6)
            text = " ".join(driver.text().split())
            assert "6 of 6" in text
            assert "■ BAD" in text
            assert "Nothing from that line on is shown" in text
            await press(driver, "left")
            assert "■ BAD" in driver.text()
            assert "line 7" in driver.text()

        replay(stage, first, story)

    def test_a_record_without_the_one_before_says_what_is_missing(
        self, stage: Stage, flown: Flown, tmp_path: Path
    ) -> None:
        alone = tmp_path / "elsewhere" / flown.records[1].name
        shutil.copytree(flown.records[1], alone)

        async def story(driver: Driver) -> None:
            for key in ("home", "end"):
                await press(driver, key)
                text = " ".join(driver.text().split())
                assert "which is not beside it: what stands there is missing" in text

        replay(stage, alone, story)

    def test_a_fork_is_named_and_no_branch_is_taken(self, stage: Stage, flown: Flown) -> None:
        flown.walk = opening.follow(
            flown.records[0], why="handover", keyring=flown.keyring, person="ines", clock=flown.clock
        )
        flown.walk.recorder.close()

        async def story(driver: Driver) -> None:
            await driver.key("end")  # where it stands already: nothing is drawn anew
            assert spot(driver) == Spot(15)
            assert "■ FORK" in driver.text()
            assert "go on from" in driver.text()

        replay(stage, flown.records[0], story)

    def test_a_torn_last_line_is_no_moment(self, stage: Stage) -> None:
        flown = Flown(stage)
        flown.to_release_gate()
        flown.walk.recorder.close()
        with (flown.records[0] / "record.jsonl").open("ab") as file:
            file.write(b'{"entry":{"at":"2031')
        tape = tape_of(flown.records[0])
        assert len(tape.entries) == 15
        assert "line 16" in tape.ends

    def test_what_is_no_record_is_a_sentence(self, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
        assert run(["walk", str(tmp_path)]) == 2
        assert "holds no record: give a flight file, or a record's folder" in capfd.readouterr().err
        (tmp_path / "flight.toml").touch()
        assert run(["walk", str(tmp_path)]) == 2
        assert f"give a flight file ({tmp_path / 'flight.toml'}), or" in capfd.readouterr().err
        (tmp_path / "record.jsonl").write_bytes(b"{}\n")
        assert run(["walk", str(tmp_path), "--drill"]) == 2
        assert "no option goes with it" in capfd.readouterr().err
        replaying = Replaying(tmp_path)
        assert "record" in str(replaying.view().exception())
        replaying.shut()


def _hash_of(folder: Path) -> str:
    found = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        info = path.lstat()
        name = path.relative_to(folder)
        found.update(f"{name} {info.st_mode} {info.st_size} {info.st_mtime_ns}\n".encode())
        if path.is_file():
            found.update(path.read_bytes())
    return found.hexdigest()


@pytest.mark.parametrize("locked", [False, True])
def test_every_key_of_it_writes_nothing(stage: Stage, flown: Flown, locked: bool) -> None:
    logs = stage.logs
    places = [logs, *logs.rglob("*")]
    if locked:
        for path in places:
            path.chmod(stat.S_IMODE(path.stat().st_mode) & ~0o222)
    before = _hash_of(logs)
    letters = [chr(code) for code in range(ord("a"), ord("z") + 1)]

    async def story(driver: Driver) -> None:
        for key in [*(key.key for key in KEYS), *letters, *"0123456789", "f2", "enter", "escape", "ctrl+s"]:
            await driver.key(key)
            while len(driver.app.screen_stack) > 2:
                await driver.key("escape")
        assert driver.app.is_running

    try:
        replay(stage, flown.records[1], story)
        assert _hash_of(logs) == before
    finally:
        for path in places:
            path.chmod(stat.S_IMODE(path.stat().st_mode) | 0o200)


def test_an_act_is_refused_in_words_and_quitting_is_asked(stage: Stage, flown: Flown) -> None:
    async def story(driver: Driver) -> None:
        await driver.press("f2")
        await driver.until(lambda: driver.app.seen.notice is not None)
        assert "A replay only looks" in driver.app.seen.notice.text
        await driver.press("q")
        await driver.until(lambda: "Quit the replay?" in driver.text())
        await driver.press("y", "enter")
        await driver.until(lambda: not driver.app.is_running)

    app = replay(stage, flown.records[0], story)
    assert app.return_value == 0


def test_while_a_record_is_read_the_screen_says_so_and_can_be_left(
    stage: Stage, flown: Flown, monkeypatch: pytest.MonkeyPatch
) -> None:
    reading, go_on = threading.Event(), threading.Event()

    def slowly(record: Path) -> Tape:
        reading.set()
        go_on.wait(20)
        return tape_of(record)

    monkeypatch.setattr(replay_session, "tape_of", slowly)
    app = replayed(flown.records[0])

    async def run() -> str:
        async with app.run_test(size=(80, 24)) as pilot:
            deadline = asyncio.get_running_loop().time() + 10
            text = ""
            while "leaves" not in text or not reading.is_set():
                assert asyncio.get_running_loop().time() < deadline
                await pilot.pause(0.01)
                strips = app.screen._compositor.render_strips()
                text = "".join(segment.text for strip in strips for segment in strip)
            app.action_leave()
            while app.is_running:
                assert asyncio.get_running_loop().time() < deadline
                await asyncio.sleep(0.01)
            return text

    text = asyncio.run(run())
    go_on.set()
    app.shut()
    assert app.fault is None
    assert f"Reading and verifying {flown.records[0].name}" in text
    assert "Ctrl+Q leaves" in text


def test_every_key_is_in_the_palette_and_on_the_help_page(stage: Stage, flown: Flown) -> None:
    async def story(driver: Driver) -> None:
        await driver.press("question_mark")
        await driver.until(lambda: "Help: replay" in driver.text())
        for key in KEYS:
            assert key.help in driver.text()
        await driver.key("escape")
        await driver.press("ctrl+p")
        await driver.until(lambda: len(driver.app.screen_stack) > 2)
        await driver.type("first entry")
        await driver.until(lambda: "The first entry" in driver.text())
        await driver.pilot.pause(0.3)
        await driver.press("enter")
        await driver.until(lambda: spot(driver) == Spot(1))

    replay(stage, flown.records[0], story)


def test_a_key_folds_no_more_than_what_lies_between_two_kept_ledgers(
    stage: Stage, flown: Flown, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replay_moments, "EVERY", 4)
    moments = Moments(tape_of(flown.records[0]))
    folded = []
    apply = Ledger.apply
    monkeypatch.setattr(Ledger, "apply", lambda self, entry: folded.append(entry) or apply(self, entry))
    spots = [Spot(n) for n in (21, 20, 19, 1, 18, 2, 17, 16, 15, 5, 6, 7, 8, 21)]
    for each in spots:
        folded.clear()
        moments.stood(each)
        assert len(folded) <= 4 + 1, each
        assert all(entry.kind != "correct" for entry in folded[:-1])


def test_troubles_and_calls_are_those_of_the_entries(flown: Flown) -> None:
    tape = tape_of(flown.records[2])
    kinds = {n: entry.kind for n, entry in enumerate(tape.entries, start=1)}
    assert [kinds[n] for n in sorted(troubles(tape))] == [
        "check",
        "waive",
        "hold",
        "hold",
        "correct",
        "release",
    ]
    assert [kinds[n] for n in sorted(calls(tape))] == [
        "open",
        "phase",
        "authorise",
        "open",
        "close",
        "open",
        "release",
    ]
    assert tape.asked == len(tape.entries) == 21
    assert json.loads(lines_of(flown.records[2])[-1])["entry"]["kind"] == "release"
