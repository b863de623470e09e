"""Three mono frames to one colour frame: on one pixel grid, their levels matched or not."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .choices import default_of
from .errors import FrameError, NoWCSError
from .frame import (
    Frame,
    Plane,
    corners_apart_px,
    frame_of_planes,
    pixel_scale_arcsec,
    read_plane,
    with_wcs,
    write_fits,
)
from .frame.levels import blank_borders
from .frame.regrid import regrid, source_positions
from .frame.steps import Steps, with_steps
from .place.channels import ChannelStars, Registered, channel_stars, register
from .place.hints import Hints, hints_from_header
from .place.locate import EMBEDDED, locate
from .progress import Logged, Progress, silent
from .robust import rank_correlation, robust_slope
from .stars import CHANNELS, measure_stars, places_of
from .stars.noise import frame_noise

MATCHES = ("none", "background", "fit")
SAME_GRID_PX = 0.3  # more shows as coloured fringes
GRID_PROBES = 5  # points a side at which two grids are compared
SAME_SCALE = (
    0.02  # pixel scales that differ by less are equal: solutions do, from filter to filter
)

MATCH_BLOCK_PX = 16  # its median has a twelfth of a pixel's noise
MATCH_BLOCKS = 900  # evenly spread; slopes between all pairs of them are looked at
FEWEST_BLOCKS = 30
MOST_STARS_SHARE = 0.5  # of a block under stars: more, and it does not count
# a side; the slope's error is what leaving out each of 16 parts of the frame does to it (jackknife)
REGIONS = 4
# radius round a star of SNR 10, growing with its light as the wings of a Moffat profile do
MASK_FWHM = 2.0
WING_POWER = 0.2
COMMON_STRUCTURE = (
    0.2  # rank correlation of the blocks, and four of its errors: less is no common structure
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Matching:
    """What the channels of a frame were multiplied by, and what was then added.

    Attributes
    ----------
    match : str
        "none", "background" or "fit".
    reference : int
        The channel that stayed as it was: that with the best signal; 1 (G) for "none".
    factors, offsets : tuple of 3 floats
        pixel * factor + offset, in units of full scale.
    factor_errors : tuple of 3 floats
        1 sigma, relative, of a linear fit (jackknife over the parts of the frame); else NaN, of the
        reference 0.
    correlations : tuple of 3 floats
        Of the channels' blocks with the reference's, by rank; NaN where no fit was made.
    n_blocks : int
        Star-free blocks of 16 x 16 pixels that the fit rests on; 0 without one.
    """

    match: str
    reference: int
    factors: tuple[float, float, float]
    offsets: tuple[float, float, float]
    factor_errors: tuple[float, float, float] = (np.nan,) * 3
    correlations: tuple[float, float, float] = (np.nan,) * 3
    n_blocks: int = 0

    def apply(self, pixels: NDArray) -> None:
        """Match the channels of (3, y, x) pixels in place."""
        for plane, factor, offset in zip(pixels, self.factors, self.offsets, strict=True):
            if (factor, offset) != (1.0, 0.0):
                plane *= np.float32(factor)
                plane += np.float32(offset)

    @property
    def history(self) -> tuple[str, ...]:
        """Lines for the header."""
        if self.match == "none":
            return ("starcal: levels of the channels left as they were (match none)",)
        listed = "; ".join(
            f"{c} * {f:.6g} {'-' if o < 0 else '+'} {abs(o):.4g}"
            for c, f, o in zip(CHANNELS, self.factors, self.offsets, strict=True)
        )
        return (
            f"starcal: channels matched ({self.match}) to {CHANNELS[self.reference]}: {listed}",
            *self._fit_line,
        )

    @property
    def _fit_line(self):
        if not self.n_blocks:
            return ()
        errors = " ".join(f"{100 * e:.2g}" for e in self.factor_errors)
        return (
            f"starcal: linear fit on {self.n_blocks} star-free blocks; errors of the factors "
            f"{errors} %; "
            "correlations " + " ".join(f"{r:.2f}" for r in self.correlations),
        )


@dataclass(frozen=True, eq=False)
class Composed:
    """A colour frame made of three mono frames.

    Attributes
    ----------
    frame : Frame
        Its header has FILTERR, FILTERG, FILTERB where the files had FILTER; all that was done
        stands in its notes.
    matching : Matching
        How the levels were matched.
    history : tuple of str
        Lines for the header.

    Examples
    --------
    >>> import starcal
    >>> made = starcal.compose_channels("red.fits", "green.fits", "blue.fits")
    >>> isinstance(made, starcal.Composed), made.matching.match
    (True, 'none')
    """

    frame: Frame
    matching: Matching
    history: tuple[str, ...]

    def __repr__(self) -> str:
        """One line; the header would fill a screen."""
        return f"<Composed {self.frame.name}, match {self.matching.match}>"

    def write(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write as float32 FITS with the header of the file whose grid it has."""
        write_fits(
            path,
            self.frame.pixels,
            with_steps(self.frame.header, self.frame.steps),
            history=self.history,
            overwrite=overwrite,
        )


def compose(
    red: str | Path,
    green: str | Path,
    blue: str | Path,
    *,
    match: str = default_of("match"),
    wcs: str | Path | None = None,
    full_scale: float | None = None,
    ra: float | str | None = None,
    dec: float | str | None = None,
    object: str | None = None,
    scale: float | None = None,
    progress: Progress = silent,
) -> Composed:
    """Put three mono frames together to one colour frame.

    Files that lie on different pixel grids (by more than 0.3 px) are brought onto the finest of the
    grids, the first of equal ones. Where they lie is told by their own stars: shifted, turned, half
    a turn too, or scaled, with a WCS or without. Where too few stars are common to two of them
    their WCS decide; without these they are taken to be registered.

    Parameters
    ----------
    red, green, blue : str or Path
        Linear files of one channel; one file may serve twice (HOO).
    match : {"none", "background", "fit"}
        Levels left as they are; or brought to the same sky and the same noise; or to the same
        levels throughout, by a linear fit of each channel to that with the best signal (see
        `match_channels`).
    wcs : str or Path, optional
        As for `frame.read_frame`: the WCS of the frame, whatever the files say.
    full_scale : float, optional
        As for `frame.read_frame`.
    ra, dec, object, scale : optional
        Middle of the frame (or what lies there) and arcsec a pixel, as for `check`: where no WCS
        fits the stars of what was put together, one is found from these.
    progress : callable
        Told the step and the share done.

    Returns
    -------
    Composed

    Raises
    ------
    FrameError
        A file cannot be read or is not of one channel; sizes differ and there is no WCS to register
        by; the fields do not overlap; nothing to match by.
    NoWCSError
        A place or scale was given, and no WCS is found that fits the stars.
    ValueError
        `match` is none of the three.

    Examples
    --------
    >>> import starcal
    >>> made = starcal.compose_channels("red.fits", "green.fits", "blue.fits")
    >>> made.frame.pixels.shape
    (3, 330, 460)
    """
    _require_match(match)
    progress = Logged(progress)
    progress("reading", 0.0)
    files = {Path(path): None for path in (red, green, blue)}
    known = {path: read_plane(path) for path in files}
    planes = (known[Path(red)], known[Path(green)], known[Path(blue)])
    progress("registering", 0.3)
    pixels, home, notes = _on_one_grid(planes, by_wcs=wcs is None)
    frame = frame_of_planes(pixels, planes, home, wcs=wcs, full_scale=full_scale, notes=notes)
    progress("matching", 0.7)
    matching = match_channels(frame.pixels, match)
    matching.apply(frame.pixels)
    frame = replace(frame, steps=_steps_of(planes, matching.factors, frame.full_scale))
    if (ra, dec, object, scale) != (None,) * 4:
        progress("solving", 0.8)
        hints = hints_from_header(
            frame.header, ra=ra, dec=dec, scale_arcsec=scale, named=object
        )
        frame, told = _solved_by_hints(frame, hints)
        notes = (*notes, *told)
    return _with_history(frame, planes, notes, matching)


def _steps_of(
    planes: tuple[Plane, Plane, Plane], factors: tuple[float, ...], full_scale: float
) -> Steps:
    """Steps of the values in the files, in units of the frame's full scale."""
    steps = []
    for plane, factor in zip(planes, factors, strict=True):
        step, rounded = frame_noise(plane.pixels[None]).steps[0]
        steps.append((step * factor / full_scale, rounded))
    return tuple(steps)


def _with_history(
    frame: Frame, planes: tuple[Plane, Plane, Plane], notes: tuple[str, ...], matching: Matching
) -> Composed:
    """The frame with all that was done to make it."""
    red, green, blue = (plane.name for plane in planes)
    source = f"starcal: composed of R {red}, G {green}, B {blue}"
    history = (source, *(f"starcal: {note}" for note in notes), *matching.history)
    told = replace(frame, notes=(*frame.notes, *matching.history))
    return Composed(told, matching, history)


def _solved_by_hints(frame: Frame, hints: Hints) -> tuple[Frame, tuple[str, ...]]:
    """The frame with a WCS that fits its stars, its own or one found, and what was done."""
    located = locate(measure_stars(frame.pixels), frame, EMBEDDED, hints)
    if located.wcs is None:
        why = located.why_not or "; ".join(located.notes) or "its own WCS does not fit them"
        raise NoWCSError(
            f"{frame.name}: no WCS was found that fits the stars ({why}). Mend --ra, --dec and "
            "--scale; or leave them out, and the frame goes without"
        )
    wcs = located.replacement
    if wcs is None:
        return frame, located.notes
    placed = replace(frame, wcs=wcs, wcs_missing=(), header=with_wcs(frame.header, wcs))
    return replace(placed, notes=(*frame.notes, *located.notes)), located.notes


def read_channels(
    red: str | Path,
    green: str | Path,
    blue: str | Path,
    *,
    wcs: str | Path | None = None,
    full_scale: float | None = None,
) -> Frame:
    """Read three one-channel files as one frame, registered as by `compose`, their levels left.

    Parameters
    ----------
    red, green, blue : str or Path
        Files of one channel each.
    wcs : str or Path, optional
        As for `compose`.
    full_scale : float, optional
        As for `frame.read_frame`.

    Returns
    -------
    Frame

    Raises
    ------
    FrameError
        As `compose`.
    NoWCSError
        The file given as `wcs` has no WCS.

    Examples
    --------
    >>> from starcal import read_channels
    >>> frame = read_channels("red.fits", "green.fits", "blue.fits")
    >>> frame.name, frame.pixels.shape
    ('red.fits + green.fits + blue.fits', (3, 330, 460))
    """
    made = compose(red, green, blue, wcs=wcs, full_scale=full_scale)
    notes = made.frame.notes[: len(made.frame.notes) - len(made.matching.history)]
    return replace(made.frame, notes=notes)


def _require_match(match):
    if match not in MATCHES:
        raise ValueError(f"match {match!r} given; it is 'none', 'background' or 'fit'")


# --- one grid ---------------------------------------------------------------------------


def _on_one_grid(
    planes: tuple[Plane, Plane, Plane], by_wcs: bool
) -> tuple[NDArray[np.float32], Plane, tuple[str, ...]]:
    """Pixels (3, y, x), the plane whose grid they are on, and what was done."""
    home = _finest(planes)
    pixels = np.empty((3, *home.pixels.shape), np.float32)
    notes: list[str] = []
    first_of: dict[int, int] = {}
    alone = all(plane is home for plane in planes)
    home_stars = None if alone else _stars_of_plane(home)
    for channel, plane in enumerate(planes):
        first = first_of.setdefault(id(plane), channel)
        if first < channel:
            pixels[channel] = pixels[first]
        elif plane is home:
            pixels[channel] = plane.pixels
        else:
            pixels[channel], note = _brought(plane, home, home_stars, by_wcs)
            notes.append(note)
    return pixels, home, tuple(notes)


def _stars_of_plane(plane: Plane) -> ChannelStars:
    """Its stars; zero borders are no data there, as their edges would pass for stars."""
    pixels = plane.raw.pixels.copy()
    blank_borders(pixels)
    return channel_stars(pixels[0])


def _moved(plane: Plane, source, target, shape: tuple[int, int]) -> NDArray:
    """Pixels of a plane on another grid; zero borders are no data."""
    blank_borders(plane.raw.pixels)
    return regrid(plane.raw.pixels, source, target, shape)[0]


def _brought(
    plane: Plane, home: Plane, home_stars: ChannelStars, by_wcs: bool
) -> tuple[NDArray, str]:
    """Pixels of a plane on the grid of another, and what was done."""
    both = by_wcs and None not in (plane.wcs, home.wcs)
    own, its = (plane.wcs, home.wcs) if by_wcs else (None, None)
    told = register(_stars_of_plane(plane), home_stars, own, its)
    if told is not None:
        off_px = corners_apart_px(own, told.wcs, plane.pixels.shape) if both else np.inf
        if off_px <= SAME_GRID_PX:
            return _by_wcs(plane, home, f"by their WCS, which {told.n_pairs} stars confirm")
        return _by_stars(plane, home, told, off_px)
    if both:
        return _by_wcs(plane, home, "by their WCS, as they show too few stars in common")
    return _taken_as_it_is(plane, home)


def _taken_as_it_is(plane: Plane, home: Plane) -> tuple[NDArray, str]:
    """A plane that nothing tells the place of, if it is of the other's size."""
    _require_one_plane_size(plane, home)
    return plane.pixels, (
        f"{plane.name} and {home.name} show too few stars in common to be registered by: taken to "
        "be on one pixel grid"
    )


def _by_stars(
    plane: Plane, home: Plane, told: Registered, off_px: float
) -> tuple[NDArray, str]:
    apart_px = _apart_px(told.wcs, told.home, home.pixels.shape)
    by = f"by {told.n_pairs} stars that both show"
    if np.isfinite(off_px):
        by += f"; their WCS are off by {off_px:.1f} px"
    if apart_px <= SAME_GRID_PX and plane.pixels.shape == home.pixels.shape:
        return plane.pixels, f"{plane.name} lies within {apart_px:.2f} px of {home.name}, {by}"
    moved = _moved(plane, told.wcs, told.home, home.pixels.shape)
    return moved, _moved_note(plane, home, apart_px, by)


def _by_wcs(plane: Plane, home: Plane, by: str) -> tuple[NDArray, str]:
    apart_px = _apart_px(plane.wcs, home.wcs, home.pixels.shape)
    if apart_px <= SAME_GRID_PX and plane.pixels.shape == home.pixels.shape:
        return plane.pixels, f"{plane.name} lies within {apart_px:.2f} px of {home.name}, {by}"
    moved = _moved(plane, plane.wcs, home.wcs, home.pixels.shape)
    if not np.isfinite(moved).any():
        raise FrameError(
            f"{plane.name} and {home.name} show different parts of the sky by their WCS. Give "
            "three pictures of one field."
        )
    return moved, _moved_note(plane, home, apart_px, by)


def _moved_note(plane: Plane, home: Plane, apart_px: float, by: str) -> str:
    return (
        f"{plane.name} brought onto the pixel grid of {home.name}, up to {apart_px:.1f} px away "
        f"{by}"
    )


def _finest(planes):
    """The plane with a WCS and the smallest pixels; the first of equal ones, of all without WCS."""
    solved = [plane for plane in planes if plane.wcs is not None]
    if not solved:
        return planes[0]
    scales = [pixel_scale_arcsec(plane.wcs) for plane in solved]
    return next(
        p
        for p, scale in zip(solved, scales, strict=True)
        if scale <= (1 + SAME_SCALE) * min(scales)
    )


def _require_one_plane_size(plane: Plane, home: Plane) -> None:
    if plane.pixels.shape == home.pixels.shape:
        return
    (rows, columns), (other_rows, other_columns) = home.pixels.shape, plane.pixels.shape
    raise FrameError(
        f"{home.name} has {columns} x {rows} pixels, {plane.name} has {other_columns} x "
        f"{other_rows}, and there are neither stars in common nor a WCS in both to register them "
        "by. Plate solve each, or register the three on one pixel grid first."
    )


def _apart_px(source, target, shape: tuple[int, int]) -> float:
    """How far apart the same sky is at most in two planes; infinite where it is not in both."""
    across, down = (
        np.linspace(0, shape[1] - 1, GRID_PROBES),
        np.linspace(0, shape[0] - 1, GRID_PROBES),
    )
    x, y = np.meshgrid(across, down)
    there = source_positions(source, target, x, y)
    return float(np.max(np.nan_to_num(np.hypot(there[0] - x, there[1] - y), nan=np.inf)))


# --- levels -----------------------------------------------------------------------------


def match_channels(pixels: NDArray, match: str) -> Matching:
    """Factors and offsets that bring the channels of a linear frame to like levels.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
        NaN where there is no data. Not changed.
    match : {"none", "background", "fit"}
        "background": factors make the noise of the dark sky the same in all channels, offsets then
        its level; both measured in the darkest fifth of the frame, where there is least nebula.
        "fit": factors and offsets that make starless blocks of the frame alike from dark to
        bright.

    Returns
    -------
    Matching

    Raises
    ------
    FrameError
        No noise, or no data in common ("background"); too few starless blocks, or channels that
        have no structure in common or values too coarse ("fit").

    Notes
    -----
    The linear fit treats both channels alike, for both have errors, and lines of different ions are
    not proportional to each other: the slope is the geometric mean of that of y on x and that of x
    on y (reduced major axis; Isobe et al. 1990, ApJ 364, 104, OLS bisectors and their kin), each
    taken robustly as the median over all pairs (Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63,
    1379). Either alone would be flattened. The offset is the median of what is left.
    """
    _require_match(match)
    if match == "none":
        return Matching(match=match, reference=1, factors=(1.0,) * 3, offsets=(0.0,) * 3)
    noise = frame_noise(pixels)
    _require_noise(noise)
    if match == "fit":
        return _matched_linearly(pixels, _best_channel(pixels, noise))
    reference = _best_channel(pixels, noise)
    factors = np.array(noise.noise[reference]) / noise.noise
    offsets = noise.sky[reference] - factors * noise.sky
    return Matching(
        match=match,
        reference=reference,
        factors=tuple(factors.tolist()),
        offsets=tuple(offsets.tolist()),
    )


def _require_noise(noise):
    dead = [c for c, sigma in zip(CHANNELS, noise.noise, strict=True) if not sigma > 0]
    if dead:
        raise FrameError(
            f"channel {', '.join(dead)} has no noise where all three have data, so there is "
            f"nothing to "
            "match by. Use --match none"
        )


def _best_channel(pixels, noise):
    """The channel whose brighter parts rise highest above its noise; few stars reach into the upper
    tenth."""
    bright = np.nanquantile(pixels[:, ::7, ::7].reshape(3, -1), 0.9, axis=1)
    return int(np.argmax((bright - noise.sky) / noise.noise))


def _matched_linearly(pixels, reference):
    level, place = _starless_blocks(pixels)
    region = np.minimum((place * REGIONS).astype(int), REGIONS - 1) @ (REGIONS, 1)
    fits = [
        _fit_to_reference(level[c], level[reference], region, c, reference) for c in range(3)
    ]
    factors, offsets, errors, correlations = zip(*fits, strict=True)
    return Matching(
        match="fit",
        reference=reference,
        factors=factors,
        offsets=offsets,
        factor_errors=errors,
        correlations=correlations,
        n_blocks=len(place),
    )


def _fit_to_reference(values, wanted, region, channel, reference):
    """Factor, offset, relative error of the factor, and correlation of one channel with the
    reference."""
    if channel == reference or np.array_equal(values, wanted):
        return 1.0, 0.0, 0.0, 1.0
    correlation = rank_correlation(values, wanted)
    if correlation < max(COMMON_STRUCTURE, 4 / np.sqrt(len(values))):
        raise FrameError(
            f"channel {CHANNELS[channel]} has no structure in common with {CHANNELS[reference]} "
            f"(correlation {correlation:.2f}), so no line can be fitted. Use --match background"
        )
    factor = _symmetric_slope(values, wanted)
    error = _jackknife_error(values, wanted, region, factor)
    if not (factor > 0 and np.isfinite(error)):
        raise FrameError(
            f"channel {CHANNELS[channel]} or {CHANNELS[reference]} has values so coarse that most "
            "of its blocks are alike, so no line can be fitted. Use --match background"
        )
    return factor, float(np.median(wanted - factor * values)), error, correlation


def _jackknife_error(values, wanted, region, factor) -> float:
    """Relative error of a factor: what leaving out each part of the frame does to it."""
    parts = [
        _symmetric_slope(values[region != r], wanted[region != r]) for r in np.unique(region)
    ]
    spread = np.log(np.maximum(parts, 1e-12)) - np.log(factor)
    return float(np.sqrt((len(parts) - 1) / len(parts) * np.sum(spread**2)))


def _symmetric_slope(x, y):
    """Slope of y against x that is the inverse of that of x against y; NaN where one of them is
    constant, or the same mostly."""
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return np.nan
    forth, back = (robust_slope(a, b)[0] for a, b in ((y, x), (x, y)))
    return float(np.sqrt(forth / back)) if forth > 0 and back > 0 else np.nan


def _starless_blocks(pixels):
    """Medians of blocks without stars, (3, n), and their places as fractions of the frame, (n,
    2)."""
    masked = _star_mask(pixels)
    corners = _block_corners(masked.shape)
    levels = np.array([_block_levels(pixels, masked, y, x) for y, x in corners]).reshape(-1, 3)
    whole = np.isfinite(levels).all(axis=1)
    if whole.sum() < FEWEST_BLOCKS:
        raise FrameError(
            f"{whole.sum()} blocks of {MATCH_BLOCK_PX} x {MATCH_BLOCK_PX} pixels without stars in "
            f"common, {FEWEST_BLOCKS} needed for a linear fit. Use --match background"
        )
    return levels[whole].T, corners[whole] / masked.shape


def _block_corners(shape: tuple[int, int]) -> NDArray:
    """Row and column where each block starts, evenly spread, (n, 2)."""
    rows, columns = (n // MATCH_BLOCK_PX for n in shape)
    step = max(1, int(np.ceil(np.sqrt(rows * columns / MATCH_BLOCKS))))
    return np.mgrid[0:rows:step, 0:columns:step].reshape(2, -1).T * MATCH_BLOCK_PX


def _block_levels(pixels, masked, y, x):
    window = slice(y, y + MATCH_BLOCK_PX), slice(x, x + MATCH_BLOCK_PX)
    good = ~masked[window] & np.isfinite(pixels[:, *window]).all(axis=0)
    if good.mean() < MOST_STARS_SHARE:
        return np.full(3, np.nan)
    return np.median(pixels[:, *window][:, good], axis=1)


def _star_mask(pixels):
    """Pixels under the stars that can be found."""
    stars = measure_stars(np.stack([_gaps_filled(plane) for plane in pixels]))
    masked = np.zeros(pixels.shape[1:], bool)
    brighter = np.maximum(np.array(stars["snr"]) / 10, 1)
    reach = MASK_FWHM * max(stars.meta["fwhm_px"]) * brighter**WING_POWER
    for (x, y), radius in zip(places_of(stars), reach, strict=True):
        _cover(masked, x, y, radius)
    return masked


def _cover(masked: NDArray, x: float, y: float, radius: float) -> None:
    """Set the pixels of a disc, in place."""
    top = max(0, int(y - radius))
    left = max(0, int(x - radius))
    part = masked[top : int(y + radius) + 2, left : int(x + radius) + 2]
    dy, dx = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
    part |= (dx - x) ** 2 + (dy - y) ** 2 <= radius**2


def _gaps_filled(plane):
    """Pixels without data given the value of the nearest with: the edge of a gap in a nebula would
    pass for stars."""
    gaps = ~np.isfinite(plane)
    if not gaps.any() or gaps.all():
        return plane
    nearest = ndimage.distance_transform_edt(gaps, return_distances=False, return_indices=True)
    return plane[tuple(nearest)]
