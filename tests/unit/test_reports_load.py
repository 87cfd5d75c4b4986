"""From the store to the reports: what was written comes out counted, and a day only once."""

from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.types import Alarm, Change, State, What
from monitor.reports import days, load
from monitor.reports.leaks import Prices
from monitor.reports.tally import Fault
from monitor.signals.types import Episode
from monitor.site import Fluid, Pump, Site
from monitor.store.alarm_book import SCHEMA as ALARMS
from monitor.store.alarm_book import AlarmBook
from monitor.store.core import Core
from monitor.store.episodes import SCHEMA as EPISODES
from monitor.store.episodes import EpisodeBook
from monitor.store.interface import Series
from monitor.store.work_log import SCHEMA as WORK
from monitor.store.work_log import Entry, Work, WorkLog

ZONE = ZoneInfo("America/Chicago")
DAY_S = 86_400.0
NOW = datetime(2026, 6, 1, 12, tzinfo=ZONE).timestamp()
SITE = Site(
    id="north", label="North yard", time_zone="America/Chicago",
    pumps=(Pump(id="P1", label="Soap", bays=("1",), fluid=Fluid(drum_ml=100_000)),
           Pump(id="P2", label="Wax", bays=("1", "2"))),
)  # fmt: skip


class Gaps:
    """Stands for a store: only its gaps are asked for here."""

    def __init__(self, gaps=()):
        self.gaps = gaps

    def read(self, _site, pump, span, *, level=None):
        inside = tuple(
            (max(a, span[0]), min(b, span[1])) for a, b in self.gaps if a < span[1] and b > span[0]
        )
        none = np.empty(0)
        return Series(pump, level, none, none, none, none, none, None, None, inside)


@pytest.fixture
def core(tmp_path):
    made = Core(tmp_path, [EPISODES, WORK, ALARMS])
    yield made
    made.close()


def fill(core, pump="P1", n_days=60, per_day=10, strokes=20):
    midnight = datetime(2026, 6, 1, tzinfo=ZONE).timestamp()
    found = []
    for day in range(1, n_days + 1):
        for k in range(per_day):
            at = midnight - day * DAY_S + 46_800 + k * 900
            features = {"stall_after_pa": 4e5, "demand_pa": 3e5, "dry_strokes": 0.0, "x": None}
            found.append(Episode(pump, "draw", at, at + 20, False, strokes, features))
    EpisodeBook(core).add("north", *found)


def loader(core, gaps=(), **more):
    return load.Loader(days.DayTallies(core, Gaps(gaps)), SITE, **more)


def alarm(subject, kind, since, *, active=True, state=State.NOT_ACKNOWLEDGED, count=1):
    return Alarm(
        f"north.{subject}.{since}", "north", subject, kind, Priority.ACT_NOW, state, active, False,
        since, since, since, None, None, None, count, 0.9, 0.5, "", (), ((kind, 1.0),),
    )  # fmt: skip


def happened(core, *changes):
    AlarmBook(core).save("north", changes, {})


def test_a_month_is_counted_from_the_store_and_its_days_are_remembered(core):
    fill(core)
    one = loader(core)
    month = (NOW - 30 * DAY_S, NOW)
    got = one.comparison(month, (NOW - 60 * DAY_S, month[0]), NOW)
    assert got.total.draws == 300
    assert got.before == (NOW - 60 * DAY_S, month[0])
    assert [row.key for row in got.rows] == ["1", "2"]
    known = len(one.tallies._known)
    assert known >= 60

    reads = []
    lean = EpisodeBook.lean
    EpisodeBook.lean = lambda self, *asked: reads.append(asked) or lean(self, *asked)
    try:
        assert one.comparison(month, (NOW - 60 * DAY_S, month[0]), NOW) == got
        assert reads == []
        # A late episode of a day that was over counts.
        late = Episode("P1", "draw", NOW - 5 * DAY_S, NOW - 5 * DAY_S + 9, False, 7, {})
        EpisodeBook(core).add("north", late)
        assert one.comparison(month, None, NOW).total.draws == 301
        assert len(reads) == 1
    finally:
        EpisodeBook.lean = lean


def test_days_are_cut_at_the_sites_midnights_and_join_to_the_same_tally(core):
    fill(core)
    span = (NOW - 3.3 * DAY_S, NOW)
    cuts = list(days.days(span, SITE))
    assert cuts[0][0] == span[0]
    assert cuts[-1][1] == span[1]
    assert all(a[1] == b[0] for a, b in pairwise(cuts))
    assert all(datetime.fromtimestamp(a, ZONE).hour == 0 for a, _ in cuts[1:])
    empty = loader(core).tallies.of(SITE, SITE.pumps[0], (NOW, NOW), ())
    assert empty.draws == 0


def test_the_tallies_memory_is_bounded(core, monkeypatch):
    monkeypatch.setattr(days, "MOST_DAYS", 5)
    one = loader(core)
    one.parts((NOW - 30 * DAY_S, NOW), None, NOW)
    assert len(one.tallies._known) == 5


def test_faults_are_read_from_the_history_with_their_ends(core):
    at = NOW - 2 * DAY_S
    raised = alarm("P1", Kind.AIRLOCK, at)
    gone = alarm("P1", Kind.AIRLOCK, at, active=False, state=State.RETURNED)
    again = alarm("P1", Kind.AIRLOCK, at, count=2)
    hidden = alarm("P2", Kind.LOW_AIR, at, state=State.SUPPRESSED)
    air = alarm("air:main", Kind.LOW_AIR, at)
    happened(
        core,
        Change(at + 5, "P1", What.RAISED, "system", after=raised),
        Change(at + 6, "P2", What.SUPPRESSED, "system", after=hidden),
        Change(at + 9, "air:main", What.RAISED, "system", after=air),
        Change(at + 60, "P1", What.CLEARED, "system", after=gone),
        Change(at + 600, "P1", What.REPEATED, "system", after=again),
        Change(at + 700, "P1", What.OUT_OF_SERVICE, "tech"),
    )
    found = loader(core).faults((NOW - 30 * DAY_S, NOW))
    assert [(f.start_ts, f.end_ts) for f in found["P1"]] == [(at, at + 60), (at + 600, None)]
    assert "P2" not in found
    mine = load.of_pump(found, SITE.pumps[1])
    assert [(f.kind, f.shared) for f in mine] == [(Kind.LOW_AIR, True)]
    # A shared fault spoils draws and time, and is no failure of the pump.
    fill(core, "P2")
    got = loader(core).comparison((NOW - 30 * DAY_S, NOW), None, NOW, by="Pump")
    wax = got.rows[1]
    assert wax.failures == 0
    assert wax.down_s == pytest.approx(2 * DAY_S)
    assert wax.bad_draws == 20  # two afternoons


def test_a_long_history_is_read_page_by_page(core, monkeypatch):
    monkeypatch.setattr(load, "PAGE_ROWS", 3)
    at = NOW - DAY_S
    for k in range(4):
        on, off = alarm("P1", Kind.AIR_SAG, at + k), alarm(
            "P1", Kind.AIR_SAG, at + k, active=False, state=State.NORMAL
        )  # fmt: skip
        happened(core, Change(at + k, "P1", What.RAISED, "s", after=on),
                 Change(at + k + 0.5, "P1", What.CLEARED, "s", after=off))  # fmt: skip
    assert len(loader(core).faults((NOW - 2 * DAY_S, NOW))["P1"]) == 4


def test_the_work_log_corrects_the_pump(core):
    log = WorkLog(core)
    log.add(Entry("north", "P1", NOW - 99, Work.CATCH_TEST, "t", "", {"displacement_ml": 50.0}))
    log.add(Entry("north", "P1", NOW - 9, Work.CATCH_TEST, "t", "", {"displacement_ml": 55.0}))
    log.add(Entry("north", "P1", NOW - 9, Work.SET_POINT, "t", "", {"air_set_pa": 5e5}))
    pump, other = loader(core).pumps(NOW)
    assert (pump.displacement_ml, pump.displacement_known, pump.air_set_pa) == (55.0, True, 5e5)
    assert other == SITE.pumps[1]


def test_a_drum_is_forecast_from_its_change(core):
    fill(core, n_days=60)
    one = loader(core)
    assert one.drum(SITE.pumps[0], NOW, {}) is None
    changed = NOW - 4 * DAY_S
    WorkLog(core).add(Entry("north", "P1", changed, Work.DRUM_CHANGED, "t"))
    got = one.drum(SITE.pumps[0], NOW, {})
    # 200 strokes a day of 60 mL: 12 L a day; four whole days since the change.
    assert got.per_day_ml == pytest.approx(12_000)
    assert got.left_ml.value == pytest.approx(100_000 - 4 * 12_000)
    assert WorkLog(core).add(Entry("north", "P2", changed, Work.DRUM_CHANGED, "t"))
    assert one.drum(SITE.pumps[1], NOW, {}) is None  # its volume is not known


def test_a_drum_that_ran_empty_tells_the_displacement(core):
    fill(core, n_days=60)
    log, first = WorkLog(core), datetime(2026, 5, 1, tzinfo=ZONE).timestamp()
    log.add(Entry("north", "P1", first, Work.DRUM_CHANGED, "t"))
    log.add(Entry("north", "P1", first + 10 * DAY_S, Work.DRUM_CHANGED, "t"))
    emptied = {"P1": [Fault(Kind.DRUM_EMPTY, first + 9.8 * DAY_S, first + 10 * DAY_S)]}
    got = loader(core).drum(SITE.pumps[0], NOW, emptied)
    # 100 L in 2000 strokes: 50 mL, less what the dip tube leaves.
    assert got.per_day_ml == pytest.approx(200 * 50 * 0.975)


def test_the_sheet_is_made_from_the_store(core):
    fill(core)
    at = NOW - 7200
    raised, supply = alarm("P1", Kind.AIRLOCK, at), alarm("air:main", Kind.LOW_AIR, at)
    node = alarm("node:node1", Kind.NODE_SILENT, at)
    happened(core, Change(at, "P1", What.RAISED, "system", after=raised))
    WorkLog(core).add(Entry("north", "P1", NOW - DAY_S, Work.SEALS, "t", "parts: ball kit"))
    got = loader(core, prices={"": Prices("EUR", bad_draw=2.0)}).sheet([raised, supply, node], NOW)
    assert {page.pump for page in got.pumps} == {"P1", "air:main", "node:node1"}
    page = next(page for page in got.pumps if page.pump == "P1")
    assert page.work == ("31 May 2026, seals: parts: ball kit (t)",)
    assert page.worst == (at - 600, at + 3000)
    assert "EUR 20" in page.saves
    assert {r.name: r.expected for r in page.readings}["Discharge pressure at rest"] == (
        "about 58 psi"
    )
    node_page = next(page for page in got.pumps if page.pump == "node:node1")
    assert node_page.label == "Node node1"
    foreign = loader(core).sheet([alarm("P9", Kind.AIRLOCK, at)], NOW)
    assert foreign.pumps == ()


def test_no_data_of_the_period_before_is_said(core):
    fill(core, n_days=20)
    month = (NOW - 30 * DAY_S, NOW)
    before = (NOW - 60 * DAY_S, month[0])
    got = loader(core, gaps=[before]).comparison(month, before, NOW)
    assert got.before is None
    assert any("period before" in note for note in got.notes)


def test_the_worst_event_is_the_most_pressing_then_the_longest():
    span = (0.0, 100.0)
    slow = Fault(Kind.WORN, 5.0, None, Priority.NEXT_VISIT)
    short, long = (Fault(Kind.AIRLOCK, t, t + n, Priority.ACT_NOW) for t, n in ((10, 5), (20, 50)))
    assert load.worst([slow, short, long], span) == (20 - 600.0, 20 + 3000.0)
    assert load.worst([], span) is None
    assert load.usual([], "stall_after_pa") is None
