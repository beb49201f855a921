"""Bounding what sick branches of a bus may cost the others: a budget a cycle, quarantine, and turns."""

from __future__ import annotations

from dataclasses import dataclass

from dewkeeper_drivers.errors import BranchLost, BusError, ProbeError, ProbeMissing

TROUBLE_SECONDS = 1.0
"""Seconds a branch may waste in failed accesses a cycle; the access that exceeds it ends within another second."""

BAD_CYCLES_TO_QUARANTINE = 2
CHEAP_SECONDS = 0.1
"""A failed try that took less is no reason to try more rarely."""

LONGEST_DOUBLING = 10  # 1024 cycles: 17 hours at a poll a minute


@dataclass(frozen=True, slots=True)
class Branch:
    """What fails together: a channel of a multiplexer, all of a multiplexer (channel None), or the bus (both None)."""

    multiplexer: int | None = None
    channel: int | None = None

    def __str__(self) -> str:
        if self.multiplexer is None:
            return "the bus itself"
        if self.channel is None:
            return f"multiplexer {self.multiplexer:#04x}"
        return f"channel {self.channel} of multiplexer {self.multiplexer:#04x}"


ROOT = Branch()


@dataclass(frozen=True, slots=True)
class BranchFault:
    """A branch in quarantine. `why` is the last error; it is tried again after `cycles` cycles."""

    bus: str
    branch: Branch
    why: str
    cycles: int


@dataclass(slots=True)
class BranchHealth:
    """The health of one branch.

    A cycle is bad in which the branch failed as a wire (stuck, lost, too slow; an absent probe does not count) and
    never worked. After two of those it is in quarantine: tried every second cycle, for ever, so that it is back
    within three polls of being well; one success ends it. One that fails at once, as behind an absent multiplexer, is
    named too but costs nothing, and is tried every time.

    kills: how often using this branch took the whole bus down until somebody reset it. Then the pauses double
    instead, counted in cycles in which the bus worked: seven good channels are not given up for each try.
    """

    spent_seconds: float = 0.0
    failed: bool = False
    worked: bool = False
    bad_cycles: int = 0
    pause: int = 0
    kills: int = 0
    costly: bool = False
    tried_cycle: int = 0
    why: str = ""

    def begin_cycle(self, bus_worked: bool) -> None:
        """Close the books of the last cycle and open new ones."""
        if self.worked:
            self.bad_cycles, self.pause, self.kills, self.why = 0, 0, 0, ""
        elif self.failed:
            self.bad_cycles += 1
            self.costly = self.spent_seconds >= CHEAP_SECONDS
            if self.kills:
                self.pause = 1 << min(self.kills - 1, LONGEST_DOUBLING)
            else:
                self.pause = 1 if self.sick else 0
        elif self.pause and (bus_worked or not self.kills):
            self.pause -= 1
        self.failed = self.worked = False
        self.spent_seconds = 0.0

    @property
    def quarantined(self) -> bool:
        """Whether the branch is known to fail."""
        return self.kills > 0 or self.bad_cycles >= BAD_CYCLES_TO_QUARANTINE

    @property
    def sick(self) -> bool:
        """Whether it is known to fail, and trying it costs time."""
        return self.quarantined and self.costly

    @property
    def given_up(self) -> bool:
        """Whether an access must not even be tried in this cycle."""
        return self.pause > 0 or self.spent_seconds >= TROUBLE_SECONDS

    def note_failure(self, seconds: float, why: str) -> None:
        """Book a failed access that cost so many seconds."""
        self.spent_seconds += seconds
        self.failed = True
        self.why = why

    def note_success(self) -> None:
        """Book an access that worked."""
        self.worked = True


class BusHealth:
    """The health of every branch of one bus, and who of the sick may be tried in a cycle.

    Of the sick ones only one may fail in a cycle, so that their cost does not add up: they take turns. As long as
    those that are tried work again there is no need for turns, so that all are back as soon as the wire is well. A
    turn is a channel's with the multiplexer before it, or a multiplexer's with the channels behind it: neither can be
    tried without the other.

    suspect: the branch since whose use nobody on the bus has answered.
    """

    def __init__(self, bus: str) -> None:
        self._bus = bus
        self._parts: dict[Branch, BranchHealth] = {ROOT: BranchHealth()}
        self._cycle = 0
        self._turn: Branch | None = None
        self._failing: Branch | None = None
        self._hope = True
        self._blamed: Branch | None = None
        self.suspect: Branch | None = None

    def begin_cycle(self) -> None:
        """Start a poll: every branch gets a fresh budget of trouble."""
        self._cycle += 1
        bus_worked = self._parts[ROOT].worked
        for health in self._parts.values():
            health.begin_cycle(bus_worked)
        self._failing = self._turn = None
        due = [branch for branch, health in self._parts.items() if branch != ROOT and health.sick and not health.pause]
        # While the bus itself rests nobody can be tried, and no turn is spent on that.
        if due and not self._parts[ROOT].given_up:
            self._turn = min(due, key=lambda branch: self._parts[branch].tried_cycle)
            self._parts[self._turn].tried_cycle = self._cycle  # spent, whether anybody makes use of it or not

    def faults(self) -> tuple[BranchFault, ...]:
        """Return the branches in quarantine: one fault each, however many probes hang there.

        What hangs on a branch that is named already is not named again.
        """
        bad = {branch: health for branch, health in self._parts.items() if health.quarantined}
        if ROOT in bad:
            bad = {ROOT: bad[ROOT]}
        return tuple(
            BranchFault(self._bus, branch, health.why, health.pause)
            for branch, health in bad.items()
            if branch.channel is None or Branch(branch.multiplexer) not in bad
        )

    @property
    def given_up(self) -> bool:
        """Whether the bus itself must not be used in this cycle."""
        return self._parts[ROOT].given_up

    def refuse(self, branch: Branch) -> None:
        """Raise BranchLost if the branch must not be tried now."""
        sick = None
        for part in self._path(branch):
            health = self._parts.setdefault(part, BranchHealth())
            if health.given_up:
                raise BranchLost(f"bus {self._bus}: {part} is given up for now: {health.why}")
            if part != ROOT and health.sick:
                sick = part
        if sick is not None and not self._may_try(branch):
            raise BranchLost(f"bus {self._bus}: {sick} waits for its turn: {self._parts[sick].why}")

    def book(self, branch: Branch, trouble: ProbeError | None, heard: bool, seconds: float) -> None:
        """Book a session on what it says something about: the bus, the multiplexer or the branch."""
        if heard:
            self._parts[ROOT].note_success()
        if trouble is None or (isinstance(trouble, ProbeMissing) and branch.multiplexer is not None):
            self._book_success(branch)  # a line on which nobody acknowledges is a good line
        elif isinstance(trouble, BranchLost):
            at_fault = branch.multiplexer if trouble.culprit is None else trouble.culprit
            self._book_failure(branch, Branch(at_fault), seconds, trouble)
        elif isinstance(trouble, BusError) and heard:  # somebody answered meanwhile: it is not the bus
            self._book_failure(branch, branch, seconds, trouble)
        elif isinstance(trouble, BusError):
            self._parts[ROOT].note_failure(seconds, f"{trouble}{self._blame()}")

    def blamed(self) -> Branch | None:
        """Return the branch that is said to have taken the bus down, None if none is or the bus has answered since."""
        return self._blamed

    def acquit(self) -> None:
        """Take back that the branch took the bus down: the bus works with it."""
        if self._blamed is not None:
            self._parts[self._blamed].kills = self._parts[self._blamed].pause = 0
        self._blamed = None

    def bus_answers(self) -> None:
        """Note that the bus works again, so that nobody is under suspicion."""
        self.suspect = self._blamed = None

    @staticmethod
    def _path(branch: Branch) -> tuple[Branch, ...]:
        return tuple(dict.fromkeys((ROOT, Branch(branch.multiplexer), branch)))

    def _is_sick(self, branch: Branch) -> bool:
        return any(self._parts[part].sick for part in self._path(branch)[1:])

    def _may_try(self, branch: Branch) -> bool:
        if self._failing is not None:
            return branch == self._failing
        return self._hope or self._turn in self._path(branch)

    def _book_success(self, branch: Branch) -> None:
        if self._is_sick(branch):
            self._hope = True
        for part in self._path(branch)[1:]:
            self._parts[part].note_success()

    def _book_failure(self, branch: Branch, part: Branch, seconds: float, trouble: ProbeError) -> None:
        if self._is_sick(branch):
            self._hope, self._failing = False, branch  # from now on in this cycle nobody else of the sick is tried
        self._parts.setdefault(part, BranchHealth()).note_failure(seconds, str(trouble))

    def _blame(self) -> str:
        """Name the branch since whose use nobody on the bus has answered, and have it used more rarely."""
        if self.suspect is None or self.suspect == ROOT:
            return ""
        if self._blamed != self.suspect:  # once for each time the bus went down
            self._blamed = self.suspect
            self._parts[self.suspect].kills += 1
            self._parts[self.suspect].failed = True
        return f", since {self.suspect} was used"
