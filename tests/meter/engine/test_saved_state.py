"""What the meters keep, as bytes and back: exact, and no more than numbers, whatever stands in the bytes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meter.engine.saved_state import EngineState, MeterKept, pack, unpack

KEPT = EngineState(
    3,
    "a source",
    12.5,
    (48_000, 480, 1),
    {
        "loudness": MeterKept("1.0.0", {"highest": -np.inf, "seen": True, "frames": 2**53 + 1, "not yet": np.nan}),
        "peaks": MeterKept(
            "2.0.0", {"each": np.array([[0.5, 1.0]]), "none": np.empty((0, 4)), "few": np.int16([1, -1])}
        ),
    },
)
MOST = 10_000


class Odd:
    """Says it is an array, and is none."""

    def __array__(self, *_how: object, **_more: object) -> np.ndarray:
        raise ZeroDivisionError


def test_what_comes_back_is_what_was_given() -> None:
    back = unpack(pack(KEPT, MOST))
    assert (back.beginning, back.source, back.taken_at, back.counts) == (3, "a source", 12.5, (48_000, 480, 1))
    assert {meter_id: meter.version for meter_id, meter in back.meters.items()} == {
        "loudness": "1.0.0",
        "peaks": "2.0.0",
    }
    numbers = back.meters["loudness"].kept
    assert (numbers["highest"], numbers["seen"], numbers["frames"]) == (-np.inf, True, 2**53 + 1)
    assert np.isnan(numbers["not yet"])
    for name, array in KEPT.meters["peaks"].kept.items():
        np.testing.assert_array_equal(back.meters["peaks"].kept[name], array)
        assert back.meters["peaks"].kept[name].dtype == array.dtype
        assert back.meters["peaks"].kept[name].flags.writeable


@pytest.mark.parametrize(
    "kept",
    [
        {"words": "loud"},
        {"thing": object()},
        {"odd": Odd()},
        {"mixed": [1, [2, 3]]},
        {str(n): 1 for n in range(1001)},
    ],
)
def test_what_is_no_plain_number_is_left_out_and_the_others_stay(kept: dict[str, object]) -> None:
    meters = {"odd": MeterKept("1", kept), **KEPT.meters}
    back = unpack(pack(EngineState(1, "", 0.0, (0, 0, 0), meters), MOST))
    assert list(back.meters) == ["loudness", "peaks"]


def test_what_does_not_fit_is_left_out_and_the_others_stay() -> None:
    meters = {"huge": MeterKept("1", {"all": np.zeros(MOST)}), **KEPT.meters}
    data = pack(EngineState(1, "", 0.0, (0, 0, 0), meters), MOST)
    assert list(unpack(data).meters) == ["loudness", "peaks"]


@given(st.binary(max_size=300))
def test_any_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - the one kind of error there is, whatever is wrong
        unpack(data)


@given(st.integers(8, len(pack(KEPT, MOST)) - 1), st.integers(1, 255))
def test_a_changed_byte_is_a_changed_number_or_refused(place: int, change: int) -> None:
    """The check sum on the shelf finds it first; without one it still comes to no harm."""
    data = bytearray(pack(KEPT, MOST))
    data[place] ^= change
    try:
        unpack(bytes(data))
    except ValueError:
        return


def test_another_version_is_refused() -> None:
    data = pack(KEPT, MOST).replace(b'"version": 1,', b'"version": 9,')
    with pytest.raises(ValueError, match="another version"):
        unpack(data)
