"""GPX: where speed may stand, what stops the reading, limits; gpxpy is the independent reader."""

from __future__ import annotations

import os
from pathlib import Path

import gpxpy
import gpxpy.gpx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.formats import gpx_points
from logger.formats.gpx import parse_gpx
from logger.reading import read
from logger.recording import Recording
from logger.tables.table import ColumnChoice

#: Namespaces of the published track-point extension schemas; version 2 has speed in m/s.
EXTENSION_2 = "http://www.garmin.com/xmlschemas/TrackPointExtension/v2"


def document(points: str, *, version: str = "1.1", spaces: str = "") -> str:
    space = f"http://www.topografix.com/GPX/{version.replace('.', '/')}"
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="{version}" creator="made up" '
        f'xmlns="{space}"{spaces}>\n<trk><trkseg>\n{points}\n</trkseg></trk>\n</gpx>\n'
    )


def point(second: float, inside: str = "", *, lat: str = "52.1", lon: str = "9.4") -> str:
    return (
        f'<trkpt lat="{lat}" lon="{lon}"><time>2024-03-09T09:00:{second:06.3f}Z</time>'
        f"{inside}</trkpt>"
    )


def read_text(tmp_path: Path, text: str | bytes) -> Recording:
    path = tmp_path / "track.gpx"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read(path)


def speeds(recording: Recording) -> list[float]:
    channel = recording.channel("speed_mps")
    assert channel is not None
    return [float(value) for value in channel.values]


def test_speed_in_the_second_version_of_the_track_point_extension(tmp_path: Path) -> None:
    """Element and unit (m/s) as in the published schema TrackPointExtensionv2.xsd."""
    inside = (
        "<extensions><tpx:TrackPointExtension><tpx:hr>120</tpx:hr><tpx:speed>{}</tpx:speed>"
        "<tpx:course>12.5</tpx:course></tpx:TrackPointExtension></extensions>"
    )
    text = document(
        point(0, inside.format(20.5)) + point(1, inside.format(21.25)),
        spaces=f' xmlns:tpx="{EXTENSION_2}"',
    )
    recording = read_text(tmp_path, text)
    assert speeds(recording) == [20.5, 21.25]
    heading = recording.channel("heading_deg")
    assert heading is not None
    assert heading.values.tolist() == [12.5, 12.5]


def test_the_points_own_speed_wins_over_an_extension(tmp_path: Path) -> None:
    for order in ("<speed>20</speed>{}", "{}<speed>20</speed>"):
        inside = order.format("<extensions><x:speed>72</x:speed></extensions>")
        text = document(point(0, inside) + point(1, inside), spaces=' xmlns:x="urn:x"')
        assert speeds(read_text(tmp_path, text)) == [20, 20]


def test_a_unit_beside_the_speed_is_heeded(tmp_path: Path) -> None:
    def track(attributes: str) -> str:
        return document(
            "".join(
                point(k, f"<extensions><speed{attributes}>{72 + 3.6 * k:.1f}</speed></extensions>")
                for k in range(3)
            )
        )

    # 3.6 km/h are 1 m/s
    assert speeds(read_text(tmp_path, track(' unit="km/h"'))) == pytest.approx([20.0, 21.0, 22.0])
    assert speeds(read_text(tmp_path, track(' uom="km/h" source="x"')))[0] == pytest.approx(20.0)
    assert speeds(read_text(tmp_path, track(' source="km/h"')))[0] == pytest.approx(72.0)
    with pytest.raises(ReadError, match="a speed in 'parsec'") as error:
        read_text(tmp_path, track(' unit="parsec"'))
    assert error.value.line == 4
    # the user's word goes before the file's
    path = tmp_path / "track.gpx"
    path.write_text(track(' unit="km/h"'))
    stated = read(path, columns={"speed_mps": ColumnChoice(unit="m/s")})
    assert speeds(stated)[0] == pytest.approx(72.0)


def test_a_tag_without_end_is_refused_before_it_takes_memory(tmp_path: Path) -> None:
    many = "".join(f' a{k}=""' for k in range(40_000))
    with pytest.raises(ReadError, match="a tag of more than 65536 bytes") as error:
        read_text(tmp_path, document(f'<trkpt lat="52" lon="9"{many}></trkpt>'))
    assert error.value.line == 4
    # long texts are no tags
    text = f"<desc>{'made up ' * 40_000}</desc>{point(0.0, '<speed>12.5</speed>')}"
    assert speeds(read_text(tmp_path, document(text, version="1.0"))) == [12.5]


def test_attributes_are_told_by_their_names(tmp_path: Path) -> None:
    swapped = point(0.0, "<speed>1.0</speed>").replace('lat="52.1"', 'a="lat" b="lon" lat="52.1"')
    recording = read_text(tmp_path, document(swapped))
    latitude = recording.channel("latitude_deg")
    assert latitude is not None
    assert latitude.values.tolist() == [52.1]


def test_positions_alone_give_no_speed(tmp_path: Path) -> None:
    recording = read_text(tmp_path, document(point(0) + point(1, lat="52.2")))
    assert recording.channel("speed_mps") is None
    assert recording.channel("latitude_deg") is not None


def test_speeds_in_another_unit_are_found_out_by_the_positions(tmp_path: Path) -> None:
    """An extension that holds km/h says so nowhere; 20 m/s is 1.79866e-4 degrees a second."""
    text = document(
        "".join(
            point(k, "<speed>72</speed>", lat=f"{52.1 + 1.79866e-4 * k:.7f}") for k in range(20)
        )
    )
    with pytest.raises(ReadError, match="they are in km/h, not m/s") as caught:
        read_text(tmp_path, text)
    assert "--unit speed_mps=km/h" in str(caught.value)
    path = tmp_path / "track.gpx"
    recording = read(path, columns={"speed_mps": ColumnChoice(unit="km/h")})
    assert speeds(recording) == pytest.approx([20.0] * 20)
    assert not recording.findings
    doubted = read(path, columns={"speed_mps": ColumnChoice(unit="kn")})
    assert "unit_suspect" in {finding.kind for finding in doubted.findings}
    with pytest.raises(ReadError, match="unit 'warp'"):
        read(path, columns={"speed_mps": ColumnChoice(unit="warp")})


def test_zero_is_a_speed_and_blank_is_none(tmp_path: Path) -> None:
    inside = ["<speed>0</speed>", "<speed/>", "<speed>nan</speed>", "<speed> 1.5 </speed>"]
    text = document("".join(point(k, s) for k, s in enumerate(inside)))
    recording = read_text(tmp_path, text)
    channel = recording.channel("speed_mps")
    assert channel is not None
    assert channel.values.tolist() == [0.0, 1.5]
    assert_allclose(channel.t_s, [0, 3], rtol=0, atol=1e-9)


def test_a_speed_that_is_no_number_is_refused_with_its_line(tmp_path: Path) -> None:
    text = document(point(0, "<speed>20</speed>") + "\n" + point(1, "<speed>fast</speed>"))
    with pytest.raises(ReadError, match="'fast' as speed") as caught:
        read_text(tmp_path, text)
    assert caught.value.line == 5


def test_nonsense_in_an_unused_field_is_only_counted(tmp_path: Path) -> None:
    text = document(point(0, "<ele>high</ele><hdop>?</hdop>") + point(1, "<ele>5</ele>"))
    recording = read_text(tmp_path, text)
    assert [(f.kind, f.count) for f in recording.findings] == [("field_unreadable", 1)]


def test_times_of_other_elements_are_not_the_points(tmp_path: Path) -> None:
    inside = "<extensions><x><time>1999-01-01T00:00:00Z</time></x></extensions><speed>9</speed>"
    recording = read_text(tmp_path, document(point(0, inside) + point(1, inside)))
    channel = recording.channel("speed_mps")
    assert channel is not None
    assert_allclose(channel.t_s, [0, 1], rtol=0, atol=1e-9)


def test_several_segments_follow_each_other_and_it_is_said(tmp_path: Path) -> None:
    middle = "</trkseg>\n<trkseg></trkseg>\n<trkseg>"
    recording = read_text(tmp_path, document(point(0) + middle + point(20)))
    (finding,) = recording.findings
    assert (finding.kind, finding.count, finding.line) == ("several_segments", 2, 6)


def test_points_without_a_time_are_counted_and_a_route_is_refused(tmp_path: Path) -> None:
    bare = '<trkpt lat="52.1" lon="9.4"><speed>3</speed></trkpt>'
    recording = read_text(tmp_path, document(point(0) + bare + point(1)))
    (finding,) = recording.findings
    assert (finding.kind, finding.count) == ("time_missing", 1)
    with pytest.raises(ReadError, match="none with a time"):
        read_text(tmp_path, document(bare))
    with pytest.raises(ReadError, match="no track points"):
        read_text(tmp_path, document("").replace("<trk>", '<wpt lat="1" lon="2"/><trk>'))


@pytest.mark.parametrize(
    ("lat", "lon"), [("91", "9"), ("52", "181"), ("", "9"), ("north", "9"), ("nan", "9")]
)
def test_a_point_nowhere_on_earth_is_refused(tmp_path: Path, lat: str, lon: str) -> None:
    with pytest.raises(ReadError) as caught:
        read_text(tmp_path, document(point(0) + "\n" + point(1, lat=lat, lon=lon)))
    assert caught.value.line == 5


def test_a_document_type_is_refused_before_it_does_harm(tmp_path: Path) -> None:
    """The billion-laughs attack needs one; GPX has none."""
    bomb = (
        '<?xml version="1.0"?>\n<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa">'
        '<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>\n<gpx><trk>&b;</trk></gpx>'
    )
    with pytest.raises(ReadError, match="document type"):
        read_text(tmp_path, bomb)


def test_depth_and_number_of_points_are_limited(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deep = "<a>" * 5000 + "</a>" * 5000
    with pytest.raises(ReadError, match="nested more than"):
        read_text(tmp_path, document(point(0, f"<extensions>{deep}</extensions>")))
    monkeypatch.setattr(gpx_points, "MAX_POINTS", 3)
    with pytest.raises(ReadError, match="more than 3 points"):
        read_text(tmp_path, document("".join(point(k) for k in range(4))))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "iso-8859-1"])
def test_encodings_and_marks(tmp_path: Path, encoding: str) -> None:
    declared = encoding.removesuffix("-sig")
    text = document(point(0, "<name>Grün</name><speed>7</speed>") + point(1)).replace(
        "UTF-8", declared
    )
    assert speeds(read_text(tmp_path, text.encode(encoding))) == [7]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("quote", ['"', "'"])
def test_a_track_saved_anew_in_utf_16_still_declares_its_old_encoding(
    tmp_path: Path, encoding: str, quote: str
) -> None:
    text = document(point(0, "<name>Grün</name><speed>7</speed>") + point(1)).replace(
        '"UTF-8"', f"{quote}UTF-8{quote}"
    )
    assert "UTF-8" in text
    assert speeds(read_text(tmp_path, text.encode(encoding))) == [7]
    damaged = text.replace("<name>", "<na<me>")
    lines = []
    for data in (damaged.encode("utf-8"), damaged.encode("utf-8-sig"), damaged.encode(encoding)):
        with pytest.raises(ReadError) as caught:
            read_text(tmp_path, data)
        lines.append((caught.value.line, caught.value.column))
    assert lines == [lines[0]] * 3


def test_an_encoding_that_does_not_exist_is_refused(tmp_path: Path) -> None:
    for encoding in ("utf-88", "UTF-32", "idna"):
        with pytest.raises(ReadError):
            read_text(tmp_path, document(point(0)).replace("UTF-8", encoding))


def test_blank_lines_before_the_declaration_keep_the_line_numbers(tmp_path: Path) -> None:
    text = "\n\n" + document(point(0) + "\n" + point(1, "<speed>x</speed>"))
    with pytest.raises(ReadError) as caught:
        read_text(tmp_path, text)
    assert caught.value.line == 7


def test_mixed_times_with_and_without_zone_are_refused(tmp_path: Path) -> None:
    text = document(point(0) + point(1) + "\n" + point(2).replace("Z<", "<"))
    with pytest.raises(ReadError, match="some have none") as caught:
        read_text(tmp_path, text)
    assert caught.value.line == 5


def test_a_time_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="no time that is understood"):
        read_text(tmp_path, document(point(0) + point(1).replace("09:00:01", "25 o'clock")))


@settings(max_examples=40)
@given(
    rows=st.lists(
        st.tuples(
            st.integers(1, 3_000),
            st.floats(-89, 89).map(lambda x: round(x, 7)),
            st.floats(-179, 179).map(lambda x: round(x, 7)),
            st.floats(0, 90).map(lambda x: round(x, 3)),
        ),
        min_size=1,
        max_size=20,
    )
)
def test_an_independent_reader_agrees(
    rows: list[tuple[int, float, float, float]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """gpxpy reads the same times, positions and speeds from GPX 1.0."""
    stamp = 0
    points = []
    for step_ms, lat, lon, speed in rows:
        stamp += step_ms
        minute, rest = divmod(stamp, 60_000)
        points.append(
            f'<trkpt lat="{lat}" lon="{lon}"><time>2024-03-09T09:{minute:02d}:{rest / 1000:06.3f}Z'
            f"</time><speed>{speed}</speed></trkpt>"
        )
    text = document("\n".join(points), version="1.0")
    reference = gpxpy.parse(text).tracks[0].segments[0].points
    path = tmp_path_factory.mktemp("gpx") / "track.gpx"
    path.write_text(text)
    recording = parse_gpx(str(path), path.read_bytes())
    start = reference[0].time
    assert start is not None
    assert_allclose(
        recording.stamps.t_s,
        [(p.time - start).total_seconds() for p in reference if p.time is not None],
        rtol=0,
        atol=1e-9,
    )
    by_name = {column.name: column.values for column in recording.columns}
    assert by_name["latitude_deg"].tolist() == [p.latitude for p in reference]
    assert by_name["longitude_deg"].tolist() == [p.longitude for p in reference]
    assert by_name["speed_mps"].tolist() == [p.speed for p in reference]


#: gpxpy 1.6 finds no point under a prefixed root (checked); their speeds are compared elsewhere.
BEYOND_THE_REFERENCE = {"gpx_prefixed_root.gpx"}
#: Cut off, or no GPX: neither reader takes them.
NOT_WELL_FORMED = {"gpx_cut_off_in_tag.gpx", "gpx_is_html_page.gpx"}
CASES = Path(__file__).resolve().parents[2] / "data" / "cases"
OPEN_LOGS = os.environ.get("PULLCOAST_OPEN_LOGS")
TRACKS = [*CASES.rglob("*.gpx"), *(Path(OPEN_LOGS).rglob("*.gpx") if OPEN_LOGS else ())]


@pytest.mark.parametrize("path", sorted(TRACKS), ids=lambda path: path.name)
def test_every_track_at_hand_is_as_an_independent_reader_has_it(path: Path) -> None:
    """Points, positions, times, and speeds where gpxpy has them (not from GPX 1.1)."""
    if path.name in NOT_WELL_FORMED:
        with pytest.raises(gpxpy.gpx.GPXException):
            gpxpy.parse(path.read_text())
        with pytest.raises(ReadError):
            read(path)
        return
    track = gpxpy.parse(path.read_text(encoding="utf-8-sig"))
    points = [p for t in track.tracks for segment in t.segments for p in segment.points]
    if path.name in BEYOND_THE_REFERENCE:
        assert not points
        return
    if not any(p.time for p in points):
        with pytest.raises(ReadError, match="no track points|none with a time"):
            read(path)
        return
    rows = parse_gpx(str(path), path.read_bytes())
    by_name = {column.name: column.values for column in rows.columns}
    assert by_name["latitude_deg"].tolist() == [p.latitude for p in points]
    assert by_name["longitude_deg"].tolist() == [p.longitude for p in points]
    start = points[0].time
    assert start is not None
    # gpxpy keeps microseconds
    expected = [(p.time - start).total_seconds() if p.time else np.nan for p in points]
    assert_allclose(rows.stamps.t_s, expected, rtol=0, atol=1e-6)
    speeds = [np.nan if p.speed is None else p.speed for p in points]
    if np.isfinite(speeds).any():
        assert_allclose(by_name["speed_mps"], speeds, rtol=0, atol=0)
    heights = [np.nan if p.elevation is None else p.elevation for p in points]
    if np.isfinite(heights).any():
        assert_allclose(by_name["elevation_m"], heights, rtol=0, atol=0)


def test_a_few_impossible_positions_are_left_out_and_more_are_refused(tmp_path: Path) -> None:
    def track(wrong: int) -> Path:
        points = [
            f'<trkpt lat="{"491.5" if 50 <= k < 50 + wrong else f"{49 + k * 1e-4:.6f}"}" lon="8.5">'
            f"<time>2024-03-09T10:{k // 60:02d}:{k % 60:02d}Z</time></trkpt>"
            for k in range(300)
        ]
        path = tmp_path / f"{wrong}.gpx"
        text = "\n".join(points)
        path.write_text(f'<gpx version="1.0">\n<trk><trkseg>\n{text}\n</trkseg></trk></gpx>')
        return path

    recording = read(track(3))
    latitude, longitude = recording.channel("latitude_deg"), recording.channel("longitude_deg")
    assert latitude is not None
    assert longitude is not None
    assert latitude.t_s.size == longitude.t_s.size == 297
    assert [(f.line, f.count) for f in recording.findings if f.kind == "impossible_value"] == [
        (53, 3)
    ]
    with pytest.raises(ReadError, match=r"lat='491\.5'") as caught:
        read(track(4))
    assert caught.value.line == 53
