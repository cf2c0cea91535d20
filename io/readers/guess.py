"""Which column of a foreign book is what, guessed from common header words and from the readings themselves.

Nothing here is certain; `hubtack new --from` says every guess, and writes tables that people correct.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from .bookfile import Book
from .bookunits import LENGTHS, header_unit, unpack

# Common practice, no source. Keys in the order in which they choose; words as `plain` makes them.
WORDS: dict[str, tuple[str, ...]] = {
    "from_setup": ("from setup", "instrument setup", "station setup", "setup", "setup id", "setup no"),
    "to_setup": ("to setup", "target setup"),
    "from_mark": (
        "from mark", "instrument mark", "station mark", "occupied", "occupied point", "at", "from", "from point",
        "from station", "station", "stn", "sta", "station name", "station id", "setup point", "instrument point",
        "standpunkt", "stazione", "estación",
    ),
    "to_mark": (
        "to mark", "target mark", "sighted mark", "to", "to point", "to station", "target point", "target name",
        "target id", "sighted", "sighted point", "mark", "point", "pt", "point id", "point name", "point no",
        "pt id", "pt no", "zielpunkt", "punkt", "punto", "target", "ziel",  # beside a point, target is the device
    ),
    "from_support": ("from support", "instrument support", "station support", "inst support"),
    "to_support": ("to support", "target support", "support"),
    "from_device": ("from device", "instrument", "inst", "total station", "instrument id", "instrument no"),
    "to_device": ("to device", "target device", "device", "prism", "reflector", "prism type", "target type",
                  "target", "ziel"),
    "hi": (
        "hi", "ih", "height of instrument", "instrument height", "inst height", "inst ht", "instr height",
        "station height of instrument", "instrumentenhöhe", "hauteur instrument",
    ),
    "ht": (
        "ht", "th", "hr", "hs", "height of target", "target height", "tgt ht", "tgt height", "prism height",
        "reflector height", "rod height", "pole height", "signal height", "zielhöhe", "reflektorhöhe",
        "hauteur prisme", "height of reflector", "hot", "hz target height",
    ),
    "from_base": ("from base", "instrument base"),
    "to_base": ("to base", "target base"),
    "from_height_base": ("from height base", "instrument height base"),
    "to_height_base": ("to height base", "target height base"),
    "prism_constant": ("prism constant", "prism const", "pc", "additive constant", "addition constant"),
    "round": ("round", "rnd", "set", "set no", "round no", "satz"),
    "face": ("face", "lage", "circle position", "f", "position"),
    "circle": (
        "circle", "horizontal circle", "horizontal circle reading", "hz", "hz angle", "hz circle", "hor angle",
        "horizontal angle", "horiz angle", "h angle", "ha", "direction", "horizontal direction", "hcr", "hzr",
        "horizontalwinkel", "angle horizontal", "hz direction",
    ),
    "zenith": (
        "zenith", "zenith angle", "zenith distance", "za", "zd", "vertical angle", "vert angle", "v angle", "va", "v",
        "vz", "vertical circle", "vertical circle reading", "zenitwinkel", "vertikalwinkel", "angle zénithal",
    ),
    "slope": (
        "slope", "slope distance", "slope dist", "sloped distance", "sd", "s dist", "sdist", "slope d", "distance",
        "dist", "schrägstrecke", "distance inclinée",
    ),
    "horizontal": (
        "horizontal", "horizontal distance", "horizontal dist", "horiz distance", "hor distance", "hor dist", "hd",
        "h dist", "hdist", "horizontalstrecke",
    ),
    "time": ("time", "timestamp", "date time", "datetime", "date", "observed", "zeit"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "description", "desc", "code", "bemerkung"),
    "id": ("id", "no", "nr", "number", "obs", "obs no", "obs id", "observation", "sight", "seq", "row", "record", "#"),
}  # fmt: skip
READINGS = ("circle", "zenith", "slope", "horizontal")
_ALL = {word.replace(" ", "") for words in WORDS.values() for word in words}
_ENOUGH = 8  # angles from which packed ones are told: by chance 0.36**8 would look so, 3 in 10 000


@dataclass
class Guess:
    """The mapping (key → column of the book), the units, and what is to be said of them."""

    places: dict[str, int] = field(default_factory=dict)
    length: str = "m"
    angle: str = "dms"
    packed: bool = False
    words: list[str] = field(default_factory=list)

    @property
    def missing(self) -> list[str]:
        """What a book can't do without and this one has not, as far as could be guessed."""
        lacks = [key for key in ("from_mark", "to_mark") if key not in self.places]
        return lacks if set(READINGS) & set(self.places) else [*lacks, "a reading"]


def plain(header: str) -> str:
    """A header without its unit, in lower case, signs between words taken as nothing: `Slope-Dist. [m]` → slopedist."""
    bare = re.sub(r"\s*(\[[^\[\]]*\]|\([^()]*\))\s*$", "", header).casefold()
    return re.sub(r"[\s_\-./:,;'\"]+", "", bare)


def hits(record: list[str]) -> int:
    """How many cells of a row are common header words."""
    return sum(plain(cell) in _ALL for cell in set(record))


def guess(book: Book, told: dict[str, str]) -> Guess:
    """What the columns are. `told` (key → header) goes before every guess."""
    found = Guess()
    found.places = {key: book.header.index(name) for key, name in told.items()}
    headers = [plain(h) for h in book.header]
    for key, words in WORDS.items():
        if key in found.places:
            continue
        for word in words:
            at = [
                i for i, h in enumerate(headers)
                if h == word.replace(" ", "") and i not in found.places.values() and any(book.columns[i])
            ]  # fmt: skip
            if at:
                found.places[key] = at[0]
                break
    free = [i for i in range(len(headers)) if i not in found.places.values() and any(book.columns[i])]
    for key, place in found.places.items():
        others = [
            repr(book.header[i]) for i in free if headers[i] in {w.replace(" ", "") for w in WORDS[key]}
        ]
        doubt = f"; it could be {' or '.join(others)}" if others else ""
        found.words.append(f"{key} is {book.header[place]!r}" + (" (told)" if key in told else doubt))
    _lengths(book, found)
    _angles(book, found)
    return found


def _lengths(book: Book, found: Guess) -> None:
    units = [header_unit(book.header[found.places[k]], False)[0] for k in READINGS[2:] if k in found.places]
    units += [header_unit(book.header[found.places[k]], False)[0] for k in ("hi", "ht") if k in found.places]
    said = [u for u in units if u in ("m", "ft", "us-ft")]
    if said:
        found.length = said[0]
        found.words.append(f"lengths are in {found.length}: a header says so")
    else:
        found.words.append("lengths are taken as m: no header says a unit")
    assert found.length in LENGTHS.values()


def _angles(book: Book, found: Guess) -> None:
    columns = [book.columns[found.places[k]] for k in READINGS[:2] if k in found.places]
    said = [header_unit(book.header[found.places[k]], True)[0] for k in READINGS[:2] if k in found.places]
    said = [u for u in said if u]
    if said:
        found.packed = said[0] == "packed"
        found.angle = {"packed": "dms", "rad": "deg"}.get(said[0], said[0])
        found.words.append(f"angles are in {said[0].replace('packed', 'packed ddd.mmss')}: a header says so")
        return
    cells = [c.replace(",", ".") for column in columns for c in column[:2000] if c]
    if not cells:
        return
    if sum(bool(re.search(r"[-°' ]", c[1:])) for c in cells) > len(cells) / 2:
        found.words.append("angles are in degrees, minutes, seconds: their signs say so")
        return
    numbers = [float(c) for c in cells if re.fullmatch(r"[+-]?\d+(\.\d*)?", c, re.ASCII)]
    fractions = [c for c in cells if re.fullmatch(r"[+-]?\d+\.\d{3,}", c, re.ASCII)]
    if len(fractions) >= _ENOUGH and all(unpack(c) for c in fractions):
        found.packed = True
        found.words.append("angles are packed ddd.mmss: their minutes and seconds all lie below 60")
        return
    zeniths = [
        float(c.replace(",", ".")) for c in columns[-1][:2000] if re.fullmatch(r"\d+([.,]\d*)?", c, re.ASCII)
    ]
    degrees = sorted(abs(z % 180 - 90) for z in zeniths)
    gons = sorted(abs(z % 200 - 100) for z in zeniths)
    gon = max(numbers, default=0) >= 360
    if "zenith" in found.places and degrees and not gon:
        gon = gons[len(gons) // 2] < degrees[len(degrees) // 2]
    found.angle = "gon" if gon else "deg"
    why = (
        "they go beyond 360"
        if max(numbers, default=0) >= 360
        else f"zenith angles lie near {100 if gon else 90}"
    )
    found.words.append(f"angles are in {found.angle}: {why if zeniths else 'nothing says otherwise'}")
