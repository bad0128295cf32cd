"""`preflight ports`."""

from __future__ import annotations

from preflight.cli.main import run
from preflight.devices import serial_line
from preflight.devices.serial_line import PortInfo
from preflight.errors import DeviceError


def test_each_port_is_a_line_with_what_is_known_of_it(monkeypatch, capsys):
    ports = (PortInfo("/dev/ttyX2", "adapter", "USB VID:PID=0000:0001"), PortInfo("/dev/ttyX10", "n/a", ""))
    monkeypatch.setattr(serial_line, "list_ports", lambda: ports)
    assert run(["ports"]) == 0
    assert capsys.readouterr().out == "/dev/ttyX2   adapter  USB VID:PID=0000:0001\n/dev/ttyX10\n"


def test_no_port_says_what_to_do(monkeypatch, capsys):
    monkeypatch.setattr(serial_line, "list_ports", tuple)
    assert run(["ports"]) == 0
    assert "No serial port here. Plug the adapter in" in capsys.readouterr().out


def test_trouble_is_a_sentence_on_stderr(monkeypatch, capsys):
    def broken():
        raise DeviceError("The list of serial ports could not be read: gone")

    monkeypatch.setattr(serial_line, "list_ports", broken)
    assert run(["ports"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "could not be read" in captured.err


def test_on_this_machine_it_runs(capsys):
    assert run(["ports"]) == 0
    assert capsys.readouterr().out
