"""card-write on cards served over FUSE and loop devices: what it measures, what it leaves, what it spares."""

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from card_images import (
    MIB,
    add_files,
    drain,
    flight_text,
    judge,
    loop_device,
    make_exfat,
    make_fat,
    mounted,
    need_fuse,
    need_loop,
    readings,
    run,
)
from fuse_card import fuse_card
from loop_mounts import make_ext4, need_mounts
from loop_mounts import mounted as ext4_mounted

from preflight.checks import card_write, table
from preflight.checks.base import Check, Context
from preflight.checks.card_format import check as card_format
from preflight.checks.card_write import check
from preflight.config.load import parse_flight
from preflight.devices import own_file
from preflight.devices.marked_blocks import PAGE, WORDS
from preflight.devices.mounts import mount_at
from preflight.devices.own_file import own_name
from preflight.readings import Finding, Progress

LINK = '[link]\nbaud = 38400\nbuffer = "{}"\n'


def told(finding: Finding) -> str:
    return " / ".join(finding.remarks)


@pytest.fixture(autouse=True)
def _short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer appends and blocks, so that the tests are quick; one test uses the real numbers."""
    monkeypatch.setattr(card_write, "APPENDS", 200)
    monkeypatch.setattr(card_write, "BLOCKS", 12)


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Path]:
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", claimed=64 * MIB):
        yield tmp_path / "mnt"


def begun(point: Path, **more: object) -> tuple[Context, Iterator[Progress]]:
    flight = parse_flight(flight_text(point, **more).encode(), "flight.toml")
    context = Context(flight=flight, folder=Path("/"))
    return context, check.run(context)


def to_its_end(run: Iterator[Progress]) -> tuple[list[Progress], Finding]:
    """Everything that it said, and what it found."""
    steps = []
    while True:
        try:
            steps.append(next(run))
        except StopIteration as end:
            return steps, end.value


def until(run: Iterator[Progress], text: str) -> None:
    """Go on until the check says that it does this."""
    assert any(text in progress.text for progress in run)


def test_it_is_the_check_of_its_name_and_feeds_the_lines_margin():
    assert isinstance(check, Check)
    assert table.get("card-write") is check
    order = list(table.BUILT_IN)
    assert order.index("sample-record") < order.index("card-write") < order.index("link-margin")


def test_a_sound_card_gives_its_rate_its_stall_and_the_lines_margin(card: Path, monkeypatch):
    monkeypatch.undo()
    _, run = begun(card, more=LINK.format("512 B"))
    steps, finding = to_its_end(run)
    assert finding.outcome == "go"
    writing = [step.fraction for step in steps if step.text != "Opening the card"]
    assert writing == sorted(writing)
    assert next(step.fraction for step in steps if step.text == "Reading back") > 2 / 3
    assert writing[-1] == 1
    found = readings(finding)
    assert (found["card.write_rate"].unit, found["card.write_rate"].source) == ("B/s", "measured")
    assert found["card.write_rate"].at_least == 2 * 64
    assert found["card.write_rate"].value > MIB
    assert (found["card.stall"].unit, found["card.stall"].source) == ("ms", "measured")
    # A laptop's short stall never lowers the declared 500 ms: 38400 baud would fill 1920 B, but two samples a
    # second put at most two of 64 B into half a second.
    assert found["link.stall_bytes"].value == 128
    assert found["link.stall_margin"].value == pytest.approx(4.0)
    assert {"card", "card.identity", "sample.length", "link.stall"} <= set(finding.reads)
    assert list(card.iterdir()) == []
    assert "This is an image file served by a program, no card" in told(finding)
    assert "memory" not in told(finding)


def test_the_longest_stall_counts_and_feeds_the_margin(tmp_path: Path):
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", stall=(100, 1.2)):
        finding = judge(check, tmp_path / "mnt", more=LINK.format("128 B"))
    assert finding.outcome == "no-go"
    found = readings(finding)
    assert found["card.stall"].value >= 1200
    assert found["link.stall_bytes"].value >= 192
    assert found["link.stall_margin"].within is False
    assert "To bring link.stall_margin inside its limit: a receive buffer of" in told(finding)


def test_a_stall_among_the_blocks_counts_without_a_blocks_own_time(tmp_path: Path):
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", stall=(207, 0.9)):
        value = readings(judge(check, tmp_path / "mnt"))["card.stall"].value
    assert value >= 850


def test_a_card_too_slow_for_the_flight_is_no_go(card: Path):
    more = '[limits]\n"card.write_rate" = { at_least = 1e12 }\n"card.stall" = { at_most = 60000.0 }\n'
    finding = judge(check, card, more=more)
    assert finding.outcome == "no-go"
    assert readings(finding)["card.write_rate"].within is False
    assert readings(finding)["card.stall"].at_most == 60000.0


def test_samples_confirmed_too_slowly_are_said(card: Path, monkeypatch):
    text = flight_text(card).replace('rate = "2 Hz"', 'rate = "10000 Hz"').replace("64 B", "4 B")
    append = own_file.OwnFile.append
    monkeypatch.setattr(
        own_file.OwnFile, "append", lambda self, data, **more: 1.0 + append(self, data, **more)
    )
    flight = parse_flight(text.encode(), "flight.toml")
    finding = drain(check.run(Context(flight=flight, folder=Path("/"))))
    assert "the flight sends 1e+04: a logger that flushes every sample falls behind" in told(finding)


def test_what_comes_back_changed_is_no_go_with_the_page_as_evidence(tmp_path: Path):
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", damage=0):
        finding = judge(check, tmp_path / "mnt")
    assert finding.outcome == "no-go"
    assert "pages read back wrong, the first at byte 0" in finding.remarks[0]
    assert finding.evidence[-1].data[1:31] == WORDS[1:31]


def test_what_may_come_from_memory_is_said(tmp_path: Path, monkeypatch):
    need_mounts()
    make_ext4(tmp_path / "card.img", 64 * MIB)
    with ext4_mounted(tmp_path / "card.img", tmp_path / "mnt") as point:
        assert "memory" not in told(judge(check, point))
        monkeypatch.setattr(own_file, "let_go", lambda handle, mount: False)
        finding = judge(check, point)
    assert finding.outcome == "go"
    assert "may have come from this machine's memory and not from the card" in told(finding)


def test_input_output_errors_are_no_go(tmp_path: Path):
    need_fuse("fusermount")
    for number in (1, 2, 150, 205):
        store = tmp_path / f"store{number}"
        with fuse_card(store, tmp_path / "mnt", fail=number):
            finding = judge(check, tmp_path / "mnt")
            assert list((tmp_path / "mnt").iterdir()) == []
        assert finding.outcome == "no-go"
        assert "push it firmly home and run this check again" in finding.remarks[0]


@pytest.mark.parametrize("number", [1, 2, 120, 204])
def test_a_card_pulled_out_is_no_go_and_what_it_holds_says_that_it_is_no_data(tmp_path: Path, number: int):
    need_fuse("fusermount")
    point = tmp_path / "mnt"
    with fuse_card(tmp_path / "store", point, pull=number):
        finding = judge(check, point)
    assert finding.outcome == "no-go"
    assert "was taken out or unmounted meanwhile" in finding.remarks[0]
    assert f"{own_name(0)} may still be on the card: every block of it says that it is no data" in told(
        finding
    )
    with fuse_card(tmp_path / "store", point):
        left = (point / own_name(0)).read_bytes()
        assert all(
            left[at : at + PAGE].startswith(WORDS[: len(left) - at]) for at in range(0, len(left), PAGE)
        )
        finding = judge(check, point)
        assert finding.outcome == "go"
        assert f"Removed what a test that was interrupted left on the card: {own_name(0)}" in told(finding)
        assert list(point.iterdir()) == []


def test_a_card_unmounted_in_the_middle_is_no_go_and_leaves_nothing_anywhere(tmp_path: Path, monkeypatch):
    need_fuse("fusermount")
    monkeypatch.setattr(card_write, "LOOK", 0.0)
    point = tmp_path / "mnt"
    with fuse_card(tmp_path / "store", point):
        _, work = begun(point)
        until(work, "Writing blocks")
        run("fusermount", "-u", "-z", point)
        finding = drain(work)
        assert list(point.iterdir()) == []
    assert finding.outcome == "no-go"
    assert "was taken out or unmounted meanwhile" in finding.remarks[0]
    with fuse_card(tmp_path / "store", point):
        assert list(point.iterdir()) == []


def test_a_stop_is_open_and_leaves_nothing(card: Path):
    for text in ("Appending samples", "Writing blocks", "Reading back"):
        context, _ = begun(card)
        seen: list[str] = []
        work = check.run(replace(context, stopped=lambda seen=seen, text=text: text in seen))
        finding = drain(work, lambda progress, seen=seen: seen.append(progress.text))
        assert finding.outcome == "open"
        assert "Not checked: stopped" in finding.remarks[0]
        assert list(card.iterdir()) == []


def test_a_run_that_is_given_up_leaves_nothing(card: Path):
    _, work = begun(card)
    until(work, "Writing blocks")
    assert [path.name for path in card.iterdir()] == [own_name(0)]
    work.close()
    assert list(card.iterdir()) == []


@pytest.mark.parametrize("kill", [signal.SIGINT, signal.SIGKILL])
def test_a_program_that_is_ended_leaves_nothing_or_the_next_run_removes_it(
    tmp_path: Path, kill: signal.Signals
):
    need_fuse("fusermount")
    point, flight = tmp_path / "mnt", tmp_path / "flight.toml"
    flight.write_text(flight_text(point))
    # Tests that run in the background ignore an interrupt, and so would what they start.
    listens = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    code = f"{listens}; from preflight.cli.main import main; main()"
    words = [sys.executable, "-c", code, "check", str(flight), "--only", "card-write"]
    with fuse_card(tmp_path / "store", point, stall=(60, 1.0)):
        program = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        deadline = time.monotonic() + 20
        # The sixtieth write waits: the run is in the middle of its work by then.
        while not (point / own_name(0)).exists() or (point / own_name(0)).stat().st_size < PAGE + 58 * 64:
            assert time.monotonic() < deadline
        program.send_signal(kill)
        _, complaints = program.communicate(timeout=20)
        assert program.returncode != 0
        assert "Traceback" not in complaints
        left = [path.name for path in point.iterdir()]
        assert left == ([] if kill == signal.SIGINT else [own_name(0)])
        finding = judge(check, point)
        assert finding.outcome == "go"
        assert ("Removed what a test" in told(finding)) is (kill == signal.SIGKILL)
        assert list(point.iterdir()) == []


def test_nothing_else_on_the_card_is_touched(card: Path):
    kept = {own_name(0): b"somebody's data", own_name(1): b"\0" * 5000, "LOG001.TXT": WORDS, "odd name": b"x"}
    for name, data in kept.items():
        (card / name).write_bytes(data)
    finding = judge(check, card)
    assert finding.outcome == "go"
    assert {path.name: path.read_bytes() for path in card.iterdir()} == kept


def test_a_card_nearly_full_is_no_go(card: Path):
    (card / "LOG001.TXT").write_bytes(bytes(61 * MIB))
    finding = judge(check, card)
    assert finding.outcome == "no-go"
    assert "Too little room is left to test the card, 3 MiB" in finding.remarks[0]


def test_a_card_that_fills_up_in_the_middle_is_tested_as_far_as_it_goes(card: Path, monkeypatch):
    (card / "LOG001.TXT").write_bytes(bytes(58 * MIB))
    monkeypatch.setattr(own_file.Place, "room", lambda self: None)
    finding = judge(check, card)
    assert finding.outcome == "go"
    assert {path.name for path in card.iterdir()} == {"LOG001.TXT"}
    (card / "LOG002.TXT").write_bytes(bytes(5 * MIB + 900_000))
    finding = judge(check, card)
    assert finding.outcome == "no-go"
    assert "has no room left for a test file" in finding.remarks[0]


def test_a_card_mounted_read_only_is_no_go_and_says_which_slide(tmp_path: Path):
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", options="ro"):
        finding = judge(check, tmp_path / "mnt")
    assert finding.outcome == "no-go"
    assert "mounted read-only" in finding.remarks[0]
    assert "move the slide on the card" in finding.remarks[0]


def test_a_fat16_card_over_fuse_is_left_as_it_was(tmp_path: Path):
    need_fuse("fusefat", "fusermount")
    image = make_fat(tmp_path / "card.img", 32 * MIB, 16, "-s", 4)
    add_files(image, {"LOG001.TXT": 100_000})
    before = run("fsck.fat", "-nv", image)
    known = {r.name: r for r in judge(card_format, image).readings}
    other = make_fat(tmp_path / "other.img", 32 * MIB, 16, "-s", 4, "-i", "99998888")
    command = ("fusefat", image, "-o", f"rw+,fsname={image}")
    with mounted(tmp_path / "mnt", *command, unmount=("fusermount", "-u")) as point:
        finding = judge(check, point, measured=known)
        assert finding.outcome == "go"
        assert readings(finding)["card.write_rate"].value > 0
        # This server shows the volume's label as a file.
        assert sorted(path.name for path in point.iterdir()) == ["DUNLIN", "LOG001.TXT"]
    assert run("fsck.fat", "-nv", image) == before
    command = ("fusefat", other, "-o", f"rw+,fsname={other}")
    with mounted(tmp_path / "mnt", *command, unmount=("fusermount", "-u")) as point:
        finding = judge(check, point, measured=known)
        assert finding.outcome == "no-go"
        assert "This is another card (9999-8888" in finding.remarks[0]
        assert "card.write_rate" not in readings(finding)
        alone = readings(judge(check, point))
        assert alone["card.identity"].value == "9999-8888 33554432 B"


def test_an_exfat_card_over_a_loop_device_is_written_to(tmp_path: Path):
    need_loop()
    need_fuse("mount.exfat-fuse", "umount")
    image = make_exfat(tmp_path / "card.img", 64 * MIB)
    with loop_device(image) as device, mounted(tmp_path / "mnt", "mount.exfat-fuse", device) as point:
        finding = judge(check, point, formats=("exFAT",))
        assert finding.outcome == "go"
        assert "memory" not in told(finding)
        assert list(point.iterdir()) == []


def test_an_ext4_card_is_written_to_although_no_logger_reads_it(tmp_path: Path):
    need_mounts()
    make_ext4(tmp_path / "card.img", 64 * MIB)
    known = {r.name: r for r in judge(card_format, make_fat(tmp_path / "fat.img", 16 * MIB, 16)).readings}
    with ext4_mounted(tmp_path / "card.img", tmp_path / "mnt") as point:
        assert mount_at(point) is not None
        assert judge(check, point).outcome == "go"
        finding = judge(check, point, measured=known)
    assert finding.outcome == "open"
    assert "Not checked: whether this is still the card checked before" in told(finding)
