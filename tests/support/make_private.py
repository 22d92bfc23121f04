"""A made-up drive whose logs tell place, day, device and names, and what would give them away."""

from __future__ import annotations

import math

__all__ = [
    "DATES",
    "HEIGHT",
    "LATITUDE",
    "LONGITUDE",
    "NAMES",
    "START_S",
    "as_own",
    "drive",
    "forbidden",
    "stamp",
    "told",
]

# A made-up drive: made-up digits that neither times nor speeds of it can hold.
LATITUDE, LONGITUDE, HEIGHT = -77.846351, 166.668237, 1734.6
NAMES = ("Zephyr Nine", "Jane Roe", "Cobblers Lane", "serial 90210")
DATES = ("2024-05-08", "20240508", "080524", "2024", "09:32", "093235", "17151607")
START_S = 1_715_160_755  # 2024-05-08 09:32:35 UTC, by `date -u -d @1715160755`


def drive(count: int = 90) -> list[tuple[int, float, float, float, float, float]]:
    """Return rows of second, latitude, longitude, height, speed, heading: up the road and back."""
    rows = []
    place = 0.0
    for second in range(count):
        leg = second % 45
        speed = min(2.0 * leg, 30.0, 2.0 * (44 - leg))
        way = 1 if second < 45 else -1
        place += way * speed
        latitude = LATITUDE + place * 8e-6
        rows.append(
            (second, latitude, LONGITUDE + place * 1e-5, HEIGHT + place * 0.004, speed,
             11.0 if way > 0 else 191.0)
        )  # fmt: skip
    return rows


def stamp(second: int) -> str:
    return f"2024-05-08T09:{32 + (35 + second) // 60:02d}:{(35 + second) % 60:02d}Z"


def as_own() -> str:
    lines = [
        "time_s,received_s,latitude_deg,longitude_deg,elevation_m,speed_mps,heading_deg,mark,event"
    ]
    for second, lat, lon, height, speed, heading in drive():
        mark = {3: f'"{NAMES[2]}, {NAMES[1]} 2024-05-08"', 50: NAMES[3]}.get(second, "")
        event = {0: "start", 7: NAMES[0], 60: "gps_lost"}.get(second, "")
        t = START_S + second
        lines.append(
            f"{t},{t + 0.2:.1f},{lat:.6f},{lon:.6f},{height:.2f},{speed},{heading},{mark},{event}"
        )
    return "\n".join(lines) + "\n"


def forbidden() -> set[str]:
    """Return every text that would tell: five digits and more of positions, dates, names."""
    words = {*NAMES, *DATES, *(name.split()[0] for name in NAMES), "jane", "phone", "box"}
    for _, lat, lon, height, *_ in drive():
        for value in (lat, lon):
            minutes = f"{int(abs(value))}{abs(value) % 1 * 60:.4f}"
            words |= {
                f"{abs(value):.6f}"[:6],
                f"{abs(value):.6f}".replace(".", "")[:6],
                minutes[:7],
            }
            words.add(f"{abs(math.radians(value)):.6f}")
        words.add(f"{height:.1f}")
    return words


def told(data: bytes) -> list[str]:
    text = data.decode("utf-8")
    return sorted(word for word in forbidden() if word.lower() in text.lower())
