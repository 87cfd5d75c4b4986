"""Every error of ours has one root, and its docstring is the default sentence."""


class StrokewiseError(Exception):
    """Something went wrong in Strokewise; see the log for the place."""

    def __init__(self, message: str | None = None) -> None:
        super().__init__(message or (type(self).__doc__ or "").strip())


class BadMessage(StrokewiseError):
    """The message cannot be understood: correct the sender; it was refused and counted."""

    def __init__(self, reason: str, detail: str = "") -> None:
        self.reason = reason
        super().__init__(f"{reason}: {detail}" if detail else reason)


class BadSettings(StrokewiseError):
    """The settings cannot be used; every fault is listed with its file and key."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


class WrongUse(StrokewiseError):
    """The command cannot be used like this; its --help says how."""


class BadRecording(StrokewiseError):
    """The recording cannot be read; name the file, the row and what was expected."""


class StoreUnavailable(StrokewiseError):
    """The store cannot be used now; nothing of the batch was stored, try again."""


class StoreFull(StoreUnavailable):
    """The disk is full; nothing of the batch was stored, free space and it resumes by itself."""
