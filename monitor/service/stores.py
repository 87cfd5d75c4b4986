"""Opens the store the settings ask for, with the tables of every room."""

from pathlib import Path
from typing import TYPE_CHECKING

from monitor.api.accounts import SCHEMA as ACCOUNTS
from monitor.notify import SCHEMAS as NOTIFY
from monitor.settings.service_file import Settings, secret
from monitor.store import alarm_book, episodes, state, work_log
from monitor.store.embedded import EmbeddedStore
from monitor.store.owner import Claim
from monitor.store.retention import Retention

if TYPE_CHECKING:
    from monitor.store.influx import InfluxServer

ROOM_SCHEMAS = (
    episodes.SCHEMA,
    work_log.SCHEMA,
    state.SCHEMA,
    alarm_book.SCHEMA,
    ACCOUNTS,
    *NOTIFY,
)


def open_store(
    settings: Settings, *, read_only: bool = False, claim: Claim | None = None
) -> EmbeddedStore:
    """The store of these settings; read_only works beside a running service.

    Raises FolderInUse, StoreUnavailable, BadSettings, StrokewiseError.
    """
    keeping = settings.file.store
    keep = Retention(raw_days=keeping.raw_days, second_days=keeping.second_days)
    if keeping.kind == "embedded" or read_only:
        return EmbeddedStore(
            settings.data_dir, ROOM_SCHEMAS, keep=keep, read_only=read_only, claim=claim
        )
    return _influx(settings, keep, claim)


def _influx(settings: Settings, keep: Retention, claim: Claim | None) -> EmbeddedStore:
    # Only who keeps series there pays for its client's import.
    from monitor.store.influx import InfluxRemote, InfluxStore

    remote = InfluxRemote(influx_server(settings))
    return InfluxStore(settings.data_dir, remote, ROOM_SCHEMAS, keep=keep, claim=claim)


def influx_server(settings: Settings) -> "InfluxServer":
    """Where the settings keep series. Raises BadSettings without a token."""
    from monitor.store.influx import InfluxServer

    keeping = settings.file.store
    token = secret(keeping.influx_token_env, keeping.influx_token_file, settings.folder) or ""
    return InfluxServer(keeping.influx_url or "", token, keeping.influx_org, keeping.influx_bucket)


def open_folder(folder: Path, *, read_only: bool = True) -> EmbeddedStore:
    """An embedded store's folder without settings."""
    return EmbeddedStore(folder, ROOM_SCHEMAS, read_only=read_only)
