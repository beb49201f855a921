"""dewkeeper watches the air of animals in racks and enclosures, and says when it is wrong."""
