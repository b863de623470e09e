"""One probability over B-V for each star, from its ratios, the catalogue and its field.

The frame's parameters (zero points, slopes and bends of the ratios, their scatter, reddening, the
field's colours) are those of the largest posterior, found by scoring steps: gradients are exact,
the information is that of the stars' own scores (Berndt et al. 1974, Annals of Economic and Social
Measurement 3, 653). The stars' probabilities allow for what remains unknown of the parameters.
"""

from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from ..cores import in_threads
from .population import FIELD_MEAN_ERROR_MAG, FIELD_MEAN_MAG, TILT_ERROR, tilts
from .relations import GRID_BV_MAG, Bands, possible_behind

# Shares of stars that are not as the others: of larger scatter; with emission or absorption that
# spoils the weaker ratio alone; of no use; and the late giants, which look like K stars in B-V.
WIDE_SHARE, WIDE_MAG = 0.05, 0.3
WEAK_BAD_SHARE, WEAK_BAD_MAG = 0.10, 0.4
FLAT_SHARE, FLAT_RANGE_MAG = 0.015, 3.0
LATE_SHARE, LATE_BV_MAG = 0.02, (0.95, 1.55)
LATE_SCATTER_MAG = np.array([0.35, 0.2])
SCATTER_LN_ERROR = 0.5  # of the real stars' scatter through other filters
# Hot, solar, orange and red stars each have their own: H-alpha varies among the first, from K0 on
# dwarfs, giants and supergiants part, and molecules make the last; of all that the many stars of
# solar type, which are alike, say nothing. Where one kind fades into the next:
SCATTER_FADES_MAG = ((0.15, 0.35), (0.8, 1.0), (1.2, 1.4))
SCATTERS = 8  # numbers: of the four kinds, for either ratio
REDDENED_LOGIT, REDDENED_LOGIT_ERROR = -1.0, 1.0  # share of stars behind dust
REDDENED_LOGIT_TWO_LINES = -2.0  # one ratio cannot tell
SHARE_BY_REDDENING = np.array([0.65, 0.35])  # of the reddened: the nearer, the farther
MOST_STEPS, ENOUGH_GAIN = 40, 0.01  # of ln probability
STEP_CUTS = 8  # to a third each: less is no step
# What all steps after the sixth gained was at most 12 times what its gradient promised for the next
# and 25 more, in 143 fits of made fields.
FIRST_STEPS, GAINS_IN_REACH, LN_IN_REACH = 6, 12, 50
POSTERIOR_BATCH, SCORED_AT_ONCE = 1000, 32  # stars at a time, for memory and for the cache
# An error of the first zero point, and steps over which it is then looked at: beyond 0.8 mag no
# field lies, its mean B-V being 0 to 1.6
LOOSE_MAG, HELD_STEP_MAG, HELD_STEPS = 0.06, 0.16, 5
HELD_ERROR_MAG = 0.01
TINY = 1e-300
GRID_STEP_MAG = float(GRID_BV_MAG[1] - GRID_BV_MAG[0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Evidence:
    """What is known of n stars.

    Attributes
    ----------
    ratio_mag : ndarray, shape (2, n)
        In the order of the bands' ratios; NaN where there is none. A single ratio stands first,
        with 0 beside it.
    variance_mag2 : ndarray, shape (2, n)
        Of the ratios; 1 beside a single one.
    shared_mag2 : ndarray, shape (n,)
        Covariance of the two, by the channel that they share.
    ln_prior : ndarray, shape (n, grid)
        Of the population.
    ln_catalogue : ndarray, shape (n, grid)
        Likelihood of the catalogue's B-V; 0 where it has none.
    catalogued : ndarray of bool, shape (n,)
        Whether the catalogue has the star: which of the field's two tilts it follows.
    weight : ndarray, shape (n,)
        How much a star counts in the fit of the frame.
    """

    ratio_mag: np.ndarray
    variance_mag2: np.ndarray
    shared_mag2: np.ndarray
    ln_prior: np.ndarray
    ln_catalogue: np.ndarray
    catalogued: np.ndarray
    weight: np.ndarray

    def __len__(self) -> int:
        """Count the stars."""
        return len(self.weight)

    def rows(self, which) -> "Evidence":
        """The same of some of the stars."""
        return Evidence(
            ratio_mag=self.ratio_mag[:, which],
            variance_mag2=self.variance_mag2[:, which],
            shared_mag2=self.shared_mag2[which],
            ln_prior=self.ln_prior[which],
            ln_catalogue=self.ln_catalogue[which],
            catalogued=self.catalogued[which],
            weight=self.weight[which],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class FrameFit:
    """Parameters of a frame.

    Attributes
    ----------
    bands : Bands
    values : ndarray, shape (parameters + 12,)
        Those of the bands; ln factor of the scatter of each ratio for hot, solar, orange and red
        stars; logit of the reddened share; tilts of the catalogued stars, of the others, and of
        the spread.
    covariance : ndarray
        Of the values.
    ln_evidence : float
        Probability of the data under this kind of bands (Laplace's approximation).
    next_gain : float
        Of ln probability, by the next step: next to nothing at the summit.
    held : tuple of FrameFit
        Where the first zero point is loosely known: the same with that held at steps about it, each
        as likely as its evidence. Few stars leave a probability that is wide, skew or of two
        summits, and its summit alone then tells too much.
    """

    bands: Bands
    values: np.ndarray
    covariance: np.ndarray
    ln_evidence: float
    next_gain: float = 0.0
    held: tuple["FrameFit", ...] = ()

    @property
    def ln_in_reach(self) -> float:
        """The evidence that more steps could give at most."""
        return self.ln_evidence + GAINS_IN_REACH * self.next_gain + LN_IN_REACH

    @property
    def weighted(self) -> list[tuple[float, "FrameFit"]]:
        """The fits that stars are judged by, with their shares."""
        fits = self.held or (self,)
        ln = np.array([fit.ln_evidence for fit in fits])
        share = np.exp(ln - ln.max())
        return list(zip(share / share.sum(), fits, strict=True))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Priors:
    """Gaussian priors of all values."""

    middle: np.ndarray
    error: np.ndarray

    @classmethod
    def of(cls, bands: Bands) -> "_Priors":
        two_lines = bands.is_narrow and not bands.has_third_line
        dust = REDDENED_LOGIT_TWO_LINES if two_lines else REDDENED_LOGIT
        dust_error = REDDENED_LOGIT_ERROR if bands.has_third_line else 1e-3
        rest = [dust, 0.0, 0.0, 0.0]
        errors = [dust_error, *TILT_ERROR.values()]
        return cls(
            middle=np.concatenate([bands.expected, np.zeros(SCATTERS), rest]),
            error=np.concatenate(
                [bands.expected_error, np.full(SCATTERS, SCATTER_LN_ERROR), errors]
            ),
        )

    def ln(self, values: np.ndarray) -> float:
        pull = (values - self.middle) / self.error
        return float(-0.5 * pull @ pull)


# --- the ratios -------------------------------------------------------------------------


@cache
def kinds_by_scatter(narrow: bool) -> np.ndarray:
    """How far a star of each B-V is hot, solar, orange or red, (4, grid); broad bands and unknown
    ones know one kind."""
    everyone, no_one = np.ones(len(GRID_BV_MAG)), np.zeros(len(GRID_BV_MAG))
    beyond = [
        np.clip((GRID_BV_MAG - low) / (high - low), 0, 1) if narrow else no_one
        for low, high in SCATTER_FADES_MAG
    ]
    return -np.diff([everyone, *beyond, no_one], axis=0)


def _scatter_factors(values: np.ndarray, bands: Bands) -> np.ndarray:
    """By how much the real stars' scatter of each ratio is larger than usual, (2, grid)."""
    count = len(bands.expected)
    ln = values[count : count + SCATTERS].reshape(-1, 2)
    return np.exp(ln.T @ kinds_by_scatter(bands.is_narrow))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Lobes:
    """Likelihood of ratios at each reddening and B-V, (n, reddenings, grid), and what drives it.

    Attributes
    ----------
    ln : ndarray
    toward : ndarray, shape (2, n, reddenings, grid)
        d ln / d the mean of each ratio.
    wider : ndarray, shape (2, n, reddenings, grid)
        d ln / d the ln of the real stars' scatter.
    """

    ln: np.ndarray
    toward: np.ndarray
    wider: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class _Residuals:
    """Ratios of n stars less what each reddening and B-V calls for.

    Attributes
    ----------
    left : ndarray, shape (2, n, reddenings, grid)
    own, real : ndarray, broadcast to it
        Whole variances, and the part that scales with the real stars' scatter.
    shared, together : ndarray, broadcast to one of it
        Whole covariance, and the part that scales with the real stars' scatter.
    seen : ndarray of bool, shape (n,)
        Whether a star has ratios.
    """

    left: np.ndarray
    own: np.ndarray
    real: np.ndarray
    shared: np.ndarray
    together: np.ndarray
    seen: np.ndarray


def _residuals(values: np.ndarray, bands: Bands, stars: Evidence, unknown) -> _Residuals:
    """Ratios against what the values call for; 0 where there are none."""
    factors = _scatter_factors(values, bands)
    real = _per_star((bands.scatter_mag * factors) ** 2)
    together = bands.scatter_shared_mag2 * factors.prod(axis=0)
    seen = np.isfinite(stars.ratio_mag).all(axis=0)
    noise = np.where(seen, stars.variance_mag2, 1.0)[:, :, None, None]
    if unknown is not None:
        noise = noise + unknown[:, None]
    ratio = np.where(seen, stars.ratio_mag, 0.0)[:, :, None, None]
    return _Residuals(
        left=ratio - _called_for(values, bands)[:, None],
        own=real + noise,
        real=real,
        shared=np.where(seen, stars.shared_mag2, 0.0)[:, None, None] + together,
        together=together,
        seen=seen,
    )


def _per_star(curves: np.ndarray) -> np.ndarray:
    """Curves of both ratios along B-V, to go with stars and reddenings, (2, 1, 1, grid)."""
    return curves[:, None, None, :]


def _called_for(values: np.ndarray, bands: Bands) -> np.ndarray:
    """Mean ratios at each reddening and B-V, (2, reddenings, grid)."""
    return np.tensordot(values[: len(bands.expected)], bands.features, axes=(0, 1))


def _normal(ratios: _Residuals, more: np.ndarray | float = 0.0) -> tuple:
    """A normal of two ratios, of so much more variance: its density, and its gradients by mean and
    by ln real scatter."""
    own = ratios.own + more
    density, toward, bottom = _normal_density(ratios.left, own, ratios.shared)
    inverse = own[::-1] / bottom
    by_shared = ratios.together * (toward[0] * toward[1] + ratios.shared / bottom)
    return density, toward, ratios.real * (toward**2 - inverse) + by_shared


def _normal_density(left, own, shared) -> tuple:
    """Density of a normal of two ratios, its gradient by mean, the determinant of its variances."""
    bottom = own[0] * own[1] - shared**2
    toward = _toward(left, own, shared, bottom)
    density = np.exp(-0.5 * np.sum(toward * left, axis=0)) / (2 * np.pi * np.sqrt(bottom))
    return density, toward, bottom


def _toward(left, own, shared, bottom) -> np.ndarray:
    """Residuals by the inverse of their covariance, whose determinant is `bottom`."""
    first = (own[1] * left[0] - shared * left[1]) / bottom
    second = (own[0] * left[1] - shared * left[0]) / bottom
    return np.array([first, second])


def _lobes(values: np.ndarray, bands: Bands, stars: Evidence, unknown=None) -> _Lobes:
    """Likelihood of the ratios of some stars; `unknown`, (2, reddenings, grid), is the variance
    that the parameters leave open."""
    ratios = _residuals(values, bands, stars, unknown)
    parts = _kinds_of_stars(ratios, bands, values)
    total = sum(density for density, _, _ in parts) + TINY
    toward = sum(density * gradient for density, gradient, _ in parts) / total
    wider = sum(density * gradient for density, _, gradient in parts) / total
    blind = ~ratios.seen[:, None, None]
    return _Lobes(
        ln=np.where(blind, 0.0, np.log(total)),
        toward=np.where(blind, 0.0, toward),
        wider=np.where(blind, 0.0, wider),
    )


def _kinds_of_stars(ratios: _Residuals, bands: Bands, values: np.ndarray) -> list[tuple]:
    """Each kind of star: its density with its share, and its gradients."""
    two = len(bands.ratio_of) == 2
    late = _late_share(bands)
    weak = WEAK_BAD_SHARE if two and bands.is_narrow else 0.0
    usual = 1 - late - WIDE_SHARE - FLAT_SHARE - weak
    wide = _of_ratios(WIDE_MAG**2, WIDE_MAG**2 * two)
    parts = [
        _shared_out(usual, _normal(ratios)),
        _shared_out(WIDE_SHARE, _normal(ratios, wide)),
        (FLAT_SHARE * _flat(ratios, two), 0.0, 0.0),
    ]
    if weak:
        parts.append(_shared_out(weak, _normal(ratios, _of_ratios(0.0, WEAK_BAD_MAG**2))))
    if bands.late_giants_mag is not None:
        parts.append(
            (late * _late_giants(ratios, bands, values, bands.late_giants_mag), 0.0, 0.0)
        )
    return parts


def _of_ratios(first: float, second: float) -> np.ndarray:
    """A number for each ratio, (2, 1, 1, 1)."""
    return np.array([first, second]).reshape(2, 1, 1, 1)


def _shared_out(share, part: tuple) -> tuple:
    density, toward, wider = part
    return share * density, toward, wider


def _flat(ratios: _Residuals, two: bool) -> np.ndarray | float:
    """Density of stars of any ratio; the second's is that of a number that is always 0 where there
    is but one."""
    if two:
        return FLAT_RANGE_MAG**-2
    return 1 / (FLAT_RANGE_MAG * np.sqrt(2 * np.pi * ratios.own[1]))


def _late_share(bands: Bands) -> np.ndarray:
    """Share of late giants at each B-V, (grid,)."""
    inside = np.abs(GRID_BV_MAG - np.mean(LATE_BV_MAG)) < np.ptp(LATE_BV_MAG) / 2
    return LATE_SHARE * inside * (bands.late_giants_mag is not None)


def _late_giants(
    ratios: _Residuals, bands: Bands, values: np.ndarray, middle_mag: np.ndarray
) -> np.ndarray:
    """Density of giants M5 and later, whose ratios do not depend on their B-V."""
    count = len(bands.ratio_of)
    zero = np.zeros(2)
    zero[:count] = values[:count]
    moved = _called_for(values, bands) - (zero + middle_mag)[:, None, None]
    scatter = np.where(np.arange(2) < count, LATE_SCATTER_MAG, 0.0) ** 2
    own = ratios.own - ratios.real + scatter.reshape(2, 1, 1, 1)
    shared = ratios.shared - ratios.together
    return _normal_density(ratios.left + moved[:, None], own, shared)[0]


# --- the frame --------------------------------------------------------------------------


def _prior(values: np.ndarray, stars: Evidence) -> np.ndarray:
    """The population as the field has tilted it, (n, grid), logarithm, normalised."""
    tilt = np.where(stars.catalogued, values[-3], values[-2])
    towards, spread = tilts()
    ln = stars.ln_prior + tilt[:, None] * towards + values[-1] * spread
    return ln - _ln_sum(ln)[:, None]


def _ln_sum(ln: np.ndarray) -> np.ndarray:
    """Logarithm of the sum of exponentials over the last axis."""
    top = ln.max(axis=-1, keepdims=True)
    return (top + np.log(np.exp(ln - top).sum(axis=-1, keepdims=True)))[..., 0]


def _dust(values: np.ndarray) -> np.ndarray:
    """Share of the stars behind each reddening, (reddenings, grid)."""
    share = 1 / (1 + np.exp(-values[-4]))
    weights = np.concatenate([[1 - share], share * SHARE_BY_REDDENING])
    there = weights[:, None] * possible_behind()
    return there / there.sum(axis=0)


def _scores(values: np.ndarray, bands: Bands, stars: Evidence) -> tuple[np.ndarray, np.ndarray]:
    """Each star's ln probability, and its gradient by the values, (n,) and (n, values)."""
    lobes = _lobes(values, bands, stars)
    prior = _prior(values, stars)
    dust = _dust(values)
    joint = lobes.ln + np.log(dust + TINY) + (prior + stars.ln_catalogue)[:, None, :]
    flat = joint.reshape(len(stars), -1)
    ln = _ln_sum(flat)
    share = np.exp(flat - ln[:, None]).reshape(joint.shape)
    by_ratios = _by_ratios(share, lobes, bands)
    by_tilts = _by_tilts(share, prior, stars.catalogued)
    return ln, np.column_stack([by_ratios, _by_dust(share, dust), *by_tilts])


def _scores_of_all(
    values: np.ndarray, bands: Bands, stars: Evidence
) -> tuple[np.ndarray, np.ndarray]:
    """The same, so many stars at a time that what is made of them fits the cache; each part takes a
    few milliseconds, too few for a thread."""
    parts = _in_batches(stars, SCORED_AT_ONCE)
    ln, score = zip(*(_scores(values, bands, some) for some in parts), strict=True)
    return np.concatenate(ln), np.concatenate(score)


def _in_batches(stars: Evidence, most: int) -> list[Evidence]:
    """Parts of so many stars; a single empty one of none."""
    first = range(0, max(len(stars), 1), most)
    return [stars.rows(slice(start, start + most)) for start in first]


def _by_tilts(share: np.ndarray, prior: np.ndarray, catalogued: np.ndarray) -> list[np.ndarray]:
    """Gradients by the tilt of the catalogued, that of the others, and the second tilt, each
    (n,)."""
    by_tilts = (share.sum(axis=1) - np.exp(prior)) @ tilts().T
    first = by_tilts[:, 0]
    return [first * catalogued, first * ~catalogued, by_tilts[:, 1]]


def _by_ratios(share: np.ndarray, lobes: _Lobes, bands: Bands) -> np.ndarray:
    """Gradient by the parameters of the bands and the scatters, (n, parameters + 8)."""
    toward = share * lobes.toward
    of_bands = np.tensordot(toward, bands.features, axes=((0, 2, 3), (0, 2, 3)))
    wider = (share * lobes.wider).sum(axis=2)
    kinds = kinds_by_scatter(bands.is_narrow)
    of_scatter = np.moveaxis(wider @ kinds.T, 0, 2)
    return np.hstack([of_bands, of_scatter.reshape(len(share), -1)])


def _by_dust(share: np.ndarray, dust: np.ndarray) -> np.ndarray:
    """Gradient by the logit of the reddened share, (n,)."""
    behind, clear = share[:, 1:].sum(axis=1), share[:, 0]
    reddened = dust[1:].sum(axis=0)
    return (behind * (1 - reddened) - clear * reddened).sum(axis=1)


def fit_frame(
    bands: Bands, stars: Evidence, start: np.ndarray, *, steps: int = MOST_STEPS
) -> FrameFit:
    """Parameters of a frame by their largest posterior.

    Parameters
    ----------
    bands : Bands
        What kind of channels it has.
    stars : Evidence
        Those to fit by; few hundred are enough.
    start : ndarray, shape (parameters,)
        Of the bands' parameters.
    steps : int
        How many at most.

    Returns
    -------
    FrameFit
    """
    priors = _Priors.of(bands)
    values = priors.middle.copy()
    values[: len(start)] = start
    return _fit(values, bands, stars, priors, steps)


def _fit(
    values, bands: Bands, stars: Evidence, priors: _Priors, steps: int = MOST_STEPS
) -> FrameFit:
    """The fit that is reached from some values."""
    values, state = _top(values, bands, stars, priors, steps)
    covariance = np.linalg.inv(state[2])
    volume = np.linalg.slogdet(covariance / np.outer(priors.error, priors.error))[1]
    return FrameFit(
        bands=bands,
        values=values,
        covariance=covariance,
        ln_evidence=float(state[0] + volume / 2),
        next_gain=float(state[1] @ covariance @ state[1] / 2),
    )


def loosened(fit: FrameFit, stars: Evidence) -> FrameFit:
    """A fit with others beside it, if its first zero point is loosely known.

    Parameters
    ----------
    fit : FrameFit
    stars : Evidence
        What it was fitted to.

    Returns
    -------
    FrameFit
    """
    if fit.covariance[0, 0] < LOOSE_MAG**2:
        return fit
    priors = _Priors.of(fit.bands)
    held = [_held_at(fit.values[0], fit.values, fit.bands, stars, priors)]
    for step_mag in (-HELD_STEP_MAG, HELD_STEP_MAG):
        values = held[0].values
        for count in range(1, HELD_STEPS + 1):
            at_mag = held[0].values[0] + count * step_mag
            held.append(_held_at(at_mag, values, fit.bands, stars, priors))
            values = held[-1].values
    return replace(fit, held=tuple(_as_fields_are(one, stars) for one in held))


def _as_fields_are(fit: FrameFit, stars: Evidence) -> FrameFit:
    """The fit with the chance of the mean B-V that it gives to the stars that no catalogue has."""
    others = stars.rows(~stars.catalogued)
    if not len(others):
        return fit
    mean_mag = np.mean(_shares(fit, others)["ratios"] @ GRID_BV_MAG)
    pull = (mean_mag - FIELD_MEAN_MAG) / FIELD_MEAN_ERROR_MAG
    return replace(fit, ln_evidence=fit.ln_evidence - 0.5 * float(pull) ** 2)


def _held_at(at_mag, values, bands: Bands, stars: Evidence, priors: _Priors) -> FrameFit:
    """The fit whose first zero point is some value."""
    first = np.arange(len(values)) == 0
    near = _Priors(
        middle=np.where(first, at_mag, priors.middle),
        error=np.where(first, HELD_ERROR_MAG, priors.error),
    )
    return _fit(np.where(first, at_mag, values), bands, stars, near)


def _top(values, bands: Bands, stars: Evidence, priors: _Priors, steps: int) -> tuple:
    """The values from which the posterior grows no more, and its state there."""
    state = _state(values, bands, stars, priors)
    for _ in range(steps):
        step, after = _uphill(values, state, bands, stars, priors)
        if after is None:
            break
        gain = after[0] - state[0]
        values = values + step
        state = after
        if gain < ENOUGH_GAIN:
            break
    return values, state


def _uphill(values, state, bands: Bands, stars: Evidence, priors: _Priors) -> tuple:
    """A step by which the posterior grows, and the state after it; None where there is none."""
    _, gradient, information = state
    step = np.linalg.solve(information, gradient)
    for _ in range(STEP_CUTS):
        after = _state(values + step, bands, stars, priors)
        if after[0] > state[0]:
            return step, after
        step = step / 3
    return step, None


def _state(values, bands: Bands, stars: Evidence, priors: _Priors):
    """Posterior, its gradient and its information at some values."""
    ln, score = _scores_of_all(values, bands, stars)
    inverse = priors.error**-2
    gradient = stars.weight @ score - (values - priors.middle) * inverse
    information = (stars.weight[:, None] * score).T @ score + np.diag(inverse)
    return float(stars.weight @ ln) + priors.ln(values), gradient, information


# --- the stars --------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class StarPosterior:
    """B-V of n stars, by all that is known and by parts of it.

    Attributes
    ----------
    mean_mag, variance_mag2 : dict of str to ndarray, shape (n,)
        By "field", "ratios", "catalogue" (each of the last two with the field) and "all".
    middle_mag : dict of str to ndarray, shape (n,)
        The median. A star whose ratio may be spoilt has a little of its probability at the field's
        usual colours, far from the rest, which moves a hot star's mean by 0.1 mag and more.
    """

    mean_mag: dict[str, np.ndarray]
    variance_mag2: dict[str, np.ndarray]
    middle_mag: dict[str, np.ndarray]

    def error_mag(self, name: str) -> np.ndarray:
        """What the median is to be off by, root mean square, (n,)."""
        away = self.mean_mag[name] - self.middle_mag[name]
        return np.sqrt(self.variance_mag2[name] + away**2)


def star_posteriors(fit: FrameFit | None, stars: Evidence) -> StarPosterior:
    """B-V of every star.

    Parameters
    ----------
    fit : FrameFit or None
        None: ratios tell nothing.
    stars : Evidence

    Returns
    -------
    StarPosterior
    """
    parts = _in_batches(stars, POSTERIOR_BATCH)
    chunks = list(in_threads(partial(_told_by_source, fit), parts))
    told = {name: np.hstack([chunk[name] for chunk in chunks]) for name in chunks[0]}
    return StarPosterior(
        mean_mag={name: rows[0] for name, rows in told.items()},
        variance_mag2={name: rows[1] for name, rows in told.items()},
        middle_mag={name: rows[2] for name, rows in told.items()},
    )


def without_ratios(fit: FrameFit, stars: Evidence) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of B-V by field and catalogue alone.

    Parameters
    ----------
    fit : FrameFit
    stars : Evidence

    Returns
    -------
    mean_mag, variance_mag2 : ndarray, shape (n,)
    """
    told = _summed_up(_normalised(_prior(fit.values, stars) + stars.ln_catalogue))
    return told[0], told[1]


def _told_by_source(fit: FrameFit | None, stars: Evidence) -> dict[str, np.ndarray]:
    """Mean, variance and median of B-V by each part of the knowledge, (3, n)."""
    if fit is None:
        shares = _shares(None, stars)
    else:
        parts = [(weight, _shares(held, stars)) for weight, held in fit.weighted]
        names = parts[0][1]
        shares = {
            name: np.sum([weight * part[name] for weight, part in parts], axis=0)
            for name in names
        }
    return {name: _summed_up(share) for name, share in shares.items()}


def _shares(fit: FrameFit | None, stars: Evidence) -> dict[str, np.ndarray]:
    """Probability of each B-V by each part of the knowledge, (n, grid)."""
    values = np.zeros(6) if fit is None else fit.values
    prior = _prior(values, stars)
    ratios = np.zeros_like(prior) if fit is None else _ln_ratios(fit, stars)
    catalogue = stars.ln_catalogue
    return {
        "field": _normalised(prior),
        "ratios": _normalised(prior + ratios),
        "catalogue": _normalised(prior + catalogue),
        "all": _normalised(prior + ratios + catalogue),
    }


def _normalised(ln: np.ndarray) -> np.ndarray:
    """Rows of sum 1."""
    return np.exp(ln - _ln_sum(ln)[:, None])


def _ln_ratios(fit: FrameFit, stars: Evidence) -> np.ndarray:
    """Likelihood of the ratios at each B-V, whatever the reddening, (n, grid)."""
    count = len(fit.bands.expected)
    left_open = np.einsum(
        "cpeg,pq,cqeg->ceg",
        fit.bands.features,
        fit.covariance[:count, :count],
        fit.bands.features,
        optimize=True,
    )
    ln = _lobes(fit.values, fit.bands, stars, left_open).ln + np.log(_dust(fit.values) + TINY)
    return _ln_sum(np.moveaxis(ln, 1, 2))


def _summed_up(share: np.ndarray) -> np.ndarray:
    """Mean, variance and median of some probabilities, (3, n)."""
    mean = share @ GRID_BV_MAG
    return np.array([mean, share @ GRID_BV_MAG**2 - mean**2, _median(share)])


def _median(share: np.ndarray) -> np.ndarray:
    """Where half of the probability lies below, (n,): a step of the grid holds its own evenly."""
    below = np.cumsum(share, axis=1)
    step = np.minimum((below < 0.5).sum(axis=1), len(GRID_BV_MAG) - 1)
    row = np.arange(len(share))
    own = np.maximum(share[row, step], TINY)
    within = 0.5 - (below[row, step] - 0.5) / own
    return GRID_BV_MAG[step] + np.clip(within, -0.5, 0.5) * GRID_STEP_MAG
