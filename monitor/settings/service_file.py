"""Reads the service file (`strokewise.toml`): where data lies, which broker, which pages."""

import os
import stat
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field

from monitor.errors import BadSettings
from monitor.settings.site_file import load_site
from monitor.settings.written import Written, model, read
from monitor.site import Channel, Frozen, Site


class Broker(Frozen):
    """The MQTT broker; url 'embedded' starts one on the loopback address."""

    url: str = "embedded"
    username: str | None = None
    password_env: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    client_id: str = "strokewise-monitor"


class Web(Frozen):
    """The pages. `public_url` is what links in messages point to."""

    host: str = "127.0.0.1"
    port: int = Field(8117, ge=0, le=65535, description="0 takes a free port; chosen, unassigned")
    public_url: str | None = None
    secure_cookies: bool = False
    open_to_local: bool = False


class Keeping(Frozen):
    """The store and how long each level lives (90 days and 2 years: sized in DEVELOPERS.md)."""

    kind: Literal["embedded", "influxdb"] = "embedded"
    raw_days: int = Field(90, ge=7, le=36500)
    second_days: int = Field(730, ge=7, le=36500)
    influx_url: str | None = None
    influx_org: str = "strokewise"
    influx_bucket: str = "strokewise"
    influx_token_env: str | None = None
    influx_token_file: str | None = None


class Collector(Frozen):
    """Several `serve` processes share the sites over one broker; each needs a name of its own."""

    name: str = Field("collector", pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,47}$")
    shared: bool = False


class ServiceFile(Frozen):
    """The whole service file."""

    data_dir: Path = Path("data")
    sites: tuple[Path, ...] = Field(min_length=1)
    broker: Broker = Broker()
    web: Web = Web()
    store: Keeping = Keeping()
    collector: Collector = Collector()
    log_level: Literal["debug", "info", "warning", "error"] = "info"


class Settings(Frozen):
    """What the service runs on: the service file with its sites read."""

    file: ServiceFile
    folder: Path
    sites: tuple[Site, ...]

    @property
    def data_dir(self) -> Path:
        """The data folder, relative paths counted from the service file."""
        return self.folder / self.file.data_dir


def load_settings(path: Path) -> Settings:
    """Service file and all its site files. Raises BadSettings with the faults of all of them."""
    written = read(path)
    file = model(ServiceFile, written)
    faults = list(written.faults)
    folder = path.resolve().parent
    sites: list[Site] = []
    for name in written.data.get("sites", ()):
        try:
            sites.append(load_site(folder / str(name)))
        except BadSettings as problem:
            faults += problem.faults
    faults += _twice(sites)
    if file is not None:
        broken = Written(written.path, written.text, written.data, keys=written.keys)
        _check_broker(file, broken)
        _check_influx(file, broken)
        _check_collector(file, broken)
        faults += broken.faults
    if faults or file is None:
        raise BadSettings(faults)
    return Settings(file=file, folder=folder, sites=tuple(sites))


def _twice(sites: list[Site]) -> list[str]:
    ids = [site.id for site in sites]
    twice = {i for i in ids if ids.count(i) > 1}
    return [f"site id '{i}' is used by two site files; rename one" for i in sorted(twice)]


def _check_broker(file: ServiceFile, written: Written) -> None:
    url = file.broker.url
    if url == "embedded":
        return
    parts = urlsplit(url)
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
        written.fault(
            ("broker", "url"), f"'{url}' is no broker; write 'embedded' or mqtt://host:1883"
        )
    if parts.password:
        written.fault(
            ("broker", "url"), "a password stands in the file; use password_env or password_file"
        )


def _check_influx(file: ServiceFile, written: Written) -> None:
    store = file.store
    if store.kind != "influxdb":
        return
    if not store.influx_url:
        written.fault(("store", "influx_url"), "must be given when kind is 'influxdb'")
    if not (store.influx_token_env or store.influx_token_file):
        reason = "give influx_token_env or influx_token_file when kind is 'influxdb'"
        written.fault(("store", "influx_token_env"), reason)


def _check_collector(file: ServiceFile, written: Written) -> None:
    if not file.collector.shared:
        return
    if file.broker.url == "embedded":
        written.fault(
            ("collector", "shared"), "collectors share a broker; set broker.url to mqtt://host:1883"
        )
    if file.web.port and file.web.port + len(file.sites) - 1 > 65535:
        written.fault(("web", "port"), "each site takes a port from here on; choose a lower one")


def secret(env: str | None, file: str | None, folder: Path) -> str | None:
    """A secret from an environment variable or a file only its owner can read.

    Raises BadSettings when the variable is empty, the file is missing or others may read it.
    """
    if env:
        value = os.environ.get(env, "")
        if not value:
            raise BadSettings([f"environment variable {env} is not set; it must hold the secret"])
        return value
    if file:
        path = folder / file
        try:
            mode = path.stat().st_mode
        except OSError as problem:
            raise BadSettings([f"{file}: secret file cannot be read: {problem}"]) from problem
        if mode & (stat.S_IRGRP | stat.S_IROTH):
            raise BadSettings([f"{file}: others may read this secret; run: chmod 600 {file}"])
        return path.read_text(encoding="utf-8").strip()
    return None


def channel_url(channel: Channel, folder: Path) -> str:
    """The channel's address with its secret filled in. Raises BadSettings."""
    found = secret(channel.url_env, channel.url_file, folder) or channel.url
    if not found:
        raise BadSettings([f"channel '{channel.id}': give url, url_env or url_file"])
    return found
