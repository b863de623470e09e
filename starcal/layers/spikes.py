"""Spikes of bright stars: their directions, common to the frame, and an empirical law of their
light in units of the star's own.

The law is a strip along each arm, a value for every pixel along and across it, stacked over the
stars; so an arm may be bent, doubled or jagged.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..robust import SIGMA_PER_DEVIATION, scatter
from .halos import Halo, as_far_as_sure, median_without_nan

ARMS = (4, 2, 6, 8)  # equal angles apart
LOOK_FWHM = (2.5, 13.0)  # where directions are looked for
SURE_ARMS_SIGMA = 7.0  # even frames reach 5, spikes begin at 9
SEEN_ARM_SIGMA = 2.5  # of a single arm; a third of them may be weaker
INNER_RING_PX = 3.0
ROUND_DEG = 15  # an arm is brighter than what lies within this to either side
ARM_CLIP_SIGMA = 5.0
INNER_FWHM = 2.5  # nearer to the star its own profile is not known well enough
ACROSS_FWHM, SIDE_FWHM = 3.0, 5.5  # half the width of a strip, and of the sky beside it
FACTOR_SD, OWN_SD = 0.3, 0.2  # of stars about the law, and along their arms
END_SIGMA, END_PX = 2.0, 5  # an arm ends where it shows no more over so many pixels, thrice
# along an arm, near the star and so far out: knots are near, and far out the light is faint
SMOOTH_PX, SMOOTH_FAR_PX, FAR_PX = 0.8, 5.0, 60.0
FINE_PX, DETAIL_SIGMA = 0.4, 1.5  # knots are kept as far as they stand out of the law's error
ARM_FADE_SHARE = 0.5  # of its length, over which it fades beyond its end
BEGIN_SHARE = 5.0  # it begins within a fifth of the distance where the core ends
SURE_LAW = 1.5  # errors
LEAST_KNOWN = 0.2  # of a pixel along an arm
LAW_ERROR = 0.1  # share of its light that a law may be wrong by for a star
OWN_PX, OWN_GROWTH = (
    1.5,
    0.1,
)  # what a star's own strength is smoothed over, and more further out
WEAKEST, STRONGEST = 0.2, 3.0  # where the search for a star's strength begins at the utmost
ROUNDS = 3
DOUBT = 0.15  # share of an arm's light that it may be wrong by
ARM_LAW_STARS = 6  # no star counts for more than the one of this rank


@dataclass(frozen=True, eq=False, kw_only=True)
class Arms:
    """The law of the arms.

    Attributes
    ----------
    turns : ndarray, (a,)
        Directions, radians from x towards y.
    law : ndarray, (a, 3, s, t)
        Light per pixel of a star of flux 1, by pixels along and across.
    error : ndarray, (a, 3, s)
        Of a value of it.
    ends : ndarray, (a,)
        Length of each arm, px.
    """

    turns: NDArray
    law: NDArray
    error: NDArray
    ends: NDArray

    def last(self, arm: int) -> float:
        """Where an arm has faded away, px."""
        return (1 + ARM_FADE_SHARE) * float(self.ends[arm]) + 1

    def peak(self) -> NDArray:
        """Light per pixel where the arms are brightest, (3,), of a star of flux 1."""
        ridge = self.law.max(axis=3).mean(axis=0)
        return ndimage.uniform_filter1d(ridge, 2 * END_PX, axis=1).max(axis=1)

    def reach_px(
        self,
        snr: NDArray,
        faintest: float,
    ) -> float:
        """How far the arms of a star of such light, in noises, are brighter than some noises."""
        light = (self.law.max(axis=(0, 3)) * snr[:, None]).max(axis=0)
        seen = np.flatnonzero(light > faintest)
        return float(seen[-1] + 1) if len(seen) else 0.0


def find_arms(halos: list[Halo], fwhm_px: float) -> Arms | None:
    """The arms of the bright stars of a frame; None if there are none.

    Parameters
    ----------
    halos : list of Halo
    fwhm_px : float
    """
    if len(halos) == 0:
        return None
    turns = arm_turns(halos, fwhm_px)
    return _law(halos, turns, fwhm_px) if len(turns) else None


# --- directions -------------------------------------------------------------------------


def arm_turns(halos: list[Halo], fwhm_px: float) -> NDArray:
    """Directions of the arms, radians; empty if none are sure.

    Parameters
    ----------
    halos : list of Halo
    fwhm_px : float
    """
    angles = np.radians(np.arange(360.0))
    profiles = [_round_star(halo, angles, fwhm_px) for halo in halos]
    profile = np.sum(profiles, axis=0)
    spread = float(scatter(profile))
    folded = [_folded(profile, spread, arms) for arms in ARMS]
    significance, first, arms = max(folded)
    if not significance > SURE_ARMS_SIGMA:
        return np.zeros(0)
    degrees = first + np.arange(arms) * 360 // arms
    highest = ndimage.maximum_filter1d(profile, 7, mode="wrap")
    seen = highest[degrees % 360] > SEEN_ARM_SIGMA * spread
    if np.count_nonzero(~seen) > arms / 3:
        return np.zeros(0)
    refined = [_refined(profile, degree) for degree in degrees[seen]]
    return np.radians(refined)


def _round_star(
    halo: Halo,
    angles: NDArray,
    fwhm_px: float,
) -> NDArray:
    """How much brighter each direction from a star is than those beside it, (360,)."""
    radius = np.arange(LOOK_FWHM[0] * fwhm_px, LOOK_FWHM[1] * fwhm_px)[:, None]
    rings = halo.sampled(radius * np.cos(angles), radius * np.sin(angles))
    light = (rings / halo.noise[:, None, None]).sum(axis=0)
    wrong = halo.errors_at(radius * np.cos(angles), radius * np.sin(angles))
    doubt = (wrong / halo.noise[:, None, None]).sum(axis=0)
    level = _known_ring_median(light)[:, None]
    spread = SIGMA_PER_DEVIATION * _known_ring_median(np.abs(light - level))[:, None]
    # where the star's own wings may be wrong by more than the ring scatters, it tells little
    chi = (light - level) / np.fmax(spread, doubt)
    chi = np.clip(chi, -ARM_CLIP_SIGMA, ARM_CLIP_SIGMA)
    weight = np.isfinite(chi) / (INNER_RING_PX + radius)
    mean = _weighted(np.nan_to_num(chi), weight)
    return mean - ndimage.median_filter(mean, 2 * ROUND_DEG + 1, mode="wrap")


def _known_ring_median(light):
    """Median of each ring; NaN for rings of which less than half is known."""
    enough = np.isfinite(light).mean(axis=1) > 0.5
    return np.where(enough, median_without_nan(light.T), np.nan)


def _folded(
    profile,
    spread,
    arms,
):
    """Significance of so many equal arms, the first one's degree, and their number."""
    together = profile.reshape(arms, 360 // arms).mean(axis=0)
    first = int(np.argmax(together))
    return together[first] * np.sqrt(arms) / max(spread, 1e-9), first, arms


def _refined(profile, degree):
    """Middle of a peak of the profile near a degree."""
    near = degree + np.arange(-5, 6)
    height = np.maximum(profile[near % 360], 0) ** 2
    return float((height * near).sum() / max(height.sum(), 1e-30)) if height.any() else degree


# --- law --------------------------------------------------------------------------------


def _strip_grid(length, half):
    """Offsets along and across of a strip's pixels, (s, t)."""
    along, across = np.mgrid[:length, -half : half + 1].astype(float)
    return along, across


def _turned(
    along,
    across,
    turn,
):
    """The same as offsets in x and in y."""
    x = along * np.cos(turn) - across * np.sin(turn)
    y = along * np.sin(turn) + across * np.cos(turn)
    return x, y


def _law(
    halos,
    turns,
    fwhm_px,
) -> Arms:
    """The law that the stars tell."""
    length = max(halo.left_over.shape[1] for halo in halos) // 2
    half = int(np.ceil(ACROSS_FWHM * fwhm_px))
    side = int(np.ceil(SIDE_FWHM * fwhm_px))
    laws = []
    errors = []
    ends = []
    for turn in turns:
        law, error = _of_arm(halos, turn, length, side, half)
        end = _end(law, error)
        laws.append(_kept(law, error, end, INNER_FWHM * fwhm_px))
        errors.append(error)
        ends.append(end)
    return Arms(
        turns=turns,
        law=np.stack(laws),
        error=np.stack(errors),
        ends=np.array(ends),
    )


def _of_arm(
    halos,
    turn,
    length,
    side,
    half,
):
    """Mean light along one direction, (3, s, t), and its error, (3, s)."""
    strips = []
    errors = []
    for halo in halos:
        strips.append(_strip(halo, turn, length, side, half))
        errors.append(_strip_error(halo, turn, length, side))
    law, error = _stacked_strips(np.stack(strips), np.stack(errors), halos)
    law, error = _smoothed_law(law, error)
    return law[:, :, side - half : side + half + 1], error


def _strip(
    halo,
    turn,
    length,
    side,
    half,
):
    """What is left over along an arm of one star, the sky beside the arm taken out, (3, s, t)."""
    x, y = _turned(*_strip_grid(length, side), turn)
    strip = halo.sampled(x, y)
    return strip - _sky_beside(strip, side, half)


def _strip_error(
    halo,
    turn,
    length,
    side,
):
    """What the pixels of a strip may be wrong by, (3, s, t)."""
    x, y = _turned(*_strip_grid(length, side), turn)
    error = halo.errors_at(x, y)
    return np.where(np.isfinite(error), error, 1.0)


def _sky_beside(
    strip,
    side,
    half,
):
    """The sky under a strip: a straight line between the medians of its two sides, which run along
    with it."""
    ways = (strip[:, :, : side - half], strip[:, :, side + half + 1 :])
    lower, upper = (_running_median(way) for way in ways)
    middle = (side + half) / 2
    share = (np.arange(-side, side + 1) / middle + 1) / 2
    lower, upper = (
        np.where(np.isnan(lower), upper, lower),
        np.where(np.isnan(upper), lower, upper),
    )
    return lower[:, :, None] * (1 - share) + upper[:, :, None] * share


def _running_median(way, reach=3):
    """Median over a side of a strip and the pixels before and after, (3, s)."""
    padded = np.pad(way, ((0, 0), (reach, reach), (0, 0)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1)
    flat = windows.reshape(*windows.shape[:2], -1)
    return median_without_nan(np.moveaxis(flat, 2, 0))


def _stacked_strips(
    strips,
    wrong,
    halos,
):
    """Mean of the stars' strips in units of their flux, outliers left out, and its error.

    Parameters
    ----------
    strips, wrong : ndarray, (n, 3, s, t)
    """
    flux = np.stack([halo.flux for halo in halos])[:, :, None, None]
    own = wrong / np.maximum(flux, 1e-30)
    ranked = np.sort(own, axis=0)[min(ARM_LAW_STARS, len(halos)) - 1]
    weight = np.where(np.isfinite(strips), 1 / (own**2 + ranked**2), 0)
    shares = np.nan_to_num(strips / np.maximum(flux, 1e-30))
    mean = np.nan_to_num(median_without_nan(strips / np.maximum(flux, 1e-30)))
    for _ in range(ROUNDS):
        chi = (shares - mean) / (3 * own + 0.5 * np.abs(mean))
        robust = weight / (1 + chi**2) ** 2
        mean = _weighted(shares, robust)
    total = weight.sum(axis=0)
    squares = (weight * own) ** 2
    error = np.sqrt(squares.sum(axis=0)) / np.maximum(total, 1e-30)
    return np.where(total > 0, mean, np.nan), error


def _weighted(values, weight):
    return (values * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-30)


def _smoothed_law(law, error):
    """A law smoothed along the arm, more so further out, but for what stands out of its error, and
    the error of its values, (3, s)."""
    far = np.arange(law.shape[1]) / FAR_PX
    coarse, coarse_error = _along(law, error, SMOOTH_PX + SMOOTH_FAR_PX * far**2)
    fine, fine_error = _along(law, error, np.full(len(far), FINE_PX))
    detail = as_far_as_sure(fine - coarse, DETAIL_SIGMA * fine_error)
    return coarse + detail, np.median(coarse_error, axis=2)


def _along(
    law,
    error,
    width_px,
):
    """A law and its error, smoothed along the arm by so many pixels; NaN where little is known."""
    kernel = _smoothing(width_px)
    known = np.isfinite(law)
    total = kernel @ np.nan_to_num(law)
    share = np.maximum(kernel @ known.astype(float), 1e-9)
    squares = kernel**2 @ np.where(known, error**2, 0)
    mean = np.where(share < LEAST_KNOWN, np.nan, total / share)
    return mean, np.sqrt(squares) / share


def _end(law, error):
    """Pixels along the arm up to which it shows, channels together."""
    bins = _arm_bins(law, error)
    known = np.isfinite(law).any(axis=(0, 2))
    first = int(np.argmax(known)) // END_PX
    weak = bins < END_SIGMA
    weak[: first + 1] = False
    gone = weak[:-2] & weak[1:-1] & weak[2:]
    last = int(np.argmax(gone)) if gone.any() else len(bins)
    return last * END_PX


def _arm_bins(law, error):
    """How surely an arm shows in each few pixels along it, in errors, channels together."""
    quarter = law.shape[2] // 4
    light = np.nan_to_num(law[:, :, quarter:-quarter]).mean(axis=2)
    chi = light / np.maximum(error, 1e-30) * np.sqrt(2 * quarter)
    together = chi.sum(axis=0) / np.sqrt(len(chi))
    count = len(together) // END_PX
    bins = together[: count * END_PX].reshape(count, END_PX)
    return bins.mean(axis=1)


def _kept(
    law,
    error,
    end,
    inner_px,
):
    """The law as far as it stands out of its error; it begins where the profile's core ends, is
    taken inwards of what is known from there, and fades beyond its end."""
    known = np.isfinite(law).all(axis=(0, 2))
    first = int(np.argmax(known)) if known.any() else 0
    first = max(first, int(np.ceil(inner_px)))
    law = np.maximum(np.nan_to_num(law), 0)
    law = as_far_as_sure(law, SURE_LAW * error[:, :, None])
    place = np.arange(law.shape[1])
    inwards = (INNER_RING_PX + first) / (INNER_RING_PX + place[:first, None])
    law[:, :first] = law[:, first : first + 1] * inwards
    begin = np.clip(BEGIN_SHARE * (place / inner_px - 1) + 1, 0, 1)
    fade = np.clip(1 - (place - end) / max(ARM_FADE_SHARE * end, 1), 0, 1)
    return law * (begin * fade)[:, None]


# --- one star ---------------------------------------------------------------------------


def arm_light(
    halo: Halo,
    arms: Arms,
    fwhm_px: float,
) -> tuple[NDArray, NDArray]:
    """Light of a star's arms on the pixels of its cut, and its variance, (3, h, w) each.

    Parameters
    ----------
    halo : Halo
    arms : Arms
    fwhm_px : float

    Returns
    -------
    light, variance : ndarray, (3, h, w) float32
    """
    dx, dy = halo.offsets()
    light = np.zeros(halo.left_over.shape, np.float32)
    doubt = np.zeros_like(light)
    half = arms.law.shape[3] // 2
    for arm, turn in enumerate(arms.turns):
        along = dx * np.cos(turn) + dy * np.sin(turn)
        across = dy * np.cos(turn) - dx * np.sin(turn)
        near = (along > -0.5) & (along < arms.last(arm)) & (np.abs(across) < half)
        if not near.any():
            continue
        places = np.stack([along[near], across[near] + half])
        own, wrong = _on_places(halo, arms, arm, fwhm_px, places)
        light[:, near] += own
        doubt[:, near] += wrong
    return light, doubt


def _on_places(
    halo,
    arms,
    arm,
    fwhm_px,
    places,
):
    """Light of one arm and its variance at places along and across it, (3, k) each."""
    law = _own_law(halo, arms, arm, fwhm_px)
    pixels = np.arange(law.shape[1])
    light = []
    doubt = []
    for flux, own, error in zip(halo.flux, law, arms.error[arm], strict=True):
        mine = flux * ndimage.map_coordinates(own, places, order=1, mode="nearest")
        wrong = flux * np.interp(places[0], pixels, error)
        variance = (DOUBT * mine) ** 2 + wrong**2
        light.append(mine)
        doubt.append(np.where(mine > 0, variance, 0))
    return np.stack(light), np.stack(doubt)


def _own_law(
    halo,
    arms,
    arm,
    fwhm_px,
):
    """The law with the star's own strength along the arm, (3, s, t)."""
    law = arms.law[arm]
    length = law.shape[1]
    half = law.shape[2] // 2
    side = int(np.ceil(SIDE_FWHM * fwhm_px))
    turn = arms.turns[arm]
    strip = _strip(halo, turn, length, side, half)[:, :, side - half : side + half + 1]
    wrong = _strip_error(halo, turn, length, half)
    model = law * halo.flux[:, None, None]
    model[:, int(arms.ends[arm]) :] = 0  # the tail tells nothing
    variance = wrong**2 + (LAW_ERROR * model) ** 2
    weight = np.where(np.isfinite(strip), 1 / variance, 0)
    strength = _own_strength(np.nan_to_num(strip), model, wrong, weight)
    return law * strength[:, :, None]


def _own_strength(
    strip,
    model,
    wrong,
    weight,
):
    """How strong a star's arm is against the law, (3, s); what lies on it by chance counts for
    little."""
    kernel = _smoothing(OWN_PX + OWN_GROWTH * np.arange(model.shape[1]))
    strength = np.full(
        model.shape[:2], _usual_ratio(strip, model, (weight > 0) & (model > wrong))
    )
    for _ in range(ROUNDS):
        expected = strength[:, :, None] * model
        chi = (strip - expected) / (3 * wrong + 0.5 * expected)
        robust = weight * model / (1 + chi**2) ** 2
        match = (robust * strip).sum(axis=2)
        power = (robust * model).sum(axis=2)
        whole = _held(match.sum(), power.sum(), 1.0, FACTOR_SD)
        own = _held(match @ kernel.T, power @ kernel.T, whole, OWN_SD)
        strength = np.maximum(own, 0)
    return strength


def _usual_ratio(
    strip,
    model,
    telling,
) -> float:
    """Median of what a star shows against the law."""
    if not telling.any():
        return 1.0
    ratio = float(np.median(strip[telling] / model[telling]))
    return min(max(ratio, WEAKEST), STRONGEST)


def _held(
    match,
    power,
    expected,
    spread,
):
    """A factor from its least-squares sums, held to what is expected of it."""
    trust = spread**-2
    return np.maximum(match + expected * trust, 0) / (power + trust)


def _smoothing(width_px):
    """Weights that smooth along an arm by widths that change along it, (s, s)."""
    place = np.arange(len(width_px))
    off = (place[:, None] - place) / width_px[:, None]
    return np.exp(-0.5 * off**2)
