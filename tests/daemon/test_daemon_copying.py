"""The nightly copy of a whole daemon: what goes on meanwhile, and what is told of it."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from dewkeeper_config.models import Backup, Config
from dewkeeper_config.models.secrets import SecretSource, SecretText

# The owner's command after a copy, which here takes as long as a slow drive: until the file is there, or ten seconds.
SLOW = ["sh", "-c", 'for i in $(seq 100); do [ -e "$0" ] && exit 0; sleep 0.1; done; exit 1']


class DeadMan:
    """A real HTTP server that counts the heartbeats it gets."""

    def __init__(self) -> None:
        self.beats = 0
        counter = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                counter.beats += 1
                self.send_response(204)
                self.end_headers()

            def log_message(self, *args: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self.url = f"http://127.0.0.1:{self._server.server_port}/"

    def __enter__(self) -> DeadMan:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


def _config(racks: Any, released: Path, url: SecretSource) -> Config:
    config: Config = racks.config(poll_seconds=600)
    backup = Backup(folder=racks.folder / "copies", require_mount=False, command=[*SLOW, str(released)])
    return config.but(
        storage=config.storage.but(backup=backup), notify=config.notify.but(heartbeat_url=url, heartbeat_minutes=5)
    )


def test_heartbeats_go_on_while_a_copy_is_made(racks: Any, tmp_path: Path) -> None:
    """A slow drive holds the nightly copy up: the outside goes on hearing that all is well."""
    released = tmp_path / "released"
    with DeadMan() as listening:
        daemon = racks.start(_config(racks, released, SecretSource(value=SecretText(listening.url))))
        racks.clock.advance(15 * 3600)
        daemon.calendar.run_due()
        before = listening.beats
        racks.clock.advance(600)
        daemon.calendar.run_due()
        during = listening.beats
        released.touch()
        daemon.copying.join(60)
        racks.stop(daemon)
    assert before >= 1
    assert during == before + 1
    assert not any(report.trouble for report in daemon.copying.reports(0))
