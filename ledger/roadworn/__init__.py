"""Roadworn: the service memory of a repair shop or a small fleet."""
