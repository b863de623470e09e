"""What looks like a star and has the light of nebula is a knot."""

import numpy as np
from astropy.table import Table

from starcal.layers.fluxes import FluxFit
from starcal.layers.knots import knots
from starcal.layers.psf import textbook_psf
from starcal.stars import Flag

STARS = 40
# of entries beside these: light in each channel, signal-to-noise, misfit, and unrest of the nebula
# over a star's width against their height
ENTRIES = {
    "red star": (1.0, 0.4, 1.0, 100.0, 0.0, 0.0),
    "clipped star": (1.0, 0.2, 1.0, 100.0, 0.5, 0.5),
    "faint star": (1.0, 1.0, 1.0, 10.0, 0.0, 0.5),
    "faint and red": (1.0, 0.6, 1.0, 10.0, 0.0, 0.0),
    "knot of its own": (1.0, 0.4, 1.0, 100.0, 0.5, 0.0),
    "knot among others": (1.0, 0.2, 1.0, 100.0, 0.0, 0.2),
}


def test_knots_are_told_by_their_light_their_shape_and_the_nebula_beside_them():
    more = np.array(list(ENTRIES.values())).T
    rng = np.random.default_rng(3)
    flux = np.concatenate([np.exp(0.05 * rng.normal(size=(3, STARS))), more[:3]], axis=1)
    snr = np.append(np.full(STARS, 100.0), more[3])
    misfit = np.append(np.zeros(STARS), more[4])
    nothing = np.zeros(len(snr))
    fits = [
        FluxFit(flux=light, error=1 / snr, dx_px=nothing, dy_px=nothing, misfit=misfit)
        for light in flux
    ]
    psf = textbook_psf(3.0, 3.0, 2.5, (0.0, 0.0))
    unrest = np.append(np.zeros(STARS), more[5]) * flux * float(psf(*np.zeros((2, 1), "f4"))[0])
    flags = np.zeros(len(snr), int)
    flags[STARS + list(ENTRIES).index("clipped star")] = Flag.SATURATED
    rough = list(unrest**2 / 3.0 ** (5 / 3))
    table = Table({"snr": snr, "flags": flags})
    told = knots((psf,) * 3, fits, table, rough, np.ones(len(snr), bool))
    assert not told[:STARS].any()
    assert [name for name, knot in zip(ENTRIES, told[STARS:], strict=True) if knot] == [
        "knot of its own",
        "knot among others",
    ]
