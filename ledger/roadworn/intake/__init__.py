"""Intake: from files and hands to validated rows."""
