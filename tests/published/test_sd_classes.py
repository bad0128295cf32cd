"""SD card capacities: Physical Layer Simplified Specification 4.10, section 3.3.2; SDUC from version 7.0.

File systems: SD Specifications Part 2, File System Specification (read in secondary sources that quote it).
"""

import pytest

from preflight.devices.sd import STANDARD_TYPES, sd_class

GB = 2**30


@pytest.mark.parametrize(
    ("size", "name", "types"),
    [
        (1, "SDSC", ("FAT12", "FAT16")),
        (2 * GB, "SDSC", ("FAT12", "FAT16")),  # "up to and including 2 GB"
        (2 * GB + 1, "SDHC", ("FAT32",)),
        (32 * GB, "SDHC", ("FAT32",)),
        (32 * GB + 1, "SDXC", ("exFAT",)),
        (2048 * GB, "SDXC", ("exFAT",)),
        (2048 * GB + 1, "SDUC", ("exFAT",)),
        (128 * 1024 * GB, "SDUC", ("exFAT",)),
    ],
)
def test_class_and_file_system_by_capacity(size: int, name: str, types: tuple[str, ...]):
    assert sd_class(size) == name
    assert STANDARD_TYPES[sd_class(size)] == types
