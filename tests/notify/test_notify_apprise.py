"""Any other service, through the optional library apprise: the same outbox, the same deadlines, against a real server."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from tests.notify.dispatcher_rig import START, config, message, running
from tests.notify.test_notify_contract import WebService
from tests.servers.receiver import Answer, Phone

from dewkeeper.notify.channel import Channel
from dewkeeper.notify.channels import open_channel
from dewkeeper.notify.contract_suite import check_channel
from dewkeeper.notify.deadline import Attempt
from dewkeeper.notify.errors import DeadlinePassed, PermanentFailure, TemporaryFailure
from dewkeeper_config.door import checked
from dewkeeper_config.models import AppriseChannel, Config
from dewkeeper_config.models.secrets import SecretSource

pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")  # the library's affair
INSTALLED = importlib.util.find_spec("apprise") is not None
needs_library = pytest.mark.skipif(
    not INSTALLED and not os.environ.get("CI"), reason="apprise is not installed: pip install dewkeeper[apprise]"
)


def other(address: str) -> Channel:
    """Return a channel to a service address of the library."""
    source = checked(SecretSource, {"value": address})
    return open_channel(AppriseChannel(kind="apprise", name="phone", url=source), lambda: float(START))


def address(phone: Phone) -> str:
    """Return the library's address of a JSON service, with its shortest waits for connection and reply."""
    return f"json://localhost:{phone.port}/?cto=1&rto=1"


@pytest.fixture(autouse=True, scope="module")
def library_threads() -> None:
    """Let the library start the threads it keeps for the life of the process: as many as it sends at once here."""
    if INSTALLED:
        with Phone() as phone:
            phone.usual = Answer(manner="silent")
            channel = other(f"json://localhost:{phone.port}/?cto=60&rto=60")
            attempts = [
                Attempt("warm", lambda guard: channel.attempt(message("m0"), guard), 20, lambda: None) for _ in "ab"
            ]
            phone.wait(len(attempts))
        for attempt in attempts:
            attempt.thread.join()


def test_without_the_library_the_channel_says_what_to_install() -> None:
    """In a process that cannot import it the daemon goes on, and every attempt says what to run."""
    program = (
        "import sys; sys.modules['apprise'] = None\n"  # Python's own way to say that there is no such module
        "from tests.notify.test_notify_apprise import message, other\n"
        "try: other('json://localhost/').send(message('m1'), 5)\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    root = Path(__file__).parents[2]
    made = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=root, check=True)
    assert made.stdout.startswith("PermanentFailure")
    assert f"{sys.executable} -m pip install apprise" in made.stdout


@needs_library
def test_the_library_keeps_the_contract(phone: Phone) -> None:
    """A channel through the library passes the suite of all channels, but for telling a refusal for good from one for now."""
    check_channel(lambda: other(address(phone)), WebService(phone), says_why=False)


@needs_library
def test_the_library_hands_over_title_and_text(phone: Phone) -> None:
    """A message arrives at a real server through the library, first line as its title, the rest as its text."""
    other(address(phone)).send(replace(message("m1"), lines=("one", "two")), 5)
    (call,) = phone.calls
    assert call.json()["title"] == "title of m1"
    assert call.json()["message"] == "one\ntwo"


@needs_library
def test_an_address_the_library_does_not_know_is_refused_for_good() -> None:
    """What is no address of a service will not become one by trying again."""
    with pytest.raises(PermanentFailure, match="not understood"):
        other("nothing-known").send(message("m1"), 5)


@needs_library
@pytest.mark.parametrize("answer", [Answer(500), Answer(404), Answer(manner="reset_before")])
def test_a_no_of_the_library_is_temporary_whatever_it_means(phone: Phone, answer: Answer) -> None:
    """The library says yes or no, without why: no is worth another attempt."""
    phone.usual = answer
    with pytest.raises(TemporaryFailure, match="without saying why"):
        other(address(phone)).send(message("m1"), 5)


@needs_library
def test_the_total_deadline_holds_over_the_librarys_own_waits(phone: Phone) -> None:
    """A silent server is left at our deadline; the library's attempt ends by its own timeout soon after."""
    phone.usual = Answer(manner="silent")
    with pytest.raises(DeadlinePassed):
        other(address(phone)).send(message("m1"), 0.3)


@needs_library
def test_it_shares_the_outbox_tried_again_until_accepted_or_expired(phone: Phone) -> None:
    """Refused messages come again from the outbox; one arrives when the service is back, one past its end is settled unsent."""
    settings = dict(config({"unused": "http://localhost:9/"}))
    channel = {"kind": "apprise", "name": "phone", "url": address(phone)}
    whole = settings | {"channel": [channel], "person": [{"name": "Marit", "channels": ["phone"]}]}
    phone.usual = Answer(503)
    with running(checked(Config, whole)) as run:
        run.add(message("m1"), message("m2", expires=START + 300))
        run.clock.advance(600)
        assert run.outbox.states() == {"m1": "pending", "m2": "expired"}
        assert len(phone.calls) > 3
        phone.usual = Answer()
        run.clock.advance(120)
        assert run.outbox.states()["m1"] == "sent"
        assert len([call for call in phone.calls if call.accepted]) == 1
