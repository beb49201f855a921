"""Being told: from events to messages (`plan`), and from the outbox to phones (`dispatcher`)."""
