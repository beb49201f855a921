"""Keeping everything, on one card, for years."""
