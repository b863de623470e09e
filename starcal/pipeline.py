"""The whole job, in order: frame, stars, match, fit, verdict, route, picture, files."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from astropy.table import Table
from scipy.spatial import cKDTree

from . import colour, report, tone, verdict
from .background import frame_noise
from .catalogue import embedded
from .errors import FrameError, NotLinearError, OutputError, TooFewStars
from .fit import MIN_SPREAD_MATRIX, MIN_STARS, MIN_STARS_MATRIX, brightness_slope, fit_gains, fit_matrix
from .frame import Frame, pixel_scale_arcsec, read_frame, write_fits, write_tiff16
from .layers import recolour, split
from .match import Match, match_catalogue
from .palette import star_colours, yellow_white
from .result import CatalogueUse, CheckResult
from .stars import BLEND_FLUX_SHARE, CHANNELS, SPOILS_PHOTOMETRY, Flag, measure_stars

SOLAR_BV = 0.65
YELLOW_WHITE_BV = 0.75  # the usual median of field stars
MATCH_MARGIN_PX = 250  # catalogue beyond the frame's edge, so that shifted copies of it are as full
ENOUGH_STARS = 40  # with so many, stars whose catalogue colour is poor are left out
GOOD_V_LIMITS = (11.0, 11.5, 12.0)  # the embedded catalogue's B-V is good to 0.1 mag at V 10.9, and biased beyond 11.5
SHAPE_STARS = 20

Progress = Callable[[str, float], None]


def _silent(step: str, share: float) -> None:
    """Take no notice."""


# --- check -----------------------------------------------------------------------------------------------------


def check(frame: Frame | str | Path, *, white_bv: float = SOLAR_BV, model: str = "gains", snr_min: float = 5.0,
          assume_linear: bool = False, progress: Progress = _silent) -> CheckResult:
    """Say whether photometric calibration can rescue a frame.

    Parameters
    ----------
    frame : Frame, str or Path
        A linear colour frame.
    white_bv : float
        B-V of the star that shall come out neutral, -0.3 to 1.5.
    model : {"gains", "matrix"}
        Whether to fit a 3x3 matrix besides the gains.
    snr_min : float
        Detection threshold.
    assume_linear : bool
        Believe that the frame is linear, whatever it looks like.
    progress : callable
        Told the step and the share done.

    Returns
    -------
    CheckResult

    Raises
    ------
    FrameError
        The file is not a usable colour frame.
    TooFewStars
        ``model="matrix"`` with too few stars or too little spread of colour.
    ValueError
        ``white_bv`` or ``model`` outside their range.
    """
    _require_settings(white_bv, model)
    frame = _as_frame(frame, progress)
    progress("finding and measuring stars", 0.2)
    stars = measure_stars(frame.pixels, snr_min=snr_min)
    notes = (*frame.notes, f"1.0 is {frame.full_scale:g} of the input ({frame.full_scale_source})",
             *_gradient_note(stars.meta["noise"]))
    blank = CheckResult(frame.name, verdict.without_wcs(""), "palette", "", stars, None, None, np.empty(0, int), None,
                        verdict.Linearity(growth=_growth(stars)), None, white_bv, notes)
    progress("matching the catalogue", 0.6)
    result = _matched(blank, frame) if frame.wcs is not None else _unmatched(blank, frame)
    if result.linearity.stretched and not assume_linear:
        return _stretched(result)
    if result.match is None or not result.match.credible:
        return result
    progress("fitting", 0.8)
    return _fitted(result, model)


def _require_settings(white_bv: float, model: str) -> None:
    low, high = colour.BV_RANGE_MAG
    if not low <= white_bv <= high:
        raise ValueError(f"white reference B-V {white_bv} given; stars have {low} to {high}, the sun 0.65")
    if model not in ("gains", "matrix"):
        raise ValueError(f"model {model!r} given; it is 'gains' or 'matrix'")


def _as_frame(frame: Frame | str | Path, progress: Progress) -> Frame:
    if isinstance(frame, Frame):
        return frame
    progress("reading", 0.0)
    return read_frame(frame)


def _gradient_note(noise) -> tuple[str, ...]:
    if not noise.has_gradient:
        return ()
    return (f"the sky has a gradient: {max(noise.gradient):.0f} times the pixel noise from edge to edge; starcal does "
            "not remove it",)


def _growth(stars: Table) -> float:
    """FWHM of the brightest third of the clean stars over that of the faintest third."""
    good = (stars["flags"] & (SPOILS_PHOTOMETRY & ~Flag.FAINT) == 0) & (stars["snr"] > 20)
    if good.sum() < SHAPE_STARS:
        return np.nan
    widths = stars["fwhm_px"].value[good][np.argsort(stars["snr"][good])]
    third = len(widths) // 3
    return float(np.median(widths[-third:]) / np.median(widths[:third]))


def _unmatched(result: CheckResult, frame: Frame) -> CheckResult:
    result.stars["flags"] |= Flag.NO_MATCH
    missing = "missing: " + ", ".join(frame.wcs_missing) if frame.wcs_missing else "not usable"
    return replace(result, verdict=verdict.without_wcs(missing),
                   route_reason="without a WCS no star can be looked up in a catalogue")


def _matched(result: CheckResult, frame: Frame) -> CheckResult:
    stars, shape = result.stars, frame.pixels.shape[1:]
    catalogue = _field(frame)
    brightness = instrumental_mag(stars)
    match = match_catalogue(np.column_stack([stars["x_px"].value, stars["y_px"].value]), brightness, frame.wcs, shape,
                            catalogue, pixel_scale_arcsec(frame.wcs))
    _add_catalogue(stars, match, catalogue)
    use = CatalogueUse(catalogue.name, int(match.in_frame.sum()), catalogue.limit_mag)
    clean = stars["flags"] & (Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.NO_MATCH | Flag.MISMATCH) == 0
    slope, error = brightness_slope(brightness[clean], stars["v_mag"][clean]) if match.credible else (np.nan, np.nan)
    linearity = replace(result.linearity, slope=slope, slope_error=error)
    return replace(result, match=match, catalogue=use, linearity=linearity,
                   verdict=verdict.without_match(match, len(stars)),
                   route_reason="the catalogue's stars could not be found on the frame")


def instrumental_mag(stars: Table) -> np.ndarray:
    """Magnitudes of the stars from all their light, zero point arbitrary; NaN where there is no positive flux."""
    light = sum(np.asarray(stars[f"flux_{c}"]) for c in CHANNELS)
    return -2.5 * np.log10(np.where(light > 0, light, np.nan))


def _field(frame: Frame):
    """The catalogue's stars on and round the frame, at its epoch."""
    height, width = frame.pixels.shape[1:]
    ra, dec = (float(v) for v in frame.wcs.all_pix2world((width - 1) / 2, (height - 1) / 2, 0))
    radius = (np.hypot(height, width) / 2 + MATCH_MARGIN_PX) * pixel_scale_arcsec(frame.wcs) / 3600
    return embedded.cone(ra % 360, dec, min(radius, 90.0), epoch_yr=frame.epoch_yr or 2000.0)


def _add_catalogue(stars: Table, match: Match, catalogue) -> None:
    """Give the matched rows what the catalogue knows of them, and flag what it knows against them."""
    row = np.full(len(stars), -1)
    if match.credible:
        row[match.star] = match.catalogue
    known = row >= 0
    for name in ("ra_deg", "dec_deg", "v_mag", "bv_mag", "bv_error_mag"):
        stars[name] = np.where(known, getattr(catalogue, name)[row] if len(catalogue) else np.nan, np.nan)
    stars["hip"] = np.where(known, catalogue.hip[row] if len(catalogue) else 0, 0)
    flags = stars["flags"]
    flags[~known] |= Flag.NO_MATCH
    flags[known & ~np.isfinite(stars["bv_mag"])] |= Flag.NO_BV
    if match.credible:
        flags[match.star[match.mismatched]] |= Flag.MISMATCH
        flags[match.star[catalogue.double[match.catalogue]]] |= Flag.DOUBLE
        flags[match.star[catalogue.bv_clamped[match.catalogue]]] |= Flag.POOR_BV
        flags[match.star[_crowded(match, catalogue, max(stars.meta["aperture_px"]))]] |= Flag.BLENDED


def _crowded(match: Match, catalogue, aperture_px: float) -> np.ndarray:
    """Pairs with another catalogue star in the aperture that is bright enough to matter."""
    inside = np.flatnonzero(match.in_frame)
    tree = cKDTree(np.column_stack([match.x_px[inside], match.y_px[inside]]))
    fainter_by = -2.5 * np.log10(BLEND_FLUX_SHARE)
    crowded = np.zeros(len(match.star), bool)
    for pair, row in enumerate(match.catalogue):
        if match.in_frame[row]:
            others = inside[tree.query_ball_point((match.x_px[row], match.y_px[row]), 1.2 * aperture_px)]
            crowded[pair] = np.any(catalogue.v_mag[others[others != row]] < catalogue.v_mag[row] + fainter_by)
    return crowded


def _stretched(result: CheckResult) -> CheckResult:
    return replace(result, verdict=verdict.stretched(result.linearity), route="palette",
                   route_reason="the picture is not linear, so ratios of its channels mean nothing")


def _fitted(result: CheckResult, model: str) -> CheckResult:
    stars = result.stars
    rows = _rows_to_fit(stars)
    if len(rows) < MIN_STARS:
        return replace(result, verdict=verdict.too_few(len(rows), len(result.match.star)), route="palette",
                       route_reason=f"{len(rows)} clean matched stars, {MIN_STARS} needed for a fit")
    flux, error = (np.array([stars[f"{name}_{c}"][rows] for c in CHANNELS]) for name in ("flux", "flux_error"))
    bv = np.asarray(stars["bv_mag"][rows], float)
    fit = fit_gains(flux, error, bv, embedded.bv_error_model(np.asarray(stars["v_mag"][rows])), result.white_bv)
    stars["flags"][rows[~fit.used]] |= Flag.CLIPPED
    target = colour.star_rgb(bv[fit.used], result.white_bv)
    before, after = (float(np.median(colour.uv_prime_distance((g * flux.T)[fit.used], target)))
                     for g in (np.ones(3), fit.gains))
    judged = verdict.decide(fit, before, after)
    matrix = _matrix(fit, flux[:, fit.used], target) if model == "matrix" else None
    route, reason = ("gains", "calibration by gains serves") if judged.verdict == "rescue" else (
        "palette", f"calibration cannot be trusted here: {judged.reasons[0]}")
    return replace(result, verdict=judged, route=route, route_reason=reason, fit=fit, fitted=rows, matrix=matrix)


def _rows_to_fit(stars: Table) -> np.ndarray:
    """Clean matched stars, the poorly known ones left out where there are enough others."""
    clean = stars["flags"] == 0
    for limit in GOOD_V_LIMITS:
        bright = clean & (stars["v_mag"] <= limit)
        if bright.sum() >= ENOUGH_STARS:
            stars["flags"][clean & ~bright] |= Flag.POOR_BV
            return np.flatnonzero(bright)
    return np.flatnonzero(clean)


def _matrix(fit, flux: np.ndarray, target: np.ndarray):
    if fit.n_used < MIN_STARS_MATRIX or fit.bv_spread < MIN_SPREAD_MATRIX:
        raise TooFewStars(
            f"{fit.n_used} stars with a B-V spread of {fit.bv_spread:.2f} mag for a matrix, {MIN_STARS_MATRIX} with "
            f"{MIN_SPREAD_MATRIX} needed: use --model gains", found=fit.n_used, needed=MIN_STARS_MATRIX)
    return fit_matrix(flux, target, fit.gains)


# --- calibrate -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Calibrated:
    """A calibrated frame.

    Attributes
    ----------
    pixels : ndarray, shape (3, y, x), float32
        Calibrated; may exceed 1.
    frame : Frame
        What it was made from.
    check : CheckResult
        The evidence.
    matrix : ndarray, shape (3, 3)
        What each pixel was multiplied by: the gains on a diagonal, or the fitted matrix.
    sky_offset : ndarray, shape (3,)
        What was then added to each channel.
    """

    pixels: np.ndarray
    frame: Frame
    check: CheckResult
    matrix: np.ndarray
    sky_offset: np.ndarray

    @property
    def history(self) -> tuple[str, ...]:
        """Lines for the header."""
        fit = self.check.fit
        rows = "; ".join(" ".join(f"{v:.6f}" for v in row) for row in self.matrix)
        return (f"starcal: channels (R G B) multiplied by the matrix [{rows}]",
                f"starcal: fitted to B-V of {fit.n_used} stars of {self.check.catalogue.name}, neutral at B-V "
                f"{fit.white_bv:.2f}", "starcal: sky offsets added " + " ".join(f"{v:.3e}" for v in self.sky_offset))

    def write(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write as float32 FITS with the input's header."""
        write_fits(path, self.pixels, self.frame.header, history=self.history, overwrite=overwrite)


def calibrate(frame: Frame | str | Path, *, sky: str = "grey", model: str = "gains", white_bv: float = SOLAR_BV,
              snr_min: float = 5.0, assume_linear: bool = False, progress: Progress = _silent) -> Calibrated:
    """Fit gains (or a matrix) to catalogue B-V and multiply the whole frame by them.

    Parameters
    ----------
    frame : Frame, str or Path
        A linear colour frame with a WCS, or a star layer.
    sky : {"grey", "keep"}
        Whether one offset per channel brings the sky background to grey. Gradients stay.
    model, white_bv, snr_min, assume_linear, progress
        As for `check`.

    Returns
    -------
    Calibrated

    Raises
    ------
    NotLinearError
        The picture is stretched.
    TooFewStars
        There is no fit.
    FrameError
        The verdict is no: gains cannot make these channels show star colours.
    """
    if sky not in ("grey", "keep"):
        raise ValueError(f"sky {sky!r} given; it is 'grey' or 'keep'")
    frame = _as_frame(frame, progress)
    found = check(frame, white_bv=white_bv, model=model, snr_min=snr_min, assume_linear=assume_linear,
                  progress=progress)
    _require_usable(found)
    progress("calibrating", 0.9)
    return apply_calibration(frame, found, sky)


def _require_usable(found: CheckResult) -> None:
    reason, name = found.verdict.reasons[0], found.frame
    if found.fit is None and found.verdict.verdict == "no":
        raise NotLinearError(f"{name}: {reason}. Use the linear frame, or add --assume-linear.")
    if found.fit is None:
        raise TooFewStars(f"{name}: {reason}. Try: starcal run {name}", found=0, needed=MIN_STARS)
    if found.verdict.verdict == "no":
        raise FrameError(f"{name}: {reason}. Try: starcal run {name}")


def apply_calibration(frame: Frame, found: CheckResult, sky: str = "grey") -> Calibrated:
    """Multiply a frame by the gains or the matrix of a check, and level its sky.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        With a fit.
    sky : {"grey", "keep"}

    Returns
    -------
    Calibrated
    """
    matrix = found.matrix.matrix if found.matrix is not None else np.diag(found.fit.gains)
    level = matrix @ np.array(frame_noise(frame.pixels).sky)
    offset = level[1] - level if sky == "grey" else np.zeros(3)
    return Calibrated(_transform(frame.pixels, matrix, offset), frame, found, matrix, offset)


def _transform(pixels: np.ndarray, matrix: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """matrix @ pixel + offset, by strips that fit the cache."""
    out = np.empty_like(pixels)
    matrix, offset = matrix.astype(np.float32), offset.astype(np.float32)
    diagonal = np.count_nonzero(matrix - np.diag(np.diag(matrix))) == 0
    for y in range(0, pixels.shape[1], 64):
        strip = pixels[:, y:y + 64]
        if diagonal:
            np.multiply(strip, np.diag(matrix)[:, None, None], out=out[:, y:y + 64])
        else:
            out[:, y:y + 64] = np.tensordot(matrix, strip, 1)
        out[:, y:y + 64] += offset[:, None, None]
    return out


# --- run -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class RunResult:
    """What a run decided and where it put it.

    Attributes
    ----------
    check : CheckResult
        The verdict with its evidence.
    folder : Path
        Where the files are.
    files : tuple of str
        Their names.
    """

    check: CheckResult
    folder: Path
    files: tuple[str, ...]

    def __str__(self) -> str:
        """The check, and the files."""
        return f"{self.check}\nwritten to {self.folder}: {', '.join(self.files)}"


def run(frame: Frame | str | Path, out: str | Path | None = None, *, white_bv: float = SOLAR_BV, model: str = "gains",
        sky: str = "grey", snr_min: float = 5.0, assume_linear: bool = False, tiff: bool = False,
        overwrite: bool = False, progress: Progress = _silent) -> RunResult:
    """Do the whole job: check a frame, choose the route, make the picture, write files and a report.

    Parameters
    ----------
    frame : Frame, str or Path
        A linear colour frame.
    out : str or Path, optional
        Folder for the files; by default ``FRAME-starcal`` beside the frame.
    white_bv, model, sky, snr_min, assume_linear, progress
        As for `calibrate`.
    tiff : bool
        Write a 16-bit TIFF of the picture, too.
    overwrite : bool
        Replace files of an earlier run.

    Returns
    -------
    RunResult

    Raises
    ------
    FrameError
        The file is not a usable colour frame.
    OutputError
        A file is in the way or cannot be written.
    """
    if sky not in ("grey", "keep"):
        raise ValueError(f"sky {sky!r} given; it is 'grey' or 'keep'")
    folder = _folder(frame, out)
    _require_free(folder, tiff, overwrite)
    frame = _as_frame(frame, progress)
    settings = {"white_bv": white_bv, "model": model, "sky": sky, "snr_min": snr_min, "assume_linear": assume_linear}
    found = check(frame, white_bv=white_bv, model=model, snr_min=snr_min, assume_linear=assume_linear,
                  progress=progress)
    progress("making the picture", 0.85)
    pictures = _by_gains(frame, found, sky) if found.route == "gains" else _by_palette(frame, found)
    progress("writing", 0.92)
    return _write(folder, frame, found, pictures, settings, tiff, overwrite)


@dataclass(frozen=True, eq=False)
class _Pictures:
    """What a route made: the picture, its header lines, and the layers where stars were split."""

    picture: np.ndarray
    history: tuple[str, ...]
    layers: dict[str, np.ndarray]


def _by_gains(frame: Frame, found: CheckResult, sky: str) -> _Pictures:
    calibrated = apply_calibration(frame, found, sky)
    return _Pictures(calibrated.pixels, calibrated.history, {})


def _by_palette(frame: Frame, found: CheckResult) -> _Pictures:
    parts = split(frame.pixels, found.stars)
    palette = yellow_white(len(found.stars), YELLOW_WHITE_BV)
    found.stars["colour_bv_mag"] = palette.bv_mag
    found.stars["colour_source"] = np.full(len(found.stars), "palette")
    coloured = recolour(parts, star_colours(palette.bv_mag, found.white_bv))
    picture = frame.pixels.copy()
    np.add(parts.starless, coloured, out=picture, where=parts.footprint)
    return _Pictures(picture, (f"starcal: stars recoloured, nebula untouched; {palette.label}",),
                     {"starless.fits": parts.starless, "stars.fits": coloured})


def _folder(frame: Frame | str | Path, out: str | Path | None) -> Path:
    if out is not None:
        return Path(out)
    if isinstance(frame, Frame):
        return Path(f"{Path(frame.name).name.split('.')[0]}-starcal")
    path = Path(frame)
    return path.with_name(f"{path.name.split('.')[0]}-starcal")


def _require_free(folder: Path, tiff: bool, overwrite: bool) -> None:
    """Refuse before the work what would fail after it."""
    names = ["picture.fits", "stars.ecsv", "result.json", "preview.png", "report.html", *["picture.tif"] * tiff]
    there = [name for name in names if (folder / name).exists()]
    if there and not overwrite:
        raise OutputError(f"{folder} already holds {', '.join(there)}: add --overwrite, or choose a folder with --out")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"cannot make the folder {folder} ({error.strerror}): choose one with --out") from error


def _write(folder, frame, found, pictures, settings, tiff, overwrite) -> RunResult:
    names = ["picture.fits", *pictures.layers, *["picture.tif"] * tiff, "stars.ecsv", "result.json", "preview.png",
             "report.html"]
    write_fits(folder / "picture.fits", pictures.picture, frame.header, history=pictures.history, overwrite=overwrite)
    for name, layer in pictures.layers.items():
        write_fits(folder / name, layer, frame.header, history=pictures.history, overwrite=overwrite)
    if tiff:
        write_tiff16(folder / "picture.tif", pictures.picture, overwrite=overwrite)
    report.write_stars(folder / "stars.ecsv", found.stars, overwrite=overwrite)
    facts = found.to_dict() | {"settings": settings, "files": names}
    report.write_json(folder / "result.json", facts, overwrite=overwrite)
    stretch = tone.choose_stretch(frame.pixels)
    before = stretch.apply(frame.pixels)
    after = stretch.on_sky_of(pictures.picture).apply(pictures.picture)
    report.write_preview(folder / "preview.png", before, after, overwrite=overwrite)
    report.write_report(folder / "report.html", found, before=before, after=after, settings=settings, files=names,
                        overwrite=overwrite)
    return RunResult(found, folder, tuple(names))
