"""What comes out of an adjustment: tables whose rows follow the tables that went in. SI and radian, NaN undefined."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from .ground.network import Network
from .ground.table import Flags, Floats, Ints, Names, Table, column
from .settings import Settings
from .solved import GlobalTest
from .trouble import Trouble

if TYPE_CHECKING:
    from .judge.audit import Audit
    from .judge.components import Components
    from .judge.finding import Finding
    from .solved import Solved


class AdjustedMarks(Table):
    """Row i belongs to row i of `network.marks`. Components that nothing reaches are NaN."""

    mark: Names = column("name", "name of the mark")
    east: Floats = column("length", "adjusted east")
    north: Floats = column("length", "adjusted north")
    height: Floats = column("length", "adjusted height")
    sigma_east: Floats = column("length", "standard deviation of east")
    sigma_north: Floats = column("length", "standard deviation of north")
    sigma_height: Floats = column("length", "standard deviation of height")
    covariance: Floats = column("area", "covariance of east, north, height", shape=(3, 3))
    control: Names = column("text", "held, weighted and their dimension, or blank")
    semi_major: Floats = column("length", "semi-major axis of the error ellipse at the confidence level")
    semi_minor: Floats = column("length", "semi-minor axis of the error ellipse at the confidence level")
    ellipse_azimuth: Floats = column("angle", "azimuth of the semi-major axis")
    unchecked: Flags = column("flag", "a single undetectable blunder may move it intolerably")
    unchecked_by: Names = column("names", "the readings and setups on which it rests without a check")


class AdjustedObservations(Table):
    """Every reduced reading, reduced row, vector component, weighted control coordinate and setup effect.

    residual = adjusted − observed; redundancies sum to the degrees of freedom.
    """

    id: Names = column("name", "id: of the first row, with the kind behind a point")
    kind: Names = column(
        "text", "direction, zenith, distance, horizontal, rise, azimuth, angle, vector, control, effect"
    )
    quantity: Names = column("text", "length or angle")
    start: Names = column("name", "setup or mark it runs from")
    end: Names = column("name", "setup or mark it runs to")
    start_mark: Ints = column("index", "row of the mark it runs from")
    end_mark: Ints = column("index", "row of the mark it runs to, −1 for none")
    start_setup: Ints = column("index", "row of the setup it runs from, −1 for none")
    end_setup: Ints = column("index", "row of the setup it runs to, −1 for none")
    round: Ints = column("count", "round, 0 where there is none")
    observed: Floats = column("number", "observed value, m or rad")
    adjusted: Floats = column("number", "adjusted value, m or rad")
    residual: Floats = column("number", "adjusted − observed, m or rad")
    sigma: Floats = column("number", "a priori sigma, m or rad")
    standardized: Floats = column("number", "standardized residual w")
    redundancy: Floats = column("number", "redundancy number")
    minimal_detectable_bias: Floats = column(
        "number", "smallest bias found with the set power, infinite if none is"
    )
    flagged: Flags = column("flag", "|w| beyond the critical value")
    rows: Names = column("names", "ids of the rows it was made from")


class AdjustedSetups(Table):
    """Row i belongs to row i of `network.setups`."""

    setup: Names = column("name", "name of the setup")
    sigma_centring: Floats = column("length", "a priori sigma of the centring, per axis")
    sigma_height: Floats = column("length", "a priori sigma of the height")
    centring_east: Floats = column("length", "estimated centring error, east")
    centring_north: Floats = column("length", "estimated centring error, north")
    height_error: Floats = column("length", "estimated height error: true minus entered")
    standardized_centring: Floats = column("number", "square root of the two-dimensional test statistic")
    standardized_height: Floats = column("number", "w of the height error")
    redundancy_height: Floats = column("number", "redundancy number of the height effect")
    minimal_detectable_height: Floats = column("length", "smallest wrong height found with the set power")
    minimal_detectable_centring: Floats = column(
        "length", "smallest centring error, in its worst direction, so found"
    )
    flagged: Flags = column("flag", "height or centring beyond its critical value")


class Relative(Table):
    """Relative precision of pairs of marks: all that a sight joins, and those the user names."""

    start: Names = column("name", "mark")
    end: Names = column("name", "mark")
    start_mark: Ints = column("index", "row of the mark")
    end_mark: Ints = column("index", "row of the mark")
    distance: Floats = column("length", "horizontal distance between the adjusted marks")
    sigma_distance: Floats = column("length", "standard deviation of that distance")
    semi_major: Floats = column("length", "semi-major axis of the relative ellipse at the confidence level")
    semi_minor: Floats = column("length", "semi-minor axis")
    ellipse_azimuth: Floats = column("angle", "azimuth of the semi-major axis")
    sigma_height: Floats = column("length", "standard deviation of the height difference")


class Lines(Table):
    """Lines in the earth frame: grid, ground and geodetic side by side. See `outcome.lines` for what each is."""

    start: Names = column("name", "mark")
    end: Names = column("name", "mark")
    start_mark: Ints = column("index", "row of the mark")
    end_mark: Ints = column("index", "row of the mark")
    grid: Floats = column("length", "distance on the grid")
    ground: Floats = column("length", "horizontal distance at the mean height of the ends")
    geodesic: Floats = column("length", "distance on the ellipsoid")
    azimuth: Floats = column("angle", "geodetic azimuth at the start")
    bearing: Floats = column("angle", "grid bearing of the chord")
    convergence: Floats = column("angle", "convergence at the start")
    arc_to_chord: Floats = column("angle", "t − T at the start")
    arc_to_chord_end: Floats = column("angle", "t − T at the end")
    scale_start: Floats = column("number", "point scale at the start")
    scale_end: Floats = column("number", "point scale at the end")
    scale: Floats = column("number", "grid distance / distance on the ellipsoid")
    elevation: Floats = column("number", "distance on the ellipsoid / ground distance")
    combined: Floats = column("number", "grid distance / ground distance")


class Places(Table):
    """Where marks lie on the earth. Row i belongs to row i of `network.marks`."""

    mark: Names = column("name", "name of the mark")
    latitude: Floats = column("angle", "geodetic latitude")
    longitude: Floats = column("angle", "geodetic longitude, east positive")
    ellipsoidal: Floats = column("length", "height over the ellipsoid")
    undulation: Floats = column("length", "geoid over ellipsoid, NaN where not given")
    deflection_north: Floats = column("angle", "deflection of the vertical, north")
    deflection_east: Floats = column("angle", "deflection of the vertical, east")
    xyz: Floats = column("length", "geocentric coordinates", shape=(3,))
    scale: Floats = column("number", "point scale of the grid")
    convergence: Floats = column("angle", "azimuth of grid north")
    combined: Floats = column("number", "point scale × elevation factor")


class ControlFit(Table):
    """Each held or weighted control component against what the rest of the network says of it (w of a moved mark)."""

    mark: Names = column("name", "control mark")
    component: Names = column("text", "east, north or height")
    held: Flags = column("flag", "held, not weighted")
    misfit: Floats = column("length", "given minus what the others predict")
    sigma: Floats = column("length", "standard deviation of the misfit")
    standardized: Floats = column("number", "misfit / its standard deviation")
    flagged: Flags = column("flag", "beyond the critical value")


class Constants(Table):
    """Nuisance unknowns: refraction, EDM zero and scale, collimation, index. Orientations apart."""

    name: Names = column("name", "which constant, and of which instrument")
    quantity: Names = column("text", "length, angle or number")
    value: Floats = column("number", "estimate")
    sigma: Floats = column("number", "its standard deviation")
    prior: Floats = column("number", "prior value")
    prior_sigma: Floats = column("number", "prior sigma")


class Orientations(Table):
    """Azimuth of the circle's zero, one row an instrument setup and round."""

    setup: Names = column("name", "instrument setup")
    setup_row: Ints = column("index", "row of the setup")
    round: Ints = column("count", "round")
    value: Floats = column("angle", "azimuth of the zero of the circle")
    sigma: Floats = column("angle", "its standard deviation")


@dataclass(frozen=True)
class Adjustment:
    """Everything that came out. `print(adjustment)` is one line."""

    network: Network
    settings: Settings
    marks: AdjustedMarks
    observations: AdjustedObservations
    left_out: AdjustedObservations  # what decisions left out: observed, adjusted, residual; the rest NaN
    setups: AdjustedSetups
    relative: Relative
    control: ControlFit
    orientations: Orientations
    constants: Constants
    global_test: GlobalTest
    iterations: int
    degrees_of_freedom: int
    reference_height: float
    datum: tuple[
        str, ...
    ]  # freedoms fixed by inner constraints: "east", "north", "rotation", "height", "scale"
    datum_marks: tuple[str, ...]  # the marks that carry them
    critical: float  # critical value of |w|
    critical_centring: float  # critical value of the square root of the two-dimensional statistic
    ellipse_factor: float  # what the ellipse axes were multiplied by: 2.4477 at 95 %
    remarks: tuple[Trouble, ...]
    # what `outcome.joint` takes covariances from that stand in no table; not kept when pickled
    findings: tuple[Finding, ...] = ()  # filled by `judged`
    components: Components | None = None  # filled by `judged`
    audit: Audit | None = None  # filled by `judged`
    solved: Solved | None = field(default=None, repr=False, compare=False)

    def __getstate__(self) -> dict[str, Any]:
        return self.__dict__ | {"solved": None}

    @property
    def flagged(self) -> bool:
        """True if the global test, a reading, a setup or a control mark fails."""
        return bool(
            not self.global_test.passed
            or self.observations.flagged.any()
            or self.setups.flagged.any()
            or self.control.flagged.any()
        )

    def __str__(self) -> str:
        counts = (
            f"{len(self.marks)} marks, {len(self.observations)} observations, "
            f"{self.degrees_of_freedom} degrees of freedom"
        )
        if self.degrees_of_freedom <= 0:
            return f"{counts}; nothing is checked"
        g = self.global_test
        word = "within" if g.passed else "outside"
        return f"{counts}; variance factor {g.variance_factor:.2f} {word} {g.lower:.2f} … {g.upper:.2f}"
