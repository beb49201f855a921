"""How the demonstration looks on a terminal: what happens beside a clock, messages as a lock screen has them."""

from __future__ import annotations

import textwrap
import threading
from datetime import datetime
from zoneinfo import ZoneInfo

from dewkeeper_demo.inbox import Arrival

WIDTH = 78
_INDENT = " " * 7


class Show:
    """Prints in order, from whichever thread speaks."""

    def __init__(self, zone: str) -> None:
        self._zone = ZoneInfo(zone)
        self._lock = threading.Lock()

    def say(self, text: str = "") -> None:
        """Print a paragraph, wrapped."""
        with self._lock:
            print(textwrap.fill(text, WIDTH) if text else "", flush=True)

    def lines(self, text: str) -> None:
        """Print as it is."""
        with self._lock:
            print(text, flush=True)

    def happens(self, when: float, text: str) -> None:
        """Print what happens in the room at a time."""
        with self._lock:
            print(textwrap.fill(f"{self._at(when)}  {text}", WIDTH, subsequent_indent=_INDENT), flush=True)

    def message(self, when: float, arrival: Arrival, person: str) -> None:
        """Print a message as it lights up on somebody's phone."""
        head = f"── {person}'s {'phone' if arrival.device == 'phone' else 'mail'} "
        room = WIDTH - len(_INDENT) - 2
        body = [arrival.title] if len(arrival.title) <= room else textwrap.wrap(arrival.title, room)
        for line in arrival.lines:
            body += textwrap.wrap(line, room, subsequent_indent="  ") or [""]
        if arrival.genuine is False:
            body.append("(not genuine: its signature is wrong)")
        with self._lock:
            print(f"{self._at(when)}  ┌{head}{'─' * (room - len(head))}")
            for line in body:
                print(f"{_INDENT}│ {line}")
            print(f"{_INDENT}└{'─' * room}", flush=True)

    def _at(self, when: float) -> str:
        return f"{datetime.fromtimestamp(when, self._zone):%H:%M}"
