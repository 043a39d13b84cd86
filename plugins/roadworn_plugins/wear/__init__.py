"""Measured wear and when it reaches its limit: `measured-wear`."""
