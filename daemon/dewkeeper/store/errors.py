"""What the store can refuse.

StoreError (DewkeeperError)
├── StoreUnusable (OSError): it could not be opened
└── StoreRefused (OSError): it is open and took nothing of this batch
"""

from __future__ import annotations

from dewkeeper.errors import DewkeeperError


class StoreError(DewkeeperError):
    """Root of everything the store raises."""


class StoreUnusable(StoreError, OSError):
    """The database could not be opened; the message says why in plain words."""


class StoreRefused(StoreError, OSError):
    """Nothing of the batch was written; the message says why in plain words: full, read-only, busy, damaged."""
