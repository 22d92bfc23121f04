"""Oscilloscope tables of every general shape give the same trace and the same edges.

The files are made up. Each holds one trace of 200 samples 0.05 s apart from -1 s on: 0.5 V, from
sample 60 on 4.5 V, from sample 140 on 0.5 V again. Between two samples a straight line crosses the
middle, 2.5 V, half-way: 1.975 s and 5.975 s.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logger.errors import ReadError
from logger.tables.scope import Trace, find_edges, parse_scope, read_scope

STEP_S, START_S, COUNT = 0.05, -1.0, 200
VOLTS = [4.5 if 60 <= k < 140 else 0.5 for k in range(COUNT)]
TIMES = [START_S + STEP_S * k for k in range(COUNT)]
EDGES_S = (1.975, 5.975)


def beside_the_samples() -> str:
    left = [
        "Record Length,2.000000e+02", "Sample Interval,5.000000e-02", "Trigger Point,2.0e+01",
        ",", ",", ",", "Source,CH1", "Vertical Units,V", "Vertical Scale,1.0e+00",
        "Vertical Offset,0.0e+00", "Horizontal Units,s", "Horizontal Scale,2.5e-01",
        "Pt Fmt,Y", "Yzero,0.0e+00", "Probe Atten,1.0e+00", "Model Number,X", "Serial,0", "Version,1",
    ]  # fmt: skip
    left = [f"{cells},{'Points' if k == 0 else ''}" for k, cells in enumerate(left)]
    left += [",,"] * (COUNT - len(left))
    rows = zip(left, TIMES, VOLTS, strict=True)
    # a minus before leading zeros
    return "\n".join(f"{cells},{t:011.6f},{v:09.5f}," for cells, t, v in rows) + "\n"


def settings_then_table() -> str:
    head = (
        "Model,X100\nFirmware,1.2\nSample Interval,5e-02\nRecord Length,200\nProbe,10\n\nTIME,CH1\n"
    )
    return head + "".join(f"{t:.6e},{v:.4e}\n" for t, v in zip(TIMES, VOLTS, strict=True))


def names_then_unit_words() -> str:
    head = "x-axis,1,2\nsecond,Volt,Volt\n"
    return head + "".join(
        f"{t:+.5E},{v:+.5E},+1.0E-01\n" for t, v in zip(TIMES, VOLTS, strict=True)
    )


def increment_in_second_row() -> str:
    head = "CH1,CH2,Start,Increment,\nVOLT,VOLT,-1.000e+00,5.000e-02,\n"
    return head + "".join(f"{v:.3e},1.0e-01,,,\n" for v in VOLTS)


def counted_samples() -> str:
    head = "X,CH1,Start,Increment,\nSequence,VOLT,-1.000e+00,5.000e-02,\n"
    return head + "".join(f"{k},{v:.3e},,,\n" for k, v in enumerate(VOLTS))


def source_line() -> str:
    head = "Source,CH1\nSecond,Volt\n"
    return head + "".join(f"{t:+.6E},{v:+.4E}\n" for t, v in zip(TIMES, VOLTS, strict=True))


def clock_with_prefix() -> str:
    head = "#TITLE=ramp\n#SIZE=200\n#CLOCK=50.0mS\n#START=-1.0S\n#UNIT Y=V\n"
    return head + "".join(f"{v:.4f}\n" for v in VOLTS)


def semicolons_and_commas() -> str:
    head = "Time;Channel A;Channel B\n(ms);(mV);(mV)\n\n"
    rows = [
        f"{1000 * t:.3f};{1000 * v:.1f};{'∞' if 20 < k < 30 else '12,5'}\n"
        for k, (t, v) in enumerate(zip(TIMES, VOLTS, strict=True))
    ]
    return head + "".join(rows).replace(".", ",")


def three_digits() -> str:
    # 0.05 s printed with one digit after the point: every second step repeats
    head = "Time (s),Throttle (V)\n"
    return head + "".join(f"{START_S + 0.1 * (k // 2):.1f},{v:.2f}\n" for k, v in enumerate(VOLTS))


def blanks_between() -> str:
    return "".join(f"{t:12.4f}   {v:8.3f}\n" for t, v in zip(TIMES, VOLTS, strict=True))


def tabs_and_millivolts() -> str:
    head = "time [us]\tthrottle [mV]\tclutch [A]\n"
    return head + "".join(
        f"{1e6 * t:.0f}\t{1000 * v:.0f}\t0.2\n" for t, v in zip(TIMES, VOLTS, strict=True)
    )


def rate_and_names() -> str:
    head = "Sample rate: 20 Hz\nStart time: -1 s\nCH1 (V),CH2 (V)\n"
    return head + "".join(f"{v:.3f},0.0\n" for v in VOLTS)


def no_heading() -> str:
    return "".join(f"{t:.4f},{v:.3f}\n" for t, v in zip(TIMES, VOLTS, strict=True))


def own_words() -> str:
    head = "Increment = 0.05 s\nStart = -1.0 s\nVertical Units = V\nSource = throttle\n"
    return head + "".join(f"{v:.3f}\n" for v in VOLTS)


SHAPES: tuple[Callable[[], str], ...] = (
    beside_the_samples, settings_then_table, names_then_unit_words, increment_in_second_row,
    counted_samples, source_line, clock_with_prefix, semicolons_and_commas, blanks_between,
    tabs_and_millivolts, rate_and_names, no_heading, own_words,
)  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.__name__)
def test_every_shape_gives_the_same_times_volts_and_edges(shape: Callable[[], str]) -> None:
    trace = parse_scope("scope.csv", shape().encode()).traces[0]
    assert trace.unit == "V"
    # printed with at least four digits
    np.testing.assert_allclose(trace.t_s, TIMES, atol=1e-4)
    np.testing.assert_allclose(trace.values, VOLTS, atol=1e-4)
    edges = find_edges(trace, 1.5, 3.5)
    assert [edge.rising for edge in edges] == [True, False]
    np.testing.assert_allclose([edge.t_s for edge in edges], EDGES_S, atol=1e-4)
    # an even spread over one sample: step / sqrt(12)
    np.testing.assert_allclose([edge.sd_s for edge in edges], STEP_S / 12**0.5, rtol=1e-3)


def test_repeated_times_are_rebuilt_and_said() -> None:
    scope = parse_scope("scope.csv", three_digits().encode())
    trace = scope.traces[0]
    assert [finding.kind for finding in scope.findings] == ["scope_time_rebuilt"]
    # the last printed time is up to one printed digit early, so the whole is stretched by as much
    np.testing.assert_allclose(trace.t_s, TIMES, atol=0.051)
    edges = find_edges(trace, 1.5, 3.5)
    assert edges[1].t_s - edges[0].t_s == pytest.approx(4.0, abs=0.03)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "utf-16-le", "cp1252"])
def test_encodings_and_upper_case_endings(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "RECORD01.CSV"
    path.write_bytes(tabs_and_millivolts().replace("us", "µs").encode(encoding))
    assert read_scope(path).traces[0].values[60] == pytest.approx(4.5)


def test_gzip_and_old_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "record.csv.gz"
    path.write_bytes(gzip.compress(settings_then_table().replace("\n", "\r\n").encode()))
    assert len(read_scope(path).traces[0].values) == COUNT


def test_several_channels_by_name_and_number() -> None:
    scope = parse_scope("scope.csv", increment_in_second_row().encode())
    assert [trace.name for trace in scope.traces] == ["CH1", "CH2"]
    assert scope.trace("ch2").values[0] == pytest.approx(0.1)
    assert scope.trace("1").name == "CH1"
    with pytest.raises(ReadError, match="one of CH1, CH2"):
        scope.trace("CH3")


def test_currents_are_no_voltage() -> None:
    scope = parse_scope("scope.csv", tabs_and_millivolts().encode())
    assert [trace.name for trace in scope.traces] == ["throttle"]


def test_percent_stays_percent() -> None:
    text = "time (s),throttle (%)\n" + "".join(
        f"{t:.3f},{25 * (v - 0.5):.1f}\n" for t, v in zip(TIMES, VOLTS, strict=True)
    )
    trace = parse_scope("scope.csv", text.encode()).traces[0]
    assert (trace.unit, trace.values.max()) == ("%", 100.0)


def test_overload_is_left_out_and_counted() -> None:
    scope = parse_scope("scope.csv", semicolons_and_commas().encode())
    (finding,) = scope.findings
    assert (finding.kind, finding.count) == ("scope_overload", 9)
    assert np.isnan(scope.traces[1].values).sum() == 9


def test_cut_off_last_line_is_named() -> None:
    scope = parse_scope("scope.csv", settings_then_table()[:-12].encode())
    finding = next(f for f in scope.findings if f.kind == "scope_truncated")
    assert finding.line == 7 + COUNT
    assert len(scope.traces[0].values) == COUNT - 1


def test_record_shorter_than_its_settings_say() -> None:
    lines = settings_then_table().splitlines()[:150]
    scope = parse_scope("scope.csv", "\n".join(lines).encode())
    finding = next(f for f in scope.findings if f.kind == "scope_truncated")
    assert "143 samples where the settings say 200" in finding.text


SPOILT: tuple[tuple[str, bytes, str], ...] = (
    ("empty", b"", "empty"),
    ("blank", b"\n\n  \n", "empty"),
    ("binary", b"\x00\x01\x02\x03" * 300, "binary|columns of samples"),
    ("zip", b"PK\x03\x04" + b"\x00" * 200, "ZIP"),
    ("words", b"hello\nthis is\nno table\nat all\n", "no columns of samples"),
    ("heading alone", b"Model,X\n\nTIME,CH1\n", "no columns of samples|0 samples"),
    ("one sample", b"TIME,CH1\n0.0,1.0\n", "1 sample"),
    ("no voltage", b"time (s),current (A)\n0,1\n1,2\n2,3\n3,3\n", "no voltage .*'current'"),
    ("time back", b"time (s),v (V)\n0,1\n1,2\n0.5,3\n3,3\n", "goes back at sample 3"),
    ("time still", b"time (s),v (V)\n1,1\n1,2\n1,3\n1,3\n", "never moves"),
    ("no interval", b"CH1\nV\n0.5\n0.5\n4.5\n0.5\n", "no sample interval"),
    (
        "a word inside",
        b"t (s),v (V)\n0,1\n1,2\n2,3\n3,x\n" + b"".join(b"%d,1\n" % k for k in range(4, 30)),
        "line 5, column 2: 'x'",
    ),
)


@pytest.mark.parametrize(("name", "data", "message"), SPOILT, ids=[row[0] for row in SPOILT])
def test_what_is_no_record_gets_one_clear_message(
    name: str, data: bytes, message: str, tmp_path: Path
) -> None:
    path = tmp_path / f"{name.replace(' ', '_')}.csv"
    path.write_bytes(data)
    with pytest.raises(ReadError, match=message) as caught:
        read_scope(path)
    assert str(path) in str(caught.value)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="no such file"):
        read_scope(tmp_path / "none.csv")


def test_a_swing_between_the_levels_is_no_edge() -> None:
    t = np.arange(20, dtype=np.float64) * 0.1
    values = np.where(np.arange(20) % 2, 2.0, 3.0)
    assert find_edges(Trace(name="x", unit="V", t_s=t, values=values), 1.0, 4.0) == ()


def test_a_ramp_has_its_middle_as_edge_and_its_width_in_the_sd() -> None:
    t = np.arange(101, dtype=np.float64) * 0.01
    values = np.clip((t - 0.3) / 0.4, 0.0, 1.0)
    (edge,) = find_edges(Trace(name="x", unit="V", t_s=t, values=values), 0.25, 0.75)
    assert edge.t_s == pytest.approx(0.5, abs=1e-9)
    # from a quarter to three quarters takes 0.2 s (one sample at most more); even spread: / sqrt(12)
    assert edge.sd_s == pytest.approx(0.2 / 12**0.5, abs=0.02 / 12**0.5)
