"""From three mono frames to a picture whose nebula was worked on elsewhere, its stars put back last.

    python examples/finished_nebula.py FOLDER

1. Three narrowband frames of a made-up nebula go through `starcal run`, which leaves
   ``starless.fits`` and ``stars.fits``.
2. The starless frame is edited as in a picture editor: stretched, curved, local contrast lifted,
   smoothed, turned by 6 degrees, cropped, made smaller, saved as 16-bit TIFF.
3. `starcal join` finds what was done to it and lays the stars over it, once as they are and once
   smaller, in the TIFF's own depth.
"""

import sys
from pathlib import Path

import numpy as np
import tifffile
from astropy.io import fits
from scipy import ndimage
from three_monos import make_monos

from starcal.cli.main import main

TURN_DEG, SCALE = 6.0, 0.9
SIZE = (330, 480)  # rows and columns that are kept


def stretched(linear):
    """An arcsinh stretch channel by channel, black a little below the sky."""
    planes = []
    for plane in np.nan_to_num(linear):
        sky = np.quantile(plane, 0.05)
        depth = np.quantile(plane, 0.998) - sky
        light = np.clip((plane - sky) / depth + 0.02, 0, None)
        planes.append(0.75 * np.arcsinh(6 * light) / np.arcsinh(6.1))
    return np.clip(planes, 0, 1)


def polished(picture):
    """A curve, more local contrast, less noise, a touch of another palette."""
    picture = np.clip(picture, 0, 1) ** 1.3
    wide = np.array([ndimage.gaussian_filter(plane, 15) for plane in picture])
    picture = np.clip(picture + 0.35 * (picture - wide), 0, 1)
    picture = np.array([ndimage.gaussian_filter(plane, 0.7) for plane in picture])
    red, green, blue = picture
    return np.array([red, 0.8 * green + 0.2 * blue, 0.85 * blue + 0.15 * green])


def turned_and_cropped(picture):
    """Turned about the middle, made smaller, cut to SIZE."""
    turn = np.radians(TURN_DEG)
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) / SCALE
    middle = (np.array(picture.shape[1:]) - 1) / 2
    offset = middle - back @ ((np.array(SIZE) - 1) / 2)
    planes = [ndimage.gaussian_filter(plane, 0.3) for plane in picture]
    return np.array([ndimage.affine_transform(p, back, offset, SIZE, order=3) for p in planes])


def edit(starless: Path, finished: Path) -> None:
    """What hours in a picture editor come to."""
    picture = turned_and_cropped(polished(stretched(fits.getdata(starless))))
    numbers = np.rint(65535 * np.clip(picture, 0, 1)).astype(np.uint16)
    tifffile.imwrite(finished, numbers[:, ::-1].transpose(1, 2, 0), photometric="rgb")


def do(*words) -> None:
    """Type a command."""
    print("$ starcal", *words)
    if main([str(word) for word in words]):
        sys.exit(1)


if __name__ == "__main__":
    target = Path(sys.argv[1] if len(sys.argv) > 1 else "finished")
    target.mkdir(exist_ok=True)
    monos = make_monos(target)
    run, finished = target / "run", target / "nebula.tif"
    channels = ("--red", monos["sii"], "--green", monos["ha"], "--blue", monos["oiii"])
    do("run", "-q", *channels, "--out", run, "--overwrite")
    edit(run / "starless.fits", finished)
    stars = run / "stars.fits"
    do("join", finished, stars, "-o", target / "picture.tif", "--overwrite")
    smaller = ("--star-size", 0.7, "--star-strength", 0.6)
    do("join", finished, stars, "-o", target / "fewer.tif", *smaller, "--overwrite")
    do("join", finished, stars, "-o", target / "picture.jpg", "--overwrite")
    print(f"look at {target / 'picture.tif'}")
