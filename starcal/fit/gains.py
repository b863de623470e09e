"""Fits of the instrument's colours to the catalogue's: arrays in, frozen results out.

The log ratios of a star's fluxes, rho = -2.5 log10(R/G) and beta = -2.5 log10(B/G), are fitted as a
slightly bent line in B-V. Its value at the neutral star is the gain, its slope says how much
star colour the channels carry. Both coordinates have errors: the catalogue's B-V flattens a naive
slope, so each B-V is first drawn to the field's mean by as much as its error calls for (regression
calibration: Carroll et al. 2006, Measurement Error in Nonlinear Models, chapter 4), which leaves
the line unbiased.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

from ..choices import SOLAR_BV_MAG, GivenGains
from ..robust import robust_slope, scatter
from ..texts import counted, told_shortly
from .dust import UNKNOWN_DUST, Dust

if TYPE_CHECKING:
    from .responses import ColourTerms

MAG_PER_LN = 1.085736  # 2.5 / ln 10
TARGET_SLOPE = np.array(
    [-0.5555, 0.9172]
)  # rho, beta of real stars in linear sRGB per mag of B-V (Pickles 1998)
CURVATURE = np.array(
    [0.00, 0.04]
)  # mag per mag^2, broadband responses: -0.01..0.01 and 0.02..0.06 over real spectra,
CURVATURE_ERROR = np.array([0.03, 0.03])  # so few stars need not find it and many may
SLOPE_LOOSENESS = (
    10.0  # mag per mag; far beyond any instrument, it only keeps stars of one colour solvable
)
OUTLIER_SIGMA = 4.0  # of normal residuals 1 in 16 000 lies beyond
# scatter of real stars about the line of rho and of beta: 0.025 to 0.05 and 0.006 to 0.02 in
# broadband filters, 0.15 in narrow ones
INTRINSIC_MAG = np.array([0.03, 0.018])
USUAL_BV_MAG = 0.75
FIELD_SPREAD_MAG = (
    0.35  # of B-V of field stars; young clusters have less, and many stars show it
)
INTRINSIC_LN_ERROR = 0.7  # a factor of 2 either way; many stars overrule it
# B-V of stars known better than this tell the colours of a field: the embedded catalogue's to
# V 11.9. Beyond, it holds those stars alone whose B came out bright, by nature or by error.
COMPLETE_ERROR_MAG = 0.27
ERROR_SCALE_LN_ERROR = 0.5  # a catalogue may err 1.6 times as much as it says, or less
ERROR_SCALES = np.geomspace(0.5, 4.0, 40)
OWN_SCALES = np.geomspace(0.4, 6.0, 12)  # of the stars' own scatter, of that expected
LN_PRIOR_OF_SCALES = -0.5 * (
    (np.log(ERROR_SCALES)[:, None] / ERROR_SCALE_LN_ERROR) ** 2
    + (np.log(OWN_SCALES) / INTRINSIC_LN_ERROR) ** 2
)
ERROR_SCALE_ROUNDS = 2
SETTLED_LN = 0.2  # a scale known to that leaves slopes as they are to 1 %
LEAST_TELLING_SLOPE = 0.1  # mag per mag of B-V; broadband filters have 0.25 and more
INTRINSIC_GRID_MAG = np.geomspace(0.002, 1.0, 40)
# no gain is better known: higher bends and unseen neighbours remain, however many stars
SYSTEMATIC_MAG = 0.005
FLOOR_MAG = (
    0.002  # no aperture ratio is better; keeps copied channels (residual exactly 0) finite
)
# Of few stars whose colour terms are assumed: mean B-V of a usual field, and how that of fields
# scatters. Each star is drawn to it, not to the mean of so few.
FIELD_MEAN_ERROR_MAG = 0.11
SCATTER_STARS = 2.0  # what is known of the stars' own scatter counts as so many
MIN_STARS = 5  # three parameters a line, and two to show that it is one
MIN_STARS_MATRIX = 20
MOST_SLOPE_PAIRED = 2000  # stars that tell a slope by every pair of them: 24 000 took 12 GB
MIN_SPREAD_MATRIX = 0.25  # mag, standard deviation of B-V that a matrix needs
MATRIX_RIDGE = 0.05  # pull towards the diagonal, in units of the typical misfit of one star


@dataclass(frozen=True, eq=False, kw_only=True)
class GainFit:
    """Gains and the evidence for them. Pairs of numbers are (R, B), both against G; n counts the
    stars given.

    Attributes
    ----------
    gains, gain_errors : ndarray, shape (3,)
        Factors for R, G, B that make a star of ``neutral_bv`` neutral; G is 1 by definition. The
        errors hold that of the fit, SYSTEMATIC_MAG, and the common errors below.
    zero_mag, zero_error_mag : ndarray, shape (2,)
        Fitted log ratio at ``neutral_bv``.
    slope, slope_error : ndarray, shape (2,)
        Colour terms: mag per mag of B-V at the mean colour of the used stars.
    slope_ratio, slope_ratio_error : ndarray, shape (2,)
        Slope over that of real stars in linear sRGB: 1 full colour, 0 none.
    curvature : ndarray, shape (2,)
        Bend of the line, mag per mag^2.
    scatter_mag : ndarray, shape (2,)
        Robust scatter of the residuals of the used stars.
    log_ratio_mag, residual_mag : ndarray, shape (2, n)
        Measured log ratios, and measured minus predicted.
    residual_error_mag : ndarray, shape (2, n)
        What a residual is expected to scatter by: its errors and the stars' own scatter.
    growth_error, rounding_error, catalogue_error, added_error : ndarray, shape (2,)
        Relative errors that are common to all stars: of the light beyond the aperture, of a sky
        rounded to the steps of coarse values, of what is off alike in every B-V of the catalogue
        besides by dust, and what second measurements add.
    dust : Dust
        Expected before all stars; its shift, and what it does to the catalogue's B-V, is taken out
        of the gains.
    used : ndarray of bool, shape (n,)
        False where clipped.
    bv_mag : ndarray, shape (n,)
        B-V as given.
    neutral_bv : float
        B-V of the neutral star.
    bv_mean, bv_spread : float
        Mean of the used stars, and the standard deviation freed of the catalogue's errors.
    red_share : float
        Share of the used stars with B-V above 0.4.
    """

    gains: np.ndarray
    gain_errors: np.ndarray
    zero_mag: np.ndarray
    zero_error_mag: np.ndarray
    slope: np.ndarray
    slope_error: np.ndarray
    slope_ratio: np.ndarray
    slope_ratio_error: np.ndarray
    curvature: np.ndarray
    scatter_mag: np.ndarray
    log_ratio_mag: np.ndarray
    residual_mag: np.ndarray
    residual_error_mag: np.ndarray
    growth_error: np.ndarray
    rounding_error: np.ndarray
    dust: Dust
    catalogue_error: np.ndarray
    added_error: np.ndarray
    used: np.ndarray
    bv_mag: np.ndarray
    neutral_bv: float
    bv_mean: float
    bv_spread: float
    red_share: float

    __repr__ = told_shortly

    @property
    def stated_errors(self) -> np.ndarray:
        """Relative errors of the gains of R and B, shape (2,), all parts together."""
        return self.gain_errors[[0, 2]] / self.gains[[0, 2]]

    @property
    def dust_error(self) -> np.ndarray:
        """Relative errors of the gains of R and B for the dust before the stars, shape (2,)."""
        return self.dust.gain_error

    def with_dust(self, dust: Dust, bv_off_per_ebv: float = 0.0) -> GainFit:
        """The fit with the shift of some dust taken out of its gains, and its error; where that
        makes B-V of the catalogue too blue, per mag of E(B-V), with that too."""
        red, blue = map(float, self._moved_by(bv_off_per_ebv))
        dust = replace(dust, by_catalogue=(red, blue))
        factors = dust.factors
        gains = _gains(self.zero_mag) * [factors[0], 1.0, factors[1]]
        return replace(self, gains=gains, dust=dust).with_added(self.added_error)

    def with_given(self, given: GivenGains) -> GainFit:
        """The fit with other gains and errors in place of its own: of R, its error, of B, its
        error."""
        red, red_error, blue, blue_error = given
        gains = np.array([red, 1.0, blue])
        return replace(self, gains=gains, gain_errors=np.array([red_error, 0.0, blue_error]))

    @property
    def own_errors(self) -> np.ndarray:
        """Relative errors of the gains of R and B that are this frame's alone, shape (2,)."""
        parts = (
            self.zero_error_mag / MAG_PER_LN,
            self.growth_error,
            self.rounding_error,
            self.added_error,
        )
        return np.sqrt(np.sum(np.square(parts), axis=0))

    @property
    def shared_errors(self) -> np.ndarray:
        """Those that any frame of the same sky has alike, shape (2,)."""
        systematic = np.full(2, SYSTEMATIC_MAG / MAG_PER_LN)
        parts = systematic, self.dust_error, self.catalogue_error
        return np.sqrt(np.sum(np.square(parts), axis=0))

    def with_growth(self, growth_error: np.ndarray) -> GainFit:
        """The fit with an error of the light beyond the aperture that all stars have in common,
        relative, shape (2,)."""
        return replace(self, growth_error=growth_error).with_added(self.added_error)

    def with_rounding(self, rounding_error: np.ndarray) -> GainFit:
        """The fit with an error that the steps of coarse values bring to all stars, relative, shape
        (2,)."""
        return replace(self, rounding_error=rounding_error).with_added(self.added_error)

    def with_catalogue(self, bv_common_error_mag: float) -> GainFit:
        """The fit with an error, mag, by which all B-V of the catalogue may be off alike: it moves
        the line along its slope at the neutral star."""
        relative = np.abs(self._moved_by(bv_common_error_mag))
        return replace(self, catalogue_error=relative).with_added(self.added_error)

    def _moved_by(self, bv_off_mag: float) -> np.ndarray:
        """Change of ln gain of R and B where all B-V are too blue by so much, shape (2,)."""
        return self._slope_at_neutral * bv_off_mag / MAG_PER_LN

    def with_added(self, added_error: np.ndarray) -> GainFit:
        """The fit with what second measurements add to its relative errors, shape (2,)."""
        parts = (
            np.hypot(self.zero_error_mag, SYSTEMATIC_MAG) / MAG_PER_LN,
            self.growth_error,
            self.rounding_error,
            self.dust_error,
            self.catalogue_error,
            np.asarray(added_error, float),
        )
        relative = np.sqrt(np.sum(np.square(parts), axis=0))
        return replace(
            self,
            added_error=np.asarray(added_error, float),
            gain_errors=self.gains * [relative[0], 0.0, relative[1]],
        )

    @property
    def _slope_at_neutral(self) -> np.ndarray:
        return self.slope - 2 * self.curvature * (self.bv_mean - self.neutral_bv)

    @property
    def n_used(self) -> int:
        """Number of stars that the gains rest on."""
        return int(np.count_nonzero(self.used))

    def predicted_mag(self, bv_mag: np.ndarray) -> np.ndarray:
        """Fitted log ratios, shape (2, ...), at some B-V."""
        x = np.asarray(bv_mag, float) - self.neutral_bv
        return np.stack(
            [
                z + k * x + c * x**2
                for z, k, c in zip(
                    self.zero_mag, self._slope_at_neutral, self.curvature, strict=True
                )
            ]
        )


def log_ratios(flux: np.ndarray, flux_error: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """rho and beta of stars, and their errors.

    Parameters
    ----------
    flux, flux_error : ndarray, shape (3, n)
        Linear, sky subtracted, channel order R, G, B; NaN results where a flux is not positive.

    Returns
    -------
    tuple of ndarray, each of shape (2, n)
        (rho, beta) and their 1-sigma errors, mag.
    """
    flux = np.where(flux > 0, flux, np.nan)
    ratio = -2.5 * np.log10(flux[[0, 2]] / flux[1])
    relative = (flux_error / flux) ** 2
    return ratio, MAG_PER_LN * np.sqrt(relative[[0, 2]] + relative[1])


def fit_gains(
    flux: np.ndarray,
    flux_error: np.ndarray,
    bv_mag: np.ndarray,
    bv_error_mag: np.ndarray,
    neutral_bv: float = SOLAR_BV_MAG,
    terms: ColourTerms | None = None,
) -> GainFit:
    """Fit per-channel gains to catalogue B-V by robust least squares, errors in both variables.

    Parameters
    ----------
    flux, flux_error : ndarray, shape (3, n)
        Of clean matched stars: linear, positive, sky subtracted.
    bv_mag, bv_error_mag : ndarray, shape (n,)
        Johnson B-V as observed, and the error as a smooth function of magnitude (a star's own
        catalogue error goes with its noise and biases the fit).
    neutral_bv : float
        B-V of the star that shall come out neutral; 0.65 is solar.
    terms : ColourTerms, optional
        What is known of slopes and bends beforehand: then one star is enough, and the errors hold
        what the terms leave open.

    Returns
    -------
    GainFit

    Raises
    ------
    ValueError
        For fewer than MIN_STARS stars (one with terms) or values that are not finite.
    """
    ratio, ratio_error = log_ratios(flux, flux_error)
    fewest = MIN_STARS if terms is None else 1
    if len(bv_mag) < fewest or not np.isfinite([*ratio, bv_mag, bv_error_mag]).all():
        raise ValueError(
            f"{counted(len(bv_mag), 'star')} with finite log ratios and B-V given, {fewest} needed"
        )
    priors = _line_priors(terms, neutral_bv)
    bands, used, error_mag = _with_errors_as_shown(
        ratio, ratio_error, bv_mag, bv_error_mag, neutral_bv, priors
    )
    return _gain_fit(bands, ratio, bv_mag, error_mag, used, neutral_bv)


def _with_errors_as_shown(ratio, ratio_error, bv_mag, bv_error_mag, neutral_bv, priors):
    """The lines, which stars they rest on, and the errors of B-V scaled to what these show."""
    scale = 1.0
    bands, used = _clipped_bends(ratio, ratio_error, bv_mag, bv_error_mag, neutral_bv, priors)
    for _ in range(ERROR_SCALE_ROUNDS):
        slope = _of_both(bands, "slope")[:, None]
        if used.sum() < MIN_STARS or np.min(np.abs(slope)) < LEAST_TELLING_SLOPE:
            break
        off = _off_catalogue(bands, ratio, bv_mag - neutral_bv)[:, used]
        before = scale
        scale = _error_scale(off, ratio_error[:, used] / slope, slope, bv_error_mag[used])
        bands, used = _clipped_bends(
            ratio, ratio_error, bv_mag, scale * bv_error_mag, neutral_bv, priors
        )
        if abs(np.log(scale / before)) < SETTLED_LN:
            break
    return bands, used, scale * bv_error_mag


def _off_catalogue(bands, ratio: np.ndarray, x: np.ndarray) -> np.ndarray:
    """How much redder stars are than the catalogue says, by rho and by beta, (2, n), mag of B-V."""
    return np.stack(
        [
            (row - band.zero - band.slope_at_white * x - band.curvature * x**2) / band.slope
            for row, band in zip(ratio, bands, strict=True)
        ]
    )


def _error_scale(off, noise, slope, error_mag) -> float:
    """How many times what it says the catalogue errs, from what rho and beta show of B-V.

    Its errors show alike in both, the stars' own scatter about the lines does not.
    """
    own = noise**2 + (OWN_SCALES[:, None, None] * INTRINSIC_MAG[:, None] / slope) ** 2
    apart = _ln_likelihood(off[0] - off[1], own.sum(axis=1))
    both, variance = _weighted_mean(off, own, axis=1)
    alike = _ln_likelihood(both, variance + (ERROR_SCALES[:, None, None] * error_mag) ** 2)
    ln_weight = apart + alike + LN_PRIOR_OF_SCALES
    probable = np.exp(ln_weight - ln_weight.max()).sum(axis=1)
    return float(np.exp(probable @ np.log(ERROR_SCALES) / probable.sum()))


def _weighted_mean(values, variance, axis: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean weighted by inverse variances, and its variance."""
    weight = 1 / variance
    total = weight.sum(axis=axis)
    return np.sum(weight * values, axis=axis) / total, 1 / total


def _ln_likelihood(values: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Of values about their mean, along the last axis, each held to 4 sigmas."""
    mean, _ = _weighted_mean(values, variance, axis=-1)
    pull2 = np.minimum((values - mean[..., None]) ** 2 / variance, OUTLIER_SIGMA**2)
    freedom = _freedom(variance.shape[-1], 2)
    return -0.5 * np.sum(pull2 + freedom * np.log(variance), axis=-1)


@dataclass(frozen=True, kw_only=True)
class _LinePrior:
    """What is known of a line beforehand; `from_stars` parameters are left to the stars."""

    slope: float
    slope_error: float
    bend: float
    bend_error: float
    scatter: float
    from_stars: int

    @property
    def information(self) -> np.ndarray:
        """Inverse variances of zero, slope and bend, (3, 3)."""
        return np.diag([0.0, self.slope_error**-2, self.bend_error**-2])


def _line_priors(terms: ColourTerms | None, neutral_bv: float) -> list[_LinePrior]:
    """Those of rho and beta; without colour terms the slopes are all but free."""
    slope, slope_error = np.zeros(2), np.full(2, SLOPE_LOOSENESS)
    bend, bend_error, from_stars = CURVATURE, CURVATURE_ERROR, 2
    if terms is not None:
        slope, slope_error = terms.slope_at(neutral_bv), terms.slope_error
        bend, bend_error, from_stars = terms.bend, terms.bend_error, 1
    return [
        _LinePrior(
            slope=float(slope[i]),
            slope_error=float(slope_error[i]),
            bend=float(bend[i]),
            bend_error=float(bend_error[i]),
            scatter=float(INTRINSIC_MAG[i]),
            from_stars=from_stars,
        )
        for i in (0, 1)
    ]


def _clipped_bends(ratio, ratio_error, bv_mag, bv_error_mag, neutral_bv, priors):
    """The lines of rho and of beta, and which stars they rest on, (n,)."""
    used = np.ones(len(bv_mag), bool)
    for _ in range(4):  # a star clipped in one channel leaves both
        bands = [
            _Bend.fit(
                bv_mag, ratio[i], bv_error_mag, ratio_error[i], used, neutral_bv, priors[i]
            )
            for i in (0, 1)
        ]
        inlier = np.all([np.abs(band.pull) <= OUTLIER_SIGMA for band in bands], axis=0)
        if (inlier == used).all() or inlier.sum() < MIN_STARS:
            break
        used = inlier
    return bands, used


def _gains(zero_mag: np.ndarray) -> np.ndarray:
    """Factors of R, G, B that make the neutral star grey, (3,)."""
    return np.array([10 ** (0.4 * zero_mag[0]), 1.0, 10 ** (0.4 * zero_mag[1])])


def _of_both(bands, name: str) -> np.ndarray:
    """An attribute of both lines as one array."""
    return np.array([getattr(band, name) for band in bands])


def _gain_fit(bands, ratio, bv_mag, bv_error_mag, used, neutral_bv) -> GainFit:
    """The lines as gains, with their errors."""
    bv_mean, bv_spread, _ = _field_colours(bv_mag[used], bv_error_mag[used])
    zero = _of_both(bands, "zero")
    slope = _of_both(bands, "slope")
    slope_error = _of_both(bands, "slope_error")
    residual = _of_both(bands, "residual")
    without_errors = GainFit(
        gains=_gains(zero),
        gain_errors=np.zeros(3),
        zero_mag=zero,
        zero_error_mag=_of_both(bands, "zero_error"),
        slope=slope,
        slope_error=slope_error,
        slope_ratio=slope / TARGET_SLOPE,
        slope_ratio_error=slope_error / np.abs(TARGET_SLOPE),
        curvature=_of_both(bands, "curvature"),
        scatter_mag=np.array([scatter(r[used]) for r in residual]),
        log_ratio_mag=ratio,
        residual_mag=residual,
        residual_error_mag=_of_both(bands, "sigma"),
        growth_error=np.zeros(2),
        rounding_error=np.zeros(2),
        dust=UNKNOWN_DUST,
        catalogue_error=np.zeros(2),
        added_error=np.zeros(2),
        used=used,
        bv_mag=np.asarray(bv_mag, float),
        neutral_bv=neutral_bv,
        bv_mean=bv_mean,
        bv_spread=bv_spread,
        red_share=float(np.mean(bv_mag[used] > 0.4)),
    )
    return without_errors.with_added(np.zeros(2))


def _field_colours(bv_mag: np.ndarray, bv_error_mag: np.ndarray) -> tuple[float, float, float]:
    """Mean B-V of stars, weighted by what the catalogue knows; their spread freed of its errors;
    and the error of the mean that is the catalogue's.

    Few stars with poor colours do not tell their spread: then it is that of other fields.
    """
    complete = bv_error_mag <= COMPLETE_ERROR_MAG
    if complete.sum() >= MIN_STARS:
        bv_mag, bv_error_mag = bv_mag[complete], bv_error_mag[complete]
    mean = float(np.median(bv_mag))
    for _ in range(3):
        spread = intrinsic_scatter(
            bv_mag - mean, bv_error_mag**2, FIELD_SPREAD_MAG, FIELD_SPREAD_MAG
        )
        weight = 1 / (spread**2 + bv_error_mag**2)
        mean = float(np.average(bv_mag, weights=weight))
    error = np.sqrt(np.sum((weight * bv_error_mag) ** 2)) / weight.sum()
    return mean, spread, float(error)


def _colours_drawn_to(
    bv_mag: np.ndarray, bv_error_mag: np.ndarray
) -> tuple[float, float, float]:
    """Mean, spread and error of the mean of the field that stars are drawn to: their own, or where
    they are too few the usual one."""
    if len(bv_mag) < MIN_STARS:
        return USUAL_BV_MAG, FIELD_SPREAD_MAG, FIELD_MEAN_ERROR_MAG
    return _field_colours(bv_mag, bv_error_mag)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Bend:
    """One log ratio as a bent line in B-V."""

    zero: float
    zero_error: float
    slope: float
    slope_error: float
    curvature: float
    slope_at_white: float
    residual: np.ndarray
    sigma: np.ndarray  # of the residuals, as expected

    @property
    def pull(self) -> np.ndarray:
        """Residuals over their own errors."""
        return self.residual / self.sigma

    @classmethod
    def fit(cls, bv_mag, ratio, bv_error, ratio_error, used, neutral_bv, prior):
        """The line through the used stars, in the B-V to which the field draws each."""
        mean, tau, mean_error = _colours_drawn_to(bv_mag[used], bv_error[used])
        shrink = tau**2 / (tau**2 + bv_error**2)
        x = mean + shrink * (bv_mag - mean) - neutral_bv
        design = np.column_stack([np.ones_like(x), x, x**2])
        # of the variance of B-V, what the catalogue leaves open
        lost = tau**2 * (1 - shrink)
        parameters, sigma, own = _line(design, lost, ratio, ratio_error, used, prior)
        # all stars are drawn to one mean, and share its error
        drawn = np.average(1 - shrink[used], weights=sigma[used] ** -2.0) * mean_error
        bare = cls._without_errors(parameters, ratio - design @ parameters, sigma)
        covariance = _line_covariance(design[used], sigma[used], own[used], prior)
        return bare._with_slope(parameters, covariance, mean - neutral_bv, drawn)

    @classmethod
    def _without_errors(cls, parameters, residual, sigma) -> _Bend:
        """Before it is known how far stars tell its slope."""
        return cls(
            zero=float(parameters[0]),
            zero_error=0.0,
            slope=0.0,
            slope_error=0.0,
            curvature=float(parameters[2]),
            slope_at_white=float(parameters[1]),
            residual=residual,
            sigma=sigma,
        )

    def _with_slope(self, parameters, covariance, x_mean, drawn) -> _Bend:
        """The same with its slope at the mean star and with its errors."""
        towards_mean = np.array([0, 1, 2 * x_mean])
        slope = towards_mean @ parameters
        return replace(
            self,
            zero_error=float(np.hypot(np.sqrt(covariance[0, 0]), slope * drawn)),
            slope=float(slope),
            slope_error=float(np.sqrt(towards_mean @ covariance @ towards_mean)),
        )


def _line(design, lost, ratio, ratio_error, used, prior) -> tuple[np.ndarray, ...]:
    """Parameters of the bent line, (3,), the expected sigma of every residual, (n,), and the share
    of its square that was not known before, (n,); found in turns."""
    x = design[:, 1]
    parameters = np.array([np.median(ratio - prior.slope * x), prior.slope, prior.bend])
    intrinsic = 0.05
    for _ in range(8):
        slope = parameters[1] + 2 * parameters[2] * x
        known = ratio_error**2 + slope**2 * lost + FLOOR_MAG**2
        sigma = np.sqrt(known + intrinsic**2)
        parameters = _solve_gains(design[used], ratio[used], sigma[used], parameters, prior).x
        residual = ratio - design @ parameters
        intrinsic = intrinsic_scatter(
            residual[used], known[used], intrinsic, prior.scatter, prior.from_stars
        )
    return parameters, sigma, 1 - known / (known + intrinsic**2)


def _solve_gains(design, y, sigma, start, prior):
    """Robust solution: soft-L1 loss, so that outliers pull little before they are clipped."""
    expected = np.array([0.0, prior.slope, prior.bend])
    tight = np.sqrt(prior.information)[1:]

    def misfit(parameters):
        return np.concatenate(
            [(y - design @ parameters) / sigma, tight @ (parameters - expected)]
        )

    def jacobian(_):
        return np.vstack([-design / sigma[:, None], tight])

    return least_squares(misfit, start, jacobian, loss="soft_l1", f_scale=2.0)


def _line_covariance(design, sigma, own, prior) -> np.ndarray:
    """Covariance of the bent line, widened as Student's t as far as the scatter was measured on the
    same stars and not known before."""
    weighted = design / sigma[:, None]
    covariance = np.linalg.inv(weighted.T @ weighted + prior.information)
    if prior.from_stars == 1:
        known = len(design) - 1 + SCATTER_STARS
        return covariance * (known + 1) / known
    freedom = len(design) - 2  # the bend hangs on its prior
    wider = freedom / (freedom - 2 if freedom > 2 else 0.5)
    return covariance * (1 + np.mean(own) * (wider - 1))


def intrinsic_scatter(
    residual: np.ndarray,
    known: np.ndarray,
    before: float,
    expected_mag: float,
    from_stars: int = 2,
) -> float:
    """Scatter beyond the known errors: mean over its restricted likelihood and a prior about what
    is expected.

    The known variances differ by a factor of a hundred between bright and faint stars, so no common
    chi-square will do: it lets the scatter vanish, and then the fit hangs on two or three bright
    stars with errors far too small.

    Parameters
    ----------
    residual, known : ndarray, shape (n,)
        Residuals, mag, and their known variances, mag^2.
    before : float
        The last estimate: residuals beyond OUTLIER_SIGMA with it do not count.
    expected_mag : float
        Middle of the prior, which is a factor of 2 wide either way.
    from_stars : int
        Parameters that the same stars have told.

    Returns
    -------
    float
        Standard deviation, mag.
    """
    near = np.abs(residual) <= OUTLIER_SIGMA * np.sqrt(known + before**2)
    variance = known[near] + INTRINSIC_GRID_MAG[:, None] ** 2
    freedom = _freedom(int(np.count_nonzero(near)), from_stars)
    misfit = residual[near] ** 2 / variance + freedom * np.log(variance)
    from_expected = np.log(INTRINSIC_GRID_MAG / expected_mag) / INTRINSIC_LN_ERROR
    ln_weight = -0.5 * misfit.sum(axis=1)
    ln_weight -= 0.5 * from_expected**2
    return _root_mean(np.exp(ln_weight - ln_weight.max()))


def _freedom(stars: int, from_stars: int) -> float:
    """Share of so many residuals that a line leaves free."""
    least = 1 if from_stars > 1 else 0
    return max(stars - from_stars, least) / max(stars, 1)


def _root_mean(weight: np.ndarray) -> float:
    """Root of the mean variance on the grid of scatters."""
    return float(np.sqrt(weight @ INTRINSIC_GRID_MAG**2 / weight.sum()))


# --- matrix -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class MatrixFit:
    """A 3x3 matrix that takes the frame's channels to linear sRGB.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        Multiplies the column (R, G, B) of a pixel.
    scatter_mag : ndarray, shape (2,)
        Robust scatter of rho and beta about the colour of real stars, with the matrix.
    n_used : int
        Stars that it rests on.
    """

    matrix: np.ndarray
    scatter_mag: np.ndarray
    n_used: int

    __repr__ = told_shortly


def fit_matrix(flux: np.ndarray, target_rgb: np.ndarray, gains: np.ndarray) -> MatrixFit:
    """Fit a 3x3 matrix from measured fluxes to the colours that the stars should have, drawn to the
    gains.

    Parameters
    ----------
    flux : ndarray, shape (3, n)
        Positive fluxes of the stars that the fit of gains used.
    target_rgb : ndarray, shape (n, 3)
        Linear RGB that their catalogue B-V calls for, the neutral star grey; any scale.
    gains : ndarray, shape (3,)
        Diagonal to which the ridge pulls; it also fixes the overall scale.

    Returns
    -------
    MatrixFit

    Raises
    ------
    ValueError
        For fewer than MIN_STARS_MATRIX stars.
    """
    if flux.shape[1] < MIN_STARS_MATRIX:
        raise ValueError(f"a matrix needs {MIN_STARS_MATRIX} stars, {flux.shape[1]} given")
    balanced = (gains[:, None] * flux / np.mean(gains[:, None] * flux, axis=0)).T
    target = target_rgb / target_rgb.mean(axis=1, keepdims=True)
    solution = _ridge_matrix(balanced, target)
    left = _ratios_alone(solution @ balanced.T) - _ratios_alone(target.T)
    scatter_mag = np.array([scatter(row) for row in left])
    return MatrixFit(solution * gains, scatter_mag, len(target))


def _ratios_alone(flux: np.ndarray) -> np.ndarray:
    """rho and beta without errors, (2, n)."""
    return log_ratios(flux, np.zeros(flux.shape))[0]


def _ridge_matrix(balanced: np.ndarray, target: np.ndarray) -> np.ndarray:
    """The matrix that takes rows of balanced colours to the target's, drawn to the unit matrix."""
    unit = np.eye(3).ravel()
    ridge = MATRIX_RIDGE * np.sqrt(len(target))

    def misfit(entries):
        made = balanced @ entries.reshape(3, 3).T
        return np.concatenate([(made - target).ravel() / 0.05, ridge * (entries - unit) / 0.05])

    return least_squares(misfit, unit, loss="soft_l1", f_scale=2.0).x.reshape(3, 3)


# --- linearity --------------------------------------------------------------------------


def brightness_slope(instrumental_mag: np.ndarray, v_mag: np.ndarray) -> tuple[float, float]:
    """Slope of instrumental against catalogue magnitude, and half its 95 % interval: 1 for linear
    data.

    A stretched picture compresses bright stars: slopes of 0.2 to 0.7. Theil-Sen, so outliers do not
    matter (Sen 1968, JASA 63, 1379). NaN for fewer than 8 stars or less than 1 mag of range; of
    very many, some of all magnitudes tell it.

    Parameters
    ----------
    instrumental_mag : ndarray, (n,)
    v_mag : ndarray, (n,)
        Johnson V of the catalogue.

    Returns
    -------
    tuple of float
    """
    good = np.flatnonzero(np.isfinite(instrumental_mag) & np.isfinite(v_mag))
    if len(good) < 8 or np.ptp(v_mag[good]) < 1:
        return np.nan, np.nan
    if len(good) > MOST_SLOPE_PAIRED:  # every so-manieth, from the brightest to the faintest
        order = good[np.argsort(v_mag[good], kind="stable")]
        good = order[np.linspace(0, len(order) - 1, MOST_SLOPE_PAIRED).astype(int)]
    return robust_slope(instrumental_mag[good], v_mag[good])
