"""What `pullcoast new` asks about an outing, and how an answer becomes a key of session.toml."""

from __future__ import annotations

from dataclasses import dataclass

from logger.errors import SessionError
from logger.session.keys import (
    AIR,
    DRIVES,
    ROTATING_MASS_DEFAULTS,
    VEHICLE,
    VEHICLE_KINDS,
    Quantity,
    VehicleKind,
)
from logger.session.quantities import number_and_unit, parse_quantity
from logger.session.tyres import TYRE_EXAMPLES, parse_tyre
from logger.units import find_unit

__all__ = ["QUESTIONS", "Answer", "Question", "hint", "read_answer"]

_LONGEST_TEXT = 200

#: Masses as driven [kg] that most vehicles of a kind have, for orientation, not a check; common
#: practice, no source.
_MOST_MASSES_KG: dict[VehicleKind, tuple[int, int]] = {
    "car": (900, 2_300),
    "van": (1_500, 3_500),
    "truck": (3_500, 40_000),
    "motorcycle": (180, 450),
    "bicycle": (65, 130),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing to know about an outing.

    Parameters
    ----------
    name : str
        As the option of the command, without dashes.
    table, key : str
        Where the answer goes in session.toml; for a quantity the key of its first unit.
    ask : str
        The question.
    example : str
        An answer, as it would stand in session.toml.
    without : str
        What follows when it stays open.
    quantity : Quantity or None
        For numbers with a unit.
    choices : tuple of str
        For words of a list.
    needed : bool
        Without it there is no report.
    """

    name: str
    table: str
    key: str
    ask: str
    example: str
    without: str
    quantity: Quantity | None = None
    choices: tuple[str, ...] = ()
    needed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One key of session.toml with its value; numbers in the key's own unit.

    `si` is the value in the unit of the quantity, None for words and shares.
    """

    key: str
    value: str | float
    si: float | None = None


#: In the order they are asked.
QUESTIONS: tuple[Question, ...] = (
    Question(
        name="kind",
        table="vehicle",
        key="kind",
        ask="What kind of vehicle is it?",
        example='"car"',
        without="a car is taken",
        choices=VEHICLE_KINDS,
    ),
    Question(
        name="name",
        table="vehicle",
        key="name",
        ask="What do you call it?",
        example='"estate, winter tyres"',
        without="the folder's name stands in its place",
    ),
    Question(
        name="state",
        table="vehicle",
        key="state",
        ask="In which state is it (sessions of one vehicle in one state belong together)?",
        example='"stock"',
        without="sessions without a state count as one state",
    ),
    Question(
        name="mass",
        table="vehicle",
        key="mass_kg",
        ask="What is its mass as driven, with people, fuel and load?",
        example="1480",
        without="no report can be made: power and resistance are proportional to it",
        quantity=VEHICLE["mass"],
        needed=True,
    ),
    Question(
        name="mass_uncertainty",
        table="vehicle",
        key="mass_uncertainty_kg",
        ask="How far off may the mass be, two times out of three (public weighbridge 5kg to 10kg, papers 50kg)? Enter for 1 % of it.",
        example="8",
        without="1 % of the mass is taken",
        quantity=VEHICLE["mass_uncertainty"],
    ),
    Question(
        name="rotating_mass",
        table="vehicle",
        key="rotating_mass_kg",
        ask="How heavy do the wheels make it feel? Enter for the usual share of the mass.",
        example="44",
        without="the usual share for its kind is taken",
        quantity=VEHICLE["rotating_mass"],
    ),
    Question(
        name="rotating_mass_uncertainty",
        table="vehicle",
        key="rotating_mass_uncertainty_kg",
        ask="How far off may that be, two times out of three? Enter for the usual.",
        example="7",
        without="the usual share for its kind is taken",
        quantity=VEHICLE["rotating_mass_uncertainty"],
    ),
    Question(
        name="drive",
        table="vehicle",
        key="drive",
        ask="What drives it?",
        example='"naturally aspirated"',
        without="no correction to standard air will be offered",
        choices=DRIVES,
    ),
    Question(
        name="tyre",
        table="vehicle",
        key="tyre",
        ask="Which size do the driven tyres have?",
        example='"205/55 R16"',
        without="no engine speed and torque can be told",
    ),
    Question(
        name="temperature",
        table="air",
        key="temperature_C",
        ask="How warm was the air?",
        example="14",
        without="nothing can be carried to reference air",
        quantity=AIR["temperature"],
    ),
    Question(
        name="pressure",
        table="air",
        key="pressure_hPa",
        ask="What was the pressure at the place, not reduced to sea level?",
        example="1002",
        without="the altitude can stand in for it, less well",
        quantity=AIR["pressure"],
    ),
    Question(
        name="humidity",
        table="air",
        key="relative_humidity_percent",
        ask="What was the relative humidity?",
        example="60",
        without="50 % is taken",
        quantity=AIR["relative_humidity"],
    ),
    Question(
        name="altitude",
        table="air",
        key="altitude_m",
        ask="How high above the sea is the road?",
        example="120",
        without="the pressure goes unchecked",
        quantity=AIR["altitude"],
    ),
)


def hint(question: Question, kind: VehicleKind, mass_kg: float | None) -> str:
    """Return what answers look like, and which are plausible for a vehicle of this kind.

    Parameters
    ----------
    question : Question
        One of `QUESTIONS`.
    kind : VehicleKind
        As answered so far.
    mass_kg : float or None
        Mass as driven [kg], where already known.

    Returns
    -------
    str
        Without brackets.
    """
    if question.choices:
        return ", ".join(question.choices)
    if question.name == "mass":
        low, high = _MOST_MASSES_KG[kind]
        return f"1480kg or 3260lb; most {_plural(kind)} {low} to {high} kg"
    if question.name.startswith("rotating_mass"):
        usual = ROTATING_MASS_DEFAULTS[kind]
        percent = usual.percent if question.name == "rotating_mass" else usual.sd_percent
        also = "" if mass_kg is None else f", here {percent / 100 * mass_kg:.3g} kg"
        return f"44kg or 3%; usual for a {kind}: {percent:g} %{also}"
    if question.name == "tyre":
        return TYRE_EXAMPLES
    return {
        "mass_uncertainty": "8kg, 20lb or 0.5%",
        "temperature": "14C or 57F; -40 to 55 C",
        "pressure": "1002hPa or 29.6inHg; 1013 hPa at sea level, some 12 hPa less each 100 m",
        "humidity": "60%",
        "altitude": "120m or 390ft",
    }.get(question.name, question.example.strip('"'))


def _plural(kind: VehicleKind) -> str:
    return f"{kind}s"


def read_answer(
    question: Question, text: str, place: str, mass_kg: float | None = None
) -> Answer | None:
    """Check one answer.

    Parameters
    ----------
    question : Question
        What was asked.
    text : str
        As typed.
    place : str
        What the message calls the place where it stood: the option, or "".
    mass_kg : float, optional
        Mass as driven [kg], for what scales with it; a percentage needs none.

    Returns
    -------
    Answer or None
        None where the text is empty: the question stays open.

    Raises
    ------
    SessionError
        What was found and what is expected.
    """
    text = text.strip()
    if not text:
        return None
    if question.quantity is not None:
        return _quantity(question.quantity, text, place, mass_kg)
    if question.choices:
        plain = " ".join(text.lower().split())
        begun = [item for item in question.choices if item.lower().startswith(plain)]
        for item in question.choices:
            if item.lower() == plain or (begun == [item] and len(plain) > 2):
                return Answer(key=question.key, value=item)
        raise SessionError(place, "", f"{text!r}", f"one of {', '.join(question.choices)}")
    if len(text) > _LONGEST_TEXT or not text.isprintable():
        found = f"{len(text)} characters" if text.isprintable() else "unprintable characters"
        raise SessionError(place, "", found, f"a line of at most {_LONGEST_TEXT} characters")
    if question.name == "tyre":
        try:
            parse_tyre(text)
        except ValueError as error:
            raise SessionError(place, "", str(error)) from error
    return Answer(key=question.key, value=text)


def _quantity(quantity: Quantity, text: str, place: str, mass_kg: float | None) -> Answer:
    """Return the number as typed where a key has its unit, else in the quantity's own unit."""
    _, unit = number_and_unit(text) or (0.0, "")
    if quantity.unit == "%" and not unit:  # nothing else can be meant
        text, unit = f"{text}%", "%"
    percent = unit in ("%", "percent")
    shares = [key for key, of_key in quantity.keys.items() if of_key == "%"]
    if quantity.of_mass and mass_kg is None and not (percent and shares):
        found = f"{text!r} without the mass of the vehicle"
        raise SessionError(place, "", found, "the mass as driven beside it")
    si = parse_quantity(text, quantity, place, mass_kg=mass_kg)
    typed, _ = number_and_unit(text) or (si, "")
    if percent and shares:
        return Answer(key=shares[0], value=typed)
    for key, of_key in quantity.keys.items():
        known = find_unit(of_key)
        if not percent and known is not None and find_unit(unit, known.quantity) == known:
            return Answer(key=key, value=typed, si=si)
    key = next(key for key, of_key in quantity.keys.items() if of_key == quantity.unit)
    return Answer(key=key, value=float(f"{si:.7g}"), si=si)
