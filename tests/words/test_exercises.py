"""What exercises say, word for word: question, steps, and the remark on every slip, of every kind; figures masked."""

from pathlib import Path

from curecalc.lessons.exercises import KINDS_BY_GRADE, exercise

from .test_words import REWRITE, WRITE, masked

FILE = Path(__file__).with_name("exercises.txt")
SEEDS = range(3)


def told() -> str:
    """Every kind of exercise with its words, once for each wording that a few seeds bring."""
    blocks = []
    for kinds in KINDS_BY_GRADE.values():
        for name in kinds:
            seen: dict[str, None] = {}
            for seed in SEEDS:
                one = exercise(name, seed=seed)
                lines = [one.text, *(f"{step.formula} | {step.numbers} | {step.result} | {step.why}" for step in one.steps)]
                lines += [f"slip {slip.name}: {slip.remark}" for slip in one.slips]
                seen[masked("\n".join(lines))] = None
            blocks.append(f"== {name}\n" + "\n--\n".join(seen) + "\n")
    return "\n".join(blocks)


def test_every_word_of_every_exercise():
    now = told()
    if WRITE:
        FILE.write_text(now, encoding="utf-8")
    assert now == FILE.read_text(encoding="utf-8"), REWRITE
