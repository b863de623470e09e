"""The pictures of the gallery, drawn anew from the demo frames.

python examples/gallery.py [FOLDER [WORK]]

Writes its pictures into the folder (by default this one): before and after of whole runs, 1200
pixels wide, and those of `split_pictures.py`. The demo frames and the runs go to WORK (by default
`gallery-work` here); what is done there already is not done again. Some two minutes.
"""

import sys
from pathlib import Path

from PIL import Image
from split_pictures import SUBJECTS, picture, views

import starcal

WIDTH_PX = 1200
# Picture: frame of the demo, and the star frame of it that is used
RUNS = {
    "before-after": ("cygnus-camera", None),
    "narrowband": ("cepheus-sho", None),
    "star-frame": ("cepheus-sho", "cepheus-stars"),
    "no-wcs": ("orion-unsolved", None),
}


def main(folder: Path, work: Path) -> None:
    """Draw all of them."""
    if not work.exists():
        starcal.write_demo(work)
    for name, (frame, star_frame) in RUNS.items():
        pair = pair_of_run(work, name, frame, star_frame)
        height = round(pair.height * WIDTH_PX / pair.width)
        drawn = pair.convert("RGB").resize((WIDTH_PX, height), Image.Resampling.LANCZOS)
        drawn.save(folder / f"{name}.png", optimize=True)
        print(folder / f"{name}.png")
    for subject in SUBJECTS:
        (folder / f"split-{subject}.png").write_bytes(picture(views(subject)))
        print(folder / f"split-{subject}.png")


def pair_of_run(work: Path, name: str, frame: str, star_frame: str | None) -> Image.Image:
    """Before and after of a run, side by side."""
    out = work / f"{name}-run"
    if not (out / "before-after.png").exists():
        separate = None if star_frame is None else work / f"{star_frame}.fits"
        done = starcal.run(work / f"{frame}.fits", out, star_frame=separate)
        print(done.outcome)
    return Image.open(out / "before-after.png")


if __name__ == "__main__":
    here = Path(__file__).parent
    given = [Path(word) for word in sys.argv[1:]]
    main(given[0] if given else here, given[1] if len(given) > 1 else here / "gallery-work")
