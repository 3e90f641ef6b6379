"""Parquet and MDF 4: the same answers as text, and refusals that name the channel."""

import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from asammdf import MDF, Signal

from analysis.errors import TraceRefused
from analysis.traces import read_trace

TIME = np.arange(200) * 0.01
COLUMNS = {"time_s": TIME, "encoder_deg": np.linspace(0.0, 50.0, 200), "lift_mm": np.linspace(0.0, 1.0, 200)}


def parquet(columns, metadata=None):
    table = pa.table(columns).replace_schema_metadata(metadata)
    out = io.BytesIO()
    pq.write_table(table, out)
    return out.getvalue()


def mdf(tmp_path, columns, comment="", stamps=TIME):
    file = MDF(version="4.10")
    file.append([Signal(np.asarray(values), stamps, name=name) for name, values in columns.items()])
    file.header.description = comment
    path = tmp_path / "trace.mf4"
    file.save(path, overwrite=True)
    file.close()
    return path.read_bytes()


def without(name):
    return {key: value for key, value in COLUMNS.items() if key != name}


def refusal(data):
    with pytest.raises(TraceRefused) as caught:
        read_trace(data)
    return caught.value


def test_parquet_is_read_with_its_metadata():
    trace = read_trace(parquet(COLUMNS, {"encoder_per_crank": "0.5", "probe": "PR-07"}))
    assert np.allclose(trace.angle_deg, COLUMNS["encoder_deg"] / 0.5)
    assert trace.metadata["probe"] == "PR-07"


@pytest.mark.parametrize("name", ["time_s", "encoder_deg", "lift_mm"])
def test_parquet_without_a_column_is_refused_by_its_name(name):
    assert refusal(parquet(without(name))).column == name


def test_parquet_with_blanks_text_or_nan_is_refused_by_column():
    blank = {**COLUMNS, "lift_mm": pa.array([None, *([1.0] * 199)])}
    text = {**COLUMNS, "lift_mm": ["x"] * 200}
    nan = {**COLUMNS, "encoder_deg": np.where(TIME > 1.0, np.nan, 1.0)}
    assert refusal(parquet(blank)).column == "lift_mm"
    assert refusal(parquet(text)).column == "lift_mm"
    assert refusal(parquet(nan)).column == "encoder_deg"
    assert refusal(parquet({**COLUMNS, "time_s": TIME[::-1]})).column == "time_s"


def test_a_cut_parquet_file_is_refused():
    assert "Parquet" in refusal(parquet(COLUMNS)[:-40]).message


@pytest.mark.slow
def test_mdf_is_read_with_its_comment(tmp_path):
    trace = read_trace(mdf(tmp_path, COLUMNS, "encoder_per_crank = 0.5"))
    assert np.allclose(trace.angle_deg, COLUMNS["encoder_deg"] / 0.5)
    assert np.allclose(trace.time_s, TIME)


@pytest.mark.slow
def test_mdf_takes_the_time_of_the_master_channel(tmp_path):
    trace = read_trace(mdf(tmp_path, without("time_s"), stamps=TIME + 5.0))
    assert np.allclose(trace.time_s, TIME)


@pytest.mark.slow
def test_mdf_without_a_channel_is_refused_by_its_name(tmp_path):
    assert refusal(mdf(tmp_path, without("lift_mm"))).column == "lift_mm"


@pytest.mark.slow
def test_a_damaged_mdf_file_is_refused_whatever_it_does_to_its_reader(tmp_path):
    data = bytearray(mdf(tmp_path, COLUMNS))
    data[64:200] = b"\xff" * 136
    assert refusal(bytes(data)).message
