"""Headers in nine languages mean what they say, and a speed by another name is not passed over.

The words are from memory, as an ordinary dictionary has them; units as people of each language write
them.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logger.reading import read
from logger.tables.headers import read_header

#: One logged table in each language: time, speed, latitude, longitude, altitude, heading, accuracy.
_TABLES = {
    "German": "Zeit (s);Geschwindigkeit (km/h);Breitengrad;Längengrad;Höhe (m);Fahrtrichtung (°);Genauigkeit (m)",
    "French": "Temps (s);Vitesse (km/h);Latitude;Longitude;Altitude (m);Cap (°);Précision (m)",
    "Spanish": "Tiempo (s);Velocidad (km/h);Latitud;Longitud;Altitud (m);Rumbo (°);Precisión (m)",
    "Italian": "Tempo (s);Velocità (km/h);Latitudine;Longitudine;Quota (m);Direzione (°);Precisione (m)",
    "Portuguese": "Tempo (s);Velocidade (km/h);Latitude;Longitude;Altura (m);Rumo (°);Precisão (m)",
    "Dutch": "Tijd (s);Snelheid (km/u);Breedtegraad;Lengtegraad;Hoogte (m);Koers (°);Nauwkeurigheid (m)",
    "Polish": "Czas (s);Prędkość (km/h);Szerokość geograficzna;Długość geograficzna;Wysokość (m);Kurs (°);Dokładność (m)",
    "Czech": "Čas (s);Rychlost (km/h);Zeměpisná šířka;Zeměpisná délka;Výška (m);Kurz (°);Přesnost (m)",
    "Swedish": "Tid (s);Hastighet (km/h);Latitud;Longitud;Höjd (m);Kurs (°);Noggrannhet (m)",
}
_ACCELERATIONS = (
    "Beschleunigung X (m/s²)",
    "Accélération x [m/s²]",
    "Aceleración X (m/s^2)",
    "Accelerazione X (m/s2)",
    "Aceleração X (m/s²)",
    "Versnelling X (m/s²)",
    "Przyspieszenie X (m/s²)",
    "Zrychlení X (m/s²)",
    "Acceleration X (m/s²)",
)


@pytest.mark.parametrize("language", _TABLES)
def test_a_table_is_read_in_its_language(language: str, tmp_path: Path) -> None:
    rows = [f"{t};36,0;48,{t:05d};16,{t:05d};170;90;5" for t in range(40)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([_TABLES[language], *rows]) + "\n", encoding="utf-8")
    recording = read(path)
    # 36 km/h are 10 m/s: by the definition of the hour
    values = {c.name: float(np.median(c.values)) for c in recording.channels}
    assert values["speed_mps"] == pytest.approx(10.0)
    assert values["elevation_m"] == 170.0
    assert values["heading_deg"] == 90.0
    assert values["position_accuracy_m"] == 5.0
    assert values["latitude_deg"] == pytest.approx(48.000195, abs=1e-5)
    assert values["longitude_deg"] == pytest.approx(16.000195, abs=1e-5)
    assert recording.duration_s == 39.0


@pytest.mark.parametrize("header", _ACCELERATIONS)
def test_acceleration_along_an_axis(header: str) -> None:
    meaning = read_header(header)
    assert meaning is not None
    assert meaning.role == "accel_x_mps2"
    assert meaning.unit is not None


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Fahrzeuggeschwindigkeit [km/h]", "speed_mps"),
        ("GESCHWINDIGKEIT (km/h)", "speed_mps"),
        ("predkosc (km/h)", "speed_mps"),
        ("vitesse GPS (m/s)", "speed_mps"),
        ("Geschwindigkeitsgenauigkeit (m/s)", "speed_accuracy_mps"),
        ("Hoehe (Meter)", "elevation_m"),
        ("velocidad_kmh", "speed_mps"),
    ],
)
def test_compounds_capitals_and_missing_accents(header: str, role: str) -> None:
    meaning = read_header(header)
    assert meaning is not None
    assert meaning.role == role


def test_short_words_mean_nothing_in_other_headers() -> None:
    """ "cap" is a heading in French, and many things in English; "tid" a time in Swedish."""
    for header in ("cap voltage", "thread tid name", "fart sensor"):
        assert read_header(header) is None


def test_a_speed_by_an_unknown_name_is_named(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{t},36,48.{t:05d},16.0" for t in range(40)]
    header = "time (s),Fahrt (km/h),latitude,longitude"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    texts = [finding.text for finding in read(path).findings]
    assert any("Column 'Fahrt (km/h)' looks like speed" in text for text in texts)
    assert any('--column speed_mps="Fahrt (km/h)"' in text for text in texts)
    # what has its own word for another speed is nothing to ask about
    path.write_text(path.read_text(encoding="utf-8").replace("Fahrt", "wind"), encoding="utf-8")
    assert not any("looks like speed" in finding.text for finding in read(path).findings)
