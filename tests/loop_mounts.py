"""Small file systems for tests: ext4 in a file over a loop device, and tmpfs. Both need root on Linux."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from tools import need_tool


def need_mounts() -> None:
    """Skip unless this process may mount."""
    if sys.platform != "linux" or os.geteuid() != 0 or not os.path.exists("/dev/loop-control"):
        pytest.skip("mounts file systems of its own: run as root on Linux with loop devices")
    need_tool("mkfs.ext4")


def make_ext4(image: Path, size: int = 16 << 20) -> None:
    """An empty ext4 file system with a journal, of `size` bytes."""
    with image.open("wb") as file:
        file.truncate(size)
    _run("mkfs.ext4", "-q", "-F", image)


@contextlib.contextmanager
def mounted(image: Path, at: Path) -> Iterator[Path]:
    """The ext4 in `image`, mounted `at`; its journal is replayed if it needs to be."""
    at.mkdir(exist_ok=True)
    _run("mount", "-o", "loop", image, at)
    try:
        yield at
    finally:
        _run("umount", "-l", at)  # a test that failed may still hold a file open


@contextlib.contextmanager
def tmpfs(at: Path, size: int) -> Iterator[Path]:
    """A tmpfs of `size` bytes, mounted `at`."""
    at.mkdir(exist_ok=True)
    _run("mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", at)
    try:
        yield at
    finally:
        _run("umount", "-l", at)  # a test that failed may still hold a file open


def _run(*words: str | Path) -> None:
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{words[0]} failed: {done.stderr}")
