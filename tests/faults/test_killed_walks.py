"""kill -9 anywhere in a walk loses nothing that was acknowledged, and the walk goes on."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from fault_walk import Following, lost_of, times

SCRIPT = Path(__file__).parent / "kill_walks.py"


@pytest.mark.skipif(os.name != "posix", reason="kills processes")
def test_killed_at_random_points_nothing_acknowledged_is_lost(ran):
    kills = times(20, 500)
    done = subprocess.run(
        [sys.executable, SCRIPT, str(kills)], capture_output=True, text=True, check=False, timeout=1800
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    ran(
        f"kill -9 at {told['kills']} random points of {told['walks']} walks (seed {told['seed']}): "
        f"{len(told['lost'])} of {told['acknowledged']} acknowledged entries and seals lost, "
        f"{len(told['not_sealed'])} records not sealed at the end, {told['resumed']} resumed"
    )
    assert told["kills"] == kills
    assert told["acknowledged"] > 5 * kills
    assert told["resumed"] > kills // 4
    assert (told["lost"], told["not_sealed"]) == ([], [])


def test_the_look_for_what_was_lost_finds_it(place, tmp_path):
    kept = []
    Following(place, tmp_path, told=lambda *row: kept.append(row)).run()
    assert lost_of(tmp_path, kept) == []
    first = kept[0][0]
    path = tmp_path / first / "record.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-1]))
    (tmp_path / first / "seals" / "ines.sig").unlink()
    assert lost_of(tmp_path, kept) == [f"{first}: entry {len(lines)}", f"{first}: seal ines.sig"]
