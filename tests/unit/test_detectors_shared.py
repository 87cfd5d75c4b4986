"""Competing findings weighed into one, and pumps on one air supply speaking with one voice."""

from dataclasses import replace

from monitor.advice.kinds import Kind
from monitor.detectors.finding import Evidence, Finding, Presence
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


def test_a_pump_that_spoke_of_a_later_moment_is_cleared_after_it() -> None:
    siblings = Siblings(SITE)
    siblings.weigh([yes(Kind.LOW_AIR, "p0", T0 + 500)])
    got = siblings.weigh([yes(Kind.LOW_AIR, "p1", T0 + 60)])
    assert [f.ts for f in got if f.subject == "p0"] == [T0 + 500]


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


def test_suction_and_discharge_faults_are_never_shared() -> None:
    siblings = Siblings(SITE)
    for kind in (Kind.MISSED_PRIME, Kind.AIR_IN_SUCTION, Kind.AIRLOCK):
        for pump in ("p0", "p1", "p2"):
            got = siblings.weigh([yes(kind, pump)])
            assert [f.subject for f in got] == [pump]


def test_suctions_restricted_all_at_once_are_short_of_air() -> None:
    siblings = Siblings(SITE)
    assert siblings.weigh([yes(Kind.RESTRICTED_SUCTION, "p0")])[0].subject == "p0"
    got = siblings.weigh([yes(Kind.RESTRICTED_SUCTION, "p1", T0 + 60)])
    supply = got[0]
    assert (supply.subject, supply.kind) == ("air:main", Kind.AIR_SAG)
    assert supply.confidence < 0.7
    assert supply.causes[1][0] is Kind.RESTRICTED_SUCTION
    assert [(f.subject, f.kind, f.presence) for f in got[1:]] == [
        ("p0", Kind.RESTRICTED_SUCTION, Presence.NO)
    ]
    got = siblings.weigh([yes(Kind.AIR_SAG, "p2", T0 + 120)])
    assert [f.subject for f in got] == ["air:main"]
    assert got[0].confidence == 0.9


def test_a_pump_found_sound_while_another_lacked_air_has_a_matter_of_its_own() -> None:
    siblings = Siblings(SITE)
    siblings.weigh([yes(Kind.ICING, "p0")])
    siblings.weigh([no(Kind.ICING, "p1", T0 + 1200)])
    siblings.weigh([yes(Kind.ICING, "p0", T0 + 1500)])
    got = siblings.weigh([yes(Kind.ICING, "p1", T0 + 1800)])
    assert [f.subject for f in got] == ["p1"]


def test_a_pump_of_a_lower_set_point_is_content_with_what_others_lack() -> None:
    site = Site(id="s", pumps=(*SITE.pumps, Pump(id="low", air_set_pa=280e3)))
    for sound, subjects in (("low", ["air:main", "p0"]), ("p1", ["p1"])):
        siblings = Siblings(site)
        stalls = (Evidence("stall pressure", 300e3, "Pa"),)
        siblings.weigh([replace(yes(Kind.LOW_AIR, "p0"), evidence=stalls)])
        siblings.weigh([no(Kind.LOW_AIR, sound, T0 + 1200)])
        got = siblings.weigh([replace(yes(Kind.LOW_AIR, "p1", T0 + 1800), evidence=stalls)])
        assert [f.subject for f in got] == subjects


def test_what_was_only_unusual_goes_under_the_supply_once_that_is_named() -> None:
    siblings = Siblings(SITE)
    siblings.weigh([yes(Kind.UNUSUAL, "p2")])
    siblings.weigh([yes(Kind.UNUSUAL, "p3")])
    siblings.weigh([no(Kind.UNUSUAL, "p3", T0 + 30)])
    siblings.weigh([yes(Kind.AIR_SAG, "p0", T0 + 60)])
    got = siblings.weigh([yes(Kind.AIR_SAG, "p1", T0 + 90)])
    assert [(f.subject, f.kind) for f in got if f.presence is Presence.NO] == [
        ("p0", Kind.AIR_SAG),
        ("p2", Kind.UNUSUAL),
    ]


def test_pumps_that_stall_at_unlike_pressures_lack_air_each_for_itself() -> None:
    for second_pa, subject in ((290e3, "air:main"), (200e3, "p1")):
        siblings = Siblings(SITE)
        for pump, value in (("p0", 300e3), ("p1", second_pa)):
            stalls = (Evidence("stall pressure", value, "Pa"),)
            got = siblings.weigh([replace(yes(Kind.LOW_AIR, pump), evidence=stalls)])
        assert got[0].subject == subject


def test_while_the_supply_is_in_trouble_its_pumps_say_nothing_of_their_air() -> None:
    siblings = Siblings(SITE)
    siblings.weigh([yes(Kind.LOW_AIR, "p0")])
    siblings.weigh([yes(Kind.LOW_AIR, "p1", T0 + 60)])
    assert siblings.weigh([yes(Kind.UNUSUAL, "p2", T0 + 90), yes(Kind.ICING, "p2", T0 + 90)]) == []
    got = siblings.weigh([yes(Kind.MISSED_PRIME, "p2", T0 + 90), no(Kind.ICING, "p2", T0 + 90)])
    assert [f.kind for f in got] == [Kind.MISSED_PRIME, Kind.ICING]
    siblings.weigh([no(Kind.LOW_AIR, "p1", T0 + 120)])
    assert siblings.weigh([yes(Kind.UNUSUAL, "p2", T0 + 180)]) != []


def test_an_empty_site_watch_says_no_data() -> None:
    watch = SiteWatch(SITE)
    assert watch.now("p0").state == "no data"
    assert watch.tick(T0).findings == ()
