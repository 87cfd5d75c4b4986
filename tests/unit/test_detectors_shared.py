"""Competing findings weighed into one, and pumps on one air supply speaking with one voice."""

from monitor.advice.kinds import Kind
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.rank import rank
from monitor.detectors.siblings import Siblings
from monitor.detectors.watch import SiteWatch
from monitor.site import Pump, Site

T0 = 1_750_000_000.0
SITE = Site(id="s", pumps=tuple(Pump(id=f"p{i}") for i in range(4)))


def yes(kind: Kind, subject: str = "p0", ts: float = T0, sure: float = 0.8) -> Finding:
    return Finding(
        subject, kind, Presence.YES, ts, ts, sure, 0.5, f"{kind}: said", (), ((kind, 1.0),)
    )


def no(kind: Kind, subject: str = "p0", ts: float = T0) -> Finding:
    return Finding(subject, kind, Presence.NO, ts, ts)


def test_a_consequence_goes_under_its_cause() -> None:
    got = rank([yes(Kind.LOW_AIR), yes(Kind.RESTRICTED_SUCTION)])
    assert [f.kind for f in got] == [Kind.LOW_AIR]
    assert dict(got[0].causes)[Kind.RESTRICTED_SUCTION] > 0
    assert abs(sum(w for _, w in got[0].causes) - 1.0) < 1e-9


def test_of_two_that_explain_each_other_the_surer_stays() -> None:
    a, b = yes(Kind.AIRLOCK, sure=0.9), yes(Kind.LOST_PRIME, sure=0.7)
    assert [f.kind for f in rank([a, b])] == [Kind.AIRLOCK]
    a, b = yes(Kind.AIRLOCK, sure=0.6), yes(Kind.LOST_PRIME, sure=0.7)
    assert [f.kind for f in rank([a, b])] == [Kind.LOST_PRIME]


def test_a_no_passes_and_what_stands_silences_later_ones() -> None:
    got = rank([no(Kind.LOW_AIR), yes(Kind.WORN)], frozenset({Kind.BALL_LEAK}))
    assert [(f.kind, f.presence) for f in got] == [(Kind.LOW_AIR, Presence.NO)]


def test_two_pumps_low_on_air_are_one_matter_of_the_supply() -> None:
    siblings = Siblings(SITE)
    assert siblings.weigh([yes(Kind.LOW_AIR, "p0")])[0].subject == "p0"
    got = siblings.weigh([yes(Kind.LOW_AIR, "p1", T0 + 60)])
    supply = [f for f in got if f.subject == "air:main"]
    assert len(supply) == 1
    assert supply[0].presence is Presence.YES
    assert "2 of 2 pumps" in supply[0].sentence
    cleared = [f for f in got if f.subject == "p0"]
    assert [f.presence for f in cleared] == [Presence.NO]


def test_the_supply_clears_when_its_pumps_do() -> None:
    siblings = Siblings(SITE)
    siblings.weigh([yes(Kind.LOW_AIR, "p0")])
    siblings.weigh([yes(Kind.LOW_AIR, "p1", T0 + 60)])
    got = siblings.weigh([no(Kind.LOW_AIR, "p0", T0 + 120)])
    assert ("air:main", Presence.NO) in [(f.subject, f.presence) for f in got]


def test_one_pump_of_three_is_its_own_matter() -> None:
    siblings = Siblings(SITE)
    siblings.weigh([no(Kind.LOW_AIR, "p0")])
    siblings.weigh([no(Kind.LOW_AIR, "p1")])
    got = siblings.weigh([yes(Kind.LOW_AIR, "p2", T0 + 60)])
    assert [f.subject for f in got] == ["p2"]


def test_suction_faults_are_never_shared() -> None:
    siblings = Siblings(SITE)
    for pump in ("p0", "p1", "p2"):
        got = siblings.weigh([yes(Kind.RESTRICTED_SUCTION, pump)])
        assert [f.subject for f in got] == [pump]


def test_an_empty_site_watch_says_no_data() -> None:
    watch = SiteWatch(SITE)
    assert watch.now("p0").state == "no data"
    assert watch.tick(T0).findings == ()
