"""Rows of older books on the earth: azimuths with their reference, distances on grid or ellipsoid, repeated angles."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.io.test_site import MM, REDUCED, faults

from hubtack.adjust import adjust
from hubtack.io.job import read_job


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("1,azimuth,V1,,L1,,,,52-05-00,3 arcsec", "TAB256"),
        ("1,azimuth,V1,,L1,true,,,52-05-00,3 arcsec", "TAB256"),
        ("1,horizontal,V1,,L1,geodetic,,,2121.6,5 mm", "TAB256"),
        ("1,rise,V1,,L1,ground,,,635.5,5 mm", "TAB256"),
        ("1,angle,V1,A,S1,,6,,30-00-00,3 arcsec", "TAB257"),
        ("1,angle,V1,A,S1,,6,59-00-00,30-00-00,3 arcsec", "TAB257"),
        ("1,rise,V1,,L1,,3,0-10-00,635.5,5 mm", "TAB257"),
    ],
)
def test_older_rows_say_what_they_are(ropeway: Path, row: str, code: str) -> None:
    (ropeway / "reduced.csv").write_text(REDUCED + row + "\n", encoding="utf-8")
    assert {f.code for f in faults(ropeway)} == {code}


def test_azimuths_distances_and_repeated_angles_fit(ropeway: Path) -> None:
    """Rows made from the adjusted marks by PROJ's geodesic and by hand: each declared reference fits, another one does not."""
    from pyproj import Geod

    job = read_job(ropeway)
    a = adjust(job.network, job.settings)
    from hubtack.adjust.outcome.lines import place_table

    places = place_table(a)
    assert places is not None
    v1, l1 = (list(places.mark).index(m) for m in ("V1", "L1"))
    where = [np.degrees(v) for k in (v1, l1) for v in (places.longitude[k], places.latitude[k])]
    azimuth, _, length = Geod(ellps="GRS80").inv(*where)
    grid = float(np.hypot(a.marks.east[l1] - a.marks.east[v1], a.marks.north[l1] - a.marks.north[v1]))
    bearing = np.degrees(
        np.arctan2(a.marks.east[l1] - a.marks.east[v1], a.marks.north[l1] - a.marks.north[v1])
    )
    # Laplace: A = α + η tan φ + (ξ sin α − η cos α) cot z, with the zenith angle between the marks themselves
    xi, eta, phi = places.deflection_north[v1], places.deflection_east[v1], places.latitude[v1]
    cot = (places.ellipsoidal[l1] - places.ellipsoidal[v1]) / length
    alpha = np.radians(azimuth)
    laplace = eta * np.tan(phi) + (xi * np.sin(alpha) - eta * np.cos(alpha)) * cot
    # the angle at A as an instrument on its plumb line sees it: both arms by the second of Laplace's terms
    at = list(places.mark).index("A")
    arms = []
    for name in ("V2", "S1"):
        k = list(places.mark).index(name)
        e, n = a.marks.east[k] - a.marks.east[at], a.marks.north[k] - a.marks.north[at]
        up, arm = places.ellipsoidal[k] - places.ellipsoidal[at], np.arctan2(e, n) + places.convergence[at]
        lean = places.deflection_north[at] * np.sin(arm) - places.deflection_east[at] * np.cos(arm)
        arms.append(arm + lean * up / np.hypot(e, n))
    angle = np.degrees(arms[1] - arms[0]) % 360.0
    mean = 0.5 * (places.ellipsoidal[v1] + places.ellipsoidal[l1])
    rows = [
        f"1,azimuth,V1,,L1,geodetic,,,{azimuth:.8f} deg,1 arcsec",
        f"2,azimuth,V1,,L1,astronomic,,,{azimuth + np.degrees(laplace):.8f} deg,1 arcsec",
        f"3,azimuth,V1,,L1,grid,,,{bearing:.8f} deg,1 arcsec",
        f"4,horizontal,V1,,L1,ellipsoid,,,{length:.5f},2 mm",
        f"5,horizontal,V1,,L1,grid,,,{grid:.5f},2 mm",
        f"6,horizontal,V1,,L1,ground,,,{length * (1 + mean / 6.386e6):.5f},2 mm",
        f"7,angle,V2,A,S1,,6,{round(angle * 60) / 60:.6f} deg,{6 * angle % 360.0:.8f} deg,1 arcsec",
    ]
    (ropeway / "reduced.csv").write_text(REDUCED + "\n".join(rows) + "\n", encoding="utf-8")
    again = read_job(ropeway)
    b = adjust(again.network, again.settings)
    mine = {str(i): k for k, i in enumerate(b.observations.id) if str(i) in "1234567"}
    assert len(mine) == 7
    # 0.06″: normals at V1 and L1 are skew, and L1 is high (e²·cos²φ·sin 2α·h/2a), which the stars don't see reduced
    # V1 and L1 are held: residuals are what the two ways of computing differ by; the angle's marks are the network's
    for row, limit in (("1", 0.001), ("2", 0.08), ("3", 0.001), ("7", 0.1)):
        assert abs(np.degrees(b.observations.residual[mine[row]]) * 3600) < limit, row
    for row, limit in (("4", 0.01 * MM), ("5", 0.01 * MM), ("6", 1.0 * MM)):
        assert abs(b.observations.residual[mine[row]]) < limit, row
