"""Runs in the virtual machine as root: takes one script a line over a virtio port, answers with what came of it.

Started by systemd inside the machine; needs nothing but Python's own library. Until the first script comes it says
every few seconds which boot this is, so the host knows that the machine is up, and whether it is another boot. (Once is
not enough: what is written before the port is connected on the other side can be lost.)
"""

from __future__ import annotations

import json
import subprocess
import tempfile
import threading
import time
from pathlib import Path

PORT = Path("/dev/virtio-ports/machine")


def answer(request: dict[str, object]) -> dict[str, object]:
    """Run one script in a login shell of its user and return its exit code and output."""
    command = ["runuser", "-l", str(request["user"]), "-c", str(request["script"])]
    with tempfile.TemporaryFile() as said:  # no pipe: what the script leaves running would hold it open
        running = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT)
        try:
            code = running.wait(float(str(request["timeout"])))
        except subprocess.TimeoutExpired:
            running.terminate()
            code = 124
        said.seek(0)
        return {"id": request["id"], "code": code, "said": said.read().decode(errors="replace")}


def main() -> None:
    """Serve for ever; systemd starts it again when the port goes away."""
    with PORT.open("r+b", buffering=0) as port:

        def say(message: dict[str, object]) -> None:
            rest = memoryview(json.dumps(message).encode() + b"\n")
            while rest:
                rest = rest[port.write(rest) :]

        def greet() -> None:
            while not heard.wait(3):
                say({"boot": Path("/proc/sys/kernel/random/boot_id").read_text().strip()})

        heard = threading.Event()
        threading.Thread(target=greet, daemon=True).start()
        held = b""
        while True:
            got = port.read(65536)
            if not got:  # nobody is connected on the other side
                time.sleep(1)
                continue
            held += got
            while b"\n" in held:
                heard.set()
                line, _, held = held.partition(b"\n")
                say(answer(json.loads(line)))


if __name__ == "__main__":
    main()
