"""The measuring and fitting steps of a check: which stars serve, their light, the fit, and the
second measurements of it."""

from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from .. import colour
from ..fit.contrasts import (
    ColourGradient,
    SecondMeasurement,
    added_errors,
    colour_gradient,
    contradiction,
    core_contrast,
    halo_light,
    require_gradient,
    second_measurements,
)
from ..fit.dust import Dust, dust_before
from ..fit.expected import LEAST_EXPECTED_SNR, expected_flux
from ..fit.gains import MAG_PER_LN, MIN_STARS, TARGET_SLOPE, GainFit, fit_gains
from ..fit.responses import ColourTerms
from ..fit.steadiness import STEADY_WIDTHS, Steadiness, proportion, steadiness
from ..fit.unevenness import CleanColours, unevenness
from ..fit.verdict import (
    LEAST_PALE,
    MOST_PALE_OTHER,
    pressed_clause,
    uneven_clause,
    unsteady_clause,
)
from ..robust import upper_median
from ..stars import CHANNELS, SHAPE_SNR, Flag, places_of
from ..stars.apertures import (
    FIT_RADIUS_WIDTHS,
    NEIGHBOUR_SHARE,
    RADII_WIDTHS,
    ApertureLight,
    measure_apertures,
)
from ..stars.defects import mended
from ..stars.growth import (
    MOST_STEP_NOISE,
    NOISE_POWER,
    STAR_SCATTER,
    Growth,
    error_of_unmeasured,
    measure_growth,
)
from ..stars.growth_field import FieldGrowth, Traits, growth_over_field
from ..stars.rounding import ROUNDING_WAVES, lifted_pixels, rounding_of
from .assumed import curves_contradicted

NOT_ONE_STAR = (
    Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.DOUBLE | Flag.MISMATCH | Flag.DEFECT
)  # light that is not one star's, or not all of it
# The aperture that gains rest on is narrower than that of the star table: these flags are judged
# anew for it. A star of the catalogue is one, however wide or long neighbours and nebula make it
# seem; what is too narrow may be a hot pixel in its place.
OF_WIDE_APERTURE = Flag.BLENDED | Flag.EDGE | Flag.SHAPE
NOT_TO_FIT = (NOT_ONE_STAR | Flag.NO_MATCH | Flag.NO_BV) & ~OF_WIDE_APERTURE
MOST_SHAPE_STARS = 250  # tell the growth of light to 0.3 % where the profile is one
FEWEST_ALONE = 12  # with fewer, neighbours told apart serve better
UNLIKE_WIDTHS = 1.5  # ratio of the channels' widths that is worth a word
LARGE_GAIN = 5.0
UNEVEN_WIDTHS = 2.0  # aperture of colours held against each other over the frame
FIELD_TO_WIDTHS = (
    FIT_RADIUS_WIDTHS,
    UNEVEN_WIDTHS,
    3.5,
)  # between which growth over the field is told
GRADIENT_ROUNDS = 2  # fits after a gradient was taken out; what the last leaves is below errors
# round stars whose sharpness is compared, and the light of others there as a share of theirs: with
# 0.3 of it the sharpness of a faint star is often its neighbour's
ALONE_TO_WIDTHS, ALONE_SHARE_OF_LIGHT = 2.0, 0.05
# Near its depth a catalogue limited in blue light lists the stars that errors make blue: the mean
# B-V of Tycho-2 falls behind that of brighter stars by 0.02 to 0.1 mag at V 11.6, 0.1 to 0.2 at 12,
# 0.3 to 0.6 at 12.5 (four fields of 12 to 25 degrees). Drawing stars to their field's mean, the
# fit keeps some four tenths of it. Its B-V errs by more than SOUND_BV_ERROR_MAG from V 11 on.
SOUND_BV_ERROR_MAG = 0.156
COMMON_BV_MAG, COMMON_AT_V, COMMON_GROWTH = 0.02, 11.5, 0.8  # of its logarithm per mag of V
MOST_COMMON_BV_MAG = 0.5
# Least slope ratios of 52 colour cameras, red and blue (measured curves, spectra of field stars)
PALEST_CAMERA = np.array([0.46, 0.41])
# of a gain, and of its stated error, that is worth a word: no small part of it any more
NAMED_SHIFT, NAMED_CATALOGUE_ERROR = 0.01, 0.015


@dataclass(frozen=True, eq=False, kw_only=True)
class LightFit:
    """A fit of gains, and what it was held against.

    Attributes
    ----------
    fit : GainFit
        Its errors hold those of the growth of light and of the second measurements.
    flux : ndarray, shape (3, n)
        To total light, of the stars that it was given.
    growth : Growth or None
        Of the light beyond the aperture; None where too few stars tell it.
    second : tuple of SecondMeasurement
    gradient : ColourGradient or None
    contradicted : str
        What an audit of the calibrated stars has against the gains, or that they differ too much
        over the frame; empty for nothing.
    terms : ColourTerms or None
        What was known of the channels beforehand, where the fit rests on that.
    notes : tuple of str
        Of terms that were left out.
    """

    fit: GainFit
    flux: NDArray
    growth: Growth | None
    second: tuple[SecondMeasurement, ...]
    gradient: ColourGradient | None
    contradicted: str
    terms: ColourTerms | None = None
    notes: tuple[str, ...] = ()


def measured_light(pixels: NDArray, stars: Table) -> ApertureLight:
    """Light of the clean stars that the catalogue knows, in equal apertures; flags FAINT anew by
    what is expected of them, and BLENDED where light of others falls into the narrow aperture.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        The frame.
    stars : Table
        With the catalogue's columns; its flags FAINT and BLENDED change for matched stars.
    """
    flags = np.asarray(stars["flags"])
    known = flags & int(Flag.NO_MATCH) == 0
    of_width = _alone_if_enough(flags, NOT_ONE_STAR, known)
    asked = _to_fit(stars)
    light = measure_apertures(
        mended(pixels, stars.meta["defects"]),
        stars,
        asked,
        _of_clear_shape(flags, np.asarray(stars["snr"])),
        of_width[np.argsort(_listed(stars, "v_mag", of_width))],
    )
    stars["flags"][np.setdiff1d(asked, light.row)] |= Flag.BLENDED
    _flag_faint(stars, light)
    return light


def _to_fit(stars: Table) -> NDArray:
    """Rows of the stars that the catalogue knows and nothing but the wide aperture speaks
    against."""
    flags = np.asarray(stars["flags"])
    wide = np.asarray(stars["fwhm_px"]) >= np.mean(stars.meta["fwhm_px"])
    starlike = wide | (flags & int(Flag.SHAPE) == 0)
    return np.flatnonzero(starlike & (flags & int(NOT_TO_FIT) == 0))


def _of_clear_shape(flags: NDArray, snr: NDArray) -> NDArray:
    """Rows of the brightest stars whose shape is to be trusted, in order: those that stand out, and
    those of the catalogue, which a search for points may see badly if they are wide."""
    star = (snr >= SHAPE_SNR) | (flags & int(Flag.NO_MATCH) == 0)
    clear = _alone_if_enough(flags, NOT_ONE_STAR | Flag.SHAPE, star)
    brightest = np.argsort(snr[clear])[::-1]
    return np.sort(clear[brightest[:MOST_SHAPE_STARS]])


def _alone_if_enough(flags: NDArray, against: Flag, star: NDArray) -> NDArray:
    """Rows of stars that nothing speaks against; where hardly one stands alone in the apertures of
    the star table, which are as wide as the softest channel, those with neighbours as well."""
    alone = np.flatnonzero(star & (flags & int(against) == 0))
    if len(alone) >= FEWEST_ALONE:
        return alone
    return np.flatnonzero(star & (flags & int(against & ~OF_WIDE_APERTURE) == 0))


def _flag_faint(stars: Table, light: ApertureLight) -> None:
    """Which stars serve is said by what is expected of them, not by what noise made of them."""
    serves = np.nan_to_num(light.flux).min(axis=0, initial=np.inf) > 0
    expected = _expected_light(stars, light)
    if expected is not None:
        serves &= (expected > LEAST_EXPECTED_SNR * light.noise).all(axis=0)
    stars["flags"][light.row] &= ~int(Flag.FAINT)
    stars["flags"][light.row[~serves]] |= Flag.FAINT


def _expected_light(stars: Table, light: ApertureLight) -> NDArray | None:
    """Light of the matched stars as the catalogue calls for it, (3, n); None with too few."""
    v_mag = _listed(stars, "v_mag", light.row)
    return expected_flux(light.flux, v_mag, _listed(stars, "bv_mag", light.row))


def _listed(stars: Table, name: str, rows: NDArray) -> NDArray:
    """Rows of a column as plain numbers."""
    return np.asarray(stars[name][rows], float)


def _grown(beyond: NDArray) -> NDArray:
    """Factors (3, 1) of R, G, B for what their apertures leave out, against green."""
    return np.exp([[beyond[0]], [0.0], [beyond[1]]])


def fit_light(
    stars: Table,
    light: ApertureLight,
    rows: NDArray,
    neutral_bv: float,
    terms: ColourTerms | None = None,
) -> LightFit:
    """Fit gains to the light of some stars, measure them again in other ways, and state the error
    of both.

    Parameters
    ----------
    stars : Table
    light : ApertureLight
    rows : ndarray of int
        Of the table, all of them in ``light.row``; `gains.MIN_STARS` or more, or one with terms.
    neutral_bv : float
    terms : ColourTerms, optional
        What is known of the channels beforehand.
    """
    which = np.searchsorted(light.row, rows)
    growth = _growth_of(stars, light)
    beyond, beyond_error = _left_out_by_aperture(stars, light, growth)
    error = _relative_error(stars, light)[:, which]
    # the logarithm of noisy light is too small in the mean by half of its variance
    flux = light.flux[:, which] * _grown(beyond) * np.exp(error**2 / 2)
    asked = Traits(_shares_of_frame(stars)[rows], light.flux[:, which])
    flux = flux * _as_in_mean_of_field(stars, light, asked, FIT_RADIUS_WIDTHS)
    fit, terms, notes = _fit_with_terms(
        terms,
        flux,
        flux * np.hypot(error, _common_colour_error(stars, rows)),
        _listed(stars, "bv_mag", rows),
        _listed(stars, "bv_fit_error_mag", rows),
        neutral_bv,
    )
    with_colour = _open_with_colour(stars, light, fit, beyond)
    fit = fit.with_growth(np.hypot(beyond_error, with_colour))
    fit = fit.with_rounding(_rounding_error(stars, light, fit, flux, growth))
    used = rows[fit.used]
    fit = fit.with_dust(_dust_of(stars, used), _mean_listed(stars, "bv_off_per_ebv", used))
    fit = fit.with_catalogue(_mean_listed(stars, "bv_common_error_mag", used))
    steady = _steadiness_of_stars(stars, light, fit)
    second = _measured_again(stars, light, rows, fit, growth, steady)
    clean = _clean_colours(stars, light)
    return LightFit(
        fit=fit.with_added(added_errors(second)),
        flux=flux,
        growth=growth,
        second=second,
        gradient=_gradient_of_stars(stars, rows, fit, clean),
        contradicted=_against_the_gains(stars, light, fit, beyond)
        or unsteady_clause(steady)
        or _pressed(stars, rows, fit, flux, error)
        or _unlike_over_the_frame(stars, light, rows, fit, clean),
        terms=terms,
        notes=notes,
    )


def _growth_of(stars: Table, light: ApertureLight) -> Growth | None:
    """Growth of the light beyond the aperture, by the frame's clean stars."""
    noise = _relative_noise(stars, light)
    measured = (light.growth_flux, noise, light.neighbours, light.alike_ln)
    return measure_growth(*measured, light.widths.fwhm_px)


def _left_out_by_aperture(
    stars: Table, light: ApertureLight, growth: Growth | None
) -> tuple[NDArray, NDArray]:
    """By how much the light of R and B grows more than that of G beyond the aperture, ln, (2,), and
    its error; where it was not measured, what the widths of the stars leave open."""
    if growth is not None:
        return growth.ln, growth.error_ln
    seen = np.array(stars.meta["fwhm_px"])
    fwhm_px = light.widths.fwhm_px
    return np.zeros(2), error_of_unmeasured(np.where(np.isfinite(fwhm_px), fwhm_px, seen))


def _as_in_mean_of_field(
    stars: Table, light: ApertureLight, asked: Traits, radius_widths: float
) -> NDArray:
    """Factors (3, n) for what lies beyond an aperture more, or less, at the places and with the
    colours of some stars than in the mean of the field."""
    steps = _growth_over_field(stars, light, radius_widths)
    return np.prod([step.factors(asked) for step in steps], axis=0)


def _open_with_colour(stars: Table, light: ApertureLight, fit: GainFit, beyond) -> NDArray:
    """Errors of the gains of R and B, (2,), by what is open of how the light beyond the aperture
    goes with a star's colour: those of a neutral star."""
    neutral_ln = -fit.zero_mag / MAG_PER_LN - beyond
    steps = _growth_over_field(stars, light, FIT_RADIUS_WIDTHS)
    return np.linalg.norm([step.error_ln(neutral_ln) for step in steps], axis=0)


def _growth_over_field(
    stars: Table, light: ApertureLight, radius_widths: float
) -> list[FieldGrowth]:
    """How the growth of light beyond an aperture differs from star to star, step by step."""
    measured = (light.growth_flux, _relative_noise(stars, light), light.neighbours)
    traits = _traits_of_clean(stars, light)
    steps = [radii for radii in pairwise(FIELD_TO_WIDTHS) if radii[0] >= radius_widths]
    return [growth_over_field(*measured, traits, radii) for radii in steps]


def _traits_of_clean(stars: Table, light: ApertureLight) -> Traits:
    """Of the stars that tell the growth of light."""
    narrow = light.growth_flux[:, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]
    return Traits(_shares_of_frame(stars)[light.shape_row], narrow)


def _shares_of_frame(stars: Table) -> NDArray:
    """Places of the stars from the middle, as shares of the frame's width and height, (n, 2)."""
    height, width = stars.meta["shape"]
    return (places_of(stars) + 0.5) / [width, height] - 0.5


def _gradient_of_stars(
    stars: Table, rows: NDArray, fit: GainFit, clean: CleanColours
) -> ColourGradient | None:
    """The planes of the gains of a fit over the frame."""
    x_px, y_px = places_of(stars)[rows].T
    return colour_gradient(fit, x_px, y_px, stars.meta["shape"], clean)


def _mean_listed(stars: Table, name: str, rows: NDArray) -> float:
    """Mean of a column of the catalogue over some rows, 0 where it says nothing."""
    values = np.nan_to_num(_listed(stars, name, rows))
    return float(np.mean(values)) if len(values) else 0.0


def _fit_with_terms(
    terms: ColourTerms | None, *light
) -> tuple[GainFit, ColourTerms | None, tuple[str, ...]]:
    """The fit, the terms that it rests on, and a note where stars speak against the curves."""
    enough = len(light[2]) >= MIN_STARS
    if terms is not None and enough:
        free = fit_gains(*light)
        note = curves_contradicted(free, terms)
        if note:
            return free, None, (note,)
    return fit_gains(*light, terms=terms), terms, ()


def fit_without_gradient(
    stars: Table, light: ApertureLight, rows: NDArray, neutral_bv: float
) -> LightFit:
    """As `fit_light`, with a gradient of colour taken out of the light before.

    Parameters
    ----------
    stars : Table
    light : ApertureLight
    rows : ndarray of int
    neutral_bv : float

    Returns
    -------
    LightFit
        Its gradient is what was taken out.

    Raises
    ------
    TooFewStars
        The stars show none that could be taken out.
    """
    made = fit_light(stars, light, rows, neutral_bv)
    gradient = require_gradient(made.gradient, made.fit.n_used)
    for _ in range(GRADIENT_ROUNDS):
        made = fit_light(stars, _without_gradient(stars, light, gradient), rows, neutral_bv)
        if made.gradient is not None:
            gradient = gradient.with_more(made.gradient)
    added = np.hypot(made.fit.added_error, gradient.left_open)
    return replace(made, fit=made.fit.with_added(added), gradient=gradient)


def _without_gradient(
    stars: Table, light: ApertureLight, gradient: ColourGradient
) -> ApertureLight:
    """Light of the stars without a gradient of colour."""
    shape = stars.meta["shape"]
    places = places_of(stars)
    factors = gradient.factors(*places[light.row].T, shape)
    of_shape = gradient.factors(*places[light.shape_row].T, shape)
    return replace(
        light,
        flux=light.flux * factors,
        noise=light.noise * factors,
        growth_flux=light.growth_flux * of_shape[:, None],
        shape_noise=light.shape_noise * of_shape,
    )


def _rounding_error(
    stars: Table, light: ApertureLight, fit: GainFit, flux: NDArray, growth: Growth | None
) -> NDArray:
    """Relative error of R and B against G that all stars have in common because the sky of all is
    rounded to the same step of coarse values, (2,): in the aperture of the stars of the fit, and
    beyond it in those to which brighter ones told the growth of light."""
    noise = stars.meta["noise"]
    if not noise.step_error.any():
        return np.zeros(2)
    weight = np.where(fit.used, fit.residual_error_mag.mean(axis=0) ** -2.0, 0)
    lifted_by = partial(_lifted_per_light, light, _usual_shares(light), noise.step)
    lifted = lifted_by(flux, weight, FIT_RADIUS_WIDTHS)
    if growth is not None:
        telling = _telling_growth(stars, light, growth.reach_widths)
        lifted += lifted_by(*telling, growth.reach_widths)
        lifted -= lifted_by(*telling, FIT_RADIUS_WIDTHS)
    steps = [rounding_of(*each) for each in zip(lifted, noise.rounded_steps, strict=True)]
    common = noise.rounded_alike * np.array(noise.step) * steps
    return np.hypot(common[[0, 2]], common[1])


def _telling_growth(
    stars: Table, light: ApertureLight, reach_widths: float
) -> tuple[NDArray, NDArray]:
    """Light of the stars that tell the growth to a radius, (3, n), and what each counts, (n,)."""
    noise = _relative_noise(stars, light) * reach_widths**NOISE_POWER
    within = light.growth_flux[:, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]
    known = (noise < MOST_STEP_NOISE) & (np.nan_to_num(within) > 0).all(axis=0)
    return within[:, known], np.hypot(noise[known], STAR_SCATTER) ** -2.0


def _lifted_per_light(
    light: ApertureLight, share: NDArray, steps, flux, weight, reach_widths
) -> NDArray:
    """Pixels that stars have lifted within a radius, see `lifted_pixels`, per light of a star in
    their weighted mean, (3, waves); by the shares of light within each radius."""
    reached = RADII_WIDTHS.index(reach_widths) + 1
    radii_px = np.array(RADII_WIDTHS[:reached]) * light.widths.common_px
    mean = np.zeros((len(flux), len(ROUNDING_WAVES)), complex)
    for channel, step in enumerate(steps):
        if step > 0 and weight.sum() > 0:
            of_stars = flux[channel]
            within = share[channel, :reached, None] * of_stars / step
            mean[channel] = lifted_pixels(within, radii_px) / of_stars @ weight / weight.sum()
    return mean


def _usual_shares(light: ApertureLight) -> NDArray:
    """Light within each radius as a share of that in the aperture of the fit, (3, radii); none is
    added where no star tells."""
    narrow = light.growth_flux[:, [RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]]
    share = light.growth_flux / np.where(np.nan_to_num(narrow) > 0, narrow, np.nan)
    return np.maximum.accumulate(np.nan_to_num(upper_median(share)), axis=1)


def _dust_of(stars: Table, rows: NDArray) -> Dust:
    """What dust is to be expected before some stars."""
    names = ("ra_deg", "dec_deg", "v_mag", "bv_mag", "bv_fit_error_mag")
    return dust_before(*[_listed(stars, name, rows) for name in names])


def _unlike_over_the_frame(
    stars: Table, light: ApertureLight, rows: NDArray, fit: GainFit, clean: CleanColours
) -> str:
    """What gains that differ over the frame have against one for all, by all clean stars; empty
    unless they do so by their light as it is and as in the mean of the field, which is given: stars
    that widen towards the edges would pass for an uneven flat in the one, and chance in the
    other."""
    share = _shares_of_frame(stars)[rows]
    as_it_is = _clean_colours(stars, light, as_in_mean=False)
    if not uneven_clause(unevenness(fit, share, as_it_is)):
        return ""
    return uneven_clause(unevenness(fit, share, clean))


def _clean_colours(
    stars: Table, light: ApertureLight, *, as_in_mean: bool = True
) -> CleanColours:
    """Stars that stand alone, in an aperture wide enough for their widths not to matter; as in the
    mean of the field, if asked for."""
    radius = RADII_WIDTHS.index(UNEVEN_WIDTHS)
    alone = light.neighbours[radius] < NEIGHBOUR_SHARE
    traits = _traits_of_clean(stars, light)
    asked = Traits(traits.place[alone], traits.narrow[:, alone])
    noise = _relative_noise(stars, light)[alone] * UNEVEN_WIDTHS**NOISE_POWER
    flux = light.growth_flux[:, radius, alone]
    if as_in_mean:
        flux = flux * _as_in_mean_of_field(stars, light, asked, UNEVEN_WIDTHS)
    return CleanColours(flux, noise, asked.place)


def _steadiness_of_stars(stars: Table, light: ApertureLight, fit: GainFit) -> Steadiness | None:
    """Colours of bright against faint stars, of those that stand alone."""
    radius = RADII_WIDTHS.index(STEADY_WIDTHS)
    alone = light.neighbours[radius] < NEIGHBOUR_SHARE
    noise = _relative_noise(stars, light) * STEADY_WIDTHS**NOISE_POWER
    return steadiness(fit, light.growth_flux[:, radius, alone], noise[alone])


def _pressed(stars: Table, rows: NDArray, fit: GainFit, flux: NDArray, error: NDArray) -> str:
    """What the light of used stars in green has against gains, by those that are not among others,
    which add to faint ones; see `pressed_clause`."""
    alone = np.asarray(stars["flags"])[rows] & int(OF_WIDE_APERTURE) == 0
    asked = fit.used & alone
    light, noise = flux[1, asked], error[1, asked]
    listed = [_listed(stars, name, rows[asked]) for name in ("v_mag", "bv_mag")]
    return pressed_clause(proportion(light, noise, *listed))


def _measured_again(
    stars: Table,
    light: ApertureLight,
    rows: NDArray,
    fit: GainFit,
    growth: Growth | None,
    steady: Steadiness | None,
) -> tuple[SecondMeasurement, ...]:
    """The gains of a fit by other means, from the same rows."""
    x_px, y_px = places_of(stars)[rows].T
    return second_measurements(
        fit=fit,
        v_mag=_listed(stars, "v_mag", rows),
        x_px=x_px,
        y_px=y_px,
        shape=stars.meta["shape"],
        growth=growth,
        cores=_sharpness_of_stars(light),
        halo=halo_light(light.halo, _relative_noise(stars, light)),
        steady=steady,
    )


def _sharpness_of_stars(light: ApertureLight) -> tuple[NDArray, NDArray]:
    """Sharpness of bright against faint stars, of those that stand alone."""
    near = light.neighbours[RADII_WIDTHS.index(ALONE_TO_WIDTHS)]
    alone = near < ALONE_SHARE_OF_LIGHT
    return core_contrast(light.growth_flux[:, :, alone], light.shape_noise[:, alone])


def _relative_noise(stars: Table, light: ApertureLight) -> NDArray:
    """Of the stars that tell the growth of light, in the worst channel; NaN without light."""
    within = light.growth_flux[:, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]
    electrons = np.array(stars.meta["noise"].electrons_per_unit)[:, None]
    lit = within > 0
    noise = np.sqrt(light.shape_noise**2 + np.where(lit, within, 0) / electrons)
    return np.where(lit.all(axis=0), (noise / np.where(lit, within, 1)).max(axis=0), np.nan)


def _relative_error(stars: Table, light: ApertureLight) -> NDArray:
    """Of the light of matched stars, from the light expected: by the light that came out, a star
    that noise made brighter would count more."""
    expected = _expected_light(stars, light)
    if expected is None:
        expected = np.maximum(light.flux, light.noise)
    electrons = np.array(stars.meta["noise"].electrons_per_unit)[:, None]
    return np.sqrt(light.noise**2 + expected / electrons) / expected


def _common_colour_error(stars: Table, rows: NDArray) -> NDArray:
    """Relative errors, (3, n), that stand for what the catalogue's B-V of faint stars is off by in
    common: single errors as large as the sum of what each shares with all others, so that many such
    stars count no more than their common error lets them."""
    v_mag = _listed(stars, "v_mag", rows)
    poor = _listed(stars, "bv_fit_error_mag", rows) > SOUND_BV_ERROR_MAG
    common = COMMON_BV_MAG * 10 ** (COMMON_GROWTH * (v_mag - COMMON_AT_V))
    common = np.where(poor, np.minimum(common, MOST_COMMON_BV_MAG), 0.0)
    shared_mag = np.sqrt(common * common.sum())
    red, blue = np.abs(TARGET_SLOPE) / MAG_PER_LN
    return np.outer([red, 0.0, blue], shared_mag)


def _against_the_gains(
    stars: Table, light: ApertureLight, fit: GainFit, beyond: NDArray
) -> str:
    """What the colours of clean stars, matched or not, have against the gains."""
    within = light.growth_flux[:, RADII_WIDTHS.index(FIT_RADIUS_WIDTHS)]
    within = within * _grown(beyond)
    bv_mag = _listed(stars, "bv_mag", light.shape_row)
    return contradiction(
        within,
        _relative_noise(stars, light),
        fit.gains,
        lambda rgb: colour.classify(rgb, fit.neutral_bv, bv_mag),
    )


def said_of_gains(fit: GainFit) -> list[str]:
    """Notes on gains that a user should know of."""
    return [*_of_large_gains(fit), *_of_pale_stars(fit), *_of_dust(fit), *_of_catalogue(fit)]


def said_of_widths(light: ApertureLight) -> list[str]:
    """Widths that could not be measured, or differ from channel to channel."""
    notes = [
        f"the width of the stars in {CHANNELS[channel]} could not be measured: no clean "
        "catalogue stars that fall to half their height within the reach looked at"
        for channel in light.widths.failed
    ]
    fwhm_px = light.widths.fwhm_px
    widest = np.nanmax(fwhm_px, initial=1)
    narrowest = np.nanmin(fwhm_px, initial=np.inf)
    if np.isfinite(narrowest) and widest > UNLIKE_WIDTHS * narrowest:
        widths = ", ".join(f"{c} {w:.1f}" for c, w in zip(CHANNELS, fwhm_px, strict=True))
        notes.append(
            f"stars are {widest / narrowest:.1f} times as wide in one channel as in another "
            f"({widths} px): they will have coloured rims whatever the gains"
        )
    return notes


def _of_large_gains(fit: GainFit) -> list[str]:
    """Gains that tell of channels scaled very unlike each other."""
    return [
        f"the gain of {CHANNELS[channel]} is {fit.gains[channel]:.2g}: the channels were scaled "
        "very unlike each other, and their noise will be as well"
        for channel in (0, 2)
        if not 1 / LARGE_GAIN <= fit.gains[channel] <= LARGE_GAIN
    ]


def _of_pale_stars(fit: GainFit) -> list[str]:
    """Stars that are paler than colour cameras show them."""
    ratio = fit.slope_ratio
    pale = ratio + 2 * fit.slope_ratio_error < PALEST_CAMERA
    if not pale.any() or np.min(ratio) < LEAST_PALE or np.max(ratio) > MOST_PALE_OTHER:
        return []
    return [
        f"the stars show {ratio[0]:.2f} (red) and {ratio[1]:.2f} (blue) of the colour of real "
        "ones, less than colour cameras do: if demosaicing that follows edges took it from narrow "
        "stars, gains that make stars right may be off by a fifth for nebulae and galaxies"
    ]


def _of_dust(fit: GainFit) -> list[str]:
    """Dust that is worth a word."""
    dust = fit.dust
    shift = dust.factors - 1
    if np.max(np.abs(shift)) < NAMED_SHIFT:
        return []
    red, blue = 100 * dust.gain_error
    also = ", and for the catalogue's B-V being off behind it" if any(dust.by_catalogue) else ""
    return [
        "dust is to be expected before these stars, by where they are and how red the bluest are: "
        f"E(B-V) {dust.ebv_mag:.2f} +- {dust.error_mag:.2f}. The gains of red and blue hold "
        f"{100 * shift[0]:+.1f} and {100 * shift[1]:+.1f} % for it{also}; their errors hold "
        f"{red:.1f} and {blue:.1f} %"
    ]


def _of_catalogue(fit: GainFit) -> list[str]:
    """What the catalogue's colours have in common, where it is seen in the gains' errors."""
    if np.max(fit.catalogue_error) < NAMED_CATALOGUE_ERROR:
        return []
    red, blue = 100 * fit.catalogue_error
    return [
        "the catalogue's B-V may be off alike for all stars, by more or less than such dust is "
        f"known to make it: that is {red:.1f} (red) and {blue:.1f} % (blue) of the stated errors, "
        "and more stars do not lower it"
    ]
