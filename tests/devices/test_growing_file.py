"""A text file that grows, is cut short, is replaced, goes away."""

from __future__ import annotations

import os
import threading

import pytest
from serial_ends import wait_until

from preflight.config.flight import Port
from preflight.devices.growing_file import GrowingFile, names_file, open_listened
from preflight.devices.serial_line import PortUnusableError
from preflight.errors import DeviceError


def add(path, text):
    with path.open("a") as file:
        file.write(text)


def heard(file, text):
    found = bytearray()
    wait_until(lambda: found.extend(file.read()) or text in found)
    return bytes(found)


def test_what_is_added_is_read_and_nothing_before(tmp_path):
    path = tmp_path / "heard.txt"
    add(path, "old\n")
    with GrowingFile(path) as file:
        assert file.read() == b""
        add(path, "new\n")
        assert file.read() == b"new\n"
        add(path, "x" * 9000)
        assert len(file.read()) == 4096
        assert file.read(10) == b"x" * 10
        writer = threading.Timer(0.02, add, (path, "late"))
        writer.start()
        assert heard(file, b"late").endswith(b"late")
        writer.join()


def test_a_file_cut_short_or_replaced_is_followed_anew(tmp_path):
    path = tmp_path / "heard.txt"
    add(path, "a long line of an earlier day\n")
    with GrowingFile(path) as file:
        path.write_text("cut\n")
        assert heard(file, b"cut\n") == b"cut\n"
        other = tmp_path / "other.txt"
        other.write_text("a new file, longer than the old one\n")
        os.replace(other, path)
        assert heard(file, b"one\n") == b"a new file, longer than the old one\n"
        path.unlink()
        assert file.read() == b""
        path.write_text("back\n")
        assert heard(file, b"back") == b"back\n"


def test_what_is_not_there_or_closed_is_told(tmp_path):
    with pytest.raises(DeviceError, match=r"none\.txt can't be opened: No such file.*correct `at`"):
        GrowingFile(tmp_path / "none.txt")
    path = tmp_path / "heard.txt"
    path.touch()
    file = GrowingFile(path)
    file.close()
    file.close()
    with pytest.raises(DeviceError, match="can't be read on"):
        file.read()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_told(tmp_path):
    path = tmp_path / "heard.txt"
    path.touch()
    path.chmod(0)
    with pytest.raises(PortUnusableError, match="You may not read"):
        GrowingFile(path)


def test_a_port_that_names_a_file_is_that_file_and_any_other_a_line(tmp_path):
    (tmp_path / "heard.txt").touch()
    port = Port(use="beacon", at="heard.txt", baud=9600)
    assert names_file(port, tmp_path)
    assert isinstance(open_listened(port, None, tmp_path), GrowingFile)
    missing = Port(use="beacon", at="nothing.txt", baud=9600)
    assert not names_file(missing, tmp_path)
    with pytest.raises(DeviceError, match=r"There is no port nothing\.txt"):
        open_listened(missing, None, tmp_path)
