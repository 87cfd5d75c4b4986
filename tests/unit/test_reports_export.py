"""CSV after RFC 4180 and RFC 3339, safe in a spreadsheet; Parquet that reads back the same."""

import csv
import io
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.types import Alarm, Change, State, What
from monitor.reports import export
from monitor.signals.types import Episode
from monitor.store.interface import Level, Series
from monitor.store.work_log import Entry, Work

T0 = 851_042_397.0  # 1996-12-20T00:39:57Z, RFC 3339 section 5.8


def text_of(sheet):
    return b"".join(export.csv_chunks(sheet)).decode()


def series(n=3, **more):
    ts = T0 + np.arange(n)
    fields = {
        "pump": "P1", "level": Level.SECOND, "ts": ts, "low_pa": np.arange(n) * 1.5,
        "mean_pa": np.full(n, 2.0), "high_pa": np.full(n, 3.0), "strokes": np.ones(n),
        "demand_s": None, "air_pa": None, "gaps": (), **more,
    }  # fmt: skip
    return Series(**fields)


def test_times_are_rfc_3339_in_utc():
    # RFC 3339 section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z.
    here = datetime(1996, 12, 19, 16, 39, 57, tzinfo=timezone(timedelta(hours=-8)))
    assert export.stamp(here) == "1996-12-20T00:39:57Z"
    # 1985-04-12T23:20:50.52Z = 482196050.52 s.
    assert export.stamp(export.moment(482_196_050.52)) == "1985-04-12T23:20:50.52Z"
    assert export.moment(None) is None


def test_a_series_has_a_utc_column_units_in_its_header_and_crlf_ends():
    told = text_of(export.series(series(2)))
    assert told == (
        "time (UTC),pump,pressure_low (Pa),pressure_mean (Pa),pressure_high (Pa),strokes\r\n"
        "1996-12-20T00:39:57Z,P1,0.0,2.0,3.0,1.0\r\n"
        "1996-12-20T00:39:58Z,P1,1.5,2.0,3.0,1.0\r\n"
    )


def test_no_value_is_an_empty_cell_and_unfitted_is_no_column():
    told = text_of(export.series(series(1, mean_pa=np.array([np.nan]), demand_s=np.array([0.5]))))
    head, row, _ = told.split("\r\n")
    assert head.endswith(",strokes,demand (s)")
    assert row == "1996-12-20T00:39:57Z,P1,0.0,,3.0,1.0,0.5"
    assert "air (Pa)" in text_of(export.series(series(1, air_pa=np.array([4.0]))))


def test_times_of_a_fast_series_keep_their_parts_of_a_second():
    told = text_of(export.series(series(3, ts=T0 + np.array([0.0, 0.05, 0.1]))))
    stamps = [line.split(",")[0] for line in told.split("\r\n")[1:4]]
    assert stamps == ["1996-12-20T00:39:57Z", "1996-12-20T00:39:57.05Z", "1996-12-20T00:39:57.1Z"]
    assert stamps == [export.stamp(export.moment(T0 + k)) for k in (0.0, 0.05, 0.1)]


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("aaa", "aaa"),
        ('b"bb', '"b""bb"'),  # RFC 4180 section 2, rule 7
        ("b\r\nbb", '"b\r\nbb"'),  # rule 6
        ("a,b", '"a,b"'),
        (" spaces belong ", " spaces belong "),  # rule 4
        ("=1+1", "'=1+1"),
        ("+49", "'+49"),
        ("-x", "'-x"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
    ],
)
def test_cells_follow_rfc_4180_and_are_no_formulas(cell, written):
    told = text_of(export.table(["a", "b"], [[cell, "ccc"]]))
    assert told == f"a,b\r\n{written},ccc\r\n"


def test_numbers_below_zero_stay_numbers():
    told = text_of(export.series(series(1, low_pa=np.array([-5.25]))))
    assert ",-5.25," in told


@given(st.lists(st.lists(st.text(), min_size=2, max_size=2), max_size=8))
def test_any_text_reads_back_the_same_but_for_the_apostrophe(rows):
    rows = [[cell.replace("\x00", "") for cell in row] for row in rows]
    told = text_of(export.table(["a", "b"], rows))
    read = list(csv.reader(io.StringIO(told, newline="")))[1:]
    wanted = [[export.plain(cell) for cell in row] for row in rows]
    assert read == wanted
    for row in read:
        assert not any(cell.startswith(export.FORMULA_STARTS) for cell in row)


def test_a_long_sheet_comes_in_pieces():
    pieces = list(export.csv_chunks(export.series(series(45_000))))
    assert len(pieces) == 4
    assert b"".join(pieces).count(b"\r\n") == 45_001


def made_alarm(**more):
    fields = {
        "id": "a1", "site": "s", "subject": "P1", "kind": Kind.AIRLOCK,
        "priority": Priority.ACT_NOW, "state": State.NOT_ACKNOWLEDGED, "active": True,
        "acked": False, "since_ts": T0, "raised_ts": T0, "last_raised_ts": T0, "cleared_ts": None,
        "acked_ts": None, "acked_by": None, "count": 2, "confidence": 0.9, "severity": 0.5,
        "sentence": "=HYPERLINK()", **more,
    }  # fmt: skip
    return Alarm(**fields)


def test_alarms_work_and_episodes_can_be_exported():
    changes = [
        Change(T0, "P1", What.RAISED, "system", after=made_alarm()),
        Change(T0 + 1, "P1", What.OUT_OF_SERVICE, "tech", "pump work"),
    ]
    rows = list(csv.reader(io.StringIO(text_of(export.alarms(changes)), newline="")))
    first = dict(zip(rows[0], rows[1], strict=True))
    assert first["kind"] == "airlock"
    assert first["side"] == "discharge"
    assert first["sentence"] == "'=HYPERLINK()"
    assert first["count"] == "2"
    assert dict(zip(rows[0], rows[2], strict=True))["note"] == "pump work"
    entry = Entry("s", "P1", T0, Work.CATCH_TEST, "tech", "", {"displacement_ml": 61.5}, 3)
    told = text_of(export.work([entry]))
    assert "P1,catch test,tech,,displacement_ml=61.5,," in told
    found = [
        Episode("P1", "draw", T0, T0 + 20, False, 9, {"rate_hz": 1.25, "gas_ml": None}),
        Episode("P1", "dead-head", T0, T0 + 20, False, 0, {"level_pa": float("nan")}),
    ]
    head, one, two, _ = text_of(export.episodes(found)).split("\r\n")
    assert head == "start (UTC),end (UTC),pump,what,strokes,gas_ml,level_pa,rate_hz"
    assert one.endswith("P1,draw,9,,,1.25")
    assert two.endswith("P1,dead-head,0,,,")


def test_parquet_reads_back_the_same_with_utc_times_and_its_marks():
    target = io.BytesIO()
    assert export.write_parquet(export.series(series(45_000)), target) == 45_000
    raw = target.getvalue()
    assert raw[:4] == raw[-4:] == b"PAR1"
    file = pq.ParquetFile(io.BytesIO(raw))
    assert file.num_row_groups == 3
    read = file.read()
    assert read.column("time (UTC)")[0].as_py() == datetime.fromtimestamp(T0, UTC)
    assert str(read.schema.field("time (UTC)").type) == "timestamp[us, tz=UTC]"
    assert read.column("pressure_low (Pa)").to_pylist()[:3] == [0.0, 1.5, 3.0]


def test_an_empty_sheet_is_a_header_in_both_forms():
    nothing = export.series(series(0))
    assert text_of(nothing).count("\r\n") == 1
    target = io.BytesIO()
    assert export.write_parquet(nothing, target) == 0
    assert pq.read_table(io.BytesIO(target.getvalue())).num_rows == 0
