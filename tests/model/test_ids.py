"""Event ids against RFC 9562: version 7, the variant, the time in front, and order."""

import uuid
from concurrent.futures import ThreadPoolExecutor

from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.events import IdSource, new_event_id, new_event_ids


@given(st.lists(st.integers(0, (1 << 48) - 2), min_size=1, max_size=30))
def test_bits_and_order(clock):
    source = IdSource()
    made = [source.next(moment) for moment in clock]
    assert made == sorted(made)
    assert len(set(made)) == len(made)
    latest = 0
    for text, moment in zip(made, clock, strict=True):
        parsed = uuid.UUID(text)
        assert (str(parsed), parsed.version, parsed.variant) == (text, 7, uuid.RFC_4122)
        latest = max(latest, moment)
        # RFC 9562, section 5.7: the upper 48 bits are Unix time in milliseconds.
        assert parsed.int >> 80 == latest


@given(st.lists(st.integers(0, 6_000), min_size=1, max_size=4))
def test_batches_and_single_ids_are_one_sorted_sequence(counts):
    source = IdSource()
    made = []
    for count in counts:
        made += source.batch(count)
        made.append(source.next())
    assert made == sorted(made)
    assert len(set(made)) == len(made)
    for text in made[:: max(1, len(made) // 20)]:
        assert (uuid.UUID(text).version, uuid.UUID(text).variant) == (7, uuid.RFC_4122)


def test_more_ids_than_a_millisecond_counts():
    source = IdSource()
    made = [source.next(1_000) for _ in range(5_000)]
    assert made == sorted(made)
    assert len(set(made)) == 5_000
    assert uuid.UUID(made[-1]).int >> 80 == 1_001


def test_threads_share_one_source():
    with ThreadPoolExecutor(4) as pool:
        made = [text for ids in pool.map(lambda _: new_event_ids(500), range(8)) for text in ids]
    assert len({*made, new_event_id()}) == 4_001
