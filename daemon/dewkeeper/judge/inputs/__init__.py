"""What people and the configuration tell the judge."""
