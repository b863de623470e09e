"""Finding where on the sky a frame is, from its stars and a hint, or a better WCS than the one it
has.

Triangles of bright detections are compared with triangles of bright catalogue stars by shape and
size (`triangles`). Right hypotheses agree with each other, wrong ones are strewn, so those with
most neighbours are tried; each is grown from the brightest stars to all (`attempts`), and believed
only if its pairs are beyond chance, everything that was tried counted in.

A general-purpose matcher, astroalign, was weighed: its features have no size and no place, so it
cannot use the hint; it stops at the first consensus of a shuffle without a fixed seed, counts no
chance, fits no mirrored picture, and brings two compiled libraries. What is needed besides scipy's
k-d tree is less than that.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from ..catalogue import CatalogueStars
from ..frame import pixel_scale_arcsec, undistorted
from ..robust import middle_px
from ..texts import counted
from .attempts import FEWEST_PAIRS, FREE_PAIRS, Attempt, better, grown
from .bend import BothSides, alike_in_brightness, fitted
from .hints import HINTS_ADVICE, Hints
from .match import Match, WCSError, wcs_error
from .plate import PLATE_LEVELS, Plate, fit_plate, plate_of_wcs
from .triangles import candidate_plates, hypotheses

# how far a poor WCS may be off
WCS_PLACE_WIDTHS, WCS_ROTATION_DEG, WCS_SCALE_SHARE = 0.05, 3.0, 0.03
# a turn about a corner shifts the middle: what is at the limit may measure a little beyond it
WCS_SLACK = 1.1
SEARCH_SLACK = 1.4  # hypotheses from three stars err
# brightest detections, catalogue's depth relative to theirs
DEPTHS = (25, 1.0), (25, 2.0), (40, 1.0)
# catalogue beyond the frame's edge, so that shifted copies of it are as full
MATCH_MARGIN_PX = 250
ENOUGH_LISTED = 8  # catalogue stars on a frame; with fewer even a full set of pairs is no proof


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Where a frame is on the sky, or why that could not be found; with the evidence.

    Attributes
    ----------
    wcs : WCS or None
        None: refused.
    match : Match or None
        Pairs of all stars by ``wcs``.
    n_pairs : int
        Pairs of bright stars that the best hypothesis has.
    chance : float
        Mean number of such pairs at 200 other places of the frame.
    false_log10 : float
        Decimal logarithm of the number of false solutions as good as this that were to be expected.
    given : WCSError or None
        How far the WCS that was given is off; None where none was given.
    scatter_px : float
        Scatter per axis of the pairs about ``wcs``.
    scale_arcsec, rotation_deg, mirrored
        Of the pixels; north from the y axis, counter-clockwise; east to the right of north. NaN
        where refused.
    distortion : str
        What the plate consists of, one of `plate.PLATE_LEVELS`.
    message : str
        In plain words.
    """

    wcs: WCS | None = None
    match: Match | None = None
    n_pairs: int = 0
    chance: float = np.nan
    false_log10: float = np.nan
    given: WCSError | None = None
    scatter_px: float = np.nan
    scale_arcsec: float = np.nan
    rotation_deg: float = np.nan
    mirrored: bool = False
    distortion: str = PLATE_LEVELS[0]
    message: str


# --- the two questions ------------------------------------------------------------------

CatalogueOf = Callable[[float, float, float], CatalogueStars]


def solve(
    star_xy_px: NDArray,
    star_mag: NDArray,
    shape: tuple[int, int],
    catalogue_of: CatalogueOf,
    hints: Hints,
) -> Solution:
    """Find the WCS of a frame that has none.

    Parameters
    ----------
    star_xy_px : ndarray, shape (n, 2)
        Detections, 0-based pixels.
    star_mag : ndarray, shape (n,)
        Their instrumental magnitudes, any zero point; NaN where unknown.
    shape : tuple of int
        (rows, columns).
    catalogue_of : callable
        ``catalogue_of(ra_deg, dec_deg, radius_deg)`` gives the `CatalogueStars` there, at the
        frame's epoch.
    hints : Hints

    Returns
    -------
    Solution
        Refused (``wcs`` None) where pairs are not beyond chance: a wrong solution is worse than
        none.
    """
    stars = _Stars.sorted(star_xy_px, star_mag, shape)
    return _answer(stars, catalogue_of, hints, None)


def refine(
    wcs: WCS,
    star_xy_px: NDArray,
    star_mag: NDArray,
    shape: tuple[int, int],
    catalogue_of: CatalogueOf,
) -> Solution:
    """Put a poor WCS right: off by up to 5 % of the frame's width, 3 degrees and 3 % in scale, and
    by no more.

    Parameters
    ----------
    wcs : WCS
        Celestial. Its SIP distortion, if it has one, is kept; without one it is fitted when the
        stars show it.
    star_xy_px, star_mag, shape, catalogue_of
        As for `solve`.

    Returns
    -------
    Solution
        ``given`` says how far ``wcs`` is off.
    """
    stars = _Stars.sorted(star_xy_px, star_mag, shape)
    return _answer(stars, catalogue_of, _hints_of(wcs, shape), wcs)


@dataclass(frozen=True, eq=False)
class _Stars:
    """Detections, brightest first, and their rows in the order they came in; (rows, columns)."""

    xy_px: NDArray
    mag: NDArray
    row: NDArray
    shape: tuple[int, int]

    @classmethod
    def sorted(
        cls,
        xy_px,
        mag,
        shape,
    ) -> "_Stars":
        """By brightness; unknown ones last."""
        row = np.argsort(np.where(np.isfinite(mag), mag, np.inf), kind="stable")
        return cls(np.reshape(xy_px, (-1, 2))[row], np.asarray(mag, float)[row], row, shape)


def _answer(
    stars: _Stars, catalogue_of: CatalogueOf, hints: Hints, given: WCS | None
) -> Solution:
    best, n_listed = None, 0
    for scale in hints.scales_arcsec:
        hint = replace(hints, scales_arcsec=(scale,))
        catalogue = _round_about(stars.shape, catalogue_of, hint)
        n_listed = max(n_listed, len(catalogue))
        xy = undistorted(given, stars.xy_px)
        best = better(best, _search(xy, stars.shape, catalogue, hint))
        if best is not None and best.sure:
            return _matched_by_all(best, stars, catalogue_of, given)
    return _refused(best, stars, n_listed, hints, given)


def _hints_of(wcs: WCS, shape) -> Hints:
    middle = middle_px(shape)
    ra, dec = wcs.all_pix2world(*middle, 0)
    plate = plate_of_wcs(wcs, max(shape) / 2)
    start = replace(plate, ra_deg=float(ra), dec_deg=float(dec), origin_px=middle)
    xy_px, ra_deg, dec_deg = _sampled(wcs, shape)
    here = fit_plate(xy_px, ra_deg, dec_deg, start, 0)
    return Hints(
        ra_deg=float(ra) % 360,
        dec_deg=float(dec),
        scales_arcsec=(pixel_scale_arcsec(wcs),),
        place_source="the WCS",
        scale_source="the WCS",
        place_widths=SEARCH_SLACK * WCS_PLACE_WIDTHS,
        scale_share=SEARCH_SLACK * WCS_SCALE_SHARE,
        rotation_deg=here.rotation_deg,
        rotation_error_deg=SEARCH_SLACK * WCS_ROTATION_DEG,
        mirrored=plate.mirrored,
    )


def _sampled(wcs, shape):
    """Points about the middle, undistorted, and their places: what tells north there (it turns with
    RA)."""
    around = np.array([(0, 0), (1, 0), (0, 1), (-1, 0), (0, -1)]) / 10
    xy = np.add(middle_px(shape), around * shape[::-1])
    return undistorted(wcs, xy), *wcs.all_pix2world(xy, 0).T


# --- searching --------------------------------------------------------------------------


def _reach_px(shape, hints) -> float:
    return float(0.5 * np.hypot(*shape) + hints.place_widths * max(shape)) / (
        1 - hints.scale_share
    )


def _round_about(shape, catalogue_of, hints) -> CatalogueStars:
    """All catalogue stars that may be on the frame, brightest first."""
    radius_deg = min(_reach_px(shape, hints) * hints.scales_arcsec[0] / 3600, 89.0)
    catalogue = catalogue_of(hints.ra_deg, hints.dec_deg, radius_deg)
    return catalogue.select(np.argsort(catalogue.v_mag, kind="stable"))


def _search(
    xy,
    shape,
    catalogue,
    hints,
) -> Attempt | None:
    """Best hypothesis; deeper lists of stars, brightest first, are tried while there is no sure
    one."""
    best = None
    for n_stars, n_listed in _list_lengths(len(xy), len(catalogue), shape, hints):
        found = hypotheses(xy[:n_stars], catalogue.select(slice(n_listed)), shape, hints)
        for plate in candidate_plates(found, shape, hints):
            best = better(best, grown(plate, xy, catalogue, shape, len(found)))
            if best is not None and best.sure:
                return best
    return best


def _list_lengths(
    n_stars,
    n_listed,
    shape,
    hints,
) -> list[tuple[int, int]]:
    """How many of the brightest detections and catalogue stars to make triangles of, in turn."""
    more_sky = np.pi * _reach_px(shape, hints) ** 2 / (shape[0] * shape[1])
    lengths = [
        (min(most, n_stars), min(int(most * depth * more_sky), n_listed))
        for most, depth in DEPTHS
    ]
    return [pair for pair in dict.fromkeys(lengths) if min(pair) >= FREE_PAIRS]


# --- answers ----------------------------------------------------------------------------


def _matched_by_all(
    attempt: Attempt,
    stars: _Stars,
    catalogue_of,
    given,
) -> Solution:
    """Match all stars by the plate found, fit to those pairs, and match by that."""
    sides = _both_sides(attempt.plate, stars, catalogue_of)
    plate, wcs = _fitted_to(attempt, stars, given)
    match = sides.match(wcs)
    if match.credible:
        pairs = sides.pairs(match, alike_in_brightness(match))
        plate, wcs = fitted(*pairs, plate, stars.shape, given)
        match = sides.match(wcs)
    if not match.credible:
        return _not_solved(attempt, _lost_again(attempt, match))
    error = None
    if given is not None:
        error = wcs_error(given, wcs, stars.shape, *sides.pairs(match))
    if error is not None and _past_reach(error, stars.shape):
        return _not_solved(attempt, _too_far_off(attempt, error))
    return _success(attempt, sides, wcs, match, error, PLATE_LEVELS[plate.level], stars.row)


def _success(
    attempt,
    sides,
    wcs,
    match,
    error,
    level,
    row,
) -> Solution:
    """The answer; ``row`` takes stars by brightness back to the order they came in."""
    found, after_px = _hints_of(wcs, sides.shape), sides.scatter_px(wcs, match)
    return Solution(
        wcs=wcs,
        match=replace(match, star=row[match.star]),
        n_pairs=len(attempt.star),
        chance=attempt.chance,
        false_log10=attempt.false_log10,
        given=error,
        scatter_px=after_px,
        scale_arcsec=found.scales_arcsec[0],
        rotation_deg=found.rotation_deg,
        mirrored=bool(found.mirrored),
        distortion=level,
        message=_plate_words(attempt, found, level, after_px, error),
    )


def _both_sides(plate: Plate, stars: _Stars, catalogue_of) -> BothSides:
    """All stars of the frame, and those of the catalogue round the place found."""
    radius_deg = (np.hypot(*stars.shape) / 2 + MATCH_MARGIN_PX) * plate.pixel_deg
    catalogue = catalogue_of(plate.ra_deg % 360, plate.dec_deg, min(radius_deg, 89.0))
    return BothSides(stars.xy_px, stars.mag, stars.shape, catalogue)


def _fitted_to(attempt: Attempt, stars: _Stars, given: WCS | None) -> tuple[Plate, WCS]:
    """Plate and WCS of the bright pairs of an attempt."""
    sky, rows = attempt.catalogue, attempt.listed
    xy = stars.xy_px[attempt.star]
    return fitted(xy, sky.ra_deg[rows], sky.dec_deg[rows], attempt.plate, stars.shape, given)


def _past_reach(error: WCSError, shape) -> bool:
    """Whether a WCS was off by more than is to be put right."""
    off = (
        np.hypot(*error.offset_px) / max(shape) / WCS_PLACE_WIDTHS,
        abs(error.rotation_deg) / WCS_ROTATION_DEG,
        abs(error.scale_error) / WCS_SCALE_SHARE,
    )
    return max(off) > WCS_SLACK


# --- in words ---------------------------------------------------------------------------


def _plate_words(
    attempt,
    found: Hints,
    level: str,
    after_px: float,
    error,
) -> str:
    parity = "mirrored" if found.mirrored else "not mirrored"
    moved = f"; they are {_far(error)} from where the WCS had them" if error else ""
    return (
        f"{_pairs_tally(attempt)}: {found.scales_arcsec[0]:.4g} arcsec a pixel, north "
        f"{found.rotation_deg:.1f} degrees from up, {parity}, {level}, scatter {after_px:.2f} px"
        f"{moved}"
    )


def _lost_again(attempt, match: Match) -> str:
    return (
        f"{_pairs_tally(attempt)}, but of all stars only {len(match.star)} are paired, "
        f"{match.chance_matches:.1f} by chance"
    )


def _too_far_off(attempt, error: WCSError) -> str:
    return (
        f"{_pairs_tally(attempt)}, but {_far(error)} from where the WCS has them, and no more than "
        f"{_percent(WCS_PLACE_WIDTHS)} of the width, {WCS_ROTATION_DEG:g} degrees and "
        f"{_percent(WCS_SCALE_SHARE)} in scale are put right. Have it solved: {HINTS_ADVICE}"
    )


def _far(error: WCSError) -> str:
    return (
        f"{np.hypot(*error.offset_px):.1f} px, {abs(error.rotation_deg):.2f} degrees and "
        f"{100 * abs(error.scale_error):.2f} % in scale"
    )


def _percent(share: float) -> str:
    return f"{100 * share:g} %"


def _pairs_tally(attempt) -> str:
    return (
        f"{len(attempt.star)} of the {attempt.n_listed} brightest catalogue stars on the frame are "
        f"paired, {attempt.chance:.2g} by chance"
    )


def _refused(
    attempt: Attempt | None, stars: _Stars, n_listed: int, hints: Hints, given: WCS | None
) -> Solution:
    """Say what was there to go by, and what may help."""
    rows, columns = stars.shape
    n_stars = len(stars.xy_px)
    known = counted(n_listed, "catalogue star")
    listed = f"{counted(n_stars, 'detection')} and {known} round {hints}"
    on_frame = n_listed * rows * columns / (np.pi * _reach_px(stars.shape, hints) ** 2)
    if n_stars < FEWEST_PAIRS:
        why = f"too few to tell, {FEWEST_PAIRS} pairs are needed; lower --snr"
    elif on_frame < ENOUGH_LISTED:
        why = (
            f"a frame holds some {on_frame:.0f} of these, too few to tell, {ENOUGH_LISTED} are "
            "needed: use a deeper catalogue (--catalogue gaia, or file:PATH)"
        )
    else:
        best = "no pattern is alike"
        if attempt is not None:
            best = f"in the best place {_pairs_tally(attempt)}"
        advice = (
            f"Check the hints: {HINTS_ADVICE}"
            if given is None
            else f"Have it solved: {HINTS_ADVICE}"
        )
        why = f"{best}; not enough to be sure. {advice}"
    return _not_solved(attempt, f"{listed}: {why}")


def _not_solved(attempt: Attempt | None, reason: str) -> Solution:
    message = f"not solved: {reason}"
    if attempt is None:
        return Solution(message=message)
    return Solution(
        n_pairs=len(attempt.star),
        chance=attempt.chance,
        false_log10=attempt.false_log10,
        message=message,
    )
