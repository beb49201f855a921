"""Whether messages can reach somebody: channels, people, the page's addresses, and the site's own sense."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from string import Formatter
from urllib.parse import urlsplit

from dewkeeper_config.draft import Draft, Entry
from dewkeeper_config.errors import Problem
from dewkeeper_config.models import Channel, MailChannel, Person, Storage, Web, WebhookChannel
from dewkeeper_config.secrets import SecretSource


def people_problems(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with channels and people."""
    for entry in draft.channel:
        channel = entry.model
        if isinstance(channel, WebhookChannel):
            yield from _webhook(entry, channel)
        elif isinstance(channel, MailChannel):
            yield from _mail(entry, channel)
    for person in draft.person:
        yield from _person(draft, person)
    # Entries that were refused may be the ones that answer: only a file read whole can lack everybody.
    read_whole = len(draft.person) == len(draft.names["person"]) > 0
    if read_whole and not any(p.model.escalation == 0 and not p.model.sitter for p in draft.person):
        yield Problem("person", "nobody who is told first", "at least one person with escalation 0 who is not a sitter")


def site_problems(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with site, storage and page."""
    if draft.site is not None and draft.site.model.night_start == draft.site.model.night_end:
        yield draft.site.problem("night_end", draft.site.model.night_end, "another time than night_start")
    if draft.storage is not None:
        yield from _storage(draft.storage)
    if draft.web is not None:
        yield from _web(draft.web)


def _webhook(entry: Entry[Channel], channel: WebhookChannel) -> Iterator[Problem]:
    if not _web_address(channel.url):
        yield Problem(f"{entry.key} .url", "a secret, not shown", "an address that begins with https:// or http://")
    if channel.body == "template" and channel.template is None:
        yield entry.problem("template", None, "a text, for body is template")
    if channel.template is not None:
        if channel.body != "template":
            yield entry.problem("body", channel.body, '"template", for there is a template')
        try:
            list(Formatter().parse(channel.template))
        except ValueError as error:
            yield entry.problem(
                "template", channel.template, f"braces in pairs, {{{{ and }}}} for plain ones ({error})"
            )
    if channel.content_type is not None and channel.body == "json":
        yield entry.problem("content_type", channel.content_type, "left out with body json")
    for index, secret in enumerate(channel.secrets):
        plain = _plain(secret)
        if plain is not None and not plain.startswith("whsec_"):
            yield Problem(f"{entry.key} .secrets[{index + 1}]", "a secret, not shown", "a key that begins with whsec_")


def _mail(entry: Entry[Channel], channel: MailChannel) -> Iterator[Problem]:
    if channel.security == "none" and not _loopback(channel.host):
        # Password and message would cross the network readable by anyone on it.
        yield entry.problem("security", "none", f"starttls or tls, for {channel.host} is not this machine")
    for name, address in [("sender", channel.sender), *(("to", address) for address in channel.to)]:
        local, at, domain = address.rpartition("@")
        if not (local and at and domain) or any(c.isspace() for c in address):
            yield entry.problem(name, address, "an address such as marit@example.org")
    if (channel.username is None) != (channel.password is None):
        missing = "username" if channel.username is None else "password"
        yield entry.problem(missing, None, "username and password together, or neither")


def _person(draft: Draft, entry: Entry[Person]) -> Iterator[Problem]:
    person = entry.model
    known = draft.known("channel")
    for name in person.channels:
        if name not in known:
            yield entry.problem("channels", name, "names of [[channel]]: " + (", ".join(known) or "there is none"))
    if len(set(person.channels)) < len(person.channels):
        yield Problem(f"{entry.key} .channels", ", ".join(person.channels), "each channel once")
    if person.quiet_hours is not None and person.quiet_hours.start == person.quiet_hours.end:
        yield entry.problem(
            "quiet_hours.end", person.quiet_hours.end, "another time than start; `false` for no quiet hours"
        )


def _storage(entry: Entry[Storage]) -> Iterator[Problem]:
    backup = entry.model.backup
    folder = backup.folder
    if folder is not None and (folder == entry.model.folder or entry.model.folder in folder.parents):
        # The copy is for the day this folder's card dies.
        yield entry.problem("backup.folder", str(folder), "a folder outside storage.folder, best on another drive")
    if folder is None and (backup.command or "require_mount" in backup.model_fields_set):
        yield entry.problem("backup.folder", None, "a folder, for a command or require_mount needs one")


def _web(entry: Entry[Web]) -> Iterator[Problem]:
    web = entry.model
    if web.base_url is not None and not _is_http(web.base_url):
        yield entry.problem("base_url", web.base_url, "an address such as http://rack.local:8080")
    for address in web.trusted_proxies:
        try:
            ipaddress.ip_network(address, strict=False)
        except ValueError:
            yield entry.problem("trusted_proxies", address, "IP addresses or networks, such as 127.0.0.1")


def _plain(secret: SecretSource) -> str | None:
    """Return a secret that stands in the file itself; one from elsewhere is looked at only when it is used."""
    return None if secret.value is None else secret.value.get_secret_value()


def _web_address(secret: SecretSource) -> bool:
    plain = _plain(secret)
    return plain is None or _is_http(plain)


def _is_http(text: str) -> bool:
    try:
        parts = urlsplit(text)
        return parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        return False


def _loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.rstrip(".").lower() in ("localhost", "localhost.localdomain")
