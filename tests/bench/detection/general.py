"""Two general-purpose detectors on the same recordings, for comparison: neither knows a pump.

An isolation forest (scikit-learn) on one-minute windows, trained on the time before the onset, its
threshold at the most unusual training window; and fixed thresholds as a simple logger has them.
"""

import numpy as np
from cases import Recording
from sklearn.ensemble import IsolationForest

WINDOW_S = 60.0


def windows(recording: Recording) -> tuple[np.ndarray, np.ndarray]:
    """(end of each window, its mean, spread, extremes of pressure and stroke count)."""
    b = recording.block
    n = round(WINDOW_S / b.dt_s)
    count = len(b.pressure_pa) // n
    p = b.pressure_pa[: count * n].reshape(count, n)
    ends = b.t0_ts + (np.arange(count) + 1) * n * b.dt_s
    strokes = np.histogram(b.stroke_ts, np.concatenate(([b.t0_ts], ends)))[0]
    table = np.column_stack(
        (np.nanmean(p, 1), np.nanstd(p, 1), np.nanmin(p, 1), np.nanmax(p, 1), strokes)
    )
    return ends, table


def forest(recording: Recording, until_ts: float) -> tuple[bool, bool]:
    """(told between onset and until_ts, cried before): trained on the first two thirds before."""
    ends, table = windows(recording)
    before = np.flatnonzero(ends <= recording.onset_ts)
    train = table[before[: max(4, 2 * len(before) // 3)]]
    model = IsolationForest(n_estimators=100, random_state=0).fit(train)
    limit = model.score_samples(train).min()
    odd = model.score_samples(table) < limit
    rest = before[len(train) :]
    after = (ends > recording.onset_ts) & (ends <= until_ts + WINDOW_S)
    return bool(odd[after].any()), bool(odd[rest].any())


def thresholds(recording: Recording, until_ts: float) -> tuple[bool, bool]:
    """Mean pressure under 80 % of the set point, or over two strokes a second, for a minute."""
    ends, table = windows(recording)
    odd = (table[:, 0] < 0.8 * recording.spec.set_pa) | (table[:, 4] > 2.0 * WINDOW_S)
    after = (ends > recording.onset_ts) & (ends <= until_ts + WINDOW_S)
    return bool(odd[after].any()), bool(odd[ends <= recording.onset_ts].any())
