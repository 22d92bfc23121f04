"""A folder of logs without session.toml, as an outing leaves it."""

from __future__ import annotations

from pathlib import Path

__all__ = ["FIXES", "MOTION", "make_outing"]

FIXES = "time_s,speed_mps,latitude_deg,longitude_deg\n" + "".join(
    f"{t},{t / 4},52.0,{5 + 1e-5 * t}\n" for t in range(60)
)
MOTION = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n" + "".join(
    f"{t / 50},0.1,{0.2 + t % 3},9.7\n" for t in range(3000)
)


def make_outing(folder: Path) -> Path:
    """Make a folder with a log of each kind, and one that is none."""
    folder.mkdir()
    (folder / "run1.csv").write_text(FIXES)
    (folder / "run2_gps.csv").write_text(FIXES)
    (folder / "run2_motion.csv").write_text(MOTION)
    (folder / "broken.gpx").write_text("<!doctype html><html></html>")
    return folder
