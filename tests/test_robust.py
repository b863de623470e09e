"""Small statistics against scipy's and numpy's own."""

import numpy as np
import pytest
from scipy import stats

from starcal.robust import (
    middle_px,
    quantile_of_known,
    rank_correlation,
    scatter,
    scatter_about_zero,
    scatter_per_axis,
    upper_median,
)


@pytest.fixture
def numbers():
    return np.random.default_rng(0).normal(3.0, 2.0, (7, 101))


@pytest.mark.parametrize("axis", [None, 0, 1])
def test_scatter_is_scipys(numbers, axis):
    """scipy scales by the exact 1 / 0.67449 = 1.482602; ours is rounded to five digits."""
    expected = stats.median_abs_deviation(numbers, axis=axis, scale="normal")
    np.testing.assert_allclose(scatter(numbers, axis), expected, rtol=1e-5)


def test_scatter_keeps_the_axis_it_is_told_to(numbers):
    assert scatter(numbers, 1, keepdims=True).shape == (7, 1)
    assert scatter(numbers, 1).shape == (7,)


def test_scatter_about_zero_knows_no_middle(numbers):
    """Of numbers far from zero it is their size."""
    expected = 1.4826 * np.median(np.abs(numbers))
    assert scatter_about_zero(numbers) == pytest.approx(expected)
    assert scatter_about_zero(numbers) > scatter(numbers)


def test_outliers_do_not_count(numbers):
    spoilt = numbers.copy()
    spoilt[:, :20] = 1e9  # one in five
    assert scatter(spoilt) < 1.5 * scatter(numbers)


def test_scatter_per_axis_is_that_of_the_gaussian():
    """10 000 places with 0.3 px per axis: the median is known to 1 %, allowed are 4 %."""
    places = np.random.default_rng(1).normal(0, 0.3, (10_000, 2))
    assert scatter_per_axis(np.hypot(*places.T)) == pytest.approx(0.3, rel=0.04)
    assert np.isnan(scatter_per_axis([]))


def test_upper_median_is_numpys_of_an_odd_number(numbers):
    numbers[:, ::2] = np.nan  # leaves 50 of 101
    numbers[:, 1] = np.inf  # leaves 49
    expected = np.nanmedian(np.where(np.isinf(numbers), np.nan, numbers), axis=1)
    np.testing.assert_array_equal(upper_median(numbers), expected)


def test_upper_median_of_an_even_number_is_one_of_the_values():
    assert upper_median([[4.0, 1.0, 3.0, 2.0]]) == [3.0]


@pytest.mark.parametrize(("known", "enough"), [(2, False), (3, True)])
def test_upper_median_needs_its_share(known, enough):
    values = np.full((1, 4), np.nan)
    values[0, :known] = 5.0
    assert np.isfinite(upper_median(values, 0.5)[0]) == enough


@pytest.mark.parametrize("nothing", [np.full((1, 2), np.nan), np.zeros((1, 0))])
def test_medians_of_nothing_are_nan(nothing):
    assert np.isnan(upper_median(nothing)[0])
    assert np.isnan(quantile_of_known(nothing, 0.5)[0])


@pytest.mark.parametrize("shape", [(5, 7), (3, 5, 7)])
def test_the_middle_is_as_far_from_both_ends(shape):
    x_px, y_px = middle_px(shape)
    assert (x_px - 0, y_px - 0) == (6 - x_px, 4 - y_px)


@pytest.mark.parametrize("share", [0.0, 0.1587, 0.5, 1.0])
def test_quantile_of_known_is_numpys_midpoint(numbers, share):
    numbers[:, ::3] = np.nan
    expected = np.nanquantile(numbers, share, axis=1, method="midpoint")
    np.testing.assert_array_equal(quantile_of_known(numbers, share), expected)


def test_rank_correlation_sees_through_any_rising_curve(numbers):
    series = numbers[0]
    assert rank_correlation(series, np.exp(series)) == pytest.approx(1.0)
    assert rank_correlation(series, -(series**3)) == pytest.approx(-1.0)


def test_rank_correlation_with_a_constant_is_none():
    assert rank_correlation([1.0, 2.0, 3.0], [5.0, 5.0, 5.0]) == -1.0
