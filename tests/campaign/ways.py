"""A run of the campaign whose ways to people can be broken: two phones, a mail server, names, a dead-man address."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.campaign.rack_process import SPEED
from tests.campaign.rig import Run
from tests.servers.authority import Authority
from tests.servers.mail import MailServer
from tests.servers.names import Manner, Names
from tests.servers.receiver import Call, Phone

from dewkeeper.store import History

SEND_SECONDS = 2.0
"""Total deadline of one send, real seconds."""
LOGIN = ("rack", "pass word")
OWN_MOUNTS = ("unshare", "--mount", "--propagation", "slave")
"""Runs a command with mounts of its own that lets go of what is unmounted outside: a loop device would stay taken."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """One message that a server took: over which channel, under which ids, of what type, about which enclosure."""

    channel: str
    id: str
    title: str
    type: str = ""
    alarm: str = ""
    enclosure: str = ""
    body: Mapping[str, Any] | None = None


class WaysRun(Run):
    """people: name -> channels among phone (HTTPS), second (HTTP) and mail.

    named: the phone is reached by a name that is looked up; needs root, for it gives the daemon its own resolv.conf.
    """

    def __init__(self, folder: Path, people: Mapping[str, Sequence[str]], *, named: bool = False) -> None:
        super().__init__(folder)
        self._people = people
        self._named = named
        self.lookup: Manner = "answer"

    def __enter__(self) -> WaysRun:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.authority = Authority(self.folder)
        self.phone = self._stack.enter_context(Phone(self.authority.context()))
        self.second = self._stack.enter_context(Phone())
        self.beats = self._stack.enter_context(Phone())
        self.mail = self._stack.enter_context(MailServer(self.authority.context(), LOGIN))
        if self._named:
            self._address = f"127.78.{os.getpid() >> 8 & 255}.{os.getpid() & 255}"
            self._stack.enter_context(Names(self._address, lambda _: self.lookup))
        super().__enter__()
        return self

    def ways(self) -> list[str]:
        """Return the configuration's lines about channels, people and the dead-man address."""
        host = "phone.rack.test" if self._named else "localhost"
        common = f'ca_file = "{self.authority.ca_file}", timeout_seconds = {SEND_SECONDS}'
        lines = [
            f'notify = {{ heartbeat_url = "{self.beats.url}", heartbeat_minutes = 5 }}',
            "[[channel]]", 'kind = "webhook"', 'name = "phone"', f'url = "https://{host}:{self.phone.port}/hook"',
            *common.split(", "),
            "[[channel]]", 'kind = "webhook"', 'name = "second"', f'url = "{self.second.url}"',
            f"timeout_seconds = {SEND_SECONDS}",
            "[[channel]]", 'kind = "mail"', 'name = "mail"', 'host = "localhost"', f"port = {self.mail.port}",
            f'username = "{LOGIN[0]}"', f'password = "{LOGIN[1]}"', 'sender = "rack@example.org"',
            'to = ["ina@example.org"]', *common.split(", "),
        ]  # fmt: skip
        for name, channels in self._people.items():
            lines += [
                "[[person]]",
                f'name = "{name}"',
                f"channels = {list(channels)}",
                "quiet_hours = false",
                "daily_budget = 500",
            ]
        return lines

    def command(self) -> list[str]:
        """Return what the supervisor runs, where names matter in a mount namespace of its own."""
        command = super().command()
        if not self._named:
            return command
        resolver = self.folder / "resolv.conf"
        resolver.write_text(f"nameserver {self._address}\noptions timeout:1 attempts:2\n")
        return [
            *OWN_MOUNTS,
            "sh",
            "-c",
            f'mount --bind "{resolver}" /etc/resolv.conf && exec "$@"',
            "sh",
            *command,
        ]

    def arrived(self, place: str | None = None) -> list[Arrived]:
        """Return what every server took, about one enclosure or all; of one channel in order."""
        found = [
            _of_call(channel, call)
            for channel, server in (("phone", self.phone), ("second", self.second))
            for call in server.calls
            if call.accepted
        ]
        for mail in self.mail.mails:
            title = str(mail["Subject"])
            found.append(Arrived("mail", str(mail["Message-ID"]), title, enclosure=title.partition(":")[0]))
        return [one for one in found if place is None or one.enclosure == place]

    def told(self, place: str | None = None) -> list[Arrived]:
        """Return the same with the parts of what was put together in one message, as what falls into one second is."""
        found = [piece for one in self.arrived() for piece in (one, *_parts(one))]
        return [one for one in found if place is None or one.enclosure == place]

    def waiting(self) -> list[str]:
        """Return the first lines of what is still to be delivered."""
        with History.open(self.state) as history:
            return [
                f"{row.channel}: {row.title}: {row.last_error}" for row in history.messages() if row.state == "pending"
            ]

    def longest_silence_seconds(self, since: float) -> float:
        """Return the longest time between two answered pings from a real monotonic moment on, simulated seconds."""
        times = [call.at for call in self.beats.calls if call.accepted and call.at > since]
        return max((b - a for a, b in zip([since, *times], times, strict=False)), default=float("inf")) * SPEED


def may_name() -> bool:
    """Whether a process may have its own resolv.conf here."""
    if os.geteuid() != 0:
        return False
    return subprocess.run([*OWN_MOUNTS, "true"], capture_output=True, check=False).returncode == 0


def _of_call(channel: str, call: Call) -> Arrived:
    body = call.json()
    data = body["data"]
    about = str(data.get("enclosure") or "")
    return Arrived(channel, call.id, body["title"], body["type"], str(body["alarm"]), about, body)


def _parts(whole: Arrived) -> list[Arrived]:
    """Return what was put into a message; a title begins with the enclosure's name."""
    return [
        Arrived(
            whole.channel,
            part["id"],
            part["title"],
            part["type"],
            str(part["alarm"]),
            str(part["title"]).partition(":")[0],
            whole.body,
        )
        for part in (whole.body or {}).get("gathers", ())
    ]
