"""What is left round the bright stars of a frame when all profiles are taken out: where spikes and
reflections are looked for."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..cores import in_threads
from ..robust import quantile_of_known
from .light import Channel, StarModel, rests_of

MOST_HALOS = 12  # bright stars that are looked at
EDGE_PX = 15.0  # a star nearer to the edge shows too little
HALF_FWHM = 48.0  # half the side of what is cut out round a star
HALO_SNR = 500.0  # below, nothing at 1e-5 of a star's light shows, which spikes are made of


@dataclass(frozen=True, eq=False, kw_only=True)
class Halo:
    """A bright star and the frame round it without any star's profile.

    Attributes
    ----------
    star : int
        Row of the star table.
    x_px, y_px : float
        Of the star, in the cut.
    top, left : int
        Row and column of the frame where the cut begins.
    from_middle : tuple of float
        Of the star, from the middle of the frame, px.
    flux : ndarray, (3,)
        Of the star.
    noise : ndarray, (3,)
        Of a dark pixel.
    left_over : ndarray, (3, h, w) float32
        NaN where nothing is known.
    error : ndarray, (3, h, w) float32
        What each pixel may be wrong by.
    """

    star: int
    x_px: float
    y_px: float
    top: int
    left: int
    from_middle: tuple[float, float]
    flux: NDArray
    noise: NDArray
    left_over: NDArray[np.float32]
    error: NDArray[np.float32]

    @property
    def strength(self) -> NDArray:
        """Light of the star in noises of a dark pixel, (3,); above 0 also where it has none."""
        return np.maximum(self.flux / self.noise, 1e-12)

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the frame that the cut shows."""
        height, width = self.left_over.shape[1:]
        return slice(self.top, self.top + height), slice(self.left, self.left + width)

    def less(self, light: NDArray) -> "Halo":
        """The same without some light, (3, h, w)."""
        return replace(self, left_over=self.left_over - light)

    def sure(self, noises: float) -> "Halo":
        """The same without the pixels that may be wrong by more than so many noises: where the
        star's own light is strong."""
        unsure = self.error > noises * self.noise[:, None, None]
        return replace(self, left_over=np.where(unsure, np.float32(np.nan), self.left_over))

    def sampled(
        self,
        x_px: NDArray,
        y_px: NDArray,
    ) -> NDArray[np.float32]:
        """What is left over at places relative to the star, (3, ...); NaN where not known."""
        places = np.stack([y_px + self.y_px, x_px + self.x_px])
        return np.stack([_read(plane, places) for plane in self.left_over])

    def errors_at(
        self,
        x_px: NDArray,
        y_px: NDArray,
    ) -> NDArray[np.float32]:
        """The error of the same."""
        places = np.stack([y_px + self.y_px, x_px + self.x_px])
        return np.stack([_read(plane, places) for plane in self.error])

    def offsets(self) -> tuple[NDArray, NDArray]:
        """Of the cut's pixels from the star, dx and dy, (h, w)."""
        height, width = self.left_over.shape[1:]
        y, x = np.mgrid[:height, :width]
        return x - self.x_px, y - self.y_px


def _read(plane: NDArray, places: NDArray) -> NDArray:
    """A plane between its pixels; NaN beyond it, and where any of the four pixels is."""
    return ndimage.map_coordinates(plane, places, order=1, mode="constant", cval=np.nan)


def halos_of(channels: list[Channel], model: StarModel, faint_share: float) -> list[Halo]:
    """The bright stars of a frame, the brightest first.

    Parameters
    ----------
    channels : list of Channel
    model : StarModel
    faint_share : float
        Entries near a bright star with less than this share of its light stay in the frame.

    Returns
    -------
    list of Halo
    """
    height, width = channels[0].plane.shape
    inside = (model.x_px > EDGE_PX) & (model.x_px < width - EDGE_PX)
    inside &= (model.y_px > EDGE_PX) & (model.y_px < height - EDGE_PX)
    shown = brightness(channels, model) * inside
    bright = np.argsort(shown)[::-1][:MOST_HALOS]
    bright = bright[shown[bright] > HALO_SNR]
    return list(in_threads(lambda star: halo_of(channels, model, star, faint_share), bright))


def brightness(channels: list[Channel], model: StarModel) -> NDArray:
    """Light of each star over the noise of a pixel, the most of all channels, (n,)."""
    noise = np.array([c.noise for c in channels])
    return (model.flux / noise[:, None]).max(axis=0)


def halo_of(
    channels: list[Channel],
    model: StarModel,
    star: int,
    faint_share: float,
    half_px: int | None = None,
) -> Halo:
    """One star and what is round it.

    Parameters
    ----------
    channels : list of Channel
    model : StarModel
    star : int
        Row of the star table.
    faint_share : float
        See `halos_of`.
    half_px : int, optional
        Half the side of the cut; by default `HALF_FWHM` widths.

    Returns
    -------
    Halo
    """
    half = int(HALF_FWHM * np.median([c.fwhm_px for c in channels]))
    half = half if half_px is None else min(half, half_px)
    x = round(float(model.x_px[star]))
    y = round(float(model.y_px[star]))
    height, width = channels[0].plane.shape
    rows = slice(max(0, y - half), min(height, y + half + 1))
    columns = slice(max(0, x - half), min(width, x + half + 1))
    others = _without_its_pieces(model, star, 1.5 * half, faint_share)
    rests = list(rests_of(others, channels, (rows, columns)))
    noise = np.array([c.noise for c in channels])
    return Halo(
        star=int(star),
        x_px=float(model.x_px[star] - columns.start),
        y_px=float(model.y_px[star] - rows.start),
        top=rows.start,
        left=columns.start,
        from_middle=(
            float(model.x_px[star] - (width - 1) / 2),
            float(model.y_px[star] - (height - 1) / 2),
        ),
        flux=model.flux[:, star],
        noise=noise,
        left_over=np.stack([np.where(r.known, r.values, np.nan) for r in rests]),
        error=np.stack(
            [np.sqrt(n**2 + r.doubt) for n, r in zip(noise, rests, strict=True)]
        ).astype(np.float32),
    )


def _without_its_pieces(
    model,
    star,
    reach_px,
    faint_share,
) -> StarModel:
    """The model without the faint entries round a star: they may be pieces of its spikes."""
    near = np.hypot(model.x_px - model.x_px[star], model.y_px - model.y_px[star]) < reach_px
    shares = model.flux / np.maximum(model.flux[:, star : star + 1], 1e-30)
    faint = near & (shares.max(axis=0) < faint_share)
    return replace(model, reach_px=np.where(faint, 0, model.reach_px))


def median_without_nan(values: NDArray) -> NDArray:
    """Median over the first axis of what is known; NaN where nothing is."""
    return quantile_of_known(np.moveaxis(values, 0, -1), 0.5)


def as_far_as_sure(values: NDArray, error: NDArray) -> NDArray:
    """Values shrunk towards 0, all the way where they are within their errors (the non-negative
    garrote of Breiman 1995, Technometrics 37, 373)."""
    ratio = error / np.maximum(np.abs(values), 1e-30)
    return values * np.maximum(1 - ratio**2, 0)
