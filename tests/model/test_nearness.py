"""What a bound passes over unseen must change no answer: held against weighing every name."""

from functools import cache

from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from rapidfuzz import fuzz
from rapidfuzz.distance import OSA

from roadworn.model.catalogue import catalogue, name_key
from roadworn.model.catalogue.nearness import Nearness

NAMES = catalogue().names


@cache
def nearness() -> Nearness:
    return Nearness(NAMES)


def weighed(key: str) -> tuple[dict[str, float], dict[str, int]]:
    """Return likeness and fewest wrong letters of every component, none passed over."""
    likeness: dict[str, float] = {}
    mistakes: dict[str, int] = {}
    for name, owners in NAMES.items():
        score = (fuzz.ratio(key, name) + fuzz.token_set_ratio(key, name)) / 2
        distance = min(OSA.distance(key, name), OSA.distance(key, name + "s"))
        for owner in owners:
            likeness[owner] = max(likeness.get(owner, 0.0), score)
            mistakes[owner] = min(mistakes.get(owner, distance), distance)
    return likeness, mistakes


@st.composite
def slips(draw: st.DrawFn) -> str:
    """A name with up to four letters taken out, put in or changed, or words of two names."""
    letters = list(draw(st.sampled_from(sorted(NAMES))))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(letters)))
        letters[at : at + draw(st.integers(0, 1))] = draw(st.sampled_from(["", "e", "s", " ", "x"]))
    more = draw(st.sampled_from(["", "", " bad", " lf", " pump"]))
    return name_key("".join(letters) + more) or "pump"


@settings(max_examples=60)
@given(slips())
@example("bat")
@example("wheel baring")
@example("cvs")
def test_every_bounded_answer_is_that_of_weighing_all(key: str) -> None:
    assume(key not in NAMES)  # It is found, and nothing is weighed.
    likeness, mistakes = weighed(key)
    order = sorted(likeness, key=lambda owner: (-likeness[owner], mistakes[owner], owner))
    least = 80.0 if len(key) <= 4 else 60.0
    near = [o for o in order if likeness[o] >= least or mistakes[o] <= 1][:5]
    assert nearness().nearest(key) == (near, likeness[order[0]])

    first = order[0] if likeness[order[0]] >= 85 else None
    assert nearness().likest(key, 85) == first

    allowed = 2 if len(key) >= 9 else 1 if len(key) >= 5 else 0
    one, other = sorted(mistakes, key=lambda owner: mistakes[owner])[:2]
    clear = mistakes[one] <= allowed and mistakes[other] >= mistakes[one] + 2
    assert nearness().mistaken(key) == (one if clear else None)
