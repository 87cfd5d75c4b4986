from pathlib import Path

import pytest

from monitor.errors import BadSettings
from monitor.settings.service_file import load_settings, secret
from monitor.settings.site_file import load_site, minutes_of

GOOD = """
[site]
id = "pine-hollow"
time_zone = "America/Denver"
altitude_ft = 5280
[hours]
open = "07:30"
close = "21:00"
[[air_supplies]]
id = "main"
[[pumps]]
id = "presoak"
chemical = "invented presoak"
displacement_ml = 60
air_set_psi = 60
lift_ft = 4
suction = { length_ft = 15, bore_in = 0.375, material = "PE" }
fluid = { viscosity_cp = 5, drum_gal = 55, temperature_f = 68 }
"""


def site_from(tmp_path: Path, text: str):
    path = tmp_path / "site.toml"
    path.write_text(text)
    return load_site(path)


def test_units_a_person_writes_become_si(tmp_path):
    site = site_from(tmp_path, GOOD)
    pump = site.pump("presoak")
    # NIST SP 811: 1 psi = 6894.757 Pa, 1 ft = 0.3048 m, 1 US gal = 3.785412 L
    assert pump.air_set_pa == pytest.approx(413_685.4, abs=0.1)
    assert pump.lift_m == pytest.approx(1.2192)
    assert pump.suction.bore_m == pytest.approx(0.009525)
    assert pump.fluid.drum_ml == pytest.approx(208_197.6, rel=1e-6)
    assert pump.fluid.viscosity_pa_s == pytest.approx(0.005)
    assert pump.fluid.temperature_c == pytest.approx(20.0)
    assert pump.fluid.name == "invented presoak"
    assert (site.hours.open_min, site.hours.close_min) == (450, 1260)


def test_five_faults_come_at_once_each_with_line_key_and_remedy(tmp_path):
    bad = GOOD.replace("America/Denver", "Mars/Olympus")
    bad = bad.replace('open = "07:30"', 'open = "half past"')
    bad = bad.replace("lift_ft = 4", "lift_ft = 400")
    bad = bad.replace("displacement_ml = 60", 'displacement_ml = "big"')
    bad += 'air_supply = "annex"\ncolour = "red"\n'
    with pytest.raises(BadSettings) as caught:
        site_from(tmp_path, bad)
    faults = caught.value.faults
    assert len(faults) == 6
    text = "\n".join(faults)
    assert "site.toml:4: time_zone: 'Mars/Olympus' is no IANA time zone" in text
    assert "site.toml:7: hours.open: write a time of day" in text
    assert "site.toml:16: pumps[0].lift_ft:" in text
    assert "after conversion" in text
    assert "site.toml:14: pumps[0].displacement_ml:" in text
    assert "pumps[0].air_supply: no air supply 'annex' in this file; known: main" in text
    assert "pumps[0].colour: unknown key" in text


@pytest.mark.parametrize(
    ("text", "minutes"),
    [("00:00", 0), ("24:00", 1440), ("7:05", 425), ("24:01", None), ("7", None), ("a:b", None)],
)
def test_times_of_day(text, minutes):
    assert minutes_of(text) == minutes


def test_the_same_quantity_twice_is_a_fault(tmp_path):
    bad = GOOD.replace("lift_ft = 4", "lift_ft = 4\nlift_m = 1.2")
    with pytest.raises(BadSettings, match="keep one"):
        site_from(tmp_path, bad)


def test_broken_toml_and_missing_file_are_one_clear_fault(tmp_path):
    with pytest.raises(BadSettings, match="not valid TOML"):
        site_from(tmp_path, "[site\n")
    with pytest.raises(BadSettings, match="no such file"):
        load_site(tmp_path / "absent.toml")


def test_service_file_reports_its_own_and_its_sites_faults_together(tmp_path):
    (tmp_path / "a.toml").write_text(GOOD)
    (tmp_path / "b.toml").write_text(GOOD.replace("lift_ft = 4", "lift_ft = 400"))
    service = tmp_path / "strokewise.toml"
    service.write_text(
        'sites = ["a.toml", "b.toml", "c.toml"]\n[broker]\nurl = "http://x"\n[web]\nport = 99999\n'
    )
    with pytest.raises(BadSettings) as caught:
        load_settings(service)
    text = str(caught.value)
    assert "b.toml:16" in text
    assert "c.toml" in text
    assert "port" in text


def test_service_file_good(tmp_path):
    (tmp_path / "a.toml").write_text(GOOD)
    service = tmp_path / "strokewise.toml"
    service.write_text('sites = ["a.toml"]\ndata_dir = "d"\n')
    settings = load_settings(service)
    assert settings.sites[0].id == "pine-hollow"
    assert settings.data_dir == tmp_path / "d"
    assert settings.file.broker.url == "embedded"


def test_secret_file_others_may_read_is_refused(tmp_path):
    path = tmp_path / "token"
    path.write_text("abc\n")
    path.chmod(0o644)
    with pytest.raises(BadSettings, match="chmod 600"):
        secret(None, "token", tmp_path)
    path.chmod(0o600)
    assert secret(None, "token", tmp_path) == "abc"
    with pytest.raises(BadSettings, match="not set"):
        secret("STROKEWISE_SURELY_UNSET", None, tmp_path)
