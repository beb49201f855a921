"""Faults around the process, F21 and F42: kills and two hundred slow clients.

A foreign write lock (F23) cannot be told truly here: SQLite's patience is real time, sixty times too long at this speed.
"""

from __future__ import annotations

import faulthandler
import random
import re
import signal
import socket
import time
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

from tests.amounts import amount
from tests.campaign.phases import SLACK_SECONDS, TOLD_SECONDS
from tests.campaign.rack_process import PLACES, SPEED
from tests.campaign.rig import POLL_SECONDS, Run

KILLS = amount(12, 100)


def _started(run: Run) -> None:
    run.control(wait=False)
    supervisor = run.start()
    run.wait_for(lambda: supervisor.alive and supervisor.life.ready is not None, 30.0, "the start")
    run.wait_for(lambda: len(run.latest()) == len(PLACES), 10.0, "the first readings")


def _samples(run: Run) -> dict[tuple[str, int], int]:
    return {(r.probe, r.temperature_word): r.time for r in run.readings() if r.temperature_word is not None}


def test_killed_again_and_again_nothing_committed_is_lost(tmp_path: Path) -> None:
    """F21: after each SIGKILL every sample seen before is there, and the excursion is told once, under one id."""
    faulthandler.cancel_dump_traceback_later()  # a hundred kills take minutes
    dice = random.Random(21)
    with Run(tmp_path) as run:
        _started(run)
        run.control(dry=["G0"])
        seen: dict[tuple[str, int], int] = {}
        for _ in range(KILLS):
            life = run.supervisor.life
            run.wait_for(lambda life=life: life.ready is not None, 20.0, "a start after a kill")  # type: ignore[misc]
            time.sleep(dice.uniform(0.1, 1.5))
            seen |= _samples(run)
            run.supervisor.signal(signal.SIGKILL)
            run.wait_for(lambda life=life: run.supervisor.life is not life, 10.0, "the restart")  # type: ignore[misc]
        run.wait_for(lambda: bool(run.messages("dry", "G0")), TOLD_SECONDS + SLACK_SECONDS + 20, "G0's message")
        assert {key: _samples(run).get(key) for key in seen} == seen
        assert len({body["id"] for body in run.messages("dry", "G0") if body["type"] == "dry.raised"}) == 1
        run.wait_for(lambda: run.supervisor.life.ready is not None, 20.0, "the last start")
        assert run.supervisor.stop().exit_code == 0
        assert run.database_is_sound() == "ok"


def test_two_hundred_slow_clients_delay_no_reading(tmp_path: Path) -> None:
    """F42: with 200 connections that send a byte now and then, polls keep their rhythm and the socket answers."""
    with Run(tmp_path) as run:
        _started(run)
        found = re.search(r"the page is at http://127\.0\.0\.1:(\d+)/", run.supervisor.log.read_text())
        assert found is not None
        with ExitStack() as stack:
            clients = [stack.enter_context(socket.socket()) for _ in range(200)]
            for client in clients:
                client.settimeout(0.2)
                try:
                    client.connect(("127.0.0.1", int(found[1])))
                    client.sendall(b"GET / HT")
                except OSError:  # turned away, which is as good
                    continue
            began = run.now()
            run.wait_for(lambda: run.now() - began > 600, 30.0, "ten polls")
            assert run.answers_within_seconds() < 2.0
        times = [r.time for r in run.readings() if r.probe == "E0" and r.time >= began]
        assert len(times) >= 8
        # A second of the machine's time is SPEED seconds here.
        assert max(b - a for a, b in pairwise(times)) <= POLL_SECONDS + SPEED
