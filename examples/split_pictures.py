"""A corner, a spiked star and a reflection before and after the split, from made frames.

python examples/split_pictures.py [FOLDER]

Writes split-corner.png, split-spikes.png and split-disc.png into the folder (by default this one),
each at 200 %: the frame, its starless frame, and its stars recoloured in a common yellow-white.
"""

import sys
from pathlib import Path

import numpy as np

from starcal import layers
from starcal.colour.palette import star_colours
from starcal.demo.optics import make_optics
from starcal.draw.preview import encoded, to_image
from starcal.draw.tone import choose_stretch
from starcal.stars import measure_stars

HALF_PX = 75
SHAPE = (420, 560)
YELLOW_WHITE_BV, NEUTRAL_BV = 0.75, 0.65
GAP_PX = 4
ZOOM = 2
SUBJECTS = {
    "corner": {"growth": 0.4, "axis_ratio": 0.72, "count": 500},
    "spikes": {"spikes": "nasty", "count": 220},
    "disc": {"discs": "nasty", "count": 220, "nebula_electrons": 8e3},
}


def place_of(subject, frame):
    """Middle of the piece that is shown: the far corner, or the brightest star that is whole."""
    if subject == "corner":
        return SHAPE[1] - HALF_PX - 1, SHAPE[0] - HALF_PX - 1
    x, y = np.rint(frame.x_px).astype(int), np.rint(frame.y_px).astype(int)
    whole = (x > HALF_PX) & (x < SHAPE[1] - HALF_PX) & (y > HALF_PX) & (y < SHAPE[0] - HALF_PX)
    brightest = np.argmax(np.where(whole, frame.flux[1], 0))
    return x[brightest], y[brightest]


def views(subject, seed=5):
    """Frame, starless frame and recoloured frame of a subject, stretched alike, (3, y, x) each."""
    frame = make_optics(seed, shape=SHAPE, bright=10, **SUBJECTS[subject])
    stars = measure_stars(frame.pixels)
    split = layers.split(frame.pixels, stars)
    bv_mag = np.full(len(stars), YELLOW_WHITE_BV)
    layer = layers.recolour(split, star_colours(bv_mag, NEUTRAL_BV, 1.0, 1.0))
    x, y = place_of(subject, frame)
    piece = np.s_[:, y - HALF_PX : y + HALF_PX + 1, x - HALF_PX : x + HALF_PX + 1]
    stretch = choose_stretch(frame.pixels)
    return [
        stretch.apply(pixels)[piece]
        for pixels in (frame.pixels, split.starless, split.starless + layer)
    ]


def picture(pieces):
    """The pieces beside each other, as PNG."""
    gap = np.ones((3, pieces[0].shape[1], GAP_PX), np.float32)
    parts = [part for piece in pieces for part in (piece, gap)]
    side_by_side = np.concatenate(parts[:-1], axis=2)
    larger = side_by_side.repeat(ZOOM, axis=1).repeat(ZOOM, axis=2)
    return encoded(to_image(larger), "PNG")


def main(folder):
    """Write the pictures and say what each took."""
    for subject in SUBJECTS:
        path = folder / f"split-{subject}.png"
        path.write_bytes(picture(views(subject)))
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parent))
