"""Work handed out to cores: in order, with what it raises, and the same on one core as on three."""

import numpy as np
import pytest

from starcal import layers
from starcal.cores import CORES_LIMIT, at_once, cores, in_threads
from starcal.stars import measure_stars


@pytest.fixture(params=["1", "3"])
def limited(request, monkeypatch):
    monkeypatch.setenv(CORES_LIMIT, request.param)
    return int(request.param)


def test_parts_come_in_their_order(limited):
    assert cores() <= limited
    assert list(in_threads(lambda part: part**2, range(7))) == [0, 1, 4, 9, 16, 25, 36]
    assert at_once(lambda: "a", lambda: "b") == ["a", "b"]


def test_what_a_part_raises_is_raised(limited):
    with pytest.raises(ZeroDivisionError):
        list(in_threads(lambda part: 1 / part, [1, 0, 1]))


def test_stars_and_layers_are_the_same_on_one_core(scene_of, monkeypatch):
    pixels = np.array(scene_of(shape=(96, 128), scale_arcsec=6.0, seed=4).pixels)
    layer = {}
    for number in ("1", "3"):
        monkeypatch.setenv(CORES_LIMIT, number)
        monkeypatch.setattr("os.cpu_count", lambda: 3)
        layer[number] = layers.split(pixels, measure_stars(pixels)).stars
    np.testing.assert_array_equal(layer["1"], layer["3"])
