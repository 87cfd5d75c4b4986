"""The embedded store against the one in memory: any order, doubles, restarts, crashes."""

import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pace import examples

from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Level
from monitor.store.memory import MemoryStore
from monitor.store.retention import Retention
from monitor.wire import Message

T0_S = 20_000 * 86_400 + 86_400 - 90  # a day border inside
KEEP = Retention(free_share=0.0, free_bytes=0)
SPAN = (float(T0_S - T0_S % 60), T0_S + 300.0)


def message(pump: str, boot: int, seq: int) -> Message:
    rng = np.random.default_rng([seq, boot])
    t0 = (T0_S + seq * 7 + boot * 3) * 1_000_000 + int(rng.integers(-300, 300))
    totals = seq * 5 + np.arange(4)
    at = t0 + np.arange(1, 5) * 1_500_000
    counts = rng.integers(0, 4000, 70).astype(np.int16)
    return Message("fern", pump, boot, seq, t0, 100_000, counts, 244.0, 0.0, at, totals)


SENDS = st.tuples(
    st.just("send"),
    st.lists(
        st.tuples(st.sampled_from("ab"), st.integers(0, 1), st.integers(0, 35)),
        min_size=1,
        max_size=12,
    ),
)
OPERATIONS = st.lists(
    st.one_of(
        SENDS,
        st.tuples(st.just("tend"), st.integers(0, 400)),
        st.tuples(st.sampled_from(["restart", "crash", "fold"]), st.just(0)),
    ),
    max_size=14,
)


class Pair:
    """Both stores side by side."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "0"
        self.real = EmbeddedStore(self.folder, keep=KEEP)
        self.model = MemoryStore()

    def do(self, what: str, more: object) -> None:
        if what == "send":
            batch = [message(*which) for which in more]  # type: ignore[attr-defined] # by SENDS
            assert self.real.append(batch) == self.model.append(batch)
        elif what == "tend":
            self.real.tend(T0_S + float(more))  # type: ignore[arg-type] # by OPERATIONS
        elif what == "fold":
            self.real.fold_all()
        elif what == "restart":
            self.real.close()
            self.real = EmbeddedStore(self.folder, keep=KEEP)
        else:
            self.crash()

    def crash(self) -> None:
        """Go on with the files as they lie there, without closing."""
        copy = self.folder.with_name(str(int(self.folder.name) + 1))
        copy.mkdir()
        for path in self.folder.iterdir():
            if not path.name.startswith("owner"):
                shutil.copy(path, copy)
        self.real.close()
        self.folder = copy
        self.real = EmbeddedStore(copy, keep=KEEP)

    def agree(self) -> None:
        for pump in "ab":
            mine = self.real.messages("fern", pump, *SPAN)
            other = self.model.messages("fern", pump, *SPAN)
            assert [(m.boot, m.seq) for m in mine] == [(m.boot, m.seq) for m in other]
            for boot in (0, 1):
                assert self.real.watermark("fern", pump, boot) == self.model.watermark(
                    "fern", pump, boot
                )
            for level in Level:
                a = self.real.read("fern", pump, SPAN, level=level)
                b = self.model.read("fern", pump, SPAN, level=level)
                for name in ("ts", "low_pa", "mean_pa", "high_pa", "strokes"):
                    np.testing.assert_allclose(
                        getattr(a, name), getattr(b, name), rtol=1e-12, err_msg=f"{level} {name}"
                    )
                assert a.gaps == b.gaps
        assert self.real.latest_ts() == self.model.latest_ts()


ONCE_WRONG: list[list[tuple[str, object]]] = [
    # A late minute waits in the journal while the one after it is folded.
    [("send", [("a", 0, 30)]), ("fold", 0), ("send", [("a", 0, 20)])],
    # After a restart one batch brings an early minute and the one before a folded minute.
    [
        ("send", [("a", 1, 34)]),
        ("restart", 0),
        ("send", [("a", 0, 8), ("a", 1, 24)]),
        ("restart", 0),
    ],
]


@pytest.mark.parametrize("operations", ONCE_WRONG)
def test_what_was_wrong_once_stays_right(
    tmp_path: Path, operations: list[tuple[str, object]]
) -> None:
    pair = Pair(tmp_path)
    for operation in operations:
        pair.do(*operation)
    pair.agree()
    pair.real.close()


@pytest.mark.slow
@settings(
    deadline=None,
    max_examples=examples(100),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(OPERATIONS)
def test_the_embedded_store_answers_like_the_one_in_memory(
    operations: list[tuple[str, object]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        pair = Pair(Path(folder))
        for operation in operations:
            pair.do(*operation)
        pair.agree()
        pair.real.close()
