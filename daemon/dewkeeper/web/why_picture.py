"""The parts of a change as bars to both sides of nothing: what dried it to the left, what moistened it to the right.

The sentence beside it says the same; each bar has its name and figure.
"""

from __future__ import annotations

from typing import Final

from markupsafe import Markup, escape

from dewkeeper.report.model import ChangeParts
from dewkeeper.report.why import part_names
from dewkeeper.web.axis import em, framed

_ROW: Final = 20
_BAR: Final = 10
_NAME, _MIDDLE, _HALF = 0, 68, 22
"""Per cent of the width: where names begin, where nothing lies, and how wide the largest bar is."""


def why_picture(parts: ChangeParts | None) -> Markup:
    """Return the bars, empty where the parts are not known."""
    if parts is None:
        return Markup()
    named = part_names(parts)
    # Parts of less than one per cent are not stretched to look like much.
    most = max(1.0, *(abs(value) for _, value in named))
    rows = ""
    for number, (name, value) in enumerate(named):
        top, wide = number * _ROW + 6, _HALF * abs(value) / most
        left = _MIDDLE - wide if value < 0 else float(_MIDDLE)
        beyond, anchor = (left - 1, "end") if value < 0 else (left + wide + 1, "start")
        rows += (
            f'<text x="{_NAME + 1}%" y="{em(top + _BAR)}">{escape(name)}</text>'
            f'<rect class="{"part-less" if value < 0 else "part-more"}" x="{left:.1f}%" y="{em(top)}" width="{max(wide, 0.3):.1f}%" height="{em(_BAR)}"/>'
            f'<text class="number" x="{beyond:.1f}%" y="{em(top + _BAR)}" text-anchor="{anchor}">{value:+.0f}</text>'
        )
    tall = len(named) * _ROW + 6
    said = ", ".join(f"{name} {value:+.0f} %RH" for name, value in named)
    picture = (
        f'<svg class="chart parts" role="img" aria-label="{escape(said)}" width="100%" height="{em(tall)}">'
        f'<line class="part-none" x1="{_MIDDLE}%" x2="{_MIDDLE}%" y1="{em(2)}" y2="{em(tall - 2)}"/>{rows}</svg>'
    )
    return Markup(framed("Why, picture", picture))  # noqa: S704  every word in it was escaped
