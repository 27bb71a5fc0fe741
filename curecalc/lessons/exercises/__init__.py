"""Exercises with numbers drawn from a seed, checked answers, and named slips."""

from .checking import Verdict, check_answer
from .making import KINDS_BY_GRADE, exercise, exercises
from .record import Exercise, Slip

__all__ = ["KINDS_BY_GRADE", "Exercise", "Slip", "Verdict", "check_answer", "exercise", "exercises"]
