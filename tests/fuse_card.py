"""A card served over FUSE that can lie, stall, fail and be pulled out, for tests of what is written to cards.

It speaks the kernel's own protocol (linux/fuse.h, version 7.31), so no library is needed; `fusermount` mounts
it. The server is a process of its own, so that it can be killed. What it stores is in a file, `real` bytes of
it, under addresses that a file system of `claimed` bytes hands out in order: beyond `real` they wrap around,
are lost, or are whatever the fault asks for. Its folder is kept beside that file as JSON, as a card keeps its
own, and is there again when it is served again.
"""

from __future__ import annotations

import array
import contextlib
import errno
import json
import os
import socket
import stat
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CLUSTER = 1 << 16
MOST = 1 << 20  # bytes of one write
_IN, _OUT, _ATTR = struct.Struct("<IIQQIIII"), struct.Struct("<IiQ"), struct.Struct("<QQQQQQIIIIIIIIII")

(LOOKUP, FORGET, GETATTR, SETATTR) = (1, 2, 3, 4)
(UNLINK, OPEN, READ, WRITE, STATFS, RELEASE, FSYNC) = (10, 14, 15, 16, 17, 18, 20)
(FLUSH, INIT, OPENDIR, READDIR, RELEASEDIR, FSYNCDIR) = (25, 26, 27, 28, 29, 30)
(ACCESS, CREATE, INTERRUPT, DESTROY, BATCH_FORGET, FALLOCATE) = (34, 35, 36, 38, 42, 43)


class Card:
    """The stored bytes, the folder, and the faults asked for.

    `wrap`, `lose` or `damage` say what happens beyond `real`; `stall` (number of a write, seconds) makes one
    write wait; `pull` (number of a write) ends the server in it; `fail` (number of a write) makes that one
    and all later ones input/output errors; `reserves` says whether room can be reserved.
    """

    def __init__(self, store: Path, faults: dict[str, object]) -> None:
        self.faults = faults
        self.claimed, self.real = int(faults["claimed"]), int(faults["real"])
        self.folder = store.with_suffix(".json")
        self.file = os.open(store, os.O_RDWR | os.O_CREAT, 0o600)
        os.ftruncate(self.file, self.real)
        self.files: dict[str, dict] = json.loads(self.folder.read_text()) if self.folder.exists() else {}
        self.writes = 0

    def keep(self) -> None:
        self.folder.write_text(json.dumps(self.files))

    def free(self) -> list[int]:
        used = {cluster for entry in self.files.values() for cluster in entry["clusters"]}
        return [n for n in range(self.claimed // CLUSTER) if n not in used]

    def reserve(self, name: str, length: int) -> bool:
        entry = self.files[name]
        more = -(-length // CLUSTER) - len(entry["clusters"])
        if more > 0:
            free = self.free()
            if len(free) < more:
                return False
            entry["clusters"] += free[:more]
        return True

    def write(self, name: str, offset: int, data: bytes) -> int:
        self.writes += 1
        number, seconds = self.faults.get("stall", (0, 0))
        if self.writes == number:
            time.sleep(seconds)
        if self.writes == self.faults.get("pull"):
            os._exit(1)
        if self.writes >= self.faults.get("fail", 1 << 60):
            return -errno.EIO
        if not self.reserve(name, offset + len(data)):
            return -errno.ENOSPC
        for address, at, length in self._places(name, offset, len(data)):
            self._store(address, data[at : at + length])
        entry = self.files[name]
        entry["size"] = max(entry["size"], offset + len(data))
        return len(data)

    def read(self, name: str, offset: int, length: int) -> bytes:
        length = max(0, min(length, self.files[name]["size"] - offset))
        return b"".join(self._fetch(a, n) for a, _, n in self._places(name, offset, length))

    def _places(self, name: str, offset: int, length: int) -> Iterator[tuple[int, int, int]]:
        clusters, at = self.files[name]["clusters"], 0
        while at < length:
            within = (offset + at) % CLUSTER
            size = min(CLUSTER - within, length - at)
            yield clusters[(offset + at) // CLUSTER] * CLUSTER + within, at, size
            at += size

    def _store(self, address: int, data: bytes) -> None:
        if address < self.real:
            os.pwrite(self.file, data, address)
        elif self.faults["beyond"] == "wrap":
            os.pwrite(self.file, data, address % self.real)

    def _fetch(self, address: int, length: int) -> bytes:
        data = b""
        if address < self.real or self.faults["beyond"] == "wrap":
            data = os.pread(self.file, length, address % self.real)
        data = data.ljust(length, b"\0")
        first = self.faults.get("damage")
        if first is not None and first <= address < first + CLUSTER:
            data = bytes([data[0] ^ 0x10]) + data[1:100] + bytes([data[100] ^ 0x01]) + data[101:]
        return data


class Server:
    """Answers the kernel until it is unmounted. Files have numbers from 2 on, the folder is 1."""

    def __init__(self, device: int, card: Card) -> None:
        self.device = device
        self.card = card
        self.names: dict[int, str] = {}

    def run(self) -> None:
        while True:
            try:
                request = os.read(self.device, MOST + 4096)
            except OSError as error:
                if error.errno == errno.ENODEV:
                    return
                if error.errno in (errno.EINTR, errno.ENOENT):
                    continue
                raise
            _, kind, unique, node, *_ = _IN.unpack_from(request)
            answer = self.answer(kind, node, request[_IN.size :])
            if answer is not None:
                code, data = (answer, b"") if isinstance(answer, int) else (0, answer)
                with contextlib.suppress(FileNotFoundError):  # interrupted meanwhile
                    os.write(self.device, _OUT.pack(_OUT.size + len(data), code, unique) + data)
            if kind == DESTROY:
                return

    def answer(self, kind: int, node: int, body: bytes) -> bytes | int | None:
        if kind in (FORGET, BATCH_FORGET, INTERRUPT):
            return None
        if kind == INIT:
            # Version 7.31; room for large writes (FUSE_BIG_WRITES, FUSE_MAX_PAGES).
            (readahead,) = struct.unpack_from("<I", body, 8)
            flags = 1 << 5 | 1 << 22
            return struct.pack("<IIIIHHIIHH32x", 7, 31, readahead, flags, 12, 10, MOST, 1, MOST // 4096, 0)
        if kind in (FLUSH, RELEASEDIR, FSYNCDIR, ACCESS, DESTROY):
            return b""
        if kind == OPENDIR:
            return bytes(16)
        if kind == STATFS:
            free = len(self.card.free())
            blocks = (self.card.claimed // CLUSTER, free, free)
            return struct.pack("<QQQQQIIII24x", *blocks, 999, 999, CLUSTER, 255, CLUSTER, 0)
        if kind == READDIR:
            return self.listing(*struct.unpack_from("<QQI", body))
        if kind in (LOOKUP, UNLINK):
            return self.named(kind, os.fsdecode(body[: body.index(0)]))
        if kind == CREATE:
            name = os.fsdecode(body[16 : body.index(0, 16)])
            self.card.files[name] = {"size": 0, "clusters": []}
            self.card.keep()
            return self.entry(name) + bytes(16)
        if kind == GETATTR:
            return struct.pack("<QII", 0, 0, 0) + self.attributes(node)
        return self.of_file(kind, self.names[node], node, body)

    def of_file(self, kind: int, name: str, node: int, body: bytes) -> bytes | int:
        if kind == OPEN:
            return bytes(16)
        if kind == SETATTR:
            valid, _, _, size = struct.unpack_from("<IIQQ", body)
            if valid & 1 << 3:
                self.card.files[name]["size"] = size
            return struct.pack("<QII", 0, 0, 0) + self.attributes(node)
        if kind == READ:
            _, offset, size = struct.unpack_from("<QQI", body)
            return self.card.read(name, offset, size)
        if kind == WRITE:
            _, offset, size = struct.unpack_from("<QQI", body)
            done = self.card.write(name, offset, body[40 : 40 + size])
            return done if done < 0 else struct.pack("<II", done, 0)
        if kind in (FSYNC, RELEASE):
            self.card.keep()
            return b""
        if kind == FALLOCATE and self.card.faults.get("reserves"):
            _, offset, length, mode = struct.unpack_from("<QQQI", body)
            return b"" if mode == 1 and self.card.reserve(name, offset + length) else -errno.ENOSPC
        return -errno.ENOSYS

    def named(self, kind: int, name: str) -> bytes | int:
        if name not in self.card.files:
            return -errno.ENOENT
        if kind == LOOKUP:
            return self.entry(name)
        del self.card.files[name]
        self.card.keep()
        return b""

    def entry(self, name: str) -> bytes:
        node = 2 + next((n for n, known in enumerate(self.names.values()) if known == name), len(self.names))
        self.names[node] = name
        return struct.pack("<QQQQII", node, 0, 0, 0, 0, 0) + self.attributes(node)

    def attributes(self, node: int) -> bytes:
        size = 0 if node == 1 else self.card.files.get(self.names[node], {"size": 0})["size"]
        mode = stat.S_IFDIR | 0o700 if node == 1 else stat.S_IFREG | 0o600
        return _ATTR.pack(
            node, size, -(-size // 512), *(0,) * 6, mode, 1, os.getuid(), os.getgid(), 0, 4096, 0
        )

    def listing(self, _: int, offset: int, room: int) -> bytes:
        out = b""
        for number, name in list(enumerate(self.card.files, 1))[offset:]:
            raw = os.fsencode(name)
            entry = struct.pack("<QQII", number + 1, number, len(raw), stat.S_IFREG >> 12) + raw
            entry += bytes(-len(entry) % 8)
            if len(out) + len(entry) > room:
                break
            out += entry
        return out


def mount(point: Path, source: object, options: str) -> int:
    """Mount by fusermount; the open /dev/fuse."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        env = {**os.environ, "_FUSE_COMMFD": str(theirs.fileno())}
        words = ["fusermount", "-o", f"fsname={source},{options}", "--", str(point)]
        subprocess.run(words, env=env, pass_fds=[theirs.fileno()], check=True)
        _, control, _, _ = ours.recvmsg(1, socket.CMSG_SPACE(4))
        return array.array("i", control[0][2])[0]


def serve(store: Path, point: Path, faults: dict[str, object]) -> None:
    source = faults.get("source", store)
    device = mount(point, source, str(faults.get("options", "rw")))
    print("mounted", flush=True)
    Server(device, Card(store, faults)).run()


@contextmanager
def fuse_card(store: Path, point: Path, **faults: object) -> Iterator[subprocess.Popen[str]]:
    """Serve `store` at `point` by a process of its own, which may be killed; always unmounted."""
    point.mkdir(exist_ok=True)
    faults = {"claimed": 64 << 20, "beyond": "wrap", "reserves": True} | faults
    faults = {"real": faults["claimed"]} | faults
    words = [sys.executable, __file__, str(store), str(point), json.dumps(faults)]
    server = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        assert server.stdout.readline() == "mounted\n"
        yield server
    finally:
        subprocess.run(["fusermount", "-u", "-z", str(point)], check=False, capture_output=True)
        server.kill()
        server.wait()
        server.stdout.close()


if __name__ == "__main__":
    serve(Path(sys.argv[1]), Path(sys.argv[2]), json.loads(sys.argv[3]))
