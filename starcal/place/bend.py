"""A WCS bent to its stars: fitted to pairs, as flexible as they demand, or left as it was."""

from dataclasses import dataclass, replace

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from ..catalogue import CatalogueStars
from ..frame import pixel_scale_arcsec, undistorted
from ..robust import middle_px
from .match import Match, match_catalogue, pair_scatter_px
from .plate import (
    PLATE_LEVELS,
    Plate,
    best_plate,
    plate_of_wcs,
    wcs_of_plate,
)

FEWEST_ALIKE_PAIRS = (
    5  # alike in brightness; with fewer brightness tells nothing, and all are taken
)
# of fitting and matching: the first brings in the stars in the corners, the second uses them
BEND_ROUNDS = 2
# shares from which another WCS is worth having
LESS_SCATTER, MORE_PAIRS, SAME_PAIRS = 0.9, 1.1, 0.97


@dataclass(frozen=True, eq=False)
class BothSides:
    """What a frame shows and what a catalogue knows of that part of the sky.

    Attributes
    ----------
    xy_px : ndarray, shape (n, 2)
        Detections, 0-based pixels.
    mag : ndarray, shape (n,)
        Their instrumental magnitudes, any zero point; NaN where unknown.
    shape : tuple of int
        (rows, columns).
    catalogue : CatalogueStars
        As `match.match_catalogue` wants it.
    """

    xy_px: NDArray
    mag: NDArray
    shape: tuple[int, int]
    catalogue: CatalogueStars

    def match(self, wcs: WCS) -> Match:
        """Pair the stars of both by a WCS."""
        return match_catalogue(
            self.xy_px, self.mag, wcs, self.shape, self.catalogue, pixel_scale_arcsec(wcs)
        )

    def pairs(self, match: Match, keep=slice(None)) -> tuple[NDArray, NDArray, NDArray]:
        """Places on the frame and on the sky, degrees, of the pairs of a match, or of some."""
        rows = match.catalogue[keep]
        sky = self.catalogue
        return self.xy_px[match.star[keep]], sky.ra_deg[rows], sky.dec_deg[rows]

    def scatter_px(
        self,
        wcs: WCS,
        match: Match,
        keep=slice(None),
    ) -> float:
        """Scatter per axis of pairs by a WCS as it stands."""
        return pair_scatter_px(wcs, self.shape, *self.pairs(match, keep))


def straightened(wcs: WCS, match: Match, sides: BothSides) -> tuple[WCS, Match, str]:
    """Bend a WCS that fits to its stars, where they show more than shift, rotation and scale.

    Parameters
    ----------
    wcs, match
        The WCS and the match by it; not ``credible``: nothing is changed.
    sides : BothSides

    Returns
    -------
    wcs : WCS
        The same object where the stars show no more, or where another one would pair them no
        better.
    match : Match
        By that WCS.
    distortion : str
        One of `plate.PLATE_LEVELS`.
    """
    level, given = 0, wcs
    for _ in range(BEND_ROUNDS if match.credible else 0):
        plate, bent = _of_pairs(given, match, sides)
        if plate.level == 0:
            break
        again = sides.match(bent)
        if not _pairs_better(again, match, LESS_SCATTER if level == 0 else 1.0):
            break
        wcs, match, level = bent, again, plate.level
    return wcs, match, PLATE_LEVELS[level]


def nearer(wcs: WCS, match: Match, sides: BothSides) -> WCS:
    """Fit a WCS to credible pairs, to be kept in a file; the one they were found by, where no other
    is nearer.

    Parameters
    ----------
    wcs, match, sides
        As for `straightened`.
    """
    good = alike_in_brightness(match)
    fitted = _of_pairs(wcs, match, sides)[1]
    return min((wcs, fitted), key=lambda one: sides.scatter_px(one, match, good))


def _of_pairs(wcs, match, sides) -> tuple[Plate, WCS]:
    middle = middle_px(sides.shape)
    ra, dec = wcs.all_pix2world(*middle, 0)
    plate = plate_of_wcs(wcs, max(sides.shape) / 2)
    start = replace(plate, ra_deg=float(ra), dec_deg=float(dec), origin_px=middle)
    xy_px, ra_deg, dec_deg = sides.pairs(match, alike_in_brightness(match))
    return fitted(xy_px, ra_deg, dec_deg, start, sides.shape, wcs)


def alike_in_brightness(match: Match) -> NDArray:
    """Pairs to fit to: all of them where brightness tells nothing."""
    good = ~match.mismatched
    return good if good.sum() >= FEWEST_ALIKE_PAIRS else np.ones_like(good)


def _pairs_better(new: Match, old: Match, less_scatter: float) -> bool:
    """Nearer pairs and none lost, or clearly more of them; what chance gives does not count."""
    share = (len(new.star) - new.chance_matches) / (len(old.star) - old.chance_matches)
    ratio = new.scatter_px / old.scatter_px
    return new.credible and (
        (share >= SAME_PAIRS and ratio <= less_scatter) or (share >= MORE_PAIRS and ratio <= 1)
    )


def fitted(
    xy_px: NDArray,
    ra_deg: NDArray,
    dec_deg: NDArray,
    start: Plate,
    shape: tuple[int, int],
    given: WCS | None,
) -> tuple[Plate, WCS]:
    """Plate and WCS of some pairs of stars.

    Parameters
    ----------
    xy_px, ra_deg, dec_deg
        As for `plate.fit_plate`; pixels as they are on the frame.
    start : Plate
        Near the truth.
    shape : tuple of int
        (rows, columns).
    given : WCS or None
        One that the frame came with: its SIP terms stay, and its reference pixel, if that is on the
        frame.
    """
    sip = given.sip if given is not None else None
    if given is not None and (sip is not None or _on_picture(given.wcs.crpix - 1, shape)):
        x, y = (given.wcs.crpix - 1).tolist()
        ra, dec = given.wcs.crval.tolist()
        start = replace(start, origin_px=(x, y), ra_deg=ra, dec_deg=dec)
    most = 3 if sip is None else 1
    plate = best_plate(undistorted(given, xy_px), ra_deg, dec_deg, start, most)
    return plate, wcs_of_plate(plate, shape, sip)


def _on_picture(place, shape) -> bool:
    return all(0 <= v < size for v, size in zip(place, shape[::-1], strict=True))
