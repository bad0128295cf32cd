"""Times `verify` over a large sealed record against the bare Ed25519 checks of it in one process.

`verify` itself uses the processors there are, which the last line tells.

Run it by hand: python tests/record/bench_verify.py [ENTRIES]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parents[1]))

from record_making import HandClock, Making, build_crew, check_data

from preflight.record import disk, sshsig
from preflight.record.checking import helpers_here
from preflight.record.entry import parse_line
from preflight.record.verify import verify

ROUNDS = 5


def build(folder: Path, entries: int) -> Path:
    """A sealed record with this many entries: a check's finding and its signature, again and again."""
    making = Making(build_crew(folder / "keys"), HandClock(), folder / "logs")
    with patch.object(disk, "sync"):
        recorder = making.begin()
        ada, laptop = making.crew.signer("ada"), making.crew.signer("laptop")
        data, part = check_data()
        while len(recorder.entries) < entries - 2:
            recorder.append("check", data, signer=laptop, meaning="found", auth="instrument", evidence=[part])
            of = {"of": len(recorder._entries)}
            recorder.append("sign", of, signer=ada, meaning="performed", auth="selected")
        while len(recorder.entries) < entries - 1:
            recorder.append(
                "power", {"cause": "crew", "detail": ""}, signer=ada, meaning="did", auth="selected"
            )
        making.shut(recorder)
        recorder.close()
    return recorder.folder


def main() -> None:
    entries = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as name:
        folder = build(Path(name), entries)
        found = verify(folder)
        assert found.state == "sealed", found.why
        assert found.roster is not None
        keys = {person.id: sshsig.load_public(person.key) for person in found.roster.everyone}
        checks = []
        for line in (folder / "record.jsonl").read_bytes().splitlines(keepends=True):
            parsed = parse_line(line)
            blob = sshsig.to_be_signed(sshsig.ENTRY, parsed.canonical)
            checks.append((keys[parsed.entry.signer].verify, parsed.signature, blob))
        ratios, bare, whole = [], [], []
        for _ in range(ROUNDS):
            start = time.perf_counter()
            for check, signature, blob in checks:
                check(signature, blob)
            middle = time.perf_counter()
            verify(folder)
            end = time.perf_counter()
            bare.append(middle - start)
            whole.append(end - middle)
            ratios.append(whole[-1] / bare[-1])
            print(f"bare checks {middle - start:.3f} s, verify {end - middle:.3f} s, ratio {ratios[-1]:.2f}")
        print(
            f"{entries} entries, {helpers_here() + 1} processes: "
            f"median ratio {sorted(ratios)[ROUNDS // 2]:.2f}, "
            f"fastest against fastest {min(whole) / min(bare):.2f}"
        )


if __name__ == "__main__":
    main()
