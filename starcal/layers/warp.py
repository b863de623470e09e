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
    e1 = lean[..., 0]
    e2 = lean[..., 1]
    length = np.hypot(e1, e2)
    across = np.sinh(length) / np.maximum(length, 1e-12)
    even = np.cosh(length)
    entries = np.stack([even - across * e1, -across * e2, even + across * e1], axis=-1)
    smaller = np.exp(-size)[..., None]
    return (smaller * entries).astype(np.float32)


def warped(
    dx_px: np.ndarray, dy_px: np.ndarray, warp: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Offsets as they are in the frame's profile, and det A; ``warp`` (..., 3) broadcasts against
    the offsets."""
    xx = warp[..., 0]
    xy = warp[..., 1]
    yy = warp[..., 2]
    u = xx * dx_px + xy * dy_px
    v = xy * dx_px + yy * dy_px
    return u, v, xx * yy - xy * xy


def turned(warp: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Warps of the same stars on a grid that is turned or mirrored.

    Parameters
    ----------
    warp : ndarray, (..., 3)
    turn : ndarray, (2, 2)
        Takes offsets of the frame to offsets of that grid; orthogonal.

    Returns
    -------
    ndarray, (..., 3) float32
        ``turn A turn^T``.
    """
    (a, b), (c, d) = turn
    entries = np.array(
        [
            [a * a, 2 * a * b, b * b],
            [a * c, a * d + b * c, b * d],
            [c * c, 2 * c * d, d * d],
        ]
    )
    return (warp @ entries.T).astype(np.float32)


def longest(warp: np.ndarray) -> np.ndarray:
    """How much longer than the frame's profile a warped one is along its long axis, (...)."""
    xx = warp[..., 0]
    yy = warp[..., 2]
    mean = (xx + yy) / 2
    spread = np.hypot((xx - yy) / 2, warp[..., 1])
    return 1 / np.maximum(mean - spread, 1e-3)
