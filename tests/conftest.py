"""What all tests share: no network, and frames of known truth, each made once."""

import os
import signal
import socket
from collections import Counter
from functools import lru_cache

from starcal.cli.main import ALGEBRA_THREADS
from starcal.cores import CORES_LIMIT

# before NumPy is loaded, and for the processes that tests start: as on the command line
os.environ.update(dict.fromkeys(ALGEBRA_THREADS, "1"))
if "PYTEST_XDIST_WORKER" in os.environ:  # one of as many as there are cores
    os.environ.setdefault(CORES_LIMIT, "1")

import numpy as np
import pytest
from astropy.wcs import WCS

from starcal.demo.scene import Scene, make_scene
from starcal.frame import Frame

SMALL = (340, 480)  # rows, columns of a frame that a test can afford
NOTHING_DRAWN = b"\x89PNG\r\n\x1a\n"  # what every such file begins with
LOOPBACK = ("127.", "::1", "localhost")


def _is_local(address) -> bool:
    """Sockets of this machine only: loopback, and names in the file system (a string or bytes, not
    a pair)."""
    return not isinstance(address, tuple) or str(address[0]).startswith(LOOPBACK)


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory):
    """What is kept between runs is not the user's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STARCAL_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(autouse=True, scope="session")
def no_network():
    """Refuse every connection and every look-up of a name that is not this machine's."""
    patch = pytest.MonkeyPatch()
    connect, connect_ex, getaddrinfo = (
        socket.socket.connect,
        socket.socket.connect_ex,
        socket.getaddrinfo,
    )

    def guarded(call):
        def only_local(self, address):
            if not _is_local(address):
                raise AssertionError(f"a test opened a socket to {address}")
            return call(self, address)

        return only_local

    def local_names(host, *args, **kwargs):
        if host is not None and not _is_local((host,)):
            raise AssertionError(f"a test looked up the address of {host}")
        return getaddrinfo(host, *args, **kwargs)

    patch.setattr(socket.socket, "connect", guarded(connect))
    patch.setattr(socket.socket, "connect_ex", guarded(connect_ex))
    patch.setattr(socket, "getaddrinfo", local_names)
    yield
    patch.undo()


@pytest.fixture(autouse=True, scope="session")
def interrupts_are_heard():
    """A shell's background job ignores them, and so would what it starts: a page that a test
    interrupts never ended."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Mark what waits for a fixture that takes seconds or makes many frames (modules name theirs in
    SLOW_FIXTURES and CAMPAIGN_FIXTURES), and begin with the modules that have most of it: no core
    waits for a long one at the end."""
    for item in items:
        for mark in ("campaign", "slow"):
            named = getattr(item.module, f"{mark.upper()}_FIXTURES", ())
            if set(named) & set(item.fixturenames):
                item.add_marker(mark)
        if item.get_closest_marker("campaign"):
            item.add_marker("slow")
    slow_tests = Counter(item.path for item in items if item.get_closest_marker("slow"))
    items.sort(key=lambda item: -slow_tests[item.path])


@lru_cache(maxsize=24)
def _scene(items: tuple) -> Scene:
    scene = make_scene(**dict(items))
    scene.pixels.flags.writeable = False  # shared between tests
    return scene


@pytest.fixture(scope="session")
def scene_of():
    """Make a scene, small by default; the same settings give the same object. Its pixels are
    read-only."""
    return lambda **settings: _scene(tuple(sorted(({"shape": SMALL} | settings).items())))


@pytest.fixture(scope="session")
def frame_of():
    """Make a `Frame` of a scene, or of a scene's pixels put right for it."""

    def make(scene: Scene, *, header=None, name="scene") -> Frame:
        header = scene.header if header is None else header
        wcs = WCS(header).celestial if "CTYPE1" in header else None
        return Frame(np.array(scene.pixels), header, wcs, name=name, epoch_yr=2024.7)

    return make


@pytest.fixture(autouse=True, scope="module")
def figures_made_not_drawn(request):
    """Every report of a test makes its figures and leaves them undrawn, for that is four tenths of a
    small run; a module that looks at the drawings says DRAWS_FIGURES."""
    if getattr(request.module, "DRAWS_FIGURES", False):
        yield
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("starcal.report.page.png_of", lambda figure: NOTHING_DRAWN)
        yield


@pytest.fixture(autouse=True)
def empty_cache(tmp_path_factory, monkeypatch):
    """No test sees the fields that the user keeps, nor leaves one there."""
    monkeypatch.setenv("STARCAL_CACHE", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture(autouse=True)
def digits_in_full():
    """A library that some tests compare with sets the numpy printing of 2017 for good, which cuts
    numbers short."""
    with np.printoptions(legacy=False):
        yield
