"""The checksum of Sensirion's humidity sensors: polynomial 0x31, start 0xFF, nothing reflected, nothing inverted.

SHT3x-DIS data sheet v7, section 4.12; the catalogue calls it CRC-8/NRSC-5.
"""

from __future__ import annotations


def crc8(data: bytes) -> int:
    """Return the checksum of two bytes, or of any."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ 0x31 if crc & 0x80 else crc << 1
    return crc & 0xFF


def packed(*words: int) -> bytes:
    """Return 16-bit words as the sensor sends them: two bytes and their checksum each."""
    return b"".join(pair + bytes([crc8(pair)]) for pair in (word.to_bytes(2, "big") for word in words))
