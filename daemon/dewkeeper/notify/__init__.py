"""From event to phone."""
