"""How much light lies beyond an aperture, channel by channel, from the frame's own stars.

From one radius to the next each clean star tells by how much the light of red and of blue grows
more than that of green; no profile is assumed, so two Gaussians, a diffraction core in a halo,
doughnuts and trails are all the same to it. Of all stars a robust mean is taken: one that has a
neighbour in its wings, seen or not, grows otherwise than the rest in some channel or in all of
them. What a step is where it is known badly is told by the step before: stars of all profiles have
ever less light further out.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..robust import SIGMA_PER_DEVIATION, weighted_median
from .apertures import FIT_RADIUS_WIDTHS, NEIGHBOUR_SHARE, RADII_WIDTHS

# The next step's growth in units of the last one's, and how much that differs between profiles: two
# Gaussians and bloated stars end early (0.2 to 0.5 from 3.5 widths on), diffraction cores in halos
# late (1). A power law through two steps tells it worse.
NEXT_STEP = {2.5: (0.5, 0.45), 3.5: (0.95, 0.6), 5.0: (0.55, 0.45), 7.0: (0.4, 0.4)}
BEYOND = (0.6, 0.5)  # all that lies beyond the last radius, likewise
# Where two steps are seen they tell more: the next step over the last is so many times what the
# last is over the one before, in 2900 pairs of profiles: Moffat, two of them, blurred, trailed,
# defocused, diffraction in seeing, with an aureole, or of one shape and two sizes. The second
# number times the root of the last step is by how much the next differs: small steps are less sure.
# Shares above 1.4 are no law but a channel's turn from narrower to wider.
FALL = {2.5: (0.5, 0.027), 3.5: (1.9, 0.08), 5.0: (0.55, 0.03), 7.0: (0.7, 0.024)}
FALL_BEYOND = (1.3, 0.07)
MOST_FALLING = 1.4
SEEN_STEP_SIGMAS = 1.5  # of both steps: then their law counts as much as what is usual
# of a difference in growth, as stars that nobody sees add to the light of all channels alike: the
# outer steps come out 2 to 9 % too small, inner ones by less as their area is less
DILUTED_PER_AREA = 0.0018  # times the square of the radius in widths: 2 % at 3.5, 9 % at 7
LEAST_STEP_LN = 0.002  # so much a step may be where the one before it was nothing
NOISE_POWER = 1.5  # of the radius: 1 for white noise, 2 where the ground is uneven
MOST_STEP_NOISE = (
    0.15  # of a star's step: a logarithm of noisier ones is biased by more than 1 %
)
BLUR_REACH_WIDTHS = 2.0  # from where a blur brings light into the narrow aperture
STAR_SCATTER = 0.01  # of a star's own profile: bright stars then count alike
LEAST_SCATTER = 0.3  # of the stars, in units of what noise and profile make expected
NEIGHBOUR_SIGMA = 4.0  # such scatters: beyond, a star has no weight (Tukey's biweight)
USUAL_DIFFERENCE_LN = (
    0.01  # between channels that seem alike; keeps a difference from vanishing
)
# change of ln light within one width with ln width: 0.64 for Moffat's profile of exponent 3, 0.37
# for a Gaussian; channels of profiles unlike each other may be twice as far from the middle
LIGHT_PER_WIDTH = 0.6
USUAL_PER_WIDTH, OPEN_PER_WIDTH = 0.5, 0.27
SAMPLES = 300  # of the bootstrap: an error is then known to 4 %
ROBUST_ROUNDS = 12
FEWEST_GROWTH_STARS = 4
FEWEST_STEPS = 2  # measured ones: to two widths
RED_BLUE, GREEN = [0, 2], [1]
ONE_WIDTH = np.ones(3)


@dataclass(frozen=True, eq=False, kw_only=True)
class Growth:
    """Light beyond the aperture, in R and B against G; natural logarithms.

    Attributes
    ----------
    ln, error_ln : ndarray, shape (2,)
        By how much the light of R and of B grows more than that of G, drawn to what widths make
        expected as far as it is not significant, and the error that is left.
    raw_ln, raw_error_ln : ndarray, shape (2,)
        As measured.
    beyond_ln, beyond_error_ln : ndarray, shape (2,)
        What of it lies beyond that radius, by the steps before it more than by measurement.
    reach_widths : float
        Radius to which the steps were measured better than the ones before tell them.
    stars : int
        How many stars tell the step to there.
    """

    ln: NDArray
    error_ln: NDArray
    raw_ln: NDArray
    raw_error_ln: NDArray
    beyond_ln: NDArray
    beyond_error_ln: NDArray
    reach_widths: float
    stars: int

    def with_blur(self, step: "_Step") -> "Growth":
        """The same with what a blur takes, by which the channels were made alike."""
        return replace(
            self,
            ln=self.ln + step.ln[0],
            error_ln=np.hypot(self.error_ln, step.error_ln),
            raw_ln=self.raw_ln + step.ln[0],
            raw_error_ln=np.hypot(self.raw_error_ln, step.error_ln),
        )


def measure_growth(
    flux: NDArray,
    noise: NDArray,
    neighbours: NDArray,
    alike_ln: NDArray | None = None,
    fwhm_px: NDArray = ONE_WIDTH,
) -> Growth | None:
    """Growth of the light of red and blue against green, from the narrow aperture outwards.

    Parameters
    ----------
    flux : ndarray, shape (3, 8, n)
        Of clean stars within each of `RADII_WIDTHS`; NaN where it was not measured.
    noise : ndarray, shape (n,)
        Relative, of the star in the worst channel, within `FIT_RADIUS_WIDTHS`.
    neighbours : ndarray, shape (8, n)
        Light of other stars near each radius, as a share of the star's.
    alike_ln : ndarray, shape (2, n), optional
        Where the channels were made alike, by how much more of R and of B than of G the narrow
        aperture then holds.
    fwhm_px : ndarray, shape (3,), optional
        Widths of the stars in R, G, B, NaN where not known: what growth is drawn to where the
        ground hides it; as if alike without them.

    Returns
    -------
    Growth or None
        None where fewer than `FEWEST_GROWTH_STARS` stars tell the steps to two widths.
    """
    if flux.shape[2] < FEWEST_GROWTH_STARS:
        return None
    times = _times_drawn(flux.shape[2])
    made_alike = None
    if alike_ln is not None:
        made_alike = _step_of_blur(alike_ln, noise, neighbours, times)
        if made_alike is None:
            return None
    first = RADII_WIDTHS.index(FIT_RADIUS_WIDTHS) + 1
    steps: list[_Step] = []
    for outer in range(first, len(RADII_WIDTHS)):
        step = _step_to(outer, flux, noise, neighbours, times)
        if step is None:
            break
        steps.append(step)
        times = times * step.kept
    if len(steps) < FEWEST_STEPS:
        return None
    end = _added_up(_steps_outwards(steps))
    if made_alike is None:
        return _drawn_to_usual(end, fwhm_px)
    return _drawn_to_usual(end, ONE_WIDTH).with_blur(made_alike)


def error_of_unmeasured(fwhm_px: NDArray) -> NDArray:
    """How far the light of red and blue beyond the aperture may differ from that of green where no
    growth was measured.

    Parameters
    ----------
    fwhm_px : ndarray, shape (3,)
        Widths of the stars in R, G, B; NaN where not known.

    Returns
    -------
    ndarray, shape (2,)
        Natural logarithms, 1 sigma: what unlike widths bring about, and 1 where one is not known.
    """
    unlike = np.abs(np.log(fwhm_px[RED_BLUE] / fwhm_px[GREEN]))
    error = np.hypot(LIGHT_PER_WIDTH * unlike, USUAL_DIFFERENCE_LN)
    return np.where(np.isfinite(error), error, 1.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Step:
    """Growth over one step of radius, of all stars and of stars drawn anew: (1 + samples, 2); and
    what of each star's weight is left, (1 + samples, n): who has a neighbour in one step has its
    wings in the next."""

    radius: float
    ln: NDArray
    kept: NDArray
    wider: float  # by what the scatter of the samples is too small for so few stars
    stars: int

    @property
    def error_ln(self) -> NDArray:
        """Error of the growth of R and of B, (2,)."""
        return self.wider * np.std(self.ln[1:], axis=0, ddof=1)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Believed:
    """A step as measured and as the one before tells it, by what either is worth."""

    radius: float
    ln: NDArray  # of all stars and of stars drawn anew, (1 + samples, 2)
    error_ln: NDArray  # (2,)
    measured_share: NDArray  # of the measurement in it, (2,)
    next_share: NDArray  # of an error of the step before that it has as well, (2,)
    told_error_ln: NDArray  # of what the steps before tell, (2,)
    wider: float
    stars: int

    def with_measured(self, step: _Step) -> "_Believed":
        """What is told and what was measured, by what either is worth."""
        weight = 1 / (1 + (step.error_ln / self.told_error_ln) ** 2)
        return replace(
            self,
            ln=weight * step.ln + (1 - weight) * self.ln,
            error_ln=np.sqrt(weight) * step.error_ln,
            measured_share=weight,
            wider=step.wider,
            stars=step.stars,
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Total:
    """All steps and what is beyond them."""

    ln: NDArray
    error_ln: NDArray
    beyond_ln: NDArray
    beyond_error_ln: NDArray
    reach_widths: float
    stars: int
    seen_ln2: NDArray  # square of the largest step that its error does not explain, (2,)


def _times_drawn(n: int) -> NDArray:
    """How often each star counts: once, and as drawn anew with replacement, (1 + samples, n)."""
    drawn = np.random.default_rng(1).multinomial(n, np.full(n, 1 / n), SAMPLES)
    return np.vstack([np.ones(n), drawn])


def _step_to(outer: int, flux, noise, neighbours, times: NDArray) -> _Step | None:
    """The step to a radius, by its place in `RADII_WIDTHS`; None where too few stars tell it."""
    good = _stars_of_step(outer, flux, noise, neighbours)
    if good.sum() < FEWEST_GROWTH_STARS:
        return None
    grown = np.log(flux[:, outer, good] / flux[:, outer - 1, good])
    tells = np.vstack([grown[RED_BLUE] - grown[GREEN], grown[GREEN]])
    spread = np.hypot(_step_noise(outer, noise[good]), STAR_SCATTER)
    means, each = _robust_means(tells, spread, times[:, good])
    kept = np.ones(times.shape)
    kept[:, good] = each
    return _Step(
        radius=RADII_WIDTHS[outer],
        ln=means[:, :2],
        kept=kept,
        wider=_wider_for(times[0, good] * each[0], times[0, good] * each[0] ** 2),
        stars=int(good.sum()),
    )


def _step_of_blur(alike_ln, noise, neighbours, times: NDArray) -> _Step | None:
    """What a blur takes from the narrow aperture; None where too few stars tell it."""
    reach = RADII_WIDTHS.index(BLUR_REACH_WIDTHS)
    good = np.isfinite(alike_ln).all(axis=0) & (_step_noise(reach, noise) < MOST_STEP_NOISE)
    good &= neighbours[reach] < NEIGHBOUR_SHARE
    if good.sum() < FEWEST_GROWTH_STARS:
        return None
    spread = np.hypot(noise[good], STAR_SCATTER)
    means, each = _robust_means(alike_ln[:, good], spread, times[:, good])
    return _Step(
        radius=FIT_RADIUS_WIDTHS,
        ln=means,
        kept=np.ones(times.shape),
        wider=_wider_for(times[0, good] * each[0], times[0, good] * each[0] ** 2),
        stars=int(good.sum()),
    )


def _stars_of_step(outer: int, flux, noise, neighbours) -> NDArray:
    """Which stars tell a step, (n,) bool: lit, not too noisy, without much of others near."""
    both = np.nan_to_num(flux[:, outer - 1 : outer + 1])
    lit = (both > 0).all(axis=(0, 1))
    clear = _step_noise(outer, noise) < MOST_STEP_NOISE
    return lit & clear & (neighbours[outer] < NEIGHBOUR_SHARE)


def _step_noise(outer: int, noise: NDArray) -> NDArray:
    """Of a star's light within a radius."""
    return noise * RADII_WIDTHS[outer] ** NOISE_POWER


def _wider_for(weight: NDArray, squares: NDArray) -> float:
    """By what a scatter is too small for so few stars, as Student's t."""
    count = weight.sum() ** 2 / squares.sum()
    return float(np.sqrt((count - 1) / (count - 3))) if count > 4 else 3.0


def _robust_means(tells: NDArray, spread: NDArray, times: NDArray) -> tuple[NDArray, NDArray]:
    """Means of what stars tell, for each way to draw them, (1 + samples, 3), and the share of each
    star's weight that is kept, (1 + samples, n).

    A star that is far off in any of the three has little weight in all; which ones are is found
    anew for each sample.
    """
    weight = spread**-2.0
    middle = np.array([weighted_median(row, weight) for row in tells])
    off = np.abs(tells - middle[:, None]) / spread
    size = SIGMA_PER_DEVIATION * np.median(off, axis=1)
    scale = NEIGHBOUR_SIGMA * np.maximum(size, LEAST_SCATTER)[:, None] * spread
    return _biweight_means(tells, weight, times, middle, scale)


def _biweight_means(tells, weight, times, middle, scale) -> tuple[NDArray, NDArray]:
    """Means within a scale of each star, begun in the middle, and the share that is kept of each
    star's weight (Tukey's biweight)."""
    means = np.repeat(middle[None], len(times), axis=0)
    for _ in range(ROBUST_ROUNDS):
        away = np.abs(tells - means[:, :, None]) / scale
        kept = np.clip(1 - away.max(axis=1) ** 2, 1e-6, None) ** 2
        each = times * weight * kept
        total = np.maximum(each.sum(axis=1, keepdims=True), 1e-30)
        means = each @ tells.T / total
    return means, kept


def _steps_outwards(steps: list[_Step]) -> list[_Believed]:
    """Every step out to the last radius, measured or not."""
    believed: list[_Believed] = []
    measured = {step.radius: step for step in steps}
    first = RADII_WIDTHS.index(FIT_RADIUS_WIDTHS) + 1
    for radius in RADII_WIDTHS[first:]:
        believed.append(_step_outwards(radius, measured.get(radius), believed))
    return believed


def _step_outwards(radius: float, step: _Step | None, before: list[_Believed]) -> _Believed:
    """One step; the first ones are as measured."""
    told = _NOTHING_TOLD
    if radius in NEXT_STEP:
        told = _next_step_told(before, NEXT_STEP[radius], FALL[radius])
    told_error = np.hypot(told.error_ln, LEAST_STEP_LN)
    believed = _Believed(
        radius=radius,
        ln=told.ln,
        error_ln=np.hypot(told_error, np.std(told.ln, axis=0)),
        measured_share=np.zeros(2),
        next_share=told.share,
        told_error_ln=told_error,
        wider=1.0,
        stars=0,
    )
    return believed if step is None else believed.with_measured(step)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Told:
    """What steps tell of the next: it, (1 + samples, 2), its error besides theirs, (2,), and by how
    much it grows with the last of them, (2,)."""

    ln: NDArray
    error_ln: NDArray
    share: NDArray


_NOTHING_TOLD = _Told(ln=np.zeros((1, 2)), error_ln=np.full(2, np.inf), share=np.zeros(2))


def _next_step_told(
    steps: list[_Believed], usual: tuple[float, float], fall: tuple[float, float]
) -> _Told:
    """The next step by what is usual after the last one, and by how they die away as far as that is
    seen."""
    rate, fall_spread = fall
    share, spread = usual
    last, size = steps[-1].ln, _size_of_last(steps)
    seen = _seen_to_fall(steps)
    falls_to = rate * _falling(steps)
    by_fall = seen * fall_spread * np.sqrt(np.abs(last[0]))
    by_usual = (1 - seen) * spread * size
    return _Told(
        ln=(seen * falls_to + (1 - seen) * share) * last,
        error_ln=np.hypot(by_fall, by_usual),
        share=2 * seen * falls_to[0] + (1 - seen) * share,
    )


def _falling(steps: list[_Believed]) -> NDArray:
    """The last step as a share of the one before, (1 + samples, 2)."""
    last, before = steps[-1].ln, steps[-2].ln
    share = last / np.where(before == 0, np.inf, before)
    return np.clip(share, 0, MOST_FALLING)


def _seen_to_fall(steps: list[_Believed]) -> NDArray:
    """How far both last steps are seen to go one way, (2,): 0 not at all, 1 beyond doubt."""
    last, before = steps[-1], steps[-2]
    sigmas = np.minimum(*[np.abs(s.ln[0]) / np.maximum(s.error_ln, 1e-9) for s in steps[-2:]])
    one_way = last.ln[0] * before.ln[0] > 0
    return np.where(one_way, sigmas**2 / (sigmas**2 + SEEN_STEP_SIGMAS**2), 0.0)


def _size_of_last(steps: list[_Believed]) -> NDArray:
    """How large the last step is: half the one before at least, as two channels may grow alike for
    a while."""
    sizes = np.abs([step.ln[0] for step in steps[-2:]])
    return np.maximum(sizes[-1], 0.5 * sizes[0])


def _added_up(steps: list[_Believed]) -> _Total:
    """Sum of all steps and what lies beyond; errors of the measurements from the samples, those of
    what steps tell of the next from their spread."""
    told = _next_step_told(steps, BEYOND, FALL_BEYOND)
    beyond = told.ln
    open_ln = np.hypot(told.error_ln, _open_in(steps, told.share))
    total = np.sum([step.ln for step in steps], axis=0) + beyond
    wider = max(step.wider for step in steps if step.measured_share.max() > 0.5)
    measured = wider * np.std(total[1:], axis=0, ddof=1)
    reached = _outermost_measured(steps)
    further = [step.ln[0] for step in steps if step.radius > reached.radius]
    return _Total(
        ln=total[0],
        error_ln=np.sqrt(measured**2 + _diluted(steps, beyond[0]) ** 2 + open_ln**2),
        beyond_ln=np.sum([beyond[0], *further], axis=0),
        beyond_error_ln=open_ln,
        reach_widths=reached.radius,
        stars=reached.stars,
        seen_ln2=np.max([step.ln[0] ** 2 - step.error_ln**2 for step in steps], axis=0).clip(0),
    )


def _diluted(steps: list[_Believed], beyond_ln: NDArray) -> NDArray:
    """What unseen stars may take from the total, (2,): from all steps by the same sign."""
    widest = steps[-1].radius ** 2 * np.abs(beyond_ln)
    parts = [step.radius**2 * np.abs(step.ln[0]) for step in steps]
    return DILUTED_PER_AREA * np.sum([widest, *parts], axis=0)


def _open_in(steps: list[_Believed], beyond_share: NDArray) -> NDArray:
    """Error of the total, (2,), by what steps that were told by the one before leave open."""
    open_ln2 = np.zeros(2)
    tells = 1 + beyond_share  # what an error of this step makes of the total
    for step in steps[::-1]:
        left = 1 - step.measured_share
        known = np.where(left > 0, step.told_error_ln, 0.0)
        open_ln2 += (tells * left * known) ** 2
        tells = 1 + left * step.next_share * tells
    return np.sqrt(open_ln2)


def _outermost_measured(steps: list[_Believed]) -> _Believed:
    """The outermost step that is measured rather than told by the one before."""
    return max(
        (step for step in steps if step.measured_share.min() > 0.5),
        key=lambda step: step.radius,
        default=steps[1],
    )


def _drawn_to_usual(end: _Total, fwhm_px: NDArray) -> Growth:
    """The growth, drawn to what the stars' widths make expected where it is not significant: there
    the correction would only add noise. Channels with steps that go to and fro are not alike,
    whatever the sum."""
    wider = np.nan_to_num(np.log(fwhm_px[RED_BLUE] / fwhm_px[GREEN]))
    usual = USUAL_PER_WIDTH * wider
    off2 = np.maximum((end.ln - usual) ** 2 - end.error_ln**2, end.seen_ln2)
    truth2 = off2 + USUAL_DIFFERENCE_LN**2 + (OPEN_PER_WIDTH * wider) ** 2
    share = truth2 / (truth2 + end.error_ln**2)
    return Growth(
        ln=usual + share * (end.ln - usual),
        error_ln=np.sqrt(share) * end.error_ln,
        raw_ln=end.ln,
        raw_error_ln=end.error_ln,
        beyond_ln=end.beyond_ln,
        beyond_error_ln=end.beyond_error_ln,
        reach_widths=end.reach_widths,
        stars=end.stars,
    )
