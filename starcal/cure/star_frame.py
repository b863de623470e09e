"""The stars of a separate broadband frame put on the pixel grid of a nebula frame."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..colour.stellar import LUMINANCE_WEIGHTS
from ..errors import FrameError
from ..frame.regrid import MovedWCS, regrid
from ..layers.light import shining, tiles
from ..robust import pixels_at, scatter
from ..stars import Flag, in_channels
from ..texts import counted
from .registration import (
    Field,
    Registration,
    complex_positions,
    luminance_mag,
    positions_on,
    register_stars,
)

SPOILT = Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.SHAPE
BRIGHTNESS_SNR = 20.0
SEAM_FWHM = 8.0  # width of the soft seam, in FWHM of the wider stars
RIM_FWHM = 2.0  # along the star frame's edge its stars are cut off
QUIET = 1e-3  # of the nebula frame's noise
# times as bright as in the star frame: in narrow bands a star is not, a nebular knot is
NEBULAR_EXCESS = 4.0
VISIBLE = 3.0  # times the faintest stars' light: what is brighter would be seen
DETECTION_SNR, LIMIT_STARS = 5.0, 50  # the faintest stars, and how many of them tell how faint
BLEND_FWHM, BLEND_EXCESS = (
    2.0,
    1.5,
)  # this near to another, two stars may look like one, which has the light of both
BRIGHT_REACH_FWHM, BRIGHTER = (
    4.0,
    5.0,
)  # a spot this near to a star so many times as bright may be a part of it


@dataclass(frozen=True, kw_only=True, eq=False)
class StarFrame:
    """Star layer for a nebula frame, its stars from a separate frame as far as that reaches.

    Attributes
    ----------
    stars, starless : ndarray, (3, y, x) float32
        Their sum is the picture. The starless layer is that of the nebula frame, except for what
        was no star.
    coverage : ndarray, (y, x) bool
        Where the stars are those of the star frame, in whole or in part (along the soft seam).
    share : ndarray, (y, x) float32
        How far they are: 1 inside, 0 where all comes from the nebula frame's own layer.
    registration : Registration
    brightness : float
        Factor on the star frame's light that makes its stars as prominent as the nebula frame's
        own.
    brightness_scatter_mag : float
        Of single stars about that factor; NaN for fewer than 2.
    brightness_stars : int
        That it rests on.
    fwhm_px : tuple of 2 floats
        Of the star frame's stars and of the nebula frame's own, in pixels of the nebula frame.
    returned : int
        Detections of the nebula frame that are no stars, or the star frame would show them: knots
        of the nebula and emission line objects, put back into the starless layer.
    too_faint : int
        Stars of the nebula frame inside the coverage that are too faint or too near to others for
        the star frame to tell; they come from the layer given.
    notes : tuple of str
        What is worth a word, in plain sentences.
    """

    stars: NDArray[np.float32]
    starless: NDArray[np.float32]
    coverage: NDArray[np.bool_]
    share: NDArray[np.float32]
    registration: Registration
    brightness: float
    brightness_scatter_mag: float
    brightness_stars: int
    fwhm_px: tuple[float, float]
    returned: int
    too_faint: int
    notes: tuple[str, ...]


def join_star_frame(
    nebula_field: Field, own_layer: NDArray, star_field: Field, *, star_brightness: float = 1.0
) -> StarFrame:
    """Star layer for a nebula frame from the stars of a calibrated broadband frame.

    Inside what the star frame covers, every star is the star frame's, and the nebula frame's own
    are left out; outside, stars come from the layer given. The two run into each other along a soft
    seam. What the nebula frame took for a star and the star frame does not show, though it is
    bright enough, is nebula, and becomes that again.

    Parameters
    ----------
    nebula_field : Field
    own_layer : ndarray, (3, y, x)
        The nebula frame's own stars, recoloured (`recolour.recolour`).
    star_field : Field
        The split of the calibrated broadband frame.
    star_brightness : float
        Above 0; multiplies the brightness that would make the stars as prominent as they were.

    Returns
    -------
    StarFrame

    Raises
    ------
    FrameError
        As `register_stars`; besides, `own_layer` is not of the nebula frame's size.
    ValueError
        `star_brightness` is not above 0.
    """
    _require_layer(own_layer, nebula_field, star_brightness)
    registration = register_stars(star_field, nebula_field)
    brightness, scatter_mag, n_stars = _brightness_factor(
        star_field, nebula_field, registration
    )
    layer = _layer_on(star_field, nebula_field, registration)
    fwhm_px = (star_field.fwhm_px * registration.scale, nebula_field.fwhm_px)
    share = _covered_share(np.isfinite(layer).all(axis=0), max(fwhm_px))
    alone, nebular = _without_partner(star_field, nebula_field, registration, brightness)
    nebular &= n_stars > 0  # else nothing says how bright a star would be
    faint = alone & ~nebular
    layer *= np.float32(brightness * star_brightness) * share
    _silence(layer, nebula_field.stars.meta["noise"].noise)
    layer += _own_share(nebula_field, faint, share) * own_layer
    returned = _count(nebula_field, nebular, share)
    too_faint = _count(nebula_field, faint, share)
    return StarFrame(
        stars=layer,
        starless=_with_nebular(nebula_field, nebular, share),
        coverage=share > 0,
        share=share,
        registration=registration,
        brightness=brightness,
        brightness_scatter_mag=scatter_mag,
        brightness_stars=n_stars,
        fwhm_px=fwhm_px,
        returned=returned,
        too_faint=too_faint,
        notes=registration.notes + _star_frame_notes(fwhm_px, returned, too_faint, n_stars),
    )


def _own_share(nebula_field: Field, faint: NDArray, share: NDArray) -> NDArray[np.float32]:
    """How much of the nebula frame's own layer stays in each pixel, (y, x): all beyond the star
    frame, of faint stars within it."""
    return 1 - share + share * _light_share(nebula_field, faint)


def _with_nebular(nebula_field: Field, nebular: NDArray, share: NDArray) -> NDArray[np.float32]:
    """The starless layer with the light of what is no star put back where the star frame reaches,
    (3, y, x)."""
    returned = share * _light_share(nebula_field, nebular)
    return nebula_field.split.starless + returned * nebula_field.split.stars


def _require_layer(own_layer: NDArray, nebula_field: Field, star_brightness: float) -> None:
    """Refuse a layer of another frame, and a factor that is none."""
    if not (np.isfinite(star_brightness) and star_brightness > 0):
        raise ValueError(
            f"star_brightness {star_brightness} given; it is a factor above 0, 1 for as bright as "
            f"before"
        )
    if own_layer.shape != (3, *nebula_field.shape):
        raise FrameError(
            f"a star layer of shape {own_layer.shape} given for a nebula frame of shape "
            f"{(3, *nebula_field.shape)}; give the recoloured layer of this frame"
        )


def _silence(layer, noise):
    """Make exactly 0, in place, what is not there or too faint to be seen: ripples of splines far
    from any star."""
    for plane, sigma in zip(layer, noise, strict=True):
        plane[~(np.abs(plane) > QUIET * sigma)] = 0


# --- the layer --------------------------------------------------------------------------


def _layer_on(star_field, nebula_field, registration):
    """The star layer on the nebula frame's grid, NaN outside; each star keeps its light."""
    a, b = registration.correction
    return regrid(
        star_field.split.stars,
        star_field.wcs,
        MovedWCS(nebula_field.wcs, 1 / a, -b / a),
        nebula_field.shape,
        light=True,
    )


def _covered_share(covered, fwhm_px):
    """1 well inside the covered part, 0 along its edge and outside, smooth between."""
    if covered.all():
        return np.ones(covered.shape, np.float32)
    distance = ndimage.distance_transform_edt(covered).astype(np.float32)
    ramp = np.clip((distance - RIM_FWHM * fwhm_px) / (SEAM_FWHM * fwhm_px), 0, 1)
    return ramp * ramp * (3 - 2 * ramp)


def _brightness_factor(star_field, nebula_field, registration):
    """Factor that makes common stars as bright as the nebula frame has them, its scatter in mag,
    and their number."""
    star_row, nebula_row = registration.star_row, registration.nebula_row
    if not len(star_row):
        return 1.0, np.nan, 0
    good = _clean_rows(star_field, star_row) & _clean_rows(nebula_field, nebula_row)
    if not good.any():
        good[:] = True
    own_mag = luminance_mag(nebula_field, nebula_row[good])
    ratio_mag = own_mag - luminance_mag(star_field, star_row[good])
    scatter_mag = scatter(ratio_mag) if len(ratio_mag) > 1 else np.nan
    return float(10 ** (-0.4 * np.median(ratio_mag))), float(scatter_mag), len(ratio_mag)


def _clean_rows(field, rows):
    return (np.array(field.stars["flags"])[rows] & SPOILT == 0) & (
        np.array(field.stars["snr"])[rows] >= BRIGHTNESS_SNR
    )


# --- detections without partner ---------------------------------------------------------


def _without_partner(star_field, nebula_field, registration, brightness):
    """Rows of the nebula frame's table that the star frame does not show as stars.

    Returns
    -------
    alone, nebular : ndarray of bool, (n,)
        No like star there, and no part of one; of these, those that no star can be: it would be
        seen.
    """
    rows = nebula_field.found
    width_px = max(nebula_field.fwhm_px, star_field.fwhm_px * registration.scale)
    places = _finite_points(complex_positions(nebula_field, rows))
    light = nebula_field.luminance[rows]
    own = light / brightness
    there = star_field.found
    shown = _shown_places(star_field, nebula_field, registration, there)
    alone = np.zeros(len(nebula_field.stars), bool)
    alone[rows] = _outshines(own, places, shown, star_field.luminance[there], width_px)
    _leave_out_parts(alone, rows, places, light, BRIGHT_REACH_FWHM * width_px)
    unclear = _unclear_light(
        star_field, nebula_field, registration, places, BLEND_FWHM * width_px
    )
    nebular = np.zeros(len(nebula_field.stars), bool)
    nebular[rows] = alone[rows] & (own > NEBULAR_EXCESS * unclear)
    nebular[rows] &= own > VISIBLE * _faintest_luminance(star_field)
    return alone, nebular


def _outshines(own, places, shown, shown_light, width_px):
    """Which places are far brighter than the stars shown there, alone or as a blend, (n,)."""
    same = _light_near(places, shown, shown_light, width_px)
    blend = _light_near(places, shown, shown_light, BLEND_FWHM * width_px)
    return (own > NEBULAR_EXCESS * same) & (own > BLEND_EXCESS * blend)


def _unclear_light(star_field, nebula_field, registration, places, reach_px):
    """Light near each place of what the star frame shows but did not split off as stars, (n,)."""
    left = np.setdiff1d(np.arange(len(star_field.stars)), star_field.found)
    shown = _shown_places(star_field, nebula_field, registration, left)
    return _light_near(places, shown, _detected_light(star_field)[left], reach_px)


def _shown_places(star_field, nebula_field, registration, rows):
    """Places (n, 2) of the star frame's stars in the nebula frame."""
    a, b = registration.correction
    return _finite_points(a * positions_on(star_field, nebula_field.wcs, rows) + b)


def _detected_light(field):
    """Luminance of everything in the star table by its aperture, split off or not, (n,)."""
    return np.nan_to_num(LUMINANCE_WEIGHTS @ in_channels(field.stars))


def _light_near(places, sources, light, reach_px):
    """Light of the sources within reach of each place, (n,)."""
    if not len(sources) or not len(places):
        return np.zeros(len(places))
    return np.array(
        [light[group].sum() for group in cKDTree(sources).query_ball_point(places, reach_px)]
    )


def _leave_out_parts(alone, rows, places, light, reach_px):
    """Lumps in the skirts of a bright star are the star's."""
    if not len(rows):
        return
    near, single = cKDTree(places).query_ball_point(places, reach_px), alone[rows]
    for i in np.flatnonzero(single):
        alone[rows[i]] = not np.any(~single[near[i]] & (light[near[i]] > BRIGHTER * light[i]))


def _finite_points(z):
    return np.nan_to_num(np.column_stack([z.real, z.imag]), nan=-1e6)


def _faintest_luminance(field):
    """Luminance of the faintest stars that a field shows, those of SNR 5."""
    rows = field.found
    faint = rows[np.argsort(np.array(field.stars["snr"])[rows])[:LIMIT_STARS]]
    return (
        DETECTION_SNR
        * float(np.median(field.luminance[faint] / np.array(field.stars["snr"])[faint]))
        if len(faint)
        else np.inf
    )


def _light_share(field: Field, chosen: NDArray) -> NDArray[np.float32]:
    """What share of the star light in each pixel is that of the chosen stars, (y, x)."""
    share = np.zeros(field.shape, np.float32)
    if not chosen.any():
        return share
    light = np.maximum(field.luminance, 0)
    for tile in tiles(field.shape):
        within = share[tile.inner]
        total, part = _light_of(field.split.model, light, chosen, tile.inner, within.shape)
        np.divide(part, total, out=within, where=total > 0)
    return share


def _light_of(model, light, chosen, inner, shape):
    """Light of all stars and of the chosen ones in part of a frame, each of a shape (y, x)."""
    total = np.zeros(shape, np.float32)
    part = np.zeros(shape, np.float32)
    for star, place, own in shining(model, light, inner):
        np.add.at(total.ravel(), place, own.astype(np.float32))
        np.add.at(part.ravel(), place, (own * chosen[star]).astype(np.float32))
    return total, part


def _count(field, chosen, share):
    """Chosen stars inside the coverage."""
    model = field.split.model
    at = pixels_at(model.x_px[chosen], model.y_px[chosen], field.shape)
    return int(np.count_nonzero(share[at] > 0.5))


def _star_frame_notes(fwhm_px, returned, too_faint, n_stars):
    notes = [
        f"stars are {fwhm_px[0]:.1f} px wide in the star frame and {fwhm_px[1]:.1f} px in the "
        f"nebula frame, in "
        "pixels of the latter"
    ]
    if returned:
        notes.append(
            f"{returned} bright spots of the nebula frame are no stars, or the star frame would "
            f"show them: "
            "they stay as they were"
        )
    if too_faint:
        notes.append(
            f"from the nebula frame: {counted(too_faint, 'star')} too faint, or too near to "
            "others, for the star frame"
        )
    if not n_stars:
        notes.append(
            "no star is common to both frames, so nothing tells how bright the stars should be: "
            "they are as "
            "bright as the star frame has them"
        )
    return tuple(notes)
