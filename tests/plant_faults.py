"""Plant small faults in a copy of the program and count those that no test sees.

    python tests/plant_faults.py --seed 7 --faults 60

Every number, comparison and sentence outside `curecalc/physics` is a place for one fault; a seed draws among them. A number is
changed by a factor or by one, a comparison is moved at its boundary or turned round, a word of a sentence becomes another word
that the program uses elsewhere. Left out: docstrings, `__all__`, type hints, lines marked `# pragma: no cover`, and what only
sets the ink of a picture (INK). The tests that run the changed line are run, cheapest first and none that takes over 20 s, until one
fails. A change that alters nothing anybody could notice is explained in `tests/planted.toml` and does not count. Ends with 1 when
more than `--most` survive.

Which test runs which line is measured once (as long as all tests take, twice over) and kept in a temporary folder until the program
changes.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import importlib.util
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).resolve().parent.parent
sys.path[0] = str(ROOT)  # this tree's program, not an installed one
os.environ["PYTHONPATH"] = str(ROOT)
TRAVELS = ("curecalc", "tests", "demo", "reference", "pyproject.toml", "README.md", "DEVELOPERS.md")
WITH = ("-q", "-p", "no:cacheprovider", "-m", "not browser", "--ignore=tests/test_lint.py", "--ignore=tests/test_architecture.py")

# keyword arguments that set only the ink of a picture: looked at, not tested
INK = frozenset(
    [
        "alpha",
        "bbox_inches",
        "borderpad",
        "capsize",
        "constrained_layout",
        "dpi",
        "elinewidth",
        "figsize",
        "fontsize",
        "framealpha",
        "handlelength",
        "height",
        "hspace",
        "labelpad",
        "labelspacing",
        "layout",
        "left",
        "levels",
        "linewidth",
        "linewidths",
        "linespacing",
        "loc",
        "lw",
        "markersize",
        "ms",
        "ncols",
        "pad",
        "right",
        "rotation",
        "s",
        "size",
        "title_fontsize",
        "top",
        "wspace",
        "width",
        "xytext",
        "zorder",
    ]
)
DEAR = 20.0  # seconds: a test that takes longer is run for no fault
FEW = 10  # tests that run a line: below, all that use the file are run
BOUNDARY = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
TURNED = {ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq}
TURNED |= {ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is}
WORD = re.compile(r"(?<![\w<{%/.-])[A-Za-z]{3,}(?![\w>}/(=])")


@dataclass(frozen=True)
class Place:
    """One spot where a fault can stand: the `index`-th node of a file's tree, and for comparisons which operator of it."""

    file: str
    index: int
    lines: range  # of the statement's own text: what a test must run
    line: int
    text: str
    kind: str
    inside: bool  # inside a function: otherwise it runs once, at import


# ---------------------------------------------------------------- the places


def is_sentence(value: object) -> bool:
    """Two words or more with a blank between them, as people read them; no query of the store."""
    return isinstance(value, str) and len(WORD.findall(value)) >= 2 and " " in value.strip() and not re.match(r"\s*[A-Z]{4,} ", value)


def skipped(tree: ast.Module, lines: list[str]) -> set[ast.AST]:
    """Nodes that no fault is planted in."""
    out: set[ast.AST] = set()

    def leave(node: ast.AST | None) -> None:
        out.update(ast.walk(node) if node is not None else ())

    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node, clean=False) is not None:
            leave(node.body[0])
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):  # what stands under a name, for its readers
            leave(node)
        if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            leave(node)
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            leave(node)
        if isinstance(node, ast.keyword) and node.arg in INK:
            leave(node.value)
        if isinstance(node, ast.arg | ast.AnnAssign):
            leave(node.annotation)
        if isinstance(node, ast.FunctionDef):
            leave(node.returns)
        if isinstance(node, ast.stmt) and "# pragma: no cover" in lines[node.lineno - 1]:
            leave(node)
        if isinstance(node, ast.FormattedValue):
            leave(node.format_spec)
    return out


def places_of(path: Path, root: Path) -> Iterator[Place]:
    """Every place of one file, in the order of its tree."""
    source = path.read_text(encoding="utf-8")
    tree, lines = ast.parse(source), source.splitlines()
    leave = skipped(tree, lines)
    holder: dict[ast.AST, tuple[range, bool, int]] = {}

    def mark(node: ast.AST, statement: range, inside: bool, line: int) -> None:
        for child in ast.iter_child_nodes(node):
            here, deep, start = statement, inside, line
            if isinstance(child, ast.stmt):
                body = getattr(child, "body", None)
                last = body[0].lineno - 1 if body else child.end_lineno or child.lineno
                here, deep = range(child.lineno, max(last, child.lineno) + 1), inside or isinstance(node, ast.FunctionDef)
            if isinstance(child, ast.expr) and not isinstance(node, ast.JoinedStr):
                start = child.lineno  # the pieces of a formatted string stand where the string begins
            holder[child] = here, deep or (isinstance(node, ast.Lambda) and child is node.body), start
            mark(child, *holder[child])

    mark(tree, range(1, 2), False, 1)
    for index, node in enumerate(ast.walk(tree)):
        if node in leave:
            continue
        kind = ""
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            kind = "number"
        elif isinstance(node, ast.Constant) and is_sentence(node.value):
            kind = "sentence"
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in TURNED:
            kind = "comparison"
        if kind:
            statement, inside, line = holder[node]
            yield Place(str(path.relative_to(root)), index, statement, line, lines[line - 1].strip(), kind, inside)


def all_places(root: Path) -> list[Place]:
    """Every place outside the kernels."""
    files = sorted(f for f in (root / "curecalc").rglob("*.py") if "physics" not in f.relative_to(root).parts)
    return [place for file in files for place in places_of(file, root)]


# ---------------------------------------------------------------- the faults


def other_number(value: float, chance: random.Random) -> float:
    """Another number: a flag or an index turned, a whole number off by one, a fraction half as much again, a tolerance far off."""
    if isinstance(value, int):
        return 1 - value if value in (0, 1) else value + chance.choice((-1, 1))
    if value == 0.0:
        return 1.0
    return value * (1e6 if abs(value) < 1e-5 else chance.choice((0.5, 1.5)))


def planted(root: Path, place: Place, words: list[str], chance: random.Random) -> tuple[str, str]:
    """The file with the fault in it, and the change in words."""
    tree = ast.parse((root / place.file).read_text(encoding="utf-8"))
    node = next(n for i, n in enumerate(ast.walk(tree)) if i == place.index)
    if isinstance(node, ast.Compare):
        before, old = ast.unparse(node), type(node.ops[0])
        node.ops[0] = chance.choice([found[old] for found in (BOUNDARY, TURNED) if old in found])()
        change = f"{before} -> {ast.unparse(node)}"
    else:
        assert isinstance(node, ast.Constant)
        if place.kind == "number":
            before = node.value
            node.value = other_number(node.value, chance)
            change = f"{before!r} -> {node.value!r}"
        else:
            found = chance.choice(list(WORD.finditer(node.value)))
            word = chance.choice([w for w in words if w.lower() != found[0].lower()])
            start = node.value[max(0, found.start() - 20) : found.start()]
            change = f"{start}{found[0]} -> {start}{word}"
            node.value = node.value[: found.start()] + word + node.value[found.end() :]
    return ast.unparse(ast.fix_missing_locations(tree)), change


def vocabulary(root: Path, places: list[Place]) -> list[str]:
    """The words of all sentences, so that a changed one is still a word of the trade."""
    words: set[str] = set()
    for file in sorted({p.file for p in places}):
        wanted = {p.index for p in places if p.file == file and p.kind == "sentence"}
        for index, node in enumerate(ast.walk(ast.parse((root / file).read_text(encoding="utf-8")))):
            if index in wanted and isinstance(node, ast.Constant):
                words.update(w.lower() for w in WORD.findall(node.value))
    return sorted(words)


# ---------------------------------------------------------------- which test runs which line


def digest(*paths: Path) -> str:
    """One number for the bytes of files."""
    total = hashlib.sha256()
    for path in sorted(paths):
        total.update(path.as_posix().encode() + path.read_bytes())
    return total.hexdigest()[:16]


class Timed:
    """A plugin that notes how long each test takes."""

    def __init__(self, seconds: dict[str, float]) -> None:
        self.seconds = seconds

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration


class Only:
    """A plugin that keeps some tests, in a given order, and tries no example again to make it simpler."""

    def __init__(self, wanted: list[str]) -> None:
        self.order = {name: place for place, name in enumerate(wanted)}

    def pytest_configure(self) -> None:
        from hypothesis import Phase, settings

        settings.register_profile("planted", derandomize=True, deadline=None, phases=[Phase.explicit, Phase.generate])
        settings.load_profile("planted")

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.order), key=lambda i: self.order[i.nodeid])


class Measured:
    """The tests that run a line, from a coverage run kept in a temporary folder and brought up to date by test file."""

    def __init__(self, root: Path, workers: int) -> None:
        program = [p for name in ("curecalc", "demo", "reference") for p in (root / name).rglob("*") if p.is_file()]
        program = [p for p in program if "__pycache__" not in p.parts]  # what was compiled while tests ran is no change of the program
        self.folder = Path(tempfile.gettempdir()) / "curecalc-planted" / digest(*program)
        self.folder.mkdir(parents=True, exist_ok=True)
        known_file = self.folder / "tests.json"
        known = json.loads(known_file.read_text()) if known_file.exists() else {"files": {}, "seconds": {}}
        helpers = digest(
            *(p for p in (root / "tests").rglob("*.py") if not p.name.startswith(("test_", "plant_"))), root / "pyproject.toml"
        )
        now = {str(p.relative_to(root)): digest(p) + helpers for p in sorted((root / "tests").rglob("test_*.py"))}
        now = {name: value for name, value in now.items() if "benchmarks" not in name}
        stale = [name for name, value in now.items() if known["files"].get(name) != value]
        if not known["files"]:
            stale.append("curecalc")  # the examples in docstrings
        self.seconds: dict[str, float] = known["seconds"]
        if stale:
            print(f"measuring which test runs which line: {len(stale)} files of tests", flush=True)
            self.measure(root, stale, workers)
            known_file.write_text(json.dumps({"files": now, "seconds": self.seconds}))
        self.data = coverage.CoverageData(basename=str(self.folder / ".coverage"))
        self.data.read()
        self.root = root

    def measure(self, root: Path, stale: list[str], workers: int) -> None:
        os.environ["COVERAGE_FILE"] = str(self.folder / ".coverage")
        assert Path(importlib.util.find_spec("curecalc").origin).is_relative_to(root)
        ignored = [a for a in WITH if not any(a == f"--ignore={s}" for s in stale)]
        chosen = [s for s in stale if f"--ignore={s}" not in WITH]
        extra = ["-n", str(workers), "--cov=curecalc", "--cov-context=test", "--cov-append", "--cov-report=", *chosen]
        before = os.getcwd()
        os.chdir(root)
        pytest.main([*ignored, *extra], plugins=[Timed(self.seconds)])
        os.chdir(before)

    def tests(self, file: str, lines: Iterable[int]) -> set[str]:
        """Names of the tests that run one of these lines."""
        found = self.data.contexts_by_lineno(str(self.root / file))
        return {name.rpartition("|")[0] for n in lines for name in found.get(n, []) if name}

    def for_place(self, place: Place) -> list[str]:
        """The tests to run for a fault there, cheapest first.

        What runs once, at import, or comes out of a cache after its first call, concerns whoever uses the file, or imports it whole.
        """
        names = self.tests(place.file, place.lines)
        if len(names) < FEW or not place.inside:
            users = {place.file} if place.inside else {place.file, *importers(self.root, place.file)}
            for file in users:
                names |= self.tests(file, function_lines(self.root / file))
        if not place.inside:
            named = re.compile(rf"^import {'.'.join(Path(place.file).with_suffix('').parts).removesuffix('.__init__')}$", re.MULTILINE)
            files = {n.partition("::")[0] for n in self.seconds}
            whole = {file for file in files if (self.root / file).exists() and named.search((self.root / file).read_text(encoding="utf-8"))}
            names |= {n for n in self.seconds if n.partition("::")[0] in whole}
        # what a fixture of a whole file or folder ran counts for its first test only
        files = {n.partition("::")[0] for n in names}
        shared = {file for file in files if any("scope=" in one.read_text(encoding="utf-8") for one in fixtures(self.root / file))}
        more = {n for n in self.seconds if n.partition("::")[0] in shared} - names
        cost = {n: self.seconds.get(n, 1.0) for n in names | more}
        return sorted((n for n in cost if cost[n] <= DEAR), key=lambda n: (n in more, cost[n], n))


def fixtures(file: Path) -> list[Path]:
    """A file of tests, and those of its folder that hold what it shares."""
    return [one for one in (file, file.parent / "conftest.py") if one.exists()]


def function_lines(path: Path) -> set[int]:
    """The lines inside functions."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    return {line for f in found for line in range(f.body[0].lineno, (f.end_lineno or f.lineno) + 1)}


def importers(root: Path, file: str) -> set[str]:
    """Files that import this one by its name or its package's."""
    parts = Path(file).with_suffix("").parts
    room, last = parts[-2], parts[-2 if parts[-1] == "__init__" else -1]
    pattern = re.compile(rf"from \S*\b{last} import|from \S*({room}|\.+) import [^\n]*\b{last}\b")
    return {str(p.relative_to(root)) for p in (root / "curecalc").rglob("*.py") if pattern.search(p.read_text(encoding="utf-8"))}


# ---------------------------------------------------------------- one fault after another


def run_chosen(listed: Path) -> int:
    """Run the tests named in a file, until one fails."""
    names = listed.read_text(encoding="utf-8").split("\n")
    files = sorted({name.partition("::")[0] for name in names})
    return int(pytest.main([*WITH, "-x", "--tb=no", "-W", "ignore::DeprecationWarning", *files], plugins=[Only(names)]))


def copy_of(root: Path, to: Path) -> Path:
    """The tree, apart."""
    for name in TRAVELS:
        source = root / name
        if source.is_dir():
            shutil.copytree(source, to / name, ignore=shutil.ignore_patterns("__pycache__", ".hypothesis"))
        else:
            shutil.copy2(source, to / name)
    return to


def verdict(tree: Path, place: Place, text: str, names: list[str], seconds: float) -> str:
    """Plant one fault in the copy, run its tests, take it out again: `survived`, or what saw it."""
    if not names:
        return "survived (no test runs it)"
    target = tree / place.file
    kept = target.read_bytes()
    listed = tree / "chosen.txt"
    listed.write_text("\n".join(names), encoding="utf-8")
    target.write_text(text, encoding="utf-8")
    try:
        limit = 120.0 + 10.0 * seconds
        environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
        command = [sys.executable, "tests/plant_faults.py", "--run", str(listed)]
        done = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True, timeout=limit, check=False)
    except subprocess.TimeoutExpired:
        return "killed (it does not end)"
    finally:
        target.write_bytes(kept)
    if done.returncode == 0:
        return f"survived ({len(names)} tests run it)"
    saw = re.findall(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    return f"killed by {saw[0] if saw else f'pytest, status {done.returncode}'}"


def explained(root: Path) -> set[tuple[str, str, str]]:
    """Changes that alter nothing anybody could notice."""
    with (root / "tests" / "planted.toml").open("rb") as stream:
        return {(e["file"], e["line"], e["change"]) for e in tomllib.load(stream).get("equivalent", []) if e["reason"]}


def main() -> int:
    """Read the options, draw, plant, report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seed", type=int, default=7, help="which faults are drawn (%(default)s)")
    parser.add_argument("--faults", type=int, default=60, help="how many (%(default)s)")
    parser.add_argument("--most", type=int, default=2, help="how many may survive (%(default)s)")
    parser.add_argument("--workers", type=int, default=2, help="how many run at once (%(default)s)")
    parser.add_argument("--only", default="", help="draw from files whose path holds this")
    parser.add_argument("--list", action="store_true", help="only count the places")
    parser.add_argument("--run", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.run:
        return run_chosen(options.run)
    places = all_places(ROOT)
    chance = random.Random(options.seed)
    words = vocabulary(ROOT, places)
    drawn_from = [p for p in places if options.only in p.file]
    kinds = {kind: sum(p.kind == kind for p in drawn_from) for kind in ("number", "comparison", "sentence")}
    print(f"{len(drawn_from)} places: " + ", ".join(f"{n} {kind}s" for kind, n in kinds.items()))
    if options.list:
        return 0
    drawn = chance.sample(drawn_from, min(options.faults, len(drawn_from)))
    changes = [planted(ROOT, place, words, chance) for place in drawn]
    measured, known = Measured(ROOT, options.workers), explained(ROOT)
    survivors = 0
    with tempfile.TemporaryDirectory() as scratch:
        free = [copy_of(ROOT, Path(scratch) / str(n)) for n in range(options.workers)]

        def judge(number: int) -> tuple[int, str, float]:
            place, started = drawn[number], time.monotonic()
            if (place.file, place.text, changes[number][1]) in known:
                return number, "equivalent, explained", 0.0
            names, tree = measured.for_place(place), free.pop()
            said = verdict(tree, place, changes[number][0], names, sum(measured.seconds.get(n, 1.0) for n in names))
            free.append(tree)
            return number, said, time.monotonic() - started

        with ThreadPoolExecutor(options.workers) as pool:
            for number, said, took in pool.map(judge, range(len(drawn))):
                place = drawn[number]
                survivors += said.startswith("survived")
                print(f"{place.file}:{place.line}: {changes[number][1]}: {said} [{took:.0f} s]", flush=True)
    print(f"seed {options.seed}: {survivors} of {len(drawn)} survived, at most {options.most} may")
    return int(survivors > options.most)


if __name__ == "__main__":
    sys.exit(main())
