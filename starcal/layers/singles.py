"""The shape of each star by itself: width, lean and shift of a Moffat profile, all stars at once.

Damped Gauss-Newton steps on flux, shift, ln FWHM, ellipticity and a plane of sky; a pixel counts
less the further it is from the model, so that what lies beside a star does not stretch it.
"""

from dataclasses import dataclass

import numpy as np

from .stamps import disc_offsets, stamps_at

STAMP_FWHM = 2.5  # radius of the stamps
STEPS = 10  # at most
SETTLED = 0.01  # errors: a star that no number of moves by more in a step has arrived
LINEAR_BEYOND = 3.0  # errors: further off, a pixel's pull grows no more
PROFILE_ERROR = 0.01  # share of its own light that a profile is wrong by
USUAL_BETA = 3.5  # of seeing with a little of everything else; where no star tells
BETA_RANGE = (1.3, 100.0)  # the upper end is a Gaussian, for all that matters here
BETA_STARS = 80  # the brightest of them tell the exponent
# standard deviations of what single stars may have: shift in FWHM, ln FWHM, e1, e2; 1 / beta
SHIFT_PRIOR, SIZE_PRIOR, LEAN_PRIOR, POWER_PRIOR = 0.5, 0.7, 0.4, 0.3
LARGEST_STEPS = {"shift": 0.25, "size": 0.3, "lean": 0.2, "power": 0.05}
MOST_LEAN = 0.6  # |e|: an axis ratio of 0.3


@dataclass(frozen=True, eq=False, kw_only=True)
class Singles:
    """Shapes of n stars of one channel, each fitted by itself.

    Attributes
    ----------
    flux : ndarray, (n,)
    shift_px : ndarray, (n, 2)
        Against the places given.
    size, size_error : ndarray, (n,)
        ln FWHM in pixels.
    lean, lean_error : ndarray, (n, 2)
        e1, e2 of `warp.warps_of`.
    misfit : ndarray, (n,)
        Robust chi of the pixels within a FWHM.
    beta : float
        Of the profile before pixels sum it.
    sharper : float
        ln of the FWHM before pixels sum it, less ln FWHM as seen, of the typical star.
    """

    flux: np.ndarray
    shift_px: np.ndarray
    size: np.ndarray
    size_error: np.ndarray
    lean: np.ndarray
    lean_error: np.ndarray
    misfit: np.ndarray
    beta: float
    sharper: float


def fit_singles(
    plane: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    guess: np.ndarray,
    *,
    fwhm_px: float,
    noise: float,
    electrons_per_unit: float,
) -> Singles:
    """Fit a Moffat profile of its own to each star; the exponent is one for all.

    Parameters
    ----------
    plane : ndarray, (y, x)
        NaN counts for nothing.
    x_px, y_px, guess : ndarray, (n,)
        Places to about a pixel, and rough fluxes.
    fwhm_px : float
        First guess.
    noise, electrons_per_unit : float
        Of a dark pixel, and what photon noise follows from.
    """
    stamps = _Stamps.cut(plane, x_px, y_px, fwhm_px)
    facts = (fwhm_px, noise, electrons_per_unit)
    bright = np.argsort(guess)[::-1][:BETA_STARS]
    beta, sharp = _before_pixels(stamps.only(bright), guess[bright], facts)
    state, error, misfit = _descended(stamps, guess, beta, facts)
    sharper = float(np.median(sharp - state[bright, 3])) if len(bright) else 0.0
    return _as_singles(state, error, misfit, beta, sharper)


def _before_pixels(stamps, guess, facts):
    """Exponent of the profile before pixels sum it, and ln FWHM of each of the bright stars."""
    if len(guess) == 0:
        return USUAL_BETA, np.zeros(0)
    free = _descended(stamps, guess, USUAL_BETA, facts, over_pixels=True, free=True)[0]
    beta = float(np.clip(1 / np.median(free[:, 9]), *BETA_RANGE))
    sharp = _descended(stamps, guess, beta, facts, over_pixels=True)[0]
    return beta, sharp[:, 3]


def _as_singles(state, error, misfit, beta, sharper):
    """The numbers of the states by their names."""
    return Singles(
        flux=state[:, 0],
        shift_px=state[:, 1:3],
        size=state[:, 3],
        size_error=error[:, 3],
        lean=state[:, 4:6],
        lean_error=error[:, 4:6],
        misfit=misfit,
        beta=beta,
        sharper=sharper,
    )


@dataclass(frozen=True, eq=False)
class _Stamps:
    """Pixels of n stars, (n, P), their offsets, and their sky's basis (P, 2)."""

    values: np.ndarray
    dx: np.ndarray
    dy: np.ndarray
    slopes: np.ndarray

    @classmethod
    def cut(cls, plane, x_px, y_px, fwhm_px):
        offsets = disc_offsets(STAMP_FWHM * fwhm_px)
        values, dx, dy = stamps_at(plane, x_px, y_px, offsets)
        slopes = np.stack(offsets, axis=1) / (STAMP_FWHM * fwhm_px)
        return cls(values.astype(float), dx.astype(float), dy.astype(float), slopes)

    def only(self, rows):
        return _Stamps(self.values[rows], self.dx[rows], self.dy[rows], self.slopes)


def _descended(stamps, guess, beta, facts, over_pixels=False, free=False):
    """State (n, 10): flux, shift x and y, ln FWHM, e1, e2, sky, slopes, 1 / beta; errors; misfit.

    With ``over_pixels`` the profile is summed over pixels: without that the exponent, which is each
    star's own where it is ``free``, would come out too high.
    """
    light_of = _summed if over_pixels else _model_and_slopes
    prior = _inverse_variances(facts[0], free)
    start = _start_states(stamps, guess, beta, facts)
    state = start.copy()
    normal = np.zeros((len(guess), 10, 10))
    chi = np.zeros(stamps.values.shape)
    rows = np.arange(len(guess))
    for _ in range(STEPS):
        some, now = stamps.only(rows), state[rows]
        model, slope = light_of(some, now, free)
        weight, residual = _pixel_weights(some.values, model, now, facts)
        chi[rows] = residual * np.sqrt(weight)
        normal[rows], pull = _normal_equations(slope, weight, residual, prior)
        step = _solved_steps(normal[rows], pull + prior * (start[rows] - now))
        state[rows] = _stepped(now, step, facts[0])
        rows = rows[~_arrived(step, normal[rows])]
        if len(rows) == 0:
            break
    error = np.sqrt(np.maximum(_diagonal(np.linalg.inv(normal)), 0))
    return state, error, _core_misfit(stamps, chi, facts[0])


def _solved_steps(normal, pull):
    """The step of each star, (n, 10)."""
    return np.linalg.solve(normal, pull[:, :, None])[:, :, 0]


def _arrived(step, normal):
    """Which stars hardly move any more: by a small part of the error that each number would have
    if the others were known."""
    return (np.abs(step) * np.sqrt(_diagonal(normal)) < SETTLED).all(axis=1)


def _start_states(stamps, guess, beta, facts):
    """State to start from: round stars of the usual width at the places given, (n, 10)."""
    fwhm_px, noise, _ = facts
    state = np.zeros((len(guess), 10))
    state[:, 0] = np.maximum(guess, noise)
    state[:, 3] = np.log(fwhm_px)
    state[:, 6] = np.nan_to_num(_rim_level(stamps.values))
    state[:, 9] = 1 / beta
    return state


def _normal_equations(slope, weight, residual, prior):
    """Damped normal matrix of each star, (n, 10, 10), and what its pixels pull by, (n, 10)."""
    weighted = slope * weight[:, None, :]
    normal = weighted @ np.swapaxes(slope, 1, 2)
    damping = 0.01 * _diagonal(normal)[:, :, None]
    normal += np.eye(10) * (prior[None, :, None] + damping)
    pull = weighted @ residual[:, :, None]
    return normal, pull[:, :, 0]


def _diagonal(matrices):
    return np.diagonal(matrices, axis1=1, axis2=2)


def _inverse_variances(fwhm_px, free):
    """Inverse variance of each number of a star's state about where it starts, (10,)."""
    shift = (SHIFT_PRIOR * fwhm_px) ** -2
    power = POWER_PRIOR**-2 if free else 1e12
    lean = LEAN_PRIOR**-2
    return np.array([0, shift, shift, SIZE_PRIOR**-2, lean, lean, 0, 0, 0, power])


def _rim_level(values):
    """A third of the way up the sorted pixels: sky, whatever the star."""
    ordered = np.sort(np.where(np.isfinite(values), values, np.inf), axis=1)
    level = ordered[:, values.shape[1] // 3]
    return np.where(np.isfinite(level), level, 0)


def _summed(stamps, state, free):
    """Model and derivatives integrated over pixels, by two Gauss-Legendre nodes each way."""
    node = 0.5 / np.sqrt(3)
    model, slope = 0.0, 0.0
    for across, down in ((-node, -node), (node, -node), (-node, node), (node, node)):
        moved = _Stamps(stamps.values, stamps.dx + across, stamps.dy + down, stamps.slopes)
        light, changes = _model_and_slopes(moved, state, free)
        model += light / 4
        changes *= 0.25
        slope += changes
    return model, slope


def _model_and_slopes(stamps, state, free):
    """Light of every pixel, (n, P), and its derivatives by the state, (n, 10, P); that by the
    exponent only where it is free."""
    flux = state[:, 0:1]
    dx = stamps.dx - state[:, 1:2]
    dy = stamps.dy - state[:, 2:3]
    lean = state[:, 4:6]
    form = _form(lean[:, :1], lean[:, 1:])
    parts = (dx**2, 2 * dx * dy, dy**2)
    square = _square(form, parts)
    # a difference of profiles needs all digits
    unit, fall = _unit_and_fall(state, square, float if free else np.float32)
    slope = np.empty((len(state), 10, dx.shape[1]))
    slope[:, 0] = unit
    _slopes_by_shift(slope, form, dx, dy, fall)
    slope[:, 3] = 2 * (fall * square - flux * unit)
    _slopes_by_lean(slope, lean, parts, fall)
    slope[:, 6] = 1
    slope[:, 7:9] = stamps.slopes.T
    slope[:, 9] = flux * _power_slope(state, square, unit) if free else 0.0
    return flux * unit + _planes_of_sky(stamps, state), slope


def _slopes_by_shift(slope, form, dx, dy, fall):
    """Derivatives by the shift along x and y, into their rows."""
    slope[:, 1] = 2 * fall * (form[0] * dx + form[1] * dy)
    slope[:, 2] = 2 * fall * (form[1] * dx + form[2] * dy)


def _slopes_by_lean(slope, lean, parts, fall):
    """Derivatives by e1 and e2, into their rows."""
    for which in (0, 1):
        change = _form_slope(lean[:, :1], lean[:, 1:], which)
        slope[:, 4 + which] = -fall * _square(change, parts)


def _planes_of_sky(stamps, state):
    """Each star's plane of sky, (n, P)."""
    return state[:, 6:7] + state[:, 7:9] @ stamps.slopes.T


def _steepness(power, size):
    """What squared distances are multiplied by in a Moffat profile of this ln FWHM."""
    return 4 * (2**power - 1) * np.exp(-2 * size)


def _unit_and_fall(state, square, precision):
    """Profile of unit flux at squared distances, its logarithms of a precision, and by how much
    less light each unit of them makes."""
    power = state[:, 9:10]
    steep = _steepness(power, state[:, 3:4])
    base = 1 + steep * square
    falling = np.exp(np.log(base.astype(precision)) / -power.astype(precision))
    unit = (1 / power - 1) / np.pi * steep * falling
    fall = state[:, 0:1] * unit / power * steep / base
    return unit, fall


def _square(form, parts):
    """Quadratic form of offsets, given as dx^2, 2 dx dy and dy^2."""
    return form[0] * parts[0] + form[1] * parts[1] + form[2] * parts[2]


def _form(e1, e2):
    """Entries xx, xy, yy of exp(-2 E)."""
    length = np.hypot(e1, e2)
    across = np.sinh(2 * length) / np.maximum(length, 1e-9)
    even = np.cosh(2 * length)
    return even - across * e1, -across * e2, even + across * e1


def _form_slope(e1, e2, which, h=1e-4):
    """The same, differentiated by e1 or by e2."""
    step = (h, 0.0) if which == 0 else (0.0, h)
    up = _form(e1 + step[0], e2 + step[1])
    down = _form(e1 - step[0], e2 - step[1])
    return [(a - b) / (2 * h) for a, b in zip(up, down, strict=True)]


def _power_slope(state, square, unit, h=1e-3):
    """The profile of unit flux differentiated by 1 / beta."""
    power = state[:, 9:10] + h
    steep = _steepness(power, state[:, 3:4])
    beta = 1 / power
    moved = (beta - 1) / np.pi * steep * (1 + steep * square) ** -beta
    return (moved - unit) / h


def _pixel_weights(values, model, state, facts):
    """Inverse variance of each pixel, less for those far from the model, and what they differ
    by."""
    _, noise, electrons_per_unit = facts
    light = np.maximum(model - state[:, 6:7], 0)
    variance = noise**2 + light / electrons_per_unit + (PROFILE_ERROR * light) ** 2
    residual = np.where(np.isfinite(values), values - model, 0)
    chi = np.abs(residual) / np.sqrt(variance)
    weight = np.minimum(1, LINEAR_BEYOND / np.maximum(chi, 1e-9)) / variance
    return np.where(np.isfinite(values), weight, 0), residual


def _stepped(state, step, fwhm_px):
    """The state one step on, no step longer than the model is straight for."""
    limit = _largest_steps(fwhm_px)
    new = state + np.clip(step, -limit, limit)
    new[:, 0] = np.maximum(new[:, 0], 0.2 * state[:, 0])
    length = np.hypot(new[:, 4], new[:, 5])
    shorter = np.minimum(1, MOST_LEAN / np.maximum(length, 1e-9))
    new[:, 4:6] *= shorter[:, None]
    new[:, 9] = np.clip(new[:, 9], 1 / BETA_RANGE[1], 1 / BETA_RANGE[0])
    return new


def _largest_steps(fwhm_px):
    """How far each number of a state may go in one step, (10,)."""
    limit = np.full(10, np.inf)
    limit[1:3] = LARGEST_STEPS["shift"] * fwhm_px
    limit[3] = LARGEST_STEPS["size"]
    limit[4:6] = LARGEST_STEPS["lean"]
    limit[9] = LARGEST_STEPS["power"]
    return limit


def _core_misfit(stamps, chi, fwhm_px):
    """Root mean square, in errors, of the pixels within a FWHM of the place given."""
    near = np.hypot(stamps.dx, stamps.dy) < fwhm_px
    return np.sqrt((chi**2 * near).sum(axis=1) / np.maximum(near.sum(axis=1), 1))
