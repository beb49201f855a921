"""psycopg over the system's libpq, as the installer sets it up: without C of its own, and by the unit's rules."""

from __future__ import annotations

import ctypes.util
import os
import subprocess
import sys
from pathlib import Path

from tests.collect.conftest import Collector
from tests.collect.sites import MIDNIGHT, SendingSite, fill, live, unlike

from dewkeeper_config.reference import examples

ROOT = Path(__file__).parents[2]
_PROGRAM = """\
import ctypes, mmap, sys
from pathlib import Path
library = ctypes.CDLL(None, use_errno=True)
# PR_SET_MDWE, PR_MDWE_REFUSE_EXEC_GAIN: Linux 6.3, prctl(2). An older kernel has only the unit's own filter of calls.
refused = library.prctl(65, 1, 0, 0, 0) == 0
if refused:
    try:
        mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
    except PermissionError:
        pass
    else:
        sys.exit("such memory was given")
import psycopg
from tests.collect.sites import send
assert psycopg.pq.__impl__ == "python", psycopg.pq.__impl__
send(Path(sys.argv[1]), sys.argv[2], sys.argv[3], round_too=True)
"""


def _python(library: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, env=os.environ | {"PSYCOPG_IMPL": library, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_the_systems_library_sends_the_same_by_the_units_rules(collector: Collector, site: SendingSite) -> None:
    """A process that is refused memory both writable and executable (the unit's MemoryDenyWriteExecute) sends all over it."""
    fill(site.shelf, MIDNIGHT, 2, 1)
    live(site.shelf, MIDNIGHT, 1)
    done = _python("python", "-c", _PROGRAM, str(site.shelf.folder), site.name, site.address)
    assert done.returncode == 0, done.stderr
    with collector.connect() as connection:
        assert connection.execute("SELECT count(*) > 100 FROM reading").fetchone() == (True,)
        assert unlike(site.shelf, connection, site.name) == []


def test_without_any_library_it_is_said_what_to_install(tmp_path: Path) -> None:
    """psycopg that finds nothing to speak through says so by an ImportError; a person reads which package is missing."""
    path = tmp_path / "rack.toml"
    path.write_text(examples()["first_probe"] + '\n[collect]\nsite = "a"\naddress = "host=h"\n', encoding="utf-8")
    # Of psycopg's ways the one that is nowhere installed: its C that is compiled on the spot.
    done = _python("c", "-m", "dewkeeper", "collect", "status", "--config", str(path))
    assert (done.returncode, "apt install libpq5" in done.stderr) == (1, True), done.stderr


def test_what_keeps_gnutls_unstarted_is_inherited_by_nobody() -> None:
    """Its switch is set while libpq is loaded and no longer: a program that the owner has called starts it as ever."""
    program = (
        "import os, subprocess, sys; from dewkeeper.left_out import leave_out_gnutls\n"
        "leave_out_gnutls()\n"
        "said = subprocess.run(['env'], capture_output=True, text=True, check=True).stdout\n"
        "print('GNUTLS' in said, 'GNUTLS_NO_IMPLICIT_INIT' in os.environ, 'libpq.so.5' in open('/proc/self/maps').read())\n"
    )
    environment = {name: value for name, value in os.environ.items() if not name.startswith("GNUTLS")}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, env=environment)
    loaded = ctypes.util.find_library("pq") is not None
    assert done.stdout.split() == ["False", "False", str(loaded)]
