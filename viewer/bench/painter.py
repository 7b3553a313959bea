"""Placeholder until the picture process is merged."""
