"""The stars of a separate broadband frame put on the pixel grid of a nebula frame."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
from astropy.table import Table
from astropy.wcs import WCS
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..colour.stellar import LUMINANCE_WEIGHTS
from ..errors import FrameError
from ..frame import pixel_scale_arcsec
from ..frame.regrid import Moved, regrid, source_positions
from ..layers import Split
from ..layers.light import drawn, tiles
from ..place.match import Match, match_catalogue, similarity
from ..stars import Flag, in_channels

PAIRS_FOR_TURN = 10  # fewer pairs tell a shift only
SIGNIFICANT = 3.0  # errors of the correction; less is left alone
LEAST_SHIFT_PX = 0.05  # nobody sees less
BENT_PX = 0.7  # scatter per axis above which one shift, turn and scale are not enough
SPOILT = Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.SHAPE
BRIGHTNESS_SNR = 20.0
ENOUGH_FOR_CHECK = 10  # stars on both sides of which some must be the same
SEAM_FWHM = 8.0  # width of the soft seam, in FWHM of the wider stars
RIM_FWHM = 2.0  # along the star frame's edge its stars are cut off
QUIET = 1e-3  # of the nebula frame's noise
NEBULAR_EXCESS = (
    4.0  # times as bright as in the star frame: in narrow bands a star is not, a nebular knot is
)
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


@dataclass(frozen=True, eq=False)
class Field:
    """A frame that has been split, and where on the sky it is.

    Attributes
    ----------
    split : Split
    stars : Table
        Of `stars.measure_stars`; what it was split by.
    wcs : astropy.wcs.WCS
    name : str
        For messages.
    """

    split: Split
    stars: Table
    wcs: WCS
    name: str = "frame"

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.split.footprint.shape

    @property
    def luminance(self) -> NDArray:
        """Luminance of each star's light, (n,), in full scale times pixels; 0: not split off."""
        return LUMINANCE_WEIGHTS @ self.split.flux

    @property
    def found(self) -> NDArray[np.int_]:
        """Rows of the stars that were split off."""
        return np.flatnonzero((self.split.model.reach_px > 0) & (self.luminance > 0))

    @property
    def fwhm_px(self) -> float:
        """Of its stars, mean of the channels."""
        return float(np.mean(self.stars.meta["fwhm_px"]))


@dataclass(frozen=True, eq=False)
class Registration:
    """How a star frame lies on a nebula frame.

    Attributes
    ----------
    scale : float
        Pixels of the nebula frame per pixel of the star frame, along a side.
    rotation_deg : float
        Angle of the star frame's x axis in the nebula frame, from its x axis to its y axis.
    mirrored : bool
        Whether one is the other's mirror image.
    overlap_share : float
        Of the nebula frame's pixels that the star frame covers.
    pairs : int
        Stars common to both; 0 where too few to check the two WCS.
    chance_pairs : float
        Mean number that the same search finds against shifted stars.
    offset_px : tuple of 2 floats
        Median error of the two WCS against each other in the overlap: where they put the star
        frame's stars less where the nebula frame's are, x and y.
    scatter_px : float
        Of the common stars' positions after the correction, per axis; NaN without pairs.
    corrected : bool
        Whether that error is significant and taken out.
    correction : tuple of 2 complex
        (a, b): position z = x + i y by the two WCS is really at a z + b.
    star_row, nebula_row : ndarray of int
        The common stars in the two tables.
    notes : tuple of str
    """

    scale: float
    rotation_deg: float
    mirrored: bool
    overlap_share: float
    pairs: int
    chance_pairs: float
    offset_px: tuple[float, float]
    scatter_px: float
    corrected: bool
    correction: tuple[complex, complex]
    star_row: NDArray[np.int_]
    nebula_row: NDArray[np.int_]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
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


def register_stars(star_field: Field, nebula_field: Field) -> Registration:
    """Find out how a star frame lies on a nebula frame, by the WCS of both and by the stars that
    both show.

    Parameters
    ----------
    star_field, nebula_field : Field
        Any scale, rotation, handedness; a WCS may be off by up to 30 pixels of the nebula frame.

    Returns
    -------
    Registration

    Raises
    ------
    FrameError
        They show different parts of the sky; or both have stars in the overlap, but not the same
        ones: a WCS is wrong.

    Notes
    -----
    The search is that of `match.match_catalogue`, with the star frame's stars for a catalogue. The
    correction is a similarity by least squares on mutual nearest pairs.
    """
    overlap = _overlap_share(star_field, nebula_field)
    scale, rotation_deg, mirrored = _geometry(star_field, nebula_field)
    match, star_row, nebula_row = _common_stars(star_field, nebula_field)
    if not match.credible:
        counts = [
            _count_inside(a, b) for a, b in ((star_field, nebula_field), (nebula_field, star_field))
        ]
        _require_few(counts, match, star_field, nebula_field)
        note = f"only {min(counts)} stars to check the two WCS against each other by; they are taken on trust"
        none = np.empty(0, int)
        return Registration(
            scale,
            rotation_deg,
            mirrored,
            overlap,
            0,
            match.chance_matches,
            (np.nan, np.nan),
            np.nan,
            False,
            (1, 0),
            none,
            none,
            (note,),
        )
    moved = _positions(star_field, nebula_field.wcs, star_row)
    wanted = _complex_positions(nebula_field, nebula_row)
    correction, scatter_px, corrected = _correction(moved, wanted)
    offset = _median(moved - wanted)
    notes = _registration_notes(offset, scatter_px, corrected)
    return Registration(
        scale,
        rotation_deg,
        mirrored,
        overlap,
        len(star_row),
        match.chance_matches,
        (float(offset.real), float(offset.imag)),
        scatter_px,
        corrected,
        correction,
        star_row,
        nebula_row,
        notes,
    )


def places_on(star_field: Field, nebula_field: Field) -> tuple[NDArray, NDArray]:
    """Where the stars of a star frame lie on a nebula frame: x and y in its pixels; the brightest
    first, those on it.

    Raises
    ------
    FrameError
        As `register_stars`.
    """
    a, b = register_stars(star_field, nebula_field).correction
    rows = star_field.found[np.argsort(star_field.luminance[star_field.found])[::-1]]
    z = a * _positions(star_field, nebula_field.wcs, rows) + b
    z = z[_inside(z.real, z.imag, nebula_field.shape)]
    return z.real, z.imag


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
    registration = register_stars(star_field, nebula_field)
    brightness, scatter_mag, n_stars = _brightness(star_field, nebula_field, registration)
    fwhm_px = star_field.fwhm_px * registration.scale, nebula_field.fwhm_px
    layer = _layer_on(star_field, nebula_field, registration)
    share = _share(np.isfinite(layer).all(axis=0), max(fwhm_px))
    alone, nebular = _without_partner(star_field, nebula_field, registration, brightness)
    nebular &= n_stars > 0  # else nothing says how bright a star would be
    groups = nebular, alone & ~nebular
    returned, kept = (share * _light_share(nebula_field, group) for group in groups)
    layer *= np.float32(brightness * star_brightness) * share
    _silence(layer, nebula_field.stars.meta["noise"].noise)
    layer += (1 - share + kept) * own_layer
    starless = nebula_field.split.starless + returned * nebula_field.split.stars
    counts = tuple(_count(nebula_field, group, share) for group in groups)
    notes = (*registration.notes, *_notes(fwhm_px, *counts, n_stars))
    return StarFrame(
        layer,
        starless,
        share > 0,
        share,
        registration,
        brightness,
        scatter_mag,
        n_stars,
        fwhm_px,
        *counts,
        notes,
    )


def _silence(layer, noise):
    """Make exactly 0, in place, what is not there or too faint to be seen: ripples of splines far
    from any star."""
    for plane, sigma in zip(layer, noise, strict=True):
        plane[~(np.abs(plane) > QUIET * sigma)] = 0


# --- where the star frame lies ----------------------------------------------------------


def _complex_positions(field, rows):
    return field.split.model.x_px[rows] + 1j * field.split.model.y_px[rows]


def _positions(field: Field, wcs, rows) -> NDArray[np.complex128]:
    """Stars of a field on the grid of another, by the WCS of both."""
    x, y = source_positions(
        wcs, field.wcs, field.split.model.x_px[rows], field.split.model.y_px[rows]
    )
    return x + 1j * y


def _geometry(star_field, nebula_field):
    """Scale, rotation in degrees and handedness, from a step along both axes in the middle of the
    star frame."""
    middle = (np.array(star_field.shape[::-1]) - 1) / 2
    x, y = source_positions(
        nebula_field.wcs, star_field.wcs, *(middle[:, None] + [[0, 1, 0], [0, 0, 1]])
    )
    z = x + 1j * y
    along, up = z[1] - z[0], z[2] - z[0]
    cross = along.real * up.imag - along.imag * up.real
    return float(np.sqrt(abs(cross))), float(np.degrees(np.angle(along))), bool(cross < 0)


def _overlap_share(star_field, nebula_field):
    rows, columns = nebula_field.shape
    x, y = np.meshgrid(np.linspace(0, columns - 1, 64), np.linspace(0, rows - 1, 64))
    there = source_positions(star_field.wcs, nebula_field.wcs, x, y)
    share = float(np.mean(_inside(*there, star_field.shape)))
    if share == 0:
        raise FrameError(
            f"{star_field.name} and {nebula_field.name} show different parts of the sky by their "
            f"WCS. "
            "Give --star-frame a picture of this field, or plate solve both again."
        )
    return share


def _inside(x, y, shape):
    return (x > -0.5) & (x < shape[1] - 0.5) & (y > -0.5) & (y < shape[0] - 0.5)


def _count_inside(field, other):
    z = _positions(field, other.wcs, field.found)
    return int(np.count_nonzero(_inside(z.real, z.imag, other.shape)))


def _common_stars(star_field: Field, nebula_field: Field) -> tuple[Match, NDArray, NDArray]:
    """The match, and the rows of the common stars in both tables."""
    of_star, of_nebula = star_field.found, nebula_field.found
    sky = star_field.wcs.all_pix2world(
        star_field.split.model.x_px[of_star], star_field.split.model.y_px[of_star], 0
    )
    catalogue = SimpleNamespace(ra_deg=sky[0], dec_deg=sky[1], v_mag=_mag(star_field, of_star))
    model = nebula_field.split.model
    match = match_catalogue(
        np.column_stack([model.x_px[of_nebula], model.y_px[of_nebula]]),
        _mag(nebula_field, of_nebula),
        nebula_field.wcs,
        nebula_field.shape,
        catalogue,
        pixel_scale_arcsec(nebula_field.wcs),
    )
    alike = ~match.mismatched
    return match, of_star[match.catalogue[alike]], of_nebula[match.star[alike]]


def _mag(field, rows):
    return -2.5 * np.log10(field.luminance[rows])


def _require_few(counts, match, star_field, nebula_field):
    """Refuse two frames that both have stars in the overlap, but not the same."""
    if min(counts) >= ENOUGH_FOR_CHECK:
        raise FrameError(
            f"{star_field.name} and {nebula_field.name} have {counts[0]} and {counts[1]} stars "
            f"where they "
            f"overlap by their WCS, but only {len(match.star)} fall together, "
            f"{match.chance_matches:.0f} by chance: one of the two WCS is wrong. Plate solve both "
            f"again."
        )


def _correction(moved, wanted):
    """(a, b) that take the positions by WCS to the true ones, the scatter about it, and whether it
    is significant."""
    a, b = similarity(moved, wanted, PAIRS_FOR_TURN)
    scatter_px = _scatter(a * moved + b - wanted)
    motion = np.sqrt(np.mean(np.abs((a - 1) * moved + b) ** 2))
    corrected = motion > max(LEAST_SHIFT_PX, SIGNIFICANT * scatter_px * np.sqrt(2 / len(moved)))
    if corrected:
        return (complex(a), complex(b)), scatter_px, True
    return (1 + 0j, 0j), _scatter(moved - wanted), False


def _median(z):
    return complex(np.median(z.real), np.median(z.imag))


def _scatter(z):
    """Per axis, from the median distance (Rayleigh distribution)."""
    return float(np.median(np.abs(z)) / np.sqrt(2 * np.log(2)))


def _registration_notes(offset, scatter_px, corrected):
    notes = []
    if corrected:
        notes.append(
            f"the two WCS are {abs(offset):.2f} px apart; corrected by the stars that both frames "
            f"show"
        )
    if scatter_px > BENT_PX:
        notes.append(
            f"positions of common stars scatter by {scatter_px:.1f} px: one of the solutions lacks "
            f"the lens's "
            "distortion; solve with distortion terms"
        )
    return tuple(notes)


# --- the layer --------------------------------------------------------------------------


def _layer_on(star_field, nebula_field, registration):
    """The star layer on the nebula frame's grid, NaN outside; each star keeps its light."""
    a, b = registration.correction
    return regrid(
        star_field.split.stars,
        star_field.wcs,
        Moved(nebula_field.wcs, 1 / a, -b / a),
        nebula_field.shape,
        light=True,
    )


def _share(covered, fwhm_px):
    """1 well inside the covered part, 0 along its edge and outside, smooth between."""
    if covered.all():
        return np.ones(covered.shape, np.float32)
    distance = ndimage.distance_transform_edt(covered).astype(np.float32)
    ramp = np.clip((distance - RIM_FWHM * fwhm_px) / (SEAM_FWHM * fwhm_px), 0, 1)
    return ramp * ramp * (3 - 2 * ramp)


def _brightness(star_field, nebula_field, registration):
    """Factor that makes common stars as bright as the nebula frame has them, its scatter in mag,
    and their number."""
    rows = registration.star_row, registration.nebula_row
    if not len(rows[0]):
        return 1.0, np.nan, 0
    good = _clean(star_field, rows[0]) & _clean(nebula_field, rows[1])
    if not good.any():
        good[:] = True
    ratio_mag = _mag(nebula_field, rows[1][good]) - _mag(star_field, rows[0][good])
    scatter_mag = (
        1.4826 * np.median(np.abs(ratio_mag - np.median(ratio_mag))) if good.sum() > 1 else np.nan
    )
    return float(10 ** (-0.4 * np.median(ratio_mag))), float(scatter_mag), int(good.sum())


def _clean(field, rows):
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
    rows, there = nebula_field.found, star_field.found
    width_px = max(nebula_field.fwhm_px, star_field.fwhm_px * registration.scale)
    places, light = _points(_complex_positions(nebula_field, rows)), nebula_field.luminance[rows]
    own, shown = light / brightness, _shown(star_field, nebula_field, registration, there)
    same, blend = (
        _light_near(places, shown, star_field.luminance[there], reach_px)
        for reach_px in (width_px, BLEND_FWHM * width_px)
    )
    alone, nebular = np.zeros((2, len(nebula_field.stars)), bool)
    alone[rows] = (own > NEBULAR_EXCESS * same) & (own > BLEND_EXCESS * blend)
    _leave_out_parts(alone, rows, places, light, BRIGHT_REACH_FWHM * width_px)
    left = np.setdiff1d(np.arange(len(star_field.stars)), there)
    unclear = _light_near(
        places,
        _shown(star_field, nebula_field, registration, left),
        _detected_light(star_field)[left],
        BLEND_FWHM * width_px,
    )
    nebular[rows] = (
        alone[rows] & (own > NEBULAR_EXCESS * unclear) & (own > VISIBLE * _limit(star_field))
    )
    return alone, nebular


def _shown(star_field, nebula_field, registration, rows):
    """Places (n, 2) of the star frame's stars in the nebula frame."""
    a, b = registration.correction
    return _points(a * _positions(star_field, nebula_field.wcs, rows) + b)


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


def _points(z):
    return np.nan_to_num(np.column_stack([z.real, z.imag]), nan=-1e6)


def _limit(field):
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
    share, model, light = (
        np.zeros(field.shape, np.float32),
        field.split.model,
        np.maximum(field.luminance, 0),
    )
    if not chosen.any():
        return share
    for tile in tiles(field.shape):
        total, part = (np.zeros(share[tile.inner].shape, np.float32) for _ in range(2))
        for star, place, dx, dy in drawn(model, tile.inner):
            own = light[star] * model.seen_profile(star, dx, dy)
            np.add.at(total.ravel(), place, own.astype(np.float32))
            np.add.at(part.ravel(), place, (own * chosen[star]).astype(np.float32))
        np.divide(part, total, out=share[tile.inner], where=total > 0)
    return share


def _count(field, chosen, share):
    """Chosen stars inside the coverage."""
    rows = np.flatnonzero(chosen)
    x, y = (
        np.clip(np.rint(v[rows]).astype(int), 0, n - 1)
        for v, n in zip(
            (field.split.model.x_px, field.split.model.y_px), field.shape[::-1], strict=True
        )
    )
    return int(np.count_nonzero(share[y, x] > 0.5))


def _notes(fwhm_px, returned, too_faint, n_stars):
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
            f"{too_faint} stars are too faint, or too near to others, for the star frame: they "
            f"come from the "
            "nebula frame"
        )
    if not n_stars:
        notes.append(
            "no star is common to both frames, so nothing tells how bright the stars should be: "
            "they are as "
            "bright as the star frame has them"
        )
    return tuple(notes)
