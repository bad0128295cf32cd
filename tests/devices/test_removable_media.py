"""What a volume lies on, by a folder laid out like sysfs, by what diskutil prints, by Windows' calls."""

import os
import plistlib
import subprocess
from pathlib import Path

import pytest
from card_images import loop_device, make_fat, need_loop
from tools import need_tool

from preflight.devices.mounts import Mount, mount_at, mounts
from preflight.devices.removable import Medium, is_system_point, linux_medium, medium_of
from preflight.devices.removable_mac import mac_medium
from preflight.devices.removable_windows import FIXED, OPTICAL, RAM_DISK, REMOTE, REMOVABLE, windows_medium
from preflight.devices.unmounted import Unmounted, linux_unmounted, unmounted


class Sysfs:
    """A folder laid out as the kernel lays out sysfs."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "dev/block").mkdir(parents=True)
        (root / "block").mkdir()

    def disk(self, name: str, number: str, *, bus: str = "pci0", removable: str = "0", **files: str) -> Path:
        here = self.root / "devices" / bus / "block" / name
        (here / "slaves").mkdir(parents=True)
        (here / "removable").write_text(removable + "\n")
        for key, text in files.items():
            path = here / key.replace("__", "/")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text + "\n")
        (self.root / "block" / name).symlink_to(here)
        (self.root / "dev/block" / number).symlink_to(here)
        return here

    def partition(self, disk: Path, name: str, number: str, sectors: int = 2048) -> Path:
        here = disk / name
        here.mkdir()
        (here / "partition").write_text("1\n")
        (here / "size").write_text(f"{sectors}\n")
        (self.root / "dev/block" / number).symlink_to(here)
        return here


@pytest.fixture
def sysfs(tmp_path: Path) -> Sysfs:
    return Sysfs(tmp_path / "sys")


def at(
    number: str | None, point: str = "/media/crew/CARD", kind: str = "vfat", source: str = "/dev/x"
) -> Mount:
    made = None if number is None else os.makedev(*map(int, number.split(":")))
    return Mount(point=Path(point), source=source, kind=kind, read_only=False, number=made)


def asked(sysfs: Sysfs, mount: Mount, *others: Mount, swaps: str = "") -> Medium:
    listed = sysfs.root / "swaps"
    listed.write_text(f"Filename Type Size Used Priority\n{swaps}")
    return linux_medium(mount, (mount, *others), sysfs=sysfs.root, dev=sysfs.root / "nodev", swaps=listed)


@pytest.mark.parametrize(
    ("told", "kind", "why"),
    [
        ({"bus": "pci0/usb2/2-1", "removable": "1"}, "removable", "the system calls it removable"),
        ({"bus": "pci0/mmc_host", "device__type": "SD"}, "removable", "an SD card"),
        ({"bus": "pci0/mmc_host", "device__type": "MMC"}, "fixed", "soldered in"),
        ({"bus": "pci0/usb2/2-1"}, "fixed", "a USB disk that calls itself fixed"),
        ({"bus": "pci0/ata1"}, "fixed", "the system calls it fixed"),
    ],
)
def test_linux_is_asked_what_is_removable(sysfs: Sysfs, told: dict, kind: str, why: str):
    disk = sysfs.disk("sdb", "8:16", **told)
    sysfs.partition(disk, "sdb1", "8:17", sectors=4096)
    for number in ("8:16", "8:17"):
        medium = asked(sysfs, at(number))
        assert medium.kind == kind
        assert why in medium.why
    assert asked(sysfs, at("8:17")).size == 4096 * 512


def test_the_disk_that_the_system_runs_from_is_never_a_card(sysfs: Sysfs):
    disk = sysfs.disk("mmcblk0", "179:0", device__type="SD", removable="1")
    sysfs.partition(disk, "mmcblk0p1", "179:1")
    sysfs.partition(disk, "mmcblk0p2", "179:2")
    card = at("179:1")
    assert asked(sysfs, card).kind == "removable"
    for point in ("/", "/boot/firmware", "/usr", "/home", "/run/live/medium"):
        assert asked(sysfs, card, at("179:2", point)).kind == "system"
    assert asked(sysfs, card, at("179:2", "/media/crew/OTHER")).kind == "removable"


def test_cards_that_are_mounted_nowhere_are_found(sysfs: Sysfs):
    """By readers, slots and their partitions; no empty reader, optical drive, fixed disk, or the system's."""

    def listed(*everything: Mount) -> list[Unmounted]:
        swaps = sysfs.root / "none"
        return list(linux_unmounted(everything, sysfs=sysfs.root, dev=Path("/dev"), swaps=swaps))

    assert listed() == []
    card = sysfs.disk("sdb", "8:16", removable="1", size="8192", dev="8:16", device__type="0")
    sysfs.partition(card, "sdb1", "8:17", sectors=4096)
    slot = sysfs.disk("mmcblk0", "179:0", device__type="SD", size="2048", dev="179:0")
    sysfs.disk("sdc", "8:32", removable="1", size="0")  # a reader without a card
    sysfs.disk("sr0", "11:0", removable="1", size="700000", device__type="5")
    sysfs.disk("sda", "8:0", size="100000")
    (sysfs.root / "block/gone").symlink_to(sysfs.root / "nowhere")
    found = [
        Unmounted(device=Path("/dev/mmcblk0"), label="", size=2048 * 512),
        Unmounted(device=Path("/dev/sdb1"), label="", size=4096 * 512),
    ]
    assert listed(at("8:0", "/data")) == found
    assert listed(at("8:17")) == found[:1]
    mapped = sysfs.disk("dm-0", "254:0")
    (mapped / "slaves/mmcblk0").symlink_to(slot)
    assert listed(at("254:0")) == found[1:]
    assert listed(at("8:17", "/boot")) == found[:1]
    assert not {each.device for each in unmounted()} & {Path(each.source) for each in mounts()}


def test_a_swap_file_makes_its_disk_the_systems(sysfs: Sysfs, tmp_path: Path):
    swap = tmp_path / "swap file"
    swap.write_bytes(b"")
    number = swap.stat().st_dev
    sysfs.disk("sdc", f"{os.major(number)}:{os.minor(number)}", removable="1")
    card = at(f"{os.major(number)}:{os.minor(number)}")
    assert asked(sysfs, card).kind == "removable"
    line = str(swap).replace(" ", "\\040") + " file 1 0 -2\n"
    assert asked(sysfs, card, swaps=line).kind == "system"


def test_mapped_devices_are_followed_to_every_disk_below(sysfs: Sysfs):
    card = sysfs.disk("sdb", "8:16", removable="1")
    part = sysfs.partition(card, "sdb1", "8:17")
    fixed = sysfs.disk("sda", "8:0")
    mapped = sysfs.disk("dm-0", "254:0")
    (mapped / "slaves/sdb1").symlink_to(part)
    assert asked(sysfs, at("254:0")).kind == "removable"
    assert asked(sysfs, at("254:0"), at("8:17", "/")).kind == "system"
    (mapped / "slaves/sda").symlink_to(fixed)
    assert asked(sysfs, at("254:0")).kind == "fixed"
    loop = sysfs.disk("dm-1", "254:1")
    (loop / "slaves/self").symlink_to(loop)  # nonsense must end too
    assert asked(sysfs, at("254:1")).kind == "unknown"


def test_image_files_and_what_is_not_known(sysfs: Sysfs, tmp_path: Path):
    image = tmp_path / "card.img"
    image.write_bytes(bytes(700))
    sysfs.disk("loop3", "7:3", loop__backing_file=str(image))
    assert asked(sysfs, at("7:3")).kind == "image"
    sysfs.disk("loop4", "7:4", loop__backing_file="/gone (deleted)")
    assert asked(sysfs, at("7:4")).kind == "unknown"
    served = asked(sysfs, at(None, kind="fuse", source=str(image)))
    assert (served.kind, served.size) == ("image", 700)
    for mount in (
        at(None, kind="fuse.sshfs", source="host:/"),
        at(None, kind="tmpfs", source="tmpfs"),
        at(None, kind="overlay", source="overlay"),
        at("9:9"),
    ):
        assert asked(sysfs, mount).kind == "unknown"


def test_where_systems_keep_their_own():
    for point in ("/", "/boot", "/boot/efi", "/var/lib/x", "/home", "/tmp", "/nix/store", "/cdrom"):
        assert is_system_point(Path(point))
    for point in (
        "/media/crew/CARD",
        "/run/media/crew/CARD",
        "/mnt",
        "/mnt/card",
        "/home/crew/card",
        "/tmp/c",
    ):
        assert not is_system_point(Path(point))


def test_this_machines_own_root_is_the_systems():
    if not Path("/proc/self/mountinfo").exists():
        pytest.skip("asks the Linux kernel: run on Linux")
    root = mount_at(Path("/"))
    assert root is not None
    assert medium_of(root).kind == "system"
    for mount in mounts():
        assert medium_of(mount).why


def test_a_loop_mounted_image_is_an_image(tmp_path: Path):
    need_loop("mkfs.ext4", "mount", "umount")
    image = tmp_path / "card.img"
    image.write_bytes(bytes(4 << 20))
    subprocess.run(["mkfs.ext4", "-q", "-L", "A CARD", image], check=True)
    point = tmp_path / "mnt"
    point.mkdir()
    with loop_device(image) as device:
        subprocess.run(["mount", device, point], check=True)
        try:
            mount = mount_at(point)
            assert mount is not None
            medium = medium_of(mount)
        finally:
            subprocess.run(["umount", point], check=True)
    assert (medium.kind, medium.size) == ("image", 4 << 20)


def diskutil(**card: object):
    """diskutil with this to say of the card; the system is on disk3."""

    def ask(point: Path) -> bytes:
        told = {"ParentWholeDisk": "disk3"} if point == Path("/") else card
        return plistlib.dumps(told)

    return ask


CARD = {"ParentWholeDisk": "disk4", "VolumeName": "FULMAR", "TotalSize": 31_900_000_000}


@pytest.mark.parametrize(
    ("told", "kind"),
    [
        ({**CARD, "RemovableMedia": True, "BusProtocol": "USB", "Internal": False}, "removable"),
        ({**CARD, "RemovableMedia": True, "BusProtocol": "Secure Digital", "Internal": True}, "removable"),
        ({**CARD, "RemovableMedia": False, "BusProtocol": "Secure Digital", "Internal": True}, "removable"),
        ({**CARD, "RemovableMedia": False, "BusProtocol": "USB", "Internal": False}, "fixed"),
        ({**CARD, "RemovableMedia": False, "BusProtocol": "PCI-Express", "Internal": True}, "fixed"),
        ({**CARD, "RemovableMedia": True, "BusProtocol": "Disk Image"}, "image"),
        ({**CARD, "RemovableMedia": True, "ParentWholeDisk": "disk3"}, "system"),
        ({**CARD, "RemovableMedia": True, "SystemImage": True}, "system"),
        ({**CARD}, "unknown"),
        ({"RemovableMedia": True}, "unknown"),
        ({**CARD, "RemovableMedia": "yes"}, "unknown"),
    ],
)
def test_macos_is_asked_what_is_removable(told: dict, kind: str):
    medium = mac_medium(Path("/Volumes/FULMAR"), diskutil(**told))
    assert medium.kind == kind
    if "VolumeName" in told:
        assert (medium.label, medium.size) == ("FULMAR", 31_900_000_000)


@pytest.mark.parametrize("printed", [b"", b"Could not find disk", b"<plist>", plistlib.dumps([1])])
def test_macos_that_says_nothing_sensible_is_not_known(printed: bytes):
    assert mac_medium(Path("/Volumes/X"), lambda _: printed).kind == "unknown"


def test_macos_without_its_tool_is_not_known():
    def absent(_: Path) -> bytes:
        raise FileNotFoundError("/usr/sbin/diskutil")

    def slow(_: Path) -> bytes:
        raise subprocess.TimeoutExpired("diskutil", 20)

    assert mac_medium(Path("/Volumes/X"), absent).kind == "unknown"
    assert mac_medium(Path("/Volumes/X"), slow).kind == "unknown"


class Windows:
    """A system with C: on disk 0, and a card at E: of this type on this disk."""

    def __init__(self, kind: int, disk: int | None = 1) -> None:
        self.kind = kind
        self.number = disk

    def drive_type(self, root: str) -> int:
        return self.kind

    def disk(self, root: str) -> int | None:
        return 0 if root.startswith("C") else self.number

    def label(self, root: str) -> str:
        return "FULMAR"

    def size(self, root: str) -> int:
        return 31_900_000_000

    def own_root(self) -> str:
        return "C:\\"


@pytest.mark.parametrize(
    ("root", "kind", "disk", "expected"),
    [
        ("E:\\", REMOVABLE, 1, "removable"),
        ("E:\\", REMOVABLE, None, "removable"),
        ("E:\\", FIXED, 1, "fixed"),
        ("E:\\", FIXED, 0, "system"),
        ("E:\\", FIXED, None, "unknown"),
        ("C:\\", FIXED, 0, "system"),
        ("c:\\", REMOVABLE, None, "system"),
        ("E:\\", REMOTE, 1, "unknown"),
        ("E:\\", OPTICAL, 1, "unknown"),
        ("E:\\", RAM_DISK, None, "unknown"),
        ("E:\\", 0, 1, "unknown"),
        ("C:\\cards\\one", REMOVABLE, 1, "unknown"),
    ],
)
def test_windows_is_asked_what_is_removable(root: str, kind: int, disk: int | None, expected: str):
    class Root:
        """A drive's root as Windows writes it, on any machine."""

        def __str__(self) -> str:
            return root

    medium = windows_medium(Root(), Windows(kind, disk))
    assert medium.kind == expected
    assert medium.why


def test_labels_are_found_by_the_systems_links(sysfs: Sysfs, tmp_path: Path):
    need_loop()
    need_tool("mkfs.fat")
    dev = tmp_path / "dev"
    (dev / "disk/by-label").mkdir(parents=True)
    with loop_device(make_fat(tmp_path / "card.img", 8 << 20, 16, "-s", 1)) as device:
        (dev / "disk/by-label/MY\\x20CARD").symlink_to(device)
        number = device.stat().st_rdev
        sysfs.disk("sdb", f"{os.major(number)}:{os.minor(number)}", removable="1")
        listed = tmp_path / "swaps"
        listed.write_text("")
        mount = at(f"{os.major(number)}:{os.minor(number)}")
        medium = linux_medium(mount, (mount,), sysfs=sysfs.root, dev=dev, swaps=listed)
    assert medium.label == "MY CARD"
