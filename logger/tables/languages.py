"""The one table of header words in other languages, and how a header is read in English by it."""

from __future__ import annotations

import re
import unicodedata

__all__ = ["in_english"]

# All words are from memory, as an ordinary dictionary of each language has them; no program's headers
# were looked at. Units follow the SI brochure, whose symbols are the same in all of them; what stands
# under "km/h" and below is how people write them beside the symbols. Accents, capitals and endings
# that only German joins (Fahrzeuggeschwindigkeit) do not matter. de German, fr French, es Spanish,
# it Italian, pt Portuguese, nl Dutch, pl Polish, cs Czech, sv Swedish.
_WORDS: dict[str, str] = {
    # English: de | fr | es | it | pt | nl | pl | cs | sv
    "time": "zeit uhrzeit zeitstempel | temps heure horodatage | tiempo hora | tempo ora orario"
    " | tempo hora | tijd tijdstip | czas godzina | čas | tid klockslag tidpunkt",
    "date": "datum | | fecha | | | datum | | datum | datum",
    "speed": "geschwindigkeit | vitesse | velocidad | velocità | velocidade | snelheid | prędkość"
    " szybkość | rychlost | hastighet fart",
    "acceleration": "beschleunigung | accélération | aceleración | accelerazione | aceleração"
    " | versnelling acceleratie | przyspieszenie | zrychlení | acceleration",
    "latitude": "breitengrad | latitude | latitud | latitudine | latitude | breedtegraad"
    " | szerokość_geograficzna | zeměpisná_šířka | latitud breddgrad",
    "longitude": "längengrad laengengrad | longitude | longitud | longitudine | longitude"
    " | lengtegraad | długość_geograficzna | zeměpisná_délka | longitud längdgrad",
    "altitude": "höhe hoehe meereshöhe | altitude | altitud altura | altitudine quota"
    " | altitude altura | hoogte | wysokość | výška | höjd",
    "heading": "kurs fahrtrichtung richtung | cap direction | rumbo dirección | direzione rotta"
    " | rumo direção direcção | koers richting | kurs kierunek | kurz směr | kurs riktning",
    "accuracy": "genauigkeit | précision | precisión exactitud | precisione accuratezza"
    " | precisão exatidão | nauwkeurigheid | dokładność | přesnost | noggrannhet",
}
_PHRASES = {
    "latitude": "geographische_breite geografische_breite geografische_breedte",
    "longitude": "geographische_länge geografische_länge geografische_lengte",
}
#: Units as written beside the symbols: hours as u (nl), std (de), godz (pl), hod (cs), tim (sv); seconds
#: as sek (de, sv), seg (es, pt).
_UNITS = (
    (re.compile(r"\bkm\s*/\s*(?:u|uur|std|godz|hod|tim)\b\.?", re.IGNORECASE), "km/h"),
    (re.compile(r"\bm\s*/\s*(?:sek|seg)\b\.?", re.IGNORECASE), "m/s"),
    (re.compile(r"\b(?:sek|seg|sekunden?|secondes?|segundos?|secondi|seconden|sekundy|sekunder)\b", re.IGNORECASE), "s"),
    (re.compile(r"\b(?:millisekunden|millisecondes|milisegundos|millisecondi|milliseconden|milisekundy|millisekunder)\b", re.IGNORECASE), "ms"),
    (re.compile(r"\b(?:meter|mètres?|metros?|metri|metry|metrów|metrů)\b(?!/)", re.IGNORECASE), "m"),
    (re.compile(r"\b(?:grad|degrés?|grados?|gradi|graus?|graden|stopnie|stupně|grader)\b", re.IGNORECASE), "deg"),
)  # fmt: skip
#: A word of so few letters may be anything in another header: it counts alone or beside these only.
_SHORT, _BESIDE = 5, {"gps", "gnss"}
_BRACKETS = re.compile(r"[(\[{].*?[)\]}]")
_WORD = re.compile(r"[^\W\d_]+")


def _plain(text: str) -> str:
    """Return text without accents and capitals."""
    apart = unicodedata.normalize("NFKD", text.replace("ł", "l").replace("Ł", "L"))
    return "".join(c for c in apart if not unicodedata.combining(c)).lower()


def _table() -> dict[str, str]:
    """Return each foreign word to its English one."""
    found: dict[str, str] = {}
    for table in (_WORDS, _PHRASES):
        for english, words in table.items():
            for word in words.replace("|", " ").split():
                found[_plain(word)] = english
    return found


_ENGLISH = _table()
_OF_TWO = {
    re.compile(rf"{first}[\W_]+{second}"): english
    for (first, _, second), english in ((w.partition("_"), e) for w, e in _ENGLISH.items())
    if second
}
#: What German joins other words to.
_JOINED = ("geschwindigkeit", "beschleunigung", "genauigkeit", "richtung")


def in_english(header: str) -> str:
    """Return a header with the words and units of other languages in English.

    Parameters
    ----------
    header : str
        As it stands in the file.

    Returns
    -------
    str
        The same where no word of the table is in it.

    >>> in_english("Geschwindigkeit (km/h)"), in_english("Przyspieszenie X [m/s²]")
    ('speed (km/h)', 'acceleration X [m/s²]')
    >>> in_english("Snelheid (km/u)"), in_english("cap")
    ('speed (km/h)', 'heading')
    >>> in_english("cap (pF) left"), in_english("speed_kmh")
    ('cap (pF) left', 'speed_kmh')
    """
    text = unicodedata.normalize("NFC", header)
    bare = [_plain(word) for word in _WORD.findall(_BRACKETS.sub(" ", text))]
    alone = len([word for word in bare if word not in _BESIDE]) == 1
    plain = _plain(text)
    hits = 0
    if len(plain) == len(text):  # else letters that fold into several: word by word will do
        for phrase, english in _OF_TWO.items():
            match = phrase.search(plain)
            if match:
                text = text[: match.start()] + english + text[match.end() :]
                plain, hits = _plain(text), 1

    def word_in_english(match: re.Match[str]) -> str:
        nonlocal hits
        word = _plain(match[0])
        english = _ENGLISH.get(word)
        if english is None:
            ending = next((e for e in _JOINED if word.endswith(e)), None)
            english = None if ending is None else _ENGLISH[ending]
            for other in _JOINED:  # Geschwindigkeitsgenauigkeit
                if english is not None and word.startswith(other) and other != ending:
                    english = f"{_ENGLISH[other]} {english}"
        if english is None or (len(word) < _SHORT and not alone):
            return match[0]
        hits += 1
        return english

    text = _WORD.sub(word_in_english, text)
    if not hits:
        text = _units(text, only_in_brackets=True)
        return text if text != unicodedata.normalize("NFC", header) else header
    return _units(text, only_in_brackets=False)


def _units(text: str, *, only_in_brackets: bool) -> str:
    """Return text with units in their symbols."""

    def in_symbols(part: str) -> str:
        for pattern, symbol in _UNITS:
            part = pattern.sub(symbol, part)
        return part

    if only_in_brackets:
        return _BRACKETS.sub(lambda match: in_symbols(match[0]), text)
    return in_symbols(text)
