"""What a receiver makes of bytes that are sent at another speed than it listens at: a UART, bit by bit."""

from __future__ import annotations


def heard_as(data: bytes, *, sent: int, listened: int, parity: str = "N", bits: int = 8) -> bytes:
    """The bytes that an 8N1 receiver at `listened` baud reads from `data`, sent without pause at `sent` baud.

    The sender frames with `bits` data bits, `parity` ("N", "E" or "O") and one stop bit. The receiver waits
    for the edge of a start bit, looks at it again in its middle, then takes each bit in its middle; a byte
    whose stop bit is missing is given out too, as by a driver that was not told to check. From memory: how
    the common UART chips' data sheets describe it.
    """
    wave = _wave(data, parity, bits)
    out = bytearray()
    bit = sent / listened  # one bit of the receiver's, in bits of the sender's
    at = 0.0
    while (edge := _edge(wave, at)) is not None:
        if _level(wave, edge + bit / 2):
            at = edge + bit / 2
            continue
        out.append(sum(_level(wave, edge + bit * (1.5 + place)) << place for place in range(8)))
        at = edge + bit * 9.5
    return bytes(out)


def _wave(data: bytes, parity: str, bits: int) -> list[int]:
    """The line's level, one for each bit sent: start bit low, least significant bit first, stop bit high."""
    wave = [1]
    for byte in data:
        own = [byte >> place & 1 for place in range(bits)]
        wave += [0, *own]
        if parity != "N":
            wave.append(sum(own) % 2 if parity == "E" else 1 - sum(own) % 2)
        wave.append(1)
    return wave


def _level(wave: list[int], at: float) -> int:
    # The line rests high once everything was sent.
    return wave[int(at)] if int(at) < len(wave) else 1


def _edge(wave: list[int], at: float) -> int | None:
    """Where the line next goes from high to low, at or behind `at`."""
    place = int(at) + 1
    while place < len(wave):
        if wave[place] == 0 and wave[place - 1] == 1:
            return place
        place += 1
    return None
