"""Rebuilt cores of a split's clipped stars, kept beside the star layer: that itself adds up to the
frame with the starless one, and a white disc with a coloured ring would be laid over the nebula."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from ..choices import Choices
from ..cure.wishes import told_cores
from ..frame import Frame, read_fits_table, read_frame
from ..layers import Split, rebuilt_cores
from .belonging import NAME_CARD, is_whole

CORES = "CORES"  # name of the table in the layer's file


def cores_of(parts: Split, pixels: NDArray, stars: Table) -> Table:
    """Pixels of a star layer where rebuilding a clipped core changes it.

    Parameters
    ----------
    parts : Split
    pixels : ndarray, (3, y, x)
        The frame that was split.
    stars : Table
        Its stars.

    Returns
    -------
    Table
        Rows ``y``, ``x`` and the three channels' ``light``; ``rebuilt`` in its meta is how many
        stars' cores these are.
    """
    whole, rebuilt = rebuilt_cores(parts, pixels, stars)
    y, x = np.nonzero((whole.stars != parts.stars).any(axis=0))
    columns = {"y": np.int32(y), "x": np.int32(x), "light": whole.stars[:, y, x].T}
    return Table(columns, meta={"rebuilt": int(rebuilt.sum())})


def read_star_layer(
    path: Path, choices: Choices, wcs: str | Path | None = None
) -> tuple[Frame, tuple[str, ...]]:
    """A star layer, with the clipped cores of a split rebuilt unless they are to be kept.

    Parameters
    ----------
    path : Path
    choices : Choices
        ``clipped_cores``.
    wcs : str or Path, optional
        A header that says where it points.

    Returns
    -------
    layer : Frame
    notes : tuple of str
        What was done to it.
    """
    layer = read_frame(path, wcs=wcs)
    known = NAME_CARD in layer.header and is_whole(layer)
    kept = choices.clipped_cores == "keep" or not known
    cores = None if kept else read_fits_table(path, CORES)
    if cores is None or not len(cores):
        return layer, ()
    told = told_cores(np.ones(cores.meta["REBUILT"], bool))
    return replace(layer, pixels=_with_cores(layer, cores)), (told,)


def _with_cores(layer: Frame, cores: Table) -> NDArray[np.float32]:
    """A layer's pixels with those of `cores_of` in their places."""
    pixels = layer.pixels.copy()
    light = np.asarray(cores["light"]).T / np.float32(layer.full_scale)
    pixels[:, np.asarray(cores["y"]), np.asarray(cores["x"])] = light
    return pixels
