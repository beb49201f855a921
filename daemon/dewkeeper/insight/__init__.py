"""What history teaches."""
