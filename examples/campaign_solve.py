"""How often frames are solved, and how often wrongly: many star lists drawn from the catalogue,
some rendered frames.

    python examples/campaign_solve.py [solve|refine|false|wrong|rendered] [--trials N] [--seed N]

A list holds the catalogue's stars on an invented frame with errors of place (0.3 px) and brightness
(0.3 mag), a tenth of them missing, and up to as many spurious ones as bright. Right means: all
corners within 3 pixels. With a WCS that is wrong, rather than poor, no solution is right: it is not
to be believed, whatever the stars say.
"""

import argparse
import time
from dataclasses import replace

import numpy as np
from astropy.wcs import WCS

from starcal.catalogue.embedded import cone
from starcal.demo.scene import make_scene
from starcal.demo.setup import Setup
from starcal.demo.sky import wcs_header
from starcal.place.hints import Hints
from starcal.place.match import tangent_plane
from starcal.place.solve import refine, solve
from starcal.stars import instrumental_mag, measure_stars

SHAPE = (700, 1000)
FEWEST_LISTED = 8  # a field with fewer catalogue stars is skipped


def draw_setup(rng, narrowest_deg=0.5, widest_deg=10.0, **settings) -> Setup:
    width_deg = np.exp(rng.uniform(np.log(narrowest_deg), np.log(widest_deg)))
    return Setup(
        ra_deg=rng.uniform(0, 360),
        dec_deg=float(np.degrees(np.arcsin(rng.uniform(-1, 1)))),
        shape=SHAPE,
        scale_arcsec=3600 * width_deg / SHAPE[1],
        rotation_deg=rng.uniform(-180, 180),
        mirrored=bool(rng.integers(2)),
        **settings,
    )


def star_list(setup, rng, spurious_share):
    """Detections and their magnitudes, and how many of them are catalogue stars."""
    catalogue = cone(
        setup.ra_deg, setup.dec_deg, 0.6 * np.hypot(*SHAPE) * setup.scale_arcsec / 3600
    )
    x, y = WCS(wcs_header(setup, exact=True)).all_world2pix(
        catalogue.ra_deg, catalogue.dec_deg, 0
    )
    seen = (
        (x > 3) & (x < SHAPE[1] - 4) & (y > 3) & (y < SHAPE[0] - 4) & (rng.random(len(x)) > 0.1)
    )
    n_spurious = int(seen.sum() * spurious_share / (1 - spurious_share))
    real = np.column_stack([x, y])[seen] + 0.3 * rng.standard_normal((seen.sum(), 2))
    spurious = rng.uniform(3, (SHAPE[1] - 4, SHAPE[0] - 4), (n_spurious, 2))
    v_mag = catalogue.v_mag[seen]
    mag = np.append(v_mag, rng.choice(v_mag, n_spurious) if len(v_mag) else [])
    return (
        np.vstack([real, spurious]),
        mag + 0.3 * rng.standard_normal(len(mag)),
        int(seen.sum()),
    )


def draw_hints(setup, rng) -> Hints:
    """Off by up to half a field width and 10 % in scale."""
    away, angle = 0.5 * SHAPE[1] * np.sqrt(rng.random()), rng.uniform(0, 2 * np.pi)
    wcs = WCS(wcs_header(setup, exact=True))
    ra, dec = wcs.all_pix2world(499.5 + away * np.cos(angle), 349.5 + away * np.sin(angle), 0)
    return Hints(
        ra_deg=float(ra),
        dec_deg=float(dec),
        scales_arcsec=(setup.scale_arcsec * rng.uniform(0.9, 1.1),),
    )


def corner_error_px(wcs, setup) -> float:
    corners = np.array(
        [(0, 0), (SHAPE[1] - 1, 0), (0, SHAPE[0] - 1), (SHAPE[1] - 1, SHAPE[0] - 1)], float
    )
    places = [
        np.array(tangent_plane(*w.all_pix2world(corners, 0).T, setup.ra_deg, setup.dec_deg))
        for w in (wcs, WCS(wcs_header(setup, exact=True)))
    ]
    apart = np.hypot(*(places[0] - places[1]))
    return float(np.max(np.where(np.isfinite(apart), apart, 180)) * 3600 / setup.scale_arcsec)


def poor_wcs(setup, rng) -> WCS:
    """Off by up to 5 % of the width, 3 degrees and 3 % in scale."""
    away, angle = 0.05 * SHAPE[1], rng.uniform(0, 2 * np.pi)
    turn, scale = np.radians(rng.uniform(-3, 3)), rng.uniform(0.97, 1.03)
    wcs = WCS(wcs_header(setup, exact=True))
    wcs.wcs.crpix = wcs.wcs.crpix + away * np.array([np.cos(angle), np.sin(angle)])
    wcs.wcs.cd = (
        scale * wcs.wcs.cd @ [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    )
    return wcs


class Tally:
    def __init__(self, name):
        self.name, self.right, self.wrong, self.refused, self.seconds = name, 0, 0, 0, []

    def add(self, solution, setup, began):
        self.seconds.append(time.perf_counter() - began)
        if solution.wcs is None:
            self.refused += 1
        elif setup is not None and corner_error_px(solution.wcs, setup) <= 3:
            self.right += 1
        else:
            self.wrong += 1
            print(f"  wrong: {self.name}: {solution.message}")

    def show(self):
        print(
            f"{self.name}: {self.right} right, {self.wrong} wrong, {self.refused} refused; "
            f"median {np.median(self.seconds):.2f} s, longest {max(self.seconds):.1f} s",
            flush=True,
        )


def run_lists(trials, rng, poor):
    tally = Tally("poor WCS" if poor else "hints only")
    while len(tally.seconds) < trials:
        setup = draw_setup(rng)
        xy, mag, n_listed = star_list(setup, rng, rng.uniform(0, 0.5))
        if n_listed < FEWEST_LISTED:
            continue
        began = time.perf_counter()
        if poor:
            tally.add(refine(poor_wcs(setup, rng), xy, mag, SHAPE, cone), setup, began)
        else:
            tally.add(solve(xy, mag, SHAPE, cone, draw_hints(setup, rng)), setup, began)
    tally.show()


def run_false(trials, rng):
    """Every solution of the first three kinds is wrong; one of the last must be right or
    refused."""
    kinds = {
        kind: Tally(kind)
        for kind in ("random stars", "other field", "wrong parity", "1 degree off")
    }
    for trial in range(trials):
        kind = list(kinds)[trial % len(kinds)]
        setup = draw_setup(rng, widest_deg=3.0)
        xy, mag, _ = star_list(setup, rng, rng.uniform(0, 0.5))
        ra, dec, mirrored = setup.ra_deg, setup.dec_deg, None
        if kind == "random stars":
            xy = rng.uniform(0, (SHAPE[1] - 1, SHAPE[0] - 1), xy.shape)
        elif kind == "other field":
            ra = (ra + rng.uniform(30, 330)) % 360
        elif kind == "wrong parity":
            mirrored = not setup.mirrored
        else:
            dec += 1 if dec < 0 else -1
        began = time.perf_counter()
        hints = Hints(
            ra_deg=ra, dec_deg=dec, scales_arcsec=(setup.scale_arcsec,), mirrored=mirrored
        )
        kinds[kind].add(solve(xy, mag, SHAPE, cone, hints), setup, began)
    for tally in kinds.values():
        tally.show()


def wrong_wcs(kind, setup, rng) -> WCS:
    """Another parity, another field, or beyond what is put right: by 6 % of the width or more, 4
    degrees, 4 %."""
    wcs = WCS(
        wcs_header(
            replace(setup, mirrored=setup.mirrored ^ (kind == "wrong parity")), exact=True
        )
    )
    if kind == "other field":
        wcs.wcs.crval = [(setup.ra_deg + rng.uniform(30, 330)) % 360, setup.dec_deg]
    elif kind == "too far":
        away, angle = (
            np.exp(rng.uniform(np.log(0.06), np.log(2))) * SHAPE[1],
            rng.uniform(0, 2 * np.pi),
        )
        wcs.wcs.crpix = wcs.wcs.crpix + away * np.array([np.cos(angle), np.sin(angle)])
    elif kind == "turned":
        turn = np.radians(rng.uniform(4, 356))
        wcs.wcs.cd = wcs.wcs.cd @ [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    elif kind == "wrong scale":
        wcs.wcs.cd = wcs.wcs.cd * np.exp(rng.choice([-1, 1]) * rng.uniform(0.04, 0.7))
    return wcs


def run_wrong(trials, rng):
    """Every WCS that is made of these is one too many."""
    kinds = {
        kind: Tally(f"WCS, {kind}")
        for kind in (
            "random stars",
            "wrong parity",
            "other field",
            "too far",
            "turned",
            "wrong scale",
        )
    }
    for trial in range(trials):
        kind = list(kinds)[trial % len(kinds)]
        setup = draw_setup(rng)
        xy, mag, _ = star_list(setup, rng, rng.uniform(0, 0.5))
        if kind == "random stars":
            xy = rng.uniform(0, (SHAPE[1] - 1, SHAPE[0] - 1), xy.shape)
        began = time.perf_counter()
        kinds[kind].add(refine(wrong_wcs(kind, setup, rng), xy, mag, SHAPE, cone), None, began)
    for tally in kinds.values():
        tally.show()


def run_rendered(trials, rng):
    tally = Tally("rendered frames, hints only")
    while len(tally.seconds) < trials:
        setup = draw_setup(
            rng,
            narrowest_deg=0.7,
            widest_deg=4.0,
            seed=int(rng.integers(1000)),
            with_wcs=False,
            nebula_electrons=float(rng.choice([0, 5e3, 2e4])),
            faint_to_mag=14.0,
        )
        scene = make_scene(**vars(setup))
        if scene.truth["in_catalogue"].sum() < FEWEST_LISTED:
            continue
        stars = measure_stars(scene.pixels)
        xy = np.column_stack([stars["x_px"].value, stars["y_px"].value])
        began = time.perf_counter()
        tally.add(
            solve(
                xy,
                instrumental_mag(stars),
                SHAPE,
                lambda *place: cone(*place, epoch_yr=2024.7),
                draw_hints(setup, rng),
            ),
            setup,
            began,
        )
    tally.show()


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "part", nargs="?", choices=("solve", "refine", "false", "wrong", "rendered")
    )
    parser.add_argument("--trials", type=int)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    parts = {
        "solve": (50, lambda n, rng: run_lists(n, rng, False)),
        "refine": (50, lambda n, rng: run_lists(n, rng, True)),
        "false": (500, run_false),
        "wrong": (500, run_wrong),
        "rendered": (8, run_rendered),
    }
    for name, (trials, run) in parts.items():
        if asked.part in (None, name):
            run(asked.trials or trials, np.random.default_rng(asked.seed))


if __name__ == "__main__":
    main()
