"""Time stamps: exact numbers, dates in many forms, and what is refused rather than guessed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import Stamps
from logger.times.dates import text_stamps
from logger.times.stamps import looks_like_epoch, numeric_stamps, since_2001
from logger.times.time_parts import is_clock_text


def parse(texts: list[str], **settings_of: bool) -> tuple[Stamps, list[Finding]]:
    return text_stamps(texts, "log.csv", "time", lambda row: row + 2, **settings_of)


def test_epoch_seconds_with_nine_decimals_keep_every_nanosecond() -> None:
    texts = [f"17100000{k:02d}.00000{k:04d}" for k in range(50)]
    stamps = numeric_stamps(np.array([float(t) for t in texts]), 1.0, "t", lambda: texts)
    # a float of 1.7e9 s steps by 2.4e-7 s: without the texts the error would be 1e-7
    assert_allclose(stamps.t_s, [k + k * 1e-9 for k in range(50)], rtol=0, atol=1e-12)
    assert stamps.kind == "epoch"


def test_nanoseconds_since_1970_need_their_texts() -> None:
    texts = [str(1_710_000_000_000_000_001 + 7 * k) for k in range(50)]
    stamps = numeric_stamps(np.array([float(t) for t in texts]), 1e-9, "t", lambda: texts)
    assert_allclose(stamps.t_s, 7e-9 * np.arange(50), rtol=0, atol=1e-15)
    assert stamps.origin_ns == 1_710_000_000_000_000_001


def test_texts_are_not_asked_for_where_floats_are_exact() -> None:
    def never() -> list[str]:
        msg = "asked for the texts"
        raise AssertionError(msg)

    for values, factor, decimals in (
        ([1.71e12, 1.71e12 + 16], 1e-3, 0),
        ([0.1, 0.2], 1.0, 1),
        ([8e13], 1e-9, None),
        ([1710000000.000001, 1710000000.25], 1.0, 6),
    ):
        numeric_stamps(np.array(values), factor, "t", never, decimals=decimals)


@pytest.mark.parametrize(("factor", "scale"), [(1.0, 1_000_000), (1e-3, 1_000)])
def test_microseconds_since_1970_are_exact_without_their_texts(factor: float, scale: int) -> None:
    rng = np.random.default_rng(3)
    micros = 1_710_000_000_000_000 + np.cumsum(rng.integers(1, 30_000, 5_000))
    read = np.array([int(one) / scale for one in micros])
    read[7] = np.nan
    read[11] = np.nextafter(read[11], np.inf)  # a quick reader errs by a step
    stamps = numeric_stamps(read, factor, "t", decimals=6 if factor == 1.0 else 3)
    assert stamps.origin_ns == int(micros[0]) * 1000
    away = np.delete(stamps.t_s * 1e6 - (micros - micros[0]), 7)
    assert_allclose(away, 0.0, rtol=0, atol=1e-6)  # a float of some hundred seconds


def test_finer_decimals_than_the_first_cells_have_are_not_rounded_away() -> None:
    texts = [f"{1710000000 + k}.{k * 37_123_457 % 10**9:09d}" for k in range(60)]
    read = np.array([float(text) for text in texts])
    stamps = numeric_stamps(read, 1.0, "t", lambda: texts, decimals=6)
    expected = [k + (k * 37_123_457 % 10**9) * 1e-9 for k in range(60)]
    assert_allclose(stamps.t_s, expected, rtol=0, atol=1e-12)


def test_whole_numbers_stand_in_for_texts() -> None:
    whole = np.array([1_710_000_000_000_000_001, 1_710_000_000_010_000_003])
    stamps = numeric_stamps(whole.astype(np.float64), 1e-9, "t", whole=whole)
    assert stamps.origin_ns == 1_710_000_000_000_000_001
    assert stamps.t_s[1] == pytest.approx(0.010000002, abs=1e-15)


def test_exponents_and_blanks_in_numbers() -> None:
    texts = ["1.71E9", "", "1.7100000005e9"]
    stamps = numeric_stamps(np.array([1.71e9, np.nan, 1.7100000005e9]), 1.0, "t", lambda: texts)
    assert np.isnan(stamps.t_s[1])
    assert_allclose(stamps.t_s[[0, 2]], [0, 0.5], rtol=0, atol=1e-9)


def test_decimal_commas_are_as_exact_as_points() -> None:
    texts = ["1710000000,000000001", "1710000000,500000001"]
    values = np.array([float(text.replace(",", ".")) for text in texts])
    stamps = numeric_stamps(values, 1.0, "t", lambda: texts)
    assert stamps.t_s.tolist() == [0, 0.5]
    assert stamps.origin_ns == 1_710_000_000_000_000_001


def test_plausible_epochs() -> None:
    # 2001-09-09 and 2096-10-02 are 1e9 and 4e9 s after 1970
    assert looks_like_epoch(datetime(2024, 3, 9, tzinfo=UTC).timestamp())
    assert not looks_like_epoch(datetime(2001, 9, 8, tzinfo=UTC).timestamp())
    assert not looks_like_epoch(86_012.3)


def test_seconds_since_2001_are_told_apart_from_boot_times() -> None:
    start = (datetime(2024, 3, 9, tzinfo=UTC) - datetime(2001, 1, 1, tzinfo=UTC)).total_seconds()
    finding = since_2001(numeric_stamps(np.array([start, start + 1]), 1.0, "t"), "log.csv")
    assert finding is not None
    assert "2024" in finding.text
    assert since_2001(numeric_stamps(np.array([86_012.0]), 1.0, "t"), "log.csv") is None


@pytest.mark.parametrize(
    "text",
    [
        "2024-03-09T16:00:00Z",
        "2024-03-09T16:00:00.000000000Z",
        "2024-03-09 16:00:00 UTC",
        "2024-03-09T17:00:00+01:00",
        "2024-03-09T17:00:00+0100",
        "2024-03-09T17:00:00+01",
        "2024-03-09T10:30:00-05:30",
        "20240309T160000Z",
        "2024/03/09 16:00:00Z",
        "9 Mar 2024 16:00:00Z".replace("9 Mar ", "9-Mar-"),
        "2024-03-09 04:00:00 pm UTC",
        "2024-03-09T16:00:00+00:00:00",
    ],
)
def test_one_moment_in_many_forms(text: str) -> None:
    assert is_clock_text(text)
    stamps, findings = parse([text])
    assert stamps.origin_ns == 1_710_000_000 * 10**9
    assert not findings
    assert stamps.kind == "epoch"


@pytest.mark.parametrize(
    "text",
    ["2024-02-30T10:00:00Z", "2024-13-01T10:00:00Z", "2024-03-09T25:00:00Z",
     "2024-03-09T10:61:00Z", "2024-03-09", "soon", "13:00:00 pm", "2024-03-09T10:00:00+1x"],
)  # fmt: skip
def test_what_is_no_time_is_refused_with_its_line(text: str) -> None:
    with pytest.raises(ReadError) as caught:
        parse(["2024-03-09T10:00:00Z", text])
    assert caught.value.line == 3


def test_day_and_month_are_decided_by_the_whole_column() -> None:
    stamps, _ = parse(["12/05/2024 10:00:00Z", "13/05/2024 10:00:00Z"])
    assert stamps.t_s.tolist() == [0, 86400]
    assert datetime.fromtimestamp(stamps.origin_ns / 1e9, UTC).month == 5
    stamps, _ = parse(["05/12/2024 10:00:00Z", "05/13/2024 10:00:00Z"])
    assert datetime.fromtimestamp(stamps.origin_ns / 1e9, UTC).day == 12


def test_an_order_that_no_value_settles_is_told_by_days_that_follow_each_other() -> None:
    stamps, findings = parse(["03/04/2024 23:59:59Z", "04/04/2024 00:00:00Z"])
    assert stamps.t_s.tolist() == [0, 1]
    assert not findings
    with pytest.raises(ReadError, match="as well day first as month first"):
        parse(["03/04/2024 10:00:00Z", "05/06/2024 10:00:00Z"])


def test_one_ambiguous_date_gives_right_times_and_no_date() -> None:
    stamps, findings = parse(["03/04/2024 10:00:00Z", "03/04/2024 10:00:01Z"])
    assert stamps.t_s.tolist() == [0, 1]
    assert stamps.kind == "elapsed"
    assert [f.kind for f in findings] == ["date_order_unknown"]


def test_days_that_fit_neither_order_are_refused() -> None:
    with pytest.raises(ReadError, match="no date in the order"):
        parse(["13/05/2024 10:00:00Z", "05/14/2024 10:00:00Z"])


def test_dates_on_some_rows_only_are_refused() -> None:
    with pytest.raises(ReadError, match="no date although others"):
        parse(["2024-03-09 10:00:00", "10:00:01"])
    with pytest.raises(ReadError, match="has a date although others"):
        parse(["10:00:00", "2024-03-09 10:00:01"])


def test_the_fourth_field_is_a_fraction_or_unpadded_milliseconds() -> None:
    padded, _ = parse(["10:00:00:0350", "10:00:00:9999"])
    assert_allclose(padded.t_s, [0, 0.9649], rtol=0, atol=1e-9)
    unpadded, _ = parse(["10:00:00:5", "10:00:00:35", "10:00:00:999"])
    assert_allclose(unpadded.t_s, [0, 0.030, 0.994], rtol=0, atol=1e-9)


def test_a_header_that_says_utc_settles_the_zone() -> None:
    assert [f.kind for f in parse(["2024-03-09 16:00:00"])[1]] == ["zone_unknown"]
    stamps, findings = parse(["2024-03-09 16:00:00"], in_utc=True)
    assert not findings
    assert stamps.zone_known


@settings(max_examples=80)
@given(
    moment=st.datetimes(datetime(1950, 1, 1), datetime(2090, 1, 1)),
    minutes=st.integers(-14 * 60, 14 * 60),
    later=st.integers(0, 10**12),
)
def test_the_standard_librarys_iso_texts_are_read_as_it_does(
    moment: datetime, minutes: int, later: int
) -> None:
    zone = timezone(timedelta(minutes=minutes))
    first = moment.replace(tzinfo=zone)
    second = first + timedelta(microseconds=later)
    stamps, _ = parse([first.isoformat(), second.isoformat()])
    expected = (second - first) / timedelta(seconds=1)
    assert_allclose(stamps.t_s[1], expected, rtol=1e-15, atol=1e-9)
    epoch = (first - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    assert stamps.origin_ns == epoch * 1000
