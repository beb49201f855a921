"""What an animal is, as the keeper wrote it down: hatch date, sex, notes. An entry of the journal like all else.

Its words are `NAME, hatched 2021-06, female, eats only at night`: what is not known is said so or left out; the notes come
last and may hold commas.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Final

DESCRIBED: Final = "described"
"""The journal's word for it; the newest entry about an animal holds."""
SEXES: Final = ("female", "male")
_HATCHED: Final = re.compile(r"hatched (\d{4}(?:-\d\d(?:-\d\d)?)?)")
_NO_DATE, _NO_SEX = "hatch date not known", "sex not known"


@dataclass(frozen=True, slots=True)
class AnimalFacts:
    """hatched: "2021-06-03", "2021-06" or "2021"; sex: "female" or "male"; "" for what is not known. notes: free text."""

    hatched: str = ""
    sex: str = ""
    notes: str = ""

    def words(self) -> str:
        """Return "hatched 2021-06, female", "" where neither is known."""
        return ", ".join(part for part in (f"hatched {self.hatched}" if self.hatched else "", self.sex) if part)

    def detail(self, name: str) -> str:
        """Return the detail of the entry from which `described` makes name and facts again."""
        hatched = f"hatched {self.hatched}" if self.hatched else _NO_DATE
        return ", ".join(part for part in (name, hatched, self.sex or _NO_SEX, self.notes) if part)


def described(detail: str) -> tuple[str, AnimalFacts]:
    """Return of whom an entry tells ("" for nobody), and what."""
    name, _, rest = detail.partition(",")
    hatched = sex = ""
    first, _, more = rest.partition(",")
    # Only where a part is just that: anything else begins the notes, which may hold commas and such words.
    found = _HATCHED.fullmatch(first.strip())
    if found is not None and is_hatch_date(found[1]):
        hatched, rest = found[1], more
    elif first.strip() == _NO_DATE:
        rest = more
    first, _, more = rest.partition(",")
    if first.strip() in (*SEXES, _NO_SEX):
        sex, rest = first.strip() if first.strip() in SEXES else "", more
    return name.strip(), AnimalFacts(hatched, sex, rest.strip())


def is_hatch_date(text: str) -> bool:
    """Whether it is a date, a month or a year that there is: 2021-06-03, 2021-06 or 2021."""
    if not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", text, re.ASCII):
        return False
    try:
        date.fromisoformat(text + "-01" * (2 - text.count("-")))
    except ValueError:
        return False
    return True
