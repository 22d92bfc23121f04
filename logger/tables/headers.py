"""The one table of header words: which quantity a column holds, and in which unit."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

from logger.recording import CHANNEL_NAMES
from logger.tables.languages import in_english
from logger.units import Quantity, find_unit, plain_unit

__all__ = [
    "FOREIGN",
    "OWN_COLUMNS",
    "Flavour",
    "Meaning",
    "quantity_of",
    "read_header",
    "two_units",
    "unit_word",
]

#: Columns of the own table, in the order they are written.
OWN_COLUMNS: tuple[str, ...] = ("time_s", "received_s", *CHANNEL_NAMES, "mark", "event")

#: Score of a time that by its name is the time of something else: of a heading, of an accident.
FOREIGN = -5

Flavour = Literal["", "gravity included", "gravity removed", "gravity alone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What one header says.

    Parameters
    ----------
    role : str
        A channel name, or ``time``, ``date``, ``received``, ``interval``, ``mark``, ``event``,
        ``accel`` (no axis named).
    unit : str or None
        Unit as the header has it; None where it names none.
    score : int
        Which of two columns for one role is the better named: own table 9, positioning words 2,
        `FOREIGN` the time of something else.
    flavour : str
        For accelerations: whether gravity is in them, where the header says so.
    utc : bool
        For times: the header says UTC.
    """

    role: str
    unit: str | None
    score: int = 1
    flavour: Flavour = ""
    utc: bool = False


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_ACCURACY = _words("accuracy acc error err sigma std sd uncertainty precision hacc vacc sacc")

#: role, words of which one must stand in the header, words of which none may. First match wins.
_RULES: tuple[tuple[str, frozenset[str], frozenset[str]], ...] = (
    ("interval", _words("interval dt delta"), frozenset()),
    (
        "latitude_deg",
        _words("lat latitude"),
        _ACCURACY | _words("lateral ac accel acceleration g force"),
    ),
    (
        "longitude_deg",
        _words("lon lng long longitude"),
        _ACCURACY | _words("ac accel acceleration g force"),
    ),
    (
        "engine_speed_rpm",
        _words("rpm enginespeed"),
        _words("wheel roller drum fan pump"),
    ),
    ("throttle", _words("throttle tps pedal"), frozenset()),
    (
        "speed_mps",
        _words("speed velocity vel spd groundspeed gpsspeed"),
        _ACCURACY
        | _words("source limit wind engine motor fan angular rotation rotational max maximum min")
        | _words(
            "avg average mean vertical climb sound unit type x y z north east down fix target"
        ),
    ),
    (
        "elevation_m",
        _words("ele elevation altitude alt height"),
        _ACCURACY | _words("type geoid"),
    ),
    (
        "heading_deg",
        _words("heading course bearing cog track direction"),
        _ACCURACY | _words("gyro raw magnetic compass number name id"),
    ),
    (
        "position_accuracy_m",
        _words("accuracy hacc"),
        _words("speed vertical heading bearing course altitude time sensor velocity vacc sacc"),
    ),
)
_SPEED_WORDS = _words("speed velocity vel spd")
_ACCEL_WORDS = _words("acc accel acceleration accelerometer accelerations accels")
_ACCEL_NOT = _words("event cat category magnitude total abs norm count accuracy speed gyro status")
_GRAVITY_WORDS = _words("gravity grav")
_REMOVED_WORDS = _words("linear user lin nogravity without removed free")
_INCLUDED_WORDS = _words("including included incl with raw total")
_ROTATION_WORDS = _words("gyro gyroscope gyr rotation rotationrate angular omega")
_ROTATION_NOT = _words("quaternion quat vector matrix heading angle acceleration")
_POSITIONING_WORDS = _words("gps gnss location position fix")
_TIME_WORDS = _words(
    "time timestamp datetime epoch elapsed unix seconds millis milliseconds sec date utc yyyy"
)
_TIME_NOT = _words(
    "zone accuracy offset lag delay minute hour day week uptime exposure fix quality"
)
#: All that the name of a log's own time is made of.
_OWN_TIME_WORDS = _words(
    "time timestamp datetime epoch elapsed unix seconds millis milliseconds sec date utc yyyy stamp "
    "clock iso since in of the start started begin beginning boot recording record recorded log "
    "logging logged logger local cst est pst cet cest gmt relative absolute session run trip ride "
    "sensor event sample system host gps gnss motion location position device phone mm mo dd hh mi ss "
    "sss txt text s ms us ns t min h m z microseconds nanoseconds minutes hours micros nanos msec usec nsec"
)
_RECEIVED_WORDS = _words("received arrival arrived receive arrive")
_CLOCK_OWNERS = _words("sensor event sample system boot host gps motion")
_AXIS_OF_ANGLE = {"alpha": "z", "beta": "x", "gamma": "y"}  # W3C DeviceMotionEvent.rotationRate

#: A longer heading is none; brackets without end would be searched again and again.
_LONGEST_NAME = 200

#: A joined word and its axis: accx, gyroY, gravityZ, ax, agx, wz.
_JOINED = re.compile(
    r"(accelerometer|acceleration|accel|acc|gyroscope|gyro|gyr|gravity|grav|rotation|omega)([xyz])"
)
_SHORT_AXIS = {
    "ax": ("accel", "x"),
    "ay": ("accel", "y"),
    "az": ("accel", "z"),
    "agx": ("accel including gravity", "x"),
    "agy": ("accel including gravity", "y"),
    "agz": ("accel including gravity", "z"),
    "wx": ("gyro", "x"),
    "wy": ("gyro", "y"),
    "wz": ("gyro", "z"),
}

#: Own columns carry their unit in the name.
_OWN_UNITS = {
    "time_s": "s",
    "received_s": "s",
    "latitude_deg": "deg",
    "longitude_deg": "deg",
    "elevation_m": "m",
    "place_m": "m",
    "position_accuracy_m": "m",
    "speed_mps": "m/s",
    "speed_accuracy_mps": "m/s",
    "heading_deg": "deg",
    "accel_x_mps2": "m/s2",
    "accel_y_mps2": "m/s2",
    "accel_z_mps2": "m/s2",
    "rotation_x_radps": "rad/s",
    "rotation_y_radps": "rad/s",
    "rotation_z_radps": "rad/s",
    "engine_speed_rpm": "rpm",
    "throttle_percent": "%",
    "throttle_volts": "V",
}


def quantity_of(role: str) -> Quantity | None:
    """Return what a role measures; None for texts and unit vectors."""
    if role in ("time", "time_s", "received", "received_s", "interval"):
        return "time"
    if role.startswith("accel"):
        return "acceleration"
    if role.startswith("rotation"):
        return "angular_rate"
    by_ending: dict[str, Quantity] = {
        "_mps": "speed",
        "_m": "length",
        "_deg": "direction",
        "_rpm": "rotation_speed",
        "_percent": "proportion",
        "_volts": "voltage",
    }
    for ending, quantity in by_ending.items():
        if role.endswith(ending):
            return quantity
    return None


def _tokens(header: str) -> list[str]:
    """Words of a header: camel case and punctuation split, lower case."""
    text = unicodedata.normalize("NFKC", header)
    text = re.sub(r"([a-z0-9])([A-Z])", r"\1 \2", text)
    text = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", text)
    out: list[str] = []
    for word in re.findall(r"[^\W\d_]+|\d+", text):
        low = word.lower()
        joined = _JOINED.fullmatch(low)
        if joined:
            out += [joined[1], joined[2]]
        elif low in _SHORT_AXIS:
            name, axis = _SHORT_AXIS[low]
            out += [*name.split(), axis]
        else:
            out.append(low)
    return out


def unit_word(header: str, quantity: Quantity) -> str | None:
    """Find the unit of `quantity` that a header names.

    Looked for in brackets first, then in the last words: ``Speed (km/h)``, ``[g]``, ``speed_kmh``,
    ``accel_m_s2``, ``Time since start in ms``.
    """
    for inside in re.findall(r"[(\[{]([^)\]}]*)[)\]}]", header):
        for text in (inside, inside.split()[-1] if inside.split() else ""):
            if find_unit(text, quantity):
                return str(text).strip()
    bare = re.sub(r"[(\[{].*?[)\]}]", " ", header)
    bare = re.sub(r"([a-z])([A-Z][a-z])", r"\1 \2", bare)
    words = [word for word in re.split(r"[\s_,:;=|]+|(?<=\w)\.(?=\w)|\bin\b", bare) if word]
    if not words:
        return None
    for count in (1, 2, 3):
        tail = words[-count:]
        for text in ("/".join(tail), "".join(tail)):
            if len(tail) == count and find_unit(text, quantity):
                return text
    if quantity == "speed" and words[-1].lower() == "ms":
        return "m/s"  # "speed_ms": milliseconds measure no speed
    for word in words[:-1]:
        # a unit in the middle: "speed_mps_raw"; single letters are no evidence there
        if len(plain_unit(word)) > 1 and find_unit(word, quantity):
            return word
    return None


def two_units(header: str, quantity: Quantity) -> tuple[str, str] | None:
    """Return two units of `quantity` that a header, with a row of units under it, names at odds.

    >>> two_units("speed (km/h) [m/s]", "speed"), two_units("speed_kmh [km/h]", "speed")
    (('km/h', 'm/s'), None)
    """
    found = [w for w in re.findall(r"[(\[{]([^)\]}]*)[)\]}]", header) if find_unit(w, quantity)]
    bare = re.sub(r"[(\[{].*?[)\]}]", " ", header)
    word = unit_word(bare, quantity)
    if word is not None and len(plain_unit(word)) > 1:
        found.insert(0, word)
    for other in found[1:]:
        if find_unit(other, quantity) != find_unit(found[0], quantity):
            return found[0], other
    return None


def _axis(tokens: list[str]) -> str | None:
    axes = [word for word in tokens if word in ("x", "y", "z")]
    return axes[-1] if axes else None


def read_header(header: str) -> Meaning | None:
    """Find what a column holds by its header.

    Parameters
    ----------
    header : str
        As it stands in the file.

    Returns
    -------
    Meaning or None
        None where the header names nothing that is used.

    >>> read_header("Speed (km/h)")
    Meaning(role='speed_mps', unit='km/h', score=1, flavour='', utc=False)
    >>> read_header("acc x [g]").role, read_header("timestamp_ms").unit
    ('accel_x_mps2', 'ms')
    """
    name = header.strip()[:_LONGEST_NAME]
    if name.lower() in OWN_COLUMNS:
        name = name.lower()
        role = {"time_s": "time", "received_s": "received"}.get(name, name)
        return Meaning(role=role, unit=_OWN_UNITS.get(name), score=9)
    name = in_english(name)
    tokens = _tokens(name)
    words = frozenset(tokens)
    meaning = _motion(name, tokens, words) or _time(name, words)
    if meaning is not None:
        return meaning
    if words & _SPEED_WORDS and words & _ACCURACY:
        return Meaning(role="speed_accuracy_mps", unit=unit_word(name, "speed"))
    if words & _words("orientation") and words & _POSITIONING_WORDS:
        return Meaning(role="heading_deg", unit=unit_word(name, "direction"), score=2)
    if words & _words("engine motor") and "speed" in words:
        return Meaning(role="engine_speed_rpm", unit=unit_word(name, "rotation_speed") or "rpm")
    if words == {"v"} or (words and "v" in words and unit_word(name, "speed")):
        unit = unit_word(name, "speed")
        return Meaning(role="speed_mps", unit=unit) if unit else None
    for role, any_of, none_of in _RULES:
        if words & any_of and not words & none_of:
            score = 2 if words & _POSITIONING_WORDS else 1
            return _finish(role, name, score)
    return None


def _finish(role: str, name: str, score: int) -> Meaning:
    if role == "throttle":
        volts = unit_word(name, "voltage")
        if volts or "volt" in name.lower():
            return Meaning(role="throttle_volts", unit=volts or "V", score=score)
        return Meaning(role="throttle_percent", unit="%", score=score)
    if role == "interval":
        return Meaning(role=role, unit=unit_word(name, "time"), score=score)
    quantity = quantity_of(role)
    unit = unit_word(name, quantity) if quantity else None
    if unit is None and quantity in ("direction", "rotation_speed"):
        # positions, headings and engine speed are practically always in these
        unit = "deg" if quantity == "direction" else "rpm"
    return Meaning(role=role, unit=unit, score=score)


def _motion(name: str, tokens: list[str], words: frozenset[str]) -> Meaning | None:
    axis = _axis(tokens)
    if axis and words == {"a", axis}:
        return Meaning(role=f"accel_{axis}_mps2", unit=unit_word(name, "acceleration"))
    short = next((w for w in words if re.fullmatch(r"g?f[xyz]", w)), "")
    if short and words <= {"g", short} and (len(words) == 2 or short[0] == "g"):
        return Meaning(role=f"accel_{short[-1]}_mps2", unit="g")  # gFx: force over weight
    if axis and {"g", "force"} <= words:
        return Meaning(role=f"accel_{axis}_mps2", unit=unit_word(name, "acceleration") or "g")
    if words & _GRAVITY_WORDS and not words & _ACCEL_WORDS and axis:
        return Meaning(
            role=f"accel_{axis}_mps2",
            unit=unit_word(name, "acceleration"),
            score=1,
            flavour="gravity alone",
        )
    if words & _words("lat lateral") and words & _words("ac acc accel acceleration"):
        return None  # across the road, where no power goes
    if words & _words("lon long") and "ac" in words:
        return Meaning(role="accel", unit=unit_word(name, "acceleration"))
    if (
        words & _ACCEL_WORDS
        and not words & (_ACCEL_NOT - _INCLUDED_WORDS)
        and not (words & _SPEED_WORDS)
    ):
        flavour: Flavour = ""
        if words & _REMOVED_WORDS:
            flavour = "gravity removed"
        elif words & _GRAVITY_WORDS and words & _INCLUDED_WORDS:
            flavour = "gravity included"
        unit = unit_word(name, "acceleration")
        if axis:
            return Meaning(role=f"accel_{axis}_mps2", unit=unit, score=1, flavour=flavour)
        if words & _words("magnitude total abs norm") or words == {"acc"}:
            return None
        return Meaning(role="accel", unit=unit, score=1, flavour=flavour)
    if words & _ROTATION_WORDS and not words & _ROTATION_NOT:
        for word, about in _AXIS_OF_ANGLE.items():
            if word in words:
                axis = about
        if axis:
            return Meaning(role=f"rotation_{axis}_radps", unit=unit_word(name, "angular_rate"))
    return None


def _time(name: str, words: frozenset[str]) -> Meaning | None:
    unit = unit_word(name, "time")
    if words & _RECEIVED_WORDS:
        return Meaning(role="received", unit=unit)
    if words & _TIME_NOT:
        return None
    utc = bool(words & _words("utc gmt"))
    named = words & _TIME_WORDS or {"yyyy", "hh"} <= words
    owner = bool(words & _CLOCK_OWNERS) and unit is not None and len(words) <= 3
    only_unit = unit is not None and plain_unit(name) == plain_unit(unit)
    only_unit = only_unit or words == {"t"} or (unit is not None and words == {"t", unit})
    if named or owner or only_unit:
        role = "date" if "date" in words and not words & _words("time utc stamp") else "time"
        local = bool(words & _words("local cst est pst cet cest"))
        score = 2 if utc else 0 if local else 1
        if any(word not in _OWN_TIME_WORDS and not word.isdecimal() for word in words):
            score = FOREIGN
        return Meaning(role=role, unit=unit, score=score, flavour="", utc=utc)
    return None
