"""Gains applied: the whole frame multiplied, its sky levelled."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Unpack

import numpy as np

from ..checking.check import as_frame, check, relocated
from ..checking.result import CheckResult
from ..choices import Choices, OfCalibrate, chosen
from ..draw.preview import before_and_after
from ..errors import FrameError, TooFewStars
from ..fit.contrasts import ColourGradient, gradient_text
from ..fit.gains import MIN_STARS
from ..frame import Frame, write_fits
from ..frame.given import FrameLike
from ..frame.room import room_for
from ..progress import Logged, Progress, silent
from ..stars.linearity import require_linear
from ..texts import counted, escaped

WHITEN_FROM = (
    0.9  # of the clipping level; fully white at the level itself, so that no edge shows
)
GAIN_ROWS = 64  # a strip and what is made of it fit the cache


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

    Examples
    --------
    >>> import starcal
    >>> calibrated = starcal.calibrate("broadband.fits", sky="keep")
    >>> calibrated.pixels.shape == calibrated.frame.pixels.shape
    True
    >>> calibrated.write("calibrated.fits", overwrite=True)
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
        common = self.check.own_fit is not None
        with_others = " and of other frames" if common else ""
        return (
            f"starcal: channels (R G B) multiplied by the matrix [{rows}]",
            *_gradient_history(self.check),
            f"starcal: fitted to B-V of {counted(fit.n_used, 'star')} of "
            f"{self.check.catalogue.name}{with_others}, neutral at B-V {fit.neutral_bv:.2f}",
            "starcal: sky offsets added " + " ".join(f"{v:.3e}" for v in self.sky_offset),
            "starcal: pixels at the clipping level of a channel made white",
        )

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        return f"<Calibrated {self.check.summary()}>"

    def _repr_html_(self) -> str:
        """For notebooks."""
        pictures = before_and_after(self.frame.pixels, self.pixels)
        return f"{pictures}<p>{escaped(self.check.summary())}</p>"

    def write(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write as float32 FITS with the input's header."""
        write_fits(
            path, self.pixels, self.frame.header, history=self.history, overwrite=overwrite
        )


def calibrate(
    frame: FrameLike,
    choices: Choices | None = None,
    *,
    wcs: Any = None,
    full_scale: float | None = None,
    in_place: bool = False,
    progress: Progress = silent,
    **asked: Unpack[OfCalibrate],
) -> Calibrated:
    """Fit gains (or a matrix) to catalogue B-V and multiply the whole frame by them.

    Parameters
    ----------
    frame : Frame, str, Path, HDU, CCDData, NDData or array
        A linear colour frame with a WCS, or a star layer.
    choices : Choices, optional
        What is asked for; by default all as by default.
    wcs, full_scale : optional
        As for `check`.
    in_place : bool
        The frame as it was is used no more: its pixels become the calibrated ones, which takes half
        of the memory.
    progress : callable
        Is given the step and the share done.
    **asked
        Single choices by name, as for `check`; besides ``sky``: whether one offset per channel
        brings the sky background to grey. Gradients stay.

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

    Examples
    --------
    >>> import starcal
    >>> calibrated = starcal.calibrate("broadband.fits")
    >>> red, green, blue = calibrated.check.gains
    >>> print(red > green, blue > green)  # the camera of this frame has much green
    True True
    """
    choices = chosen(choices, asked, OfCalibrate)
    progress = Logged(progress)
    frame = as_frame(frame, progress, wcs=wcs, full_scale=full_scale)
    found = check(frame, choices, progress=progress)
    progress("calibrating", 0.9)
    return calibrate_checked(frame, found, choices.sky, in_place=in_place)


def calibrate_checked(
    frame: Frame, found: CheckResult, sky: str, *, in_place: bool = False
) -> Calibrated:
    """Calibrate a frame that was checked.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        Of this frame.
    sky : {"grey", "keep"}
    in_place : bool
        As for `calibrate`.

    Returns
    -------
    Calibrated

    Raises
    ------
    NotLinearError, TooFewStars, FrameError
        As `calibrate`.
    """
    require_usable(found)
    return apply_calibration(relocated(frame, found), found, sky, in_place=in_place)


def require_usable(found: CheckResult) -> None:
    """Refuse gains that do not exist or make no star colours.

    Parameters
    ----------
    found : CheckResult
    """
    reason, name = found.verdict.reasons[0], found.frame
    if found.fit is None and found.verdict.verdict == "no":
        require_linear(name, found.linearity)
    if found.fit is None:
        raise TooFewStars(
            f"{name}: {reason}. Let `starcal run` colour its stars instead.",
            found=0,
            needed=MIN_STARS,
        )
    if found.verdict.verdict == "no":
        raise FrameError(f"{name}: {reason}. Let `starcal run` colour its stars instead.")


def apply_calibration(
    frame: Frame, found: CheckResult, sky: str, *, in_place: bool = False
) -> Calibrated:
    """Multiply a frame by the gains or the matrix of a check, and level its sky.

    Parameters
    ----------
    frame : Frame
    found : CheckResult
        With a fit.
    sky : {"grey", "keep"}
    in_place : bool
        As for `calibrate`.

    Returns
    -------
    Calibrated
    """
    matrix = found.matrix.matrix if found.matrix is not None else np.diag(found.fit.gains)
    level = matrix @ np.array(found.stars.meta["noise"].sky)
    offset = level[1] - level if sky == "grey" else np.zeros(3)
    clip_level = np.array(found.stars.meta["clip_level"])
    made = frame.pixels if in_place else room_for(frame.pixels.shape)
    pixels = _transform(
        frame.pixels, matrix, offset, clip_level, found.gradient_taken_out, made
    )
    return Calibrated(frame.refill(pixels), frame, found, matrix, offset)


def _gradient_history(found: CheckResult) -> tuple[str, ...]:
    """A line for the header on a gradient of colour that was taken out."""
    if found.gradient_taken_out is None:
        return ()
    return (f"starcal: gradient of colour taken out: {gradient_text(found.gradient)}",)


def _transform(
    pixels: np.ndarray,
    matrix: np.ndarray,
    offset: np.ndarray,
    clip_level: np.ndarray,
    gradient: ColourGradient | None,
    out: np.ndarray,
) -> np.ndarray:
    """matrix @ pixel + offset, by strips that fit the cache, into an array that may be the same;
    clipped pixels white."""
    own = out is pixels
    offset = offset.astype(np.float32)[:, None, None]
    for y in range(0, pixels.shape[1], GAIN_ROWS):
        strip = pixels[:, y : y + GAIN_ROWS]
        strip = strip.copy() if own else strip
        made = out[:, y : y + GAIN_ROWS]
        _multiply(matrix.astype(np.float32), strip, made)
        if gradient is not None:
            made *= _plane_of(gradient, slice(y, y + made.shape[1]), pixels.shape[1:])
        made += offset
        _whiten_clipped(strip, made, clip_level)
    return out


def _plane_of(gradient: ColourGradient, rows: slice, shape: tuple[int, int]) -> np.ndarray:
    """What takes a gradient of colour out of some rows, (3, rows, x)."""
    y, x = np.ogrid[rows, : shape[1]]
    return gradient.factors(x, y, shape).astype(np.float32)


def _multiply(matrix: np.ndarray, strip: np.ndarray, made: np.ndarray) -> None:
    """matrix @ pixel into `made`; a diagonal one channel by channel, which NaN does not cross."""
    gains = np.diag(matrix)
    if np.count_nonzero(matrix - np.diag(gains)) == 0:
        np.multiply(strip, gains[:, None, None], out=made)
    else:
        made[:] = np.tensordot(matrix, strip, 1)


def near_clipping(pixels: np.ndarray, clip_level: np.ndarray) -> np.ndarray:
    """Which pixels, (y, x), are made whiter: those in which a channel is near its clipping level,
    (3,), if it has one.

    Parameters
    ----------
    pixels : ndarray, (3, y, x)
    clip_level : sequence of float
        Of each channel; NaN where nothing clips.

    Returns
    -------
    ndarray, (y, x) bool
    """
    near = np.zeros(pixels.shape[1:], bool)
    for plane, level in zip(pixels, clip_level, strict=True):
        if np.isfinite(level):
            near |= plane > WHITEN_FROM * level
    return near


def _whiten_clipped(strip: np.ndarray, made: np.ndarray, clip_level: np.ndarray) -> None:
    """Raise pixels near the clipping level to their brightest channel.

    They have lost their colour: all channels ended at one level, and gains would paint that level
    magenta or green.
    """
    near = near_clipping(strip, clip_level)
    if near.any():
        share = np.nanmax(strip[:, near] / clip_level[:, None], axis=0)
        whiteness = np.clip((share - WHITEN_FROM) / (1 - WHITEN_FROM), 0, 1).astype(np.float32)
        core = made[:, near]
        made[:, near] = core + whiteness * (np.fmax.reduce(core) - core)
