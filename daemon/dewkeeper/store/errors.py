"""What the store can refuse.

StoreError (DewkeeperError)
├── StoreUnusable (OSError): it could not be opened
│   └── StoreBusy: another process has the writer's place
├── StoreRefused (OSError): it is open and took nothing of this batch
│   ├── StoreCannotHold (ValueError): something in the batch can never be stored
│   └── StoreDamaged (also StoreUnusable): the file is not whole
├── BackupFailed (OSError): no copy was made, or none was brought back
│   └── DatabaseAtFault: the database that was to be copied is damaged
└── TransferRefused (ValueError): an export or import could not go on
"""

from __future__ import annotations

from dewkeeper.errors import DewkeeperError


class StoreError(DewkeeperError):
    """Root of everything the store raises."""


class StoreUnusable(StoreError, OSError):
    """The database could not be opened; the message says why in plain words."""


class StoreBusy(StoreUnusable):
    """Another process writes this database; `holder` and the message name it."""

    def __init__(self, holder: str, message: str) -> None:
        super().__init__(message)
        self.holder = holder


class StoreRefused(StoreError, OSError):
    """Nothing of the batch was written; the message says why in plain words: full, read-only, busy, damaged."""


class StoreCannotHold(StoreRefused, ValueError):
    """Something in the batch is such that no try will ever store it; nothing of the batch was written."""


class StoreDamaged(StoreRefused, StoreUnusable):
    """The database file is damaged; `rescue.open_or_rescue` sets it aside and goes on."""


class BackupFailed(StoreError, OSError):
    """No copy was made, or none was brought back; the message says what to do."""


class DatabaseAtFault(BackupFailed):
    """No copy was made because the database itself cannot be read; `why` says how, without the rest."""

    def __init__(self, message: str, why: str) -> None:
        super().__init__(message)
        self.why = why


class TransferRefused(StoreError, ValueError):
    """An export or import could not go on; what was done so far stands."""
