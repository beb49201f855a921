"""A PostgreSQL server of the machine's own package, started as an ordinary user in a temporary folder."""

from __future__ import annotations

import contextlib
import os
import pwd
import select
import shutil
import signal
import socket
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import psycopg

from dewkeeper.collect.connection import parameters

SUPERUSER = "postgres"


def programs() -> Path | None:
    """Return the folder of the newest server's programs, None where none is installed."""
    found = [*Path("/usr/lib/postgresql").glob("*/bin/initdb"), *map(Path, filter(None, [shutil.which("initdb")]))]
    return max(
        (path.resolve().parent for path in found),
        default=None,
        key=lambda path: [int(n) for n in path.parts if n.isdigit()],
    )


class Server:
    """One server with one database cluster; over its Unix socket whoever asks is let in, over loopback by password.

    environment: of its processes, beside this one's; from the next start on.
    """

    def __init__(self, *settings: str) -> None:
        self.environment: Mapping[str, str] = {}
        found = programs()
        assert found is not None
        self.programs = found
        self.folder = Path(tempfile.mkdtemp(prefix="dewkeeper-pg-"))
        self.data = self.folder / "data"
        # It refuses to run as root; who runs the tests as root lends it the package's own user.
        self.user = _user() if os.geteuid() == 0 else None
        if self.user is not None:
            os.chown(self.folder, self.user.pw_uid, self.user.pw_gid)
        self._run("initdb", "-D", str(self.data), "-U", SUPERUSER, "--auth-local=trust", "--auth-host=scram-sha-256", "--no-sync", "-E", "UTF8", "--locale=C")  # fmt: skip
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.settings = settings
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = [
            f"-k {self.folder}", f"-p {self.port}", "-c listen_addresses=127.0.0.1", "-c fsync=off",
            "-c max_wal_size=256MB", *(f"-c {setting}" for setting in self.settings),
        ]  # fmt: skip
        self._run(
            "pg_ctl",
            "-D",
            str(self.data),
            "-w",
            "-t",
            "300",
            "-l",
            str(self.folder / "log"),
            "-o",
            " ".join(options),
            "start",
        )

    def kill(self) -> None:
        """End every process of it at once, as a power cut would."""
        pid = int((self.data / "postmaster.pid").read_text().split()[0])
        os.kill(pid, signal.SIGSTOP)  # first, so that it has no more children afterwards than are found
        each = [pid, *map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())]
        handles = []
        for one in each:
            with contextlib.suppress(ProcessLookupError):
                handles.append(os.pidfd_open(one))
                os.kill(one, signal.SIGKILL)
        for handle in handles:
            select.select([handle], [], [], 60)
            os.close(handle)
        # A process nobody has waited for yet still has its number, and the server would take it for one that runs.
        (self.data / "postmaster.pid").unlink()
        (self.folder / f".s.PGSQL.{self.port}.lock").unlink()

    def processor_seconds(self) -> float:
        """Return the processor seconds of all its processes, those that have ended too."""
        pid = int((self.data / "postmaster.pid").read_text().split()[0])
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        ticks = sum(_times(pid)) + sum(sum(_times(int(child))[:2]) for child in children)
        return ticks / os.sysconf("SC_CLK_TCK")

    def stop(self) -> None:
        """Stop it and remove all of it."""
        with contextlib.suppress(AssertionError):  # it may be down already
            self._run("pg_ctl", "-D", str(self.data), "-m", "immediate", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def owner(self, database: str = "postgres") -> str:
        """Return the address of the superuser."""
        return f"host={self.folder} port={self.port} user={SUPERUSER} dbname={database}"

    def connect(self, database: str = "postgres", **more: Any) -> psycopg.Connection[Any]:
        """Connect as the superuser, each statement by itself, in our schema, however long it takes."""
        given = parameters(self.owner(database), None)
        given["options"] += (
            " -c statement_timeout=0"  # the sender's deadline is for a batch, not for a year by one COPY
        )
        return psycopg.connect(**given, autocommit=True, **more)

    def log(self) -> str:
        """Return what the server logged."""
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")

    def _run(self, program: str, *arguments: str) -> None:
        lent = {} if self.user is None else {"user": self.user.pw_uid, "group": self.user.pw_gid, "extra_groups": []}
        done = subprocess.run(
            [str(self.programs / program), *arguments], check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/",
            env={**os.environ, **self.environment}, **lent
        )  # type: ignore[call-overload]  # fmt: skip
        assert done.returncode == 0, f"{program}: {self.log()[-2000:] if (self.folder / 'log').exists() else 'no log'}"


def _user() -> pwd.struct_passwd:
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name)
    raise RuntimeError("no ordinary user on this machine")


def _times(pid: int) -> list[int]:
    """Return a process's ticks: user, system, and both of its children that have ended; zeros when it has ended itself."""
    try:
        words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):  # before it was opened, or between that and reading
        return [0] * 4  # its time is with the postmaster's
    return [int(word) for word in words[11:15]]
