"""Detectors: what do believed readings say of an enclosure or a room? One alarm kind (or pair) a file, listed in `judge.table`."""
