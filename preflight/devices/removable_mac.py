"""What a volume lies on, asked of macOS: `diskutil info -plist`, by its manual page a form for scripts."""

from __future__ import annotations

import plistlib
import subprocess
from collections.abc import Callable, Mapping
from pathlib import Path
from xml.parsers.expat import ExpatError

from preflight.clean import clean
from preflight.devices.removable import Kind, Medium

SECONDS = 20
"""How long the system's own tool may take to answer."""


def ask_diskutil(point: Path) -> bytes:
    """What diskutil prints of a mount point; raises OSError or subprocess.SubprocessError."""
    command = ["/usr/sbin/diskutil", "info", "-plist", str(point)]
    return subprocess.run(command, capture_output=True, check=True, timeout=SECONDS).stdout  # noqa: S603


def mac_medium(point: Path, ask: Callable[[Path], bytes] = ask_diskutil) -> Medium:
    """What is under a mount point, by what `ask` tells of it and of "/"."""
    try:
        told, system = _told(ask(point)), _told(ask(Path("/")))
    except (OSError, subprocess.SubprocessError, ValueError, ExpatError) as error:
        said = clean(str(error), limit=120)
        return Medium(kind="unknown", why=f"diskutil does not tell what it is ({said})")
    size = told.get("TotalSize")
    kind, why = _judged(told, system, point)
    return Medium(
        kind=kind,
        why=why,
        label=clean(str(told.get("VolumeName") or ""), limit=40),
        size=size if isinstance(size, int) else 0,
    )


def _judged(told: Mapping[str, object], system: Mapping[str, object], point: Path) -> tuple[Kind, str]:
    disk = told.get("ParentWholeDisk")
    if not isinstance(disk, str):
        return "unknown", "diskutil does not tell which disk it is on"
    if disk == system.get("ParentWholeDisk") or point == Path("/") or told.get("SystemImage") is True:
        return "system", "the system runs from the same disk"
    if told.get("BusProtocol") == "Disk Image":
        return "image", "an image file that is attached"
    if told.get("RemovableMedia") is True or told.get("BusProtocol") == "Secure Digital":
        return "removable", "the system calls it removable"
    if told.get("RemovableMedia") is False:
        return "fixed", f"the system calls it fixed ({'built in' if told.get('Internal') else 'external'})"
    return "unknown", "diskutil does not tell whether it is removable"


def _told(printed: bytes) -> Mapping[str, object]:
    told = plistlib.loads(printed)
    return told if isinstance(told, dict) else {}
