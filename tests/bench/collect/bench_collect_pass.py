"""One pass of sending in a process with the daemon's code and nothing else: `... FOLDER [ADDRESS CA]`; what it cost, as JSON.

Over TLS, and with the hourly comparison of a day after it, which is in the memory alone. Without an address it only reads a
day of a probe: the memory to compare with.
"""

from __future__ import annotations

import importlib
import json
import os
import ssl
import sys
import time
from pathlib import Path

import dewkeeper.service.daemon  # noqa: F401  what a daemon has in memory anyway
from dewkeeper.left_out import leave_out_charsets, leave_out_gnutls
from dewkeeper.service.give_back import keep_little
from dewkeeper.store.onward import Onward


def used(process: int) -> float:
    """Return the processor seconds of a process."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Send, or only read."""
    folder, found = Path(sys.argv[1]), {}
    keep_little()
    leave_out_charsets()
    importlib.import_module("requests")  # of a daemon that has sent a message, so much is there already
    ssl.create_default_context()
    with Onward.open(folder) as onward:
        reach = onward.reach()
        assert reach is not None
        onward.raw("p000", reach[0], reach[0] + 86400)
        if len(sys.argv) > 2:
            leave_out_gnutls()
            found = _pass(onward, folder, *sys.argv[2:])
    status = Path("/proc/self/status").read_text()
    print(json.dumps({**found, "resident_mb": int(status.partition("VmHWM:")[2].split()[0]) / 1024}))


def _pass(onward: Onward, folder: Path, address: str, ca_file: str) -> dict[str, float]:
    from dewkeeper.collect.comparing import Comparing
    from dewkeeper.collect.connection import ServerLink, parameters
    from dewkeeper.collect.place import enter, installation
    from dewkeeper.collect.sending import Pass

    with ServerLink(parameters(address, Path(ca_file))) as link:
        server = link.connection.info.backend_pid
        sending = Pass(link, onward, enter(link, "a site", installation(folder)))
        here, there, start = time.process_time(), used(server), time.monotonic()
        sending.send()
        cost = {
            "readings": sending.sent.readings, "sender": time.process_time() - here, "server": used(server) - there,
            "wall": time.monotonic() - start,
        }  # fmt: skip
        comparing = Comparing(sending)
        comparing.look_at_a_day()
        comparing.work_off()
        return cost


if __name__ == "__main__":
    main()
