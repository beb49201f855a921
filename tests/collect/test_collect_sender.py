"""The daemon's own thread: it sends by itself, keeps nobody waiting, and says what a person must know."""

from __future__ import annotations

import logging
import queue
import subprocess
import sys
from collections.abc import Generator
from pathlib import Path

import pytest
from tests.collect.conftest import Collector
from tests.collect.sites import MIDNIGHT, SendingSite, fill, live, unlike

from dewkeeper.clock import ManualClock, SystemClock
from dewkeeper.collect.sender import PATIENCE_SECONDS, Sender
from dewkeeper_config import loading
from dewkeeper_config.models import Config
from dewkeeper_config.reference import examples

ROOT = Path(__file__).resolve().parents[2]
_PATIENCE_SECONDS = 240


def _config(site: SendingSite, address: str) -> Config:
    text = examples()["first_probe"] + f'\n[collect]\nsite = "{site.name}"\naddress = "{address}"\n'
    config = loading.parse(text.encode(), Path("example"))
    return config.but(storage=config.storage.but(folder=site.shelf.folder))


def _passes(sender: Sender, said: queue.Queue[str]) -> Generator[str, None, None]:
    sender.start()
    try:
        while True:
            yield said.get(timeout=_PATIENCE_SECONDS)
    finally:
        sender.stop(_PATIENCE_SECONDS)


def test_it_sends_by_itself_pass_after_pass(collector: Collector, site: SendingSite) -> None:
    """What is stored between two passes is there after the second, with where its probes are now."""
    fill(site.shelf, MIDNIGHT, 2, 1)
    live(site.shelf, MIDNIGHT, 1)
    clock, said = ManualClock(), queue.Queue[str]()
    sender = Sender(_config(site, site.address), clock, said.put, lambda: {"state": "well"})
    passes = _passes(sender, said)
    assert next(passes) == ""
    fill(site.shelf, MIDNIGHT + 2 * 86400, 1, 2)
    clock.advance(301)
    assert next(passes) == ""
    passes.close()
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []
        assert connection.execute("SELECT program <> '' AND sent_at IS NOT NULL FROM site").fetchone() == (True,)
        line = connection.execute("SELECT value::jsonb -> 'said' FROM note WHERE name = 'line'").fetchone()
        assert line == ({"state": "well"},)
    assert not any(report.trouble for report in sender.reports(0))


def test_a_server_that_does_not_answer_is_told_after_a_day(site: SendingSite) -> None:
    """A night without a network is no news; a day is, in words that say that nothing is lost."""
    clock, said = ManualClock(), queue.Queue[str]()
    address = "host=127.0.0.1 port=1 dbname=d user=u password=sesame-9"
    sender = Sender(_config(site, address), clock, said.put)
    passes = _passes(sender, said)
    assert "does not answer" in next(passes)
    assert not any(report.trouble for report in sender.reports(0))
    clock.advance(PATIENCE_SECONDS + 1)
    (report,) = sender.reports(0)
    passes.close()
    assert report.trouble
    assert "Everything is kept here" in report.text
    assert "sesame" not in report.text


def test_what_was_refused_is_told_at_once_and_without_the_secret(
    site: SendingSite, caplog: pytest.LogCaptureFixture
) -> None:
    """A wrong password, another's name: told with the next look, mended without a restart; no log has the password."""
    caplog.set_level(logging.DEBUG)
    said: queue.Queue[str] = queue.Queue()
    wrong = site.address.replace("password=", "password=wrong")
    sender = Sender(_config(site, wrong), SystemClock(), said.put)
    passes = _passes(sender, said)
    assert "password authentication failed" in next(passes)
    (report,) = sender.reports(0)
    passes.close()
    assert report.trouble
    secret = site.address.rpartition("password=")[2]
    assert secret not in report.text + caplog.text


def test_a_daemon_that_sends_nothing_imports_nothing_of_it() -> None:
    """Without `[collect]` neither this room nor what speaks with PostgreSQL is in the daemon; with it, that waits for the first pass."""
    program = (
        "import sys; import dewkeeper.service.daemon; from dewkeeper.service.outward import Outward\n"
        "from dewkeeper_config import loading; from dewkeeper_config.reference import examples; from pathlib import Path\n"
        "from dewkeeper.clock import SystemClock\n"
        "text = examples()['first_probe']\n"
        "ours = lambda: sorted(m for m in sys.modules if m.partition('.')[0] in ('psycopg', 'alembic') or m.startswith('dewkeeper.collect'))\n"
        "Outward(loading.parse(text.encode(), Path('x')), SystemClock(), int, bool, bool); assert ours() == [], ours()\n"
        'text += \'[collect]\\nsite = "a"\\naddress = "host=h"\\n\'\n'
        "Outward(loading.parse(text.encode(), Path('x')), SystemClock(), int, bool, bool)\n"
        "assert ours() == ['dewkeeper.collect', 'dewkeeper.collect.errors', 'dewkeeper.collect.sender'], ours()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
