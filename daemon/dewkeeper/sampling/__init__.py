"""Reading every probe on time."""
