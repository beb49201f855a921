"""Holding any channel to the channels' contract; needs no test framework.

    from dewkeeper.notify.contract_suite import check_channel
    check_channel(lambda: open_channel(my_config, time.time), my_service)

`my_service` is the other side, a real server on loopback that behaves as it is told (`ServiceUnderTest`).
Raises `ChannelBroken` with a sentence for a person; returns None when all is well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final, Literal, Protocol

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Attempt
from dewkeeper.notify.errors import PermanentFailure, SendFailure, TemporaryFailure
from dewkeeper.store.records import Message

Manner = Literal["accept", "fail", "refuse", "hang", "gone"]

_PATIENCE_SECONDS: Final = 60.0
"""For what a busy machine may take; a channel that is well needs a moment."""
_SHORT_SECONDS: Final = 0.5
_LONGEST_REASON: Final = 300


class ServiceUnderTest(Protocol):
    """The service a channel hands its messages to.

    hidden: what no error may repeat, for it is logged and shown: address, key, login.
    """

    @property
    def hidden(self) -> Sequence[str]:
        """Return the texts that are nobody's business."""
        ...

    def behave(self, manner: Manner) -> None:
        """Do so from now on.

        accept: take every message. fail: say that it cannot just now. refuse: say that it never will. hang: take the
        connection and say nothing. gone: nobody listens; asked for last, and it need not come back.
        """
        ...

    def taken(self) -> Sequence[str]:
        """Return the whole text of every message taken so far, in order, title and lines decoded."""
        ...


class ChannelBroken(AssertionError):
    """A channel does not do what the contract says."""


def _message(number: int, title: str, *lines: str, priority: str = "medium") -> Message:
    return Message(
        id=f"contract-{number}", created=1_790_000_000, person="Marit", channel="contract", title=title, lines=lines,
        priority=priority, kind="dry", alarm="a1", event=f"e{number}", thread="a1",
    )  # fmt: skip


_PLAIN: Final = _message(1, "B4: too dry since 02:10", "Now: 52 %, limit 55 %.", "Refill the water bowl.")
_WORDS: Final = (
    _PLAIN,
    _message(2, "Regal Süd: zu heiß – 39,1 °C", "<b>&amp;</b> {title} %s \\n", 'a "quoted" line', priority="urgent"),
    _message(3, "A title alone"),
    _message(4, "Many lines", *(f"B{n}: too dry since 02:10, now 52 %" for n in range(1, 60))),
)


def check_channel(
    open_channel: Callable[[], Channel],
    service: ServiceUnderTest,
    *,
    says_why: bool = True,
    patience_seconds: float = 60.0,
) -> None:
    """Check a channel against the contract. Raises ChannelBroken.

    patience_seconds: how long an attempt may outlive its deadline on a busy machine; one that is well needs a moment.
    says_why: whether the channel can tell a refusal for good from one for now; where it cannot, it must say "for now".
    """
    channel = open_channel()
    _check_made(channel)
    service.behave("accept")
    for message in _WORDS:
        _check_accepted(channel, service, message)
    _check_side_by_side(channel, service)
    _check_way(channel, service)
    _check_failure(channel, service, "fail", TemporaryFailure)
    _check_failure(channel, service, "refuse", PermanentFailure if says_why else TemporaryFailure)
    service.behave("accept")
    _check_accepted(channel, service, _PLAIN)  # what failed before is taken when it is offered again
    _check_hang(channel, service, patience_seconds)
    _check_failure(channel, service, "gone", TemporaryFailure)
    if channel.can_be_checked:
        _failure_of(lambda: _attempted(channel.check, channel, deep=False), "check() with nobody there", service)


def _check_made(channel: object) -> None:
    _demand(isinstance(channel, Channel), f"{type(channel).__name__} is no subclass of Channel")
    assert isinstance(channel, Channel)  # noqa: S101  for the type checker; demanded above
    name: object = getattr(channel, "name", None)
    seconds: object = getattr(channel, "timeout_seconds", None)
    rate: object = channel.per_hour
    _demand(isinstance(name, str) and bool(name), f"name is {name!r}, not the configured name")
    _demand(isinstance(seconds, int | float) and 0 < seconds <= 120, f"timeout_seconds is {seconds!r}")
    _demand(rate is None or (type(rate) is int and rate > 0), f"per_hour is {rate!r}, neither a count nor None")


def _check_accepted(channel: Channel, service: ServiceUnderTest, message: Message) -> None:
    before = len(service.taken())
    try:
        receipt: object = channel.send(message, _PATIENCE_SECONDS)
    except Exception as error:
        raise ChannelBroken(f"a good message, {message.title!r}, was not sent: {error!r}") from error
    _demand(isinstance(receipt, Receipt), f"attempt() returned {type(receipt).__name__}, not Receipt")
    _check_arrived(service.taken()[before:], [message])


def _check_arrived(new: Sequence[str], messages: Sequence[Message]) -> None:
    _demand(len(new) == len(messages), f"{len(messages)} accepted, {len(new)} arrived")
    for message in messages:
        holding = [text for text in new if all(part in text for part in (message.title, *message.lines))]
        _demand(len(holding) == 1, f"{message.title!r} arrived whole {len(holding)} times, not once: {new}")


def _check_side_by_side(channel: Channel, service: ServiceUnderTest) -> None:
    before = len(service.taken())
    attempts = [
        Attempt("contract", partial(channel.attempt, message), _PATIENCE_SECONDS, lambda: None)
        for message in _WORDS[:2]
    ]
    for attempt in attempts:
        attempt.thread.join(_PATIENCE_SECONDS)
        try:
            attempt.result()
        except Exception as error:
            raise ChannelBroken(f"of two messages at once one was not sent: {error!r}") from error
    _check_arrived(service.taken()[before:], _WORDS[:2])


def _check_way(channel: Channel, service: ServiceUnderTest) -> None:
    before = len(service.taken())
    for deep in (False, True):
        try:
            _attempted(channel.check, channel, deep=deep)
        except Exception as error:
            raise ChannelBroken(f"check(deep={deep}) of a service that is well raised {error!r}") from error
    _demand(len(service.taken()) == before, "check() sent a message")


def _check_failure(channel: Channel, service: ServiceUnderTest, manner: Manner, wanted: type[SendFailure]) -> None:
    service.behave(manner)
    before = len(service.taken())
    error = _failure_of(
        lambda: channel.send(_PLAIN, _PATIENCE_SECONDS), f"send() to a service told {manner!r}", service
    )
    _demand(
        isinstance(error, wanted), f"told {manner!r} it raised {type(error).__name__}, not {wanted.__name__}: {error}"
    )
    _demand(len(service.taken()) == before, f"told {manner!r} the service took a message all the same")


def _check_hang(channel: Channel, service: ServiceUnderTest, patience_seconds: float) -> None:
    service.behave("hang")
    attempt = Attempt("contract", lambda guard: channel.attempt(_PLAIN, guard), _SHORT_SECONDS, lambda: None)
    attempt.finished.wait(_SHORT_SECONDS)
    attempt.guard.expire()
    attempt.thread.join(patience_seconds)
    _demand(
        not attempt.thread.is_alive(),
        "its thread waits on after the deadline: a connection was not made by guard.connect",
    )
    error = _failure_of(attempt.result, "an attempt that nobody answered", service)
    _demand(isinstance(error, TemporaryFailure), f"no answer is not for good, but it raised {type(error).__name__}")


def _attempted(check: Callable[..., None], channel: Channel, *, deep: bool) -> None:
    attempt = Attempt("contract", lambda guard: check(guard, deep=deep), channel.timeout_seconds, lambda: None)
    attempt.thread.join(_PATIENCE_SECONDS)
    attempt.result()


def _failure_of(call: Callable[[], object], what: str, service: ServiceUnderTest) -> SendFailure:
    """Return what a call raises, which must be a failure with a reason that can be shown."""
    try:
        result = call()
    except SendFailure as error:
        said = str(error)
        _demand(0 < len(said) <= _LONGEST_REASON, f"{what} gave a reason of {len(said)} letters")
        for hidden in service.hidden:
            _demand(hidden not in said, f"{what} gave away what is hidden: its reason repeats an address or a key")
        return error
    except Exception as error:
        raise ChannelBroken(f"{what} raised {type(error).__name__}, which is no SendFailure: {error}") from error
    raise ChannelBroken(f"{what} came to {result!r}")


def _demand(kept: bool, sentence: str) -> None:
    if not kept:
        raise ChannelBroken(sentence)
