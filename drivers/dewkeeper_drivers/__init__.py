"""Probe drivers and I2C buses of dewkeeper."""
