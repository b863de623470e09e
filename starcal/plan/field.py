"""The rectangle of sky that a picture shows."""

from dataclasses import dataclass, replace

import numpy as np
from astropy.wcs import WCS

from ..catalogue import unit_vectors
from ..choices import without_unit
from ..errors import NoWCSError, PlanError
from ..robust import middle_px
from .photons import Kit


@dataclass(frozen=True, kw_only=True)
class SkyField:
    """A rectangle on the sky.

    Attributes
    ----------
    ra_deg, dec_deg : float
        Centre, ICRS.
    width_deg, height_deg : float
        On the tangent plane, as a sensor sees them.
    up_deg : float
        Direction of the picture's top, from north through east.
    source : str
        Where place and size were taken from.

    Raises
    ------
    PlanError
        For what is no such rectangle.

    Examples
    --------
    >>> from starcal import SkyField, find_object
    >>> pelican = find_object("pelican")
    >>> field = SkyField(
    ...     ra_deg=pelican.ra_deg, dec_deg=pelican.dec_deg, width_deg=2.4, height_deg=1.6
    ... )
    >>> round(field.radius_deg, 2)
    1.44
    """

    ra_deg: float
    dec_deg: float
    width_deg: float
    height_deg: float
    up_deg: float = 0.0
    source: str = "given"

    def __post_init__(self):
        """Refuse what is no field; values may carry a unit."""
        for name in ("ra_deg", "dec_deg", "width_deg", "height_deg", "up_deg"):
            object.__setattr__(self, name, without_unit(getattr(self, name), "deg"))
        if not (0 <= self.ra_deg <= 360 and -90 <= self.dec_deg <= 90):
            raise PlanError(
                f"RA {self.ra_deg:g}, Dec {self.dec_deg:g} is no place on the sky: degrees are "
                f"needed, RA "
                "within 0 to 360, Dec within -90 to 90. Mend --ra and --dec"
            )
        if not (self.width_deg > 0 and self.height_deg > 0):
            raise PlanError(
                f"a field of {self.width_deg:.4g} x {self.height_deg:.4g} degrees: both must be "
                f"above 0. "
                "Mend --focal-mm and --pixels"
            )

    def plane_deg(self, ra_deg: np.ndarray, dec_deg: np.ndarray) -> np.ndarray:
        """Places on the tangent plane, (2, ...): to the east and to the north of the centre,
        degrees."""
        ra, dec = np.radians(self.ra_deg), np.radians(self.dec_deg)
        east = np.array([-np.sin(ra), np.cos(ra), 0.0])
        north = np.array([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)])
        place = unit_vectors(ra_deg, dec_deg)
        return np.degrees(
            np.stack([place @ east, place @ north])
            / (place @ unit_vectors(self.ra_deg, self.dec_deg))
        )

    def corners_deg(self) -> np.ndarray:
        """Corners on the tangent plane, (2, 4), in order."""
        side, up = self._axes()
        return np.stack(
            [
                side * i * self.width_deg / 2 + up * j * self.height_deg / 2
                for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            ],
            axis=1,
        )

    def holds(self, plane_deg: np.ndarray, margin_deg: float = 0.0) -> np.ndarray:
        """Whether places of the tangent plane, (2, n), lie in the field, so far from its edges."""
        return np.all(
            [
                np.abs(axis @ plane_deg) <= length / 2 - margin_deg
                for axis, length in zip(
                    self._axes(), (self.width_deg, self.height_deg), strict=True
                )
            ],
            axis=0,
        )

    def _axes(self) -> tuple[np.ndarray, np.ndarray]:
        angle = np.radians(self.up_deg)
        return np.array([np.cos(angle), -np.sin(angle)]), np.array(
            [np.sin(angle), np.cos(angle)]
        )

    @property
    def area_deg2(self) -> float:
        """Sky that it covers, near enough."""
        return self.width_deg * self.height_deg

    @property
    def radius_deg(self) -> float:
        """Of the circle round it."""
        return float(
            np.degrees(np.arctan(np.radians(np.hypot(self.width_deg, self.height_deg) / 2)))
        )


def field_of_sensor(
    kit: Kit, pixels: tuple[int, int], centre: SkyField | tuple[float, float]
) -> SkyField:
    """The field that a sensor shows.

    Parameters
    ----------
    kit : Kit
        Telescope and camera.
    pixels : tuple of int
        Width and height.
    centre : SkyField or tuple of float
        Another field, whose middle and direction are kept, or RA and Dec, degrees, north up.

    Returns
    -------
    SkyField

    Raises
    ------
    PlanError
        For what is no place.
    """
    size_deg = {
        "width_deg": pixels[0] * kit.scale_arcsec / 3600,
        "height_deg": pixels[1] * kit.scale_arcsec / 3600,
    }
    source = f"{pixels[0]} x {pixels[1]} pixels at {kit.focal_mm:.4g} mm"
    if isinstance(centre, SkyField):
        return replace(centre, **size_deg, source=f"{source}; middle: {centre.source}")
    return SkyField(ra_deg=centre[0], dec_deg=centre[1], **size_deg, source=source)


def field_of_frame(frame) -> tuple[SkyField, float]:
    """The field that a frame with a WCS shows, and the arcsec that its pixels span.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    SkyField
    scale_arcsec : float

    Raises
    ------
    NoWCSError
        The frame has no WCS.
    """
    if frame.wcs is None:
        raise NoWCSError(
            f"{frame.name}: the header does not say where on the sky this is. In place of --for "
            f"give its "
            "middle, --ra and --dec, and --focal-mm"
        )
    height, width = frame.pixels.shape[1:]
    ra_deg, dec_deg = _middle_and_steps(frame.wcs, height, width)
    point = {"ra_deg": float(ra_deg[0]) % 360, "dec_deg": float(dec_deg[0])}
    # of any size: its tangent plane is what is wanted
    centre = SkyField(**point, width_deg=1.0, height_deg=1.0)
    (east, east_up), (north, north_up) = centre.plane_deg(ra_deg[1:], dec_deg[1:])
    across, up = np.hypot(east, north), np.hypot(east_up, north_up)
    field = SkyField(
        **point,
        width_deg=width * across,
        height_deg=height * up,
        up_deg=float(np.degrees(np.arctan2(east_up, north_up))),
        source=f"that of {frame.name}",
    )
    return field, 3600 * float(np.sqrt(across * up))


def _middle_and_steps(wcs: WCS, height: int, width: int) -> tuple[np.ndarray, np.ndarray]:
    """RA and Dec of the middle, of a pixel to its right and of one above it, each (3,)."""
    x_px, y_px = middle_px((height, width))
    return wcs.all_pix2world([x_px, x_px + 1, x_px], [y_px, y_px, y_px + 1], 0)
