"""Statistics of lives, repairs and counts, shared by the bundled analyses."""
