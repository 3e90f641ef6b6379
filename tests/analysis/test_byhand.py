"""Hand readings: the document, the crest, and what gives none."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import analysis
from analysis.__main__ import REFUSED, RESULT, UNUSABLE, main
from analysis.byhand import read_hand
from analysis.reference.hand import chord
from analysis.reference.shapes import LinkRodShape, PistonShape, known_shape
from analysis.spec import LinkRod, Piston, read_spec

SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5, "target_deg": 150.0,
        "index_radius_mm": 200.0, "crest_to_tdc_deg": 0.0}
LINK = {"kind": "link-rod", "crank_radius_mm": 130.0, "rod_length_mm": 520.0, "link_length_mm": 370.0,
        "pin_radius_mm": 150.0, "pin_angle_deg": 45.0, "bank_angle_deg": 45.0}


def document(rows, **more):
    keys = ("sense", "dial_mm", "before_deg", "after_deg")
    made = {"hand_readings": 1, "angle_step_deg": 0.1, "pairs": [dict(zip(keys, row, strict=True)) for row in rows]}
    return json.dumps({**made, **more}).encode()


def read_off(crest_deg, chords, *, lash_deg=0.2, step_deg=0.1, noise_deg=0.0, seed=1, turn=0.0):
    """Rows as a technician would write them: each chord (dial_mm, before, after from the crest) in both senses."""
    random = np.random.default_rng(seed)

    def seen(angle):
        return round(round((angle + turn + random.normal(0.0, noise_deg)) / step_deg) * step_deg, 6)

    rows = []
    for dial, before, after in chords:
        forward, reverse = crest_deg + lash_deg / 2, crest_deg - lash_deg / 2
        rows.append(("forward", dial, seen(forward + before), seen(forward + after)))
        rows.append(("reverse", dial, seen(reverse + after), seen(reverse + before)))
    return rows


LOBE = [(4.0, -22.0, 22.0), (6.0, -17.3, 17.3), (8.0, -12.4, 12.4)]


def test_the_crest_is_the_middle_of_the_senses_and_the_result_has_the_contracts_keys():
    result = analysis.analyse_hand(document(read_off(150.13, LOBE)), SPEC)
    assert abs(result["reference_deg"] - 150.13) <= result["expanded_uncertainty_deg"]
    assert result["hysteresis_deg"] == pytest.approx(0.2, abs=0.07)
    assert result["verdict"] == "conforming"
    assert result["correction"]["ring_shift_deg"] == pytest.approx(-result["deviation_deg"])
    assert [row["direction"] for row in result["sweeps"]] == ["forward", "reverse"]
    assert all(row["start_s"] is None and row["used"] for row in result["sweeps"])
    assert sum(line["share"] for line in result["budget"]) == pytest.approx(1.0)
    assert json.loads(json.dumps(result, allow_nan=False)) == result


@given(st.floats(0.0, 359.9), st.integers(0, 500))
def test_a_scale_that_starts_again_at_360_gives_the_same_deviation(crest, seed):
    spec = {**SPEC, "target_deg": crest}
    rows = [(sense, dial, before % 360.0, after % 360.0)
            for sense, dial, before, after in read_off(crest, LOBE, noise_deg=0.03, seed=seed)]
    result = analysis.analyse_hand(document(rows), spec)
    assert abs(result["deviation_deg"]) < 0.15


def test_the_interval_holds_as_often_as_it_says():
    held = 0
    for seed in range(300):
        crest = 150.0 + 0.37 * math.sin(seed)
        rows = read_off(crest, LOBE, noise_deg=0.05, step_deg=0.1, seed=seed)
        result = analysis.analyse_hand(document(rows), SPEC)
        held += abs(result["reference_deg"] - crest) <= result["expanded_uncertainty_deg"]
    assert held >= 0.95 * 300 - 3 * math.sqrt(300 * 0.95 * 0.05)


@pytest.mark.parametrize(("datum", "shape", "per"), [
    (LINK, LinkRodShape(LinkRod(130.0, 520.0, 370.0, 150.0, 45.0, 45.0)), 1.0),
    ({"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0, "pin_offset_mm": 8.0},
     PistonShape(Piston(130.0, 520.0, 8.0)), 1.0),
    ({"kind": "lobe-profile", "profile": [[a, 14.5 * math.cos(math.pi * a / (76 if a < 0 else 110)) ** 3]
                                          for a in range(-38, 56)]}, None, 2.0),
])
def test_the_asymmetry_of_a_known_datum_is_taken_off(datum, shape, per):
    spec = {**SPEC, "datum": datum, "crank_per_datum": per}
    shape = shape or known_shape(read_spec(spec))
    chords = [(20.0 - depth, *chord(shape, depth)) for depth in (1.5, 3.0, 5.0)]
    rows = read_off(150.0, chords, lash_deg=0.1, step_deg=0.01)
    result = analysis.analyse_hand(document(rows, crest_dial_mm=20.0, angle_step_deg=0.01), spec)
    assert result["reference_deg"] == pytest.approx(150.0, abs=0.01)
    without = analysis.analyse_hand(document(rows, angle_step_deg=0.01), spec)
    assert (without["verdict"], without["reference_deg"]) == ("no-result", None)
    assert [check["name"] for check in without["checks"] if not check["passed"]] == ["dial at the crest"]
    inches = [(sense, dial / 25.4, before, after) for sense, dial, before, after in rows]
    mistaken = analysis.analyse_hand(document(inches, crest_dial_mm=20.0 / 25.4, angle_step_deg=0.01), spec)
    assert "width of the chords" in [check["name"] for check in mistaken["checks"] if not check["passed"]]


@pytest.mark.parametrize(("rows", "name"), [
    ([], "pairs in each sense"),
    ([("forward", 5.0, 140.0, 160.0)], "pairs in each sense"),
    ([*read_off(150.0, LOBE), ("forward", 5.0, 160.0, 140.0)], "sense of the readings"),
    ([*read_off(150.0, LOBE), ("forward", 5.0, 14.0, 160.0)], "repeatability"),
])
def test_what_cannot_be_trusted_gives_no_result_and_says_why(rows, name):
    result = analysis.analyse_hand(document(rows), SPEC)
    assert result["verdict"] == "no-result"
    assert result["reference_deg"] is None
    assert name in [check["name"] for check in result["checks"] if not check["passed"]]


def test_one_sense_only_is_told_and_carries_the_lash_of_the_spec():
    rows = [row for row in read_off(150.0, LOBE) if row[0] == "forward"]
    result = analysis.analyse_hand(document(rows), {**SPEC, "u_lash_deg": 0.06})
    assert result["hysteresis_deg"] is None
    assert "lash, one sense only" in [line["source"] for line in result["budget"]]
    assert "one sense only" in [check["name"] for check in result["checks"]]


@pytest.mark.parametrize(("data", "key"), [
    (b"\xff\xfe", None), (b"time_s,encoder_deg\n", None), (b"[]", "hand_readings"),
    (document([], hand_readings=2), "hand_readings"), (document([], angle_step_deg=0), "angle_step_deg"),
    (document([], angle_step_deg="1"), "angle_step_deg"), (document([], pairs={}), "pairs"),
    (document([], pairs=[1]), "pairs[0]"), (document([("up", 1.0, 2.0, 3.0)]), "pairs[0].sense"),
    (document([("forward", 1.0, 2.0, 3.0), ("forward", 1.0, None, 3.0)]), "pairs[1].before_deg"),
    (document([("forward", True, 2.0, 3.0)]), "pairs[0].dial_mm"),
    (document([], pointer_per_crank=0), "pointer_per_crank"),
    (b'{"hand_readings": 1, "angle_step_deg": NaN, "pairs": []}', "angle_step_deg"),
])
def test_what_is_no_document_is_refused_at_its_key(data, key):
    with pytest.raises(analysis.TraceRefused) as refused:
        read_hand(data)
    assert refused.value.column == key


def test_the_plot_draws_each_sense_over_the_crest_and_the_middles():
    data = document(read_off(150.13, LOBE, turn=0.0))
    result = analysis.analyse_hand(data, SPEC)
    plot = analysis.hand_plot_data(data, SPEC, result)
    assert [sweep["direction"] for sweep in plot["sweeps"]] == ["forward", "forward", "reverse", "reverse"]
    assert [sweep["lift_mm"] for sweep in plot["sweeps"][:2]] == [[4.0, 6.0, 8.0], [8.0, 6.0, 4.0]]
    assert all(abs(middle - 150.13) < 0.3 for line in plot["midline"] for middle in line["middle_deg"])
    near = analysis.hand_plot_data(data, SPEC, result, window=(149.0, 170.0))
    assert all(149.0 <= angle <= 170.0 for sweep in near["sweeps"] for angle in sweep["angle_deg"])
    assert set(plot) == {"sweeps", "midline", "residuals", "crest_deg", "reference_deg", "target_deg",
                         "tolerance_deg", "lift_unit", "angle_on"}


def test_the_command_prints_the_result_and_refuses_by_its_status(tmp_path, capsys):
    (tmp_path / "h.json").write_bytes(document(read_off(150.13, LOBE)))
    (tmp_path / "bad.json").write_bytes(b"{}")
    (tmp_path / "s.json").write_text(json.dumps(SPEC))
    spec = ["--spec", str(tmp_path / "s.json")]
    assert main(["hand", str(tmp_path / "h.json"), *spec]) == RESULT
    assert json.loads(capsys.readouterr().out) == analysis.analyse_hand(tmp_path / "h.json", SPEC)
    assert main(["hand", str(tmp_path / "bad.json"), *spec]) == REFUSED
    assert json.loads(capsys.readouterr().out)["refused"]["column"] == "hand_readings"
    assert main(["hand", str(tmp_path / "h.json"), "--spec", str(tmp_path / "none.json")]) == UNUSABLE
