"""Runs in the virtual machine: a time server on its loopback that knows the true time, told as UTC seconds at its start.

Answers as RFC 4330 (SNTP version 4) says a server of stratum 1 does; systemd-timesyncd then sets the clock from it.
"""

from __future__ import annotations

import socket
import struct
import sys
import time

_SINCE_1900 = 2_208_988_800  # RFC 4330, section 3: seconds from 1900 to 1970


def main(true: float) -> None:
    """Serve for ever."""
    ahead = true - time.monotonic()

    def stamp() -> int:
        return int((time.monotonic() + ahead + _SINCE_1900) * (1 << 32)) & ((1 << 64) - 1)

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 123))
        while True:
            question, client = server.recvfrom(512)
            arrived = stamp()
            if len(question) < 48:
                continue
            version = question[0] >> 3 & 7
            head = struct.pack(">BBbbII4s", version << 3 | 4, 1, 6, -20, 0, 0, b"TEST")
            times = struct.pack(">Q", arrived) + question[40:48] + struct.pack(">QQ", arrived, stamp())
            server.sendto(head + times, client)


if __name__ == "__main__":
    main(float(sys.argv[1]))
