"""card-capacity against cards that hold what they claim, and cards that wrap around, lose or spoil it."""

from dataclasses import replace
from pathlib import Path

import pytest
from card_images import MIB, drain, flight_text, judge, need_fuse, readings
from fuse_card import fuse_card
from loop_mounts import make_ext4, need_mounts
from loop_mounts import mounted as ext4_mounted

from preflight.checks import card_capacity, card_target, table
from preflight.checks.base import Check, Context
from preflight.checks.card_capacity import check
from preflight.config.load import parse_flight
from preflight.devices.marked_blocks import PAGE, WORDS
from preflight.devices.own_file import NAME, own_name
from preflight.devices.removable import Medium
from preflight.readings import Finding, Progress


def told(finding: Finding) -> str:
    return " / ".join(finding.remarks)


def in_context(point: Path, *, amount: str = "sampled") -> Context:
    text = flight_text(point).replace("[card]\n", f'[card]\ncapacity_test = "{amount}"\n')
    return Context(flight=parse_flight(text.encode(), "flight.toml"), folder=Path("/"))


def fill_all(point: Path) -> Finding:
    return drain(check.run(in_context(point, amount="all")))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    need_fuse("fusermount")
    return tmp_path


def test_it_is_the_check_of_its_name():
    assert isinstance(check, Check)
    assert table.get("card-capacity") is check


def test_a_card_that_holds_what_it_claims_is_go(folder: Path):
    with fuse_card(folder / "store", folder / "mnt", claimed=64 * MIB):
        finding = judge(check, folder / "mnt")
        assert list((folder / "mnt").iterdir()) == []
    assert finding.outcome == "go"
    found = readings(finding)
    # The free space but for what is spared.
    assert found["card.tested"].value == 63 * MIB
    assert found["card.wrong_pages"].value == 0
    assert "card.identity" in finding.reads


def test_a_card_that_wraps_around_is_named_with_what_it_really_holds(folder: Path):
    with fuse_card(folder / "store", folder / "mnt", claimed=64 * MIB, real=24 * MIB):
        finding = judge(check, folder / "mnt")
        assert list((folder / "mnt").iterdir()) == []
    assert finding.outcome == "no-go"
    assert "The card is a counterfeit" in finding.remarks[0]
    assert "its memory ends after about 24 MiB and starts over" in finding.remarks[0]
    assert "damaged" not in told(finding)
    # The last 24 MiB written are right, all before them were written over: 63 - 24 MiB.
    assert readings(finding)["card.wrong_pages"].value == 39 * MIB // PAGE
    assert finding.evidence[-1].name == "first page read back wrong"
    assert finding.evidence[-1].data.startswith(WORDS)


def test_a_card_that_loses_what_is_beyond_its_end_is_told_apart(folder: Path):
    with fuse_card(folder / "store", folder / "mnt", claimed=64 * MIB, real=24 * MIB, beyond="lose"):
        finding = judge(check, folder / "mnt")
    assert finding.outcome == "no-go"
    assert "pages came back empty, the first 24 MiB into the free space" in finding.remarks[0]
    assert "counterfeit" not in told(finding)
    assert readings(finding)["card.wrong_pages"].value == 39 * MIB // PAGE


def test_plain_errors_are_told_apart(folder: Path):
    with fuse_card(folder / "store", folder / "mnt", claimed=64 * MIB, damage=20 * MIB):
        finding = judge(check, folder / "mnt")
    assert finding.outcome == "no-go"
    assert "pages came back damaged, the first 20 MiB into the free space" in finding.remarks[0]
    assert "counterfeit" not in told(finding)
    assert "empty" not in told(finding)


@pytest.fixture
def quick_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    """A card of 600 MiB is sampled as one of 32 GB would be."""
    monkeypatch.setattr(card_capacity, "SMALL", 64 * MIB)


def test_samples_lie_all_over_the_free_space_and_are_few(folder: Path):
    with fuse_card(folder / "store", folder / "mnt", claimed=2048 * MIB) as _:
        shares: list[Progress] = []
        finding = drain(check.run(in_context(folder / "mnt")), shares.append)
        assert list((folder / "mnt").iterdir()) == []
    assert finding.outcome == "go"
    # 16 MiB without a gap, and a block of 64 KiB for every further 16 MiB and at the end.
    assert readings(finding)["card.tested"].value == 16 * MIB + 128 * 65536
    assert "MB/s" in shares[-1].text
    assert shares[-1].text.endswith("left")
    fractions = [share.fraction for share in shares if share.fraction is not None]
    assert fractions == sorted(fractions)
    assert 0.9 < fractions[-1] <= 1


# Ends of every kind: powers of two, odd ones, just above and below a sample, near the card's own claim.
ENDS = (8.0, 65.0, 100.0, 128.0, 131.0625, 300.0, 511.0, 590.0, 596.0)


@pytest.mark.parametrize("real", [int(end * MIB) for end in ENDS])
def test_samples_find_wrap_around_wherever_the_card_ends(folder: Path, quick_samples: None, real: int):
    with fuse_card(folder / "store", folder / "mnt", claimed=600 * MIB, real=real):
        finding = judge(check, folder / "mnt")
    assert finding.outcome == "no-go"
    assert readings(finding)["card.tested"].value < 20 * MIB
    assert "The card is a counterfeit" in finding.remarks[0]
    if real > 64 * MIB:
        about = f"about {real / MIB:.3g} MiB"
        assert about in finding.remarks[0]


@pytest.mark.parametrize("real", [100 * MIB, 597 * MIB])
def test_samples_find_what_is_lost(folder: Path, quick_samples: None, real: int):
    with fuse_card(folder / "store", folder / "mnt", claimed=600 * MIB, real=real, beyond="lose"):
        finding = judge(check, folder / "mnt")
    assert finding.outcome == "no-go"
    assert "pages came back empty" in finding.remarks[0]


def test_where_room_cant_be_reserved_all_of_it_is_filled(folder: Path, quick_samples: None):
    with fuse_card(folder / "store", folder / "mnt", claimed=128 * MIB, reserves=False):
        finding = judge(check, folder / "mnt")
        assert list((folder / "mnt").iterdir()) == []
    assert finding.outcome == "go"
    assert "can't reserve room without writing it, so all of the free space was filled" in told(finding)
    assert readings(finding)["card.tested"].value == 127 * MIB


def test_the_flight_file_can_ask_for_all_of_it_in_files_of_a_size_that_fat_takes(
    folder: Path, quick_samples: None, monkeypatch
):
    monkeypatch.setattr(card_capacity, "FILE", 40 * MIB)
    most: set[str] = set()

    def look(progress: Progress) -> None:
        most.update(path.name for path in (folder / "mnt").iterdir())

    with fuse_card(folder / "store", folder / "mnt", claimed=128 * MIB):
        finding = drain(check.run(in_context(folder / "mnt", amount="all")), look)
        assert list((folder / "mnt").iterdir()) == []
    assert finding.outcome == "go"
    assert readings(finding)["card.tested"].value == 127 * MIB
    assert most == {own_name(n) for n in range(4)}
    with fuse_card(folder / "other", folder / "mnt", claimed=128 * MIB, real=100 * MIB):
        assert "about 100 MiB" in told(fill_all(folder / "mnt"))


def test_on_a_real_file_system_samples_are_reserved_and_given_back(tmp_path: Path, quick_samples: None):
    need_mounts()
    make_ext4(tmp_path / "card.img", 400 * MIB)
    with ext4_mounted(tmp_path / "card.img", tmp_path / "mnt") as point:
        finding = judge(check, point)
        assert [path.name for path in point.iterdir()] == ["lost+found"]
    assert finding.outcome == "go"
    assert 0 < readings(finding)["card.tested"].value < 20 * MIB
    assert "memory" not in told(finding)


def test_a_card_that_holds_something_is_left_alone(folder: Path):
    with fuse_card(folder / "store", folder / "mnt"):
        (folder / "mnt/\x1b[2Jlog").write_bytes(b"x")
        (folder / "mnt/.Trash-1000").write_bytes(b"")
        (folder / "mnt" / own_name(3)).write_bytes(WORDS)
        finding = judge(check, folder / "mnt")
        assert len(list((folder / "mnt").iterdir())) == 2  # the test's own was a leftover
    assert finding.outcome == "open"
    assert "1 files or folders are on the card (␛[2Jlog), so nothing was written" in finding.remarks[0]
    assert "Save them, clear the card" in finding.remarks[0]
    assert readings(finding) == {}


@pytest.mark.parametrize("after", ["Writing patterns", "Reading back"])
def test_a_stop_is_open_and_leaves_nothing(folder: Path, after: str):
    with fuse_card(folder / "store", folder / "mnt"):
        seen: list[Progress] = []
        context = replace(
            in_context(folder / "mnt"), stopped=lambda: any(p.text.startswith(after) for p in seen)
        )
        finding = drain(check.run(context), seen.append)
        assert list((folder / "mnt").iterdir()) == []
    assert finding.outcome == "open"
    assert "Not checked: the rest of the card: stopped after" in finding.remarks[0]
    assert sum(p.text.startswith(after) for p in seen) <= 2


def test_what_a_stop_had_already_found_stays_no_go(folder: Path):
    with fuse_card(folder / "store", folder / "mnt", damage=0):
        seen: list[Progress] = []
        stopped = lambda: sum(p.text.startswith("Reading back") for p in seen) > 3  # noqa: E731
        finding = drain(check.run(replace(in_context(folder / "mnt"), stopped=stopped)), seen.append)
    assert finding.outcome == "no-go"
    assert "came back damaged" in finding.remarks[0]


def test_a_card_pulled_out_is_no_go_and_said_once(folder: Path, quick_samples: None):
    with fuse_card(folder / "store", folder / "mnt", claimed=600 * MIB, pull=60):
        finding = judge(check, folder / "mnt")
    assert finding.outcome == "no-go"
    assert "was taken out or unmounted meanwhile" in finding.remarks[0]
    assert sum("may still be on the card" in remark for remark in finding.remarks) == 1
    with fuse_card(folder / "store", folder / "mnt", claimed=600 * MIB):
        left = list((folder / "mnt").iterdir())
        assert len(left) > 10
        for path in left:
            assert NAME.fullmatch(path.name)
            assert path.read_bytes()[: len(WORDS)] in (b"", WORDS)
        finding = judge(check, folder / "mnt")
        assert f"{len(left)} files from {own_name(0)} on" in told(finding)
        assert list((folder / "mnt").iterdir()) == []


def test_a_run_that_is_given_up_leaves_nothing(folder: Path):
    with fuse_card(folder / "store", folder / "mnt"):
        work = check.run(in_context(folder / "mnt"))
        assert any("Writing" in progress.text for progress in work)
        work.close()
        assert list((folder / "mnt").iterdir()) == []


def test_input_output_errors_are_no_go(folder: Path):
    with fuse_card(folder / "store", folder / "mnt", fail=5):
        finding = judge(check, folder / "mnt")
        assert list((folder / "mnt").iterdir()) == []
    assert finding.outcome == "no-go"
    assert "push it firmly home" in finding.remarks[0]


def test_a_system_that_promised_too_much_room_is_tested_as_far_as_it_goes(folder: Path, monkeypatch):
    from preflight.devices.own_file import Place

    monkeypatch.setattr(Place, "room", lambda self: 80 * MIB)
    with fuse_card(folder / "store", folder / "mnt", claimed=64 * MIB):
        finding = judge(check, folder / "mnt")
    assert finding.outcome == "go"
    assert readings(finding)["card.tested"].value == 64 * MIB
    monkeypatch.setattr(Place, "room", lambda self: None)
    with fuse_card(folder / "store", folder / "mnt", claimed=64 * MIB):
        assert "the system tells no free space" in told(judge(check, folder / "mnt"))
    monkeypatch.setattr(Place, "room", lambda self: MIB)
    with fuse_card(folder / "store", folder / "mnt", claimed=64 * MIB):
        assert judge(check, folder / "mnt").outcome == "no-go"


def test_only_what_is_surely_the_card_is_filled(folder: Path, monkeypatch):
    monkeypatch.setattr(card_target, "medium_of", lambda mount: Medium(kind="unknown", why="nobody knows"))
    with fuse_card(folder / "store", folder / "mnt"):
        finding = judge(check, folder / "mnt")
    assert finding.outcome == "open"
    assert "so it was left alone" in finding.remarks[0]
