"""Reading text traces: what is read, what is refused, and where."""

import contextlib
import gzip

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import csvtext
from analysis.errors import TraceRefused
from analysis.traces import read_trace, unrolled
from tests.examples import examples

GOOD = b"# probe = PR-07\ntime_s,encoder_deg,lift_mm\n0.0,12.0,0.1\n0.1,12.5,0.2\n0.2,13.0,0.3\n"


def refusal(data):
    with pytest.raises(TraceRefused) as caught:
        read_trace(data)
    return caught.value


def test_columns_and_metadata_are_read():
    trace = read_trace(GOOD)
    assert trace.metadata == {"probe": "PR-07"}
    assert trace.angle_deg.tolist() == [12.0, 12.5, 13.0]
    assert trace.lift.tolist() == [0.1, 0.2, 0.3]
    assert not trace.in_counts


def test_gzip_crlf_byte_order_mark_and_foreign_columns_change_nothing():
    other = b"\xef\xbb\xbf" + GOOD.replace(b"\n", b"\r\n")
    lines = GOOD.decode().splitlines()
    extra = "\n".join([lines[0], "remark," + lines[1], *(f'"a, ""b""\nc",{line}' for line in lines[2:])]).encode()
    for data in (gzip.compress(GOOD), other, extra):
        assert read_trace(data).lift.tolist() == [0.1, 0.2, 0.3]


def test_encoder_degrees_are_divided_by_their_ratio():
    trace = read_trace(b"# encoder_per_crank = 0.5\n" + GOOD)
    assert trace.angle_deg.tolist() == [24.0, 25.0, 26.0]


@pytest.mark.parametrize(("field", "column"), [
    (b"", "lift_mm"), (b"nan", "lift_mm"), (b"inf", "lift_mm"), (b"-Infinity", "lift_mm"), (b"0.2 mm", "lift_mm"),
    (b"n/a", "lift_mm"), (b"1e400", "lift_mm"), (b"0x1p3", "lift_mm"), (b"1_0", "lift_mm"), (b"0,2", None),
])
def test_a_field_that_is_no_number_is_refused_at_its_place(field, column):
    refused = refusal(GOOD.replace(b"12.5,0.2", b"12.5," + field))
    assert (refused.line, refused.column) == (4, column)


@pytest.mark.parametrize(("data", "line", "column"), [
    (b"", None, None),
    (b"# probe = PR-07\n", 1, None),
    (b"time_s,encoder_deg\n0,1\n", 1, "lift_mm"),
    (b"time_s,lift_mm\n0,1\n", 1, "encoder_deg"),
    (b"time_s,encoder_deg,lift_mm\n", None, None),
    (b"time_s,time_s,encoder_deg,lift_mm\n0,0,1,1\n", 1, "time_s"),
    (b"time_s,encoder_deg,lift_mm\n0,1\n", 2, "lift_mm"),
    (b"time_s,encoder_deg,lift_mm\n0,1,2\n1,1,2\n0.5,1,2\n", 4, "time_s"),
    (b"# encoder_per_crank = zero\n" + GOOD, None, "encoder_per_crank"),
    (b"# encoder_per_crank = 0\n" + GOOD, None, "encoder_per_crank"),
    (GOOD.replace(b"13.0", b"13\x00"), 5, None),
    (GOOD.replace(b"13.0", b"13\xff"), 5, None),
    (GOOD.decode().encode("utf-16"), 1, None),
    (b"\x00" * 100_000, 1, None),
])
def test_what_is_not_a_trace_is_refused_with_its_place(data, line, column):
    refused = refusal(data)
    assert (refused.line, refused.column) == (line, column)


def test_the_fault_is_found_in_a_later_block(monkeypatch):
    monkeypatch.setattr(csvtext, "BLOCK_BYTES", 64)
    rows = b"".join(b"%d,1.0,2.0\n" % k for k in range(200))
    data = b"time_s,encoder_deg,lift_mm\n" + rows
    assert len(read_trace(data)) == 200
    refused = refusal(data.replace(b"\n150,1.0", b"\n150,x"))
    assert (refused.line, refused.column) == (152, "encoder_deg")
    refused = refusal(data.replace(b"\n150,", b"\n15,"))
    assert (refused.line, refused.column) == (152, "time_s")


def test_a_gzip_bomb_is_stopped_at_the_stated_limit(monkeypatch):
    monkeypatch.setattr(csvtext, "MAX_TEXT_BYTES", 10_000_000)
    bomb = gzip.compress(b"time_s,encoder_deg,lift_mm\n" + b"0,1,2\n" * 2_000_000)
    assert "MB" in refusal(bomb).message


def test_a_line_without_end_is_stopped():
    assert "64 kB" in refusal(b"time_s,encoder_deg,lift_mm\n" + b"1" * (9 << 20)).message


def test_a_cut_gzip_file_is_refused():
    data = gzip.compress(GOOD * 1000)
    assert "damaged" in refusal(data[: len(data) // 2]).message


def test_too_many_samples_are_refused(monkeypatch):
    monkeypatch.setattr(csvtext, "MAX_SAMPLES", 2)
    assert "samples" in refusal(GOOD).message


def test_an_encoder_is_unrolled_over_its_wrap_from_the_first_sample():
    true = np.concatenate([np.arange(300.0, 800.0, 7.0), np.arange(800.0, 100.0, -7.0)])
    assert np.allclose(unrolled(np.mod(true, 360.0)) - 300.0, true - 300.0)


def test_a_step_beside_a_repeated_stamp_makes_no_turn_of_the_next_gap():
    # two gaps one after the other: the step over the first stands at the stamp before it
    time_s = np.concatenate([np.arange(0.0, 3.0, 0.01), [2.995], np.arange(6.0, 9.0, 0.01)])
    true = np.concatenate([np.arange(0.0, 3.0, 0.01) * 5.0, [28.0], 28.1 + np.arange(0.0, 3.0, 0.01) * 5.0])
    assert np.allclose(unrolled(true, time_s), true)


def test_a_gap_of_the_record_may_hide_a_turn_of_a_pinion():
    time_s = np.concatenate([np.arange(0.0, 2.0, 0.01), np.arange(5.0, 7.0, 0.01)])
    true = 80.0 * time_s + 10.0
    assert np.allclose(unrolled(np.mod(true, 360.0), time_s), true)
    assert not np.allclose(unrolled(np.mod(true, 360.0)), true)


def test_a_shaft_that_is_turned_back_while_the_record_rests_is_no_wrap():
    # twice forward by 240 degrees, and back meanwhile: cumulative, though it never leaves one turn
    sweep = np.arange(60.0, 300.0, 0.1)
    time_s = np.concatenate([np.arange(len(sweep)) * 0.02, 80.0 + np.arange(len(sweep)) * 0.02])
    true = np.concatenate([sweep, sweep])
    assert np.allclose(unrolled(true, time_s), true)
    # where samples show a wrap the gap may hide one as well
    wrapped = np.mod(np.concatenate([sweep + 200.0, sweep + 560.0]), 360.0)
    assert float(np.ptp(unrolled(wrapped, time_s))) > 360.0


def test_a_cumulative_encoder_is_left_as_it_is():
    true = np.arange(-500.0, 800.0, 200.0)
    assert np.array_equal(unrolled(true), true)


@settings(max_examples=examples(200), deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused(data):
    for tried in (data, b"time_s,encoder_deg,lift_mm\n" + data, gzip.compress(data)):
        with contextlib.suppress(TraceRefused):       # anything else that is raised fails the test
            assert len(read_trace(tried)) > 0


@settings(max_examples=examples(200), deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.binary(min_size=1, max_size=4))
def test_a_damaged_trace_is_read_or_refused(place, damage):
    try:
        trace = read_trace(GOOD[:place] + damage + GOOD[place + len(damage):])
    except TraceRefused:
        return
    assert np.isfinite(trace.lift).all()
    assert (np.diff(trace.time_s) >= 0).all()
