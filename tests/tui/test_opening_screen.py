"""Before a flight is chosen: the flight files and records here, ports and cards around, and the demo."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest
from screen_driving import PASSPHRASE, Driver, Stage
from small_flight import CHECKLIST, FLIGHT
from textual.pilot import Pilot

from preflight.cli.walk import flight_files
from preflight.clock import SystemClock
from preflight.config.load import parse_flight
from preflight.devices.mounts import Mount
from preflight.devices.removable import Medium
from preflight.devices.serial_line import PortInfo
from preflight.devices.unmounted import Unmounted
from preflight.errors import DeviceError
from preflight.record.folder import read
from preflight.tui import nearby, nearby_pane
from preflight.tui.nearby import Item, cards_here, ports_here
from preflight.tui.nearby_pane import shared
from preflight.tui.opening import Opened, OpeningApp
from preflight.tui.session import Session
from preflight.walk.opening import Sources

HOSTILE = "[/]\x1b[2Jport\u202e"


def shown(app: Any) -> str:
    strips = app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in strip) for strip in strips)


Story = Callable[[OpeningApp, Pilot[Any]], Coroutine[Any, Any, None]]


def open_screen(folder: Path, story: Story, size: tuple[int, int] = (80, 24)) -> Any:
    app = OpeningApp(folder, flight_files(folder), clock=SystemClock())

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            await until(pilot, lambda: app.settled)
            await story(app, pilot)

    asyncio.run(run())
    return app.return_value


async def until(pilot: Pilot[Any], condition: Callable[[], bool]) -> None:
    end = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < end, "it did not come about"
        await pilot.pause(0.01)


@pytest.fixture(autouse=True)
def around(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What is found around: told by the test, not by the machine that runs it."""
    told: dict[str, Any] = {"ports": [], "cards": []}

    def answer(name: str) -> list[Item]:
        if isinstance(told[name], Exception):
            raise told[name]
        return list(told[name])

    monkeypatch.setattr(nearby_pane, "ports_here", lambda flight, folder: answer("ports"))
    monkeypatch.setattr(nearby_pane, "cards_here", lambda flight, folder: answer("cards"))
    return told


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "one.toml").write_text(FLIGHT, "utf-8")
    (tmp_path / "checklist.toml").write_text(CHECKLIST, "utf-8")
    (tmp_path / "broken.toml").write_text("[flight]\nname = [/]", "utf-8")
    return tmp_path


@pytest.mark.parametrize("size", [(80, 24), (160, 45), (40, 12)])
def test_flights_their_faults_by_line_and_the_demo_are_offered(folder: Path, size: tuple[int, int]) -> None:
    async def look(app: OpeningApp, pilot: Pilot[Any]) -> None:
        text = shown(app)
        if size[0] >= 80:
            assert "Plover 1  (one.toml)" in text
            assert "has problems" in text
            assert "broken.toml:2" in text
            assert "The demo" in text
            assert "no serial port here" in text
            assert "no card in a reader here" in text
        assert "q leave" in text
        await pilot.press("down", "enter")

    assert open_screen(folder, look, size) == Opened(folder / "one.toml")


def test_keys_choose_and_leave(folder: Path) -> None:
    def by(*keys: str) -> Any:
        async def press(app: OpeningApp, pilot: Pilot[Any]) -> None:
            await pilot.press(*keys)

        return open_screen(folder, press)

    assert by("down", "down", "enter") == "demo"
    assert by("end", "enter") is None
    assert by("end", "home", "down", "enter") == Opened(folder / "one.toml")
    assert by("t", "q") is None


def test_many_flights_scroll_and_the_chosen_one_is_in_view(tmp_path: Path) -> None:
    for n in range(30):
        (tmp_path / f"flight-{n:02}.toml").write_text(FLIGHT, "utf-8")

    async def look(app: OpeningApp, pilot: Pilot[Any]) -> None:
        assert " 1 of 32   ▼ " in shown(app)
        assert "above" not in shown(app)
        for n in range(30):
            assert f"▶ Plover 1  (flight-{n:02}.toml)" in shown(app)
            assert f" {n + 1} of 32   " in shown(app)
            await pilot.press("down")
        await pilot.press("end")
        assert "▶ Nothing" in shown(app)
        assert re.search(r" 32 of 32   ▲ \d+ more above *\n", shown(app))
        await pilot.press("pageup")
        assert "▶ Plover 1  (flight-26.toml)" in shown(app)
        await pilot.press("q")

    open_screen(tmp_path, look)


def test_an_unfinished_record_is_offered_and_pointed_at_in_its_walk(stage: Stage) -> None:
    async def leave_one(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")

    stage.drive(leave_one)
    record = next(stage.logs.iterdir())
    place = stage.folder
    (place / "flight.toml").write_bytes(stage.sources.flight)
    (place / "checklist.toml").write_bytes(stage.sources.checklist)
    (place / "allowed_signers").write_bytes(stage.sources.roster)
    app = OpeningApp(place, [place / "flight.toml"], clock=stage.clock)

    async def look() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: app.settled)
            assert f"Go on with {record.name}" in shown(app)
            assert "next:" in shown(app)
            await pilot.press("down", "enter")

    asyncio.run(look())
    assert app.return_value == Opened(place / "flight.toml", record)


def test_what_is_looked_for_never_holds_the_screen_up(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free = threading.Event()

    def stuck(flight: object, folder: object) -> list[Item]:
        assert free.wait(30)
        return [Item("/dev/ttyX0", "tap")]

    monkeypatch.setattr(nearby_pane, "ports_here", stuck)
    app = OpeningApp(folder, flight_files(folder), clock=SystemClock())

    async def run() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: "no card in a reader here" in shown(app))
            assert "looking …" in shown(app)
            await pilot.press("down")
            assert app.at == 1
            free.set()
            await until(pilot, lambda: "/dev/ttyX0" in shown(app))

    asyncio.run(run())


def test_what_can_not_be_looked_at_says_so_and_can_be_looked_at_again(
    folder: Path, around: dict[str, Any]
) -> None:
    around["ports"] = DeviceError("The list of serial ports could not be read: " + HOSTILE)
    around["cards"] = RuntimeError("secret")

    async def look(app: OpeningApp, pilot: Pilot[Any]) -> None:
        assert "could not be read: [/]␛[2Jport<U+202E>" in shown(app) or "[/]␛[2Jport" in shown(app)
        assert "can't be listed (RuntimeError)" in shown(app)
        assert "secret" not in shown(app)
        around["ports"] = [Item("/dev/ttyUSB7", HOSTILE)]
        around["cards"] = []
        await pilot.press("r")
        await until(pilot, lambda: app.settled and "/dev/ttyUSB7" in shown(app))
        assert "\x1b" not in shown(app)
        assert "\u202e" not in shown(app)

    open_screen(folder, look)


def test_ports_say_their_use_and_one_that_is_missing_comes_first(tmp_path: Path) -> None:
    """Relative ones start at the flight file's folder, wherever the tool was started."""
    (tmp_path / "payload").mkdir()
    (tmp_path / "payload/logger").touch()
    (tmp_path / "same").symlink_to(tmp_path / "payload/beacon")
    (tmp_path / "payload/beacon").touch()
    declared = {
        "tap": "/dev/ttyNONE9",
        "meter": "/dev/ttyHERE0",
        "logger": "payload/logger",
        "beacon": "same",
    }
    ports = "".join(f'\n[[port]]\nuse = "{use}"\nat = "{at}"\nbaud = 9600\n' for use, at in declared.items())
    flight = parse_flight((FLIGHT + ports).encode(), "flight.toml")
    system = str(tmp_path / "payload/beacon")
    found = lambda: (  # noqa: E731
        PortInfo("/dev/ttyS9", "n/a", "n/a"),
        PortInfo("/dev/ttyHERE0", "An adapter", "USB"),
        PortInfo(system, "n/a", "n/a"),
    )
    assert ports_here(flight, tmp_path, found) == [
        Item("/dev/ttyNONE9", "tap: not here", missing=True),
        Item("/dev/ttyHERE0", "meter  An adapter"),
        Item(system, "beacon  as same"),
        Item("payload/logger", "logger"),
        Item("/dev/ttyS9", ""),
    ]
    assert [item.missing for item in ports_here(None, tmp_path, found)] == [False, False, False]


def test_lists_that_are_longer_than_their_room_say_so(folder: Path, around: dict[str, Any]) -> None:
    around["ports"] = [Item(f"/dev/ttyUSB{n}", "an adapter") for n in range(12)]
    around["cards"] = [Item(f"/media/card-{n}") for n in range(3)]

    async def look(app: OpeningApp, pilot: Pilot[Any]) -> None:
        text = shown(app)
        ports = text.count("/dev/ttyUSB")
        assert ports >= 3
        assert f"+{12 - ports} more: preflight ports lists them" in text
        assert "/media/card-2" in text
        await pilot.press("q")

    open_screen(folder, look)
    assert shared(7, [12, 3]) == [4, 3]
    assert shared(7, [2, 9]) == [2, 5]
    assert shared(1, [3, 3]) == [1, 0]
    assert shared(9, [2, 1]) == [2, 1]


def test_cards_are_what_can_be_taken_out_and_the_flights_own_comes_first(tmp_path: Path) -> None:
    def mount(point: str, kind: str = "vfat", read_only: bool = False) -> Mount:
        return Mount(point=Path(point), source="x", kind=kind, read_only=read_only)

    media = {
        "/": Medium(kind="system", why=""),
        "/proc": Medium(kind="unknown", why=""),
        "/media/a": Medium(kind="removable", why="", label="A\x1b", size=4 << 30),
        "/media/b": Medium(kind="image", why="", size=1 << 20),
        "/data": Medium(kind="fixed", why=""),
    }
    found = lambda: tuple(mount(point, read_only=point == "/media/b") for point in media)  # noqa: E731
    ask = lambda one: media[one.point.as_posix()]  # noqa: E731
    left = lambda: (Unmounted(device=Path("/dev/sdb1"), label="B\x1b", size=2 << 30),)  # noqa: E731
    here = [Item("/media/a", "A␛  4 GiB  vfat"), Item("/media/b", "1 MiB  vfat  read-only")]
    lies = Item("/dev/sdb1", "B␛  2 GiB  not mounted: let the system mount it")
    assert cards_here(None, tmp_path, found, ask, left) == [*here, lies]
    assert cards_here(None, tmp_path, found, ask, tuple) == here
    ours = parse_flight(FLIGHT.encode() + b'\n[card]\nvolume = "/media/b"\n', "flight.toml")
    assert [item.name for item in cards_here(ours, tmp_path, found, ask, tuple)] == ["/media/b", "/media/a"]
    gone = parse_flight(FLIGHT.encode() + b'\n[card]\nvolume = "/media/gone"\n', "flight.toml")
    first = cards_here(gone, tmp_path, found, ask, tuple)[0]
    assert first == Item("/media/gone", "the flight file's card: not here", missing=True)


def test_what_is_chosen_on_arrival_is_in_view_in_a_small_window(stage: Stage, around: dict[str, Any]) -> None:
    around["ports"] = [Item(f"/dev/ttyUSB{n}", "an adapter") for n in range(12)]

    async def story(driver: Driver) -> None:
        await driver.until(lambda: "more: preflight ports" in driver.text())
        await driver.until(lambda: "▶ Begin a new record" in driver.text())

    stage.drive(story, size=(60, 18))


def test_a_record_whose_flight_file_is_gone_is_offered_and_goes_on_with_its_own_copies(stage: Stage) -> None:
    session = stage.session()
    session.admit(session.open_key("ines", PASSPHRASE).result())
    session.begin("ines").result()
    assert session.walk is not None
    folder = session.walk.recorder.folder
    session.shut()

    async def story(app: OpeningApp, pilot: Pilot[Any]) -> None:
        assert "Plover 1, whose flight file is not among these" in shown(app)
        assert f"Go on with {folder.name}" in shown(app)
        await pilot.press("enter")

    (stage.folder / "broken.toml").write_text("[flight]\nname = ", "utf-8")
    assert open_screen(stage.folder, story_after("down", story)) == Opened(None, folder)
    kept = Session(
        Sources.kept(read(folder)), folder=stage.folder, logs=stage.logs, clock=stage.clock, keys=stage.keys
    )
    assert [item.folder for item in kept.unfinished().result()] == [folder]
    kept.shut()


def story_after(key: str, story: Story) -> Story:
    async def after(app: OpeningApp, pilot: Pilot[Any]) -> None:
        await pilot.press(key)
        await story(app, pilot)

    return after


def test_what_is_wrong_with_a_checklist_is_shown_by_its_line(folder: Path) -> None:
    text = CHECKLIST.replace('title = "Fill"', 'titel = "Fill"')
    (folder / "checklist.toml").write_text(text, "utf-8")
    line = text[: text.index("titel")].count("\n") + 1

    async def story(app: OpeningApp, pilot: Pilot[Any]) -> None:
        assert f"checklist.toml:{line}: phase[2].titel" in shown(app)
        await pilot.press("enter")
        await until(pilot, lambda: "mend the file" in shown(app))
        (folder / "checklist.toml").write_text(CHECKLIST, "utf-8")
        await pilot.press("r")
        await until(pilot, lambda: "titel" not in shown(app))

    open_screen(folder, story)


def test_a_look_that_fails_says_so_and_does_not_wait_for_ever(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(nearby, "strays_here", fail)

    async def story(app: OpeningApp, pilot: Pilot[Any]) -> None:
        await until(pilot, lambda: "Not everything could be looked at here" in shown(app))
        assert "Plover 1" in shown(app)
        await pilot.press("q")

    assert open_screen(folder, story) is None
