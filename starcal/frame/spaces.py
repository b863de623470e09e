"""Colour spaces of finished pictures, as their embedded ICC profiles tell.

A star's colour is known as linear light in sRGB's primaries. A picture of another space shows it
only if the numbers are made for that space, and its colours are judged as what it shows.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from ..colour import LUMINANCE_WEIGHTS, srgb_decode, srgb_encode
from ..errors import FrameError
from .straight_pieces import StraightPieces

CURVE_POINTS = (
    4097  # of the curve that is read off a profile; linear between them to 1e-6 of full scale
)
# White and primaries of IEC 61966-2-1 (sRGB), as x, y, Y
WHITE = (0.3127, 0.3290, 1.0)
PRIMARIES = (0.64, 0.33, 1.0, 0.30, 0.60, 1.0, 0.15, 0.06, 1.0)
MOST_MISFIT = 2e-3  # of linear light: half a step of 8 bits
SEEN_LEVELS = 2 / 255  # by which colours may differ from sRGB's and nobody sees it
ICC_COLOURS = slice(16, 20)  # of a profile (ICC.1:2010, 7.2.6)
OTHER_PROFILES = {b"GRAY": "grey", b"CMYK": "print", b"Lab ": "L*a*b*"}
CONVERT = "convert the picture to sRGB, Adobe RGB (1998), Display P3 or ProPhoto RGB"


@dataclass(frozen=True, eq=False)
class ColourSpace:
    """Encoded values to linear light and back, and to the primaries of sRGB.

    Attributes
    ----------
    name : str
        For messages.
    light : ndarray, (n,)
        Linear light of encoded values evenly spaced from 0 to 1.
    to_srgb : ndarray, (3, 3)
        From linear light in this space to linear light in sRGB's primaries.
    """

    name: str
    light: NDArray[np.float64]
    to_srgb: NDArray[np.float64]

    @cached_property
    def decode(self) -> StraightPieces:
        """Linear light of encoded values, 0 to 1."""
        return StraightPieces(self._levels, self.light)

    @cached_property
    def encode(self) -> StraightPieces:
        """Encoded values of linear light, 0 to 1."""
        return StraightPieces(self.light, self._levels)

    @property
    def _levels(self) -> NDArray[np.float64]:
        """The encoded values that `light` belongs to."""
        return np.linspace(0, 1, len(self.light))

    def from_srgb(self, light: NDArray) -> NDArray:
        """Linear light of sRGB's primaries, (3, ...), in this space's."""
        return np.tensordot(np.linalg.inv(self.to_srgb), light, axes=1)

    def in_srgb(self, encoded: NDArray) -> NDArray[np.float32]:
        """Display values of sRGB, (3, ...), that show the same as far as sRGB reaches."""
        light = np.tensordot(self.to_srgb, self.decode(encoded), axes=1)
        return np.float32(srgb_encode(np.clip(light, 0, 1)))

    def changed(self, encoded: NDArray, shown: NDArray) -> NDArray:
        """Encoded values that differ from others as display values of sRGB differ from theirs.

        Where nothing differs the others come back, those that sRGB cannot show among them.
        """
        more = srgb_decode(shown) - srgb_decode(self.in_srgb(encoded))
        return self.encode(self.decode(encoded) + self.from_srgb(more))

    def luminance(self, light: NDArray) -> NDArray:
        """Of linear light of this space, (3, ...); white has 1."""
        return np.tensordot(LUMINANCE_WEIGHTS @ self.to_srgb, light, axes=1)


SRGB = ColourSpace("sRGB", srgb_decode(np.linspace(0, 1, CURVE_POINTS)), np.eye(3))


@lru_cache
def colour_space(icc_profile: bytes | None) -> ColourSpace:
    """The space of a picture.

    Parameters
    ----------
    icc_profile : bytes or None
        As embedded in the picture; None stands for sRGB.

    Returns
    -------
    ColourSpace

    Raises
    ------
    FrameError
        The profile is damaged, or is not one of three primaries and one curve.
    """
    if icc_profile is None:
        return SRGB
    if icc_profile[ICC_COLOURS] in OTHER_PROFILES:
        kind = OTHER_PROFILES[icc_profile[ICC_COLOURS]]
        raise FrameError(
            f"the embedded colour profile is one for {kind}, not for RGB: {CONVERT}"
        )
    import imagecodecs

    trial = np.random.default_rng(0).uniform(0.05, 1, (64, 3))
    try:
        space = _read_off(icc_profile)
        true = _to_linear_srgb(icc_profile, trial)
    except (imagecodecs.CmsError, ValueError, TypeError) as error:
        raise FrameError(
            f"the embedded colour profile ({len(icc_profile)} bytes) cannot be read ({error}): "
            f"{CONVERT}"
        ) from error
    misfit = np.abs(space.decode(trial) @ space.to_srgb.T - true).max()
    if misfit > MOST_MISFIT:
        raise FrameError(
            f"the embedded colour profile {space.name!r} is no space of three primaries and one "
            f"curve (off by {misfit:.3f} of white): {CONVERT}"
        )
    return space


def other_than_srgb(icc_profile: bytes | None) -> tuple[ColourSpace | None, str]:
    """The space of a picture in which colours of sRGB look otherwise, and what to say of it.

    Parameters
    ----------
    icc_profile : bytes or None
        As embedded in the picture.

    Returns
    -------
    tuple of (ColourSpace or None), str
        None where it is sRGB, as good as that, or cannot be read; the latter is said.
    """
    try:
        space = colour_space(icc_profile)
    except FrameError as error:
        return None, f"its colours are taken for those of sRGB: {error}"
    encoded = np.full((3, 3), 0.2) + 0.5 * np.eye(3)
    if np.abs(space.in_srgb(encoded) - encoded).max() <= SEEN_LEVELS:
        return None, ""
    return space, f"its colours are those of {space.name}, as its embedded colour profile says"


def _read_off(icc_profile: bytes) -> ColourSpace:
    """Curve and primaries, as the profile turns greys and primaries into light."""
    ramp = np.repeat(np.linspace(0, 1, CURVE_POINTS)[:, None], 3, axis=1)
    light = _to_linear_srgb(icc_profile, ramp)[:, 1]
    return ColourSpace(
        name=_name(icc_profile),
        light=np.maximum.accumulate(light),
        to_srgb=_to_linear_srgb(icc_profile, np.eye(3)).T,
    )


def _to_linear_srgb(icc_profile: bytes, encoded: NDArray) -> NDArray:
    """Linear light in sRGB's primaries, not clipped, (n, 3)."""
    import imagecodecs

    linear = imagecodecs.cms_profile("rgb", whitepoint=WHITE, primaries=PRIMARIES, gamma=1.0)
    light = imagecodecs.cms_transform(
        np.ascontiguousarray(encoded[None], np.float32),
        icc_profile,
        linear,
        colorspace="rgb",
        outcolorspace="rgb",
        outdtype=np.float32,
        intent=1,  # relative: white stays white
    )
    return light[0].astype(float)


def _name(icc_profile: bytes) -> str:
    import io

    from PIL import ImageCms

    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile))
        return " ".join(ImageCms.getProfileDescription(profile).split()) or "unnamed"
    except (ImageCms.PyCMSError, OSError):
        return "unnamed"
