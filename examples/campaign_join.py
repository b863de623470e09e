"""Crop, turn, mirror, scale and restyle starless pictures as an editor does; is the way back found?

    python examples/campaign_join.py FOLDER [--edits 8] [--seed 1] [--bent]

FOLDER holds stretched pictures (PNG, TIFF, JPEG). Their stars are filtered out first. One line an
edit, and a summary: how many ways were found, how far off they are, which were wrong. With --bent
each is sheared, squeezed, tilted, bent by a lens, rolled or pushed by a brush besides; how many that
are off by more than stars may be are refused?
"""

import argparse
import time
from pathlib import Path

import cv2
import numpy as np

from starcal.errors import GeometryError
from starcal.finish import carried, find_moved
from starcal.frame import read_frame

WRONG_PX = 2.0
MOST_OFF_PX = 0.3
BENDS = ("squeeze", "shear", "lens", "tilt", "roll", "brush")


def starless_of(pixels, seed):
    """The picture less what is smaller than some 9 pixels, its own grain put back."""
    rng = np.random.default_rng(seed)
    planes = []
    for plane in np.nan_to_num(pixels):
        eight = np.clip(255 * plane, 0, 255).astype(np.uint8)
        opened = cv2.morphologyEx(eight, cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))
        smooth = cv2.GaussianBlur(
            cv2.medianBlur(opened, 9).astype(np.float32) / 255, (0, 0), 1.2
        )
        planes.append(smooth + rng.normal(0, 0.006, plane.shape).astype(np.float32))
    return np.clip(planes, 0, 1).astype(np.float32)


def similarity(rng, shape):
    """A similarity as editors make them, and the size of what comes out."""
    height, width = shape
    kind = rng.choice(["none", "crop", "quarter", "any angle", "scale", "all"])
    angle = {"quarter": 90.0 * rng.integers(1, 4), "any angle": rng.uniform(-180, 180)}
    turn = np.radians(angle.get(kind, rng.uniform(-180, 180) if kind == "all" else 0.0))
    scale = rng.uniform(0.45, 1.4) if kind in ("scale", "all") else 1.0
    share = rng.uniform(0.45, 0.95) if kind in ("crop", "all") else 1.0
    mirror = -1.0 if rng.random() < 0.25 and kind != "none" else 1.0
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    linear = linear @ np.diag([mirror, 1.0])
    size = np.abs(np.array([width, height]) * share * scale).astype(int)
    if kind == "quarter" and round(np.degrees(turn)) % 180:
        size = size[::-1]
    room = (1 - share) / 2
    middle = np.array([width - 1, height - 1]) / 2 + rng.uniform(-room, room, 2) * (
        width,
        height,
    )
    if kind == "none":
        return kind, np.eye(2, 3), (width, height)
    return kind, np.column_stack([linear, (size - 1) / 2 - linear @ middle]), tuple(size)


def levelled(picture):
    """Black and white set as an editor does: hardly a pixel is cut off at either end."""
    low, high = np.quantile(picture, (0.001, 0.999))
    return np.clip((picture - low) / max(high - low, 1e-6), 0, None)


def with_contrast(picture, power):
    """An S-shaped curve about the picture's middle."""
    middle = np.clip(np.median(picture), 0.02, 0.98)
    dark = middle * (np.minimum(picture, middle) / middle) ** power
    bright = ((1 - np.maximum(picture, middle)) / (1 - middle)) ** power
    return np.where(picture < middle, dark, 1 - (1 - middle) * bright)


def restyled(rng, pixels):
    """Tones, colours, sharpness and noise changed."""
    picture = np.clip(pixels, 0, 1) ** rng.uniform(0.5, 1.6)
    mix = np.eye(3) + rng.normal(0, 0.25, (3, 3))
    picture = levelled(np.einsum("ij,jyx->iyx", mix, picture))
    lift = rng.uniform(-0.5, 1.0)
    wide = np.array(
        [cv2.GaussianBlur(plane, (0, 0), 12) for plane in picture.astype(np.float32)]
    )
    picture = picture + lift * (picture - wide)
    fine = rng.uniform(0.0, 1.2)
    soft = np.array(
        [cv2.GaussianBlur(plane, (0, 0), 1.5) for plane in picture.astype(np.float32)]
    )
    picture = soft if rng.random() < 0.3 else picture + fine * (picture - soft)
    picture = with_contrast(np.clip(picture, 0, 1), rng.uniform(1, 1.7))
    noisy = picture + rng.normal(0, rng.uniform(0, 0.02), picture.shape)
    return np.clip(noisy, 0, 1).astype(np.float32)


def bend(rng, kind, shape):
    """How far the places of a frame are moved besides, x and y, in pixels."""
    height, width = shape
    y, x = np.mgrid[:height, :width].astype(np.float32)
    u, v = x - (width - 1) / 2, y - (height - 1) / 2
    amount = rng.choice([0.003, 0.004, 0.006, 0.01, 0.02]) * rng.choice([-1, 1])
    if kind == "squeeze":
        return amount * u, 0 * v
    if kind == "shear":
        return amount * v, 0 * v
    if kind in ("lens", "tilt"):
        share = (u**2 + v**2) / (width**2 + height**2) * 4 if kind == "lens" else 2 * u / width
        return amount * share * u, amount * share * v
    if kind == "roll":
        wave = np.sin(2 * np.pi * v / (rng.uniform(0.5, 1.5) * height) + rng.uniform(0, 6))
        return 0.3 * amount * height * wave, 0 * v
    reach = rng.uniform(0.12, 0.3) * min(shape)
    middle = rng.uniform(-0.3, 0.3, 2) * (width, height)
    push = np.exp(-((u - middle[0]) ** 2 + (v - middle[1]) ** 2) / (2 * reach**2))
    turn = rng.uniform(0, 2 * np.pi)
    return tuple(0.5 * amount * min(shape) * push * way for way in (np.cos(turn), np.sin(turn)))


def left_px(moves, matrix, size):
    """95 % of a picture's places are nearer than that to where the best similarity takes them.

    ``matrix`` takes the frame to the picture, of so many columns and rows; what was cut off, bent
    or not, does not count.
    """
    y, x = np.mgrid[: moves[0].shape[0], : moves[0].shape[1]][:, ::9, ::9].reshape(2, -1)
    ends = np.column_stack(carried(matrix, x, y))
    kept = ((ends >= 0) & (ends < size)).all(axis=1)
    place = (x + 1j * y)[kept]
    moved = place + (moves[0] + 1j * moves[1])[y[kept], x[kept]]
    design = np.stack([place, np.ones_like(place)], axis=1)
    left = moved - design @ np.linalg.lstsq(design, moved, rcond=None)[0]
    scale = np.sqrt(abs(np.linalg.det(matrix[:, :2])))
    return float(scale * np.quantile(np.abs(left), 0.95))


def bent(rng, starless):
    """A starless picture moved as no similarity does, its kind, and how far it was moved."""
    kind = rng.choice(BENDS)
    moves = bend(rng, kind, starless.shape[1:])
    y, x = np.mgrid[: starless.shape[1], : starless.shape[2]].astype(np.float32)
    places = np.float32(x + moves[0]), np.float32(y + moves[1])
    planes = [
        cv2.remap(p, *places, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT) for p in starless
    ]
    return kind, np.array(planes), moves


def edited(rng, starless):
    kind, matrix, size = similarity(rng, starless.shape[1:])
    width, height = (int(side) for side in size)
    shrink = np.sqrt(abs(np.linalg.det(matrix[:, :2])))
    blur = 0.4 / shrink if shrink < 1 else 0
    planes = [cv2.GaussianBlur(p, (0, 0), blur) if blur else p for p in starless]
    moved = [cv2.warpAffine(p, matrix, (width, height), flags=cv2.INTER_CUBIC) for p in planes]
    return kind, matrix, restyled(rng, np.array(moved))


def off_px(found, matrix, shape):
    """Root mean square over the picture of how far the found way ends from the true one."""
    inverse = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]
    y, x = np.mgrid[0 : shape[0] : 9j, 0 : shape[1] : 9j]
    before = carried(inverse, x.ravel(), y.ravel())
    again = carried(found.matrix, *before)
    return float(np.sqrt(np.mean((again[0] - x.ravel()) ** 2 + (again[1] - y.ravel()) ** 2)))


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("folder", type=Path)
    options.add_argument("--edits", type=int, default=8, help="of each picture")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--bent", action="store_true", help="bend each besides")
    chosen = options.parse_args()
    rows = []
    for path in sorted(
        p for p in chosen.folder.iterdir() if p.suffix in (".png", ".tif", ".jpg")
    ):
        starless = starless_of(read_frame(path).pixels, len(rows))
        for number in range(chosen.edits):
            rng = np.random.default_rng([chosen.seed, number, len(rows)])
            before, moves, bend_kind = starless, None, ""
            if chosen.bent:
                bend_kind, before, moves = bent(rng, starless)
            kind, matrix, nebula = edited(rng, before)
            left = left_px(moves, matrix, nebula.shape[:0:-1]) if chosen.bent else 0.0
            start = time.perf_counter()
            try:
                found = find_moved(starless, nebula)
                off, told = (
                    off_px(found, matrix, nebula.shape[1:]),
                    f"+- {found.error_px:.2f} px",
                )
                told += f", {found.agreeing} of {found.tried}"
                told += f", {found.correlation:.2f} against {found.elsewhere:.2f}"
            except GeometryError as error:
                off, told = np.nan, str(error)[:90]
            seconds = time.perf_counter() - start
            rows.append((off, seconds, left))
            done = f"{kind} {bend_kind}"
            print(f"{path.stem:16}{done:18}{off:8.2f} px {seconds:5.1f} s  {told}", flush=True)
    off, seconds, left = np.array(rows).T
    if chosen.bent:
        apart, refused = left > MOST_OFF_PX, np.isnan(off)
        print(
            f"\n{len(off)} bent copies: {apart.sum()} off by more than {MOST_OFF_PX} px, of these "
            f"{np.sum(apart & refused)} refused; others laid as if they were not bent by "
            f"{np.max(left[~refused], initial=0):.2f} px at most"
        )
        return
    print(
        f"\n{len(off)} edits: {np.mean(off < 0.3):.0%} within 0.3 px, {np.mean(off < 0.7):.0%} "
        f"within 0.7, {np.isnan(off).sum()} not found, {np.sum(off > WRONG_PX)} wrong; "
        f"median {np.median(seconds):.1f} s"
    )


if __name__ == "__main__":
    main()
