"""Runs in the virtual machine: a phone on its loopback that keeps every message it gets, a line of JSON each."""

from __future__ import annotations

import json
import os
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

INBOX = Path("/run/phone/inbox.jsonl")  # not on the disk, which is filled on purpose
PORT = 8099


class Phone(BaseHTTPRequestHandler):
    """Answers 204 once the message is on the disk, to a heartbeat too."""

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        with INBOX.open("a", encoding="utf-8") as file:
            file.write(json.dumps(body | {"webhook-id": self.headers.get("webhook-id", "")}) + "\n")
            file.flush()
            os.fsync(file.fileno())
        self._accept()

    def do_GET(self) -> None:
        self._accept()

    def _accept(self) -> None:
        self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        sys.stderr.write(f"{format % args}\n")


if __name__ == "__main__":
    INBOX.parent.mkdir(parents=True, exist_ok=True)
    ThreadingHTTPServer(("127.0.0.1", PORT), Phone).serve_forever()
