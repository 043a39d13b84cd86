"""What a "no" denies where a fluid stands before the leak: "no brk fluid leak lr whl cyl".

The fluid is then no part of its own, and the leak is denied as if it stood beside the "no".
Which words those are: common practice, no source.
"""

from collections.abc import Sequence

from roadworn.reading.bench_words import Words

_DENIES = frozenset({"no", "not", "without", "sin", "never"})
#: What says how hard it was looked for: "no sign of a coolant leak".
_LOOKED = frozenset({"sign", "of", "a", "any", "visible", "active", "more", "obvious"})
_FLUIDS = frozenset(
    {"oil", "coolant", "fluid", "water", "fuel", "gas", "grease", "air", "atf", "diesel"}
)
_OF_FLUIDS = frozenset(
    {"brake", "transmission", "power", "steering", "gear", "engine", "motor", "differential"}
    | {"clutch", "washer", "hydraulic"}
)
_RUNS_OUT = ("leak", "seep", "drip", "weep", "loss", "sweat", "ooz", "wet", "damp")


def without_denied(
    keys: Sequence[tuple[str, int]], tokens: Sequence[str], kept: set[int]
) -> list[tuple[str, int]]:
    """Return words without those of what does not leak; their tokens are kept for the note."""
    denied: set[int] = set()
    for n, (key, _token) in enumerate(keys):
        if key.startswith(_RUNS_OUT) and n and keys[n - 1][0] in _FLUIDS:
            begin = _denied_from(keys, n, tokens)
            denied.update(at for at in range(begin, n) if keys[at][0] in _FLUIDS | _OF_FLUIDS)
    kept.update(keys[n][1] for n in denied)
    return [one for n, one in enumerate(keys) if n not in denied]


def _denied_from(keys: Sequence[tuple[str, int]], end: int, tokens: Sequence[str]) -> int:
    """Return behind which denial words stand that say what of, or `end` where there is none."""
    at = end
    while at and keys[at - 1][0] in _FLUIDS | _OF_FLUIDS | _LOOKED:
        at -= 1
    within = {token for _key, token in keys[max(0, at - 1) : end]}
    parted = any(tokens[token].endswith((",", ";", ".")) for token in within)
    return at if at and keys[at - 1][0] in _DENIES and not parted else end


def is_denied_at(tokens: Sequence[str], cut: int, words: Words) -> bool:
    """Whether a denial before `cut` is still to say what it denies: "no brk fluid | leak"."""
    keys = [(key, n) for n, token in enumerate(tokens[:cut]) for key in words.keys_of(token)]
    if keys and keys[-1][0] in _DENIES:
        return not tokens[cut - 1].endswith(",")
    return _denied_from(keys, len(keys), tokens) < len(keys)
