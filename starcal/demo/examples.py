"""Small frames to try things on, by a club observatory that does not exist."""

import os
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from ..frame import made_folder, write_bytes, write_fits
from ..progress import Progress, silent
from .scene import Scene, make_scene

TABLE_OF_DEMO = {"cassiopeia-few": "cassiopeia-sky.csv"}  # a catalogue of its user's own
SKY_COLUMNS = ("ra_deg", "dec_deg", "v_mag", "bv_mag")  # what two instruments see alike
DEMOS = {
    # The star fields of Cygnus through a colour camera whose green is, as ever, too strong.
    "cygnus-camera": {
        "seed": 1,
        "ra_deg": 305.6,
        "dec_deg": 40.3,
        "scale_arcsec": 3.0,
        "rotation_deg": 12.0,
        "channel_gains": (0.62, 1.0, 0.78),
        "fwhm_px": (2.52, 2.5, 2.53),
        "gradient": 0.08,
        "sky_electrons": (1.6e4, 2.0e4, 1.7e4),
        "nebula_electrons": 4e3,
    },
    # Cepheus in three lines, scaled so that the nebula's lines match: H-alpha is green, the stars
    # magenta.
    "cepheus-sho": {
        "seed": 2,
        "ra_deg": 324.7,
        "dec_deg": 57.5,
        "scale_arcsec": 2.5,
        "system": "SHO",
        "scatter": "spectra",
        "channel_gains": (1.0, 0.25, 0.71),
        "fwhm_px": 2.6,
        "v_zero_electrons": 2e11,
        "sky_electrons": 4e3,
        "nebula_electrons": 2e4,
    },
    # A long focal length in Cassiopeia: a handful of catalogue stars.
    "cassiopeia-few": {
        "seed": 3,
        "ra_deg": 4.0,
        "dec_deg": 68.0,
        "scale_arcsec": 0.8,
        "rotation_deg": -70.0,
        "system": "mono",
        "channel_gains": (0.8, 1.0, 0.9),
        "fwhm_px": 3.6,
        "v_zero_electrons": 1.2e11,
        "sky_electrons": 8e3,
        "faint_to_mag": 18.0,
    },
    # Orion, and nobody has solved the plate.
    "orion-unsolved": {
        "seed": 4,
        "ra_deg": 84.0,
        "dec_deg": -1.9,
        "scale_arcsec": 3.0,
        "rotation_deg": 95.0,
        "channel_gains": (0.7, 1.0, 0.65),
        "fwhm_px": 2.6,
        "nebula_electrons": 6e3,
        "with_wcs": False,
    },
}

# The stars of the narrowband frame once more, by short exposures through a colour camera on another
# telescope.
DEMO_STAR_FRAME = {
    "seed": 5,
    "ra_deg": 324.75,
    "dec_deg": 57.52,
    "scale_arcsec": 3.1,
    "rotation_deg": 21.0,
    "shape": (560, 800),
    "scatter": "none",
    "catalogue_noise": 0.0,
    "faint_to_mag": None,
    "channel_gains": (0.62, 1.0, 0.78),
    "fwhm_px": 2.4,
    "v_zero_electrons": 3e10,
    "sky_electrons": 3e3,
}


def demo_scenes() -> Iterator[tuple[str, Scene]]:
    """Small frames to try starcal on, by a club observatory that does not exist.

    Yields
    ------
    stem : str
        File name without ending.
    scene : Scene
        A frame that calibration rescues, one that it cannot and a separate star frame for it, one
        with few stars, one without a WCS.
    """
    for stem, settings in DEMOS.items():
        scene = make_scene(**settings)
        yield stem, _signed(scene, stem)
        if stem == "cepheus-sho":
            stars = SimpleNamespace(
                **{name: np.array(scene.truth[name]) for name in SKY_COLUMNS}
            )
            yield (
                "cepheus-stars",
                _signed(make_scene(**DEMO_STAR_FRAME, stars=stars), "cepheus-stars"),
            )


def write_demo(
    folder: str | Path, *, overwrite: bool = False, progress: Progress = silent
) -> tuple[str, ...]:
    """Write small frames to try starcal on.

    Parameters
    ----------
    folder : str or Path
        Made if it is not there.
    overwrite : bool
        Replace files that are there.
    progress : callable
        Is given the step and the share done.

    Returns
    -------
    tuple of str
        The files.

    Raises
    ------
    OutputError
        A file is in the way.

    Examples
    --------
    >>> import starcal
    >>> starcal.write_demo("owl")  # doctest: +SKIP
    """
    made_folder(folder)
    written: list[str] = []
    for stem, scene in demo_scenes():
        progress(f"making {stem}", len(written) / 6)
        target = os.path.join(folder, f"{stem}.fits")
        write_fits(target, scene.pixels, scene.header, overwrite=overwrite)
        written.append(target)
        if stem in TABLE_OF_DEMO:
            table = os.path.join(folder, TABLE_OF_DEMO[stem])
            write_bytes(table, demo_catalogue(scene).encode(), overwrite=overwrite)
            written.append(table)
    return tuple(written)


def demo_catalogue(scene: Scene) -> str:
    """The stars of a made-up sky to V 15 as CSV, as a deeper catalogue would list them: B-V to 0.02
    mag.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    str
    """
    stars = scene.truth[scene.truth["v_mag"] < 15.0]
    bv_mag = stars["bv_mag"] + np.random.default_rng(scene.setup.seed).normal(
        0, 0.02, len(stars)
    )
    lines = [
        f"{ra:.6f},{dec:.6f},{v:.3f},{bv:.3f},0.020"
        for ra, dec, v, bv in zip(
            stars["ra_deg"], stars["dec_deg"], stars["v_mag"], bv_mag, strict=True
        )
    ]
    return "\n".join(
        [
            "# stars of a made-up sky; the fainter ones are in no catalogue but this",
            "ra_deg,dec_deg,v_mag,bv_mag,bv_error_mag",
            *lines,
            "",
        ]
    )


def _signed(scene: Scene, stem: str) -> Scene:
    scene.header["OBSERVAT"] = "Owlstone Ridge star club"
    scene.header["OBJECT"] = stem
    return scene
