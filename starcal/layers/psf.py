"""The shape of a star on this frame, one channel at a time: a core measured star upon star, wings
from the brightest.

A Moffat profile carries what few stars can tell; a table of what the stars differ from it by
carries the rest (the division of labour of Stetson 1987, PASP 99, 191). Both describe light already
summed over pixels.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import cg
from scipy.spatial import cKDTree

CORE_FWHM = 2.5  # radius of the stamps that the core is measured on, and of its table
TABLE_STEP_PX = 0.5
MOST_STARS = 150
MOFFAT_STARS = 40  # of them for its six numbers
FEWEST_STARS = 3
TABLE_PRIOR = (
    0.2,
    0.002,
)  # a cell of the table is expected to be about these shares of the profile, and of its peak
WING_STARS = 40
WING_FWHM = (2.0, 20.0)  # where the wing's profile is measured
WING_BINS = 10
WING_PRIOR = 0.3  # each ring is expected to differ from what the one before promises by this share
WING_SIGNAL = (
    5.0  # a star must stand out this far in a ring, in errors of the ring, to tell of wings
)
RING_UNREST = 1.0  # nebula lifts or lowers a whole ring by about the scatter of its pixels
SHALLOWEST_WING = -2.0  # log slope; anything shallower would hold infinite light
STEEPEST_BETA = 30.0  # a Gaussian, for all that matters here


@dataclass(frozen=True, eq=False)
class Psf:
    """Shape of a star in one channel.

    Attributes
    ----------
    shift_px : tuple of float
        Where this channel's stars lie, x and y, against the positions of the star table.
    shape : ndarray, (2, 2)
        Quadratic form q of the Moffat profile (1 + d q d)**-beta.
    beta : float
    table : ndarray, (m, m)
        What the core differs from that profile by, every half pixel, in units of flux per pixel.
    wing_radius_px, wing_factor : ndarray, (k,)
        Factor on the Moffat profile by distance; the first is 1.
    wing_slope : float
        d log light / d log r where the wing leaves its last measured radius.
    stars : int
        How many stars it was measured on.
    residual : float
        Scatter of the stars about it, as a share of their peak.
    scale : float
        Factor that makes all its light 1; see `normalised`.
    """

    shift_px: tuple[float, float]
    shape: np.ndarray
    beta: float
    table: np.ndarray
    wing_radius_px: np.ndarray
    wing_factor: np.ndarray
    wing_slope: float
    stars: int
    residual: float
    scale: float = 1.0

    @property
    def fwhm_px(self) -> float:
        """Geometric mean of the two axes, of the Moffat profile."""
        return float(2 * np.sqrt(2 ** (1 / self.beta) - 1) * np.linalg.det(self.shape) ** -0.25)

    def __call__(self, dx_px: np.ndarray, dy_px: np.ndarray) -> np.ndarray:
        """Share of a star's light in pixels at these offsets from its position; float32, any one
        shape."""
        dx, dy = np.broadcast_arrays(
            dx_px - np.float32(self.shift_px[0]), dy_px - np.float32(self.shift_px[1])
        )
        light = moffat(dx, dy, self.shape, self.beta)
        half = self.table.shape[0] // 2
        light += ndimage.map_coordinates(
            self.table,
            [dy / TABLE_STEP_PX + half, dx / TABLE_STEP_PX + half],
            order=1,
            mode="constant",
            output=np.float32,
        )
        radius = np.hypot(dx, dy)
        if radius.max(initial=0) > self.wing_radius_px[0]:
            light *= self._wing(radius)
        return light * np.float32(self.scale)

    def at_radius(self, radius_px: np.ndarray) -> np.ndarray:
        """Share of a star's light per pixel at this distance, without the table: for sizes, not for
        subtraction."""
        round_shape = np.eye(2) * np.sqrt(np.linalg.det(self.shape))
        return (
            moffat(np.asarray(radius_px), np.float32(0), round_shape, self.beta)
            * self._wing(radius_px)
            * self.scale
        )

    def normalised(self) -> "Psf":
        """The same shape with its light, the power law of its wings to infinity included, summing
        to 1."""
        radius = np.ceil(10 * self.fwhm_px)
        dx, dy = disc_offsets(radius)
        steepness = -min(self.wing_slope, SHALLOWEST_WING - 0.5) - 2
        beyond = 2 * np.pi * radius**2 * float(self.at_radius(radius)) / steepness
        inside = float(self(dx.astype(np.float32), dy.astype(np.float32)).sum(dtype=float))
        return replace(self, scale=self.scale / (inside + beyond))

    def _wing(self, radius_px: np.ndarray) -> np.ndarray:
        """Factor on the Moffat profile: interpolated in the logarithms, a power law beyond."""
        log_r, log_f = np.log(self.wing_radius_px), np.log(self.wing_factor)
        beyond = np.log(np.maximum(radius_px, self.wing_radius_px[0]))
        extra = np.maximum(beyond - log_r[-1], 0) * (self.wing_slope + 2 * self.beta)
        return np.exp(np.interp(beyond, log_r, log_f) + extra).astype(np.float32)


def moffat(dx_px: np.ndarray, dy_px: np.ndarray, shape: np.ndarray, beta: float) -> np.ndarray:
    """Profile of unit flux (Moffat 1969, A&A 3, 455), in the precision of the offsets."""
    xx, xy, yy = (float(q) for q in (shape[0, 0], 2 * shape[0, 1], shape[1, 1]))
    q2 = xx * dx_px**2 + xy * dx_px * dy_px + yy * dy_px**2
    return _peak(shape, beta) * np.exp(-float(beta) * np.log1p(q2))


def _over_pixels(dx_px, dy_px, shape, beta):
    """The profile integrated over pixels, by two Gauss-Legendre nodes each way; without it beta
    comes out too high."""
    node = 0.5 / np.sqrt(3)
    return (
        sum(moffat(dx_px + a, dy_px + b, shape, beta) for a in (-node, node) for b in (-node, node))
        / 4
    )


def disc_offsets(radius_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Integer offsets dx, dy of the pixels within a radius, each (P,)."""
    half = int(np.ceil(radius_px))
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1]
    inside = dx**2 + dy**2 <= radius_px**2
    return dx[inside], dy[inside]


def stamps_at(plane: np.ndarray, x_px, y_px, offsets) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values and offsets from the star of the pixels round each star, all (n, P); NaN beyond the
    frame."""
    column, row = np.rint(x_px).astype(int), np.rint(y_px).astype(int)
    dx, dy = (offsets[0] + (column - x_px)[:, None], offsets[1] + (row - y_px)[:, None])
    xs, ys = offsets[0] + column[:, None], offsets[1] + row[:, None]
    height, width = plane.shape
    values = plane[np.clip(ys, 0, height - 1), np.clip(xs, 0, width - 1)].astype(np.float32)
    values[(xs < 0) | (ys < 0) | (xs >= width) | (ys >= height)] = np.nan
    return values, dx.astype(np.float32), dy.astype(np.float32)


def measure_psf(
    plane: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, fwhm_px: float, known: Psf | None = None
) -> Psf:
    """Core of the stars of one channel.

    Parameters
    ----------
    plane : ndarray, (y, x)
        Linear.
    x_px, y_px : ndarray, (n,)
        Bright, unsaturated stars with no near neighbour, the best first; `MOST_STARS` are used.
        With fewer than `FEWEST_STARS` the answer is a round profile of the given width.
    fwhm_px : float
        First guess.
    known : Psf, optional
        An earlier answer, whose Moffat profile and wings are kept; only the table is measured
        again.

    Returns
    -------
    Psf
        Its wings are those of the Moffat profile; see `with_wings`.
    """
    first = np.full(1, CORE_FWHM * fwhm_px), np.ones(1)
    offsets = disc_offsets(CORE_FWHM * fwhm_px)
    stamps = stamps_at(plane, x_px[:MOST_STARS], y_px[:MOST_STARS], offsets)
    whole = np.isfinite(stamps[0]).all(axis=1)
    values, dx, dy = (stamp[whole].astype(float) for stamp in stamps)
    empty = np.zeros((3, 3), np.float32)
    if len(values) < FEWEST_STARS and known is not None:
        return known
    if len(values) < FEWEST_STARS:
        beta = 4.0
        shape = np.eye(2) * 4 * (2 ** (1 / beta) - 1) / fwhm_px**2
        return Psf((0.0, 0.0), shape, beta, empty, *first, -2 * beta, 0, np.nan)
    flat, error = _flatten(values, offsets), _pixel_error(values, offsets)
    if known is None:
        few = np.s_[:MOFFAT_STARS]
        form = _fit_moffat(flat[few], dx[few], dy[few], offsets, fwhm_px, error[few])
        known = Psf(*form, empty, *first, -2 * form[2], len(values), np.nan)
    shift, shape, beta = known.shift_px, known.shape, known.beta
    table, residual = _measure_table(
        flat, dx - shift[0], dy - shift[1], offsets, shape, beta, error
    )
    return replace(known, table=table, stars=len(values), residual=residual)


def _pixel_error(values: np.ndarray, offsets) -> np.ndarray:
    """What a pixel of each star may be wrong by, (n, P): the unrest of its rim, and 1 % of its own
    light."""
    rim = np.hypot(*offsets) > 0.8 * np.hypot(*offsets).max()
    level = np.median(values[:, rim], axis=1, keepdims=True)
    unrest = 1.4826 * np.median(np.abs(values[:, rim] - level), axis=1, keepdims=True)
    return np.hypot(unrest, 0.01 * np.abs(values - level)) + 1e-12


def _flatten(values: np.ndarray, offsets) -> np.ndarray:
    """Stamps (n, P) without their best plane: sky, gradient and most of the nebula under a star."""
    plane = np.linalg.qr(np.stack([np.ones_like(offsets[0]), *offsets], axis=1).astype(float))[
        0
    ].astype(values.dtype)
    return values - (values @ plane) @ plane.T


def _amplitude(flat: np.ndarray, profile: np.ndarray) -> np.ndarray:
    """Flux of each star, (n, 1), from flattened stamps and flattened profiles of unit flux."""
    return ((flat * profile).sum(axis=1) / (profile**2).sum(axis=1))[:, None]


def _fit_moffat(flat, dx, dy, offsets, fwhm_px, error):
    """Shift, quadratic form and exponent that leave least; flux and plane of each star are
    eliminated."""
    width = 2 * np.sqrt(2 ** (1 / 3.0) - 1) / fwhm_px

    def form(p):  # every parameter is 1 at the start, so that one relative step suits all
        upper = width * np.array([[p[2], p[4] - 1], [0, p[3]]])
        return (p[0] - 1, p[1] - 1), upper.T @ upper, 3.0 / p[5]

    def residuals(p):
        shift, shape, beta = form(p)
        profile = _flatten(_over_pixels(dx - shift[0], dy - shift[1], shape, beta), offsets)
        return ((flat - _amplitude(flat, profile) * profile) / error).ravel()

    low, high = [-1, -1, 0.2, 0.2, 0, 3 / STEEPEST_BETA], [3, 3, 3, 3, 2, 2.2]
    best = least_squares(
        residuals,
        np.ones(6),
        bounds=(low, high),
        loss="soft_l1",
        f_scale=2.0,
        diff_step=1e-4,
        max_nfev=30,
    ).x
    shift, shape, beta = form(best)
    return (float(shift[0]), float(shift[1])), shape, float(beta)


def _peak(shape: np.ndarray, beta: float) -> float:
    return float((beta - 1) / np.pi * np.sqrt(np.linalg.det(shape)))


def _measure_table(flat, dx, dy, offsets, shape, beta, error):
    """Least squares for the table, held towards what pixels do to the profile where the stars say
    little."""
    reach_px = np.hypot(*offsets).max()
    half = int(np.ceil(reach_px / TABLE_STEP_PX)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1] * TABLE_STEP_PX
    summed = _over_pixels(x, y, shape, beta) - moffat(x, y, shape, beta)
    design = _bilinear(dx, dy, half)
    profile = _flatten(
        moffat(dx, dy, shape, beta) + (design @ summed.ravel()).reshape(dx.shape), offsets
    )
    flux, peak = _amplitude(flat, profile), _peak(shape, beta)
    residual, spread = flat / flux - profile, error / flux
    weight = (np.abs(residual) < 5 * spread) / spread**2
    weighted = design.multiply(weight.ravel()[:, None]).tocsr()
    prior = TABLE_PRIOR[0] * moffat(x, y, shape, beta) + TABLE_PRIOR[1] * peak
    normal = design.T @ weighted + diags(1 / prior.ravel() ** 2)
    cells, _ = cg(
        normal,
        weighted.T @ residual.ravel(),
        rtol=1e-5,
        maxiter=200,
        M=diags(1 / normal.diagonal()),
    )
    left = residual.ravel() - design @ cells
    table = (summed + cells.reshape(x.shape)) * np.clip((1 - np.hypot(x, y) / reach_px) / 0.2, 0, 1)
    return table.astype(np.float32), float(1.4826 * np.median(np.abs(left)) / peak)


def _bilinear(dx, dy, half):
    """Sparse matrix that reads a table of half-pixel cells at offsets; (offsets, cells)."""
    u, v = dx.ravel() / TABLE_STEP_PX + half, dy.ravel() / TABLE_STEP_PX + half
    size = 2 * half + 1
    i, j = np.clip(u.astype(int), 0, size - 2), np.clip(v.astype(int), 0, size - 2)
    a, b = u - i, v - j
    rows = np.tile(np.arange(len(u)), 4)
    cells = np.concatenate(
        [j * size + i, j * size + i + 1, (j + 1) * size + i, (j + 1) * size + i + 1]
    )
    share = np.concatenate([(1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b])
    return coo_matrix((share, (rows, cells)), shape=(len(u), size**2)).tocsr()


# --- wings ------------------------------------------------------------------------------


def with_wings(
    psf: Psf,
    plane: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    clear_px: np.ndarray,
    bright: np.ndarray,
) -> Psf:
    """The same core with wings measured on the brightest stars of the channel.

    Parameters
    ----------
    psf : Psf
    plane : ndarray, (y, x)
    x_px, y_px : ndarray, (n,)
        All stars: the others' cores are left out.
    clear_px : ndarray, (n,)
        Radius beyond which a star has no clipped pixel; 0 for unsaturated ones.
    bright : ndarray, (m,)
        Indices of the brightest stars, saturated ones among them; the first `WING_STARS` are used.
    """
    bright, everyone = bright[:WING_STARS], cKDTree(np.column_stack([x_px, y_px]))
    edges = psf.fwhm_px * np.geomspace(*WING_FWHM, WING_BINS + 1)
    radius = np.sqrt((edges[1:] ** 2 + edges[:-1] ** 2) / 2)  # half of a ring's pixels lie beyond
    near = [
        [
            other
            for other in everyone.query_ball_point(everyone.data[star], edges[-1])
            if other != star
        ]
        for star in bright
    ]
    rings = [
        _ring_levels(psf, plane, everyone.data[star], edges, everyone.data[others])
        for star, others in zip(bright, near, strict=True)
    ]
    if not rings:
        return psf
    level, error = (np.array(part) for part in zip(*rings, strict=True))
    usable = np.isfinite(level) & (edges[:-1] > clear_px[bright][:, None])
    usable &= _showing(np.where(usable, level, np.nan), error)[:, None]
    if not usable.any():
        return psf
    factor = _wing_factors(
        np.nan_to_num(level), np.where(usable, error, np.inf), psf.at_radius(radius)
    )
    light = np.log(psf.at_radius(radius) * factor)
    slope = np.polyfit(np.log(radius[-4:]), light[-4:], 1)[0]
    return replace(
        psf,
        wing_radius_px=radius,
        wing_factor=factor,
        wing_slope=float(min(slope, SHALLOWEST_WING)),
    )


def _showing(level, error):
    """Stars whose wings stand out of the unrest of the sky in some ring; the others would only add
    what biases them."""
    sky = np.nan_to_num(level[:, -1], nan=np.inf)[:, None]
    return (np.nan_to_num((level - sky) / error, nan=-1.0, neginf=-1.0) > WING_SIGNAL).any(axis=1)


def _unrest(values, profile):
    """Scatter of the pixels of a ring, the star's own fall from the inner to the outer ones taken
    out."""
    slope = profile - profile.mean()
    left = (
        values
        - values.mean()
        - slope * (values * slope).sum() / np.maximum((slope**2).sum(), 1e-30)
    )
    return 1.4826 * np.median(np.abs(left - np.median(left)))


def _ring_levels(psf, plane, at_px, edges, others_px):
    """Median of the pixels in each ring round a star, other stars' cores left out, and what it may
    be wrong by."""
    half = int(np.ceil(edges[-1]))
    column, row = (round(float(at)) for at in at_px)
    top, left = max(0, row - half), max(0, column - half)
    cut = plane[top : row + half + 1, left : column + half + 1]
    y, x = np.ogrid[top : top + cut.shape[0], left : left + cut.shape[1]]
    radius = np.hypot(x - at_px[0], y - at_px[1])
    ring, profile = np.digitize(radius, edges) - 1, psf.at_radius(radius)
    for x_px, y_px in others_px:
        ring[np.hypot(x - x_px, y - y_px) < edges[0]] = -1
    level, error = np.full(len(edges) - 1, np.nan), np.full(len(edges) - 1, np.inf)
    for k in range(len(level)):
        use = (ring == k) & np.isfinite(cut)
        if use.sum() >= 8:
            level[k] = np.median(cut[use])
            spread = _unrest(cut[use], profile[use])
            error[k] = spread * (1.25 / np.sqrt(use.sum()) + RING_UNREST) + 1e-12
    return level, error


def _wing_factors(level, error, profile):
    """Factors on the profile that make level = flux * profile * factor + sky hold for all stars.

    Alternating least squares; the first ring's factor is 1 and each next is expected to be like the
    one before, give or take `WING_PRIOR`, so that rings in which no star shows follow those in
    which stars do.
    """
    weight, factor = 1 / error**2, np.ones(len(profile))
    for _ in range(8):
        shape = profile * factor
        mean = (weight * shape).sum(1) / (total := np.maximum(weight.sum(1), 1e-30))
        centred = shape - mean[:, None]
        flux = np.maximum(
            (weight * centred * level).sum(1) / np.maximum((weight * centred**2).sum(1), 1e-30), 0
        )
        sky = (weight * level).sum(1) / total - flux * mean
        light, precision = (
            (weight * flux[:, None] * (level - sky[:, None])).sum(0),
            (weight * flux[:, None] ** 2).sum(0),
        )
        for k in range(1, len(factor)):
            prior = profile[k] * factor[k - 1]
            best = (light[k] + prior / (WING_PRIOR * prior) ** 2) / (
                precision[k] + 1 / (WING_PRIOR * prior) ** 2
            )
            factor[k] = np.clip(best / profile[k], 0.6 * factor[k - 1], 2 * factor[k - 1])
    return factor
