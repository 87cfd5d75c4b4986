"""Models are fitted in a passing process: the same ones, and a child's death costs one fit."""

import sys
import threading

import numpy as np
import pytest

from monitor.detectors.joint import DistanceJob, ForestJob, Job, Joint, Model, Ticket, fit_at_once
from monitor.service.fits import MOST, Fits

ROWS = np.random.default_rng(3).normal(size=(200, 4)).astype(np.float32)
DIES = (sys.executable, "-c", "import sys; sys.stdin.buffer.read(1)")
REFUSES = (
    sys.executable,
    "-c",
    "import pickle, sys; pickle.load(sys.stdin.buffer); "
    "pickle.dump((None, 'no memory'), sys.stdout.buffer)",
)


def wait(*tickets: Ticket | None) -> None:
    waiting = threading.Event()
    for _ in range(3000):
        if all(t is not None and t.done for t in tickets):
            return
        waiting.wait(0.01)
    raise AssertionError("no answer in half a minute")


def test_the_child_gives_what_this_process_would() -> None:
    fits = Fits(linger_s=0.0)
    known, last = ROWS.astype(np.float64), np.full((8, 4), 3.5)
    distance, forest = DistanceJob(ROWS, 0.02), ForestJob(known, last, 0.02)
    try:
        tickets = [fits.take(job) for job in (distance, forest)]
        wait(*tickets)
    finally:
        fits.close()
    here, there = fit_at_once(distance).answer, tickets[0].answer
    assert isinstance(here, Model)
    assert isinstance(there, Model)
    for a, b in zip(here, there, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-9)
    assert tickets[1].answer == forest.run() == (True,) * 8
    assert fits.counts()["done_total"] == 2
    assert fits.counts()["children_total"] <= 2


@pytest.mark.parametrize("child", [DIES, REFUSES, ("/no/such/program",)])
def test_a_child_that_dies_refuses_or_is_missing_costs_its_fit_alone(child) -> None:
    fits = Fits(linger_s=0.0, command=child)
    try:
        tickets = [fits.take(DistanceJob(ROWS, 0.02)) for _ in range(2)]
        wait(*tickets)
        assert [t.answer for t in tickets] == [None] * 2
        assert fits.counts()["failed_total"] == 2
    finally:
        fits.close()


def test_closing_ends_a_child_that_hangs_and_drops_what_waits() -> None:
    fits = Fits(linger_s=0.0, command=(sys.executable, "-c", "input()"))
    tickets = [fits.take(DistanceJob(ROWS, 0.02)) for _ in range(3)]
    waiting = threading.Event()
    for _ in range(1000):
        if fits.counts()["children_total"]:
            break
        waiting.wait(0.01)
    fits.close()
    assert not any(t.name == "fits" for t in threading.enumerate())
    assert fits.counts()["failed_total"] == 0
    assert all(t is not None and t.answer is None for t in tickets)


def test_what_is_too_much_is_refused_and_asked_again() -> None:
    fits = Fits(linger_s=3600.0)
    try:
        taken = [fits.take(DistanceJob(ROWS, 0.02)) for _ in range(MOST + 2)]
        assert taken[-1] is None
        assert fits.counts()["refused_total"] >= 1
    finally:
        fits.close()


def test_a_pump_goes_on_without_a_model_until_one_comes() -> None:
    asked: list[tuple[Job, Ticket]] = []

    def later(job: Job) -> Ticket | None:
        if not asked:
            asked.append((job, Ticket()))
            return None  # busy at first
        asked.append((job, Ticket()))
        return asked[-1][1]

    joint = Joint(4, 50_000.0, fitter=later)
    rows = iter(np.random.default_rng(4).normal(size=(300, 4)))
    while len(asked) < 2:
        joint.update(next(rows))
    for _ in range(20):
        joint.update(next(rows))
    assert joint.model is None
    assert len(asked) == 2  # one at a time
    job, ticket = asked[-1]
    ticket.answer = job.run()
    ticket.done = True
    joint.update(next(rows))
    assert isinstance(joint.model, Model)
    # What was asked before a restart says nothing about the pump after it.
    late = Ticket(done=True, answer=joint.model)
    joint._ticket = late
    joint.restart()
    joint.update(next(rows))
    assert joint.model is None


def test_a_failed_fit_is_tried_again_some_draws_later() -> None:
    asked: list[Job] = []

    def fails(job: Job) -> Ticket:
        asked.append(job)
        return Ticket(done=True)

    joint = Joint(4, 50_000.0, fitter=fails)
    for row in np.random.default_rng(5).normal(size=(100, 4)):
        joint.update(row)
    assert 2 <= len(asked) <= 8
