"""Every conversion against plain integer arithmetic."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.files.samples import encode_24

inside = st.floats(-1.0, 1.0, exclude_max=True, width=32)


@given(st.lists(inside, max_size=50))
def test_encoding_rounds_to_the_nearest_step(values):
    """Slow twin: Python's round (half to even) of the exact product."""
    octets = encode_24(np.array(values, np.float32))
    found = [
        int.from_bytes(octets[k : k + 3], "little", signed=True)
        for k in range(0, len(octets), 3)
    ]
    assert found == [min(round(v * 2**23), 2**23 - 1) for v in values]


def test_the_ends_of_the_range():
    last = np.nextafter(np.float32(1), np.float32(0))
    assert encode_24(np.array([-1, last], np.float32)).hex() == "000080ffff7f"
    assert encode_24(np.zeros(0, np.float32)) == b""


@pytest.mark.parametrize("value", [1.0, -1.0000001, 2.0, np.nan, np.inf, -np.inf])
def test_nothing_is_clipped_silently(value):
    samples = np.array([0.1, value, 0.2], np.float32)
    with pytest.raises(ValueError, match="not finite or outside"):
        encode_24(samples)
