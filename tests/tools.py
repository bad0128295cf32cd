"""System tools that tests use: a missing one skips with what to install, and fails in CI."""

import os
import shutil

import pytest

PACKAGES = {
    "mkfs.fat": "dosfstools",
    "fsck.fat": "dosfstools",
    "mcopy": "mtools",
    "mdir": "mtools",
    "mtype": "mtools",
    "mmd": "mtools",
    "sfdisk": "fdisk",
    "losetup": "mount",
    "setpriv": "util-linux",
    "mkfs.exfat": "exfatprogs",
    "mount.exfat-fuse": "exfat-fuse",
    "fusefat": "fusefat",
    "ssh-keygen": "openssh-client",
    "openssl": "openssl",
    "strace": "strace",
    "tmux": "tmux",
    "mkfs.ext4": "e2fsprogs",
    "pdftotext": "poppler-utils",
    "pdfinfo": "poppler-utils",
}


def need_tool(*names: str) -> None:
    """Skip the test (or fail it in CI) unless every named system tool is on the path."""
    os.environ["PATH"] = os.environ.get("PATH", "") + os.pathsep + "/usr/sbin" + os.pathsep + "/sbin"
    for name in names:
        if shutil.which(name) is None:
            reason = f"needs {name}: install the system package {PACKAGES.get(name, name)}"
            if os.environ.get("CI") == "true":
                pytest.fail(reason)
            pytest.skip(reason)
