"""The demonstration: an invented rack, its air, its bus and its phones."""
