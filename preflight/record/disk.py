"""Reading and writing a record's files: nothing here trusts a folder, nothing is written without a sync."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from preflight.clean import clean
from preflight.errors import RecordError

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

# Beyond any record's length: Windows locks bytes against reading too, and readers must not be shut out.
_LOCKED_BYTE = 0x7FFF_FFFE
_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
# A pipe in place of a file must not hold the reader up.
_NO_WAIT = getattr(os, "O_NONBLOCK", 0)
_BINARY = getattr(os, "O_BINARY", 0)
_CHUNK = 1 << 20
_UNKNOWN = frozenset({errno.EINVAL, errno.ENOTSUP, errno.ENOTTY})


def write_all(fd: int, data: bytes) -> None:
    """Writes every byte at the file's end; OSError on the first that cannot be, or if the file lacks any."""
    before = os.fstat(fd).st_size
    view = memoryview(data)
    while view:
        written = os.write(fd, view)
        if not written:
            raise OSError(errno.EIO, "the system took no byte of it")
        view = view[written:]
    kept = os.fstat(fd).st_size - before
    if kept != len(data):
        # A driver that lies about its count, or somebody else who wrote in between.
        raise OSError(errno.EIO, f"{len(data)} bytes were written and the file grew by {kept}")


def sync(fd: int) -> None:
    """Returns once the device has the bytes. macOS' fsync stops at the drive's cache, hence F_FULLFSYNC."""
    full = getattr(fcntl, "F_FULLFSYNC", None) if sys.platform != "win32" else None
    if full is not None:
        try:
            fcntl.fcntl(fd, full)
        except OSError as error:
            if error.errno not in _UNKNOWN:  # a network share knows no such call; any other failure is one
                raise
        else:
            return
    os.fsync(fd)


def sync_folder(path: Path) -> None:
    """Makes a created or renamed name durable. Windows, and some volumes, have no such call for a folder."""
    if sys.platform == "win32":
        return
    fd = os.open(path, os.O_RDONLY)
    try:
        sync(fd)
    except OSError as error:
        if error.errno not in _UNKNOWN:
            raise
    finally:
        os.close(fd)


def make_folders(path: Path) -> None:
    """Makes a folder and what is missing above it, each durable in the folder that holds it."""
    if os.path.isdir(path):
        return
    make_folders(path.parent)
    path.mkdir(exist_ok=True)
    sync_folder(path.parent)


def write_file(path: Path, data: bytes, *, mode: int = 0o644) -> None:
    """Writes a whole file beside its place, syncs it and moves it there: it is never seen half written."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    fd = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NO_FOLLOW | _BINARY, mode)
    try:
        try:
            write_all(fd, data)
            sync(fd)
        finally:
            os.close(fd)
        part.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    sync_folder(path.parent)


def open_append(path: Path, *, new: bool = False) -> int:
    """A descriptor that adds at a file's end; a `new` file must not be there yet."""
    flags = os.O_RDWR | os.O_APPEND | _NO_FOLLOW | _BINARY
    return os.open(path, flags | os.O_CREAT | os.O_EXCL if new else flags, 0o644)


@contextlib.contextmanager
def _regular(path: Path, what: str) -> Iterator[int]:
    try:
        fd = os.open(path, os.O_RDONLY | _NO_FOLLOW | _NO_WAIT | _BINARY)
    except FileNotFoundError:
        raise RecordError(f"{what} is missing") from None
    except (OSError, ValueError) as error:
        if os.path.islink(path):
            raise RecordError(f"{what} is a symbolic link; a record holds plain files only") from None
        reason = error.strerror if isinstance(error, OSError) else error
        raise RecordError(f"{what} cannot be opened: {reason}") from None
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise RecordError(f"{what} is not a plain file")
        yield fd
    except OSError as error:
        raise RecordError(f"{what} cannot be read: {error.strerror}") from None
    finally:
        os.close(fd)


def read_file(path: Path, what: str, limit: int) -> bytes:
    """The bytes of a plain file of at most `limit` bytes; `what` names it in errors.

    Raises:
        RecordError: if it is missing, longer, a link, a folder, a pipe, or cannot be read.
    """
    data = read_head(path, what, limit + 1)
    if len(data) > limit:
        raise RecordError(f"{what} is longer than {limit} bytes")
    return data


def read_head(path: Path, what: str, size: int) -> bytes:
    """The first `size` bytes of a plain file, or all of it; RecordError as `read_file`."""
    data = bytearray()
    with _regular(path, what) as fd:
        while len(data) < size and (part := os.read(fd, min(_CHUNK, size - len(data)))):
            data += part
    return bytes(data)


def hash_file(path: Path, what: str, size: int) -> tuple[str, int]:
    """SHA-256 and length of a plain file, looking no further than `size` bytes and one more."""
    digest = hashlib.sha256()
    seen = 0
    with _regular(path, what) as fd:
        while seen <= size and (part := os.read(fd, min(_CHUNK, size + 1 - seen))):
            digest.update(part)
            seen += len(part)
    return digest.hexdigest(), seen


def list_folder(path: Path, what: str) -> tuple[str, ...]:
    """Names in a folder, sorted; none if it is missing. RecordError if it is a link or no folder."""
    if os.path.islink(path):
        raise RecordError(f"{what} is a symbolic link; a record holds plain folders only")
    try:
        return tuple(sorted(os.listdir(path)))
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise RecordError(f"{what} cannot be listed: {error.strerror}") from None


def lock(fd: int, where: str) -> None:
    """Keeps every other writer off the file until `fd` is closed; RecordError if one has it already."""
    try:
        if sys.platform == "win32":
            os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if isinstance(error, (BlockingIOError, PermissionError)):
            raise RecordError(
                f"{where} is being written by another preflight; close that one, or look with --watch"
            ) from None
        raise RecordError(f"{where} cannot be locked for writing: {error.strerror}") from None


def reason(error: OSError) -> str:
    """What the system said, for people."""
    text: Any = error.strerror or error
    return clean(str(text))
