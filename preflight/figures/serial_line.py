"""The serial line: what it can and must carry, what piles up in a stall, how far clocks may differ."""

from __future__ import annotations

import math
from dataclasses import dataclass

RECOMMENDED_ERROR = {
    # sampling: by data and parity bits, % of either end
    # 8-bit microcontroller data sheets, "asynchronous operational range", recommended maximum receiver
    # error; the rows for 8 and 9 bits as read, the others from memory.
    16: {5: 3.0, 6: 2.5, 7: 2.0, 8: 2.0, 9: 1.5},
    8: {5: 2.5, 6: 2.0, 7: 1.5, 8: 1.5, 9: 1.5},
}
_FIRST_SAMPLE = {16: 8, 8: 4}
_MIDDLE_SAMPLE = {16: 9, 8: 5}
COMMON_RATES = (4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400, 460800, 921600)


@dataclass(frozen=True, slots=True)
class Framing:
    """How a byte goes on the line: data bits, whether there is parity, stop bits."""

    data: int
    parity: bool
    stop: float

    @classmethod
    def parse(cls, text: str) -> Framing:
        """From the usual three signs: "8N1", "7E1", "8N1.5"."""
        return cls(data=int(text[0]), parity=text[1] != "N", stop=float(text[2:]))

    @property
    def bits(self) -> float:
        """Bit times of one byte, with its start bit: 10 for 8N1."""
        return 1 + self.data + self.parity + self.stop

    @property
    def payload_bits(self) -> int:
        """Data and parity bits."""
        return self.data + self.parity


def capacity(baud: float, framing: Framing) -> float:
    """B/s: baud / bit times of a byte."""
    return baud / framing.bits


def load(rate: float, length: float) -> float:
    """B/s of samples of `length` B at `rate` Hz."""
    return rate * length


def longest_stall(capacity: float, buffer: float, rate: float, length: float) -> float:
    """s of a stall in which no more than `buffer` B arrive: the inverse of `stall_bytes`."""
    by_line = buffer / capacity
    whole = math.floor(buffer / length + 1e-9) - 1
    return max(by_line, whole / rate if whole > 0 else 0.0)


def stall_bytes(capacity: float, stall: float, rate: float, length: float) -> float:
    """B that arrive while the card stalls for `stall` s.

    The smaller of what the line can carry in that time (B/s x s) and of whole samples: those that begin in
    the stall, and the one that was under way.
    """
    begun = math.ceil(rate * stall - 1e-9)
    return min(capacity * stall, (begun + 1) * length)


def divisor_error(clock: float, baud: float, oversampling: int) -> float:
    """The rate a clock really gives, less the rate wanted, as a share: f / (os n baud) - 1.

    n = round(f / (os baud)), an integer divisor (8-bit microcontroller data sheets, baud rate tables).
    """
    divisor = max(1, math.floor(clock / (oversampling * baud) + 0.5))
    return clock / (oversampling * divisor * baud) - 1.0


def mismatch(sender: float, receiver: float) -> float:
    """How much faster the sender is than the receiver, as a share, from both ends' divisor errors."""
    return (1.0 + sender) / (1.0 + receiver) - 1.0


def tolerance(framing: Framing, sampling: int) -> tuple[float, float]:
    """Slowest and fastest sender, as shares below and above the receiver, that a frame survives.

    8-bit microcontroller data sheets, "asynchronous operational range", three samples about the middle of
    a bit: Rslow = S (D + 1) / (S - 1 + D S + SF), Rfast = S (D + 2) / ((D + 1) S + SM), with S samples a
    bit, SF the first and SM the middle of the three, D data and parity bits.
    """
    s, d = sampling, framing.payload_bits
    slow = s * (d + 1) / (s - 1 + d * s + _FIRST_SAMPLE[s])
    fast = s * (d + 2) / ((d + 1) * s + _MIDDLE_SAMPLE[s])
    return slow - 1.0, fast - 1.0


def recommended_error(framing: Framing, sampling: int) -> float:
    """Largest advisable error of one end as a share; the rest is left to the other end and its clock."""
    return RECOMMENDED_ERROR[sampling][framing.payload_bits] / 100.0


def better_setting(
    clock: float, baud: int, oversampling: int, framing: Framing
) -> tuple[int, int, float] | None:
    """(baud, oversampling, error share) nearest to the wanted rate that stays within the advice, or None."""
    best: tuple[float, int, int, float] | None = None
    for rate in (baud, *COMMON_RATES):
        for sampling in (8, 16):
            if clock < sampling * rate:
                continue
            error = divisor_error(clock, rate, sampling)
            if abs(error) > recommended_error(framing, sampling):
                continue
            # The same rate first, then the nearest by ratio; among equals the sampling that was declared.
            key = abs(math.log(rate / baud)) + (0 if sampling == oversampling else 1e-6)
            if best is None or key < best[0]:
                best = (key, rate, sampling, error)
    return None if best is None else best[1:]
