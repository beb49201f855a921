"""A wire between a site and its server that can be cut, or stand still, after any number of bytes."""

from __future__ import annotations

import contextlib
import socket
import threading


class Proxy:
    """Carries everything to a port of this machine, each connection until so many bytes went to the server."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)  # so that what stands still is felt
        self.port = int(self._listening.getsockname()[1])
        self.after: int | None = None  # cut each connection when so many bytes have gone to the server; None: never
        self.still_after: int | None = None  # carry nothing more to the server from then on; None: never
        self._ended = threading.Event()
        self.carried = 0  # by the newest connection, to the server
        self._threads: list[threading.Thread] = []
        self._open: list[socket.socket] = []
        self._accepting = threading.Thread(target=self._accept, name="proxy")
        self._accepting.start()

    def close(self) -> None:
        """End every connection and every thread."""
        self._ended.set()
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self._accepting.join()
        for one in self._open:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join()
        for one in self._open:
            one.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._target))
            except OSError:  # the server is down
                near.close()
                continue
            self._open += [near, far]
            self.carried = 0
            for source, sink, counted in ((near, far, True), (far, near, False)):
                thread = threading.Thread(target=self._carry, args=(source, sink, counted), name="proxy-wire")
                self._threads.append(thread)
                thread.start()

    def _carry(self, source: socket.socket, sink: socket.socket, counted: bool) -> None:
        try:
            while data := source.recv(8192):
                if counted and self.after is not None and self.carried + len(data) > self.after:
                    data = data[: max(0, self.after - self.carried)]
                    sink.sendall(data)
                    break
                if counted and self.still_after is not None and self.carried + len(data) > self.still_after:
                    self._ended.wait()
                    break
                sink.sendall(data)
                self.carried += len(data) if counted else 0
        except OSError:
            pass
        for one in (source, sink):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
