"""Every recorded command line under five encodings of the terminal, three languages of the machine, and in a folder that may not be
written; what each says must be the same and its exit status as the contract has it.

By hand, all of them: python tests/cli/everywhere.py [EVERY]  (EVERY 10: each tenth line)
"""

from __future__ import annotations

import contextlib
import difflib
import io
import json
import locale
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from curecalc.symbols import bare

HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "demo"
LANGUAGES = ("de_DE.UTF-8", "tr_TR.ISO-8859-9")  # a decimal comma; letters that lower case makes others of
WORLDS = (
    ("cp1250", "de_DE.UTF-8"),
    ("cp1252", "tr_TR.ISO-8859-9"),
    ("cp932", "C"),
    ("ascii", "de_DE.UTF-8"),
    ("utf-8", "tr_TR.ISO-8859-9"),
)


def lines() -> list[str]:
    """Command lines, several with ` && ` between them, of tests/words/cases.txt."""
    text = (HERE.parent / "words" / "cases.txt").read_text(encoding="utf-8")
    return [one for one in text.splitlines() if one.strip() and not one.startswith(("==", "#"))]


class Screen(io.TextIOWrapper):
    """Stands for a terminal or a pipe of some encoding."""

    def __init__(self, encoding: str, terminal: bool = True) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, errors="strict", write_through=True)
        self.terminal = terminal

    def isatty(self) -> bool:
        return self.terminal

    def text(self) -> str:
        return self.buffer.getvalue().decode(self.encoding)


def prepare(command: str) -> bool:
    """Do what the recorded `write` and `change` lines say; whether it was one."""
    if command.startswith("write "):
        _, name, text = command.split(" ", 2)
        Path(name).write_text(text.replace("\\n", "\n"), encoding="utf-8")
        return True
    if command.startswith("change "):
        _, name, rest = command.split(" ", 2)
        old, new = rest.split(" => ")
        Path(name).write_text(Path(name).read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
        return True
    return False


def tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def run_here(command: str, encoding: str) -> list:
    """Status, stdout and stderr of a command before such a terminal."""
    from curecalc.cli import main

    out, err = Screen(encoding), Screen(encoding)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = main(shlex.split(command))
        except SystemExit as stop:
            status = stop.code or 0
    return [status, out.text(), err.text()]


def one_world(encoding: str, closed: bool, every: int) -> list[list]:
    """All lines, each in a folder of its own that holds the invented files; in a closed one only the last command is run there."""
    locale.setlocale(locale.LC_ALL, "")
    told = []
    for line in lines()[::every]:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "here"
            shutil.copytree(DEMO, folder)
            os.chdir(folder)
            commands = line.split(" && ")
            for command in commands[:-1]:
                if not prepare(command):
                    run_here(command, encoding)
            before = tree(folder)
            if closed:
                for path in [folder, *folder.rglob("*")]:
                    path.chmod(0o555 if path.is_dir() else 0o444)
            said = run_here(commands[-1], encoding)
            if closed:
                said.append(tree(folder) == before)
                for path in [folder, *folder.rglob("*")]:
                    path.chmod(0o755 if path.is_dir() else 0o644)
            told.append([line, *(one.replace(name, "") if isinstance(one, str) else one for one in said)])
            os.chdir("/")
    return told


def world(encoding: str, language: str, languages: Path, *, closed: bool = False, every: int = 1) -> list[list]:
    """The same in a process that begins in that language; a closed folder is closed to the super-user too."""
    environment = {**os.environ, "LC_ALL": language, "LANG": language, "LOCPATH": str(languages), "COLUMNS": "100", "PYTHONUTF8": "0"}
    words = [sys.executable, __file__, "one", encoding, str(int(closed)), str(every)]
    if closed and os.geteuid() == 0:
        words = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search", *words]
    done = subprocess.run(words, env=environment, capture_output=True, check=False, cwd="/")
    if done.returncode:
        raise AssertionError(done.stderr.decode("utf-8", "replace")[-3000:])
    return json.loads(done.stdout)


def make_languages(folder: Path) -> None:
    """Languages that this machine need not have, made by the system's own program."""
    for language in LANGUAGES:
        place, charset = language.split(".")
        words = ["localedef", "-i", place, "-f", charset, str(folder / language)]
        subprocess.run(words, capture_output=True, check=False)  # it warns and still writes
        assert (folder / language / "LC_NUMERIC").exists(), f"no language {language} can be made here"


def words(text: str) -> list[str]:
    """What is said, whatever the terminal could show and wherever its lines were folded."""
    text = re.sub(r"\b[0-9a-f]{16,64}\b", "HASH", bare(text))
    return re.sub(r"\b\d\d:\d\d(:\d\d\S*)?", "TIME", text).split()  # when an entry was written


def uneven(text: str) -> list[str]:
    """Lines, but for steps of a derivation and what is quoted, where an uncertainty has not two digits or not the places of its value,
    where a range of like ends has ends of unlike places, or where noise is printed.
    """
    number = r"([-+]?\d+(?:\.\d+)?)(?:e([-+]?\d+))?"
    found = []
    for line in re.sub(r'"[^"]*"', "", text).splitlines():
        if line.lstrip().startswith(("=", "with t =")):
            continue
        for value, _, u, _ in re.findall(rf"{number} \+- {number}(?! %)", line):
            digits = len(u.replace(".", "").lstrip("0"))
            if places(value) != places(u) or (digits != 2 and not ("." not in u and digits > 2)):
                found.append(line)
        for low, _, high, _ in re.findall(rf"(?<![\w.-]){number} to {number}(?![\w:-])", line):
            if places(low) != places(high) and 0.01 < abs(float(low) / float(high)) < 100.0:
                found.append(line)
        found += [line for _, power in re.findall(number, line) if power and int(power) < -6]
    return found


def places(number: str) -> int:
    return len(number.partition(".")[2])


def faults(every: int = 1) -> tuple[int, list[str]]:
    """How many commands were run, and what was wrong."""
    wrong: list[str] = []
    count = 0
    with tempfile.TemporaryDirectory() as name:
        make_languages(Path(name))
        first = world("utf-8", "C", Path(name), every=every)
        for line, _, out, err in first:
            if "--json" not in line:
                wrong += [f"{line}: numbers: {one}" for one in uneven(bare(out + err))]
        for encoding, language in WORLDS:
            seen = world(encoding, language, Path(name), every=every)
            count += len(seen)
            for (line, status, out, err), known in zip(seen, first, strict=True):
                about = f"{encoding}, {language}: {line}"
                if status not in (0, 1, 2, 3) or "Traceback" in out + err:
                    wrong.append(f"{about}: status {status}: {err}")
                apart = [one for one in difflib.ndiff(words(known[2] + known[3]), words(out + err)) if one[0] in "-+"]
                if status != known[1] or apart:
                    wrong.append(f"{about}: status {status}, not {known[1]}; says something else: {' '.join(apart)}")
        for (line, status, out, err, kept), known in zip(world("utf-8", "C", Path(name), closed=True, every=every), first, strict=True):
            count += 1
            if not kept or "Traceback" in out + err:
                wrong.append(f"closed folder: {line}: {'changed' if not kept else err}")
            refused = status == 2 and len(err.splitlines()) <= 3 and any(word in err for word in ("folder", "written", "right"))
            if status != known[1] and not refused:
                wrong.append(f"closed folder: {line}: status {status}, not {known[1]}: {err}")
    return count, wrong


if __name__ == "__main__":
    if sys.argv[1:2] == ["one"]:
        json.dump(one_world(sys.argv[2], sys.argv[3] == "1", int(sys.argv[4])), sys.stdout)
    else:
        number, found = faults(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
        print(f"{number} commands, {len(found)} wrong", *found, sep="\n\n")
