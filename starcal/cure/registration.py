"""How a separate star frame lies on a nebula frame: by the WCS of both, and by the stars that both
show."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
from astropy.table import Table
from astropy.wcs import WCS
from numpy.typing import NDArray

from ..colour.stellar import LUMINANCE_WEIGHTS
from ..errors import FrameError
from ..frame import pixel_scale_arcsec
from ..frame.regrid import source_positions
from ..layers import Split
from ..place.match import Match, match_catalogue, similarity
from ..robust import scatter_per_axis
from ..texts import counted

PAIRS_FOR_TURN = 10  # fewer pairs tell a shift only
CORRECTION_SIGMA = 3.0  # errors of the correction; less is left alone
LEAST_SHIFT_PX = 0.05  # nobody sees less
BENT_PX = 0.7  # scatter per axis above which one shift, turn and scale are not enough
ENOUGH_FOR_CHECK = 10  # stars on both sides of which some must be the same


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


@dataclass(frozen=True, kw_only=True, eq=False)
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
    on_trust = Registration(
        scale=scale,
        rotation_deg=rotation_deg,
        mirrored=mirrored,
        overlap_share=overlap,
        pairs=0,
        chance_pairs=match.chance_matches,
        offset_px=(np.nan, np.nan),
        scatter_px=np.nan,
        corrected=False,
        correction=(1, 0),
        star_row=np.empty(0, int),
        nebula_row=np.empty(0, int),
    )
    if match.credible:
        return _by_pairs(on_trust, star_field, nebula_field, star_row, nebula_row)
    counts = [_count_inside(star_field, nebula_field), _count_inside(nebula_field, star_field)]
    _require_few(counts, match, star_field, nebula_field)
    note = (
        f"only {counted(min(counts), 'star')} to check the two WCS against each other by; they are "
        "taken on trust"
    )
    return replace(on_trust, notes=(note,))


def _by_pairs(
    on_trust: Registration,
    star_field: Field,
    nebula_field: Field,
    star_row: NDArray,
    nebula_row: NDArray,
) -> Registration:
    """The registration with what the common stars tell of it."""
    moved = positions_on(star_field, nebula_field.wcs, star_row)
    wanted = complex_positions(nebula_field, nebula_row)
    correction, scatter_px, corrected = _correction(moved, wanted)
    offset = _middle_place(moved - wanted)
    return replace(
        on_trust,
        pairs=len(star_row),
        offset_px=(float(offset.real), float(offset.imag)),
        scatter_px=scatter_px,
        corrected=corrected,
        correction=correction,
        star_row=star_row,
        nebula_row=nebula_row,
        notes=_registration_notes(offset, scatter_px, corrected),
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
    z = a * positions_on(star_field, nebula_field.wcs, rows) + b
    z = z[_inside_frame(z.real, z.imag, nebula_field.shape)]
    return z.real, z.imag


def complex_positions(field: Field, rows: NDArray) -> NDArray[np.complex128]:
    """Places x + i y of some stars on their own frame, pixels."""
    return field.split.model.x_px[rows] + 1j * field.split.model.y_px[rows]


def positions_on(field: Field, wcs, rows) -> NDArray[np.complex128]:
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
    share = float(np.mean(_inside_frame(*there, star_field.shape)))
    if share == 0:
        raise FrameError(
            f"{star_field.name} and {nebula_field.name} show different parts of the sky by their "
            f"WCS. "
            "Give --star-frame a picture of this field, or plate solve both again."
        )
    return share


def _inside_frame(x, y, shape):
    return (x > -0.5) & (x < shape[1] - 0.5) & (y > -0.5) & (y < shape[0] - 0.5)


def _count_inside(field, other):
    z = positions_on(field, other.wcs, field.found)
    return int(np.count_nonzero(_inside_frame(z.real, z.imag, other.shape)))


def _common_stars(star_field: Field, nebula_field: Field) -> tuple[Match, NDArray, NDArray]:
    """The match, and the rows of the common stars in both tables."""
    of_star, of_nebula = star_field.found, nebula_field.found
    sky = star_field.wcs.all_pix2world(
        star_field.split.model.x_px[of_star], star_field.split.model.y_px[of_star], 0
    )
    catalogue = SimpleNamespace(
        ra_deg=sky[0], dec_deg=sky[1], v_mag=luminance_mag(star_field, of_star)
    )
    model = nebula_field.split.model
    match = match_catalogue(
        np.column_stack([model.x_px[of_nebula], model.y_px[of_nebula]]),
        luminance_mag(nebula_field, of_nebula),
        nebula_field.wcs,
        nebula_field.shape,
        catalogue,
        pixel_scale_arcsec(nebula_field.wcs),
    )
    alike = ~match.mismatched
    return match, of_star[match.catalogue[alike]], of_nebula[match.star[alike]]


def luminance_mag(field: Field, rows: NDArray) -> NDArray:
    """Magnitudes of some stars by the luminance of their light, zero point arbitrary."""
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
    scatter_px = scatter_per_axis(np.abs(a * moved + b - wanted))
    motion = np.sqrt(np.mean(np.abs((a - 1) * moved + b) ** 2))
    corrected = motion > max(
        LEAST_SHIFT_PX, CORRECTION_SIGMA * scatter_px * np.sqrt(2 / len(moved))
    )
    if corrected:
        return (complex(a), complex(b)), scatter_px, True
    return (1 + 0j, 0j), scatter_per_axis(np.abs(moved - wanted)), False


def _middle_place(z):
    return complex(np.median(z.real), np.median(z.imag))


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
