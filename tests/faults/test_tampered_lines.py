"""Every change of a sealed record's lines is bad; an unsealed one cut anywhere gives back its whole lines."""

from __future__ import annotations

import base64
import hashlib
import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from fault_walk import LONG, first_of, times
from record_making import lines_of

from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.folder import read
from preflight.record.seal import seal_code
from preflight.record.verify import verify
from preflight.walk.proof import prove


def missed(record: Path, changed: Iterator[tuple[str, bytes]]) -> tuple[int, list[str]]:
    """How many changes were tried, and those that did not make the record bad.

    A change must be seen by the lines alone, and not only by the seal over them: some line is named. Whole
    lines cut off at the end are for the seal to miss.
    """
    path = record / "record.jsonl"
    whole = path.read_bytes()
    tried, through = 0, []
    for what, data in changed:
        assert data != whole, what
        path.write_bytes(data)
        tried += 1
        found = verify(record)
        shorter = whole.startswith(data) and data[-1:] in (b"", b"\n")
        if found.state != "bad" or (found.first_bad is None) != shorter:
            through.append(what)
    path.write_bytes(whole)
    return tried, through


def flips(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Every bit flipped, or all eight of some bytes."""
    places = range(len(data)) if LONG else random.Random(len(data)).sample(range(len(data)), 60)
    for at in places:
        for bit in range(8):
            yield f"bit {bit} of byte {at}", data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]


def moves(lines: list[bytes], others: list[bytes]) -> Iterator[tuple[str, bytes]]:
    """Lines dropped, swapped, repeated anywhere, and put in from another record anywhere."""
    count = range(len(lines))
    for at in count:
        yield f"line {at + 1} dropped", b"".join(lines[:at] + lines[at + 1 :])
        for other in range(at):
            swapped = list(lines)
            swapped[at], swapped[other] = swapped[other], swapped[at]
            yield f"lines {at + 1} and {other + 1} swapped", b"".join(swapped)
    for at in range(len(lines) + 1):
        for what, put in [("own", line) for line in lines] + [("foreign", line) for line in others]:
            yield f"{what} line put in before {at + 1}", b"".join([*lines[:at], put, *lines[at:]])


def spellings(lines: list[bytes]) -> Iterator[tuple[str, bytes]]:
    """Each line in ways that other readers would take for the same."""
    for at, line in enumerate(lines):
        body, _, rest = line.rpartition(b'"sig":"')
        sig = rest.removesuffix(b'"}\n')
        raw = base64.b64decode(sig)
        # 64 bytes leave two bits of the last letter unused.
        alphabet = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
        loose = alphabet[alphabet.index(sig[-3]) + 1]
        other = {
            "carriage return": line[:-1] + b"\r\n",
            "carriage return alone": line[:-1] + b"\r",
            "blank after": line[:-1] + b" \n",
            "blank before": b" " + line,
            "blank inside": line.replace(b'"seq":', b'"seq": ', 1),
            "empty line after": line + b"\n",
            "byte order mark": b"\xef\xbb\xbf" + line,
            "NUL after": line[:-1] + b"\0\n",
            "base64 unpadded": body + b'"sig":"' + sig.rstrip(b"=") + b'"}\n',
            "base64 with loose bits": body + b'"sig":"' + sig[:-3] + bytes([loose]) + b'=="}\n',
            "base64 with a blank": body + b'"sig":"' + sig[:8] + b" " + sig[8:] + b'"}\n',
            "signature in hex": body + b'"sig":"' + raw.hex().encode() + b'"}\n',
            "key twice": line.replace(b'"kind":', b'"kind":"hold","kind":', 1),
            "key twice, the same": line.replace(b'"v":1}', b'"v":1,"v":1}', 1),
            "signature twice": line[:-2] + b',"sig":"' + sig + b'"}\n',
            "entry twice": b'{"entry":{},' + line[1:],
            "escaped letter": line.replace(b'"kind"', b'"\\u006bind"', 1),
            "number as 1.0": line.replace(b'"v":1', b'"v":1.0', 1),
            "unknown key": line.replace(b'"v":1}', b'"v":1,"w":1}', 1),
        }
        for what, made in other.items():
            yield f"{what} in line {at + 1}", b"".join([*lines[:at], made, *lines[at + 1 :]])
    whole = b"".join(lines)
    yield "every line end", whole.replace(b"\n", b"\r\n")
    yield "byte order mark", b"\xef\xbb\xbf" + whole
    yield "line feed after", whole + b"\n"
    yield "zeros after", whole + bytes(512)
    yield "twice over", whole + whole
    yield "UTF-16", whole.decode().encode("utf-16-le")


def cuts(data: bytes) -> Iterator[tuple[str, bytes]]:
    for size in range(0, len(data), times(19, 1)):
        yield f"cut to {size} bytes", data[:size]
        yield f"first {size + 1} bytes gone", data[size + 1 :]


@pytest.mark.parametrize("kind", ["flips", "moves", "spellings", "cuts"])
def test_no_change_of_a_sealed_records_lines_goes_unseen(making, kind, ran):
    record = making.sealed(sealers=("ada", "cy"))
    lines = lines_of(record)
    others = lines_of(making.sealed(rec="another"))
    changed = {
        "flips": lambda: flips(b"".join(lines)),
        "moves": lambda: moves(lines, others),
        "spellings": lambda: spellings(lines),
        "cuts": lambda: cuts(b"".join(lines)),
    }[kind]()
    tried, through = missed(record, changed)
    assert verify(record).state == "sealed"
    ran(f"{kind} of a sealed record's {len(lines)} lines: {len(through)} of {tried} missed")
    assert tried > 100
    assert through == []


def test_moves_and_spellings_of_a_whole_walk_go_unseen_neither(walked, ran):
    lines = lines_of(walked)
    changes = [*spellings(lines), *moves(lines, [])] if LONG else list(spellings(lines))[::9]
    tried, through = missed(walked, iter(changes))
    ran(f"lines of a whole walk ({len(lines)}) respelled or moved: {len(through)} of {tried} missed")
    assert through == []


def test_without_a_seal_whole_lines_are_unsealed_and_with_the_code_bad(walked, ran):
    """What a cut at a line's end leaves is a shorter, unsealed record: only something from outside tells."""
    code = seal_code((walked / "record.jsonl").read_bytes(), walked.name)
    shutil.rmtree(walked / "seals")
    lines = lines_of(walked)
    found = verify(walked)
    assert (found.state, found.why) == ("unsealed", "not sealed by ines")
    assert verify(walked, code=code).state == "bad"
    for count in range(1, len(lines)):
        (walked / "record.jsonl").write_bytes(b"".join(lines[:count]))
        assert verify(walked).state == "unsealed"
    # The code is dear to compute: it is only looked at once every line and seal is found good.
    (walked / "record.jsonl").write_bytes(b"".join(lines[:-1]))
    assert verify(walked, code=code).state == "bad"
    ran(f"seal removed: unsealed, with the code bad; cut at each of {len(lines) - 1} line ends: unsealed")


def test_without_a_seal_the_record_that_follows_tells_what_is_missing(flown, tmp_path):
    logs = Path(shutil.copytree(flown, tmp_path / "logs"))
    first = first_of(logs)
    second = next(path for path in logs.iterdir() if path != first)
    lines = lines_of(first)
    assert prove(second).found.state == "sealed"
    shutil.rmtree(first / "seals")
    for count in range(1, len(lines)):
        (first / "record.jsonl").write_bytes(b"".join(lines[:count]))
        found = prove(second).found
        assert found.state == "bad"
        assert "changed" in found.why


def test_cut_anywhere_an_unsealed_record_gives_back_its_whole_entries(making, monkeypatch, ran):
    recorder = making.begin()
    making.fill(recorder)
    recorder.close()
    whole = (recorder.folder / "record.jsonl").read_bytes()
    lines = whole.splitlines(keepends=True)
    monkeypatch.setattr(disk, "sync", lambda _fd: None)  # what is kept, not when, is looked at here
    tried = told = 0
    for size in range(0, len(whole), times(17, 1)):
        copy = Path(shutil.copytree(recorder.folder, making.logs / "cut" / recorder.rec))
        path = copy / "record.jsonl"
        os.truncate(path, size)
        kept = whole[: whole.rfind(b"\n", 0, size) + 1]
        torn = whole[len(kept) : size]
        tried += 1
        if not kept:
            with pytest.raises(RecordError, match="no whole entry"):
                making.again(copy)
            assert path.read_bytes() == torn
        else:
            with making.again(copy) as again:
                count = kept.count(b"\n")
                assert again.hashes[:count] == recorder.hashes[:count]
                recovered = [entry.data for entry in again.entries[count:]]
            assert [entry.sha256 for entry in recovered] == [hashlib.sha256(torn).hexdigest()] * bool(torn)
            assert [entry.size for entry in recovered] == [len(torn)] * bool(torn)
            if torn:
                told += 1
                assert (copy / "torn" / recovered[0].sha256).read_bytes() == torn
            if count > 2:  # the check's evidence is there
                assert verify(copy).state == "unsealed", size
            assert read(copy).torn == b""
        shutil.rmtree(copy.parent)
    ran(
        f"unsealed record of {len(lines)} lines cut at {tried} places: every whole entry recovered, "
        f"{told} torn lines set aside and entered"
    )
