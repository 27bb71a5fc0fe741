"""Every outside check of reference/: the function it names must give what the source prints."""

import pytest

from curecalc.validation import load_checks, load_sources, run_check, validate

CHECKS = load_checks()


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check["id"])
def test_agrees_to_the_digits_the_source_prints(check):
    outcome = run_check(check)
    assert outcome.agrees, outcome


def test_ids_are_unique_and_sources_known():
    ids = [check["id"] for check in CHECKS]
    assert len(ids) == len(set(ids))
    assert {check["source"] for check in CHECKS} <= set(load_sources())


def test_each_check_says_how_its_value_was_come_by():
    assert {check["kind"] for check in CHECKS} <= {"published", "derived", "identity"}
    assert {check["tag"] for check in CHECKS} <= {"read", "memory", "derived", "common practice"}


def test_a_wrong_constant_in_a_kernel_is_found(monkeypatch):
    from curecalc.physics import line

    right = line.scan_exposure
    monkeypatch.setattr(line, "scan_exposure", lambda p, w0, v: 1.001 * right(p, w0, v))
    report = validate()
    assert not report.passed
    assert report.to_dict()["failed"]


def test_all_pass_here():
    assert validate().passed
