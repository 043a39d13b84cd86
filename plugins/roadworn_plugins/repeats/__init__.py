"""The parts of `repeat-failures`: what is compared, how it is judged, what is said."""
