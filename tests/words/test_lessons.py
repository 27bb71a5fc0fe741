"""Every lesson, word for word, with the words of its figure; figures masked."""

from pathlib import Path

import pytest

from curecalc.lessons.show import lesson_html
from curecalc.lessons.telling import ORDER, lesson

from .browsing import Words
from .test_words import REWRITE, WRITE, masked

FILE = Path(__file__).with_name("lessons.txt")


def kept() -> dict[str, str]:
    """Name and words of each lesson in the file."""
    blocks = FILE.read_text(encoding="utf-8").split("== ")[1:] if FILE.exists() else []
    return dict(block.split("\n", 1) for block in blocks)


@pytest.mark.parametrize("name", ORDER)
def test_every_word_of_a_lesson(name):
    now = masked(str(Words(lesson_html(lesson(name)))))
    if WRITE:
        blocks = kept() | {name: now}
        FILE.write_text("".join(f"== {one}\n{blocks[one]}" for one in ORDER if one in blocks), encoding="utf-8")
    assert now == kept()[name], REWRITE
