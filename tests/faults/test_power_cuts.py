"""A power cut at the moment of acknowledgement loses nothing; without syncs it would."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

from fault_walk import Following, lost_of, not_sealed, times
from loop_mounts import make_ext4, mounted, need_mounts

from preflight.walk import opening

SCRIPT = Path(__file__).parent / "power_cuts.py"


def cut(*words: str) -> dict:
    done = subprocess.run(
        [sys.executable, SCRIPT, *words], capture_output=True, text=True, check=False, timeout=1800
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_cut_at_the_moment_of_acknowledgement_nothing_is_lost(ran):
    need_mounts()
    cuts = times(3, 50)
    told = cut(str(cuts))
    ran(
        f"power cut on ext4 at {told['cuts']} acknowledgements (seed {told['seed']}): "
        f"{told['cuts_that_lost']} cuts lost any of {told['acknowledged']} acknowledged entries and seals"
    )
    assert (told["cuts"], told["cuts_that_lost"], told["lost"], told["not_sealed"]) == (cuts, 0, [], [])


def test_the_control_without_syncs_loses(ran):
    need_mounts()
    told = cut(str(times(2, 10)), "--no-sync")
    ran(f"the control without syncs: {told['cuts_that_lost']} of {told['cuts']} cuts lost entries")
    assert told["cuts_that_lost"] > 0


def test_what_is_brought_along_to_another_device_is_kept_there(place, tmp_path, ran):
    """After storage trouble the earlier record, too, is on the new device when the new one is begun."""
    need_mounts()
    kept = []
    following = Following(place, tmp_path / "logs", told=lambda *row: kept.append(row))
    acts = following.acts()
    while len(kept) < 20:
        next(acts)
    walk = following.walk
    walk.recorder.close()
    make_ext4(tmp_path / "disk.img")
    with mounted(tmp_path / "disk.img", tmp_path / "disk") as disk_at:
        opening.follow(
            walk.recorder.folder,
            why="storage",
            keyring=following.keyring,
            person="ines",
            clock=following.clock,
            logs=disk_at / "logs",
            head=walk.recorder.head,
        ).recorder.close()
        shutil.copyfile(tmp_path / "disk.img", tmp_path / "cut.img")
    with mounted(tmp_path / "cut.img", tmp_path / "cut") as cut_at:
        logs = cut_at / "logs"
        assert lost_of(logs, kept) == []
        Following(place, logs, told=lambda *_: None).run()
        assert not_sealed(logs) == [f"{walk.recorder.rec}: unsealed, the record is not closed"]
    ran("power cut right after a record was brought along to another device: nothing lost")
