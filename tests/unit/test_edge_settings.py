"""NODE.toml: what is right is read, what is wrong is told at once with file, key and reason."""

from pathlib import Path

import pytest

from edge.settings import load_node
from edge.sources.ads1115 import Ads1115
from edge.sources.modbus import Modbus
from monitor.errors import BadSettings

PSI = 6894.757293168
GOOD = """
[node]
site = "pine-hollow"
id = "wall-1"
data_dir = "keep"
publish_hz = 25

[broker]
url = "mqtts://broker.example:8883"
username = "pine-hollow.wall-1"
password_file = "secret"
ca_file = "ca.pem"

[[pumps]]
id = "foam"
  [pumps.pressure]
  source = "ads1115"
  input = 0
  signal = "0.5-4.5 V"
  full_scale_psi = 150
  rate_hz = 125
  [pumps.strokes]
  source = "ripple"

[[pumps]]
id = "wax"
  [pumps.pressure]
  source = "modbus"
  host = "10.0.0.5"
  register = 3
  scale_kpa = 0.1
  [pumps.strokes]
  source = "gpio"
  line = 17
  [pumps.air]
  source = "ads1115"
  input = 1
  calibration = [{shown_psi = 0, true_psi = 0.5}, {shown_psi = 100, true_psi = 100.5}]
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "node.toml"
    path.write_text(text)
    return path


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(BadSettings) as caught:
        load_node(write(folder, text))
    assert all(fault.startswith("node.toml: ") for fault in caught.value.faults)
    return [fault.removeprefix("node.toml: ") for fault in caught.value.faults]


def test_a_good_file(tmp_path: Path) -> None:
    node = load_node(write(tmp_path, GOOD))
    assert (node.site, node.id, node.data_dir) == ("pine-hollow", "wall-1", tmp_path / "keep")
    assert node.broker.password_file == tmp_path / "secret"
    assert (node.broker.host, node.broker.port, node.broker.tls) == ("broker.example", 8883, True)
    foam, wax = node.pumps
    assert isinstance(foam.pressure, Ads1115)
    assert foam.pressure.full_scale_pa == pytest.approx(150 * PSI)
    assert foam.strokes == "ripple"
    assert isinstance(wax.pressure, Modbus)
    assert wax.pressure.scale_pa == pytest.approx(100.0)
    assert isinstance(wax.air, Ads1115)
    assert wax.air.calibration[1].true_pa == pytest.approx(100.5 * PSI)
    assert [(c.pump, c.role) for _, c in node.channels()] == [
        ("foam", "pressure"),
        ("wax", "pressure"),
        ("wax", "strokes"),
        ("wax", "air"),
    ]


def test_all_faults_come_at_once(tmp_path: Path) -> None:
    text = (
        GOOD.replace('site = "pine-hollow"', 'site = "pine hollow"')
        .replace("publish_hz = 25", "publish_hz = 500\ncolour = 1")
        .replace("input = 0", "input = 9")
        .replace('source = "gpio"', 'source = "iio"')
        .replace("register = 3", "")
    )
    found = faults(tmp_path, text)
    assert [fault.split(": ")[0] for fault in found] == [
        "pumps[0].pressure.input",
        "pumps[1].pressure.register",
        "pumps[1].strokes.source",
        "site",
        "publish_hz",
        "colour",
    ]
    assert "use modbus, counter_file, gpio or ripple" in found[2]
    assert "(it is 500)" in found[4]


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('id = "wax"', 'id = "foam"', "used twice"),
        ("rate_hz = 125", "rate_hz = 60", "no multiple of publish_hz"),
        ("rate_hz = 125", "rate_hz = 75", "ripple needs"),
        ('ca_file = "ca.pem"', "", "ca_file: missing"),
        ("mqtts://broker.example:8883", "mqtt://broker.example", "forgeable"),
        ("mqtts://", "mqtts://me:secret@", "password"),
        ("mqtts://", "https://", "broker.url"),
        ('password_file = "secret"', "", "has no password"),
        ('password_file = "secret"', 'password_file = "s"\npassword_env = "X"', "not both"),
        ('host = "10.0.0.5"', "", "either host"),
        ("input = 1", "input = 1\nrange_v = 3.3", "none of"),
        ('signal = "0.5-4.5 V"', 'signal = "0.5-4.5 V"\nrange_v = 4.096', "clips"),
        ("rate_hz = 125", "rate_hz = 475", "too much for one converter"),
        ("shown_psi = 100,", "shown_psi = 1,", "closer than 10 %"),
        ('id = "wax"', 'id = "wax"\ndemand = "reed"', "write a table"),
    ],
)
def test_single_faults(tmp_path: Path, old: str, new: str, word: str) -> None:
    assert old in GOOD
    assert any(word in fault for fault in faults(tmp_path, GOOD.replace(old, new, 1)))


def test_a_pump_without_pressure(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[node]\nsite="a"\nid="b"\n[[pumps]]\nid="p"\n')[:1]
    assert "pumps[0].pressure: missing" in fault


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[node", "TOML"),
        ('[node]\nsite="a"\nid="b"\n', "exactly one of"),
        ('[node]\nsite="a"\nid="b"\n[virtual]\nfile="v"\n[replay]\nfile="r"\npumps=["p"]\n', "one"),
        ('pumps = 3\n[node]\nsite="a"\nid="b"\n', "[[pumps]]"),
        ('node = "x"\n', "node: unknown key"),
    ],
)
def test_files_of_the_wrong_shape(tmp_path: Path, text: str, word: str) -> None:
    assert any(word in fault for fault in faults(tmp_path, text))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="no such file"):
        load_node(tmp_path / "none.toml")
