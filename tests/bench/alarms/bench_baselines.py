"""Two judges to beat, of the kind one writes in an evening, on the same readings and under the same scorer."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.bench.alarms.bench_truth import Rule, rules_of

from dewkeeper.judge.types import Reading
from dewkeeper_config.models import Limits

HOLD_MINUTES = 30


@dataclass(slots=True)
class Told:
    """An event as the scorer sees it, whoever told it. Minutes from the start of the rack. doubt: told beside it, if any."""

    minute: int
    event: str
    kind: str
    tub: str | None
    probe: str | None
    band: str | None
    priority: str
    alarm: str
    doubt: str = ""


@dataclass(slots=True)
class Threshold:
    """Beyond a tolerable limit for `hold` minutes is an alert; back is back. Knows nothing of faults."""

    tub: str
    limits: Limits
    hold: int
    told: list[Told] = field(default_factory=list)
    _since: list[int] = field(default_factory=lambda: [-1, -1, -1, -1])
    _standing: list[str] = field(default_factory=lambda: ["", "", "", ""])
    _rules: tuple[Rule, ...] = ()

    def __post_init__(self) -> None:
        self._rules = rules_of(self.limits)[:4]

    def feed(self, minute: int, reading: Reading) -> None:
        """Take one reading; a failed poll is passed over."""
        humidity, temperature = reading.humidity_percent, reading.temperature_c
        if humidity is None or temperature is None:
            return
        for n, rule in enumerate(self._rules):
            beyond = rule.sign * ((humidity if rule.unit == "percent" else temperature) - rule.limit) > 0
            if beyond:
                if self._since[n] < 0:
                    self._since[n] = minute
                if not self._standing[n] and minute - self._since[n] >= self.hold:
                    self._standing[n] = f"{self.tub}/{rule.kind}/{minute}"
                    self._tell(minute, "raised", rule, self._standing[n])
            elif self._since[n] >= 0:
                self._since[n] = -1
                if self._standing[n]:
                    self._tell(minute, "cleared", rule, self._standing[n])
                    self._standing[n] = ""

    def _tell(self, minute: int, event: str, rule: Rule, alarm: str) -> None:
        urgent = "urgent" if rule.kind == "hot" else "medium"
        self.told.append(Told(minute, event, rule.kind, self.tub, None, rule.band, urgent, alarm))
