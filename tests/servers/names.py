"""A name server that answers, says that it cannot, or says nothing: what a send meets before it has an address.

The system's resolver asks port 53, so this needs root and an address of the loopback network that nobody else uses.
"""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Final, Literal

Manner = Literal["answer", "fail", "stall"]
_A: Final = 1
_ANSWER_FLAGS: Final = 0x8180  # response, recursion desired and available: RFC 1035, 4.1.1
_SERVFAIL: Final = 2


class Names:
    """Gives every name the address 127.0.0.1 while entered.

    address: where it listens, in 127.0.0.0/8. choose: how a question for the address of a name is met.
    """

    def __init__(self, address: str, choose: Callable[[str], Manner]) -> None:
        self._address = address
        self._choose = choose
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((self._address, 53))
        self._thread = threading.Thread(target=self._serve, name="names")

    def __enter__(self) -> Names:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as last:
            last.sendto(b"", (self._address, 53))
        self._thread.join()
        self._socket.close()

    def _serve(self) -> None:
        while True:
            question, asker = self._socket.recvfrom(512)
            if not question:
                return
            answer = self._answer(question)
            if answer is not None:
                self._socket.sendto(answer, asker)

    def _answer(self, question: bytes) -> bytes | None:
        name, end = _name(question, 12)
        kind = int.from_bytes(question[end : end + 2], "big")
        manner = self._choose(name) if kind == _A else "answer"
        if manner == "stall":
            return None
        flags = _ANSWER_FLAGS | (_SERVFAIL if manner == "fail" else 0)
        found = kind == _A and manner == "answer"
        head = question[:2] + struct.pack(">HHHHH", flags, 1, int(found), 0, 0) + question[12 : end + 4]
        # A pointer to the name in the question, type A, class IN, not to be kept, four bytes of address.
        return head + (struct.pack(">HHHIH", 0xC00C, _A, 1, 0, 4) + bytes([127, 0, 0, 1]) if found else b"")


def _name(data: bytes, at: int) -> tuple[str, int]:
    """Return the name that begins there, and where it ends."""
    labels = []
    while data[at]:
        labels.append(data[at + 1 : at + 1 + data[at]].decode("ascii", "replace"))
        at += 1 + data[at]
    return ".".join(labels), at + 1
