"""Electrons from stars and sky on a pixel: published zero points, the CCD equation, saturation.
Arrays in, arrays out.

Three filters are assumed, channel order R, G, B, as sets for mono cameras have them: boxes of some
90 nm (BAND_NM).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from ..choices import default_of, without_unit
from ..colour import SOLAR_BV_MAG
from ..errors import PlanError
from ..fit.gains import MAG_PER_LN
from ..stars.photometry import ANNULUS_FWHM, APERTURE_FWHM

BAND_NM = np.array([[590.0, 690.0], [490.0, 575.0], [400.0, 510.0]])
# Flux of a star of V = B-V = 0 in the R, V and B bands of Bessell, Castelli & Plez 1998 (A&A 333,
# 231), table A2
ZERO_FLUX_W_M2_NM = np.array([2.177e-11, 3.631e-11, 6.320e-11])
ZERO_WAVELENGTH_NM = np.array([641.0, 550.0, 438.0])
PHOTON_J_NM = (
    6.62607015e-34 * 2.99792458e8 * 1e9
)  # h c: energy of a photon times its wavelength
ZERO_PHOTONS = ZERO_FLUX_W_M2_NM * ZERO_WAVELENGTH_NM / PHOTON_J_NM  # photons s^-1 m^-2 nm^-1
# the same in the middle of the filters, and through all of each: photons s^-1 m^-2
BAND_PHOTONS = np.ptp(BAND_NM, axis=1) * np.exp(
    np.interp(BAND_NM.mean(axis=1), ZERO_WAVELENGTH_NM[::-1], np.log(ZERO_PHOTONS[::-1]))
)
# Magnitudes against G per mag of B-V: spectra of Pickles 1998 (PASP 110, 863) through these bands
COLOUR_SLOPE = np.array([-0.619, 0.0, 0.636])
# How stars scatter about that in R/G, B/G: the same spectra give 0.037 to 0.048 and 0.006 to 0.019
# for usual filters
STAR_SCATTER_MAG = np.array([0.041, 0.020])
ARCSEC_PER_UM_MM = 206.264806  # arcsec that 1 um spans at a focal length of 1 mm
FASTEST_LENS = 0.7  # f-number of the fastest lenses ever used for photographs
# share of the full well that a star may fill: seeing may be better, and sensors bend before they
# clip
SAFE_WELL = 0.7
# V of a square arcsec for each class of Bortle's scale: common practice, no source; tables differ
# by 0.3 mag
BORTLE_SKY_MAG = {
    1: 22.0,
    2: 21.8,
    3: 21.5,
    4: 21.0,
    5: 20.0,
    6: 19.2,
    7: 18.7,
    8: 18.1,
    9: 17.5,
}
SKY_RANGE_MAG = (5.0, 23.0)
DEEPEST_WELL_ELECTRONS = 1e7  # far beyond any pixel that takes pictures


@dataclass(frozen=True, kw_only=True)
class Kit:
    """Telescope and camera.

    Attributes
    ----------
    aperture_mm, focal_mm, pixel_um : float
        Clear aperture, focal length, size of a pixel; above 0, no faster than f/0.7.
    full_well_electrons, read_noise_electrons : float
        Of one pixel at the gain in use; a well of up to 1e7, read noise 0 or more.
    efficiency : float
        Electrons for a photon that reaches the ground's atmosphere: air, optics, filter, sensor; 0
        to 1. A central obstruction counts here, too.

    Raises
    ------
    PlanError
        For what no instrument has.

    Examples
    --------
    >>> from astropy import units
    >>> from starcal import Kit
    >>> round(Kit(aperture_mm=8 * units.cm, focal_mm=400).scale_arcsec, 2)
    1.94
    """

    aperture_mm: float = default_of("aperture_mm")
    focal_mm: float = default_of("focal_mm")
    pixel_um: float = default_of("pixel_um")
    full_well_electrons: float = default_of("full_well")
    read_noise_electrons: float = default_of("read_noise")
    efficiency: float = default_of("efficiency")

    def __post_init__(self):
        """Refuse what no instrument has; values may carry a unit."""
        for name, unit in (("aperture_mm", "mm"), ("focal_mm", "mm"), ("pixel_um", "um")):
            object.__setattr__(self, name, without_unit(getattr(self, name), unit))
        for name in ("aperture_mm", "focal_mm", "pixel_um", "full_well_electrons"):
            require_positive(name, getattr(self, name))
        if not 0 < self.efficiency <= 1:
            raise PlanError(
                f"efficiency {self.efficiency:g} given: it is a share of the light, above 0 and up "
                f"to 1. "
                "Give --efficiency 0.5 if you do not know it"
            )
        if self.full_well_electrons > DEEPEST_WELL_ELECTRONS:
            raise PlanError(
                f"full well {self.full_well_electrons:g} electrons given: no pixel holds over "
                f"{DEEPEST_WELL_ELECTRONS:g}. Give --full-well 50000 if you do not know it"
            )
        if not 0 <= self.read_noise_electrons < self.full_well_electrons:
            raise PlanError(
                f"read noise {self.read_noise_electrons:g} and full well "
                f"{self.full_well_electrons:g} "
                "electrons given: the noise is 0 or more and far below the well. Give --read-noise "
                "3"
            )
        if self.focal_mm < FASTEST_LENS * self.aperture_mm:
            raise PlanError(
                f"aperture {self.aperture_mm:g} mm at focal length {self.focal_mm:g} mm is "
                f"f/{self.focal_mm / self.aperture_mm:.2f}, faster than any lens. Swap "
                f"--aperture-mm and "
                "--focal-mm, or mend one"
            )

    @property
    def scale_arcsec(self) -> float:
        """Sky that a pixel spans."""
        return ARCSEC_PER_UM_MM * self.pixel_um / self.focal_mm

    @property
    def area_m2(self) -> float:
        """Light-collecting area."""
        return np.pi / 4 * (self.aperture_mm / 1000) ** 2


@dataclass(frozen=True)
class Night:
    """Sky and seeing.

    Attributes
    ----------
    sky_mag : float
        V of a square arcsec of sky, 5 to 23; BORTLE_SKY_MAG holds usual values.
    fwhm_arcsec : float
        Of stars in a single exposure, guiding and optics and all.

    Raises
    ------
    PlanError
        For what no night has.

    Examples
    --------
    >>> from starcal import Night
    >>> Night(sky_mag=21.3).fwhm_arcsec
    4.0
    """

    sky_mag: float = BORTLE_SKY_MAG[default_of("bortle")]
    fwhm_arcsec: float = default_of("fwhm_arcsec")

    def __post_init__(self):
        """Refuse what no night has; values may carry a unit."""
        arcsec = without_unit(self.fwhm_arcsec, "arcsec")
        object.__setattr__(self, "fwhm_arcsec", arcsec)
        require_positive("fwhm_arcsec", self.fwhm_arcsec)
        low, high = SKY_RANGE_MAG
        if not low <= self.sky_mag <= high:
            raise PlanError(
                f"sky of {self.sky_mag:g} mag per square arcsec given: skies have {low:g} to "
                f"{high:g}. "
                "Give --bortle 5, or --sky-mag as a sky meter shows it"
            )


def require_positive(name: str, value: float) -> None:
    """Refuse a quantity that is not above 0 and finite; the message names its option."""
    if not 0 < value < np.inf:
        option = name.removesuffix("_electrons").replace("_", "-")
        raise PlanError(
            f"{name.replace('_', ' ')} {value:g} given, a number above 0 needed. Mend --{option}"
        )


def focal_length_mm(pixel_um: float, scale_arcsec: float) -> float:
    """Focal length at which a pixel of some size spans some arcsec.

    Parameters
    ----------
    pixel_um : float
    scale_arcsec : float
        Both above 0.

    Returns
    -------
    float
        Millimetres.
    """
    return ARCSEC_PER_UM_MM * pixel_um / scale_arcsec


def electron_rate(kit: Kit, v_mag: np.ndarray, bv_mag: np.ndarray) -> np.ndarray:
    """Electrons a second from stars in each channel.

    Parameters
    ----------
    kit : Kit
    v_mag, bv_mag : array_like, shape (...)
        Johnson V and B-V.

    Returns
    -------
    ndarray, shape (3, ...)
        Channel order R, G, B.

    References
    ----------
    Bessell, Castelli & Plez 1998, A&A 333, 231, table A2: a star of V = 0 sends 1.005e8 photons
    s^-1 m^-2 nm^-1 at 550 nm; spectrophotometry of Vega gives 3 % more.
    """
    v_mag, bv_mag = (np.asarray(values, float) for values in (v_mag, bv_mag))
    each = (3,) + (1,) * v_mag.ndim
    mags = v_mag + COLOUR_SLOPE.reshape(each) * bv_mag
    return kit.area_m2 * kit.efficiency * BAND_PHOTONS.reshape(each) * 10 ** (-0.4 * mags)


def sky_rate(kit: Kit, sky_mag: float) -> np.ndarray:
    """Electrons a second from the sky in a pixel of each channel, shape (3,); a sky of the sun's
    colour is assumed.

    Parameters
    ----------
    kit : Kit
    sky_mag : float
        V of a square arcsec.
    """
    return electron_rate(kit, sky_mag, SOLAR_BV_MAG) * kit.scale_arcsec**2


def peak_fraction(fwhm_px: float) -> float:
    """Share of a star's light in the pixel on which it is centred: the worst case for saturation.

    Parameters
    ----------
    fwhm_px : float
        Of a Gaussian, before it is integrated over the pixel; above 0. Stars with wings peak lower.
    """
    return float(erf(np.sqrt(np.log(2)) / fwhm_px) ** 2)


def saturation_time_s(
    rate: np.ndarray, sky: np.ndarray, peak: float, well_electrons: float
) -> np.ndarray:
    """Exposure after which the peak pixel of a star holds a given charge.

    Parameters
    ----------
    rate, sky : array_like
        Electrons a second of the star, and of the sky in a pixel; shapes that broadcast.
    peak : float
        Share of the star's light in its peak pixel.
    well_electrons : float

    Returns
    -------
    ndarray
        Seconds.
    """
    return well_electrons / (np.asarray(rate) * peak + sky)


def full_after_s(kit: Kit, night: Night, v_mag: np.ndarray, bv_mag: np.ndarray) -> np.ndarray:
    """Longest exposure in which a star stays below SAFE_WELL of the full well in every channel,
    seconds."""
    rate = electron_rate(kit, v_mag, bv_mag)
    sky = sky_rate(kit, night.sky_mag).reshape((3,) + (1,) * (rate.ndim - 1))
    peak = peak_fraction(night.fwhm_arcsec / kit.scale_arcsec)
    return saturation_time_s(rate, sky, peak, SAFE_WELL * kit.full_well_electrons).min(axis=0)


def ratio_error_mag(
    kit: Kit, night: Night, v_mag: np.ndarray, bv_mag: np.ndarray, seconds: float, frames: float
) -> np.ndarray:
    """Errors of R/G and B/G of stars in a stack, from photons and read noise alone.

    Parameters
    ----------
    kit : Kit
    night : Night
    v_mag, bv_mag : array_like, shape (...)
    seconds, frames : float
        Of an exposure, and how many of them in each channel.

    Returns
    -------
    ndarray, shape (2, ...)
        Magnitudes, 1 sigma, measured in the aperture and ring of `measure_stars`; no dark current.
    """
    rate = electron_rate(kit, v_mag, bv_mag)
    sky = sky_rate(kit, night.sky_mag).reshape((3,) + (1,) * (rate.ndim - 1))
    fwhm_px = night.fwhm_arcsec / kit.scale_arcsec
    n_px = np.pi * (APERTURE_FWHM * fwhm_px) ** 2
    n_sky_px = np.pi * (ANNULUS_FWHM[1] ** 2 - ANNULUS_FWHM[0] ** 2) * fwhm_px**2
    snr = ccd_snr(
        rate * seconds, n_px, n_sky_px, sky * seconds, 0.0, kit.read_noise_electrons
    ) * np.sqrt(frames)
    return MAG_PER_LN * np.sqrt(snr[[0, 2]] ** -2 + snr[1] ** -2)


def ccd_snr(
    star: np.ndarray,
    n_px: float,
    n_sky_px: float,
    sky: np.ndarray,
    dark: float,
    read_noise: float,
) -> np.ndarray:
    """Signal to noise of a star in an aperture over a sky ring.

    Parameters
    ----------
    star : array_like
        Electrons of the star.
    n_px, n_sky_px : float
        Pixels of the aperture and of the ring.
    sky, dark : array_like
        Electrons a pixel.
    read_noise : float
        Electrons.

    Returns
    -------
    ndarray

    References
    ----------
    CCD equation: Merline & Howell 1995, Exp. Astron. 6, 163; Howell 2006, Handbook of CCD
    Astronomy, eq. 4.4.
    """
    per_pixel = np.asarray(sky) + dark + read_noise**2
    return star / np.sqrt(star + n_px * (1 + n_px / n_sky_px) * per_pixel)
