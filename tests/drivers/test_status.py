from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from syncbox.drivers.status import Lengths, lengths


def test_no_callback_yet():
    assert lengths([], 0) == Lengths(0, 0, 0)
    assert lengths([0, 0, 0], 0) == Lengths(0, 0, 0)


@given(lengths_ns=st.lists(st.integers(0, 63_999), min_size=1, max_size=300))
def test_quantiles_are_those_of_the_sorted_list(lengths_ns):
    counts = [0] * 64
    for length_ns in lengths_ns:
        counts[length_ns // 1000] += 1
    ordered = sorted(lengths_ns)

    def quantile(part):
        return ordered[math.ceil(part * len(ordered)) - 1] // 1000 + 1

    found = lengths(counts, max(lengths_ns))
    assert (found.p50_us, found.p99_us) == (quantile(0.5), quantile(0.99))
    assert found.max_us == math.ceil(max(lengths_ns) / 1000)
