"""The judge: what readings mean."""
