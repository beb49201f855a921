"""What is read back."""
