"""A driver and a channel for dewkeeper, from outside."""
