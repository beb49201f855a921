"""Wiring it all into one process."""
