"""Serial lines: reads of any size, and every trouble as a sentence that says what to do."""

from __future__ import annotations

import errno
import os
import socket
import threading
import time

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st
from serial_ends import FarEnd, wait_until

from preflight.config.flight import Link, Port
from preflight.devices import serial_line
from preflight.devices.serial_line import PortUnusableError, SerialLine, list_ports, open_port
from preflight.errors import DeviceError


@pytest.fixture
def far():
    with FarEnd() as end:
        yield end


def test_bytes_go_both_ways(far):
    with SerialLine(far.path, baud=38400) as line:
        far.send(b"ready\r\n\x00\xff")
        heard = bytearray()
        wait_until(lambda: heard.extend(line.read()) or len(heard) >= 9)
        assert heard == b"ready\r\n\x00\xff"
        line.write(bytes(range(256)))
        wait_until(lambda: len(far.heard) >= 256)
        assert far.heard == bytes(range(256))
        line.finish_writing()


def test_written_bytes_are_waited_for_but_not_for_ever(far):
    class Driver:
        left = 5

        @property
        def out_waiting(self):
            self.left -= 1
            return max(0, self.left) if self.left < 5 else 1

        def close(self):
            pass

    line = SerialLine(far.path, baud=9600)
    line.close()
    line._serial = driver = Driver()
    line.finish_writing(10)
    assert driver.left == 0
    driver.left = 10**6
    line.finish_writing(0.05)
    assert driver.left > 0


def test_nothing_to_read_is_no_bytes(far):
    with SerialLine(far.path, baud=9600) as line:
        assert line.read() == b""
        assert line.waiting() == b""
        line.write(b"")


def test_a_read_gives_no_more_than_asked_for(far):
    with SerialLine(far.path, baud=9600) as line:
        far.send(b"abcdef")
        got = [line.read(1), line.read(2)]
        wait_until(lambda: got.append(line.read(2)) or b"".join(got) == b"abcdef")
        assert all(len(piece) <= 2 for piece in got)


def test_a_waiting_read_is_cancelled_from_another_thread(far, monkeypatch):
    monkeypatch.setattr(serial_line, "READ_TIMEOUT", 30.0)
    with SerialLine(far.path, baud=9600) as line:
        got: list[bytes] = []
        reader = threading.Thread(target=lambda: got.append(line.read()), daemon=True)
        reader.start()
        deadline = time.monotonic() + 10
        while reader.is_alive() and time.monotonic() < deadline:
            line.cancel_read()
            reader.join(0.05)
        assert got == [b""]


@pytest.mark.parametrize("act", [SerialLine.read, SerialLine.waiting, lambda line: line.write(b"x")])
def test_a_line_unplugged_in_the_middle_says_to_check_the_lead(far, act):
    with SerialLine(far.path, baud=9600) as line:
        far.unplug()
        with pytest.raises(DeviceError, match=r"was lost while .* plugged in at both ends") as caught:
            act(line)
        assert caught.value.__cause__ is not None


def test_a_closed_line_raises_the_same_error_and_closes_again(far):
    line = SerialLine(far.path, baud=9600)
    line.close()
    line.close()
    with pytest.raises(DeviceError):
        line.read()
    with pytest.raises(DeviceError):
        line.write(b"x")


def test_a_missing_port_lists_those_that_are_there(monkeypatch):
    monkeypatch.setattr(
        serial_line, "list_ports", lambda: (serial_line.PortInfo("/dev/ttyX7", "adapter", ""),)
    )
    with pytest.raises(DeviceError, match=r"no port /dev/nowhere: ports now are /dev/ttyX7\. Correct `at`"):
        SerialLine("/dev/nowhere", baud=9600)
    monkeypatch.setattr(serial_line, "list_ports", tuple)
    with pytest.raises(DeviceError, match=r"no serial port now\. Plug the adapter in"):
        SerialLine("/dev/nowhere", baud=9600)


@pytest.mark.parametrize("at", ["/dev/null", "/"])
def test_what_is_no_serial_port_is_called_so(at):
    with pytest.raises(DeviceError, match="is not a serial port"):
        SerialLine(at, baud=9600)


def test_a_busy_port_names_the_remedy(far):
    with (
        SerialLine(far.path, baud=9600),
        pytest.raises(PortUnusableError, match="is in use: close the other program"),
    ):
        SerialLine(far.path, baud=9600)
    SerialLine(far.path, baud=9600).close()


def test_a_port_that_is_just_being_let_go_is_opened(far, monkeypatch):
    """A program that is ending holds its port a moment longer: no crew should be told to look for it."""
    held = SerialLine(far.path, baud=9600)
    pauses = []

    def pause(seconds):
        pauses.append(seconds)
        held.close()

    monkeypatch.setattr(serial_line.time, "sleep", pause)
    SerialLine(far.path, baud=9600).close()
    assert len(pauses) == 1


def test_a_forbidden_port_names_the_group(monkeypatch, tmp_path):
    there = tmp_path / "port"
    there.touch()

    def refuse(*_args, **_more):
        raise serial.SerialException(errno.EACCES, "could not open port")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(PortUnusableError, match=r"add yourself to the group \w+ \(sudo usermod"):
        SerialLine(str(there), baud=9600)
    with pytest.raises(PortUnusableError, match=r"group dialout"):
        SerialLine("/dev/not-there-any-more", baud=9600)


@pytest.mark.parametrize(
    ("said", "kind", "sentence"),
    [
        ("could not open port 'COM3': FileNotFoundError(2, 'No such', None, 2)", DeviceError, "no port COM3"),
        ("could not open port 'COM3': PermissionError(13, 'denied', None, 5)", PortUnusableError, "in use"),
        ("something \x1b[31m else", DeviceError, "could not be opened .*␛"),
    ],
)
def test_drivers_without_error_numbers_are_read_by_their_words(monkeypatch, said, kind, sentence):
    def refuse(*_args, **_more):
        raise serial.SerialException(said)

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(kind, match=sentence):
        SerialLine("COM3", baud=9600)


def test_a_speed_that_the_driver_refuses_is_named(monkeypatch):
    def refuse(*_args, **_more):
        raise ValueError("Failed to set custom baud rate (31): x")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(DeviceError, match="can't do 31 baud 7E2"):
        SerialLine("/dev/ttyX", baud=31, framing="7E2")


def test_an_unknown_kind_of_address_says_what_there_is():
    with pytest.raises(DeviceError, match=r"is no port address: use a device, socket://HOST:PORT"):
        SerialLine("pigeon://loft", baud=9600)


@given(st.text(max_size=40).filter(lambda text: "://" not in text and not text.startswith("/")))
@settings(max_examples=60, deadline=None)
def test_whatever_is_given_as_a_port_fails_with_a_sentence(text):
    with pytest.raises(DeviceError) as caught:
        SerialLine(text, baud=9600)
    assert all(char >= " " for char in str(caught.value))


def test_line_states_are_asked_for_before_opening(monkeypatch):
    asked = {}
    original = serial.serial_for_url

    def watched(*args, **more):
        line = original(*args, **more)
        opened = line.open

        def open_noting():
            asked.update(dtr=line.dtr, rts=line.rts, is_open=line.is_open)
            opened()

        line.open = open_noting
        return line

    monkeypatch.setattr(serial, "serial_for_url", watched)
    with SerialLine("loop://", baud=9600, dtr=False, rts=True):
        assert asked == {"dtr": False, "rts": True, "is_open": False}
    with SerialLine("loop://", baud=9600):
        assert asked == {"dtr": True, "rts": True, "is_open": False}  # the driver's own


def test_framing_reaches_the_driver(far):
    with SerialLine(far.path, baud=1200, framing="7E2") as line:
        driver = line._serial
        assert (driver.baudrate, driver.bytesize, driver.parity, driver.stopbits) == (1200, 7, "E", 2)


def test_a_line_behind_a_network_address():
    with socket.create_server(("127.0.0.1", 0)) as server:
        at = f"socket://127.0.0.1:{server.getsockname()[1]}"
        with SerialLine(at, baud=9600) as line:
            peer, _ = server.accept()
            with peer:
                peer.sendall(b"ready\r\n")
                heard = bytearray()
                wait_until(lambda: heard.extend(line.read()) or len(heard) >= 7)
                line.write(b"?\r")
                assert peer.recv(10) == b"?\r"
            with pytest.raises(DeviceError, match="was lost"):
                wait_until(lambda: line.read() == b"never")
    with pytest.raises(DeviceError, match="could not be opened"):
        SerialLine(at, baud=9600)


def test_a_flight_files_port_uses_its_own_speed_or_the_links(far, tmp_path):
    (tmp_path / "tap").symlink_to(far.path)
    link = Link(baud=38400, framing="8E1")
    with open_port(Port(use="tap", at="tap"), link, tmp_path) as line:
        assert (line._serial.baudrate, line._serial.parity) == (38400, "E")
    with open_port(Port(use="tap", at=far.path, baud=1200, framing="8N1"), link, tmp_path) as line:
        assert (line._serial.baudrate, line._serial.parity) == (1200, "N")
    with pytest.raises(PortUnusableError, match="The speed of the tap port is not declared"):
        open_port(Port(use="tap", at=far.path), None)


def test_ports_are_listed_with_cleaned_text(monkeypatch):
    from serial.tools import list_ports as tool
    from serial.tools.list_ports_common import ListPortInfo

    hostile = ListPortInfo("/dev/ttyX2")
    hostile.description = "adapter\x1b]0;x\x07\u202e"
    plain = ListPortInfo("/dev/ttyX10")
    monkeypatch.setattr(tool, "comports", lambda: [plain, hostile])
    ports = list_ports()
    assert [port.at for port in ports] == ["/dev/ttyX2", "/dev/ttyX10"]
    assert ports[0].description == "adapter␛]0;x␇<202E>"


def test_a_broken_list_of_ports_is_a_device_error(monkeypatch):
    from serial.tools import list_ports as tool

    def broken():
        raise OSError("sysfs is gone")

    monkeypatch.setattr(tool, "comports", broken)
    with pytest.raises(DeviceError, match="list of serial ports"):
        list_ports()


def test_no_descriptor_is_left_open_by_a_failed_open():
    before = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
    for _ in range(5):
        with pytest.raises(DeviceError):
            SerialLine("/dev/null", baud=9600)
    after = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
    assert after == before
