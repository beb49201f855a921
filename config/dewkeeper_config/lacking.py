"""What a good configuration still lacks to watch and tell everything; the secrets are looked for on this machine, now."""

from __future__ import annotations

from dewkeeper_config.errors import Problem, SecretUnavailable
from dewkeeper_config.models import Config
from dewkeeper_config.models.channels import secrets_of
from dewkeeper_config.models.secrets import SecretSource
from dewkeeper_config.models.wiring import ADDRESSES


def problems_for_run(config: Config) -> list[Problem]:
    """Return what a valid configuration lacks to watch everything; empty when nothing.

    A replay needs none of this, so it refuses nothing: the daemon runs and says what it cannot read.
    """
    found: list[Problem] = []
    for number, probe in enumerate(config.probe, 1):
        if probe.driver in ADDRESSES:
            for name, value in (("bus", probe.bus), ("address", probe.address)):
                if value is None:
                    found.append(
                        Problem(f'probe[{number}] "{probe.name}" .{name}', "nothing", "where the sensor is wired")
                    )
    judged = {probe.enclosure for probe in config.probe if probe.role == "substrate"}
    for number, enclosure in enumerate(config.enclosure, 1):
        if enclosure.name not in judged:
            key = f'enclosure[{number}] "{enclosure.name}"'
            found.append(Problem(key, "no probe", "a probe of role substrate: without one it is not watched"))
    used = {name for person in config.person for name in person.channels}
    for number, channel in enumerate(config.channel, 1):
        if channel.name not in used:
            found.append(
                Problem(f'channel[{number}] "{channel.name}"', "used by nobody", "a person's channels name it")
            )
    return found


def missing_secrets(config: Config) -> list[Problem]:
    """Return the secrets that cannot be read now, by this user in this environment; each disables what needs it.

    Outside the service a systemd credential can be seen by root alone.
    """
    found: list[Problem] = []
    for key, source in _secrets(config):
        try:
            source.read()
        except SecretUnavailable:
            found.append(Problem(key, source.unavailable(), "a readable secret that is not empty"))
    return found


def _secrets(config: Config) -> list[tuple[str, SecretSource]]:
    heartbeat = config.notify.heartbeat_url
    named = [("notify.heartbeat_url", heartbeat)] if heartbeat is not None else []
    if config.collect is not None:
        named.append(("collect.address", config.collect.address))
    if config.neighbour is not None:
        named.append(("neighbour.key", config.neighbour.key))
    if config.collector is not None:
        named.append(("collector.address", config.collector.address))
    for number, channel in enumerate(config.channel, 1):
        named += [(f'channel[{number}] "{channel.name}" .{key}', secret) for key, secret in secrets_of(channel)]
    return named
