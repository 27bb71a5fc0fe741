"""The house plan, walked in the source: imports go downward only, modules stay short, names and documents are true."""

import ast
import importlib
import importlib.util
import inspect
import json
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import program
import pytest
from program import ROOT
from sampling import few

import curecalc

MODULES = {
    ".".join(("curecalc", *path.relative_to(ROOT).with_suffix("").parts)).removesuffix(".__init__"): path
    for path in sorted(ROOT.rglob("*.py"))
}

# rooms from the ground up; a room imports from lower ones and from itself, with no exemption
ROOMS = [
    "errors",
    "symbols",
    "physics",
    "units",
    "statistics",
    "files",
    "formulas",
    "setting",
    "calibration",
    "cautions",
    "spot",
    "validation",
    "jobs",
    "paths",
    "recipe",
    "logbook",
    "map",
    "figures",
    "lessons",
    "sheets",
    "page",
    "cli",
    "__main__",
]
LEVEL = {room: level for level, room in enumerate(ROOMS)}


def tree(module):
    return program.tree(MODULES[module])


def room_of(module):
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


@cache
def imports(module):
    """Every module this one imports, anywhere in it, as absolute names, with line numbers."""
    return tuple(_imports(module))


def _imports(module):
    package = module if MODULES[module].name == "__init__.py" else module.rpartition(".")[0]
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parent = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*parent, base] if base else parent)
            if f"{base}" in MODULES and any(f"{base}.{a.name}" in MODULES for a in node.names):
                for alias in node.names:
                    inner = f"{base}.{alias.name}"
                    yield (inner if inner in MODULES else base), node.lineno
            else:
                yield base, node.lineno


def test_every_module_is_in_a_room():
    for module in MODULES:
        assert module == "curecalc" or room_of(module) in LEVEL, f"{module}: add its room to ROOMS"


def test_imports_go_downward():
    for module in MODULES.keys() - {"curecalc"}:
        here = LEVEL[room_of(module)]
        for target, line in imports(module):
            if target.startswith("curecalc.") and room_of(target) != room_of(module):
                assert LEVEL[room_of(target)] < here, f"{module}:{line} reaches up to {target}"


def test_no_room_stands_empty():
    assert {room_of(m) for m in MODULES if m != "curecalc"} == set(ROOMS)


def test_kernels_import_numpy_math_and_scipy_special_only():
    for module in [m for m in MODULES if m.startswith("curecalc.physics")]:
        allowed = {"numpy", "math", "scipy.special", "dataclasses", "functools", "typing"}
        for target, line in imports(module):
            assert target in allowed or target.startswith("curecalc.physics"), f"{module}:{line} imports {target}"


def test_errors_import_nothing():
    assert [t for t, _ in imports("curecalc.errors") if t != "__future__"] == []


def test_only_units_imports_pint():
    for module in [m for m in MODULES if room_of(m) != "units"]:
        assert not [line for t, line in imports(module) if t.split(".")[0] == "pint"], module


def test_nothing_heavy_or_global_is_used():
    for module in MODULES:
        for target, line in imports(module):
            for banned in ("scipy.stats", "scipy.odr", "matplotlib.pyplot", "pylab", "pandas"):
                assert not f"{target}.".startswith(f"{banned}."), f"{module}:{line} imports {target}"
            # one compiled body and one of the graphics card, each behind the seam that works without it
            alone = {"numba": "curecalc.map.fast", "cupy": "curecalc.map.gpu", "distributed": "curecalc.map.spread"}
            assert alone.get(target.split(".")[0], module) == module, f"{module}:{line}"
            assert target.split(".")[0] not in {"requests", "urllib3"}, f"{module}:{line}"
        for node in ast.walk(tree(module)):
            if isinstance(node, ast.ImportFrom):
                assert node.module != "scipy" or not {a.name for a in node.names} & {"stats", "odr"}
                assert node.module != "matplotlib" or "pyplot" not in {a.name for a in node.names}
                assert "*" not in {a.name for a in node.names}, f"{module}:{node.lineno}: import *"


def top_level_imports(module):
    for node in tree(module).body:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and not node.level:
            yield node.module


def test_scipy_and_matplotlib_are_imported_where_they_are_used():
    for module in MODULES:
        heavy = [t for t in top_level_imports(module) if t.split(".")[0] in {"scipy", "matplotlib"}]
        assert heavy == [] or room_of(module) == "figures", f"{module} imports {heavy} when loaded"


def code_lines(module):
    """Lines that are neither blank, comment nor docstring."""
    text = MODULES[module].read_text(encoding="utf-8").splitlines()
    said = set()
    for node in ast.walk(tree(module)):
        body = getattr(node, "body", None)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            said.update(range(body[0].lineno, body[0].end_lineno + 1))
    return [n for n, line in enumerate(text, 1) if n not in said and line.strip() and not line.strip().startswith("#")]


def test_modules_stay_short():
    for module in MODULES:
        assert len(code_lines(module)) <= 400, module
        assert len(MODULES[module].read_text(encoding="utf-8").splitlines()) <= 500, module


def test_no_module_is_called_utils():
    for module in MODULES:
        assert not {"util", "utils", "helpers", "misc"} & set(module.split(".")), module


def test_every_module_says_what_it_is():
    for module in MODULES:
        assert ast.get_docstring(tree(module)), module


def public_names(module):
    for node in tree(module).body:
        if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            return ast.literal_eval(node.value) if module != "curecalc" else list(importlib.import_module(module).__all__)
    return None


def test_all_stands_at_the_top_and_is_true():
    for module in [m for m in MODULES if any(isinstance(n, ast.FunctionDef | ast.ClassDef) for n in tree(m).body)]:
        names = public_names(module)
        if names is None and (module == "curecalc" or MODULES[module].name == "__main__.py"):
            continue
        assert names is not None, f"{module} has no __all__"
        assert len(names) == len(set(names)), module
        assert not [name for name in names if name.startswith("_") and name != "__version__"], module
        if module == "curecalc.map.gpu" and importlib.util.find_spec("cupy") is None:
            continue  # there is no graphics card here
        loaded = importlib.import_module(module)
        assert all(hasattr(loaded, name) for name in names), module


BASIC_ROOMS = tuple(f"formulas.{name}" for name in ("resin", "beam", "scan", "stack", "raster", "field"))


def documented():
    """Public functions: all of the basic rooms, and whatever the package itself offers."""
    found = {}
    for room in BASIC_ROOMS:
        module = importlib.import_module(f"curecalc.{room}")
        found |= {f"{room}.{name}": getattr(module, name) for name in module.__all__}
    found |= {name: getattr(curecalc, name) for name in curecalc.__all__ if name not in {k.split(".")[-1] for k in found}}
    return [pytest.param(thing, id=key) for key, thing in found.items() if inspect.isfunction(thing)]


def documented_parameters(text):
    if "Parameters\n" not in text:
        return None
    section = text.split("Parameters\n", 1)[1].split("\n", 1)[1]
    section = re.split(r"\n\n(?:Returns|Raises|Yields|Attributes|Source)", section)[0]
    names = []
    for line in section.splitlines():
        if found := re.match(r"(\w[\w, ]*)(?: :.*)?$", line):
            names += [n.strip() for n in found[1].split(",")]
    return names


@pytest.mark.parametrize("function", documented())
def test_documented_parameters_are_those_of_the_signature(function):
    text = inspect.getdoc(function)
    assert text, "no docstring"
    names = documented_parameters(text)
    if names is None:
        # a function of one or two plain arguments may say it in a sentence
        assert len(inspect.signature(function).parameters) <= 2, "no Parameters section"
        return
    assert names == list(inspect.signature(function).parameters)


def test_what_a_room_offers_is_documented_and_typed():
    """What a room's own module or package names in `__all__`; pieces inside a package may explain themselves."""
    rooms = [m for m in MODULES if room_of(m) not in {"cli", "page"} and (m.count(".") == 1 or MODULES[m].name == "__init__.py")]
    for module in [m for m in rooms if public_names(m) is not None]:
        loaded = importlib.import_module(module)
        for name in public_names(module):
            thing = getattr(loaded, name)
            if (inspect.isfunction(thing) or inspect.isclass(thing)) and thing.__module__.startswith("curecalc"):
                assert inspect.getdoc(thing), f"{module}.{name}"
            if inspect.isfunction(thing) and not thing.__module__.startswith("curecalc.physics"):
                untyped = [p.name for p in inspect.signature(thing).parameters.values() if p.annotation is p.empty]
                assert not untyped, f"{module}.{name}: {untyped} have no type"


@pytest.mark.parametrize("function", documented())
def test_formulas_name_their_source(function):
    if room_of(function.__module__) == "formulas":
        text = inspect.getdoc(function)
        assert "Source:" in text or len(inspect.signature(function).parameters) == 1, function.__name__
        for key in re.findall(r"Source:.*?(?=\n\n|\Z)", text, re.DOTALL):
            known = set(importlib.import_module("curecalc.validation").load_sources())
            cited = {k for k in re.findall(r"`([a-z_-]+\d{0,4})`", key) if k in known or re.search(r"\d{4}$", k)}
            assert cited <= known, f"{function.__name__} cites {cited - known}"


def test_the_package_offers_every_function_and_record_of_its_basic_rooms():
    for room in BASIC_ROOMS:
        module = importlib.import_module(f"curecalc.{room}")
        for name in module.__all__:
            if name != "FresnelLoss":
                assert getattr(curecalc, name) is getattr(module, name), name
    for name in curecalc.__all__:
        assert getattr(curecalc, name) is not None
    with pytest.raises(AttributeError, match="no_such_name"):
        curecalc.no_such_name  # noqa: B018


# what loads when


def loaded_by(code):
    # -I: no site directories of the user, no current folder; the package's own folder is put in by hand
    start = f"import sys; sys.path.insert(0, {str(ROOT.parent)!r}); "
    show = "; import json; print(json.dumps(sorted(sys.modules)))"
    run = subprocess.run([sys.executable, "-I", "-c", start + code + show], capture_output=True, text=True, check=True)
    return set(json.loads(run.stdout.splitlines()[-1]))


def test_import_curecalc_is_light():
    loaded = loaded_by("import curecalc")
    assert not {"numpy", "pint", "scipy", "matplotlib", "argparse", "csv", "sqlite3"} & loaded
    assert {m for m in loaded if m.startswith("curecalc")} == {"curecalc"}


def test_kernels_do_not_load_pint():
    loaded = loaded_by("import curecalc.physics.raster, curecalc.physics.line")
    assert "numpy" in loaded
    assert not {"pint", "scipy", "matplotlib"} & loaded


def test_units_do_not_load_scipy():
    # pint itself imports the bare scipy package, a namespace that costs nothing
    loaded = loaded_by("import curecalc.units, curecalc.formulas.scan, curecalc.formulas.raster, curecalc.formulas.stack")
    assert not [m for m in loaded if m.startswith(("scipy.special", "scipy.optimize", "scipy.stats", "scipy.linalg"))]
    assert "matplotlib" not in loaded


def run_quietly(argv):
    """Code that runs a command with its output thrown away."""
    return (
        "import io, contextlib\nfrom curecalc.cli import main\n"
        f"with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()): status = main({argv!r})"
    )


RESIN = ["--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2"]
BEAM = ["--power", "300 mW", "--beam-radius", "125um"]


@pytest.mark.parametrize(
    "argv",
    few(
        [
            ["speed", *BEAM, *RESIN, "--layer-thickness", "0.1 mm", "--overcure", "0.05 mm"],
            ["speed", *BEAM, *RESIN, "--cure-depth", "0.15 mm", "--hatch-spacing", "0.1 mm", "--json"],
            ["depth", *BEAM, *RESIN, "--scan-speed", "2 m/s", "--explain"],
            ["solve", "--for", "beam_radius", "--power", "300 mW", "--scan-speed", "2 m/s", *RESIN, "--cure-depth", "0.15 mm"],
        ],
        2,
    ),
    ids=["speed", "speed-raster-json", "depth-explain", "solve-radius"],
)
def test_a_command_loads_only_what_it_needs(argv):
    loaded = loaded_by(f"exec({run_quietly(argv)!r}); assert status == 0, status")
    assert not {"matplotlib", "scipy.optimize", "scipy.stats", "pandas", "flask", "sqlite3"} & loaded
    assert not {"numpy.ma", "numpy.polynomial", "secrets"} & loaded  # each costs what several rooms of ours do
    assert "pint" in loaded


@pytest.mark.parametrize("argv", [["--help"], ["--version"], ["no-such-command"]], ids=lambda a: a[0])
def test_help_and_version_load_neither_numpy_nor_pint(argv):
    assert not {"numpy", "pint", "scipy", "matplotlib"} & loaded_by(f"exec({run_quietly(argv)!r})")


POSIX = (
    r"\b(?:fcntl|pwd|grp|resource|termios|SIGKILL|SIGHUP|SIGALRM|SIGUSR[12])\b"
    r"|\bos\.(?:fork|gete?[ug]id|killpg|setsid|pread|mkfifo|uname|O_DIRECTORY)\b"
)


def test_no_call_that_other_systems_lack():
    """What only POSIX has stands behind a question for it."""
    for path in MODULES.values():
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            code = line.partition("#")[0]
            assert not re.search(POSIX, code) or "hasattr(" in code or "sys.platform" in code, f"{path}:{number}: {line.strip()}"


def test_a_planted_fault_is_explained_where_its_line_still_stands():
    told = tomllib.loads(Path(__file__).with_name("planted.toml").read_text(encoding="utf-8"))["equivalent"]
    lines = {one["file"]: {line.strip() for line in (ROOT.parent / one["file"]).read_text(encoding="utf-8").splitlines()} for one in told}
    assert [(one["file"], one["line"]) for one in told if one["line"] not in lines[one["file"]]] == []
