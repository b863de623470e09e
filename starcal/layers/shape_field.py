"""How wide and how drawn out stars are over the frame: low polynomials of ln FWHM and ellipticity.

As many terms as the stars can tell: a term is taken only if stars that it was not fitted to are
predicted better by it. Terms above the constant are common to the channels, since they come from
one telescope, unless terms of each channel's own predict better still.
"""

from dataclasses import dataclass

import numpy as np

from ..robust import scatter_about_zero
from .singles import Singles

FEWEST_FOR_SHAPE = 3  # stars, below which the profile is a textbook one
FEWEST_FOR_SLOPE, FEWEST_FOR_CURVE = 8, 22  # stars for degree 1 and 2
TERMS = (1, 3, 6)  # of degree 0, 1, 2
TUKEY = 4.7  # errors, where a star counts for nothing
LN_FWHM_SCATTER = 0.004  # what ln FWHM of the best stars scatters by for reasons of their own
CONSTANT_PRIOR = {
    "size": 0.15,
    "lean": 0.3,
}  # sd about what the star table says, and about round
TERM_PRIOR = {"size": 0.25, "lean": 0.15}  # sd of the terms above the constant
OWN_PRIOR = 0.1  # sd of what the terms of a channel differ from the common ones by
SHAPE_ROUNDS = 12
CHANNEL_COUNT = 3


@dataclass(frozen=True, eq=False, kw_only=True)
class ShapeField:
    """ln FWHM and ellipticity of the stars over a frame of ``shape`` (height, width).

    Attributes
    ----------
    size : ndarray, (3, 6)
        Coefficients of ln FWHM (px) for each channel, for the terms of `terms`.
    lean : ndarray, (3, 2, 6)
        The same of e1, e2; see `warp.warps_of`.
    stars : tuple of int
        How many stars of each channel it rests on.
    degree : tuple of int
        Of the polynomials of size and of lean.
    """

    shape: tuple[int, int]
    size: np.ndarray
    lean: np.ndarray
    stars: tuple[int, ...]
    degree: tuple[int, int]

    def at(
        self, channel: int, x_px: np.ndarray, y_px: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """ln FWHM, (n,), and e1, e2, (n, 2), at places in the frame."""
        basis = terms(self.shape, x_px, y_px)
        return basis @ self.size[channel], basis @ self.lean[channel].T

    def relative_width(self, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
        """Width at places against that in the mean over the frame, of all channels together."""
        above = self.size.mean(axis=0)
        above[0] = 0
        return np.exp(terms(self.shape, x_px, y_px) @ above)

    def middling(self, channel: int) -> float:
        """FWHM of the channel in the mean over the frame, px."""
        return float(np.exp(self.size[channel, 0]))


def terms(shape: tuple[int, int], x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    """Values of the six polynomials at places of a frame, (n, 6); all but the first have mean 0
    over it."""
    height, width = shape
    x = np.clip(2 * np.asarray(x_px, float) / max(width - 1, 1) - 1, -1.1, 1.1)
    y = np.clip(2 * np.asarray(y_px, float) / max(height - 1, 1) - 1, -1.1, 1.1)
    return np.stack([np.ones_like(x), x, y, x**2 - 1 / 3, x * y, y**2 - 1 / 3], axis=-1)


def fit_shape_field(
    singles: list[Singles],
    places: list[tuple[np.ndarray, np.ndarray]],
    shape: tuple[int, int],
    fwhm_px: tuple[float, ...],
) -> ShapeField:
    """Fit the shape of the stars over the frame.

    Parameters
    ----------
    singles : list of Singles
        One a channel.
    places : list of (x_px, y_px)
        Of the same stars.
    shape : tuple of int
        Height and width of the frame.
    fwhm_px : tuple of float
        Of each channel, as the star table says: what is believed where no star tells.
    """
    counts = tuple(len(s.size) for s in singles)
    if max(counts) < FEWEST_FOR_SHAPE:
        return _textbook_shapes(shape, fwhm_px, counts)
    data = _Data(
        channel=np.repeat(np.arange(CHANNEL_COUNT), counts),
        terms=np.concatenate([terms(shape, *at) for at in places]),
    )
    size, size_degree = _size_of(data, singles, fwhm_px)
    lean, lean_degree = _lean_of(data, singles)
    return ShapeField(
        shape=shape, size=size[:, 0], lean=lean, stars=counts, degree=(size_degree, lean_degree)
    )


def _size_of(data, singles, fwhm_px):
    """Coefficients of ln FWHM, (3, 1, 6), and their degree."""
    values = np.concatenate([s.size for s in singles])
    error = np.concatenate([s.size_error for s in singles])
    guess = np.log(np.asarray(fwhm_px, float))
    most = _highest_degree(max(len(s.size) for s in singles))
    return _chosen(data, values[:, None], error[:, None], guess[:, None], most, "size")


def _lean_of(data, singles):
    """Coefficients of e1 and e2, (3, 2, 6), and their degree."""
    values = np.concatenate([s.lean for s in singles])
    error = np.concatenate([s.lean_error for s in singles])
    most = _highest_degree(max(len(s.size) for s in singles))
    return _chosen(data, values, error, np.zeros((CHANNEL_COUNT, 2)), most, "lean")


def _textbook_shapes(shape, fwhm_px, counts) -> ShapeField:
    """Round stars of the widths that the star table says, everywhere."""
    size = np.zeros((CHANNEL_COUNT, TERMS[-1]))
    size[:, 0] = np.log(fwhm_px)
    lean = np.zeros((CHANNEL_COUNT, 2, TERMS[-1]))
    return ShapeField(shape=shape, size=size, lean=lean, stars=counts, degree=(0, 0))


def _highest_degree(stars: int) -> int:
    return int(stars >= FEWEST_FOR_SLOPE) + int(stars >= FEWEST_FOR_CURVE)


@dataclass(frozen=True, eq=False)
class _Data:
    """Which channel each row is of, (n,), and the polynomials at its place, (n, 6)."""

    channel: np.ndarray
    terms: np.ndarray

    def design(self, degree: int, own: bool) -> np.ndarray:
        """Columns: a constant a channel, common terms, and each channel's own."""
        of_channel = self.channel[:, None] == np.arange(CHANNEL_COUNT)
        above = self.terms[:, 1 : TERMS[degree]]
        columns = [of_channel.astype(float), above]
        if own:
            columns += [above * of_channel[:, c : c + 1] for c in range(CHANNEL_COUNT)]
        return np.concatenate(columns, axis=1)


def _chosen(data, values, error, guess, most, kind):
    """Coefficients (3, parts, 6) and degree of the model that predicts stars it has not seen best.

    From simple to rich; a richer one must gain more than the gain's own error. The channels see the
    same stars, so there are only a third as many witnesses.
    """
    choices = [(degree, False) for degree in range(most + 1)]
    choices += [(degree, True) for degree in range(1, most + 1)]
    fits = [_fitted_parts(data, values, error, guess, choice, kind) for choice in choices]
    best = _best(fits, error)
    degree, own = choices[best]
    return np.stack(
        [_channel_coefficients(p.solution, degree, own) for p in fits[best]], 1
    ), degree


def _fitted_parts(data, values, error, guess, choice, kind):
    """The robust fit of one model to each part of the values."""
    parts = range(values.shape[1])
    return [_robust(data, values[:, k], error[:, k], guess[:, k], choice, kind) for k in parts]


def _best(fits, error):
    """Which of the fits, from simple to rich, to believe."""
    scale = np.min([[part.scale for part in fit] for fit in fits], axis=0)
    loss = [_unseen_loss(fit, error, scale) for fit in fits]
    best = 0
    for k in range(1, len(fits)):
        gain = loss[best] - loss[k]
        if gain.sum() > np.std(gain) * np.sqrt(3 * len(gain)):
            best = k
    return best


def _unseen_loss(fit, error, scale):
    """Squared prediction error of each row by all others, capped, summed over parts, (n,)."""
    total = np.zeros(len(error))
    for k, part in enumerate(fit):
        chi = part.unseen / (scale[k] * np.hypot(error[:, k], LN_FWHM_SCATTER))
        total += np.minimum(chi**2, TUKEY**2)
    return total


def _channel_coefficients(solution, degree, own):
    """Coefficients of each channel, (3, 6)."""
    result, many = np.zeros((CHANNEL_COUNT, 6)), TERMS[degree] - 1
    result[:, 0] = solution[:CHANNEL_COUNT]
    result[:, 1 : 1 + many] = solution[CHANNEL_COUNT : CHANNEL_COUNT + many]
    if own:
        result[:, 1 : 1 + many] += solution[CHANNEL_COUNT + many :].reshape(CHANNEL_COUNT, many)
    return result


@dataclass(frozen=True, eq=False)
class _Robust:
    """Solution of a robust fit; what each row is off if all others predict it; scatter in
    errors."""

    solution: np.ndarray
    unseen: np.ndarray
    scale: float


def _inverse_normal(design, weight, precision):
    """Covariance of a weighted linear fit with priors."""
    return np.linalg.inv(design.T @ (design * weight[:, None]) + np.diag(precision))


def _right_side(design, weighted, held):
    """Of the normal equations of a linear fit with priors."""
    return design.T @ weighted + held


def _robust(data, values, error, guess, choice, kind) -> _Robust:
    """Iteratively reweighted least squares with Tukey's weights, from the commonest value on."""
    design = data.design(*choice)
    precision, expected = _prior_of(design.shape[1], guess, choice, kind)
    error = np.hypot(error, LN_FWHM_SCATTER)
    residual = _about_the_mode(data.channel, values)
    solution = expected
    unseen = residual
    scale = 1.0
    for _ in range(SHAPE_ROUNDS):
        scale = _chi_scatter(residual / error)
        weight = _tukey(residual, scale, error)
        inverse = _inverse_normal(design, weight, precision)
        solution = inverse @ _right_side(design, weight * values, precision * expected)
        residual = values - design @ solution
        unseen = residual / _left_to_others(design, inverse, weight)
    return _Robust(solution, unseen, scale)


def _left_to_others(design, inverse, weight):
    """Share of each row's prediction that is not its own doing."""
    pull = weight * np.einsum("ij,jk,ik->i", design, inverse, design)
    return np.maximum(1 - pull, 0.05)


def _tukey(residual, scale, error):
    """Inverse variance of each row, less the further off it is."""
    weight = np.clip(1 - (residual / (TUKEY * scale * error)) ** 2, 0, 1) ** 2
    weight /= (scale * error) ** 2
    return weight


def _prior_of(columns, guess, choice, kind):
    """Inverse variance and expected value of each coefficient."""
    degree, _ = choice
    own = columns - CHANNEL_COUNT - (TERMS[degree] - 1)
    spread = np.full(columns, TERM_PRIOR[kind])
    spread[:CHANNEL_COUNT] = CONSTANT_PRIOR[kind]
    spread[columns - own :] = OWN_PRIOR
    return spread**-2, np.concatenate([guess, np.zeros(columns - CHANNEL_COUNT)])


def _chi_scatter(chi):
    """Robust standard deviation, at least 1."""
    return max(1.0, float(scatter_about_zero(chi))) if len(chi) else 1.0


def _about_the_mode(channel, values):
    """Values less the commonest value of their channel."""
    left = values.copy()
    for c in range(CHANNEL_COUNT):
        if np.any(channel == c):
            left[channel == c] -= half_sample_mode(values[channel == c])
    return left


def half_sample_mode(values: np.ndarray) -> float:
    """Where values lie densest: the narrowest half, again and again (Bickel & Fruehwirth 2006,
    CSDA 50, 3500)."""
    ordered = np.sort(values)
    while len(ordered) > 3:
        half = (len(ordered) + 1) // 2
        width = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
        first = int(np.argmin(width))
        ordered = ordered[first : first + half]
    return float(np.median(ordered))
