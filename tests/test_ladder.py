"""The shape of the house: imports go one way, the edges are where they belong, functions stay
short."""

import ast
import functools
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

PACKAGE = Path(__file__).parents[1] / "starcal"

# Each rung may import those before it. A package (frame, catalogue) is one rung; a module that is
# not there is skipped.
LADDER = (
    "errors",
    "texts",
    "inputs",
    "progress",
    "versions",
    "cores",
    "choices",
    "robust",
    "colour",
    "frame",
    "stars",
    "catalogue",
    "place",
    "fit",
    "compose",
    "named",
    "demo",
    "plan",
    "draw",
    "checking",
    "layers",
    "audit",
    "display",
    "cure",
    "report",
    "finish",
    "pipeline",
    "many",
    "view",
    "cli",
    "__main__",
)
FILES = sorted(PACKAGE.rglob("*.py"))

FEW_FILES = 6  # that a stranger can look through

WRITERS = {"frame", "report", "catalogue"}  # what may put bytes into a file
# what may call .save, .savefig: into a buffer, or a file object it was handed
DRAWERS = {"draw", "report"}
PHOTUTILS = {"stars", "layers"}
LISTENING_MODULES = {
    "bokeh",
    "tornado",
    "asyncio",
    "webbrowser",
}  # of the page, which answers on the loopback address
NETWORK_MODULES = {
    "socket",
    "urllib",
    "http",
    "requests",
    "ftplib",
    "astroquery",
    "ssl",
    "pyvo",
}


def rung(path):
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@functools.cache
def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path):
    """Dotted names that a file imports, anywhere in it; relative ones are made absolute."""
    inside = ("starcal", *path.relative_to(PACKAGE).with_suffix("").parts)
    if path.name == "__init__.py":
        inside = (*inside[:-1], "")
    names = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = list(inside[: len(inside) - node.level]) if node.level else []
            base += node.module.split(".") if node.module else []
            names |= {".".join([*base, alias.name]) for alias in node.names} | {".".join(base)}
    return names


def starcal_rungs(path):
    found = {name.split(".")[1] for name in imported(path) if name.startswith("starcal.")}
    return found & {rung(file) for file in FILES}


def calls(path):
    """(name, node) of every call: the function's name, or the method's with a dot before it."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name):
                yield node.func.id, node
            elif isinstance(node.func, ast.Attribute):
                yield f".{node.func.attr}", node


def offenders(allowed, is_offence):
    return [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in FILES
        if rung(path) not in allowed
        for name, node in calls(path)
        if is_offence(name, node)
    ]


def opens_for_writing(name, node):
    if name not in ("open", ".open"):
        return False
    arguments = [*node.args[:2], *(k.value for k in node.keywords if k.arg == "mode")]
    modes = [
        a.value for a in arguments if isinstance(a, ast.Constant) and isinstance(a.value, str)
    ]
    return any(len(mode) <= 3 and set(mode) & set("wax+") for mode in modes)


# --- the ladder -------------------------------------------------------------------------


def test_every_module_has_its_rung():
    assert {rung(path) for path in FILES} - set(LADDER) - {"__init__"} == set(), (
        "give the new module a rung in LADDER"
    )


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_only_lower_rungs(path):
    own = rung(path)
    if own != "__init__":
        assert starcal_rungs(path) - {own} <= set(LADDER[: LADDER.index(own)])


def test_the_package_itself_imports_nothing_of_its_own():
    """Its public names are fetched when first used."""
    assert starcal_rungs(PACKAGE / "__init__.py") == set()


@pytest.mark.parametrize(
    "package",
    [p.parent for p in FILES if p.name == "__init__.py" and p.parent != PACKAGE],
    ids=lambda p: p.name,
)
def test_no_import_loop_inside_a_package(package):
    dotted = f"starcal.{package.name}."
    needs = {
        path.stem: {
            name.removeprefix(dotted).split(".")[0]
            for name in imported(path)
            if name.startswith(dotted)
        }
        for path in package.glob("*.py")
    }
    left = {
        name: wants & set(needs) - {name} for name, wants in needs.items() if name != "__init__"
    }
    while left:
        free = [name for name, wants in left.items() if not wants & set(left)]
        assert free, f"these import each other: {sorted(left)}"
        for name in free:
            del left[name]


def test_a_large_folder_says_what_each_of_its_files_is():
    """A stranger looks for the place of a change there."""
    for guide in PACKAGE.glob("*/__init__.py"):
        text = ast.get_docstring(tree_of(guide)) or ""
        files = {path.stem for path in guide.parent.glob("*.py")} - {"__init__"}
        unnamed = {name for name in files if f"`{name}`" not in text}
        assert len(files) <= FEW_FILES or not unnamed, f"{guide.parent.name}: {unnamed}"


def test_the_reader_of_imports_sees_every_kind(tmp_path, monkeypatch):
    """The check above is only as good as this reader."""
    monkeypatch.setitem(globals(), "PACKAGE", tmp_path)
    file = tmp_path / "frame" / "sky.py"
    file.parent.mkdir()
    file.write_text(
        "import starcal.fit\nfrom ..errors import A\nfrom .. import match\nfrom . import levels\n"
        "from .output import b\ndef f():\n    from starcal import cli\n"
    )
    assert imported(file) >= {
        "starcal.fit",
        "starcal.errors",
        "starcal.match",
        "starcal.frame.levels",
        "starcal.frame.output",
        "starcal.cli",
    }


# --- edges ------------------------------------------------------------------------------


def test_only_the_command_line_prints():
    assert offenders({"cli", "__main__"}, lambda name, _: name == "print") == []
    streams = [
        str(path)
        for path in FILES
        if rung(path) not in {"cli", "__main__"}
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Attribute) and node.attr in ("stdout", "stderr")
    ]
    assert streams == []


def test_only_the_edges_write_files():
    writing = {
        ".write",
        ".write_bytes",
        ".write_text",
        ".writeto",
        ".tofile",
        ".savez",
        ".dump",
        ".imwrite",
    }
    assert offenders(WRITERS | {"cli", "many"}, lambda name, _: name in writing) == []
    assert offenders(WRITERS, opens_for_writing) == []
    assert (
        offenders(
            WRITERS, lambda name, _: name in (".replace_file", ".rename", ".unlink", ".rmtree")
        )
        == []
    )
    assert offenders(WRITERS | DRAWERS, lambda name, _: name in (".save", ".savefig")) == []
    assert offenders(WRITERS | {"cli"}, lambda name, _: name in (".mkdir", ".makedirs")) == []


def test_the_network_is_the_catalogues_alone():
    for path in FILES:
        if rung(path) != "catalogue":
            found = {name.split(".")[0] for name in imported(path)} & NETWORK_MODULES
            assert found <= ({"socket"} if rung(path) == "view" else set()), (
                path
            )  # what it listens on


def test_only_the_page_listens_and_only_on_loopback():
    listeners = {
        rung(path)
        for path in FILES
        if {name.split(".")[0] for name in imported(path)} & LISTENING_MODULES
    }
    assert listeners == {"view"}
    binding = [
        (path, node)
        for path in FILES
        for name, node in calls(path)
        if re.search(r"bind|listen|create_server|run_server", name)
    ]
    assert [path.relative_to(PACKAGE).as_posix() for path, _ in binding] == ["view/serving.py"]
    assert ast.unparse(binding[0][1]) == "socket.create_server((LOOPBACK, port))"
    constants = {
        ast.unparse(node)
        for node in tree_of(binding[0][0]).body
        if isinstance(node, ast.Assign)
    }
    assert "LOOPBACK = '127.0.0.1'" in constants


def test_photutils_stays_where_stars_are_measured():
    """It belongs to the core by design: circles on pixels are not cut by code of our own."""
    users = {
        rung(path)
        for path in FILES
        if any(name.split(".")[0] == "photutils" for name in imported(path))
    }
    assert "stars" in users
    assert users <= PHOTUTILS


def test_the_tests_have_no_network():
    with socket.socket() as plug:
        with pytest.raises(AssertionError, match="opened a socket"):
            plug.connect(
                ("192.0.2.1", 80)
            )  # a documentation address, RFC 5737: nobody is there
        with pytest.raises(AssertionError, match="opened a socket"):
            plug.connect_ex(("192.0.2.1", 80))
    with pytest.raises(AssertionError, match="looked up"):
        socket.create_connection(("host.invalid", 80))
    with socket.socket() as server, socket.socket() as plug:
        server.bind(("127.0.0.1", 0))
        server.listen(1)
        plug.connect(server.getsockname())


# --- fresh interpreters -----------------------------------------------------------------


def run_python(code):
    environment = os.environ | {"PYTHONPATH": str(PACKAGE.parent)}
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env=environment,
    )


def test_help_imports_no_numpy():
    answer = run_python(
        "import sys\nfrom starcal.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'astropy', 'scipy', 'photutils', 'matplotlib'} & set(sys.modules)\n"
        "sys.exit(f'imported {heavy}' if heavy else 0)"
    )
    assert answer.returncode == 0, answer.stderr
    assert "usage" in answer.stdout.lower()


def test_import_starcal_is_light():
    answer = run_python(
        "import sys, starcal\nassert 'numpy' not in sys.modules\nassert starcal.__version__"
    )
    assert answer.returncode == 0, answer.stderr


def test_the_first_picture_waits_for_nothing_that_measures():
    answer = run_python(
        "import sys, starcal.view.desk, starcal.view.visible\n"
        "from starcal.view.waiting import waiting_for_frame\n"
        "assert not {'scipy', 'starcal.stars', 'starcal.draw.plots'} & set(sys.modules)"
    )
    assert answer.returncode == 0, answer.stderr


def test_every_public_name_can_be_had():
    answer = run_python(
        "import starcal\nfor name in starcal.__all__:\n    assert getattr(starcal, name) is not "
        "None\n"
        "try:\n    starcal.no_such_name\n"
        "except AttributeError as e:\n    assert 'no_such_name' in str(e)\n"
        "else:\n    raise SystemExit('no error')"
    )
    assert answer.returncode == 0, answer.stderr


@pytest.mark.slow
def test_every_module_imports_alone():
    """Each where nothing of its own rung was imported before; earlier rungs, which import nothing
    of it, stay. A source is compiled once, however often it is imported anew."""
    names = [
        ".".join(("starcal", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
            ".__init__"
        )
        for path in FILES
        if path.name != "__main__.py"
    ]
    code = (
        "import sys, importlib\n"
        "from importlib.machinery import SourceFileLoader\n"
        "compiled, get_code = {}, SourceFileLoader.get_code\n"
        "def once(loader, name):\n"
        "    if name not in compiled:\n"
        "        compiled[name] = get_code(loader, name)\n"
        "    return compiled[name]\n"
        "SourceFileLoader.get_code = once\n"
        f"for name in {names!r}:\n"
        "    own = '.'.join(name.split('.')[:2])\n"
        "    for each in [m for m in sys.modules if m == own or m.startswith(own + '.')]:\n"
        "        del sys.modules[each]\n"
        "    try:\n        importlib.import_module(name)\n"
        "    except BaseException as error:\n"
        "        raise SystemExit(f'{name} does not import alone') from error\n"
    )
    answer = run_python(code)
    assert answer.returncode == 0, answer.stderr


# --- light lines ---------------------------------------------------------------------------

# Counted are expressions and statements of the syntax tree; lines are those that hold code, so
# neither docstrings nor comments nor blank lines. Six a line is what codebases that read well have.
MOST_NODES_A_LINE = 6.0
MOST_NODES_OF_NINE_IN_TEN = 110
MOST_NODES = 250
MOST_POSITIONAL_FIELDS = 5
LINE_LENGTH = 100


def nodes(tree):
    return sum(isinstance(node, ast.expr | ast.stmt) for node in ast.walk(tree))


def functions_of(tree):
    return [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]


def docstring_lines(tree):
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    texts = [
        node.body[0]
        for node in ast.walk(tree)
        if isinstance(node, documented) and ast.get_docstring(node, clean=False) is not None
    ]
    return {line for text in texts for line in range(text.lineno, text.end_lineno + 1)}


def code_lines(path):
    told = docstring_lines(tree_of(path))
    lines = enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
    return sum(
        bool(line.strip()) and not line.strip().startswith("#") and number not in told
        for number, line in lines
    )


def test_lines_are_light(capsys):
    per_line = sum(nodes(tree_of(p)) for p in FILES) / sum(code_lines(p) for p in FILES)
    with capsys.disabled():
        print(f"\n{per_line:.2f} nodes a line")
    assert per_line <= MOST_NODES_A_LINE


def test_functions_are_short(capsys):
    sizes = {
        f"{path.relative_to(PACKAGE)}:{function.name}": nodes(function)
        for path in FILES
        for function in functions_of(tree_of(path))
    }
    nine_in_ten = np.quantile(list(sizes.values()), 0.9)
    longest = sorted(sizes, key=sizes.get, reverse=True)[:3]
    with capsys.disabled():
        print(
            f"\n{len(sizes)} functions, nodes: 90 % have {nine_in_ten:.0f} at most; longest "
            + ", ".join(f"{name} {sizes[name]}" for name in longest)
        )
    assert nine_in_ten <= MOST_NODES_OF_NINE_IN_TEN
    assert [name for name, size in sizes.items() if size > MOST_NODES] == []


def test_no_line_is_wide():
    wide = [
        f"{path.relative_to(PACKAGE)}:{number}"
        for path in FILES
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if len(line) > LINE_LENGTH
    ]
    assert wide == []


def positional_fields(node):
    """How many fields a dataclass takes by position, or 0: all of them, or those before KW_ONLY."""
    how = [d for d in node.decorator_list if "dataclass" in ast.unparse(d)]
    if not how or "kw_only=True" in ast.unparse(how[0]):
        return 0
    fields = [part for part in node.body if isinstance(part, ast.AnnAssign)]
    keyword_only = [ast.unparse(part.annotation) == "KW_ONLY" for part in fields]
    return keyword_only.index(True) if any(keyword_only) else len(fields)


def test_no_result_is_built_from_many_values_by_position():
    """A swapped pair of floats would pass every other test."""
    many = [
        f"{path.relative_to(PACKAGE)}:{node.name}"
        for path in FILES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.ClassDef) and positional_fields(node) > MOST_POSITIONAL_FIELDS
    ]
    assert many == []


def test_no_folder_bears_the_name_of_a_public_function():
    """Importing such a folder would put itself in the function's place."""
    import starcal

    folders = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert folders & set(starcal.__all__) == set()


def names_of(path):
    """What a module defines at its top: functions, classes, constants."""
    for node in tree_of(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from (target.id for target in targets if isinstance(target, ast.Name))


def test_a_name_stands_for_one_thing():
    """So that a search leads to it. A command's function bears the command's name."""
    homes = {}
    for path in FILES:
        if path.parent.name == "cli":
            continue
        for name in set(names_of(path)) - {"__all__", "__getattr__"}:
            homes.setdefault(name, []).append(path.relative_to(PACKAGE).as_posix())
    twice = {name: where for name, where in homes.items() if len(where) > 1}
    assert not twice
    assert homes["check"] == ["checking/check.py"]
