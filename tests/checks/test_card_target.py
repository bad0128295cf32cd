"""Only what is surely the card is written to: no system disk, no fixed disk, nothing that is not mounted."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from card_images import MIB, drain, flight_text, judge, make_fat, mounted, need_fuse, patch
from fuse_card import fuse_card

from preflight.checks import card_target, card_write
from preflight.checks.base import Context
from preflight.checks.card_write import check
from preflight.config.load import parse_flight
from preflight.devices import own_file
from preflight.devices.removable import Medium
from preflight.errors import PreflightError
from preflight.readings import Finding


def told(finding: Finding) -> str:
    return " / ".join(finding.remarks)


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    need_fuse("fusermount")
    monkeypatch.setattr(card_write, "APPENDS", 50)
    monkeypatch.setattr(card_write, "BLOCKS", 4)
    with fuse_card(tmp_path / "store", tmp_path / "mnt", claimed=64 * MIB):
        yield tmp_path / "mnt"


def test_an_image_that_is_not_mounted_is_open_and_untouched(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 16 * MIB, 16)
    before = image.read_bytes()
    finding = judge(check, image)
    assert finding.outcome == "open"
    assert "the card is not mounted, so nothing was written" in finding.remarks[0]
    assert image.read_bytes() == before


@pytest.mark.parametrize("volume", ["absent", "."])
def test_no_card_is_no_go(tmp_path: Path, volume: str):
    finding = judge(check, volume, folder=tmp_path)
    assert finding.outcome == "no-go"
    assert "put the card in the reader" in finding.remarks[0]
    assert list(tmp_path.iterdir()) == []


def test_the_systems_own_disk_is_never_written_to():
    before = set(os.listdir("/"))
    finding = judge(check, "/")
    assert finding.outcome == "open"
    assert "on this machine's own disk" in finding.remarks[0]
    assert "which is never written to: correct volume in [card]" in finding.remarks[0]
    assert set(os.listdir("/")) == before


FIXED = Medium(kind="fixed", why="the system calls it fixed", label="FULMAR", size=64 * MIB)


@pytest.mark.parametrize(
    ("medium", "typed", "outcome", "said"),
    [
        (FIXED, None, "open", 'fixed_reader = "FULMAR 32 GB"'),
        (FIXED, "FULMAR 67 MB", "go", ""),
        (FIXED, "fulmar 64 MiB", "go", ""),
        (FIXED, "FULMAR 0.067GB", "go", ""),
        (FIXED, "PETREL 67 MB", "open", 'while "FULMAR" of 64 MiB is there: check which volume this is'),
        (FIXED, "FULMAR 32 GB", "open", 'names "FULMAR 32 GB" while'),
        (FIXED, "FULMAR 60 MB", "open", 'names "FULMAR 60 MB" while'),
        (Medium(kind="fixed", why="x", size=64 * MIB), "NO NAME 67 MB", "go", ""),
        (Medium(kind="fixed", why="x", size=0), "NO NAME 67 MB", "open", "is there"),
        (
            Medium(kind="unknown", why="nobody knows"),
            "FULMAR 67 MB",
            "open",
            "(nobody knows), so it was left alone",
        ),
        (Medium(kind="system", why="x", label="FULMAR"), "FULMAR 67 MB", "open", "which is never written to"),
        (Medium(kind="removable", why="x"), None, "go", ""),
    ],
)
def test_only_what_is_surely_the_card_is_written_to(
    card: Path, monkeypatch, medium: Medium, typed: str | None, outcome: str, said: str
):
    monkeypatch.setattr(card_target, "medium_of", lambda mount: medium)
    written: list[str] = []
    create = own_file.Place.create
    monkeypatch.setattr(own_file.Place, "create", lambda self: written.append("one") or create(self))
    text = flight_text(card)
    if typed is not None:
        text = text.replace("[card]\n", f'[card]\nfixed_reader = "{typed}"\n')
    flight = parse_flight(text.encode(), "flight.toml")
    finding = drain(check.run(Context(flight=flight, folder=Path("/"))))
    assert finding.outcome == outcome
    assert said in told(finding)
    assert bool(written) is (outcome == "go")


def test_a_damaged_volume_is_never_written_to(tmp_path: Path):
    need_fuse("fusefat", "fusermount")
    image = make_fat(tmp_path / "card.img", 32 * MIB, 16, "-s", 4)
    command = ("fusefat", image, "-o", f"rw+,fsname={image}")
    with mounted(tmp_path / "mnt", *command, unmount=("fusermount", "-u")) as point:
        patch(image, 16, b"\x09")  # nine FATs
        before = image.read_bytes()
        finding = judge(check, point)
        assert image.read_bytes() == before
    assert finding.outcome == "no-go"
    assert "number of FATs can't be 9" in finding.remarks[0]


@pytest.mark.parametrize("typed", ["32 GB", "FULMAR", "FULMAR 32", "FULMAR big GB", "", "FULMAR 32 GB extra"])
def test_a_fixed_reader_without_label_and_size_is_a_mistake_in_the_flight_file(typed: str):
    text = flight_text("card.img").replace("[card]\n", f'[card]\nfixed_reader = "{typed}"\n')
    with pytest.raises(PreflightError, match="fixed_reader"):
        parse_flight(text.encode(), "flight.toml")
