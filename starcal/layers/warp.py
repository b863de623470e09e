"""How the profile of a star at one place of the frame differs from the frame's: wider, narrower,
drawn out.

A warp is a symmetric matrix A, kept as its entries (xx, xy, yy). A star at offset d looks as the
frame's profile P does at A d, with det A in front so that its light stays 1.
"""

import numpy as np

SAME = np.array([1.0, 0.0, 1.0], np.float32)  # the warp that changes nothing


def warps_of(size: np.ndarray, lean: np.ndarray) -> np.ndarray:
    """Warps A = exp(-(size I + E)), E = [[e1, e2], [e2, -e1]].

    Parameters
    ----------
    size : ndarray, (...)
        Logarithm of the width against the frame's profile.
    lean : ndarray, (..., 2)
        e1, e2: the axis ratio is exp(-2 |e|), the long axis lies at half of atan2(e2, e1).

    Returns
    -------
    ndarray, (..., 3) float32
        xx, xy, yy of each.
    """
    length = np.hypot(lean[..., 0], lean[..., 1])
    across = np.sinh(length) / np.maximum(length, 1e-12)
    even = np.cosh(length)
    entries = [even - across * lean[..., 0], -across * lean[..., 1], even + across * lean[..., 0]]
    return (np.exp(-size)[..., None] * np.stack(entries, axis=-1)).astype(np.float32)


def warped(
    dx_px: np.ndarray, dy_px: np.ndarray, warp: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Offsets as they are in the frame's profile, and det A; ``warp`` (..., 3) broadcasts against
    the offsets."""
    xx, xy, yy = warp[..., 0], warp[..., 1], warp[..., 2]
    return xx * dx_px + xy * dy_px, xy * dx_px + yy * dy_px, xx * yy - xy * xy


def longest(warp: np.ndarray) -> np.ndarray:
    """How much longer than the frame's profile a warped one is along its long axis, (...)."""
    mean = (warp[..., 0] + warp[..., 2]) / 2
    spread = np.hypot((warp[..., 0] - warp[..., 2]) / 2, warp[..., 1])
    return 1 / np.maximum(mean - spread, 1e-3)
