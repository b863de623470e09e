"""What can be put into a made frame: place, optics, filters, light, errors; checked when made."""

from dataclasses import dataclass

import numpy as np

from .clouds import LINES

SYSTEMS = {
    "camera": ("camera_R", "camera_G", "camera_B"),
    "mono": ("mono_R", "mono_G", "mono_B"),
    "SHO": ("S", "H", "O"),
    "HOO": ("H", "O", "O"),
    "HOS": ("H", "O", "S"),
    "OHS": ("O", "H", "S"),
    "copy": ("mono_G", "mono_G", "mono_G"),
    "H-O-blue": ("H", "O", "mono_B"),
    "H-green-blue": ("H", "mono_G", "mono_B"),
}
CHOICES = {
    "system": tuple(SYSTEMS),
    "width_nm": (3, 5, 7),
    "scatter": ("gaussian", "spectra", "none"),
}
FILTER_NAMES = {"H": "H-alpha", "O": "O III", "S": "S II"}


@dataclass(frozen=True, kw_only=True)
class Setup:
    """What is put into a frame. Colour triples are in channel order R, G, B.

    Raises
    ------
    ValueError
        For a system, filter width, scatter or size that is none of those below.
    """

    seed: int = 0
    ra_deg: float = 305.6  # centre of the frame
    dec_deg: float = 40.3
    shape: tuple[int, int] = (700, 1000)  # height, width
    scale_arcsec: float = 2.5  # of one pixel
    rotation_deg: float = 0.0  # north from the y axis, counter-clockwise
    mirrored: bool = False  # east to the right of north
    date_obs: str = "2024-09-14T22:10:00"
    system: str = "camera"  # one of SYSTEMS
    width_nm: int = 3  # of narrowband filters: 3, 5 or 7
    scatter: str = "gaussian"  # about the mean colour relation: "gaussian", "spectra" or "none"
    neutral_bv: float = 0.65  # B-V that `gains_true` makes neutral
    channel_gains: tuple[float, float, float] = (
        1.0,
        1.0,
        1.0,
    )  # by which the channels were scaled
    fwhm_px: float | tuple[float, float, float] = 3.0
    moffat_beta: float | None = 3.0  # wings of the PSF; None: Gaussian
    v_zero_electrons: float = 2.5e10  # of a star of V = 0 through the V band, whole exposure
    full_well_electrons: float = 1e6  # of the whole stack
    sky_electrons: float | tuple[float, float, float] = 1.5e4
    read_noise_electrons: float = 20.0
    gradient: float = 0.0  # of the sky, edge to edge, as a fraction of it
    nebula_electrons: float = 0.0  # bright parts of the nebula in H-alpha, per pixel
    line_ratios: tuple[float, float, float] = (1.0, 0.35, 0.25)  # H-alpha, [O III], [S II]
    faint_to_mag: float | None = 16.0  # invented stars beyond the catalogue; None: none
    catalogue_noise: float = 1.0  # times `bv_error_model`; 0: the catalogue's B-V is the truth
    wcs_offset_px: tuple[float, float] = (0.0, 0.0)  # the header says x, y this much too large
    wcs_rotation_deg: float = 0.0  # error of the header, about the centre
    with_wcs: bool = True
    stars: object | None = None  # CatalogueStars in place of the embedded catalogue

    def __post_init__(self):
        """Refuse what no frame can be made of."""
        for name, choices in CHOICES.items():
            if getattr(self, name) not in choices:
                raise ValueError(
                    f"{name} {getattr(self, name)!r} is none of {', '.join(map(str, choices))}"
                )
        if min(self.shape) < 32:
            raise ValueError(
                f"shape {self.shape} is too small: at least (32, 32) pixels are needed"
            )
        if not np.all(np.asarray(self.fwhm_px) >= 1):
            raise ValueError(f"fwhm_px {self.fwhm_px} is too small: at least 1 pixel is needed")
        if self.moffat_beta is not None and self.moffat_beta <= 1:
            raise ValueError(
                f"moffat_beta {self.moffat_beta} holds infinite light: above 1, or None for a "
                f"Gaussian"
            )

    @property
    def bands(self) -> tuple[str, str, str]:
        """Columns of the band table that feed R, G and B."""
        names = SYSTEMS[self.system]
        return tuple(f"{name}{self.width_nm}" if name in LINES else name for name in names)
