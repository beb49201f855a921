"""Whether messages can reach somebody: channels, people, the page's addresses, and the site's own sense."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from typing import Any
from urllib.parse import urlsplit

from dewkeeper_config.entries import FileEntries, FileEntry
from dewkeeper_config.errors import Problem
from dewkeeper_config.hosts import is_host
from dewkeeper_config.models import (
    Channel,
    ChannelConfig,
    MailChannel,
    Neighbour,
    Person,
    Storage,
    Web,
    WebhookChannel,
)
from dewkeeper_config.models.channels import secrets_of
from dewkeeper_config.models.secrets import SecretSource

_HEADER = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
"""A header's name (RFC 9110, 5.6.2)."""
_WEB_ADDRESS = "an address that begins with https:// or http://, then a host"


def people_problems(entries: FileEntries) -> Iterator[Problem]:
    """Yield what is wrong with channels and people."""
    for entry in entries.channel:
        yield from _channel(entry, entry.model)
    if entries.notify is not None and entries.notify.model.heartbeat_url is not None:
        heartbeat = entries.notify.model.heartbeat_url
        if not _web_address(heartbeat):
            yield entries.notify.worded("heartbeat_url", "a secret, not shown", _WEB_ADDRESS)
        if heartbeat.file is not None:
            yield from _whole_path(entries.notify, "heartbeat_url", heartbeat.file)
    for person in entries.person:
        yield from _person(entries, person)
    # Entries that were refused may be the ones that answer: only a file read whole can lack everybody.
    read_whole = len(entries.person) == len(entries.names["person"]) > 0
    if read_whole and not any(p.model.escalation == 0 and not p.model.sitter for p in entries.person):
        yield Problem("person", "nobody who is told first", "at least one person with escalation 0 who is not a sitter")


def site_problems(entries: FileEntries) -> Iterator[Problem]:
    """Yield what is wrong with site, storage and page."""
    if entries.site is not None and entries.site.model.night_start == entries.site.model.night_end:
        yield entries.site.problem("night_end", entries.site.model.night_end, "another time than night_start")
    if entries.storage is not None:
        yield from _storage(entries.storage)
    if entries.web is not None:
        yield from _web(entries.web)
    for server in (entries.collect, entries.collector):
        if server is not None:
            if server.model.ca_file is not None and "ca_file" not in server.lost:
                yield from _whole_path(server, "ca_file", server.model.ca_file)
            if server.model.address.file is not None:
                yield from _whole_path(server, "address", server.model.address.file)
    if entries.neighbour is not None:
        yield from _neighbour(entries, entries.neighbour)


def _neighbour(entries: FileEntries, entry: FileEntry[Neighbour]) -> Iterator[Problem]:
    neighbour = entry.model
    own = entries.site.model.name if entries.site is not None else None
    if neighbour.name == own and "name" not in entry.lost:
        yield entry.problem(
            "name", neighbour.name, "another name than this site's own, or one could not tell whose heartbeat it is"
        )
    if not _is_http(neighbour.address) and "address" not in entry.lost:
        yield entry.problem("address", neighbour.address, _WEB_ADDRESS)
    if neighbour.silent_minutes < 2 * neighbour.minutes and not {"minutes", "silent_minutes"} & entry.lost:
        yield entry.problem(
            "silent_minutes", neighbour.silent_minutes, "twice minutes at least: one heartbeat may be lost"
        )
    plain = _plain(neighbour.key)
    if plain is not None and not plain.startswith("whsec_"):
        yield entry.worded("key", "a secret, not shown", "a key that begins with whsec_")
    if neighbour.key.file is not None:
        yield from _whole_path(entry, "key", neighbour.key.file)
    if neighbour.ca_file is not None and "ca_file" not in entry.lost:
        yield from _whole_path(entry, "ca_file", neighbour.ca_file)
    if entries.web is not None and not entries.web.model.enabled:
        yield entries.web.problem("enabled", False, "true: the neighbour's heartbeats come to the page")


def _channel(entry: FileEntry[Channel], channel: ChannelConfig) -> Iterator[Problem]:
    for key, value in channel:
        if isinstance(value, Path) and key not in entry.lost:
            yield from _whole_path(entry, key, value)
    for key, secret in secrets_of(channel):
        if secret.file is not None:
            yield from _whole_path(entry, key, secret.file)
    if isinstance(channel, WebhookChannel):
        yield from _webhook(entry, channel)
    elif isinstance(channel, MailChannel):
        yield from _mail(entry, channel)


def _webhook(entry: FileEntry[Channel], channel: WebhookChannel) -> Iterator[Problem]:
    if not _web_address(channel.url):
        yield entry.worded("url", "a secret, not shown", _WEB_ADDRESS)
    if {"body", "template"} & entry.lost:
        return
    if channel.body == "template" and channel.template is None:
        yield entry.problem("template", None, "a text, for body is template")
    if channel.template is not None:
        if channel.body != "template":
            yield entry.problem("body", channel.body, '"template", for there is a template')
        try:
            # Parsed as `notify.bodies` does when something is told: a slip is found now, not with the first alarm.
            list(Formatter().parse(channel.template))
        except ValueError as error:
            yield entry.problem(
                "template", channel.template, f"braces in pairs, {{{{ and }}}} for plain ones ({error})"
            )
    if channel.content_type is not None and channel.body == "json":
        yield entry.problem("content_type", channel.content_type, "left out with body json")
    for name in channel.headers:
        if _HEADER.fullmatch(name) is None:
            yield entry.problem("headers", name, "names of letters, digits and hyphens, such as X-Key")
    for index, secret in enumerate(channel.secrets):
        plain = _plain(secret)
        if plain is not None and not plain.startswith("whsec_"):
            yield entry.worded(f"secrets[{index + 1}]", "a secret, not shown", "a key that begins with whsec_")


def _mail(entry: FileEntry[Channel], channel: MailChannel) -> Iterator[Problem]:
    if not is_host(channel.host):
        yield entry.problem("host", channel.host, "the name or address of a mail server, such as mail.example.org")
    if channel.security == "none" and not _loopback(channel.host):
        # Password and message would cross the network readable by anyone on it.
        yield entry.problem("security", "none", f"starttls or tls, for {channel.host} is not this machine")
    for name, address in [("sender", channel.sender), *(("to", address) for address in channel.to)]:
        local, at, domain = address.rpartition("@")
        if not (local and at and domain) or any(c.isspace() for c in address):
            yield entry.problem(name, address, "an address such as marit@example.org")
    if (channel.username is None) != (channel.password is None) and not {"username", "password"} & entry.lost:
        missing = "username" if channel.username is None else "password"
        yield entry.problem(missing, None, "username and password together, or neither")


def _person(entries: FileEntries, entry: FileEntry[Person]) -> Iterator[Problem]:
    person = entry.model
    known = entries.known("channel")
    for name in person.channels:
        if name not in known:
            yield entry.problem("channels", name, "names of [[channel]]: " + (", ".join(known) or "there is none"))
    if len(set(person.channels)) < len(person.channels):
        yield entry.worded("channels", ", ".join(person.channels), "each channel once")
    if person.quiet_hours is not None and person.quiet_hours.start == person.quiet_hours.end:
        yield entry.problem(
            "quiet_hours.end", person.quiet_hours.end, "another time than start; `false` for no quiet hours"
        )


def _storage(entry: FileEntry[Storage]) -> Iterator[Problem]:
    backup = entry.model.backup
    folder = backup.folder
    yield from _whole_path(entry, "folder", entry.model.folder)
    if folder is not None:
        yield from _whole_path(entry, "backup.folder", folder)
    if folder is not None and (folder == entry.model.folder or entry.model.folder in folder.parents):
        # The copy is for the day this folder's card dies.
        yield entry.problem("backup.folder", str(folder), "a folder outside storage.folder, best on another drive")
    if folder is None and (backup.command or "require_mount" in backup.given):
        yield entry.problem("backup.folder", None, "a folder, for a command or require_mount needs one")


def _web(entry: FileEntry[Web]) -> Iterator[Problem]:
    web = entry.model
    if not is_host(web.host):
        yield entry.problem("host", web.host, "an address of this machine, 127.0.0.1, or 0.0.0.0 for the LAN")
    if web.base_url is not None and not _is_http(web.base_url):
        yield entry.problem("base_url", web.base_url, "an address such as http://rack.local:8080")
    for address in web.trusted_proxies:
        try:
            ipaddress.ip_network(address, strict=False)
        except ValueError:
            yield entry.problem("trusted_proxies", address, "IP addresses or networks, such as 127.0.0.1")


def _whole_path(entry: FileEntry[Any], field: str, path: Path) -> Iterator[Problem]:
    # The service starts in another folder than the keeper's shell: a relative one would be two places.
    if not path.is_absolute():
        yield entry.problem(field, str(path), f"a whole path that begins with /, such as /srv/dewkeeper/{path.name}")


def _plain(secret: SecretSource) -> str | None:
    """Return a secret that stands in the file itself; one from elsewhere is looked at only when it is used."""
    return None if secret.value is None else secret.value.plain()


def _web_address(secret: SecretSource) -> bool:
    plain = _plain(secret)
    return plain is None or _is_http(plain)


def _is_http(text: str) -> bool:
    try:
        parts = urlsplit(text)
        # `port` itself raises ValueError for a number beyond 65535.
        return parts.scheme in ("http", "https") and is_host(parts.hostname or "") and parts.port != 0
    except ValueError:
        return False


def _loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.rstrip(".").lower() in ("localhost", "localhost.localdomain")
