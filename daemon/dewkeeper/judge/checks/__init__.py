"""Checks: is a reading of this probe to be believed? One probe fault a file, listed in `judge.table`."""
