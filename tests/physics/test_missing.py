from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.missing import (
    as_float,
    covered,
    hours_at_or_above,
    longest_run,
    reduce_over,
    reduce_stretches,
)

GAP = np.array([[1.0, np.nan, 3.0, 4.0], [1.0, 2.0, 3.0, 4.0], [np.nan] * 4])


def test_reduce_with_gap_is_nan_and_says_its_coverage() -> None:
    for how, full in (("sum", 10.0), ("mean", 2.5), ("max", 4.0), ("min", 1.0)):
        reduced = reduce_over(GAP, how)  # type: ignore[arg-type]
        np.testing.assert_array_equal(reduced.value, [np.nan, full, np.nan])
        np.testing.assert_array_equal(reduced.coverage, [0.75, 1.0, 0.0])


def test_reduce_partial_coverage_takes_what_is_there() -> None:
    for how, partly in (("sum", 8.0), ("mean", 8.0 / 3.0), ("max", 4.0), ("min", 1.0)):
        reduced = reduce_over(GAP, how, minimum_coverage=0.75)  # type: ignore[arg-type]
        np.testing.assert_allclose(reduced.value[0], partly)
        assert np.isnan(reduced.value[2])


def test_reduce_of_nothing_is_nan_even_when_nothing_is_asked() -> None:
    for how in ("sum", "mean", "max", "min"):
        assert np.isnan(reduce_over([np.nan], how, minimum_coverage=0.0).value)  # type: ignore[arg-type]
        assert np.isnan(reduce_over([], how, minimum_coverage=0.0).value)  # type: ignore[arg-type]


@pytest.mark.parametrize("share", [0.0, 0.3, 0.75, 0.9, 1.0])
def test_covered_says_whether_a_reduction_gives_a_value(share: float) -> None:
    rows = [[], [np.nan], [1.0], [*GAP[0]], [*GAP[2]], [np.nan] * 7 + [1.0] * 3, [np.nan] + [0.0] * 9]
    for row in rows:
        given = not np.isnan(reduce_over(row, "sum", minimum_coverage=share).value)
        assert covered(row, share) is given, (row, share)
    assert covered([np.nan, 1.0, 1.0, 1.0], 0.75)
    assert not covered([np.nan, np.nan, 1.0, 1.0], 0.75)


def test_reduce_weights_count_for_coverage() -> None:
    reduced = reduce_over([1.0, np.nan, 5.0], "mean", minimum_coverage=0.5, weights=[1.0, 2.0, 3.0])
    assert reduced.value == pytest.approx(4.0)
    assert reduced.coverage == pytest.approx(4.0 / 6.0)
    with pytest.raises(ValueError, match="weights"):
        reduce_over([1.0], "max", weights=[1.0])


def test_reduce_unknown_way_raises() -> None:
    with pytest.raises(ValueError, match="median"):
        reduce_over([1.0], "median")  # type: ignore[arg-type]


def test_reduce_other_axis() -> None:
    reduced = reduce_over(GAP[:2], "sum", axis=0)
    np.testing.assert_array_equal(reduced.value, [2.0, np.nan, 6.0, 8.0])


def test_hours_count_the_limit_itself_and_not_the_gap() -> None:
    assert hours_at_or_above([9, 10, 11], 10).value == 2.0
    gap = hours_at_or_above([9.0, np.nan, 11.0], 10.0)
    assert np.isnan(gap.value)
    assert gap.coverage == pytest.approx(2.0 / 3.0)
    assert hours_at_or_above([9.0, np.nan, 11.0], 10.0, minimum_coverage=0.5).value == 1.0
    assert np.isnan(hours_at_or_above([11.0], np.nan).value)


def test_longest_run_is_broken_by_false_and_by_unknown() -> None:
    assert longest_run([0, 1, 1, 0, 1, 1, 1]).value == 3.0
    assert longest_run([1, 1, 1]).value == 3.0
    assert longest_run([0, 0]).value == 0.0
    gap = longest_run([1.0, 1.0, np.nan, 1.0])
    assert np.isnan(gap.value)
    assert longest_run([1.0, 1.0, np.nan, 1.0], minimum_coverage=0.5).value == 2.0
    assert np.isnan(longest_run([]).value)
    np.testing.assert_array_equal(longest_run([[1, 1, 0], [0, 1, 0]], axis=0).value, [1.0, 2.0, 0.0])
    with pytest.raises(ValueError, match="axis"):
        longest_run(1.0)


@pytest.mark.parametrize("how", ["max", "min"])
@pytest.mark.parametrize("last", [[3, 5, 12], [3, 6, 11]], ids=["to-the-edge", "with-gaps-between"])
def test_stretches_are_each_reduced_alone(how: str, last: list[int]) -> None:
    values = np.array([[4.0, 1.0, 7.0, 2.0, np.nan, 9.0, 3.0, 8.0, 5.0, np.nan, 6.0, 0.0], [np.nan] * 12])
    rows = np.array([0, 3, 7]), np.array(last)
    for coverage in (0.0, 0.75, 1.0):
        found = reduce_stretches(values, how, *rows, coverage)  # type: ignore[arg-type]
        for number, (begin, end) in enumerate(zip(*rows, strict=True)):
            alone = reduce_over(values[:, begin:end], how, minimum_coverage=coverage)  # type: ignore[arg-type]
            np.testing.assert_array_equal(found.value[:, number], alone.value)
            np.testing.assert_array_equal(found.coverage[:, number], alone.coverage)


@pytest.mark.parametrize(
    ("first", "last"), [([0, 2], [2, 2]), ([0, 1], [2, 3]), ([0], [5]), ([-1], [2])], ids=str
)
def test_stretches_that_overlap_or_hold_nothing_raise(first: list[int], last: list[int]) -> None:
    with pytest.raises(ValueError, match="stretches"):
        reduce_stretches([1.0, 2.0, 3.0, 4.0], "max", np.array(first), np.array(last))


def test_no_stretches_give_nothing() -> None:
    none = np.zeros(0, dtype=np.intp)
    assert reduce_stretches([[1.0, 2.0]], "max", none, none).value.shape == (1, 0)


def test_as_float_leaves_its_argument_alone() -> None:
    given = np.array([1, 2])
    assert as_float(given).dtype == np.float64
    assert given.dtype.kind == "i"
