"""When a drum will be empty: from its volume, the strokes since its change, and the week's rhythm.

The interval carries four doubts: the displacement of a stroke, what the dip tube cannot reach,
how much days differ, and how well their mean is known.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np

from monitor.reports.figures import Interval, z_of

LEVEL = 0.90
"""Two-sided level of the forecast (chosen: one in twenty drums may run out earlier than said)."""

KNOWN_SHARE, ASSUMED_SHARE = 0.03, 0.30
"""Doubt about the displacement: two catch tests must agree within 3 %; without one the setting is
a label's or a guess (chosen: pumps of the class reach from 30 to 120 mL)."""

LEFT_SHARE = 0.05
"""Of a drum may stay under the dip tube (chosen: 5 cm of the usual 90 cm)."""

USED_DAYS = 56
"""Days of use looked at: eight of each weekday (chosen)."""

LEAST_DAYS = 7
"""Fewer days say nothing about a week."""

FARTHEST_DAYS = 730

WEEKDAY_PRIOR = 2.0
"""Days of the overall mean mixed into each weekday's, so that one odd Tuesday is no rule."""


@dataclass(frozen=True, slots=True)
class Day:
    """Strokes that moved chemical on one local day; None = not watched, or not all day."""

    day: date
    strokes: float | None


@dataclass(frozen=True, slots=True)
class Drum:
    """The drum in use: volume when it was put in, strokes that moved chemical since then."""

    changed_ts: float
    volume_ml: float
    strokes_since: float


@dataclass(frozen=True, slots=True)
class Stroke:
    """What one stroke moves, and between which limits that lies; mL."""

    ml: float
    low_ml: float
    high_ml: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is left and when it ends. Days count from now; None: not within two years."""

    left_ml: Interval
    per_day_ml: float
    days: Interval
    basis: str

    @property
    def empty_now(self) -> bool:
        """May it be empty already?"""
        return self.left_ml.low is not None and self.left_ml.low <= 0


def stroke(displacement_ml: float, *, known: bool) -> Stroke:
    """The displacement from the site file with its doubt; known = from a catch test."""
    doubt = KNOWN_SHARE if known else ASSUMED_SHARE
    return Stroke(displacement_ml, displacement_ml * (1 - doubt), displacement_ml * (1 + doubt))


def stroke_from_drums(cycles: Sequence[tuple[float, float]]) -> Stroke | None:
    """The displacement that drums run empty tell: (volume mL, strokes) of each; None of none.

    Pooled volume over pooled strokes. What the dip tube leaves is the least doubt; two drums or
    more show their own spread.
    """
    whole = [(volume, strokes) for volume, strokes in cycles if volume > 0 and strokes > 0]
    if not whole:
        return None
    volumes, strokes = (np.array(column) for column in zip(*whole, strict=True))
    ml = float(volumes.sum() / strokes.sum()) * (1 - LEFT_SHARE / 2)
    spread = float(np.std(volumes / strokes, ddof=1)) / ml if len(whole) > 1 else 0.0
    doubt = max(LEFT_SHARE / 2, z_of(LEVEL) * spread / len(whole) ** 0.5)
    return Stroke(ml, ml * (1 - doubt), ml * (1 + doubt))


def forecast(drum: Drum, per_stroke: Stroke, days: Sequence[Day], today: date) -> Forecast | None:
    """When the drum ends, at the pace of the last eight weeks; None with under a week of days."""
    known = [d for d in days if d.strokes is not None and 0 < (today - d.day).days <= USED_DAYS]
    if len(known) < LEAST_DAYS:
        return None
    week, sigma, error = _rhythm(known)
    left = Interval(
        drum.volume_ml - drum.strokes_since * per_stroke.ml,
        drum.volume_ml * (1 - LEFT_SHARE) - drum.strokes_since * per_stroke.high_ml,
        drum.volume_ml - drum.strokes_since * per_stroke.low_ml,
    )
    ends = np.arange(FARTHEST_DAYS + 1, dtype=np.float64)
    expected = np.concatenate(
        ([0.0], np.cumsum([week[(today + timedelta(days=k)).weekday()] for k in range(len(ends))]))
    )[: len(ends)]
    room = z_of(LEVEL) * np.sqrt(ends * sigma**2 + (ends * error) ** 2)
    z_days = Interval(
        _crossing(expected, (left.value or 0.0) / per_stroke.ml),
        _crossing(expected + room, (left.low or 0.0) / per_stroke.high_ml),
        _crossing(np.maximum.accumulate(expected - room), (left.high or 0.0) / per_stroke.low_ml),
    )
    per_day_ml = float(np.mean(list(week.values()))) * per_stroke.ml
    basis = f"{len(known)} days of use, {drum.strokes_since:.0f} strokes since the drum was changed"
    return Forecast(left, per_day_ml, z_days, basis)


def _rhythm(days: Sequence[Day]) -> tuple[dict[int, float], float, float]:
    """(strokes expected by weekday, sigma of a day about it, standard error of the mean)."""
    values = np.array([d.strokes for d in days], np.float64)
    overall = float(values.mean())
    week: dict[int, float] = {}
    for weekday in range(7):
        same = [v for d, v in zip(days, values, strict=True) if d.day.weekday() == weekday]
        week[weekday] = (sum(same) + WEEKDAY_PRIOR * overall) / (len(same) + WEEKDAY_PRIOR)
    off = values - np.array([week[d.day.weekday()] for d in days])
    sigma = float(np.sqrt((off @ off) / max(len(values) - 1, 1)))
    # A short history fits its own weekdays too well; the plain spread is then the honest one.
    if len(days) < 21:
        sigma = max(sigma, float(values.std(ddof=1)))
    return week, sigma, sigma / len(values) ** 0.5


def _crossing(total: np.ndarray[tuple[int], np.dtype[np.float64]], wanted: float) -> float | None:
    """Days until a rising total reaches what is wanted, by straight lines; None if never."""
    if wanted <= 0:
        return 0.0
    if total[-1] < wanted:
        return None
    k = int(np.searchsorted(total, wanted))
    step = total[k] - total[k - 1]
    return float(k - 1 + (wanted - total[k - 1]) / step) if step > 0 else float(k)


def cycles(changes: Sequence[Drum], emptied_ts: Sequence[float]) -> list[tuple[float, float]]:
    """(volume, strokes) of the drums that ran empty: an empty-drum event lay in their last day.

    changes: every drum in time order, strokes_since counted up to the change that followed.
    """
    found = []
    for drum, following in pairwise(changes):
        last_day = following.changed_ts - 86_400.0
        if any(last_day <= ts <= following.changed_ts for ts in emptied_ts):
            found.append((drum.volume_ml, drum.strokes_since))
    return found
