"""A bus call that never returns: its thread cannot be ended, only the process can."""

from __future__ import annotations

from collections.abc import Callable, Mapping

PATIENCE_SECONDS = 900.0
"""After the alert, which comes within ten minutes, and rare enough for the other buses not to suffer."""

LONGEST_DOUBLING = 6  # 16 hours


class StuckAdapters:
    """Which adapters only a restart may free. Each try doubles the patience until the adapter works again.

    stuck: adapter -> seconds its worker has been busy, where it is. worked: adapters that finished a poll in this life.
    tries: adapter -> restarts so far, as remembered. remember: stores the number for the next life.
    """

    def __init__(
        self,
        stuck: Callable[[], Mapping[str, float]],
        worked: Callable[[], set[str]],
        tries: Mapping[str, int],
        remember: Callable[[str, int], None],
    ) -> None:
        self._stuck = stuck
        self._worked = worked
        self._tries = dict(tries)
        self._remember = remember
        self._hopeless: set[str] = set()

    def __call__(self) -> list[str]:
        """Return the adapters for which the process must be restarted now, from the second look on.

        The first look stores the try, so that the next life knows of it.
        """
        # As of the look before: by now the try is stored.
        hopeless = sorted(self._hopeless)
        stuck = self._stuck()
        for adapter, seconds in stuck.items():
            tries = self._tries.get(adapter, 0)
            if adapter not in self._hopeless and seconds >= PATIENCE_SECONDS * 2 ** min(tries, LONGEST_DOUBLING):
                self._hopeless.add(adapter)
                self._note(adapter, tries + 1)
        for adapter in self._worked() - stuck.keys():
            self._hopeless.discard(adapter)
            if self._tries.get(adapter):
                self._note(adapter, 0)
        return [adapter for adapter in hopeless if adapter in self._hopeless]

    def _note(self, adapter: str, tries: int) -> None:
        self._tries[adapter] = tries
        self._remember(adapter, tries)
