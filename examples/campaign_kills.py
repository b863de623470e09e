"""Commands that are killed while they work: what is left is all old or all new, and the next command
leaves no hidden file.

    python examples/campaign_kills.py [--instants N] [--only COMMAND ...] [--seed N]

Each command first writes an old result, then is told to replace it by a new one and stopped: at
random instants (by KILL, TERM, INT and HUP in turn), at every change of a name in the file system,
by another of its kind at the same time, and by a file that may grow no further, as on a full disk.
For Linux and macOS: it sends signals.
"""

import argparse
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from starcal.demo.scene import make_scene
from starcal.frame import read_frame, settle, write_fits

FIELD = {"shape": (300, 420), "scale_arcsec": 5.0, "faint_to_mag": 13.0}
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
# What is typed for the old result, and besides for the new one.
COMMANDS = {
    "run": ("run broad.fits --out done/run", "--neutral-bv 0.4"),
    "calibrate": ("calibrate broad.fits -o done/picture.fits", "--neutral-bv 0.4"),
    "split": ("split sho.fits -o done/layer", "--snr 60"),
    "recolour": ("recolour sho.fits -o done/picture.fits", "--route palette"),
    "join": (
        "join layer-starless.fits layer-stars.fits --moved none -o done/picture.fits",
        "--brightest 5",
    ),
    "compose": (
        "compose --red r.fits --green g.fits --blue b.fits -o done/picture.fits",
        "--match background",
    ),
}
TAKEN = re.compile(rb"made in</t[hd]>\s*<td>\d+ s")
RENAMED = """
import os, sys
left = [int(sys.argv.pop(1))]
def or_die(call):
    def dying(*arguments, **keywords):
        left[0] -= 1
        if left[0] == 0:
            os._exit(9)
        return call(*arguments, **keywords)
    return dying
for name in ("replace", "rename", "unlink", "mkdir", "rmdir"):
    setattr(os, name, or_die(getattr(os, name)))
from starcal.cli.main import main
sys.exit(main())
"""


def prepared(folder: Path) -> None:
    """The frames that the commands are given."""
    broad = make_scene(**FIELD, channel_gains=(0.5, 1.0, 0.7))
    write_fits(folder / "broad.fits", broad.pixels, broad.header)
    for name, plane in zip("rgb", read_frame(folder / "broad.fits").pixels, strict=True):
        write_fits(folder / f"{name}.fits", plane, broad.header)
    narrow = make_scene(**FIELD, system="SHO", v_zero_electrons=2e11)
    write_fits(folder / "sho.fits", narrow.pixels, narrow.header)
    finished(folder, ["split", "sho.fits", "-o", "layer"])


def command(words: list[str], code: str = "", number: int = 0) -> list[str]:
    """The process of a command; with code, one that dies at that change of a name."""
    start = ["-c", code, str(number)] if code else ["-m", "starcal"]
    return [sys.executable, *start, *words, "--quiet"]


def finished(folder: Path, words: list[str]) -> None:
    subprocess.run(command(words), cwd=folder, check=True)


def contents(folder: Path) -> dict[str, bytes]:
    """All files, hidden ones too; but for the seconds that a report says its run took."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): TAKEN.sub(b"", path.read_bytes()) for path in files}


class Case:
    """A command, its old and its new result."""

    def __init__(self, folder: Path, name: str):
        old, more = COMMANDS[name]
        self.folder, self.done = folder, folder / "done"
        self.words = [*old.split(), *more.split(), "--overwrite"]
        self.fresh()
        finished(folder, old.split())
        shutil.copytree(self.done, folder / "old")
        self.old = contents(self.done)
        start = time.monotonic()
        finished(folder, self.words)
        self.takes_s = time.monotonic() - start
        self.new = contents(self.done)
        if self.new == self.old:
            raise SystemExit(f"{name}: the new result is the old one, and would prove nothing")
        self.ended = Counter()

    def fresh(self) -> None:
        """The old result, as it was."""
        shutil.rmtree(self.done, ignore_errors=True)
        if (self.folder / "old").exists():
            shutil.copytree(self.folder / "old", self.done)
        else:
            self.done.mkdir()

    def judge(self, way: str) -> None:
        """What a user finds after the next command has looked into the folders."""
        for each in (self.folder, self.done, *(p for p in self.done.iterdir() if p.is_dir())):
            settle(each)
        left = contents(self.done)
        hidden = any(Path(name).name.startswith(".") for name in contents(self.folder))
        fate = {True: "old"}.get(left == self.old) or ("new" if left == self.new else "MIXED")
        self.ended[way, f"{fate}, HIDDEN" if hidden else fate] += 1

    def killed(self, rng: random.Random, number: int) -> None:
        self.fresh()
        process = subprocess.Popen(
            command(self.words), cwd=self.folder, stderr=subprocess.DEVNULL
        )
        time.sleep(rng.uniform(0, self.takes_s))
        process.send_signal(SIGNALS[number % len(SIGNALS)])
        process.wait()
        self.judge("signals")

    def dies_at_names(self) -> None:
        for number in range(1, 200):
            self.fresh()
            words = command(self.words, RENAMED, number)
            done = subprocess.run(words, cwd=self.folder, check=False)
            self.judge("names")
            if done.returncode != 9:
                return

    def two_at_once(self) -> None:
        self.fresh()
        both = [
            subprocess.Popen(command(self.words), cwd=self.folder, stderr=subprocess.DEVNULL)
            for _ in range(2)
        ]
        for process in both:
            process.wait()
        self.judge("two at once")

    def on_a_full_disk(self, blocks: int) -> None:
        self.fresh()
        limited = f'ulimit -f {blocks}; trap "" XFSZ; exec "$@"'
        words = ["sh", "-c", limited, "sh", *command(self.words)]
        subprocess.run(words, cwd=self.folder, check=False, stderr=subprocess.DEVNULL)
        self.judge("full disk")


def campaign(name: str, instants: int, seed: int) -> Counter:
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        prepared(Path(folder))
        case = Case(Path(folder), name)
        for number in range(instants):
            case.killed(rng, number)
        case.dies_at_names()
        case.two_at_once()
        for blocks in (1, 40, 200, 1000):
            case.on_a_full_disk(blocks)
    return case.ended


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--instants", type=int, default=30)
    parser.add_argument("--only", nargs="+", choices=COMMANDS, default=list(COMMANDS))
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(f"{'command':12}{'stopped by':14}{'times':>6}  what was left")
    for name in options.only:
        ended = campaign(name, options.instants, options.seed)
        for way in dict.fromkeys(way for way, _ in ended):
            fates = {fate: n for (each, fate), n in ended.items() if each == way}
            told = ", ".join(f"{n} {fate}" for fate, n in sorted(fates.items()))
            print(f"{name:12}{way:14}{sum(fates.values()):6}  {told}", flush=True)


if __name__ == "__main__":
    main()
