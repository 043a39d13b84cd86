"""Sentences: an event told in a line, an estimate as a sheet."""
