"""A device that fills up under a record or its mirror: real short counts and ENOSPC, on a small tmpfs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from fault_walk import Following, Place, last_of, lost_of, not_sealed, times
from loop_mounts import need_mounts, tmpfs
from record_making import lines_of

from preflight.record.folder import read
from preflight.walk import opening
from preflight.walk.proof import prove

sys.path.insert(0, str(Path(__file__).parent))

from starved_walk import starve

PAGE = 4096
SIZES = (6, 20)
"""Pages between which a record can be begun, but a whole walk does not fit."""


def test_a_record_on_a_device_that_fills_up_goes_on_on_another(place, tmp_path, ran):
    need_mounts()
    sizes = range(*SIZES, times(6, 1))
    stopped = short = 0
    for pages in sizes:
        other = tmp_path / f"other-{pages}"
        with tmpfs(tmp_path / "full", pages * PAGE) as full:
            told = starve(place, full / "logs", other)
            assert "No space left" in told.sentence, f"{pages} pages: {told}"
            assert told.unchanged
            assert told.refused_again
            assert lost_of(other, told.acknowledged) == []
            if told.stopped is not None:
                stopped += 1
                (old,) = [prove(path).found for path in (full / "logs").iterdir()]
                assert old.state in ("unsealed", "bad")
                short += any("beyond" in note for path in other.iterdir() for note in notes(path))
        wrong = [line for line in not_sealed(other) if "the record is not closed" not in line]
        assert wrong == [], f"{pages} pages"
    ran(
        f"tmpfs of {len(sizes)} sizes filled up under a walk: {stopped} records stopped and went on "
        f"elsewhere ({short} left part of a refused line), nothing acknowledged lost"
    )
    assert stopped


def notes(record: Path) -> tuple[str, ...]:
    return prove(record).found.warnings


def half_walked(place: Place, logs: Path, mirror: Path) -> Following:
    """A walk whose record keeps a mirror; its first entries are made."""
    following = Following(place, logs, told=lambda *_: None)
    following.walk = opening.begin(
        logs,
        place.sources,
        keyring=following.keyring,
        person="ines",
        clock=following.clock,
        mirror=mirror,
    )
    return following


def test_a_mirror_that_fills_up_is_told_at_once_and_can_catch_up(place, tmp_path, ran):
    need_mounts()
    with tmpfs(tmp_path / "stick", 20 * PAGE) as stick:
        filler = stick / "holiday pictures"
        filler.write_bytes(bytes(10 * PAGE))
        following = half_walked(place, tmp_path / "logs", stick)
        walk = following.walk
        assert walk.recorder.mirror_behind is None
        good = 0
        while walk.recorder.mirror_behind is None:
            assert following.act(walk) is not None
            good += 1
            if walk.recorder.mirror_behind is None:
                assert lines_of(stick / walk.recorder.rec) == lines_of(walk.recorder.folder)
        # Told by the very act whose line or evidence did not get there, and not an act later.
        copied = b"".join(lines_of(stick / walk.recorder.rec))
        assert b"".join(lines_of(walk.recorder.folder)[:-1]) == copied[: copied.rfind(b"\n") + 1]
        assert "No space left" in walk.recorder.mirror_behind
        assert str(stick) in walk.recorder.mirror_behind
        assert walk.recorder.failed is None
        for _ in range(3):
            assert following.act(walk) is not None
            assert walk.recorder.mirror_behind is not None
        assert walk.recorder.mirror_to(stick) is not None
        filler.unlink()
        assert walk.recorder.mirror_to(stick) is None
        assert lines_of(stick / walk.recorder.rec) == lines_of(walk.recorder.folder)
        assert prove(stick / walk.recorder.rec).found.state == "unsealed"
        walk.recorder.close()
        following.walk = None
        following.run()
        assert not_sealed(tmp_path / "logs") == []
    ran(f"a mirror that filled up after {good} acts: told by that act, caught up once there was room")


def test_a_walk_can_be_gone_on_with_from_its_mirror_alone(place, tmp_path):
    """The laptop is lost: the mirror is a whole record."""
    following = half_walked(place, tmp_path / "logs", tmp_path / "stick")
    for _ in range(14):
        following.act(following.walk)
    done = following.walk.recorder.hashes
    following.walk.recorder.close()
    found = last_of(tmp_path / "stick")
    assert read(found).hashes == done
    Following(place, tmp_path / "stick", told=lambda *_: None).run()
    assert not_sealed(tmp_path / "stick") == []


@pytest.mark.parametrize("pages", [1, 3])
def test_a_device_too_small_to_begin_on_leaves_nothing(place, tmp_path, pages):
    need_mounts()
    following = Following(place, tmp_path / "full" / "logs", told=lambda *_: None)
    with tmpfs(tmp_path / "full", pages * PAGE):
        with pytest.raises(Exception, match="No space left"):
            following.run()
        assert list((tmp_path / "full" / "logs").glob("*")) == []
