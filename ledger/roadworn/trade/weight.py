"""Where a heavy vehicle begins: which sheet and which limits hold hangs on it."""

from typing import Literal

Weight = Literal["light", "heavy"]


def weight_of(weight_class: str | None) -> Weight | None:
    """Return what a recorded weight class says, or None when it says nothing.

    Words (``light``, ``heavy``) count, and so does a figure in lb or kg: the line is
    10,000 lb or 4,536 kg gross weight (49 CFR 570.1 and 570.51).
    """
    text = (weight_class or "").casefold().replace(",", "")
    if "heavy" in text:
        return "heavy"
    if "light" in text:
        return "light"
    words = text.split()
    numbers = [float(word) for word in words if word.isascii() and word.isdigit()]
    if not numbers or not ("lb" in words or "kg" in words):
        return None
    return "heavy" if max(numbers) > (10_000 if "lb" in words else 4_536) else "light"
