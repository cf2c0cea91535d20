"""One observation in words: what was read, what it should have read, what its sigma is made of, what is left, what it does.

For the terminal (`hubtack explain JOB OBSERVATION`), for the page, which unfolds it, and for programs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.explained import Explained, ExplainedControl, explain, explain_control
from hubtack.adjust.ground.table import Floats
from hubtack.io.pages.explanation_document import moves_document, number, observation_document
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.sheets import Show, at_target, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

MOST = 6  # marks that move most
_STEPS = {
    "marks": "marks, in the plane",
    "marks and devices": "devices over the marks",
    "grid scale": "grid to ground",
    "level": "to the line's height",
    "curvature": "earth curvature",
    "centring errors": "centring, estimated",
    "height errors": "height errors, estimated",
    "zero": "EDM zero error",
    "scale": "EDM scale error",
    "constant": "target's constant",
    "height_offset": "height offset",
    "index": "vertical index",
}
_TERMS = {
    "both faces": "one pointing, both faces",
    "constant, summed": "constant part",
    "with distance, summed": "part with distance",
    "stated": "stated, or by default",
    "bubble": "bubble off centre",
    "bubble error": "bubble out of adjustment",
    "mark": "definition of the mark",
}


@dataclass(frozen=True)
class Explanation:
    """One observation explained: its id, a heading, and sections of words."""

    id: str
    title: str
    sections: tuple[Section, ...]
    made: Callable[[], dict[str, Any]]

    @property
    def document(self) -> dict[str, Any]:
        """The same for programs, SI, null where undefined; with every mark that moves, so made only where it is asked for."""
        return self.made()


def explanations(
    a: Adjustment, job: Job, rows: Sequence[int], left_out: Sequence[int] = (), held: int = -1
) -> tuple[Explanation, ...]:
    """Rows of `a.observations`, then of `a.left_out`, then the held coordinates of the mark in row `held`.

    One solve for all rows, some tenths of a millisecond each: for a page, the worst few hundred of a large network.
    """
    show = _Words(a, job)
    made = [show.observation(e) for e in explain(a, rows, left_out)]
    made += [show.control(e) for e in (explain_control(a, held) if held >= 0 else ())]
    return tuple(made)


class _Words:
    """Makes the words of one adjustment, in the job's units."""

    def __init__(self, a: Adjustment, job: Job) -> None:
        self.a, self.job, self.show, self.units = a, job, Show(a, job.units), job.units
        self.small = job.units.small_length_name
        self.far = {True: at_target(a, a.observations), False: at_target(a, a.left_out)}
        self.lines = {str(i): k for k, i in enumerate(a.network.sights.id)}

    # -- one observation --

    def observation(self, e: Explained) -> Explanation:
        table, row = e.table, e.row
        sections = (self._verdict(e), self._read(e), self._model(e), self._sigma(e), *self._effect(e))
        return Explanation(
            str(table.id[row]),
            self._title(e),
            tuple(s for s in sections if s.rows),
            lambda: observation_document(self.a, e),
        )

    def _title(self, e: Explained) -> str:
        t, row = e.table, e.row
        kind = str(t.kind[row])
        if kind in ("control", "constant"):
            what = "weighted control" if kind == "control" else "constant with a prior"
            return f"{t.id[row]}: {what}"
        if kind == "effect":
            setup = int(t.start_setup[row])
            return f"{t.id[row]}: error of setup {self._setup(setup)}"
        name = {
            "zenith": "zenith angle",
            "distance": "slope distance",
            "horizontal": "horizontal distance",
        }.get(kind, kind)
        ends = [
            self._setup(int(s)) if s >= 0 else str(n)
            for s, n in ((t.start_setup[row], t.start[row]), (t.end_setup[row], t.end[row]))
        ]
        of_round = f", round {t.round[row]}" if t.round[row] else ""
        return f"{t.id[row]}: {name} from {ends[0]} to {ends[1]}{of_round}"

    def _setup(self, setup: int) -> str:
        s = self.a.network.setups
        return f"{s.setup[setup]} on {self.a.marks.mark[s.mark[setup]]}"

    def _verdict(self, e: Explained) -> Section:
        t, row, a = e.table, e.row, self.a
        residual = self._amount(t, row, float(t.residual[row]), e.used)
        rows: list[Row] = []
        if not e.used:
            words = (
                f"A decision leaves it out. Against the adjusted network its residual would be {residual}."
            )
            return Section("verdict", "", (Row("watch", (words,)),))
        w, r, mdb = (
            float(t.standardized[row]),
            float(t.redundancy[row]),
            float(t.minimal_detectable_bias[row]),
        )
        weight = f"weight 1/sigma² with sigma {self._amount(t, row, float(t.sigma[row]), True)}"
        rows.append(Row("", (f"Residual (adjusted − observed): {residual}; {weight}.",)))
        if not math.isfinite(w):
            rows.append(
                Row(
                    "watch",
                    (f"Redundancy {plain(r, 3)}: nothing checks it, so no mistake in it would be seen.",),
                )
            )
            return Section("verdict", "", tuple(rows))
        sign: Sign = "flagged" if t.flagged[row] else "ok"
        verdict = "flagged" if t.flagged[row] else "fits"
        rows.append(
            Row(
                sign,
                (
                    f"w {plain(w, 2)}, critical {plain(a.critical, 2)} at alpha {a.settings.alpha:g}: {verdict}.",
                ),
            )
        )
        share = f"Redundancy {plain(r, 3)}: {plain(100.0 * r, 0)} % of a mistake in it would show in its own residual."
        least = f"Smallest mistake found with power {a.settings.power:g}: {self._amount(t, row, mdb, True)}."
        rows.append(Row("", (f"{share} {least}",)))
        if t.flagged[row]:
            wrong, side = self._amount(t, row, abs(e.bias), True), "much" if e.bias > 0.0 else "little"
            rows.append(Row("watch", (f"Were it alone wrong, it would be {wrong} too {side}.",)))
        return Section("verdict", "", tuple(rows))

    def _read(self, e: Explained) -> Section:
        """Raw rows, their mean, and what was added to it."""
        t, row, trace = e.table, e.row, e.trace
        value = self._value(str(t.kind[row]), str(t.quantity[row]))
        observed = f"Observed: {value(float(t.observed[row]))} {self._unit(t, row)}."
        if trace is None or not trace.readings:
            title = (
                "What was entered" if str(t.kind[row]) not in ("effect", "constant") else "What was assumed"
            )
            return Section("read", title, (Row("", (observed,)),))
        cells = [
            Row("", (r.row, str(r.face), value(r.value), value(r.on_face_1), self._place(r.row)))
            for r in trace.readings
        ]
        words = []
        if len(trace.readings) > 1:
            words.append(
                f"Mean of {len(trace.readings)}, face 2 turned to face 1: {value(trace.reduced[0].value)}."
            )
        for step in trace.reduced[1:]:
            words.append(
                f"{step.name[0].upper()}{step.name[1:]} {self._amount(t, row, step.amount, e.used, signed=True)}."
            )
        rows = (*cells, Row("", (" ".join([*words, observed]),)))
        return Section("read", "What was read", rows, ("row", "face", "reading", "as of face 1", "stands in"))

    def _place(self, name: str) -> str:
        return self.job.place("sights", self.lines[name]) if name in self.lines else ""

    def _model(self, e: Explained) -> Section:
        if e.trace is None:
            return Section("model", "", ())
        t, row = e.table, e.row
        value = self._value(str(t.kind[row]), str(t.quantity[row]))
        rows = []
        for k, s in enumerate(e.trace.model):
            amount = self._amount(t, row, s.amount, e.used, signed=True) if k else ""
            rows.append(Row("", (_STEPS.get(s.name, s.name), amount, value(s.value))))
        residual = self._amount(t, row, float(t.residual[row]), e.used, signed=True)
        rows.append(
            Row(
                "",
                (f"Adjusted {value(e.trace.adjusted)} − observed {value(e.trace.observed)} = {residual}.",),
            )
        )
        headings = ("step", "by", "then")
        return Section("model", "What it should have read, from the adjusted network", tuple(rows), headings)

    def _sigma(self, e: Explained) -> Section:
        t, row = e.table, e.row
        counted = [x for x in e.terms if x.counted]
        beside = [x for x in e.terms if not x.counted]
        rows = [Row("", (_TERMS.get(x.name, x.name), self._amount(t, row, x.sigma, e.used))) for x in counted]
        total = self._amount(t, row, float(t.sigma[row]), e.used)
        n = e.readings
        if str(t.kind[row]) in ("direction", "zenith"):
            how = f"times √(2/{n}) for the mean of {n} reading{'' if n == 1 else 's'}"
        elif any("summed" in x.name for x in counted):
            how = f"their sum / √{n} for the mean of {n} reading{'' if n == 1 else 's'}"
        else:
            how = "root of the sum of squares" if len(counted) > 1 else "as it stands"
        if any(x.name.startswith(("centring of", "height of")) for x in counted):
            how += "; setups added in squares"
        rows.append(Row("", (f"{how[0].upper()}{how[1:]}: sigma {total}.",)))
        if beside:
            listed = "; ".join(f"{x.name} {self._amount(t, row, x.sigma, e.used)}" for x in beside)
            rows.append(
                Row(
                    "", (f"Not in it, but unknowns of their own, shared by all sights of a setup: {listed}.",)
                )
            )
        return Section("sigma", "What its sigma is made of", tuple(rows), ("source", "sigma"))

    def _effect(self, e: Explained) -> tuple[Section, ...]:
        """What the marks do when it changes by a sigma, when it is left out, and what its smallest unseen mistake can do."""
        if not e.used:
            return ()
        t, row, a = e.table, e.row, self.a
        sigma, mdb = float(t.sigma[row]), float(t.minimal_detectable_bias[row])
        words: list[Row] = []
        if not (e.moves != 0.0).any():
            return (Section("moves", "What it does to the coordinates", (Row("", ("It moves no mark.",)),)),)
        if math.isfinite(mdb):
            words.append(Row("", (self._unseen(e, mdb),)))
        gone = -e.bias * e.moves if math.isfinite(e.bias) else None
        rows = self._moves(e.moves * sigma, gone)
        u = self.small
        headings: tuple[str, ...] = ("mark", f"east [{u}]", f"north [{u}]", f"height [{u}]")
        title = "What it does to the coordinates: were it 1 sigma larger"
        if gone is not None:
            headings = (*headings, "out: east", "north", "height")
            title += "; and (out) were it left out"
        elif a.degrees_of_freedom:
            words.append(
                Row("watch", ("Left out, nothing would take its place: what rests on it would be lost.",))
            )
        return (Section("moves", title, (*rows, *words), headings, self._more(e.moves)),)

    def _unseen(self, e: Explained, mdb: float) -> str:
        """External reliability in a sentence."""
        a, m = self.a, self.a.marks
        shift = np.abs(e.moves * mdb)
        plan, up = np.hypot(shift[:, 0], shift[:, 1]), shift[:, 2]
        parts = []
        for size, what in ((plan, "in position"), (up, "in height")):
            worst = int(np.argmax(size))
            if size[worst] > 5e-5:
                parts.append(f"{m.mark[worst]} by {self.units.show_small_length(float(size[worst]))} {what}")
        noise = (
            f"; no coordinate by more than {plain(e.noise, 1)} of its sigmas"
            if math.isfinite(e.noise)
            else ""
        )
        moved = " and ".join(parts) or "nothing"
        return f"A mistake just too small to be found (power {a.settings.power:g}) moves {moved}{noise}."

    def _moves(self, one: Floats, gone: Floats | None) -> tuple[Row, ...]:
        order = np.argsort(-np.linalg.norm(one, axis=1), kind="stable")[:MOST]
        rows = []
        for i in order.tolist():
            if np.linalg.norm(one[i]) < 5e-8:
                continue
            cells = [self.show.small(float(v)) for v in one[i]]
            if gone is not None:
                cells += [self.show.small(float(v)) for v in gone[i]]
            rows.append(Row("", (str(self.a.marks.mark[i]), *cells)))
        return tuple(rows)

    def _more(self, moves: Floats) -> int:
        largest = float(np.abs(moves).max(initial=0.0))
        return max(0, int((np.abs(moves).max(axis=1) > 1e-3 * largest).sum()) - MOST)

    # -- held control --

    def control(self, e: ExplainedControl) -> Explanation:
        c, m = self.a.control, self.a.marks
        name = f"{c.mark[e.row]}.{c.component[e.row]}"
        w, misfit = float(c.standardized[e.row]), float(c.misfit[e.row])
        value = self.units.show_length((m.east, m.north, m.height)[e.axis][e.mark], self.show.decimals)
        rows = [Row("", (f"Held at {value} {self.units.length_name}: sigma 0, no residual.",))]
        if math.isfinite(w):
            sign: Sign = "flagged" if c.flagged[e.row] else "ok"
            words = (
                f"Given − what the rest predicts: {self.show.small(misfit)} {self.small}, w {plain(w, 2)}: "
            )
            rows.append(Row(sign, (words + ("flagged." if c.flagged[e.row] else "fits."),)))
        else:
            rows.append(Row("watch", ("Nothing else predicts it, so nothing checks it.",)))
        moved = self._moves(e.moves * 1e-3, None)
        u, unit = self.small, self.units.show_small_length(1e-3, 1)
        headings = ("mark", f"east [{u}]", f"north [{u}]", f"height [{u}]")
        way = ("further east", "further north", "higher")[e.axis]
        title = f"What it does to the coordinates: were it held {unit} {way}"
        sections = (
            Section("verdict", "", tuple(rows)),
            Section("moves", title, moved, headings, self._more(e.moves)),
        )
        document = {
            "id": name, "kind": "held control", "misfit": number(misfit), "standardized": number(w),
            "flagged": bool(c.flagged[e.row]), "moves": moves_document(self.a, e.moves),
        }  # fmt: skip
        return Explanation(name, f"{name}: held control", sections, lambda: document)

    # -- units --

    def _value(self, kind: str, quantity: str) -> Any:
        if quantity == "number":
            return self.show.number
        if quantity == "angle":
            return self.show.zenith if kind == "zenith" else self.show.azimuth
        return lambda metres: self.units.show_length(metres, max(self.show.decimals, 4))

    def _unit(self, t: Any, row: int) -> str:
        return {"angle": self.units.angle_name, "length": self.units.length_name}.get(
            str(t.quantity[row]), ""
        )

    def _amount(self, t: Any, row: int, amount: float, used: bool, signed: bool = False) -> str:
        """A small amount with its unit; of an angle also what it is at the target."""
        if not math.isfinite(amount):
            return "none" if math.isinf(amount) else ""
        sign = "+" if signed and amount > 0.0 else ""
        quantity = str(t.quantity[row])
        if quantity == "number":
            return f"{sign}{amount:.4g}"
        if quantity == "length":
            if abs(amount) >= 1.0:
                return f"{sign}{self.units.show_length(amount, 4)} {self.units.length_name}"
            return f"{sign}{self.units.show_small_length(amount, 2)}"
        if abs(amount) >= 0.02:
            return f"{sign}{self.units.show_angle(amount, 1)}"
        far = float(self.far[used][row])
        at = f" = {self.units.show_small_length(amount * far, 2)}" if math.isfinite(far) else ""
        return f"{sign}{self.units.show_small_angle(amount, 2)}{at}"
