"""What becomes of a spoiled file: read rightly or refused in one clear line, within limits of time
and memory, in a process of its own."""

import contextlib
import functools
import multiprocessing
import os
import tempfile
import traceback
import warnings
from multiprocessing import forkserver
from pathlib import Path

import pytest
from good_files import good_files

MOST_S = 20.0  # of a machine that does other things, too; a good file takes 0.2 s
MOST_BYTES = 3 << 30  # of address space: libraries reserve one of it when they are loaded
MOST_CPU_S = 5
READ, REFUSED = "read", "refused in one clear line"
GOOD = good_files()


def _reader(kind: str, folder: Path):
    """Who reads that kind."""
    import starcal
    from starcal.catalogue.own_table import read_own_table
    from starcal.choices import read_settings
    from starcal.fit.responses import read_terms

    path = folder / kind
    if kind == "fault":
        return lambda: 1 / 0
    if kind.startswith("table"):
        return lambda: read_own_table(path)
    if kind == "header.wcs":
        (folder / "cube.fits").write_bytes(GOOD["cube.fits"])
        return lambda: starcal.read_frame(folder / "cube.fits", wcs=path)
    if kind == "bands.csv":
        return lambda: read_terms(path)
    if kind == "result.json":
        return lambda: read_settings(path)
    if kind.endswith(".fits"):
        return lambda: starcal.check(path)
    return lambda: starcal.read_frame(path)


def _limit():
    with contextlib.suppress(ImportError):
        import resource

        resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S + 1))
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))


def _judge(kind: str, data: bytes, sender) -> None:
    from starcal.errors import StarcalError

    _limit()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / kind
        path.write_bytes(data)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", RuntimeWarning)
                _reader(kind, Path(folder))()
            sender.send(READ)
        except StarcalError as error:
            text = str(error)
            clear = text and len(text.splitlines()) == 1
            sender.send(REFUSED if clear else f"not one clear line: {text!r}")
        except BaseException:
            sender.send(traceback.format_exc())


def fate_of(kind: str, data: bytes) -> str:
    """`READ`, `REFUSED`, or what went wrong."""
    context = _context()
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=_judge, args=(kind, data, sender))
    process.start()
    sender.close()
    process.join(MOST_S)
    if process.is_alive():
        process.kill()
        process.join()
        return f"still busy after {MOST_S:g} s"
    with contextlib.closing(receiver):
        try:
            return receiver.recv()
        except EOFError:
            return f"the process died with {process.exitcode}"


@functools.cache  # not when imported: the children's server imports this, too
def _context():
    """Children of a process that has the libraries loaded, where the system can."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["loaded"])
    here = Path(__file__).parent
    with pytest.MonkeyPatch.context() as patch:  # that process looks nowhere else
        patch.setenv("PYTHONPATH", os.pathsep.join(map(str, (here, here.parents[1]))))
        forkserver.ensure_running()
    return context
