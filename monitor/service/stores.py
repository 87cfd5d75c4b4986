"""Opens the store the settings ask for, with the tables of every room."""

from pathlib import Path

from monitor.api.accounts import SCHEMA as ACCOUNTS
from monitor.notify import SCHEMAS as NOTIFY
from monitor.settings.service_file import Settings
from monitor.store import alarm_book, episodes, state, work_log
from monitor.store.embedded import EmbeddedStore
from monitor.store.retention import Retention

ROOM_SCHEMAS = (
    episodes.SCHEMA,
    work_log.SCHEMA,
    state.SCHEMA,
    alarm_book.SCHEMA,
    ACCOUNTS,
    *NOTIFY,
)


def open_store(settings: Settings, *, read_only: bool = False) -> EmbeddedStore:
    """The store of these settings. Raises FolderInUse, StoreUnavailable, StrokewiseError."""
    keeping = settings.file.store
    keep = Retention(raw_days=keeping.raw_days, second_days=keeping.second_days)
    return open_folder(settings.data_dir, keep=keep, read_only=read_only)


def open_folder(
    folder: Path, *, keep: Retention | None = None, read_only: bool = False
) -> EmbeddedStore:
    """An embedded store's folder; read_only works beside a running service."""
    return EmbeddedStore(folder, ROOM_SCHEMAS, keep=keep, read_only=read_only)
