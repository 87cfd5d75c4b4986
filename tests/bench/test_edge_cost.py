"""What the node costs: 8 pumps at 250 samples a second through the kernel's files and a broker.

Prints CPU share of one core of this machine and memory. A small single-board computer's core is
taken as 4 times slower (chosen; a figure is to be had on the board itself).
"""

import os
from pathlib import Path

import pytest
from edge_kit import Listener, Mosquitto, edge_process, until

from edge.clock import steady_s

PUMPS, RATE_HZ, MEASURE_S = 8, 250, 20.0
SMALL_CORE = 4.0


def node_file(folder: Path, port: int) -> Path:
    lines = [
        '[node]\nsite = "pine-hollow"\nid = "wall-1"\npublish_hz = 25\n'
        f'[broker]\nurl = "mqtt://127.0.0.1:{port}"\n'
    ]
    for device in range(2):
        tree = folder / "iio" / f"iio:device{device}"
        tree.mkdir(parents=True)
        (tree / "name").write_text(f"adc{device}\n")
        (tree / "in_voltage_scale").write_text("0.125\n")
        for channel in range(4):
            (tree / f"in_voltage{channel}_raw").write_text(f"{15000 + 100 * channel}\n")
    for pump in range(PUMPS):
        lines.append(
            f'[[pumps]]\nid = "pump-{pump}"\nstrokes = "ripple"\n[pumps.pressure]\n'
            f'source = "iio"\nroot = "{folder}/iio"\nname = "adc{pump // 4}"\n'
            f'channel = "voltage{pump % 4}"\nrate_hz = {RATE_HZ}\n'
        )
    path = folder / "node.toml"
    path.write_text("".join(lines))
    return path


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


@pytest.mark.broker
@pytest.mark.slow
def test_cost_of_eight_pumps(mosquitto_program: str, tmp_path: Path) -> None:
    broker = Mosquitto(mosquitto_program, tmp_path).start()
    listener = Listener(broker.port, "strokewise/1/+/+/data").start()
    process = edge_process("run", str(node_file(tmp_path, broker.port)))
    until(lambda: len(listener.got) >= PUMPS)
    begin_s, begin_cpu_s, begin_count = steady_s(), cpu_s(process.pid), len(listener.got)
    until(lambda: steady_s() - begin_s > MEASURE_S, 2 * MEASURE_S)
    passed_s = steady_s() - begin_s
    share = (cpu_s(process.pid) - begin_cpu_s) / passed_s
    count = len(listener.got) - begin_count
    memory = memory_mb(process.pid)
    process.terminate()
    _, err = process.communicate(timeout=20)
    listener.stop()
    broker.kill()
    assert process.returncode == 0, err
    print(
        f"\nnode, {PUMPS} pumps at {RATE_HZ}/s: {share:.1%} of this core "
        f"({share * SMALL_CORE:.0%} of a small one), {memory:.0f} MB, {count / passed_s:.1f} msg/s"
    )
    assert count == pytest.approx(PUMPS * passed_s, rel=0.15)
    assert memory < 90
    assert share < 0.6
