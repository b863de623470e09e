"""Skies that bend under stars, against algebra and against made turbulence."""

from functools import partial

import numpy as np
import pytest

from starcal.layers import bends
from starcal.layers.stamps import values_at


def turbulence(rng, size: int = 512) -> np.ndarray:
    """A field of power k^(-11/3), k in cycles by px: white noise of variance 1 has a power of 1."""
    k = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size)))
    k[0, 0] = np.inf
    return np.fft.ifft2(np.fft.fft2(rng.normal(size=(size, size))) * k ** (-11 / 6)).real


def test_variances_leave_what_noll_says_is_left():
    """Noll (1976), table IV: .134 of the variance is left without orders 0 and 1, .0648 without 2,
    .0401 without 3, in units of (d / r0)^(5/3); D(d) is 6.88 of them."""
    second, third = (6.88 * bends.BENDS_OF_ORDER[order] for order in (2, 3))
    assert 3 * second == pytest.approx(0.134 - 0.0648, abs=0.001)
    assert 4 * third == pytest.approx(0.0648 - 0.0401, abs=0.001)


def test_skies_are_taken_out_as_their_covariance_asks():
    """The square of 1 - B G B' is the inverse of 1 + B C B', C the variances of the skies. One of
    them is none at all: it is held to 1 / `TIGHTEST` of what the pixels tell of it."""
    rng = np.random.default_rng(0)
    scaled = rng.normal(size=(3, 40, 5))
    variance = 10.0 ** rng.uniform(-3, 3, (3, 5))
    variance[:, 4] = 1e-30
    taken = bends.taken_out(np.einsum("npk,npl->nkl", scaled, scaled), 1 / variance)
    for own, size, out in zip(scaled, variance, taken, strict=True):
        root = np.eye(40) - own @ out @ own.T
        left = root @ root @ (np.eye(40) + own @ np.diag(size) @ own.T)
        np.testing.assert_allclose(left, np.eye(40), atol=5 / bends.TIGHTEST)


def test_patches_without_pixels_are_no_crash():
    taken = bends.taken_out(np.zeros((1, 10, 10)), np.full((1, 10), 1e30))
    assert np.isfinite(taken).all()


def test_roughness_of_made_turbulence():
    """Noll (1976): a power of .023 r0^(-5/3) k^(-11/3) is D(r) = 6.88 (r / r0)^(5/3). 300 places of
    8 differences, of which neighbours share some, tell it to 10 %."""
    rng = np.random.default_rng(1)
    x_px, y_px = rng.uniform(30, 480, (2, 300))
    rough, even = (partial(values_at, sky) for sky in (turbulence(rng), np.zeros((512, 512))))
    found = bends.roughness_near(rough, x_px, y_px, 4.0, 0.0)
    assert np.mean(found) == pytest.approx(6.88 / 0.023, rel=0.2)
    assert not bends.roughness_near(even, x_px, y_px, 4.0, 1.0).any()
