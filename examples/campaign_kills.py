"""Commands that are killed while they work: what is left is all old or all new, and the next command
leaves no hidden file.

    python examples/campaign_kills.py [--instants N] [--only COMMAND ...] [--seed N]

Each command first writes an old result, then is told to replace it by a new one and stopped: at
random instants (by KILL, TERM, INT and HUP in turn), at every change of a name in the file system,
by another of its kind at the same time, and by a file that may grow no further, as on a full disk.
For Linux and macOS: it sends signals.
"""

import argparse
import contextlib
import itertools
import multiprocessing
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import fake_services

from starcal.catalogue import deep_build
from starcal.cli.main import main as starcal_main
from starcal.demo.scene import make_scene
from starcal.frame import read_frame, settle, write_fits

FIELD = {"shape": (300, 420), "scale_arcsec": 5.0, "faint_to_mag": 13.0}
DIED = 9
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
    "fetch": ("catalogue fetch --ra 0 --dec 90 --limit 13", "--ra 180 --dec -90"),
    "build": ("catalogue build --limit 12 --out done/deep.stars", "--limit 13"),
}
# What differs between two results of one command: the time, and a checksum over the time
TIMES = re.compile(
    rb"made in</t[hd]>\s*<td>\d+ s|T\d\d:\d\d:\d\d\+00:00|sha256: '?[0-9a-f]{64}"
)
# Processes begin with what is slow to load.
CONTEXT = multiprocessing.get_context("forkserver")
LOADED = [
    "fake_services",
    "starcal.cli.commands",
    "starcal.cli.catalogue_commands",
    "starcal.many",
]
NAMING = ("replace", "rename", "unlink", "mkdir", "rmdir")


def prepared(folder: Path) -> None:
    """The frames that the commands are given."""
    broad = make_scene(**FIELD, channel_gains=(0.5, 1.0, 0.7))
    write_fits(folder / "broad.fits", broad.pixels, broad.header)
    for name, plane in zip("rgb", read_frame(folder / "broad.fits").pixels, strict=True):
        write_fits(folder / f"{name}.fits", plane, broad.header)
    narrow = make_scene(**FIELD, system="SHO", v_zero_electrons=2e11)
    write_fits(folder / "sho.fits", narrow.pixels, narrow.header)
    finished(folder, ["split", "sho.fits", "-o", "layer"])


@contextlib.contextmanager
def star_services(folder: Path, cache: str) -> Iterator[None]:
    """A made sky at a service on the loopback; what is fetched of it is kept in that folder."""
    _, gaia, gspc = fake_services.whole_sky(2500)
    with fake_services.running() as fake:
        fake.tables |= {
            "gaiadr3.gaia_source": gaia,
            "gaiadr3.synthetic_photometry_gspc": gspc,
        }
        os.environ["STARCAL_GAIA_URL"] = f"{fake.address}/tap"
        os.environ["STARCAL_CACHE"] = str(folder / cache)
        yield


def started(folder: Path, words: list[str], **dying) -> multiprocessing.Process:
    """A process that does a command."""
    told = {name: os.environ[name] for name in ("STARCAL_GAIA_URL", "STARCAL_CACHE")}
    process = CONTEXT.Process(target=obey, args=(folder, words, told), kwargs=dying)
    process.start()
    return process


def obey(
    folder: Path, words: list[str], told: dict[str, str], *, name: int = 0, most_bytes: int = 0
) -> None:
    """Do a command; die at that change of a name, write no file longer than that."""
    os.environ.update(told)
    os.chdir(folder)
    signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in a shell's background
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    if most_bytes:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    if name:
        die_at_name(name)
    deep_build.FIRST_ORDER = 0  # the whole sky in twelve questions,
    deep_build.PAUSE_S = 0.0  # one after the other at once
    sys.exit(starcal_main([*words, "--quiet"]))


def die_at_name(number: int) -> None:
    """Let this process end without a word at a change of a name in the file system."""
    changes = itertools.count(1)

    def or_die(call):
        def dying(*arguments, **keywords):
            if next(changes) == number:
                os._exit(DIED)
            return call(*arguments, **keywords)

        return dying

    for each in NAMING:
        setattr(os, each, or_die(getattr(os, each)))


def ended(process: multiprocessing.Process) -> int:
    """How it ended."""
    process.join()
    return process.exitcode


def finished(folder: Path, words: list[str]) -> None:
    if ended(started(folder, words)):
        raise SystemExit(f"starcal {' '.join(words)}: could not")


def contents(folder: Path) -> dict[str, bytes]:
    """All files, hidden ones too; but for the time when they were made."""
    files = (
        path
        for path in folder.rglob("*")
        if path.is_file() and path.parent.suffix != ".parts"  # kept to go on with
    )
    return {str(path.relative_to(folder)): TIMES.sub(b"", path.read_bytes()) for path in files}


class Case:
    """A command, its old and its new result."""

    def __init__(self, folder: Path, name: str):
        old, more = COMMANDS[name]
        self.folder, self.done = folder, folder / "done"
        again = [] if name == "fetch" else ["--overwrite"]
        self.words = [*old.split(), *more.split(), *again]
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
        for each in (self.folder, *(p for p in self.folder.rglob("*") if p.is_dir())):
            settle(each)
        left = contents(self.done)
        hidden = any(path.name.startswith(".") for path in self.folder.rglob("*"))
        fate = {True: "old"}.get(left == self.old) or ("new" if left == self.new else "MIXED")
        self.ended[way, f"{fate}, HIDDEN" if hidden else fate] += 1
        if any(self.done.glob("*.parts")):
            self.goes_on(way)

    def goes_on(self, way: str) -> None:
        """A table that was stopped half-way becomes the one that was never stopped."""
        finished(self.folder, self.words)
        if contents(self.done) != self.new:
            self.ended[way, "WRONG WHEN GONE ON WITH"] += 1

    def killed(self, rng: random.Random, number: int) -> None:
        self.fresh()
        process = started(self.folder, self.words)
        process.join(rng.uniform(0, self.takes_s))
        if process.is_alive():
            os.kill(process.pid, SIGNALS[number % len(SIGNALS)])
        process.join()
        self.judge("signals")

    def dies_at_names(self) -> None:
        for number in range(1, 200):
            self.fresh()
            died = ended(started(self.folder, self.words, name=number)) == DIED
            self.judge("names")
            if not died:
                return

    def two_at_once(self) -> None:
        self.fresh()
        for process in [started(self.folder, self.words) for _ in range(2)]:
            process.join()
        self.judge("two at once")

    def on_a_full_disk(self, most_bytes: int) -> None:
        self.fresh()
        started(self.folder, self.words, most_bytes=most_bytes).join()
        self.judge("full disk")


def campaign(name: str, instants: int, seed: int) -> Counter:
    rng = random.Random(seed)
    cache = "done" if name == "fetch" else "cache"  # what is fetched is that one's result
    with tempfile.TemporaryDirectory() as folder, star_services(Path(folder), cache):
        prepared(Path(folder))
        return stopped_in_all_ways(Case(Path(folder), name), instants, rng)


def stopped_in_all_ways(case: Case, instants: int, rng: random.Random) -> Counter:
    for number in range(instants):
        case.killed(rng, number)
    case.dies_at_names()
    case.two_at_once()
    for most_bytes in (500, 20_000, 100_000, 500_000):
        case.on_a_full_disk(most_bytes)
    return case.ended


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--instants", type=int, default=30)
    parser.add_argument("--only", nargs="+", choices=COMMANDS, default=list(COMMANDS))
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    CONTEXT.set_forkserver_preload(LOADED)
    print(f"{'command':12}{'stopped by':14}{'times':>6}  what was left")
    for name in options.only:
        found = campaign(name, options.instants, options.seed)
        for way in dict.fromkeys(way for way, _ in found):
            fates = {fate: n for (each, fate), n in found.items() if each == way}
            told = ", ".join(f"{n} {fate}" for fate, n in sorted(fates.items()))
            print(f"{name:12}{way:14}{sum(fates.values()):6}  {told}", flush=True)


if __name__ == "__main__":
    main()
