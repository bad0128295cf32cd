"""`preflight ports`: serial ports of this machine."""

from __future__ import annotations

import click


@click.command()
def command() -> int:
    """List the serial ports that a flight file's [[port]] can name in `at`."""
    from preflight.devices.serial_line import list_ports

    ports = list_ports()
    if not ports:
        click.echo("No serial port here. Plug the adapter in and look again.")
        return 0
    width = max(len(port.at) for port in ports)
    for port in ports:
        about = "  ".join(text for text in (port.description, port.hardware) if text not in ("", "n/a"))
        click.echo(f"{port.at:<{width}}  {about}".rstrip())
    return 0
