"""Coverage-guided fuzzing of what strangers send: wire (payloads), csv, settings (site files).

`python tests/bench/fuzz/fuzz_inputs.py wire -max_total_time=60`; needs the package atheris.
Anything but our own refusals is a finding: the run stops and leaves the input that did it.
"""

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["monitor", "cbor2", "msgspec"]):
    from monitor import wire
    from monitor.errors import BadMessage, BadRecording, BadSettings
    from monitor.intake.recording import Recording
    from monitor.settings.site_file import load_site
    from monitor.site import Pump, Site

TOPIC = wire.data_topic("maple-street", "presoak-1")
FOLDER = Path(tempfile.mkdtemp())
SITE = Site(id="maple-street", pumps=(Pump(id="presoak-1"),))


def fuzz_wire(data: bytes) -> None:
    try:
        wire.decode(TOPIC, data)
    except BadMessage:
        return


def fuzz_csv(data: bytes) -> None:
    path = FOLDER / "a.csv"
    path.write_bytes(b"time,pump,pressure_psi,strokes\n" + data)
    try:
        for _ in Recording(path, SITE).blocks():
            pass
    except BadRecording:
        return


def fuzz_settings(data: bytes) -> None:
    path = FOLDER / "site.toml"
    path.write_bytes(b'[site]\nid = "a"\n[[pumps]]\nid = "b"\n' + data)
    try:
        load_site(path)
    except BadSettings:
        return


TARGETS = {"wire": fuzz_wire, "csv": fuzz_csv, "settings": fuzz_settings}

if __name__ == "__main__":
    target = TARGETS[sys.argv.pop(1)]
    atheris.Setup(sys.argv, target)
    atheris.Fuzz()
