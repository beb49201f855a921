"""A message as a mail: RFC 5322, readable on a phone, one thread per alarm, never answered by machines."""

from __future__ import annotations

import html
from collections.abc import Sequence
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime

from dewkeeper.store.records import Message

_URGENT = "urgent"


def message_id(identity: str, sender: str) -> str:
    """Return the Message-ID of a message: the same over all attempts, so mail programs drop doubles."""
    return f"<{identity}@{_domain(sender)}>"


def letter(message: Message, sender: str, to: Sequence[str], now: float) -> EmailMessage:
    """Return the mail of a message.

    The first line is the subject; all mails of one alarm name one invented root in References (RFC 5322, 3.6.4), so
    they form one thread even where the first of them went another way. Auto-Submitted (RFC 3834, 5) keeps
    vacation responders quiet. now: UTC seconds.
    """
    mail = EmailMessage()
    mail["Subject"] = message.title
    mail["From"] = sender
    mail["To"] = ", ".join(to)
    mail["Date"] = format_datetime(datetime.fromtimestamp(int(now), UTC))
    mail["Message-ID"] = message_id(message.id, sender)
    if message.thread:
        # Of a group the alarm's own root as well: its first mail may have gone out before the group was one.
        roots = [
            message_id(f"alarm-{root}", sender)
            for root in dict.fromkeys((message.alarm or message.thread, message.thread))
        ]
        mail["In-Reply-To"] = roots[-1]
        mail["References"] = " ".join(roots)
    mail["Auto-Submitted"] = "auto-generated"
    if message.priority == _URGENT:
        mail["Importance"] = "high"
    mail.set_content("\n".join([message.title, "", *message.lines]) + "\n")
    mail.add_alternative(_page(message), subtype="html")
    return mail


def _page(message: Message) -> str:
    """Return the HTML part: the same words, nothing loaded from anywhere, large enough to read without glasses."""
    paragraphs = "\n".join(f'<p style="margin:.4em 0">{_linked(line)}</p>' for line in message.lines)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"></head>'
        '<body style="font:18px/1.4 sans-serif;max-width:36em;margin:1em">'
        f'<h1 style="font-size:1.2em;margin:0 0 .6em">{html.escape(message.title)}</h1>\n{paragraphs}</body></html>\n'
    )


def _linked(line: str) -> str:
    if "\n" in line:
        return "<br>".join(map(_linked, line.split("\n")))
    words = []
    for word in line.split(" "):
        safe = html.escape(word)
        words.append(f'<a href="{safe}">{safe}</a>' if word.startswith(("http://", "https://")) else safe)
    return " ".join(words)


def _domain(sender: str) -> str:
    return sender.rpartition("@")[2].strip("> ") or "dewkeeper.invalid"
