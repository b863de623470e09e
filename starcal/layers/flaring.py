"""Spikes and reflections of a frame: found, measured, and listed as light of their stars."""

import numpy as np
from numpy.typing import NDArray

from ..cores import in_threads
from .discs import Disc, disc_light, find_disc
from .flares import Flares
from .halos import Halo, halo_of, halos_of
from .light import Channel, StarModel
from .spikes import Arms, arm_light, find_arms

TURNS = 2  # arms and discs in turn, each from what the other leaves
MOST_FLARING = 400  # stars that the law is applied to
SHOWING = 0.7  # noises: a star whose flares nowhere reach this has none
FAINTEST_FLARE = 0.1  # noises: where a flare ends
MARGIN_FWHM = 7.0  # beyond that, to see the sky


def flares_of(
    channels: list[Channel], model: StarModel, faint_share: float, sweeps: int
) -> Flares | None:
    """Spikes and discs of all bright stars; None if the frame shows none.

    Parameters
    ----------
    channels : list of Channel
    model : StarModel
        Without flares.
    faint_share : float
        Entries near a bright star with less than this share of its light may be pieces of its
        flares.
    sweeps : int
        How often to measure again each star without the flares of the others.
    """
    fwhm_px = float(np.median([c.fwhm_px for c in channels]))
    bright = halos_of(channels, model, faint_share)
    arms, disc = _laws(bright, fwhm_px)
    if arms is None and disc is None:
        return None
    stars = _flaring(channels, model, arms, disc)
    if not len(stars):  # laws without a star whose light would show by them
        return None
    noise = np.array([c.noise for c in channels])

    def cut_out(star: int) -> Halo:
        half_px = _reach(model.flux[:, star] / noise, arms, disc) + int(MARGIN_FWHM * fwhm_px)
        return halo_of(channels, model, star, faint_share, half_px)

    halos = list(in_threads(cut_out, stars))
    pieces = _pieces(halos, arms, disc, fwhm_px)
    shape = channels[0].plane.shape
    for _ in range(sweeps):
        total = _drawn(pieces, halos, shape)
        bare = [_less_others(*one, total) for one in zip(halos, pieces, strict=True)]
        told = _laws(bare[: len(bright)], fwhm_px)
        arms, disc = told if told != (None, None) else (arms, disc)
        pieces = _pieces(bare, arms, disc, fwhm_px)
    return _listed_flares(halos, pieces, arms, disc)


def _reach(
    snr: NDArray,
    arms: Arms | None,
    disc: Disc | None,
) -> int:
    """How far the flares of a star of this light, in noises, can be seen, px."""
    far = [law.reach_px(snr, FAINTEST_FLARE) for law in (arms, disc) if law is not None]
    return int(np.ceil(max(far)))


def _drawn(pieces, halos: list[Halo], shape: tuple[int, int]) -> NDArray[np.float32]:
    """Light of the flares of all stars, (3, y, x)."""
    total = np.zeros((len(pieces[0][0]), *shape), np.float32)
    for (light, _), halo in zip(pieces, halos, strict=True):
        total[:, *halo.window] += light
    return total


def _less_others(
    halo: Halo,
    piece,
    total: NDArray,
) -> Halo:
    """A halo less the flares of all other stars."""
    return halo.less(total[:, *halo.window] - piece[0])


def _flaring(
    channels,
    model,
    arms,
    disc,
) -> NDArray:
    """Stars whose flares show by the law, the brightest first."""
    peak = np.zeros(len(channels))
    for law in (arms, disc):
        if law is not None:
            peak = np.maximum(peak, law.peak())
    noise = np.array([c.noise for c in channels])
    shown = (model.flux * (peak / noise)[:, None]).max(axis=0)
    order = np.argsort(shown)[::-1][:MOST_FLARING]
    return order[shown[order] > SHOWING]


def _laws(halos: list[Halo], fwhm_px: float) -> tuple[Arms | None, Disc | None]:
    """What arms and discs are like, each from what the other leaves."""
    arms = find_arms(halos, fwhm_px)
    disc = None
    for _ in range(TURNS):
        bare = [h.less(arm_light(h, arms, fwhm_px)[0]) for h in halos] if arms else halos
        disc = find_disc(bare, fwhm_px)
        if disc is None or arms is None:
            break
        arms = find_arms([h.less(disc_light(h, disc)[0]) for h in halos], fwhm_px)
    return arms, disc


def _pieces(halos: list[Halo], arms: Arms | None, disc: Disc | None, fwhm_px: float) -> list:
    """Light and variance of the flares of each star."""
    return list(in_threads(lambda halo: _piece(halo, arms, disc, fwhm_px), halos))


def _piece(
    halo: Halo,
    arms: Arms | None,
    disc: Disc | None,
    fwhm_px: float,
):
    """Light and variance of one star's flares on its cut, (3, h, w) each."""
    light = np.zeros(halo.left_over.shape, np.float32)
    doubt = np.zeros_like(light)
    if disc is not None:
        light, doubt = disc_light(halo, disc)
    if arms is not None:
        more, wrong = arm_light(halo.less(light), arms, fwhm_px)
        light, doubt = light + more, doubt + wrong
    return light, doubt


def _listed_flares(halos: list[Halo], pieces, arms: Arms | None, disc: Disc | None) -> Flares:
    """The flares of all stars in one list."""
    star, row, column, light, doubt = [], [], [], [], []
    for halo, (own, wrong) in zip(halos, pieces, strict=True):
        shown = np.max(own / halo.noise[:, None, None], axis=0) > FAINTEST_FLARE
        down, across = np.nonzero(shown)
        star.append(np.full(len(down), halo.star))
        row.append(down + halo.top)
        column.append(across + halo.left)
        light.append(own[:, shown])
        doubt.append(wrong[:, shown])
    return Flares(
        star=np.concatenate(star),
        row=np.concatenate(row),
        column=np.concatenate(column),
        light=np.concatenate(light, axis=1).astype(np.float32),
        doubt=np.concatenate(doubt, axis=1).astype(np.float32),
        arms_deg=tuple(float(a) for a in np.degrees(arms.turns)) if arms is not None else (),
        disc_px=disc.radius_px if disc is not None else 0.0,
    )
