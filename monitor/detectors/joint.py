"""Is a whole draw unlike this pump's draws, though no single number stands out?

Two catch-alls on the same rows of scores (what `learned.py` makes of each feature, so that drift
and odd shapes are gone before): a robust multivariate distance (minimum covariance
determinant), which judges each draw, and an isolation forest, which looks at the latest draws
when asked and is thrown away afterwards, so that nothing has to be kept, stored or unpickled.
Both count only when most of the last draws are in the far share that the budget allows.

Both are jobs that somebody else may do: a fit needs scikit-learn, 150 MB in a process that has it
for good, so that a service lets a passing process do it and goes on with the last model meanwhile.
"""

import warnings
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from monitor.detectors.kept import Kept, rows
from monitor.detectors.run_length import share_for_runs

NEEDED, OF_LAST = 5, 8
"""Hits that count: five of the last eight draws (chosen: a far share of some percent is then
enough, which a window of two hundred draws can really show, and one odd function is not)."""

RIDGE = 0.05
"""Added to a correlation matrix, so that two features that say the same do not turn rounding into
distance (chosen: a twentieth of a sigma squared)."""

LEAST_ROWS_PER_FEATURE = 10
"""Rows a covariance needs for each feature. Ten keeps the F limit within 1.3 times chi-square."""


class Model(NamedTuple):
    """A fitted distance: columns used, their centre, covariance and its inverse, rows, limit."""

    columns: NDArray[np.intp]
    centre: NDArray[np.float64]
    covariance: NDArray[np.float64]
    inverse: NDArray[np.float64]
    rows: int
    far: float


@dataclass(frozen=True, slots=True, eq=False)
class DistanceJob:
    """Fit a distance to learnt rows; far: the share of rows that shall lie beyond its limit."""

    learnt: NDArray[np.float32]
    share: float

    def run(self) -> Model | None:
        """The model; None when too few columns are known and vary."""
        return _fit(self.learnt.astype(np.float64), self.share)


@dataclass(frozen=True, slots=True, eq=False)
class ForestJob:
    """Grow an isolation forest on rows, no value missing, and ask it of the latest ones.

    Source: F. T. Liu, K. M. Ting and Z.-H. Zhou, Isolation-based anomaly detection, ACM TKDD
    6 (2012); 50 trees of at most 128 rows: half of their 100 and 256, for the window is 200
    rows and the scores settle well before (computed).
    """

    known: NDArray[np.float64]
    last: NDArray[np.float64]
    share: float

    def run(self) -> tuple[bool, ...]:
        """Which of the latest rows lie far out."""
        # Imported when first needed: with it a start takes 2 s and 140 MB more.
        from sklearn.ensemble import IsolationForest

        forest = IsolationForest(
            n_estimators=50, max_samples=min(128, len(self.known)), random_state=0
        ).fit(self.known)
        # Small scores are far out. The rows it grew on look a little too near, hence the least.
        edge = np.quantile(forest.score_samples(self.known), self.share / 2)
        far = forest.score_samples(self.last) < edge
        return tuple(bool(x) for x in far & (np.abs(self.last).max(axis=1) >= 1.0))


Job = DistanceJob | ForestJob


@dataclass(slots=True)
class Ticket:
    """A job that was taken; `answer` counts once `done`, and is None when the job failed."""

    done: bool = False
    answer: Model | tuple[bool, ...] | None = None


Fitter = Callable[[Job], Ticket | None]
"""Takes a job; None when it is too busy, then it is asked again."""


def fit_at_once(job: Job) -> Ticket:
    """The fitter of recordings and tests: done on the spot."""
    return Ticket(done=True, answer=job.run())


@dataclass(slots=True)
class Joint:
    """The rows of one pump and what is fitted to them.

    features: length of a row; NaN = no score. arl0: draws per false alarm of this test.
    capacity: rows kept. refit_draws: after this many new rows it is fitted again; sooner while
    the window fills (each time it has doubled).
    """

    features: int
    arl0: float
    capacity: int = 200
    refit_draws: int = 400
    fitter: Fitter = fit_at_once
    hits: deque[bool] = field(default_factory=lambda: deque(maxlen=OF_LAST), init=False)
    latest: deque[NDArray[np.float64]] = field(
        default_factory=lambda: deque(maxlen=OF_LAST), init=False
    )
    model: Model | None = field(default=None, init=False, repr=False)
    _kept: Kept = field(init=False, repr=False)
    _new: int = field(default=0, init=False)
    _ticket: Ticket | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        self.restart()

    @property
    def share(self) -> float:
        """The far share a row must lie in to be a hit."""
        return share_for_runs(NEEDED, OF_LAST, self.arl0)

    @property
    def strange(self) -> bool:
        """Do the last draws, most of them, lie far out?"""
        return sum(self.hits) >= NEEDED

    def calm(self) -> None:
        """Forget what the latest draws looked like; what was learnt stays."""
        self.hits.clear()
        self.latest.clear()

    def restart(self) -> None:
        """Forget everything learnt."""
        self._kept = rows(self.capacity, OF_LAST + 1, self.features)
        self.calm()
        self.model, self._ticket, self._new = None, None, 0

    def update(self, row: NDArray[np.float64], *, learn: bool = True) -> bool:
        """Judge a row, then keep it if nothing speaks against it; `strange` as it now stands."""
        self._take_model()
        if self.model is not None:
            far = _tail(row, self.model)
            if far is not None:
                self.hits.append(far < self.model.far)
                self.latest.append(row)
        if not learn:
            self._kept.drop()
        elif not self.strange:
            self._kept.append(row)
            self._new += self._kept.admit(OF_LAST if self.model is not None else 0)
            self._fit_if_due()
        return self.strange

    def learn_all(self, scores: NDArray[np.float64]) -> None:
        """Keep many rows at once, oldest first; the next row that is judged has them fitted."""
        for row in scores:
            self._kept.append(row)
            self._new += self._kept.admit(0)

    def _fit_if_due(self) -> None:
        least = LEAST_ROWS_PER_FEATURE * max(self.features, 4)
        due = 1 if self.model is None else self.refit_draws
        if self.model is not None and self.model.rows < self.capacity // 2:
            due = self.model.rows
        if self._ticket is None and self._kept.count >= least and self._new >= due:
            self._ticket = self.fitter(DistanceJob(self._kept.learnt.copy(), self.share))
            self._take_model()

    def _take_model(self) -> None:
        """Take the model that was fitted meanwhile; without one it is tried again soon."""
        ticket = self._ticket
        if ticket is None or not ticket.done:
            return
        self._ticket, model = None, ticket.answer
        if isinstance(model, Model):
            self.model, self._new = model, 0
        else:
            self._new = -OF_LAST

    def review(self) -> Ticket | None:
        """Which of the latest rows a forest finds far out; none when it cannot tell, None: busy."""
        if self.model is None or len(self.latest) < OF_LAST:
            return Ticket(done=True, answer=())
        columns, centre = self.model.columns, self.model.centre
        known = self._kept.learnt.astype(np.float64)[:, columns]
        last = np.array(self.latest)[:, columns]
        known, last = (np.where(np.isnan(x), centre, x) for x in (known, last))
        return self.fitter(ForestJob(known, last, self.share))

    def moved(self) -> list[tuple[int, float]]:
        """(feature, mean score) of the far rows, the most telling first."""
        if self.model is None or not any(self.hits):
            return []
        model = self.model
        far = np.array([r for r, hit in zip(self.latest, self.hits, strict=True) if hit])
        z = far[:, model.columns] - model.centre
        known = ~np.isnan(z)
        mean = np.where(known, z, 0.0).sum(0) / np.maximum(known.sum(0), 1)
        # A feature's part in the distance: its deviation times what the others do not explain.
        part = mean * np.linalg.solve(model.covariance, mean)
        order = np.argsort(-part)
        return [(int(model.columns[i]), float(mean[i])) for i in order]


def _fit(learnt: NDArray[np.float64], share: float) -> Model | None:
    """A distance on the scores that are mostly known and vary; None if fewer than two do."""
    columns = np.flatnonzero(np.mean(~np.isnan(learnt), axis=0) >= 0.8)
    full = learnt[~np.isnan(learnt[:, columns]).any(axis=1)][:, columns]
    if len(full) < 20:
        return None
    vary = full.std(axis=0, ddof=1) > 0.2
    columns, full = columns[vary], full[:, vary]
    p = len(columns)
    if p < 2 or len(full) < LEAST_ROWS_PER_FEATURE * p / 2:
        return None
    from sklearn.covariance import MinCovDet  # when first needed, as above

    with warnings.catch_warnings():
        # Features that say the same make the matrix singular; the ridge below takes care of it.
        warnings.simplefilter("ignore")
        found = MinCovDet(random_state=0, support_fraction=0.75).fit(full)
    covariance = np.asarray(found.covariance_, np.float64)
    # A score of 1 is the least spread that matters: a number that keeps closer counts as if it
    # spread that much, or a drum's level would look far out.
    grow = 1 / np.clip(np.sqrt(np.diag(covariance)), 1e-6, 1.0)
    covariance = covariance * np.outer(grow, grow)
    # Whole numbers can have no spread at all in the robust half: they get the least one, too.
    np.fill_diagonal(covariance, np.maximum(np.diag(covariance), 1.0))
    covariance += RIDGE * np.eye(p)
    centre = np.asarray(found.location_, np.float64)
    inverse = np.asarray(np.linalg.inv(covariance), np.float64)
    model = Model(columns, centre, covariance, inverse, len(full), 0.0)
    tails = [t for row in learnt if (t := _tail(row, model)) is not None]
    # Real draws have longer tails than the F law: the limit is the window's own quantile if that
    # lies further out.
    return model._replace(far=min(share, float(np.quantile(tails, share))))


def _tail(row: NDArray[np.float64], model: Model) -> float | None:
    """The chance of a distance as large as the row's; None when most of its features are missing.

    Phase II law of Hotelling's T squared on the features that are there.
    """
    z = row[model.columns] - model.centre
    there = np.flatnonzero(~np.isnan(z))
    p = len(there)
    if p < 2 or p < len(z) / 2:
        return None
    if p == len(z):
        distance = float(z @ model.inverse @ z)
    else:
        z = z[there]
        distance = float(z @ np.linalg.solve(model.covariance[np.ix_(there, there)], z))
    m = model.rows
    scaled = distance * m * (m - p) / (p * (m + 1) * (m - 1))
    return float(fdtrc(p, m - p, scaled))
