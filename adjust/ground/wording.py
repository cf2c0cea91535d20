"""Sentences about marks that readings do not determine: what reaches them, what is missing, what to
observe.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..trouble import Trouble
from .network import Network
from .table import Flags

if TYPE_CHECKING:
    from ..model.reductions import Observations

LISTED = 6  # names printed before "and … more"
LENGTHS = ("distance", "level", "horizontal", "horizontal.grid", "horizontal.ellipsoid")
AZIMUTHS = ("azimuth", "azimuth.astronomic", "azimuth.geodetic")
WORDS = {
    "direction": "direction", "zenith": "zenith angle", "distance": "distance", "level": "horizontal distance",
    "rise": "rise", "horizontal": "horizontal distance", "azimuth": "azimuth", "angle": "angle",
    "azimuth.astronomic": "astronomic azimuth", "azimuth.geodetic": "geodetic azimuth",
    "horizontal.grid": "grid distance", "horizontal.ellipsoid": "distance on the ellipsoid",
    "vector.east": "vector", "vector.north": "vector", "vector.up": "vector",
}  # fmt: skip


def and_list(names: Sequence[str]) -> str:
    """A, B and C; a long list is cut and its rest counted."""
    if len(names) > LISTED:
        return f"{', '.join(names[:LISTED])} and {len(names) - LISTED} more"
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else "nothing"


def listing(names: Sequence[str]) -> str:
    """A, B, C; a long list is cut and its rest counted."""
    more = f", … {len(names) - LISTED} more" if len(names) > LISTED else ""
    return ", ".join(names[:LISTED]) + more


def ids(obs: Observations, rows: Iterable[int]) -> tuple[str, ...]:
    """Ids of the first field row of each observation, each once."""
    found: dict[str, None] = {}
    for row in rows:
        field_rows = obs.rows[row]
        found[str(field_rows[0]) if field_rows else str(obs.id[row])] = None
    return tuple(found)


def ends(obs: Observations, row: int) -> tuple[int, ...]:
    """The marks that an observation joins."""
    pair = int(obs.start_mark[row]), int(obs.end_mark[row])
    at = int(obs.at_mark[row])
    return (*pair, at) if at >= 0 else pair


def readings(obs: Observations, rows: Iterable[int]) -> str:
    """The kinds of some observations with their ids: "directions (12, 14) and a distance (12)"."""
    by_word: dict[str, list[int]] = {}
    for row in rows:
        by_word.setdefault(WORDS[str(obs.kind[row])], []).append(row)
    parts = []
    for word, of_it in by_word.items():
        names = ids(obs, of_it)
        article = "an" if word[0] in "aeiou" else "a"
        parts.append(f"{f'{article} {word}' if len(names) == 1 else f'{word}s'} ({listing(names)})")
    return and_list(parts)


def instruments_on(network: Network, marks: Iterable[int]) -> list[str]:
    """Names of the instrument setups on these marks."""
    chosen = set(marks)
    setups = network.setups
    return [
        str(setups.setup[s])
        for s in range(len(setups))
        if setups.instrument[s] and int(setups.mark[s]) in chosen
    ]


def no_place(
    network: Network,
    obs: Observations,
    mark: int,
    rows: list[int],
    missing: Flags,
    components: Sequence[str] = (),
) -> Trouble:
    """Why a mark has no east and north, out of the rows that reach it; `missing` masks marks without a
    place.
    """
    name = str(network.marks.mark[mark])
    what = " and ".join(components) or "east and north"
    can = f"its {what} can't be found."
    here = instruments_on(network, [mark])
    out = [r for r in rows if int(obs.start_mark[r]) == mark and int(obs.start_setup[r]) >= 0]
    into = [r for r in rows if r not in set(out) and obs.kind[r] != "zenith"]
    directions = [r for r in into if obs.kind[r] == "direction"]
    lengths = [r for r in rows if obs.kind[r] in LENGTHS]
    known = {m for r in out for m in ends(obs, r) if m != mark and not missing[m]}
    if out and not into:
        sighted = [str(network.marks.mark[m]) for m in sorted(known)]
        setup = (
            f"The instrument setup {here[0]}" if len(here) == 1 else f"The instrument setups {and_list(here)}"
        )
        shown = readings(obs, [r for r in out if obs.kind[r] != "zenith"] or out)
        text = f"{setup} on {name} can't be placed: of known marks only {and_list(sighted)} "
        text += f"{'is' if len(sighted) < 2 else 'are'} sighted ({shown})."
        wanted = "Measure distances, or sight more known marks."
        if lengths:
            wanted = f"Sight a {'second' if len(known) < 2 else 'third'} known mark."
        if len(known) > 2:
            text = f"{setup} on {name} can't be placed: it lies on or near the circle through the "
            text += f"marks that it sights ({and_list(sighted)})."
            wanted = "Measure a distance to one of them, or sight a mark off that circle."
        return Trouble("NET302", text, wanted, (name,), tuple(here), ids(obs, out))
    reached = ids(obs, into or rows)
    if not rows:
        return Trouble(
            "NET302", f"Nothing reaches {name}: {can}", "Sight it, or leave it out.", (name,), tuple(here)
        )
    unoriented = _unoriented(obs, directions, missing, mark)
    if unoriented and len(directions) < len(into):
        setups = [str(network.setups.setup[s]) for s in unoriented]
        one = len(setups) == 1
        text = f"{name} can't be placed: the instrument setup{'' if one else 's'} {and_list(setups)}, from which it is "
        text += (
            f"sighted, {'has' if one else 'have'} no orientation, for no known mark is sighted from there."
        )
        wanted = f"Sight a known mark from {setups[0]} as well."
        return Trouble("NET302", text, wanted, (name,), tuple(setups), reached)
    if len(reached) == 1 and directions and len(directions) == len(into):
        text = f"{name} is seen by one direction only ({reached[0]}): {can}"
        wanted = "Measure its distance, or sight it from a second setup."
    elif into and all(r in lengths for r in into):
        which = "one distance" if len(reached) == 1 else "distances"
        text = f"{name} is reached by {which} only ({listing(reached)}): {can}"
        wanted = "Read a direction to it, or measure distances from more marks, not all in one line."
    elif len(reached) == 1:
        text = f"{name} is reached by {readings(obs, into or rows)} only: {can}"
        wanted = "Measure its distance and a direction to it from a known mark."
    elif into and all(obs.kind[r] in ("direction", "angle", *AZIMUTHS) for r in into):
        text = f"{name} is reached by {readings(obs, into)} that meet too flat or not at all: {can}"
        wanted = "Measure its distance, or sight it from the side."
    else:
        text = f"{name} is reached by {readings(obs, into or rows)}, which fix no point: {can}"
        wanted = "Measure its distance and a direction to it from a known mark."
    return Trouble("NET302", text, wanted, (name,), tuple(here), reached)


def _unoriented(obs: Observations, directions: list[int], missing: Flags, mark: int) -> list[int]:
    """Setups of these directions that sight nothing known besides; empty if one of them has an
    orientation.
    """
    setups = sorted({int(obs.start_setup[r]) for r in directions})
    rest = obs.used & (obs.kind == "direction") & (obs.end_mark != mark)
    for setup in setups:
        if any(not missing[m] for m in obs.end_mark[rest & (obs.start_setup == setup)].tolist()):
            return []
    return setups


def no_height(network: Network, obs: Observations, mark: int, rows: list[int]) -> Trouble:
    """Why a mark has no height, out of the rows that reach it."""
    name = str(network.marks.mark[mark])
    lengths = [r for r in rows if obs.kind[r] in LENGTHS]
    vertical = [r for r in rows if obs.kind[r] in ("zenith", "rise", "vector.up")]
    far = sorted({m for r in vertical for m in ends(obs, r) if m != mark})
    if far:
        others = and_list([str(network.marks.mark[m]) for m in far])
        tie = "ties" if len(ids(obs, vertical)) == 1 else "tie"
        text = (
            f"{name} has no height: {readings(obs, vertical)} {tie} it only to {others}, of unknown height."
        )
        wanted = "Observe a rise or a zenith angle to a mark of known height, or hold its height."
    elif vertical:
        text = f"{name} has no height: {readings(obs, vertical)} lead from it to itself."
        wanted = "See the marks of the two setups."
    elif lengths:
        text = f"{name} has no height: only distances reach it ({listing(ids(obs, lengths))})."
        wanted = "Observe a zenith angle, or hold its height."
    else:
        text = f"{name} has no height: no zenith angle, rise or vector reaches it."
        wanted = "Observe a zenith angle, or hold its height."
    return Trouble("NET302", text, wanted, (name,), (), ids(obs, rows))
