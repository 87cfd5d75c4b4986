"""The installation check line by line; limits are common practice unless said otherwise."""

import pytest

from monitor.hydraulics.installation import CHECKS, Line, check_site
from monitor.site import AirSupply, Fluid, Pump, Site
from monitor.site import Line as Hose
from monitor.units import M_PER_FT, M_PER_IN, PA_PER_PSI

GOOD: dict[str, object] = {
    "id": "p1",
    "displacement_ml": 60.0,
    "displacement_known": True,
    "seal": "TPV",
    "air_set_pa": 60 * PA_PER_PSI,
    "lift_m": 3 * M_PER_FT,
    "suction": Hose(length_m=10 * M_PER_FT, bore_m=0.5 * M_PER_IN, material="PE"),
    "discharge": Hose(length_m=15.0, bore_m=0.375 * M_PER_IN, material="PE"),
    "foot_valve_crack_pa": 0.5 * PA_PER_PSI,
    "check_valve_crack_pa": 2.0 * PA_PER_PSI,
    "outlet_height_m": 1.0,
    "ports_down": True,
    "tip_m": 0.0015,
    "fluid": Fluid(
        specific_gravity=1.05,
        viscosity_pa_s=0.002,
        temperature_c=18.0,
        ph=11.0,
        solvent=False,
        fluoride=False,
        drum_ml=208_000.0,
    ),
}


def lines(altitude_m: float = 0.0, units: str = "us", **changes: object) -> dict[str, Line]:
    """The check of one pump, by name."""
    pump = Pump.model_validate(GOOD | changes)
    site = Site(
        id="hilltop",
        altitude_m=altitude_m,
        units=units,  # type: ignore[arg-type] # a plain word is clearer in tests
        air_supplies=(AirSupply(id="main", dew_point_c=-22.0),),
        pumps=(pump,),
    )
    return {found.name: found for found in check_site(site)}


def test_a_good_installation_has_nothing_to_change_but_the_unknowable() -> None:
    found = lines()
    odd = [n for n, one in found.items() if one.verdict != "ok"]
    assert odd == ["peak when a bay closes, at most"], "the hose's rating is on the hose"


def test_every_line_is_whole_and_names_its_source() -> None:
    for found in lines(lift_m=3.0, seal="unknown").values():
        assert found.source
        assert found.verdict in ("ok", "warn", "bad", "unknown")
        assert found.what_to_change or found.verdict == "ok"


@pytest.mark.parametrize(
    ("air_psi", "verdict"), [(19, "bad"), (20, "ok"), (60, "ok"), (100, "ok"), (101, "bad")]
)
def test_air_20_to_100_psi(air_psi: float, verdict: str) -> None:
    assert lines(air_set_pa=air_psi * PA_PER_PSI)["air pressure"].verdict == verdict


@pytest.mark.parametrize(
    ("dew_c", "verdict"), [(-22.0, "ok"), (3.0, "ok"), (10.0, "warn"), (None, "unknown")]
)
def test_air_dryness(dew_c: float | None, verdict: str) -> None:
    supply = AirSupply(id="main", dew_point_c=dew_c)
    site = Site(id="hilltop", air_supplies=(supply,), pumps=(Pump.model_validate(GOOD),))
    found = next(one for one in check_site(site) if one.name == "air dew point")
    assert found.verdict == verdict


def test_lift_over_4_ft_shows_its_margin() -> None:
    assert lines(lift_m=4 * M_PER_FT)["lift above liquid"].verdict == "ok"
    high = lines(lift_m=6 * M_PER_FT)["lift above liquid"]
    assert high.verdict == "warn"
    assert "computed margin" in high.what_to_change
    assert lines(lift_m=9.9)["lift above liquid"].verdict == "bad"


def test_a_lift_of_30_ft_is_beyond_the_sky_at_altitude() -> None:
    # At 3000 m the air lifts 22.7 ft of water (US Standard Atmosphere 1976, IAPWS-IF97).
    found = lines(altitude_m=3000.0, lift_m=23 * M_PER_FT)
    assert found["suction head left in a draw"].verdict == "bad"


def test_run_over_15_ft() -> None:
    hose = Hose(length_m=16 * M_PER_FT, bore_m=0.5 * M_PER_IN)
    assert lines(suction=hose)["suction run"].verdict == "warn"


def test_narrow_bore_with_thick_chemical_is_told_to_widen() -> None:
    thick = Fluid(viscosity_pa_s=0.2, ph=11, solvent=False, fluoride=False, temperature_c=18.0)
    hose = Hose(length_m=15 * M_PER_FT, bore_m=0.25 * M_PER_IN)
    found = lines(suction=hose, fluid=thick)["suction head left in a draw"]
    assert found.verdict == "bad"
    assert "wider suction hose" in found.what_to_change


def test_check_and_foot_valves() -> None:
    assert lines(check_valve_crack_pa=2.5 * PA_PER_PSI)["check valve opens at"].verdict == "bad"
    foot = lines(foot_valve_crack_pa=2.0 * PA_PER_PSI)["foot valve opens at"]
    assert foot.verdict == "warn"
    # 2 psi of a liquid of 1.05 are 2/(0.4327·1.05) = 4.4 ft.
    assert "4.4 ft" in foot.what_to_change


@pytest.mark.parametrize(("down", "verdict"), [(True, "ok"), (False, "bad"), (None, "unknown")])
def test_ports(*, down: bool | None, verdict: str) -> None:
    assert lines(ports_down=down)["ports facing down"].verdict == verdict


def test_siphon_when_the_drum_stands_above_the_outlet() -> None:
    # Liquid 1 m over the pump, outlet level with it: it can run through the stopped pump.
    assert (
        lines(lift_m=-1.0, outlet_height_m=0.0)["liquid level above the outlet"].verdict == "warn"
    )
    assert lines(outlet_height_m=None)["liquid level above the outlet"].verdict == "unknown"


def test_seal_lines_never_pass_what_is_not_stated() -> None:
    bare = Fluid(specific_gravity=1.05)
    for seal in ("TPV", "EPDM", "FKM", "FFKM", "PTFE", "unknown"):
        found = [o for n, o in lines(fluid=bare, seal=seal).items() if n.startswith("seal")]
        assert len(found) == 4
        assert {one.verdict for one in found} == {"unknown"}


def test_what_rests_on_a_default_is_not_ticked() -> None:
    site = Site(id="hilltop", pumps=(Pump(id="p1"),))
    ticked = {one.name for one in check_site(site) if one.verdict == "ok"}
    assert ticked <= {"pressure sensor's full scale", "air a stroke, at most"}


def test_expected_figures_against_a_time_stepped_pump() -> None:
    # 60 psi, 1.5 mm tip, no line, no lift: simulated 56.9 psi and 0.511 strokes/s; here with 2 psi
    # of check valve, 1 m of rise and 3 ft of lift in the way.
    found = lines()
    assert found["expected pressure in a draw"].value == pytest.approx(55.3 * PA_PER_PSI, rel=0.02)
    assert found["expected stroke rate in a draw"].value == pytest.approx(0.48, rel=0.06)
    assert found["expected stall pressure"].value == pytest.approx(57.2 * PA_PER_PSI, rel=0.01)


def test_strokes_a_drum() -> None:
    assert lines()["strokes a full drum"].value == pytest.approx(208_000 / 60)
    assert lines(displacement_known=False)["strokes a full drum"].verdict == "unknown"


def test_a_tip_too_big_for_the_class() -> None:
    wide = Hose(length_m=3.0, bore_m=0.02)
    found = lines(tip_m=0.012, discharge=wide, air_set_pa=100 * PA_PER_PSI)
    assert found["expected stroke rate in a draw"].verdict == "warn"


def test_prime_that_a_worn_pump_cannot_make() -> None:
    found = lines(lift_m=12 * M_PER_FT)["strokes to prime, at most"]
    assert found.verdict == "warn"
    assert found.value is None


def test_metric_site_reads_metric() -> None:
    assert lines(units="metric")["air pressure"].limit == "1.38 bar to 6.89 bar"


def test_sensor_range() -> None:
    small = {"sensors": {"full_scale_pa": 60 * PA_PER_PSI}}
    assert lines(**small)["pressure sensor's full scale"].verdict == "warn"


def test_several_pumps_each_get_every_check() -> None:
    pumps = tuple(Pump.model_validate(GOOD | {"id": name}) for name in ("p1", "p2"))
    found = check_site(Site(id="hilltop", pumps=pumps))
    assert {one.pump for one in found} == {"p1", "p2"}
    assert len(found) >= 2 * len(CHECKS)
