"""What sending on can meet.

CollectError (DewkeeperError)
├── ServerUnreachable (OSError): nobody answers, or no longer; tried again by itself
├── ServerRefused: it answers and takes nothing from us; the message says why and what to do
└── SentMeanwhile: somebody else sent as this site between two of our batches; begun again by itself
"""

from __future__ import annotations

from dewkeeper.errors import DewkeeperError

NO_PSYCOPG = (
    "the package psycopg or PostgreSQL's own library is not installed: `apt install libpq5`, and dewkeeper with its "
    "extra `collect`"
)
"""Where the ImportError is met: nothing of this room that talks to a server can be imported then."""
LACKING = (None, "psycopg")
"""Names of ImportErrors that mean that: of psycopg itself, and none where psycopg found no library to speak through."""


class CollectError(DewkeeperError):
    """Root of everything this room raises. No message holds a password."""


class ServerUnreachable(CollectError, OSError):
    """The server does not answer, or the connection ended under us."""


class ServerRefused(CollectError):
    """The server answers and takes nothing: another's name, no right, no room, a certificate, another schema."""


class SentMeanwhile(CollectError):
    """The cursor on the server is not where we left it; nothing of the batch was stored."""
