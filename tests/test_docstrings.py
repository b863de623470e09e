"""What functions say of themselves is complete, and their examples run.

Complete means, for every function that another folder calls or the package offers: all parameters
with their types and no others, and what is returned, as numpydoc's own checker sees it. That every
public thing has a docstring at all is ruff's to check.
"""

import ast
import doctest
import functools
import importlib
import inspect
from pathlib import Path

import pytest
from numpydoc.validate import validate

import starcal
from starcal.frame import write_fits

PACKAGE = Path(starcal.__file__).parent
INCOMPLETE = {
    "GL06": "unknown section",
    "GL07": "sections in the wrong order",
    "GL08": "no docstring",
    "PR01": "parameters not documented",
    "PR02": "parameters that do not exist",
    "PR03": "parameters in the wrong order",
    "PR04": "parameter without a type",
    "PR10": "no space before the colon",
    "RT01": "nothing on what is returned",
    "SS01": "no summary",
    "YD01": "nothing on what is yielded",
}


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def module_of(node: ast.ImportFrom, path: Path) -> str:
    """Dotted name of the module that an import names, made absolute."""
    inside = ("starcal", *path.relative_to(PACKAGE).with_suffix("").parts)
    base = list(inside[: len(inside) - node.level]) if node.level else []
    return ".".join(base + (node.module.split(".") if node.module else []))


def used_of(module, name: str, tree: ast.AST):
    """The things that a file uses of a module it has imported under a name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == name:
            yield getattr(module, node.attr, None)


def imported_things(path: Path):
    """What a file imports from other modules of the package, and what it uses of whole modules."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom):
            continue
        source = module_of(node, path)
        if source.split(".")[0] != "starcal":
            continue
        for alias in node.names:
            thing = getattr(importlib.import_module(source), alias.name, None)
            if thing is None:
                thing = importlib.import_module(f"{source}.{alias.name}")
            if inspect.ismodule(thing):
                yield from used_of(thing, alias.asname or alias.name, tree)
            else:
                yield thing


def called_from_elsewhere() -> dict[str, object]:
    """Functions that another room or the user calls, by dotted name."""
    found = {}
    for path in PACKAGE.rglob("*.py"):
        for thing in imported_things(path):
            home = getattr(thing, "__module__", None) or ""
            ours = inspect.isfunction(thing) and home.startswith("starcal.")
            if ours and home.split(".")[1] != room(path):
                found[f"{home}.{thing.__qualname__}"] = thing
    offered = (getattr(starcal, name) for name in starcal.__all__)
    return found | {
        f"{f.__module__}.{f.__qualname__}": f for f in offered if inspect.isfunction(f)
    }


CALLED = called_from_elsewhere()


def test_the_search_finds_what_is_called():
    assert len(CALLED) > 100
    assert "starcal.stars.photometry.measure_stars" in CALLED  # through a package's own name
    assert "starcal.pipeline.running.run" in CALLED  # of the public names
    assert any(
        name.startswith("starcal.catalogue.cache.") for name in CALLED
    )  # through a module


@pytest.mark.parametrize("name", sorted(CALLED))
def test_a_function_that_others_call_says_what_it_takes_and_gives(name):
    faults = [f"{code} {text}" for code, text in validate(name)["errors"] if code in INCOMPLETE]
    assert faults == []


def test_the_checker_sees_what_is_missing():
    """The test above is only as good as the checker."""

    def poor(given, more=1):
        """Do something.

        Parameters
        ----------
        given : int
        other : int
        """
        return given + more

    globals()["poor"] = poor
    found = {code for code, _ in validate(f"{__name__}.poor")["errors"]}
    del globals()["poor"]
    assert {"PR01", "PR02", "RT01"} <= found


# --- examples ---------------------------------------------------------------------------

OFFERED = [name for name in starcal.__all__ if not name.startswith("__")]


@pytest.fixture(scope="module")
def example_files(tmp_path_factory, scene_of):
    """The frames that examples name: of a colour camera, of narrowband filters, three monos."""
    folder = tmp_path_factory.mktemp("examples")
    kinds = {
        "broadband.fits": {"channel_gains": (0.5, 1.0, 0.7)},
        "narrowband.fits": {
            "system": "SHO",
            "v_zero_electrons": 2e11,
            "sky_electrons": 4e3,
            "channel_gains": (1.0, 0.25, 0.71),
        },
    }
    for name, settings in kinds.items():
        scene = scene_of(shape=(330, 460), faint_to_mag=12.5, scale_arcsec=6.0, **settings)
        write_fits(folder / name, scene.pixels, scene.header)
    for plane, channel in zip(scene.pixels, ("red", "green", "blue"), strict=True):
        write_fits(folder / f"{channel}.fits", plane, scene.header)
    return folder


COSTLY = ("check", "calibrate", "recolour_stars", "split_stars", "join_pictures", "run")


@pytest.fixture(scope="module")
def results():
    """What costly functions gave: the example of a result calls what the example of its function
    does, and results never change."""
    return {name: functools.cache(getattr(starcal, name)) for name in COSTLY}


@pytest.fixture
def in_their_folder(example_files, results, monkeypatch):
    monkeypatch.chdir(example_files)
    for name, function in results.items():
        monkeypatch.setattr(starcal, name, function)


@pytest.mark.slow
@pytest.mark.parametrize("name", OFFERED)
def test_every_public_name_has_an_example_that_runs(name, in_their_folder, capsys):
    thing = inspect.unwrap(getattr(starcal, name))
    text = inspect.cleandoc(thing.__doc__)
    example = doctest.DocTestParser().get_doctest(text, {}, name, None, None)
    assert example.examples
    outcome = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS).run(example)
    assert outcome.failed == 0, capsys.readouterr().out


def other_examples():
    for path in sorted(PACKAGE.rglob("*.py")):
        if ">>> " in path.read_text(encoding="utf-8"):
            dotted = ".".join(("starcal", *path.relative_to(PACKAGE).with_suffix("").parts))
            module = importlib.import_module(dotted.removesuffix(".__init__"))
            yield from (test for test in doctest.DocTestFinder().find(module) if test.examples)


@pytest.mark.parametrize(
    "example",
    [e for e in other_examples() if e.name.rsplit(".", 1)[-1] not in OFFERED],
    ids=lambda e: e.name,
)
def test_the_other_examples_run(example, in_their_folder, capsys):
    outcome = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS).run(example)
    assert outcome.failed == 0, capsys.readouterr().out
