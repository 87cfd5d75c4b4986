"""Confidences: counted shares, shrunk and never falling, for every kind that names a cause."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta
from sklearn.isotonic import IsotonicRegression

from monitor.advice.kinds import Kind
from monitor.detectors import confidence
from monitor.detectors.confidence import BANDS, LEAST, MOST, PRIOR_CASES, calibrated, shares, table
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.rank import rank
from monitor.detectors.told_right import COUNTS

T0 = 1_750_000_000.0
PAIRS = st.tuples(st.integers(0, 60), st.integers(0, 60)).map(lambda p: (min(p), max(p)))


def said(kind: Kind, sure: float, *others: tuple[Kind, float]) -> Finding:
    causes = ((kind, sure), *others)
    return Finding("p1", kind, Presence.YES, T0, T0, sure, 0.5, "said", (), causes)


def test_every_kind_that_names_a_cause_is_counted() -> None:
    assert set(COUNTS) == set(Kind) - set(confidence.UNCOUNTED)
    for pairs in COUNTS.values():
        assert len(pairs) == len(BANDS)
        assert all(0 <= right <= total for right, total in pairs)
    assert sum(total for pairs in COUNTS.values() for _, total in pairs) > 100


def test_the_table_in_force_is_sane() -> None:
    for known in confidence.TABLE.values():
        assert all(LEAST <= share <= MOST for share in known)
        assert list(known) == sorted(known)


def test_without_cases_the_kind_leans_on_all_kinds() -> None:
    assert shares(((0, 0), (0, 0), (0, 0)), 0.8) == pytest.approx((0.8, 0.8, 0.8))


def test_few_right_cases_are_not_told_as_certain() -> None:
    assert shares(((0, 0), (0, 0), (3, 3)), 0.8)[2] < 0.95
    assert shares(((0, 0), (0, 0), (60, 60)), 0.8)[2] == MOST


def test_a_share_is_the_mean_of_the_beta_posterior() -> None:
    # scipy.stats.beta as the reference: prior of PRIOR_CASES about the kind's own share.
    kind = (12 + PRIOR_CASES * 0.5) / (20 + PRIOR_CASES)
    got = shares(((0, 0), (0, 0), (12, 20)), 0.5)[2]
    prior = PRIOR_CASES * kind, PRIOR_CASES * (1 - kind)
    assert got == pytest.approx(beta(12 + prior[0], 8 + prior[1]).mean())


@given(st.tuples(PAIRS, PAIRS, PAIRS))
def test_pooling_agrees_with_isotonic_regression(counts: tuple[tuple[int, int], ...]) -> None:
    # scikit-learn's weighted isotonic regression as the reference.
    right, total = map(sum, zip(*counts, strict=True))
    kind = (right + PRIOR_CASES * 0.7) / (total + PRIOR_CASES)
    means = [(r + PRIOR_CASES * kind) / (n + PRIOR_CASES) for r, n in counts]
    weights = [n + PRIOR_CASES for _, n in counts]
    fitted = IsotonicRegression().fit_transform([0, 1, 2], means, sample_weight=weights)
    assert np.allclose(shares(counts, 0.7), np.clip(fitted, LEAST, MOST))


def test_what_is_told_is_the_share_right_and_causes_follow(monkeypatch: pytest.MonkeyPatch) -> None:
    counts = {Kind.AIRLOCK: ((0, 0), (5, 10), (30, 40))}
    monkeypatch.setattr(confidence, "TABLE", table(counts))
    low = calibrated(said(Kind.AIRLOCK, 0.7, (Kind.MISSED_PRIME, 0.2), (Kind.WORN, 0.1)))
    high = calibrated(said(Kind.AIRLOCK, 0.9, (Kind.MISSED_PRIME, 0.1)))
    assert 0.4 < low.confidence < high.confidence < 0.8
    assert dict(low.causes)[Kind.AIRLOCK] == low.confidence
    assert sum(w for _, w in low.causes) == pytest.approx(1.0)
    assert dict(low.causes)[Kind.MISSED_PRIME] == pytest.approx(2 * dict(low.causes)[Kind.WORN])
    assert calibrated(said(Kind.AIRLOCK, 0.9)).causes == ((Kind.AIRLOCK, 1.0),)


def test_what_is_not_counted_stays_as_stated() -> None:
    for kind in confidence.UNCOUNTED:
        assert calibrated(said(kind, 0.5)) == said(kind, 0.5)
    no = Finding("p1", Kind.WORN, Presence.NO, T0, T0)
    assert calibrated(no) is no


def test_rank_tells_the_calibrated_share() -> None:
    (got,) = rank([said(Kind.LOW_AIR, 0.9)])
    assert got.confidence == confidence.TABLE[Kind.LOW_AIR][2]
