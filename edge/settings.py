"""Reads NODE.toml into frozen models: every fault at once, with file, key and reason.

Pressures may be written in psi, bar or kPa by the ending of their key (`full_scale_psi = 150`);
inside they are Pa. Relative paths count from the settings file.
"""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlsplit

from pydantic import Field, ValidationError

from edge.model import Frozen, Measured, Name
from edge.sources.members import MEMBERS, RIPPLE, Member, by_device, member
from edge.sources.replay import PA_PER, Replay
from edge.sources.sampled import Channel
from edge.sources.source import Role
from edge.sources.virtual import Virtual
from monitor.errors import BadSettings

ROLES: tuple[Role, ...] = ("pressure", "strokes", "demand", "air")
LOOPBACK = ("localhost", "127.0.0.1", "::1")


class Broker(Frozen):
    """Where to send. mqtts:// is TLS with the one CA of ca_file; mqtt:// stays in the machine."""

    url: str = Field("mqtt://127.0.0.1:1883", pattern=r"^mqtts?://[^/\s]+$")
    username: str | None = None
    password_file: Path | None = None
    password_env: str | None = None
    ca_file: Path | None = None
    protocol: Literal["5", "3.1.1"] = Field(
        "5", description="3.1.1 cannot tell a refused message from a stored one"
    )
    keep_alive_s: int = Field(30, ge=5, le=600)
    plain_on_network: bool = Field(
        False, description="true allows mqtt:// to another machine: readable and forgeable there"
    )

    @property
    def host(self) -> str:
        """The broker's host."""
        return urlsplit(self.url).hostname or ""

    @property
    def port(self) -> int:
        """The broker's port: as written, else 8883 with TLS and 1883 without (IANA)."""
        return urlsplit(self.url).port or (8883 if self.tls else 1883)

    @property
    def tls(self) -> bool:
        """Whether the line is encrypted."""
        return self.url.startswith("mqtts:")


class OutboxSettings(Frozen):
    """What is kept on disk, for an outage and for the monitor's questions."""

    max_mb: int = Field(
        1024, ge=1, le=100_000, description="computed: 8 pumps for 4 days at 25 samples a second"
    )
    max_age_days: float = Field(14.0, gt=0, le=365)
    keep_sent: int = Field(
        30_000, ge=0, description="an hour of 8 pumps: a broker may die with what it receipted"
    )
    back_fill: Literal["newest first", "in order"] = "newest first"
    back_fill_per_s: float = Field(
        100.0, gt=0, le=10_000, description="a day of 8 pumps in two hours, live data beside it"
    )


class PumpSettings(Frozen):
    """One pump; pressure is needed, the rest as fitted."""

    id: Name
    pressure: Measured
    strokes: Measured | Literal["ripple"] | None = None
    demand: Measured | None = None
    air: Measured | None = None


class Node(Frozen):
    """The whole file."""

    site: Name
    id: Name
    data_dir: Path = Path("data")
    publish_hz: float = Field(
        25.0, ge=1, le=50, description="10 to 50; a 60 ms dip has a sample and a half at 25"
    )
    full_scale_pa: float = Field(
        1_034_213.6, gt=1e4, le=1e8, description="150 psi; sets the step of the counts sent"
    )
    status_s: float = Field(30.0, ge=1, le=3600)
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    broker: Broker = Broker()
    outbox: OutboxSettings = OutboxSettings()
    pumps: tuple[PumpSettings, ...] = ()
    virtual: Virtual | None = None
    replay: Replay | None = None

    def channels(self) -> list[tuple[Member, Channel[Any]]]:
        """A channel for everything that is read from a device."""
        out: list[tuple[Member, Channel[Any]]] = []
        for pump in self.pumps:
            for role in ROLES:
                one = getattr(pump, role)
                kind = _kind_of(one)
                if kind is not None:
                    out.append((kind, Channel(pump.id, role, one)))
        return out


def _kind_of(one: object) -> Member | None:
    return next((m for m in MEMBERS if type(one) is m.settings), None)


def load_node(path: Path) -> Node:
    """The node a file describes. Raises BadSettings with every fault found."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BadSettings([f"{path.name}: file: no such file at {path}; check the path"]) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        raise BadSettings([f"{path.name}: file: cannot be read as TOML: {problem}"]) from problem
    faults: list[str] = []
    data = _lifted(_to_pa(raw))
    _read_pumps(data, faults)
    node: Node | None = _validated(Node, data, "", faults)
    if node is not None:
        node = _with_paths(node, path.resolve().parent)
        faults += _cross_faults(node)
    if faults or node is None:
        raise BadSettings([f"{path.name}: {fault}" for fault in faults])
    return node


def _to_pa(value: Any) -> Any:
    """Keys that end in a pressure unit become Pa."""
    if isinstance(value, list):
        return [_to_pa(item) for item in value]
    if not isinstance(value, Mapping):
        return value
    out: dict[str, Any] = {}
    for key, item in value.items():
        stem, _, unit = key.rpartition("_")
        is_number = isinstance(item, int | float) and not isinstance(item, bool)
        if stem and unit in PA_PER and is_number:
            out[f"{stem}_pa"] = item * PA_PER[unit]
        else:
            out[key] = _to_pa(item)
    return out


def _lifted(data: dict[str, Any]) -> dict[str, Any]:
    """The [node] table's keys stand at the top of the model."""
    head = data.pop("node", {})
    return {**(head if isinstance(head, dict) else {"node": head}), **data}


def _read_pumps(data: dict[str, Any], faults: list[str]) -> None:
    """Each sensor table becomes the settings of its kind of source."""
    pumps = data.get("pumps", [])
    if not isinstance(pumps, list):
        faults.append("pumps: write each pump as a [[pumps]] table")
        data["pumps"] = []
        return
    kept = []
    for index, pump in enumerate(pumps):
        before = len(faults)
        if isinstance(pump, dict):
            for role in ROLES:
                if role in pump:
                    pump[role] = _sensor(pump[role], role, f"pumps[{index}].{role}", faults)
            if "pressure" not in pump:
                faults.append(f"pumps[{index}].pressure: missing; say how the pressure is read")
        if len(faults) == before:
            kept.append(pump)
    data["pumps"] = kept


def _sensor(table: Any, role: Role, place: str, faults: list[str]) -> Any:
    if role == "strokes" and table in (RIPPLE, {"source": RIPPLE}):
        return RIPPLE
    if not isinstance(table, dict):
        faults.append(f"{place}: write a table with source = ...")
        return None
    name = table.get("source")
    kind = member(str(name))
    able = [m.name for m in MEMBERS if role in m.roles]
    if kind is None or role not in kind.roles:
        more = f" or {RIPPLE}" if role == "strokes" else ""
        faults.append(f"{place}.source: '{name}' cannot read {role}; use {', '.join(able)}{more}")
        return None
    settings = _validated(kind.settings, table, place, faults)
    if settings is not None:
        faults += [f"{place}: {fault}" for fault in settings.faults()]
    return settings


def _validated(model: type[Any], data: Any, place: str, faults: list[str]) -> Any:
    try:
        return model.model_validate(data)
    except ValidationError as problem:
        for error in problem.errors():
            key = "".join(
                f"[{part}]" if isinstance(part, int) else f".{part}" for part in error["loc"]
            )
            faults.append(f"{(place + key).lstrip('.') or 'file'}: {_reason(error)}")
        return None


def _reason(error: Any) -> str:
    if error["type"] == "missing":
        return "missing"
    if error["type"] == "extra_forbidden":
        return "unknown key; check the spelling"
    given = error.get("input")
    text = f" (it is {given!r})" if isinstance(given, str | int | float | bool) else ""
    return str(error["msg"]).removeprefix("Value error, ") + text


def _with_paths(node: Node, folder: Path) -> Node:
    """Relative paths, counted from the settings file."""
    broker = node.broker.model_copy(
        update={
            key: folder / value
            for key in ("password_file", "ca_file")
            if (value := getattr(node.broker, key)) is not None
        }
    )
    update: dict[str, Any] = {"data_dir": folder / node.data_dir, "broker": broker}
    for key in ("virtual", "replay"):
        whole = getattr(node, key)
        if whole is not None:
            update[key] = whole.model_copy(update={"file": folder / whole.file})
    return node.model_copy(update=update)


def _cross_faults(node: Node) -> list[str]:
    kinds = [bool(node.pumps), node.virtual is not None, node.replay is not None]
    faults = []
    if sum(kinds) != 1:
        faults.append("file: give exactly one of [[pumps]], [virtual] and [replay]")
    ids = [pump.id for pump in node.pumps]
    faults += [
        f"pumps: id '{i}' is used twice" for i in sorted({i for i in ids if ids.count(i) > 1})
    ]
    faults += _broker_faults(node.broker)
    for index, pump in enumerate(node.pumps):
        rate_hz = pump.pressure.rate_hz
        if rate_hz > node.publish_hz and rate_hz % node.publish_hz:
            faults.append(
                f"pumps[{index}].pressure.rate_hz: {rate_hz:g} is no multiple of publish_hz "
                f"{node.publish_hz:g}; samples are averaged in whole groups"
            )
        if pump.strokes == RIPPLE and rate_hz < 100:
            faults.append(
                f"pumps[{index}].strokes: ripple needs pressure.rate_hz of 100 or more, "
                f"it is {rate_hz:g}"
            )
    for kind, channels in by_device(node.channels()):
        place = f"pumps with source {kind.name}"
        faults += [f"{place}: {fault}" for fault in kind.device_faults(channels)]
    return faults


def _broker_faults(broker: Broker) -> list[str]:
    faults = []
    if "@" in broker.url:
        faults.append("broker.url: holds a user or password; use username and password_file")
    if broker.tls and broker.ca_file is None:
        faults.append("broker.ca_file: missing; with mqtts only this one authority is trusted")
    if not broker.tls and broker.host not in LOOPBACK and not broker.plain_on_network:
        faults.append(
            "broker.url: mqtt:// to another machine is readable and forgeable on the way; use "
            "mqtts:// with ca_file, or say plain_on_network = true"
        )
    if broker.password_file is not None and broker.password_env is not None:
        faults.append("broker: give password_file or password_env, not both")
    if broker.username and broker.password_file is None and broker.password_env is None:
        faults.append("broker.username: has no password; give password_file or password_env")
    return faults
