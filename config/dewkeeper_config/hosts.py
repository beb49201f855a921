"""Whether a text can be the name or address of a machine."""

from __future__ import annotations

import ipaddress
import re

_LABEL = re.compile(r"(?!-)[A-Za-z0-9_-]{1,63}(?<!-)")


def is_host(text: str) -> bool:
    """Return whether a text is an IP address or a host name (RFC 1123, section 2.1; `_` as home networks have it).

    Letters beyond ASCII are taken as their IDNA form. A name whose last part is a number is an address gone wrong.
    """
    bare = text.removeprefix("[").removesuffix("]") if text.startswith("[") else text
    try:
        ipaddress.ip_address(bare)
    except ValueError:
        pass
    else:
        return True
    try:
        labels = text.removesuffix(".").encode("idna").decode("ascii").split(".")
    except UnicodeError:
        return False
    return all(_LABEL.fullmatch(label) for label in labels) and not labels[-1].isdecimal()
